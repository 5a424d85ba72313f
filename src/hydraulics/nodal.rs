//! Heads at nodes and flows through elements without length, solved together: the one Newton iteration of the
//! hydraulics. A steady state is one such system over the whole network; a time step has one at every place where pipes
//! end, coupled with the shaft where the pump is.
//!
//! Equation: at each node the flows of links, pipe ends and terminal parts add to nothing; along each link
//! `H_to - H_from = gain(Q, w)`; with a shaft its torque balance. Newton's method on heads, flows and speed, the step halved
//! while it makes the residual worse; states of valves and outlets are changed between solutions.
//! Range: any joined elements; a system without solution is reported with its residual, never passed on as NaN.
//! Accuracy: heads to 1e-13 of the largest head plus 1 m, flows to 1e-14 of those that meet; 1e-9 where rounding keeps it from
//! that (`law_any_network_is_refused_with_a_reason_or_gives_numbers_and_stays_when_nothing_moves`,
//! `law_any_ladder_of_loops_has_a_steady_state_that_stays`).
//! Source: Newton's method with halved steps, from memory.

mod close_in;

use super::moc::boundary::{AirValve, Boundary, Gain, Gas};
use super::shaft::{Motion, ShaftStep};
use super::tube_law::HoseEnds;

/// Most Newton iterations in one solution.
pub(crate) const ITERATIONS_MAX: usize = 80;
/// Most re-solutions because a check valve, an outlet or the shaft changed its state.
const ROUNDS_MAX: usize = 8;
/// Times one element may change its state within one solution.
const MOVES_MAX: u8 = 2;
/// Halvings of a Newton step that makes things worse.
const HALVINGS_MAX: usize = 10;
/// Iterations and halvings where a state is looked for patiently: corners of curves are then closed in on bit by bit.
const PATIENT: (usize, usize) = (1000, 40);
/// Head residual at which an equation counts as met, share of the largest head plus 1 m.
const HEAD_TOLERANCE: f64 = 1.0e-13;
/// Flow residual at which continuity counts as met, share of the flows met at the node.
const FLOW_TOLERANCE: f64 = 1.0e-14;
/// Resolution of a head in the numbers, share of the head: what continuity at a large tank cannot go below.
const HEAD_RESOLUTION: f64 = 4.0e-16;
/// Residual that is accepted where rounding keeps the iteration from the tolerances above, share of the largest head.
const STALLED_TOLERANCE: f64 = 1.0e-9;
/// Nearer than this to an air valve's edge a step may pass it, m.
const EDGE_M: f64 = 1.0e-9;
/// Least share of its head that a pump is held at through a step that finds no solution otherwise.
const HELD_LEAST: f64 = 0.1;
/// Flows from which a step that finds no solution is solved again, shares of rated flow: small and backwards first.
const LEAPS: [f64; 6] = [-0.1, 0.1, -0.5, 0.5, -1.0, 1.0];
/// Residual at which such a step is accepted, m: of head, or 5e-8 m3/s of flow.
const HELD_RESIDUAL_M: f64 = 1.0e-3;
/// Smallest flow that counts, m3/s.
const FLOW_FLOOR_M3_S: f64 = 1.0e-15;
/// Weight that makes a flow residual comparable with a head residual, s/m2 (a pipe impedance a/(gA) of some 80 mm bore).
const FLOW_WEIGHT_S_M2: f64 = 2.0e4;
/// Flow at which an outlet counts as running backwards, m3/s.
const OUTLET_FLOW_M3_S: f64 = 1.0e-12;
/// Head above an outlet at which it opens, m.
const OUTLET_HEAD_M: f64 = 1.0e-9;

/// What holds a node besides the links.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Hold {
    /// Inflow `supply - conductance * (head - reference)` from pipe ends and stores.
    Free,
    /// The head stays as it is.
    Fixed,
    /// Open: head at this level and outflow; shut: as free.
    Outlet { level_m: f64, open: bool },
    /// Parted: the head stays at boiling; whole: as free, after a cavity left by the step before has taken its filling.
    Cavity { boiling_m: f64, filling_m3_s: f64, parted: bool },
    /// As free, beside gas that takes water.
    Gas(Gas),
    /// As free, with an air valve.
    Air(AirValve),
    /// As free, with the ends of lay-flat hoses that hold water by their tube law.
    Hoses(HoseEnds),
}

/// A node of the system.
#[derive(Debug, Clone)]
pub(crate) struct Node {
    pub(crate) hold: Hold,
    /// Inflow at the reference head, m3/s. A reference near the solution keeps the sums exact to the last bits.
    pub(crate) supply_m3_s: f64,
    pub(crate) conductance_m2_s: f64,
    pub(crate) reference_m: f64,
    pub(crate) head_m: f64,
    moves: u8,
}

impl Node {
    pub(crate) fn new(hold: Hold, head_m: f64) -> Self {
        Self { hold, supply_m3_s: 0.0, conductance_m2_s: 0.0, reference_m: head_m, head_m, moves: 0 }
    }

    fn is_open(&self) -> bool {
        match self.hold {
            Hold::Outlet { open, .. } | Hold::Cavity { parted: open, .. } => open,
            Hold::Air(valve) => valve.open,
            Hold::Free | Hold::Fixed | Hold::Gas(_) | Hold::Hoses(_) => false,
        }
    }

    fn set_open(&mut self, state: bool) {
        match &mut self.hold {
            Hold::Outlet { open, .. } | Hold::Cavity { parted: open, .. } => *open = state,
            Hold::Air(valve) => valve.open = state,
            Hold::Free | Hold::Fixed | Hold::Gas(_) | Hold::Hoses(_) => {}
        }
    }

    fn held_m(&self) -> Option<f64> {
        match self.hold {
            Hold::Fixed => Some(self.head_m),
            Hold::Outlet { level_m, open: true } => Some(level_m),
            Hold::Cavity { boiling_m, parted: true, .. } => Some(boiling_m),
            _ => None,
        }
    }

    /// Inflow that the node itself takes at its head, m3/s, and its slope, m2/s.
    fn taken(&self) -> (f64, f64) {
        match &self.hold {
            Hold::Cavity { filling_m3_s, .. } => (*filling_m3_s, 0.0),
            Hold::Gas(gas) => gas.taken(self.head_m),
            Hold::Air(valve) => valve.taken(self.head_m),
            Hold::Hoses(hoses) => hoses.taken(self.head_m),
            _ => (0.0, 0.0),
        }
    }

    fn may_change(&self) -> bool {
        matches!(self.hold, Hold::Outlet { .. } | Hold::Cavity { .. } | Hold::Air(_))
    }

    /// Let an outlet or a cavity answer to a solution; true when it changed its state.
    fn change_state(&mut self, inflow_m3_s: f64) -> bool {
        let wrong = match self.hold {
            Hold::Outlet { open: true, .. } => inflow_m3_s < -OUTLET_FLOW_M3_S,
            Hold::Outlet { level_m, open: false } => self.head_m > level_m + OUTLET_HEAD_M,
            Hold::Cavity { parted: true, .. } => inflow_m3_s > OUTLET_FLOW_M3_S,
            Hold::Cavity { boiling_m, parted: false, .. } => self.head_m < boiling_m - OUTLET_HEAD_M,
            Hold::Air(valve) => valve.must_move(self.head_m),
            Hold::Free | Hold::Fixed | Hold::Gas(_) | Hold::Hoses(_) => false,
        };
        let moves = wrong && self.moves < MOVES_MAX;
        if moves {
            self.moves += 1;
            match &mut self.hold {
                Hold::Outlet { open: state, .. } | Hold::Cavity { parted: state, .. } => *state = !*state,
                Hold::Air(valve) => {
                    valve.open = !valve.open;
                    // Far below, the air that would come in is far too much: Newton begins at the atmosphere.
                    if valve.open {
                        self.head_m = valve.elevation_m;
                    }
                }
                Hold::Free | Hold::Fixed | Hold::Gas(_) | Hold::Hoses(_) => {}
            }
        }
        moves
    }
}

/// An element without length between two nodes of the system.
#[derive(Debug, Clone)]
pub(crate) struct Link {
    pub(crate) from: usize,
    pub(crate) to: usize,
    pub(crate) flow_m3_s: f64,
    pub(crate) boundary: Boundary,
    /// A flow that it is held at, whatever the heads: while it is closed in on.
    held_m3_s: Option<f64>,
    moves: u8,
}

impl Link {
    pub(crate) fn new(from: usize, to: usize, flow_m3_s: f64, boundary: Boundary) -> Self {
        Self { from, to, flow_m3_s, boundary, held_m3_s: None, moves: 0 }
    }
}

/// No solution: what remained, m.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Unsolved {
    pub(crate) residual_m: f64,
    pub(crate) iterations: usize,
}

/// The system. `speed_rad_s` is given, or solved with the balance where there is a `shaft`.
#[derive(Debug, Clone)]
pub(crate) struct Nodal {
    pub(crate) nodes: Vec<Node>,
    pub(crate) links: Vec<Link>,
    pub(crate) shaft: Option<ShaftStep>,
    pub(crate) speed_rad_s: f64,
    matrix: Vec<f64>,
    right: Vec<f64>,
    before: Vec<f64>,
    gains: Vec<Gain>,
    /// How much more each node takes by itself a metre higher, m2/s; what the shaft's balance gives for speed and torque.
    taken_m2_s: Vec<f64>,
    balance: (f64, f64),
    /// Link flows and speed at the beginning of a time step.
    begun: Vec<f64>,
    /// What was open then: links, then nodes.
    begun_open: Vec<bool>,
    /// Heads, flows and speed before Newton's iteration.
    begun_round: Vec<f64>,
    /// Most iterations, most halvings of a step.
    most: (usize, usize),
}

/// Torque of the drive at a speed, with its slope.
pub(crate) type Drive<'a> = &'a dyn Fn(f64) -> (f64, f64);

impl Nodal {
    pub(crate) fn new(nodes: Vec<Node>, links: Vec<Link>) -> Self {
        let size = nodes.len() + links.len() + 1;
        let gains = vec![Gain::default(); links.len()];
        Self {
            taken_m2_s: vec![0.0; nodes.len()],
            balance: (0.0, 0.0),
            nodes,
            links,
            shaft: None,
            speed_rad_s: 0.0,
            matrix: vec![0.0; size * size],
            right: vec![0.0; size],
            before: vec![0.0; size],
            gains,
            begun: vec![0.0; size],
            begun_open: vec![false; size],
            begun_round: vec![0.0; size],
            most: (ITERATIONS_MAX, HALVINGS_MAX),
        }
    }

    /// Take time for a solution that is hard to find.
    pub(crate) fn be_patient(&mut self) {
        self.most = PATIENT;
    }

    /// [`Nodal::solve`] of a time step. What suction head leaves of a pump's head may fall from all to nothing within
    /// centimetres (a slow pump whose inlet boils, water parted on both sides), and Newton then finds no end: the step is
    /// taken once more with what was left at the level before (a tenth at least, so that the flow is still defined), and
    /// if that fails too with all of it. First order in the step, and only used there.
    pub(crate) fn solve_step(&mut self, drive: Drive<'_>) -> Result<(), Unsolved> {
        let links = self.links.len();
        self.begun[..links].iter_mut().zip(&self.links).for_each(|(begun, link)| *begun = link.flow_m3_s);
        self.begun[links] = self.speed_rad_s;
        let open = self.links.iter().map(|link| link.boundary.is_open()).chain(self.nodes.iter().map(Node::is_open));
        self.begun_open.iter_mut().zip(open).for_each(|(begun, open)| *begun = open);
        let mut solved = self.solve(drive);
        let draws = |link: &Link| matches!(&link.boundary, Boundary::Pump(pump) if pump.suction.is_some());
        if solved.is_ok() || !self.links.iter().any(draws) {
            return solved;
        }
        for least in [HELD_LEAST, 1.0] {
            self.go_back();
            self.hold_pumps(Some(least));
            solved = self.solve(drive);
            if solved.is_ok() || solved.is_err_and(|unsolved| unsolved.residual_m < HELD_RESIDUAL_M) {
                solved = Ok(());
                break;
            }
        }
        self.hold_pumps(None);
        solved
    }

    fn go_back(&mut self) {
        self.links.iter_mut().zip(&self.begun).for_each(|(link, begun)| link.flow_m3_s = *begun);
        self.speed_rad_s = self.begun[self.links.len()];
        let (links, nodes) = self.begun_open.split_at(self.links.len());
        self.links.iter_mut().zip(links).for_each(|(link, open)| link.boundary.set_open(*open));
        self.nodes.iter_mut().zip(nodes).for_each(|(node, open)| node.set_open(*open));
        for node in self.nodes.iter_mut().filter(|node| !matches!(node.hold, Hold::Fixed)) {
            node.head_m = node.reference_m;
        }
    }

    /// Pumps keep what suction head and gas leave them now, at least this share, or are free again.
    fn hold_pumps(&mut self, least: Option<f64>) {
        for link in &mut self.links {
            let inlet_m = self.nodes[link.from].head_m;
            if let Boundary::Pump(pump) = &mut link.boundary {
                pump.held = None;
                pump.held = least.map(|least| pump.left(link.flow_m3_s, self.speed_rad_s, inlet_m, least));
            }
        }
    }

    /// Solve from the present state, letting check valves, outlets and the shaft change theirs.
    pub(crate) fn solve(&mut self, drive: Drive<'_>) -> Result<(), Unsolved> {
        let gas = self.nodes.iter().any(|node| matches!(node.hold, Hold::Gas(_) | Hold::Air(_) | Hold::Hoses(_)));
        if self.links.is_empty() && !gas {
            return self.solve_single_nodes();
        }
        self.nodes.iter_mut().for_each(|node| node.moves = 0);
        self.links.iter_mut().for_each(|link| link.moves = 0);
        let mut outcome = Ok(());
        for _ in 0..ROUNDS_MAX {
            outcome = self.newton_or_close_in(drive);
            let moved = if outcome.is_ok() { self.change_states() } else { self.shut_the_least() };
            if !moved {
                break;
            }
        }
        outcome
    }

    /// Between still heads, with no water before or behind it that has inertia, the flow through a pump that slows down leaps at
    /// the fold of its curve: no state near the last one is left, and Newton stays at the fold. It is begun from other flows
    /// until one has an end.
    fn newton_or_leap(&mut self, drive: Drive<'_>) -> Result<(), Unsolved> {
        if !self.links.iter().any(|link| link.boundary.rated_flow_m3_s().is_some()) {
            return self.newton(drive);
        }
        self.store_before();
        self.begun_round.copy_from_slice(&self.before);
        let first = self.newton(drive);
        if first.is_ok() {
            return first;
        }
        self.store_before();
        let (begun, left) = (self.begun_round.clone(), self.before.clone());
        for share in LEAPS {
            self.put(&begun);
            for link in &mut self.links {
                link.flow_m3_s = link.boundary.rated_flow_m3_s().map_or(link.flow_m3_s, |rated| share * rated);
            }
            if self.newton(drive).is_ok() {
                return Ok(());
            }
        }
        self.put(&left);
        first
    }

    /// Heads, flows and speed as stored.
    fn put(&mut self, stored: &[f64]) {
        let (nodes, links) = (self.nodes.len(), self.links.len());
        self.nodes.iter_mut().zip(stored).for_each(|(node, head_m)| node.head_m = *head_m);
        self.links.iter_mut().zip(&stored[nodes..]).for_each(|(link, flow_m3_s)| link.flow_m3_s = *flow_m3_s);
        self.speed_rad_s = stored[nodes + links];
    }

    /// Where there is no solution a pump may be too weak for its open check valve: the head of a pump that droops at shut-off
    /// falls on either side of no flow. The check valve with the least flow shuts; if that was wrong it opens again.
    fn shut_the_least(&mut self) -> bool {
        let open = |link: &&mut Link| {
            link.moves < MOVES_MAX && matches!(&link.boundary, Boundary::CheckValve(valve) if valve.open)
        };
        let least = self.links.iter_mut().filter(open).min_by(|a, b| a.flow_m3_s.total_cmp(&b.flow_m3_s));
        let Some(link) = least else { return false };
        if let Boundary::CheckValve(valve) = &mut link.boundary {
            valve.open = false;
        }
        link.moves += 1;
        link.flow_m3_s = 0.0;
        true
    }

    fn solve_single_nodes(&mut self) -> Result<(), Unsolved> {
        for node in &mut self.nodes {
            let free_m = node.reference_m + (node.supply_m3_s - node.taken().0) / node.conductance_m2_s;
            match &mut node.hold {
                Hold::Free | Hold::Gas(_) | Hold::Air(_) | Hold::Hoses(_) => node.head_m = free_m,
                Hold::Fixed => {}
                Hold::Outlet { level_m, open } => {
                    *open = free_m >= *level_m;
                    node.head_m = free_m.min(*level_m);
                }
                Hold::Cavity { boiling_m, parted, .. } => {
                    *parted = free_m < *boiling_m;
                    node.head_m = free_m.max(*boiling_m);
                }
            }
            if !node.head_m.is_finite() {
                return Err(Unsolved { residual_m: f64::NAN, iterations: 0 });
            }
        }
        Ok(())
    }

    fn size(&self) -> usize {
        self.nodes.len() + self.links.len() + usize::from(self.shaft.is_some())
    }

    fn largest_head_m(&self) -> f64 {
        self.nodes.iter().fold(1.0_f64, |largest, node| largest.max(node.head_m.abs()))
    }

    fn newton(&mut self, drive: Drive<'_>) -> Result<(), Unsolved> {
        let (mut merit, mut done) = self.residuals(drive);
        for _ in 0..self.most.0 {
            if done {
                return Ok(());
            }
            self.fill_matrix();
            let n = self.size();
            if !eliminate(&mut self.matrix[..n * n], &mut self.right[..n]) {
                break;
            }
            self.store_before();
            (merit, done) = self.step(drive, merit);
            if !merit.is_finite() {
                break;
            }
        }
        let stalled = self.is_near(merit);
        if done || stalled { Ok(()) } else { Err(Unsolved { residual_m: merit.sqrt(), iterations: self.most.0 }) }
    }

    fn is_near(&self, merit: f64) -> bool {
        merit.sqrt() <= STALLED_TOLERANCE * self.largest_head_m()
    }

    /// The present state solves the equations, as near as is accepted.
    fn is_met(&mut self, drive: Drive<'_>) -> bool {
        let (merit, done) = self.residuals(drive);
        done || self.is_near(merit)
    }

    /// Share of a step that brings no open air valve and no lay-flat hose past the atmosphere's pressure: there the slope may
    /// change by orders of magnitude, and Newton would leap to and fro. The next step goes on from the edge with the slope beyond it.
    fn share_to_edge(&self, change: &[f64]) -> f64 {
        let nodes = self.nodes.iter().zip(&self.before).zip(change);
        nodes.fold(1.0, |share, ((node, before_m), change_m)| {
            let elevation_m = match node.hold {
                Hold::Air(AirValve { open: true, elevation_m, .. }) => elevation_m,
                Hold::Hoses(HoseEnds { elevation_m, .. }) => elevation_m,
                _ => return share,
            };
            let to_edge_m = elevation_m - before_m;
            let passes = to_edge_m.abs() > EDGE_M && to_edge_m * change_m > 0.0 && change_m.abs() > to_edge_m.abs();
            if passes { share.min(to_edge_m / change_m) } else { share }
        })
    }

    /// Take the step in `right`, halved until it is no worse than before or no halving helps.
    fn step(&mut self, drive: Drive<'_>, merit: f64) -> (f64, bool) {
        let n = self.size();
        let mut change = std::mem::take(&mut self.matrix);
        change[..n].copy_from_slice(&self.right[..n]);
        let longest = self.share_to_edge(&change[..n]);
        let mut share = longest;
        let mut result = (f64::NAN, false);
        for _ in 0..self.most.1 {
            self.apply(&change[..n], share);
            result = self.residuals(drive);
            if result.1 || result.0 < merit {
                break;
            }
            share *= 0.5;
        }
        let better = result.0 < merit;
        if !result.1 && !better {
            self.apply(&change[..n], longest);
            result = self.residuals(drive);
        }
        self.matrix = change;
        result
    }

    fn store_before(&mut self) {
        let (nodes, links) = (self.nodes.len(), self.links.len());
        for (slot, node) in self.before.iter_mut().zip(&self.nodes) {
            *slot = node.head_m;
        }
        for (slot, link) in self.before[nodes..].iter_mut().zip(&self.links) {
            *slot = link.flow_m3_s;
        }
        self.before[nodes + links] = self.speed_rad_s;
    }

    fn apply(&mut self, change: &[f64], share: f64) {
        let (nodes, links) = (self.nodes.len(), self.links.len());
        for (i, node) in self.nodes.iter_mut().enumerate() {
            node.head_m = self.before[i] + share * change[i];
        }
        for (i, link) in self.links.iter_mut().enumerate() {
            link.flow_m3_s = self.before[nodes + i] + share * change[nodes + i];
        }
        if self.shaft.is_some() {
            self.speed_rad_s = self.before[nodes + links] + share * change[nodes + links];
        }
    }

    /// Minus the residuals into `right`; their weighted square sum, and whether all are met.
    fn residuals(&mut self, drive: Drive<'_>) -> (f64, bool) {
        let nodes = self.nodes.len();
        let (mut merit, mut done) = (0.0, true);
        let largest_m = self.largest_head_m();
        let mut note = |residual: f64, weight: f64, tolerance: f64| {
            merit += (residual * weight) * (residual * weight);
            done &= residual.abs() <= tolerance;
        };
        for (i, node) in self.nodes.iter().enumerate() {
            let Some(held_m) = node.held_m() else {
                let (residual, met, by_head) = node_residual(i, node, &self.links);
                self.taken_m2_s[i] = by_head;
                note(residual, FLOW_WEIGHT_S_M2, met);
                self.right[i] = -residual;
                continue;
            };
            let residual = node.head_m - held_m;
            note(residual, 1.0, HEAD_TOLERANCE * largest_m);
            self.right[i] = -residual;
        }
        for (i, link) in self.links.iter().enumerate() {
            let gain = link.boundary.gain_from(link.flow_m3_s, self.speed_rad_s, self.nodes[link.from].head_m);
            self.gains[i] = gain;
            let given_m3_s = link.held_m3_s.or(gain.shut.then_some(0.0));
            let residual = match given_m3_s {
                Some(given_m3_s) => link.flow_m3_s - given_m3_s,
                None => self.nodes[link.from].head_m + gain.head_m - self.nodes[link.to].head_m,
            };
            let (weight, tolerance) = match given_m3_s {
                Some(given_m3_s) => (FLOW_WEIGHT_S_M2, FLOW_FLOOR_M3_S + FLOW_TOLERANCE * given_m3_s.abs()),
                None => (1.0, HEAD_TOLERANCE * largest_m),
            };
            note(residual, weight, tolerance);
            self.right[nodes + i] = -residual;
        }
        if let Some(shaft) = &self.shaft {
            let torque_n_m = self.gains.iter().map(|gain| gain.torque_n_m).sum();
            let (residual, by_speed, by_torque) = shaft.residual(self.speed_rad_s, drive(self.speed_rad_s), torque_n_m);
            self.balance = (by_speed, by_torque);
            note(residual, 1.0, HEAD_TOLERANCE * (1.0 + self.speed_rad_s.abs()));
            self.right[nodes + self.links.len()] = -residual;
        }
        (merit, done)
    }

    /// Of the state whose residuals were last looked at.
    fn fill_matrix(&mut self) {
        let n = self.size();
        let (nodes, links) = (self.nodes.len(), self.links.len());
        let matrix = &mut self.matrix[..n * n];
        matrix.fill(0.0);
        for (i, node) in self.nodes.iter().enumerate() {
            matrix[i * n + i] = match node.held_m() {
                Some(_) => 1.0,
                None => -node.conductance_m2_s - self.taken_m2_s[i],
            };
        }
        for (i, (link, gain)) in self.links.iter().zip(&self.gains).enumerate() {
            let (row, column) = ((nodes + i) * n, nodes + i);
            if self.nodes[link.to].held_m().is_none() {
                matrix[link.to * n + column] = 1.0;
            }
            if self.nodes[link.from].held_m().is_none() {
                matrix[link.from * n + column] = -1.0;
            }
            if gain.shut || link.held_m3_s.is_some() {
                matrix[row + column] = 1.0;
                continue;
            }
            matrix[row + link.from] = 1.0 + gain.head_by_inlet;
            matrix[row + link.to] = -1.0;
            matrix[row + column] = gain.head_by_flow;
            if self.shaft.is_some() {
                matrix[row + nodes + links] = gain.head_by_speed;
            }
        }
        if self.shaft.is_some() {
            let row = (nodes + links) * n;
            let (by_speed, by_torque) = self.balance;
            matrix[row + nodes + links] = by_speed;
            for (i, (gain, link)) in self.gains.iter().zip(&self.links).enumerate() {
                matrix[row + nodes + i] = by_torque * gain.torque_by_flow;
                matrix[row + link.from] += by_torque * gain.torque_by_inlet;
                matrix[row + nodes + links] += by_torque * gain.torque_by_speed;
            }
        }
    }

    /// Let check valves, outlets and the shaft answer to the solution; true when one moved.
    fn change_states(&mut self) -> bool {
        let mut moved = false;
        for link in &mut self.links {
            let across_m = self.nodes[link.from].head_m - self.nodes[link.to].head_m;
            if link.moves < MOVES_MAX && link.boundary.change_state(across_m, link.flow_m3_s) {
                link.moves += 1;
                moved = true;
            }
        }
        for i in 0..self.nodes.len() {
            if self.nodes[i].may_change() {
                let inflow_m3_s = inflow(i, &self.nodes[i], &self.links, self.nodes[i].taken().0);
                moved |= self.nodes[i].change_state(inflow_m3_s);
            }
        }
        if let Some(shaft) = &mut self.shaft
            && shaft.must_hold(self.speed_rad_s)
        {
            shaft.motion = Motion::Held;
            moved = true;
        }
        moved
    }
}

/// What arrives at a node from pipe ends and links beyond what it takes itself, m3/s.
fn inflow(index: usize, node: &Node, links: &[Link], taken_m3_s: f64) -> f64 {
    let held_m3_s = node.supply_m3_s - taken_m3_s - node.conductance_m2_s * (node.head_m - node.reference_m);
    links.iter().fold(held_m3_s, |sum, link| {
        sum + if link.to == index { link.flow_m3_s } else { 0.0 }
            - if link.from == index { link.flow_m3_s } else { 0.0 }
    })
}

/// Residual of a node that nothing holds, the size below which it counts as met, and how much more it takes by itself a
/// metre higher.
fn node_residual(index: usize, node: &Node, links: &[Link]) -> (f64, f64, f64) {
    let held_m3_s = node.conductance_m2_s * (node.head_m - node.reference_m).abs();
    let met = |link: &&Link| link.to == index || link.from == index;
    let (taken_m3_s, by_head) = node.taken();
    let own_m3_s = node.supply_m3_s.abs() + taken_m3_s.abs() + held_m3_s;
    let size = links.iter().filter(met).fold(own_m3_s, |sum, link| sum + link.flow_m3_s.abs());
    let gas_m3_s = match &node.hold {
        Hold::Gas(gas) => gas.resolution_m3_s(),
        Hold::Air(valve) => valve.resolution_m3_s(),
        Hold::Hoses(hoses) => hoses.resolution_m3_s(node.head_m, by_head),
        _ => 0.0,
    };
    let resolution_m3_s = HEAD_RESOLUTION * (node.conductance_m2_s + by_head) * node.head_m.abs() + gas_m3_s;
    let met_m3_s = FLOW_TOLERANCE * size + resolution_m3_s + FLOW_FLOOR_M3_S;
    (inflow(index, node, links, taken_m3_s), met_m3_s, by_head)
}

/// Gaussian elimination with partial pivoting, in place; the solution ends in `right`. False: singular.
fn eliminate(matrix: &mut [f64], right: &mut [f64]) -> bool {
    let n = right.len();
    for column in 0..n {
        let mut pivot = column;
        for row in column + 1..n {
            if matrix[row * n + column].abs() > matrix[pivot * n + column].abs() {
                pivot = row;
            }
        }
        let largest = matrix[pivot * n + column];
        if largest == 0.0 || largest.is_nan() {
            return false;
        }
        if pivot != column {
            for k in column..n {
                matrix.swap(pivot * n + k, column * n + k);
            }
            right.swap(pivot, column);
        }
        let (above, below) = matrix.split_at_mut((column + 1) * n);
        let pivots = &above[column * n + column..][..n - column];
        let (known, rest) = right.split_at_mut(column + 1);
        for (row, right) in below.chunks_exact_mut(n).zip(rest) {
            let row = &mut row[column..];
            let factor = row[0] / largest;
            if factor != 0.0 {
                row.iter_mut().zip(pivots).for_each(|(value, pivot)| *value -= factor * pivot);
                *right -= factor * known[column];
            }
        }
    }
    for row in (0..n).rev() {
        let known = (row + 1..n).fold(right[row], |sum, k| sum - matrix[row * n + k] * right[k]);
        right[row] = known / matrix[row * n + row];
    }
    true
}
