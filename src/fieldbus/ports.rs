//! The ports that the executor holds: they put orders in a link's queue, wait for the reply, and read what the bus
//! threads have published.

use super::link::{Claim, LinkShared, Order, OrderKind, Outcome};
use super::stop::StopSlot;
use super::unit::Unit;
use crate::rig::register_map::{Field, Role};
use crate::sequence::ports::{
    BenchPort, CommandRecord, DeviceIdentity, LinkState, PortError, SlowValues, StarterOrder, StarterPort,
    StatusReading, StopLine,
};
use crate::starters::Settings;
use crossbeam_channel::{RecvTimeoutError, Sender};
use std::sync::Arc;
use std::sync::atomic::Ordering::SeqCst;
use std::time::Duration;

/// An order waits at most this long for its turn, then it is withdrawn.
const TURN_WAIT: Duration = Duration::from_secs(2);

/// Way to one unit's link.
#[derive(Clone)]
pub(super) struct Way {
    pub(super) shared: Arc<LinkShared>,
    pub(super) orders: Sender<Order>,
    pub(super) unit: usize,
}

impl Way {
    fn unit(&self) -> &Unit {
        &self.shared.units[self.unit]
    }

    /// Put an order in the queue and wait for its outcome.
    fn order(&self, kind: OrderKind) -> Result<Outcome, PortError> {
        let (reply, outcome) = crossbeam_channel::bounded(1);
        let claim = Claim::default();
        let order = Order { unit: self.unit, kind, claim: claim.clone(), reply };
        self.orders.try_send(order).map_err(|_| self.down("the link's queue is full or closed"))?;
        self.shared.main_call.notify_one();
        match outcome.recv_timeout(TURN_WAIT) {
            Ok(outcome) => outcome,
            Err(RecvTimeoutError::Timeout) if claim.withdraw() => Err(self.down("the bus did not get to it")),
            // Begun: every dialogue has deadlines of its own.
            Err(RecvTimeoutError::Timeout) => {
                outcome.recv().unwrap_or_else(|_| Err(self.down("the bus thread has ended")))
            }
            Err(RecvTimeoutError::Disconnected) => Err(self.down("the bus thread has ended")),
        }
    }

    fn down(&self, reason: &str) -> PortError {
        PortError::LinkDown { address: self.shared.address.clone(), reason: reason.to_owned() }
    }

    fn identify(&self) -> Result<DeviceIdentity, PortError> {
        match self.order(OrderKind::Identify)? {
            Outcome::Identity(identity) => Ok(identity),
            _ => Err(self.down(MIXED_UP)),
        }
    }

    fn settings(&self, kind: OrderKind) -> Result<Settings, PortError> {
        match self.order(kind)? {
            Outcome::Settings(settings) => Ok(settings),
            _ => Err(self.down(MIXED_UP)),
        }
    }

    fn record(&self, kind: OrderKind) -> Result<CommandRecord, PortError> {
        match self.order(kind)? {
            Outcome::Record(record) => Ok(record),
            _ => Err(self.down(MIXED_UP)),
        }
    }

    fn link(&self) -> LinkState {
        self.shared.board.look(|news| news.units[self.unit].state.clone())
    }
}

const MIXED_UP: &str = "the reply belongs to another order";

/// One starter.
pub(super) struct Starter {
    pub(super) way: Way,
    pub(super) slot: Arc<StopSlot>,
}

impl StarterPort for Starter {
    fn identify(&mut self) -> Result<DeviceIdentity, PortError> {
        self.way.identify()
    }

    fn read_settings(&mut self) -> Result<Settings, PortError> {
        self.way.settings(OrderKind::ReadSettings)
    }

    fn apply_settings(&mut self, wanted: &Settings) -> Result<Settings, PortError> {
        self.way.settings(OrderKind::Apply(*wanted))
    }

    fn read_restart(&mut self) -> Result<Vec<String>, PortError> {
        match self.way.order(OrderKind::ReadRestart)? {
            Outcome::Restart(lines) => Ok(lines),
            _ => Err(self.way.down(MIXED_UP)),
        }
    }

    fn clear_run(&mut self) -> Result<Option<CommandRecord>, PortError> {
        match self.way.order(OrderKind::ClearRun)? {
            Outcome::Record(record) => Ok(Some(record)),
            Outcome::Nothing => Ok(None),
            _ => Err(self.way.down(MIXED_UP)),
        }
    }

    fn order(&mut self, order: StarterOrder) -> Result<CommandRecord, PortError> {
        let ticket = self.slot.ticket();
        if order == StarterOrder::Start {
            if !self.slot.may_start(ticket) {
                return Err(self.way.unit().overtaken());
            }
            self.alive(true);
        }
        self.way.record(OrderKind::Order { order, ticket })
    }

    fn status(&self) -> Option<StatusReading> {
        self.way.shared.board.look(|news| news.units[self.way.unit].status)
    }

    fn link(&self) -> LinkState {
        self.way.link()
    }

    fn stop_line(&self) -> Arc<dyn StopLine> {
        Arc::clone(&self.slot) as Arc<dyn StopLine>
    }

    fn alive(&self, well: bool) {
        let shared = &self.way.shared;
        let now_ns = if well { shared.clock.now_ns().max(1) } else { 0 };
        let before_ns = self.way.unit().alive_ns.swap(now_ns, SeqCst);
        if well && now_ns.saturating_sub(before_ns) > super::link::ALIVE_FOR_NS {
            // The bus thread sleeps until its next poll; the first beat is due now.
            shared.main_call.notify_one();
        }
    }
}

/// Devices that are only looked at, in the rig's order.
pub(super) struct Slow {
    pub(super) ways: Vec<(Arc<LinkShared>, usize)>,
}

impl SlowValues for Slow {
    fn newest(&self, device: usize, role: Role) -> Option<(i32, u64)> {
        let (shared, unit) = self.ways.get(device)?;
        let field = *shared.units[*unit].map.field(role)?;
        let (at_ns, raw) = shared.board.look(|news| {
            let (at_ns, values) = news.units[*unit].slow.as_ref()?;
            values.iter().find(|(known, _)| *known == role).map(|(_, raw)| (*at_ns, *raw))
        })?;
        Some((whole(&field, raw), at_ns))
    }
}

/// The whole number of a bit pattern, as counts are kept; one beyond them stays at the end.
pub(super) fn whole(field: &Field, raw: u64) -> i32 {
    // Saturates: a checked rig has whole numbers here.
    field.number(raw) as i32
}

/// The bench unit.
pub(super) struct Bench {
    pub(super) way: Way,
}

impl BenchPort for Bench {
    fn identify(&mut self) -> Result<DeviceIdentity, PortError> {
        self.way.identify()
    }

    fn select(&mut self, position: u16) -> Result<CommandRecord, PortError> {
        self.way.record(OrderKind::Select(Role::TransferSelect, position))
    }

    fn set_line_up(&mut self, number: u16) -> Result<Option<CommandRecord>, PortError> {
        let has_hands = self.way.unit().map.field(Role::LineUpSelect).is_some();
        has_hands.then(|| self.way.record(OrderKind::Select(Role::LineUpSelect, number))).transpose()
    }

    fn warn(&mut self, on: bool) -> Result<Option<CommandRecord>, PortError> {
        let has_output = self.way.unit().map.field(Role::StartWarning).is_some();
        has_output.then(|| self.way.record(OrderKind::Select(Role::StartWarning, u16::from(on)))).transpose()
    }

    fn values(&self) -> Option<(u64, Vec<(Role, u16)>)> {
        self.way.shared.board.look(|news| news.units[self.way.unit].values.clone())
    }

    fn link(&self) -> LinkState {
        self.way.link()
    }
}
