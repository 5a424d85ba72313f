//! A valve between pipe ends: `H_from - H_to = r Q|Q|`, no flow when shut.

use super::Gain;
use crate::hydraulics::valve::Valve;

pub(super) fn gain(valve: &Valve, flow_m3_s: f64) -> Gain {
    match valve.loss_s2_m5() {
        Some(loss_s2_m5) => Gain::loss(loss_s2_m5, flow_m3_s),
        None => Gain::shut(),
    }
}
