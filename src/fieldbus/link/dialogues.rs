//! What the main thread does besides stops: asks who is there, carries out orders, beats, polls.

use super::super::LinkError;
use super::super::unit::{Unit, UnitKind};
use super::line::{Bare, Retrying};
use super::{ALIVE_FOR_NS, BusThread, Order, OrderKind, Outcome, PROBE_NS, SILENT_FIRST_NS, SILENT_MOST_NS};
use crate::rig::register_map::Role;
use crate::sequence::ports::{DeviceIdentity, LinkState, PortError, StarterOrder, StopLine as _};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::Ordering::SeqCst;

impl BusThread {
    pub(super) fn unit_to_verify(&self, now_ns: u64) -> Option<usize> {
        self.watches.iter().position(|watch| !watch.verified && now_ns >= watch.ask_from_ns)
    }

    pub(super) fn verify(&mut self, unit: usize) -> Result<DeviceIdentity, PortError> {
        let shared = Arc::clone(&self.shared);
        let found = shared.units[unit].identify(&mut Bare { thread: self, index: unit });
        let now_ns = self.now_ns();
        let watch = &mut self.watches[unit];
        match &found {
            Ok(identity) => {
                watch.verified = true;
                watch.silent_ns = 0;
                watch.poll_from_ns = now_ns;
                self.back_off_ns = 0;
                shared.stops_call.notify_one();
                self.pay_what_is_owed(unit);
                shared.board.with(|news| {
                    news.units[unit].identity = Some(identity.clone());
                    news.units[unit].state = LinkState::Up;
                    news.units[unit].fault = None;
                });
            }
            Err(error) => {
                watch.verified = false;
                watch.silent_ns = (2 * watch.silent_ns).clamp(SILENT_FIRST_NS, SILENT_MOST_NS);
                watch.ask_from_ns = watch.ask_from_ns.max(now_ns + watch.silent_ns);
                self.publish_down(unit, error.clone());
            }
        }
        found
    }

    /// A stop that was given up while the device did not answer goes out now, unless the device, or the bench unit on this
    /// link, says that somebody runs it at local meanwhile: then it is not ours to stop any more.
    fn pay_what_is_owed(&mut self, index: usize) {
        let shared = Arc::clone(&self.shared);
        let unit = &shared.units[index];
        let Some(slot) = unit.slot.as_ref().filter(|slot| slot.owes()) else { return };
        if unit.stands_at_local(&mut Bare { thread: self, index }) || self.bench_stands_at_local() {
            tracing::warn!("{}: a stop was owed; its selector stands at local now, and nothing is sent", unit.name);
            slot.let_go();
        } else {
            slot.ask_again();
        }
    }

    /// What the bench unit's selector says, once it has said who it is; one that does not answer says nothing.
    fn bench_stands_at_local(&mut self) -> bool {
        let shared = Arc::clone(&self.shared);
        let bench = shared.units.iter().enumerate().find(|(_, unit)| matches!(unit.kind, UnitKind::Bench));
        let Some((index, unit)) = bench else { return false };
        let wire = &mut Bare { thread: self, index };
        unit.identify(wire).is_ok() && unit.stands_at_local(wire)
    }

    /// The second connection: open, and answered by the right device?
    pub(super) fn probe(&mut self) {
        self.probe_from_ns = self.now_ns() + PROBE_NS;
        let shared = Arc::clone(&self.shared);
        let Some(index) = shared.units.iter().position(|unit| unit.known.load(SeqCst)) else {
            return;
        };
        let answers =
            shared.units[index].identify(&mut Bare { thread: self, index }).is_ok() && self.connection.is_some();
        if answers {
            self.back_off_ns = 0;
        }
        if shared.second_up.swap(answers, SeqCst) != answers {
            shared.board.with(|_| ());
        }
    }

    // Orders.

    pub(super) fn refuse_orders(&mut self) {
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

    pub(super) fn execute(&mut self, order: Order) {
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
            self.wait_for_trust(index)?;
        }
        let shared = Arc::clone(&self.shared);
        let unit = &shared.units[index];
        let wire = &mut Retrying { thread: self, index };
        match kind {
            OrderKind::Identify | OrderKind::ReadSettings => unit.read_settings(wire).map(Outcome::Settings),
            OrderKind::Apply(settings) => unit.apply_settings(wire, settings).map(Outcome::Settings),
            OrderKind::ReadRestart => unit.read_restart(wire).map(Outcome::Restart),
            OrderKind::ClearRun => unit.clear_run(wire).map(|record| record.map_or(Outcome::Nothing, Outcome::Record)),
            OrderKind::Order { order: StarterOrder::Start, ticket } => unit.start(wire, *ticket).map(Outcome::Record),
            OrderKind::Order { order: StarterOrder::Reset, .. } => unit.reset(wire).map(Outcome::Record),
            OrderKind::Select(role, number) => unit.select(wire, *role, *number).map(Outcome::Record),
        }
    }

    /// On a serial line a device in doubt may be trusted again within moments; on TCP the connection comes first.
    fn wait_for_trust(&mut self, index: usize) -> Result<(), PortError> {
        let known = self.shared.line.is_some() && self.shared.units[index].known.load(SeqCst);
        let is_up = self.shared.board.look(|news| news.units[index].state == LinkState::Up);
        if known && is_up { self.trust_again(index) } else { Err(self.fault_of(index)) }
    }

    // Heartbeat and polls.

    pub(super) fn is_alive(&self, unit: &Unit, now_ns: u64) -> bool {
        let alive_ns = unit.alive_ns.load(SeqCst);
        alive_ns != 0 && now_ns.saturating_sub(alive_ns) <= ALIVE_FOR_NS
    }

    pub(super) fn beat_due(&self, now_ns: u64) -> Option<usize> {
        let due = |index: &usize| {
            let watch = &self.watches[*index];
            watch.verified && now_ns >= watch.beat_from_ns && self.is_alive(&self.shared.units[*index], now_ns)
        };
        (0..self.watches.len()).find(due)
    }

    pub(super) fn beat(&mut self, index: usize, now_ns: u64) {
        self.watches[index].beat_from_ns = now_ns + self.shared.beat_ns;
        let shared = Arc::clone(&self.shared);
        // A beat that fails shows in the starter's own timer and in the link state; the next one is due soon.
        let _ = shared.units[index].beat(&mut Bare { thread: self, index });
    }

    pub(super) fn poll_due(&self, now_ns: u64) -> Option<usize> {
        let due = |index: &usize| {
            let watch = &self.watches[*index];
            watch.verified && now_ns >= watch.poll_from_ns && !self.shared.units[*index].polls.is_empty()
        };
        (0..self.watches.len()).filter(due).min_by_key(|index| self.watches[*index].poll_from_ns)
    }

    /// One span of a unit's poll: orders and heartbeats get in between. On a serial line one more step proves them all;
    /// only then are they published.
    pub(super) fn poll(&mut self, index: usize) {
        let shared = Arc::clone(&self.shared);
        let unit = &shared.units[index];
        let now_ns = self.now_ns();
        let step = self.watches[index].next_span;
        if step == 0 {
            self.watches[index].poll_begun_ns = now_ns;
        }
        let mut partial = std::mem::take(&mut self.watches[index].partial);
        let wire = &mut Bare { thread: self, index };
        let read = match unit.polls.get(step) {
            Some(span) => unit.read_span(wire, span, &mut partial),
            None => unit.prove(wire),
        };
        if let Err(error) = read {
            return self.poll_failed(index, now_ns, error);
        }
        let steps = unit.polls.len() + usize::from(shared.line.is_some());
        if step + 1 < steps {
            self.watches[index].partial = partial;
            self.watches[index].next_span = step + 1;
            return;
        }
        self.watches[index].next_span = 0;
        self.watches[index].poll_from_ns = now_ns + shared.poll_ns;
        // As old as the first of them.
        let at_wall_ns = self.watches[index].poll_begun_ns;
        shared.board.with(|news| {
            let news = &mut news.units[index];
            news.status = Some(unit.status(at_wall_ns, &partial));
            let slow = partial.iter().filter(|(role, _)| Role::VALUES.contains(role));
            news.slow = Some((at_wall_ns, slow.map(|(role, raw)| (*role, *raw)).collect()));
            news.values = Some((at_wall_ns, short(partial)));
        });
    }

    fn poll_failed(&mut self, index: usize, begun_ns: u64, error: PortError) {
        let poll_ns = self.shared.poll_ns;
        let watch = &mut self.watches[index];
        watch.next_span = 0;
        watch.partial.clear();
        watch.poll_from_ns = begun_ns + poll_ns;
        if self.shared.line.is_some() {
            // The device is down when it does not say who it is either.
            self.shared.board.with(|news| news.retries += 1);
            return;
        }
        if matches!(error, PortError::Timeout { .. }) {
            watch.silent_ns = (2 * watch.silent_ns).clamp(SILENT_FIRST_NS, SILENT_MOST_NS);
            watch.ask_from_ns = begun_ns + watch.silent_ns;
        }
        if !matches!(error, PortError::Refused { .. }) {
            self.publish_down(index, error);
        }
    }
}

/// What fits one register; a transfer device's own fields all do.
fn short(values: BTreeMap<Role, u64>) -> Vec<(Role, u16)> {
    values.into_iter().filter_map(|(role, raw)| Some((role, u16::try_from(raw).ok()?))).collect()
}
