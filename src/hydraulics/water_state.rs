//! Water under pressure: the equations of state that the near-atmospheric correlations of [`super::water`] are held by.
//!
//! Two published formulations, each by its own variables: IAPWS R7-97 region 1 from pressure and temperature, IAPWS-95 from
//! density and temperature. Neither is used by a prediction; they carry the verification tables of the releases and let a
//! station with liquid far above one atmosphere be checked.

use std::ops::{Add, Mul};

/// State of liquid water, SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LiquidState {
    /// Specific volume, m3/kg.
    pub volume_m3_kg: f64,
    /// Specific enthalpy, J/kg.
    pub enthalpy_j_kg: f64,
    /// Specific internal energy, J/kg.
    pub energy_j_kg: f64,
    /// Specific entropy, J/(kg K).
    pub entropy_j_kg_k: f64,
    /// Isobaric heat capacity, J/(kg K).
    pub heat_capacity_j_kg_k: f64,
    /// Speed of sound, m/s.
    pub speed_of_sound_m_s: f64,
}

/// Specific gas constant of R7-97, J/(kg K).
const GAS_CONSTANT_IF97: f64 = 461.526;

/// Terms (I, J, n) of R7-97, table 2.
const REGION_1: [(i32, i32, f64); 34] = [
    (0, -2, 0.14632971213167),
    (0, -1, -0.84548187169114),
    (0, 0, -3.756360367204),
    (0, 1, 0.33855169168385e1),
    (0, 2, -0.95791963387872),
    (0, 3, 0.15772038513228),
    (0, 4, -0.16616417199501e-1),
    (0, 5, 0.81214629983568e-3),
    (1, -9, 0.28319080123804e-3),
    (1, -7, -0.60706301565874e-3),
    (1, -1, -0.18990068218419e-1),
    (1, 0, -0.32529748770505e-1),
    (1, 1, -0.21841717175414e-1),
    (1, 3, -0.52838357969930e-4),
    (2, -3, -0.47184321073267e-3),
    (2, 0, -0.30001780793026e-3),
    (2, 1, 0.47661393906987e-4),
    (2, 3, -0.44141845330846e-5),
    (2, 17, -0.72694996297594e-15),
    (3, -4, -0.31679644845054e-4),
    (3, 0, -0.28270797985312e-5),
    (3, 6, -0.85205128120103e-9),
    (4, -5, -0.22425281908000e-5),
    (4, -2, -0.65171222895601e-6),
    (4, 10, -0.14341729937924e-12),
    (5, -8, -0.40516996860117e-6),
    (8, -11, -0.12734301741641e-8),
    (8, -6, -0.17424871230634e-9),
    (21, -29, -0.68762131295531e-18),
    (23, -31, 0.14478307828521e-19),
    (29, -38, 0.26335781662795e-22),
    (30, -39, -0.11947622640071e-22),
    (31, -40, 0.18228094581404e-23),
    (32, -41, -0.93537087292458e-25),
];

/// State from pressure (Pa absolute) and temperature (K): gamma = sum of n (7.1 - pi)^I (tau - 1.222)^J, pi = p/16.53 MPa,
/// tau = 1386 K/T, and its derivatives.
///
/// Range 273.15 to 623.15 K, saturation pressure to 100 MPa. Accuracy: the release's table 5 to 1e-8 (`if97-r1-*`).
/// Source: IAPWS R7-97(2012), equation 7 and table 3; coefficients by way of the iapws package, held by table 5.
pub fn region_1(pressure_pa: f64, temperature_k: f64) -> LiquidState {
    let (pi, tau) = (pressure_pa / 16.53e6, 1386.0 / temperature_k);
    let (x, y) = (7.1 - pi, tau - 1.222);
    let mut gamma = Jet::constant(0.0);
    for (i, j, n) in REGION_1 {
        gamma = gamma + (Jet::first(x).powi(i) * Jet::second(y).powi(j)).scaled(n);
    }
    // x falls as pi rises.
    let (g_pi, g_pipi, g_pitau) = (-gamma.a, gamma.aa, -gamma.ab);
    let rt = GAS_CONSTANT_IF97 * temperature_k;
    let mixed = g_pi - tau * g_pitau;
    LiquidState {
        volume_m3_kg: pi * g_pi * rt / pressure_pa,
        enthalpy_j_kg: tau * gamma.b * rt,
        energy_j_kg: (tau * gamma.b - pi * g_pi) * rt,
        entropy_j_kg_k: GAS_CONSTANT_IF97 * (tau * gamma.b - gamma.value),
        heat_capacity_j_kg_k: -GAS_CONSTANT_IF97 * tau * tau * gamma.bb,
        speed_of_sound_m_s: (rt * g_pi * g_pi / (mixed * mixed / (tau * tau * gamma.bb) - g_pipi)).sqrt(),
    }
}

/// State by IAPWS-95, SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FluidState {
    /// Pressure, Pa absolute.
    pub pressure_pa: f64,
    /// Isochoric heat capacity, J/(kg K).
    pub isochoric_heat_capacity_j_kg_k: f64,
    /// Speed of sound, m/s.
    pub speed_of_sound_m_s: f64,
    /// Specific entropy, J/(kg K).
    pub entropy_j_kg_k: f64,
}

/// Specific gas constant of R6-95, J/(kg K).
const GAS_CONSTANT_95: f64 = 461.51805;

/// Terms (n, gamma) of the ideal part, R6-95 table 1 from i = 4 on.
const IDEAL: [(f64, f64); 5] = [
    (0.012436, 1.28728967),
    (0.97315, 3.53734222),
    (1.27950, 7.74073708),
    (0.96956, 9.24437796),
    (0.24873, 27.5075105),
];

/// Terms (d, t, n), R6-95 table 2, i = 1 to 7.
const POLYNOMIAL: [(i32, f64, f64); 7] = [
    (1, -0.5, 0.12533547935523e-1),
    (1, 0.875, 0.78957634722828e1),
    (1, 1.0, -0.87803203303561e1),
    (2, 0.5, 0.31802509345418),
    (2, 0.75, -0.26145533859358),
    (3, 0.375, -0.78199751687981e-2),
    (4, 1.0, 0.88089493102134e-2),
];

/// Terms (c, d, t, n), i = 8 to 51.
const EXPONENTIAL: [(i32, i32, i32, f64); 44] = [
    (1, 1, 4, -0.66856572307965),
    (1, 1, 6, 0.20433810950965),
    (1, 1, 12, -0.66212605039687e-4),
    (1, 2, 1, -0.19232721156002),
    (1, 2, 5, -0.25709043003438),
    (1, 3, 4, 0.16074868486251),
    (1, 4, 2, -0.40092828925807e-1),
    (1, 4, 13, 0.39343422603254e-6),
    (1, 5, 9, -0.75941377088144e-5),
    (1, 7, 3, 0.56250979351888e-3),
    (1, 9, 4, -0.15608652257135e-4),
    (1, 10, 11, 0.11537996422951e-8),
    (1, 11, 4, 0.36582165144204e-6),
    (1, 13, 13, -0.13251180074668e-11),
    (1, 15, 1, -0.62639586912454e-9),
    (2, 1, 7, -0.10793600908932),
    (2, 2, 1, 0.17611491008752e-1),
    (2, 2, 9, 0.22132295167546),
    (2, 2, 10, -0.40247669763528),
    (2, 3, 10, 0.58083399985759),
    (2, 4, 3, 0.49969146990806e-2),
    (2, 4, 7, -0.31358700712549e-1),
    (2, 4, 10, -0.74315929710341),
    (2, 5, 10, 0.47807329915480),
    (2, 6, 6, 0.20527940895948e-1),
    (2, 6, 10, -0.13636435110343),
    (2, 7, 10, 0.14180634400617e-1),
    (2, 9, 1, 0.83326504880713e-2),
    (2, 9, 2, -0.29052336009585e-1),
    (2, 9, 3, 0.38615085574206e-1),
    (2, 9, 4, -0.20393486513704e-1),
    (2, 9, 8, -0.16554050063734e-2),
    (2, 10, 6, 0.19955571979541e-2),
    (2, 10, 9, 0.15870308324157e-3),
    (2, 12, 8, -0.16388568342530e-4),
    (3, 3, 16, 0.43613615723811e-1),
    (3, 4, 22, 0.34994005463765e-1),
    (3, 4, 23, -0.76788197844621e-1),
    (3, 5, 23, 0.22446277332006e-1),
    (4, 14, 10, -0.62689710414685e-4),
    (6, 3, 50, -0.55711118565645e-9),
    (6, 6, 44, -0.19905718354408),
    (6, 6, 46, 0.31777497330738),
    (6, 6, 50, -0.11841182425981),
];

/// Terms (t, beta, gamma, n), i = 52 to 54; d = 3, alpha = 20, epsilon = 1.
const GAUSSIAN: [(i32, f64, f64, f64); 3] =
    [(0, 150.0, 1.21, -31.306260323435), (1, 150.0, 1.21, 31.546140237781), (4, 250.0, 1.25, -2521.3154341695)];

/// Terms (b, C, D, n), i = 55 and 56; a = 3.5, B = 0.2, A = 0.32, beta = 0.3.
const CRITICAL: [(f64, f64, f64, f64); 2] =
    [(0.85, 28.0, 700.0, -0.14874640856724), (0.95, 32.0, 800.0, 0.31806110878444)];

/// State from density (kg/m3) and temperature (K): Helmholtz energy f = R T (phi0 + phir), delta = density/322,
/// tau = 647.096 K/T, and its derivatives.
///
/// Range 273.16 to 1273 K, to 1000 MPa; at exactly the critical density two terms have no derivative (NaN). Accuracy: the
/// release's table 7 at 300 K to 1e-8, pressure at 1 atm to 1e-7 (ill-conditioned in density; `iapws95-*`).
/// Source: IAPWS R6-95(2018), equations 4 to 6 and tables 1 to 3; coefficients by way of the iapws package, held by table 7.
pub fn helmholtz(density_kg_m3: f64, temperature_k: f64) -> FluidState {
    let (delta, tau) = (density_kg_m3 / 322.0, 647.096 / temperature_k);
    let ideal = ideal_part(delta, tau);
    let residual = residual_part(Jet::first(delta), Jet::second(tau));
    let rt = GAS_CONSTANT_95 * temperature_k;
    let curvature = tau * tau * (ideal.bb + residual.bb);
    let mixed = 1.0 + delta * residual.a - delta * tau * residual.ab;
    let square = 1.0 + 2.0 * delta * residual.a + delta * delta * residual.aa - mixed * mixed / curvature;
    FluidState {
        pressure_pa: density_kg_m3 * rt * (1.0 + delta * residual.a),
        isochoric_heat_capacity_j_kg_k: -GAS_CONSTANT_95 * curvature,
        speed_of_sound_m_s: (rt * square).sqrt(),
        entropy_j_kg_k: GAS_CONSTANT_95 * (tau * (ideal.b + residual.b) - ideal.value - residual.value),
    }
}

/// phi0 = ln delta + n1 + n2 tau + n3 ln tau + sum of n ln(1 - exp(-gamma tau)); its tau derivatives only.
fn ideal_part(delta: f64, tau: f64) -> Jet {
    const N: [f64; 3] = [-8.3204464837497, 6.6832105275932, 3.00632];
    let mut value = delta.ln() + N[0] + N[1] * tau + N[2] * tau.ln();
    let (mut b, mut bb) = (N[1] + N[2] / tau, -N[2] / (tau * tau));
    for (n, gamma) in IDEAL {
        let rest = 1.0 - (-gamma * tau).exp();
        value += n * rest.ln();
        b += n * gamma * (1.0 / rest - 1.0);
        bb -= n * gamma * gamma * (1.0 - rest) / (rest * rest);
    }
    Jet { value, b, bb, ..Jet::constant(0.0) }
}

fn residual_part(delta: Jet, tau: Jet) -> Jet {
    let mut sum = Jet::constant(0.0);
    for (d, t, n) in POLYNOMIAL {
        sum = sum + (delta.powi(d) * tau.powf(t)).scaled(n);
    }
    for (c, d, t, n) in EXPONENTIAL {
        sum = sum + (delta.powi(d) * tau.powi(t) * delta.powi(c).scaled(-1.0).exp()).scaled(n);
    }
    let off = delta + Jet::constant(-1.0);
    let square = off * off;
    for (t, beta, gamma, n) in GAUSSIAN {
        let from_gamma = tau + Jet::constant(-gamma);
        let bell = (square.scaled(-20.0) + (from_gamma * from_gamma).scaled(-beta)).exp();
        sum = sum + (delta.powi(3) * tau.powi(t) * bell).scaled(n);
    }
    let off_tau = tau + Jet::constant(-1.0);
    for (b, c, d, n) in CRITICAL {
        let theta = off_tau.scaled(-1.0) + square.powf(0.5 / 0.3).scaled(0.32);
        let distance = theta * theta + square.powf(3.5).scaled(0.2);
        let psi = (square.scaled(-c) + (off_tau * off_tau).scaled(-d)).exp();
        sum = sum + (distance.powf(b) * delta * psi).scaled(n);
    }
    sum
}

/// A value with its first and second derivatives to two variables a and b (truncated Taylor arithmetic).
#[derive(Debug, Clone, Copy)]
struct Jet {
    value: f64,
    a: f64,
    b: f64,
    aa: f64,
    ab: f64,
    bb: f64,
}

impl Jet {
    fn constant(value: f64) -> Self {
        Self { value, a: 0.0, b: 0.0, aa: 0.0, ab: 0.0, bb: 0.0 }
    }

    fn first(value: f64) -> Self {
        Self { a: 1.0, ..Self::constant(value) }
    }

    fn second(value: f64) -> Self {
        Self { b: 1.0, ..Self::constant(value) }
    }

    fn scaled(self, by: f64) -> Self {
        Self::constant(by) * self
    }

    /// f(self) from f, f' and f'' at the value.
    fn through(self, f: f64, f1: f64, f2: f64) -> Self {
        Self {
            value: f,
            a: f1 * self.a,
            b: f1 * self.b,
            aa: f1 * self.aa + f2 * self.a * self.a,
            ab: f1 * self.ab + f2 * self.a * self.b,
            bb: f1 * self.bb + f2 * self.b * self.b,
        }
    }

    fn powi(self, n: i32) -> Self {
        let (x, k) = (self.value, f64::from(n));
        self.through(x.powi(n), k * x.powi(n - 1), k * (k - 1.0) * x.powi(n - 2))
    }

    fn powf(self, k: f64) -> Self {
        let x = self.value;
        self.through(x.powf(k), k * x.powf(k - 1.0), k * (k - 1.0) * x.powf(k - 2.0))
    }

    fn exp(self) -> Self {
        let e = self.value.exp();
        self.through(e, e, e)
    }
}

impl Add for Jet {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self {
            value: self.value + other.value,
            a: self.a + other.a,
            b: self.b + other.b,
            aa: self.aa + other.aa,
            ab: self.ab + other.ab,
            bb: self.bb + other.bb,
        }
    }
}

impl Mul for Jet {
    type Output = Self;

    fn mul(self, other: Self) -> Self {
        Self {
            value: self.value * other.value,
            a: self.a * other.value + self.value * other.a,
            b: self.b * other.value + self.value * other.b,
            aa: self.aa * other.value + 2.0 * self.a * other.a + self.value * other.aa,
            ab: self.ab * other.value + self.a * other.b + self.b * other.a + self.value * other.ab,
            bb: self.bb * other.value + 2.0 * self.b * other.b + self.value * other.bb,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hydraulics::water;

    #[test]
    fn agrees_with_the_near_atmospheric_correlations() {
        // IF97's speed of sound is 1.2e-3 high near 30 degC; IAPWS-95's is what the correlation was fitted to.
        const DENSITY: f64 = 2e-5;
        const SOUND: f64 = 2e-4;
        for t in [5.0, 20.0, 40.0, 60.0] {
            let kelvin = t + water::ZERO_CELSIUS_K;
            let (density, sound) = (water::density_kg_m3(t), water::speed_of_sound_m_s(t));
            let if97 = 1.0 / region_1(water::STANDARD_ATMOSPHERE_PA, kelvin).volume_m3_kg;
            assert!((if97 / density - 1.0).abs() < DENSITY, "{t} degC: IF97 {if97}, Kell {density} kg/m3");
            let state = helmholtz(density, kelvin);
            let error = state.speed_of_sound_m_s / sound - 1.0;
            assert!(error.abs() < SOUND, "{t} degC: IAPWS-95 {}, Marczak {sound} m/s", state.speed_of_sound_m_s);
        }
    }
}
