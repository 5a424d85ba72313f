//! `do = "silence"`: withhold the heartbeat while the motor runs and see the starter's own loss-of-communication timer stop it.
//! That it does is proven for the session; that it does not ends the run by a stop. The starter latches its fault, so that
//! nothing can be started after this step in the same run.

use super::{Next, Output, Phase, Turn};
use crate::sequence::machine::Command;
use crate::sequence::marks::MarkKind;
use crate::sequence::ports::{Level, StopOutcome};
use crate::sequence::stopping::Evidence;
use crate::starters::StopKind;

/// Beyond the starter's own timer its output may stay on for this long, s: a beat that was on its way, its own scan, polls.
const MARGIN_S: f64 = 2.0;
/// Beyond that the stop may take this long to be confirmed (a starter may ramp), s.
const CONFIRMED_WITHIN_S: f64 = 30.0;

/// A silence.
#[derive(Debug, Clone, PartialEq)]
pub struct Silence {
    /// Starter that runs.
    pub starter: usize,
    /// Its own timer, s.
    pub timer_s: f64,
    /// Time that a ramp of its own may take, s.
    pub ramp_s: f64,
}

impl Silence {
    pub(crate) fn advance(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        match phase {
            Phase::Ordered(since_s) => self.waiting(turn, since_s, out),
            Phase::Answered(since_s) => self.stopping(turn, since_s, out),
            _ => {
                out.commands.push(Command::Silence { starter: self.starter });
                Next::Stay(Phase::Ordered(turn.now_s))
            }
        }
    }

    fn waiting(&self, turn: &Turn<'_>, since_s: f64, out: &mut Output) -> Next {
        let silent_s = turn.now_s - since_s;
        let facts = turn.starter(self.starter);
        if facts.running == Some(false) || (facts.running == Some(true) && facts.fault.is_some_and(|code| code != 0)) {
            out.marks.push(turn.mark_now(MarkKind::Stop { cycle: turn.cycle }));
            let id = turn.rules.id(self.starter);
            let text = format!(
                "loss of communication: {id} acted by itself {silent_s:.2} s after the heartbeat was withheld (its timer {} s)",
                self.timer_s
            );
            out.commands.push(Command::Note { level: Level::Notice, text });
            return Next::Stay(Phase::Answered(turn.now_s));
        }
        if silent_s >= self.timer_s + MARGIN_S {
            return self.failed(turn, "did not stop by itself");
        }
        Next::Stay(Phase::Ordered(since_s))
    }

    fn stopping(&self, turn: &Turn<'_>, since_s: f64, out: &mut Output) -> Next {
        let evidence = Evidence::of(turn.rules, turn.seen, self.starter);
        let outcome = evidence.outcome();
        if outcome == StopOutcome::Confirmed {
            out.commands.push(Command::Outcome { cycle: turn.cycle, outcome, evidence: evidence.in_words() });
            out.commands.push(Command::Proven { starter: self.starter });
            return Next::Done;
        }
        if turn.now_s - since_s >= CONFIRMED_WITHIN_S + self.ramp_s {
            return self.failed(turn, "acted, but its stop was not confirmed");
        }
        Next::Stay(Phase::Answered(since_s))
    }

    fn failed(&self, turn: &Turn<'_>, what: &str) -> Next {
        let id = turn.rules.id(self.starter);
        let reason = format!(
            "{id} {what} within {} s without a heartbeat: its watch over the link protects nobody",
            self.timer_s + MARGIN_S
        );
        Next::Abort { reason, stop: Some(StopKind::Coast) }
    }
}
