//! What is kept of a run: probes read at common times, whatever the step, and events.

use super::Trace;
use super::row::Row;
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::plant::{Plant, PlantEvent, PlantEventKind, ShaftDriver};
use crate::hydraulics::spec::Place;
use crate::signal::response::Response;

/// Share of a sampling interval by which rounding may miss the end.
const END_SLACK: f64 = 1.0e-9;

/// A quantity read at common times.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Probe {
    /// Piezometric head, m above datum.
    Head(Place),
    /// Gauge pressure as a diaphragm at an elevation feels it, Pa.
    Gauge {
        /// Where.
        place: Place,
        /// Elevation of the diaphragm, m.
        elevation_m: f64,
    },
    /// Flow through an element, m3/s, positive from `from` to `to`.
    Flow {
        /// Element index.
        element: usize,
        /// Share 0..1 of a pipe's length.
        share: f64,
    },
    /// Water level of the tank at a node, m above datum; at any other node its head.
    Level {
        /// Node index.
        node: usize,
    },
    /// Shaft speed, rad/s.
    Speed,
    /// Torque that the pump takes, N m.
    PumpTorque,
    /// Line current, A rms.
    Current,
    /// Power from the line, W.
    Power,
}

/// Read a probe of a plant.
pub(super) fn read<D: ShaftDriver>(plant: &Plant<D>, probe: &Probe) -> f64 {
    match *probe {
        Probe::Head(place) => plant.head_m(place),
        Probe::Gauge { place, elevation_m } => plant.gauge_pa(place, elevation_m),
        Probe::Flow { element, share } => plant.flow_m3_s(Place::Pipe { element, share }),
        Probe::Level { node } => plant.level_m(node),
        Probe::Speed => plant.speed_rad_s(),
        Probe::PumpTorque => plant.pump_torque_n_m(),
        Probe::Current => plant.current_a(),
        Probe::Power => plant.power_w(),
    }
}

/// What stands between a quantity and its record: a channel's answer ([`Response`]) and its range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Meter {
    /// Bandwidth, Hz; 0 or infinite: the quantity itself.
    pub bandwidth_hz: f64,
    /// Smallest and largest value it shows.
    pub range: (f64, f64),
}

/// The meters of one scenario, one a probe.
pub(super) struct Metered(Vec<(Response, (f64, f64))>);

impl Metered {
    /// Long at rest at these values.
    pub(super) fn at_rest(meters: &[Meter], dt_s: f64, values: &[f64]) -> Self {
        let one = |(meter, value): (&Meter, &f64)| (Response::at_rest(meter.bandwidth_hz, dt_s, *value), meter.range);
        Self(meters.iter().zip(values).map(one).collect())
    }

    /// Values of the next level as they are shown.
    pub(super) fn show(&mut self, values: &mut [f64]) {
        for ((response, range), value) in self.0.iter_mut().zip(values) {
            *value = response.step(*value).clamp(range.0, range.1);
        }
    }
}

/// The meters of all lanes, one a probe.
pub(super) struct LaneMeters<const W: usize> {
    meters: Vec<LaneMeter<W>>,
    /// One of each bandwidth.
    responses: Vec<[Row<W>; 6]>,
}

#[repr(C, align(64))]
struct LaneMeter<const W: usize> {
    input: [f64; W],
    output: [f64; W],
    rate: [f64; W],
    range: (f64, f64),
    /// Its shares of output, rate and input before, as [`crate::signal::response::LinearStep`]; none: the input.
    response: Option<usize>,
}

impl<const W: usize> LaneMeters<W> {
    pub(super) fn at_rest(meters: &[Meter], dt_s: &[f64; W], values: &[Row<W>]) -> Self {
        let (mut responses, mut bandwidths) = (Vec::new(), Vec::<u64>::new());
        let mut response = |bandwidth_hz: f64| {
            let known = bandwidths.iter().position(|known| *known == bandwidth_hz.to_bits());
            known.or_else(|| {
                responses.push(shares(bandwidth_hz, dt_s)?);
                bandwidths.push(bandwidth_hz.to_bits());
                Some(responses.len() - 1)
            })
        };
        let one = |(meter, values): (&Meter, &Row<W>)| {
            let (input, output, response) = (values.0, values.0, response(meter.bandwidth_hz));
            LaneMeter { range: meter.range, response, input, output, rate: [0.0; W] }
        };
        Self { meters: meters.iter().zip(values).map(one).collect(), responses }
    }

    /// Values of the next level, one row a probe, as they are shown.
    #[inline(always)]
    pub(super) fn show(&mut self, values: &mut [Row<W>]) {
        for (meter, value) in self.meters.iter_mut().zip(values) {
            let mut next = value.0;
            if let Some(shares) = meter.response.and_then(|response| self.responses.get(response)) {
                // Copies: a loop over lanes becomes vectors where nothing it writes can be what it reads.
                let (shown, rising, before) = (meter.output, meter.rate, meter.input);
                let mut rate_s = [0.0; W];
                for l in 0..W {
                    let (output, rate, input) = (shown[l] - next[l], rising[l], before[l] - next[l]);
                    let over = shares[0][l] * output + shares[1][l] * rate + shares[2][l] * input;
                    rate_s[l] = shares[3][l] * output + shares[4][l] * rate + shares[5][l] * input;
                    next[l] += over;
                }
                (meter.input, meter.rate, meter.output) = (value.0, rate_s, next);
            }
            let (low, high) = meter.range;
            for l in 0..W {
                let held = if next[l] < low { low } else { next[l] };
                next[l] = if held > high { high } else { held };
            }
            value.0 = next;
        }
    }
}

/// Shares of one bandwidth in all lanes; none where it passes the input on.
fn shares<const W: usize>(bandwidth_hz: f64, dt_s: &[f64; W]) -> Option<[Row<W>; 6]> {
    let mut shares = [Row::ZERO; 6];
    for (lane, dt_s) in dt_s.iter().enumerate() {
        let step = Response::at_rest(bandwidth_hz, *dt_s, 0.0).linear()?;
        let all = step.output.into_iter().chain(step.rate);
        shares.iter_mut().zip(all).for_each(|(share, value)| share[lane] = value);
    }
    Some(shares)
}

/// Samples from 0 to the end.
pub(super) fn samples_within(until_s: f64, every_s: f64) -> usize {
    (until_s / every_s + END_SLACK).floor() as usize + 1
}

/// Fills a trace: straight between the levels before and after each common time.
pub(super) struct Recorder {
    probes: Vec<Probe>,
    until_s: f64,
    every_s: f64,
    count: usize,
    taken: usize,
    values: Vec<f64>,
    before: (f64, Vec<f64>),
    events: Vec<PlantEvent>,
}

impl Recorder {
    pub(super) fn new(probes: &[Probe], (until_s, every_s): (f64, f64)) -> Self {
        let count = samples_within(until_s, every_s);
        Self {
            probes: probes.to_vec(),
            until_s,
            every_s,
            count,
            taken: 0,
            values: Vec::with_capacity(count * probes.len()),
            before: (0.0, Vec::new()),
            events: Vec::new(),
        }
    }

    pub(super) fn probes(&self) -> &[Probe] {
        &self.probes
    }

    /// Time of the next sample, s; never again once all are taken.
    pub(super) fn next_s(&self) -> f64 {
        if self.taken < self.count { self.taken as f64 * self.every_s } else { f64::INFINITY }
    }

    pub(super) fn is_complete(&self, time_s: f64) -> bool {
        self.taken == self.count && time_s >= self.until_s
    }

    pub(super) fn start(&mut self, values: &[f64]) {
        self.values.extend_from_slice(values);
        self.taken = 1;
    }

    pub(super) fn before(&mut self, time_s: f64, values: &[f64]) {
        self.before = (time_s, values.to_vec());
    }

    pub(super) fn after(&mut self, time_s: f64, values: &[f64]) {
        while self.next_s() <= time_s {
            let share = (self.next_s() - self.before.0) / (time_s - self.before.0);
            let pairs = self.before.1.iter().zip(values);
            self.values.extend(pairs.map(|(before, after)| before + share * (after - before)));
            self.taken += 1;
        }
    }

    pub(super) fn note(&mut self, time_s: f64, kind: PlantEventKind) {
        if time_s <= self.until_s {
            self.events.push(PlantEvent { time_s, kind });
        }
    }

    pub(super) fn finish(self, failed: Option<HydraulicsError>) -> Trace {
        Trace { probes: self.probes.len(), values: self.values, events: self.events, alone: failed.is_some(), failed }
    }
}
