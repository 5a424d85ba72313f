//! Scenarios of one shape, stepped together.
#![allow(unsafe_code, reason = "the call of code compiled for instructions found at run time; see the SAFETY lines")]

use super::drives::DriveSet;
use super::isa::{Eight, Four, Isa, Plain, Vectors};
use super::moving::Moving;
use super::place::{Drives, LaneShaft, Lanes, Law, Place};
use super::reach::Reach;
use super::readings::Reading;
use super::sample::{LaneMeters, Meter, Probe, Recorder};
use super::{Scenario, Trace};
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::moc::boundary::Boundary;
use crate::hydraulics::moc::{Cluster, Line};
use crate::hydraulics::network::Network;
use crate::hydraulics::nodal::Hold;
use crate::hydraulics::plant::{PlantEventKind, REVERSAL_SHARE, ShaftDriver, cavitation_turned, start_state_of};
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
    fn new(scenario: &Scenario, network: &'a Network) -> Result<Self, HydraulicsError> {
        let state = start_state_of(network, scenario.speed_rad_s)?;
        let line = Line::new(network, &state, &scenario.half_grid())?;
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
pub(super) struct Group<'a, const W: usize> {
    pub(super) scenarios: [&'a Scenario; W],
    dt_s: Lanes<W>,
    pub(super) reaches: Vec<Reach<W>>,
    pub(super) places: Vec<Place<W>>,
    pub(super) shaft: LaneShaft<W>,
    pub(super) drives: DriveSet<W>,
    /// Place and element of the pump.
    pump: Option<(usize, usize)>,
    recorders: Vec<Recorder>,
    readings: Vec<Reading<W>>,
    meters: Option<LaneMeters<W>>,
    /// What the probes showed at the level before and show at the present one, where a sample lies between.
    shown: [Vec<Lanes<W>>; 2],
    cavitates: [bool; W],
    /// In some lane.
    cavitate: bool,
    /// The valve that moves, where that is all that moves.
    moving: Option<Moving<W>>,
    /// Direction of the pump's flow and of the shaft: 1 or -1; and what counts as having turned back, in that direction.
    senses: (Lanes<W>, Lanes<W>),
    backwards: (Lanes<W>, Lanes<W>),
    open: Vec<(usize, usize, [bool; W])>,
    unsound: [bool; W],
    steps: u64,
    /// Lane steps solved by themselves.
    pub(super) lonely: u64,
}

/// What became of a group: a trace a lane, none where the scenario must run by itself.
pub(super) struct Outcome {
    pub(super) traces: Vec<Option<Trace>>,
    pub(super) steps: u64,
    pub(super) lonely: u64,
}

impl<'a, const W: usize> Group<'a, W> {
    /// Lanes for these scenarios; none where one of them cannot start or the lanes do not know a part of it.
    pub(super) fn new(
        scenarios: [&'a Scenario; W],
        networks: [&Network; W],
        (probes, meters): (&[Probe], &[Meter]),
        times: (f64, f64),
    ) -> Option<Self> {
        let ready = scenarios.iter().zip(networks).map(|(scenario, network)| Member::new(scenario, network).ok());
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
            recorders: (0..W).map(|_| Recorder::new(probes, times)).collect(),
            reaches,
            places,
            pump,
            open,
            unsound: [false; W],
            steps: 0,
            lonely: 0,
            readings: Vec::new(),
            meters: None,
            shown: [Vec::new(), Vec::new()],
        };
        group.readings = probes.iter().map(|probe| group.reading(probe)).collect();
        let values: Vec<Lanes<W>> = group.readings.iter().map(|reading| group.read(reading)).collect();
        group.meters = (!meters.is_empty()).then(|| LaneMeters::at_rest(meters, &group.dt_s, &values));
        group.shown = [values.clone(), values];
        Some(group)
    }

    /// Run to the end of the times asked for.
    pub(super) fn run(mut self, vectors: Vectors) -> Outcome {
        for lane in 0..W {
            self.record_start(lane);
        }
        while self.running() {
            let quiet = self.quiet_steps();
            if quiet > 0 {
                self.stride(vectors, quiet);
                continue;
            }
            self.open_valves();
            self.step(vectors);
            self.record();
            if self.seen() {
                self.look();
            }
        }
        let (steps, lonely) = (self.steps, self.lonely);
        let lanes = self.recorders.into_iter().zip(self.unsound);
        let traces = lanes.map(|(recorder, unsound)| (!unsound).then(|| recorder.finish(None))).collect();
        Outcome { traces, steps, lonely }
    }

    /// Steps before the next sample of any lane that can be taken at one go.
    fn quiet_steps(&self) -> u64 {
        let by_law = self.scenarios.iter().any(|scenario| !scenario.openings.is_empty());
        if by_law && self.moving.is_none() {
            return 0;
        }
        let steps = |lane: usize| {
            let recorder = &self.recorders[lane];
            let next_s = recorder.next_s().min(recorder.until_s());
            (next_s / self.dt_s[lane]) as u64
        };
        let lanes = (0..W).filter(|lane| !self.unsound[*lane]);
        let quiet = lanes.map(steps).min().unwrap_or(0).saturating_sub(self.steps + STRIDE_BEFORE);
        quiet.min(STRIDE_MAX)
    }

    /// Take some steps in which no sample is due.
    fn stride(&mut self, vectors: Vectors, count: u64) {
        match vectors {
            #[cfg(target_arch = "x86_64")]
            // SAFETY: as in `step`.
            Vectors::Avx512 => unsafe { stride_eight(self, count) },
            #[cfg(target_arch = "x86_64")]
            // SAFETY: as in `step`.
            Vectors::Avx2 => unsafe { stride_four(self, count) },
            _ => self.stride_in::<Plain>(count),
        }
    }

    #[inline(always)]
    fn stride_in<I: Isa>(&mut self, count: u64) {
        for _ in 0..count {
            if let Some(moving) = self.moving.as_ref().filter(|moving| moving.moves(self.steps)) {
                moving.set(&mut self.places, self.steps + 1, &self.dt_s);
            }
            if self.meters.is_some() {
                self.step_in::<I>();
            } else {
                self.step_water::<I>();
            }
            if self.seen() {
                self.look();
            }
        }
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

    fn running(&self) -> bool {
        (0..W).any(|lane| !self.unsound[lane] && !self.recorders[lane].is_complete(self.time_s(lane)))
    }

    fn time_s(&self, lane: usize) -> f64 {
        self.steps as f64 * self.dt_s[lane]
    }

    /// A sample of some lane lies before the next level.
    fn is_due(&self) -> bool {
        let next = (self.steps + 1) as f64;
        (0..W).any(|lane| self.recorders[lane].next_s() <= next * self.dt_s[lane])
    }

    /// Set valves that follow a law to where they stand at the next level.
    fn open_valves(&mut self) {
        if let Some(moving) = &self.moving {
            moving.set(&mut self.places, self.steps + 1, &self.dt_s);
            return;
        }
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

    fn step(&mut self, vectors: Vectors) {
        match vectors {
            #[cfg(target_arch = "x86_64")]
            // SAFETY: `Vectors` of this kind come only from `Vectors::widest` or below it, which found the instructions.
            Vectors::Avx512 => unsafe { step_eight(self) },
            #[cfg(target_arch = "x86_64")]
            // SAFETY: as above.
            Vectors::Avx2 => unsafe { step_four(self) },
            _ => self.step_in::<Plain>(),
        }
    }

    #[inline(always)]
    fn step_in<I: Isa>(&mut self) {
        let due = self.meters.is_some() || self.is_due();
        if due && self.meters.is_none() {
            self.show(0);
        }
        self.step_water::<I>();
        if due {
            self.shown.swap(0, usize::from(self.meters.is_some()));
            self.show(1);
        }
    }

    /// What the probes show at the present level.
    #[inline(always)]
    fn show(&mut self, level: usize) {
        let mut shown = std::mem::take(&mut self.shown[level]);
        for (values, reading) in shown.iter_mut().zip(&self.readings) {
            *values = self.read(reading);
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
            solve_alone(place, shaft, lane, (dt_s[lane], &*drives.drivers[lane]))
        };
        for place in &mut self.places {
            place.advance::<I, _>(&mut self.reaches, dt_s, &mut self.shaft, drives, &mut self.unsound, &mut ask);
        }
        if let Some((place, _)) = self.pump {
            self.shaft.pump_torque_n_m = self.places[place].point.torque_n_m;
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
                self.recorders[lane].note(self.steps as f64 * self.dt_s[lane], kind);
            }
        }
        self.cavitate = self.cavitates.contains(&true);
    }

    /// Note check valves that moved, and flows and shafts that turned.
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
                    self.recorders[lane].note(self.steps as f64 * self.dt_s[lane], kind);
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
                self.recorders[lane].note(time_s, kind);
            }
            if *shaft_sense * speed_rad_s[lane] < self.backwards.1[lane] {
                *shaft_sense = -*shaft_sense;
                let kind = PlantEventKind::ShaftReversed { forwards: *shaft_sense > 0.0 };
                self.recorders[lane].note(time_s, kind);
            }
        }
    }

    fn record_start(&mut self, lane: usize) {
        let values: Vec<f64> = self.shown[0].iter().map(|values| values[lane]).collect();
        self.recorders[lane].start(&values);
    }

    /// Samples between the level before and the present one.
    fn record(&mut self) {
        let steps = self.steps as f64;
        let [before, now] = &self.shown;
        for lane in (0..W).filter(|lane| !self.unsound[*lane]) {
            let times_s = ((steps - 1.0) * self.dt_s[lane], steps * self.dt_s[lane]);
            self.recorders[lane].between(times_s, |probe| (before[probe][lane], now[probe][lane]));
        }
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
            Probe::Current => self.drives.drivers[lane].current_a(self.shaft.speed_rad_s[lane]),
            Probe::Power => self.drives.drivers[lane].power_w(self.shaft.speed_rad_s[lane]),
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
fn stride_eight<const W: usize>(group: &mut Group<'_, W>, count: u64) {
    group.stride_in::<Eight>(count);
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
fn stride_four<const W: usize>(group: &mut Group<'_, W>, count: u64) {
    group.stride_in::<Four>(count);
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f,avx512dq,avx512vl,avx2,fma")]
fn step_eight<const W: usize>(group: &mut Group<'_, W>) {
    group.step_in::<Eight>();
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
fn step_four<const W: usize>(group: &mut Group<'_, W>) {
    group.step_in::<Four>();
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
    (dt_s, driver): (f64, &dyn ShaftDriver),
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
    if nodal.solve_step(&|speed_rad_s| driver.torque_n_m(speed_rad_s)).is_err() {
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

/// What must be equal for two scenarios to run beside each other, and whether a pipe has no points of its own.
pub(super) fn shape(scenario: &Scenario, network: &Network) -> Result<(Vec<usize>, bool), HydraulicsError> {
    let mut shape = crate::hydraulics::moc::interior::lay_grid(network, &scenario.half_grid())?.cells;
    let lumped = shape.contains(&0);
    shape.push(scenario.grid.station_cells);
    for node in &scenario.network.nodes {
        shape.push(match node.terminal {
            Terminal::None => 0,
            Terminal::Tank { .. } => 1,
            Terminal::FreeOutlet => 2,
            Terminal::Gas(_) => 3,
            Terminal::AirValve(_) => 4,
        });
    }
    for element in &scenario.network.elements {
        shape.extend([element.from, element.to]);
        shape.push(match &element.kind {
            ElementKind::Pipe(pipe) => {
                usize::from(pipe.fixed_darcy_f.is_some()) + 16 * usize::from(pipe.creep.is_some())
            }
            ElementKind::Valve(_) => 2,
            ElementKind::CheckValve(_) => 3,
            ElementKind::Pump(_) => 4,
            _ => 5,
        });
    }
    Ok((shape, lumped))
}
