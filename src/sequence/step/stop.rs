//! `do = "stop"`: stop the motor, `how` = `"ramp"`, `"coast"` or `"contactor-off"` (else the starter's ordinary way), and see
//! how sure it is. A stop that needs more than its first stage ends the run.

use super::{Next, Output, Phase, Turn};
use crate::rig::model::LATER_STAGE_S;
use crate::rig::reader::Cursor;
use crate::sequence::machine::Command;
use crate::sequence::marks::MarkKind;
use crate::sequence::ports::StopOutcome;
use crate::sequence::stopping::{Evidence, StopTurn, Stopping};
use crate::starters::StopKind;

/// Time beyond the ramp for a stop by ramp to be confirmed, s.
pub const RAMP_MARGIN_S: f64 = 5.0;

/// A stop.
#[derive(Debug, Clone, PartialEq)]
pub struct Stop {
    /// Starter that runs.
    pub starter: usize,
    /// Kind.
    pub kind: StopKind,
    /// Time for it, s.
    pub time_s: f64,
}

impl Stop {
    /// `starter`, its ordinary `kind` and the time it takes to stop by its ramp are those of the start before this step.
    pub(crate) fn read(table: &Cursor<'_>, starter: usize, ordinary: StopKind, ramp_down_s: f64) -> Self {
        let words = [("ramp", StopKind::Ramp), ("coast", StopKind::Coast), ("contactor-off", StopKind::ContactorOff)];
        let kind = table.word("how", &words).unwrap_or(ordinary);
        Self { starter, kind, time_s: stage_time_s(kind, ramp_down_s) }
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        let Phase::Stopping(stopping, marked) = phase else {
            out.commands.push(self.order(self.kind, "step"));
            return Next::Stay(Phase::Stopping(
                Stopping::begin(self.kind, (self.time_s, LATER_STAGE_S), turn.now_s),
                false,
            ));
        };
        let mark = if marked { None } else { turn.mark_of_order(MarkKind::Stop { cycle: turn.cycle }) };
        let marked = marked || mark.is_some();
        out.marks.extend(mark);
        if !marked {
            return Next::Stay(Phase::Stopping(stopping, marked));
        }
        self.carry_on(turn, stopping, out)
    }

    fn carry_on(&self, turn: &Turn<'_>, mut stopping: Stopping, out: &mut Output) -> Next {
        let evidence = Evidence::of(turn.rules, turn.seen, self.starter);
        match stopping.turn(&evidence, turn.now_s) {
            StopTurn::Wait => Next::Stay(Phase::Stopping(stopping, true)),
            StopTurn::Order(kind) => {
                out.commands.push(self.order(kind, "the stage before was not confirmed in time"));
                Next::Stay(Phase::Stopping(stopping, true))
            }
            StopTurn::End(outcome) => {
                out.commands.push(Command::Outcome { cycle: turn.cycle, outcome, evidence: evidence.in_words() });
                self.end(outcome, &stopping)
            }
        }
    }

    fn end(&self, outcome: StopOutcome, stopping: &Stopping) -> Next {
        let first = words(self.kind);
        if outcome == StopOutcome::NotConfirmed {
            let reason = format!("{outcome}: ordered by {first}");
            return Next::Abort { reason, stop: Some(StopKind::ContactorOff) };
        }
        if stopping.escalated() {
            let last = words(stopping.kind());
            return Next::abort(format!("the stop by {first} took longer than {} s; {outcome} by {last}", self.time_s));
        }
        Next::Done
    }

    fn order(&self, kind: StopKind, cause: &str) -> Command {
        Command::Stop { starter: self.starter, kind, cause: cause.to_owned() }
    }

    pub(super) fn in_words(&self) -> String {
        format!("stop by {}", words(self.kind))
    }
}

/// Time for the first stage of a stop, s.
pub fn stage_time_s(kind: StopKind, ramp_down_s: f64) -> f64 {
    match kind {
        StopKind::Ramp => ramp_down_s + RAMP_MARGIN_S,
        StopKind::Coast | StopKind::ContactorOff => LATER_STAGE_S,
    }
}

/// A kind of stop in words.
pub fn words(kind: StopKind) -> &'static str {
    match kind {
        StopKind::Ramp => "ramp",
        StopKind::Coast => "coast",
        StopKind::ContactorOff => "contactor off",
    }
}
