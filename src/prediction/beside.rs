//! What a prediction tells beside its channels: figures of pump, shaft, motor and water as series, named with their unit.
//!
//! They are the plant's own, without any sensor's response. `NaN` where there is none (NPSH margin of a pump without water).

use super::Segment;
use super::summary::STEADY_S;
use crate::hydraulics::plant::{Plant, ShaftDriver};
use crate::hydraulics::spec::{ElementKind, Place, Terminal};
use crate::rig::model::Rig;
use serde::Serialize;

/// One series.
#[derive(Debug, Clone, PartialEq)]
struct Probe {
    name: String,
    of: Figure,
}

/// What is read.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Figure {
    PumpHead,
    NpshMargin,
    GasAtPump,
    PumpTorque,
    MotorTorque,
    Speed,
    Current,
    Power,
    Level(usize),
    Head(usize),
    /// Length of a pipe that is full, m.
    Front(usize),
    /// Gas at a node, m3.
    Gas(usize),
    /// Air shut in ahead of a front, m3.
    AirShutIn,
    /// Flow through a pump beside the commanded one, m3/s.
    OtherFlow(usize),
    /// Its speed, rad/s.
    OtherSpeed(usize),
}

/// The series of one run.
#[derive(Debug, Clone, Default)]
pub(super) struct Beside {
    probes: Vec<Probe>,
    /// One a probe, a value a stored sample.
    pub(super) log: Vec<Vec<f32>>,
}

/// Names of the series that a prediction for a rig has, each with its unit.
pub fn names(rig: &Rig) -> Vec<String> {
    probes(rig).into_iter().map(|probe| probe.name).collect()
}

/// A name of the rig file as part of a column's and a dataset's name.
pub(super) fn plain(name: &str) -> String {
    name.chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' }).collect()
}

fn probes(rig: &Rig) -> Vec<Probe> {
    let fixed = [
        ("pump_head_m", Figure::PumpHead),
        ("npsh_margin_m", Figure::NpshMargin),
        ("pump_torque_n_m", Figure::PumpTorque),
        ("motor_torque_n_m", Figure::MotorTorque),
        ("shaft_speed_rad_s", Figure::Speed),
        ("line_current_a", Figure::Current),
        ("line_power_w", Figure::Power),
    ];
    let mut probes: Vec<Probe> = fixed.into_iter().map(|(name, of)| Probe { name: name.to_owned(), of }).collect();
    let splashes = rig.network.elements.iter().any(|element| match &element.kind {
        ElementKind::Pump(pump) => pump.condition.splash.is_some(),
        _ => false,
    });
    if splashes {
        probes.push(Probe { name: "gas_at_pump_1".to_owned(), of: Figure::GasAtPump });
    }
    for (index, node) in rig.network.nodes.iter().enumerate() {
        let (word, of) = match node.terminal {
            Terminal::Tank { .. } => ("level", Figure::Level(index)),
            _ => ("head", Figure::Head(index)),
        };
        probes.push(Probe { name: format!("{word}_{}_m", plain(&node.name)), of });
    }
    for (index, node) in rig.network.nodes.iter().enumerate() {
        if matches!(node.terminal, Terminal::Gas(_) | Terminal::AirValve(_)) {
            probes.push(Probe { name: format!("gas_{}_m3", plain(&node.name)), of: Figure::Gas(index) });
        }
    }
    let others = rig.network.elements.iter().enumerate();
    for (index, element) in others.filter(|(_, element)| matches!(element.kind, ElementKind::OtherPump(_))) {
        let name = plain(&element.name);
        probes.push(Probe { name: format!("flow_{name}_m3_s"), of: Figure::OtherFlow(index) });
        probes.push(Probe { name: format!("speed_{name}_rad_s"), of: Figure::OtherSpeed(index) });
    }
    let follows = rig.line_ups.iter().any(|line_up| line_up.lines.is_some());
    let pipes = rig.network.elements.iter().enumerate().filter(|_| follows);
    if follows {
        probes.push(Probe { name: "air_shut_in_m3".to_owned(), of: Figure::AirShutIn });
    }
    for (index, element) in pipes.filter(|(_, element)| matches!(element.kind, ElementKind::Pipe(_))) {
        probes.push(Probe { name: format!("front_{}_m", plain(&element.name)), of: Figure::Front(index) });
    }
    probes
}

impl Beside {
    pub(super) fn new(rig: &Rig) -> Self {
        let probes = probes(rig);
        Self { log: vec![Vec::new(); probes.len()], probes }
    }

    pub(super) fn names(&self) -> Vec<String> {
        self.probes.iter().map(|probe| probe.name.clone()).collect()
    }

    /// Takes one sample.
    pub(super) fn take<D: ShaftDriver>(&mut self, plant: &Plant<D>) {
        for (probe, series) in self.probes.iter().zip(&mut self.log) {
            series.push(read(plant, probe.of) as f32);
        }
    }
}

fn read<D: ShaftDriver>(plant: &Plant<D>, of: Figure) -> f64 {
    match of {
        Figure::PumpHead => plant.pump_head_m(),
        Figure::NpshMargin => plant.npsh().map_or(f64::NAN, |npsh| npsh.margin_m()),
        Figure::GasAtPump => plant.gas_at_pump(),
        Figure::PumpTorque => plant.pump_torque_n_m(),
        Figure::MotorTorque => plant.driver().torque_n_m(plant.speed_rad_s()).0,
        Figure::Speed => plant.speed_rad_s(),
        Figure::Current => plant.current_a(),
        Figure::Power => plant.power_w(),
        Figure::Level(node) => plant.level_m(node),
        Figure::Head(node) => plant.head_m(Place::Node(node)),
        Figure::Gas(node) => plant.gas_m3(node),
        Figure::OtherFlow(element) => plant.other_pump(element).map_or(f64::NAN, |pump| pump.flow_m3_s),
        Figure::OtherSpeed(element) => plant.other_pump(element).map_or(f64::NAN, |pump| pump.speed_rad_s),
        Figure::AirShutIn => plant.air_shut_in().map_or(0.0, |(volume_m3, _)| volume_m3),
        Figure::Front(element) => plant.wet_length_m(element).unwrap_or(f64::NAN),
    }
}

/// Span of one series over a start phase.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BesideSummary {
    /// Name with unit.
    pub name: String,
    /// Smallest from the start to the stop.
    pub minimum: f64,
    /// When, s after the start mark.
    pub minimum_at_s: f64,
    /// Largest from the start to the stop.
    pub maximum: f64,
    /// When, s after the start mark.
    pub maximum_at_s: f64,
    /// At the stop.
    pub last: f64,
    /// Mean of the last [`STEADY_S`] before the stop, of the samples that have a number.
    pub steady: f64,
}

impl BesideSummary {
    /// Figures of one series of a segment, from its mark on; `None` where it has no number.
    pub(super) fn of(name: &str, segment: &Segment, series: &[f32]) -> Option<Self> {
        let at = |index: usize| segment.t0_s + index as f64 * segment.dt_s;
        let numbers = || {
            let all = series.iter().enumerate().map(|(index, value)| (at(index), f64::from(*value)));
            all.filter(|(at_s, value)| *at_s >= 0.0 && value.is_finite())
        };
        let smallest = numbers().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let largest = numbers().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let last = numbers().next_back()?;
        let steady: Vec<f64> =
            numbers().filter(|(at_s, _)| *at_s > last.0 - STEADY_S).map(|(_, value)| value).collect();
        Some(Self {
            name: name.to_owned(),
            minimum: smallest.1,
            minimum_at_s: smallest.0,
            maximum: largest.1,
            maximum_at_s: largest.0,
            last: last.1,
            steady: steady.iter().sum::<f64>() / steady.len() as f64,
        })
    }
}
