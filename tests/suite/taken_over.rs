//! Campaign `take-over`: at random moments of a cycle the selector is turned to local, somebody else writes a setting, or moves
//! the transfer device. From the moment the program says so, the captured bus carries no order any more, and of heartbeats at
//! most the round that was on its way.

use crate::campaign;
use crate::stand::bench::Bench;
use crate::stand::relay;
use crate::stand::sequences::Cycle;
use crate::stand::wait_until;
use ramprig::rig::register_map::Role;
use rand::RngExt;
use std::collections::BTreeMap;
use std::time::Duration;

const TAKE_OVERS: u32 = 100;
const STARTERS: [&str; 3] = ["contactor", "soft", "drive"];
/// From the start of the recording; the cycle lasts longer.
const LATEST_S: f64 = 7.0;

/// What somebody does at the rig.
#[derive(Debug, Clone, Copy)]
enum Hand {
    Selector,
    Setting,
    Transfer,
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

/// Exit code.
fn trial(starter: usize, hand: Hand, after: Duration) -> i32 {
    let mut bench = Bench::real_time();
    let bus = relay::bus(bench.ready.modbus);
    let wires = bench.wires_by(bus.address, bench.ready.samples);
    let cycle = match starter {
        0 => Cycle { hold: "time = \"4 s\"\nafter = \"start\"", ..Cycle::default() },
        _ => Cycle { start: "ramp_up = \"2 s\"\nramp_down = \"2 s\"", hold: "time = \"2 s\"", ..Cycle::default() },
    };
    let mut program = bench.run_by(wires, &cycle.text(), STARTERS[starter]);
    wait_until("a recording begins", || !bench.recordings(".partial").is_empty());
    std::thread::sleep(after);
    hand.act(&mut bench, starter);
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
    match code {
        6 => {
            assert!(told, "let go without a word:\n{}", ended.stderr);
            assert_eq!(late.iter().find(|write| !is_beat(write)), None, "sent after the take-over");
            assert!(late.len() <= bench.rig.starters.len(), "heartbeats after the take-over: {late:?}");
        }
        // Turned before anything moved, or when all was over.
        0 | 2 => assert!(!told || code == 2, "exit {code} after a take-over:\n{}", ended.stderr),
        // Moved between its selection and the start: what is not in place forbids the start.
        3 if matches!(hand, Hand::Transfer) && ended.stderr.contains("no start: ") => {}
        code => panic!("exit code {code}; it said:\n{}", ended.stderr),
    }
    drop(log);
    bench.witness().wait_off();
    bench.witness().assert_all_off();
    bench.end();
    code
}

#[test]
fn campaign_take_over_ends_with_silence() {
    let mut random = campaign::generator("take-over");
    let mut shares: BTreeMap<i32, u32> = BTreeMap::new();
    for number in 0..campaign::count(TAKE_OVERS) {
        let starter = random.random_range(0..STARTERS.len());
        let after = Duration::from_secs_f64(random.random_range(0.0..LATEST_S));
        let hand = [Hand::Selector, Hand::Setting, Hand::Transfer][number as usize % 3];
        println!("take-over {number}: {}, {hand:?}, after {after:?}", STARTERS[starter]);
        *shares.entry(trial(starter, hand, after)).or_default() += 1;
    }
    for (code, count) in &shares {
        println!("take-over: exit {code} {count} times");
    }
}
