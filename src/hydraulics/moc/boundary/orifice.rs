//! A fixed orifice between pipe ends: `H_from - H_to = r Q|Q|` both ways.
//!
//! Accuracy: exact in steady flow (`agrees_with_closed_form_flow_of_an_orifice`); taken as if steady at every instant.

use super::Gain;
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::spec::OrificeSpec;
use std::f64::consts::FRAC_PI_4;

/// An orifice.
///
/// Equation: `Q = C A sqrt(2 g dH)`, hence `r = 1 / (2 g C^2 A^2)` (C -> discharge coefficient, A -> area of the hole).
/// Range: any flow, the same both ways; all of the drop is lost (nothing is won back behind it).
/// Source: Torricelli's law with a discharge coefficient; 0.6 to 0.62 sharp-edged, 0.98 rounded (common practice).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Orifice {
    loss_s2_m5: f64,
}

impl Orifice {
    pub(crate) fn new(name: &str, spec: &OrificeSpec, gravity_m_s2: f64) -> Result<Self, HydraulicsError> {
        let refuse = |quantity, value, unit, allowed| {
            Err(HydraulicsError::OutOfRange { place: name.to_owned(), quantity, value, unit, allowed })
        };
        if !(spec.bore_m > 0.0 && spec.bore_m.is_finite()) {
            return refuse("bore of the orifice", spec.bore_m, "m", "above 0");
        }
        if !(spec.discharge_coefficient > 0.0 && spec.discharge_coefficient <= 1.0) {
            return refuse("discharge coefficient", spec.discharge_coefficient, "", "above 0, at most 1");
        }
        let effective_m2 = spec.discharge_coefficient * FRAC_PI_4 * spec.bore_m * spec.bore_m;
        Ok(Self { loss_s2_m5: 1.0 / (2.0 * gravity_m_s2 * effective_m2 * effective_m2) })
    }

    pub(super) fn gain(&self, flow_m3_s: f64) -> Gain {
        Gain::loss(self.loss_s2_m5, flow_m3_s)
    }
}
