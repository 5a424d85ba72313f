//! `do = "speed"`: the running drive goes to another set speed, `to`, or along a `profile` of times and speeds (straight between
//! them, the first at 0 s). It goes from one value to the next by its own ramp; the step ends with the profile, or after `time`
//! where that is longer.
//!
//! ```toml
//! [[step]]
//! do = "speed"
//! to = "80 %"       # of rated frequency
//! time = "5 s"
//! ```

use super::{Next, Output, Phase, Turn};
use crate::rig::model::Rig;
use crate::rig::reader::Cursor;
use crate::sequence::machine::Command;
use crate::starters::StarterKind;
use crate::units::{Dimension, Want};

/// A set speed is written this often at most, s: each is a write on the bus with its read-back.
const EVERY_S: f64 = 0.2;
/// Most points of a profile.
const POINTS: usize = 200;

/// Another set speed, or a course of them.
#[derive(Debug, Clone, PartialEq)]
pub struct Speed {
    /// Starter that runs.
    pub starter: usize,
    /// (time from the beginning of the step, s; share of rated frequency), rising in time, the first at 0 s.
    pub course: Vec<(f64, f64)>,
    /// How long the step lasts, s.
    pub time_s: f64,
}

impl Speed {
    /// `starter` is that of the start before this step.
    pub(crate) fn read(table: &Cursor<'_>, starter: usize, rig: &Rig) -> Option<Self> {
        let chosen = rig.starters.get(starter)?;
        let least = chosen.settings_min.speed.unwrap_or(0.0);
        let most = chosen.settings_max.speed.unwrap_or(f64::MAX);
        let share = Want::from_zero(Dimension::Share, "\"80 %\"").between(least, most);
        let has_own = chosen.panel.set_point.is_some();
        if chosen.kind != StarterKind::VariableSpeed || has_own {
            let found = format!("a set speed for {}, which has none that the program may change", chosen.id);
            let spot = table.here();
            table.document().note(&spot, found, "a drive without a set_point of its own in the rig file", None);
        }
        let to = table.number("to", least..=most);
        let profile = table.pairs("profile", &Want::TIME_FROM_ZERO, &share);
        let time_s = table.quantity("time", &Want::TIME_FROM_ZERO).unwrap_or(0.0);
        if table.has("to") == table.has("profile") {
            let spot = table.here();
            table.document().note(&spot, "not one course of the speed", "to, or profile", None);
            return None;
        }
        let course = if table.has("to") { vec![(0.0, to?)] } else { profile? };
        let rises = course.windows(2).all(|pair| pair[0].0 < pair[1].0);
        let begins = course.first().is_some_and(|(at_s, _)| *at_s == 0.0);
        if !rises || !begins || course.len() > POINTS {
            let allowed = format!("times that rise from 0 s, {POINTS} points at most");
            table.note("profile", "times that do not", allowed, None);
            return None;
        }
        let ends_s = course.last().map_or(0.0, |(at_s, _)| *at_s);
        Some(Self { starter, course, time_s: time_s.max(ends_s) })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        if turn.starter(self.starter).running == Some(false) {
            return Next::abort(format!("{} went off by itself", turn.rules.id(self.starter)));
        }
        let in_step_s = turn.in_step_s();
        let ends = in_step_s >= self.time_s;
        let due = match phase {
            Phase::Counting(written_s) => turn.now_s - written_s >= EVERY_S || ends,
            _ => true,
        };
        let speed = self.at(in_step_s);
        if due && turn.speed != Some(speed) {
            out.commands.push(Command::SetSpeed { starter: self.starter, speed });
        }
        match phase {
            _ if ends => Next::Done,
            Phase::Counting(written_s) if !due => Next::Stay(Phase::Counting(written_s)),
            _ => Next::Stay(Phase::Counting(turn.now_s)),
        }
    }

    /// Set speed at a time of the step, share of rated frequency: straight between the points, the last one after them.
    fn at(&self, time_s: f64) -> f64 {
        let after = self.course.iter().position(|(at_s, _)| *at_s > time_s).unwrap_or(self.course.len());
        match (self.course.get(after.saturating_sub(1)), self.course.get(after)) {
            (Some((from_s, from)), Some((to_s, to))) => from + (to - from) * (time_s - from_s) / (to_s - from_s),
            (Some((_, last)), None) => *last,
            (None, _) => 0.0,
        }
    }

    pub(super) fn in_words(&self) -> String {
        match &self.course[..] {
            [(_, only)] => format!("speed {:.0} %", 100.0 * only),
            course => {
                let ends = [course.first(), course.last()].map(|point| 100.0 * point.map_or(0.0, |(_, speed)| *speed));
                format!("speed {:.0} % to {:.0} % over {} s", ends[0], ends[1], self.time_s)
            }
        }
    }
}
