//! `do = "hold"`: let it run for `time`, counted after `"at-speed"` (default) or after `"start"`; the speed has to be reached
//! within `timeout`. A `set_point` says what is held meanwhile and which side runs
//! the controller ([`super::held`]). At a rig with a control valve the time after `"at-speed"` counts once the valve has had its time to open.

use super::held::{self, Held};
use super::{Next, Output, Phase, Turn};
use crate::rig::model::Rig;
use crate::rig::reader::Cursor;
use crate::sequence::machine::Command;
use crate::sequence::stopping::LEAST_POLLS;
use crate::starters::set_point::{SetPointControl, SetPointSettings};
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
    /// A set point that is held meanwhile.
    pub held: Option<Held>,
}

impl Hold {
    /// `starter` and `ramp_up_s` are those of the start before this step; `opening_s` is the control valve's time to open.
    pub(crate) fn read(
        table: &Cursor<'_>,
        starter: usize,
        (ramp_up_s, opening_s): (f64, f64),
        rig: &Rig,
    ) -> Option<Self> {
        let held = held::read(table, rig, starter);
        let time_s = table.need_quantity("time", &Want::TIME)?;
        let after_at_speed = table.word("after", &[("at-speed", true), ("start", false)]).unwrap_or(true);
        let timeout_s = table.quantity("timeout", &Want::TIME).unwrap_or(AT_SPEED_WITHIN_S + ramp_up_s);
        let opening_s = if after_at_speed { opening_s } else { 0.0 };
        Some(Self { time_s, after_at_speed, opening_s, timeout_s, starter, held })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        let facts = turn.starter(self.starter);
        let id = turn.rules.id(self.starter);
        if facts.running == Some(false) {
            return Next::abort(format!("{id} went off by itself"));
        }
        if let Phase::Counting(since_s) | Phase::Controlling(since_s, _) = phase {
            let over = turn.now_s - since_s >= self.time_s;
            return if over { Next::Done } else { Next::Stay(self.control(turn, since_s, phase, out)) };
        }
        if !self.after_at_speed || facts.at_speed == Some(true) {
            return Next::Stay(Phase::Counting(turn.now_s + self.opening_s));
        }
        if turn.in_step_s() >= self.timeout_s && facts.polls_since_order >= LEAST_POLLS {
            return Next::abort(format!("{id} did not reach its speed within {} s", self.timeout_s));
        }
        Next::Stay(Phase::Waiting)
    }

    /// The program's controller has its look; it takes over at the first value it sees.
    fn control(&self, turn: &Turn<'_>, since_s: f64, phase: Phase, out: &mut Output) -> Phase {
        let Some(Held::Program { channel, settings }) = &self.held else { return phase };
        let Some(value) = turn.seen.mean_of(*channel).filter(|_| turn.now_s >= since_s) else { return phase };
        let mut control = match phase {
            Phase::Controlling(_, control) => control,
            _ => self.take_over(turn, *settings, value),
        };
        if let Some(speed) = control.look(turn.now_s, value) {
            out.commands.push(Command::SetSpeed { starter: self.starter, speed });
        }
        Phase::Controlling(since_s, control)
    }

    fn take_over(&self, turn: &Turn<'_>, settings: SetPointSettings, value: f64) -> SetPointControl {
        SetPointControl::taking_over(settings, turn.now_s, value, turn.speed.unwrap_or(settings.lowest_speed))
    }

    pub(super) fn in_words(&self) -> String {
        let after = match (self.after_at_speed, self.opening_s > 0.0) {
            (true, true) => "at speed with the control valve open",
            (true, false) => "at speed",
            (false, _) => "from the start",
        };
        let held = match self.held {
            None => "",
            Some(Held::Drive) => ", the drive's own controller at its set point",
            Some(Held::Program { .. }) => ", the program's controller at its set point",
        };
        format!("hold {} s {after}{held}", self.time_s)
    }
}
