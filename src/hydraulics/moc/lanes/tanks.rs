//! Tanks in lanes: levels, and places that are nothing but a tank at the end of one pipe.

use super::isa::Isa;
use super::place::{Lanes, Place};
use super::reach::Reach;

/// One tank a lane.
#[derive(Debug, Clone)]
#[repr(C, align(64))]
pub(super) struct LaneTank<const W: usize> {
    pub(super) area_m2: Lanes<W>,
    /// 2 A / dt, 1 / A.
    pub(super) conductance_m2_s: Lanes<W>,
    pub(super) per_area: Lanes<W>,
    pub(super) overflow_m: Lanes<W>,
    pub(super) level_m: Lanes<W>,
    pub(super) inflow_m3_s: Lanes<W>,
    pub(super) node: usize,
    /// Its level stands still in all lanes, whatever runs in.
    pub(super) still: bool,
}

impl<const W: usize> LaneTank<W> {
    /// It is too large to move, or spills what comes in.
    #[inline(always)]
    pub(super) fn is_still(&self, l: usize) -> bool {
        let spills = (self.level_m[l] >= self.overflow_m[l]) & (self.inflow_m3_s[l] >= 0.0);
        spills | (self.per_area[l] == 0.0)
    }
}

impl<const W: usize> Place<W> {
    /// Solve a place that is a tank at the end of one pipe, where its level stands still. False, with nothing done, where it
    /// moves in some lane.
    #[inline(always)]
    pub(super) fn advance_full<I: Isa>(&mut self, reaches: &mut [Reach<W>], dt_s: &Lanes<W>) -> bool {
        let (tank, node, end) = (&mut self.tanks[0], &mut self.nodes[0], &self.ends[0]);
        let mut still = true;
        for l in 0..W {
            still &= tank.is_still(l);
        }
        if !still {
            return false;
        }
        let offer = &reaches[end.pipe].offers[usize::from(end.at_to)];
        let mut inflow = [0.0; W];
        for l in 0..W {
            inflow[l] = (offer.head_m[l] - tank.level_m[l]) / offer.impedance_s_m2[l];
            node.held[l] = 1.0;
        }
        (node.head_m, node.held_m) = (tank.level_m, tank.level_m);
        reaches[end.pipe].set_end::<I>(end.at_to, &node.head_m, &inflow);
        if tank.still {
            return true;
        }
        for l in 0..W {
            let arrived_m3 = 0.5 * dt_s[l] * (tank.inflow_m3_s[l] + inflow[l]);
            let level_m = tank.level_m[l] + arrived_m3 * tank.per_area[l];
            tank.inflow_m3_s[l] = inflow[l];
            tank.level_m[l] = if level_m < tank.overflow_m[l] { level_m } else { tank.overflow_m[l] };
        }
        true
    }

    /// As above where it moves. False, with nothing done, where it stands still in some lane.
    ///
    /// Equation: `H = (H_offer + Z (C z + q)) / (1 + Z C)` (Z -> impedance of the end, C = 2 A / dt, z -> old level, q -> old
    /// inflow), and what runs in is `(H_offer - H) / Z = (C (H_offer - z) - q) / (1 + Z C)`.
    #[inline(always)]
    pub(super) fn advance_reservoir<I: Isa>(&mut self, reaches: &mut [Reach<W>], dt_s: &Lanes<W>) -> bool {
        let (tank, node, end) = (&mut self.tanks[0], &mut self.nodes[0], &self.ends[0]);
        let mut spills = false;
        for l in 0..W {
            spills |= tank.is_still(l);
        }
        if spills {
            return false;
        }
        let offer = &reaches[end.pipe].offers[usize::from(end.at_to)];
        let mut inflow = [0.0; W];
        for l in 0..W {
            let (z, c) = (offer.impedance_s_m2[l], tank.conductance_m2_s[l]);
            let known = c * tank.level_m[l] + tank.inflow_m3_s[l];
            let share = 1.0 / (1.0 + z * c);
            inflow[l] = (c * (offer.head_m[l] - tank.level_m[l]) - tank.inflow_m3_s[l]) * share;
            node.head_m[l] = (offer.head_m[l] + z * known) * share;
            node.held[l] = 0.0;
        }
        reaches[end.pipe].set_end::<I>(end.at_to, &node.head_m, &inflow);
        for l in 0..W {
            let arrived_m3 = 0.5 * dt_s[l] * (tank.inflow_m3_s[l] + inflow[l]);
            tank.inflow_m3_s[l] = inflow[l];
            tank.level_m[l] = (tank.level_m[l] + arrived_m3 * tank.per_area[l]).min(tank.overflow_m[l]);
        }
        true
    }

    #[inline(always)]
    pub(super) fn close_tanks(&mut self, dt_s: &Lanes<W>) {
        for i in 0..self.tanks.len() {
            if self.tanks[i].still {
                continue;
            }
            let at = self.tanks[i].node;
            let arrival = self.arrival(at);
            let (tank, node) = (&mut self.tanks[i], &self.nodes[at]);
            for l in 0..W {
                // A tank that moves is inside `arrival` with what it takes itself: its inflow is the rest.
                let moves = if node.held[l] > 0.0 { 0.0 } else { tank.conductance_m2_s[l] };
                let taken =
                    moves * (node.head_m[l] - tank.level_m[l]) - if moves > 0.0 { tank.inflow_m3_s[l] } else { 0.0 };
                let inflow = if moves > 0.0 { taken } else { arrival[l] };
                let arrived_m3 = 0.5 * dt_s[l] * (tank.inflow_m3_s[l] + inflow);
                tank.inflow_m3_s[l] = inflow;
                let level_m = tank.level_m[l] + arrived_m3 * tank.per_area[l];
                tank.level_m[l] = level_m.min(tank.overflow_m[l]);
            }
        }
    }
}
