//! The owner in this process, by a clock that makes one of its threads panic or hang the next time it asks for the time.

use super::time_to_no_current_s;
use crate::stand::bench::Bench;
use crate::stand::relay::{behind, samples, wait_current};
use crate::stand::{DEADLINE, LOOK_EVERY};
use ramprig::api::{Activity, RunRequest, Service, Snapshot};
use ramprig::clock::{SystemClock, WallClock};
use ramprig::daemon::{Daemon, Options};
use ramprig::sequence::ports::{RunEnd, StopOutcome};
use std::net::SocketAddr;
use std::sync::{Arc, Condvar, Mutex};
use std::time::Instant;
use tokio_util::sync::CancellationToken;

/// What happens to the thread.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Break {
    Panic,
    /// Until the motor is off; then it goes on.
    Hang,
}

#[derive(Default)]
struct Moments {
    armed: bool,
    broken: Option<Instant>,
    released: bool,
}

/// Wall time, and a trap for one thread.
struct Trap {
    thread: &'static str,
    how: Break,
    moments: Mutex<Moments>,
    told: Condvar,
}

impl WallClock for Trap {
    fn now_ns(&self) -> u64 {
        if std::thread::current().name() == Some(self.thread) {
            self.spring();
        }
        SystemClock.now_ns()
    }
}

impl Trap {
    fn of(thread: &'static str, how: Break) -> Arc<Self> {
        Arc::new(Self { thread, how, moments: Mutex::default(), told: Condvar::new() })
    }

    fn spring(&self) {
        let mut moments = self.moments.lock().unwrap();
        if !moments.armed || moments.broken.is_some() {
            return;
        }
        moments.broken = Some(Instant::now());
        self.told.notify_all();
        match self.how {
            Break::Panic => {
                drop(moments);
                panic!("on purpose");
            }
            Break::Hang => drop(self.told.wait_while(moments, |moments| !moments.released).unwrap()),
        }
    }

    /// Lay it and wait until the thread is caught.
    fn catch(&self) -> Instant {
        let mut moments = self.moments.lock().unwrap();
        moments.armed = true;
        let waited = self.told.wait_timeout_while(moments, DEADLINE, |moments| moments.broken.is_none()).unwrap();
        waited.0.broken.unwrap_or_else(|| panic!("thread {} never asked for the time", self.thread))
    }

    fn release(&self) {
        self.moments.lock().unwrap().released = true;
        self.told.notify_all();
    }
}

/// The daemon beside the test.
struct Own {
    runtime: tokio::runtime::Runtime,
    daemon: Daemon,
}

impl Own {
    fn of(bench: &Bench, samples: SocketAddr, clock: Arc<Trap>) -> Self {
        let mut rig = bench.rig.clone();
        rig.links[0].address = bench.ready.modbus.to_string();
        rig.source.address = samples.to_string();
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
        let inside = runtime.enter();
        let daemon = Daemon::open(Options { rig, state_dir: bench.state(), out_dir: bench.out(), clock }).unwrap();
        drop(inside);
        daemon.wait_ready(DEADLINE, &CancellationToken::new()).unwrap();
        Self { runtime, daemon }
    }

    fn start(&self, bench: &Bench, sequence: &str, starter: &str) {
        let request = RunRequest {
            sequence_text: sequence.to_owned(),
            sequence_name: "made for a test".to_owned(),
            starter: starter.to_owned(),
            attending: String::new(),
            confirmed_by: Some("virtual rig".to_owned()),
            out_dir: bench.out().display().to_string(),
            label: String::new(),
            band: Some(0),
            face: None,
            from_cycle: None,
        };
        self.runtime.block_on(self.daemon.start_run(request)).unwrap();
    }

    fn wait(&self, what: &str, wanted: impl Fn(&Snapshot) -> bool) -> Snapshot {
        let begun = Instant::now();
        loop {
            let state = self.runtime.block_on(self.daemon.snapshot()).unwrap();
            if wanted(&state) {
                return state;
            }
            assert!(begun.elapsed() < DEADLINE, "waited in vain for {what}: {:?}", state.run);
            std::thread::sleep(LOOK_EVERY);
        }
    }

    fn end(self) -> RunEnd {
        let state = self.wait("the end of the run", |state| state.activity == Activity::Idle);
        let ending = self.daemon.shutdown("test", CancellationToken::new());
        let report = self.runtime.block_on(ending);
        // A thread that panicked is told of here too.
        let late: Vec<_> = report.still_running.iter().filter(|name| !name.contains("panicked")).collect();
        assert!(late.is_empty(), "{late:?}");
        state.run.and_then(|run| run.end).expect("the run has ended")
    }
}

/// Time from the break to the last line current, s, and how the run ended.
pub fn stop_after(starter: &str, sequence: &str, thread: &'static str, how: Break) -> (f64, RunEnd) {
    let bench = Bench::real_time();
    let trap = Trap::of(thread, how);
    let stream = samples(bench.ready.samples);
    let own = Own::of(&bench, stream.address, Arc::clone(&trap));
    own.start(&bench, sequence, starter);
    own.wait("the hold", |state| {
        let progress = state.run.as_ref().and_then(|run| run.progress.as_ref());
        progress.is_some_and(|progress| progress.step.starts_with("hold"))
    });
    let waiting = behind(bench.ready.samples);
    let witness = bench.witness();
    witness.wait_on();
    wait_current(&stream);
    let took_s = time_to_no_current_s(&bench, [&stream, &waiting], trap.catch());
    trap.release();
    let end = own.end();
    assert!(end.aborted.is_some(), "{thread}: {how:?}: {end:?}");
    // Nobody is left who could see a stop.
    let blind = how == Break::Panic && matches!(thread, "executor" | "bus bench");
    if blind {
        assert_eq!(end.stop, StopOutcome::NotConfirmed, "{end:?}");
    }
    witness.assert_all_off();
    (took_s, end)
}
