//! From the call of a stop line to the stop's bytes at the far side: three buses, and the figures of each.
#![allow(dead_code, reason = "each bench uses its part")]

use super::far_side::{self, median, percentile};
use ramprig::clock::{SystemClock, WallClock};
use ramprig::fieldbus::{self, Fieldbus};
use ramprig::starters::StopKind;
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::time::Duration;

/// Rounds of each bus.
pub const ROUNDS: usize = 9;
/// Stops of a round.
pub const STOPS_A_ROUND: usize = 250;
const STARTER: usize = 1;
const PATIENCE: Duration = Duration::from_secs(20);

/// A bus, and the far side's stamps of arriving stops.
struct Side {
    fieldbus: Fieldbus,
    arrived: Receiver<u64>,
}

impl Side {
    fn open(poll_s: f64, second: bool) -> Self {
        let text = ramprig::rig::shipped("terrace-bench").unwrap();
        let mut rig = ramprig::rig::parse(text, "terrace-bench.toml").unwrap();
        let arrived = far_side::attach(&mut rig, STARTER, Arc::new(|| ()));
        rig.links[0].poll_s = poll_s;
        rig.links[0].second_stop_connection = second;
        let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
        fieldbus.wait_up(PATIENCE).unwrap();
        Self { fieldbus, arrived }
    }

    /// Delays of one round, ms, sorted.
    fn round(&self) -> Vec<f64> {
        let line = self.fieldbus.stop_line(STARTER);
        let mut delays: Vec<f64> = (0..STOPS_A_ROUND)
            .map(|_| {
                let called_ns = SystemClock.now_ns();
                line.stop(StopKind::Ramp, "bench");
                let arrived_ns = self.arrived.recv_timeout(PATIENCE).unwrap();
                while line.take_records().is_empty() {
                    std::thread::yield_now();
                }
                while self.arrived.try_recv().is_ok() {}
                (arrived_ns - called_ns) as f64 / 1e6
            })
            .collect();
        delays.sort_by(f64::total_cmp);
        delays
    }
}

/// What was found.
pub struct Figures {
    /// 99th percentile of the idle, the busy and the busy bus without a second connection, ms, median of the rounds.
    pub p99_ms: [f64; 3],
    /// Medians of the same, ms.
    pub p50_ms: [f64; 3],
    /// Worst of each, ms.
    pub worst_ms: [f64; 3],
    /// Requests that each bus had answered meanwhile.
    pub answered: Vec<u64>,
}

/// Measure all three, a round of each in turn.
pub fn measure() -> Figures {
    let sides = [Side::open(0.05, true), Side::open(0.0, true), Side::open(0.0, false)];
    let mut p99 = [const { Vec::new() }; 3];
    let mut p50 = [const { Vec::new() }; 3];
    let mut worst_ms = [0.0_f64; 3];
    for _ in 0..ROUNDS {
        for (side, bus) in sides.iter().enumerate() {
            let delays = bus.round();
            p99[side].push(percentile(&delays, 0.99));
            p50[side].push(percentile(&delays, 0.5));
            worst_ms[side] = worst_ms[side].max(delays[delays.len() - 1]);
        }
    }
    let answered = sides.iter().map(|side| side.fieldbus.statistics()[0].answered).collect();
    Figures { p99_ms: p99.map(median), p50_ms: p50.map(median), worst_ms, answered }
}

impl Figures {
    /// What a stop key waits for on a busy bus, 99th percentile, ms.
    pub fn stop_key_p99_ms(&self) -> f64 {
        self.p99_ms[1]
    }
}
