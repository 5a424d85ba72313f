//! What follows a run, beside the general libraries of another language: the filter both ways on 60 s of 8 channels at
//! 10 kHz, the lag of one channel behind another, smallest and largest for a picture 2 000 points wide, and the report of
//! three runs (left out by `-- libraries`). The same samples on both sides, read from a file; answers are compared.
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

use peers::{Noise, Peer, Stopwatch, compared, judge, median, source};
use ramprig::signal::features::min_max;
use ramprig::signal::filter::LowPass;
use ramprig::signal::lag::lag_samples;
use ramprig::signal::room::filled;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

const RATE_HZ: f64 = 10_000.0;
const CHANNELS: usize = 8;
const SAMPLES: usize = 600_000;
const CORNER_HZ: f64 = 300.0;
/// Points across a picture.
const ACROSS: usize = 2_000;
/// Channel 1 is channel 0 so many samples later.
const LAG: usize = 321;
const ROUNDS: usize = 7;
/// What filter, lag and ends took SciPy and NumPy on a processor like the one here, ms.
const SCIPY_MS: [f64; 3] = [57.0, 43.0, 3.0];
/// Answers agree to this share; the ends of a filtered series are not compared, where both sides pad in their own way.
const AGREE: f64 = 1e-9;

fn channel(number: usize) -> Vec<f64> {
    let mut noise = Noise(number as u64 + 1);
    let shift = if number == 1 { LAG as f64 } else { 0.0 };
    let pitch = if number < 2 { 3.0 } else { 3.0 + number as f64 };
    let mut value = |k: usize| {
        let time_s = (k as f64 - shift) / RATE_HZ;
        let ring = (-0.5 * (time_s - 5.0).max(0.0)).exp() * (std::f64::consts::TAU * pitch * time_s).sin();
        1e5 * ring * if time_s > 5.0 { 1.0 } else { 0.1 } + noise.next() * 500.0
    };
    // As a recording is read.
    let mut values = filled(SAMPLES, 0.0);
    values.iter_mut().enumerate().for_each(|(k, place)| *place = value(k));
    values
}

fn agree(name: &str, ours: f64, theirs: f64) {
    let off = (ours - theirs).abs() / theirs.abs().max(1.0);
    assert!(off < AGREE, "{name}: {ours} here, {theirs} there");
}

/// `task` on both sides in turn; the ratio is theirs over ours.
fn against(name: &str, peer: &mut Peer, task: &str, known_ms: f64, ours: &mut dyn FnMut() -> f64) {
    let mut round = || {
        let clock = Stopwatch::start();
        let answer = ours();
        (clock.ns(), answer)
    };
    peer.ask(task);
    round();
    let rounds: Vec<(f64, f64)> = (0..ROUNDS)
        .map(|_| {
            let (ours_ns, answer) = round();
            let theirs = peer.ask(task);
            agree(name, answer, theirs[1]);
            (theirs[0], ours_ns)
        })
        .collect();
    let (ratio, theirs, ours) = compared(&rounds);
    println!("ratio {name} {ratio:.2}");
    println!("abs {name} {:.2} {:.2} ms", ours * 1e-6, theirs * 1e-6);
    judge(name, theirs * 1e-6, known_ms, "ms");
}

/// What nobody is under: the same samples, read once.
fn one_read(views: &[&[f64]], peer: &mut Peer, task: &str) {
    let read = || {
        peer.ask(task);
        let clock = Stopwatch::start();
        for values in views {
            let mut sums = [0.0; 64];
            for row in values.as_chunks::<64>().0 {
                sums.iter_mut().zip(row).for_each(|(sum, value)| *sum += value);
            }
            black_box(sums);
        }
        clock.ns()
    };
    let rounds: Vec<f64> = std::iter::repeat_with(read).take(ROUNDS).collect();
    println!("abs one_read {:.2} ms", median(&rounds) * 1e-6);
}

fn rooms() -> Vec<Vec<f64>> {
    (0..CHANNELS).map(|_| filled(SAMPLES, 0.0)).collect()
}

fn libraries(channels: &[Vec<f64>]) {
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/peers-venv/bin/python");
    if !python.exists() {
        println!(
            "skipped filter_vs_scipy, xcorr_vs_scipy, minmax_vs_numpy: no target/peers-venv (tests/peers/install makes it)"
        );
        return;
    }
    let data = Path::new(env!("CARGO_TARGET_TMPDIR")).join("analysis.f64");
    let bytes: Vec<u8> = channels.iter().flatten().flat_map(|value| value.to_le_bytes()).collect();
    std::fs::write(&data, bytes).unwrap();
    let script = source("analysis_peer.py");
    let arguments = [script, data].map(|path| path.to_string_lossy().into_owned());
    let mut peer = Peer::start(&python, &arguments);
    let filter = LowPass::butterworth(2, CORNER_HZ, RATE_HZ).unwrap();
    let views: Vec<&[f64]> = channels.iter().map(Vec::as_slice).collect();
    let task = format!("filter {CORNER_HZ} {RATE_HZ}");
    let mut kept = rooms();
    against("filter_vs_scipy", &mut peer, &task, SCIPY_MS[0], &mut || {
        let mut filtered: Vec<&mut [f64]> = kept.iter_mut().map(Vec::as_mut_slice).collect();
        filter.phaseless_into(&views, &mut filtered);
        filtered.iter().map(|values| values[SAMPLES / 2]).sum()
    });
    // The same into memory that the system must give first, as SciPy's is.
    against("filter_into_fresh_memory_vs_scipy", &mut peer, &task, SCIPY_MS[0], &mut || {
        let mut fresh = rooms();
        let mut filtered: Vec<&mut [f64]> = fresh.iter_mut().map(Vec::as_mut_slice).collect();
        filter.phaseless_into(&views, &mut filtered);
        filtered.iter().map(|values| values[SAMPLES / 2]).sum()
    });
    against("xcorr_vs_scipy", &mut peer, "lag", SCIPY_MS[1], &mut || {
        lag_samples(&channels[0], &channels[1]).unwrap() as f64
    });
    let task = format!("ends {ACROSS}");
    against("minmax_vs_numpy", &mut peer, &task, SCIPY_MS[2], &mut || {
        let ends = views.iter().map(|values| min_max(black_box(values), SAMPLES / ACROSS));
        ends.map(|ends| ends.iter().flatten().map(|(low, high)| high - low).sum::<f64>()).sum()
    });
    one_read(&views, &mut peer, &task);
}

/// The files that end with this below a folder.
fn below(folder: &Path, ending: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap().filter_map(Result::ok) {
        let path = entry.path();
        if path.is_dir() {
            found.extend(below(&path, ending));
        } else if path.to_string_lossy().ends_with(ending) {
            found.push(path);
        }
    }
    found
}

fn report() {
    let folder = tempfile::tempdir().unwrap();
    let program = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_ramprig"));
        command.stdout(Stdio::null()).stderr(Stdio::null());
        command
    };
    let runs = folder.path().join("runs");
    let made = program().args(["demo", "--fast", "--out"]).arg(&runs).status().unwrap();
    assert!(made.success(), "the demo ends with {made}");
    let recordings = below(&runs, ".h5");
    assert_eq!(recordings.len(), 3);
    let page = folder.path().join("three.html");
    let seconds: Vec<f64> = (0..5)
        .map(|_| {
            let _ = std::fs::remove_file(&page);
            let begun = Instant::now();
            assert!(program().arg("report").args(&recordings).arg("--out").arg(&page).status().unwrap().success());
            begun.elapsed().as_secs_f64()
        })
        .collect();
    println!("ratio report_three_runs_seconds {:.3}", median(&seconds));
    let bytes = std::fs::metadata(&page).unwrap().len();
    println!("abs report_three_runs_seconds {:.3} 2 s ({:.2} MB of HTML)", median(&seconds), bytes as f64 * 1e-6);
}

fn main() {
    let asked: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    let channels: Vec<Vec<f64>> = (0..CHANNELS).map(channel).collect();
    libraries(&channels);
    if asked.is_empty() {
        report();
    }
}
