//! Valves that a line-up step moves while the water runs: each takes the time of its travel.

use crate::rig::model::Rig;
use crate::starters::control_valve::Stroke;

/// Valves under way, and how all others stand.
#[derive(Debug, Clone, Default)]
pub(super) struct Strokes {
    under_way: Vec<Move>,
    /// Last opening ordered, by element.
    stands: Vec<(usize, f64)>,
}

#[derive(Debug, Clone)]
struct Move {
    element: usize,
    from: f64,
    to: f64,
    begun_s: f64,
    stroke: Stroke,
}

impl Move {
    /// Opening at a time, s; the way takes its share of the whole travel.
    fn opening(&self, now_s: f64) -> f64 {
        let way = self.to - self.from;
        let share = (now_s - self.begun_s) / (self.stroke.time_s * way.abs()).max(f64::MIN_POSITIVE);
        self.from + way * self.stroke.law.done(share)
    }

    fn has_ended(&self, now_s: f64) -> bool {
        now_s - self.begun_s >= self.stroke.time_s * (self.to - self.from).abs()
    }
}

impl Strokes {
    /// A line-up at rest before the first step: how the valves stand.
    pub(super) fn standing(valves: &[(usize, f64)]) -> Self {
        Self { under_way: Vec::new(), stands: valves.to_vec() }
    }

    /// Orders a valve; the opening to set at once where it takes no time or stands so already.
    pub(super) fn order(&mut self, rig: &Rig, (element, to): (usize, f64), now_s: f64) -> Option<f64> {
        let before = self.under_way.iter().find(|valve| valve.element == element).map(|valve| valve.opening(now_s));
        let stood = self.stands.iter().find(|(known, _)| *known == element).map(|(_, opening)| *opening);
        let from = before.or(stood);
        self.under_way.retain(|valve| valve.element != element);
        self.stands.retain(|(known, _)| *known != element);
        self.stands.push((element, to));
        let stroke = rig.strokes.iter().find(|(known, _)| *known == element).map(|(_, stroke)| stroke.clone());
        match from.zip(stroke) {
            Some((from, stroke)) if (from - to).abs() > f64::EPSILON => {
                self.under_way.push(Move { element, from, to, begun_s: now_s, stroke });
                None
            }
            _ => Some(to),
        }
    }

    /// Elements under way with their openings at a time; what has arrived is told for the last time.
    pub(super) fn at(&mut self, now_s: f64) -> Vec<(usize, f64)> {
        let openings = self.under_way.iter().map(|valve| (valve.element, valve.opening(now_s))).collect();
        self.under_way.retain(|valve| !valve.has_ended(now_s));
        openings
    }

    /// Some valve is under way.
    pub(super) fn move_on(&self) -> bool {
        !self.under_way.is_empty()
    }
}
