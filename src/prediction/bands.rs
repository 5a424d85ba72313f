//! A band about a prediction: the same run through many rigs that the description could equally mean.
//!
//! Members are drawn by a Latin hypercube over the rig's [`Uncertainty`]: each uncertain number is cut into as many equal
//! slices as there are members, each slice is used once, and slices are dealt out at random and independently. The band is
//! the smallest and the largest of all members at each time after the mark; of each channel's steady, largest and smallest
//! value the shares 2.5 % and 97.5 % of the members are kept beside.
//!
//! Members run beside each other in SIMD lanes ([`Sweep`]), all with the commands of the predicted run at the predicted
//! run's times: what the same commands do to rigs that differ. Their cells are those of the prediction, by steps of their
//! own: cells of at most one time step of the rig, pipe ends, tanks and shaft by two (the half grid). Waves are carried by
//! these cells; friction and the walls' give are gathered at stations, sixteen cells apart at most. Trips and
//! permissives are not looked at. Where a run is more than its commands to starters (air in the lines, a controller that
//! holds a value of the water, a control valve, valves set anew) every member plays the whole sequence by itself instead; the band says
//! how many ran in lanes.
//!
//! The same seed and count give the same band bit for bit on one processor, whatever the number of threads: a member
//! depends on its own draws only, and smallest and largest do not depend on order.
//!
//! Range: 2 to 10 000 members; half-widths as the rig file allows them; what is not varied is taken as known.
//! Accuracy: the ends move with the seed as those of any sample do; a member in lanes is the member alone within 0.5 % of a
//! channel's span (`agrees_with_the_prediction_where_nothing_is_uncertain`), stations move the ends by less than 1 % of the
//! width (`law_gathering_friction_hardly_moves_a_band`), slices are exact (`law_every_slice_of_every_number_is_used_once`).
//! Source: M. D. McKay, R. J. Beckman, W. J. Conover, Technometrics 21(2), 1979 (Latin hypercube; from memory).

use super::events::EventKind;
use super::replay::{Order, Record, Replay};
use super::simulate::{Rehearsal, member};
use super::{Prediction, Segment};
use crate::hydraulics::lanes::{DriverMaker, Meter, Probe, Samples, Scenario, Sweep, Wide, widely};
use crate::hydraulics::network::joined;
use crate::hydraulics::spec::{ElementKind, NetworkSpec, Place, PumpSpec, SplashSpec, Terminal};
use crate::rig::model::{Channel, Quantity, Rig};
use crate::rig::uncertainty::Uncertainty;
use crate::sequence::marks::Phase;
use crate::sequence::script::Script;
use crate::starters::MotorSpec;
use crate::starters::drive_train::DriveTrain;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Members of a band when nobody says how many.
pub const MEMBERS: usize = 200;
/// Most members.
pub const MEMBERS_MAX: usize = 10_000;
/// Fewest members where nobody says how many: about two a number that is varied.
pub const MEMBERS_LEAST: usize = 20;
/// Cells times steps that a band costs where nobody says how many members: a few seconds of two cores, no source.
const WORK_IN_LANES: f64 = 8.0e9;
/// Likewise where members play the sequence one at a time: each cell and step costs about ten times as much.
const WORK_ALONE: f64 = 5.0e8;
/// Members begun between two looks at whether anybody still wants the band; whole groups of lanes.
const BEGUN_AT_ONCE: usize = 64;
/// Cells from one station of a pipe to the next, where friction and the wall's give are gathered. It moves the ends of a band
/// by less than a hundredth of its width (`law_gathering_friction_hardly_moves_a_band`).
const STATION_CELLS: usize = 16;
/// How members in lanes, and those that left them, are run.
const SAME_COMMANDS: &str = "all with the predicted commands at their predicted times";
/// Share of members below the lower and above the upper end of a figure.
const TAIL: f64 = 0.025;

/// The band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// Members asked for.
    pub members: u32,
    /// Members whose run failed or ended early; they are not in the band.
    pub failed: u32,
    /// Members that ran beside each other in lanes; the others ran one at a time. `None`: made before there were lanes.
    #[serde(default)]
    pub in_lanes: Option<u32>,
    /// How the members were run, in words, with the reason where some ran alone. `None`: made before this was kept.
    #[serde(default)]
    pub way: Option<String>,
    /// Seed of the draws.
    pub seed: u64,
    /// What was varied, and by how much.
    pub uncertainty: Uncertainty,
    /// One a segment of the prediction, same order.
    pub segments: Vec<BandSegment>,
    /// One a channel, of the first start.
    pub figures: Vec<BandFigures>,
}

/// Ends of the band on a segment's own times.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BandSegment {
    /// Smallest, one series a channel.
    pub lower: Vec<Vec<f32>>,
    /// Largest, one series a channel.
    pub upper: Vec<Vec<f32>>,
}

/// Spans of a channel's figures, SI: 2.5 % and 97.5 % of the members.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BandFigures {
    /// Channel id.
    pub id: String,
    /// Largest value from the start to the stop.
    pub maximum: (f64, f64),
    /// Smallest value from the start to the stop.
    pub minimum: (f64, f64),
}

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BandOptions {
    /// Members, 2 to [`MEMBERS_MAX`].
    pub members: usize,
    /// Seed.
    pub seed: u64,
    /// Threads; the answer does not depend on it.
    pub threads: usize,
}

/// Draws of all members: `COUNT` numbers in -1..1 each, a Latin hypercube.
pub fn latin_hypercube(members: usize, seed: u64) -> Vec<[f64; Uncertainty::COUNT]> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut draws = vec![[0.0; Uncertainty::COUNT]; members];
    let mut slices: Vec<usize> = (0..members).collect();
    for number in 0..Uncertainty::COUNT {
        slices.shuffle(&mut rng);
        for (draw, slice) in draws.iter_mut().zip(&slices) {
            let within: f64 = rng.random();
            draw[number] = 2.0 * (*slice as f64 + within) / members as f64 - 1.0;
        }
    }
    draws
}

/// The rig as a member has it: each number moved by its draw times its half-width.
pub fn varied(rig: &Rig, draw: &[f64; Uncertainty::COUNT]) -> Rig {
    let mut rig = rig.clone();
    let widths = rig.uncertainty.listed();
    let factor = |number: usize| 1.0 + draw[number] * widths[number].1;
    vary_network(&mut rig.network, &factor, draw[8] * widths[8].1);
    rig.shaft.inertia_kg_m2 *= factor(5);
    rig.motor = varied_motor(&rig, draw);
    for starter in &mut rig.starters {
        let ramps = [&mut starter.settings.ramp_up_s, &mut starter.settings.ramp_down_s];
        ramps.into_iter().flatten().for_each(|ramp_s| *ramp_s *= factor(7));
    }
    rig
}

fn varied_motor(rig: &Rig, draw: &[f64; Uncertainty::COUNT]) -> MotorSpec {
    let factor = 1.0 + draw[6] * rig.uncertainty.motor_torque;
    let mut motor = rig.motor;
    motor.locked_rotor_torque *= factor;
    motor.pull_up_torque *= factor;
    motor.breakdown_torque *= factor;
    motor
}

fn vary_network(network: &mut NetworkSpec, factor: &dyn Fn(usize) -> f64, level_m: f64) {
    for element in &mut network.elements {
        match &mut element.kind {
            ElementKind::Pipe(pipe) => {
                pipe.wave_speed_m_s *= factor(0);
                pipe.roughness_m *= factor(1);
                // A stated friction factor stands for a roughness: f goes with its fourth root (rough turbulent, from memory).
                pipe.fixed_darcy_f = pipe.fixed_darcy_f.map(|darcy_f| darcy_f * factor(1).powf(0.25));
                pipe.minor_loss_k *= factor(2);
            }
            ElementKind::Valve(valve) => valve.kv_open_m3_h *= 1.0 - 0.5 * (factor(2) - 1.0),
            ElementKind::Pump(pump) => vary_pump(pump, factor),
            ElementKind::OtherPump(other) => vary_pump(&mut other.pump, factor),
            _ => {}
        }
    }
    for node in &mut network.nodes {
        if let Terminal::Tank { level_m: level, overflow_m, .. } = &mut node.terminal {
            // A level at the overflow stays there; one below it must not rise past it.
            *level = (*level + level_m).min(*overflow_m);
        }
    }
}

fn vary_pump(pump: &mut PumpSpec, factor: &dyn Fn(usize) -> f64) {
    pump.rated_head_m *= factor(3);
    pump.rated_flow_m3_s *= factor(4);
    for point in &mut pump.curve {
        *point = (point.0 * factor(4), point.1 * factor(3));
    }
    pump.efficiency.iter_mut().for_each(|point| point.0 *= factor(4));
}

impl Band {
    /// How the members were run, in words.
    pub fn way_in_words(&self) -> String {
        if let Some(way) = &self.way {
            return way.clone();
        }
        match self.in_lanes.unwrap_or(0) {
            0 => "each plays the whole sequence by itself".to_owned(),
            in_lanes => format!(
                "{in_lanes} run in lanes and {} alone, all with the predicted commands at their predicted times",
                self.members - in_lanes
            ),
        }
    }
}

/// Members where nobody says how many: [`MEMBERS`], or as many as cost a few seconds on the run at hand, [`MEMBERS_LEAST`]
/// at least. Depends on the run alone, never on the computer.
pub fn usual_members(rig: &Rig, script: &Script, nominal: &Rehearsal) -> usize {
    let steps = nominal.record.levels.last().copied().unwrap_or(0) as f64;
    let member = (steps * nominal.prediction.made_with.cells as f64).max(1.0);
    let two = Lanes::of(rig, script, nominal, (&latin_hypercube(2, 0), STATION_CELLS));
    let moment_s = nominal.prediction.made_with.dt_s * 4.0;
    // Whether a standby's check valve lifts shows in the whole run only.
    let standby = rig.network.elements.iter().any(|element| matches!(element.kind, ElementKind::OtherPump(_)));
    let until_s = if standby { nominal.record.until_s } else { moment_s };
    let in_lanes = two.and_then(|lanes| lanes.run(until_s, 1, &|| true)).is_some_and(|(_, in_lanes, _)| in_lanes == 2);
    // Where water parts in the run itself, most members would leave their lanes.
    let parts = nominal.prediction.events.iter().any(|event| matches!(event.kind, EventKind::CavityOpened));
    let most = if in_lanes && !parts { WORK_IN_LANES } else { WORK_ALONE } / member;
    (most as usize).clamp(MEMBERS_LEAST, MEMBERS)
}

/// The band about the prediction of `script` on `rig`.
pub fn band(rig: &Rig, script: &Script, nominal: &Rehearsal, options: BandOptions) -> Band {
    band_by_stations(rig, script, nominal, options, STATION_CELLS)
}

/// As [`band`], with as many cells from one station to the next (1: every point is one): what a band owes to them.
pub fn band_by_stations(
    rig: &Rig,
    script: &Script,
    nominal: &Rehearsal,
    options: BandOptions,
    station_cells: usize,
) -> Band {
    made(rig, script, nominal, (options, station_cells), &|| true)
}

/// As [`band`]; given up, with `None`, once `wanted` says no.
pub fn band_while(
    rig: &Rig,
    script: &Script,
    nominal: &Rehearsal,
    options: BandOptions,
    wanted: Wanted<'_>,
) -> Option<Band> {
    let band = made(rig, script, nominal, (options, STATION_CELLS), wanted);
    wanted().then_some(band)
}

/// Does anybody still want the band?
pub type Wanted<'a> = &'a (dyn Fn() -> bool + Sync);

fn made(
    rig: &Rig,
    script: &Script,
    nominal: &Rehearsal,
    (options, station_cells): (BandOptions, usize),
    wanted: Wanted<'_>,
) -> Band {
    let members = options.members.clamp(2, MEMBERS_MAX);
    let draws = latin_hypercube(members, options.seed);
    let lanes = Lanes::of(rig, script, nominal, (&draws, station_cells));
    let readable = lanes.is_some();
    let in_lanes = lanes.and_then(|lanes| lanes.run(nominal.record.until_s, options.threads, wanted));
    let (whole, in_lanes, unknown) =
        in_lanes.unwrap_or_else(|| (alone(rig, script, nominal, &draws, (options.threads, wanted)), 0, None));
    let way = match (nominal.record.more, unknown) {
        (Some(more), _) => format!("each plays the whole sequence by itself: {more}"),
        (None, _) if !readable => {
            "each plays the whole sequence by itself: a channel reads a contact or a difference of pressures".to_owned()
        }
        (None, Some(part)) => format!("none in lanes, which do not know `{part}`; {SAME_COMMANDS}"),
        (None, None) if in_lanes as usize == members => format!("all in lanes, {SAME_COMMANDS}"),
        (None, None) => format!(
            "{in_lanes} in lanes and {} alone, in which water parts, a tank runs dry or a standby's check valve lifts; \
             {SAME_COMMANDS}",
            members - in_lanes as usize
        ),
    };
    Band {
        members: members as u32,
        failed: (members - whole.figures.len()) as u32,
        in_lanes: Some(in_lanes),
        way: Some(way),
        seed: options.seed,
        uncertainty: rig.uncertainty,
        figures: whole.spans(&nominal.prediction),
        segments: whole.segments,
    }
}

type Draw = [f64; Uncertainty::COUNT];

/// Share of the script's ramp times that a member's starters take.
fn ramp_share(rig: &Rig, draw: &Draw) -> f64 {
    1.0 + draw[7] * rig.uncertainty.ramp_time
}

/// Every member through the whole sequence, one after the other on each thread.
fn alone(
    rig: &Rig,
    script: &Script,
    nominal: &Rehearsal,
    draws: &[Draw],
    (threads, wanted): (usize, Wanted<'_>),
) -> Envelope {
    let nominal = &nominal.prediction;
    let next = AtomicUsize::new(0);
    let work = || {
        let mut share = Envelope::about(nominal);
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(draw) = draws.get(index).filter(|_| wanted()) else { return share };
            let run = member(&varied(rig, draw), script, ramp_share(rig, draw));
            share.take(index, run.ok().as_deref(), nominal);
        }
    };
    let shares: Vec<Envelope> = std::thread::scope(|scope| {
        let running: Vec<_> = (0..threads.clamp(1, draws.len())).map(|_| scope.spawn(work)).collect();
        running.into_iter().filter_map(|thread| thread.join().ok()).collect()
    });
    shares.into_iter().reduce(Envelope::joined).unwrap_or_else(|| Envelope::about(nominal))
}

/// All members as scenarios of a sweep.
struct Lanes<'a> {
    scenarios: Vec<Scenario>,
    probes: Vec<Probe>,
    meters: Vec<Meter>,
    nominal: &'a Rehearsal,
}

impl<'a> Lanes<'a> {
    /// `None` where the run is more than its commands to starters.
    fn of(
        rig: &Rig,
        script: &Script,
        nominal: &'a Rehearsal,
        (draws, station_cells): (&[Draw], usize),
    ) -> Option<Self> {
        let record = Some(&nominal.record).filter(|record| record.more.is_none())?;
        let line_up = script.first_line_up().unwrap_or(0);
        let scenario = |draw| {
            let mut made = scenario(rig, line_up, record, draw)?;
            made.grid.station_cells = station_cells;
            Some(made)
        };
        let meter = |channel: &Channel| Meter { bandwidth_hz: channel.bandwidth_hz, range: channel.range };
        Some(Self {
            scenarios: draws.iter().map(scenario).collect::<Option<_>>()?,
            probes: rig.channels.iter().map(probe).collect::<Option<_>>()?,
            meters: rig.channels.iter().map(meter).collect(),
            nominal,
        })
    }

    /// Runs them to `until_s`; says how many stayed in lanes, and which part these do not know. `None` where they are no sweep.
    fn run(&self, until_s: f64, threads: usize, wanted: Wanted<'_>) -> Option<(Envelope, u32, Option<String>)> {
        let (prediction, record) = (&self.nominal.prediction, &self.nominal.record);
        let interval_s = prediction.segments.first().map_or(record.until_s, |segment| segment.dt_s);
        let empty = || Envelope::about(prediction);
        let (mut whole, mut in_lanes, mut unknown) = (empty(), 0, None);
        for (number, begun) in self.scenarios.chunks(BEGUN_AT_ONCE).enumerate() {
            if !wanted() {
                break;
            }
            let take = |share: &mut Envelope, samples: Samples<'_>| {
                share.take_samples(number * BEGUN_AT_ONCE, &samples, record);
            };
            let sweep = Sweep::new(begun, &self.probes).ok()?.with_meters(&self.meters);
            unknown = sweep.unknown_part().map(str::to_owned);
            let (report, shares) = sweep.fold((until_s, interval_s), threads.max(1), (empty, take));
            whole = shares.into_iter().fold(whole, Envelope::joined);
            in_lanes += (report.scenarios - report.alone) as u32;
        }
        Some((whole, in_lanes, unknown))
    }
}

fn probe(channel: &Channel) -> Option<Probe> {
    Some(match channel.quantity {
        Quantity::GaugePressure => Probe::Gauge { place: channel.place?, elevation_m: channel.diaphragm_elevation_m },
        Quantity::LineCurrent | Quantity::CurrentWave => Probe::Current,
        Quantity::ShaftSpeed => Probe::Speed,
        Quantity::LinePower => Probe::Power,
        Quantity::Flow => match channel.place? {
            Place::Pipe { element, share } => Probe::Flow { element, share },
            Place::Node(_) => return None,
        },
        // The lanes have no contacts and no differences: the members are played one at a time.
        Quantity::Contact | Quantity::PressureDifference => return None,
    })
}

/// One member under the recorded commands; `None` where its motor or starters cannot be.
fn scenario(rig: &Rig, line_up: usize, record: &Record, draw: &Draw) -> Option<Scenario> {
    let (mut network, shaft, starters) = varied(rig, draw).plant_parts(line_up);
    drop_idle_splash(&mut network);
    let train = DriveTrain::new(varied_motor(rig, draw), starters).ok()?;
    let ramp_share = ramp_share(rig, draw);
    let orders: Arc<[(f64, Order)]> =
        record.orders.iter().map(|(at_s, order)| (*at_s, order.stretched(ramp_share))).collect();
    let driver: DriverMaker = Arc::new(move || Box::new(Replay::new(train.clone(), Arc::clone(&orders))));
    let mut grid = rig.grid();
    // All travel times move by one factor, and the step with them: the cells stay those of the prediction.
    grid.dt_max_s /= 1.0 + draw[0] * rig.uncertainty.wave_speed;
    Some(Scenario { network, shaft, driver, grid, speed_rad_s: None, openings: Vec::new() })
}

/// A return behind a shut valve splashes nothing; a pump with a splash would have to run alone.
fn drop_idle_splash(network: &mut NetworkSpec) {
    let open = network.elements.iter().filter(|element| match &element.kind {
        ElementKind::Pump(_) => false,
        ElementKind::Valve(valve) => valve.opening > 0.0,
        _ => true,
    });
    let part = joined(network.nodes.len(), open.map(|element| (element.from, element.to)));
    for element in &mut network.elements {
        let ElementKind::Pump(pump) = &mut element.kind else { continue };
        let reached = |splash: &SplashSpec| match splash.place {
            Place::Node(node) => part.get(node) == part.get(element.to),
            Place::Pipe { .. } => true,
        };
        pump.condition.splash = pump.condition.splash.filter(reached);
    }
}

/// One member's (largest, smallest) a channel of the first start, with the member's number.
type MemberFigures = (usize, Vec<(f64, f64)>);

/// Smallest and largest so far.
struct Envelope {
    segments: Vec<BandSegment>,
    figures: Vec<MemberFigures>,
}

impl Envelope {
    /// The nominal run lies within its band.
    fn about(nominal: &Prediction) -> Self {
        let narrow = |segment: &Segment| BandSegment { lower: segment.series.clone(), upper: segment.series.clone() };
        Self { segments: nominal.segments.iter().map(narrow).collect(), figures: Vec::new() }
    }

    fn take(&mut self, index: usize, member: Option<&[Segment]>, nominal: &Prediction) {
        let Some(member) = member else { return };
        for (ends, own) in self.segments.iter_mut().zip(&nominal.segments) {
            let same = |other: &&Segment| (other.cycle, other.phase) == (own.cycle, own.phase);
            let Some(other) = member.iter().find(same) else { continue };
            for (channel, series) in other.series.iter().enumerate() {
                widen(&mut ends.lower[channel], own, other, series, f32::min);
                widen(&mut ends.upper[channel], own, other, series, f32::max);
            }
        }
        let start = member.iter().find(|segment| segment.phase == Phase::Start);
        let figures = start.map(|segment| segment.series.iter().map(|series| extremes(series)).collect());
        self.figures.push((index, figures.unwrap_or_default()));
    }

    /// Members that did the recorded commands, the first of them numbered `first`: their samples stand beside those of the
    /// prediction.
    fn take_samples(&mut self, first: usize, samples: &Samples<'_>, record: &Record) {
        if samples.failed.is_some() {
            return;
        }
        let lanes: Vec<(usize, &[f64])> = samples
            .scenarios
            .iter()
            .enumerate()
            .filter_map(|(lane, scenario)| Some(((*scenario)?, samples.of(lane)?)))
            .collect();
        let probes = samples.probes;
        let (mut all, mut own) = (Extremes::none(probes * BLOCK), vec![Extremes::none(probes * BESIDE); lanes.len()]);
        for (number, (ends, (from, to))) in self.segments.iter_mut().zip(&record.spans).enumerate() {
            let levels = record.levels.get(*from..=*to).unwrap_or_default();
            let mut k = 0;
            while let Some(rows) = following(&levels[k..], record.every) {
                let at = rows.start as usize * probes;
                let count = (rows.end - rows.start) as usize;
                all.forget();
                for ((_, values), own) in lanes.iter().zip(&mut own) {
                    let Some(rows) = values.get(at..at + count * probes) else { break };
                    let own = (number == 0).then_some(own);
                    widely(Widening { all: &mut all, own, rows, beside: probes * BESIDE });
                }
                ends.widen(k, count, &all);
                k += count;
            }
        }
        for ((member, _), own) in lanes.iter().zip(own) {
            self.figures.push((first + member, own.folded(probes)));
        }
    }

    fn joined(mut self, other: Self) -> Self {
        for (ends, more) in self.segments.iter_mut().zip(&other.segments) {
            for (series, more) in ends.lower.iter_mut().zip(&more.lower) {
                series.iter_mut().zip(more).for_each(|(value, more)| *value = value.min(*more));
            }
            for (series, more) in ends.upper.iter_mut().zip(&more.upper) {
                series.iter_mut().zip(more).for_each(|(value, more)| *value = value.max(*more));
            }
        }
        self.figures.extend(other.figures);
        self
    }

    fn spans(&self, nominal: &Prediction) -> Vec<BandFigures> {
        let mut members = self.figures.clone();
        members.sort_by_key(|(index, _)| *index);
        let of = |channel: usize, pick: fn(&(f64, f64)) -> f64| {
            span(members.iter().filter_map(|(_, figures)| figures.get(channel).map(pick)).collect())
        };
        let one = |(channel, id): (usize, &crate::signal::ChannelId)| BandFigures {
            id: id.0.clone(),
            maximum: of(channel, |pair| pair.0),
            minimum: of(channel, |pair| pair.1),
        };
        nominal.channels.iter().enumerate().map(one).collect()
    }
}

/// Rows of samples taken up together, and of a member's own.
const BLOCK: usize = 64;
const BESIDE: usize = 8;

/// The rows of the first levels, as many of them as follow one another, [`BLOCK`] at most; none of none.
fn following(levels: &[u64], every: u64) -> Option<std::ops::Range<u64>> {
    let first = levels.first()? / every;
    let more = (first..).zip(levels).take(BLOCK).take_while(|(row, level)| *level / every == *row).count();
    Some(first..first + more as u64)
}

impl BandSegment {
    /// From sample `k` on, by the extremes of rows of all channels.
    fn widen(&mut self, k: usize, count: usize, by: &Extremes) {
        let channels = self.lower.len();
        for (channel, (lower, upper)) in self.lower.iter_mut().zip(&mut self.upper).enumerate() {
            let rows = by.least.iter().zip(&by.most).skip(channel).step_by(channels).take(count);
            for ((lower, upper), (least, most)) in lower[k..].iter_mut().zip(&mut upper[k..]).zip(rows) {
                *lower = if (*least as f32) < *lower { *least as f32 } else { *lower };
                *upper = if (*most as f32) > *upper { *most as f32 } else { *upper };
            }
        }
    }
}

/// Smallest and largest so far of numbers that lie beside each other.
#[derive(Clone)]
struct Extremes {
    least: Vec<f64>,
    most: Vec<f64>,
}

impl Extremes {
    fn none(numbers: usize) -> Self {
        Self { least: vec![f64::INFINITY; numbers], most: vec![f64::NEG_INFINITY; numbers] }
    }

    #[inline(always)]
    fn widen(&mut self, values: &[f64]) {
        for ((least, most), value) in self.least.iter_mut().zip(&mut self.most).zip(values) {
            *least = if *value < *least { *value } else { *least };
            *most = if *value > *most { *value } else { *most };
        }
    }

    fn forget(&mut self) {
        self.least.fill(f64::INFINITY);
        self.most.fill(f64::NEG_INFINITY);
    }

    /// Largest and smallest of each channel, one row of all channels after the other.
    fn folded(&self, channels: usize) -> Vec<(f64, f64)> {
        let every = |values: &[f64], channel: usize, from: f64, pick: fn(f64, f64) -> f64| {
            values.iter().skip(channel).step_by(channels).copied().fold(from, pick)
        };
        let of = |channel| {
            let most = every(&self.most, channel, f64::NEG_INFINITY, f64::max);
            (most, every(&self.least, channel, f64::INFINITY, f64::min))
        };
        (0..channels).map(of).collect()
    }
}

/// A member's rows to be taken in by all and by its own.
struct Widening<'a> {
    all: &'a mut Extremes,
    own: Option<&'a mut Extremes>,
    rows: &'a [f64],
    /// Numbers of its own that lie beside each other.
    beside: usize,
}

impl Wide for Widening<'_> {
    #[inline(always)]
    fn go(self) {
        self.all.widen(self.rows);
        if let Some(own) = self.own {
            for rows in self.rows.chunks(self.beside) {
                own.widen(rows);
            }
        }
    }
}

/// Widens one end by a member's series, read at the segment's own times after the mark.
fn widen(end: &mut [f32], own: &Segment, other: &Segment, series: &[f32], pick: fn(f32, f32) -> f32) {
    for (k, value) in end.iter_mut().enumerate() {
        let at = (own.t0_s + k as f64 * own.dt_s - other.t0_s) / other.dt_s;
        if at < 0.0 {
            continue;
        }
        let before = at.floor() as usize;
        // A member whose phase is over sooner says nothing of later times.
        let (Some(a), Some(b)) = (series.get(before), series.get(before + 1)) else { break };
        *value = pick(*value, (f64::from(*a) + (at - before as f64) * f64::from(b - a)) as f32);
    }
}

fn extremes(series: &[f32]) -> (f64, f64) {
    series.iter().fold((f64::NEG_INFINITY, f64::INFINITY), |(most, least), value| {
        (most.max(f64::from(*value)), least.min(f64::from(*value)))
    })
}

/// The values that [`TAIL`] of the members lie below and above.
fn span(mut values: Vec<f64>) -> (f64, f64) {
    values.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let place = share * values.len().saturating_sub(1) as f64;
        values.get(place.round() as usize).copied().unwrap_or(f64::NAN)
    };
    (at(TAIL), at(1.0 - TAIL))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_every_slice_of_every_number_is_used_once() {
        let members = 50;
        let draws = latin_hypercube(members, 7);
        for number in 0..Uncertainty::COUNT {
            let slice = |draw: &[f64; Uncertainty::COUNT]| ((draw[number] + 1.0) / 2.0 * members as f64) as usize;
            let mut slices: Vec<usize> = draws.iter().map(slice).collect();
            slices.sort_unstable();
            assert_eq!(slices, (0..members).collect::<Vec<_>>(), "number {number}");
        }
    }

    #[test]
    fn law_the_same_seed_gives_the_same_draws_and_another_seed_others() {
        assert_eq!(latin_hypercube(20, 3), latin_hypercube(20, 3));
        assert_ne!(latin_hypercube(20, 3), latin_hypercube(20, 4));
    }
}
