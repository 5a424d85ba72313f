//! How sure the description of a rig is: half-widths of what its numbers may be off by, evenly likely within.
//!
//! `[uncertainty]` of the rig file overrides any of them. The defaults are common practice, no source: a catalogue pump
//! curve, pipes by their names, a motor by its catalogue sheet.

use serde::{Deserialize, Serialize};

/// Half-widths, shares of the value but for `level_m`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Uncertainty {
    /// Wave speed of every pipe and hose together.
    pub wave_speed: f64,
    /// Roughness of every pipe.
    pub roughness: f64,
    /// Minor losses of pipes; valves' flow coefficients move by half of it the other way.
    pub losses: f64,
    /// Pump head at a flow.
    pub pump_head: f64,
    /// Pump flow at a head.
    pub pump_flow: f64,
    /// Inertia of the whole shaft.
    pub inertia: f64,
    /// Motor torque at a speed.
    pub motor_torque: f64,
    /// Ramp times of a starter.
    pub ramp_time: f64,
    /// Water levels of tanks, m.
    pub level_m: f64,
}

impl Default for Uncertainty {
    fn default() -> Self {
        Self {
            wave_speed: 0.10,
            roughness: 0.50,
            losses: 0.20,
            pump_head: 0.04,
            pump_flow: 0.05,
            inertia: 0.10,
            motor_torque: 0.10,
            ramp_time: 0.03,
            level_m: 0.05,
        }
    }
}

impl Uncertainty {
    /// How many numbers are uncertain.
    pub const COUNT: usize = 9;

    /// (name, half-width), in the order in which members draw them.
    pub fn listed(&self) -> [(&'static str, f64); Self::COUNT] {
        [
            ("wave_speed", self.wave_speed),
            ("roughness", self.roughness),
            ("losses", self.losses),
            ("pump_head", self.pump_head),
            ("pump_flow", self.pump_flow),
            ("inertia", self.inertia),
            ("motor_torque", self.motor_torque),
            ("ramp_time", self.ramp_time),
            ("level_m", self.level_m),
        ]
    }

    /// In words.
    pub fn in_words(&self) -> String {
        let word = |(name, width): (&str, f64)| match name {
            "level_m" => format!("levels {width} m"),
            name => format!("{} {:.0} %", name.replace('_', " "), 100.0 * width),
        };
        self.listed().map(word).join(", ")
    }
}
