//! What is kept of a run: probes read at common times, whatever the step, and events.

use super::Trace;
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::plant::{Plant, PlantEvent, PlantEventKind, ShaftDriver};
use crate::hydraulics::spec::Place;

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
