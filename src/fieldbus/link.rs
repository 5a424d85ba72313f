//! The bus threads. One thread owns one bus: it connects, asks every device who it is, then does, in this order,
//! stops, orders, heartbeats, polls. A second thread with a connection of its own does nothing but stops
//! ([`Seat::Stops`]). Both are this one loop; the seat decides what it may do.
//!
//! After a time-out, an answer that does not fit or a lost connection, the connection is dropped, opened again after
//! a back-off, and nothing is believed or ordered until the identity register of the device has answered again. A read
//! may be asked a second time, a write never. Stops alone do not wait for the identity: a device that has answered with
//! the right one in this session is told to stop at once.

use super::LinkError;
use super::connection::Connection;
use super::frame::{Answer, Request};
use super::published::Board;
use super::reactor::{Reactor, Woken};
use super::stop::{Effort, STOP_GIVE_UP_NS, STOP_TAKE_OVER_NS, Seat, StopSlot, Wanted};
use super::unit::{Unit, Wire};
use crate::clock::WallClock;
use crate::rig::register_map::Role;
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

/// What is ordered of the main thread.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum OrderKind {
    Identify,
    ReadSettings,
    Apply(Settings),
    Order { order: StarterOrder, ticket: u64 },
    Select(u16),
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Outcome {
    Identity(DeviceIdentity),
    Settings(Settings),
    Record(CommandRecord),
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
    partial: BTreeMap<Role, u16>,
    effort: Effort,
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
        let stream = self.connection.as_ref().map(Connection::stream);
        match self.reactor.wait(stream, self.call(), pause) {
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

    // Connection.

    fn open(&mut self) {
        let timeout = Duration::from_nanos(self.shared.timeout_ns);
        self.opened += 1;
        match Connection::open(&self.reactor, &self.shared.address, timeout, self.opened) {
            Ok(connection) => {
                self.connection = Some(connection);
                self.probe_from_ns = 0;
                self.shared.board.with(|news| news.opened += u64::from(self.seat == Seat::Main || self.opened > 1));
            }
            Err(error) => self.drop_connection(&error),
        }
    }

    fn drop_connection(&mut self, error: &LinkError) {
        self.connection = None;
        self.open_from_ns = self.now_ns() + self.back_off_ns;
        self.back_off_ns = (2 * self.back_off_ns).clamp(BACK_OFF_FIRST_NS, BACK_OFF_MOST_NS);
        for watch in &mut self.watches {
            watch.verified = false;
            watch.partial.clear();
            watch.next_span = 0;
        }
        match self.seat {
            Seat::Main => (0..self.watches.len()).for_each(|unit| {
                let fault = self.shared.units[unit].port_error(LinkError::Down { reason: error.to_string() });
                self.publish_down(unit, fault);
            }),
            Seat::Stops => {
                // The main connection takes over at once.
                self.shared.second_up.store(false, SeqCst);
                self.shared.main_call.notify_one();
            }
        }
    }

    fn publish_down(&self, unit: usize, fault: PortError) {
        let since_wall_ns = self.now_ns();
        self.shared.board.with(|news| {
            let news = &mut news.units[unit];
            let reason = fault.to_string();
            match &mut news.state {
                LinkState::Down { reason: known, .. } => *known = reason,
                up => *up = LinkState::Down { since_wall_ns, reason },
            }
            news.fault = Some(fault);
        });
    }

    fn receive(&mut self) {
        let received = self.connection.as_mut().map(Connection::receive);
        if let Some(Err(error)) = received {
            self.shared.board.with(|news| news.count_fault(&error));
            self.drop_connection(&error);
        }
    }

    /// Ask once. Stops are served while the answer is out.
    fn ask(&mut self, unit: u8, request: &Request) -> Result<Answer, LinkError> {
        let sent_ns = self.now_ns();
        let deadline_ns = sent_ns + self.shared.timeout_ns;
        let Some(connection) = self.connection.as_mut() else { return Err(LinkError::given_up()) };
        let serial = connection.serial;
        let transaction = match connection.send(unit, request) {
            Ok(transaction) => transaction,
            Err(error) => return Err(self.lose(error)),
        };
        loop {
            let Some(connection) = self.connection.as_mut().filter(|connection| connection.serial == serial) else {
                return Err(LinkError::given_up());
            };
            if let Some(answer) = connection.take(transaction) {
                return self.answered(sent_ns, answer.map_err(LinkError::Frame));
            }
            let now_ns = self.now_ns();
            if now_ns >= deadline_ns {
                return Err(self.lose(LinkError::Timeout { timeout_ms: self.shared.timeout_ns / 1_000_000 }));
            }
            self.await_bytes(now_ns, deadline_ns);
        }
    }

    fn await_bytes(&mut self, now_ns: u64, deadline_ns: u64) {
        let until_ns = deadline_ns.min(self.next_stop_ns().unwrap_or(u64::MAX));
        let pause = Duration::from_nanos(until_ns.saturating_sub(now_ns));
        let stream = self.connection.as_ref().map(Connection::stream);
        match self.reactor.wait(stream, self.call(), pause) {
            Woken::Ready => self.receive(),
            Woken::Called | Woken::TimedOut => self.serve_stops(),
        }
    }

    fn answered(&self, sent_ns: u64, answer: Result<Answer, LinkError>) -> Result<Answer, LinkError> {
        let took_ns = self.now_ns().saturating_sub(sent_ns);
        self.shared.board.with(|news| {
            news.latency(took_ns);
            if let Err(error) = &answer {
                news.count_fault(error);
            }
        });
        answer
    }

    fn lose(&mut self, error: LinkError) -> LinkError {
        if error.costs_connection() {
            self.shared.board.with(|news| news.count_fault(&error));
            self.drop_connection(&error);
        }
        error
    }

    // Who is there.

    fn unit_to_verify(&self, now_ns: u64) -> Option<usize> {
        self.watches.iter().position(|watch| !watch.verified && now_ns >= watch.ask_from_ns)
    }

    fn verify(&mut self, unit: usize) -> Result<DeviceIdentity, PortError> {
        let shared = Arc::clone(&self.shared);
        let found = shared.units[unit].identify(&mut Bare(self));
        let now_ns = self.now_ns();
        let watch = &mut self.watches[unit];
        match &found {
            Ok(identity) => {
                watch.verified = true;
                watch.silent_ns = 0;
                watch.poll_from_ns = now_ns;
                self.back_off_ns = 0;
                shared.stops_call.notify_one();
                shared.board.with(|news| {
                    news.units[unit].identity = Some(identity.clone());
                    news.units[unit].state = LinkState::Up;
                    news.units[unit].fault = None;
                });
            }
            Err(error) => {
                watch.verified = false;
                watch.silent_ns = (2 * watch.silent_ns).clamp(SILENT_FIRST_NS, SILENT_MOST_NS);
                watch.ask_from_ns = now_ns + watch.silent_ns;
                self.publish_down(unit, error.clone());
            }
        }
        found
    }

    /// The second connection: open, and answered by the right device?
    fn probe(&mut self) {
        self.probe_from_ns = self.now_ns() + PROBE_NS;
        let shared = Arc::clone(&self.shared);
        let Some(unit) = shared.units.iter().find(|unit| unit.known.load(SeqCst)) else {
            return;
        };
        let answers = unit.identify(&mut Bare(self)).is_ok() && self.connection.is_some();
        if answers {
            self.back_off_ns = 0;
        }
        if shared.second_up.swap(answers, SeqCst) != answers {
            shared.board.with(|_| ());
        }
    }

    // Orders.

    fn refuse_orders(&mut self) {
        while let Ok(order) = self.orders.try_recv() {
            if order.claim.take() {
                let _ = order.reply.try_send(Err(self.fault_of(order.unit)));
            }
        }
    }

    fn fault_of(&self, unit: usize) -> PortError {
        let down = || self.shared.units[unit].port_error(LinkError::Down { reason: "not connected yet".into() });
        self.shared.board.look(|news| news.units[unit].fault.clone()).unwrap_or_else(down)
    }

    fn execute(&mut self, order: Order) {
        if order.claim.take() {
            let outcome = self.carry_out(order.unit, &order.kind);
            let _ = order.reply.try_send(outcome);
        }
    }

    fn carry_out(&mut self, index: usize, kind: &OrderKind) -> Result<Outcome, PortError> {
        if *kind == OrderKind::Identify {
            return self.verify(index).map(Outcome::Identity);
        }
        if !self.watches[index].verified {
            return Err(self.fault_of(index));
        }
        let shared = Arc::clone(&self.shared);
        let unit = &shared.units[index];
        let wire = &mut Retrying { thread: self, index };
        match kind {
            OrderKind::Identify | OrderKind::ReadSettings => unit.read_settings(wire).map(Outcome::Settings),
            OrderKind::Apply(settings) => unit.apply_settings(wire, settings).map(Outcome::Settings),
            OrderKind::Order { order: StarterOrder::Start, ticket } => unit.start(wire, *ticket).map(Outcome::Record),
            OrderKind::Order { order: StarterOrder::Reset, .. } => unit.reset(wire).map(Outcome::Record),
            OrderKind::Select(position) => unit.select(wire, *position).map(Outcome::Record),
        }
    }

    // Heartbeat and polls.

    fn is_alive(&self, unit: &Unit, now_ns: u64) -> bool {
        let alive_ns = unit.alive_ns.load(SeqCst);
        alive_ns != 0 && now_ns.saturating_sub(alive_ns) <= ALIVE_FOR_NS
    }

    fn beat_due(&self, now_ns: u64) -> Option<usize> {
        let due = |index: &usize| {
            let watch = &self.watches[*index];
            watch.verified && now_ns >= watch.beat_from_ns && self.is_alive(&self.shared.units[*index], now_ns)
        };
        (0..self.watches.len()).find(due)
    }

    fn beat(&mut self, index: usize, now_ns: u64) {
        self.watches[index].beat_from_ns = now_ns + self.shared.beat_ns;
        let shared = Arc::clone(&self.shared);
        // A beat that fails shows in the starter's own timer and in the link state; the next one is due soon.
        let _ = shared.units[index].beat(&mut Bare(self));
    }

    fn poll_due(&self, now_ns: u64) -> Option<usize> {
        let due = |index: &usize| {
            let watch = &self.watches[*index];
            watch.verified && now_ns >= watch.poll_from_ns && !self.shared.units[*index].polls.is_empty()
        };
        (0..self.watches.len()).filter(due).min_by_key(|index| self.watches[*index].poll_from_ns)
    }

    /// One span of a unit's poll: orders and heartbeats get in between.
    fn poll(&mut self, index: usize) {
        let shared = Arc::clone(&self.shared);
        let unit = &shared.units[index];
        let begun_ns = self.now_ns();
        let mut partial = std::mem::take(&mut self.watches[index].partial);
        let step = self.watches[index].next_span;
        let read = match unit.polls.get(step) {
            Some(span) => unit.read_span(&mut Bare(self), span, &mut partial),
            None => Ok(()),
        };
        if let Err(error) = read {
            return self.poll_failed(index, begun_ns, error);
        }
        if step + 1 < unit.polls.len() {
            self.watches[index].partial = partial;
            self.watches[index].next_span = step + 1;
            return;
        }
        self.watches[index].next_span = 0;
        self.watches[index].poll_from_ns = begun_ns + shared.poll_ns;
        let at_wall_ns = self.now_ns();
        shared.board.with(|news| {
            let news = &mut news.units[index];
            news.status = Some(unit.status(at_wall_ns, &partial));
            news.values = Some((at_wall_ns, partial.into_iter().collect()));
        });
    }

    fn poll_failed(&mut self, index: usize, begun_ns: u64, error: PortError) {
        let watch = &mut self.watches[index];
        watch.next_span = 0;
        watch.poll_from_ns = begun_ns + self.shared.poll_ns;
        if matches!(error, PortError::Timeout { .. }) {
            watch.silent_ns = (2 * watch.silent_ns).clamp(SILENT_FIRST_NS, SILENT_MOST_NS);
            watch.ask_from_ns = begun_ns + watch.silent_ns;
        }
        if !matches!(error, PortError::Refused { .. }) {
            self.publish_down(index, error);
        }
    }

    // Stops.

    /// From when on this thread may send a stop that is wanted.
    fn stop_from_ns(&self, wanted: Wanted) -> u64 {
        let leave_to_other = self.seat == Seat::Main && self.shared.second_up.load(SeqCst);
        if leave_to_other { wanted.asked_ns + STOP_TAKE_OVER_NS } else { 0 }
    }

    fn slot_due_ns(&self, index: usize) -> Option<u64> {
        let wanted = self.shared.units[index].slot.as_ref()?.wanted()?;
        self.watches[index].effort.due_ns(wanted, self.stop_from_ns(wanted))
    }

    fn next_stop_ns(&self) -> Option<u64> {
        (0..self.watches.len()).filter_map(|index| self.slot_due_ns(index)).min()
    }

    fn serve_stops(&mut self) {
        for index in 0..self.watches.len() {
            if self.slot_due_ns(index).is_some_and(|due_ns| due_ns <= self.now_ns()) {
                let shared = Arc::clone(&self.shared);
                if let Some((slot, wanted)) = shared.units[index].slot.as_ref().and_then(|s| Some((s, s.wanted()?))) {
                    self.attempt(index, slot, wanted);
                }
            }
        }
    }

    fn attempt(&mut self, index: usize, slot: &StopSlot, wanted: Wanted) {
        let shared = Arc::clone(&self.shared);
        let unit = &shared.units[index];
        let now_ns = self.now_ns();
        let last_word = slot.starts_are_over(now_ns);
        let fresh = self.watches[index].effort.is_fresh(wanted);
        let before = self.watches[index].effort.begin(wanted, now_ns);
        if fresh {
            let delay_ns = now_ns.saturating_sub(wanted.asked_ns);
            shared.board.with(|news| news.stop_delay(delay_ns));
        }
        let accepted = unit.known.load(SeqCst) && self.send_stop(unit, wanted, &slot.cause());
        self.watches[index].effort.end(before);
        if accepted && last_word {
            if !slot.settle(wanted) {
                self.watches[index].effort.renew();
            }
        } else if self.now_ns() >= wanted.asked_ns + STOP_GIVE_UP_NS {
            self.give_up_stop(unit, slot, wanted);
        }
    }

    /// Send a stop, at once on a new connection when the present one is lost over it; no back-off counts here.
    fn send_stop(&mut self, unit: &Unit, wanted: Wanted, cause: &str) -> bool {
        for _ in 0..2 {
            if self.connection.is_none() {
                self.open();
            }
            if self.connection.is_none() {
                return false;
            }
            self.shared.board.with(|news| news.stops_sent += 1);
            if unit.stop_once(&mut Bare(self), wanted, cause) {
                return true;
            }
            if self.connection.is_some() {
                return false;
            }
        }
        false
    }

    fn give_up_stop(&self, unit: &Unit, slot: &StopSlot, wanted: Wanted) {
        let what = format!("{}: stop given up, no status read showed it accepted ({})", unit.name, slot.cause());
        let sent_wall_ns = self.now_ns();
        slot.record(CommandRecord { sent_wall_ns, answered_wall_ns: None, what, wrote: 0, read_back: None });
        slot.settle(wanted);
    }
}

/// The bus with every request asked once.
struct Bare<'a>(&'a mut BusThread);

impl Wire for Bare<'_> {
    fn transact(&mut self, unit: u8, request: &Request) -> Result<Answer, LinkError> {
        self.0.ask(unit, request)
    }
    fn now_ns(&self) -> u64 {
        self.0.now_ns()
    }
    fn pause(&mut self, time: Duration) {
        self.0.pause(time);
    }
}

/// The bus for orders: a read whose connection was lost is asked once more on a new connection, after the device has
/// said again who it is.
struct Retrying<'a> {
    thread: &'a mut BusThread,
    index: usize,
}

impl Wire for Retrying<'_> {
    fn transact(&mut self, unit: u8, request: &Request) -> Result<Answer, LinkError> {
        match self.thread.ask(unit, request) {
            Err(error) if request.is_read() && error.costs_connection() => {
                if self.thread.connection.is_none() {
                    self.thread.open();
                }
                match self.thread.verify(self.index) {
                    Ok(_) => self.thread.ask(unit, request),
                    Err(_) => Err(error),
                }
            }
            answer => answer,
        }
    }
    fn now_ns(&self) -> u64 {
        self.thread.now_ns()
    }
    fn pause(&mut self, time: Duration) {
        self.thread.pause(time);
    }
}

impl BusThread {
    fn now_ns(&self) -> u64 {
        self.shared.clock.now_ns()
    }

    fn pause(&mut self, time: Duration) {
        let until_ns = self.now_ns() + u64::try_from(time.as_nanos()).unwrap_or(u64::MAX);
        while self.now_ns() < until_ns && self.connection.is_some() {
            let now_ns = self.now_ns();
            self.await_bytes(now_ns, until_ns);
        }
    }
}
