//! Stop lines. A [`StopSlot`] is what is wanted of one starter, in atomics, so that [`StopLine::stop`] never waits; the
//! bus threads look at it whenever they are called and keep sending until a status read shows the stop accepted.
//!
//! What is guaranteed, and how:
//! * a stop never waits for a lock: the order is one atomic word (number of calls, hardest kind asked for);
//! * a harder kind replaces a softer one that is under way, never the other way round, until the next start;
//! * a start that was ordered before a stop is not sent after it ([`StopSlot::begin_start`]);
//! * a start whose bytes were out when the stop came cannot win: the stop does not count as accepted while such a start
//!   is in flight or may still lie in the device's buffers, and is sent again.

use crate::clock::WallClock;
use crate::sequence::ports::{CommandRecord, StopLine};
use crate::starters::StopKind;
use crossbeam_channel::{Receiver, Sender};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::SeqCst};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::Notify;

/// A stop that no status read has shown accepted is sent again this often, ns.
pub(super) const STOP_REPEAT_NS: u64 = 50_000_000;
/// The main connection joins in when the second one has not brought a stop home within this time, ns.
pub(super) const STOP_TAKE_OVER_NS: u64 = 50_000_000;
/// No status read has shown the stop accepted for this long: it is given up, unconfirmed, ns.
pub(super) const STOP_GIVE_UP_NS: u64 = 30_000_000_000;
/// The bytes of a start that failed may reach the device for this long after its connection was dropped, ns.
const START_AFTERMATH_NS: u64 = 1_000_000_000;
const CAUSES_KEPT: usize = 16;
const RECORDS_KEPT: usize = 256;

/// Which thread of a link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Seat {
    /// Orders, heartbeat, polls; stops too when there is no second connection or it fails.
    Main,
    /// The second connection: stops only.
    Stops,
}

/// What is wanted, as read at one instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Wanted {
    /// Calls of `stop` so far.
    pub(super) calls: u64,
    /// Hardest kind since the last start.
    pub(super) kind: StopKind,
    /// Wall time of the call that made it pending, ns.
    pub(super) asked_ns: u64,
}

/// See the module's documentation.
pub(super) struct StopSlot {
    clock: Arc<dyn WallClock>,
    calls: Vec<Arc<Notify>>,
    /// Calls so far in the upper bits, rank of the hardest kind since the last start in the lowest eight.
    word: AtomicU64,
    pending: AtomicBool,
    asked_ns: AtomicU64,
    /// Given up while the device did not answer: asked again when it does.
    owed: AtomicBool,
    start_in_flight: AtomicBool,
    start_hazard_until_ns: AtomicU64,
    causes: (Sender<String>, Receiver<String>),
    /// Between the bus threads only; `stop` never touches it.
    cause: Mutex<String>,
    records: Mutex<Vec<CommandRecord>>,
    records_dropped: AtomicU64,
}

fn rank(kind: StopKind) -> u64 {
    match kind {
        StopKind::Ramp => 1,
        StopKind::Coast => 2,
        StopKind::ContactorOff => 3,
    }
}

fn kind_of(word: u64) -> StopKind {
    match word & 0xFF {
        1 => StopKind::Ramp,
        2 => StopKind::Coast,
        _ => StopKind::ContactorOff,
    }
}

impl StopSlot {
    /// A slot that calls the given threads.
    pub(super) fn new(clock: Arc<dyn WallClock>, calls: Vec<Arc<Notify>>) -> Self {
        Self {
            clock,
            calls,
            word: AtomicU64::new(0),
            pending: AtomicBool::new(false),
            asked_ns: AtomicU64::new(0),
            owed: AtomicBool::new(false),
            start_in_flight: AtomicBool::new(false),
            start_hazard_until_ns: AtomicU64::new(0),
            causes: crossbeam_channel::bounded(CAUSES_KEPT),
            cause: Mutex::new(String::new()),
            records: Mutex::new(Vec::new()),
            records_dropped: AtomicU64::new(0),
        }
    }

    /// What is wanted; `None`: nothing is pending.
    pub(super) fn wanted(&self) -> Option<Wanted> {
        if !self.pending.load(SeqCst) {
            return None;
        }
        let word = self.word.load(SeqCst);
        Some(Wanted { calls: word >> 8, kind: kind_of(word), asked_ns: self.asked_ns.load(SeqCst) })
    }

    /// The newest cause given.
    pub(super) fn cause(&self) -> String {
        let mut cause = self.cause.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(newest) = self.causes.1.try_iter().last() {
            *cause = newest;
        }
        cause.clone()
    }

    /// True when no start is in flight or may still arrive: only a stop sent in such a moment can be the last word.
    pub(super) fn starts_are_over(&self, now_ns: u64) -> bool {
        !self.start_in_flight.load(SeqCst) && now_ns >= self.start_hazard_until_ns.load(SeqCst)
    }

    /// The stop that `wanted` describes was shown accepted, or is given up. A call that came in between keeps it
    /// pending; then the result is false.
    pub(super) fn settle(&self, wanted: Wanted) -> bool {
        self.pending.store(false, SeqCst);
        let settled = self.word.load(SeqCst) >> 8 == wanted.calls;
        if !settled {
            self.pending.store(true, SeqCst);
        }
        settled
    }

    /// As [`Self::settle`], for a stop that no status read has shown accepted: it is owed until the device answers again.
    pub(super) fn give_up(&self, wanted: Wanted) {
        self.owed.store(true, SeqCst);
        self.settle(wanted);
    }

    /// A stop was given up while the device did not answer.
    pub(super) fn owes(&self) -> bool {
        self.owed.load(SeqCst)
    }

    /// The device has said who it is: a stop that was given up is sent after all, since no run order may survive a lost link.
    pub(super) fn ask_again(&self) {
        if self.owed.swap(false, SeqCst) && !self.pending.load(SeqCst) {
            self.asked_ns.store(self.clock.now_ns(), SeqCst);
            self.pending.store(true, SeqCst);
            self.calls.iter().for_each(|thread| thread.notify_one());
        }
    }

    /// A number to hand to [`Self::begin_start`]: a stop called after it was drawn prevents the start.
    pub(super) fn ticket(&self) -> u64 {
        self.word.load(SeqCst) >> 8
    }

    /// True while no stop was called since `ticket` was drawn and none is pending.
    pub(super) fn may_start(&self, ticket: u64) -> bool {
        self.ticket() == ticket && !self.pending.load(SeqCst)
    }

    /// Open a start; afterwards stops of any kind begin anew. False: a stop came first, nothing may be sent.
    pub(super) fn begin_start(&self, ticket: u64) -> bool {
        self.start_in_flight.store(true, SeqCst);
        let word = self.word.load(SeqCst);
        let open = !self.pending.load(SeqCst)
            && word >> 8 == ticket
            && self.word.compare_exchange(word, ticket << 8, SeqCst, SeqCst).is_ok();
        self.start_in_flight.store(open, SeqCst);
        open
    }

    /// Close a start. `answered`: every byte of it was answered, so none can still arrive.
    pub(super) fn end_start(&self, answered: bool) {
        if !answered {
            self.start_hazard_until_ns.store(self.clock.now_ns() + START_AFTERMATH_NS, SeqCst);
        }
        self.start_in_flight.store(false, SeqCst);
    }

    /// Keep a record until somebody takes it; the oldest goes when too many lie there.
    pub(super) fn record(&self, record: CommandRecord) {
        let mut records = self.lock_records();
        if records.len() >= RECORDS_KEPT {
            records.remove(0);
            self.records_dropped.fetch_add(1, SeqCst);
        }
        records.push(record);
    }

    /// Records lost because nobody took them.
    pub(super) fn records_dropped(&self) -> u64 {
        self.records_dropped.load(SeqCst)
    }

    fn lock_records(&self) -> MutexGuard<'_, Vec<CommandRecord>> {
        self.records.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl StopLine for StopSlot {
    fn stop(&self, kind: StopKind, cause: &str) {
        let called_ns = self.clock.now_ns();
        // A full channel only loses words, never the order.
        let _ = self.causes.0.try_send(cause.to_owned());
        let call = |word: u64| Some((((word >> 8) + 1) << 8) | (word & 0xFF).max(rank(kind)));
        let _ = self.word.fetch_update(SeqCst, SeqCst, call);
        if !self.pending.load(SeqCst) {
            self.asked_ns.store(called_ns, SeqCst);
        }
        self.pending.store(true, SeqCst);
        for thread in &self.calls {
            thread.notify_one();
        }
    }

    fn take_records(&self) -> Vec<CommandRecord> {
        std::mem::take(&mut *self.lock_records())
    }

    fn let_go(&self) {
        self.owed.store(false, SeqCst);
        self.pending.store(false, SeqCst);
    }
}

/// One thread's part in one slot's stop.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Effort {
    /// Rank of the kind being sent at this moment, 0: none.
    under_way: u64,
    /// Rank of the kind last sent.
    sent: u64,
    last_ns: u64,
    next_ns: u64,
}

impl Effort {
    /// When the stop `wanted` is to be sent (again) by this thread; `None`: it is being sent.
    pub(super) fn due_ns(&self, wanted: Wanted, may_from_ns: u64) -> Option<u64> {
        let rank = rank(wanted.kind);
        if self.under_way >= rank {
            return None;
        }
        Some(if self.is_fresh(wanted) { may_from_ns } else { may_from_ns.max(self.next_ns) })
    }

    /// True while this thread has not sent this stop, or only a softer one.
    pub(super) fn is_fresh(&self, wanted: Wanted) -> bool {
        self.last_ns <= wanted.asked_ns || rank(wanted.kind) > self.sent
    }

    /// Begin an attempt; gives back what to hand to [`Self::end`].
    pub(super) fn begin(&mut self, wanted: Wanted, now_ns: u64) -> u64 {
        let before = self.under_way;
        self.under_way = rank(wanted.kind);
        self.sent = self.under_way;
        self.last_ns = now_ns;
        self.next_ns = now_ns + STOP_REPEAT_NS;
        before
    }

    /// A stop called during the last attempt is owed one of its own.
    pub(super) fn renew(&mut self) {
        self.last_ns = 0;
    }

    /// End an attempt.
    pub(super) fn end(&mut self, before: u64) {
        self.under_way = before;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::ManualClock;

    fn slot() -> (StopSlot, ManualClock) {
        let clock = ManualClock::at(1_000_000_000);
        (StopSlot::new(Arc::new(clock.clone()), Vec::new()), clock)
    }

    #[test]
    fn keeps_the_hardest_kind_until_the_next_start() {
        let (slot, _) = slot();
        assert_eq!(slot.wanted(), None);
        for (ask, expected) in [
            (StopKind::Ramp, StopKind::Ramp),
            (StopKind::ContactorOff, StopKind::ContactorOff),
            (StopKind::Coast, StopKind::ContactorOff),
        ] {
            slot.stop(ask, "test");
            assert_eq!(slot.wanted().map(|wanted| wanted.kind), Some(expected));
        }
        assert!(slot.settle(slot.wanted().unwrap()));
        assert!(slot.begin_start(slot.ticket()));
        slot.end_start(true);
        slot.stop(StopKind::Ramp, "test");
        assert_eq!(slot.wanted().map(|wanted| wanted.kind), Some(StopKind::Ramp));
    }

    #[test]
    fn rejects_a_start_older_than_a_stop_or_beside_a_pending_one() {
        let (slot, _) = slot();
        let ticket = slot.ticket();
        slot.stop(StopKind::Ramp, "test");
        assert!(!slot.begin_start(ticket), "older than the stop");
        assert!(!slot.begin_start(slot.ticket()), "the stop is pending");
        assert!(slot.starts_are_over(0), "a refused start is not in flight");
        assert!(slot.settle(slot.wanted().unwrap()));
        assert!(!slot.begin_start(ticket), "older than the stop, which is over");
        assert!(slot.begin_start(slot.ticket()));
    }

    #[test]
    fn keeps_a_stop_that_was_called_while_the_one_before_was_settled() {
        let (slot, _) = slot();
        slot.stop(StopKind::Ramp, "first");
        let seen = slot.wanted().unwrap();
        slot.stop(StopKind::Ramp, "second");
        assert!(!slot.settle(seen));
        assert!(slot.wanted().is_some());
        assert_eq!(slot.cause(), "second");
    }

    #[test]
    fn takes_no_stop_for_the_last_word_while_a_start_may_still_arrive() {
        let (slot, clock) = slot();
        let now_ns = || clock.now_ns();
        assert!(slot.begin_start(slot.ticket()));
        assert!(!slot.starts_are_over(now_ns()), "in flight");
        slot.end_start(false);
        clock.advance_ns(START_AFTERMATH_NS - 1);
        assert!(!slot.starts_are_over(now_ns()), "its bytes may lie in the device's buffers");
        clock.advance_ns(1);
        assert!(slot.starts_are_over(now_ns()));
        assert!(slot.begin_start(slot.ticket()));
        slot.end_start(true);
        assert!(slot.starts_are_over(now_ns()), "every byte was answered");
    }

    #[test]
    fn sends_at_once_what_is_new_or_harder_and_the_rest_after_the_repeat_time() {
        let (slot, clock) = slot();
        slot.stop(StopKind::Ramp, "test");
        let ramp = slot.wanted().unwrap();
        let mut effort = Effort::default();
        assert_eq!(effort.due_ns(ramp, 0), Some(0), "new");
        let before = effort.begin(ramp, clock.now_ns());
        assert_eq!(effort.due_ns(ramp, 0), None, "under way");
        clock.advance_ns(10);
        slot.stop(StopKind::Coast, "test");
        let coast = slot.wanted().unwrap();
        assert_eq!(effort.due_ns(coast, 0), Some(0), "harder");
        effort.end(before);
        effort.begin(coast, clock.now_ns());
        effort.end(0);
        clock.advance_ns(1);
        assert_eq!(effort.due_ns(coast, 0), Some(1_000_000_010 + STOP_REPEAT_NS), "repeated");
    }

    #[test]
    fn drops_the_oldest_record_and_counts_it_when_nobody_takes_them() {
        let (slot, _) = slot();
        let record = |number: u64| CommandRecord {
            sent_wall_ns: number,
            answered_wall_ns: None,
            what: String::new(),
            wrote: 0,
            read_back: None,
        };
        (0..=RECORDS_KEPT as u64).for_each(|number| slot.record(record(number)));
        assert_eq!(slot.records_dropped(), 1);
        let records = slot.take_records();
        assert_eq!((records.len(), records[0].sent_wall_ns), (RECORDS_KEPT, 1));
    }
}
