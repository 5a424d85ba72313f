//! The plant: network, shaft and whatever turns it, advanced together one time step at a time.
//!
//! Time levels: one call of [`Plant::advance`] first steps the driver to the new level, then the inner points of all
//! pipes, then solves every place where pipes end. Pump speed, head, flow and torque of the new level are solved
//! **together at the new level**; nothing is lagged. A command given between two steps (a new opening, a contactor)
//! acts from the present level on.
//!
//! Range: networks as [`super::spec`] has them, one commanded pump, any time; a state that cannot be is refused when the plant
//! is made, one that cannot be reached ends it with an error.
//! Accuracy: second order in the step (`law_characteristics_converge_with_second_order`); volume closes to rounding
//! (`law_volume_balances_and_check_valves_pass_one_way`), with vapour to a hundredth of it (`law_cavities_conserve_volume`); whole
//! runs against published and computed ones in `published_starts_and_trips_of_motor_pump_and_line` and
//! `agrees_with_scipy_in_coupled_runs`.
//! Source: WS93, method of characteristics with pump and shaft at one level (from memory).

mod air;
mod blank;
mod drawing;
mod other_pumps;
mod parting;
mod short_pipes;
mod shut_in;
mod watch;

pub use super::pump::trouble::Npsh;
pub use air::{LinesAtStart, SelfPriming};
pub(crate) use drawing::cavitation_turned;
pub use other_pumps::OtherPumpState;

pub use short_pipes::{ShortPipeNote, WaveInShortPipe, short_pipes};

pub use super::plant_event::{PlantEvent, PlantEventKind};

use super::error::HydraulicsError;
use super::moc::boundary::Boundary;
use super::moc::{Cluster, Line, PipeGrid};
use super::motor_law::{MotorLevel, SupplyCourse};
use super::network::{Network, stands_with};
use super::nodal::Unsolved;
use super::shaft::{Motion, ShaftStep};
use super::spec::{ElementKind, GridOptions, NetworkSpec, Place, ShaftSpec};
use super::steady::{self, SteadyState};
use watch::Watch;

/// What turns (or brakes) the shaft. Implemented by `starters::DriveTrain`.
pub trait ShaftDriver: Send {
    /// Torque on the shaft at speed `speed_rad_s` at the current time level, N m, and its derivative to speed.
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64);
    /// Step the driver's own state (ramps, frequency, switches) to the next time level; `speed_rad_s` is the speed of
    /// the level just solved.
    fn advance(&mut self, dt_s: f64, speed_rad_s: f64);
    /// Line current at the present level, A rms.
    fn current_a(&self, speed_rad_s: f64) -> f64;
    /// Electrical power drawn from the line, W.
    fn power_w(&self, speed_rad_s: f64) -> f64;
    /// Torque at standstill, N m, and its slope to speed, N m s, where the torque is a straight line over speed that
    /// never changes (a tripped motor, a speed held): many such shafts are then solved without asking again.
    fn lasting_line(&self) -> Option<(f64, f64)> {
        None
    }
    /// The motor at the present level, where its law tells all that turns the shaft: many such shafts are then asked at once.
    fn motor_level(&self) -> Option<MotorLevel<'_>> {
        None
    }
    /// How the motor's supply goes on from the present level, where the driver can tell: many such drivers are then stepped at once, and
    /// [`ShaftDriver::resume`] tells each what came of it.
    fn course(&self) -> Option<SupplyCourse> {
        None
    }
    /// Steps were taken by the course: the drive's frequency, where it ramps, the driver's time, s, and the shaft's speed that the last
    /// step began with, rad/s.
    fn resume(&mut self, frequency: Option<f64>, time_s: f64, speed_rad_s: f64) {
        let _ = (frequency, time_s, speed_rad_s);
    }
    /// A valve that is moved together with the shaft, as it stands at the present level: element and opening, 0..1.
    fn valve(&self) -> Option<(usize, f64)> {
        None
    }
}

/// Share of rated flow or speed that counts as having turned back.
pub(crate) const REVERSAL_SHARE: f64 = 1.0e-3;

/// Network, shaft and driver as one machine in time.
#[derive(Debug)]
pub struct Plant<D: ShaftDriver> {
    network: Network,
    line: Line,
    clusters: Vec<Cluster>,
    node_at: Vec<(usize, usize)>,
    element_at: Vec<ElementAt>,
    pump_at: Option<(usize, usize)>,
    driver: D,
    speed_rad_s: f64,
    pump_head_m: f64,
    pump_torque_n_m: f64,
    steps: u64,
    left_m3: f64,
    stored_at_start_m3: f64,
    watch: Watch,
    air: Option<air::Air>,
    drawing: drawing::Drawing,
    /// Where the head of each node is found: its own place, or the tank whose water stands in its blank branch.
    stands_with: Vec<usize>,
    falls: Vec<blank::Fall>,
}

#[derive(Debug, Clone, Copy)]
enum ElementAt {
    Pipe(usize),
    Link(usize, usize),
    Blank,
}

impl<D: ShaftDriver> Plant<D> {
    /// A plant at rest: line full, shaft standing, every part at its static head.
    ///
    /// # Errors
    /// Whatever [`steady::solve`] refuses; a line through which water runs with the pump standing
    /// ([`HydraulicsError::NotAtRest`]); pipes that fit no common time step.
    pub fn new(
        network: &NetworkSpec,
        shaft: &ShaftSpec,
        driver: D,
        grid: &GridOptions,
    ) -> Result<Self, HydraulicsError> {
        let state = start_state(network, None)?;
        Self::from_state(network, shaft, driver, grid, &state)
    }

    /// A plant in the steady state of a shaft speed, which the driver is expected to hold.
    ///
    /// # Errors
    /// As [`Plant::new`], but water may run at zero speed.
    pub fn started_at(
        network: &NetworkSpec,
        shaft: &ShaftSpec,
        driver: D,
        grid: &GridOptions,
        speed_rad_s: f64,
    ) -> Result<Self, HydraulicsError> {
        let state = start_state(network, Some(speed_rad_s))?;
        Self::from_state(network, shaft, driver, grid, &state)
    }

    fn from_state(
        spec: &NetworkSpec,
        shaft: &ShaftSpec,
        driver: D,
        grid: &GridOptions,
        state: &SteadyState,
    ) -> Result<Self, HydraulicsError> {
        let network = Network::new(spec)?;
        let line = Line::new(&network, state, grid)?;
        let mut clusters = Cluster::all(&network, &line, state)?;
        let element_at: Vec<ElementAt> =
            (0..spec.elements.len()).map(|element| place_element(&line, &clusters, element)).collect();
        let pump_at = network.pump().and_then(|pump| match element_at[pump] {
            ElementAt::Link(cluster, link) => Some((cluster, link)),
            ElementAt::Pipe(_) | ElementAt::Blank => None,
        });
        let mut step = ShaftStep::new("shaft", shaft, line.dt_s)?;
        if let Some((cluster, _)) = pump_at {
            step.motion = Motion::of(state.speed_rad_s);
            clusters[cluster].nodal.shaft = Some(step);
        }
        let stored_at_start_m3 = stored_m3(&line, &clusters);
        Ok(Self {
            node_at: (0..spec.nodes.len()).map(|node| place_node(&clusters, node)).collect(),
            watch: Watch::new(&line, &clusters, state, &network),
            drawing: drawing::Drawing::new(&network),
            network,
            line,
            clusters,
            element_at,
            pump_at,
            driver,
            speed_rad_s: if pump_at.is_some() { state.speed_rad_s } else { 0.0 },
            pump_head_m: state.pump_head_m,
            pump_torque_n_m: state.pump_torque_n_m,
            steps: 0,
            left_m3: 0.0,
            stored_at_start_m3,
            air: None,
            stands_with: stands_with(spec),
            falls: Vec::new(),
        })
    }

    /// Advance by exactly one time step.
    ///
    /// # Errors
    /// No solution at some place, or a head or flow that is no number; a driver that moves a valve that is none. The plant
    /// must not be advanced any further.
    pub fn advance(&mut self) -> Result<(), HydraulicsError> {
        self.begin_shaft();
        self.driver.advance(self.line.dt_s, self.speed_rad_s);
        if let Some((element, opening)) = self.driver.valve() {
            self.set_opening(element, opening)?;
        }
        self.draw_air();
        self.line.advance();
        let driver = &self.driver;
        let drive = |speed_rad_s: f64| driver.torque_n_m(speed_rad_s);
        let mut failed = None;
        for (index, cluster) in self.clusters.iter_mut().enumerate() {
            match cluster.advance(&mut self.line, &drive) {
                Ok(left_m3) => self.left_m3 += left_m3,
                Err(unsolved) => {
                    failed = Some((index, unsolved));
                    break;
                }
            }
        }
        self.steps += 1;
        if let Some((index, unsolved)) = failed {
            return Err(self.unsolved(index, unsolved));
        }
        self.pour();
        self.end_shaft();
        self.follow_drawing();
        self.follow_air();
        self.look()
    }

    fn begin_shaft(&mut self) {
        let Some((cluster, _)) = self.pump_at else { return };
        let drive = self.driver.torque_n_m(self.speed_rad_s);
        if let Some(shaft) = &mut self.clusters[cluster].nodal.shaft {
            shaft.begin(self.speed_rad_s, drive, self.pump_torque_n_m);
        }
    }

    fn end_shaft(&mut self) {
        let Some((cluster, link)) = self.pump_at else { return };
        let nodal = &self.clusters[cluster].nodal;
        self.speed_rad_s = nodal.speed_rad_s;
        let link = &nodal.links[link];
        let gain = link.boundary.gain_from(link.flow_m3_s, nodal.speed_rad_s, nodal.nodes[link.from].head_m);
        self.pump_head_m = gain.head_m;
        self.pump_torque_n_m = gain.torque_n_m;
    }

    fn unsolved(&self, cluster: usize, unsolved: Unsolved) -> HydraulicsError {
        let cluster = &self.clusters[cluster];
        let spec = self.network.spec();
        let place = match cluster.elements.first() {
            Some(element) => spec.elements[*element].name.clone(),
            None => spec.nodes[cluster.nodes[0]].name.clone(),
        };
        if unsolved.residual_m.is_finite() {
            let Unsolved { residual_m, iterations } = unsolved;
            HydraulicsError::NotConverged { place, time_s: self.time_s(), iterations, residual_m }
        } else {
            HydraulicsError::NotFinite { place, time_s: self.time_s() }
        }
    }

    /// Look over the new level: numbers that are none, cavities, valves and flows that turned.
    fn look(&mut self) -> Result<(), HydraulicsError> {
        let time_s = self.time_s();
        for (index, pipe) in self.line.pipes.iter_mut().enumerate() {
            if !pipe.is_finite() {
                let place = self.network.spec().elements[pipe.element].name.clone();
                return Err(HydraulicsError::NotFinite { place, time_s });
            }
            let place = || Place::Pipe { element: pipe.element, share: pipe.largest_cavity_share() };
            let told = self.watch.parting.pipe(index, pipe.cavities_m3(), place);
            told.into_iter().for_each(|kind| self.watch.note(time_s, kind));
            if let Some(flat) = pipe.lies_flat() {
                self.watch.hose(pipe.element, flat, time_s);
            }
        }
        self.look_at_clusters(time_s)?;
        self.look_at_tanks(time_s)?;
        let (flow_m3_s, speed_rad_s) = (self.pump_flow_m3_s(), self.speed_rad_s);
        if let Some(pump) = self.network.pump_spec() {
            self.watch.turns((flow_m3_s, pump.rated_flow_m3_s), (speed_rad_s, pump.rated_speed_rad_s), time_s);
        }
        Ok(())
    }

    fn look_at_clusters(&mut self, time_s: f64) -> Result<(), HydraulicsError> {
        let spec = self.network.spec();
        for (index, cluster) in self.clusters.iter().enumerate() {
            for (local, node) in cluster.nodes.iter().enumerate() {
                let head_m = cluster.nodal.nodes[local].head_m;
                if !head_m.is_finite() {
                    return Err(HydraulicsError::NotFinite { place: spec.nodes[*node].name.clone(), time_s });
                }
                let told = self.watch.parting.node(*node, cluster.cavity_m3(local));
                told.into_iter().for_each(|kind| self.watch.note(time_s, kind));
            }
            for (local, valve) in cluster.air_valves() {
                self.watch.air(cluster.nodes[local], valve.open, time_s);
            }
            for (local, gas) in cluster.gases() {
                self.watch.vessel(cluster.nodes[local], gas.is_empty_of_water(), time_s);
            }
            for (local, link) in cluster.nodal.links.iter().enumerate() {
                let element = cluster.elements[local];
                match &link.boundary {
                    Boundary::CheckValve(valve) => self.watch.valve(index, local, (element, valve.open, None), time_s),
                    Boundary::DiscValve(valve) => {
                        let state = (element, valve.opening() > 0.0, valve.shut_on_m3_s);
                        self.watch.valve(index, local, state, time_s);
                    }
                    Boundary::OtherPump(pump) => {
                        let speed = (pump.speed_rad_s, pump.rated_speed_rad_s());
                        self.watch.other_shaft((index, local), element, speed, time_s);
                    }
                    Boundary::ReliefValve(valve) => self.watch.relief(index, local, (element, valve.open), time_s),
                    _ => {}
                }
            }
        }
        Ok(())
    }

    /// Time step, s.
    #[must_use]
    pub fn dt_s(&self) -> f64 {
        self.line.dt_s
    }

    /// Time since the plant was made, s.
    #[must_use]
    pub fn time_s(&self) -> f64 {
        self.steps as f64 * self.line.dt_s
    }

    /// Cells of all pipes.
    #[must_use]
    pub fn cells(&self) -> usize {
        self.line.cells()
    }

    /// Largest relative change made to a wave speed so that pipes fit the common step.
    #[must_use]
    pub fn wave_speed_adjustment(&self) -> f64 {
        self.line.adjustment
    }

    /// Piezometric head, m above datum; along an element without length, straight between its ends.
    ///
    /// # Panics
    /// Where the place is not of this network.
    #[must_use]
    pub fn head_m(&self, place: Place) -> f64 {
        match place {
            Place::Node(node) => {
                let (cluster, local) = self.node_at[self.stands_with[node]];
                self.clusters[cluster].nodal.nodes[local].head_m
            }
            Place::Pipe { element, share } => match self.element_at[element] {
                ElementAt::Pipe(pipe) => PipeGrid::at_share(&self.line.pipes[pipe].head_m, share),
                ElementAt::Link(..) | ElementAt::Blank => {
                    let ends = &self.network.spec().elements[element];
                    let (from, to) = (self.head_m(Place::Node(ends.from)), self.head_m(Place::Node(ends.to)));
                    from + share.clamp(0.0, 1.0) * (to - from)
                }
            },
        }
    }

    /// Gauge pressure at a place as a diaphragm at this elevation feels it, Pa: `rho g (H - z)`.
    ///
    /// # Panics
    /// Where the place is not of this network.
    #[must_use]
    pub fn gauge_pa(&self, place: Place, diaphragm_elevation_m: f64) -> f64 {
        let liquid = &self.network.spec().liquid;
        liquid.density_kg_m3 * liquid.gravity_m_s2 * (self.head_m(place) - diaphragm_elevation_m)
    }

    /// Flow at a place, m3/s, positive from `from` to `to`; at a node, the flow through it.
    ///
    /// # Panics
    /// Where the place is not of this network.
    #[must_use]
    pub fn flow_m3_s(&self, place: Place) -> f64 {
        match place {
            Place::Node(node) => {
                let (cluster, local) = self.node_at[node];
                self.clusters[cluster].through_m3_s(&self.line, local)
            }
            Place::Pipe { element, share } => match self.element_at[element] {
                ElementAt::Pipe(pipe) => PipeGrid::at_share(&self.line.pipes[pipe].flow_m3_s, share),
                ElementAt::Link(cluster, link) => self.clusters[cluster].nodal.links[link].flow_m3_s,
                ElementAt::Blank => 0.0,
            },
        }
    }

    /// Flow through the pump, m3/s; 0 without a pump.
    #[must_use]
    pub fn pump_flow_m3_s(&self) -> f64 {
        self.pump_at.map_or(0.0, |(cluster, link)| self.clusters[cluster].nodal.links[link].flow_m3_s)
    }

    /// Head of the pump, m; 0 without a pump.
    #[must_use]
    pub fn pump_head_m(&self) -> f64 {
        self.pump_head_m
    }

    /// Torque that the pump takes from the shaft, N m; 0 without a pump.
    #[must_use]
    pub fn pump_torque_n_m(&self) -> f64 {
        self.pump_torque_n_m
    }

    /// Shaft speed, rad/s, positive pumps; 0 without a pump.
    #[must_use]
    pub fn speed_rad_s(&self) -> f64 {
        self.speed_rad_s
    }

    /// Line current, A rms.
    #[must_use]
    pub fn current_a(&self) -> f64 {
        self.driver.current_a(self.speed_rad_s)
    }

    /// Power from the line, W.
    #[must_use]
    pub fn power_w(&self) -> f64 {
        self.driver.power_w(self.speed_rad_s)
    }

    /// Water level of the tank at a node, m above datum; at any other node its head.
    ///
    /// # Panics
    /// Where there is no such node.
    #[must_use]
    pub fn level_m(&self, node: usize) -> f64 {
        let (cluster, local) = self.node_at[node];
        self.clusters[cluster].level_m(local).unwrap_or_else(|| self.head_m(Place::Node(node)))
    }

    /// Vapour at a place, m3: at a node, or at the grid point nearest to a share of a pipe.
    ///
    /// # Panics
    /// Where the place is not of this network.
    #[must_use]
    pub fn cavity_m3(&self, place: Place) -> f64 {
        match place {
            Place::Node(node) => {
                let (cluster, local) = self.node_at[node];
                self.clusters[cluster].cavity_m3(local)
            }
            Place::Pipe { element, share } => match self.element_at[element] {
                ElementAt::Pipe(pipe) => self.line.pipes[pipe].cavity_at_share_m3(share),
                ElementAt::Link(..) | ElementAt::Blank => 0.0,
            },
        }
    }

    /// How a check valve with a disc stands: its opening, 0 on the seat to 1, and the flow on which it last shut, m3/s
    /// (negative: backwards). `None` for any other element.
    #[must_use]
    pub fn disc(&self, element: usize) -> Option<(f64, Option<f64>)> {
        let ElementAt::Link(cluster, link) = self.element_at.get(element)? else { return None };
        match &self.clusters[*cluster].nodal.links[*link].boundary {
            Boundary::DiscValve(valve) => Some((valve.opening(), valve.shut_on_m3_s)),
            _ => None,
        }
    }

    /// Gas above the water of a node, m3; 0 where there is none.
    ///
    /// # Panics
    /// Where there is no such node.
    #[must_use]
    pub fn gas_m3(&self, node: usize) -> f64 {
        let (cluster, local) = self.node_at[node];
        let gas = self.clusters[cluster].gases().find(|(at, _)| *at == local).map(|(_, gas)| gas.volume_m3);
        let air = self.clusters[cluster].air_valves().find(|(at, _)| *at == local);
        gas.or(air.map(|(_, valve)| valve.store.volume_m3)).unwrap_or(0.0)
    }

    /// Roundness of a lay-flat hose where it is flattest, 1 round to 0 flat; 1 for anything else.
    #[must_use]
    pub fn least_roundness(&self, element: usize) -> f64 {
        let pipe = self.line.pipes.iter().find(|pipe| pipe.element == element);
        pipe.map_or(1.0, PipeGrid::least_roundness)
    }

    /// All vapour of the network, m3.
    #[must_use]
    pub fn cavities_m3(&self) -> f64 {
        let pipes: f64 = self.line.pipes.iter().map(PipeGrid::cavities_m3).sum();
        let at_nodes = |cluster: &Cluster| (0..cluster.nodes.len()).map(|node| cluster.cavity_m3(node)).sum::<f64>();
        pipes + self.clusters.iter().map(at_nodes).sum::<f64>()
    }

    /// Set a valve's opening, 0..1, from the present level on.
    ///
    /// # Errors
    /// The element is not a valve of this network.
    pub fn set_opening(&mut self, element: usize, opening: f64) -> Result<(), HydraulicsError> {
        match self.element_at.get(element) {
            Some(ElementAt::Blank) if self.stays_blank(element, opening) => Ok(()),
            Some(ElementAt::Link(cluster, link)) if self.clusters[*cluster].set_opening(*link, opening) => Ok(()),
            _ => Err(HydraulicsError::NotAValve { element }),
        }
    }

    /// The driver.
    #[must_use]
    pub fn driver(&self) -> &D {
        &self.driver
    }

    /// The driver, to command it.
    pub fn driver_mut(&mut self) -> &mut D {
        &mut self.driver
    }

    /// The network's description.
    #[must_use]
    pub fn network(&self) -> &NetworkSpec {
        self.network.spec()
    }

    /// Events since the last call, oldest first.
    pub fn take_events(&mut self) -> Vec<PlantEvent> {
        std::mem::take(&mut self.watch.events)
    }

    /// Volume that the numbers made or lost since the start, m3: what is stored more than at the start, and what left
    /// through outlets, overflows and very large tanks, against nothing.
    #[must_use]
    pub fn volume_error_m3(&self) -> f64 {
        stored_m3(&self.line, &self.clusters) - self.stored_at_start_m3 + self.left_m3
    }
}

/// Water in pipes, tanks and fittings, against a level that stays the same, m3.
fn stored_m3(line: &Line, clusters: &[Cluster]) -> f64 {
    line.stored_m3() + clusters.iter().map(|cluster| cluster.stored_m3(line.dt_s)).sum::<f64>()
}

/// The steady state to begin from at a speed; without one, of a line at rest.
fn start_state(network: &NetworkSpec, speed_rad_s: Option<f64>) -> Result<SteadyState, HydraulicsError> {
    start_state_of(&Network::new(network)?, speed_rad_s)
}

/// State to start from: steady at a speed, or at rest.
pub(crate) fn start_state_of(network: &Network, speed_rad_s: Option<f64>) -> Result<SteadyState, HydraulicsError> {
    let state = steady::solve_checked(network, speed_rad_s.unwrap_or(0.0))?;
    if speed_rad_s.is_some() {
        return Ok(state);
    }
    let network = network.spec();
    // Other pumps may run already; the commanded one must then stand in still water.
    let other_runs = network.elements.iter().any(|element| element.kind.runs_by_itself());
    let at_rest = |element: &usize| !other_runs || matches!(network.elements[*element].kind, ElementKind::Pump(_));
    let largest = (0..state.flows_m3_s.len())
        .filter(at_rest)
        .max_by(|a, b| state.flows_m3_s[*a].abs().total_cmp(&state.flows_m3_s[*b].abs()));
    if let Some(element) = largest.filter(|element| state.flows_m3_s[*element].abs() > steady::REST_FLOW_M3_S) {
        let name = network.elements[element].name.clone();
        return Err(HydraulicsError::NotAtRest { element: name, flow_m3_s: state.flows_m3_s[element] });
    }
    Ok(state)
}

fn place_element(line: &Line, clusters: &[Cluster], element: usize) -> ElementAt {
    if let Some(pipe) = line.pipes.iter().position(|pipe| pipe.element == element) {
        return ElementAt::Pipe(pipe);
    }
    let within = |cluster: &Cluster| cluster.elements.iter().position(|e| *e == element);
    let found = clusters.iter().enumerate().find_map(|(i, cluster)| within(cluster).map(|link| (i, link)));
    found.map_or(ElementAt::Blank, |(cluster, link)| ElementAt::Link(cluster, link))
}

fn place_node(clusters: &[Cluster], node: usize) -> (usize, usize) {
    let within = |cluster: &Cluster| cluster.nodes.iter().position(|n| *n == node);
    clusters.iter().enumerate().find_map(|(i, cluster)| within(cluster).map(|local| (i, local))).unwrap_or((0, 0))
}
