//! The line between a pressure tap and its sensor: how fast it lets the sensor follow.
//!
//! A column of liquid (or gas) with the process at one end and a nearly shut end at the other is a pipe of its own. It
//! rings at its natural frequency and shows everything near it larger than it is.

use std::f64::consts::{FRAC_PI_2, TAU};

/// An impulse line in SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ImpulseLine {
    /// Length, m.
    pub length_m: f64,
    /// Bore, m.
    pub bore_m: f64,
    /// Density of the fill, kg/m3.
    pub density_kg_m3: f64,
    /// Wave speed in the line, m/s.
    pub wave_speed_m_s: f64,
    /// Kinematic viscosity of the fill, m2/s.
    pub viscosity_m2_s: f64,
    /// Volume that the shut end takes in per pressure (diaphragm and trapped gas), m3/Pa.
    pub end_compliance_m3_pa: f64,
}

/// Natural frequency and damping ratio of a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineMode {
    /// Lowest natural frequency, Hz.
    pub natural_hz: f64,
    /// Damping ratio of that mode, 1.
    pub damping: f64,
}

impl ImpulseLine {
    /// Lowest natural frequency and its damping.
    ///
    /// Pressure is given at the tap; the end takes in C per pressure. With Z = rho a / A the gain of a lossless line is
    /// 1 / (cos x - r x sin x), x = omega L / a, r = Z C a / L = end compliance over the line's own, A L / (rho a^2).
    /// It rings where x tan x = 1 / r. Limits: r -> 0 the quarter wave, f = a / (4 L); r large the plug on a spring,
    /// (2 pi f)^2 = A / (rho L C).
    ///
    /// Damping: wall friction of an oscillating laminar flow. With delta = sqrt(2 nu / omega), radius R: thin layer
    /// zeta = delta / (2 R) while delta / R < 1/4, beyond it Poiseuille, zeta = 2 (delta / R)^2; both meet at 1/4.
    ///
    /// Range: positive numbers, C >= 0. Fittings, the end correction of the tap and the volume before the diaphragm are
    /// left out; the true frequency is lower by some per cent. Accuracy: frequency 1e-12 relative of its equation, damping
    /// about 20 % of the exact Bessel solution near delta / R = 1/4 (from memory). Source: closed form of a lossless line
    /// with a compliant end, derived above; quarter-wave and plug limits as in D90.
    pub fn mode(&self) -> LineMode {
        let radius_m = self.bore_m / 2.0;
        let area_m2 = std::f64::consts::PI * radius_m * radius_m;
        let own_m3_pa = area_m2 * self.length_m / (self.density_kg_m3 * self.wave_speed_m_s.powi(2));
        let angle = mode_angle(self.end_compliance_m3_pa / own_m3_pa);
        let omega_rad_s = angle * self.wave_speed_m_s / self.length_m;
        let layer = (2.0 * self.viscosity_m2_s / omega_rad_s).sqrt() / radius_m;
        let damping = if layer < 0.25 { 0.5 * layer } else { 2.0 * layer * layer };
        LineMode { natural_hz: omega_rad_s / TAU, damping }
    }
}

/// First root of x tan x = 1 / r in (0, pi / 2], by bisection; r = 0 gives pi / 2.
fn mode_angle(ratio: f64) -> f64 {
    let (mut low, mut high) = (0.0, FRAC_PI_2);
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        // Written without the tangent's pole.
        if ratio * middle * middle.sin() < middle.cos() { low = middle } else { high = middle }
    }
    high
}

/// Compliance of a trapped volume of gas, V / (n p), m3/Pa: adiabatic (n = 1.4 for air), since a surge is fast.
pub fn gas_compliance_m3_pa(volume_m3: f64, absolute_pa: f64) -> f64 {
    const ADIABATIC: f64 = 1.4;
    volume_m3 / (ADIABATIC * absolute_pa)
}

impl LineMode {
    /// Highest frequency up to which the gain of the mode stays within `1 +- error`, Hz.
    ///
    /// |G|^2 = 1 / ((1 - w)^2 + 4 zeta^2 w), w = (f / f_n)^2; the first w at which |G| = 1 + error or 1 - error, from
    /// w^2 + (4 zeta^2 - 2) w + 1 - 1/g^2 = 0. Range: zeta >= 0, 0 < error < 1. Source: second-order system, closed form.
    pub fn flat_to_hz(&self, error: f64) -> f64 {
        let half = 2.0 * self.damping * self.damping - 1.0;
        let crossings = [1.0 + error, 1.0 - error].into_iter().flat_map(|gain: f64| {
            let root = (half * half - 1.0 + 1.0 / (gain * gain)).sqrt();
            [-half - root, -half + root]
        });
        let first = crossings.filter(|w| *w > 0.0).fold(f64::INFINITY, f64::min);
        self.natural_hz * first.sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Relative, against closed limits.
    const LIMIT_TOLERANCE: f64 = 1e-6;

    const LINE: ImpulseLine = ImpulseLine {
        length_m: 1.5,
        bore_m: 4e-3,
        density_kg_m3: 998.0,
        wave_speed_m_s: 1400.0,
        viscosity_m2_s: 1e-6,
        end_compliance_m3_pa: 0.0,
    };

    fn close(got: f64, expected: f64, tolerance: f64, unit: &str, source: &str) {
        let error = (got / expected - 1.0).abs();
        assert!(
            error <= tolerance,
            "expected {expected} {unit}, got {got}, error {error:e}, tolerance {tolerance:e}; source: {source}"
        );
    }

    #[test]
    fn law_a_stiff_end_gives_the_quarter_wave() {
        close(LINE.mode().natural_hz, 1400.0 / 6.0, LIMIT_TOLERANCE, "Hz", "a / (4 L)");
    }

    #[test]
    fn law_a_soft_end_gives_a_plug_on_a_spring() {
        let line = ImpulseLine { end_compliance_m3_pa: 1e-8, ..LINE };
        let area_m2 = PI * 4e-6;
        let expected = (area_m2 / (998.0 * 1.5 * 1e-8)).sqrt() / TAU;
        close(line.mode().natural_hz, expected, 1e-4, "Hz", "sqrt(A / (rho L C)) / 2 pi");
    }

    #[test]
    fn law_the_root_meets_the_transmission_line_equation_between_the_limits() {
        for ratio in [1e-3, 0.1, 1.0, 10.0, 1e3] {
            let x = mode_angle(ratio);
            close(x * x.tan(), 1.0 / ratio, 1e-9, "1", "x tan x = 1 / r");
        }
    }

    #[test]
    fn law_the_flat_band_ends_where_the_gain_leaves_it() {
        for damping in [0.0, 0.02, 0.3, 0.65, 1.5] {
            let mode = LineMode { natural_hz: 80.0, damping };
            let flat_hz = mode.flat_to_hz(0.05);
            let gain = |hz: f64| {
                let u = hz / 80.0;
                ((1.0 - u * u).powi(2) + (2.0 * damping * u).powi(2)).sqrt().recip()
            };
            let off = (gain(flat_hz) - 1.0).abs();
            assert!((off - 0.05).abs() < 1e-9, "zeta {damping}: gain off by {off} at {flat_hz} Hz, expected 0.05");
            let inside = (1..100).map(|k| (gain(flat_hz * f64::from(k) / 100.0) - 1.0).abs()).fold(0.0, f64::max);
            assert!(inside < 0.05 + 1e-9, "zeta {damping}: {inside} inside the band");
        }
        close(LineMode { natural_hz: 1.0, damping: 0.0 }.flat_to_hz(0.05), 0.2182, 1e-3, "Hz", "sqrt(1 - 1/1.05)");
    }

    #[test]
    fn law_a_bubble_of_one_per_cent_of_the_line_lowers_the_frequency_by_far() {
        let bubble_m3 = 0.01 * PI * 4e-6 * 1.5;
        let line = ImpulseLine { end_compliance_m3_pa: gas_compliance_m3_pa(bubble_m3, 1.0e5), ..LINE };
        let ratio = line.mode().natural_hz / LINE.mode().natural_hz;
        assert!(ratio < 0.06, "expected under 0.06 of the full line's, got {ratio}");
    }
}
