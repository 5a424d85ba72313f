//! Scenarios of one shape, stepped together.
#![allow(unsafe_code, reason = "the call of code compiled for instructions found at run time; see the SAFETY lines")]

use super::Scenario;
use super::drives::DriveSet;
use super::isa::{Eight, Four, Isa, Plain, Vectors};
use super::moving::Moving;
use super::place::{Drives, LaneShaft, Lanes, Law, Place};
use super::reach::Reach;
use super::readings::Reading;
use super::row::Row;
use super::rows::Rows;
use super::sample::{LaneMeters, Meter, Probe};
use super::standing::{LaneWay, Way};
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::moc::boundary::Boundary;
use crate::hydraulics::moc::grid::Grid;
use crate::hydraulics::moc::interior::{check_options, lay_grid};
use crate::hydraulics::moc::{Cluster, Line};
use crate::hydraulics::network::Network;
use crate::hydraulics::nodal::{Drive, Hold};
use crate::hydraulics::plant::{PlantEvent, PlantEventKind, REVERSAL_SHARE, cavitation_turned, start_state_of};
use crate::hydraulics::shaft::{Motion, ShaftStep};
use crate::hydraulics::spec::{ElementKind, NetworkSpec, Place as At, Terminal};

/// Most steps taken at one go: between them, lanes that are given up are looked for.
const STRIDE_MAX: u64 = 256;
/// Slope of a drive times step over inertia from which the new level weighs more, as [`ShaftStep::begin`] has it.
const STIFF: f64 = 2.0;
/// Steps before a sample that are taken one by one, whatever rounding does.
const STRIDE_BEFORE: u64 = 2;

/// One scenario ready to enter a lane.
struct Member<'a> {
    network: &'a Network,
    line: Line,
    clusters: Vec<Cluster>,
    shaft: ShaftStep,
    flows_m3_s: Vec<f64>,
    speed_rad_s: f64,
    pump_torque_n_m: f64,
}

impl<'a> Member<'a> {
    fn new(scenario: &Scenario, network: &'a Network, grid: &Grid) -> Result<Self, HydraulicsError> {
        let state = start_state_of(network, scenario.speed_rad_s)?;
        let line = Line::on(grid, network, &state, &scenario.half_grid());
        let clusters = Cluster::all(network, &line, &state)?;
        let shaft = ShaftStep::new("shaft", &scenario.shaft, line.dt_s)?;
        let speed_rad_s = if network.pump().is_some() { state.speed_rad_s } else { 0.0 };
        let pump_torque_n_m = state.pump_torque_n_m;
        Ok(Self { network, line, clusters, shaft, flows_m3_s: state.flows_m3_s, speed_rad_s, pump_torque_n_m })
    }

    /// What runs into a node through all elements in the state at the start.
    fn inflow_m3_s(&self, node: usize) -> f64 {
        let elements = self.network.spec().elements.iter().zip(&self.flows_m3_s);
        elements.fold(0.0, |sum, (element, flow)| match node {
            n if n == element.to => sum + flow,
            n if n == element.from => sum - flow,
            _ => sum,
        })
    }
}

/// `W` scenarios of one shape.
#[repr(C, align(64))]
pub(super) struct Group<'a, const W: usize> {
    dt_s: Lanes<W>,
    pub(super) shaft: LaneShaft<W>,
    /// Direction of the pump's flow and of the shaft: 1 or -1; and what counts as having turned back, in that direction.
    senses: (Lanes<W>, Lanes<W>),
    backwards: (Lanes<W>, Lanes<W>),
    pub(super) scenarios: [&'a Scenario; W],
    pub(super) reaches: Vec<Reach<W>>,
    pub(super) places: Vec<Place<W>>,
    pub(super) drives: DriveSet<W>,
    /// Place and element of the pump.
    pump: Option<(usize, usize)>,
    rows: Rows<W>,
    readings: Vec<Reading<W>>,
    meters: Option<LaneMeters<W>>,
    /// What the probes showed at the level before and show at the present one, where a sample lies between.
    shown: [Vec<Row<W>>; 2],
    cavitates: [bool; W],
    /// In some lane.
    cavitate: bool,
    /// The valve that moves, where that is all that moves.
    moving: Option<Moving<W>>,
    /// Some valve moves.
    by_law: bool,
    open: Vec<(usize, usize, [bool; W])>,
    ways: Vec<LaneWay<W>>,
    unsound: [bool; W],
    steps: u64,
    /// Lane steps solved by themselves.
    pub(super) lonely: u64,
}

/// What became of a group.
pub(super) struct Outcome<const W: usize> {
    /// Samples, as [`Rows`] has them.
    pub(super) values: Vec<f64>,
    pub(super) events: Vec<Vec<PlantEvent>>,
    /// Lanes whose scenario must run by itself; what was sampled of them is void.
    pub(super) unsound: [bool; W],
    pub(super) steps: u64,
    pub(super) lonely: u64,
}

impl<'a, const W: usize> Group<'a, W> {
    /// Lanes for these scenarios; none where one of them cannot start or the lanes do not know a part of it.
    pub(super) fn new(
        scenarios: [&'a Scenario; W],
        (networks, grids, ways): ([&Network; W], [&Grid; W], [&[Way]; W]),
        (probes, meters): (&[Probe], &[Meter]),
        (times, room): ((f64, f64), Vec<f64>),
    ) -> Option<Self> {
        let ready = scenarios.iter().zip(networks.iter().zip(grids));
        let ready = ready.map(|(scenario, (network, grid))| Member::new(scenario, network, grid).ok());
        let mut members: Vec<Member> = ready.collect::<Option<_>>()?;
        let taken = members.iter_mut().map(|member| std::mem::take(&mut member.clusters).into_iter());
        let mut clusters: Vec<_> = taken.collect();
        let members: &[Member; W] = members.as_slice().try_into().ok()?;
        let specs: [&NetworkSpec; W] = each(|lane| members[lane].network.spec());
        let reaches: Vec<Reach<W>> = (0..members[0].line.pipes.len())
            .map(|pipe| Reach::new(&each(|lane| &members[lane].line.pipes[pipe])))
            .collect();
        let dt_s = each(|lane| members[lane].line.dt_s);
        let speed_rad_s = each(|lane| members[lane].speed_rad_s);
        let mut places = Vec::new();
        loop {
            let alone: Vec<Cluster> = clusters.iter_mut().filter_map(Iterator::next).collect();
            if alone.len() < W {
                break;
            }
            places.push(Place::new(&specs, alone, (&reaches, &dt_s, &speed_rad_s), &|lane, node| {
                members[lane].inflow_m3_s(node)
            })?);
        }
        let ways = (0..ways[0].len()).map(|index| LaneWay::new(&ways, index, &places)).collect::<Option<_>>()?;
        let pump =
            places.iter().enumerate().find_map(|(i, place): (usize, &Place<W>)| place.pump.map(|link| (i, link)));
        let drivers = scenarios.iter().map(|scenario| (scenario.driver)()).collect();
        let open = places.iter().enumerate().flat_map(|(i, place)| check_valves(place, i)).collect();
        let rated = |of: fn(&crate::hydraulics::spec::PumpSpec) -> f64| {
            each(|lane| members[lane].network.pump_spec().map_or(1.0, of))
        };
        let mut group = Self {
            scenarios,
            dt_s,
            shaft: lane_shaft(members),
            drives: DriveSet::new(drivers),
            cavitates: [false; W],
            cavitate: false,
            senses: (
                each(|lane| sense(pump.map_or(0.0, |(place, link)| places[place].links[link].flow_m3_s[lane]) >= 0.0)),
                each(|lane| sense(members[lane].speed_rad_s >= 0.0)),
            ),
            backwards: (rated(|pump| turned_at(pump.rated_flow_m3_s)), rated(|pump| turned_at(pump.rated_speed_rad_s))),
            moving: Moving::new(&scenarios, &places, &dt_s),
            by_law: scenarios.iter().any(|scenario| !scenario.openings.is_empty()),
            rows: Rows::new(&[], times, Vec::new()),
            reaches,
            places,
            pump,
            open,
            ways,
            unsound: [false; W],
            steps: 0,
            lonely: 0,
            readings: Vec::new(),
            meters: None,
            shown: [Vec::new(), Vec::new()],
        };
        group.readings = probes.iter().map(|probe| group.reading(probe)).collect();
        let values: Vec<Row<W>> = group.readings.iter().map(|reading| Row(group.read(reading))).collect();
        group.meters = (!meters.is_empty()).then(|| LaneMeters::at_rest(meters, &group.dt_s, &values));
        group.rows = Rows::new(&values, times, room);
        group.shown = [values.clone(), values];
        Some(group)
    }

    /// Run to the end of the times asked for.
    pub(super) fn run(mut self, vectors: Vectors) -> Outcome<W> {
        match vectors {
            #[cfg(target_arch = "x86_64")]
            // SAFETY: `Vectors` of this kind come only from `Vectors::widest` or below it, which found the instructions.
            Vectors::Avx512 => unsafe { run_eight(&mut self) },
            #[cfg(target_arch = "x86_64")]
            // SAFETY: as above.
            Vectors::Avx2 => unsafe { run_four(&mut self) },
            _ => self.run_in::<Plain>(),
        }
        let (values, events) = self.rows.finish();
        Outcome { values, events, unsound: self.unsound, steps: self.steps, lonely: self.lonely }
    }

    #[inline(always)]
    fn run_in<I: Isa>(&mut self) {
        let least_s = self.dt_s.iter().fold(f64::INFINITY, |least_s, dt_s| least_s.min(*dt_s));
        let dense = self.rows.is_dense((STRIDE_BEFORE + 1) as f64 * least_s);
        let (mut quiet, mut surely) = (0, 0);
        loop {
            if quiet == 0 {
                if self.steps >= surely {
                    if !self.running() {
                        return;
                    }
                    surely = self.steps + self.steps_left().min(STRIDE_MAX);
                }
                quiet = if dense { 0 } else { self.quiet_steps() };
            }
            self.open_valves();
            let due = quiet == 0 && self.is_due();
            if due && self.meters.is_none() {
                self.show(0);
            }
            self.step_water::<I>();
            match (&self.meters, due) {
                (Some(_), _) => self.show_next(),
                (None, true) => self.show(1),
                (None, false) => {}
            }
            if due {
                self.record::<I>();
            }
            if self.seen() {
                self.look();
            }
            quiet = quiet.saturating_sub(1);
        }
    }

    /// With meters, which answer to every level: what the probes show at the present one.
    #[inline(always)]
    fn show_next(&mut self) {
        self.shown.swap(0, 1);
        self.show(1);
    }

    /// Steps before the next sample of any lane that can be taken at one go.
    #[inline(always)]
    fn quiet_steps(&self) -> u64 {
        if self.by_law && self.moving.is_none() {
            return 0;
        }
        let mut least = f64::INFINITY;
        for l in 0..W {
            let steps = if self.unsound[l] { f64::INFINITY } else { self.rows.next_s(l) / self.dt_s[l] };
            least = if steps < least { steps } else { least };
        }
        (least as u64).saturating_sub(self.steps + STRIDE_BEFORE).min(STRIDE_MAX)
    }

    /// Whether a check valve moved, or the pump's flow or shaft turned, in any lane.
    #[inline(always)]
    fn seen(&self) -> bool {
        let mut seen = false;
        for (place, link, before) in &self.open {
            let Law::Loss { shut, .. } = &self.places[*place].links[*link].law else { continue };
            for l in 0..W {
                seen |= (shut[l] == 0.0) != before[l];
            }
        }
        if let Some((place, link)) = self.pump {
            seen |= self.cavitate || !self.places[place].amply;
            let flow_m3_s = &self.places[place].links[link].flow_m3_s;
            for l in 0..W {
                seen |= self.senses.0[l] * flow_m3_s[l] < self.backwards.0[l];
                seen |= self.senses.1[l] * self.shaft.speed_rad_s[l] < self.backwards.1[l];
            }
        }
        seen
    }

    #[inline(always)]
    fn running(&self) -> bool {
        let mut running = false;
        for l in 0..W {
            running |= !self.unsound[l] && !self.rows.is_complete(l, self.steps as f64 * self.dt_s[l]);
        }
        running
    }

    /// Steps that some lane surely has to go.
    #[inline(never)]
    fn steps_left(&self) -> u64 {
        let left = |lane: usize| (self.rows.left_s(self.time_s(lane)) / self.dt_s[lane]) as u64;
        (0..W).map(left).max().unwrap_or(0).saturating_sub(STRIDE_BEFORE)
    }

    fn time_s(&self, lane: usize) -> f64 {
        self.steps as f64 * self.dt_s[lane]
    }

    /// Times of a level.
    #[inline(always)]
    fn times_s(&self, level: u64) -> Lanes<W> {
        let mut times_s = self.dt_s;
        for l in 0..W {
            times_s[l] *= level as f64;
        }
        times_s
    }

    /// A sample of some lane lies before the next level.
    #[inline(always)]
    fn is_due(&self) -> bool {
        self.rows.is_due(&self.times_s(self.steps + 1))
    }

    /// Set valves that follow a law to where they stand at the next level.
    #[inline(always)]
    fn open_valves(&mut self) {
        match &self.moving {
            Some(moving) if moving.moves(self.steps) => moving.set(&mut self.places, self.steps + 1, &self.dt_s),
            Some(_) => {}
            None if self.by_law => self.open_valves_singly(),
            None => {}
        }
    }

    #[inline(never)]
    fn open_valves_singly(&mut self) {
        for lane in 0..W {
            let (before_s, next_s) = (self.time_s(lane), (self.steps + 1) as f64 * self.dt_s[lane]);
            for law in &self.scenarios[lane].openings {
                let Some(opening) = law.moved(before_s, next_s) else { continue };
                for place in &mut self.places {
                    let Some(link) = place.links.iter().position(|link| link.element == law.element) else { continue };
                    if place.alone[lane].set_opening(link, opening) {
                        let boundary = &place.alone[lane].nodal.links[link].boundary;
                        let _ = place.links[link].set_law(lane, boundary);
                    }
                }
            }
        }
    }

    /// What the probes show at the present level.
    #[inline(always)]
    fn show(&mut self, level: usize) {
        let mut shown = std::mem::take(&mut self.shown[level]);
        for (values, reading) in shown.iter_mut().zip(&self.readings) {
            values.0 = self.read(reading);
        }
        if let Some(meters) = &mut self.meters {
            meters.show(&mut shown);
        }
        self.shown[level] = shown;
    }

    #[inline(always)]
    fn step_water<I: Isa>(&mut self) {
        if self.pump.is_some() {
            self.begin_shaft();
        }
        for reach in &mut self.reaches {
            reach.advance::<I>(&mut self.unsound);
        }
        let (dt_s, drives, lonely) = (&self.dt_s, &self.drives, &mut self.lonely);
        let mut ask = |place: &mut Place<W>, shaft: &mut LaneShaft<W>, lane: usize| {
            *lonely += 1;
            solve_alone(place, shaft, lane, (dt_s[lane], &|speed_rad_s| drives.torque_of(lane, speed_rad_s)))
        };
        for place in &mut self.places {
            place.advance::<I, _>(&mut self.reaches, dt_s, &mut self.shaft, drives, &mut self.unsound, &mut ask);
        }
        if let Some((place, _)) = self.pump {
            self.shaft.pump_torque_n_m = self.places[place].point.torque_n_m;
        }
        for way in &self.ways {
            way.watch(&self.places, &mut self.unsound);
        }
        self.steps += 1;
    }

    #[inline(always)]
    fn begin_shaft(&mut self) {
        let lasting = self.drives.lasting();
        let shaft = &mut self.shaft;
        let (mut torque, mut slope) = ([0.0; W], [0.0; W]);
        let known = self.pump.map(|(place, _)| &self.places[place]).filter(|place| place.drive_known);
        match known.filter(|place| !stiff(&place.drive.1, &shaft.per_torque)) {
            Some(place) => (torque, slope) = place.drive,
            None => self.drives.torque(&shaft.speed_rad_s, &mut torque, &mut slope),
        }
        if !lasting || self.steps == 0 {
            for l in 0..W {
                let stiffness = slope[l].abs() * shaft.per_torque[l];
                shaft.theta[l] = if stiffness > STIFF { 1.0 - 1.0 / stiffness } else { 0.5 };
            }
        }
        for l in 0..W {
            shaft.old_speed_rad_s[l] = shaft.speed_rad_s[l];
            let old_n_m = torque[l] - shaft.pump_torque_n_m[l];
            shaft.old_torque_n_m[l] = old_n_m;
            let starts = shaft.motion[l] == 0.0 && old_n_m.abs() > shaft.friction_n_m[l];
            shaft.motion[l] = if starts { 1.0_f64.copysign(old_n_m) } else { shaft.motion[l] };
        }
        self.drives.advance(&self.dt_s, &self.shaft.speed_rad_s);
    }

    /// Note where a pump's suction head falls short, or does no longer.
    fn look_at_suction(&mut self) {
        let Some((place, link)) = self.pump else { return };
        let place = &self.places[place];
        let link = &place.links[link];
        let Law::Pump(pumps) = &link.law else { return };
        for lane in 0..W {
            let at = (link.flow_m3_s[lane], self.shaft.speed_rad_s[lane]);
            let npsh = pumps.npsh(lane, at, place.nodes[link.from].head_m[lane]);
            if let Some(kind) = npsh.and_then(|npsh| cavitation_turned(&mut self.cavitates[lane], &npsh)) {
                self.rows.note(lane, self.steps as f64 * self.dt_s[lane], kind);
            }
        }
        self.cavitate = self.cavitates.contains(&true);
    }

    /// Note check valves that moved, and flows and shafts that turned.
    #[inline(never)]
    fn look(&mut self) {
        self.look_at_suction();
        for (place, link, before) in &mut self.open {
            let Law::Loss { shut, .. } = &self.places[*place].links[*link].law else { continue };
            let element = self.places[*place].links[*link].element;
            for lane in 0..W {
                let open = shut[lane] == 0.0;
                if open != before[lane] {
                    before[lane] = open;
                    let opened = PlantEventKind::CheckValveOpened { element };
                    let kind = if open { opened } else { PlantEventKind::CheckValveClosed { element } };
                    self.rows.note(lane, self.steps as f64 * self.dt_s[lane], kind);
                }
            }
        }
        let Some((place, link)) = self.pump else { return };
        let flow_m3_s = &self.places[place].links[link].flow_m3_s;
        let speed_rad_s = &self.shaft.speed_rad_s;
        for lane in 0..W {
            let (flow_sense, shaft_sense) = (&mut self.senses.0[lane], &mut self.senses.1[lane]);
            let time_s = self.steps as f64 * self.dt_s[lane];
            if *flow_sense * flow_m3_s[lane] < self.backwards.0[lane] {
                *flow_sense = -*flow_sense;
                let kind = PlantEventKind::FlowReversed { forwards: *flow_sense > 0.0 };
                self.rows.note(lane, time_s, kind);
            }
            if *shaft_sense * speed_rad_s[lane] < self.backwards.1[lane] {
                *shaft_sense = -*shaft_sense;
                let kind = PlantEventKind::ShaftReversed { forwards: *shaft_sense > 0.0 };
                self.rows.note(lane, time_s, kind);
            }
        }
    }

    /// Samples between the level before and the present one.
    #[inline(always)]
    fn record<I: Isa>(&mut self) {
        let times_s = (self.times_s(self.steps - 1), self.times_s(self.steps));
        self.rows.take::<I>((&times_s.0, &times_s.1), &self.shown, &self.unsound);
    }

    pub(super) fn value(&self, lane: usize, probe: &Probe) -> f64 {
        let liquid = &self.scenarios[lane].network.liquid;
        match *probe {
            Probe::Head(at) => self.head_m(lane, at),
            Probe::Gauge { place, elevation_m } => {
                liquid.density_kg_m3 * liquid.gravity_m_s2 * (self.head_m(lane, place) - elevation_m)
            }
            Probe::Flow { element, share } => match self.reaches.iter().find(|reach| reach.element == element) {
                Some(reach) => reach.at_share(lane, share).1,
                None => self.link_flow_m3_s(lane, element),
            },
            Probe::Level { node } => self.at_node(node, |place, local| place.level_m(local, lane)),
            Probe::Speed => self.shaft.speed_rad_s[lane],
            Probe::PumpTorque => self.shaft.pump_torque_n_m[lane],
            Probe::Current => self.drives.current_a(&self.shaft.speed_rad_s)[lane],
            Probe::Power => self.drives.power_w(&self.shaft.speed_rad_s)[lane],
        }
    }

    fn head_m(&self, lane: usize, at: At) -> f64 {
        match at {
            At::Node(node) => self.at_node(node, |place, local| place.nodes[local].head_m[lane]),
            At::Pipe { element, share } => match self.reaches.iter().find(|reach| reach.element == element) {
                Some(reach) => reach.at_share(lane, share).0,
                None => {
                    let ends = &self.scenarios[lane].network.elements[element];
                    let (from, to) = (self.head_m(lane, At::Node(ends.from)), self.head_m(lane, At::Node(ends.to)));
                    from + share.clamp(0.0, 1.0) * (to - from)
                }
            },
        }
    }

    fn at_node(&self, node: usize, read: impl Fn(&Place<W>, usize) -> f64) -> f64 {
        let found = self
            .places
            .iter()
            .find_map(|place| place.nodes.iter().position(|at| at.node == node).map(|local| read(place, local)));
        found.unwrap_or(f64::NAN)
    }

    fn link_flow_m3_s(&self, lane: usize, element: usize) -> f64 {
        let mut links = self.places.iter().flat_map(|place| &place.links);
        links.find(|link| link.element == element).map_or(f64::NAN, |link| link.flow_m3_s[lane])
    }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f,avx512dq,avx512vl,avx2,fma")]
fn run_eight<const W: usize>(group: &mut Group<'_, W>) {
    group.run_in::<Eight>();
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
fn run_four<const W: usize>(group: &mut Group<'_, W>) {
    group.run_in::<Four>();
}

/// Some drive is so stiff, or nearly so, that the weight of the new level depends on its slope.
#[inline(always)]
fn stiff<const W: usize>(slope: &Lanes<W>, per_torque: &Lanes<W>) -> bool {
    let mut stiff = false;
    for l in 0..W {
        stiff |= !(slope[l].abs() * per_torque[l] < 0.9 * STIFF);
    }
    stiff
}

/// An array with one value a lane.
fn each<T, const W: usize>(value: impl FnMut(usize) -> T) -> [T; W] {
    std::array::from_fn(value)
}

fn sense(forwards: bool) -> f64 {
    if forwards { 1.0 } else { -1.0 }
}

/// Beyond this, in its direction, a flow or speed has turned back.
fn turned_at(rated: f64) -> f64 {
    -REVERSAL_SHARE * rated
}

fn check_valves<const W: usize>(place: &Place<W>, index: usize) -> Vec<(usize, usize, [bool; W])> {
    let links = place.links.iter().enumerate();
    links
        .filter_map(|(i, link)| match &link.law {
            Law::Loss { shut, one_way: true, .. } => Some((index, i, each(|lane| shut[lane] == 0.0))),
            _ => None,
        })
        .collect()
}

fn lane_shaft<const W: usize>(members: &[Member<'_>; W]) -> LaneShaft<W> {
    let motion = |member: &Member<'_>| match Motion::of(member.speed_rad_s) {
        Motion::Forwards => 1.0,
        Motion::Held => 0.0,
        Motion::Backwards => -1.0,
    };
    LaneShaft {
        inertia_kg_m2: each(|lane| members[lane].shaft.inertia_kg_m2),
        per_torque: each(|lane| members[lane].line.dt_s / members[lane].shaft.inertia_kg_m2),
        friction_n_m: each(|lane| members[lane].shaft.friction_n_m),
        theta: [0.5; W],
        old_speed_rad_s: [0.0; W],
        old_torque_n_m: [0.0; W],
        motion: each(|lane| motion(&members[lane])),
        speed_rad_s: each(|lane| members[lane].speed_rad_s),
        pump_torque_n_m: each(|lane| members[lane].pump_torque_n_m),
    }
}

/// Solve one lane of a place as one at a time does, from the old level, and take its state back; false where it has no
/// solution.
#[inline(never)]
fn solve_alone<const W: usize>(
    place: &mut Place<W>,
    shaft: &mut LaneShaft<W>,
    lane: usize,
    (dt_s, drive): (f64, Drive<'_>),
) -> bool {
    let Place { alone, nodes, links, pump, point, tanks, .. } = place;
    let nodal = &mut alone[lane].nodal;
    for (local, (own, node)) in nodal.nodes.iter_mut().zip(&*nodes).enumerate() {
        let is_tank = tanks.iter().any(|tank| tank.node == local);
        let held = node.held[lane] > 0.0;
        own.reference_m = node.reference_m[lane];
        own.head_m = if held { node.held_m[lane] } else { node.reference_m[lane] };
        own.supply_m3_s = node.supply_m3_s[lane];
        own.conductance_m2_s = node.conductance_m2_s[lane];
        if is_tank {
            own.hold = if held { Hold::Fixed } else { Hold::Free };
        } else if let Hold::Outlet { open, .. } = &mut own.hold {
            *open = held;
        }
    }
    for (own, link) in nodal.links.iter_mut().zip(&*links) {
        own.flow_m3_s = link.before_m3_s[lane];
        if let (Boundary::Valve(valve), true) = (&mut own.boundary, link.opening[lane].is_finite()) {
            valve.set_opening(link.opening[lane]);
        }
        if let (Boundary::CheckValve(valve), Law::Loss { shut, .. }) = (&mut own.boundary, &link.law) {
            valve.open = shut[lane] == 0.0;
        }
    }
    if pump.is_some() {
        nodal.speed_rad_s = shaft.old_speed_rad_s[lane];
        nodal.shaft = Some(ShaftStep {
            inertia_kg_m2: shaft.inertia_kg_m2[lane],
            friction_n_m: shaft.friction_n_m[lane],
            dt_s,
            theta: shaft.theta[lane],
            old_speed_rad_s: shaft.old_speed_rad_s[lane],
            old_torque_n_m: shaft.old_torque_n_m[lane],
            motion: Motion::of(shaft.motion[lane]),
        });
    }
    if nodal.solve_step(drive).is_err() {
        return false;
    }
    for (own, node) in nodal.nodes.iter().zip(&mut *nodes) {
        node.head_m[lane] = own.head_m;
        if let Hold::Outlet { open, .. } = own.hold {
            node.held[lane] = if open { 1.0 } else { 0.0 };
        }
    }
    for (own, link) in nodal.links.iter().zip(&mut *links) {
        link.flow_m3_s[lane] = own.flow_m3_s;
        let _ = link.set_law(lane, &own.boundary);
        if let Boundary::Pump(pump) = &own.boundary {
            let inlet_m = nodal.nodes[own.from].head_m;
            let at = pump.drawing(own.flow_m3_s, nodal.speed_rad_s, inlet_m);
            point.torque_n_m[lane] = at.point.torque_n_m;
        }
    }
    if let (Some(own), Some(_)) = (&nodal.shaft, &pump) {
        shaft.speed_rad_s[lane] = nodal.speed_rad_s;
        shaft.motion[lane] = match own.motion {
            Motion::Forwards => 1.0,
            Motion::Held => 0.0,
            Motion::Backwards => -1.0,
        };
    }
    true
}

/// What must be equal for two scenarios to run beside each other, whether a pipe has no points of its own, and the grid.
pub(super) fn shape(scenario: &Scenario, network: &Network) -> Result<(Vec<usize>, bool, Grid), HydraulicsError> {
    check_options(&scenario.grid)?;
    let grid = lay_grid(network, &scenario.half_grid())?;
    let mut shape = grid.cells.clone();
    let lumped = shape.contains(&0);
    shape.push(scenario.grid.station_cells);
    for node in &network.spec().nodes {
        shape.push(match node.terminal {
            Terminal::None => 0,
            Terminal::Tank { .. } => 1,
            Terminal::FreeOutlet => 2,
            Terminal::Gas(_) => 3,
            Terminal::AirValve(_) => 4,
        });
    }
    for element in &network.spec().elements {
        shape.extend([element.from, element.to]);
        shape.push(match &element.kind {
            ElementKind::Pipe(pipe) => {
                usize::from(pipe.fixed_darcy_f.is_some()) + 16 * usize::from(pipe.creep.is_some())
            }
            ElementKind::Valve(_) => 2,
            ElementKind::CheckValve(_) => 3,
            ElementKind::Pump(_) => 4,
            ElementKind::Blank { joined } => 6 + usize::from(*joined),
            _ => 5,
        });
    }
    Ok((shape, lumped, grid))
}
