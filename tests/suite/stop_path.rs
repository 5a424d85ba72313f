//! Campaign `stop-path`: how long a stop takes on the virtual rig, by cause. A limit: from the sample that crosses it to the
//! last sample with line current, both in the recording. Any other cause: from the moment it is made to the moment at
//! which the virtual rig says that no output is on: no current flows then.

use crate::campaign;
use crate::stand::bench::{Bench, rig_path};
use crate::stand::relay::{bus, samples};
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use ramprig::recording;
use ramprig::rig::model::{Quantity, Rig};
use rand::seq::SliceRandom;
use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, Instant};

/// Every cause through every starter twice.
const STOPS: u32 = 72;
const STARTERS: [&str; 3] = ["contactor", "soft", "drive"];
/// Between standstill (0.64 bar) and running water (1.25 bar) of the bench's own prediction.
const LIMIT: &str = "1.0 barg";
const LIMIT_PA: f64 = 1.0e5;
/// Current that counts as none, A: as the interlock has it (5 % of full load, four times the channel's uncertainty).
const NO_CURRENT_A: f64 = 0.8;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Cause {
    Limit(&'static str),
    StopKey,
    StreamLost,
    LinkLost,
    EmergencyStop,
    TakeOver,
    /// The devices refuse every write: the starter's own timer acts.
    WritesRefused,
    /// The owner is killed: the starter's own timer acts.
    Killed,
    /// The stream stays open and brings nothing.
    StreamStale,
    /// The heartbeat is withheld by the step `silence`: the starter's own timer acts.
    Silence,
}

const CAUSES: [Cause; 12] = [
    Cause::Limit("ramp"),
    Cause::Limit("coast"),
    Cause::Limit("contactor-off"),
    Cause::StopKey,
    Cause::StreamLost,
    Cause::LinkLost,
    Cause::EmergencyStop,
    Cause::TakeOver,
    Cause::WritesRefused,
    Cause::Killed,
    Cause::StreamStale,
    Cause::Silence,
];

fn cycle(starter: &str, cause: Cause) -> String {
    let start = if starter == "contactor" { "" } else { "ramp_up = \"1 s\"\nramp_down = \"1 s\"" };
    let text = Cycle { start, hold: "time = \"30 s\"", ..Cycle::default() }.text();
    if cause != Cause::Silence {
        return text;
    }
    let (hold, stop) = ("time = \"30 s\"", "do = \"stop\"");
    assert!(text.contains(hold) && text.contains(stop));
    text.replacen(hold, "time = \"1 s\"", 1).replacen(stop, "do = \"silence\"", 1)
}

/// The shipped bench with a limit that running water crosses.
fn limited(kind: &str) -> String {
    let shipped = std::fs::read_to_string(rig_path()).unwrap();
    let was = "above = \"3.5 barg\"\ndebounce = \"5 ms\"\nblanking = \"0 s\"\nstop = \"ramp\"";
    assert!(shipped.contains(was), "the trip of the shipped bench is written otherwise");
    let is = format!("above = \"{LIMIT}\"\ndebounce = \"5 ms\"\nblanking = \"0 s\"\nstop = \"{kind}\"");
    shipped.replacen(was, &is, 1)
}

/// From the first sample over the limit to the last one with current, s of rig time, which was real time.
fn crossing_to_zero_s(recording: &Path, rig: &Rig) -> f64 {
    let run = recording::read(recording).unwrap();
    let of = |wanted: &dyn Fn(&ramprig::rig::model::Channel) -> bool| rig.channels.iter().position(wanted).unwrap();
    let pressure = &run.traces[of(&|channel| channel.id.0 == "p_discharge")];
    let current = &run.traces[of(&|channel| channel.quantity == Quantity::LineCurrent)];
    let crossed = pressure.values.iter().position(|value| *value > LIMIT_PA).expect("the limit is crossed");
    let last = current.values.iter().rposition(|value| *value > NO_CURRENT_A).expect("there was current");
    assert!(last > crossed, "current ended before the limit was crossed");
    current.t0_s + last as f64 * current.dt_s - pressure.t0_s - crossed as f64 * pressure.dt_s
}

/// Time to no current, s.
fn limit(starter: &str, kind: &str) -> f64 {
    let bench = Bench::described(&limited(kind));
    let ended = bench.run(&cycle(starter, Cause::Limit("")), starter).end();
    ended.expect(3);
    let object = ended.object();
    assert!(object["aborted"].as_str().unwrap().contains("trip discharge-high"), "{object}");
    assert_eq!(object["stop_outcome"], "confirmed");
    bench.witness().assert_all_off();
    crossing_to_zero_s(Path::new(object["recording"].as_str().unwrap()), &bench.rig)
}

/// Time until no output is on, s.
fn other(starter: &str, cause: Cause) -> f64 {
    let mut bench = Bench::real_time();
    let (cable, stream) = (bus(bench.ready.modbus), samples(bench.ready.samples));
    let wires = bench.wires_by(cable.address, stream.address);
    let mut program = bench.run_by(wires, &cycle(starter, cause), starter);
    let mut view = View::of_run(&mut program);
    let step = if cause == Cause::Silence { "silence" } else { "hold" };
    assert!(view.reaches_step(step), "the run ended before its {step}");
    let reached = Instant::now();
    drop(view);
    let witness = bench.witness();
    let begun = match cause {
        Cause::Silence => reached,
        _ => {
            witness.wait_on();
            Instant::now()
        }
    };
    match cause {
        Cause::Limit(_) => unreachable!("not made here"),
        Cause::StopKey => program.interrupt(),
        Cause::StreamLost => bench.control("drop-stream"),
        Cause::LinkLost => cable.cut(),
        Cause::EmergencyStop => bench.control("press-emergency-stop"),
        Cause::TakeOver => bench.control("local"),
        Cause::WritesRefused => bench.control("refuse-writes"),
        Cause::Killed => program.kill(),
        Cause::StreamStale => stream.hold_back(),
        Cause::Silence => {}
    }
    while witness.outputs_on() != 0 {
        assert!(begun.elapsed() < Duration::from_secs(120), "{starter} still on after {cause:?}");
        std::thread::sleep(Duration::from_millis(2));
    }
    let took_s = begun.elapsed().as_secs_f64();
    if cause == Cause::Killed {
        return took_s;
    }
    let ended = program.end();
    let expected = match cause {
        Cause::TakeOver => 6,
        Cause::LinkLost => 4,
        Cause::Silence => 0,
        // Nothing was believed of the stop orders; what is seen in the end decides.
        Cause::WritesRefused => ended.code.filter(|code| matches!(code, 3 | 4)).unwrap_or(3),
        _ => 3,
    };
    ended.expect(expected);
    took_s
}

#[test]
fn campaign_stop_path() {
    let mut random = campaign::generator("stop-path");
    let mut taken: BTreeMap<(String, &str), Vec<f64>> = BTreeMap::new();
    let mut all: Vec<(Cause, &str)> =
        CAUSES.into_iter().flat_map(|cause| STARTERS.map(|starter| (cause, starter))).collect();
    all.shuffle(&mut random);
    for number in 0..campaign::count(STOPS) {
        let (cause, starter) = all[number as usize % all.len()];
        let took_s = match cause {
            Cause::Limit(kind) => limit(starter, kind),
            cause => other(starter, cause),
        };
        println!("stop {number}: {cause:?}, {starter}: {took_s:.3} s");
        taken.entry((format!("{cause:?}"), starter)).or_default().push(took_s);
    }
    for ((cause, starter), times) in &taken {
        let worst_s = times.iter().copied().fold(0.0, f64::max);
        let least_s = times.iter().copied().fold(f64::INFINITY, f64::min);
        println!("stop-path: {cause}, {starter}: {least_s:.3} to {worst_s:.3} s of {}", times.len());
    }
}
