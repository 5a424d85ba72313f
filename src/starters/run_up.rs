//! How long a shaft takes to come up to speed or to run down: closed forms and a step-by-step integration, without
//! water hammer. Good for a first look, for `acceleration time`, and as an independent check on the plant.
//!
//! Range: positive inertia; a net torque that does not change sign on the way. Accuracy: closed forms exact; the integration
//! fourth order in its step (`law_run_up_time_converges_with_the_fourth_power_of_the_step`), both against the sheet
//! 07_motor_starters. Derivation: J dw/dt = T, separated and integrated.

use super::motor::{Motor, Supply, speed_at_slip_rad_s};
use crate::hydraulics::roots::{RootError, brent};
use thiserror::Error;

/// Why there is no time to give.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum RunUpError {
    /// The shaft does not get there.
    #[error("shaft reached {reached_rad_s:.3} rad/s in {after_s} s, not {target_rad_s:.3} rad/s")]
    NotReached {
        /// Speed at the end, rad/s.
        reached_rad_s: f64,
        /// Time given, s.
        after_s: f64,
        /// Speed asked for, rad/s.
        target_rad_s: f64,
    },
    /// Motor and load have no speed in common in the span.
    #[error("motor and load torque do not meet: {0}")]
    NoBalance(#[from] RootError),
}

/// Below this square root of load over driving torque the load makes no difference that the numbers could show.
const NEGLIGIBLE_SHARE: f64 = 1.0e-8;

/// A load torque that grows with the square of speed: T = T_0 (omega/omega_0)|omega/omega_0|.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QuadraticLoad {
    /// Torque at the speed below, N m.
    pub torque_n_m: f64,
    /// That speed, rad/s.
    pub at_rad_s: f64,
}

impl QuadraticLoad {
    /// Torque at a speed, N m.
    pub fn torque_at_n_m(&self, speed_rad_s: f64) -> f64 {
        let share = speed_rad_s / self.at_rad_s;
        self.torque_n_m * share * share.abs()
    }

    /// T_0/omega_0^2, N m s2.
    fn coefficient(&self) -> f64 {
        self.torque_n_m / (self.at_rad_s * self.at_rad_s)
    }
}

/// Time to a speed under constant accelerating torque: J omega/T, s.
pub fn constant_torque_s(inertia_kg_m2: f64, torque_n_m: f64, speed_rad_s: f64) -> f64 {
    inertia_kg_m2 * speed_rad_s / torque_n_m
}

/// Energy of rotation: J omega^2/2, J.
pub fn kinetic_energy_j(inertia_kg_m2: f64, speed_rad_s: f64) -> f64 {
    0.5 * inertia_kg_m2 * speed_rad_s * speed_rad_s
}

/// Time from rest to a speed with constant motor torque against a quadratic load:
/// J/sqrt(T k) atanh(omega sqrt(k/T)), s; infinite when the load holds it below that speed.
pub fn quadratic_load_s(inertia_kg_m2: f64, motor_n_m: f64, load: &QuadraticLoad, speed_rad_s: f64) -> f64 {
    let k = load.coefficient();
    let share = speed_rad_s * (k / motor_n_m).sqrt();
    if share < NEGLIGIBLE_SHARE {
        return constant_torque_s(inertia_kg_m2, motor_n_m, speed_rad_s);
    }
    if share >= 1.0 { f64::INFINITY } else { inertia_kg_m2 / (motor_n_m * k).sqrt() * share.atanh() }
}

/// Time constant of a run-down by a quadratic load alone: J omega_0/T_0, s; speed = omega_0/(1 + t/tau).
pub fn coast_time_constant_s(inertia_kg_m2: f64, load: &QuadraticLoad) -> f64 {
    inertia_kg_m2 * load.at_rad_s / load.torque_n_m
}

/// Time for that run-down to a share of the first speed: tau (1/share - 1), s.
pub fn coast_to_share_s(inertia_kg_m2: f64, load: &QuadraticLoad, share: f64) -> f64 {
    coast_time_constant_s(inertia_kg_m2, load) * (1.0 / share - 1.0)
}

/// Time to rest under a quadratic load and constant friction, from the load's own speed:
/// J/sqrt(T_f k) atan(omega_0 sqrt(k/T_f)), s.
pub fn coast_to_rest_s(inertia_kg_m2: f64, load: &QuadraticLoad, friction_n_m: f64) -> f64 {
    let k = load.coefficient();
    if load.at_rad_s * (k / friction_n_m).sqrt() < NEGLIGIBLE_SHARE {
        return constant_torque_s(inertia_kg_m2, friction_n_m, load.at_rad_s);
    }
    inertia_kg_m2 / (friction_n_m * k).sqrt() * (load.at_rad_s * (k / friction_n_m).sqrt()).atan()
}

/// Speed between two limits at which a net torque (N m over rad/s) vanishes, rad/s, to 1e-10 rad/s.
///
/// # Errors
/// [`RunUpError::NoBalance`] when it has one sign at both limits.
pub fn settled_speed_rad_s(net_torque: impl FnMut(f64) -> f64, low: f64, high: f64) -> Result<f64, RunUpError> {
    Ok(brent(net_torque, low, high, 1e-10)?)
}

/// A motor on a quadratic load.
///
/// Equation: net torque = T_motor(supply, omega) - T_load(omega), with [`Motor::torque_n_m`] and
/// [`QuadraticLoad::torque_at_n_m`]. Range: as those two. Accuracy: theirs; `runup-kloss-*` and `softstart-*` of the sheet
/// 07_motor_starters.
#[derive(Debug, Clone, Copy)]
pub struct MotorOnLoad<'a> {
    /// The motor.
    pub motor: &'a Motor,
    /// What it drives.
    pub load: QuadraticLoad,
    /// Inertia of both, kg m2.
    pub inertia_kg_m2: f64,
}

impl MotorOnLoad<'_> {
    fn net_n_m(&self, supply: &Supply, speed_rad_s: f64) -> f64 {
        self.motor.torque_n_m(supply, speed_rad_s).0 - self.load.torque_at_n_m(speed_rad_s)
    }

    /// Speed that it settles at between breakdown and synchronous speed, rad/s.
    ///
    /// # Errors
    /// As [`settled_speed_rad_s`].
    pub fn settled_speed_rad_s(&self, supply: &Supply) -> Result<f64, RunUpError> {
        let synchronous_rad_s = self.motor.synchronous_rad_s();
        let at_breakdown_rad_s = speed_at_slip_rad_s(synchronous_rad_s, self.motor.breakdown_slip());
        settled_speed_rad_s(|speed| self.net_n_m(supply, speed), at_breakdown_rad_s, synchronous_rad_s)
    }

    /// Time from rest to a speed with a supply over time, s.
    ///
    /// # Errors
    /// As [`time_to_speed_s`].
    pub fn time_to_speed_s(
        &self,
        supply: impl Fn(f64) -> Supply,
        target_rad_s: f64,
        steps: Steps,
    ) -> Result<f64, RunUpError> {
        time_to_speed_s(self.inertia_kg_m2, |at_s, speed| self.net_n_m(&supply(at_s), speed), target_rad_s, steps)
    }
}

/// How far and how finely to integrate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steps {
    /// Time step, s; well under J s_b omega_s/(2 T_b), the time constant of the motor's running branch.
    pub step_s: f64,
    /// Give up after this time, s.
    pub limit_s: f64,
}

/// Time from rest until a shaft reaches a speed: J d(omega)/dt = T(t, omega), s.
///
/// `net_torque` takes time (s) and speed (rad/s). Fourth-order Runge-Kutta at a fixed step; the last step is cut to the
/// instant of arrival by root search.
///
/// # Errors
/// [`RunUpError::NotReached`] at the time limit.
///
/// # Accuracy
/// Fourth order; `law_run_up_time_converges_with_the_fourth_power_of_the_step`.
pub fn time_to_speed_s(
    inertia_kg_m2: f64,
    net_torque: impl Fn(f64, f64) -> f64,
    target_rad_s: f64,
    steps: Steps,
) -> Result<f64, RunUpError> {
    let rate = |t: f64, w: f64| net_torque(t, w) / inertia_kg_m2;
    let (mut time_s, mut speed) = (0.0, 0.0);
    while time_s < steps.limit_s {
        let next = runge_kutta(&rate, time_s, speed, steps.step_s);
        if next >= target_rad_s {
            let short = |h: f64| runge_kutta(&rate, time_s, speed, h) - target_rad_s;
            return Ok(time_s + brent(short, 0.0, steps.step_s, 1e-12)?);
        }
        time_s += steps.step_s;
        speed = next;
    }
    Err(RunUpError::NotReached { reached_rad_s: speed, after_s: time_s, target_rad_s })
}

fn runge_kutta(rate: &impl Fn(f64, f64) -> f64, t: f64, w: f64, h: f64) -> f64 {
    let k1 = rate(t, w);
    let k2 = rate(t + 0.5 * h, w + 0.5 * h * k1);
    let k3 = rate(t + 0.5 * h, w + 0.5 * h * k2);
    let k4 = rate(t + h, w + h * k3);
    w + h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOAD: QuadraticLoad = QuadraticLoad { torque_n_m: 18.0, at_rad_s: 300.0 };
    const INERTIA_KG_M2: f64 = 0.02;
    const MOTOR_N_M: f64 = 40.0;

    fn integrated(step_s: f64) -> f64 {
        let net = |_: f64, w: f64| MOTOR_N_M - LOAD.torque_at_n_m(w);
        time_to_speed_s(INERTIA_KG_M2, net, 290.0, Steps { step_s, limit_s: 5.0 }).unwrap()
    }

    #[test]
    fn law_run_up_time_converges_with_the_fourth_power_of_the_step() {
        let exact = quadratic_load_s(INERTIA_KG_M2, MOTOR_N_M, &LOAD, 290.0);
        let (coarse, fine) = ((integrated(0.02) - exact).abs(), (integrated(0.01) - exact).abs());
        let order = (coarse / fine).log2();
        assert!((3.4..5.2).contains(&order), "expected order 4, got {order} ({coarse:e} s, {fine:e} s)");
    }

    #[test]
    fn rejects_a_target_the_load_does_not_allow() {
        assert!(quadratic_load_s(INERTIA_KG_M2, 18.0, &LOAD, 300.0).is_infinite());
        let net = |_: f64, w: f64| 18.0 - LOAD.torque_at_n_m(w);
        let error = time_to_speed_s(INERTIA_KG_M2, net, 301.0, Steps { step_s: 1e-3, limit_s: 3.0 }).unwrap_err();
        assert!(error.to_string().starts_with("shaft reached 300."), "{error}");
    }

    #[test]
    fn law_friction_shortens_the_run_down_towards_constant_torque() {
        let light = QuadraticLoad { torque_n_m: 1e-9, at_rad_s: 300.0 };
        let rest = coast_to_rest_s(INERTIA_KG_M2, &light, 2.0);
        let expected = constant_torque_s(INERTIA_KG_M2, 2.0, 300.0);
        assert!((rest / expected - 1.0).abs() < 1e-6, "expected {expected} s, got {rest} s, tolerance 1e-6");
    }
}
