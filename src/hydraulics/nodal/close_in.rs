//! The way to a solution where Newton finds none beside an open air valve, gas or a lay-flat hose, or at a kink of
//! a pump's curve: the head there is closed in
//! on from both sides. What air comes and goes has an edge at the atmosphere's pressure, a root beside it and no slope at all
//! beyond the choked flow, and a hose hands out its water within centimetres, so that Newton may go round in circles; but
//! the water that arrives falls and the water taken rises with the head there, so that there is one solution, and it lies
//! between any two heads that disagree on its side. Of several such nodes one is closed in on, the others within it.

use super::{Drive, Hold, Nodal, Unsolved, inflow};
use crate::hydraulics::moc::boundary::AirValve;
use crate::hydraulics::roots::brent;
use crate::hydraulics::tube_law::HoseEnds;

/// First step away from the node's level in search of the other side, m.
const FIRST_STEP_M: f64 = 1.0e-3;
/// First step away from a flow at which a pump stalled, share of its rated flow.
const FIRST_FLOW_SHARE: f64 = 1.0e-10;
/// Steps, each four times the one before: up to 1e9 m.
const STEPS: usize = 20;

/// The head from which a node is closed in on, m; none where it has nothing that calls for it.
fn level_m(hold: &Hold, head_m: f64) -> Option<f64> {
    match hold {
        Hold::Air(AirValve { open: true, elevation_m, .. }) | Hold::Hoses(HoseEnds { elevation_m, .. }) => {
            Some(*elevation_m)
        }
        Hold::Gas(_) => Some(head_m),
        _ => None,
    }
}

/// What a node takes at a head, m3/s.
fn taken_m3_s(hold: &Hold, head_m: f64) -> f64 {
    match hold {
        Hold::Air(valve) => valve.taken(head_m).0,
        Hold::Hoses(hoses) => hoses.taken(head_m).0,
        Hold::Gas(gas) => gas.taken(head_m).0,
        _ => 0.0,
    }
}

impl Nodal {
    /// [`Nodal::newton_or_leap`]; where that fails beside air, gas or hoses, closed in on.
    pub(super) fn newton_or_close_in(&mut self, drive: Drive<'_>) -> Result<(), Unsolved> {
        if !self.nodes.iter().any(|node| level_m(&node.hold, node.head_m).is_some()) {
            return self.newton_or_leap(drive);
        }
        self.store_before();
        let begun = self.before.clone();
        let first = self.newton_or_leap(drive);
        if first.is_ok() {
            return first;
        }
        self.store_before();
        let left = self.before.clone();
        self.put(&begun);
        let nodes = 0..self.nodes.len();
        let edged: Vec<usize> =
            nodes.filter(|node| level_m(&self.nodes[*node].hold, self.nodes[*node].head_m).is_some()).collect();
        if self.close_in(&edged, drive).is_none() {
            self.put(&left);
            return first;
        }
        Ok(())
    }

    /// Close in on the first of these nodes: it then takes what arrives. None where the rest has no solution.
    fn close_in(&mut self, edged: &[usize], drive: Drive<'_>) -> Option<()> {
        let (index, others) = edged.split_first()?;
        let node = &mut self.nodes[*index];
        let level_m = level_m(&node.hold, node.head_m)?;
        let hold = std::mem::replace(&mut node.hold, Hold::Fixed);
        let found = self.close_in_from(level_m, (*index, &hold), others, drive);
        self.nodes[*index].hold = hold;
        found?;
        self.store_before();
        let closed_in = self.before.clone();
        // The last digits, from so near that it is quick or does not matter.
        if self.newton(drive).is_err() {
            self.put(&closed_in);
        }
        Some(())
    }

    fn close_in_from(
        &mut self,
        level_m: f64,
        (index, hold): (usize, &Hold),
        others: &[usize],
        drive: Drive<'_>,
    ) -> Option<()> {
        let mut excess_m3_s = |head_m: f64| {
            self.nodes[index].head_m = head_m;
            match self.solve_rest(others, drive) {
                Some(()) => {
                    inflow(index, &self.nodes[index], &self.links, self.nodes[index].taken().0)
                        - taken_m3_s(hold, head_m)
                }
                None => f64::NAN,
            }
        };
        let at_level_m3_s = excess_m3_s(level_m);
        let mut step_m = if at_level_m3_s > 0.0 { FIRST_STEP_M } else { -FIRST_STEP_M };
        let mut near_m = level_m;
        for _ in 0..STEPS {
            let far_m = level_m + step_m;
            let excess = excess_m3_s(far_m);
            if excess.is_nan() {
                return None;
            }
            if excess == 0.0 || (excess > 0.0) != (at_level_m3_s > 0.0) {
                let resolution_m = f64::EPSILON * (near_m.abs() + far_m.abs());
                let (low_m, high_m) = (near_m.min(far_m), near_m.max(far_m));
                let head_m = brent(&mut excess_m3_s, low_m, high_m, resolution_m).ok()?;
                return excess_m3_s(head_m).is_finite().then_some(());
            }
            near_m = far_m;
            step_m *= 4.0;
        }
        None
    }

    /// The rest, with one node's head given.
    fn solve_rest(&mut self, others: &[usize], drive: Drive<'_>) -> Option<()> {
        self.store_before();
        let begun = self.before.clone();
        if self.newton(drive).is_ok() {
            return Some(());
        }
        self.put(&begun);
        self.close_in(others, drive)
    }

    /// Where Newton stalls at a kink of a pump's curve, the flow of that pump is closed in on, from both sides of the flow
    /// at which it stalled: what its head exceeds the need by falls with the flow there. True when a solution was found.
    pub(crate) fn close_in_on_a_pump(&mut self, drive: Drive<'_>) -> bool {
        self.store_before();
        let left = self.before.clone();
        let pumps: Vec<(usize, f64)> = (0..self.links.len())
            .filter_map(|link| self.links[link].boundary.rated_flow_m3_s().map(|rated_m3_s| (link, rated_m3_s)))
            .collect();
        for (link, rated_m3_s) in pumps {
            let found = self.close_in_on_flow(link, rated_m3_s, drive);
            self.links[link].held_m3_s = None;
            if found.is_some() && self.is_met(drive) {
                return true;
            }
            self.put(&left);
        }
        false
    }

    fn close_in_on_flow(&mut self, link: usize, rated_m3_s: f64, drive: Drive<'_>) -> Option<()> {
        let stalled_m3_s = self.links[link].flow_m3_s;
        let mut excess_m = |flow_m3_s: f64| {
            self.links[link].flow_m3_s = flow_m3_s;
            self.links[link].held_m3_s = Some(flow_m3_s);
            if self.newton(drive).is_err() {
                return f64::NAN;
            }
            let (at, speed_rad_s) = (&self.links[link], self.speed_rad_s);
            let (from_m, to_m) = (self.nodes[at.from].head_m, self.nodes[at.to].head_m);
            from_m + at.boundary.gain_from(flow_m3_s, speed_rad_s, from_m).head_m - to_m
        };
        let here_m = excess_m(stalled_m3_s);
        let mut step_m3_s = FIRST_FLOW_SHARE * rated_m3_s * if here_m > 0.0 { 1.0 } else { -1.0 };
        for _ in 0..STEPS {
            let far_m3_s = stalled_m3_s + step_m3_s;
            let there_m = excess_m(far_m3_s);
            if there_m.is_nan() {
                return None;
            }
            if (there_m > 0.0) != (here_m > 0.0) {
                let (low, high) = (stalled_m3_s.min(far_m3_s), stalled_m3_s.max(far_m3_s));
                let flow_m3_s = brent(&mut excess_m, low, high, f64::EPSILON * rated_m3_s).ok()?;
                return excess_m(flow_m3_s).is_finite().then_some(());
            }
            step_m3_s *= 4.0;
        }
        None
    }
}
