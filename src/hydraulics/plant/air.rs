//! Lines with air in them: a discharge side that starts empty, a suction leg that must be drawn full, and the way back
//! after a stop, when air follows the water in.
//!
//! Equations: a front moves as the rigid column behind it ([`crate::hydraulics::filling`], now with elastic water behind); air in
//! the suction leg as in [`crate::hydraulics::priming`]; air that comes in at an end is counted as volume until it is a column.
//! Range: lines that are drawn from the pump to their ends; upright fronts (a pipe that runs part full is not followed); what
//! cannot be followed is refused with its reason.
//! Accuracy: against the closed forms `agrees_with_rigid_column_law_while_filling` and
//! `law_priming_in_the_plant_agrees_with_priming_by_itself`, against scipy `agrees_with_scipy_in_coupled_runs` (3e-3 of filling
//! times); volume in `law_volume_balances_while_a_line_fills_and_drains_back`.
//! Source: rigid columns and the law of evacuation as in those two; the joining with the characteristics is the project's own.

use super::shut_in::{EXPONENT, ShutIn};
use super::{Plant, PlantEventKind, ShaftDriver};
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::moc::boundary::Boundary;
use crate::hydraulics::moc::front::Front;
use crate::hydraulics::network::Network;
use crate::hydraulics::nodal::Link;
use crate::hydraulics::priming::{AirHandling, SuctionLeg};
use crate::hydraulics::shaft::Motion;
use crate::hydraulics::spec::{ElementKind, GridOptions, NetworkSpec, PipeSpec, Place, ShaftSpec, Terminal};
use crate::hydraulics::steady::SteadyState;
use serde::{Deserialize, Serialize};

/// Air at the end of a full pipe, share of its volume, beyond which its water counts as one column with a front.
const VOID_SHARE: f64 = 0.01;
/// Speed below which a pump holds no vacuum, share of rated.
const STANDING_SHARE: f64 = 0.05;
/// Level differences up to this count as none, m.
const LEVEL_TOLERANCE_M: f64 = 1.0e-6;

/// A self-priming pump's dealings with air.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SelfPriming {
    /// What it draws.
    pub air: AirHandling,
    /// Air in the casing above its charge and in level runs, m3.
    pub casing_air_m3: f64,
    /// Leak of the suction side where it is under deep vacuum, m3/s of free air.
    pub leak_m3_s: f64,
}

/// How the lines stand before a start.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LinesAtStart {
    /// Everything from the pump's discharge to the outlets is empty, down to the level of the water it draws from.
    pub discharge_drained: bool,
    /// The suction leg is empty, too, down to that level.
    pub suction_drained: bool,
    /// How the pump deals with air; `None`: once without water it passes nothing.
    pub self_priming: Option<SelfPriming>,
}

/// What is followed of the air.
#[derive(Debug)]
pub(super) struct Air {
    /// Pipes of the discharge side, indices into the line.
    pub(super) discharge: Vec<usize>,
    /// The suction pipe.
    suction: Option<usize>,
    priming: Option<SelfPriming>,
    /// Pressure times volume of the air in the suction leg, J.
    amount_j: f64,
    /// Share of the casing's air that has been thrown out.
    purged: f64,
    line_full: bool,
    /// Air of the discharge side that has no way out, and the exponent it follows.
    pub(super) shut_in: Option<ShutIn>,
    pub(super) exponent: f64,
    /// The tank that the pump draws from.
    source: usize,
}

/// The two sides of the pump, as elements drawn from the water it draws from to the outlets.
struct Sides {
    suction: Option<usize>,
    discharge: Vec<usize>,
    /// The tank it draws from, and the level of the water there, m.
    source: usize,
    level_m: f64,
    downstream: Vec<bool>,
}

impl<D: ShaftDriver> Plant<D> {
    /// A plant at rest whose lines stand as `lines` says; outlets let air in.
    ///
    /// Range: a drained line is drawn from the pump to its ends, element after element; it ends in free outlets or in tanks
    /// whose level is not above the pipe's end.
    ///
    /// # Errors
    /// As [`Plant::new`]; a line that cannot stand empty, with the reason.
    pub fn with_lines(
        network: &NetworkSpec,
        shaft: &ShaftSpec,
        driver: D,
        grid: &GridOptions,
        lines: &LinesAtStart,
    ) -> Result<Self, HydraulicsError> {
        let checked = Network::new(network)?;
        let sides = Sides::of(&checked)?;
        let grid = &GridOptions { lump_short_pipes: false, ..*grid };
        let mut plant = if lines.discharge_drained || lines.suction_drained {
            sides.check_ends(network)?;
            Self::from_state(network, shaft, driver, grid, &sides.at_rest(network, lines))?
        } else {
            Self::new(network, shaft, driver, grid)?
        };
        plant.follow_air_of(&sides, lines);
        Ok(plant)
    }

    /// From now on outlets let air in, and a suction leg can be lost and drawn full again.
    ///
    /// # Errors
    /// A network whose pump does not draw from one tank through one pipe, or is not drawn the way the water goes; a pipe
    /// without points of its own ([`GridOptions::lump_short_pipes`]).
    pub fn let_air_in(&mut self, self_priming: Option<SelfPriming>) -> Result<(), HydraulicsError> {
        let sides = Sides::of(&self.network)?;
        if let Some(element) = self.line.lumped.first() {
            let name = &self.network.spec().elements[*element].name;
            return Err(cannot(name, "it is taken as one rigid column that stays full"));
        }
        self.follow_air_of(&sides, &LinesAtStart { self_priming, ..LinesAtStart::default() });
        Ok(())
    }

    /// People empty the discharge side again, down to the level the pump draws from; water in it is gone from the balance.
    ///
    /// Range: a plant made with drained lines, shaft and water at rest; else nothing is done, and false comes back.
    pub fn empty_discharge(&mut self) -> bool {
        let Ok(sides) = Sides::of(&self.network) else { return false };
        let Some(mut air) = self.air.take() else { return false };
        let at_rest = self.speed_rad_s.abs() < f64::EPSILON.sqrt() && !self.front_moves();
        if at_rest {
            let before_m3 = self.line.stored_m3();
            air.discharge.iter().for_each(|pipe| self.empty(*pipe, sides.level_m));
            self.left_m3 += before_m3 - self.line.stored_m3();
            air.line_full = false;
            air.shut_in = None;
        }
        self.air = Some(air);
        at_rest
    }

    fn empty(&mut self, pipe: usize, level_m: f64) {
        self.drain(pipe, level_m);
        if let Some(front) = &mut self.line.pipes[pipe].front {
            front.flow_m3_s = 0.0;
        }
    }

    fn follow_air_of(&mut self, sides: &Sides, lines: &LinesAtStart) {
        let plant = self;
        plant.clusters.iter_mut().for_each(|cluster| cluster.admit_air(&plant.line));
        let pipe_of = |element: &usize| plant.line.pipes.iter().position(|pipe| pipe.element == *element);
        let (discharge, suction) =
            (sides.discharge.iter().filter_map(pipe_of).collect(), sides.suction.as_ref().and_then(pipe_of));
        let mut air = Air {
            discharge,
            suction,
            priming: lines.self_priming,
            amount_j: 0.0,
            purged: 1.0,
            line_full: !lines.discharge_drained,
            shut_in: None,
            exponent: EXPONENT,
            source: sides.source,
        };
        if lines.discharge_drained {
            air.discharge.iter().for_each(|pipe| plant.drain(*pipe, sides.level_m));
        }
        if let Some(pipe) = suction.filter(|_| lines.suction_drained) {
            plant.drain(pipe, sides.level_m);
            air.purged = 0.0;
            air.amount_j = plant.air_at_rest_j(&air, pipe);
            plant.set_prime(0.0);
        }
        plant.clusters.iter_mut().for_each(|cluster| cluster.follow_hoses(&plant.line));
        plant.stored_at_start_m3 = super::stored_m3(&plant.line, &plant.clusters);
        plant.air = Some(air);
    }

    /// Empty a pipe down to a level.
    fn drain(&mut self, pipe: usize, level_m: f64) {
        let spec = self.network.spec();
        let element = self.line.pipes[pipe].element;
        let ElementKind::Pipe(described) = &spec.elements[element].kind else { return };
        let front = Front::new(spec, element, described, wet_m(spec, element, described, level_m), self.line.dt_s);
        if !front.is_full() {
            self.line.pipes[pipe].part(front);
        }
    }

    pub(super) fn weight_n_m3(&self) -> f64 {
        let liquid = &self.network.spec().liquid;
        liquid.density_kg_m3 * liquid.gravity_m_s2
    }

    fn air_at_rest_j(&self, air: &Air, pipe: usize) -> f64 {
        let liquid = &self.network.spec().liquid;
        let casing_m3 = air.priming.map_or(0.0, |priming| priming.casing_air_m3);
        let leg_m3 = self.line.pipes[pipe].front.as_ref().map_or(0.0, Front::air_m3);
        (liquid.atmosphere_pa - liquid.vapour_pa) * (casing_m3 + leg_m3)
    }

    /// The impeller has lost its water to air that came with it; where lines are followed it must prime again.
    pub(super) fn lose_prime(&mut self) {
        self.set_prime(0.0);
        if let Some(air) = &mut self.air {
            air.purged = 0.0;
        }
    }

    /// The shaft turns at a speed from now on, in a pump that holds no water: it passes nothing and turns its charge.
    ///
    /// Range: a plant that has not been advanced yet; without a pump nothing is done.
    pub fn turn_without_water(&mut self, speed_rad_s: f64) {
        let Some((cluster, link)) = self.pump_at else { return };
        self.lose_prime();
        let nodal = &mut self.clusters[cluster].nodal;
        if let Boundary::Pump(pump) = &nodal.links[link].boundary {
            self.pump_torque_n_m = pump.at(0.0, speed_rad_s).torque_n_m;
        }
        nodal.speed_rad_s = speed_rad_s;
        if let Some(shaft) = &mut nodal.shaft {
            shaft.motion = Motion::of(speed_rad_s);
        }
        self.speed_rad_s = speed_rad_s;
    }

    pub(super) fn set_prime(&mut self, share: f64) {
        let Some((cluster, link)) = self.pump_at else { return };
        if let Some(pump) = self.clusters[cluster].pump_mut(link) {
            pump.prime_share = share;
        }
    }

    /// Share of its head that the pump makes with the water it has: 1 primed, 0 not primed.
    #[must_use]
    pub fn prime_share(&self) -> f64 {
        let Some((cluster, link)) = self.pump_at else { return 1.0 };
        match &self.clusters[cluster].nodal.links[link].boundary {
            Boundary::Pump(pump) => pump.prime_share,
            _ => 1.0,
        }
    }

    /// Rated speed of the pump, rad/s; `None` without a pump.
    #[must_use]
    pub fn rated_speed_rad_s(&self) -> Option<f64> {
        self.network.pump_spec().map(|pump| pump.rated_speed_rad_s)
    }

    /// True while water fills or leaves a pipe.
    #[must_use]
    pub fn front_moves(&self) -> bool {
        const STANDING_M_S: f64 = 1.0e-4;
        let moves = |front: &Front| !front.is_dry() && front.flow_m3_s.abs() > STANDING_M_S * front.area_m2;
        self.line.pipes.iter().any(|pipe| pipe.front.as_ref().is_some_and(moves))
    }

    /// Length that is full of a pipe, m; `None` where the element is no pipe.
    #[must_use]
    pub fn wet_length_m(&self, element: usize) -> Option<f64> {
        let ElementKind::Pipe(described) = &self.network.spec().elements.get(element)?.kind else { return None };
        let pipe = self.line.pipes.iter().find(|pipe| pipe.element == element);
        let front = pipe.and_then(|pipe| pipe.front.as_ref());
        Some(front.map_or(described.length_m, |front| front.wet_m))
    }

    /// The suction leg as priming by itself sees it; `None` without a suction pipe, a lift or a self-priming pump.
    #[must_use]
    pub fn suction_leg(&self) -> Option<(SuctionLeg, SelfPriming)> {
        let air = self.air.as_ref()?;
        let (priming, pipe) = (air.priming?, air.suction?);
        let spec = self.network.spec();
        let element = self.line.pipes[pipe].element;
        let ElementKind::Pipe(described) = &spec.elements[element].kind else { return None };
        let to = spec.elements[element].to;
        let level_m = self.level_m(air.source);
        let lift_m = spec.nodes[to].elevation_m - level_m;
        let dry_m = described.length_m - wet_m(spec, element, described, level_m);
        let leg = SuctionLeg {
            lift_m,
            bore_m: described.bore_m,
            rising_length_m: dry_m,
            fixed_air_m3: priming.casing_air_m3,
            leak_m3_s: priming.leak_m3_s,
        };
        (lift_m > 0.0).then_some((leg, priming))
    }

    /// Air can leave on the discharge side: it is not full of water, and nothing shuts it off from outlets and tanks.
    #[must_use]
    pub fn vent_open(&self) -> bool {
        self.air.as_ref().is_some_and(|air| self.is_vented(air))
    }

    fn is_vented(&self, air: &Air) -> bool {
        let leaves = air.discharge.first().is_none_or(|pipe| self.line.pipes[*pipe].front.is_some());
        leaves && self.has_way_out()
    }

    /// Before a step: the pump draws air from the suction leg, whose pressure falls.
    pub(super) fn draw_air(&mut self) {
        let Some(mut air) = self.air.take() else { return };
        if let (Some(pipe), Some(priming)) = (air.suction, air.priming) {
            self.draw(&mut air, pipe, &priming);
        }
        self.press_air(&mut air);
        self.air = Some(air);
    }

    fn draw(&mut self, air: &mut Air, pipe: usize, priming: &SelfPriming) {
        let Some(front) = &self.line.pipes[pipe].front else { return };
        let liquid = self.network.spec().liquid;
        let volume_m3 = priming.casing_air_m3 + front.air_m3();
        let most_pa = liquid.atmosphere_pa - liquid.vapour_pa;
        if self.air_passes_back() {
            air.amount_j = most_pa * volume_m3;
        }
        let air_pa = (air.amount_j / volume_m3).min(most_pa);
        let inside_pa = air_pa + liquid.vapour_pa;
        let drawn_m3_s = self.air_rate_m3_s(air, priming, liquid.atmosphere_pa - inside_pa);
        let leaks_m3_s = crate::hydraulics::priming::leak_m3_s(priming.leak_m3_s, inside_pa, liquid.atmosphere_pa);
        let dt_s = self.line.dt_s;
        // implicit in the pressure, so that an almost empty casing cannot overshoot
        let amount_j =
            (air_pa * volume_m3 + dt_s * leaks_m3_s * liquid.atmosphere_pa) / (1.0 + dt_s * drawn_m3_s / volume_m3);
        air.amount_j = amount_j.min(most_pa * volume_m3);
        let head_m = (air.amount_j / volume_m3 + liquid.vapour_pa - liquid.atmosphere_pa) / self.weight_n_m3();
        if let Some(front) = &mut self.line.pipes[pipe].front {
            front.air_m = head_m;
        }
    }

    /// Through a standing pump without a check valve air finds its way to the suction side; the casing keeps its charge.
    fn air_passes_back(&self) -> bool {
        let Some((cluster, _)) = self.pump_at else { return false };
        let links = &self.clusters[cluster].nodal.links;
        let rated_rad_s = self.network.pump_spec().map_or(f64::INFINITY, |pump| pump.rated_speed_rad_s);
        let stands = self.speed_rad_s < STANDING_SHARE * rated_rad_s;
        let holds = |link: &Link| matches!(link.boundary, Boundary::CheckValve(_) | Boundary::DiscValve(_));
        stands && !links.iter().any(holds)
    }

    fn air_rate_m3_s(&self, air: &Air, priming: &SelfPriming, vacuum_pa: f64) -> f64 {
        let rated_rad_s = self.network.pump_spec().map_or(f64::INFINITY, |pump| pump.rated_speed_rad_s);
        if self.is_vented(air) { priming.air.rate_m3_s(self.speed_rad_s / rated_rad_s, vacuum_pa) } else { 0.0 }
    }

    /// After a step: fronts that arrived, ends that air has entered, a casing that clears.
    pub(super) fn follow_air(&mut self) {
        let Some(mut air) = self.air.take() else { return };
        for index in 0..air.discharge.len() {
            let pipe = air.discharge[index];
            if self.follow_pipe(pipe) {
                let element = self.line.pipes[pipe].element;
                self.tell(PlantEventKind::FrontArrived { element });
            }
        }
        let full = air.discharge.iter().all(|pipe| self.line.pipes[*pipe].front.is_none());
        if full && !std::mem::replace(&mut air.line_full, full) {
            self.tell(PlantEventKind::LineFull);
        }
        air.line_full = full;
        if let Some(pipe) = air.suction {
            self.follow_suction(&mut air, pipe);
        }
        self.air = Some(air);
    }

    pub(super) fn tell(&mut self, kind: PlantEventKind) {
        let time_s = self.time_s();
        self.watch.note(time_s, kind);
    }

    /// True when the front has arrived at the pipe's end.
    fn follow_pipe(&mut self, pipe: usize) -> bool {
        if self.line.pipes[pipe].front.as_ref().is_some_and(Front::is_full) {
            self.line.pipes[pipe].fill_up();
            return true;
        }
        if self.line.pipes[pipe].front.is_none() && self.air_enters(pipe) {
            let element = self.line.pipes[pipe].element;
            self.tell(PlantEventKind::Draining { element });
        }
        false
    }

    /// Count the air that enters at the end of a full pipe; true when it has become a column with a front.
    fn air_enters(&mut self, pipe: usize) -> bool {
        let spec = self.network.spec();
        let element = self.line.pipes[pipe].element;
        let cluster = &self.clusters[self.node_at[spec.elements[element].to].0];
        if !cluster.in_air(&self.line) {
            return false;
        }
        let ElementKind::Pipe(described) = &spec.elements[element].kind else { return false };
        let before_m3 = self.line.pipes[pipe].void_m3;
        let entered_m3 = -self.line.pipes[pipe].inflow_m3_s(true) * self.line.dt_s;
        let void_m3 = (before_m3 + entered_m3).max(0.0);
        let volume_m3 = crate::hydraulics::pipe::bore_area_m2(described) * described.length_m;
        let (dt_s, outlet) = (self.line.dt_s, cluster.has_outlet());
        self.line.pipes[pipe].void_m3 = void_m3;
        if outlet {
            // what came in there was air, not water that came back
            self.left_m3 += void_m3 - before_m3;
        }
        if void_m3 < VOID_SHARE * volume_m3 {
            return false;
        }
        let wet_m = described.length_m * (1.0 - void_m3 / volume_m3);
        let front = Front::new(spec, element, described, wet_m, dt_s);
        self.line.pipes[pipe].part(front);
        true
    }

    fn follow_suction(&mut self, air: &mut Air, pipe: usize) {
        if self.line.pipes[pipe].front.as_ref().is_some_and(Front::is_full) {
            self.line.pipes[pipe].fill_up();
            self.tell(PlantEventKind::WaterAtPump);
        } else if self.line.pipes[pipe].front.is_none() && self.air_enters(pipe) {
            self.set_prime(0.0);
            air.purged = 0.0;
            air.amount_j = self.air_at_rest_j(air, pipe);
            self.tell(PlantEventKind::PrimeLost);
        }
        if self.line.pipes[pipe].front.is_none() && air.purged < 1.0 && self.watch.starved.is_empty() {
            self.purge(air, pipe);
        }
    }

    /// Water is at the pump: the casing throws its air out and the pump takes hold once its head carries the lift.
    fn purge(&mut self, air: &mut Air, pipe: usize) {
        let Some(priming) = air.priming else { return };
        let spec = self.network.spec();
        let (Some(pump), Some((cluster, link))) = (self.network.pump(), self.pump_at) else { return };
        let inlet = spec.elements[self.line.pipes[pipe].element].to;
        let vacuum_pa = self.weight_n_m3() * (spec.nodes[inlet].elevation_m - self.head_m(Place::Node(inlet)));
        let rate_m3_s = self.air_rate_m3_s(air, &priming, vacuum_pa);
        air.purged = if priming.casing_air_m3 > 0.0 {
            (air.purged + self.line.dt_s * rate_m3_s / priming.casing_air_m3).min(1.0)
        } else {
            1.0
        };
        let ends = &spec.elements[pump];
        let lift_m = spec.nodes[inlet].elevation_m - self.level_m(air.source);
        let across_m = self.head_m(Place::Node(ends.to)) - self.head_m(Place::Node(ends.from));
        // the thrust of the arriving column must not pass for a lift that is carried
        let needed_m = across_m.max(lift_m);
        let Boundary::Pump(described) = &self.clusters[cluster].nodal.links[link].boundary else { return };
        let held = described.prime_share > 0.0;
        if held || air.purged * described.at(0.0, self.speed_rad_s).head_m > needed_m {
            if !held {
                self.tell(PlantEventKind::Primed);
            }
            self.set_prime(air.purged);
        }
    }
}

/// Length of a pipe below a level, m, counted from its `from` end.
fn wet_m(spec: &NetworkSpec, element: usize, pipe: &PipeSpec, level_m: f64) -> f64 {
    let described = &spec.elements[element];
    let (from_m, to_m) = (spec.nodes[described.from].elevation_m, spec.nodes[described.to].elevation_m);
    if from_m >= level_m {
        0.0
    } else if to_m <= level_m {
        pipe.length_m
    } else {
        pipe.length_m * (level_m - from_m) / (to_m - from_m)
    }
}

impl Sides {
    fn of(network: &Network) -> Result<Self, HydraulicsError> {
        let spec = network.spec();
        if let Some(other) = spec.elements.iter().find(|element| matches!(element.kind, ElementKind::OtherPump(_))) {
            return Err(cannot(&other.name, "air is followed with one pump in the network, and this is another one"));
        }
        let pump = network.pump().ok_or_else(|| cannot("network", "there is no pump to fill it"))?;
        let mut downstream = vec![false; spec.nodes.len()];
        let mut discharge = Vec::new();
        let mut reached = vec![spec.elements[pump].to];
        while let Some(node) = reached.pop() {
            if std::mem::replace(&mut downstream[node], true) {
                continue;
            }
            for (index, element) in spec.elements.iter().enumerate().filter(|(index, _)| *index != pump) {
                if element.from == node && !is_blank(&element.kind) {
                    discharge.push(index);
                    reached.push(element.to);
                }
            }
        }
        let (from, mut source) = (spec.elements[pump].from, None);
        let against = |index: &usize| {
            let element = &spec.elements[*index];
            let passes = !is_blank(&element.kind) && *index != pump;
            passes && !discharge.contains(index) && downstream[element.to]
        };
        if let Some(index) = (0..spec.elements.len()).find(against) {
            return Err(cannot(
                &spec.elements[index].name,
                "it is drawn against the way the water comes from the pump",
            ));
        }
        let suction = spec.elements.iter().position(|element| element.to == from && is_pipe(&element.kind));
        let passes = |node: usize| {
            let here = |element: &crate::hydraulics::spec::ElementSpec| element.from == node || element.to == node;
            spec.elements.iter().any(|element| here(element) && !is_blank(&element.kind))
        };
        let upstream = |(node, _): &(usize, &crate::hydraulics::spec::NodeSpec)| !downstream[*node] && passes(*node);
        let foot = suction.map_or(from, |pipe| spec.elements[pipe].from);
        for (node, described) in spec.nodes.iter().enumerate().filter(upstream) {
            if let Terminal::Tank { level_m, .. } = described.terminal {
                if node != through_fittings(spec, foot) {
                    return Err(cannot(&described.name, ONE_WAY_IN));
                }
                source = Some((node, level_m));
            }
        }
        let (source, level_m) = source.ok_or_else(|| cannot("suction", ONE_WAY_IN))?;
        let discharge = discharge.into_iter().filter(|element| is_pipe(&spec.elements[*element].kind)).collect();
        Ok(Self { suction, discharge, source, level_m, downstream })
    }

    /// A tank that stands over a pipe's end would run back into it.
    fn check_ends(&self, spec: &NetworkSpec) -> Result<(), HydraulicsError> {
        for (node, described) in spec.nodes.iter().enumerate().filter(|(node, _)| self.downstream[*node]) {
            if let Terminal::Tank { level_m, .. } = described.terminal
                && level_m > spec.nodes[node].elevation_m + LEVEL_TOLERANCE_M
            {
                return Err(cannot(
                    &described.name,
                    "its level is above the end of the line, which it would run back into",
                ));
            }
        }
        Ok(())
    }

    fn at_rest(&self, spec: &NetworkSpec, lines: &LinesAtStart) -> SteadyState {
        let head_m = |(node, described): (usize, &crate::hydraulics::spec::NodeSpec)| match described.terminal {
            Terminal::Tank { level_m, .. } => level_m,
            _ if self.downstream[node] || lines.suction_drained => described.elevation_m.max(self.level_m),
            _ => self.level_m,
        };
        let open = |kind: &ElementKind| match kind {
            ElementKind::Valve(valve) => valve.opening > 0.0,
            ElementKind::CheckValve(_) | ElementKind::DiscCheckValve(_) | ElementKind::ReliefValve(_) => false,
            _ => true,
        };
        SteadyState {
            heads_m: spec.nodes.iter().enumerate().map(head_m).collect(),
            flows_m3_s: vec![0.0; spec.elements.len()],
            speed_rad_s: 0.0,
            pump_head_m: 0.0,
            pump_torque_n_m: 0.0,
            open: spec.elements.iter().map(|element| open(&element.kind)).collect(),
        }
    }
}

/// How a suction side must be for its air to be followed.
const ONE_WAY_IN: &str =
    "the pump must draw from one tank through one pipe, with valves, check valves and orifices at its foot only";

/// The node at the far end of the fittings in a row before a node; the node itself where there are none.
fn through_fittings(spec: &NetworkSpec, foot: usize) -> usize {
    let fitting = |kind: &ElementKind| {
        matches!(
            kind,
            ElementKind::Valve(_)
                | ElementKind::CheckValve(_)
                | ElementKind::DiscCheckValve(_)
                | ElementKind::Orifice(_)
        )
    };
    let mut node = foot;
    // No more fittings in a row than there are elements.
    for _ in &spec.elements {
        let mut into = spec.elements.iter().filter(|element| element.to == node && !is_blank(&element.kind));
        match (into.next(), into.next()) {
            (Some(element), None) if fitting(&element.kind) && spec.nodes[node].terminal == Terminal::None => {
                node = element.from;
            }
            _ => break,
        }
    }
    node
}

fn is_blank(kind: &ElementKind) -> bool {
    matches!(kind, ElementKind::Blank { .. })
}

fn is_pipe(kind: &ElementKind) -> bool {
    matches!(kind, ElementKind::Pipe(_))
}

fn cannot(place: &str, reason: &'static str) -> HydraulicsError {
    HydraulicsError::CannotDrain { place: place.to_owned(), reason }
}
