//! The bus threads. One thread owns one bus: it connects, asks every device who it is, then does, in this order,
//! stops, orders, heartbeats, polls. A second thread with a connection of its own does nothing but stops
//! ([`Seat::Stops`]; TCP only). Both are this one loop; the seat decides what it may do.
//!
//! On TCP, after a time-out, an answer that does not fit or a lost connection, the connection is dropped, opened again
//! after a back-off, and nothing is believed or ordered until the identity register of the device has answered again. On
//! a serial line the port stays open, the line is listened to until it is silent, and the device is distrusted until its
//! identity has answered (`line`). A read may be asked a second time, a write never. Stops alone do not wait for the
//! identity: a device that has answered with the right one in this session is told to stop at once.
//!
//! `line`: asking; `dialogues`: identity, orders, heartbeat, polls; `stops`: stops.

mod dialogues;
mod line;
mod stops;

use super::connection::Connection;
use super::published::Board;
use super::reactor::{Reactor, Woken};
use super::stop::{Effort, Seat};
use super::unit::Unit;
use crate::clock::WallClock;
use crate::rig::register_map::Role;
use crate::rig::serial_line::SerialLine;
use crate::sequence::ports::{CommandRecord, DeviceIdentity, LinkState, PortError, StarterOrder};
use crate::starters::Settings;
use crossbeam_channel::{Receiver, Sender};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering::SeqCst};
use std::time::Duration;
use tokio::sync::Notify;

/// First pause before a connection is opened again, ns; doubles up to [`BACK_OFF_MOST_NS`].
const BACK_OFF_FIRST_NS: u64 = 20_000_000;
/// Longest pause before a connection is opened again, ns.
const BACK_OFF_MOST_NS: u64 = 1_000_000_000;
/// First pause before a device that did not answer is asked again, ns; doubles up to [`SILENT_MOST_NS`], so that one
/// dead device does not cost its neighbours the connection all the time.
const SILENT_FIRST_NS: u64 = 20_000_000;
/// Longest pause before a device that did not answer is asked again, ns.
const SILENT_MOST_NS: u64 = 2_000_000_000;
/// The second connection is tried this often, so that a dead one is known before it is needed, ns.
const PROBE_NS: u64 = 500_000_000;
/// Without a call of `alive(true)` for this long the heartbeat is withheld, ns.
pub(super) const ALIVE_FOR_NS: u64 = 500_000_000;
/// Longest wait when nothing is due, ns.
const IDLE_NS: u64 = 1_000_000_000;

/// What both threads of a link know.
pub(super) struct LinkShared {
    pub(super) id: String,
    pub(super) address: String,
    /// How the serial port is driven; `None`: TCP.
    pub(super) line: Option<SerialLine>,
    pub(super) timeout_ns: u64,
    pub(super) poll_ns: u64,
    pub(super) beat_ns: u64,
    pub(super) has_second: bool,
    pub(super) units: Vec<Unit>,
    pub(super) board: Board,
    pub(super) clock: Arc<dyn WallClock>,
    pub(super) main_call: Arc<Notify>,
    pub(super) stops_call: Arc<Notify>,
    pub(super) second_up: AtomicBool,
    pub(super) closing: AtomicBool,
}

impl LinkShared {
    /// A thread is over though the link is open, by a panic: without the main one every device counts as lost, and the
    /// second connection, where there is one, brings stops home; without the other the main connection does.
    pub(super) fn thread_is_gone(&self, seat: Seat) {
        match seat {
            Seat::Main => {
                let (since_wall_ns, reason) = (self.clock.now_ns(), "the bus thread has ended by a panic".to_owned());
                let fault = PortError::LinkDown { address: self.address.clone(), reason: reason.clone() };
                self.board.with(|news| {
                    for unit in &mut news.units {
                        unit.state = LinkState::Down { since_wall_ns, reason: reason.clone() };
                        unit.fault = Some(fault.clone());
                    }
                });
                self.stops_call.notify_one();
            }
            Seat::Stops => {
                self.second_up.store(false, SeqCst);
                self.main_call.notify_one();
            }
        }
    }
}

/// What is ordered of the main thread.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum OrderKind {
    Identify,
    ReadSettings,
    Apply(Settings),
    ReadRestart,
    ClearRun,
    Order { order: StarterOrder, ticket: u64 },
    Select(Role, u16),
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Outcome {
    Identity(DeviceIdentity),
    Settings(Settings),
    Record(CommandRecord),
    Restart(Vec<String>),
    /// There was nothing to do.
    Nothing,
}

const WAITS: u8 = 0;
const TAKEN: u8 = 1;
const WITHDRAWN: u8 = 2;

/// Lets the caller take an order back that has not been begun: a start must never be done later than it was wanted.
#[derive(Debug, Clone, Default)]
pub(super) struct Claim(Arc<AtomicU8>);

impl Claim {
    fn take(&self) -> bool {
        self.0.compare_exchange(WAITS, TAKEN, SeqCst, SeqCst).is_ok()
    }

    /// True: withdrawn before it was begun.
    pub(super) fn withdraw(&self) -> bool {
        self.0.compare_exchange(WAITS, WITHDRAWN, SeqCst, SeqCst).is_ok()
    }
}

/// An order in the queue.
pub(super) struct Order {
    pub(super) unit: usize,
    pub(super) kind: OrderKind,
    pub(super) claim: Claim,
    pub(super) reply: Sender<Result<Outcome, PortError>>,
}

/// One unit as this thread sees it.
#[derive(Debug, Default)]
struct Watch {
    /// Identity answered on the present connection.
    verified: bool,
    silent_ns: u64,
    ask_from_ns: u64,
    beat_from_ns: u64,
    poll_from_ns: u64,
    next_span: usize,
    partial: BTreeMap<Role, u64>,
    /// When the poll that is under way began, ns.
    poll_begun_ns: u64,
    effort: Effort,
    /// Stops begun by this thread.
    stops_begun: u64,
    /// Serial: old answers may still come until this time, ns.
    suspect_until_ns: u64,
}

/// See the module's documentation.
pub(super) struct BusThread {
    shared: Arc<LinkShared>,
    seat: Seat,
    orders: Receiver<Order>,
    reactor: Reactor,
    connection: Option<Connection>,
    opened: u64,
    open_from_ns: u64,
    back_off_ns: u64,
    probe_from_ns: u64,
    watches: Vec<Watch>,
    /// Serial: the last byte was heard at this time, ns.
    heard_ns: u64,
    /// Serial: our own last byte is on the wire until this time, ns.
    sent_until_ns: u64,
    /// Serial: the line must fall silent before it is used again.
    unsettled: bool,
    /// Serial: time-outs in a row in which no byte at all was heard.
    unheard: u32,
}

impl BusThread {
    /// A thread's state; call it in the thread that runs it.
    pub(super) fn new(shared: Arc<LinkShared>, seat: Seat, orders: Receiver<Order>) -> std::io::Result<Self> {
        let watches = shared.units.iter().map(|_| Watch::default()).collect();
        let reactor = Reactor::new()?;
        Ok(Self {
            shared,
            seat,
            orders,
            reactor,
            connection: None,
            opened: 0,
            open_from_ns: 0,
            back_off_ns: 0,
            probe_from_ns: 0,
            watches,
            heard_ns: 0,
            sent_until_ns: 0,
            unsettled: false,
            unheard: 0,
        })
    }

    /// Work until the link is closed and no stop is pending.
    pub(super) fn run(mut self) {
        loop {
            self.serve_stops();
            if self.shared.closing.load(SeqCst) && self.nothing_pending() {
                break;
            }
            self.work_once();
        }
        if self.seat == Seat::Stops {
            self.shared.second_up.store(false, SeqCst);
        }
    }

    fn nothing_pending(&self) -> bool {
        self.shared.units.iter().filter_map(|unit| unit.slot.as_ref()).all(|slot| slot.wanted().is_none())
    }

    fn work_once(&mut self) {
        let now_ns = self.now_ns();
        if self.connection.is_none() {
            self.refuse_orders();
            if now_ns >= self.open_from_ns { self.open() } else { self.idle(now_ns) }
        } else if self.seat == Seat::Stops {
            if now_ns >= self.probe_from_ns { self.probe() } else { self.idle(now_ns) }
        } else if let Some(unit) = self.unit_to_verify(now_ns) {
            let _ = self.verify(unit);
        } else if let Ok(order) = self.orders.try_recv() {
            self.execute(order);
        } else if let Some(unit) = self.beat_due(now_ns) {
            self.beat(unit, now_ns);
        } else if let Some(unit) = self.poll_due(now_ns) {
            self.poll(unit);
        } else {
            self.idle(now_ns);
        }
    }

    fn idle(&mut self, now_ns: u64) {
        let until_ns = self.next_due_ns(now_ns).min(self.next_stop_ns().unwrap_or(u64::MAX));
        let pause = Duration::from_nanos(until_ns.saturating_sub(now_ns));
        let handle = self.connection.as_ref().map(Connection::handle);
        match self.reactor.wait(handle, self.call(), pause) {
            Woken::Ready => self.receive(),
            // The main thread calls when it has found a device: now there is somebody to try.
            Woken::Called if !self.shared.second_up.load(SeqCst) => self.probe_from_ns = 0,
            Woken::Called | Woken::TimedOut => {}
        }
    }

    fn call(&self) -> &Notify {
        match self.seat {
            Seat::Main => &self.shared.main_call,
            Seat::Stops => &self.shared.stops_call,
        }
    }

    fn next_due_ns(&self, now_ns: u64) -> u64 {
        let idle_ns = now_ns + IDLE_NS;
        if self.connection.is_none() {
            return idle_ns.min(self.open_from_ns);
        }
        if self.seat == Seat::Stops {
            return idle_ns.min(self.probe_from_ns);
        }
        let due = |(watch, unit): (&Watch, &Unit)| match watch.verified {
            false => watch.ask_from_ns,
            true if self.is_alive(unit, now_ns) => watch.poll_from_ns.min(watch.beat_from_ns),
            true => watch.poll_from_ns,
        };
        self.watches.iter().zip(&self.shared.units).map(due).fold(idle_ns, u64::min)
    }

    fn now_ns(&self) -> u64 {
        self.shared.clock.now_ns()
    }
}
