//! Processes that end without warning.

use super::made::{
    CHILD_FILE, DEADLINE, Killed, RATE_HZ, block, child, count, description, h5py_reads, header, lines, prediction,
    recorder, start_mark,
};
use crossbeam_channel::Receiver;
use ramprig::clock::{SystemClock, WallClock, sleep_wall};
use ramprig::recording::{self, LOST_AT_MOST_S, RecordingError};
use ramprig::signal::Trace;
use rand::{RngExt, SeedableRng};
use sha2::{Digest, Sha256};
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

/// Frames of a block: 10 ms.
const BLOCK: u64 = 100;
/// Kills in one run of the tests.
const KILLS: usize = 5;
/// A child that was itself kept from running for longer than this says nothing about the recorder: the trial is made
/// again. It hands over a block every 10 ms.
const STALL_NS: u64 = 60_000_000;
/// Trials at most, stalled ones included.
const TRIALS: usize = 60;
const SIGKILL: i32 = 9;

/// Not a test: a program that records until it is killed, and tells on standard error which blocks it handed over.
#[test]
#[ignore = "runs as a child of the tests below"]
fn child_records_until_killed() {
    let Some(path) = std::env::var_os(CHILD_FILE) else { return };
    let (recorder, blocks, clock) = recorder(&PathBuf::from(path), 64).unwrap();
    let mut journal = recorder.journal();
    journal.header(&header()).unwrap();
    journal.prediction(&prediction()).unwrap();
    for number in 0.. {
        let now_ns = SystemClock.now_ns();
        clock.publish_ns(number * 10_000_000);
        if blocks.try_send(block(number * BLOCK, BLOCK, 0, now_ns)).is_err() {
            break;
        }
        eprintln!("B {number} {now_ns}");
        if number % 20 == 0 {
            let mark = journal.mark(&start_mark(number as u32 / 20 + 1));
            if mark.is_err() {
                break;
            }
        }
        sleep_wall(Duration::from_millis(10));
    }
    eprintln!("F {}", recorder.failed().unwrap_or_default());
}

/// Wall times of the blocks that a child handed over, in order.
fn handed_over(lines: impl Iterator<Item = String>) -> Vec<u64> {
    lines.filter_map(|line| line.strip_prefix("B ")?.split(' ').nth(1)?.parse().ok()).collect()
}

fn next_line(told: &Receiver<String>) -> String {
    told.recv_timeout(DEADLINE).expect("the child tells nothing")
}

/// Let a child hand over `wanted` blocks, kill it, and answer with the wall time of each block it handed over.
fn record_and_kill(path: &Path, wanted: usize, pause: Duration) -> Vec<u64> {
    let mut process = Killed(child("killed::child_records_until_killed", path).spawn().unwrap());
    let told = lines(process.0.stderr.take().unwrap());
    let mut handed = Vec::new();
    while handed.len() < wanted {
        handed.extend(handed_over([next_line(&told)].into_iter()));
    }
    sleep_wall(pause);
    process.0.kill().unwrap();
    assert_eq!(process.0.wait().unwrap().signal(), Some(SIGKILL), "the child ended before it was killed");
    handed.extend(handed_over(told.iter()));
    handed
}

#[test]
fn recovers_what_a_killed_process_recorded() {
    let seed = std::env::var("RAMPRIG_TEST_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or_else(rand::random);
    println!("RAMPRIG_TEST_SEED={seed}");
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let folder = tempfile::tempdir().unwrap();
    let mut kills = 0;
    for trial in 0..TRIALS {
        let path = folder.path().join(format!("run-{trial}.h5"));
        let pause = Duration::from_micros(random.random_range(0..20_000));
        let handed = record_and_kill(&path, random.random_range(1..120), pause);
        let lost_s = recover_and_look(&path, &handed);
        let stalled = handed.windows(2).map(|pair| pair[1] - pair[0]).max().unwrap_or(0) > STALL_NS;
        println!("trial {trial}: {} blocks handed over, lost {lost_s:.3} s, stalled: {stalled}", handed.len());
        if stalled {
            continue;
        }
        assert!(lost_s <= LOST_AT_MOST_S, "lost {lost_s} s, allowed {LOST_AT_MOST_S} s of wall time");
        kills += 1;
        if kills == KILLS {
            return;
        }
    }
    panic!("only {kills} of {TRIALS} trials on a computer that kept running");
}

/// Every frame from the first on, every channel, as it was handed over.
fn assert_every_value(traces: &[Trace], frames: u64) {
    for (channel, trace) in description().channels.iter().zip(traces) {
        assert_eq!(trace.values.len() as u64, frames);
        for (frame, &value) in trace.values.iter().enumerate() {
            let wanted = channel.scaling.to_si(count(channel.input, frame as u64));
            assert!(value == wanted, "{} frame {frame}: {value}, expected {wanted} Pa", channel.id);
        }
    }
}

/// Recover, check every stored value with our reader and with h5py; answers with the wall time lost, s.
fn recover_and_look(path: &Path, handed: &[u64]) -> f64 {
    let partial = path.with_added_extension("partial");
    let recovered = recording::recover(&partial).unwrap();
    assert_eq!(recovered.path, path);
    assert!(!partial.exists(), "{} is still there", partial.display());
    let summary = &recovered.summary;
    assert!(summary.recovered && !summary.complete, "{summary:?}");
    assert!(summary.loss.as_ref().unwrap().contains("0.3 s"), "{:?}", summary.loss);
    let run = recording::read(path).unwrap();
    assert!(!run.complete);
    assert_eq!((run.header, run.prediction, run.frames_missing), (Some(header()), Some(prediction()), 0));
    let channels = description().channels;
    assert_every_value(&run.traces, run.frames);
    let found = h5py_reads(path);
    assert_eq!((&found["recovered"], &found["rows"][0]), (&true.into(), &run.frames.into()));
    let bytes: Vec<u8> = (0..run.frames).flat_map(|frame| count(channels[0].input, frame).to_le_bytes()).collect();
    assert_eq!(found["sha256"][0], hex::encode(Sha256::digest(&bytes)));
    // Nothing on disk: all was lost since the first block, and one block's time before it.
    let last_kept_ns = match run.frames / BLOCK {
        0 => handed[0].saturating_sub((BLOCK as f64 / RATE_HZ * 1e9) as u64),
        blocks => handed[blocks as usize - 1],
    };
    (handed[handed.len() - 1] - last_kept_ns) as f64 * 1e-9
}

#[test]
fn refuses_to_close_or_recover_what_another_process_writes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    let mut process = Killed(child("killed::child_records_until_killed", &path).spawn().unwrap());
    let told = lines(process.0.stderr.take().unwrap());
    while !next_line(&told).starts_with("B 50 ") {}
    let partial = path.with_added_extension("partial");
    let in_use = RecordingError::InUse { path: partial.clone() };
    assert_eq!(recording::close(&partial, None), Err(in_use.clone()));
    assert_eq!(recording::recover(&partial), Err(in_use));
    // Reading along is welcome, and what is read grows.
    let first = recording::summary(&partial).unwrap();
    let seen = recording::read(&partial).unwrap();
    assert!(seen.frames >= first.frames && !first.closed && !first.complete, "{first:?}");
    assert_eq!(seen.prediction, Some(prediction()));
    while !next_line(&told).starts_with("B 150 ") {}
    let later = recording::summary(&partial).unwrap();
    assert!(later.frames > first.frames, "{} frames, {} before", later.frames, first.frames);
    drop(process);
    recording::recover(&partial).unwrap();
}

/// A file-size limit stands in for a full disk: the write fails in the middle of the run.
#[test]
fn reports_a_full_disk_and_keeps_what_was_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    let plain = child("killed::child_records_until_killed", &path);
    let mut limited = Command::new("sh");
    // 3000 blocks of 512 bytes (POSIX `ulimit -f`), room for everything that is there before the first frame; the signal that would end the child is ignored.
    limited.args(["-c", "trap '' XFSZ; ulimit -f 3000; exec \"$@\"", "sh"]).arg(plain.get_program());
    limited.args(plain.get_args()).env(CHILD_FILE, &path);
    limited.stdout(std::process::Stdio::null()).stderr(std::process::Stdio::piped());
    let mut process = Killed(limited.spawn().unwrap());
    let told = lines(process.0.stderr.take().unwrap());
    let fault = loop {
        let line = next_line(&told);
        if let Some(fault) = line.strip_prefix("F ") {
            break fault.to_owned();
        }
    };
    assert!(fault.contains("run.h5.partial: "), "{fault}");
    process.0.wait().unwrap();
    let partial = path.with_added_extension("partial");
    let summary = recording::recover(&partial).unwrap_or_else(|error| panic!("{error} after {fault}")).summary;
    assert!(summary.frames > 0 && summary.recovered && !summary.complete, "{summary:?}");
    assert_every_value(&recording::read(&path).unwrap().traces, summary.frames);
    assert_eq!(h5py_reads(&path)["rows"][0], summary.frames);
}
