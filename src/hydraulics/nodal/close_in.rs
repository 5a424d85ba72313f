//! The way to a solution at an open air valve where Newton finds none: the head at the valve is closed in on from both
//! sides. What air comes and goes has an edge at the atmosphere's pressure, a root beside it and no slope at all beyond the
//! choked flow, so that Newton may go round in circles; but the water that arrives falls and the water taken rises with
//! the head at the valve, so that there is one solution, and it lies between any two heads that disagree on its side.

use super::{Drive, Hold, Nodal, Unsolved, inflow};
use crate::hydraulics::moc::boundary::AirValve;
use crate::hydraulics::roots::brent;

/// First step away from the valve's level in search of the other side, m.
const FIRST_STEP_M: f64 = 1.0e-3;
/// Steps, each four times the one before: up to 1e9 m.
const STEPS: usize = 20;

impl Nodal {
    /// [`Nodal::newton_or_leap`]; where that fails and one air valve is open, closed in on.
    pub(super) fn newton_or_close_in(&mut self, drive: Drive<'_>) -> Result<(), Unsolved> {
        let open = |hold: &Hold| matches!(hold, Hold::Air(AirValve { open: true, .. }));
        let mut valves = self.nodes.iter().enumerate().filter(|(_, node)| open(&node.hold));
        let Some((index, _)) = valves.next() else { return self.newton_or_leap(drive) };
        let alone = valves.next().is_none();
        self.store_before();
        let begun = self.before.clone();
        let first = self.newton_or_leap(drive);
        if first.is_ok() || !alone {
            return first;
        }
        self.store_before();
        let left = self.before.clone();
        self.put(&begun);
        if self.close_in(index, drive).is_none() {
            self.put(&left);
            return first;
        }
        Ok(())
    }

    /// Head at the air valve of node `index` at which it takes what arrives; none where the rest has no solution.
    fn close_in(&mut self, index: usize, drive: Drive<'_>) -> Option<f64> {
        let Hold::Air(valve) = self.nodes[index].hold else { return None };
        self.nodes[index].hold = Hold::Fixed;
        let found = self.closed_in_m(index, &valve, drive);
        self.nodes[index].hold = Hold::Air(valve);
        let head_m = found?;
        self.store_before();
        let closed_in = self.before.clone();
        // The last digits, from so near that it is quick or does not matter.
        if self.newton(drive).is_err() {
            self.put(&closed_in);
        }
        Some(head_m)
    }

    fn closed_in_m(&mut self, index: usize, valve: &AirValve, drive: Drive<'_>) -> Option<f64> {
        let level_m = valve.elevation_m;
        let mut excess_m3_s = |head_m: f64| {
            self.nodes[index].head_m = head_m;
            match self.newton(drive) {
                Ok(()) => inflow(index, &self.nodes[index], &self.links) - valve.taken(head_m).0,
                Err(_) => f64::NAN,
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
                return excess_m3_s(head_m).is_finite().then_some(head_m);
            }
            near_m = far_m;
            step_m *= 4.0;
        }
        None
    }
}
