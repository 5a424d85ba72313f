//! A pipe as a loss without length or elasticity: what a steady state sees of it.
//!
//! Equation: `H_from - H_to = (f L/D + K) V|V| / (2 g)`, see [`crate::hydraulics::pipe`].
//! Range: any flow; a pipe without friction and losses takes no head.
//! Accuracy: rounding (the floor below enters the slope alone); `published_fluids_head_losses_in_steady_flow`.
//! Source: Darcy-Weisbach, Colebrook.

use super::Gain;
use crate::hydraulics::pipe::Resistance;

/// A pipe's resistance as a link.
#[derive(Debug, Clone)]
pub(crate) struct PipeLoss(pub(crate) Resistance);

impl PipeLoss {
    pub(super) fn gain(&self, flow_m3_s: f64) -> Gain {
        // The floor keeps Newton's matrix regular where pipes without friction run side by side.
        const SLOPE_FLOOR_S_M2: f64 = 1.0e-6;
        Gain {
            head_m: -self.0.per_flow(flow_m3_s) * flow_m3_s,
            head_by_flow: -self.0.slope(flow_m3_s).max(SLOPE_FLOOR_S_M2),
            ..Gain::default()
        }
    }
}
