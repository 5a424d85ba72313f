//! Where pump, line and motor meet at line voltage and frequency.

use super::FigureError;
use crate::hydraulics::pump::trouble::npsh_required_m;
use crate::hydraulics::roots::brent;
use crate::hydraulics::spec::{ElementKind, ElementSpec, NetworkSpec, Place, ShaftSpec};
use crate::hydraulics::steady::{self, SteadyState};
use crate::rig::model::{Quantity, Rig};
use crate::starters::{Motor, Supply};
use serde::Serialize;

/// A running point.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DutyPoint {
    /// Shaft speed, rad/s.
    pub speed_rad_s: f64,
    /// Flow through the pump, m3/s.
    pub flow_m3_s: f64,
    /// Head of the pump, m.
    pub head_m: f64,
    /// Power at the shaft, W.
    pub shaft_power_w: f64,
    /// Motor current, A rms.
    pub current_a: f64,
    /// NPSH available at the pump's inlet, m.
    pub npsh_available_m: f64,
    /// NPSH required at this flow and speed, m.
    pub npsh_required_m: f64,
    /// Pumps beside the commanded one.
    pub other_pumps: Vec<OtherPumpFigure>,
    /// Pressure channels at this point.
    pub channels: Vec<ChannelFigure>,
}

/// A pump beside the commanded one at the running point.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OtherPumpFigure {
    /// Element id.
    pub id: String,
    /// Speed its motor holds, rad/s; `None`: it stands.
    pub speed_rad_s: Option<f64>,
    /// Flow through it, m3/s; negative: backwards.
    pub flow_m3_s: f64,
}

/// Steady pressure of a channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelFigure {
    /// Channel id.
    pub id: String,
    /// At the running point, Pa gauge.
    pub running_gauge_pa: f64,
    /// At rest with the line full, Pa gauge.
    pub resting_gauge_pa: f64,
}

/// Accuracy of the speed at which torques meet, rad/s.
const SPEED_TOLERANCE_RAD_S: f64 = 1e-6;

/// The running point of a network on the motor at line voltage and frequency: motor torque = pump torque + friction; a
/// control valve is open then.
///
/// NPSH available = head at the pump's inlet node less its elevation, plus (atmosphere - vapour) over the liquid's weight.
/// Errors: no pump; no steady state; torques that do not meet between half and full synchronous speed.
pub fn duty_point(rig: &Rig, network: &NetworkSpec, shaft: &ShaftSpec) -> Result<DutyPoint, FigureError> {
    let motor = Motor::new(rig.motor).map_err(crate::starters::StarterError::from)?;
    let open = rig.running(network);
    let speed_rad_s = running_speed_rad_s(&motor, &open, shaft)?;
    let running = steady::solve(&open, speed_rad_s)?;
    let resting = steady::solve(network, 0.0)?;
    let (pump, pump_spec) = network
        .elements
        .iter()
        .enumerate()
        .find_map(|(i, element)| match &element.kind {
            ElementKind::Pump(spec) => Some((i, spec)),
            _ => None,
        })
        .ok_or(FigureError::NoPump)?;
    let inlet = network.elements[pump].from;
    let liquid = &network.liquid;
    let barometric_m = (liquid.atmosphere_pa - liquid.vapour_pa) / weight_n_m3(network);
    Ok(DutyPoint {
        speed_rad_s,
        flow_m3_s: running.flows_m3_s[pump],
        head_m: running.pump_head_m,
        shaft_power_w: (running.pump_torque_n_m + shaft.friction_n_m) * speed_rad_s,
        current_a: motor.current_a(&Supply::LINE, speed_rad_s / motor.spec().mounting.belt_ratio),
        npsh_available_m: running.heads_m[inlet] - network.nodes[inlet].elevation_m + barometric_m,
        npsh_required_m: npsh_required_m(
            pump_spec.npsh_required_m,
            speed_rad_s / pump_spec.rated_speed_rad_s,
            running.flows_m3_s[pump] / pump_spec.rated_flow_m3_s,
        ),
        other_pumps: other_pumps(network, &running),
        channels: channels(rig, network, &running, &resting),
    })
}

fn other_pumps(network: &NetworkSpec, running: &SteadyState) -> Vec<OtherPumpFigure> {
    let figure = |(element, flow_m3_s): (&ElementSpec, &f64)| match &element.kind {
        ElementKind::OtherPump(other) => {
            Some(OtherPumpFigure { id: element.name.clone(), speed_rad_s: other.running_rad_s, flow_m3_s: *flow_m3_s })
        }
        _ => None,
    };
    network.elements.iter().zip(&running.flows_m3_s).filter_map(figure).collect()
}

fn weight_n_m3(network: &NetworkSpec) -> f64 {
    network.liquid.density_kg_m3 * network.liquid.gravity_m_s2
}

fn running_speed_rad_s(motor: &Motor, network: &NetworkSpec, shaft: &ShaftSpec) -> Result<f64, FigureError> {
    // A belt between: everything here is at the pump's shaft.
    let mounting = &motor.spec().mounting;
    let synchronous_rad_s = mounting.belt_ratio * motor.synchronous_rad_s();
    let surplus = |speed_rad_s: f64| {
        let load_n_m = steady::solve(network, speed_rad_s).map_or(f64::NAN, |state| state.pump_torque_n_m);
        let motor_n_m = motor.torque_n_m(&Supply::LINE, speed_rad_s / mounting.belt_ratio).0;
        motor_n_m * mounting.belt_efficiency / mounting.belt_ratio - load_n_m - shaft.friction_n_m
    };
    // A bad network is better told by its own words than by a torque that is no number.
    steady::solve(network, synchronous_rad_s)?;
    let lowest = synchronous_rad_s * (1.0 - motor.breakdown_slip()).max(0.5);
    brent(surplus, lowest, synchronous_rad_s, SPEED_TOLERANCE_RAD_S)
        .map_err(|_| FigureError::NoBalance { synchronous_rad_s })
}

fn channels(rig: &Rig, network: &NetworkSpec, running: &SteadyState, resting: &SteadyState) -> Vec<ChannelFigure> {
    let pressures = rig.channels.iter().filter(|channel| channel.quantity == Quantity::GaugePressure);
    let figure = |channel: &crate::rig::model::Channel| {
        let place = channel.place?;
        let gauge = |state: &SteadyState| {
            weight_n_m3(network) * (head_m(network, state, place) - channel.diaphragm_elevation_m)
        };
        Some(ChannelFigure {
            id: channel.id.0.clone(),
            running_gauge_pa: gauge(running),
            resting_gauge_pa: gauge(resting),
        })
    };
    pressures.filter_map(figure).collect()
}

/// Head at a place; along a pipe it falls in proportion to length.
fn head_m(network: &NetworkSpec, state: &SteadyState, place: Place) -> f64 {
    match place {
        Place::Node(node) => state.heads_m[node],
        Place::Pipe { element, share } => {
            let ends = &network.elements[element];
            state.heads_m[ends.from] * (1.0 - share) + state.heads_m[ends.to] * share
        }
    }
}
