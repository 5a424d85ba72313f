//! What the recorder and the reader refuse, and what they leave alone.

use super::made::{CHANNELS, DEADLINE, block, description, recorder, start_mark, wait_until};
use ramprig::clock::{RigClock, SystemClock};
use ramprig::recording::{self, JOURNAL_ROOM, Recorder, RecordingError, RunDescription};
use ramprig::signal::ChannelId;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::sync::Arc;

fn create(path: &Path, description: &RunDescription) -> Result<Recorder, RecordingError> {
    let (_, blocks) = crossbeam_channel::bounded(1);
    Recorder::create(path, description, blocks, Arc::new(SystemClock), RigClock::default())
}

#[test]
fn rejects_a_folder_that_cannot_be_written_before_anything_moves() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    std::fs::write(&file, "not a folder").unwrap();
    let locked = folder.path().join("locked");
    std::fs::create_dir(&locked).unwrap();
    std::fs::set_permissions(&locked, std::fs::Permissions::from_mode(0o555)).unwrap();
    let mut folders = vec![folder.path().join("absent"), file, "/proc".into()];
    // The superuser may write everywhere but in /proc.
    if !rustix::process::geteuid().is_root() {
        folders.push(locked);
    }
    for folder in folders {
        let error = create(&folder.join("run.h5"), &description()).unwrap_err();
        assert!(matches!(&error, RecordingError::Folder { path, .. } if *path == folder), "{error}");
    }
}

#[test]
fn rejects_a_name_that_is_taken_and_leaves_the_file_alone() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["a.h5", "b.h5.partial"] {
        let taken = folder.path().join(name);
        std::fs::write(&taken, "precious").unwrap();
        let path = folder.path().join(name.trim_end_matches(".partial"));
        assert_eq!(create(&path, &description()).unwrap_err(), RecordingError::Exists { path: taken.clone() });
        assert_eq!(std::fs::read_to_string(&taken).unwrap(), "precious");
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
}

#[test]
fn rejects_a_description_that_cannot_be_stored_and_leaves_no_file() {
    let folder = tempfile::tempdir().unwrap();
    let channel = |id: &str| {
        let mut changed = description();
        changed.channels[0].id = ChannelId(id.into());
        changed
    };
    let cases = [
        channel(""),
        channel("a/b"),
        channel(".."),
        channel("time_ns"),
        channel("p_high"),
        channel(&"x".repeat(65)),
        RunDescription { headline: CHANNELS, ..description() },
        RunDescription { rate_hz: f64::NAN, ..description() },
        RunDescription { rate_hz: 0.0, ..description() },
    ];
    for case in cases {
        let error = create(&folder.path().join("run.h5"), &case).unwrap_err();
        assert!(matches!(error, RecordingError::Description { .. }), "{error}");
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn reports_a_journal_that_the_disk_cannot_follow() {
    let folder = tempfile::tempdir().unwrap();
    let (recorder, blocks, _) = recorder(&folder.path().join("run.h5"), 2).unwrap();
    let mut journal = recorder.journal();
    // The library's one lock is what a stuck disk would hold.
    let refused = hdf5::sync::sync(|| {
        let mut dropped = 0;
        for number in 0.. {
            dropped += u64::from(blocks.try_send(block(number, 1, 0, 0)).is_err());
            let sent = journal.mark(&start_mark(number as u32));
            if let Err(error) = sent {
                assert!(number >= JOURNAL_ROOM as u64, "full after {number} entries");
                assert!(dropped > 0);
                return error;
            }
        }
        unreachable!()
    });
    assert!(refused.0.contains("the disk does not keep up, 4096 entries wait"), "{refused}");
    // The disk is back: the next block shows what was lost, and everything else is there.
    wait_until("room for a block", || blocks.try_send(block(1_000_000, 1, 0, 0)).is_ok());
    wait_until("the gap is seen", || recorder.counts().dropped > 0);
    assert!(recorder.failed().unwrap().contains("frames dropped, the disk does not keep up"));
    let counts = recorder.counts();
    let path = recording::close(&recorder.finish(DEADLINE).unwrap(), None).unwrap();
    let run = recording::read(&path).unwrap();
    assert!(run.marks.len() >= JOURNAL_ROOM);
    assert_eq!((run.frames, run.frames_missing), (counts.stored, counts.dropped));
}

#[test]
fn rejects_files_that_are_no_recordings() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    assert_eq!(recording::read(&path("absent.h5")).unwrap_err(), RecordingError::NotFound { path: path("absent.h5") });
    std::fs::write(path("empty.h5"), "").unwrap();
    assert_eq!(recording::read(&path("empty.h5")).unwrap_err(), RecordingError::Empty { path: path("empty.h5") });
    std::fs::write(path("text.h5"), "time,pressure\n0,1\n".repeat(100)).unwrap();
    hdf5::File::create(path("other.h5")).unwrap().close().unwrap();
    for name in ["text.h5", "other.h5"] {
        let error = recording::summary(&path(name)).unwrap_err();
        assert!(matches!(error, RecordingError::Foreign { .. }), "{error}");
    }
    assert!(matches!(recording::close(&path("text.h5"), None), Err(RecordingError::NotPartial { .. })));
    std::fs::copy(path("text.h5"), path("text2.h5.partial")).unwrap();
    for result in [recording::close(&path("text2.h5.partial"), None), recording::close(&path("no.h5.partial"), None)] {
        let refused = matches!(result, Err(RecordingError::Foreign { .. } | RecordingError::NotFound { .. }));
        assert!(refused, "{result:?}");
    }
    assert!(path("text2.h5.partial").exists());
}

#[test]
fn rejects_a_truncated_and_a_future_recording() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    let (recorder, blocks, _) = recorder(&path, 4).unwrap();
    blocks.send(block(0, 20_000, 0, 0)).unwrap();
    recording::close(&recorder.finish(DEADLINE).unwrap(), None).unwrap();
    let whole = std::fs::read(&path).unwrap();
    for length in [9, 40, 100, whole.len() / 2, whole.len() - 1] {
        std::fs::write(&path, &whole[..length]).unwrap();
        let error = recording::read(&path).unwrap_err();
        assert!(matches!(error, RecordingError::Truncated { .. }), "{length} bytes: {error}");
    }
    std::fs::write(&path, &whole).unwrap();
    let file = hdf5::File::open_rw(&path).unwrap();
    file.attr("format").unwrap().write_scalar(&(recording::FORMAT + 1)).unwrap();
    file.close().unwrap();
    let future =
        RecordingError::FutureFormat { path: path.clone(), found: recording::FORMAT + 1, known: recording::FORMAT };
    assert_eq!(recording::read(&path).unwrap_err(), future);
    assert_eq!(recording::summary(&path).unwrap_err(), future);
}

#[test]
fn rejects_a_file_whose_writer_was_killed_before_it_was_ready() {
    let folder = tempfile::tempdir().unwrap();
    let partial = folder.path().join("run.h5.partial");
    let early = folder.path().join("early.h5");
    let file = hdf5::File::with_options().with_fapl(|p| p.libver_latest()).create(&early).unwrap();
    file.flush().unwrap();
    std::fs::copy(&early, &partial).unwrap();
    let error = recording::recover(&partial).unwrap_err();
    assert!(error.to_string().ends_with("cut off before the first frame, nothing is in it"), "{error}");
    assert!(partial.exists());
}
