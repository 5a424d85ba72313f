//! A valve between pipe ends: `H_from - H_to = r Q|Q|`, no flow when shut.
//!
//! Equation: `r` from the Kv at its opening, see [`crate::hydraulics::valve`]; `Q` at the new level.
//! Range: openings 0 to 1, any flow, both ways alike; it moves between two steps, never within one.
//! Accuracy: rounding for a given opening; closures against published runs in `published_valve_closures_by_characteristics`,
//! reflections in `law_a_valve_reflects_by_its_admittance`.
//! Source: WS93, valve as a boundary (from memory); coefficient by IEC 60534-1.

use super::Gain;
use crate::hydraulics::valve::Valve;

pub(super) fn gain(valve: &Valve, flow_m3_s: f64) -> Gain {
    match valve.loss_s2_m5() {
        Some(loss_s2_m5) => Gain::loss(loss_s2_m5, flow_m3_s),
        None => Gain::shut(),
    }
}
