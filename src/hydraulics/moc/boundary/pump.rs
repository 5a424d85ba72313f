//! The pump between pipe ends: head and torque of the new level at the new level's speed and flow.

use super::Gain;
use crate::hydraulics::pump::Pump;

pub(super) fn gain(pump: &Pump, flow_m3_s: f64, speed_rad_s: f64) -> Gain {
    let point = pump.at(flow_m3_s, speed_rad_s);
    Gain {
        head_m: point.head_m,
        head_by_flow: point.head_by_flow,
        head_by_speed: point.head_by_speed,
        torque_n_m: point.torque_n_m,
        torque_by_flow: point.torque_by_flow,
        torque_by_speed: point.torque_by_speed,
        shut: false,
    }
}
