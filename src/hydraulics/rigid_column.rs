//! Rigid columns of water: start-up, swing, surge shaft, air spring and pocket, and what a check valve sees after a stop.
//! Closed forms, and two short integrations where there is none. The plant needs none of them: they are what its elastic
//! answers tend to where waves have time to even out, and quick figures for a designer.
//!
//! Range: positive lengths, areas and gravity; each type says what it refuses. Accuracy: closed forms exact to rounding, the
//! two integrations to their step control (`published_rigid_columns`, `law_rigid_columns_answer_over_their_range`).

use super::ode::{OdeError, integrate};
use super::roots::{RootError, brent};
use std::f64::consts::{PI, TAU};

/// Local error of the integrations.
const TOLERANCE: f64 = 1.0e-12;
/// Below this `f z / D` the equation of the extremes cancels (`1 - (1 + x) exp(-x)` is `x^2 / 2`) and its series is the better
/// answer: what it leaves out is under 1e-9 of the extreme.
const SERIES_SHARE: f64 = 1.0e-3;
/// Digits of the roots.
const ROOT_TOLERANCE: f64 = 1.0e-13;

/// A column under a constant head with losses in proportion to the square of its velocity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Column {
    /// Length, m.
    pub length_m: f64,
    /// Driving head, m.
    pub head_m: f64,
    /// All losses on the velocity head: `f L / D` plus fittings plus exit.
    pub loss_k: f64,
    /// Gravity, m/s2.
    pub gravity_m_s2: f64,
}

impl Column {
    /// Velocity at which losses use up the head, m/s: `sqrt(2 g H / k)`; infinite without losses.
    #[must_use]
    pub fn final_velocity_m_s(&self) -> f64 {
        (2.0 * self.gravity_m_s2 * self.head_m / self.loss_k).sqrt()
    }

    /// Acceleration from rest, m/s2: `g H / L`.
    #[must_use]
    pub fn first_acceleration_m_s2(&self) -> f64 {
        self.gravity_m_s2 * self.head_m / self.length_m
    }

    /// Time from one velocity to another, s.
    ///
    /// Equation: `t = L Vf / (2 g H) ln[(Vf + V)/(Vf - V)]`, less the same at the first velocity (Vf -> final velocity).
    /// Range: both below the final velocity; at it infinity. Source: WS93 chapter 2; cases `startup-*`.
    #[must_use]
    pub fn time_between_s(&self, from_m_s: f64, to_m_s: f64) -> f64 {
        let last_m_s = self.final_velocity_m_s();
        let from_rest_s =
            |to_m_s: f64| to_m_s / self.first_acceleration_m_s2() * over_itself(f64::atanh, to_m_s / last_m_s);
        from_rest_s(to_m_s) - from_rest_s(from_m_s)
    }

    /// After the pump's head has vanished the same head works against the column: time until it stands, s.
    ///
    /// Equation: forwards `dV/dt = -(g H / L + k V^2 / 2L)`, hence `t = atan(V0 / Vf) Vf L / (g H)`.
    /// Range: without losses `V0 L / (g H)`; without a head it never stands (infinite). Source: case `decel-*`.
    #[must_use]
    pub fn time_to_reversal_s(&self, forwards_m_s: f64) -> f64 {
        if self.head_m <= 0.0 {
            return f64::INFINITY;
        }
        let share = forwards_m_s / self.final_velocity_m_s();
        forwards_m_s / self.first_acceleration_m_s2() * over_itself(f64::atan, share)
    }

    /// Size of the deceleration at a forward velocity after the pump's head has vanished, m/s2.
    #[must_use]
    pub fn deceleration_m_s2(&self, forwards_m_s: f64) -> f64 {
        self.first_acceleration_m_s2() + self.loss_k * forwards_m_s * forwards_m_s / (2.0 * self.length_m)
    }

    /// Backward velocity a given time after the flow turned, m/s: what a check valve that is late by that time stops.
    ///
    /// Equation: backwards losses help, `V = Vf tanh(g H t / (L Vf))`. Range: without losses `g H t / L`, without a head 0.
    /// Source: case `decel-*` (rigid column).
    #[must_use]
    pub fn reverse_velocity_m_s(&self, late_s: f64) -> f64 {
        if self.head_m <= 0.0 {
            return 0.0;
        }
        let free_m_s = self.first_acceleration_m_s2() * late_s;
        free_m_s * over_itself(f64::tanh, free_m_s / self.final_velocity_m_s())
    }
}

/// `f(x) / x` of a function that leaves zero with slope 1, also at zero.
fn over_itself(function: impl Fn(f64) -> f64, x: f64) -> f64 {
    if x.abs() < f64::EPSILON { 1.0 } else { function(x) / x }
}

/// Liquid swinging in a tube of even bore, both ends open.
///
/// Source of all its methods: WS93 chapter 2 (oscillation of liquid in a U-tube).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UTube {
    /// Length of the liquid along the tube, m.
    pub length_m: f64,
    /// Bore, m.
    pub bore_m: f64,
    /// Gravity, m/s2.
    pub gravity_m_s2: f64,
}

/// A swing with laminar resistance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DampedSwing {
    /// Period, s.
    pub period_s: f64,
    /// Logarithm of the ratio of one height to that a period later.
    pub log_decrement: f64,
}

impl DampedSwing {
    /// Height one period after a height, m.
    #[must_use]
    pub fn height_after_period_m(&self, height_m: f64) -> f64 {
        height_m * (-self.log_decrement).exp()
    }
}

/// Half a swing with turbulent resistance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HalfSwing {
    /// Size of the extreme on the other side, m.
    pub next_extreme_m: f64,
    /// Time from one extreme to the other, s.
    pub half_period_s: f64,
}

impl UTube {
    fn stiffness_per_s2(&self) -> f64 {
        2.0 * self.gravity_m_s2 / self.length_m
    }

    /// Period without friction, s: `2 pi sqrt(L / 2g)`.
    #[must_use]
    pub fn period_s(&self) -> f64 {
        TAU / self.stiffness_per_s2().sqrt()
    }

    /// Largest velocity without friction, m/s, of a swing of this height above the mean.
    #[must_use]
    pub fn largest_velocity_m_s(&self, height_m: f64) -> f64 {
        height_m * self.stiffness_per_s2().sqrt()
    }

    /// Swing with laminar resistance `32 nu V / (g D^2)` per length; `None` where it does not swing any more.
    #[must_use]
    pub fn laminar(&self, viscosity_m2_s: f64) -> Option<DampedSwing> {
        let decay_per_s = 16.0 * viscosity_m2_s / (self.bore_m * self.bore_m);
        let squared = self.stiffness_per_s2() - decay_per_s * decay_per_s;
        (squared > 0.0).then(|| {
            let period_s = TAU / squared.sqrt();
            DampedSwing { period_s, log_decrement: decay_per_s * period_s }
        })
    }

    /// From an extreme of height z to the next, with a constant Darcy factor.
    ///
    /// Equation: `z'' + f/(2D) z'|z'| + (2g/L) z = 0`; extremes by `(1 + p z1) exp(-p z1) = (1 - p z2) exp(p z2)`,
    /// `p = f/D`; the time by integration.
    ///
    /// # Errors
    /// The equations could not be followed (numbers that are none).
    pub fn turbulent(&self, darcy_f: f64, height_m: f64) -> Result<HalfSwing, OdeError> {
        let (drag, stiffness) = (darcy_f / (2.0 * self.bore_m), self.stiffness_per_s2());
        let rate = |_: f64, y: &[f64; 2]| [y[1], -drag * y[1] * y[1].abs() - stiffness * y[0]];
        // The swing starts downwards; a first stretch by itself keeps its start, where it also stands, from ending it.
        let first_s = 1.0e-3 * self.period_s();
        let moving = integrate(rate, [height_m, 0.0], first_s, TOLERANCE, |_| 1.0)?;
        let end = integrate(rate, moving.state, 100.0 * self.period_s(), TOLERANCE, |y| -y[1])?;
        let next_extreme_m = extreme_after(darcy_f / self.bore_m, height_m).unwrap_or(-end.state[0]);
        Ok(HalfSwing { next_extreme_m, half_period_s: first_s + end.time_s })
    }
}

/// Solve `(1 + p z1) exp(-p z1) = (1 - p z2) exp(p z2)` for z2 in 0..min(z1, 1/p).
fn extreme_after(per_m: f64, height_m: f64) -> Result<f64, RootError> {
    let share = per_m * height_m;
    if share < SERIES_SHARE {
        return Ok(height_m * (1.0 - share * (2.0 / 3.0 - share * 4.0 / 9.0)));
    }
    let left = (1.0 + share) * (-share).exp();
    let root = brent(|x| (1.0 - x) * x.exp() - left, 0.0, share.min(1.0), ROOT_TOLERANCE)?;
    Ok(root / per_m)
}

/// Period of the mass oscillation between a large tank and a shaft at the end of a line, s.
///
/// Equation: `T = 2 pi sqrt(L A_shaft / (g A_line))`, without friction. Source: Jaeger; case `surge-shaft-*`.
#[must_use]
pub fn surge_period_s(length_m: f64, line_m2: f64, shaft_m2: f64, gravity_m_s2: f64) -> f64 {
    TAU * (length_m * shaft_m2 / (gravity_m_s2 * line_m2)).sqrt()
}

/// Highest rise in the shaft when a line that runs at `velocity_m_s` is shut behind it, m, without friction.
///
/// Equation: `z = V sqrt(L A_line / (g A_shaft))`. Source: Jaeger; case `surge-shaft-*`.
#[must_use]
pub fn surge_rise_m(velocity_m_s: f64, length_m: f64, line_m2: f64, shaft_m2: f64, gravity_m_s2: f64) -> f64 {
    velocity_m_s * (length_m * line_m2 / (gravity_m_s2 * shaft_m2)).sqrt()
}

/// A column against a gas that takes and gives volume.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GasSpring {
    /// Absolute pressure of the gas at rest, Pa.
    pub absolute_pa: f64,
    /// Volume of the gas at rest, m3.
    pub volume_m3: f64,
    /// Exponent: 1 isothermal, 1.4 adiabatic (air), 1.2 between.
    pub exponent: f64,
    /// Length of the column, m.
    pub length_m: f64,
    /// Area of the column, m2.
    pub area_m2: f64,
    /// Density of the liquid, kg/m3.
    pub density_kg_m3: f64,
}

impl GasSpring {
    /// Natural frequency of small swings, Hz: `1/(2 pi) sqrt(n p A / (rho L V))`. Case `air-pocket-*`.
    #[must_use]
    pub fn frequency_hz(&self) -> f64 {
        let stiffness = self.exponent * self.absolute_pa * self.area_m2;
        (stiffness / (self.density_kg_m3 * self.length_m * self.volume_m3)).sqrt() / TAU
    }

    /// Period of small swings, s.
    #[must_use]
    pub fn period_s(&self) -> f64 {
        1.0 / self.frequency_hz()
    }
}

/// A column driven into a pocket of trapped gas, level line, by a valve that opens at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PocketSlam {
    /// Absolute pressure that drives, Pa.
    pub driving_abs_pa: f64,
    /// Absolute pressure of the gas before, Pa.
    pub gas_abs_pa: f64,
    /// Length of water before, m.
    pub column_m: f64,
    /// Length of the pocket before, m.
    pub pocket_m: f64,
    /// Bore, m.
    pub bore_m: f64,
    /// Darcy factor.
    pub darcy_f: f64,
    /// Exponent of the gas.
    pub exponent: f64,
    /// Density, kg/m3.
    pub density_kg_m3: f64,
}

/// The first and highest peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SlamPeak {
    /// Absolute pressure, Pa.
    pub absolute_pa: f64,
    /// When, s.
    pub time_s: f64,
    /// How far the water has come, m.
    pub travel_m: f64,
}

impl PocketSlam {
    /// Absolute pressure of the gas when the water has come a way, Pa: `p0 (x0 / (x0 - x))^n`.
    #[must_use]
    pub fn gas_abs_pa(&self, travel_m: f64) -> f64 {
        self.gas_abs_pa * (self.pocket_m / (self.pocket_m - travel_m)).powf(self.exponent)
    }

    /// The peak.
    ///
    /// Equation: `L v' = (p_r - p)/rho - f L v|v|/2D - v^2/2` (the last while v > 0: water enters from rest),
    /// `L = L0 + x`, `x' = v`.
    /// Source: rigid-column pocket models as of C. S. Martin, 1976; cases `pocket-slam-*`.
    ///
    /// # Errors
    /// The equations could not be followed.
    pub fn peak(&self) -> Result<SlamPeak, OdeError> {
        let rate = |_: f64, y: &[f64; 2]| {
            let [travel_m, speed_m_s] = *y;
            let length_m = self.column_m + travel_m;
            let drive = (self.driving_abs_pa - self.gas_abs_pa(travel_m)) / (self.density_kg_m3 * length_m);
            let drag = self.darcy_f * speed_m_s * speed_m_s.abs() / (2.0 * self.bore_m);
            let entry = if speed_m_s > 0.0 { speed_m_s * speed_m_s / (2.0 * length_m) } else { 0.0 };
            [speed_m_s, drive - drag - entry]
        };
        let surplus_pa = (self.driving_abs_pa - self.gas_abs_pa).abs().max(f64::MIN_POSITIVE);
        let scale_s = PI * (self.density_kg_m3 * (self.column_m + self.pocket_m) * self.pocket_m / surplus_pa).sqrt();
        let first_s = 1.0e-4 * scale_s;
        let moving = integrate(rate, [0.0, 0.0], first_s, TOLERANCE, |_| 1.0)?;
        let end = integrate(rate, moving.state, 100.0 * scale_s, TOLERANCE, |y| y[1])?;
        let travel_m = end.state[0];
        Ok(SlamPeak { absolute_pa: self.gas_abs_pa(travel_m), time_s: first_s + end.time_s, travel_m })
    }
}
