//! Flow meters by formula: orifice plate, V-notch, weighing.

use std::f64::consts::FRAC_PI_4;

/// Where an orifice plate's pressures are taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taps {
    /// In the corners of the plate.
    Corner,
    /// One bore upstream, half a bore downstream.
    BoreAndHalfBore,
    /// 25.4 mm on either side.
    Flange,
}

/// An orifice plate in a pipe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrificePlate {
    /// Bore of the pipe, m.
    pub bore_m: f64,
    /// Bore of the plate, m.
    pub throat_m: f64,
    /// Pressure taps.
    pub taps: Taps,
}

/// Bore below which the coefficient has one more term, m.
const SMALL_BORE_M: f64 = 71.12e-3;
const INCH_M: f64 = 25.4e-3;

impl OrificePlate {
    /// Ratio of the bores.
    #[must_use]
    pub fn ratio(&self) -> f64 {
        self.throat_m / self.bore_m
    }

    /// Distances of the taps, shares of the bore: upstream from the plate's face, downstream from its back.
    fn tap_shares(&self) -> (f64, f64) {
        match self.taps {
            Taps::Corner => (0.0, 0.0),
            Taps::BoreAndHalfBore => (1.0, 0.47),
            Taps::Flange => (INCH_M / self.bore_m, INCH_M / self.bore_m),
        }
    }

    /// Discharge coefficient at a Reynolds number of the pipe.
    ///
    /// Range: ratio 0.1..0.75, throat from 12.5 mm, bore 50..1000 mm, Reynolds number from 5000; extrapolates outside.
    /// Accuracy: of the standard, 0.5 % in the middle of the range; cases `orifice-*`.
    /// Source: ISO 5167-2:2003, 5.3.2.1 (Reader-Harris/Gallagher).
    #[must_use]
    pub fn discharge_coefficient(&self, reynolds: f64) -> f64 {
        let b = self.ratio();
        let (up, down) = self.tap_shares();
        let per_million = 1.0e6 / reynolds;
        let a = (19_000.0 * b / reynolds).powf(0.8);
        let dam = 2.0 * down / (1.0 - b);
        let b4 = b.powi(4);
        let far = 0.5961 + 0.0261 * b * b - 0.216 * b.powi(8);
        let slope =
            0.000_521 * (b * per_million).powf(0.7) + (0.0188 + 0.0063 * a) * b.powf(3.5) * per_million.powf(0.3);
        let upstream = 0.043 + 0.080 * (-10.0 * up).exp() - 0.123 * (-7.0 * up).exp();
        let taps = upstream * (1.0 - 0.11 * a) * b4 / (1.0 - b4) - 0.031 * (dam - 0.8 * dam.powf(1.1)) * b.powf(1.3);
        let small = if self.bore_m < SMALL_BORE_M { 0.011 * (0.75 - b) * (2.8 - self.bore_m / INCH_M) } else { 0.0 };
        far + slope + taps + small
    }

    /// Reynolds number of the pipe at a flow: `4 rho Q / (pi D mu)`.
    #[must_use]
    pub fn reynolds(&self, flow_m3_s: f64, kinematic_viscosity_m2_s: f64) -> f64 {
        flow_m3_s / (FRAC_PI_4 * self.bore_m * kinematic_viscosity_m2_s)
    }

    /// Differential pressure of a flow, Pa.
    ///
    /// Equation: `Q = C / sqrt(1 - b^4) pi/4 d^2 sqrt(2 dp / rho)`, water (expansibility 1). Source: ISO 5167-2:2003.
    #[must_use]
    pub fn differential_pa(&self, flow_m3_s: f64, density_kg_m3: f64, kinematic_viscosity_m2_s: f64) -> f64 {
        let coefficient = self.discharge_coefficient(self.reynolds(flow_m3_s, kinematic_viscosity_m2_s));
        let area_m2 = FRAC_PI_4 * self.throat_m * self.throat_m;
        let velocity_m_s = flow_m3_s * (1.0 - self.ratio().powi(4)).sqrt() / (coefficient * area_m2);
        0.5 * density_kg_m3 * velocity_m_s * velocity_m_s
    }
}

/// Flow over a V-notch, m3/s.
///
/// Equation: `Q = C 8/15 sqrt(2g) tan(a/2) h^2.5` (h -> head over the notch, a -> its whole angle, C -> 1 ideal, about 0.58
/// for a sharp 90 degree notch). Source: ISO 1438.
#[must_use]
pub fn v_notch_m3_s(coefficient: f64, angle_rad: f64, head_m: f64, gravity_m_s2: f64) -> f64 {
    coefficient * 8.0 / 15.0 * (2.0 * gravity_m_s2).sqrt() * (0.5 * angle_rad).tan() * head_m.powf(2.5)
}

/// Densities at a weighing, kg/m3.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighing {
    /// Of the water.
    pub water_kg_m3: f64,
    /// Of the air around.
    pub air_kg_m3: f64,
    /// Of the weights that the balance was set with (8000 by convention).
    pub weights_kg_m3: f64,
}

impl Weighing {
    /// Mass over balance reading, as air carries water more than weights: `(1 - ra/rw) / (1 - ra/rho)`.
    ///
    /// Source: ISO 4185.
    #[must_use]
    pub fn buoyancy_factor(&self) -> f64 {
        (1.0 - self.air_kg_m3 / self.weights_kg_m3) / (1.0 - self.air_kg_m3 / self.water_kg_m3)
    }

    /// Flow collected: a balance reading in a time, m3/s.
    #[must_use]
    pub fn flow_m3_s(&self, reading_kg: f64, time_s: f64) -> f64 {
        reading_kg * self.buoyancy_factor() / (self.water_kg_m3 * time_s)
    }
}
