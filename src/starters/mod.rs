//! Floor 2: the machines that start and stop the motor: motor torque and current, across the line, soft starter,
//! variable-speed drive, and the IEC 61800-7-201 state machine. Pure: no registers, no sockets.

pub mod across_the_line;
pub mod contactor;
pub mod control_valve;
pub mod drive_train;
pub mod duty_tables;
pub mod heating;
pub mod motor;
pub mod panel;
pub mod ramp_shape;
pub mod run_up;
pub mod set_point;
pub mod settings;
pub mod soft_starter;
pub mod state;
pub mod torque_curve;
pub mod variable_speed;
mod words;

pub use contactor::ContactorTimes;
pub use control_valve::{ControlValve, ControlValveSpec};
pub use drive_train::{DriveTrain, StarterError};
pub use motor::{Motor, MotorError, Supply};
pub use panel::PanelSettings;
pub use words::settings_in_words;

use serde::{Deserialize, Serialize};

/// A motor on the line counts as at speed within this many rated slips of the field (common practice, no source).
const AT_SPEED_SLIPS: f64 = 1.5;

/// The three ways to start. Serialised as `across-the-line`, `soft-starter`, `variable-speed`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StarterKind {
    /// A contactor: full voltage at once.
    AcrossTheLine,
    /// Voltage ramp up and down.
    SoftStarter,
    /// Frequency ramp.
    VariableSpeed,
}

/// How a stop is done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StopKind {
    /// By the starter's own ramp down.
    Ramp,
    /// Starter output off, rotor coasts.
    Coast,
    /// Line contactor off.
    ContactorOff,
}

/// Settings of a starter. `None`: the starter has no such setting.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
pub struct Settings {
    /// Ramp-up time, s: soft starter: from initial to full voltage; drive: from standstill to `rated` frequency.
    pub ramp_up_s: Option<f64>,
    /// Ramp-down time, s, same reference.
    pub ramp_down_s: Option<f64>,
    /// Initial voltage of a soft starter, share of full voltage 0..1.
    pub initial_voltage: Option<f64>,
    /// Current limit, multiple of the motor's full-load current.
    pub current_limit: Option<f64>,
    /// Target speed of a drive, share of rated frequency 0..1.2.
    pub speed: Option<f64>,
    /// What a drive's own controller holds, SI, where a register sets it.
    #[serde(default)]
    pub set_point: Option<f64>,
    /// Loss-of-communication time of the starter's own watch over its master, s, where a register sets it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub comm_timeout_s: Option<f64>,
}

/// Nameplate and torque-speed shape of a three-phase induction motor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MotorSpec {
    /// Rated output, W.
    pub rated_power_w: f64,
    /// Line voltage, V.
    pub voltage_v: f64,
    /// Supply frequency, Hz.
    pub frequency_hz: f64,
    /// Poles.
    pub poles: u32,
    /// Rated speed, rad/s.
    pub rated_speed_rad_s: f64,
    /// Full-load current, A.
    pub full_load_current_a: f64,
    /// Locked-rotor current, multiple of full load.
    pub locked_rotor_current: f64,
    /// Locked-rotor torque, multiple of rated torque.
    pub locked_rotor_torque: f64,
    /// Pull-up (smallest on the way up) torque, multiple of rated torque.
    pub pull_up_torque: f64,
    /// Breakdown torque, multiple of rated torque.
    pub breakdown_torque: f64,
    /// Power factor at full load.
    pub power_factor: f64,
    /// Efficiency at full load, 0..1.
    pub efficiency: f64,
    /// Rotor inertia, kg m2.
    pub inertia_kg_m2: f64,
    /// Curve by Kloss instead of by the four points.
    pub kloss: bool,
    /// How it is fed and what it turns the pump through.
    #[serde(default)]
    pub mounting: Mounting,
}

/// A motor's feeder and its way to the pump shaft.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Mounting {
    /// Share of line voltage that is missing while the locked-rotor current flows across the line, 0 to below 1.
    pub supply_dip: f64,
    /// Speed of the pump over speed of the motor (a belt); 1 for a coupling.
    pub belt_ratio: f64,
    /// Share of the motor's power that reaches the pump shaft.
    pub belt_efficiency: f64,
}

impl Mounting {
    /// A stiff supply and a coupling.
    pub const DIRECT: Self = Self { supply_dip: 0.0, belt_ratio: 1.0, belt_efficiency: 1.0 };

    /// Inertia at the pump shaft of what turns with the motor: J/ratio^2, kg m2.
    pub fn inertia_at_pump_kg_m2(&self, motor_side_kg_m2: f64) -> f64 {
        motor_side_kg_m2 / (self.belt_ratio * self.belt_ratio)
    }
}

impl Default for Mounting {
    fn default() -> Self {
        Self::DIRECT
    }
}

/// A starter as the plant sees it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StarterSpec {
    /// Id from the rig file.
    pub id: String,
    /// Kind.
    pub kind: StarterKind,
    /// Settings in force.
    pub settings: Settings,
    /// What is set at the starter itself.
    #[serde(default)]
    pub panel: PanelSettings,
}
