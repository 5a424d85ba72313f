//! Gas at a node: an air vessel, or a pocket trapped at a high point or at a dead end.

use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::spec::{GasSpec, LiquidSpec, NodeSpec};

/// Newton steps for the volume at a head; the curve is convex, so that they close in from one side.
const STEPS_MAX: usize = 80;

/// A body of gas above the water of a node.
///
/// Equation: `p V^n = constant` (p absolute), head of the node `H = z + (V0 - V)/A + (p - p_atm)/(rho g)`, and
/// `V1 = V0 - dt (Q0 + Q1)/2` with Q the inflow of water.
/// n -> exponent, 1 isothermal to 1.4 adiabatic; z -> elevation of the node, where the water stands at the start; A -> water
/// surface, infinite for a pocket in a pipe.
/// Range: any head; a vessel that lets all its water out goes on as if it were larger, and tells so.
/// Accuracy: second order in dt, volume to rounding; `agrees_with_closed_form_swing_against_gas`.
/// Source: WS93 chapter 6 (air vessels).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Gas {
    exponent: f64,
    /// Constant of the gas, Pa m^(3 n), kept as pressure and volume at the start.
    start_abs_pa: f64,
    start_m3: f64,
    area_m2: f64,
    capacity_m3: f64,
    elevation_m: f64,
    atmosphere_pa: f64,
    weight_n_m3: f64,
    pub(crate) volume_m3: f64,
    pub(crate) inflow_m3_s: f64,
    dt_s: f64,
}

impl Gas {
    /// The gas of a node whose head is `head_m` at the start, with water flowing in at `inflow_m3_s`.
    pub(crate) fn new(node: &NodeSpec, spec: &GasSpec, liquid: &LiquidSpec, head_m: f64, dt_s: f64) -> Self {
        let weight_n_m3 = liquid.density_kg_m3 * liquid.gravity_m_s2;
        let start_abs_pa = liquid.atmosphere_pa + weight_n_m3 * (head_m - node.elevation_m);
        let start_m3 =
            spec.charged_abs_pa.map_or(spec.volume_m3, |charged_pa| spec.volume_m3 * charged_pa / start_abs_pa);
        Self {
            exponent: spec.exponent,
            start_abs_pa,
            start_m3,
            area_m2: spec.area_m2,
            capacity_m3: spec.capacity_m3,
            elevation_m: node.elevation_m,
            atmosphere_pa: liquid.atmosphere_pa,
            weight_n_m3,
            volume_m3: start_m3,
            inflow_m3_s: 0.0,
            dt_s,
        }
    }

    /// Water that the node takes at a head of the new level, m3/s, and its slope, m2/s.
    pub(crate) fn taken(&self, head_m: f64) -> (f64, f64) {
        let (volume_m3, by_head) = self.volume_at(head_m);
        let per_step = 2.0 / self.dt_s;
        (per_step * (self.volume_m3 - volume_m3) - self.inflow_m3_s, -per_step * by_head)
    }

    /// Volume at a head, m3, and its slope, m2.
    fn volume_at(&self, head_m: f64) -> (f64, f64) {
        let mut volume_m3 = self.volume_m3;
        let mut slope = -1.0;
        for _ in 0..STEPS_MAX {
            let gauge_m = (self.start_abs_pa * (self.start_m3 / volume_m3).powf(self.exponent) - self.atmosphere_pa)
                / self.weight_n_m3;
            let excess_m = self.elevation_m + (self.start_m3 - volume_m3) / self.area_m2 + gauge_m - head_m;
            let absolute_m = gauge_m + self.atmosphere_pa / self.weight_n_m3;
            slope = -1.0 / self.area_m2 - self.exponent * absolute_m / volume_m3;
            let next_m3 = (volume_m3 - excess_m / slope).clamp(0.5 * volume_m3, 4.0 * volume_m3);
            let change_m3 = (next_m3 - volume_m3).abs();
            volume_m3 = next_m3;
            if change_m3 <= 1.0e-15 * volume_m3 {
                break;
            }
        }
        (volume_m3, 1.0 / slope)
    }

    /// Flow below which the numbers cannot tell volumes apart, m3/s.
    pub(crate) fn resolution_m3_s(&self) -> f64 {
        8.0 * f64::EPSILON * self.volume_m3 / self.dt_s
    }

    /// Take the solved inflow.
    pub(crate) fn end(&mut self, inflow_m3_s: f64) {
        self.volume_m3 -= 0.5 * self.dt_s * (self.inflow_m3_s + inflow_m3_s);
        self.inflow_m3_s = inflow_m3_s;
    }

    /// Gas beyond that of the start, m3: water that went out.
    pub(crate) fn grown_m3(&self) -> f64 {
        self.volume_m3 - self.start_m3
    }

    /// True when the vessel has let all its water out.
    pub(crate) fn is_empty_of_water(&self) -> bool {
        self.volume_m3 > self.capacity_m3
    }
}

pub(crate) fn check(name: &str, spec: &GasSpec) -> Result<(), HydraulicsError> {
    let refuse = |quantity, value, unit, allowed| {
        Err(HydraulicsError::OutOfRange { place: name.to_owned(), quantity, value, unit, allowed })
    };
    if !(spec.volume_m3 > 0.0 && spec.volume_m3.is_finite()) {
        return refuse("volume of the gas", spec.volume_m3, "m3", "above 0");
    }
    if !(1.0..=1.67).contains(&spec.exponent) {
        return refuse("exponent of the gas", spec.exponent, "", "1 (isothermal) to 1.67");
    }
    if spec.area_m2.is_nan() || spec.area_m2 <= 0.0 {
        return refuse("water surface under the gas", spec.area_m2, "m2", "above 0");
    }
    if spec.capacity_m3.is_nan() || spec.capacity_m3 < spec.volume_m3 && spec.charged_abs_pa.is_none() {
        return refuse("volume of the vessel", spec.capacity_m3, "m3", "at least the volume of the gas");
    }
    match spec.charged_abs_pa {
        Some(charged_pa) if !(charged_pa > 0.0 && charged_pa.is_finite()) => {
            refuse("charging pressure", charged_pa, "Pa absolute", "above 0")
        }
        _ => Ok(()),
    }
}
