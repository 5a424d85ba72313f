//! The shaft: inertia, friction with standstill, and the torque balance that is solved together with the water.
//!
//! Range: inertia above 0, friction 0 or more; any speed, either way. Accuracy: second order in the step unless the drive is
//! stiff, then first (`law_a_shaft_without_load_runs_up_and_down_by_constant_torque`,
//! `law_a_fixed_speed_drive_holds_its_speed_without_ringing`); run-ups against scipy in
//! `published_starts_and_trips_of_motor_pump_and_line`. Derivation: Newton's law of rotation, trapezoidal.

use super::error::HydraulicsError;
use super::motor_law::{MotorLevel, SupplyCourse};
use super::plant::ShaftDriver;
use super::spec::ShaftSpec;

/// Which way the shaft turns, or that friction holds it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Motion {
    /// Speed positive or about to be.
    Forwards,
    /// Speed zero, held by friction.
    Held,
    /// Speed negative or about to be.
    Backwards,
}

impl Motion {
    pub(crate) fn of(speed_rad_s: f64) -> Self {
        if speed_rad_s > 0.0 {
            Self::Forwards
        } else if speed_rad_s < 0.0 {
            Self::Backwards
        } else {
            Self::Held
        }
    }

    fn sign(self) -> f64 {
        match self {
            Self::Forwards => 1.0,
            Self::Held => 0.0,
            Self::Backwards => -1.0,
        }
    }
}

/// The torque balance of one time step.
///
/// Equation: `J (w1 - w0) / dt = theta T1 + (1 - theta) T0 - s Tf` with `T = T_drive - T_pump`
/// (J -> inertia, w -> speed of old and new level, s -> direction, Tf -> friction torque). `theta` is 1/2 (trapezoidal,
/// second order) unless the drive is so stiff that the trapezoidal rule would ring:
/// `theta = max(1/2, 1 - 1/z)`, `z = |dT_drive/dw| dt / J`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ShaftStep {
    pub(crate) inertia_kg_m2: f64,
    pub(crate) friction_n_m: f64,
    pub(crate) dt_s: f64,
    pub(crate) theta: f64,
    pub(crate) old_speed_rad_s: f64,
    pub(crate) old_torque_n_m: f64,
    pub(crate) motion: Motion,
}

impl ShaftStep {
    pub(crate) fn new(name: &str, spec: &ShaftSpec, dt_s: f64) -> Result<Self, HydraulicsError> {
        let refuse = |quantity, value, unit, allowed| {
            Err(HydraulicsError::OutOfRange { place: name.to_owned(), quantity, value, unit, allowed })
        };
        if !(spec.inertia_kg_m2 > 0.0 && spec.inertia_kg_m2.is_finite()) {
            return refuse("inertia of the shaft", spec.inertia_kg_m2, "kg m2", "above 0");
        }
        if !(spec.friction_n_m >= 0.0 && spec.friction_n_m.is_finite()) {
            return refuse("friction torque of the shaft", spec.friction_n_m, "N m", "0 or more");
        }
        Ok(Self {
            inertia_kg_m2: spec.inertia_kg_m2,
            friction_n_m: spec.friction_n_m,
            dt_s,
            theta: 0.5,
            old_speed_rad_s: 0.0,
            old_torque_n_m: 0.0,
            motion: Motion::Held,
        })
    }

    /// Take the old level in: speed, drive torque with its slope, pump torque.
    pub(crate) fn begin(&mut self, speed_rad_s: f64, drive: (f64, f64), pump_n_m: f64) {
        self.old_speed_rad_s = speed_rad_s;
        self.old_torque_n_m = drive.0 - pump_n_m;
        let stiffness = drive.1.abs() * self.dt_s / self.inertia_kg_m2;
        self.theta = if stiffness > 2.0 { 1.0 - 1.0 / stiffness } else { 0.5 };
        if self.motion == Motion::Held && self.old_torque_n_m.abs() > self.friction_n_m {
            self.motion = Motion::of(self.old_torque_n_m);
        }
    }

    /// Residual of the balance in rad/s, with its derivatives to the new speed and to the pump torque.
    pub(crate) fn residual(&self, speed_rad_s: f64, drive: (f64, f64), pump_n_m: f64) -> (f64, f64, f64) {
        if self.motion == Motion::Held {
            return (speed_rad_s, 1.0, 0.0);
        }
        let per_torque = self.dt_s / self.inertia_kg_m2;
        let new = self.theta * (drive.0 - pump_n_m);
        let torque_n_m = new + (1.0 - self.theta) * self.old_torque_n_m - self.motion.sign() * self.friction_n_m;
        let residual = speed_rad_s - self.old_speed_rad_s - per_torque * torque_n_m;
        (residual, 1.0 - per_torque * self.theta * drive.1, per_torque * self.theta)
    }

    /// True when friction must hold the shaft: it was solved as turning one way and came out turning the other.
    pub(crate) fn must_hold(&self, speed_rad_s: f64) -> bool {
        self.friction_n_m > 0.0 && speed_rad_s * self.motion.sign() < 0.0
    }
}

impl ShaftDriver for Box<dyn ShaftDriver> {
    fn course(&self) -> Option<SupplyCourse> {
        (**self).course()
    }

    fn resume(&mut self, frequency: Option<f64>, time_s: f64, speed_rad_s: f64) {
        (**self).resume(frequency, time_s, speed_rad_s);
    }

    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        (**self).torque_n_m(speed_rad_s)
    }

    fn advance(&mut self, dt_s: f64, speed_rad_s: f64) {
        (**self).advance(dt_s, speed_rad_s);
    }

    fn current_a(&self, speed_rad_s: f64) -> f64 {
        (**self).current_a(speed_rad_s)
    }

    fn power_w(&self, speed_rad_s: f64) -> f64 {
        (**self).power_w(speed_rad_s)
    }

    fn lasting_line(&self) -> Option<(f64, f64)> {
        (**self).lasting_line()
    }

    fn motor_level(&self) -> Option<MotorLevel<'_>> {
        (**self).motor_level()
    }
}

/// No torque at all: a tripped motor.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct NoDrive;

impl ShaftDriver for NoDrive {
    fn torque_n_m(&self, _speed_rad_s: f64) -> (f64, f64) {
        (0.0, 0.0)
    }

    fn advance(&mut self, _dt_s: f64, _speed_rad_s: f64) {}

    fn current_a(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn power_w(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn lasting_line(&self) -> Option<(f64, f64)> {
        Some((0.0, 0.0))
    }
}

/// A very stiff drive that holds a speed: `T = k (w_set - w)`.
///
/// Range: the speed stands off its set point by load torque over `k`: 2 mrad/s for 20 N m at the default 10 kN m s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FixedSpeed {
    /// Speed to hold, rad/s.
    pub speed_rad_s: f64,
    /// Stiffness k, N m s.
    pub stiffness_n_m_s: f64,
}

impl FixedSpeed {
    /// Hold this speed, rad/s, with the default stiffness.
    #[must_use]
    pub fn new(speed_rad_s: f64) -> Self {
        Self { speed_rad_s, stiffness_n_m_s: 1.0e4 }
    }
}

impl ShaftDriver for FixedSpeed {
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        (self.stiffness_n_m_s * (self.speed_rad_s - speed_rad_s), -self.stiffness_n_m_s)
    }

    fn advance(&mut self, _dt_s: f64, _speed_rad_s: f64) {}

    fn current_a(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn power_w(&self, speed_rad_s: f64) -> f64 {
        self.torque_n_m(speed_rad_s).0 * speed_rad_s
    }

    fn lasting_line(&self) -> Option<(f64, f64)> {
        Some((self.stiffness_n_m_s * self.speed_rad_s, -self.stiffness_n_m_s))
    }
}
