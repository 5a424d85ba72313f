//! What is kept of a run: probes read at common times, whatever the step, and events.

use super::Trace;
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
pub(super) struct LaneMeters<const W: usize>(Vec<LaneMeter<W>>);

struct LaneMeter<const W: usize> {
    range: (f64, f64),
    /// Shares of output, rate and input before, as [`crate::signal::response::LinearStep`]; none: the input.
    shares: Option<Box<[[f64; W]; 6]>>,
    input: [f64; W],
    output: [f64; W],
    rate: [f64; W],
}

impl<const W: usize> LaneMeters<W> {
    pub(super) fn at_rest(meters: &[Meter], dt_s: &[f64; W], values: &[[f64; W]]) -> Self {
        let one = |(meter, values): (&Meter, &[f64; W])| {
            let mut shares = Box::new([[0.0; W]; 6]);
            let mut passes = false;
            for lane in 0..W {
                match Response::at_rest(meter.bandwidth_hz, dt_s[lane], values[lane]).linear() {
                    Some(step) => {
                        let all = step.output.into_iter().chain(step.rate);
                        shares.iter_mut().zip(all).for_each(|(share, value)| share[lane] = value);
                    }
                    None => passes = true,
                }
            }
            let (input, output) = (*values, *values);
            LaneMeter { range: meter.range, shares: (!passes).then_some(shares), input, output, rate: [0.0; W] }
        };
        Self(meters.iter().zip(values).map(one).collect())
    }

    /// Values of the next level, one row a probe, as they are shown.
    #[inline(always)]
    pub(super) fn show(&mut self, values: &mut [[f64; W]]) {
        for (meter, value) in self.0.iter_mut().zip(values) {
            if let Some(shares) = &meter.shares {
                for l in 0..W {
                    let (output, rate, input) = (meter.output[l] - value[l], meter.rate[l], meter.input[l] - value[l]);
                    let next = shares[0][l] * output + shares[1][l] * rate + shares[2][l] * input;
                    meter.rate[l] = shares[3][l] * output + shares[4][l] * rate + shares[5][l] * input;
                    meter.input[l] = value[l];
                    meter.output[l] = value[l] + next;
                    value[l] = meter.output[l];
                }
            }
            for l in 0..W {
                let shown = if value[l] < meter.range.0 { meter.range.0 } else { value[l] };
                value[l] = if shown > meter.range.1 { meter.range.1 } else { shown };
            }
        }
    }
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
        let count = (until_s / every_s + END_SLACK).floor() as usize + 1;
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

    pub(super) fn until_s(&self) -> f64 {
        self.until_s
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

    /// As `before` and `after` at once, from the values of two levels.
    #[inline(always)]
    pub(super) fn between(&mut self, times_s: (f64, f64), values: impl Fn(usize) -> (f64, f64)) {
        while self.next_s() <= times_s.1 {
            let share = (self.next_s() - times_s.0) / (times_s.1 - times_s.0);
            for probe in 0..self.probes.len() {
                let (before, after) = values(probe);
                self.values.push(before + share * (after - before));
            }
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
