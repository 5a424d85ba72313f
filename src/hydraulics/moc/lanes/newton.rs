//! The boundary Newton in lanes.

use super::isa::Isa;
use super::place::{Drives, LaneShaft, Lanes, Law, Place};

/// Newton iterations in lanes; a lane that needs more is solved by itself.
pub(super) const ITERATIONS_MAX: usize = 9;
/// From this iteration on, what rounding leaves is taken for met.
const PATIENT_FROM: usize = 4;
/// How much more than the tolerances of one at a time is taken then.
const PATIENCE: f64 = 16.0;
/// A step of flow or speed, share of the pump's rated value, after which the iteration is at its end where head and torque
/// have no corners: what is left is about its square.
pub(super) const STEP_SHARE: f64 = 1.0e-6;
/// Tolerances as in one at a time (`nodal`).
const HEAD_TOLERANCE: f64 = 1.0e-13;
const FLOW_TOLERANCE: f64 = 1.0e-14;
const HEAD_RESOLUTION: f64 = 4.0e-16;
const FLOW_FLOOR_M3_S: f64 = 1.0e-15;
/// Flows and heads beyond which a one-way element has turned, as in one at a time.
const TURNED_M3_S: f64 = 1.0e-12;
const LIFTED_M: f64 = 1.0e-9;

impl<const W: usize> Place<W> {
    /// Newton's iteration in lanes; marks the lanes that did not converge or whose discrete state must change.
    #[inline(always)]
    pub(super) fn newton<I: Isa, D: Drives<W>>(
        &mut self,
        dt_s: &Lanes<W>,
        shaft: &mut LaneShaft<W>,
        drives: &D,
        unsound: &[bool; W],
    ) -> [bool; W] {
        self.guess(shaft);
        for node in &mut self.nodes {
            for l in 0..W {
                let free = 1.0 / node.conductance_m2_s[l].max(f64::MIN_POSITIVE);
                node.inverse[l] = if node.held[l] > 0.0 { 0.0 } else { free };
            }
        }
        let mut active = [1.0; W];
        for l in 0..W {
            active[l] = if unsound[l] { 0.0 } else { 1.0 };
        }
        if self.series && self.solve_series::<I, D>(shaft, drives, &mut active) {
            return self.lonely(shaft, &active);
        }
        let has_shaft = self.pump.is_some();
        for iteration in 0..=ITERATIONS_MAX {
            let patience = if iteration >= PATIENT_FROM { PATIENCE } else { 1.0 };
            let (slope, smooth) = self.residuals::<I, D>(dt_s, shaft, drives, patience, &mut active);
            if !any(&active) || iteration == ITERATIONS_MAX {
                break;
            }
            self.fill(has_shaft.then_some((&*shaft, dt_s, &slope)));
            let size = self.fittings + self.links.len() + usize::from(has_shaft);
            eliminate(&mut self.matrix[..size * size], &mut self.right[..size]);
            self.apply(shaft, &active);
            if smooth {
                self.rest_after_small_steps(&mut active);
                if !any(&active) {
                    break;
                }
            }
        }
        self.lonely(shaft, &active)
    }

    /// Begin from a straight line through the last two levels.
    #[inline(always)]
    fn guess(&mut self, shaft: &mut LaneShaft<W>) {
        for link in &mut self.links {
            let old = link.flow_m3_s;
            for l in 0..W {
                link.flow_m3_s[l] = 2.0 * old[l] - link.earlier_m3_s[l];
            }
            (link.before_m3_s, link.earlier_m3_s) = (old, old);
        }
        for node in &mut self.nodes {
            let old = node.head_m;
            for l in 0..W {
                let free = 2.0 * old[l] - node.earlier_m[l];
                node.head_m[l] = if node.held[l] > 0.0 { node.held_m[l] } else { free };
            }
            node.earlier_m = old;
        }
        if self.pump.is_some() {
            let (old, mut next) = (shaft.speed_rad_s, shaft.speed_rad_s);
            for l in 0..W {
                next[l] = 2.0 * old[l] - self.earlier.speed_rad_s[l];
            }
            (shaft.speed_rad_s, self.earlier.speed_rad_s) = (next, old);
        }
    }

    /// Lanes whose last step was small need no other; the torques of pump and drive follow their tangents.
    #[inline(always)]
    fn rest_after_small_steps(&mut self, active: &mut Lanes<W>) {
        let Some(pump) = self.pump else { return };
        let Law::Pump(pumps) = &self.links[pump].law else { return };
        let (links, speed) = (self.links.len(), &self.right[self.fittings + self.links.len()]);
        let mut largest = [0.0_f64; W];
        for flow in &self.right[self.fittings..self.fittings + links] {
            for l in 0..W {
                largest[l] = largest[l].max(flow[l].abs() * pumps.per_flow[l]);
            }
        }
        let flow = &self.right[self.fittings + pump];
        for l in 0..W {
            let along = self.point.torque_by_flow[l] * flow[l] + self.point.torque_by_speed[l] * speed[l];
            self.point.torque_n_m[l] += active[l] * along;
            self.drive.0[l] += active[l] * self.drive.1[l] * speed[l];
            let small = largest[l] <= STEP_SHARE && speed[l].abs() * pumps.per_speed[l] <= STEP_SHARE;
            active[l] = if small { 0.0 } else { active[l] };
        }
    }

    /// Residuals: of nodes into `rest`, of the rest into `right`; lanes that meet them all become inactive. Returns the
    /// slope of the drive, and whether the pump has no corners there.
    #[inline(always)]
    fn residuals<I: Isa, D: Drives<W>>(
        &mut self,
        dt_s: &Lanes<W>,
        shaft: &LaneShaft<W>,
        drives: &D,
        patience: f64,
        active: &mut Lanes<W>,
    ) -> (Lanes<W>, bool) {
        let mut over = [0.0_f64; W];
        let mut largest = [1.0_f64; W];
        for node in &self.nodes {
            for l in 0..W {
                largest[l] = largest[l].max(node.head_m[l].abs());
            }
        }
        self.look_at_nodes(&largest, patience, &mut over);
        let smooth = self.look_at_links::<I>(shaft, &largest, patience, &mut over);
        let (mut torque, mut slope) = ([0.0; W], [0.0; W]);
        if self.pump.is_some() {
            drives.torque(&shaft.speed_rad_s, &mut torque, &mut slope);
            self.drive = (torque, slope);
            let row = self.fittings + self.links.len();
            for l in 0..W {
                let per_torque = dt_s[l] / shaft.inertia_kg_m2[l];
                let new = shaft.theta[l] * (torque[l] - self.point.torque_n_m[l]);
                let sum =
                    new + (1.0 - shaft.theta[l]) * shaft.old_torque_n_m[l] - shaft.motion[l] * shaft.friction_n_m[l];
                let turning = shaft.speed_rad_s[l] - shaft.old_speed_rad_s[l] - per_torque * sum;
                let residual = if shaft.motion[l] == 0.0 { shaft.speed_rad_s[l] } else { turning };
                let tolerance = patience * HEAD_TOLERANCE * (1.0 + shaft.speed_rad_s[l].abs());
                self.right[row][l] = -residual;
                over[l] += if residual.abs() <= tolerance { 0.0 } else { 1.0 };
            }
        }
        for l in 0..W {
            active[l] = if over[l] > 0.0 { active[l] } else { 0.0 };
        }
        (slope, smooth)
    }

    #[inline(always)]
    fn look_at_nodes(&mut self, largest: &Lanes<W>, patience: f64, over: &mut Lanes<W>) {
        for i in 0..self.nodes.len() {
            let arrival = self.arrival(i);
            let mut size = [0.0; W];
            for link in self.links.iter().filter(|link| link.to == i || link.from == i) {
                for l in 0..W {
                    size[l] += link.flow_m3_s[l].abs();
                }
            }
            let node = &mut self.nodes[i];
            for l in 0..W {
                let held = node.held[l] > 0.0;
                let conductance = node.conductance_m2_s[l];
                let through =
                    size[l] + node.supply_m3_s[l].abs() + conductance * (node.head_m[l] - node.reference_m[l]).abs();
                let resolution = HEAD_RESOLUTION * conductance * node.head_m[l].abs();
                let flow_met = FLOW_TOLERANCE * through + resolution + FLOW_FLOOR_M3_S;
                let residual = if held { node.head_m[l] - node.held_m[l] } else { arrival[l] };
                let met = patience * if held { HEAD_TOLERANCE * largest[l] } else { flow_met };
                over[l] += if residual.abs() <= met { 0.0 } else { 1.0 };
                // What the head would take if no flow changed.
                node.rest[l] = if held { -residual } else { residual * node.inverse[l] };
            }
            if node.fitting {
                let row = self.node_row[i];
                for l in 0..W {
                    self.right[row][l] = -arrival[l];
                }
            }
        }
    }

    #[inline(always)]
    fn look_at_links<I: Isa>(
        &mut self,
        shaft: &LaneShaft<W>,
        largest: &Lanes<W>,
        patience: f64,
        over: &mut Lanes<W>,
    ) -> bool {
        let mut smooth = false;
        for i in 0..self.links.len() {
            let link = &mut self.links[i];
            let flow = link.flow_m3_s;
            let mut shut = [0.0; W];
            match &mut link.law {
                Law::Loss { loss_s2_m5, floor, cracking_m, shut: closed, .. } => {
                    for l in 0..W {
                        let slope = (loss_s2_m5[l] * flow[l].abs()).max(floor[l]);
                        link.gain_m[l] = -loss_s2_m5[l] * flow[l] * flow[l].abs() - cracking_m[l];
                        link.slope[l] = -2.0 * slope;
                    }
                    shut = closed.0;
                }
                Law::Pump(pumps) => {
                    smooth = pumps.at::<I>(&flow, &shaft.speed_rad_s, &mut self.point);
                    link.gain_m = self.point.head_m;
                    link.slope = self.point.head_by_flow;
                }
            }
            let (from, to) = (&self.nodes[link.from].head_m, &self.nodes[link.to].head_m);
            let row = &mut self.right[self.fittings + i];
            for l in 0..W {
                let closed = shut[l] > 0.0;
                let residual = if closed { flow[l] } else { from[l] + link.gain_m[l] - to[l] };
                let met = patience * if closed { FLOW_FLOOR_M3_S } else { HEAD_TOLERANCE * largest[l] };
                over[l] += if residual.abs() <= met { 0.0 } else { 1.0 };
                row[l] = -residual;
            }
        }
        smooth
    }

    /// The system in flows, speed and heads of fittings; heads of nodes with pipes or held are put in terms of flows.
    #[inline(always)]
    fn fill(&mut self, shaft: Option<(&LaneShaft<W>, &Lanes<W>, &Lanes<W>)>) {
        let (fittings, links) = (self.fittings, self.links.len());
        let size = fittings + links + usize::from(shaft.is_some());
        self.matrix[..size * size].fill([0.0; W]);
        for (i, node) in self.nodes.iter().enumerate().filter(|(_, node)| node.fitting) {
            let row = self.node_row[i] * size;
            for l in 0..W {
                self.matrix[row + self.node_row[i]][l] = -node.conductance_m2_s[l];
            }
            for (k, link) in self.links.iter().enumerate() {
                let sign = f64::from(u8::from(link.to == i)) - f64::from(u8::from(link.from == i));
                self.matrix[row + fittings + k] = [sign; W];
            }
        }
        for i in 0..links {
            self.fill_link(i, size, shaft.is_some());
        }
        if let Some((shaft, dt_s, slope)) = shaft {
            let row = (size - 1) * size;
            let pump = fittings + self.pump.unwrap_or(0);
            for l in 0..W {
                let per_torque = dt_s[l] / shaft.inertia_kg_m2[l] * shaft.theta[l];
                let held = shaft.motion[l] == 0.0;
                let by_speed = 1.0 - per_torque * slope[l] + per_torque * self.point.torque_by_speed[l];
                self.matrix[row + size - 1][l] = if held { 1.0 } else { by_speed };
                self.matrix[row + pump][l] = if held { 0.0 } else { per_torque * self.point.torque_by_flow[l] };
            }
        }
    }

    #[inline(always)]
    fn fill_link(&mut self, i: usize, size: usize, with_shaft: bool) {
        let row = (self.fittings + i) * size;
        let (from, to) = (self.links[i].from, self.links[i].to);
        for (node, sense) in [(from, 1.0), (to, -1.0)] {
            if self.nodes[node].fitting {
                self.matrix[row + self.node_row[node]] = [sense; W];
                continue;
            }
            for (k, link) in self.links.iter().enumerate() {
                let sign = f64::from(u8::from(link.to == node)) - f64::from(u8::from(link.from == node));
                if sign != 0.0 {
                    for l in 0..W {
                        self.matrix[row + self.fittings + k][l] += sense * sign * self.nodes[node].inverse[l];
                    }
                }
            }
            for l in 0..W {
                self.right[self.fittings + i][l] -= sense * self.nodes[node].rest[l];
            }
        }
        for l in 0..W {
            self.matrix[row + self.fittings + i][l] += self.links[i].slope[l];
        }
        if with_shaft && Some(i) == self.pump {
            self.matrix[row + size - 1] = self.point.head_by_speed;
        }
        if let Law::Loss { shut, .. } = &self.links[i].law {
            for column in 0..size {
                let open = if column == self.fittings + i { 1.0 } else { 0.0 };
                let value = &mut self.matrix[row + column];
                for l in 0..W {
                    value[l] = if shut[l] > 0.0 { open } else { value[l] };
                }
            }
            for l in 0..W {
                let right = &mut self.right[self.fittings + i][l];
                *right = if shut[l] > 0.0 { -self.links[i].flow_m3_s[l] } else { *right };
            }
        }
    }

    /// Take the step in `right` in all active lanes.
    #[inline(always)]
    fn apply(&mut self, shaft: &mut LaneShaft<W>, active: &Lanes<W>) {
        let fittings = self.fittings;
        for (i, node) in self.nodes.iter_mut().enumerate() {
            if node.fitting {
                let change = &self.right[self.node_row[i]];
                for l in 0..W {
                    node.head_m[l] += active[l] * change[l];
                }
                continue;
            }
            let mut flow = [0.0; W];
            for (k, link) in self.links.iter().enumerate() {
                let sign = f64::from(u8::from(link.to == i)) - f64::from(u8::from(link.from == i));
                if sign != 0.0 {
                    for l in 0..W {
                        flow[l] += sign * self.right[fittings + k][l];
                    }
                }
            }
            for l in 0..W {
                node.head_m[l] += active[l] * (node.inverse[l] * flow[l] + node.rest[l]);
            }
        }
        for (k, link) in self.links.iter_mut().enumerate() {
            for l in 0..W {
                link.flow_m3_s[l] += active[l] * self.right[fittings + k][l];
            }
        }
        if self.pump.is_some() {
            let change = &self.right[fittings + self.links.len()];
            for l in 0..W {
                shaft.speed_rad_s[l] += active[l] * change[l];
            }
        }
    }

    /// Lanes that did not converge, or where a one-way element, an outlet or the shaft must change its state.
    #[inline(always)]
    fn lonely(&self, shaft: &LaneShaft<W>, active: &Lanes<W>) -> [bool; W] {
        let mut lonely = [false; W];
        for l in 0..W {
            lonely[l] = active[l] > 0.0;
        }
        for link in &self.links {
            let Law::Loss { cracking_m, shut, one_way: true, .. } = &link.law else { continue };
            let (from, to) = (&self.nodes[link.from].head_m, &self.nodes[link.to].head_m);
            for l in 0..W {
                let lifts = from[l] - to[l] > cracking_m[l] + LIFTED_M;
                let turns = link.flow_m3_s[l] < -TURNED_M3_S;
                lonely[l] |= if shut[l] > 0.0 { lifts } else { turns };
            }
        }
        for (i, node) in self.nodes.iter().enumerate() {
            let Some(level_m) = &node.outlet_m else { continue };
            let arrival = self.arrival(i);
            for l in 0..W {
                let runs_back = arrival[l] < -TURNED_M3_S;
                let rises = node.head_m[l] > level_m[l] + LIFTED_M;
                lonely[l] |= if node.held[l] > 0.0 { runs_back } else { rises };
            }
        }
        if self.pump.is_some() {
            for l in 0..W {
                lonely[l] |= shaft.friction_n_m[l] > 0.0 && shaft.speed_rad_s[l] * shaft.motion[l] < 0.0;
            }
        }
        lonely
    }
}

/// Some lane is not 0.
#[inline(always)]
fn any<const W: usize>(lanes: &Lanes<W>) -> bool {
    let mut any = false;
    for l in 0..W {
        any |= lanes[l] != 0.0;
    }
    any
}

/// Gaussian elimination with partial pivoting, each lane its own pivots; a singular lane becomes no number.
#[inline(always)]
fn eliminate<const W: usize>(matrix: &mut [Lanes<W>], right: &mut [Lanes<W>]) {
    let n = right.len();
    for column in 0..n {
        for row in column + 1..n {
            swap_to_larger(matrix, right, column, row);
        }
        let pivot = matrix[column * n + column];
        for row in column + 1..n {
            let mut factor = [0.0; W];
            for l in 0..W {
                factor[l] = matrix[row * n + column][l] / pivot[l];
            }
            for k in column + 1..n {
                let above = matrix[column * n + k];
                let value = &mut matrix[row * n + k];
                for l in 0..W {
                    value[l] -= factor[l] * above[l];
                }
            }
            let above = right[column];
            for l in 0..W {
                right[row][l] -= factor[l] * above[l];
            }
        }
    }
    for row in (0..n).rev() {
        let mut known = right[row];
        for k in row + 1..n {
            for l in 0..W {
                known[l] -= matrix[row * n + k][l] * right[k][l];
            }
        }
        for l in 0..W {
            right[row][l] = known[l] / matrix[row * n + row][l];
        }
    }
}

#[inline(always)]
fn swap_to_larger<const W: usize>(matrix: &mut [Lanes<W>], right: &mut [Lanes<W>], column: usize, row: usize) {
    let n = right.len();
    let mut larger = [false; W];
    for l in 0..W {
        larger[l] = matrix[row * n + column][l].abs() > matrix[column * n + column][l].abs();
    }
    if !larger.iter().fold(false, |any, this| any | this) {
        return;
    }
    for k in column..n {
        let (a, b) = (matrix[column * n + k], matrix[row * n + k]);
        for l in 0..W {
            matrix[column * n + k][l] = if larger[l] { b[l] } else { a[l] };
            matrix[row * n + k][l] = if larger[l] { a[l] } else { b[l] };
        }
    }
    let (a, b) = (right[column], right[row]);
    for l in 0..W {
        right[column][l] = if larger[l] { b[l] } else { a[l] };
        right[row][l] = if larger[l] { a[l] } else { b[l] };
    }
}
