//! How long a disk takes to make what was written durable: what a recorder meets on it, before there is a recording.

use super::error::RecordingError;
use crate::clock::WallClock;
use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::Path;

/// Write `bytes` and make them durable, `count` times, in a file of its own below `folder` that is removed again; the
/// times of it, ns, sorted.
///
/// # Errors
/// The folder is not there or cannot be written, or the disk is full.
pub fn flush_times_ns(
    folder: &Path,
    bytes: usize,
    count: usize,
    clock: &dyn WallClock,
) -> Result<Vec<u64>, RecordingError> {
    let path = folder.join(format!(".ramprig-disk-{}", std::process::id()));
    let fault = |doing: &'static str, error: &std::io::Error| RecordingError::io(&path, doing, error);
    let mut file =
        OpenOptions::new().write(true).create_new(true).open(&path).map_err(|e| fault("make a file to measure", &e))?;
    let timed = times(&mut file, bytes, count, clock);
    let removed = std::fs::remove_file(&path);
    let mut times_ns = timed.map_err(|e| fault("measure a flush", &e))?;
    removed.map_err(|e| fault("remove what was measured with", &e))?;
    times_ns.sort_unstable();
    Ok(times_ns)
}

fn times(file: &mut File, bytes: usize, count: usize, clock: &dyn WallClock) -> std::io::Result<Vec<u64>> {
    let content: Vec<u8> = (0..bytes).map(|k| k as u8).collect();
    (0..count)
        .map(|_| {
            let begun_ns = clock.now_ns();
            file.write_all(&content)?;
            file.sync_data()?;
            Ok(clock.now_ns().saturating_sub(begun_ns))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::SystemClock;

    #[test]
    fn measures_every_flush_and_leaves_nothing_behind() {
        let folder = tempfile::tempdir().unwrap();
        let times = flush_times_ns(folder.path(), 1_000, 5, &SystemClock).unwrap();
        assert!(times.len() == 5 && times.is_sorted() && times[0] > 0, "{times:?}");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
        let error = flush_times_ns(&folder.path().join("none"), 1, 1, &SystemClock).unwrap_err();
        assert!(error.to_string().contains("none"), "{error}");
    }
}
