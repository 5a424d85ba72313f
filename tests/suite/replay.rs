//! A recording replayed as if live: the same frames, bit for bit and in their places.

use crate::acquisition::{DEADLINE, PAYLOAD_TYPE, collect};
use crate::recording::made::{self, CHANNELS, RATE_HZ};
use crate::stand::program::run;
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
