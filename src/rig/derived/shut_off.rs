//! The highest pressure that the pump can hold against a closed line, element by element.

use crate::hydraulics::spec::{ElementKind, NetworkSpec, PumpSpec, Terminal};
use crate::rig::model::Rig;
use crate::starters::StarterKind;
use serde::Serialize;
use std::f64::consts::TAU;

/// Highest standing pressure of an element against its rating.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ShutOff {
    /// Element id.
    pub element: String,
    /// Pressure at its lowest end with the line shut behind it and the pump at top speed, Pa gauge.
    pub pressure_gauge_pa: f64,
    /// Its rating, Pa gauge.
    pub rated_gauge_pa: f64,
}

impl ShutOff {
    /// Rating less pressure, Pa; negative: too weak.
    pub fn margin_pa(&self) -> f64 {
        self.rated_gauge_pa - self.pressure_gauge_pa
    }

    /// Pressure over rating, 1; above 1: too weak.
    pub fn used_share(&self) -> f64 {
        self.pressure_gauge_pa / self.rated_gauge_pa
    }
}

/// Highest shaft speed that any starter can give, rad/s: synchronous speed at the highest frequency it may be set to.
/// Slip is left out, on the safe side for pressures.
pub fn top_speed_rad_s(rig: &Rig) -> f64 {
    let share = |starter: &crate::rig::model::Starter| match starter.kind {
        StarterKind::VariableSpeed => starter.settings_max.speed.unwrap_or(1.0),
        StarterKind::AcrossTheLine | StarterKind::SoftStarter => 1.0,
    };
    synchronous_rad_s(rig) * rig.starters.iter().map(share).fold(0.0, f64::max)
}

/// Shaft speed at rated frequency without slip, rad/s.
fn synchronous_rad_s(rig: &Rig) -> f64 {
    rig.motor.mounting.belt_ratio * TAU * rig.motor.frequency_hz / (f64::from(rig.motor.poles) / 2.0)
}

/// By how much the pump's pressure answers a change of speed at once, before its flow has followed, Pa a share of rated
/// frequency: `2 rho g H_0 / n`, H_0 the shut-off head at that speed share n.
pub fn answer_to_speed_pa(rig: &Rig, speed_share: f64) -> f64 {
    let liquid = rig.network.liquid;
    let head_m = shut_off_head_m(&rig.network, synchronous_rad_s(rig) * speed_share);
    2.0 * liquid.density_kg_m3 * liquid.gravity_m_s2 * head_m / speed_share
}

/// Shut-off head of the pump at a speed, m: the curve's first point (or 1.3 times the rated head without a curve,
/// common practice, no source) by the square of the speed.
pub fn shut_off_head_m(network: &NetworkSpec, speed_rad_s: f64) -> f64 {
    let pump = network.elements.iter().find_map(|element| match &element.kind {
        ElementKind::Pump(pump) => Some(pump),
        _ => None,
    });
    pump.map_or(0.0, |pump| against_shut_m(pump, speed_rad_s))
}

fn against_shut_m(pump: &PumpSpec, speed_rad_s: f64) -> f64 {
    let at_rated_m = pump.curve.first().map_or(1.3 * pump.rated_head_m, |point| point.1);
    at_rated_m * (speed_rad_s / pump.rated_speed_rad_s).powi(2)
}

/// The highest shut-off head among the pumps: the commanded one at its top speed, the others at the speed they run at in any
/// line-up.
fn highest_shut_off_m(rig: &Rig) -> f64 {
    let running = rig.line_ups.iter().flat_map(|line_up| &line_up.other_pumps);
    let others = running.filter_map(|(element, speed)| match &rig.network.elements.get(*element)?.kind {
        ElementKind::OtherPump(other) => Some(against_shut_m(&other.pump, (*speed)?)),
        _ => None,
    });
    others.fold(shut_off_head_m(&rig.network, top_speed_rad_s(rig)), f64::max)
}

/// Standing pressure of every element against its rating, network order: on the delivery side the suction level plus
/// the shut-off head at top speed, on the suction side the suction level, or the head of a tank on that side if higher.
/// Surges are the prediction's business, not this one's.
pub fn shut_off(rig: &Rig) -> Vec<ShutOff> {
    let network = &rig.network;
    let delivery = delivery_nodes(network);
    let highest = |on_delivery: bool| {
        let level = |(i, node): (usize, &crate::hydraulics::spec::NodeSpec)| match node.terminal {
            Terminal::Tank { level_m, overflow_m, .. } if delivery[i] == on_delivery => {
                Some(if overflow_m.is_finite() { overflow_m } else { level_m })
            }
            _ => None,
        };
        network.nodes.iter().enumerate().filter_map(level).fold(f64::NEG_INFINITY, f64::max)
    };
    let suction_m = if highest(false).is_finite() { highest(false) } else { 0.0 };
    let delivery_m = highest(true).max(suction_m + highest_shut_off_m(rig));
    let weight_n_m3 = network.liquid.density_kg_m3 * network.liquid.gravity_m_s2;
    let one = |(element, rating): (&crate::hydraulics::spec::ElementSpec, &crate::rig::model::Rating)| {
        let lowest_m = network.nodes[element.from].elevation_m.min(network.nodes[element.to].elevation_m);
        let on_delivery = delivery[element.to] || is_pump(&element.kind);
        let head_m = if on_delivery { delivery_m } else { suction_m };
        ShutOff {
            element: element.name.clone(),
            pressure_gauge_pa: (head_m - lowest_m) * weight_n_m3,
            rated_gauge_pa: rating.max_gauge_pa,
        }
    };
    network.elements.iter().zip(&rig.ratings).map(one).collect()
}

fn is_pump(kind: &ElementKind) -> bool {
    matches!(kind, ElementKind::Pump(_) | ElementKind::OtherPump(_))
}

/// Nodes that hang on a pump's delivery without going through a pump.
pub(super) fn delivery_nodes(network: &NetworkSpec) -> Vec<bool> {
    let mut reached = vec![false; network.nodes.len()];
    for pump in network.elements.iter().filter(|element| is_pump(&element.kind)) {
        reached[pump.to] = true;
    }
    // Each pass reaches at least one more node or ends.
    for _ in 0..network.nodes.len() {
        for element in network.elements.iter().filter(|element| !is_pump(&element.kind)) {
            let either = reached[element.from] || reached[element.to];
            reached[element.from] = either;
            reached[element.to] = either;
        }
    }
    reached
}
