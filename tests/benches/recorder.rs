//! What recording costs beside writing the same bytes with `write`: processor time of the recording thread from taking a
//! block out of its channel to the flush, against a thread that takes the same blocks from a channel of the same kind and
//! writes each with one call. Both get the blocks at the same moments, in real time. The files lie on a file system in
//! memory, where `fdatasync` costs nothing, so that it is left out on both sides. Then the size of a closed file.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a bench"
)]

mod peers;

use crossbeam_channel::{Receiver, Sender, bounded};
use peers::{Noise, compared, median};
use ramprig::clock::{RigClock, SystemClock, sleep_wall};
use ramprig::recording::{Recorder, RunDescription, close};
use ramprig::signal::Block;
use std::io::Write;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

const RATE_HZ: usize = 10_000;
const CHANNELS: usize = 8;
/// Rig time of one round, s.
const ROUND_S: usize = 6;
const ROUNDS: usize = 5;
/// Blocks that may wait, as between the sampling thread and the recorder.
const ROOM: usize = 4_096;
const DEADLINE: Duration = Duration::from_secs(60);
/// Length of the file whose size is told, s.
const SURGE_S: usize = 60;
/// Standard deviation of the noise in it, counts of 16 bits.
const NOISE_COUNTS: f64 = 2.0;

fn description() -> RunDescription {
    let rig = ramprig::rig::parse(ramprig::rig::shipped("terrace-bench").unwrap(), "terrace-bench.toml").unwrap();
    let mut description =
        RunDescription::of(&rig, 0, "made for a bench", true, "nobody", "2026-01-01T00:00:00Z").unwrap();
    let like = description.channels[0].clone();
    let channel = |input| {
        let id = ramprig::signal::ChannelId(format!("c{input}"));
        ramprig::rig::model::Channel { id, input, ..like.clone() }
    };
    description.channels = (0..CHANNELS).map(channel).collect();
    description.rate_hz = RATE_HZ as f64;
    description.headline = 0;
    description
}

/// A surge as 16 bits show it: steady pressure, a start that rings and decays, noise of a good converter.
fn count(frame: usize, channel: usize, noise: &mut Noise) -> i32 {
    let time_s = frame as f64 / RATE_HZ as f64 % 20.0;
    let slow_hz = 2.0 + channel as f64;
    let rings = (-0.5 * time_s).exp() * (std::f64::consts::TAU * slow_hz * time_s).sin();
    let normal: f64 = (0..12).map(|_| noise.next()).sum();
    (4_000.0 + 9_000.0 * rings + NOISE_COUNTS * (normal - 6.0)).round() as i32
}

fn blocks(frames_each: usize, seconds: usize) -> Vec<Arc<Block>> {
    let mut noise = Noise(1);
    (0..seconds * RATE_HZ / frames_each)
        .map(|block| {
            let first = block * frames_each;
            let counts = (first..first + frames_each)
                .flat_map(|frame| (0..CHANNELS).map(move |channel| (frame, channel)))
                .map(|(frame, channel)| count(frame, channel, &mut noise))
                .collect();
            let first_frame = first as u64;
            Arc::new(Block { first_frame, missing_before: 0, channels: CHANNELS, counts, arrived_wall_ns: first_frame })
        })
        .collect()
}

/// Processor time of the thread of this name so far, ns.
fn cpu_ns(name: &str) -> Option<f64> {
    let tasks = std::fs::read_dir("/proc/self/task").ok()?;
    tasks.filter_map(Result::ok).map(|task| task.path()).find_map(|task| {
        let named = std::fs::read_to_string(task.join("comm")).ok()?.trim() == name;
        let spent = std::fs::read_to_string(task.join("schedstat")).ok()?;
        if named { spent.split_whitespace().next()?.parse().ok() } else { None }
    })
}

/// The other side: takes a block, writes its counts with one call.
fn writes(path: &Path, blocks: Receiver<Arc<Block>>, read: Receiver<()>) -> std::thread::JoinHandle<()> {
    let mut file = std::fs::File::create(path).unwrap();
    let thread = std::thread::Builder::new().name("writing".into());
    thread
        .spawn(move || {
            let mut bytes = Vec::new();
            for block in blocks {
                bytes.clear();
                bytes.extend(block.counts.iter().flat_map(|count| count.to_le_bytes()));
                file.write_all(&bytes).unwrap();
            }
            // Its time is read before it ends.
            let _ = read.recv();
        })
        .unwrap()
}

fn feed(blocks: &[Arc<Block>], to: &[&Sender<Arc<Block>>]) {
    let begun = Instant::now();
    let each_s = blocks[0].frames() as f64 / RATE_HZ as f64;
    for (place, block) in blocks.iter().enumerate() {
        let due = begun + Duration::from_secs_f64(place as f64 * each_s);
        sleep_wall(due.saturating_duration_since(Instant::now()));
        for sender in to {
            sender.send(Arc::clone(block)).unwrap();
        }
    }
}

/// Processor time a sample, ns: ours and that of `write`.
fn round(folder: &Path, blocks: &[Arc<Block>], number: usize) -> (f64, f64) {
    let (ours, our_blocks) = bounded(ROOM);
    let (theirs, their_blocks) = bounded(ROOM);
    let path = folder.join(format!("round-{}-{number}.h5", blocks[0].frames()));
    let recorder =
        Recorder::create(&path, &description(), our_blocks, Arc::new(SystemClock), RigClock::default()).unwrap();
    let plain = folder.join("plain");
    let (all_read, read) = bounded(1);
    let writing = writes(&plain, their_blocks, read);
    // Making the file is not part of it.
    let before = [cpu_ns("recording").unwrap_or(0.0), cpu_ns("writing").unwrap_or(0.0)];
    feed(blocks, &[&ours, &theirs]);
    // The last flush comes within its 0.2 s.
    sleep_wall(Duration::from_millis(500));
    let after = [cpu_ns("recording").unwrap(), cpu_ns("writing").unwrap()];
    drop((ours, theirs));
    assert!(recorder.failed().is_none());
    let samples: usize = blocks.iter().map(|block| block.counts.len()).sum();
    assert_eq!(recorder.counts().stored as usize * CHANNELS, samples);
    std::fs::remove_file(recorder.finish(DEADLINE).unwrap()).unwrap();
    drop(all_read);
    writing.join().unwrap();
    assert_eq!(std::fs::metadata(&plain).unwrap().len() as usize, samples * size_of::<i32>());
    let each = |k: usize| (after[k] - before[k]) / samples as f64;
    (each(0), each(1))
}

fn closed_bytes_a_sample(folder: &Path) -> f64 {
    let blocks = blocks(100, SURGE_S);
    let (sender, receiver) = bounded(blocks.len());
    for block in &blocks {
        sender.send(Arc::clone(block)).unwrap();
    }
    drop(sender);
    let path = folder.join("surge.h5");
    let recorder =
        Recorder::create(&path, &description(), receiver, Arc::new(SystemClock), RigClock::default()).unwrap();
    let partial = recorder.finish(DEADLINE).unwrap();
    let closed = close(&partial, None).unwrap();
    std::fs::metadata(closed).unwrap().len() as f64 / (SURGE_S * RATE_HZ * CHANNELS) as f64
}

fn main() {
    let memory = Path::new("/dev/shm");
    if !memory.is_dir() {
        println!("skipped record_cpu: no file system in memory at /dev/shm");
        return;
    }
    let folder = tempfile::tempdir_in(memory).unwrap();
    for ms in [1, 10] {
        let blocks = blocks(RATE_HZ / 1000 * ms, ROUND_S);
        let rounds: Vec<(f64, f64)> = (0..ROUNDS).map(|number| round(folder.path(), &blocks, number)).collect();
        let (ratio, ours, theirs) = compared(&rounds);
        println!("ratio record_cpu_{ms}ms_vs_write {ratio:.3}");
        println!("abs record_cpu_{ms}ms_vs_write {ours:.2} {theirs:.2} ns/sample");
    }
    let size = median(&[closed_bytes_a_sample(folder.path())]);
    println!("ratio bytes_per_sample_16bit {size:.3}");
    println!("abs bytes_per_sample_16bit {size:.3} 2 bytes (noise of {NOISE_COUNTS} counts)");
}
