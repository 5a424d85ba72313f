//! From a block of samples that passes a limit to the stop's bytes at the far side of a Modbus TCP bus: real sockets,
//! the sampling thread and the bus threads as in service. Three ways: with real-time priority and a thread that burns
//! the same core; with ordinary priority on a core of its own; with ordinary priority and the burner.
//!
//! The clock starts before the block is written to the sample socket and ends when the far side's thread has the stop's
//! bytes. Our threads (and the burner) are kept on one core, the measuring ones on another, with fixed priority where
//! permitted, so that it is ours that is measured. What other programs take of the computer counts against us.
//!
//! `cargo bench --bench trip -- EVENTS` takes another number of events a round.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a bench"
)]

use hdf5 as _;
use ramprig::acquisition::{self, Acquisition, Setup};
use ramprig::clock::realtime::{self, Care, Duty};
use ramprig::clock::{RigClock, SystemClock, WallClock};
use ramprig::fieldbus::{self, Fieldbus};
use ramprig::rig::model::{SampleCode, SampleWire, Trip, TripCause};
use ramprig::sequence::ports::ArmedTrip;
use ramprig::starters::StopKind;
use rustix::thread::{CpuSet, sched_setaffinity};
use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::SeqCst};
use std::sync::mpsc::Receiver;
use std::time::Duration;

mod far_side;
mod stop_key;
use far_side::{median, percentile};

const ROUNDS: usize = 5;
const EVENTS: usize = 10_000;
const STARTER: usize = 1;
const PATIENCE: Duration = Duration::from_secs(30);
/// 2 ms of eight channels.
const FRAMES: usize = 20;
const CHANNELS: usize = 8;
const OUR_CORE: usize = 0;

/// Keep the calling thread, and what it starts from now on, on one core.
fn keep_to(core: usize) {
    let mut set = CpuSet::new();
    set.set(core);
    sched_setaffinity(None, &set).expect("a core");
}

fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

/// The core of what measures.
fn other_core() -> usize {
    usize::from(cores() > 1)
}

fn measure_from_here() {
    keep_to(other_core());
    let _ = realtime::fix_priority(Duty::Stops);
}

/// A thread that takes all it can get of our core.
struct Burner(Arc<AtomicBool>, Option<std::thread::JoinHandle<u64>>);

impl Burner {
    fn start() -> Self {
        let end = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&end);
        let burn = move || {
            let _ = realtime::end_priority();
            keep_to(OUR_CORE);
            let mut turns = 0_u64;
            while !seen.load(SeqCst) {
                turns = std::hint::black_box(turns.wrapping_add(1));
            }
            turns
        };
        Self(end, Some(std::thread::spawn(burn)))
    }
}

impl Drop for Burner {
    fn drop(&mut self) {
        self.0.store(true, SeqCst);
        let turns = self.1.take().map(|thread| thread.join().unwrap());
        assert!(turns > Some(0), "the burner has not run");
    }
}

/// Our program between two sockets.
struct Stand {
    fieldbus: Fieldbus,
    acquisition: Acquisition,
    wire: TcpStream,
    arrived: Receiver<u64>,
    frame: u64,
    sequence: u16,
}

impl Stand {
    /// Threads of ours start on our core, with real-time priority where `fixed`.
    fn open(fixed: bool) -> Self {
        realtime::allow(if fixed { Care::RealTime } else { Care::ShortTurns });
        let _ = realtime::end_priority();
        keep_to(OUR_CORE);
        let mut rig =
            ramprig::rig::parse(ramprig::rig::shipped("terrace-bench").unwrap(), "terrace-bench.toml").unwrap();
        let arrived = far_side::attach(&mut rig, STARTER, Arc::new(measure_from_here));
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        rig.source.address = listener.local_addr().unwrap().to_string();
        rig.source.wire = SampleWire::Tcp;
        rig.source.code = SampleCode::L24;
        rig.source.max_age_s = 3600.0;
        let mut setup = Setup::of(&rig);
        let input = setup.inputs[0];
        setup.inputs = (0..CHANNELS).map(|position| acquisition::Input { position, ..input }).collect();
        // Above 1 000 counts: what the block below holds in its last frame.
        setup.trips = vec![Trip {
            id: "bench".into(),
            cause: TripCause::Limit,
            channel: Some(CHANNELS - 1),
            above: Some(input.scaling.to_si(1_000)),
            below: None,
            debounce_s: 0.0,
            blanking_s: 0.0,
            stop: StopKind::Ramp,
            deadline_s: 5.0,
            later_s: 3.0,
            priming: None,
        }];
        assert!(input.scaling.scale > 0.0, "the block below rises");
        let clock = Arc::new(SystemClock);
        let fieldbus = fieldbus::open(&rig, clock.clone());
        fieldbus.wait_up(PATIENCE).unwrap();
        let acquisition = acquisition::start_with(setup, clock, RigClock::default()).unwrap();
        let wire = listener.accept().unwrap().0;
        wire.set_nodelay(true).unwrap();
        measure_from_here();
        Self { fieldbus, acquisition, wire, arrived, frame: 0, sequence: 0 }
    }

    /// A framed packet of zeros whose last sample is over the limit.
    fn block(&mut self) -> Vec<u8> {
        let mut packet = vec![0x80, 97];
        packet.extend(self.sequence.to_be_bytes());
        packet.extend((self.frame as u32).to_be_bytes());
        packet.extend(7_u32.to_be_bytes());
        packet.resize(packet.len() + 3 * (CHANNELS * FRAMES - 1), 0);
        packet.extend([0, 0x20, 0]);
        self.sequence = self.sequence.wrapping_add(1);
        self.frame += FRAMES as u64;
        [&(packet.len() as u16).to_be_bytes()[..], &packet].concat()
    }

    /// Delay of one event, us.
    fn event(&mut self, pause: Duration) -> f64 {
        let stop_line = self.fieldbus.stop_line(STARTER);
        let from_rig_ns = self.frame * 100_000;
        self.acquisition.port().arm(vec![ArmedTrip { trip: 0, from_rig_ns, stop_line: Arc::clone(&stop_line) }]);
        std::thread::sleep(pause);
        let block = self.block();
        let begun_ns = SystemClock.now_ns();
        self.wire.write_all(&block).unwrap();
        let arrived_ns = self.arrived.recv_timeout(PATIENCE).expect("a stop");
        while stop_line.take_records().is_empty() {
            std::thread::sleep(Duration::from_micros(50));
        }
        while self.arrived.try_recv().is_ok() {}
        (arrived_ns - begun_ns) as f64 / 1e3
    }

    fn round(&mut self, events: usize) -> Vec<f64> {
        // Pauses of 0.1 to 1.1 ms in no step with anything.
        let mut delays: Vec<f64> =
            (0..events).map(|k| self.event(Duration::from_micros(100 + (k as u64 * 617) % 1_000))).collect();
        delays.sort_by(f64::total_cmp);
        delays
    }
}

fn report(name: &str, events: usize, fixed: bool, loaded: bool) {
    let burner = loaded.then(Burner::start);
    let mut stand = Stand::open(fixed);
    stand.round(events.div_ceil(20));
    let rounds: Vec<Vec<f64>> = (0..ROUNDS).map(|_| stand.round(events)).collect();
    let at = |share: f64| median(rounds.iter().map(|round| percentile(round, share)).collect());
    println!("ratio trip_p999_us_{name} {:.1}", at(0.999));
    let worst = rounds.iter().map(|round| round[round.len() - 1]).fold(0.0, f64::max);
    println!(
        "# {name}: p50 {:.1} us, p99 {:.1} us, worst of {} events {worst:.1} us",
        at(0.5),
        at(0.99),
        ROUNDS * events
    );
    drop(burner);
    let _ = realtime::end_priority();
}

fn main() {
    let events = std::env::args().filter_map(|word| word.parse().ok()).next().unwrap_or(EVENTS);
    println!("# block in to stop bytes out, TCP on this machine, {events} events a round, median of {ROUNDS} rounds");
    println!(
        "# our threads on core {OUR_CORE} (with the burner, where there is one), what measures on core {}",
        other_core()
    );
    // A person's key takes the same way out; ordinary priority, nothing kept to a core.
    let key = stop_key::measure();
    println!("ratio stop_key_p99_ms {:.3}", key.stop_key_p99_ms());
    match realtime::fix_priority(Duty::Stops) {
        Ok(()) => report("realtime", events, true, true),
        Err(error) => println!("skip trip_p999_us_realtime: {error}"),
    }
    report("normal_idle", events, false, false);
    report("normal_loaded", events, false, true);
}
