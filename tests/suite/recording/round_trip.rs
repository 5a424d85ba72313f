//! What goes in comes out, for us and for h5py, while it is written and afterwards.

use super::made::{
    CHANNELS, DEADLINE, Killed, RATE_HZ, block, count, description, h5py, h5py_reads, header, lines, prediction,
    recorder, start_mark, wait_until,
};
use ramprig::comparison::RunData;
use ramprig::recording;
use ramprig::sequence::marks::{Mark, MarkKind};
use ramprig::sequence::ports::{CommandRecord, Event, Level, LinkStatistics, StatusReading, StopOutcome};
use sha2::{Digest, Sha256};
use std::process::Stdio;

/// Frames 100.. with 7 lost on the wire before 600 and 300 lost before the disk at 1 000.
const GAPS: [(u64, u64, u64); 4] = [(100, 400, 0), (500, 93, 0), (600, 100, 7), (1_000, 5_000, 0)];

fn marks() -> Vec<Mark> {
    let named = Mark { at_s: 2.5, u_s: 0.0, kind: MarkKind::Named { name: "valve turned, größer ".repeat(9) } };
    vec![start_mark(1), Mark { at_s: 2.0, u_s: 1e-3, kind: MarkKind::Stop { cycle: 1 } }, named, start_mark(2)]
}

fn events() -> Vec<Event> {
    let event = |level, text: &str| Event { at_s: 0.3, level, text: text.into() };
    vec![event(Level::Note, "one"), event(Level::Danger, &"a long line ".repeat(60)), event(Level::Warning, "")]
}

fn command() -> CommandRecord {
    CommandRecord {
        sent_wall_ns: 5,
        answered_wall_ns: Some(9),
        what: "bench/2 run=1".into(),
        wrote: 1,
        read_back: Some(1),
    }
}

fn status() -> StatusReading {
    StatusReading { at_wall_ns: 11, running: true, current_a: Some(0.1 + 0.2), ..StatusReading::default() }
}

/// A whole run; answers with its `.partial`.
fn record(path: &std::path::Path) -> std::path::PathBuf {
    let (recorder, blocks, clock) = recorder(path, 64).unwrap();
    let mut journal = recorder.journal();
    clock.publish_ns(1_500_000_000);
    journal.header(&header()).unwrap();
    journal.prediction(&prediction()).unwrap();
    for (first_frame, frames, missing) in GAPS {
        blocks.send(block(first_frame, frames, missing, 0)).unwrap();
    }
    for mark in marks() {
        journal.mark(&mark).unwrap();
    }
    for event in events() {
        journal.event(&event).unwrap();
    }
    journal.command(0.25, &command()).unwrap();
    journal.slow(0.75, &status()).unwrap();
    journal.stop_outcome(1, StopOutcome::Confirmed).unwrap();
    journal.stop_outcome(2, StopOutcome::NotConfirmed).unwrap();
    let partial = recorder.finish(DEADLINE).unwrap();
    assert!(journal.mark(&start_mark(3)).unwrap_err().0.contains("its writer has ended"));
    partial
}

fn assert_is_the_run(run: &RunData) {
    let d = description();
    assert_eq!((run.rig_text.as_str(), run.sequence_text.as_str()), (d.rig_text.as_str(), ""));
    assert_eq!((run.rig_name.as_str(), run.started_utc.as_str()), (d.rig_name.as_str(), d.started_utc.as_str()));
    assert!(run.is_virtual);
    assert_eq!(run.header, Some(header()));
    assert_eq!(run.prediction, Some(prediction()));
    assert_eq!(run.prediction_stored_s, Some(1.5));
    assert_eq!((run.marks.clone(), run.events.clone()), (marks(), events()));
    assert_eq!(run.stop_outcomes, [StopOutcome::Confirmed, StopOutcome::NotConfirmed]);
    assert_eq!((run.frames, run.frames_missing), (5_593, 307));
    for (channel, (info, trace)) in d.channels.iter().zip(run.channels.iter().zip(&run.traces)) {
        assert_eq!(
            (&info.id, info.range, info.elevation_m),
            (&channel.id, channel.range, channel.diaphragm_elevation_m)
        );
        assert_eq!((trace.t0_s, trace.dt_s, trace.values.len()), (100.0 / RATE_HZ - 1.0 / 3.0, 1.0 / RATE_HZ, 5_900));
        for (at, &value) in trace.values.iter().enumerate() {
            let frame = at as u64 + 100;
            let lost = (593..600).contains(&frame) || (700..1_000).contains(&frame);
            let wanted = channel.scaling.to_si(count(channel.input, frame));
            assert!(if lost { value.is_nan() } else { value == wanted }, "{} frame {frame}: {value}", info.id);
        }
    }
}

#[test]
fn keeps_a_whole_run_equal_before_and_after_closing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    let partial = record(&path);
    let open = recording::read(&partial).unwrap();
    assert_is_the_run(&open);
    assert!(!open.complete, "a .partial is not complete");
    assert_eq!(recording::close(&partial, Some("{\"made\":\"up\"}")).unwrap(), path);
    let closed = recording::read(&path).unwrap();
    assert_is_the_run(&closed);
    assert!(closed.complete);
    let wires = recording::read_wire_log(&path).unwrap();
    assert_eq!(wires.commands, [(0.25, command())]);
    assert_eq!(wires.slow, [(0.75, status())]);
    let summary = recording::summary(&path).unwrap();
    assert!(summary.closed && summary.complete && !summary.recovered, "{summary:?}");
    assert_eq!(summary.label, "vorher, größer");
    assert_eq!((summary.frames, summary.frames_missing, summary.duration_s), (5_593, 307, 0.59));
    let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left, ["run.h5"]);
}

#[test]
fn keeps_what_the_links_did_and_states_the_alignment_error() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.h5");
    let figures = LinkStatistics {
        link: "bench".to_owned(),
        answered: 12_345,
        latency_p50_ms: Some(1.25),
        latency_p99_ms: None,
        timeouts: 3,
        stops_sent: 2,
        stop_delay_p99_ms: Some(0.5),
        ..LinkStatistics::default()
    };
    let (recorder, blocks, _clock) = recorder(&path, 64).unwrap();
    let mut journal = recorder.journal();
    journal.mark(&Mark { at_s: 0.25, u_s: 0.004, kind: MarkKind::Start { cycle: 1 } }).unwrap();
    journal.link(0.5, &figures).unwrap();
    blocks.send(block(0, 3_000, 0, 5)).unwrap();
    drop(blocks);
    let partial = recorder.finish(DEADLINE).unwrap();
    assert_eq!(recording::read(&partial).unwrap().links, std::slice::from_ref(&figures), "while it is a .partial");
    recording::close(&partial, None).unwrap();
    assert_eq!(recording::read(&path).unwrap().links, [figures]);
    let file = hdf5::File::open(&path).unwrap();
    let results = file.group("/entry/results").unwrap();
    let alignment_u_s: f64 = results.attr("alignment_u_s").unwrap().read_scalar().unwrap();
    assert_eq!(alignment_u_s, 0.004, "without a current channel: the start mark's own");
    let shown = crate::stand::program::run(["show".as_ref(), path.as_os_str(), "--json".as_ref()]);
    let object = shown.object();
    assert_eq!((&object["links"][0]["answered"], &object["links"][0]["timeouts"]), (&12_345.into(), &3.into()));
    assert_eq!(object["metrics"]["alignment_u_s"], 0.004);
    let text = crate::stand::program::run(["show".as_ref(), path.as_os_str()]);
    assert!(text.stdout.contains("link bench: 12345 answers (median 1.2 ms"), "{}", text.stdout);
}

#[test]
fn agrees_with_h5py_on_a_closed_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = recording::close(&record(&folder.path().join("run.h5")), None).unwrap();
    let found = h5py_reads(&path);
    let frames: Vec<u64> = GAPS.into_iter().flat_map(|(first, frames, _)| first..first + frames).collect();
    for (at, channel) in description().channels.iter().enumerate() {
        let bytes: Vec<u8> = frames.iter().flat_map(|&frame| count(channel.input, frame).to_le_bytes()).collect();
        assert_eq!(found["sha256"][at], hex::encode(Sha256::digest(&bytes)), "{}", channel.id);
    }
    assert_eq!(found["rows"], serde_json::json!([5_593, 5_593, 5_593]));
    assert_eq!(found["rig_text"], description().rig_text);
    assert_eq!(found["filters"], serde_json::json!(["gzip", true]));
    assert_eq!(found["time_ns"], serde_json::json!([10_000_000, 599_900_000]));
    assert_eq!(found["marks"][0], serde_json::json!(["start", 1, 1.1]));
    assert_eq!(found["stops"], serde_json::json!(["confirmed", "NOT confirmed"]));
    assert_eq!(found["header"]["settings_in_force"]["ramp_up_s"], 0.1 + 0.2);
    assert_eq!(found["band_rows"], serde_json::json!([14_001; 6].to_vec()), "both ends of three channels");
    assert_eq!(found["band_holds_prediction"], true);
    assert_eq!((&found["predicted_rows"], &found["stored_rig_s"][0]), (&14_001.into(), &1.5.into()));
    assert_eq!(
        (&found["virtual"], &found["complete"], &found["recovered"]),
        (&true.into(), &true.into(), &false.into())
    );
    let plotted = &found["plotted"];
    assert_eq!((&plotted["signal"], &plotted["units"]), (&"/entry/overview/p_high".into(), &"Pa".into()));
    assert_eq!(plotted["first_s"], 0.01);
    let channel = &description().channels[1];
    let largest =
        frames.iter().map(|&frame| channel.scaling.to_si(count(channel.input, frame))).fold(f64::MIN, f64::max);
    assert_eq!(plotted["largest"], f64::from(largest as f32), "Pa, largest value of the picture");
}

#[test]
fn agrees_with_h5py_during_the_run() {
    let folder = tempfile::tempdir().unwrap();
    let (recorder, blocks, _) = recorder(&folder.path().join("run.h5"), 64).unwrap();
    let mut peer = Killed(h5py("watch", recorder.partial_path()).stdout(Stdio::piped()).spawn().unwrap());
    let seen = lines(peer.0.stdout.take().unwrap());
    for step in 0..4_u64 {
        let wanted = step * 1_000;
        loop {
            let line = seen.recv_timeout(DEADLINE).expect("h5py ended or saw no growth");
            let numbers: Vec<i64> = line.split(' ').skip(1).map(|number| number.parse().unwrap()).collect();
            if numbers[0] as u64 == wanted {
                for (at, channel) in description().channels.iter().enumerate().filter(|_| wanted > 0) {
                    let wanted_count = i64::from(count(channel.input, wanted - 1));
                    assert_eq!(numbers[1 + at], wanted_count, "last count of {}, rows {wanted}", channel.id);
                }
                break;
            }
        }
        blocks.send(block(step * 1_000, 1_000, 0, 0)).unwrap();
    }
    drop(peer);
    recording::close(&recorder.finish(DEADLINE).unwrap(), None).unwrap();
}

#[test]
fn counts_frames_that_it_never_got_as_dropped() {
    let folder = tempfile::tempdir().unwrap();
    let (recorder, blocks, _) = recorder(&folder.path().join("run.h5"), 2).unwrap();
    blocks.send(block(0, 10, 0, 0)).unwrap();
    blocks.send(block(20, 10, 4, 0)).unwrap();
    wait_until("20 frames stored", || recorder.counts().stored == 20);
    let counts = recorder.counts();
    assert_eq!((counts.missing, counts.dropped), (4, 6));
    assert!(recorder.failed().unwrap().contains("6 frames dropped"), "{:?}", recorder.failed());
    recorder.finish(DEADLINE).unwrap();
}

#[test]
fn keeps_blocks_before_one_that_goes_back() {
    let folder = tempfile::tempdir().unwrap();
    let (recorder, blocks, _) = recorder(&folder.path().join("run.h5"), 4).unwrap();
    let mut journal = recorder.journal();
    blocks.send(block(0, 10, 0, 0)).unwrap();
    blocks.send(block(5, 10, 0, 0)).unwrap();
    wait_until("the fault", || recorder.failed().is_some());
    let fault = recorder.failed().unwrap();
    assert!(fault.ends_with("block at frame 5: goes back: frame 10 was expected"), "{fault}");
    assert!(journal.mark(&start_mark(1)).unwrap_err().0.contains("goes back"));
    let partial = recorder.partial_path().to_owned();
    assert_eq!(recorder.finish(DEADLINE).unwrap_err().to_string(), fault);
    let run = recording::read(&recording::recover(&partial).unwrap().path).unwrap();
    assert_eq!((run.frames, run.complete, run.traces.len()), (10, false, CHANNELS));
}
