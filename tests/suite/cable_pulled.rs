//! Campaign `cable-pulled`: the bus cable is pulled at random moments of a cycle, for a moment or for good. The virtual
//! motor stops every time, and `stop confirmed` is said only when it had stopped at that instant, as the virtual rig says.

use crate::campaign;
use crate::stand::bench::Bench;
use crate::stand::relay::{Relay, Wrote, bus};
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use crate::stand::wait_until;
use ramprig::sequence::ports::StopOutcome;
use rand::RngExt;
use std::collections::BTreeMap;
use std::time::Duration;

const PULLS: u32 = 200;
/// Rigs at a time.
const AT_ONCE: usize = 4;
/// Starter and whether it is on the serial line of the serial bench.
const STARTERS: [&str; 3] = ["contactor", "soft", "drive"];
/// From the start of the recording; the cycle lasts longer.
const LATEST_PULL_S: f64 = 7.0;
/// A cable that comes back, comes back well before the program gives up asking.
const BACK_AFTER: Duration = Duration::from_millis(1_500);

#[derive(Debug, Clone, Copy, PartialEq)]
enum Pull {
    Back,
    ForGood,
}

fn sequence(starter: &str) -> String {
    let (start, hold) = match starter {
        "contactor" => ("", "time = \"4 s\"\nafter = \"start\""),
        _ => ("ramp_up = \"2 s\"\nramp_down = \"2 s\"", "time = \"2 s\""),
    };
    Cycle { start, hold, ..Cycle::default() }.text()
}

/// The cable between program and rig: a relay in the TCP bus, or the pseudo-terminal itself.
struct Cable {
    relay: Relay<Wrote>,
    serial: bool,
}

impl Cable {
    fn pull(&self, bench: &mut Bench, pull: Pull) {
        match (self.serial, pull) {
            (true, Pull::Back) => bench.control(&format!("drop-ports {}ms", BACK_AFTER.as_millis())),
            (true, Pull::ForGood) => bench.control("drop-ports 3600s"),
            (false, _) => self.relay.cut(),
        }
    }

    fn put_back(&self) {
        self.relay.restore();
    }
}

/// Exit code, and what it was pulled by.
fn trial(starter: &str, pull: Pull, after: Duration) -> i32 {
    let serial = starter == "soft";
    let mut bench = if serial { Bench::serial() } else { Bench::real_time() };
    let cable = Cable { relay: bus(bench.ready.modbus), serial };
    let through = if serial { bench.ready.modbus } else { cable.relay.address };
    let wires = bench.wires_by(through, bench.ready.samples);
    let mut program = bench.run_by(wires, &sequence(starter), starter);
    let mut view = View::of_run(&mut program);
    wait_until("a recording begins", || !bench.recordings(".partial").is_empty());
    std::thread::sleep(after);
    let on_before = bench.witness().outputs_on();
    cable.pull(&mut bench, pull);
    std::thread::scope(|scope| {
        if pull == Pull::Back && !serial {
            scope.spawn(|| {
                std::thread::sleep(BACK_AFTER);
                cable.put_back();
            });
        }
        // Asked at the word, not when the recording is closed and the program has gone.
        let word = view.reaches(|state| state.run.as_ref().is_some_and(|run| run.stop.is_some()));
        let word = word.and_then(|state| state.run).and_then(|run| run.stop);
        if word == Some(StopOutcome::Confirmed) {
            assert_eq!(bench.witness().outputs_on(), 0, "stop confirmed with an output on");
        }
    });
    drop(view);
    let ended = program.end();
    let on_then = bench.witness().outputs_on();
    let code = ended.code.unwrap_or(-1);
    println!("  on before {on_before:#b}, exit {code}, on then {on_then:#b}");
    match code {
        0 | 3 => assert_eq!(on_then, 0, "exit {code} with an output on; it said:\n{}", ended.stderr),
        4 => assert_eq!(pull, Pull::ForGood, "NOT confirmed though the cable came back; it said:\n{}", ended.stderr),
        // Pulled before anything moved: the run is refused.
        2 => assert_eq!((on_before, on_then), (0, 0), "refused with an output on; it said:\n{}", ended.stderr),
        code => panic!("exit code {code}; it said:\n{}", ended.stderr),
    }
    let witness = bench.witness();
    witness.wait_off();
    witness.assert_all_off();
    bench.end();
    code
}

#[test]
fn campaign_cable_pulled() {
    let mut random = campaign::generator("cable-pulled");
    let trials: Vec<(&str, Pull, Duration)> = (0..campaign::count(PULLS))
        .map(|_| {
            let starter = STARTERS[random.random_range(0..STARTERS.len())];
            let pull = if random.random() { Pull::Back } else { Pull::ForGood };
            (starter, pull, Duration::from_secs_f64(random.random_range(0.0..LATEST_PULL_S)))
        })
        .collect();
    let ended = campaign::side_by_side(AT_ONCE, trials, |number, (starter, pull, after)| {
        println!("pull {number}: {starter}, {pull:?}, after {after:?}");
        trial(starter, *pull, *after)
    });
    let mut shares: BTreeMap<(String, i32), u32> = BTreeMap::new();
    for ((_, pull, _), code) in ended {
        *shares.entry((format!("{pull:?}"), code)).or_default() += 1;
    }
    for ((pull, code), count) in &shares {
        println!("cable-pulled: {pull}: exit {code} {count} times");
    }
}
