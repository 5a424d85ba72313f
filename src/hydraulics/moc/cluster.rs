//! A place where pipes end: nodes and the elements without length between them, solved together at the new level. A pipe
//! too short for the grid counts as one of these.
//!
//! Equation: each pipe end brings its characteristic, `H = C -+ B Q` at the new level; tanks, gas and outlets bring their law of
//! head and inflow; the whole is one system of [`crate::hydraulics::nodal`].
//! Range: any number of pipes and elements at a place; tanks that move, run over or dry; cavities at nodes without terminal
//! part.
//! Accuracy: that of the system; reflections and junctions in `published_joukowsky_rise_and_junction_coefficients_by_simulation`,
//! shares of a flow in `law_a_branching_line_shares_its_flow`, volume in `law_volume_balances_and_check_valves_pass_one_way`.
//! Source: WS93, method of characteristics, boundary conditions (from memory).

use super::boundary::{AirValve, Boundary, Gas, ShortPipe, Tank, TankStep};
use super::cavity::NodeCavity;
use super::front::Front;
use super::interior::Line;
use super::lay_flat::holds_hose_ends;
use super::store::Store;
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::network::{Network, joined};
use crate::hydraulics::nodal::{Drive, Hold, Link, Nodal, Node, Unsolved};
use crate::hydraulics::pipe::bore_area_m2;
use crate::hydraulics::pump::Pump;
use crate::hydraulics::spec::{ElementKind, ElementSpec, Terminal};
use crate::hydraulics::steady::{SteadyState, boundary_of};
use crate::hydraulics::tube_law::HoseEnds;

/// Elasticity of a fitting between two elements with no pipe, m2/s: it holds the head of a fitting that both shut.
/// A litre of water would give 1e-5 at usual steps; this little one passes under 1e-10 m3/s.
const FITTING_M2_S: f64 = 1.0e-12;

/// Nodes joined by elements without length.
#[derive(Debug, Clone)]
pub(crate) struct Cluster {
    /// Node indices of the network, in the order of `nodal.nodes`.
    pub(crate) nodes: Vec<usize>,
    /// Element indices of the network, in the order of `nodal.links`.
    pub(crate) elements: Vec<usize>,
    pub(crate) nodal: Nodal,
    ends: Vec<End>,
    tanks: Vec<TankAt>,
    outlets: Vec<OutletAt>,
    stores: Vec<StoreAt>,
    /// One a node; only nodes without terminal part.
    cavities: Vec<NodeCavity>,
}

#[derive(Debug, Clone)]
struct End {
    node: usize,
    pipe: usize,
    at_to: bool,
}

#[derive(Debug, Clone)]
struct TankAt {
    node: usize,
    tank: Tank,
    step: TankStep,
    start_m: f64,
    /// Water in the smallest pipe that begins here, m3: air from a dry tank may fill no more.
    line_m3: f64,
}

/// A tank that has run dry.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Dry {
    /// Place of its node in the cluster.
    pub(crate) node: usize,
    /// Level of its bottom, m.
    pub(crate) level_m: f64,
    /// Water that is drawn from where there is none, m3/s.
    pub(crate) drawn_m3_s: f64,
    /// Air that has followed the water into the line, m3.
    pub(crate) air_m3: f64,
    /// The most that the line there can hold, m3.
    pub(crate) line_m3: f64,
}

/// The give of a short pipe's half at a node.
#[derive(Debug, Clone)]
struct StoreAt {
    node: usize,
    store: Store,
}

#[derive(Debug, Clone)]
struct OutletAt {
    node: usize,
    outflow_m3_s: f64,
    /// Of the level before, m3/s.
    before_m3_s: f64,
}

impl Cluster {
    /// All clusters of a network in a steady state.
    pub(crate) fn all(network: &Network, line: &Line, steady: &SteadyState) -> Result<Vec<Self>, HydraulicsError> {
        let spec = network.spec();
        let without_length = |(index, element): &(usize, &ElementSpec)| match element.kind {
            ElementKind::Pipe(_) => line.lumped.contains(index),
            ElementKind::Blank { .. } => false,
            _ => true,
        };
        let links = spec.elements.iter().enumerate().filter(without_length);
        let part = joined(spec.nodes.len(), links.map(|(_, element)| (element.from, element.to)));
        let count = part.iter().max().map_or(0, |last| last + 1);
        (0..count).map(|this| Self::new(network, line, steady, &part, this)).collect()
    }

    fn new(
        network: &Network,
        line: &Line,
        steady: &SteadyState,
        part: &[usize],
        this: usize,
    ) -> Result<Self, HydraulicsError> {
        let spec = network.spec();
        let nodes: Vec<usize> = (0..part.len()).filter(|node| part[*node] == this).collect();
        let local = |node: usize| nodes.iter().position(|n| *n == node);
        let mut elements = Vec::new();
        let mut links = Vec::new();
        let mut ends = Vec::new();
        let passing = |(_, element): &(usize, &ElementSpec)| !matches!(element.kind, ElementKind::Blank { .. });
        for (index, element) in spec.elements.iter().enumerate().filter(passing) {
            if let Some(pipe) = line.pipes.iter().position(|pipe| pipe.element == index) {
                ends.extend(local(element.from).map(|node| End { node, pipe, at_to: false }));
                ends.extend(local(element.to).map(|node| End { node, pipe, at_to: true }));
            } else if let (Some(from), Some(to)) = (local(element.from), local(element.to)) {
                let mut boundary = match &element.kind {
                    ElementKind::Pipe(pipe) => {
                        let flow_m3_s = steady.flows_m3_s[index];
                        Boundary::ShortPipe(Box::new(ShortPipe::new(pipe, &spec.liquid, line.dt_s, flow_m3_s)))
                    }
                    _ => boundary_of(spec, element, steady.open[index])?,
                };
                match &mut boundary {
                    Boundary::DiscValve(valve) => valve.let_move(steady.flows_m3_s[index]),
                    Boundary::OtherPump(pump) => pump.let_turn(line.dt_s, steady.flows_m3_s[index]),
                    _ => {}
                }
                elements.push(index);
                links.push(Link::new(from, to, steady.flows_m3_s[index], boundary));
            }
        }
        let mut cluster = Self {
            nodal: Nodal::new(nodes.iter().map(|node| start_node(network, steady, *node)).collect(), links),
            cavities: vec![NodeCavity::default(); nodes.len()],
            nodes,
            elements,
            ends,
            tanks: Vec::new(),
            outlets: Vec::new(),
            stores: Vec::new(),
        };
        cluster.nodal.speed_rad_s = steady.speed_rad_s;
        cluster.let_short_pipes_give(network);
        cluster.let_pipe_ends_part(network);
        cluster.let_hose_ends_hold(network, line);
        cluster.add_terminals(network, line);
        Ok(cluster)
    }

    /// Half the give of a short pipe goes to either end; a tank's level takes it without more ado.
    fn let_short_pipes_give(&mut self, network: &Network) {
        let spec = network.spec();
        for (link, element) in self.nodal.links.iter().zip(&self.elements) {
            let (Boundary::ShortPipe(short), ElementKind::Pipe(pipe)) = (&link.boundary, &spec.elements[*element].kind)
            else {
                continue;
            };
            for node in [link.from, link.to] {
                if !matches!(spec.nodes[self.nodes[node]].terminal, Terminal::Tank { .. }) {
                    let store = short.half_store(pipe, self.nodal.nodes[node].head_m);
                    self.stores.push(StoreAt { node, store });
                }
            }
        }
    }

    /// Water may part wherever a pipe ends; a fitting without one has no volume to part.
    fn let_pipe_ends_part(&mut self, network: &Network) {
        let spec = network.spec();
        let ends = self.ends.iter().map(|end| end.node).chain(self.stores.iter().map(|at| at.node));
        for node in ends {
            let described = &spec.nodes[self.nodes[node]];
            if described.terminal == Terminal::None {
                let boiling_m = described.elevation_m + spec.liquid.boiling_m();
                self.nodal.nodes[node].hold = Hold::Cavity { boiling_m, filling_m3_s: 0.0, parted: false };
            }
        }
    }

    /// A lay-flat hose hands out its water near zero gauge before anything parts.
    fn let_hose_ends_hold(&mut self, network: &Network, line: &Line) {
        let spec = network.spec();
        for end in &self.ends {
            let (pipe, node) = (&line.pipes[end.pipe], self.nodes[end.node]);
            let ElementKind::Pipe(described) = &spec.elements[pipe.element].kind else { continue };
            if !holds_hose_ends(spec, node) {
                continue;
            }
            let Some(law) = pipe.tube_law() else { continue };
            let held = &mut self.nodal.nodes[end.node];
            let mut hoses = match held.hold {
                Hold::Hoses(hoses) => hoses,
                _ => HoseEnds::new(spec.nodes[node].elevation_m, &spec.liquid, line.dt_s),
            };
            hoses.add(described, pipe.cells(), law);
            held.hold = Hold::Hoses(hoses);
        }
        for node in &mut self.nodal.nodes {
            if let Hold::Hoses(hoses) = &mut node.hold {
                hoses.set_full(true, node.head_m);
            }
        }
    }

    fn add_terminals(&mut self, network: &Network, line: &Line) {
        for (node, index) in self.nodes.iter().enumerate() {
            let arrival_m3_s = self.arrival_m3_s(line, node);
            let described = &network.spec().nodes[*index];
            let terminal = &described.terminal;
            if let Some(tank) = Tank::new(described, arrival_m3_s) {
                let (start_m, line_m3) = (tank.level_m, self.line_m3(network, line, node));
                self.tanks.push(TankAt { node, tank, step: TankStep::Still, start_m, line_m3 });
            }
            if let Terminal::Gas(spec) = terminal {
                let (described, liquid) = (&network.spec().nodes[*index], &network.spec().liquid);
                let held = &mut self.nodal.nodes[node];
                held.hold = Hold::Gas(Gas::new(described, spec, liquid, held.head_m, line.dt_s));
            }
            if let Terminal::AirValve(spec) = terminal {
                let (described, liquid) = (&network.spec().nodes[*index], &network.spec().liquid);
                self.nodal.nodes[node].hold = Hold::Air(AirValve::new(spec, described.elevation_m, liquid, line.dt_s));
            }
            if *terminal == Terminal::FreeOutlet {
                self.outlets.push(OutletAt { node, outflow_m3_s: arrival_m3_s, before_m3_s: arrival_m3_s });
            }
        }
    }

    /// Solve the new level from what the pipe ends offer; returns the volume that left the system, m3.
    pub(crate) fn advance(&mut self, line: &mut Line, drive: Drive<'_>) -> Result<f64, Unsolved> {
        self.move_discs(line.dt_s);
        self.gather(line);
        self.nodal.solve_step(drive)?;
        for end in &self.ends {
            line.pipes[end.pipe].set_end(end.at_to, self.nodal.nodes[end.node].head_m);
        }
        self.end_links();
        Ok(self.close_terminals(line))
    }

    fn end_links(&mut self) {
        for link in &mut self.nodal.links {
            match &mut link.boundary {
                Boundary::OtherPump(pump) => pump.end(link.flow_m3_s),
                Boundary::ShortPipe(pipe) => pipe.end(link.flow_m3_s),
                _ => {}
            }
        }
        for at in &mut self.stores {
            at.store.end(self.nodal.nodes[at.node].head_m);
        }
    }

    fn move_discs(&mut self, dt_s: f64) {
        let nodes = &self.nodal.nodes;
        for link in &mut self.nodal.links {
            if let Boundary::DiscValve(valve) = &mut link.boundary {
                let across_m = nodes[link.from].head_m - nodes[link.to].head_m;
                valve.advance(dt_s, across_m, link.flow_m3_s);
            }
        }
    }

    fn gather(&mut self, line: &Line) {
        for (node, cavity) in self.nodal.nodes.iter_mut().zip(&self.cavities) {
            node.reference_m = node.head_m;
            node.supply_m3_s = 0.0;
            node.conductance_m2_s = 0.0;
            if let Hold::Cavity { filling_m3_s, .. } = &mut node.hold {
                *filling_m3_s = cavity.filling_m3_s(line.dt_s);
            }
        }
        self.follow_hoses(line);
        for end in &self.ends {
            let offer = line.pipes[end.pipe].end(end.at_to);
            let node = &mut self.nodal.nodes[end.node];
            node.supply_m3_s += (offer.offer_m - node.reference_m) / offer.impedance_s_m2;
            node.conductance_m2_s += 1.0 / offer.impedance_s_m2;
        }
        for at in &self.stores {
            let node = &mut self.nodal.nodes[at.node];
            let (supply_m3_s, conductance_m2_s) = at.store.offer(node.reference_m);
            node.supply_m3_s += supply_m3_s;
            node.conductance_m2_s += conductance_m2_s;
        }
        for at in &mut self.tanks {
            let node = &mut self.nodal.nodes[at.node];
            at.step = at.tank.step(line.dt_s);
            match at.step {
                TankStep::Still => {
                    node.hold = Hold::Fixed;
                    node.head_m = at.tank.level_m;
                }
                TankStep::Moves { conductance_m2_s } => {
                    node.hold = Hold::Free;
                    node.supply_m3_s += conductance_m2_s * (at.tank.level_m - node.reference_m) + at.tank.inflow_m3_s;
                    node.conductance_m2_s += conductance_m2_s;
                }
            }
        }
        for node in self.nodal.nodes.iter_mut().filter(|node| node.conductance_m2_s == 0.0) {
            node.conductance_m2_s = FITTING_M2_S;
        }
    }

    /// A hose that fills holds nothing by its tube law until its front has arrived.
    pub(crate) fn follow_hoses(&mut self, line: &Line) {
        for (index, node) in self.nodal.nodes.iter_mut().enumerate() {
            if let Hold::Hoses(hoses) = &mut node.hold {
                let here = |end: &&End| end.node == index && line.pipes[end.pipe].is_lay_flat();
                let full = self.ends.iter().filter(here).all(|end| line.pipes[end.pipe].front.is_none());
                hoses.set_full(full, node.head_m);
            }
        }
    }

    fn close_terminals(&mut self, line: &Line) -> f64 {
        let mut left_m3 = 0.0;
        for i in 0..self.tanks.len() {
            let inflow_m3_s = self.arrival_m3_s(line, self.tanks[i].node);
            left_m3 += self.tanks[i].tank.end(inflow_m3_s, line.dt_s);
        }
        for i in 0..self.outlets.len() {
            let outflow_m3_s = self.arrival_m3_s(line, self.outlets[i].node);
            left_m3 += 0.5 * line.dt_s * (self.outlets[i].outflow_m3_s + outflow_m3_s);
            self.outlets[i].before_m3_s = self.outlets[i].outflow_m3_s;
            self.outlets[i].outflow_m3_s = outflow_m3_s;
        }
        for node in 0..self.nodal.nodes.len() {
            let inflow_m3_s = self.arrival_m3_s(line, node);
            let held = &mut self.nodal.nodes[node];
            match &mut held.hold {
                Hold::Gas(gas) => gas.end(inflow_m3_s),
                Hold::Air(valve) => valve.end(held.head_m, inflow_m3_s),
                Hold::Hoses(hoses) => hoses.end(inflow_m3_s),
                _ => {}
            }
        }
        for node in 0..self.cavities.len() {
            let Hold::Cavity { parted, .. } = self.nodal.nodes[node].hold else { continue };
            if parted || self.cavities[node].is_active() {
                let inflow_m3_s = self.arrival_m3_s(line, node);
                self.cavities[node].end(inflow_m3_s, parted, line.dt_s);
            }
        }
        left_m3
    }

    /// What left by the outlet at a node in the step just taken, m3.
    pub(crate) fn left_by_outlet_m3(&self, node: usize, dt_s: f64) -> f64 {
        let outlet = self.outlets.iter().find(|outlet| outlet.node == node);
        outlet.map_or(0.0, |outlet| 0.5 * dt_s * (outlet.before_m3_s + outlet.outflow_m3_s))
    }

    /// Pour water into the tank at a node; returns what spills, m3.
    pub(crate) fn pour(&mut self, node: usize, volume_m3: f64) -> f64 {
        let tank = self.tanks.iter_mut().find(|tank| tank.node == node);
        tank.map_or(volume_m3, |at| {
            let spilt_m3 = at.tank.pour(volume_m3);
            self.nodal.nodes[node].head_m = at.tank.level_m;
            spilt_m3
        })
    }

    /// Vapour at a node of this cluster, m3.
    pub(crate) fn cavity_m3(&self, node: usize) -> f64 {
        match &self.nodal.nodes[node].hold {
            Hold::Hoses(hoses) => hoses.vapour_m3(),
            _ => self.cavities[node].volume_m3,
        }
    }

    /// What pipes and elements bring to a node beyond what short pipes there take in, m3/s.
    fn arrival_m3_s(&self, line: &Line, node: usize) -> f64 {
        let ends = self.ends.iter().filter(|end| end.node == node);
        let taken_m3_s: f64 = self.stores.iter().filter(|at| at.node == node).map(|at| at.store.inflow_m3_s()).sum();
        let from_pipes = ends.map(|end| line.pipes[end.pipe].inflow_m3_s(end.at_to)).sum::<f64>() - taken_m3_s;
        self.nodal.links.iter().fold(from_pipes, |sum, link| match node {
            n if n == link.to => sum + link.flow_m3_s,
            n if n == link.from => sum - link.flow_m3_s,
            _ => sum,
        })
    }

    /// Flow through a node: what arrives by elements that end there, or leaves by those that begin there, or the mean.
    pub(crate) fn through_m3_s(&self, line: &Line, node: usize) -> f64 {
        let pipes = self.ends.iter().filter(|end| end.node == node);
        let pipes = pipes.map(|end| (end.at_to, line.pipes[end.pipe].inflow_m3_s(end.at_to)));
        let links = self.nodal.links.iter().filter(|link| link.to == node || link.from == node);
        let links = links.map(|link| (link.to == node, if link.to == node { link.flow_m3_s } else { -link.flow_m3_s }));
        let (mut arriving, mut leaving) = ((0, 0.0), (0, 0.0));
        for (ends_here, inflow_m3_s) in pipes.chain(links) {
            let side = if ends_here { &mut arriving } else { &mut leaving };
            *side = (side.0 + 1, side.1 + if ends_here { inflow_m3_s } else { -inflow_m3_s });
        }
        match (arriving, leaving) {
            ((0, _), (_, out)) => out,
            ((_, into), (0, _)) => into,
            ((_, into), (_, out)) => 0.5 * (into + out),
        }
    }

    /// Water stored in tanks above their level at the start, less what cavities displace, m3.
    pub(crate) fn stored_m3(&self, dt_s: f64) -> f64 {
        let tanks: f64 = self.tanks.iter().map(|at| at.tank.stored_m3(at.start_m)).sum();
        let gases: f64 = self.gases().map(|(_, gas)| gas.grown_m3()).sum();
        let air: f64 = self.air_valves().map(|(_, valve)| valve.store.missing_m3(dt_s)).sum();
        let hoses: f64 = self.hoses().map(HoseEnds::stored_m3).sum();
        let short: f64 = self.stores.iter().map(|at| at.store.held_m3()).sum();
        tanks + hoses + short - gases - air - self.cavities.iter().map(|cavity| cavity.missing_m3(dt_s)).sum::<f64>()
    }

    /// Bodies of gas, with the place of their node in this cluster.
    pub(crate) fn gases(&self) -> impl Iterator<Item = (usize, &Gas)> {
        self.nodal.nodes.iter().enumerate().filter_map(|(node, held)| match &held.hold {
            Hold::Gas(gas) => Some((node, gas)),
            _ => None,
        })
    }

    fn hoses(&self) -> impl Iterator<Item = &HoseEnds> {
        self.nodal.nodes.iter().filter_map(|held| match &held.hold {
            Hold::Hoses(hoses) => Some(hoses),
            _ => None,
        })
    }

    /// Air valves, with the place of their node in this cluster.
    pub(crate) fn air_valves(&self) -> impl Iterator<Item = (usize, &AirValve)> {
        self.nodal.nodes.iter().enumerate().filter_map(|(node, held)| match &held.hold {
            Hold::Air(valve) => Some((node, valve)),
            _ => None,
        })
    }

    /// Level of the tank at a node of this cluster.
    pub(crate) fn level_m(&self, node: usize) -> Option<f64> {
        self.tanks.iter().find(|at| at.node == node).map(|at| at.tank.level_m)
    }

    /// Tanks that have run dry.
    pub(crate) fn dry(&self) -> impl Iterator<Item = Dry> {
        self.tanks.iter().filter(|at| at.tank.air_m3 > 0.0).map(|at| Dry {
            node: at.node,
            level_m: at.tank.level_m,
            drawn_m3_s: -at.tank.inflow_m3_s,
            air_m3: at.tank.air_m3,
            line_m3: at.line_m3,
        })
    }

    /// Places of tanks that stand at their rim while water comes in.
    pub(crate) fn overflowing(&self) -> impl Iterator<Item = usize> {
        self.tanks.iter().filter(|at| at.tank.runs_over()).map(|at| at.node)
    }

    /// Level of the bottom of the tank at a node of this cluster, minus infinity where none is known, m.
    pub(crate) fn tank_bottom_m(&self, node: usize) -> f64 {
        let tank = self.tanks.iter().find(|at| at.node == node);
        tank.filter(|at| at.tank.may_move()).map_or(f64::NEG_INFINITY, |at| at.tank.bottom_m)
    }

    /// Volume of the smallest pipe that ends at a node, m3; none where an element without length is.
    fn line_m3(&self, network: &Network, line: &Line, node: usize) -> f64 {
        let here = |link: &&Link| link.from == node || link.to == node;
        let mut short_m3 = f64::INFINITY;
        for link in self.nodal.links.iter().filter(here) {
            let Boundary::ShortPipe(short) = &link.boundary else { return 0.0 };
            short_m3 = short_m3.min(short.volume_m3);
        }
        let here = |pipe: usize| self.ends.iter().any(|end| end.node == node && line.pipes[end.pipe].element == pipe);
        let pipes = network.pipes().filter(|(element, _)| here(*element));
        pipes.map(|(_, pipe)| pipe.length_m * bore_area_m2(pipe)).fold(short_m3, f64::min)
    }

    /// A lay-flat hose ends here: when its water runs back it folds, and no air follows.
    fn collapses(&self, line: &Line) -> bool {
        self.ends.iter().any(|end| end.at_to && line.pipes[end.pipe].is_lay_flat())
    }

    /// Outlets hold their head whichever way the water runs: backwards, air follows it.
    pub(crate) fn admit_air(&mut self, line: &Line) {
        if self.collapses(line) {
            return;
        }
        for at in &self.outlets {
            let node = &mut self.nodal.nodes[at.node];
            if let Hold::Outlet { level_m, .. } = node.hold {
                node.hold = Hold::Fixed;
                node.head_m = level_m;
            }
        }
    }

    /// Air stands in this place: at an outlet, or where a pipe that leaves is empty.
    pub(crate) fn in_air(&self, line: &Line) -> bool {
        let empty = |end: &End| !end.at_to && line.pipes[end.pipe].front.as_ref().is_some_and(Front::is_dry);
        !self.outlets.is_empty() || self.ends.iter().any(empty)
    }

    /// True where an outlet is.
    pub(crate) fn has_outlet(&self) -> bool {
        !self.outlets.is_empty()
    }

    /// The pump of this place, to say what it is filled with.
    pub(crate) fn pump_mut(&mut self, link: usize) -> Option<&mut Pump> {
        match &mut self.nodal.links[link].boundary {
            Boundary::Pump(pump) => Some(pump),
            _ => None,
        }
    }

    pub(crate) fn set_opening(&mut self, link: usize, opening: f64) -> bool {
        match &mut self.nodal.links[link].boundary {
            Boundary::Valve(valve) => {
                valve.set_opening(opening);
                true
            }
            _ => false,
        }
    }
}

fn start_node(network: &Network, steady: &SteadyState, index: usize) -> Node {
    let (node, head_m) = (&network.spec().nodes[index], steady.heads_m[index]);
    let hold = match node.terminal {
        Terminal::FreeOutlet => Hold::Outlet { level_m: node.elevation_m, open: head_m >= node.elevation_m },
        _ => Hold::Free,
    };
    Node::new(hold, head_m)
}
