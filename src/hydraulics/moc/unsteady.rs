//! Unsteady friction by instantaneous acceleration.

use std::f64::consts::PI;

/// Intervals of the table over the Reynolds number.
const INTERVALS: usize = 256;
/// Largest Reynolds number of the table, as a power of ten.
const LAST_DECADE: f64 = 8.0;

/// Decay coefficient of the acceleration model.
///
/// Equation: `k = sqrt(C)/2`, `C = 0.00476` laminar (Re < 2300), `C = 7.41 / Re^log10(14.3 / Re^0.05)` turbulent.
/// Range: Re >= 0; the turbulent form is stated for smooth pipes, Re 2000..1e8.
/// Returns: k, dimensionless. Source: VB96 (shear decay coefficient; from memory); BSV01 (its use).
pub(crate) fn decay(re: f64) -> f64 {
    let shear = if re < 2300.0 { 0.004_76 } else { 7.41 / re.powf((14.3 / re.powf(0.05)).log10()) };
    shear.sqrt() / 2.0
}

/// Acceleration term of one pipe.
///
/// Equation: `J_u = k/(2 g A) (dQ/dt + a sign(Q) |dQ/dx|)` added to the steady friction slope.
/// Source: BSV01 (Brunone's model in the form that suits both directions of waves).
#[derive(Debug, Clone)]
pub(crate) struct Acceleration {
    re_per_flow: f64,
    table: Vec<f64>,
    before_m3_s: Vec<f64>,
}

impl Acceleration {
    pub(crate) fn new(bore_m: f64, viscosity_m2_s: f64, flow_m3_s: &[f64]) -> Self {
        let table = (0..=INTERVALS).map(|i| decay(10.0_f64.powf(LAST_DECADE * i as f64 / INTERVALS as f64))).collect();
        Self { re_per_flow: 4.0 / (PI * bore_m * viscosity_m2_s), table, before_m3_s: flow_m3_s.to_vec() }
    }

    /// Head drop over one cell at every point, m, from the last two levels; remembers this level.
    ///
    /// `impedance` is B = a/(gA): over one cell `J_u dx = k B/2 (Q - Q_before + sign(Q) |Q_right - Q_left| / 2)`.
    pub(crate) fn fill_drop(&mut self, impedance: f64, flow_m3_s: &[f64], out: &mut [f64]) {
        let last = flow_m3_s.len() - 1;
        for i in 0..=last {
            let (left, right) = (i.saturating_sub(1), (i + 1).min(last));
            let span = (right - left) as f64;
            let in_space = (flow_m3_s[right] - flow_m3_s[left]).abs() / span;
            let in_time = flow_m3_s[i] - self.before_m3_s[i];
            let k = self.decay_at(flow_m3_s[i]);
            out[i] = 0.5 * k * impedance * (in_time + in_space.copysign(flow_m3_s[i]));
        }
        self.before_m3_s.copy_from_slice(flow_m3_s);
    }

    fn decay_at(&self, flow_m3_s: f64) -> f64 {
        let re = self.re_per_flow * flow_m3_s.abs();
        let place = (re.max(1.0).log10() / LAST_DECADE * INTERVALS as f64).min(INTERVALS as f64);
        self.table[place as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_decay_is_laminar_below_and_falls_above() {
        assert!((decay(1000.0) - 0.0345).abs() < 1.0e-4, "sqrt(0.00476)/2 = 0.0345, got {}", decay(1000.0));
        assert!(decay(1.0e5) > decay(1.0e6));
    }
}
