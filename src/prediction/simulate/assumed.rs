//! What a prediction assumes, in words.

use super::{HALF_GRID, Simulation};
use crate::hydraulics::plant::ShortPipeNote;
use crate::hydraulics::priming::{Priming, Readiness};
use crate::prediction::events::{EventKind, PredictedEvent};
use crate::rig::derived::{condition_words, kink_words, motor_words};
use crate::sequence::marks::Phase;
use crate::starters::settings_in_words;

impl Simulation<'_> {
    pub(super) fn solver_words(&self) -> String {
        let grid = if self.grid.half_grid { HALF_GRID } else { "fixed grid" };
        let friction = if self.grid.unsteady_friction { "unsteady" } else { "quasi-steady" };
        format!("method of characteristics on a {grid}, {friction} friction")
    }

    fn line_ups_in_words(&self) -> String {
        let name = |element: usize| self.rig.network.elements.get(element).map_or("", |element| element.name.as_str());
        let strokes = self.rig.strokes.iter();
        let strokes: Vec<String> =
            strokes.map(|(element, stroke)| format!("{} {} s", name(*element), stroke.time_s)).collect();
        let valves = match strokes.is_empty() {
            true => String::new(),
            false => format!(" but for the whole travel of valves ({})", strokes.join(", ")),
        };
        format!("confirmations and line-ups take no time{valves}; a starter's status is seen at once")
    }

    fn lines_in_words(&self) -> String {
        let line_up = self.script.first_line_up().unwrap_or(0);
        let Some(lines) = self.rig.lines_at_start(line_up).filter(|lines| lines.discharge_drained) else {
            return "the line is full of liquid at rest at the start; no gas comes out of solution".to_owned();
        };
        let suction = if lines.suction_drained {
            ", and so is the suction leg, with the casing charged; air is drawn at constant temperature"
        } else {
            ""
        };
        let shut_in = self.observer.events.iter().any(|event| event.kind == EventKind::AirShutIn);
        let ahead = match shut_in {
            true => "air ahead of it has no way out and is compressed by p V^1.2",
            false => "air ahead of it leaves freely",
        };
        format!(
            "the discharge side is empty at the first start, down to the level the pump draws from{suction}; a filling pipe \
             holds one stiff column with an upright front, {ahead}; later cycles begin with what the \
             cycle before left, unless a line-up step at rest empties the discharge side again"
        )
    }

    /// The reason, where a suction leg that started empty never filled.
    pub(super) fn why_not_primed(&self) -> Option<String> {
        let lines = self.rig.lines_at_start(self.script.first_line_up().unwrap_or(0))?;
        let primed = self.observer.events.iter().any(|event| event.kind == EventKind::Primed);
        if !lines.suction_drained || primed {
            return None;
        }
        let (leg, described) = self.plant.suction_leg()?;
        let ready = Readiness { casing_charged: true, vent_open: self.plant.vent_open() };
        let share = self.fastest_rad_s / self.plant.rated_speed_rad_s()?;
        let liquid = self.plant.network().liquid;
        let obstacle = Priming::new(&leg, &described.air, &liquid).map_or_else(Some, |leg| leg.obstacle(share, ready));
        let reason = obstacle.map_or_else(|| "the run is too short".to_owned(), |why| why.to_string());
        Some(format!("the pump does not prime: {reason}"))
    }

    /// The starter that is used, with every setting and what it is relative to.
    fn starter_words(&self) -> Option<String> {
        let starter = self.rig.starters.get(self.script.starter)?;
        let words = settings_in_words(starter.kind, &starter.settings, &starter.panel).join("; ");
        Some(format!("starter {}, where the sequence sets nothing else: {words}", starter.id))
    }

    fn heat_words(&self) -> String {
        let beyond = |hottest: f64| if hottest > 1.0 + 1e-9 { ", beyond what its maker allows" } else { "" };
        let [cold, hot] = self.hottest;
        format!(
            "the motor begins cold; its starts heat it to {:.0} % of its limit{}; begun hot from long running, to {:.0} %{}",
            100.0 * cold,
            beyond(cold),
            100.0 * hot,
            beyond(hot)
        )
    }

    pub(super) fn assumptions(&self) -> Vec<String> {
        let mut assumptions = vec![
            self.line_ups_in_words(),
            self.lines_in_words(),
            "motor and starters are rested at the beginning; permissives on bench fields hold".to_owned(),
            format!("every channel answers as second order with damping {}", crate::prediction::DAMPING),
        ];
        assumptions.extend(self.rig.assumptions.iter().cloned());
        assumptions.extend(self.notes.iter().cloned());
        assumptions.push(format!("motor: {}", motor_words(self.rig)));
        assumptions.extend(self.starter_words());
        assumptions.extend(condition_words(self.plant.network()));
        assumptions.extend(kink_words(self.plant.network()));
        assumptions.extend(self.plant.short_pipes().iter().map(ShortPipeNote::in_words));
        if self.heat.is_some() {
            assumptions.push(self.heat_words());
        }
        let cavities: Vec<&PredictedEvent> =
            self.observer.events.iter().filter(|event| event.kind == EventKind::CavityOpened).collect();
        if let Some(first) = cavities.first() {
            let mark = if first.phase == Phase::Start { "start" } else { "stop" };
            let others = match cavities.len() {
                1 => String::new(),
                count => format!("; {count} such events in all"),
            };
            assumptions.push(format!(
                "cycle {}, {:.2} s after the {mark}: {}{others}",
                first.cycle, first.after_mark_s, first.text
            ));
        }
        assumptions
    }
}
