//! Campaign `stop-path`: how long a stop takes on the virtual rig, by cause. A limit: from the sample that crosses it to the
//! last sample with line current, both in the recording. Any other cause: from the moment it is made to the last packet of
//! samples with line current on the wire, seen from outside the program.

mod threads;

use crate::campaign;
use crate::stand::bench::{Bench, rig_path};
use crate::stand::program::{Program, command};
use crate::stand::relay::{Relay, Sent, behind, bus, current_ended, samples, wait_current};
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use ramprig::recording;
use ramprig::rig::model::{Quantity, Rig};
use ramprig::sequence::marks::MarkKind;
use rand::seq::SliceRandom;
use rustix::process::{Resource, Rlimit, prlimit};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};
use threads::Break;

/// Every cause through every starter twice.
const STOPS: u32 = 138;
const STARTERS: [&str; 3] = ["contactor", "soft", "drive"];
/// Between standstill (0.64 bar) and running water (1.25 bar) of the bench's own prediction.
const LIMIT: &str = "1.0 barg";
const LIMIT_PA: f64 = 1.0e5;
/// Current that counts as none, A: as the interlock has it (5 % of full load, four times the channel's uncertainty).
const NO_CURRENT_A: f64 = 0.8;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Cause {
    Limit(&'static str),
    /// The pump does not prime in its time.
    NotPrimed,
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
    /// A channel that guards the plant reads the end of its range.
    SensorFailed,
    /// No further byte of the recording can be written.
    DiskFull,
    /// The process that ordered the run from an owner is killed.
    FaceLost,
    /// A thread of the owner.
    Thread(&'static str, Break),
}

/// No cause may take longer: three times the longest of its own timer (1 s), stages (3 s) and ramps (1 s), and `grace`.
const LONGEST: Duration = Duration::from_secs(15);
const CAUSES: [Cause; 23] = [
    Cause::Limit("ramp"),
    Cause::Limit("coast"),
    Cause::Limit("contactor-off"),
    Cause::NotPrimed,
    Cause::StopKey,
    Cause::StreamLost,
    Cause::LinkLost,
    Cause::EmergencyStop,
    Cause::TakeOver,
    Cause::WritesRefused,
    Cause::Killed,
    Cause::StreamStale,
    Cause::Silence,
    Cause::SensorFailed,
    Cause::DiskFull,
    Cause::FaceLost,
    Cause::Thread("executor", Break::Panic),
    Cause::Thread("sampling", Break::Panic),
    Cause::Thread("bus bench", Break::Panic),
    Cause::Thread("recording", Break::Panic),
    Cause::Thread("executor", Break::Hang),
    Cause::Thread("sampling", Break::Hang),
    Cause::Thread("bus bench", Break::Hang),
];

/// Step that is on when the cause is made, as the program words it.
fn step_of(cause: Cause) -> &'static str {
    match cause {
        Cause::Silence => "silence",
        _ => "hold",
    }
}

fn cycle(starter: &str, cause: Cause) -> String {
    let start = if starter == "contactor" { "" } else { "ramp_up = \"1 s\"\nramp_down = \"1 s\"" };
    let text = Cycle { start, hold: "time = \"30 s\"", ..Cycle::default() }.text();
    let (hold, stop) = ("time = \"30 s\"", "do = \"stop\"");
    assert!(text.contains(hold) && text.contains(stop));
    let brief = || text.replacen(hold, "time = \"1 s\"", 1);
    match cause {
        Cause::Silence => brief().replacen(stop, "do = \"silence\"", 1),
        Cause::FaceLost => brief(),
        _ => text,
    }
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

/// Time to the last line current, s, once no output is on any more.
fn time_to_no_current_s(bench: &Bench, streams: [&Relay<Sent>; 2], begun: Instant) -> f64 {
    let (witness, deadline) = (bench.witness(), begun + LONGEST);
    while witness.outputs_on() != 0 {
        assert!(Instant::now() < deadline, "still on {LONGEST:?} after the cause");
        std::thread::sleep(Duration::from_millis(2));
    }
    let ended = current_ended(streams, deadline).expect("current that ends");
    ended.saturating_duration_since(begun).as_secs_f64()
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

/// Time from which the pump of [`not_primed`] has to be primed, s after the start order.
const PRIMED_WITHIN_S: f64 = 2.0;

/// The shipped bench with a trip for a pump that does not prime, and a pressure that none of its pumps gives. Time to no
/// current, s, from the moment at which it had to be primed.
fn not_primed(starter: &str) -> f64 {
    let shipped = std::fs::read_to_string(rig_path()).unwrap();
    let trip = shipped.find("id = \"dry-run\"").expect("the trip of the shipped bench");
    let (before, after) = shipped.split_at(trip);
    let edited = ["above = \"0.15 barg\"", "line_ups = [\"fill-terrace\"]", "within = \"40 s\""]
        .into_iter()
        .zip(["above = \"3.4 barg\"", "line_ups = [\"terrace\", \"fill-terrace\"]", "within = \"2 s\""])
        .fold(after.to_owned(), |text, (was, is)| {
            assert!(text.contains(was), "{was}");
            text.replacen(was, is, 1)
        });
    let bench = Bench::described(&format!("{before}{edited}"));
    let ended = bench.run(&cycle(starter, Cause::NotPrimed), starter).end();
    ended.expect(3);
    let object = ended.object();
    assert!(object["aborted"].as_str().unwrap().contains("it does not prime"), "{object}");
    assert_eq!(object["stop_outcome"], "confirmed");
    bench.witness().assert_all_off();
    let run = recording::read(Path::new(object["recording"].as_str().unwrap())).unwrap();
    let start = run.marks.iter().find(|mark| matches!(mark.kind, MarkKind::Start { .. })).expect("it started");
    let index = bench.rig.channels.iter().position(|channel| channel.quantity == Quantity::LineCurrent).unwrap();
    let current = &run.traces[index];
    let last = current.values.iter().rposition(|value| *value > NO_CURRENT_A).expect("there was current");
    current.t0_s + last as f64 * current.dt_s - start.at_s - PRIMED_WITHIN_S
}

/// Where a program runs, and what stands between it and the rig.
struct Ordered {
    program: Program,
    view: View,
    owner: Option<Program>,
}

/// The program that the signal of a full disk would end goes on: what fails is the write.
fn without_that_signal(plain: &Command) -> Command {
    let mut command = Command::new("sh");
    command.args(["-c", "trap '' XFSZ; exec \"$@\"", "sh"]).arg(plain.get_program()).args(plain.get_args());
    command
}

fn order(bench: &Bench, wires: Vec<String>, starter: &str, cause: Cause) -> Ordered {
    let sequence = cycle(starter, cause);
    if cause == Cause::FaceLost {
        let (owner, address) = bench.serve_by(wires);
        let program = bench.run(&sequence, starter);
        return Ordered { program, view: View::of(&address), owner: Some(owner) };
    }
    let mut args = bench.run_args(wires, &sequence, starter);
    args.extend(["--confirmed-by".into(), "virtual rig".into()]);
    let mut program = Program::start(&mut without_that_signal(&command(args)));
    let view = View::of_run(&mut program);
    Ordered { program, view, owner: None }
}

/// The shipped bench whose faces have a second to come back.
fn impatient() -> Bench {
    let shipped = std::fs::read_to_string(rig_path()).unwrap();
    Bench::described(&shipped.replacen("[rig]\n", "[rig]\ngrace = \"1 s\"\n", 1))
}

/// Time to no current, s.
fn other(starter: &str, cause: Cause) -> f64 {
    let mut bench = impatient();
    let (cable, stream) = (bus(bench.ready.modbus), samples(bench.ready.samples));
    let wires = bench.wires_by(cable.address, stream.address);
    let Ordered { mut program, mut view, owner } = order(&bench, wires, starter, cause);
    let waiting = behind(bench.ready.samples);
    let there = view.reaches(|state| {
        let progress = state.run.as_ref().and_then(|run| run.progress.as_ref());
        progress.is_some_and(|progress| progress.step.starts_with(step_of(cause)))
    });
    if there.is_none() {
        panic!("the run ended before its {}: {:?}", step_of(cause), program.end());
    }
    let reached = Instant::now();
    let witness = bench.witness();
    let begun = match cause {
        Cause::Silence => reached,
        _ => {
            witness.wait_on();
            wait_current(&stream);
            Instant::now()
        }
    };
    match cause {
        Cause::Limit(_) | Cause::NotPrimed | Cause::Thread(..) => unreachable!("not made here"),
        Cause::StopKey => program.interrupt(),
        Cause::StreamLost => bench.control("drop-stream"),
        Cause::LinkLost => cable.cut(),
        Cause::EmergencyStop => bench.control("press-emergency-stop"),
        Cause::TakeOver => bench.control("local"),
        Cause::WritesRefused => bench.control("refuse-writes"),
        Cause::Killed | Cause::FaceLost => program.kill(),
        Cause::StreamStale => stream.hold_back(),
        Cause::DiskFull => {
            prlimit(Some(program.pid()), Resource::Fsize, Rlimit { current: Some(0), maximum: None }).unwrap();
        }
        Cause::SensorFailed => stream.spoil_speed(),
        Cause::Silence => {}
    }
    let took_s = time_to_no_current_s(&bench, [&stream, &waiting], begun);
    if let Some(owner) = owner {
        let ended = view.wait_state("end", |state| state.run.as_ref().is_some_and(|run| run.end.is_some()));
        let why = ended.run.and_then(|run| run.end).and_then(|end| end.aborted).unwrap();
        assert!(why.contains("the face that ordered this run is lost"), "{why}");
        owner.interrupt();
        owner.end().expect(0);
        return took_s;
    }
    drop(view);
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
            Cause::NotPrimed => not_primed(starter),
            Cause::Thread(thread, how) => {
                let (took_s, end) = threads::stop_after(starter, &cycle(starter, cause), thread, how);
                println!("stop {number}: {}; {}", end.aborted.unwrap_or_default(), end.stop);
                took_s
            }
            cause => other(starter, cause),
        };
        assert!(took_s < LONGEST.as_secs_f64(), "{cause:?}, {starter}: {took_s} s");
        println!("stop {number}: {cause:?}, {starter}: {took_s:.3} s");
        taken.entry((format!("{cause:?}"), starter)).or_default().push(took_s);
    }
    for ((cause, starter), times) in &taken {
        let worst_s = times.iter().copied().fold(0.0, f64::max);
        let least_s = times.iter().copied().fold(f64::INFINITY, f64::min);
        println!("stop-path: {cause}, {starter}: {least_s:.3} to {worst_s:.3} s of {}", times.len());
    }
}
