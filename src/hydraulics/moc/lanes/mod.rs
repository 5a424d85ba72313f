//! Many scenarios of one network at once: one scenario a SIMD lane.
//!
//! Scenarios are descriptions of the same network ([`NetworkSpec`]) with numbers of their own: lengths, wave speeds,
//! friction, pump, levels, inertia, drive, valve laws, time step. Those of one **shape** (topology, kinds of node and
//! element, cells of each pipe) run beside each other, sixteen to a group, a few left over in eight lanes; a scenario without a like runs in the same
//! kernels with its points side by side instead.
//!
//! Equation: the half grid of [`GridOptions::half_grid`], one colour of the checkerboard of place and time, in place. What
//! a point hands on is kept in place of its head and flow: `f = (H + B Q)/(2B)` and `g = (H - B Q)/(2B)`. Tanks, elements
//! and the shaft therefore **advance two steps of the interior at a time**. Where pipes end, head, flow and speed of all
//! lanes are solved by one Newton iteration in lanes, pivots chosen lane by lane; the pump's published data are read in
//! lanes through an arctangent without call.
//!
//! With [`GridOptions::station_cells`] friction and the wall's give are gathered at stations, and water between them is carried
//! as it is: no arithmetic but at stations (`moc::stations` for the equation).
//!
//! Discrete states (a check valve, an outlet, a shaft at rest) are masks. A lane whose state changes in a step, or that
//! does not converge, solves that place by itself by the same code as [`Plant`], from the old level; a scenario that the
//! lanes do not know (unsteady friction, a part that boils, a pipe too short for points of its own) runs in a [`Plant`] from its start. [`Report`] says
//! how many did either. A standby that stands behind its shut check valve is left out in lanes; a scenario in which that valve
//! would lift runs in a [`Plant`], too.
//!
//! Range: as [`Plant`]. Instructions are chosen at run time: AVX-512, AVX2 with FMA, or plain. For one processor the answer
//! is the same for any number of threads, bit by bit.
//! Accuracy: against [`Plant`] on the same half grid 1e-10 of the largest value without events, 1e-6 with them
//! (`agrees_with_one_at_a_time`); against the full grid see [`GridOptions::half_grid`].

#![allow(unsafe_code, reason = "kernels in vector instructions; see the SAFETY lines")]
#![allow(
    clippy::needless_range_loop,
    clippy::neg_cmp_op_on_partial_ord,
    reason = "loops over lanes become vectors as they stand; a comparison that no number fails is meant"
)]

mod alone;
mod drives;
mod group;
mod isa;
mod moving;
mod newton;
mod own_curve;
mod place;
mod pumps;
mod reach;
mod readings;
mod row;
mod rows;
mod sample;
mod series;
mod single;
mod standing;
mod tanks;
#[cfg(target_arch = "x86_64")]
mod vector;
mod wide;

pub use isa::Vectors;
pub use sample::{Meter, Probe};
pub(crate) use wide::{Wide, widely};

use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::moc::grid::Grid;
use crate::hydraulics::network::Network;
use crate::hydraulics::plant::{PlantEvent, ShaftDriver};
use crate::hydraulics::spec::{GridOptions, NetworkSpec, ShaftSpec};
use group::Group;
use standing::Way;
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

#[cfg(doc)]
use crate::hydraulics::plant::Plant;

/// Lanes of a group, and of one with few scenarios.
const LANES: usize = 16;
const FEW: usize = 8;

/// Makes the drive of one scenario, at time zero.
pub type DriverMaker = Arc<dyn Fn() -> Box<dyn ShaftDriver> + Send + Sync>;

/// One scenario.
#[derive(Clone)]
pub struct Scenario {
    /// The network.
    pub network: NetworkSpec,
    /// The rotating side.
    pub shaft: ShaftSpec,
    /// The drive; it carries its own commands (when to start, when to stop).
    pub driver: DriverMaker,
    /// The grid; `half_grid` is taken as set.
    pub grid: GridOptions,
    /// Shaft speed of the steady state to begin from, rad/s; none: at rest.
    pub speed_rad_s: Option<f64>,
    /// Valves that move.
    pub openings: Vec<OpeningLaw>,
}

impl Scenario {
    fn half_grid(&self) -> GridOptions {
        GridOptions { half_grid: true, ..self.grid }
    }
}

/// A valve that moves in time; at each level it stands where the law has it at that level's time.
#[derive(Debug, Clone, PartialEq)]
pub struct OpeningLaw {
    /// Element index.
    pub element: usize,
    /// (time s, opening 0..1), rising times; straight between, still before and after.
    pub points: Vec<(f64, f64)>,
}

impl OpeningLaw {
    /// Opening at a time, 0..1; 1 without points.
    #[must_use]
    pub fn at(&self, time_s: f64) -> f64 {
        let (Some(first), Some(last)) = (self.points.first(), self.points.last()) else { return 1.0 };
        if time_s <= first.0 {
            return first.1;
        }
        let pair = self.points.windows(2).find(|pair| time_s <= pair[1].0);
        pair.map_or(last.1, |pair| pair[0].1 + (pair[1].1 - pair[0].1) * (time_s - pair[0].0) / (pair[1].0 - pair[0].0))
    }

    /// Opening at the next level, where the valve moved on the way there (or has not been set yet).
    fn moved(&self, before_s: f64, next_s: f64) -> Option<f64> {
        let still = before_s > 0.0 && self.points.last().is_none_or(|last| before_s >= last.0);
        (!still).then(|| self.at(next_s))
    }
}

/// What one scenario gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Probes a sample.
    pub probes: usize,
    /// Samples one after the other, `probes` values each, at 0, 1, 2, ... sampling intervals.
    pub values: Vec<f64>,
    /// What happened, oldest first.
    pub events: Vec<PlantEvent>,
    /// True where it ran one at a time.
    pub alone: bool,
    /// Why it ended early.
    pub failed: Option<HydraulicsError>,
}

/// Takes finished scenarios, in their order.
pub trait Sink {
    /// One scenario's trace.
    fn take(&mut self, scenario: usize, trace: Trace);
}

impl<F: FnMut(usize, Trace)> Sink for F {
    fn take(&mut self, scenario: usize, trace: Trace) {
        self(scenario, trace);
    }
}

/// How a sweep went.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Report {
    /// Scenarios run.
    pub scenarios: usize,
    /// Of these, run one at a time in a [`Plant`].
    pub alone: usize,
    /// Steps of boundaries taken in lanes, of all scenarios.
    pub lane_steps: u64,
    /// Of these, places that a lane solved by itself because its discrete state changed.
    pub solved_alone: u64,
}

impl Report {
    /// Share of scenarios that ran one at a time, 0..1.
    #[must_use]
    pub fn share_alone(&self) -> f64 {
        self.alone as f64 / self.scenarios.max(1) as f64
    }
}

/// Scenarios sorted into groups, ready to run.
pub struct Sweep<'a> {
    scenarios: &'a [Scenario],
    networks: Vec<Network>,
    grids: Vec<Grid>,
    /// Ways of each scenario that its network here is without.
    ways: Vec<Vec<Way>>,
    probes: Vec<Probe>,
    meters: Vec<Meter>,
    groups: Vec<Party>,
    vectors: Vectors,
}

/// Scenarios of one shape.
struct Party {
    members: Vec<usize>,
    /// Some pipe has no points of its own.
    lumped: bool,
}

impl Party {
    /// Groups of as many lanes as there are, those left over in smaller ones where these hold them sooner.
    fn divided(&self) -> Vec<Self> {
        let over = self.members.len() % LANES;
        let split = if over > LANES / 2 { self.members.len() } else { self.members.len() - over };
        let (many, few) = self.members.split_at(split);
        let chunks = many.chunks(LANES).chain(few.chunks(FEW));
        chunks.map(|members| Self { members: members.to_vec(), lumped: self.lumped }).collect()
    }
}

/// Samples of scenarios that ran beside each other, or of one that ran by itself.
pub struct Samples<'a> {
    /// Scenario of each lane; none where the lane holds none.
    pub scenarios: &'a [Option<usize>],
    /// Why a scenario that ran by itself ended early.
    pub failed: Option<&'a HydraulicsError>,
    /// Ran one at a time.
    alone: bool,
    events: &'a mut [Vec<PlantEvent>],
    /// Probes a sample.
    pub probes: usize,
    values: &'a [f64],
}

impl Samples<'_> {
    /// Values of one lane, sample after sample, all probes of each; none where the lane holds no scenario.
    #[must_use]
    pub fn of(&self, lane: usize) -> Option<&[f64]> {
        let count = self.values.len() / self.scenarios.len().max(1);
        (*self.scenarios.get(lane)?)?;
        self.values.get(lane * count..(lane + 1) * count)
    }

    fn trace(&mut self, lane: usize) -> Trace {
        let values = self.of(lane).unwrap_or_default().to_vec();
        let events = std::mem::take(&mut self.events[lane]);
        Trace { probes: self.probes, values, events, alone: self.alone, failed: self.failed.cloned() }
    }
}

/// Takes samples as scenarios end.
type Give<'a> = &'a mut dyn FnMut(Samples<'_>);

impl<'a> Sweep<'a> {
    /// Sort scenarios by shape.
    ///
    /// # Errors
    /// The first scenario that is no network or fits no grid.
    pub fn new(scenarios: &'a [Scenario], probes: &[Probe]) -> Result<Self, HydraulicsError> {
        let mut by_shape: HashMap<Vec<usize>, usize> = HashMap::new();
        let mut groups: Vec<Party> = Vec::new();
        let (mut networks, mut grids, mut ways) = (Vec::new(), Vec::new(), Vec::new());
        for (index, scenario) in scenarios.iter().enumerate() {
            let whole = Network::new(&scenario.network)?;
            let (network, shut) = match standing::without_standing(&scenario.network) {
                Some((rest, shut)) => (Network::new(&rest)?, shut),
                None => (whole, Vec::new()),
            };
            let (shape, lumped, grid) = group::shape(scenario, &network)?;
            networks.push(network);
            grids.push(grid);
            ways.push(shut);
            let next = groups.len();
            let group = *by_shape.entry(shape).or_insert(next);
            if group == next {
                groups.push(Party { members: Vec::new(), lumped });
            }
            groups[group].members.push(index);
        }
        let groups = groups.iter().flat_map(Party::divided).collect();
        let (probes, meters, vectors) = (probes.to_vec(), Vec::new(), Vectors::widest());
        Ok(Self { scenarios, networks, grids, ways, probes, meters, groups, vectors })
    }

    /// The first part of the first scenario that the lanes do not know, by its name.
    #[must_use]
    pub fn unknown_part(&self) -> Option<&str> {
        self.networks.first().and_then(|network| place::unknown(network.spec()))
    }

    /// Read each probe through a meter, one a probe in their order.
    #[must_use]
    pub fn with_meters(mut self, meters: &[Meter]) -> Self {
        self.meters = meters.to_vec();
        self
    }

    /// Use no more than these instructions (never more than the processor has).
    #[must_use]
    pub fn with_at_most(mut self, vectors: Vectors) -> Self {
        self.vectors = vectors.min(Vectors::widest());
        self
    }

    /// Run all scenarios to `until_s` on this many threads and hand their traces over in order.
    pub fn run(&self, times: (f64, f64), threads: usize, sink: &mut dyn Sink) -> Report {
        let take = |traces: &mut Vec<(usize, Trace)>, mut samples: Samples<'_>| {
            for (lane, scenario) in samples.scenarios.iter().enumerate() {
                traces.extend(scenario.map(|scenario| (scenario, samples.trace(lane))));
            }
        };
        let (report, shares) = self.fold(times, threads, (Vec::new, take));
        let mut traces: Vec<(usize, Trace)> = shares.into_iter().flatten().collect();
        traces.sort_by_key(|(scenario, _)| *scenario);
        traces.into_iter().for_each(|(scenario, trace)| sink.take(scenario, trace));
        report
    }

    /// As [`Sweep::run`], but samples are taken as they come, each thread into a sum of its own, so that few are kept at a
    /// time. What does not depend on the order of scenarios does not depend on the number of threads.
    pub fn fold<T: Send>(
        &self,
        times: (f64, f64),
        threads: usize,
        (empty, take): (impl Fn() -> T + Sync, impl Fn(&mut T, Samples<'_>) + Sync),
    ) -> (Report, Vec<T>) {
        let next = AtomicUsize::new(0);
        let work = || {
            let (mut sum, mut report, mut room) = (empty(), Report::default(), Vec::new());
            while let Some(party) = self.groups.get(next.fetch_add(1, Ordering::Relaxed)) {
                let mut give = |samples: Samples<'_>| take(&mut sum, samples);
                let done = self.run_group(party, times, (&mut room, &mut give));
                report.alone += done.alone;
                report.lane_steps += done.lane_steps;
                report.solved_alone += done.solved_alone;
            }
            (report, sum)
        };
        let shares = std::thread::scope(|scope| {
            let others: Vec<_> = (1..threads.min(self.groups.len())).map(|_| scope.spawn(work)).collect();
            let mut shares = vec![work()];
            shares.extend(others.into_iter().filter_map(|thread| thread.join().ok()));
            shares
        });
        let mut report = Report { scenarios: self.scenarios.len(), ..Report::default() };
        let sums = shares.into_iter().map(|(share, sum)| {
            report.alone += share.alone;
            report.lane_steps += share.lane_steps;
            report.solved_alone += share.solved_alone;
            sum
        });
        let sums = sums.collect();
        (report, sums)
    }

    /// `room` is kept from group to group.
    fn run_group(&self, party: &Party, times: (f64, f64), (room, give): (&mut Vec<f64>, Give<'_>)) -> Report {
        let (mut report, mut left) = (Report::default(), party.members.clone());
        if !party.lumped {
            match &party.members[..] {
                [_] => self.lanes::<1>(&mut left, times, (room, give), &mut report),
                few if few.len() <= FEW => self.lanes::<FEW>(&mut left, times, (room, give), &mut report),
                _ => self.lanes::<LANES>(&mut left, times, (room, give), &mut report),
            }
        }
        report.alone = left.len();
        for member in left {
            let trace = alone::run(&self.scenarios[member], (&self.probes, &self.meters), times);
            give(Samples {
                scenarios: &[Some(member)],
                failed: trace.failed.as_ref(),
                alone: true,
                events: &mut [trace.events],
                probes: trace.probes,
                values: &trace.values,
            });
        }
        report
    }

    /// In lanes, the last scenario repeated where there are too few; keeps those that must run by themselves.
    fn lanes<const W: usize>(
        &self,
        members: &mut Vec<usize>,
        times: (f64, f64),
        (room, give): (&mut Vec<f64>, Give<'_>),
        report: &mut Report,
    ) {
        let member = |lane: usize| members[lane.min(members.len() - 1)];
        let plain = |grid: &GridOptions| !grid.unsteady_friction && !grid.first_order_friction;
        let known = |member: &usize| {
            plain(&self.scenarios[*member].grid) && place::unknown(self.networks[*member].spec()).is_none()
        };
        if !members.iter().all(known) {
            return;
        }
        let scenarios: [&Scenario; W] = std::array::from_fn(|lane| &self.scenarios[member(lane)]);
        let networks: [&Network; W] = std::array::from_fn(|lane| &self.networks[member(lane)]);
        let grids: [&Grid; W] = std::array::from_fn(|lane| &self.grids[member(lane)]);
        let ways: [&[Way]; W] = std::array::from_fn(|lane| &self.ways[member(lane)][..]);
        let read = (&self.probes[..], &self.meters[..]);
        let Some(group) = Group::new(scenarios, (networks, grids, ways), read, (times, std::mem::take(room))) else {
            return;
        };
        let mut outcome = group.run(self.vectors);
        let sound = |lane: usize| members.get(lane).copied().filter(|_| !outcome.unsound[lane]);
        let taken: [Option<usize>; W] = std::array::from_fn(sound);
        report.lane_steps += outcome.steps * taken.iter().flatten().count() as u64;
        report.solved_alone += outcome.lonely;
        members.retain(|member| !taken.contains(&Some(*member)));
        give(Samples {
            scenarios: &taken,
            failed: None,
            alone: false,
            events: &mut outcome.events,
            probes: self.probes.len(),
            values: &outcome.values,
        });
        *room = outcome.values;
    }
}
