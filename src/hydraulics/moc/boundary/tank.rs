//! An open tank at a node: its level is the node's head.
//!
//! Accuracy: second order in the step; no water made or lost to 1e-9 m3
//! (`law_no_tank_falls_below_its_bottom_and_no_water_is_made`). Derivation: continuity of the tank, trapezoidal.

use crate::hydraulics::spec::{NodeSpec, Terminal};

/// Inflow at the rim below which nothing is said to run over, m3/s.
const LEAST_SPILL_M3_S: f64 = 1.0e-7;

/// An open tank in time.
///
/// Equation: `A (z1 - z0) / dt = (Q0 + Q1) / 2` (z -> level, Q -> inflow of old and new level), solved with the pipe ends
/// as one more straight relation between head and inflow. At the overflow level inflow spills.
///
/// Range: the bottom is the elevation of its node, if the level begins above that. At the bottom no water is left to leave:
/// air at the atmosphere follows the water that runs on in the line, is taken to stand at the line's end, and must leave
/// again before the level rises. Its volume is kept, so that no water is made.
#[derive(Debug, Clone)]
pub(crate) struct Tank {
    area_m2: f64,
    overflow_m: f64,
    /// Where the line joins; minus infinity where the level began no higher.
    pub(crate) bottom_m: f64,
    pub(crate) level_m: f64,
    pub(crate) inflow_m3_s: f64,
    /// Air that has followed the water into the line, m3.
    pub(crate) air_m3: f64,
}

/// How a tank enters one time step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum TankStep {
    /// The level stays: a very large tank, one that spills, or a dry one.
    Still,
    /// The level moves: it takes `conductance * (head - level) - inflow before`.
    Moves { conductance_m2_s: f64 },
}

impl Tank {
    pub(crate) fn new(node: &NodeSpec, inflow_m3_s: f64) -> Option<Self> {
        let Terminal::Tank { level_m, area_m2, overflow_m } = node.terminal else { return None };
        let bottom_m = if level_m > node.elevation_m { node.elevation_m } else { f64::NEG_INFINITY };
        Some(Self { area_m2, overflow_m, bottom_m, level_m, inflow_m3_s, air_m3: 0.0 })
    }

    /// Its level may move.
    pub(crate) fn may_move(&self) -> bool {
        self.area_m2.is_finite()
    }

    /// It stands at its rim, and water comes in.
    pub(crate) fn runs_over(&self) -> bool {
        self.may_move() && self.level_m >= self.overflow_m && self.inflow_m3_s > LEAST_SPILL_M3_S
    }

    pub(crate) fn step(&self, dt_s: f64) -> TankStep {
        let spills = self.level_m >= self.overflow_m && self.inflow_m3_s >= 0.0;
        if spills || self.area_m2.is_infinite() || self.air_m3 > 0.0 {
            return TankStep::Still;
        }
        TankStep::Moves { conductance_m2_s: 2.0 * self.area_m2 / dt_s }
    }

    /// Take the solved inflow; returns the volume that left the system over the rim or into a very large tank, m3.
    pub(crate) fn end(&mut self, inflow_m3_s: f64, dt_s: f64) -> f64 {
        let arrived_m3 = 0.5 * dt_s * (self.inflow_m3_s + inflow_m3_s);
        self.inflow_m3_s = inflow_m3_s;
        if self.area_m2.is_infinite() {
            return arrived_m3;
        }
        self.take(arrived_m3)
    }

    /// Pour water in from above; returns what spills over the rim, m3.
    pub(crate) fn pour(&mut self, volume_m3: f64) -> f64 {
        self.take(volume_m3)
    }

    /// Rise or fall by a volume, first of the air in the line; returns what spills over the rim, m3.
    fn take(&mut self, volume_m3: f64) -> f64 {
        let level_m = self.level_m + (volume_m3 - self.air_m3) / self.area_m2;
        self.air_m3 = if level_m < self.bottom_m { self.area_m2 * (self.bottom_m - level_m) } else { 0.0 };
        self.level_m = level_m.clamp(self.bottom_m, self.overflow_m);
        self.area_m2 * (level_m - self.overflow_m).max(0.0)
    }

    /// Water stored above the level at the start, less what air has taken the place of, m3.
    pub(crate) fn stored_m3(&self, start_m: f64) -> f64 {
        if self.area_m2.is_infinite() { 0.0 } else { self.area_m2 * (self.level_m - start_m) - self.air_m3 }
    }
}
