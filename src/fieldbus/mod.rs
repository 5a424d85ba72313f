//! Floor 5: the bus. Modbus TCP and RTU to starters and to the transfer device: identify, command, read back, poll, and
//! above all stop.
//!
//! * [`frame`] (shared, in [`crate::modbus`]), [`rtu`]: codecs, no sockets; say why they are our own;
//! * `reactor`, `connection` (`tcp`, `serial`, `port`): one wire, waited on together with calls from other threads;
//! * `link`: the threads; one owns a bus, a second one owns a connection kept for stops;
//! * `stop`: stop lines, which never wait and are repeated until a status read shows the stop accepted;
//! * `unit`, `orders`, `bits`: the dialogues with one device; `drive`: how an IEC 61800-7-201 drive is stopped;
//! * [`listen`], [`observed`]: buses that are only watched; nothing is sent on a serial line, nothing written on TCP;
//! * `published`: what the threads have found out; `ports`: what the executor holds.
//!
//! All times here are wall time. Queues are bounded: an order that finds the queue full is refused, a stop's cause that
//! finds its channel full loses its words but never the stop, records that nobody takes are dropped oldest first and
//! counted ([`LinkStatistics::records_dropped`]).

mod bits;
mod drive;
mod connection;
mod port;
pub mod rtu;
mod serial;
pub mod service;
mod tcp;
mod link;
pub mod listen;
pub mod observed;
mod orders;
mod ports;
mod published;
mod reactor;
mod stop;
mod unit;

pub use crate::modbus::frame;
pub use crate::sequence::ports::LinkStatistics;
pub use unit::{FAULT_WITHOUT_CODE, VIRTUAL_MARK};

use crate::clock::{WallClock, realtime};
use crate::rig::model::{Link, Rig};
use crate::sequence::ports::{BenchPort, LinkState, PortError, SlowValues, StarterPort, StopLine};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender};
use frame::FrameError;
use link::{BusThread, LinkShared, Order};
use published::{Board, News};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering::SeqCst};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use stop::{Seat, StopSlot};
use tokio::sync::Notify;
use unit::{StarterLimits, Unit, UnitKind};

const ORDERS_QUEUED: usize = 16;

/// What went wrong on a bus.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LinkError {
    /// No connection, or it was lost.
    #[error("{reason}")]
    Down {
        /// Operating system's or protocol's words.
        reason: String,
    },
    /// No answer in time.
    #[error("no answer within {timeout_ms} ms")]
    Timeout {
        /// Time-out, ms.
        timeout_ms: u64,
    },
    /// The answer cannot be believed, or is a refusal.
    #[error(transparent)]
    Frame(#[from] FrameError),
    /// Serial: the identity did not come where it was asked for; what was read before it may be old.
    #[error("the identity asked behind the values reads {found:#06x}, must be {expected:#06x}")]
    Unproven {
        /// Found.
        found: u16,
        /// Expected.
        expected: u16,
    },
    /// Serial: an old answer may still come, and no two answers in a row agreed.
    #[error("an old answer may still come, and no two answers agreed")]
    Unsteady,
    /// Serial: bytes came unasked or answers did not fit; the device must first say again who it is.
    #[error("the device is in doubt and has not said again who it is")]
    Distrusted,
    /// A stop went out first; this was not sent.
    #[error("a stop went out first")]
    Overtaken,
}

impl LinkError {
    fn down(error: impl ToString) -> Self {
        Self::Down { reason: error.to_string() }
    }

    fn given_up() -> Self {
        Self::Down { reason: "the connection was given up while the answer was out".into() }
    }

    /// True when nothing more from the connection may be believed.
    pub fn costs_connection(&self) -> bool {
        match self {
            Self::Down { .. } | Self::Timeout { .. } | Self::Unproven { .. } | Self::Unsteady | Self::Distrusted => {
                true
            }
            Self::Overtaken => false,
            Self::Frame(error) => error.costs_connection(),
        }
    }
}

/// A running thread of a link. `ended` disconnects when the thread is over, however it ended.
struct Worker {
    name: String,
    ended: Receiver<()>,
    handle: Mutex<Option<JoinHandle<()>>>,
}

/// All buses of a rig.
pub struct Fieldbus {
    links: Vec<(Arc<LinkShared>, Sender<Order>)>,
    /// Link and unit of each starter, then of the bench unit.
    starters: Vec<(usize, usize, Arc<StopSlot>)>,
    bench: Option<(usize, usize)>,
    /// Of each device that is only looked at.
    watched: Vec<(usize, usize)>,
    workers: Vec<Worker>,
}

/// Open the buses of a rig. Returns at once; the links connect in the background ([`Fieldbus::wait_up`]).
pub fn open(rig: &Rig, clock: Arc<dyn WallClock>) -> Fieldbus {
    let mut fieldbus =
        Fieldbus { links: Vec::new(), starters: Vec::new(), bench: None, watched: Vec::new(), workers: Vec::new() };
    let mut watched = vec![None; rig.devices.len()];
    let mut starters: Vec<Option<(usize, usize, Arc<StopSlot>)>> = vec![None; rig.starters.len()];
    for (index, link) in rig.links.iter().enumerate() {
        let calls = (Arc::new(Notify::new()), Arc::new(Notify::new()));
        let mut units = Vec::new();
        for (number, starter) in rig.starters.iter().enumerate().filter(|(_, starter)| starter.link == index) {
            let slot = Arc::new(StopSlot::new(Arc::clone(&clock), vec![Arc::clone(&calls.0), Arc::clone(&calls.1)]));
            starters[number] = Some((index, units.len(), Arc::clone(&slot)));
            units.push(starter_unit(link, starter, slot));
        }
        if let Some(transfer) = rig.transfer.as_ref().filter(|transfer| transfer.link == index) {
            fieldbus.bench = Some((index, units.len()));
            let map = transfer.map.clone();
            units.push(Unit::new(link, transfer.unit, map, UnitKind::Bench, None));
        }
        for (number, device) in rig.devices.iter().enumerate().filter(|(_, device)| device.link == index) {
            watched[number] = Some((index, units.len()));
            units.push(Unit::new(link, device.unit, device.map.clone(), UnitKind::Watched, None));
        }
        fieldbus.start_link(link, units, calls, &clock);
    }
    fieldbus.watched = watched.into_iter().flatten().collect();
    fieldbus.starters = starters.into_iter().flatten().collect();
    fieldbus
}

fn starter_unit(link: &Link, starter: &crate::rig::model::Starter, slot: Arc<StopSlot>) -> Unit {
    let limits = StarterLimits {
        settings_min: starter.settings_min,
        settings_max: starter.settings_max,
        comm_timeout_s: starter.comm_timeout_s,
        stop: starter.stop,
    };
    let kind = UnitKind::Starter(Box::new(limits));
    Unit::new(link, starter.unit, starter.map.clone(), kind, Some(slot))
}

fn nanoseconds(seconds: f64) -> u64 {
    // Saturates; a checked rig holds small positive numbers.
    (seconds * 1e9) as u64
}

impl Fieldbus {
    fn start_link(
        &mut self,
        link: &Link,
        units: Vec<Unit>,
        calls: (Arc<Notify>, Arc<Notify>),
        clock: &Arc<dyn WallClock>,
    ) {
        let shared = Arc::new(LinkShared {
            id: link.id.clone(),
            address: link.address.clone(),
            line: link.serial,
            timeout_ns: nanoseconds(link.timeout_s),
            poll_ns: nanoseconds(link.poll_s),
            beat_ns: nanoseconds(link.heartbeat_s),
            has_second: link.second_stop_connection && link.serial.is_none(),
            board: Board::new(units.len(), clock.now_ns()),
            units,
            clock: Arc::clone(clock),
            main_call: calls.0,
            stops_call: calls.1,
            second_up: AtomicBool::new(false),
            closing: AtomicBool::new(false),
        });
        let (orders, queue) = crossbeam_channel::bounded(ORDERS_QUEUED);
        self.workers.push(start_worker(&shared, Seat::Main, queue));
        if shared.has_second {
            self.workers.push(start_worker(&shared, Seat::Stops, crossbeam_channel::never()));
        }
        self.links.push((shared, orders));
    }

    fn way(&self, link: usize, unit: usize) -> ports::Way {
        let (shared, orders) = &self.links[link];
        ports::Way { shared: Arc::clone(shared), orders: orders.clone(), unit }
    }

    /// Number of starters, in the order of the rig.
    pub fn starter_count(&self) -> usize {
        self.starters.len()
    }

    /// Port of a starter. Panics for an index that the rig does not have.
    pub fn starter(&self, index: usize) -> Box<dyn StarterPort> {
        let (link, unit, slot) = &self.starters[index];
        Box::new(ports::Starter { way: self.way(*link, *unit), slot: Arc::clone(slot) })
    }

    /// Port of the transfer device, if the rig has one.
    pub fn bench(&self) -> Option<Box<dyn BenchPort>> {
        let (link, unit) = self.bench?;
        Some(Box::new(ports::Bench { way: self.way(link, unit) }))
    }

    /// What the devices that are only looked at measure.
    pub fn slow_values(&self) -> Arc<dyn SlowValues> {
        let way = |(link, unit): &(usize, usize)| (Arc::clone(&self.links[*link].0), *unit);
        Arc::new(ports::Slow { ways: self.watched.iter().map(way).collect() })
    }

    /// Stop line of a starter. Panics for an index that the rig does not have.
    pub fn stop_line(&self, index: usize) -> Arc<dyn StopLine> {
        Arc::clone(&self.starters[index].2) as Arc<dyn StopLine>
    }

    /// Wait until every device has said who it is and every second connection answers.
    ///
    /// # Errors
    /// What is wrong with the first device that has not, after `timeout` of wall time in all.
    pub fn wait_up(&self, timeout: Duration) -> Result<(), PortError> {
        let Some((first, _)) = self.links.first() else { return Ok(()) };
        let begun_ns = first.clock.now_ns();
        for (shared, _) in &self.links {
            let spent = Duration::from_nanos(shared.clock.now_ns().saturating_sub(begun_ns));
            let is_up = |news: &News| {
                let second = !shared.has_second || shared.second_up.load(SeqCst) || news.units.is_empty();
                second && news.units.iter().all(|unit| unit.state == LinkState::Up)
            };
            if !shared.board.wait_until(timeout.saturating_sub(spent), is_up) {
                return Err(why_not_up(shared));
            }
        }
        Ok(())
    }

    /// Writes of registers with a budget so far, earlier processes' included once they are remembered: `bench/2 ramp_down`.
    pub fn stored_writes(&self) -> BTreeMap<String, u32> {
        self.links.iter().flat_map(|(shared, _)| &shared.units).flat_map(Unit::stored_writes).collect()
    }

    /// Earlier processes have written so often; what this one counts goes on from there.
    pub fn remember_stored_writes(&self, counts: &BTreeMap<String, u32>) {
        self.links.iter().flat_map(|(shared, _)| &shared.units).for_each(|unit| unit.remember_stored_writes(counts));
    }

    /// Figures of every link, in the order of the rig.
    pub fn statistics(&self) -> Vec<LinkStatistics> {
        self.links.iter().map(|(shared, _)| figures(shared)).collect()
    }

    /// Close all links: stops that are pending are still brought home, then the threads end. Gives back the names of
    /// the threads that still run after `deadline`; they end by themselves when their stops are done or given up.
    pub fn shutdown(&self, deadline: Duration) -> Vec<String> {
        self.begin_closing();
        let Some((first, _)) = self.links.first() else { return Vec::new() };
        let begun_ns = first.clock.now_ns();
        let mut running = Vec::new();
        for worker in &self.workers {
            let spent = Duration::from_nanos(first.clock.now_ns().saturating_sub(begun_ns));
            match worker.ended.recv_timeout(deadline.saturating_sub(spent)) {
                Err(RecvTimeoutError::Timeout) => running.push(worker.name.clone()),
                _ => worker.join(),
            }
        }
        running
    }

    fn begin_closing(&self) {
        for (shared, _) in &self.links {
            shared.closing.store(true, SeqCst);
            shared.main_call.notify_one();
            shared.stops_call.notify_one();
        }
    }
}

impl Drop for Fieldbus {
    fn drop(&mut self) {
        self.begin_closing();
    }
}

impl Worker {
    fn join(&self) {
        let handle = self.handle.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(Err(_)) = handle.map(JoinHandle::join) {
            tracing::error!(thread = %self.name, "ended by a panic");
        }
    }
}

/// Held by a thread of a link: its end is told, however it ends.
struct Ending {
    shared: Arc<LinkShared>,
    seat: Seat,
    _sender: Sender<()>,
}

impl Drop for Ending {
    fn drop(&mut self) {
        if !self.shared.closing.load(SeqCst) {
            self.shared.thread_is_gone(self.seat);
        }
    }
}

fn start_worker(shared: &Arc<LinkShared>, seat: Seat, orders: Receiver<Order>) -> Worker {
    let name = match seat {
        Seat::Main => format!("bus {}", shared.id),
        Seat::Stops => format!("stops {}", shared.id),
    };
    let (ending, ended) = crossbeam_channel::bounded(0);
    let inside = Arc::clone(shared);
    let work = move || {
        let _ending = Ending { shared: Arc::clone(&inside), seat, _sender: ending };
        realtime::care_for_thread(match seat {
            Seat::Main => realtime::Duty::Bus,
            Seat::Stops => realtime::Duty::Stops,
        });
        match BusThread::new(inside, seat, orders) {
            Ok(thread) => thread.run(),
            Err(error) => tracing::error!(%error, "no reactor for a bus thread"),
        }
    };
    let handle = match std::thread::Builder::new().name(name.clone()).spawn(work) {
        Ok(handle) => Some(handle),
        Err(error) => {
            tracing::error!(%error, thread = %name, "cannot start a bus thread");
            None
        }
    };
    Worker { name, ended, handle: Mutex::new(handle) }
}

fn why_not_up(shared: &LinkShared) -> PortError {
    let address = shared.address.clone();
    shared.board.look(|news| {
        let down = news.units.iter().find(|unit| unit.state != LinkState::Up);
        match down {
            Some(unit) => unit.fault.clone().unwrap_or_else(|| PortError::LinkDown {
                address: address.clone(),
                reason: "not connected yet".into(),
            }),
            None => PortError::LinkDown { address, reason: "the second connection for stops does not answer".into() },
        }
    })
}

fn figures(shared: &LinkShared) -> LinkStatistics {
    let slots = shared.units.iter().filter_map(|unit| unit.slot.as_ref());
    LinkStatistics {
        setting_writes: shared.units.iter().map(|unit| unit.setting_writes.load(SeqCst)).sum(),
        records_dropped: slots.map(|slot| slot.records_dropped()).sum(),
        ..shared.board.look(|news| news.statistics(&shared.id))
    }
}
