//! From the call of a stop line to the stop's bytes at the far side, over TCP on this machine: on a bus that idles, on
//! one that polls as fast as it can, and on a busy one without a second connection. The far side stamps the bytes when
//! its reading thread has them, so the figures include that thread's wake-up.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a bench"
)]

use hdf5 as _;
use ramprig::clock::{SystemClock, WallClock};
use ramprig::fieldbus::{self, Fieldbus};
use ramprig::starters::StopKind;
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::time::Duration;

mod far_side;
use far_side::{median, percentile};

const ROUNDS: usize = 9;
const STOPS_A_ROUND: usize = 250;
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

fn main() {
    let sides = [Side::open(0.05, true), Side::open(0.0, true), Side::open(0.0, false)];
    let mut p99 = [const { Vec::new() }; 3];
    let mut p50 = [const { Vec::new() }; 3];
    let mut worst = [0.0_f64; 3];
    for _ in 0..ROUNDS {
        for (side, bus) in sides.iter().enumerate() {
            let delays = bus.round();
            p99[side].push(percentile(&delays, 0.99));
            p50[side].push(percentile(&delays, 0.5));
            worst[side] = worst[side].max(delays[delays.len() - 1]);
        }
    }
    let [idle, busy, single] = p99.map(median);
    let [idle_p50, busy_p50, single_p50] = p50.map(median);
    println!(
        "# {} stops on each of three buses, median of {ROUNDS} rounds; abs lines: ours, then an idle bus",
        ROUNDS * STOPS_A_ROUND
    );
    println!("ratio stop_key_p99_ms {busy:.3}");
    println!("abs stop_line_to_bytes_p99_busy {busy:.3} {idle:.3} ms");
    println!("abs stop_line_to_bytes_p50_busy {busy_p50:.3} {idle_p50:.3} ms");
    println!("abs stop_line_to_bytes_p99_busy_one_connection {single:.3} {idle:.3} ms");
    println!("abs stop_line_to_bytes_p50_busy_one_connection {single_p50:.3} {idle_p50:.3} ms");
    println!("abs stop_line_to_bytes_worst_busy {:.3} {:.3} ms", worst[1].max(worst[2]), worst[0]);
    let answered: Vec<u64> = sides.iter().map(|side| side.fieldbus.statistics()[0].answered).collect();
    println!("# requests answered meanwhile, idle, busy, busy with one connection: {answered:?}");
}
