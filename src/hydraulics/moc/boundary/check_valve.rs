//! A check valve between pipe ends: closes at zero flow, opens above its cracking head, within the step.

use super::Gain;
use crate::hydraulics::check_valve::CheckValve;

pub(super) fn gain(valve: &CheckValve, flow_m3_s: f64) -> Gain {
    if !valve.open {
        return Gain::shut();
    }
    let loss = Gain::loss(valve.loss_s2_m5, flow_m3_s);
    Gain { head_m: loss.head_m - valve.cracking_head_m, ..loss }
}

pub(super) fn change_state(valve: &mut CheckValve, head_across_m: f64, flow_m3_s: f64) -> bool {
    let moves = valve.must_move(head_across_m, flow_m3_s);
    valve.open ^= moves;
    moves
}
