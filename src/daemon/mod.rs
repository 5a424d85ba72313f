//! Floor 8: the process that owns a rig: one owner by file lock, links and sample stream open, one run at a time on a
//! thread of its own, everything a face sees told through the hub, shutdown in a stated order.
//!
//! Stopping: [`crate::api::Service::stop`] pulls the stop line of whatever may turn the motor before it does anything
//! else, then tells the executor, which confirms the stop. A person's stop is a cut (coast), not a ramp: nobody can
//! know from a key why it was pressed.

mod cables;
mod control;
mod elevation;
mod faces;
mod foresight;
mod guard;
mod inhibit;
mod lead;
pub mod hub;
mod live;
mod operator;
mod overlay;
pub mod owner;
mod readiness;
mod run;
mod service;
mod shutdown;
mod stage;
mod tap;
pub mod tasks;
mod view;
mod wear;

pub use shutdown::ShutdownReport;

use crate::acquisition::{self, Acquisition, AcquisitionError};
use crate::api::Update;
use crate::api::lead::CycleView;
use crate::api::stage::{Overlay, RigView};
use crate::clock::{RigClock, WallClock};
use crate::fieldbus::{self, Fieldbus};
use crate::rig::model::Rig;
use crate::sequence::duty::DutyLedger;
use crate::sequence::interlock::Rules;
use crate::sequence::ports::{Event, StarterPort, StopLine};
use hub::Hub;
use owner::{OwnerError, Ownership};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tasks::TaskGroup;
use tokio_util::sync::CancellationToken;
use view::View;

/// While waiting for links and samples, a signal is looked for this often, wall.
const READY_LOOK: Duration = Duration::from_millis(200);
/// The live pump goes round every 50 ms; without a round for so long (wall) the tasks hang.
const BEAT_WITHIN_NS: u64 = 3_000_000_000;

/// What a daemon needs.
pub struct Options {
    /// The rig, with the addresses to use.
    pub rig: Rig,
    /// Folder for the owner's lock and the duty counters.
    pub state_dir: PathBuf,
    /// Folder for recordings of runs whose face names none.
    pub out_dir: PathBuf,
    /// Wall clock.
    pub clock: Arc<dyn WallClock>,
}

/// Why a rig cannot be owned.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// Somebody else owns it, or the state folder cannot be used.
    #[error(transparent)]
    Owner(#[from] OwnerError),
    /// No samples.
    #[error(transparent)]
    Samples(#[from] AcquisitionError),
    /// A thread was refused.
    #[error("thread {name}: {source}")]
    Thread {
        /// Thread.
        name: String,
        /// Reason.
        source: std::io::Error,
    },
}

/// The owner of a rig. Cloning shares it.
#[derive(Clone)]
pub struct Daemon {
    shared: Arc<Shared>,
    tasks: TaskGroup,
}

/// What all threads and tasks of the daemon share.
struct Shared {
    rig: Arc<Rig>,
    state_dir: PathBuf,
    clock: Arc<dyn WallClock>,
    rig_clock: RigClock,
    fieldbus: Fieldbus,
    acquisition: Acquisition,
    /// A port of each starter, for looking only.
    looks: Vec<Mutex<Box<dyn StarterPort>>>,
    stop_lines: Vec<Arc<dyn StopLine>>,
    hub: Hub,
    view: Mutex<View>,
    faces: Mutex<faces::Faces>,
    run: Mutex<Option<run::Active>>,
    ownership: Mutex<Ownership>,
    duty: Mutex<Option<Arc<Mutex<DutyLedger>>>>,
    foresight: foresight::Foresight,
    rig_view: Arc<RigView>,
    out_dir: PathBuf,
    control: Mutex<control::Control>,
    overlays: Mutex<Vec<Overlay>>,
    cycles: Mutex<Vec<CycleView>>,
    /// Wall time of the live pump's latest round, ns.
    beat_ns: AtomicU64,
    rules: Rules,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Daemon {
    /// Take the rig, open its links and its stream. Nothing is written to any device before a run, but a run order that an
    /// earlier process left at a starter whose output is off, which is taken back.
    ///
    /// # Errors
    /// Somebody else owns the rig, the state folder cannot be used, or the sample source refuses.
    pub fn open(options: Options) -> Result<Self, DaemonError> {
        let Options { rig, state_dir, out_dir, clock } = options;
        let rig = Arc::new(rig);
        let ownership = Ownership::take(&state_dir, &rig.id)?;
        let rig_clock = RigClock::default();
        let fieldbus = fieldbus::open(&rig, Arc::clone(&clock));
        let slow = fieldbus.slow_values();
        let acquisition = acquisition::start_polled(Arc::clone(&rig), slow, Arc::clone(&clock), rig_clock.clone())?;
        let count = rig.starters.len();
        let shared = Shared {
            looks: (0..count).map(|index| Mutex::new(fieldbus.starter(index))).collect(),
            stop_lines: (0..count).map(|index| fieldbus.stop_line(index)).collect(),
            view: Mutex::new(View::default()),
            faces: Mutex::new(faces::Faces::default()),
            run: Mutex::new(None),
            hub: Hub::default(),
            ownership: Mutex::new(ownership),
            duty: Mutex::new(None),
            foresight: foresight::Foresight::default(),
            rig_view: Arc::new(elevation::rig_view(&rig)),
            out_dir,
            control: Mutex::default(),
            overlays: Mutex::default(),
            cycles: Mutex::default(),
            beat_ns: AtomicU64::new(clock.now_ns()),
            rules: Rules::of(&rig),
            rig,
            state_dir,
            clock,
            rig_clock,
            fieldbus,
            acquisition,
        };
        let daemon = Self { shared: Arc::new(shared), tasks: TaskGroup::new(CancellationToken::new()) };
        daemon.tasks.start("live view", live::pump(Arc::clone(&daemon.shared), daemon.tasks.cancelled()));
        daemon
            .tasks
            .start("restart inhibit", inhibit::take_back_runs(Arc::clone(&daemon.shared), daemon.tasks.cancelled()));
        Ok(daemon)
    }

    /// Write the API's address into the owner's lock, for `run` and `watch` to find.
    ///
    /// # Errors
    /// The lock file cannot be written.
    pub fn publish(&self, address: &str) -> Result<(), DaemonError> {
        Ok(locked(&self.shared.ownership).publish(Some(address))?)
    }

    /// The tasks of this process; faces start theirs here.
    pub fn tasks(&self) -> &TaskGroup {
        &self.tasks
    }

    /// The tasks do their work: none has failed, and the live pump, which needs every lock that a face needs, goes round.
    ///
    /// # Errors
    /// What does not work, in words.
    pub fn works(&self) -> Result<(), String> {
        if let Some(fault) = self.tasks.fault() {
            return Err(fault);
        }
        let silent_ns = self.shared.clock.now_ns().saturating_sub(self.shared.beat_ns.load(Ordering::Relaxed));
        match silent_ns <= BEAT_WITHIN_NS {
            true => Ok(()),
            false => Err(format!("the live view has not gone round for {:.1} s", silent_ns as f64 * 1e-9)),
        }
    }

    /// Rig time until a starter of the rig (by index), and the motor, may start again, s; 0 before the first run.
    pub fn duty_wait_s(&self, starter: usize) -> f64 {
        run::duty_wait_s(&self.shared, starter)
    }

    /// Wait (wall) until samples arrive and every link answers; the reason when the deadline passes first or the wait is
    /// given up.
    ///
    /// # Errors
    /// What is missing, in words.
    pub fn wait_ready(&self, deadline: Duration, give_up: &CancellationToken) -> Result<(), String> {
        let until_ns = self.shared.clock.now_ns() + u64::try_from(deadline.as_nanos()).unwrap_or(u64::MAX);
        loop {
            let left = Duration::from_nanos(until_ns.saturating_sub(self.shared.clock.now_ns()));
            let outcome = self.ready_within(left.min(READY_LOOK));
            if outcome.is_ok() || left.is_zero() || give_up.is_cancelled() {
                return outcome;
            }
        }
    }

    fn ready_within(&self, time: Duration) -> Result<(), String> {
        self.shared.fieldbus.wait_up(time).map_err(|error| self.shared.named(&error.to_string()))?;
        let samples = self.shared.acquisition.port().wait_newer(0, time);
        match samples.lost {
            None if samples.newest_rig_ns > 0 => Ok(()),
            None => Err(format!("{}: no sample yet", self.shared.rig.source.address)),
            Some(reason) => Err(reason),
        }
    }
}

impl Shared {
    /// What a link said, with the name of the link and of what hangs on it.
    fn named(&self, said: &str) -> String {
        let Some(link) = self.rig.links.iter().find(|link| said.starts_with(&link.address)) else {
            return said.to_owned();
        };
        let index = self.rig.links.iter().position(|other| other.id == link.id);
        let starters =
            self.rig.starters.iter().filter(|starter| Some(starter.link) == index).map(|starter| starter.id.as_str());
        let bench = self.rig.transfer.iter().filter(|unit| Some(unit.link) == index).map(|unit| unit.id.as_str());
        let on_it: Vec<&str> = starters.chain(bench).collect();
        let (id, on_it) = (&link.id, on_it.join(", "));
        format!(
            "{said}; that is link `{id}` ({on_it}); try: its cable, its power, its `address` in the rig file, or --link {id}=..."
        )
    }

    /// A line for the log of every face.
    fn tell(&self, event: Event) {
        locked(&self.view).log(event.clone());
        self.hub.tell(Update::Log(event));
    }

    /// Tell every face that something changed.
    fn tell_state(&self) {
        self.hub.tell(Update::State(Box::new(self.snapshot())));
    }
}
