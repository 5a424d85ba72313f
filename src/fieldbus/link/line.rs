//! Asking over the wire. On TCP a stop may overtake while an answer is out, and doubt costs the connection. On a serial
//! line there is one transaction at a time, and doubt costs trust:
//!
//! * Before a request the line has been silent for 3.5 characters (the turn-around time, if longer), after doubt for
//!   [`SETTLE_S`](crate::rig::serial_line::SETTLE_S) at least. Bytes that come unasked are doubt about every device.
//! * A stop that is due goes out before anything else once the line is free; a write to the same device that waited
//!   meanwhile is given up.
//! * An RTU frame does not say which request it answers. So every value is proven: the identity register is asked behind
//!   it ([`BusThread::prove`]), and both answers must be the next frame after their request. An old answer that slips in
//!   shifts all others by one, and the identity does not come where it must.
//! * A device that has been late, garbled or talkative may do so again, and an old answer may take the place of one that
//!   is lost. For [`SUSPECT_TIMEOUTS`] after the last doubt every read is asked twice, and both answers must agree
//!   ([`agree`]): an old one could pass only where it says what the new one says.

use super::super::LinkError;
use super::super::connection::Connection;
use super::super::frame::{Answer, Request};
use super::super::reactor::Woken;
use super::super::rtu;
use super::super::stop::Seat;
use super::super::unit::{Measured, Wire};
use super::{BACK_OFF_FIRST_NS, BACK_OFF_MOST_NS, BusThread};
use crate::clock::sleep_wall;
use crate::rig::number_form::NumberForm;
use crate::rig::serial_line::SerialLine;
use crate::sequence::ports::{LinkState, PortError};
use std::sync::Arc;
use std::sync::atomic::Ordering::SeqCst;
use std::time::Duration;

/// A device is suspect for this many time-outs after the last doubt.
const SUSPECT_TIMEOUTS: u64 = 40;
/// Measured values may change between two looks by so many counts of a whole number, or by this share of themselves.
const MEASURED_COUNTS: f64 = 8.0;
const MEASURED_SHARE: f64 = 0.25;
/// A read that is asked twice is given up after so many answers without two equal ones in a row.
const TWICE_TRIES: usize = 4;
/// How often a read of an order is asked in all.
const TCP_TRIES: usize = 2;
const SERIAL_TRIES: usize = 4;
/// Waits up to this long are slept through: the reactor's timer is coarser. A stop waits them out anyway.
const SHORT_WAIT_NS: u64 = 5_000_000;
/// A port on which so many requests in a row brought not one byte is opened again: adapters hang.
const UNHEARD_MOST: u32 = 16;

fn nanoseconds(seconds: f64) -> u64 {
    (seconds * 1e9) as u64
}

impl BusThread {
    pub(super) fn open(&mut self) {
        let timeout = Duration::from_nanos(self.shared.timeout_ns);
        self.opened += 1;
        let shared = Arc::clone(&self.shared);
        match Connection::open(&self.reactor, &shared.address, shared.line.as_ref(), timeout, self.opened) {
            Ok(connection) => {
                self.connection = Some(connection);
                self.probe_from_ns = 0;
                // Whatever was said before we listened must be over.
                self.unsettled = true;
                self.heard_ns = self.now_ns();
                self.unheard = 0;
                self.shared.board.with(|news| news.opened += u64::from(self.seat == Seat::Main || self.opened > 1));
            }
            Err(error) => self.drop_connection(&error),
        }
    }

    pub(super) fn drop_connection(&mut self, error: &LinkError) {
        self.connection = None;
        self.open_from_ns = self.now_ns() + self.back_off_ns;
        self.back_off_ns = (2 * self.back_off_ns).clamp(BACK_OFF_FIRST_NS, BACK_OFF_MOST_NS);
        self.distrust_all();
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

    fn distrust_all(&mut self) {
        for watch in &mut self.watches {
            watch.verified = false;
            watch.partial.clear();
            watch.next_span = 0;
        }
    }

    pub(super) fn publish_down(&self, unit: usize, fault: PortError) {
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

    pub(super) fn receive(&mut self) {
        match self.connection.as_mut().map(Connection::receive) {
            None | Some(Ok(0)) => {}
            Some(Ok(_)) => {
                self.heard_ns = self.now_ns();
                self.unheard = 0;
            }
            Some(Err(error)) => {
                self.shared.board.with(|news| news.count_fault(&error));
                self.drop_connection(&error);
            }
        }
    }

    /// Ask once. On TCP stops are served while the answer is out, on a serial line before the request.
    pub(super) fn ask(&mut self, index: usize, request: &Request) -> Result<Answer, LinkError> {
        let shared = Arc::clone(&self.shared);
        if let Some(line) = &shared.line {
            self.take_turn(index, line, request)?;
        }
        let sent_ns = self.now_ns();
        let Some(connection) = self.connection.as_mut() else { return Err(LinkError::given_up()) };
        let number = connection.number;
        let transaction = match connection.send(shared.units[index].unit, request) {
            Ok(transaction) => transaction,
            Err(error) => return Err(self.lose(index, error)),
        };
        if let Some(line) = &shared.line {
            let bytes = request.pdu().map_or(0, |pdu| pdu.len() + rtu::FRAME_BYTES);
            self.sent_until_ns = sent_ns + nanoseconds(line.bytes_s(bytes));
        }
        let deadline_ns = sent_ns.max(self.sent_until_ns) + shared.timeout_ns;
        loop {
            let Some(connection) = self.connection.as_mut().filter(|connection| connection.number == number) else {
                return Err(LinkError::given_up());
            };
            if let Some(answer) = connection.take(transaction) {
                return self.answered(index, sent_ns, answer.map_err(LinkError::Frame));
            }
            let now_ns = self.now_ns();
            if now_ns >= deadline_ns {
                let error = LinkError::Timeout { timeout_ms: shared.timeout_ns / 1_000_000 };
                return Err(self.lose(index, error));
            }
            self.await_bytes(now_ns, deadline_ns, shared.line.is_none());
        }
    }

    fn await_bytes(&mut self, now_ns: u64, deadline_ns: u64, stops: bool) {
        let stop_ns = if stops { self.next_stop_ns().unwrap_or(u64::MAX) } else { u64::MAX };
        let pause = Duration::from_nanos(deadline_ns.min(stop_ns).saturating_sub(now_ns));
        let handle = self.connection.as_ref().map(Connection::handle);
        match self.reactor.wait(handle, self.call(), pause) {
            Woken::Ready => self.receive(),
            Woken::Called | Woken::TimedOut if stops => self.serve_stops(),
            Woken::Called | Woken::TimedOut => {}
        }
    }

    fn answered(&mut self, index: usize, sent_ns: u64, answer: Result<Answer, LinkError>) -> Result<Answer, LinkError> {
        let took_ns = self.now_ns().saturating_sub(sent_ns);
        self.shared.board.with(|news| news.latency(took_ns));
        match answer {
            Err(error) if error.costs_connection() => Err(self.lose(index, error)),
            Err(error) => {
                self.shared.board.with(|news| news.count_fault(&error));
                Err(error)
            }
            answer => answer,
        }
    }

    fn lose(&mut self, index: usize, error: LinkError) -> LinkError {
        if error.costs_connection() {
            self.shared.board.with(|news| news.count_fault(&error));
            match &error {
                LinkError::Down { .. } => self.drop_connection(&error),
                _ if self.shared.line.is_none() => self.drop_connection(&error),
                _ => self.doubt(index, &error),
            }
        }
        error
    }

    // A serial line.

    /// The device is not believed until its identity has answered, and not asked before a late answer has had its time.
    fn doubt(&mut self, index: usize, error: &LinkError) {
        let (now_ns, timeout_ns) = (self.now_ns(), self.shared.timeout_ns);
        let silent = matches!(error, LinkError::Timeout { .. });
        if let Some(port) = self.connection.as_mut().and_then(Connection::port) {
            port.give_up();
        }
        self.unsettled = true;
        let watch = &mut self.watches[index];
        watch.verified = false;
        watch.partial.clear();
        watch.next_span = 0;
        watch.ask_from_ns = now_ns + if silent { timeout_ns } else { 0 };
        watch.suspect_until_ns = now_ns + SUSPECT_TIMEOUTS * timeout_ns;
        if silent && self.unheard >= UNHEARD_MOST {
            self.drop_connection(&LinkError::Down {
                reason: "not one byte came back, the port is opened again".into(),
            });
        } else if silent {
            self.unheard += 1;
        }
    }

    /// Wait until the line is free and every stop that is due has gone out.
    fn take_turn(&mut self, index: usize, line: &SerialLine, request: &Request) -> Result<(), LinkError> {
        let stops_before = self.watches[index].stops_begun;
        let mut repeats_served = false;
        loop {
            self.clear_line(line)?;
            let now_ns = self.now_ns();
            let repeat = !repeats_served && self.next_stop_ns().is_some_and(|due_ns| due_ns <= now_ns);
            if !repeat && !self.fresh_stop_due(now_ns) {
                break;
            }
            repeats_served = true;
            self.serve_stops();
        }
        if !request.is_read() && self.watches[index].stops_begun != stops_before {
            return Err(LinkError::Overtaken);
        }
        Ok(())
    }

    /// A turn for an order: none while the device is distrusted.
    fn trusted_turn(&mut self, index: usize, request: &Request) -> Result<(), LinkError> {
        let shared = Arc::clone(&self.shared);
        let Some(line) = &shared.line else { return Ok(()) };
        self.take_turn(index, line, request)?;
        if self.watches[index].verified { Ok(()) } else { Err(LinkError::Distrusted) }
    }

    /// Listen until the line has been silent long enough. A line that never falls silent is used after one time-out all
    /// the same: a stop must be tried.
    pub(super) fn clear_line(&mut self, line: &SerialLine) -> Result<(), LinkError> {
        let give_up_ns = self.now_ns() + self.shared.timeout_ns;
        loop {
            self.receive();
            self.look_at_strays()?;
            let rest_s = if self.unsettled { line.settle_s() } else { line.rest_s() };
            let free_ns = self.heard_ns.max(self.sent_until_ns) + nanoseconds(rest_s);
            let now_ns = self.now_ns();
            if now_ns >= free_ns || now_ns >= give_up_ns {
                self.unsettled = false;
                return Ok(());
            }
            match free_ns.min(give_up_ns) - now_ns {
                short_ns if short_ns <= SHORT_WAIT_NS => sleep_wall(Duration::from_nanos(short_ns)),
                _ => self.await_bytes(now_ns, free_ns.min(give_up_ns), false),
            }
        }
    }

    fn look_at_strays(&mut self) -> Result<(), LinkError> {
        let Some(port) = self.connection.as_mut().and_then(Connection::port) else {
            return Err(LinkError::given_up());
        };
        let bytes = port.take_strays();
        if bytes > 0 {
            self.shared.board.with(|news| news.stray_bytes += bytes as u64);
            self.unsettled = true;
            self.distrust_all();
            let until_ns = self.now_ns() + SUSPECT_TIMEOUTS * self.shared.timeout_ns;
            self.watches.iter_mut().for_each(|watch| watch.suspect_until_ns = until_ns);
        }
        Ok(())
    }

    /// As [`Self::ask`]; a suspect device is asked twice. `measured`: places of measured values in the answer.
    pub(super) fn ask_surely(
        &mut self,
        index: usize,
        request: &Request,
        measured: &[Measured],
    ) -> Result<Answer, LinkError> {
        let mut answer = self.ask(index, request)?;
        if self.shared.line.is_none() || !request.is_read() || self.watches[index].suspect_until_ns <= self.now_ns() {
            return Ok(answer);
        }
        for _ in 0..TWICE_TRIES {
            self.shared.board.with(|news| news.retries += 1);
            let again = self.ask(index, request)?;
            if agree(&answer, &again, measured) {
                return Ok(again);
            }
            answer = again;
        }
        Err(LinkError::Unsteady)
    }

    /// Prove that what was read since the last proof is new: the identity must come where it is asked for. Nothing to do
    /// on TCP, where every answer names its request.
    pub(super) fn prove(&mut self, index: usize) -> Result<(), LinkError> {
        if self.shared.line.is_none() {
            return Ok(());
        }
        let shared = Arc::clone(&self.shared);
        let Some(challenge) = &shared.units[index].challenge else { return Ok(()) };
        let Answer::Values(values) = self.ask_surely(index, &challenge.request, &[])? else { return Ok(()) };
        let found = values.get(challenge.at).copied().unwrap_or(0);
        if found == challenge.expected {
            return Ok(());
        }
        let error = LinkError::Unproven { found, expected: challenge.expected };
        Err(self.lose(index, error))
    }

    /// After doubt: wait until the device may be asked, then ask who it is.
    pub(super) fn trust_again(&mut self, index: usize) -> Result<(), PortError> {
        if self.shared.line.is_some() {
            let wait_ns = self.watches[index].ask_from_ns.saturating_sub(self.now_ns());
            self.pause(Duration::from_nanos(wait_ns));
        }
        self.verify(index).map(drop)
    }

    pub(super) fn pause(&mut self, time: Duration) {
        let until_ns = self.now_ns() + u64::try_from(time.as_nanos()).unwrap_or(u64::MAX);
        while self.now_ns() < until_ns && self.connection.is_some() {
            let now_ns = self.now_ns();
            self.await_bytes(now_ns, until_ns, true);
        }
    }
}

/// Two looks at the same registers agree when they are equal, measured values when they are near each other.
fn agree(one: &Answer, two: &Answer, measured: &[Measured]) -> bool {
    let (Answer::Values(one), Answer::Values(two)) = (one, two) else { return one == two };
    let of_measured = |place: usize| {
        measured.iter().any(|value| (value.at..value.at + usize::from(value.field.registers())).contains(&place))
    };
    let equal = |(place, (a, b)): (usize, (&u16, &u16))| a == b || of_measured(place);
    one.len() == two.len()
        && one.iter().zip(two).enumerate().all(equal)
        && measured.iter().all(|value| near(value, one, two))
}

fn near(value: &Measured, one: &[u16], two: &[u16]) -> bool {
    let raw = |words: &[u16]| value.field.gather(words.get(value.at..).unwrap_or(&[]));
    let (a, b) = (value.field.number(raw(one)), value.field.number(raw(two)));
    let counts = if value.field.form == NumberForm::F32 { 0.0 } else { MEASURED_COUNTS };
    raw(one) == raw(two) || (a - b).abs() <= counts.max(MEASURED_SHARE * a.abs().max(b.abs()))
}

/// The bus with every request asked once.
pub(super) struct Bare<'a> {
    pub(super) thread: &'a mut BusThread,
    pub(super) index: usize,
}

impl Wire for Bare<'_> {
    fn transact(&mut self, request: &Request, measured: &[Measured]) -> Result<Answer, LinkError> {
        self.thread.ask_surely(self.index, request, measured)
    }
    fn prove(&mut self) -> Result<(), LinkError> {
        self.thread.prove(self.index)
    }
    fn now_ns(&self) -> u64 {
        self.thread.now_ns()
    }
    fn pause(&mut self, time: Duration) {
        self.thread.pause(time);
    }
}

/// The bus for orders: a read that was lost is asked once more (on TCP on a new connection), after the device has said
/// again who it is.
pub(super) struct Retrying<'a> {
    pub(super) thread: &'a mut BusThread,
    pub(super) index: usize,
}

impl Retrying<'_> {
    fn read(&mut self, request: &Request, measured: &[Measured]) -> Result<Answer, LinkError> {
        let answer = self.thread.ask_surely(self.index, request, measured);
        if matches!(&answer, Err(error) if error.costs_connection()) {
            return answer;
        }
        self.thread.prove(self.index)?;
        answer
    }

    fn recover(&mut self) -> Result<(), PortError> {
        self.thread.shared.board.with(|news| news.retries += 1);
        if self.thread.connection.is_none() {
            self.thread.open();
        }
        self.thread.trust_again(self.index)
    }
}

impl Wire for Retrying<'_> {
    fn transact(&mut self, request: &Request, measured: &[Measured]) -> Result<Answer, LinkError> {
        if !request.is_read() {
            self.thread.trusted_turn(self.index, request)?;
            return self.thread.ask(self.index, request);
        }
        let tries = if self.thread.shared.line.is_some() { SERIAL_TRIES } else { TCP_TRIES };
        let mut read = self.read(request, measured);
        for _ in 1..tries {
            match &read {
                Err(error) if error.costs_connection() && self.recover().is_ok() => {}
                _ => break,
            }
            read = self.read(request, measured);
        }
        read
    }
    /// Each read is proven as it is made.
    fn prove(&mut self) -> Result<(), LinkError> {
        Ok(())
    }
    fn now_ns(&self) -> u64 {
        self.thread.now_ns()
    }
    fn pause(&mut self, time: Duration) {
        self.thread.pause(time);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::register_map::{Field, Table};

    #[test]
    fn law_only_measured_values_may_differ_between_two_looks() {
        let values = |values: [u16; 2]| Answer::Values(values.to_vec());
        let signed = Field { form: NumberForm::I16, ..Field::plain(Table::Input, 0) };
        let second = [Measured { at: 1, field: signed }];
        assert!(agree(&values([1, 100]), &values([1, 100]), &[]));
        assert!(!agree(&values([1, 100]), &values([1, 101]), &[]));
        assert!(agree(&values([1, 100]), &values([1, 125]), &second));
        assert!(!agree(&values([1, 100]), &values([1, 140]), &second), "too far");
        assert!(!agree(&values([1, 100]), &values([2, 100]), &second), "a status");
        assert!(agree(&values([1, 3]), &values([1, 65534]), &second), "3 and -2");
        assert!(!agree(&Answer::Written, &values([0, 0]), &[]));
        let float = Field { form: NumberForm::F32, ..Field::plain(Table::Input, 0) };
        let wide = [Measured { at: 0, field: float }];
        let of = |number: f32| Answer::Values(float.spread(u64::from(number.to_bits())));
        assert!(agree(&of(12.0), &of(12.5), &wide) && !agree(&of(12.0), &of(17.0), &wide));
    }
}
