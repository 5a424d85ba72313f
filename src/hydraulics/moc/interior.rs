//! The grid points inside pipes.

use super::cavity::{Cavities, Sides};
use super::creep::Creep;
use super::front::Front;
use super::grid::{self, Grid, Travel};
use super::lanes::{Wide, widely};
use super::lay_flat::LayFlat;
use super::midway::Midway;
use super::stations::{Plan, Stations};
use super::unsteady::Acceleration;
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::network::Network;
use crate::hydraulics::pipe::{Resistance, bore_area_m2};
use crate::hydraulics::spec::{GridOptions, PipeSpec};
use crate::hydraulics::steady::SteadyState;
use crate::hydraulics::tube_law::TubeLaw;

/// Head beyond which a state counts as not finite, m.
const HEAD_CEILING_M: f64 = 1.0e9;

/// All pipes on the common grid.
///
/// Equation, for point P between its old neighbours A and B one cell away: with `Cp = H_A + B Q_A`, `Cm = H_B - B Q_B`
/// and the resistance of one cell at the old flows, s_A and s_B,
/// `Q_P = (Cp - Cm) / (2 B + s_A + s_B)`, `H_P = Cp - (B + s_A) Q_P`: friction takes the old resistance and the new flow,
/// which is stable for any resistance and of second order, as the two errors cancel. With
/// [`GridOptions::first_order_friction`] the loss `s Q` of the old flow is taken off `Cp` and `Cm` instead.
/// Range: Courant number one. Accuracy: second order (`law_characteristics_converge_with_second_order`); volume by
/// `law_volume_balances_and_check_valves_pass_one_way`. Source: WS93 chapter 3.
#[derive(Debug, Clone)]
pub(crate) struct Line {
    pub(crate) dt_s: f64,
    pub(crate) adjustment: f64,
    pub(crate) pipes: Vec<PipeGrid>,
    /// Element indices of pipes without a grid: what they do is done where they end.
    pub(crate) lumped: Vec<usize>,
}

/// One pipe's grid.
#[derive(Debug, Clone)]
pub(crate) struct PipeGrid {
    /// Element index in the network.
    pub(crate) element: usize,
    pub(crate) head_m: Vec<f64>,
    pub(crate) flow_m3_s: Vec<f64>,
    /// B = a/(gA) with the adjusted wave speed, s/m2.
    pub(crate) impedance_s_m2: f64,
    pub(crate) resistance: Resistance,
    acceleration: Option<Acceleration>,
    midway: Option<Midway>,
    /// In place of points midway.
    stations: Option<Box<Stations>>,
    creep: Option<Creep>,
    lay_flat: Option<Box<LayFlat>>,
    cavities: Cavities,
    /// Head at which water begins to boil, at every point, m.
    pub(crate) boiling_m: Vec<f64>,
    forwards_m: Vec<f64>,
    backwards_m: Vec<f64>,
    per_flow: Vec<f64>,
    /// Friction from the old flow alone.
    first_order: bool,
    /// The column of a pipe that is not full.
    pub(crate) front: Option<Front>,
    /// Air that has come in at the `to` end of a full pipe, m3.
    pub(crate) void_m3: f64,
}

/// What a pipe offers at one end: `inflow = (offer - H) / impedance` into the node.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PipeEnd {
    pub(crate) offer_m: f64,
    pub(crate) impedance_s_m2: f64,
}

impl Line {
    pub(crate) fn new(network: &Network, steady: &SteadyState, options: &GridOptions) -> Result<Self, HydraulicsError> {
        check_options(options)?;
        Ok(Self::on(&lay_grid(network, options)?, network, steady, options))
    }

    /// On a grid that is laid already.
    pub(crate) fn on(grid: &Grid, network: &Network, steady: &SteadyState, options: &GridOptions) -> Self {
        let of = |lumped: bool| network.pipes().zip(&grid.cells).filter(move |(_, cells)| (**cells == 0) == lumped);
        let pipes = of(false).map(|(pipe, cells)| PipeGrid::new(network, pipe, (*cells, grid.dt_s), steady, options));
        let lumped = of(true).map(|((element, _), _)| element).collect();
        Self { dt_s: grid.dt_s, adjustment: grid.adjustment, pipes: pipes.collect(), lumped }
    }

    pub(crate) fn cells(&self) -> usize {
        self.pipes.iter().map(|pipe| pipe.cells() * pipe.halves()).sum()
    }

    /// Step every inner point to the new level and ready the ends' offers.
    pub(crate) fn advance(&mut self) {
        self.pipes.iter_mut().for_each(PipeGrid::advance);
    }

    /// Water stored elastically, relative to zero head, m3.
    pub(crate) fn stored_m3(&self) -> f64 {
        self.pipes.iter().map(|pipe| pipe.stored_m3(self.dt_s)).sum()
    }
}

pub(crate) fn check_options(options: &GridOptions) -> Result<(), HydraulicsError> {
    let refuse = |quantity, value, unit| {
        let place = "grid".to_owned();
        Err(HydraulicsError::OutOfRange { place, quantity, value, unit, allowed: "above 0" })
    };
    if !(options.dt_max_s > 0.0 && options.dt_max_s.is_finite()) {
        return refuse("largest time step", options.dt_max_s, "s");
    }
    if options.wave_speed_adjustment_max.is_nan() || options.wave_speed_adjustment_max <= 0.0 {
        return refuse("largest wave-speed adjustment", options.wave_speed_adjustment_max, "");
    }
    Ok(())
}

/// The grid of a network: what [`Line::new`] begins with.
pub(crate) fn lay_grid(network: &Network, options: &GridOptions) -> Result<Grid, HydraulicsError> {
    let steps = if options.half_grid { 2.0 } else { 1.0 };
    let options = &GridOptions { dt_max_s: steps * options.dt_max_s, ..*options };
    let travel = |(_, pipe): (usize, &PipeSpec)| {
        let may_lump = options.lump_short_pipes && pipe.lay_flat.is_none();
        let lumped_up_to_s = if may_lump { f64::INFINITY } else { 0.0 };
        Travel { time_s: pipe.length_m / pipe.wave_speed_m_s, lumped_up_to_s }
    };
    let travels: Vec<Travel> = network.pipes().map(travel).collect();
    if travels.is_empty() {
        return Ok(Grid { dt_s: options.dt_max_s, cells: Vec::new(), adjustment: 0.0 });
    }
    grid::choose(&travels, options).map_err(|found| {
        let element = network.pipes().nth(found.0).map_or(0, |(element, _)| element);
        let name = network.spec().elements[element].name.clone();
        grid::no_common_step(name, travels[found.0].time_s, found, options)
    })
}

/// A pipe whose points, every one of them, are to be advanced.
struct Points<'a>(&'a mut PipeGrid);

impl Wide for Points<'_> {
    #[inline(always)]
    fn go(self) {
        self.0.advance_points();
    }
}

impl PipeGrid {
    fn new(
        network: &Network,
        (element, pipe): (usize, &PipeSpec),
        (cells, dt_s): (usize, f64),
        steady: &SteadyState,
        options: &GridOptions,
    ) -> Self {
        let spec = network.spec();
        let described = &spec.elements[element];
        let liquid = &spec.liquid;
        let points = cells + 1;
        let between = |from: f64, to: f64| {
            (0..points).map(|i| from + (to - from) * i as f64 / cells as f64).collect::<Vec<f64>>()
        };
        let boiling_m = liquid.boiling_m();
        let ends = (&spec.nodes[described.from], &spec.nodes[described.to]);
        let wave_speed_m_s = pipe.length_m / (cells as f64 * dt_s);
        let acceleration = || Acceleration::new(pipe.bore_m, liquid.viscosity_m2_s, points);
        let head_m = between(steady.heads_m[described.from], steady.heads_m[described.to]);
        let flat = pipe.lay_flat.is_some();
        let (first_order, unsteady) = (options.first_order_friction && !flat, options.unsteady_friction && !flat);
        let halved = options.half_grid && !unsteady && !first_order && !flat;
        let creep = pipe.creep.map(|creep| Creep::new(&creep, dt_s, &head_m, halved));
        let impedance_s_m2 = wave_speed_m_s / (liquid.gravity_m_s2 * bore_area_m2(pipe));
        let resistance = network.resistance(element, pipe);
        let gathers = halved && pipe.fixed_darcy_f.is_none();
        let plan = if gathers { Plan::new(cells, options.station_cells) } else { None };
        let steady = (head_m[0], head_m[cells], steady.flows_m3_s[element]);
        let stations =
            plan.map(|plan| Box::new(Stations::new(plan, (impedance_s_m2, &resistance), creep.as_ref(), steady)));
        Self {
            element,
            creep,
            lay_flat: LayFlat::new(spec, (element, pipe), wave_speed_m_s, dt_s, &head_m).map(Box::new),
            head_m,
            cavities: Cavities::new(points, dt_s),
            impedance_s_m2,
            resistance,
            acceleration: unsteady.then(acceleration),
            midway: (halved && stations.is_none()).then(|| Midway::new(cells)),
            stations,
            boiling_m: between(ends.0.elevation_m + boiling_m, ends.1.elevation_m + boiling_m),
            forwards_m: vec![0.0; points],
            backwards_m: vec![0.0; points],
            per_flow: vec![0.0; points],
            flow_m3_s: vec![steady.2; points],
            first_order,
            front: None,
            void_m3: 0.0,
        }
    }

    pub(crate) fn cells(&self) -> usize {
        self.head_m.len() - 1
    }

    /// Share, drop and gain of a creeping wall, as [`Creep`] has them.
    pub(crate) fn creep(&self) -> Option<(f64, f64, f64)> {
        self.creep.as_ref().map(Creep::parts)
    }

    fn advance(&mut self) {
        if self.front.is_some() {
            return;
        }
        if self.stations.is_some() {
            self.advance_stations();
            return;
        }
        widely(Points(self));
    }

    #[inline(always)]
    fn advance_points(&mut self) {
        let impedance = self.impedance_s_m2;
        let share = 1.0 / (self.cells() * self.halves()) as f64;
        self.resistance.fill_per_flow(share, &self.flow_m3_s, &mut self.per_flow);
        let offers = self.forwards_m.iter_mut().zip(&mut self.backwards_m);
        for ((forwards, backwards), (head, flow)) in offers.zip(self.head_m.iter().zip(&self.flow_m3_s)) {
            let carried = impedance * flow;
            *forwards = head + carried;
            *backwards = head - carried;
        }
        if self.first_order {
            self.lose_by_the_old_flow();
        }
        if let Some(creep) = &mut self.creep {
            creep.follow(&self.head_m, &mut self.forwards_m, &mut self.backwards_m);
        }
        if let Some(hose) = &mut self.lay_flat {
            let offers = (&mut self.forwards_m[..], &mut self.backwards_m[..]);
            hose.begin(impedance, (&self.head_m, &self.flow_m3_s), &self.per_flow, offers);
        }
        if !self.cavities.none() {
            self.cavities.part(impedance, &mut self.forwards_m, &mut self.backwards_m);
        }
        if let Some(acceleration) = &mut self.acceleration {
            acceleration.ready(impedance, &self.flow_m3_s);
        }
        if let Some(midway) = &mut self.midway {
            let offers = (&self.forwards_m[..], &self.backwards_m[..], &self.per_flow[..]);
            midway.advance(impedance, offers, &self.resistance, share);
            if let Some(creep) = &mut self.creep {
                midway.creep(creep);
            }
        }
        self.advance_inner();
        if let Some(creep) = &self.creep {
            creep.soften_inner(&mut self.head_m);
        }
        self.settle_cavities();
    }

    /// At a station each; point by point from now on where a point of the present level is below boiling.
    fn advance_stations(&mut self) {
        let last = self.cells();
        let mut inner = self.head_m[1..last].iter().zip(&self.boiling_m[1..last]);
        if inner.any(|(head, boiling)| head < boiling) {
            self.leave_stations();
            return self.advance();
        }
        let Some(stations) = &mut self.stations else { return };
        let (resistance, per_cell) = (&self.resistance, 1.0 / last as f64);
        stations.advance(|flow_m3_s| per_cell * resistance.per_flow(flow_m3_s));
    }

    fn leave_stations(&mut self) {
        let Some(stations) = self.stations.take() else { return };
        self.midway = Some(Midway::new(self.cells()));
        if let Some(creep) = &mut self.creep {
            creep.remember(&stations.memories_m());
        }
    }

    /// Stations, where friction is gathered at some.
    pub(crate) fn plan(&self) -> Option<&Plan> {
        self.stations.as_ref().map(|stations| stations.plan())
    }

    /// Take each cell's loss off what its ends send, so that nothing is left to the new flow.
    fn lose_by_the_old_flow(&mut self) {
        let offers = self.forwards_m.iter_mut().zip(&mut self.backwards_m);
        for ((forwards, backwards), (per_flow, flow)) in offers.zip(self.per_flow.iter_mut().zip(&self.flow_m3_s)) {
            *forwards -= *per_flow * flow;
            *backwards += *per_flow * flow;
            *per_flow = 0.0;
        }
    }

    #[inline(always)]
    fn settle_cavities(&mut self) {
        if let Some(hose) = &mut self.lay_flat {
            let softening = self.creep.as_ref().map_or(1.0, |creep| 1.0 / creep.softened(1.0));
            hose.settle_inner(self.impedance_s_m2, softening, &mut self.head_m, &mut self.flow_m3_s);
            return;
        }
        let last = self.cells();
        let boils = |(head, boiling): (&f64, &f64)| head < boiling;
        let inner = self.head_m[1..last].iter().zip(&self.boiling_m[1..last]);
        if self.cavities.none() && inner.fold(0_u64, |n, pair| n + u64::from(boils(pair))) == 0 {
            return;
        }
        let softening = self.creep.as_ref().map_or(1.0, |creep| 1.0 / creep.softened(1.0));
        let (impedance, per_flow, acceleration) = (self.impedance_s_m2, &self.per_flow, &self.acceleration);
        let midway = self.midway.as_ref();
        let sides = |i: usize| {
            if let Some((left, right)) = midway.map(|midway| midway.resistances(i)) {
                return Sides { impedance_s_m2: (impedance + left, impedance + right), softening };
            }
            let whole = impedance + acceleration.as_ref().map_or(0.0, |acceleration| acceleration.at(i).0);
            Sides { impedance_s_m2: (whole + per_flow[i - 1], whole + per_flow[i + 1]), softening }
        };
        self.cavities.settle(&self.boiling_m, &mut self.head_m, &mut self.flow_m3_s, sides);
    }

    /// Vapour in the whole pipe, m3.
    pub(crate) fn cavities_m3(&self) -> f64 {
        self.cavities.volume_m3() + self.lay_flat.as_ref().map_or(0.0, |hose| hose.vapour_m3())
    }

    /// Where the largest cavity is, a share of the length.
    pub(crate) fn largest_cavity_share(&self) -> f64 {
        self.cavities.largest_share()
    }

    /// Vapour at the point nearest to a share of the length, m3.
    pub(crate) fn cavity_at_share_m3(&self, share: f64) -> f64 {
        self.cavities.at_share_m3(share)
    }

    /// Law of a lay-flat hose.
    pub(crate) fn tube_law(&self) -> Option<TubeLaw> {
        self.lay_flat.as_ref().map(|hose| *hose.law())
    }

    /// A lay-flat hose.
    pub(crate) fn is_lay_flat(&self) -> bool {
        self.lay_flat.is_some()
    }

    /// Whether a full lay-flat hose lies flat somewhere; `None` for other pipes and while it fills.
    pub(crate) fn lies_flat(&mut self) -> Option<bool> {
        if self.front.is_some() { None } else { self.lay_flat.as_mut().map(|hose| hose.lies_flat()) }
    }

    /// Whether a lay-flat hose was found flat at the last look.
    pub(crate) fn is_flat(&self) -> bool {
        self.lay_flat.as_ref().is_some_and(|hose| hose.is_flat())
    }

    /// Roundness of a lay-flat hose at its flattest point; 1 for other pipes.
    pub(crate) fn least_roundness(&self) -> f64 {
        self.lay_flat.as_ref().map_or(1.0, |hose| hose.least_roundness())
    }

    /// Steps that a cell is taken in.
    pub(crate) fn halves(&self) -> usize {
        if self.midway.is_some() || self.stations.is_some() { 2 } else { 1 }
    }

    #[inline(always)]
    fn advance_inner(&mut self) {
        let (last, impedance) = (self.cells(), self.impedance_s_m2);
        if let Some(hose) = &self.lay_flat {
            let offers = (&self.forwards_m[..], &self.backwards_m[..]);
            hose.advance_inner(impedance, offers, &mut self.head_m, &mut self.flow_m3_s);
            return;
        }
        if let Some(midway) = &self.midway {
            midway.advance_inner(impedance, &mut self.head_m[1..last], &mut self.flow_m3_s[1..last]);
            return;
        }
        if let Some(acceleration) = &self.acceleration {
            for i in 1..last {
                let (extra, drop_m) = acceleration.at(i);
                let (s_a, s_b) = (self.per_flow[i - 1], self.per_flow[i + 1]);
                let (cp, cm) = (self.forwards_m[i - 1] - drop_m, self.backwards_m[i + 1] + drop_m);
                let flow = (cp - cm) / (2.0 * (impedance + extra) + (s_a + s_b));
                self.flow_m3_s[i] = flow;
                // each side of a cavity accelerates from its own old flow
                self.head_m[i] = cp - (impedance + extra + s_a) * flow - 0.5 * extra * self.cavities.gap_m3_s(i);
            }
            return;
        }
        let (forwards, backwards) = (&self.forwards_m[..last - 1], &self.backwards_m[2..]);
        let (left, right) = (&self.per_flow[..last - 1], &self.per_flow[2..]);
        let inner = self.head_m[1..last].iter_mut().zip(&mut self.flow_m3_s[1..last]);
        let offers = forwards.iter().zip(backwards).zip(left.iter().zip(right));
        for ((head, flow), ((cp, cm), (s_a, s_b))) in inner.zip(offers) {
            let new = (cp - cm) / (2.0 * impedance + (s_a + s_b));
            *flow = new;
            *head = cp - (impedance + s_a) * new;
        }
    }

    /// What the `to` end (true) or the `from` end offers at the new level.
    pub(crate) fn end(&self, at_to: bool) -> PipeEnd {
        if let Some(front) = &self.front {
            return front.end(at_to, &self.resistance);
        }
        if let Some(stations) = &self.stations {
            let (offer_m, impedance_s_m2) = stations.end(at_to);
            return PipeEnd { offer_m, impedance_s_m2 };
        }
        let (offer_m, impedance_s_m2) = match &self.midway {
            Some(midway) => {
                let (offer_m, per_flow) = midway.end(at_to);
                (offer_m, self.impedance_s_m2 + per_flow)
            }
            None => self.full_grid_end(at_to),
        };
        match &self.creep {
            None => PipeEnd { offer_m, impedance_s_m2 },
            Some(creep) => {
                let end = if at_to { self.cells() } else { 0 };
                PipeEnd { offer_m: creep.head_m(end, offer_m), impedance_s_m2: creep.softened(impedance_s_m2) }
            }
        }
    }

    fn full_grid_end(&self, at_to: bool) -> (f64, f64) {
        let last = self.cells();
        let (offers, near, end, sign) =
            if at_to { (&self.forwards_m, last - 1, last, -1.0) } else { (&self.backwards_m, 1, 0, 1.0) };
        let (extra, drop_m) = self.acceleration.as_ref().map_or((0.0, 0.0), |acceleration| acceleration.at(end));
        let per_flow = self.lay_flat.as_ref().map_or(self.per_flow[near], |hose| hose.end_s_m2(at_to));
        (offers[near] + sign * drop_m, self.impedance_s_m2 + per_flow + extra)
    }

    /// Set one end to the head solved at its node.
    pub(crate) fn set_end(&mut self, at_to: bool, head_m: f64) {
        let end = self.end(at_to);
        let inflow_m3_s = (end.offer_m - head_m) / end.impedance_s_m2;
        if let Some(front) = &mut self.front {
            if !at_to {
                front.take(-inflow_m3_s);
                front.show(head_m, &mut self.head_m, &mut self.flow_m3_s);
            }
            return;
        }
        let (point, sign) = if at_to { (self.cells(), 1.0) } else { (0, -1.0) };
        self.head_m[point] = head_m;
        self.flow_m3_s[point] = sign * inflow_m3_s;
        if let Some(stations) = &mut self.stations {
            stations.set_end(at_to, head_m, sign * inflow_m3_s);
            stations.show(&mut self.head_m, &mut self.flow_m3_s);
        }
        if let Some(hose) = &mut self.lay_flat {
            hose.take_end(at_to, self.impedance_s_m2, sign * inflow_m3_s);
        }
    }

    /// Part full from now on; the column moves as the water of the full pipe did on the whole.
    pub(crate) fn part(&mut self, mut front: Front) {
        self.leave_stations();
        let points = self.flow_m3_s.len() as f64;
        let flow_m3_s = self.flow_m3_s.iter().sum::<f64>() / points;
        front.flow_m3_s = flow_m3_s;
        front.show(self.head_m[0], &mut self.head_m, &mut self.flow_m3_s);
        self.cavities = Cavities::new(self.head_m.len(), front.dt_s);
        self.front = Some(front);
        self.void_m3 = 0.0;
    }

    /// Full and elastic from now on, with the heads and the flow of the column.
    pub(crate) fn fill_up(&mut self) {
        let Some(front) = self.front.take() else { return };
        self.flow_m3_s.fill(front.flow_m3_s);
        let last = self.cells();
        self.head_m[last] = front.head_m();
        if let Some(creep) = &mut self.creep {
            creep.settle(&self.head_m);
        }
        if let Some(hose) = &mut self.lay_flat {
            hose.settle(&self.head_m);
        }
    }

    /// Flow at an end, counted into the node, m3/s.
    pub(crate) fn inflow_m3_s(&self, at_to: bool) -> f64 {
        if at_to { self.flow_m3_s[self.cells()] } else { -self.flow_m3_s[0] }
    }

    /// False where a head or flow is no number, or far beyond any line.
    pub(crate) fn is_finite(&self) -> bool {
        let wild = |value: &f64| !(-HEAD_CEILING_M..=HEAD_CEILING_M).contains(value);
        self.head_m.iter().fold(0_u64, |n, head| n + u64::from(wild(head))) == 0
            && self.flow_m3_s.iter().fold(0_u64, |n, flow| n + u64::from(wild(flow))) == 0
    }

    /// Equation: `V = dt/B sum(H + s)` with half weight at the ends, as `g A dx / a^2 = dt / B`; s is the delayed give; less
    /// cavities and air. A pipe that is not full lacks the volume of its air and is at no pressure.
    fn stored_m3(&self, dt_s: f64) -> f64 {
        let last = self.cells();
        if let Some(front) = &self.front {
            let mean_m = 0.5 * (front.elevation_m(0.0) + front.elevation_m(front.length_m));
            return mean_m * last as f64 * dt_s / self.impedance_s_m2 - front.air_m3();
        }
        if let Some(stations) = &self.stations {
            return stations.stored_m3(dt_s) - self.void_m3;
        }
        let elastic_m = self.head_m.iter().sum::<f64>() - 0.5 * (self.head_m[0] + self.head_m[last]);
        let given_m = self.creep.as_ref().map_or(0.0, |creep| creep.given_m(&self.head_m));
        let held_m3 = (elastic_m + given_m) * dt_s / self.impedance_s_m2;
        let lay_flat_m3 = self.lay_flat.as_ref().map_or(0.0, |hose| hose.stored_m3());
        held_m3 + lay_flat_m3 - self.cavities.missing_m3() - self.void_m3
    }

    /// Value at a share 0..1 of the length.
    pub(crate) fn at_share(values: &[f64], share: f64) -> f64 {
        let last = values.len() - 1;
        let place = share.clamp(0.0, 1.0) * last as f64;
        let low = (place as usize).min(last - 1);
        values[low] + (values[low + 1] - values[low]) * (place - low as f64)
    }
}
