//! `do = "hold"`: let it run for `time`, counted after `"at-speed"` (default) or after `"start"`; the speed has to be reached
//! within `timeout`. At a rig with a control valve the time after `"at-speed"` counts once the valve has had its time to open.

use super::{Next, Phase, Turn};
use crate::rig::reader::Cursor;
use crate::sequence::stopping::LEAST_POLLS;
use crate::units::Want;

/// Time to reach the speed when the file does not say, s, beyond the starter's ramp.
const AT_SPEED_WITHIN_S: f64 = 15.0;

/// A hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Hold {
    /// How long, s.
    pub time_s: f64,
    /// Count from full voltage or set speed, else from the beginning of the step.
    pub after_at_speed: bool,
    /// Time that the control valve has to open before the count begins, s.
    pub opening_s: f64,
    /// Time to reach the speed, s.
    pub timeout_s: f64,
    /// Starter that runs.
    pub starter: usize,
}

impl Hold {
    /// `starter` and `ramp_up_s` are those of the start before this step; `opening_s` is the control valve's time to open.
    pub(crate) fn read(table: &Cursor<'_>, starter: usize, (ramp_up_s, opening_s): (f64, f64)) -> Option<Self> {
        let time_s = table.need_quantity("time", &Want::TIME)?;
        let after_at_speed = table.word("after", &[("at-speed", true), ("start", false)]).unwrap_or(true);
        let timeout_s = table.quantity("timeout", &Want::TIME).unwrap_or(AT_SPEED_WITHIN_S + ramp_up_s);
        let opening_s = if after_at_speed { opening_s } else { 0.0 };
        Some(Self { time_s, after_at_speed, opening_s, timeout_s, starter })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, phase: Phase) -> Next {
        let facts = turn.starter(self.starter);
        let id = turn.rules.id(self.starter);
        if facts.running == Some(false) {
            return Next::abort(format!("{id} went off by itself"));
        }
        if let Phase::Counting(since_s) = phase {
            return if turn.now_s - since_s >= self.time_s { Next::Done } else { Next::Stay(phase) };
        }
        if !self.after_at_speed || facts.at_speed == Some(true) {
            return Next::Stay(Phase::Counting(turn.now_s + self.opening_s));
        }
        if turn.in_step_s() >= self.timeout_s && facts.polls_since_order >= LEAST_POLLS {
            return Next::abort(format!("{id} did not reach its speed within {} s", self.timeout_s));
        }
        Next::Stay(Phase::Waiting)
    }

    pub(super) fn in_words(&self) -> String {
        let after = match (self.after_at_speed, self.opening_s > 0.0) {
            (true, true) => "at speed with the control valve open",
            (true, false) => "at speed",
            (false, _) => "from the start",
        };
        format!("hold {} s {after}", self.time_s)
    }
}
