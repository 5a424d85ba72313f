//! What the starts of a run ask of a soft starter's own thyristors, held against its rating.

use crate::hydraulics::plant::Plant;
use crate::rig::model::Rig;
use crate::starters::drive_train::DriveTrain;
use crate::units::display::significant;

/// An hour, s.
const HOUR_S: f64 = 3600.0;

/// Starts of one run through soft starters that state a rating.
#[derive(Debug, Clone, Default)]
pub(super) struct StartHeat {
    /// Starter, heat so far (A2 s), time (s) and largest current (A) of each start.
    starts: Vec<Start>,
    /// The newest start is still on its ramp.
    on: bool,
}

#[derive(Debug, Clone, Copy, Default)]
struct Start {
    starter: usize,
    heat_a2_s: f64,
    time_s: f64,
    peak_a: f64,
}

impl StartHeat {
    /// A start through a starter.
    pub(super) fn begin(&mut self, starter: usize) {
        self.starts.push(Start { starter, ..Start::default() });
        self.on = true;
    }

    /// One plant step; with the bypass closed the thyristors carry nothing.
    pub(super) fn follow(&mut self, rig: &Rig, plant: &Plant<DriveTrain>) {
        let Some(start) = self.starts.last_mut().filter(|_| self.on) else { return };
        let rated = rig.starters.get(start.starter).is_some_and(|starter| starter.panel.duty_rating.is_some());
        let (running, at_speed) = (plant.driver().is_running(start.starter), plant.driver().at_speed(start.starter));
        if !rated || !running || at_speed {
            self.on = false;
            return;
        }
        let current_a = plant.current_a();
        start.heat_a2_s += current_a * current_a * plant.dt_s();
        start.time_s += plant.dt_s();
        start.peak_a = start.peak_a.max(current_a);
    }

    /// The hottest start beyond the rating of its starter, and more starts than it stands in an hour; a run shorter than an
    /// hour counts as one.
    pub(super) fn warnings(&self, rig: &Rig, duration_s: f64) -> Vec<String> {
        let mut warnings = Vec::new();
        for (index, starter) in rig.starters.iter().enumerate() {
            let Some(rating) = starter.panel.duty_rating else { continue };
            let starts: Vec<&Start> = self.starts.iter().filter(|start| start.starter == index).collect();
            let rated_a2_s = rating.heat_a2_s(rig.motor.full_load_current_a);
            let hottest = starts.iter().max_by(|a, b| a.heat_a2_s.total_cmp(&b.heat_a2_s));
            if let Some(start) = hottest.filter(|start| start.heat_a2_s > rated_a2_s) {
                warnings.push(format!(
                    "starter {}: a start takes {} s at up to {} A and heats it {} times as much as its rating of {} x for {} s \
                     stands (sum of current squared over time)",
                    starter.id,
                    significant(start.time_s, 3),
                    significant(start.peak_a, 3),
                    significant(start.heat_a2_s / rated_a2_s, 3),
                    rating.current,
                    rating.time_s
                ));
            }
            let an_hour = starts.len() as f64 / (duration_s / HOUR_S).max(1.0);
            if an_hour > f64::from(rating.starts_per_hour) {
                warnings.push(format!(
                    "starter {}: {} starts within an hour, its rating stands {}",
                    starter.id,
                    significant(an_hour, 3),
                    rating.starts_per_hour
                ));
            }
        }
        warnings
    }
}
