//! A place where pipes end, in lanes: the boundary Newton.

use super::isa::Isa;
use super::pumps::{PumpLanes, Pumps};
use super::reach::Reach;
use super::row::Row;
use super::single::{Earlier, Side};
use super::tanks::LaneTank;
use crate::hydraulics::moc::Cluster;
use crate::hydraulics::moc::boundary::Boundary;
use crate::hydraulics::nodal::Hold;
use crate::hydraulics::spec::{ElementKind, NetworkSpec, Terminal};

/// Elasticity of a fitting without pipe, m2/s, as one at a time.
const FITTING_M2_S: f64 = 1.0e-12;
/// Root of head below which a valve's slope is held, as `boundary::Gain`.
pub(super) const SLOPE_FLOOR_SQRT_M: f64 = 1.0e-6;

/// Numbers of all lanes.
pub(super) type Lanes<const W: usize> = [f64; W];

/// A node of the place.
#[derive(Debug, Clone)]
#[repr(C, align(64))]
pub(super) struct LaneNode<const W: usize> {
    pub(super) head_m: Lanes<W>,
    pub(super) reference_m: Lanes<W>,
    pub(super) supply_m3_s: Lanes<W>,
    pub(super) conductance_m2_s: Lanes<W>,
    /// 1 where the head is held.
    pub(super) held: Lanes<W>,
    pub(super) held_m: Lanes<W>,
    boiling_m: Lanes<W>,
    /// Head one level before the old one.
    pub(super) earlier_m: Lanes<W>,
    pub(super) inverse: Lanes<W>,
    pub(super) rest: Lanes<W>,
    /// Node of the network.
    pub(super) node: usize,
    /// Neither a pipe nor a tank: only elements meet.
    pub(super) fitting: bool,
    pub(super) outlet_m: Option<Lanes<W>>,
}

/// An element of the place.
#[derive(Debug)]
#[repr(C, align(64))]
pub(super) struct LaneLink<const W: usize> {
    pub(super) flow_m3_s: Lanes<W>,
    pub(super) before_m3_s: Lanes<W>,
    /// Flow one level before the old one, where a matrix is needed.
    pub(super) earlier_m3_s: Lanes<W>,
    /// Where a valve that moves by a law stands; no number where it does not.
    pub(super) opening: Lanes<W>,
    pub(super) gain_m: Lanes<W>,
    pub(super) slope: Lanes<W>,
    pub(super) law: Law<W>,
    /// Element of the network.
    pub(super) element: usize,
    pub(super) from: usize,
    pub(super) to: usize,
}

/// What an element does.
#[derive(Debug)]
pub(super) enum Law<const W: usize> {
    /// Loss `r Q |Q|` beyond a cracking head; 1 where it is shut. `one_way` for a check valve.
    Loss {
        loss_s2_m5: Row<W>,
        floor: Row<W>,
        cracking_m: Row<W>,
        shut: Row<W>,
        one_way: bool,
    },
    Pump(Box<Pumps<W>>),
}

#[derive(Debug, Clone, Copy)]
#[repr(C, align(64))]
pub(super) struct End<const W: usize> {
    conductance_m2_s: Lanes<W>,
    pub(super) node: usize,
    pub(super) pipe: usize,
    pub(super) at_to: bool,
}

/// The torque balance of all lanes.
#[derive(Debug, Clone)]
#[repr(C, align(64))]
pub(super) struct LaneShaft<const W: usize> {
    pub(super) inertia_kg_m2: Lanes<W>,
    /// dt / inertia.
    pub(super) per_torque: Lanes<W>,
    pub(super) friction_n_m: Lanes<W>,
    pub(super) theta: Lanes<W>,
    pub(super) old_speed_rad_s: Lanes<W>,
    pub(super) old_torque_n_m: Lanes<W>,
    /// Direction of motion: 1, 0 (held), -1.
    pub(super) motion: Lanes<W>,
    pub(super) speed_rad_s: Lanes<W>,
    pub(super) pump_torque_n_m: Lanes<W>,
}

/// Torque of every lane's drive over speed.
pub(super) trait Drives<const W: usize> {
    /// Torque and slope at these speeds.
    fn torque(&self, speed_rad_s: &Lanes<W>, torque_n_m: &mut Lanes<W>, slope: &mut Lanes<W>);
    /// Torque at standstill and slope, where all are lasting straight lines.
    fn lines(&self) -> Option<&(Lanes<W>, Lanes<W>)>;
}

/// A place where pipes end, in lanes.
#[derive(Debug)]
#[repr(C, align(64))]
pub(super) struct Place<const W: usize> {
    pub(super) earlier: Earlier<W>,
    /// Torque and slope of the drive at the level last solved, where they are known.
    pub(super) drive: (Lanes<W>, Lanes<W>),
    /// The pump at the state last looked at.
    pub(super) point: PumpLanes<W>,
    pub(super) nodes: Vec<LaneNode<W>>,
    pub(super) links: Vec<LaneLink<W>>,
    pub(super) tanks: Vec<LaneTank<W>>,
    pub(super) ends: Vec<End<W>>,
    pub(super) pump: Option<usize>,
    /// Nothing ends or meets here: once it has been solved, it stays as it is.
    idle: bool,
    solved: bool,
    /// Nothing but a tank, at the end of one pipe.
    reservoir: bool,
    /// Where no matrix is needed.
    single: Option<[Side; 2]>,
    /// A pump and a loss right behind it.
    pub(super) series: bool,
    /// The pump, if there is one, surely had suction head enough in all lanes at the level last solved.
    pub(super) amply: bool,
    pub(super) drive_known: bool,
    /// What the place is, one at a time: solves a lane whose discrete state changes.
    pub(super) alone: Vec<Cluster>,
    pub(super) matrix: Vec<Lanes<W>>,
    pub(super) right: Vec<Lanes<W>>,
    /// Row and column of each node in the system, where it has one.
    pub(super) node_row: Vec<usize>,
    pub(super) fittings: usize,
}

impl<const W: usize> Place<W> {
    /// Place `index` of `W` scenarios.
    pub(super) fn new(
        specs: &[&NetworkSpec; W],
        alone: Vec<Cluster>,
        (reaches, dt_s, speed_rad_s): (&[Reach<W>], &Lanes<W>, &Lanes<W>),
        at_rest_flow: &dyn Fn(usize, usize) -> f64,
    ) -> Option<Self> {
        let cluster = alone.first()?;
        let local = |node: usize| cluster.nodes.iter().position(|n| *n == node);
        let mut ends = Vec::new();
        for (pipe, reach) in reaches.iter().enumerate() {
            let element = &specs[0].elements[reach.element];
            for (node, at_to) in [(local(element.from), false), (local(element.to), true)] {
                ends.extend(node.map(|node| End { node, pipe, at_to, conductance_m2_s: [0.0; W] }));
            }
        }
        let nodes: Vec<LaneNode<W>> = (0..cluster.nodes.len()).map(|i| lane_node(specs, &alone, i, &ends)).collect();
        let mut links = Vec::new();
        for i in 0..cluster.elements.len() {
            links.push(lane_link(&alone, i)?);
        }
        let pump = links.iter().position(|link| matches!(link.law, Law::Pump(_)));
        let mut fittings = 0;
        let node_row = nodes.iter().map(|node| {
            fittings += usize::from(node.fitting);
            if node.fitting { fittings - 1 } else { usize::MAX }
        });
        let node_row: Vec<usize> = node_row.collect();
        let size = fittings + links.len() + 1;
        let mut place = Self {
            nodes,
            links,
            tanks: Vec::new(),
            ends,
            pump,
            idle: false,
            solved: false,
            reservoir: false,
            single: None,
            series: false,
            earlier: Earlier::new(&[0.0; W], speed_rad_s),
            amply: false,
            drive: ([0.0; W], [0.0; W]),
            drive_known: false,
            point: PumpLanes::ZERO,
            alone,
            matrix: vec![[0.0; W]; size * size],
            right: vec![[0.0; W]; size],
            node_row,
            fittings,
        };
        place.add_tanks(specs, dt_s, at_rest_flow);
        let alone = place.links.is_empty() && place.nodes.len() == 1 && place.ends.len() == 1;
        place.reservoir = alone && place.tanks.len() == 1;
        place.idle = place.links.is_empty() && place.ends.is_empty() && place.tanks.is_empty();
        place.single = place.as_single();
        place.series = place.as_series();
        if let Some(link) = place.links.first() {
            place.earlier = Earlier::new(&link.flow_m3_s, speed_rad_s);
        }
        Some(place)
    }

    fn add_tanks(&mut self, specs: &[&NetworkSpec; W], dt_s: &Lanes<W>, at_rest_flow: &dyn Fn(usize, usize) -> f64) {
        for (local, node) in self.nodes.iter().enumerate() {
            let Terminal::Tank { .. } = specs[0].nodes[node.node].terminal else { continue };
            let zero = [0.0; W];
            let mut tank = LaneTank {
                node: local,
                area_m2: zero,
                conductance_m2_s: zero,
                per_area: zero,
                still: false,
                overflow_m: zero,
                level_m: zero,
                inflow_m3_s: zero,
            };
            for (lane, spec) in specs.iter().enumerate() {
                let Terminal::Tank { level_m, area_m2, overflow_m } = spec.nodes[node.node].terminal else { continue };
                (tank.area_m2[lane], tank.overflow_m[lane], tank.level_m[lane]) = (area_m2, overflow_m, level_m);
                tank.inflow_m3_s[lane] = at_rest_flow(lane, node.node);
                tank.conductance_m2_s[lane] = 2.0 * area_m2 / dt_s[lane];
                tank.per_area[lane] = 1.0 / area_m2;
            }
            tank.still = tank.area_m2.iter().all(|area| area.is_infinite());
            self.tanks.push(tank);
        }
        for tank in self.tanks.iter().filter(|tank| tank.still) {
            let node = &mut self.nodes[tank.node];
            (node.held, node.held_m, node.head_m) = ([1.0; W], tank.level_m, tank.level_m);
        }
    }

    /// How the place can be solved without a matrix: one element that is known in lanes, between two nodes.
    fn as_single(&self) -> Option<[Side; 2]> {
        let ([link], [_, _]) = (self.links.as_slice(), self.nodes.as_slice()) else { return None };
        let known = match &link.law {
            Law::Loss { .. } => true,
            Law::Pump(pumps) => pumps.in_table(),
        };
        let side = |node: usize| {
            let still = self.tanks.iter().any(|tank| tank.node == node && tank.still);
            let mut ends = self.ends.iter().filter(|end| end.node == node);
            match (ends.next(), ends.next(), self.tanks.iter().any(|tank| tank.node == node)) {
                (_, _, true) if still => Side::Still,
                (Some(end), None, false) => Side::PipeEnd { pipe: end.pipe, at_to: end.at_to },
                _ => Side::Gathered,
            }
        };
        let plain = self.nodes.iter().all(|node| !node.fitting && node.outlet_m.is_none());
        (known && plain).then(|| [side(link.from), side(link.to)])
    }

    /// Ready every node for the new level from what the pipe ends are offered.
    #[inline(always)]
    fn gather(&mut self, reaches: &[Reach<W>]) {
        for node in &mut self.nodes {
            node.reference_m = node.head_m;
            node.supply_m3_s = [0.0; W];
            node.conductance_m2_s = [if node.fitting { FITTING_M2_S } else { 0.0 }; W];
        }
        for end in &mut self.ends {
            let offer = &reaches[end.pipe].offers[usize::from(end.at_to)];
            let node = &mut self.nodes[end.node];
            let (mut conductance, mut supply) = ([0.0; W], [0.0; W]);
            for l in 0..W {
                conductance[l] = 1.0 / offer.impedance_s_m2[l];
                supply[l] = (offer.head_m[l] - node.reference_m[l]) * conductance[l];
            }
            end.conductance_m2_s = conductance;
            for l in 0..W {
                node.supply_m3_s[l] += supply[l];
                node.conductance_m2_s[l] += conductance[l];
            }
        }
        for tank in self.tanks.iter().filter(|tank| !tank.still) {
            let node = &mut self.nodes[tank.node];
            for l in 0..W {
                let still = tank.is_still(l);
                let conductance = if still { 0.0 } else { tank.conductance_m2_s[l] };
                let rise_m = tank.level_m[l] - node.reference_m[l];
                node.supply_m3_s[l] += if still { 0.0 } else { conductance * rise_m + tank.inflow_m3_s[l] };
                node.conductance_m2_s[l] += conductance;
                node.held[l] = if still { 1.0 } else { 0.0 };
                node.held_m[l] = tank.level_m[l];
                node.head_m[l] = if still { tank.level_m[l] } else { node.head_m[l] };
            }
        }
    }

    /// Solve the new level; `ask` solves one lane by itself (false: it cannot be), and lanes come out marked unsound.
    #[inline(always)]
    pub(super) fn advance<I: Isa, D: Drives<W>>(
        &mut self,
        reaches: &mut [Reach<W>],
        dt_s: &Lanes<W>,
        shaft: &mut LaneShaft<W>,
        drives: &D,
        unsound: &mut [bool; W],
        ask: &mut dyn FnMut(&mut Self, &mut LaneShaft<W>, usize) -> bool,
    ) {
        if self.idle && std::mem::replace(&mut self.solved, true) {
            return;
        }
        if let Some(sides) = self.single {
            self.advance_single::<I, D>(sides, reaches, (shaft, drives), unsound, ask);
            self.finish(dt_s, unsound);
            return;
        }
        if self.reservoir && (self.advance_reservoir::<I>(reaches, dt_s) || self.advance_full::<I>(reaches, dt_s)) {
            self.look(unsound);
            return;
        }
        self.gather(reaches);
        if self.links.is_empty() {
            self.solve_nodes();
        } else {
            let mut lonely = self.newton::<I, D>(dt_s, shaft, drives, unsound);
            self.drive_known = true;
            self.note_short_suction(shaft, &mut lonely);
            self.solve_lonely(shaft, &lonely, unsound, ask);
        }
        for end in &self.ends {
            let (reach, head_m) = (&mut reaches[end.pipe], &self.nodes[end.node].head_m);
            let offer = &reach.offers[usize::from(end.at_to)];
            let mut inflow = [0.0; W];
            for l in 0..W {
                inflow[l] = (offer.head_m[l] - head_m[l]) * end.conductance_m2_s[l];
            }
            reach.set_end::<I>(end.at_to, head_m, &inflow);
        }
        self.finish(dt_s, unsound);
    }

    /// As above where no matrix is needed.
    #[inline(always)]
    fn advance_single<I: Isa, D: Drives<W>>(
        &mut self,
        sides: [Side; 2],
        reaches: &mut [Reach<W>],
        (shaft, drives): (&mut LaneShaft<W>, &D),
        unsound: &mut [bool; W],
        ask: &mut dyn FnMut(&mut Self, &mut LaneShaft<W>, usize) -> bool,
    ) {
        let gathers = matches!(sides[0], Side::Gathered) || matches!(sides[1], Side::Gathered);
        if gathers {
            self.gather(reaches);
        }
        let mut lonely = [false; W];
        let (heads, any) = self.solve_single::<I, D>(sides, reaches, (shaft, drives), (&*unsound, &mut lonely));
        let (from, to) = (self.links[0].from, self.links[0].to);
        let inlet_m = &heads[0];
        let amply = match &self.links[0].law {
            Law::Pump(pumps) => pumps.draw_amply(&self.links[0].flow_m3_s, &shaft.speed_rad_s, inlet_m),
            Law::Loss { .. } => true,
        };
        let any = any || !amply;
        if any && !gathers {
            self.gather(reaches);
        }
        (self.nodes[from].head_m, self.nodes[to].head_m) = (heads[0], heads[1]);
        self.amply = amply;
        if !amply {
            self.note_short_suction(shaft, &mut lonely);
        }
        if any {
            self.solve_lonely(shaft, &lonely, unsound, ask);
        }
        for end in 0..2 {
            let node = &self.nodes[if end == 0 { from } else { to }];
            match sides[end] {
                Side::PipeEnd { pipe, at_to } => {
                    let mut inflow = self.links[0].flow_m3_s;
                    if end == 1 {
                        for l in 0..W {
                            inflow[l] = -inflow[l];
                        }
                    }
                    reaches[pipe].set_end::<I>(at_to, &node.head_m, &inflow);
                }
                Side::Still | Side::Gathered => {
                    let local = if end == 0 { from } else { to };
                    self.set_ends::<I>(reaches, local);
                }
            }
        }
    }

    /// Solve the lanes marked by themselves.
    #[inline(always)]
    fn solve_lonely(
        &mut self,
        shaft: &mut LaneShaft<W>,
        lonely: &[bool; W],
        unsound: &mut [bool; W],
        ask: &mut dyn FnMut(&mut Self, &mut LaneShaft<W>, usize) -> bool,
    ) {
        if !lonely.iter().fold(false, |any, this| any | this) {
            return;
        }
        (self.amply, self.drive_known) = (false, false);
        for l in 0..W {
            if lonely[l] && !unsound[l] {
                unsound[l] |= !ask(self, shaft, l);
            }
        }
    }

    /// Set all pipe ends at a node.
    #[inline(always)]
    fn set_ends<I: Isa>(&self, reaches: &mut [Reach<W>], node: usize) {
        let head_m = &self.nodes[node].head_m;
        for end in self.ends.iter().filter(|end| end.node == node) {
            let reach = &mut reaches[end.pipe];
            let offer = &reach.offers[usize::from(end.at_to)];
            let mut inflow = [0.0; W];
            for l in 0..W {
                inflow[l] = (offer.head_m[l] - head_m[l]) / offer.impedance_s_m2[l];
            }
            reach.set_end::<I>(end.at_to, head_m, &inflow);
        }
    }

    /// Mark lanes where a node is below boiling or no number.
    #[inline(never)]
    fn look_closely(&self, unsound: &mut [bool; W]) {
        for node in &self.nodes {
            for l in 0..W {
                unsound[l] |= !(node.head_m[l] >= node.boiling_m[l]);
            }
        }
    }

    /// The pump, if there is one, surely has suction head enough in all lanes.
    #[inline(always)]
    fn draws_amply(&self, shaft: &LaneShaft<W>) -> bool {
        let Some(link) = self.pump.map(|at| &self.links[at]) else { return true };
        let Law::Pump(pumps) = &link.law else { return true };
        pumps.draw_amply(&link.flow_m3_s, &shaft.speed_rad_s, &self.nodes[link.from].head_m)
    }

    /// A pump that lacks suction head is solved by itself: in lanes it has its whole head.
    #[inline(always)]
    fn note_short_suction(&mut self, shaft: &LaneShaft<W>, lonely: &mut [bool; W]) {
        self.amply = self.draws_amply(shaft);
        if self.amply {
            return;
        }
        let Some(link) = self.pump.map(|at| &self.links[at]) else { return };
        let Law::Pump(pumps) = &link.law else { return };
        let inlet_m = &self.nodes[link.from].head_m;
        for l in 0..W {
            lonely[l] |= !pumps.draws_well(l, (link.flow_m3_s[l], shaft.speed_rad_s[l]), inlet_m[l]);
        }
    }

    #[inline(always)]
    fn finish(&mut self, dt_s: &Lanes<W>, unsound: &mut [bool; W]) {
        self.close_tanks(dt_s);
        self.look(unsound);
    }

    /// See whether every node is above boiling and a number.
    #[inline(always)]
    fn look(&self, unsound: &mut [bool; W]) {
        let mut sound = true;
        for node in &self.nodes {
            for l in 0..W {
                sound &= node.head_m[l] >= node.boiling_m[l];
            }
        }
        if !sound {
            self.look_closely(unsound);
        }
    }

    #[inline(always)]
    fn solve_nodes(&mut self) {
        for node in &mut self.nodes {
            for l in 0..W {
                let free_m = node.reference_m[l] + node.supply_m3_s[l] / node.conductance_m2_s[l];
                node.head_m[l] = if node.held[l] > 0.0 { node.held_m[l] } else { free_m };
            }
            if let Some(level_m) = &node.outlet_m {
                for l in 0..W {
                    let free_m = node.reference_m[l] + node.supply_m3_s[l] / node.conductance_m2_s[l];
                    node.held[l] = if free_m >= level_m[l] { 1.0 } else { 0.0 };
                    node.head_m[l] = free_m.min(level_m[l]);
                }
            }
        }
    }

    /// What arrives at a node from pipes (at the new level) and elements, m3/s; pipes as `supply` has them.
    #[inline(always)]
    pub(super) fn arrival(&self, node: usize) -> Lanes<W> {
        let at = &self.nodes[node];
        let mut arrival = [0.0; W];
        for l in 0..W {
            arrival[l] = at.supply_m3_s[l] - at.conductance_m2_s[l] * (at.head_m[l] - at.reference_m[l]);
        }
        for link in &self.links {
            let sign = f64::from(u8::from(link.to == node)) - f64::from(u8::from(link.from == node));
            if sign != 0.0 {
                for l in 0..W {
                    arrival[l] += sign * link.flow_m3_s[l];
                }
            }
        }
        arrival
    }

    /// Head and level of a node in one lane.
    pub(super) fn level_m(&self, local: usize, lane: usize) -> f64 {
        let tank = self.tanks.iter().find(|tank| tank.node == local);
        tank.map_or(self.nodes[local].head_m[lane], |tank| tank.level_m[lane])
    }
}

fn lane_node<const W: usize>(
    specs: &[&NetworkSpec; W],
    alone: &[Cluster],
    local: usize,
    ends: &[End<W>],
) -> LaneNode<W> {
    let zero = [0.0; W];
    let index = alone[0].nodes[local];
    let terminal = specs[0].nodes[index].terminal;
    let mut node = LaneNode {
        node: index,
        head_m: zero,
        reference_m: zero,
        supply_m3_s: zero,
        conductance_m2_s: zero,
        held: zero,
        held_m: zero,
        fitting: terminal == Terminal::None && !ends.iter().any(|end| end.node == local),
        outlet_m: (terminal == Terminal::FreeOutlet).then_some(zero),
        boiling_m: zero,
        earlier_m: zero,
        inverse: zero,
        rest: zero,
    };
    for (lane, (spec, cluster)) in specs.iter().zip(alone).enumerate() {
        let liquid = &spec.liquid;
        let boiling_m = (liquid.vapour_pa - liquid.atmosphere_pa) / (liquid.density_kg_m3 * liquid.gravity_m_s2);
        node.boiling_m[lane] = spec.nodes[index].elevation_m + boiling_m;
        // A tank that may run dry is followed alone from its bottom on.
        node.boiling_m[lane] = cluster.tank_bottom_m(local).max(node.boiling_m[lane]);
        node.head_m[lane] = cluster.nodal.nodes[local].head_m;
        if let (Hold::Outlet { level_m, open }, Some(outlet_m)) =
            (cluster.nodal.nodes[local].hold, node.outlet_m.as_mut())
        {
            outlet_m[lane] = level_m;
            node.held[lane] = if open { 1.0 } else { 0.0 };
            node.held_m[lane] = level_m;
        }
    }
    node.earlier_m = node.head_m;
    node
}

/// One element in lanes; none for a kind that the lanes do not know.
fn lane_link<const W: usize>(alone: &[Cluster], i: usize) -> Option<LaneLink<W>> {
    let (zero, none) = ([0.0; W], Row::ZERO);
    let first = &alone[0].nodal.links[i];
    let mut link = LaneLink {
        element: alone[0].elements[i],
        from: first.from,
        to: first.to,
        flow_m3_s: zero,
        before_m3_s: zero,
        earlier_m3_s: zero,
        law: Law::Loss { loss_s2_m5: none, floor: none, cracking_m: none, shut: none, one_way: false },
        opening: [f64::NAN; W],
        gain_m: zero,
        slope: zero,
    };
    let mut pumps = Vec::new();
    for (lane, cluster) in alone.iter().enumerate() {
        link.flow_m3_s[lane] = cluster.nodal.links[i].flow_m3_s;
        if let Boundary::Pump(pump) = &cluster.nodal.links[i].boundary {
            // Air on its way to the pump is followed by the plant alone.
            if pump.condition().splash.is_some() {
                return None;
            }
            pumps.push((**pump).clone());
        } else {
            link.set_law(lane, &cluster.nodal.links[i].boundary)?;
        }
    }
    link.earlier_m3_s = link.flow_m3_s;
    if !pumps.is_empty() {
        link.law = Law::Pump(Box::new(Pumps::new(pumps)));
    }
    Some(link)
}

impl<const W: usize> LaneLink<W> {
    /// Take the loss and position of a valve or check valve; none for another kind.
    pub(super) fn set_law(&mut self, lane: usize, boundary: &Boundary) -> Option<()> {
        let Law::Loss { loss_s2_m5, floor, cracking_m, shut, one_way } = &mut self.law else { return None };
        let (loss, open) = match boundary {
            Boundary::Valve(valve) => (valve.loss_s2_m5().unwrap_or(0.0), valve.loss_s2_m5().is_some()),
            Boundary::CheckValve(valve) => {
                cracking_m[lane] = valve.cracking_head_m;
                *one_way = true;
                (valve.loss_s2_m5, valve.open)
            }
            _ => return None,
        };
        loss_s2_m5[lane] = loss;
        floor[lane] = SLOPE_FLOOR_SQRT_M * loss.sqrt();
        shut[lane] = if open { 0.0 } else { 1.0 };
        Some(())
    }
}

/// The first part of a network that the lanes do not know; with one it runs one at a time.
pub(super) fn unknown(network: &NetworkSpec) -> Option<&str> {
    let element = |kind: &ElementKind| match kind {
        ElementKind::Pipe(pipe) => (pipe.creep.is_none() || pipe.fixed_darcy_f.is_none()) && pipe.lay_flat.is_none(),
        ElementKind::Pump(pump) => pump.condition.splash.is_none(),
        ElementKind::Valve(_) | ElementKind::CheckValve(_) | ElementKind::Blank { .. } => true,
        _ => false,
    };
    let terminal = |terminal: &Terminal| *terminal == Terminal::None || terminal.fixes_head();
    let strange = network.elements.iter().find(|at| !element(&at.kind)).map(|at| &*at.name);
    strange.or_else(|| network.nodes.iter().find(|at| !terminal(&at.terminal)).map(|at| &*at.name))
}
