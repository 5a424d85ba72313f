//! Campaign `observe-day`: 24 hours of rig time through the whole program, faster than the clock, with flat memory. The
//! gate watches a twentieth.

use crate::campaign;
use crate::stand::program::{Program, command};
use ramprig::observe::read_rows;
use std::fmt::Write as _;
use std::path::Path;

const RATE_HZ: usize = 1_000;
const CHANNELS: usize = 8;
/// The made signal repeats after this long, s.
const PERIOD_S: usize = 600;
/// Minutes of a day.
const FULL_MIN: u32 = 24 * 60;
/// Resident memory may differ by this much between an early and the last event, kB (an event holds up to 4 MB).
const GROWTH_KB: u64 = 16_000;

/// Ten minutes of frames, S16LE: at rest with a little noise, a start with a surge at 100 s, a stop at 160 s.
fn pattern() -> Vec<u8> {
    let mut bytes = Vec::with_capacity(PERIOD_S * RATE_HZ * CHANNELS * 2);
    for frame in 0..PERIOD_S * RATE_HZ {
        let t_s = frame as f64 / RATE_HZ as f64;
        let bar = match t_s {
            t if (100.0..100.05).contains(&t) => 0.6 + (t - 100.0) * 30.0,
            t if (100.05..100.3).contains(&t) => 2.1,
            t if (100.3..160.0).contains(&t) => 1.5,
            _ => 0.6,
        };
        for channel in 0..CHANNELS {
            let noise = (frame * 7_919 + channel * 104_729) % 9;
            // 11 bar over 64 000 counts, as the pressure channels of the bench have it.
            let counts = ((bar + 1.0) / 11.0 * 64_000.0 - 32_000.0) as i16 + noise as i16;
            bytes.extend(counts.to_le_bytes());
        }
    }
    bytes
}

fn rig_file(folder: &Path) -> std::path::PathBuf {
    let pattern_file = folder.join("pattern");
    std::fs::write(&pattern_file, pattern()).unwrap();
    let text = ramprig::rig::shipped("terrace-bench").unwrap();
    let mut out = String::new();
    let mut in_source = false;
    for line in text.lines() {
        if line.starts_with('[') {
            in_source = line == "[source]";
            if in_source {
                let script = format!("while cat '{}'; do :; done", pattern_file.display());
                let _infallible = writeln!(
                    out,
                    "[source]\nid = \"made\"\nwire = \"command\"\ncommand = [\"sh\", \"-c\", \"{script}\"]\nframing = \"bare\"\n\
                     samples = \"S16LE\"\nrate = \"{RATE_HZ} Hz\"\nmax_age = \"60 s\"\n"
                );
            }
        }
        if in_source {
            continue;
        }
        let line = match line {
            counts if counts.starts_with("counts = ") => "counts = [-32000, 32000]",
            bandwidth if bandwidth.starts_with("bandwidth = ") => "bandwidth = \"200 Hz\"",
            class if class.starts_with("filter_class = ") => "filter_class = 60",
            other => other,
        };
        let _infallible = writeln!(out, "{line}");
    }
    out.push_str(
        "\n[observe]\npre = \"2 s\"\npost = \"5 s\"\nlongest = \"30 s\"\nevents_wanted = 1\n\
         [[trigger]]\nid = \"rise\"\nchannel = \"p_discharge\"\nrises = \"0.4 bar\"\nwithin = \"0.1 s\"\n",
    );
    let path = folder.join("watched.toml");
    std::fs::write(&path, out).unwrap();
    path
}

fn resident_kb(program: &Program) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", program.child.id())).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

#[test]
fn campaign_observe_day() {
    let folder = tempfile::tempdir().unwrap();
    let minutes = campaign::count(FULL_MIN);
    let rig = rig_file(folder.path());
    let out = folder.path().join("session");
    let hours = format!("{}", f64::from(minutes) / 60.0);
    let state = folder.path().join("state");
    let mut program = Program::start(&mut command([
        "observe".as_ref(),
        rig.as_os_str(),
        "--out".as_ref(),
        out.as_os_str(),
        "--hours".as_ref(),
        hours.as_ref(),
        "--label".as_ref(),
        "before".as_ref(),
        "--state-dir".as_ref(),
        state.as_os_str(),
    ]));
    // The first start comes after 100 s, and every event is over 6 s later.
    let wanted = (u64::from(minutes) * 60 - 106) / PERIOD_S as u64 + 1;
    let mut resident = Vec::new();
    for event in 1..=wanted {
        program.stderr.wait_for(&format!("event {event}: rise"));
        resident.push(resident_kb(&program));
    }
    let ended = program.end();
    ended.expect(0);
    let rows = read_rows(&out).unwrap();
    assert_eq!(rows.len() as u64, wanted, "one event each ten minutes: {}", ended.stderr);
    for row in &rows {
        let surge_pa = row.surge_pa.unwrap();
        // The made surge is 0.6 bar; a count is 17 Pa, noise 9 of them.
        assert!((surge_pa - 0.6e5).abs() < 3_000.0, "event {}: surge {surge_pa} Pa of 60 000 Pa made", row.event);
        assert_eq!(row.frames_missing, 0, "event {}", row.event);
        assert!(out.join(row.recording.as_ref().unwrap()).exists());
    }
    let lines = std::fs::read_to_string(out.join("envelope.csv")).unwrap().lines().count() as u64;
    let seconds = u64::from(minutes) * 60;
    // The last block may reach 4 s beyond: a full pipe of 64 kB.
    assert!(lines > seconds && lines <= seconds + 6, "a line a second of {seconds} s: {lines}");
    let (early, last) = (resident[resident.len() / 3], resident[resident.len() - 1]);
    println!("observe-day: {minutes} min of rig time, {wanted} events, resident {resident:?} kB");
    assert!(last <= early + GROWTH_KB, "memory grew from {early} to {last} kB over {} events", resident.len());
    assert!(ended.stderr.contains("link bench: not touched: reads_allowed is not true"), "{}", ended.stderr);
}
