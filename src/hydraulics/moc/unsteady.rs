//! Unsteady friction by instantaneous acceleration.
//!
//! Accuracy: as a model. The coefficient of laminar flow stands for the first thousandths of the diffusion time, where it
//! meets the exact weighting of laminar flow within 7 % (`agrees_with_zielke_weighting_early_in_laminar_flow`). Peaks behind a
//! shut valve against characteristics with that whole weighting (scipy; `damp-*` of `agrees_with_scipy_in_coupled_runs`): within 4 %
//! over the first half periods where half a period is below 6e-4 of D^2/(4 nu); at 6e-3 the fourth peak is a quarter too high: flows
//! that go on laminar for long it damps too little. More damping than steady friction:
//! `law_unsteady_friction_damps_more_than_steady_friction`.

use crate::hydraulics::re_table::ReTable;
use std::f64::consts::PI;

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
/// Equation: `J_u = k/(2 g A) (dQ/dt + a sign(Q) |dQ/dx|)` added to the steady friction slope. Over one cell, with
/// `e = k B/2`: `e (Q_new - Q_old + sign(Q) |Q_right - Q_left| / 2)`, the change in time at the new flow (stable), the
/// change in space at the old one; at the pipe's ends, where it could be taken on one side only and would make or take
/// water, it is left out. Beside a cavity each side changes in time from its own old flow.
/// Range: damps and stretches waves of closures and stops; not meant for laminar flow that lasts.
/// Source: BSV01 (Brunone's model in the form that suits both directions of waves).
#[derive(Debug, Clone)]
pub(crate) struct Acceleration {
    re_per_flow: f64,
    table: ReTable,
    resistance_s_m2: Vec<f64>,
    drop_m: Vec<f64>,
}

impl Acceleration {
    pub(crate) fn new(bore_m: f64, viscosity_m2_s: f64, points: usize) -> Self {
        Self {
            re_per_flow: 4.0 / (PI * bore_m * viscosity_m2_s),
            table: ReTable::of(decay),
            resistance_s_m2: vec![0.0; points],
            drop_m: vec![0.0; points],
        }
    }

    /// Ready the term at every point from the old flows; `impedance_s_m2` is B = a/(gA).
    pub(crate) fn ready(&mut self, impedance_s_m2: f64, flow_m3_s: &[f64]) {
        let last = flow_m3_s.len() - 1;
        for i in 0..=last {
            let (left, right) = (i.saturating_sub(1), (i + 1).min(last));
            let within = i > 0 && i < last;
            let in_space = if within { 0.5 * (flow_m3_s[right] - flow_m3_s[left]).abs() } else { 0.0 };
            let resistance_s_m2 = 0.5 * impedance_s_m2 * self.table.at(self.re_per_flow * flow_m3_s[i].abs());
            self.resistance_s_m2[i] = resistance_s_m2;
            self.drop_m[i] = resistance_s_m2 * (in_space.copysign(flow_m3_s[i]) - flow_m3_s[i]);
        }
    }

    /// At a point: resistance to the new flow, s/m2, and the rest of the head drop, m.
    pub(crate) fn at(&self, point: usize) -> (f64, f64) {
        (self.resistance_s_m2[point], self.drop_m[point])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The weighting of laminar flow W(t), t = 4 nu time / D^2, is 0.282095 t^-1/2 - 1.25 + 1.057855 t^1/2 + 0.9375 t + ...
    /// (W. Zielke, Frequency-dependent friction in transient pipe flow, J. Basic Engineering 90, 1968: series for t < 0.02;
    /// from memory). VB96 writes it as exp(-t/C) / (2 sqrt(pi t)); C is the constant whose root halved is the decay here.
    #[test]
    fn agrees_with_zielke_weighting_early_in_laminar_flow() {
        const TOLERANCE: f64 = 0.07;
        let shear = (2.0 * decay(1000.0)).powi(2);
        for t in [1.0e-5_f64, 1.0e-4, 3.0e-4, 1.0e-3] {
            let root = t.sqrt();
            let expected = 0.282_095 / root - 1.25 + 1.057_855 * root + 0.937_5 * t;
            let got = (-t / shear).exp() / (2.0 * (PI * t).sqrt());
            let error = (got - expected).abs() / expected;
            assert!(error < TOLERANCE, "at {t}: expected {expected}, got {got}, error {error}, Zielke 1968");
        }
    }

    /// VB96 as BSV01 states it, evaluated by hand: Re^0.05 = 1.5396 and 1.7783, exponents 0.96792 and 0.90533.
    #[test]
    fn published_vb96_decay_in_turbulent_flow() {
        const TOLERANCE: f64 = 2.0e-3;
        for (re, expected) in [(5.6e3, 0.020_89), (1.0e5, 0.007_422)] {
            let error = (decay(re) - expected).abs() / expected;
            assert!(error < TOLERANCE, "at Re {re}: expected {expected}, got {}, error {error}", decay(re));
        }
    }

    #[test]
    fn law_decay_is_laminar_below_and_falls_above() {
        assert!((decay(1000.0) - 0.0345).abs() < 1.0e-4, "sqrt(0.00476)/2 = 0.0345, got {}", decay(1000.0));
        assert!(decay(1.0e5) > decay(1.0e6));
    }
}
