//! What a session keeps: rows, recordings, envelope; quota, completeness, differences.

use ramprig::acquisition::Setup;
use ramprig::clock::{RigClock, SystemClock};
use ramprig::observe::{Registers, Row, Session, SessionSetup, completeness, differences, read_rows};
use ramprig::rig::model::Rig;
use ramprig::rig::observing::{Trigger, TriggerOn};
use ramprig::rig::register_map::Role;
use ramprig::rig::zeros::{Held, HeldChannel, Hold};
use ramprig::sequence::ports::LinkStatistics;
use ramprig::signal::Block;
use std::cell::Cell;
use std::path::Path;
use std::sync::Arc;

const REST_PA: f64 = 0.6e5;
const RUNNING_PA: f64 = 1.4e5;
const SURGE_PA: f64 = 0.5e5;
/// What the filter makes of the corners of the made trace, Pa.
const CORNER_PA: f64 = 1_000.0;
const BLOCK_FRAMES: u64 = 200;

/// A bus on which one device may run.
#[derive(Default)]
struct Bus(Cell<Option<bool>>);

impl Registers for Bus {
    fn value(&self, device: usize, role: Role) -> Option<u64> {
        (device == 1 && role == Role::Running).then(|| self.0.get().map(u64::from))?
    }
    fn is_running(&self, device: usize) -> Option<bool> {
        (device == 1).then(|| self.0.get())?
    }
    fn ids(&self) -> Vec<String> {
        ["contactor", "soft", "drive", "bench-unit"].map(str::to_owned).to_vec()
    }
    fn is_virtual(&self) -> bool {
        false
    }
    fn links(&self) -> Vec<LinkStatistics> {
        vec![LinkStatistics { link: "bench".to_owned(), answered: 71, stray_bytes: 3, ..LinkStatistics::default() }]
    }
}

fn bench() -> Rig {
    let text = ramprig::rig::shipped("terrace-bench").unwrap();
    let mut rig = ramprig::rig::parse(text, "terrace-bench.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let discharge = rig.channel_index("p_discharge").unwrap();
    rig.observing.pre_s = 1.0;
    rig.observing.post_s = 3.0;
    rig.observing.longest_s = 10.0;
    rig.observing.level_channel = rig.channel_index("p_suction");
    rig.observing.level_bands_m = vec![-1.0, 0.0, 1.0];
    rig.observing.events_wanted = 2;
    rig.observing.triggers =
        vec![Trigger { id: "rise".into(), on: TriggerOn::Slope { channel: discharge, change: 0.3e5, within_s: 0.1 } }];
    rig
}

/// Discharge pressure at a time after the start: 0.1 s up to the peak, held, down to the running level.
fn pressure(t_s: f64) -> f64 {
    let peak = RUNNING_PA + SURGE_PA;
    match t_s {
        t if t < 0.0 => REST_PA,
        t if t < 0.1 => REST_PA + (peak - REST_PA) * t / 0.1,
        t if t < 0.3 => peak,
        t if t < 0.5 => peak - SURGE_PA * (t - 0.3) / 0.2,
        _ => RUNNING_PA,
    }
}

struct Stand {
    rig: Arc<Rig>,
    session: Session,
    bus: Bus,
    frame: u64,
    rows: Vec<Row>,
}

impl Stand {
    fn new(rig: Rig, folder: &Path, label: &str) -> Self {
        let rig = Arc::new(rig);
        let setup = SessionSetup { rig: Arc::clone(&rig), folder: folder.to_owned(), label: label.to_owned() };
        let session = Session::open(setup, Arc::new(SystemClock), RigClock::default()).unwrap();
        Self { rig, session, bus: Bus(Cell::new(Some(false))), frame: 0, rows: Vec::new() }
    }

    /// Plays some seconds, the start `start_s` after their beginning; `suction_pa` stands for the level.
    fn play(&mut self, seconds: f64, start_s: f64, suction_pa: f64) {
        let rate_hz = self.rig.source.rate_hz;
        let channels = Setup::of(&self.rig).frame_channels();
        let (from, end) = (self.frame, self.frame + (seconds * rate_hz) as u64);
        while self.frame < end {
            let mut counts = vec![0; BLOCK_FRAMES as usize * channels];
            for k in 0..BLOCK_FRAMES {
                let t_s = (self.frame + k - from) as f64 / rate_hz - start_s;
                for channel in &self.rig.channels {
                    let value = match channel.id.0.as_str() {
                        "p_discharge" => pressure(t_s) + f64::from((k % 7) as u32),
                        "p_suction" => suction_pa + f64::from((k % 5) as u32),
                        _ => f64::from((k % 3) as u32),
                    };
                    counts[k as usize * channels + channel.input] = channel.scaling.to_counts(value, 24);
                }
            }
            let now_s = (self.frame - from) as f64 / rate_hz - start_s;
            self.bus.0.set(Some((0.0..2.5).contains(&now_s)));
            let block = Block { first_frame: self.frame, missing_before: 0, channels, counts, arrived_wall_ns: 0 };
            self.rows.extend(self.session.take(&Arc::new(block), &self.bus).unwrap().map(|(row, fault)| {
                assert_eq!(fault, None);
                row
            }));
            self.frame += BLOCK_FRAMES;
        }
    }
}

fn assert_near(what: &str, got: Option<f64>, expected: f64, tolerance: f64) {
    let got = got.unwrap_or(f64::NAN);
    assert!(
        (got - expected).abs() <= tolerance,
        "{what}: expected {expected} got {got} tolerance {tolerance} (made trace)"
    );
}

#[test]
fn law_an_event_gives_one_row_with_its_figures_and_a_recording_with_its_past() {
    let folder = tempfile::tempdir().unwrap();
    let mut stand = Stand::new(bench(), folder.path(), "before");
    let weight = stand.rig.liquid.density_kg_m3 * stand.rig.liquid.gravity_m_s2;
    let suction = &stand.rig.channels[stand.rig.channel_index("p_suction").unwrap()];
    // Level half a metre above datum.
    let suction_pa = (0.5 - suction.diaphragm_elevation_m) * weight;
    stand.play(8.0, 3.0, suction_pa);
    let Stand { session, rows, rig, .. } = stand;
    assert_eq!(rows.len(), 1, "{rows:?}");
    let row = &rows[0];
    assert_eq!((row.event, row.trigger.as_str(), row.label.as_str()), (1, "rise", "before"));
    assert_eq!(row.pump.as_deref(), Some("soft"), "the one that was switched");
    assert_eq!((row.pumps_running_before, row.pumps_running_after), (Some(0), Some(0)));
    assert_near("level, m", row.level_m, 0.5, 1e-3);
    assert_eq!(row.level_band.as_deref(), Some("0 to 1 m"));
    assert_near("surge, Pa", row.surge_pa, SURGE_PA, CORNER_PA);
    assert_near("final level, Pa", row.final_gauge_pa, RUNNING_PA, 10.0);
    assert_near("time of the trigger, s", Some(row.rig_s), 3.05, 0.06);
    assert_eq!((row.clipped.len(), row.frames_missing), (0, 0), "{row:?}");
    assert_eq!(session.finish().unwrap(), None);
    let written: Vec<Row> = rows.iter().map(|row| Row::parse(&row.line()).unwrap()).collect();
    assert_eq!(read_rows(folder.path()).unwrap(), written, "the row on the disk is the row that was told");

    let recording = folder.path().join(row.recording.as_ref().unwrap());
    let run = ramprig::recording::read(&recording).unwrap();
    let trace = &run.traces[run.headline];
    let before_s = row.rig_s - trace.t0_s;
    assert!(
        (1.0..1.0 + BLOCK_FRAMES as f64 / rig.source.rate_hz + 0.02).contains(&before_s),
        "past kept: {before_s} s"
    );
    assert!(trace.values.iter().all(|value| !value.is_nan()));
    assert_eq!(run.links.len(), 1);
    assert_eq!((run.links[0].answered, run.links[0].stray_bytes), (71, 3), "what was heard on the links");
    let result = ramprig::comparison::evaluate(&run);
    assert_eq!(result.cycles.len(), 1, "the start that was heard is marked");
    let envelope = std::fs::read_to_string(folder.path().join("envelope.csv")).unwrap();
    assert_eq!(envelope.lines().count(), 1 + 8, "a line a second");
    let most = envelope.lines().skip(1).map(|line| {
        let at = 3 + 2 * rig.channel_index("p_discharge").unwrap() + 1;
        line.split(',').nth(at).unwrap().parse::<f64>().unwrap()
    });
    let most = most.fold(f64::NEG_INFINITY, f64::max);
    assert_near("envelope's largest, Pa", Some(most), RUNNING_PA + SURGE_PA, 10.0);
}

#[test]
fn goes_on_with_a_session_and_says_when_it_is_complete() {
    let folder = tempfile::tempdir().unwrap();
    for (start, _) in ["first", "second"].iter().enumerate() {
        let mut rig = bench();
        rig.starters.truncate(2);
        rig.starters.remove(0);
        rig.transfer = None;
        rig.observing.level_bands_m.clear();
        let mut stand = Stand::new(rig, folder.path(), "before");
        stand.bus = Bus::default();
        stand.play(8.0, 3.0, 0.0);
        stand.session.finish().unwrap();
        let rows = read_rows(folder.path()).unwrap();
        assert_eq!(rows.iter().map(|row| row.event).collect::<Vec<_>>(), (1..=start as u64 + 1).collect::<Vec<_>>());
    }
    let found = completeness(folder.path(), &[]).unwrap();
    assert_eq!((found.events, found.watched_s), (2, 16.0));
    let said = |what: &str| found.missing.iter().any(|missing| missing.starts_with(what));
    assert!(said("no zero before the session of p_suction"), "{:?}", found.missing);
    assert!(said("no zero after the session of p_suction"), "{:?}", found.missing);
    assert!(
        found.missing.iter().any(|what| what.contains("of 2 events")),
        "no register told which pump: {:?}",
        found.missing
    );
    assert!(!found.missing.iter().any(|what| what.contains("clipped")), "{:?}", found.missing);
}

#[test]
fn asks_for_a_zero_before_the_session_and_one_after_it() {
    let folder = tempfile::tempdir().unwrap();
    let stand = Stand::new(bench(), folder.path(), "before");
    let pressures: Vec<String> =
        stand.rig.channels.iter().map(|c| c.id.0.clone()).filter(|id| id.starts_with('p')).collect();
    stand.session.finish().unwrap();
    let zeros = |holds: &[Hold]| -> Vec<String> {
        let missing = completeness(folder.path(), holds).unwrap().missing;
        missing.into_iter().filter(|what| what.contains("zero")).collect()
    };
    let hold = |at_utc: &str, known: Option<f64>| Hold {
        at_utc: at_utc.to_owned(),
        by: "B. Tester".to_owned(),
        hold_s: 1.0,
        held: Held::Vented,
        channels: pressures
            .iter()
            .map(|id| HeldChannel { id: id.clone(), known, first: 1.0, second: 1.0, noise: 1.0 })
            .collect(),
    };
    let both = zeros(&[]);
    assert_eq!(both.len(), 2, "{both:?}");
    assert!(
        both.iter().all(|what| !what.contains("i_line") && !what.contains("n_shaft")),
        "of pressures alone: {both:?}"
    );
    let (before, after) = (hold("2001-01-01T00:00:00Z", Some(0.0)), hold("2999-01-01T00:00:00Z", Some(0.0)));
    assert!(zeros(std::slice::from_ref(&before))[0].starts_with("no zero after the session of p"));
    assert!(zeros(std::slice::from_ref(&after))[0].starts_with("no zero before the session of p"));
    assert_eq!(zeros(&[before.clone(), after]), Vec::<String>::new());
    // Noise with a starter energised is no zero.
    assert_eq!(zeros(&[before, hold("2999-01-01T00:00:00Z", None)]).len(), 1);
}

#[test]
fn keeps_rows_and_envelope_when_the_quota_is_used_up() {
    let folder = tempfile::tempdir().unwrap();
    let mut rig = bench();
    rig.observing.disk_quota_bytes = 1_000_000;
    let mut stand = Stand::new(rig, folder.path(), "");
    stand.play(8.0, 3.0, 0.0);
    assert_eq!((stand.rows.len(), stand.rows[0].recording.as_deref()), (1, None));
    stand.session.finish().unwrap();
    let found = completeness(folder.path(), &[]).unwrap();
    assert!(found.missing.iter().any(|what| what.contains("disk quota")), "{:?}", found.missing);
    let taken: u64 =
        std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().metadata().unwrap().len()).sum();
    assert!(taken < 1_000_000, "{taken} bytes of a quota of 1 000 000");
}

#[test]
fn law_memory_of_the_past_does_not_grow() {
    let folder = tempfile::tempdir().unwrap();
    let mut stand = Stand::new(bench(), folder.path(), "");
    let rate_hz = stand.rig.source.rate_hz;
    for _ in 0..3 {
        stand.play(2.0, 100.0, 0.0);
        let held = stand.session.frames_held();
        assert!(held <= rate_hz as u64 + BLOCK_FRAMES, "{held} frames held of 1 s wanted");
    }
}

#[test]
fn says_what_differs_between_two_set_ups() {
    let (first, second) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let text = ramprig::rig::shipped("terrace-bench").unwrap();
    let other = text.replacen("10 barg", "16 barg", 1);
    for (folder, text, label) in [(&first, text, "before"), (&second, other.as_str(), "after")] {
        let mut rig = bench();
        rig.text = text.to_owned();
        Stand::new(rig, folder.path(), label).session.finish().unwrap();
    }
    let found = differences(first.path(), second.path()).unwrap();
    let keys: Vec<&str> = found.iter().map(|difference| difference.key.as_str()).collect();
    assert!(keys.contains(&"session.label"), "{keys:?}");
    assert!(keys.iter().any(|key| key.ends_with("max_pressure") || key.contains("range")), "{keys:?}");
    assert_eq!(differences(first.path(), first.path()).unwrap(), vec![]);
    let ended = crate::stand::program::run([
        "observe".as_ref(),
        "--differs".as_ref(),
        first.path().as_os_str(),
        second.path().as_os_str(),
    ]);
    ended.expect(0);
    assert!(ended.stdout.contains("session.label: before | after"), "{}", ended.stdout);
}

#[test]
fn rejects_a_folder_of_another_rig_and_a_rig_without_triggers() {
    let folder = tempfile::tempdir().unwrap();
    Stand::new(bench(), folder.path(), "").session.finish().unwrap();
    let open = |rig: Rig| {
        let setup = SessionSetup { rig: Arc::new(rig), folder: folder.path().to_owned(), label: String::new() };
        Session::open(setup, Arc::new(SystemClock), RigClock::default()).err().unwrap().to_string()
    };
    let mut other = bench();
    other.id = "elsewhere".into();
    assert!(open(other).contains("a session of rig terrace-bench, not of elsewhere"));
    let mut without = bench();
    without.observing.triggers.clear();
    assert!(open(without).contains("no [[trigger]]"));
}
