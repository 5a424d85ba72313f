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
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::{Role, Table};
use ramprig::starters::StopKind;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;

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
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        rig.links[0].address = listener.local_addr().unwrap().to_string();
        rig.links[0].poll_s = poll_s;
        rig.links[0].second_stop_connection = second;
        let (stamps, arrived) = sync_channel(1024);
        let identities = identities(&rig);
        let unit = rig.starters[STARTER].unit;
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let (stamps, identities) = (stamps.clone(), identities.clone());
                std::thread::spawn(move || serve(stream, unit, &identities, &stamps));
            }
        });
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

fn identities(rig: &Rig) -> Vec<(u8, u16)> {
    let of = |unit: u8, map: &ramprig::rig::register_map::RegisterMap| {
        let field = map.field(Role::Identity).unwrap();
        assert_eq!((field.table, field.address), (Table::Input, 0), "the far side below knows this place only");
        (unit, field.expect.unwrap())
    };
    let mut all: Vec<_> = rig.starters.iter().map(|starter| of(starter.unit, &starter.map)).collect();
    all.extend(rig.transfer.iter().map(|transfer| of(transfer.unit, &transfer.map)));
    all
}

/// Zeros everywhere but the identities; writes are echoed.
fn serve(mut stream: TcpStream, unit: u8, identities: &[(u8, u16)], stamps: &SyncSender<u64>) {
    stream.set_nodelay(true).unwrap();
    let mut request = [0_u8; 12];
    while stream.read_exact(&mut request).is_ok() {
        let now_ns = SystemClock.now_ns();
        let [asked, function] = [request[6], request[7]];
        if asked == unit && function == 5 && request[8..12] == [0, 0, 0, 0] {
            let _ = stamps.try_send(now_ns);
        }
        let count = usize::from(u16::from_be_bytes([request[10], request[11]]));
        let pdu = match function {
            1 | 2 => [vec![function, count.div_ceil(8) as u8], vec![0; count.div_ceil(8)]].concat(),
            3 | 4 => {
                let mut words = vec![0_u8; 2 * count];
                if function == 4 && request[8..10] == [0, 0] {
                    let identity = identities.iter().find(|(unit, _)| *unit == asked).map_or(0, |(_, word)| *word);
                    words[..2].copy_from_slice(&identity.to_be_bytes());
                }
                [vec![function, 2 * count as u8], words].concat()
            }
            _ => request[7..12].to_vec(),
        };
        let head = [request[0], request[1], 0, 0, 0, pdu.len() as u8 + 1, asked];
        if stream.write_all(&[head.to_vec(), pdu].concat()).is_err() {
            break;
        }
    }
}

fn percentile(sorted: &[f64], share: f64) -> f64 {
    sorted[((share * sorted.len() as f64).ceil() as usize).max(1) - 1]
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
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
