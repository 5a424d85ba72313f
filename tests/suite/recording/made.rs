//! Made-up runs for the tests of this area; nothing here is a real rig.

use crossbeam_channel::{Receiver, Sender, bounded};
use ramprig::clock::{RigClock, SystemClock, sleep_wall};
use ramprig::hydraulics::spec::Place;
use ramprig::prediction::bands::{Band, BandFigures, BandSegment};
use ramprig::prediction::loss::LossFigures;
use ramprig::prediction::{EventKind, MadeWith, PredictedEvent, Prediction, Segment, Separation, SuddenStop};
use ramprig::recording::{Recorder, RecordingError, RunDescription};
use ramprig::rig::chain::Chain;
use ramprig::rig::model::{Channel, Quantity};
use ramprig::rig::uncertainty::Uncertainty;
use ramprig::sequence::marks::{Mark, MarkKind, Phase};
use ramprig::sequence::ports::{DeviceIdentity, RunHeader};
use ramprig::signal::{Block, ChannelId, Scaling};
use ramprig::starters::{Settings, StarterKind};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

pub const RATE_HZ: f64 = 10_000.0;
pub const CHANNELS: usize = 3;
/// Generous: decides nothing but how long a broken test hangs.
pub const DEADLINE: Duration = Duration::from_secs(120);

pub fn description() -> RunDescription {
    let channel = |input: usize, id: &str, quantity, place| Channel {
        id: ChannelId(id.into()),
        label: format!("made-up {id}"),
        quantity,
        place,
        low_place: None,
        diaphragm_elevation_m: 1.1 + input as f64,
        scaling: Scaling { scale: 0.1 + input as f64 / 3.0, offset: -1.7 },
        range: (-1e5, 1e6 / 3.0),
        bandwidth_hz: 2e3,
        filter_class: 180,
        calibration_u: 200.0 / 3.0,
        input,
        chain: Chain { group_delay_s: 1.0 / 3.0, ..Chain::default() },
    };
    RunDescription {
        rig_id: "made-up".into(),
        rig_name: "Made-up bench, größer".into(),
        rig_text: "[rig]\nid = \"made-up\"\n".repeat(5_000),
        rig_sha256: "00".into(),
        invented: true,
        is_virtual: true,
        sequence_text: String::new(),
        sequence_sha256: "11".into(),
        starter: "soft".into(),
        starter_kind: Some(StarterKind::SoftStarter),
        started_utc: "2026-01-02T03:04:05.678Z".into(),
        attending: "nobody".into(),
        label: "vorher, größer".into(),
        program_version: "0.0.0".into(),
        shows_loss: true,
        rate_hz: RATE_HZ,
        // The order of the rig differs from the order on the wire.
        channels: vec![
            channel(2, "p_low", Quantity::GaugePressure, Some(Place::Node(3))),
            channel(0, "p_high", Quantity::GaugePressure, Some(Place::Pipe { element: 2, share: 1.0 / 3.0 })),
            channel(1, "speed", Quantity::ShaftSpeed, None),
        ],
        beside: vec!["npsh_margin_m".into(), "level_tank_m".into()],
        headline: 1,
    }
}

/// Counts that are never 0, so that a page of lost bytes does not pass for data.
pub fn count(input: usize, frame: u64) -> i32 {
    let mixed = (frame.wrapping_mul(2_654_435_761).wrapping_add(input as u64 * 40_503) >> 3) & 0x00ff_ffff;
    (mixed as i32 - 0x0080_0000) | 1
}

pub fn block(first_frame: u64, frames: u64, missing_before: u64, arrived_wall_ns: u64) -> Arc<Block> {
    let counts = (first_frame..first_frame + frames).flat_map(|frame| (0..CHANNELS).map(move |i| count(i, frame)));
    Arc::new(Block { first_frame, missing_before, channels: CHANNELS, counts: counts.collect(), arrived_wall_ns })
}

pub fn header() -> RunHeader {
    let settings = Settings { ramp_up_s: Some(0.1 + 0.2), speed: None, ..Settings::default() };
    RunHeader {
        starter: "soft".into(),
        attending: "nobody".into(),
        confirmed_by: "virtual rig".into(),
        settings_before: Settings::default(),
        settings_in_force: settings,
        identity: DeviceIdentity { signature: 7, firmware: Some(3), is_virtual: true },
        last_proofs: vec!["The hardwired emergency stop was last proven on 2026-11-02.".into()],
    }
}

fn event() -> PredictedEvent {
    let text = "check valve check closes".to_owned();
    PredictedEvent { cycle: 1, phase: Phase::Stop, after_mark_s: 0.1 + 0.2, kind: EventKind::CheckValveClosed, text }
}

fn loss() -> SuddenStop {
    let figures = LossFigures {
        id: "p".to_owned(),
        steady: 0.1 + 0.2,
        maximum: 2.0e5 / 3.0,
        maximum_at_s: 0.7,
        minimum: -1.0 / 3.0,
        minimum_at_s: 0.3,
    };
    SuddenStop {
        from_speed_rad_s: 150.0 + 1.0 / 3.0,
        from_flow_m3_s: 7.0e-3 / 3.0,
        motor_off_after_s: 0.0,
        channels: vec![figures],
        flow_ends_after_s: Some(1.0 / 7.0),
        reverse_flow_m3_s: 1e-4 / 3.0,
        backspin_rad_s: 0.0,
        with_it: Vec::new(),
        followed_s: 12.0,
        separation: Some(Separation { largest_m3: 2e-3 / 3.0, residual_m3: 0.0, peak_by_grid: Some(0.3 / 7.0) }),
        events: vec![event()],
    }
}

pub fn prediction() -> Prediction {
    let segment = |cycle, phase, samples: usize| Segment {
        cycle,
        phase,
        t0_s: -0.1,
        dt_s: 1.0 / 3.0e3,
        series: (0..CHANNELS).map(|c| (0..samples).map(|i| (c as f32 + 0.3) * i as f32).collect()).collect(),
        flow_m3_s: (0..samples).map(|i| i as f32 * 1e-5).collect(),
        beside: (0..2).map(|c| (0..samples).map(|i| (c as f32 - 0.7) * i as f32).collect()).collect(),
    };
    Prediction {
        channels: description().channels.iter().map(|channel| channel.id.clone()).collect(),
        beside: description().beside,
        segments: vec![segment(1, Phase::Start, 9_000), segment(1, Phase::Stop, 5_000), segment(2, Phase::Start, 1)],
        made_with: MadeWith {
            version: "0.0.0".into(),
            rig_sha256: "00".into(),
            sequence_sha256: "11".into(),
            starter: "soft".into(),
            solver: "made up".into(),
            dt_s: 1.0 / 3.0e3,
            cells: 17,
            wave_speed_adjustment: 0.012_345_678_901_234_567,
        },
        warnings: Vec::new(),
        assumptions: vec!["line full".into(), "größer".into()],
        loss_of_supply: Some(loss()),
        emergency_stop: Some(SuddenStop { motor_off_after_s: 0.015, ..loss() }),
        events: vec![event()],
        separation: Some(Separation { largest_m3: 1e-3 / 3.0, residual_m3: 1e-7 / 7.0, peak_by_grid: None }),
        reach: vec![ramprig::prediction::NodeReach {
            node: 3,
            name: "riser_foot".to_owned(),
            low_pa: -2.5e4,
            high_pa: 2.25e5,
        }],
        band: Some(band()),
        sha256: "ab".repeat(32),
    }
}

/// A band of the made prediction: each end away from the series by a number of its own.
fn band() -> Band {
    let ends = |samples: usize| BandSegment {
        lower: (0..CHANNELS).map(|c| (0..samples).map(|i| (c as f32 + 0.2) * i as f32 - 1.0 / 3.0).collect()).collect(),
        upper: (0..CHANNELS).map(|c| (0..samples).map(|i| (c as f32 + 0.4) * i as f32 + 1.0 / 3.0).collect()).collect(),
    };
    let figures = BandFigures { id: "p".into(), maximum: (1.0 / 3.0, 2.0 / 3.0), minimum: (-2.0 / 3.0, -1.0 / 3.0) };
    Band {
        members: 16,
        failed: 1,
        in_lanes: Some(13),
        way: Some("all in lanes".to_owned()),
        seed: 7,
        uncertainty: Uncertainty::default(),
        segments: [9_000, 5_000, 1].map(ends).into(),
        figures: vec![figures],
    }
}

pub fn start_mark(cycle: u32) -> Mark {
    Mark { at_s: 0.1 + f64::from(cycle), u_s: 1e-4, kind: MarkKind::Start { cycle } }
}

/// A recorder with room for `room` blocks.
pub fn recorder(path: &Path, room: usize) -> Result<(Recorder, Sender<Arc<Block>>, RigClock), RecordingError> {
    let (blocks, receiver): (_, Receiver<Arc<Block>>) = bounded(room);
    let clock = RigClock::default();
    let recorder = Recorder::create(path, &description(), receiver, Arc::new(SystemClock), clock.clone())?;
    Ok((recorder, blocks, clock))
}

/// A finished run of `blocks` x 10 000 frames; answers with its `.partial`.
pub fn finished(path: &Path, blocks: u64) -> PathBuf {
    let (recorder, sender, _) = recorder(path, 4).unwrap();
    let mut journal = recorder.journal();
    journal.header(&header()).unwrap();
    journal.prediction(&prediction()).unwrap();
    journal.mark(&start_mark(1)).unwrap();
    for number in 0..blocks {
        sender.send_timeout(block(number * 10_001, 10_000, 1, 0), DEADLINE).unwrap();
    }
    recorder.finish(DEADLINE).unwrap()
}

/// Look again and again until it is so.
pub fn wait_until(what: &str, so: impl Fn() -> bool) {
    let pause = Duration::from_millis(5);
    for _ in 0..DEADLINE.as_millis() / pause.as_millis() {
        if so() {
            return;
        }
        sleep_wall(pause);
    }
    panic!("not within {DEADLINE:?}: {what}");
}

/// h5py, as `tests/peers/install` sets it up.
pub fn h5py(verb: &str, file: &Path) -> Command {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = root.join("target/peers-venv/bin/python");
    assert!(python.exists(), "{} is missing: run tests/peers/install", python.display());
    let mut command = Command::new(python);
    command.arg(root.join("tests/peers/h5_reader.py")).arg(verb).arg(file);
    command
}

/// What h5py says of a closed file.
pub fn h5py_reads(file: &Path) -> serde_json::Value {
    let output = h5py("read", file).output().unwrap();
    assert!(output.status.success(), "h5py on {}: {}", file.display(), String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Kills its process when a test ends, however it ends.
pub struct Killed(pub Child);

impl Drop for Killed {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// This test binary again, running one ignored test as a program of its own. Its standard error is ours to read.
pub fn child(test: &str, file: &Path) -> Command {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.args([&format!("recording::{test}"), "--exact", "--ignored", "--nocapture", "--test-threads=1"]);
    command.env(CHILD_FILE, file).stdout(Stdio::null()).stderr(Stdio::piped()).stdin(Stdio::null());
    command
}

/// Environment variable that tells a child its file.
pub const CHILD_FILE: &str = "RAMPRIG_TEST_RECORDING";

pub fn lines(pipe: impl std::io::Read + Send + 'static) -> Receiver<String> {
    let (sender, receiver) = bounded(1_000_000);
    std::thread::spawn(move || {
        for line in BufReader::new(pipe).lines().map_while(Result::ok) {
            if sender.send(line).is_err() {
                return;
            }
        }
    });
    receiver
}
