//! `do = "start"`: put the starter on the motor, prove that nothing forbids a start, order it, see it run.
//!
//! Keys: `starter` (else the run's), and settings that differ from the rig file's for this start: `ramp_up`, `ramp_down`,
//! `initial_voltage`, `current_limit`, `speed`.

use super::{Next, Output, Phase, Turn, line_up};
use crate::rig::model::Rig;
use crate::rig::reader::{Cursor, nearest};
use crate::sequence::interlock::{Blocker, in_words, select_blockers, start_blockers};
use crate::sequence::machine::Command;
use crate::sequence::marks::MarkKind;
use crate::sequence::stopping::LEAST_POLLS;
use crate::starters::Settings;
use crate::units::Want;

/// What time alone can clear has this long to do so, beyond the transfer device's dead time, s.
pub const PATIENCE_S: f64 = 10.0;
/// The starter has to report its output on within this time after its answer, s.
pub const RUNNING_WITHIN_S: f64 = 5.0;

/// A start.
#[derive(Debug, Clone, PartialEq)]
pub struct Start {
    /// Starter, index into the rig's.
    pub starter: usize,
    /// Settings in force for it.
    pub settings: Settings,
}

impl Start {
    pub(crate) fn read(table: &Cursor<'_>, rig: &Rig, starter: usize) -> Option<Self> {
        let starter = read_starter(table, rig, starter)?;
        let chosen = rig.starters.get(starter)?;
        let allowed = (&chosen.settings_min, &chosen.settings_max);
        let mut settings = chosen.settings;
        let (least, most) = allowed;
        settings.ramp_up_s = time(table, "ramp_up", settings.ramp_up_s, least.ramp_up_s, most.ramp_up_s);
        settings.ramp_down_s = time(table, "ramp_down", settings.ramp_down_s, least.ramp_down_s, most.ramp_down_s);
        settings.initial_voltage =
            share(table, "initial_voltage", settings.initial_voltage, least.initial_voltage, most.initial_voltage);
        settings.current_limit =
            share(table, "current_limit", settings.current_limit, least.current_limit, most.current_limit);
        settings.speed = share(table, "speed", settings.speed, least.speed, most.speed);
        Some(Self { starter, settings })
    }

    pub(crate) fn advance(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        match phase {
            Phase::Ordered(since_s) => self.answered(turn, since_s, out),
            Phase::Answered(since_s) => self.running(turn, since_s),
            phase => self.before(turn, phase, out),
        }
    }

    fn before(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        let blockers = start_blockers(turn.rules, turn.seen, turn.watch, self.starter, turn.now_s);
        let old = blockers.iter().any(|blocker| matches!(blocker, Blocker::LineUpOld(..)));
        let looked = match (&phase, turn.watch.lined_up) {
            // A line-up that nobody has looked at for too long is looked at again before the start.
            (Phase::Fresh, Some((line_up, _))) if old => Some(line_up::look(turn, Phase::Fresh, line_up, out)),
            (Phase::Looking(_), Some((line_up, _))) => Some(line_up::look(turn, phase.clone(), line_up, out)),
            _ => None,
        };
        if let Some(phase) = looked {
            return Next::Stay(phase.unwrap_or_default());
        }
        if blockers.is_empty() {
            out.commands.push(Command::Start { starter: self.starter, settings: self.settings });
            return Next::Stay(Phase::Ordered(turn.now_s));
        }
        // A hand may still be at the valves, and the bench unit's newest value from before it was.
        let valves_move = blockers.iter().any(|blocker| matches!(blocker, Blocker::LineUpMoved(..)));
        let valves_s = if valves_move { line_up::STANDS_WITHIN_S } else { 0.0 };
        let patience_s = (PATIENCE_S + turn.rules.dead_time_s.unwrap_or(0.0)).max(valves_s);
        if blockers.iter().any(|blocker| !blocker.passes_with_time()) || turn.in_step_s() > patience_s {
            return Next::abort(format!("no start: {}", in_words(&blockers)));
        }
        match (phase, position_needed(&blockers)) {
            (Phase::Fresh, Some(position)) if self.may_select(turn) => {
                out.commands.push(Command::SelectTransfer { position });
                Next::Stay(Phase::Selecting(turn.now_s))
            }
            (phase, _) => Next::Stay(phase),
        }
    }

    fn may_select(&self, turn: &Turn<'_>) -> bool {
        select_blockers(turn.rules, turn.seen, turn.watch, turn.now_s).is_empty()
    }

    fn answered(&self, turn: &Turn<'_>, since_s: f64, out: &mut Output) -> Next {
        match turn.mark_of_order(MarkKind::Start { cycle: turn.cycle }) {
            Some(mark) => {
                out.marks.push(mark);
                Next::Stay(Phase::Answered(turn.now_s))
            }
            None => Next::Stay(Phase::Ordered(since_s)),
        }
    }

    fn running(&self, turn: &Turn<'_>, since_s: f64) -> Next {
        let facts = turn.starter(self.starter);
        if facts.running == Some(true) {
            return Next::Done;
        }
        if turn.now_s - since_s >= RUNNING_WITHIN_S && facts.polls_since_order >= LEAST_POLLS {
            let id = turn.rules.id(self.starter);
            return Next::abort(format!("{id} did not report its output on within {RUNNING_WITHIN_S} s of its answer"));
        }
        Next::Stay(Phase::Answered(since_s))
    }
}

fn position_needed(blockers: &[Blocker]) -> Option<u16> {
    blockers.iter().find_map(|blocker| match blocker {
        Blocker::Position(_, needed) => Some(*needed),
        _ => None,
    })
}

fn read_starter(table: &Cursor<'_>, rig: &Rig, otherwise: usize) -> Option<usize> {
    let Some(wanted) = table.text("starter") else { return (!table.has("starter")).then_some(otherwise) };
    let found = rig.starters.iter().position(|starter| starter.id == wanted.text);
    if found.is_none() {
        let ids: Vec<_> = rig.starters.iter().map(|starter| starter.id.as_str()).collect();
        let hint = nearest(&wanted.text, ids.iter().copied()).map(str::to_owned);
        table.note("starter", format!("{:?}", wanted.text), format!("a starter of the rig: {}", ids.join(", ")), hint);
    }
    found
}

fn time(table: &Cursor<'_>, key: &str, file: Option<f64>, least: Option<f64>, most: Option<f64>) -> Option<f64> {
    let want = Want::TIME_FROM_ZERO.between(least.unwrap_or(0.0), most.unwrap_or(f64::MAX));
    let written = table.quantity(key, &want);
    overlay(table, key, file, written)
}

fn share(table: &Cursor<'_>, key: &str, file: Option<f64>, least: Option<f64>, most: Option<f64>) -> Option<f64> {
    let written = table.number(key, least.unwrap_or(0.0)..=most.unwrap_or(f64::MAX));
    overlay(table, key, file, written)
}

fn overlay(table: &Cursor<'_>, key: &str, file: Option<f64>, written: Option<f64>) -> Option<f64> {
    if written.is_some() && file.is_none() {
        table.note(
            key,
            format!("{key} for a starter without it"),
            "a setting that the starter has in the rig file",
            None,
        );
        return None;
    }
    written.or(file)
}
