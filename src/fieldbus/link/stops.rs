//! Stops: who sends them when, again and again until a status read shows them accepted.

use super::super::stop::{STOP_GIVE_UP_NS, STOP_TAKE_OVER_NS, Seat, StopSlot, Wanted};
use super::super::unit::Unit;
use super::BusThread;
use super::line::Bare;
use crate::sequence::ports::CommandRecord;
use std::sync::Arc;
use std::sync::atomic::Ordering::SeqCst;

impl BusThread {
    /// From when on this thread may send a stop that is wanted.
    fn stop_from_ns(&self, wanted: Wanted) -> u64 {
        let leave_to_other = self.seat == Seat::Main && self.shared.second_up.load(SeqCst);
        if leave_to_other { wanted.asked_ns + STOP_TAKE_OVER_NS } else { 0 }
    }

    fn slot_due_ns(&self, index: usize) -> Option<u64> {
        let wanted = self.shared.units[index].slot.as_ref()?.wanted()?;
        self.watches[index].effort.due_ns(wanted, self.stop_from_ns(wanted))
    }

    pub(super) fn next_stop_ns(&self) -> Option<u64> {
        (0..self.watches.len()).filter_map(|index| self.slot_due_ns(index)).min()
    }

    /// True while a stop is due that this thread has not sent yet.
    pub(super) fn fresh_stop_due(&self, now_ns: u64) -> bool {
        (0..self.watches.len()).any(|index| {
            let wanted = self.shared.units[index].slot.as_ref().and_then(|slot| slot.wanted());
            let fresh = wanted.is_some_and(|wanted| self.watches[index].effort.is_fresh(wanted));
            fresh && self.slot_due_ns(index).is_some_and(|due_ns| due_ns <= now_ns)
        })
    }

    pub(super) fn serve_stops(&mut self) {
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
        self.watches[index].stops_begun += 1;
        let accepted = unit.known.load(SeqCst) && self.send_stop(index, wanted, &slot.cause());
        if fresh {
            let delay_ns = now_ns.saturating_sub(wanted.asked_ns);
            shared.board.with(|news| news.stop_delay(delay_ns));
        }
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
    fn send_stop(&mut self, index: usize, wanted: Wanted, cause: &str) -> bool {
        let shared = Arc::clone(&self.shared);
        for _ in 0..2 {
            if self.connection.is_none() {
                self.open();
            }
            if self.connection.is_none() {
                return false;
            }
            let accepted = shared.units[index].stop_once(&mut Bare { thread: self, index }, wanted, cause);
            // After the bytes: whoever holds the board may be waiting for the processor.
            self.shared.board.with(|news| news.stops_sent += 1);
            if accepted {
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
        slot.give_up(wanted);
    }
}
