//! Closing, interrupted at every step and done again.

use super::made::{CHILD_FILE, DEADLINE, Killed, block, child, finished, h5py_reads, recorder};
use ramprig::clock::sleep_wall;
use ramprig::recording::{self, RecordingError};
use rand::{RngExt, SeedableRng};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Kills in one run of the tests.
const KILLS: usize = 5;

/// Everything that is in a run, in a form that holds NaN equal to NaN.
fn content(path: &Path) -> String {
    let mut run = recording::read(path).unwrap();
    run.path.clear();
    run.complete = true;
    format!("{run:?}")
}

#[test]
fn closes_again_after_each_step_at_which_it_can_be_interrupted() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    let partial = finished(&path, 3);
    let wanted = content(&partial);
    let kept = std::fs::read(&partial).unwrap();

    // While the copy was being made.
    std::fs::write(path.with_added_extension("closing"), &kept[..kept.len() / 2]).unwrap();
    assert_eq!(recording::close(&partial, None).unwrap(), path);
    assert_eq!(content(&path), wanted);
    assert!(!path.with_added_extension("closing").exists());

    // After the rename, before the `.partial` was removed.
    std::fs::write(&partial, &kept).unwrap();
    assert_eq!(recording::close(&partial, None).unwrap(), path);
    assert!(!partial.exists());

    // After everything.
    assert_eq!(recording::close(&partial, None).unwrap(), path);
    assert_eq!(recording::recover(&partial).unwrap().path, path);
    assert_eq!(content(&path), wanted);
}

#[test]
fn keeps_a_partial_whose_name_is_taken_by_another_recording() {
    let folder = tempfile::tempdir().unwrap();
    let (path, other) = (folder.path().join("run.h5"), folder.path().join("other.h5"));
    let partial = finished(&path, 1);
    std::fs::copy(recording::close(&finished(&other, 2), None).unwrap(), &path).unwrap();
    let taken = content(&path);
    for attempt in [recording::close(&partial, None), recording::recover(&partial).map(|found| found.path)] {
        assert!(matches!(attempt, Err(RecordingError::ReadBack { .. })), "{attempt:?}");
    }
    assert!(partial.exists());
    assert_eq!(content(&path), taken);
}

/// Not a test: a program that closes a file.
#[test]
#[ignore = "runs as a child of the test below"]
fn child_closes() {
    let Some(partial) = std::env::var_os(CHILD_FILE) else { return };
    eprintln!("closing");
    recording::close(&PathBuf::from(partial), None).unwrap();
    eprintln!("closed");
}

#[test]
fn closes_to_the_same_file_after_kills_at_random_moments() {
    let seed = std::env::var("RAMPRIG_TEST_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or_else(rand::random);
    println!("RAMPRIG_TEST_SEED={seed}");
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    let partial = finished(&path, 40);
    let wanted = content(&partial);
    for _ in 0..KILLS {
        let mut process = Killed(child("closing::child_closes", &partial).spawn().unwrap());
        let mut told = BufReader::new(process.0.stderr.take().unwrap());
        let mut line = String::new();
        told.read_line(&mut line).unwrap();
        sleep_wall(Duration::from_millis(random.random_range(0..400)));
        drop(process);
        assert!(partial.exists() || path.exists(), "both files are gone");
    }
    assert_eq!(recording::close(&partial, None).unwrap(), path);
    assert_eq!(content(&path), wanted);
    assert_eq!(h5py_reads(&path)["complete"], true);
}

#[test]
fn closes_a_recording_without_a_single_frame() {
    let folder = tempfile::tempdir().unwrap();
    let (recorder, _blocks, _) = recorder(&folder.path().join("run.h5"), 4).unwrap();
    let path = recording::close(&recorder.finish(DEADLINE).unwrap(), None).unwrap();
    let run = recording::read(&path).unwrap();
    assert_eq!((run.frames, run.frames_missing, run.complete, run.header, run.prediction), (0, 0, true, None, None));
    assert_eq!(h5py_reads(&path)["rows"][0], 0);
}

#[test]
fn marks_a_recording_that_was_abandoned_as_not_complete() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    let (recorder, blocks, _) = recorder(&path, 4).unwrap();
    blocks.send(block(0, 50, 0, 0)).unwrap();
    let partial = recorder.partial_path().to_owned();
    drop(recorder);
    super::made::wait_until("the file is let go", || {
        recording::recover(&partial).map(|found| found.path == path).unwrap_or(false)
    });
    let summary = recording::summary(&path).unwrap();
    assert_eq!((summary.frames, summary.complete, summary.recovered), (50, false, true));
}
