//! Campaign `take-over`: at random moments the selector is turned to local, somebody else writes a setting, or moves the
//! transfer device. From the moment the program says so, the captured bus carries no order any more, and of heartbeats at
//! most the round that was on its way. Three moments of four lie within the first seconds of an output that stays on: each of
//! them ends with exit code 6. The others lie anywhere from the first devices asked to the last stop confirmed.

use crate::campaign;
use crate::stand::bench::Bench;
use crate::stand::relay;
use crate::stand::sequences::Cycle;
use crate::stand::wait_until;
use ramprig::rig::register_map::Role;
use rand::RngExt;
use std::collections::BTreeMap;
use std::time::{Duration, Instant};

const TAKE_OVERS: u32 = 100;
/// Benches that run at once: a trial is mostly waiting.
const AT_ONCE: usize = 3;
const STARTERS: [&str; 3] = ["contactor", "soft", "drive"];
/// Of a cycle, from the start of the recording; the cycle lasts longer.
const LATEST_S: f64 = 7.0;
/// After an output came on: the ramp of two seconds and what follows it.
const LATEST_RUNNING_S: f64 = 3.5;
/// From the hand at the rig to the last order that may still leave: the bench unit is polled every 50 ms, settings are read again
/// once a second. Generous: a busy computer decides nothing here.
const SEEN_WITHIN: Duration = Duration::from_secs(10);

/// What somebody does at the rig.
#[derive(Debug, Clone, Copy)]
enum Hand {
    Selector,
    Setting,
    Transfer,
}

/// When.
#[derive(Debug, Clone, Copy)]
enum Moment {
    /// After the virtual rig says that an output is on; it would stay on for a minute.
    Running(Duration),
    /// After the recording begins, in a cycle of some ten seconds.
    Any(Duration),
}

#[derive(Debug, Clone, Copy)]
struct Trial {
    starter: usize,
    hand: Hand,
    moment: Moment,
}

/// How a trial ended.
#[derive(Debug, Clone, Copy)]
struct Outcome {
    code: i32,
    /// From the hand to the last order that still left, heartbeats not counted; `None`: none left.
    last_order: Option<Duration>,
}

impl Hand {
    fn act(self, bench: &mut Bench, starter: usize) {
        match self {
            // Ramp up in tenths of a second: no sequence of this campaign sets 7.7 s. A contactor has no ramp.
            Self::Setting if starter != 0 => drop(bench.witness().foreign_hand(Some(starter), Role::RampUp, 77)),
            Self::Transfer => {
                let elsewhere = (starter as u16 + 1) % 3 + 1;
                bench.witness().foreign_hand(None, Role::TransferSelect, elsewhere);
            }
            Self::Selector | Self::Setting => bench.control("local"),
        }
    }
}

impl Trial {
    fn cycle(&self) -> String {
        let ramps = if self.starter == 0 { "" } else { "ramp_up = \"2 s\"\nramp_down = \"2 s\"" };
        let hold = match (self.moment, self.starter) {
            (Moment::Running(_), _) => "time = \"60 s\"\nafter = \"start\"",
            (Moment::Any(_), 0) => "time = \"4 s\"\nafter = \"start\"",
            (Moment::Any(_), _) => "time = \"2 s\"",
        };
        Cycle { start: ramps, hold, ..Cycle::default() }.text()
    }

    fn wait(&self, bench: &Bench) {
        wait_until("a recording begins", || !bench.recordings(".partial").is_empty());
        let after = match self.moment {
            Moment::Running(after) => {
                bench.witness().wait_on();
                after
            }
            Moment::Any(after) => after,
        };
        std::thread::sleep(after);
    }

    fn run(&self) -> Outcome {
        let mut bench = Bench::real_time();
        let bus = relay::bus(bench.ready.modbus);
        let wires = bench.wires_by(bus.address, bench.ready.samples);
        let mut program = bench.run_by(wires, &self.cycle(), STARTERS[self.starter]);
        self.wait(&bench);
        let acted = Instant::now();
        self.hand.act(&mut bench, self.starter);
        let told = program.stderr.hears("taken over");
        let writes_until_told = bus.log().len();
        let ended = program.end();
        let code = ended.code.unwrap_or(-1);
        let log = bus.log();
        let late = &log[writes_until_told..];
        let is_beat = |write: &&relay::Wrote| {
            let of = |unit: &ramprig::rig::model::Starter| {
                unit.unit == write.unit
                    && unit.map.field(Role::Heartbeat).is_some_and(|field| field.address == write.address)
            };
            bench.rig.starters.iter().any(of)
        };
        let last_order = log.iter().rfind(|write| !is_beat(write)).map(|write| write.at);
        let last_order = last_order.and_then(|at| at.checked_duration_since(acted));
        match code {
            6 => {
                assert!(told, "let go without a word:\n{}", ended.stderr);
                assert_eq!(late.iter().find(|write| !is_beat(write)), None, "sent after the take-over");
                assert!(late.len() <= bench.rig.starters.len(), "heartbeats after the take-over: {late:?}");
                assert!(last_order.is_none_or(|after| after < SEEN_WITHIN), "an order {last_order:?} after the hand");
            }
            code if matches!(self.moment, Moment::Running(_)) => {
                panic!("{self:?}: exit code {code} though the output was on; it said:\n{}", ended.stderr)
            }
            // Turned before anything moved, or when all was over.
            0 | 2 => assert!(!told || code == 2, "exit {code} after a take-over:\n{}", ended.stderr),
            // Moved between its selection and the start: what is not in place forbids the start.
            3 if matches!(self.hand, Hand::Transfer) && ended.stderr.contains("no start: ") => {}
            code => panic!("{self:?}: exit code {code}; it said:\n{}", ended.stderr),
        }
        drop(log);
        bench.witness().wait_off();
        bench.witness().assert_all_off();
        bench.end();
        Outcome { code, last_order }
    }
}

#[test]
fn campaign_take_over_ends_with_silence() {
    let mut random = campaign::generator("take-over");
    let trials: Vec<Trial> = (0..campaign::count(TAKE_OVERS))
        .map(|number| {
            let moment = match number % 4 {
                3 => Moment::Any(Duration::from_secs_f64(random.random_range(0.0..LATEST_S))),
                _ => Moment::Running(Duration::from_secs_f64(random.random_range(0.0..LATEST_RUNNING_S))),
            };
            let hand = [Hand::Selector, Hand::Setting, Hand::Transfer][number as usize % 3];
            Trial { starter: random.random_range(0..STARTERS.len()), hand, moment }
        })
        .collect();
    let ended = campaign::side_by_side(AT_ONCE, trials, |number, trial| {
        let outcome = trial.run();
        println!("take-over {number}: {trial:?}: {outcome:?}");
        outcome
    });
    verdict(&ended);
}

fn verdict(ended: &[(Trial, Outcome)]) {
    let mut shares: BTreeMap<(&str, i32), usize> = BTreeMap::new();
    for (trial, outcome) in ended {
        let class = if matches!(trial.moment, Moment::Running(_)) { "output on" } else { "any moment" };
        *shares.entry((class, outcome.code)).or_default() += 1;
    }
    for ((class, code), count) in &shares {
        println!("take-over: {class}: exit {code} {count} times");
    }
    let latest =
        ended.iter().filter(|(_, outcome)| outcome.code == 6).filter_map(|(_, outcome)| outcome.last_order).max();
    println!("take-over: last order of all that still left after the hand: {latest:?}");
    let let_go = ended.iter().filter(|(_, outcome)| outcome.code == 6).count();
    assert!(4 * let_go >= 3 * ended.len(), "exit 6 in {let_go} of {} trials only", ended.len());
}
