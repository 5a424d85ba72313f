//! Friction in full pipes: Darcy friction factor and head loss, with the handbook forms beside it.
//!
//! [`darcy_f`] is what the solvers use. The explicit forms (Haaland, Swamee-Jain, Churchill, Blasius) and
//! Hazen-Williams are there to answer "what does that handbook formula say" and to check against.

use std::f64::consts::{LN_10, PI};

/// Reynolds number up to which flow is taken as laminar.
pub const LAMINAR_TO: f64 = 2000.0;
/// Reynolds number from which flow is taken as turbulent.
pub const TURBULENT_FROM: f64 = 4000.0;

/// Darcy friction factor, laminar to fully rough.
///
/// Re <= 2000: f = 64/Re. Re >= 4000: 1/sqrt(f) = -2 log10(e/3.7 + 2.51/(Re sqrt(f))) (Colebrook), solved.
/// Between: f = (1-w) 64/Re + w f_Colebrook with w = 3 t^2 - 2 t^3, t = (Re-2000)/2000, so that value and slope are
/// continuous. Flow there is not steady in nature; the blend is a choice of ours, not a standard.
///
/// # Range
/// Any Reynolds number (its size is used), relative roughness 0 to 0.1. At Re = 0 the result is `INFINITY`, never NaN:
/// where flow can stop, use [`friction_slope`], which stays finite. NaN in gives NaN.
///
/// # Arguments
/// `reynolds` Re = V D / viscosity, 1. `relative_roughness` e/D, 1, not negative.
///
/// # Returns
/// f, 1, on the Darcy-Weisbach definition h = f L/D V^2/(2 g).
///
/// # Accuracy
/// Within 1e-9 relative of Colebrook for Re >= 4000 (`published_fluids_friction_factors_and_losses` in the
/// validation tests, largest difference seen 4e-11, the last digit of the values compared with).
///
/// # Source
/// Colebrook 1939; Hagen-Poiseuille.
///
/// ```
/// let f = ramprig::hydraulics::friction::darcy_f(1e5, 0.001);
/// assert!((f - 0.022174536).abs() < 1e-8);
/// ```
pub fn darcy_f(reynolds: f64, relative_roughness: f64) -> f64 {
    let re = reynolds.abs();
    if re <= LAMINAR_TO {
        return laminar_f(re);
    }
    let turbulent = colebrook_f(re, relative_roughness);
    if re >= TURBULENT_FROM {
        return turbulent;
    }
    let t = (re - LAMINAR_TO) / (TURBULENT_FROM - LAMINAR_TO);
    let w = t * t * (3.0 - 2.0 * t);
    (1.0 - w) * laminar_f(re) + w * turbulent
}

/// Laminar friction factor 64/Re (Hagen-Poiseuille), at any Reynolds number; `INFINITY` at zero.
pub fn laminar_f(reynolds: f64) -> f64 {
    64.0 / reynolds.abs()
}

/// Colebrook's friction factor, solved by Newton steps on x = 1/sqrt(f) from Haaland's explicit form.
///
/// g(x) = x + 2 log10(e/3.7 + 2.51 x/Re) = 0. Range: Re > 0 (meant for Re >= 4000); a smooth pipe at infinite Re gives 0.
pub fn colebrook_f(reynolds: f64, relative_roughness: f64) -> f64 {
    let rough = relative_roughness / 3.7;
    let viscous = 2.51 / reynolds;
    let mut x = 1.0 / haaland_f(reynolds, relative_roughness).sqrt();
    for _ in 0..NEWTON_STEPS {
        let argument = rough + viscous * x;
        let residual = x + 2.0 / LN_10 * argument.ln();
        x -= residual / (1.0 + 2.0 / LN_10 * viscous / argument);
    }
    1.0 / (x * x)
}

/// Haaland starts within 2 %; each step squares the error, so three leave only rounding.
const NEWTON_STEPS: usize = 3;

/// Haaland 1983, explicit: 1/sqrt(f) = -1.8 log10((e/3.7)^1.11 + 6.9/Re); within about 2 % of Colebrook.
pub fn haaland_f(reynolds: f64, relative_roughness: f64) -> f64 {
    let x = -1.8 * ((relative_roughness / 3.7).powf(1.11) + 6.9 / reynolds).log10();
    1.0 / (x * x)
}

/// Swamee and Jain 1976, explicit: f = 0.25 / log10(e/3.7 + 5.74/Re^0.9)^2; 5000 < Re < 1e8.
pub fn swamee_jain_f(reynolds: f64, relative_roughness: f64) -> f64 {
    0.25 / (relative_roughness / 3.7 + 5.74 / reynolds.powf(0.9)).log10().powi(2)
}

/// Churchill 1977, one explicit formula for all flow, laminar to rough:
/// f = 8 ((8/Re)^12 + (A+B)^-1.5)^(1/12), A = (2.457 ln(1/((7/Re)^0.9 + 0.27 e)))^16, B = (37530/Re)^16.
pub fn churchill_f(reynolds: f64, relative_roughness: f64) -> f64 {
    let a = (-2.457 * ((7.0 / reynolds).powf(0.9) + 0.27 * relative_roughness).ln()).powi(16);
    let b = (37530.0 / reynolds).powi(16);
    8.0 * ((8.0 / reynolds).powi(12) + (a + b).powf(-1.5)).powf(1.0 / 12.0)
}

/// Blasius 1913, smooth pipe, 4000 < Re < 1e5: f = 0.3164 Re^-0.25.
pub fn blasius_f(reynolds: f64) -> f64 {
    0.3164 * reynolds.powf(-0.25)
}

/// A full round pipe and the liquid in it, as far as friction asks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PipeFriction {
    /// Inner diameter, m.
    pub bore_m: f64,
    /// Roughness height, m.
    pub roughness_m: f64,
    /// Kinematic viscosity of the liquid, m2/s.
    pub viscosity_m2_s: f64,
    /// Acceleration of gravity, m/s2.
    pub gravity_m_s2: f64,
}

impl PipeFriction {
    /// Reynolds number at a velocity (m/s, either sign), never negative.
    pub fn reynolds(&self, velocity_m_s: f64) -> f64 {
        velocity_m_s.abs() * self.bore_m / self.viscosity_m2_s
    }

    /// Darcy friction factor at a velocity; `INFINITY` at rest.
    pub fn darcy_f(&self, velocity_m_s: f64) -> f64 {
        darcy_f(self.reynolds(velocity_m_s), self.roughness_m / self.bore_m)
    }
}

/// Head lost to friction per metre of pipe, signed like the velocity: J = f V|V| / (2 g D).
///
/// Finite and smooth through rest: for Re <= 2000 it is taken as 32 viscosity V / (g D^2), which is the same thing with
/// the zero divided out. This is the `loss slope` that stands in for the infinite f at Re = 0.
///
/// # Returns
/// m/m, positive for flow in the positive direction.
pub fn friction_slope(pipe: &PipeFriction, velocity_m_s: f64) -> f64 {
    if pipe.reynolds(velocity_m_s) <= LAMINAR_TO {
        return 32.0 * pipe.viscosity_m2_s * velocity_m_s / (pipe.gravity_m_s2 * pipe.bore_m.powi(2));
    }
    let f = pipe.darcy_f(velocity_m_s);
    f * velocity_m_s * velocity_m_s.abs() / (2.0 * pipe.gravity_m_s2 * pipe.bore_m)
}

/// Mean velocity of a flow in a round bore: V = 4 Q / (pi D^2), m/s.
pub fn velocity_m_s(flow_m3_s: f64, bore_m: f64) -> f64 {
    4.0 * flow_m3_s / (PI * bore_m * bore_m)
}

/// Head lost at fittings: K V|V| / (2 g), m, signed like the velocity.
pub fn minor_loss_m(coefficient: f64, velocity_m_s: f64, gravity_m_s2: f64) -> f64 {
    coefficient * velocity_m_s * velocity_m_s.abs() / (2.0 * gravity_m_s2)
}

/// Loss coefficient of a sudden expansion on the velocity in the smaller bore: K = (1 - (D1/D2)^2)^2 (Borda-Carnot).
pub fn sudden_expansion_k(small_bore_m: f64, large_bore_m: f64) -> f64 {
    (1.0 - (small_bore_m / large_bore_m).powi(2)).powi(2)
}

/// Head loss by Hazen-Williams, SI form: h = 10.67 L Q|Q|^0.852 / (C^1.852 D^4.8704), m.
///
/// Water near 15 degC, turbulent, bores over about 50 mm only; an empirical form without viscosity. C from handbooks
/// (150 smooth plastic, 100 old iron).
pub fn hazen_williams_loss_m(coefficient_c: f64, bore_m: f64, length_m: f64, flow_m3_s: f64) -> f64 {
    10.67 * length_m * flow_m3_s * flow_m3_s.abs().powf(0.852) / (coefficient_c.powf(1.852) * bore_m.powf(4.8704))
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "exact values are meant")]
mod tests {
    use super::*;

    const PIPE: PipeFriction =
        PipeFriction { bore_m: 0.05, roughness_m: 4.5e-5, viscosity_m2_s: 1.0e-6, gravity_m_s2: 9.80665 };

    #[test]
    fn law_friction_factor_is_continuous_in_value_and_slope() {
        for edge in [LAMINAR_TO, TURBULENT_FROM] {
            for rough in [0.0, 1e-4, 0.05] {
                let step = 1e-3;
                let f = |re: f64| darcy_f(re, rough);
                let jump = (f(edge + 1e-9) / f(edge - 1e-9) - 1.0).abs();
                assert!(jump < 1e-9, "Re {edge}, e/D {rough}: expected no jump, got {jump:e}, tolerance 1e-9");
                let before = (f(edge) - f(edge - step)) / step;
                let after = (f(edge + step) - f(edge)) / step;
                let kink = ((after - before) / before).abs();
                assert!(kink < 1e-3, "Re {edge}, e/D {rough}: slopes {before:e} and {after:e}, tolerance 1e-3");
            }
        }
    }

    #[test]
    fn law_colebrook_is_satisfied_by_what_darcy_f_returns() {
        for re in [4e3, 1e5, 1e7, 1e9] {
            for rough in [0.0, 1e-6, 1e-3, 0.1] {
                let x = 1.0 / darcy_f(re, rough).sqrt();
                let residual = (x + 2.0 * (rough / 3.7 + 2.51 * x / re).log10()) / x;
                assert!(residual.abs() < 1e-12, "Re {re:e}, e/D {rough}: residual {residual:e}, tolerance 1e-12");
            }
        }
    }

    #[test]
    fn law_nothing_is_nan_at_rest() {
        assert_eq!(darcy_f(0.0, 1e-3), f64::INFINITY);
        assert_eq!(friction_slope(&PIPE, 0.0), 0.0);
        assert!(friction_slope(&PIPE, -0.0).abs() < f64::MIN_POSITIVE);
    }

    #[test]
    fn law_friction_slope_is_odd_and_rises_with_velocity() {
        let mut before = 0.0;
        for i in 1..400 {
            let v = 1e-3 * 1.02_f64.powi(i);
            let slope = friction_slope(&PIPE, v);
            assert!(slope > before, "at {v} m/s expected more than {before}, got {slope}");
            assert!((slope + friction_slope(&PIPE, -v)).abs() <= 1e-15 * slope);
            before = slope;
        }
    }

    #[test]
    fn law_friction_slope_meets_the_laminar_form_at_its_edge() {
        let v = LAMINAR_TO * PIPE.viscosity_m2_s / PIPE.bore_m;
        let ratio = friction_slope(&PIPE, v * (1.0 + 1e-9)) / friction_slope(&PIPE, v);
        assert!((ratio - 1.0).abs() < 1e-8, "expected 1, got {ratio}, tolerance 1e-8");
    }
}
