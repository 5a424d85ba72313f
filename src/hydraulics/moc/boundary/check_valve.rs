//! A check valve between pipe ends: closes at zero flow, opens above its cracking head, within the step.
//!
//! Equation: open `H_from - H_to = h_c + r Q|Q|` (h_c -> `cracking_head_m`), shut `Q = 0`.
//! Range: any flow that the step before had; at most two moves within one step, see [`crate::hydraulics::nodal`].
//! Accuracy: it shuts on the step in which the flow would turn, so that nothing runs back; the moment is good to one step
//! (`law_check_valve_opens_and_closes_once_in_a_cycle`, `law_volume_balances_and_check_valves_pass_one_way`).
//! Source: common practice, no source (a disc without mass); with mass see [`super::disc_valve`].

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
