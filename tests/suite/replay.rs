//! A recording replayed as if live: the same frames, bit for bit and in their places.

use crate::acquisition::{DEADLINE, PAYLOAD_TYPE, collect};
use crate::recording::made::{self, CHANNELS, RATE_HZ};
use crate::stand::bench::Bench;
use crate::stand::program::run;
use crate::stand::sequences::Cycle;
use ramprig::acquisition::{Input, Setup, start_with};
use ramprig::clock::{RigClock, SystemClock};
use ramprig::rig::model::{SampleCode, SampleCommand, SampleWire, Source};
use ramprig::signal::Scaling;
use std::process::Command;
use std::sync::Arc;

#[test]
fn replays_a_recording_frame_by_frame_with_its_gaps() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("made.h5");
    let (recorder, blocks, _) = made::recorder(&path, 16).unwrap();
    let sent = [made::block(1_000, 700, 0, 0), made::block(1_700, 300, 0, 0), made::block(2_150, 333, 150, 0)];
    sent.iter().for_each(|block| blocks.send(Arc::clone(block)).unwrap());
    drop(blocks);
    let partial = recorder.finish(DEADLINE).unwrap();
    // Waits for a line in a pipe, so that nothing comes before somebody listens.
    let gate = folder.path().join("gate");
    assert!(Command::new("mkfifo").arg(&gate).status().unwrap().success());
    let script = "read -r line < \"$1\" && exec \"$2\" replay \"$3\" --fast --payload-type 96";
    let program =
        ["sh", "-c", script, "sh", gate.to_str().unwrap(), env!("CARGO_BIN_EXE_ramprig"), partial.to_str().unwrap()];
    let program = program.map(str::to_owned).to_vec();
    let source = Source {
        id: "replayed".to_owned(),
        wire: SampleWire::Command(SampleCommand { program, framed: true, restart: false }),
        address: "ramprig replay".to_owned(),
        rate_hz: RATE_HZ,
        code: SampleCode::L24,
        payload_type: PAYLOAD_TYPE,
        max_age_s: 30.0,
    };
    let scaling = Scaling { scale: 1.0, offset: 0.0 };
    let inputs = (0..CHANNELS).map(|position| Input::plain(position, scaling)).collect();
    let acquisition =
        start_with(Setup { source, inputs, trips: Vec::new() }, Arc::new(SystemClock), RigClock::default()).unwrap();
    let blocks = acquisition.attach_recorder(1024);
    std::fs::write(&gate, "go\n").unwrap();
    let got = collect(&blocks, 1_333);
    let frames = |blocks: &[Arc<ramprig::signal::Block>], from: u64| -> Vec<(u64, Vec<i32>)> {
        let of = |block: &Arc<ramprig::signal::Block>| {
            let first = block.first_frame - from;
            let numbered = move |(k, frame): (usize, &[i32])| (first + k as u64, frame.to_vec());
            block.counts.chunks(CHANNELS).enumerate().map(numbered).collect::<Vec<_>>()
        };
        blocks.iter().flat_map(of).collect()
    };
    assert!(frames(&got, 0) == frames(&sent, 1_000), "frames differ from those recorded");
    assert_eq!(acquisition.statistics().stream.frames_missing, 150);
}

#[test]
fn rejects_a_replay_of_what_is_no_recording() {
    let ended = run(["replay", "no/such/run.h5"]);
    ended.expect(2).says("no/such/run.h5");
}

/// What a recording plays is no news of the water: nothing is started on it.
#[test]
fn rejects_a_run_that_would_be_commanded_on_replayed_samples() {
    let mut bench = Bench::real_time();
    let recorded = bench.run(&Cycle::brief_ramps().text(), "soft").end();
    recorded.expect(0);
    let file = recorded.object()["recording"].as_str().unwrap().to_owned();
    let text = bench.rig.text.clone();
    let was = "address = \"127.0.0.1:5021\"\nrate = \"10 kHz\"\n";
    assert!(text.contains(was), "the source of the shipped bench is written otherwise");
    let program = env!("CARGO_BIN_EXE_ramprig");
    let is = format!(
        "wire = \"command\"\ncommand = [{program:?}, \"replay\", {file:?}]\nframing = \"rfc4571\"\nrate = \"10 kHz\"\n"
    );
    let replayed = bench.write("replayed.toml", &text.replacen(was, &is, 1));
    bench.rig_file_for_runs(replayed);
    let state = bench.state().display().to_string();
    let wires = vec!["--link".into(), format!("bench={}", bench.ready.modbus), "--state-dir".into(), state];
    let ended = bench.run_by(wires, &Cycle::brief_ramps().text(), "soft").end();
    ended.expect(2).says("a run is commanded on live ones only");
    assert_eq!(bench.witness().starts(1), 1, "the first run's start and no other");
    bench.witness().assert_all_off();
}
