//! `do = "settle"`: wait until every pressure moved by less than `span` in the last second and the shaft is at rest, at most
//! `timeout`; then the result is `not settled` and the run goes on.

use super::{Next, Output, Phase, Turn};
use crate::rig::reader::Cursor;
use crate::sequence::interlock::rest_blocker;
use crate::sequence::machine::Command;
use crate::sequence::marks::MarkKind;
use crate::sequence::ports::Level;
use crate::units::Want;

/// Span when the file does not say, Pa.
const SPAN_PA: f64 = 10_000.0;
/// The last second has to lie wholly in this step, s.
const LEAST_S: f64 = 1.0;

/// A settle.
#[derive(Debug, Clone, PartialEq)]
pub struct Settle {
    /// Longest time, s.
    pub timeout_s: f64,
    /// Largest movement of a pressure in one second, Pa.
    pub span_pa: f64,
}

impl Settle {
    pub(crate) fn read(table: &Cursor<'_>) -> Option<Self> {
        let span_pa = table.quantity("span", &Want::PRESSURE_DIFFERENCE).unwrap_or(SPAN_PA);
        Some(Self { timeout_s: table.need_quantity("timeout", &Want::TIME)?, span_pa })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, out: &mut Output) -> Next {
        if self.quiet(turn) {
            out.marks.push(turn.mark_now(MarkKind::Settled { cycle: turn.cycle }));
            return Next::Done;
        }
        if turn.in_step_s() >= self.timeout_s {
            out.marks.push(turn.mark_now(MarkKind::NotSettled { cycle: turn.cycle }));
            let text = format!("cycle {}: not settled after {} s", turn.cycle, self.timeout_s);
            out.commands.push(Command::Note { level: Level::Notice, text });
            return Next::Done;
        }
        Next::Stay(Phase::Waiting)
    }

    fn quiet(&self, turn: &Turn<'_>) -> bool {
        let still = |&channel: &usize| turn.seen.span_1s.get(channel).is_some_and(|span_pa| *span_pa < self.span_pa);
        turn.in_step_s() >= LEAST_S
            && turn.seen.stream_alive
            && rest_blocker(turn.rules, turn.seen, turn.watch, turn.now_s).is_none()
            && turn.rules.pressure_channels.iter().all(still)
    }
}
