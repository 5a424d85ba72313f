//! A pump with a check valve or valve right behind it, in lanes: no matrix.
//!
//! Equation: with the heads at either end by their flow alone, `H_0 = F_0 - z_0 Q_p` and `H_1 = F_1 + z_1 Q_v`, three are left
//! beside the shaft's: `H_0 + h(Q_p, w) - H = 0` of the pump, `H - r Q_v |Q_v| - H_c - H_1 = 0` of the valve (`Q_v = 0` where
//! it is shut) and `Q_p - Q_v = c (H - H_old)` of the fitting between them, with its trace of elasticity. Newton's step
//! is solved by putting the change of H in terms of that of Q_p first: `dH = alpha + beta dQ_p`.

use super::isa::Isa;
use super::newton::{ITERATIONS_MAX, STEP_SHARE};
use super::place::{Drives, LaneShaft, Lanes, Law, Place};

impl<const W: usize> Place<W> {
    /// The place is one of this kind.
    pub(super) fn as_series(&self) -> bool {
        let [pump, valve] = self.links.as_slice() else { return false };
        let at = |node: usize| self.links.iter().filter(|link| link.from == node || link.to == node).count();
        let end = |node: usize| !self.nodes[node].fitting && self.nodes[node].outlet_m.is_none() && at(node) == 1;
        let between = self.nodes[pump.to].fitting && at(pump.to) == 2;
        let kinds = matches!((&pump.law, &valve.law), (Law::Pump(_), Law::Loss { .. }));
        kinds && self.nodes.len() == 3 && pump.to == valve.from && between && end(pump.from) && end(valve.to)
    }

    /// Newton's iteration from the state at hand; false, with the state as near as it came, where some pump is at a corner of its
    /// curve. Lanes that did not converge stay active.
    #[inline(always)]
    pub(super) fn solve_series<I: Isa, D: Drives<W>>(
        &mut self,
        shaft: &mut LaneShaft<W>,
        drives: &D,
        active: &mut Lanes<W>,
    ) -> bool {
        let Self { nodes, links, point, drive, .. } = self;
        let [pump, valve] = links.as_mut_slice() else { return false };
        let Law::Pump(pumps) = &mut pump.law else { return false };
        let Law::Loss { loss_s2_m5, floor, cracking_m, shut, .. } = &valve.law else { return false };
        // Copies: a loop over lanes becomes vectors where nothing it writes can be what it reads.
        let (loss_s2_m5, floor, cracking_m, shut) = (loss_s2_m5.0, floor.0, cracking_m.0, shut.0);
        let (per_flow, per_speed, motion) = (pumps.per_flow, pumps.per_speed, shaft.motion);
        let (mut at, (mut torque, mut slope), mut going) = (*point, *drive, *active);
        let (from, between, to) = (pump.from, pump.to, valve.to);
        let (mut free, mut impedance) = ([[0.0; W]; 2], [[0.0; W]; 2]);
        for (end, node) in [&nodes[from], &nodes[to]].into_iter().enumerate() {
            for l in 0..W {
                let free_m = node.reference_m[l] + node.supply_m3_s[l] * node.inverse[l];
                free[end][l] = if node.held[l] > 0.0 { node.held_m[l] } else { free_m };
                impedance[end][l] = node.inverse[l];
            }
        }
        let (elasticity, old_m) = (nodes[between].conductance_m2_s, nodes[between].reference_m);
        let (mut q_p, mut q_v, mut head) = (pump.flow_m3_s, valve.flow_m3_s, nodes[between].head_m);
        let mut speed = shaft.speed_rad_s;
        let (mut share, mut rest) = ([0.0; W], [0.0; W]);
        for l in 0..W {
            share[l] = shaft.per_torque[l] * shaft.theta[l];
            let known = (1.0 - shaft.theta[l]) * shaft.old_torque_n_m[l] - shaft.motion[l] * shaft.friction_n_m[l];
            rest[l] = shaft.old_speed_rad_s[l] + shaft.per_torque[l] * known;
        }
        let mut smooth = true;
        for _ in 0..ITERATIONS_MAX {
            smooth = pumps.at::<I>(&q_p, &speed, &mut at);
            if !smooth {
                break;
            }
            drives.torque(&speed, &mut torque, &mut slope);
            // No sum of numbers: the loop would go lane by lane for its order.
            let mut any = false;
            for l in 0..W {
                let on = going[l] > 0.0;
                let (closed, c) = (shut[l] > 0.0, elasticity[l]);
                let size = loss_s2_m5[l] * q_v[l].abs();
                let held_size = if size > floor[l] { size } else { floor[l] };
                let by_flow = -2.0 * held_size - impedance[1][l];
                let lost = size * q_v[l] + cracking_m[l];
                let over_valve = head[l] - lost - (free[1][l] + impedance[1][l] * q_v[l]);
                let over_pump = free[0][l] - impedance[0][l] * q_p[l] + at.head_m[l] - head[l];
                let arrival = q_p[l] - q_v[l] - c * (head[l] - old_m[l]);
                let per = 1.0 / if closed { c } else { 1.0 - by_flow * c };
                let alpha = per * if closed { q_v[l] + arrival } else { -(over_valve + by_flow * arrival) };
                let beta = per * if closed { 1.0 } else { -by_flow };
                let held = motion[l] == 0.0;
                let turning = speed[l] - rest[l] - share[l] * (torque[l] - at.torque_n_m[l]);
                let turning = if held { speed[l] } else { turning };
                let a = at.head_by_flow[l] - impedance[0][l] - beta;
                let b = at.head_by_speed[l];
                let e = if held { 0.0 } else { share[l] * at.torque_by_flow[l] };
                let d = if held { 1.0 } else { 1.0 + share[l] * (at.torque_by_speed[l] - slope[l]) };
                let right = alpha - over_pump;
                let inverse = 1.0 / (a * d - b * e);
                let d_p = (right * d + b * turning) * inverse;
                let d_w = -(a * turning + e * right) * inverse;
                let d_head = alpha + beta * d_p;
                let d_v = if closed { -q_v[l] } else { d_p - c * d_head + arrival };
                q_p[l] = if on { q_p[l] + d_p } else { q_p[l] };
                q_v[l] = if on { q_v[l] + d_v } else { q_v[l] };
                head[l] = if on { head[l] + d_head } else { head[l] };
                speed[l] = if on { speed[l] + d_w } else { speed[l] };
                let along = at.torque_by_flow[l] * d_p + at.torque_by_speed[l] * d_w;
                at.torque_n_m[l] = if on { at.torque_n_m[l] + along } else { at.torque_n_m[l] };
                torque[l] = if on { torque[l] + slope[l] * d_w } else { torque[l] };
                let by_flow = if d_p.abs() > d_v.abs() { d_p.abs() } else { d_v.abs() };
                let small = by_flow * per_flow[l] <= STEP_SHARE && d_w.abs() * per_speed[l] <= STEP_SHARE;
                going[l] = if small { 0.0 } else { going[l] };
                any |= on && !small;
            }
            if !any {
                break;
            }
        }
        for l in 0..W {
            nodes[from].head_m[l] = free[0][l] - impedance[0][l] * q_p[l];
            nodes[to].head_m[l] = free[1][l] + impedance[1][l] * q_v[l];
        }
        nodes[between].head_m = head;
        (*point, *drive, *active) = (at, (torque, slope), going);
        (pump.flow_m3_s, valve.flow_m3_s, shaft.speed_rad_s) = (q_p, q_v, speed);
        smooth
    }
}
