//! The pump between pipe ends: head and torque of the new level at the new level's speed, flow and head of its inlet.
//!
//! Equation: `H_to - H_from = H(Q, w)` and its torque `T(Q, w)` at the new level, see [`crate::hydraulics::pump`]; the shaft's
//! balance is solved with them ([`crate::hydraulics::shaft`]).
//! Range: any flow and speed (four quadrants); prime 0 (passes nothing) to 1.
//! Accuracy: that of the curve; starts and trips against published runs in `published_starts_and_trips_of_motor_pump_and_line`
//! and against scipy in `agrees_with_scipy_in_coupled_runs`.
//! Source: WS93, pump as a boundary (from memory); Donsky 1961 for the four quadrants.

use super::Gain;
use crate::hydraulics::pump::Pump;

/// Least change of head over flow, s/m2: a pump that stands in still water has none, and Newton's matrix still needs one. It
/// does not enter the head.
const SLOPE_FLOOR_S_M2: f64 = 1.0e-3;

/// A pump without prime passes nothing and turns its charge as at shut-off; with air in it, head and torque fall alike.
pub(super) fn gain(pump: &Pump, flow_m3_s: f64, speed_rad_s: f64, inlet_m: f64) -> Gain {
    let prime = pump.prime_share;
    if prime <= 0.0 {
        let point = pump.at(0.0, speed_rad_s);
        let torque = (point.torque_n_m, point.torque_by_speed);
        return Gain { torque_n_m: torque.0, torque_by_speed: torque.1, ..Gain::shut() };
    }
    let drawn = pump.drawing(flow_m3_s, speed_rad_s, inlet_m);
    let point = &drawn.point;
    let slope = prime * point.head_by_flow;
    Gain {
        head_m: prime * point.head_m,
        head_by_flow: if slope.abs() < SLOPE_FLOOR_S_M2 { -SLOPE_FLOOR_S_M2 } else { slope },
        head_by_speed: prime * point.head_by_speed,
        torque_n_m: prime * point.torque_n_m,
        torque_by_flow: prime * point.torque_by_flow,
        torque_by_speed: prime * point.torque_by_speed,
        head_by_inlet: prime * drawn.head_by_inlet,
        torque_by_inlet: prime * drawn.torque_by_inlet,
        shut: false,
    }
}
