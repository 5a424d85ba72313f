//! An open tank at a node: its level is the node's head.

use crate::hydraulics::spec::Terminal;

/// An open tank in time.
///
/// Equation: `A (z1 - z0) / dt = (Q0 + Q1) / 2` (z -> level, Q -> inflow of old and new level), solved with the pipe ends
/// as one more straight relation between head and inflow. At the overflow level inflow spills.
#[derive(Debug, Clone)]
pub(crate) struct Tank {
    area_m2: f64,
    overflow_m: f64,
    pub(crate) level_m: f64,
    pub(crate) inflow_m3_s: f64,
}

/// How a tank enters one time step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum TankStep {
    /// The level stays: a very large tank, or one that spills.
    Still,
    /// The level moves: it takes `conductance * (head - level) - inflow before`.
    Moves { conductance_m2_s: f64 },
}

impl Tank {
    pub(crate) fn new(terminal: &Terminal, inflow_m3_s: f64) -> Option<Self> {
        match *terminal {
            Terminal::Tank { level_m, area_m2, overflow_m } => Some(Self { area_m2, overflow_m, level_m, inflow_m3_s }),
            _ => None,
        }
    }

    pub(crate) fn step(&self, dt_s: f64) -> TankStep {
        let spills = self.level_m >= self.overflow_m && self.inflow_m3_s >= 0.0;
        if spills || self.area_m2.is_infinite() {
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
        let level_m = self.level_m + arrived_m3 / self.area_m2;
        self.level_m = level_m.min(self.overflow_m);
        self.area_m2 * (level_m - self.level_m)
    }

    /// Pour water in from above; returns what spills over the rim, m3.
    pub(crate) fn pour(&mut self, volume_m3: f64) -> f64 {
        let level_m = self.level_m + volume_m3 / self.area_m2;
        self.level_m = level_m.min(self.overflow_m);
        self.area_m2 * (level_m - self.level_m)
    }

    /// Water stored above the level at the start, m3.
    pub(crate) fn stored_m3(&self, start_m: f64) -> f64 {
        if self.area_m2.is_infinite() { 0.0 } else { self.area_m2 * (self.level_m - start_m) }
    }
}
