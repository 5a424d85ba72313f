//! Carrying a stop through: stages with deadlines, and how sure it is that the motor is stopped. Pure.
//!
//! | status (polled after the order) | independent fact | word |
//! |---|---|---|
//! | off | says off | confirmed |
//! | off | none can tell, for [`INFERRED_AFTER_S`] | inferred |
//! | off | says current flows | NOT confirmed (a welded contact looks like this) |
//! | off | another starter of the motor is on | NOT confirmed |
//! | on or unknown | - | NOT confirmed |
//!
//! The echo of the stop command is none of these facts. A sensor that read nothing while a starter reported full speed proves
//! nothing by reading nothing afterwards.

use super::interlock::Rules;
use super::observations::{Observations, StarterFacts};
use super::ports::StopOutcome;
use crate::starters::StopKind;

/// Status alone is accepted as `inferred` after it has said `off` for this long, s.
pub const INFERRED_AFTER_S: f64 = 2.0;
/// Time left to the present stage, and given to each later one, when a person asked twice, s.
pub const HURRY_S: f64 = 1.0;
/// A stage is not over before the starter was asked this often after its order (polls run on wall time, stages on rig
/// time, which may be faster).
pub const LEAST_POLLS: u32 = 3;

/// A contact channel reads closed from here on, share (0 open, 1 closed).
pub const CONTACT_CLOSED: f64 = 0.5;

/// What a fact says of the motor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Says {
    /// Not energised.
    Off,
    /// Energised.
    On,
    /// Cannot tell.
    Nothing,
}

/// Everything that bears on a stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Evidence {
    /// The starter's status.
    pub status: Says,
    /// Fast line-side current.
    pub fast_current: Says,
    /// The device's own current.
    pub device_current: Says,
    /// A fast auxiliary contact.
    pub contact: Says,
    /// Shaft speed (a turning shaft says nothing: it may coast).
    pub shaft: Says,
    /// The other starters of the motor: one that is on is on, all others say nothing of this one.
    pub others: Says,
    /// Its link answers.
    pub link_up: bool,
    /// Polls answered since the order.
    pub polls: u32,
}

impl Evidence {
    /// Evidence on starter `starter`.
    pub fn of(rules: &Rules, seen: &Observations, starter: usize) -> Self {
        let facts = seen.starters.get(starter);
        let current = |value: Option<f64>, dumb: bool| match value {
            Some(ampere) if ampere < rules.current_off_a && dumb => Says::Nothing,
            Some(ampere) if ampere < rules.current_off_a => Says::Off,
            Some(_) => Says::On,
            None => Says::Nothing,
        };
        let other_on = |(index, facts): (usize, &StarterFacts)| {
            index != starter && (facts.running == Some(true) || current(facts.current_a, false) == Says::On)
        };
        Self {
            status: match facts.and_then(|f| f.running) {
                Some(true) => Says::On,
                Some(false) => Says::Off,
                None => Says::Nothing,
            },
            fast_current: current(rules.current_channel.and_then(|c| seen.mean_of(c)), seen.line_current_dumb),
            device_current: current(facts.and_then(|f| f.current_a), facts.is_some_and(|f| f.current_dumb)),
            contact: match rules.contact_channel.and_then(|c| seen.mean_of(c)) {
                Some(closed) if closed >= CONTACT_CLOSED => Says::On,
                Some(_) if !seen.contact_dumb => Says::Off,
                _ => Says::Nothing,
            },
            shaft: match rules.speed_channel.and_then(|c| seen.mean_of(c)) {
                // A tachometer that never moved proves nothing by standing still.
                Some(speed) if speed.abs() < rules.rest_speed_rad_s && seen.shaft_turned => Says::Off,
                _ => Says::Nothing,
            },
            others: if seen.starters.iter().enumerate().any(other_on) { Says::On } else { Says::Nothing },
            link_up: facts.is_some_and(|f| f.link_up),
            polls: facts.map_or(0, |f| f.polls_since_order),
        }
    }

    /// What it amounts to at this instant; `inferred` still has to last.
    pub fn outcome(&self) -> StopOutcome {
        let independent = [self.fast_current, self.device_current, self.contact, self.shaft, self.others];
        if self.status != Says::Off || independent.contains(&Says::On) {
            return StopOutcome::NotConfirmed;
        }
        if independent.contains(&Says::Off) { StopOutcome::Confirmed } else { StopOutcome::Inferred }
    }

    /// Any of the facts says that the motor is on.
    pub fn says_on(&self) -> bool {
        [self.status, self.fast_current, self.device_current, self.contact, self.others].contains(&Says::On)
    }

    /// In words, for the record.
    pub fn in_words(&self) -> String {
        let word = |says| match says {
            Says::Off => "off",
            Says::On => "on",
            Says::Nothing => "unknown",
        };
        let shaft = if self.shaft == Says::Off { "at rest" } else { "turning or unknown" };
        let contact = match self.contact {
            Says::Off => ", contact open",
            Says::On => ", contact closed",
            Says::Nothing => "",
        };
        let others = if self.others == Says::On { ", another starter on" } else { "" };
        format!(
            "status {}, line current {}, device current {}, shaft {shaft}{contact}{others}",
            word(self.status),
            word(self.fast_current),
            word(self.device_current)
        )
    }
}

/// One stage of a stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stage {
    /// Kind of stop ordered.
    pub kind: StopKind,
    /// Time it has, s.
    pub time_s: f64,
}

/// A stop under way.
#[derive(Debug, Clone, PartialEq)]
pub struct Stopping {
    stages: Vec<Stage>,
    stage: usize,
    since_s: f64,
    off_since_s: Option<f64>,
}

/// What to do about it now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StopTurn {
    /// Wait.
    Wait,
    /// The stage ran out of time: order this kind too.
    Order(StopKind),
    /// It is over.
    End(StopOutcome),
}

impl Stopping {
    /// A stop whose first stage (already ordered at `now_s`) has `time_s`; then coast, then contactor off, with `later_s` each.
    pub fn begin(first: StopKind, (time_s, later_s): (f64, f64), now_s: f64) -> Self {
        let mut stages = vec![Stage { kind: first, time_s }];
        stages.extend(
            [StopKind::Coast, StopKind::ContactorOff]
                .into_iter()
                .filter(|kind| strength(*kind) > strength(first))
                .map(|kind| Stage { kind, time_s: later_s }),
        );
        Self { stages, stage: 0, since_s: now_s, off_since_s: None }
    }

    /// Was more than the first stage needed?
    pub fn escalated(&self) -> bool {
        self.stage > 0
    }

    /// Kind of the present stage.
    pub fn kind(&self) -> StopKind {
        self.stages[self.stage].kind
    }

    /// Every deadline shorter; no stage is skipped.
    pub fn hurry(&mut self, now_s: f64) {
        let used_s = now_s - self.since_s;
        for (i, stage) in self.stages.iter_mut().enumerate().skip(self.stage) {
            let time_s = if i == self.stage { used_s + HURRY_S } else { HURRY_S };
            stage.time_s = stage.time_s.min(time_s);
        }
    }

    /// One turn. `now_s` runs on whatever clock the caller gave to [`Stopping::begin`].
    pub fn turn(&mut self, evidence: &Evidence, now_s: f64) -> StopTurn {
        let outcome = evidence.outcome();
        if outcome == StopOutcome::Confirmed {
            return StopTurn::End(outcome);
        }
        let off = outcome == StopOutcome::Inferred;
        self.off_since_s = if off { self.off_since_s.or(Some(now_s)) } else { None };
        if self.off_since_s.is_some_and(|since_s| now_s - since_s >= INFERRED_AFTER_S) {
            return StopTurn::End(StopOutcome::Inferred);
        }
        let asked = evidence.polls >= LEAST_POLLS || !evidence.link_up;
        if off || !asked || now_s - self.since_s < self.stages[self.stage].time_s {
            return StopTurn::Wait;
        }
        if self.stage + 1 == self.stages.len() {
            return StopTurn::End(StopOutcome::NotConfirmed);
        }
        self.stage += 1;
        self.since_s = now_s;
        StopTurn::Order(self.kind())
    }
}

fn strength(kind: StopKind) -> u8 {
    match kind {
        StopKind::Ramp => 0,
        StopKind::Coast => 1,
        StopKind::ContactorOff => 2,
    }
}
