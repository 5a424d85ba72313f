//! A relief valve between pipe ends: shut below its set pressure, open in proportion above it.

use super::Gain;
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::spec::{LiquidSpec, ReliefValveSpec};
use crate::hydraulics::valve::kv_loss_s2_m5;

/// Flow below which a backward flow shuts it, m3/s, and head above the set head that opens it, m: solver noise.
const CLOSING_FLOW_M3_S: f64 = 1.0e-12;
const OPENING_HEAD_M: f64 = 1.0e-9;
/// Newton steps for the head of a flow; the curve is convex, so that they close in from one side.
const STEPS_MAX: usize = 40;

/// A relief valve and whether it stands open.
///
/// Equation: with h the head across it, `Q = o sqrt(h / r)`, `o = (h - h_set) / (h_full - h_set)` up to 1
/// (r -> loss of the open Kv). It follows the pressure at once: no mass, no blow-down (the head at which it shuts is that
/// at which it opens).
/// Range: `0 < h_set < h_full`. Accuracy: `agrees_with_closed_form_flow_of_a_relief_valve`.
/// Source: proportional relief valves as the trade describes them (common practice, no source).
#[derive(Debug, Clone, Copy)]
pub(crate) struct ReliefValve {
    loss_s2_m5: f64,
    set_m: f64,
    full_m: f64,
    pub(crate) open: bool,
}

impl ReliefValve {
    pub(crate) fn new(name: &str, spec: &ReliefValveSpec, liquid: &LiquidSpec) -> Result<Self, HydraulicsError> {
        let refuse = |quantity, value, unit, allowed| {
            Err(HydraulicsError::OutOfRange { place: name.to_owned(), quantity, value, unit, allowed })
        };
        if !(spec.kv_open_m3_h > 0.0 && spec.kv_open_m3_h.is_finite()) {
            return refuse("Kv", spec.kv_open_m3_h, "m3/h", "above 0");
        }
        if !(spec.set_pa > 0.0 && spec.set_pa.is_finite()) {
            return refuse("set pressure", spec.set_pa, "Pa", "above 0");
        }
        if !(spec.full_open_pa > spec.set_pa && spec.full_open_pa.is_finite()) {
            return refuse("pressure of full opening", spec.full_open_pa, "Pa", "above the set pressure");
        }
        let weight_n_m3 = liquid.density_kg_m3 * liquid.gravity_m_s2;
        Ok(Self {
            loss_s2_m5: kv_loss_s2_m5(spec.kv_open_m3_h, liquid.gravity_m_s2),
            set_m: spec.set_pa / weight_n_m3,
            full_m: spec.full_open_pa / weight_n_m3,
            open: false,
        })
    }

    pub(super) fn gain(&self, flow_m3_s: f64) -> Gain {
        if !self.open {
            return Gain::shut();
        }
        let root = self.loss_s2_m5.sqrt();
        if flow_m3_s * root >= self.full_m.sqrt() {
            return Gain::loss(self.loss_s2_m5, flow_m3_s);
        }
        let span_m = self.full_m - self.set_m;
        let slope = |head_m: f64| head_m.sqrt() / span_m + 0.5 * (head_m - self.set_m) / (span_m * head_m.sqrt());
        let wanted = flow_m3_s * root;
        if wanted <= 0.0 {
            let by_flow = root / slope(self.set_m);
            return Gain { head_m: -self.set_m - by_flow * flow_m3_s, head_by_flow: -by_flow, ..Gain::default() };
        }
        let mut head_m = self.full_m;
        for _ in 0..STEPS_MAX {
            let step_m = ((head_m - self.set_m) / span_m * head_m.sqrt() - wanted) / slope(head_m);
            head_m -= step_m;
            if step_m.abs() <= 1.0e-15 * head_m {
                break;
            }
        }
        Gain { head_m: -head_m, head_by_flow: -root / slope(head_m), ..Gain::default() }
    }

    pub(super) fn change_state(&mut self, head_across_m: f64, flow_m3_s: f64) -> bool {
        let moves =
            if self.open { flow_m3_s < -CLOSING_FLOW_M3_S } else { head_across_m > self.set_m + OPENING_HEAD_M };
        self.open ^= moves;
        moves
    }
}
