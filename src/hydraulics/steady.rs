//! Steady states: heads at nodes and flows through elements at a given shaft speed.

use super::check_valve::CheckValve;
use super::error::HydraulicsError;
use super::moc::boundary::{Boundary, DiscValve, Orifice, OtherPump, PipeLoss, ReliefValve};
use super::network::{Network, joined, stands_with};
use super::nodal::{Hold, Link, Nodal, Node, Unsolved};
use super::pipe::Resistance;
use super::plant::ShaftDriver;
use super::pump::{Pump, Suction};
use super::shaft::NoDrive;
use super::spec::{ElementKind, ElementSpec, LiquidSpec, NetworkSpec, NodeSpec, PipeSpec, Terminal};
use super::valve::Valve;

/// Flow below which a state at standstill counts as rest, m3/s.
pub(crate) const REST_FLOW_M3_S: f64 = 1.0e-7;
/// First guess of the flow, share of the pump's rated flow at that speed.
const GUESS_SHARE: f64 = 0.7;
/// Shares of the guess from which a state is looked for where the guess itself leads nowhere.
const OTHER_GUESSES: [f64; 6] = [0.3, 1.7, 0.05, -0.3, 0.01, -1.5];
/// Residual from which a pump's flow is closed in on where no guess leads further, m of head: at a kink of its curve.
const STALLED_M: f64 = 1.0e-3;
/// Flow guessed where there is no pump, m3/s.
const GUESS_M3_S: f64 = 1.0e-2;
/// Leak that gives a cut-off part one head, m2/s: below 1e-12 m3/s at 100 m, far under what counts as flow.
const LEAK_M2_S: f64 = 1.0e-14;

/// Head below its elevation at which an air valve draws air for good, m.
const AIR_DRAWN_M: f64 = 1.0e-6;

/// A steady state.
#[derive(Debug, Clone, PartialEq)]
pub struct SteadyState {
    /// Piezometric head at every node, m above datum.
    pub heads_m: Vec<f64>,
    /// Flow through every element, m3/s, positive from `from` to `to`.
    pub flows_m3_s: Vec<f64>,
    /// Shaft speed, rad/s.
    pub speed_rad_s: f64,
    /// Head of the pump, m; 0 without a pump.
    pub pump_head_m: f64,
    /// Torque that the pump takes from the shaft, N m; 0 without a pump.
    pub pump_torque_n_m: f64,
    /// Whether each element lets water through: false for a shut valve or check valve.
    pub open: Vec<bool>,
}

/// The steady state of a network at a shaft speed.
///
/// Equation: at every node without terminal the flows add to zero; through every element
/// `H_from + gain(Q, w) = H_to`; check valves and free outlets pass one way only. Damped Newton on all heads and flows
/// together, states of one-way elements found by re-solving.
///
/// Range: any tree or loop. At zero speed with a check valve against a higher downstream head the valve is shut and each
/// side stands at its own level. A part cut off by shut valves stands no lower than its highest point and no lower
/// than what would open a check valve into it.
/// Arguments: `speed_rad_s` shaft speed, positive pumps.
/// Returns: heads in m above datum, flows in m3/s.
/// Accuracy: residuals 1e-13 relative, 1e-9 where rounding or a kink of a pump's curve allows no less; losses as `dw-*` to 1e-5.
///
/// # Errors
/// Whatever [`Network::new`] refuses; a state that needs water below its vapour pressure; no convergence.
pub fn solve(spec: &NetworkSpec, speed_rad_s: f64) -> Result<SteadyState, HydraulicsError> {
    solve_checked(&Network::new(spec)?, speed_rad_s)
}

/// As [`solve`], of a network that has been checked.
pub(crate) fn solve_checked(network: &Network, speed_rad_s: f64) -> Result<SteadyState, HydraulicsError> {
    let state = solve_network(network, speed_rad_s)?;
    check_vapour(network.spec(), &state)?;
    Ok(state)
}

/// From the usual guess of the flows; where that finds no end, from others.
fn solve_network(network: &Network, speed_rad_s: f64) -> Result<SteadyState, HydraulicsError> {
    let first = solve_from(network, speed_rad_s, (1.0, 0.0));
    if !matches!(first, Err(HydraulicsError::NotConverged { .. })) {
        return first;
    }
    let others = OTHER_GUESSES.iter().map(|share| (*share, 0.0)).chain([(1.0, STALLED_M)]);
    others.into_iter().find_map(|from| solve_from(network, speed_rad_s, from).ok()).map_or(first, Ok)
}

fn solve_from(
    network: &Network,
    speed_rad_s: f64,
    (share, stalled_m): (f64, f64),
) -> Result<SteadyState, HydraulicsError> {
    let mut nodal = build(network, speed_rad_s, share)?;
    if stalled_m > 0.0 {
        nodal.be_patient();
    }
    find(&mut nodal, stalled_m)?;
    stop_leaks(&mut nodal);
    find(&mut nodal, stalled_m)?;
    settle_rest(&mut nodal);
    Ok(read(network, &nodal))
}

fn find(nodal: &mut Nodal, stalled_m: f64) -> Result<(), HydraulicsError> {
    let drive = |speed_rad_s: f64| NoDrive.torque_n_m(speed_rad_s);
    let ends =
        |nodal: &mut Nodal, unsolved: Unsolved| unsolved.residual_m < stalled_m && nodal.close_in_on_a_pump(&drive);
    let solved = nodal.solve(&drive);
    solved.or_else(|unsolved| if ends(nodal, unsolved) { Ok(()) } else { Err(unsolved) }).map_err(|unsolved| {
        HydraulicsError::NotConverged {
            place: "steady state".to_owned(),
            time_s: 0.0,
            iterations: unsolved.iterations,
            residual_m: unsolved.residual_m,
        }
    })
}

fn build(network: &Network, speed_rad_s: f64, share: f64) -> Result<Nodal, HydraulicsError> {
    let spec = network.spec();
    let nodes = spec.nodes.iter().map(|node| match node.terminal {
        Terminal::None | Terminal::Gas(_) | Terminal::AirValve(_) => Node::new(Hold::Free, node.elevation_m),
        Terminal::Tank { level_m, .. } => Node::new(Hold::Fixed, level_m),
        Terminal::FreeOutlet => Node::new(Hold::Outlet { level_m: node.elevation_m, open: true }, node.elevation_m),
    });
    let turns = speed_rad_s > 0.0 || spec.elements.iter().any(|element| element.kind.runs_by_itself());
    let guess_m3_s = share * guess_m3_s(network, speed_rad_s);
    let links = spec.elements.iter().enumerate().map(|(index, element)| {
        let boundary = match &element.kind {
            ElementKind::Pipe(pipe) => Boundary::PipeLoss(PipeLoss(resistance_of(network, index, pipe))),
            _ => boundary_of(spec, element, turns)?,
        };
        let flow_m3_s = if boundary.gain(guess_m3_s, speed_rad_s).shut { 0.0 } else { guess_m3_s };
        Ok(Link::new(element.from, element.to, flow_m3_s, boundary))
    });
    let mut nodal = Nodal::new(nodes.collect(), links.collect::<Result<_, HydraulicsError>>()?);
    nodal.speed_rad_s = speed_rad_s;
    add_leaks(spec, &mut nodal);
    Ok(nodal)
}

/// Flow guessed everywhere: that of the pumps that turn; without a pump, some.
fn guess_m3_s(network: &Network, speed_rad_s: f64) -> f64 {
    let pumped = |kind: &ElementKind| match kind {
        ElementKind::Pump(pump) => Some((pump.rated_flow_m3_s, speed_rad_s / pump.rated_speed_rad_s)),
        ElementKind::OtherPump(other) => {
            let ratio = other.running_rad_s.unwrap_or(0.0) / other.pump.rated_speed_rad_s;
            Some((other.pump.rated_flow_m3_s, ratio))
        }
        _ => None,
    };
    let flows = network.spec().elements.iter().filter_map(|element| pumped(&element.kind));
    let largest = flows.map(|(flow_m3_s, ratio)| GUESS_SHARE * flow_m3_s * ratio.abs()).reduce(f64::max);
    largest.unwrap_or(GUESS_M3_S)
}

/// The law of one element; a pipe becomes a loss without length.
pub(crate) fn boundary_of(
    spec: &NetworkSpec,
    element: &ElementSpec,
    check_valves_open: bool,
) -> Result<Boundary, HydraulicsError> {
    let liquid = &spec.liquid;
    Ok(match &element.kind {
        ElementKind::Blank { .. } => Boundary::Blank,
        ElementKind::Pipe(pipe) => Boundary::PipeLoss(PipeLoss(Resistance::new(&with_lasting_kink(pipe), liquid))),
        ElementKind::Valve(valve) => Boundary::Valve(Valve::new(&element.name, valve, liquid.gravity_m_s2)?),
        ElementKind::CheckValve(valve) => {
            let valve = CheckValve::new(&element.name, valve, liquid.gravity_m_s2)?;
            Boundary::CheckValve(CheckValve { open: check_valves_open, ..valve })
        }
        ElementKind::Orifice(orifice) => Boundary::Orifice(Orifice::new(&element.name, orifice, liquid.gravity_m_s2)?),
        ElementKind::DiscCheckValve(valve) => {
            let mut valve = DiscValve::new(&element.name, valve, liquid)?;
            valve.set_floating(check_valves_open);
            Boundary::DiscValve(valve)
        }
        ElementKind::ReliefValve(valve) => Boundary::ReliefValve(ReliefValve::new(&element.name, valve, liquid)?),
        ElementKind::OtherPump(pump) => Boundary::OtherPump(Box::new(OtherPump::new(&element.name, pump, liquid)?)),
        ElementKind::Pump(described) => {
            let mut pump = Pump::new(&element.name, described, liquid.density_kg_m3, liquid.gravity_m_s2)?;
            pump.suction = Some(Suction::new(described, liquid, spec.nodes[element.from].elevation_m));
            Boundary::Pump(Box::new(pump))
        }
    })
}

/// A pipe's resistance; where it is kinked for good, its own.
fn resistance_of(network: &Network, index: usize, pipe: &PipeSpec) -> Resistance {
    match pipe.lay_flat {
        Some(flat) if flat.kink.is_some() => Resistance::new(&with_lasting_kink(pipe), &network.spec().liquid),
        _ => network.resistance(index, pipe),
    }
}

/// A kink that no pressure opens counts as one more minor loss; one that gives way is taken as open.
fn with_lasting_kink(pipe: &PipeSpec) -> PipeSpec {
    let lasting = pipe.lay_flat.and_then(|flat| flat.kink).filter(|kink| kink.opens_pa.is_infinite());
    PipeSpec { minor_loss_k: pipe.minor_loss_k + lasting.map_or(0.0, |kink| kink.loss_k), ..*pipe }
}

/// Let every node leak a trace towards the highest point of the part that shut and one-way elements may cut off, so that
/// a part without tank or outlet has one head to stand at; or towards the head of a vessel's gas at the pressure it was
/// charged to, where that is in the part and higher: cut off, it keeps its charge.
fn add_leaks(spec: &NetworkSpec, nodal: &mut Nodal) {
    let always = |link: &&Link| match &link.boundary {
        Boundary::CheckValve(_) | Boundary::DiscValve(_) | Boundary::ReliefValve(_) => false,
        boundary => !boundary.gain(link.flow_m3_s, nodal.speed_rad_s).shut,
    };
    let part = joined(nodal.nodes.len(), nodal.links.iter().filter(always).map(|link| (link.from, link.to)));
    for this in 0..part.len() {
        let members = || spec.nodes.iter().zip(&part).filter(|(_, other)| **other == part[this]).map(|(node, _)| node);
        let charge_counts = !members().any(|node| node.terminal.fixes_head());
        let stands_m = |node: &NodeSpec| match charged_m(node, &spec.liquid).filter(|_| charge_counts) {
            Some(charged_m) => charged_m.max(node.elevation_m),
            None => node.elevation_m,
        };
        let top_m = members().map(stands_m).fold(f64::NEG_INFINITY, f64::max);
        nodal.nodes[this].conductance_m2_s = LEAK_M2_S;
        nodal.nodes[this].reference_m = top_m;
    }
}

/// Head of a node whose gas stands at the pressure that it was charged to, m.
fn charged_m(node: &NodeSpec, liquid: &LiquidSpec) -> Option<f64> {
    let Terminal::Gas(gas) = &node.terminal else { return None };
    let weight_n_m3 = liquid.density_kg_m3 * liquid.gravity_m_s2;
    gas.charged_abs_pa.map(|charged_pa| node.elevation_m + (charged_pa - liquid.atmosphere_pa) / weight_n_m3)
}

/// With shut elements known, only parts that they cut off need to leak.
fn stop_leaks(nodal: &mut Nodal) {
    let open = |link: &&Link| !link.boundary.gain(link.flow_m3_s, nodal.speed_rad_s).shut;
    let part = joined(nodal.nodes.len(), nodal.links.iter().filter(open).map(|link| (link.from, link.to)));
    let held = |node: &Node| matches!(node.hold, Hold::Fixed | Hold::Outlet { open: true, .. });
    let reached: Vec<usize> = nodal.nodes.iter().zip(&part).filter(|(node, _)| held(node)).map(|(_, p)| *p).collect();
    for (node, part) in nodal.nodes.iter_mut().zip(&part) {
        if reached.contains(part) {
            node.conductance_m2_s = 0.0;
        }
    }
}

/// At standstill, flows that are only what an iteration leaves behind are none.
fn settle_rest(nodal: &mut Nodal) {
    let rest = nodal.links.iter().all(|link| link.flow_m3_s.abs() < REST_FLOW_M3_S);
    if nodal.speed_rad_s == 0.0 && rest {
        nodal.links.iter_mut().for_each(|link| link.flow_m3_s = 0.0);
    }
}

fn read(network: &Network, nodal: &Nodal) -> SteadyState {
    let gain = |link: &Link| link.boundary.gain_from(link.flow_m3_s, nodal.speed_rad_s, nodal.nodes[link.from].head_m);
    let gains: Vec<_> = nodal.links.iter().map(gain).collect();
    SteadyState {
        heads_m: stands_with(network.spec()).into_iter().map(|node| nodal.nodes[node].head_m).collect(),
        flows_m3_s: nodal.links.iter().map(|link| link.flow_m3_s).collect(),
        speed_rad_s: nodal.speed_rad_s,
        pump_head_m: network.pump().map_or(0.0, |pump| gains[pump].head_m),
        pump_torque_n_m: network.pump().map_or(0.0, |pump| gains[pump].torque_n_m),
        open: gains.iter().map(|gain| !gain.shut).collect(),
    }
}

fn check_vapour(spec: &NetworkSpec, state: &SteadyState) -> Result<(), HydraulicsError> {
    let liquid = &spec.liquid;
    let weight_n_m3 = liquid.density_kg_m3 * liquid.gravity_m_s2;
    for (node, head_m) in spec.nodes.iter().zip(&state.heads_m) {
        if matches!(node.terminal, Terminal::AirValve(_)) && *head_m < node.elevation_m - AIR_DRAWN_M {
            let gauge_pa = weight_n_m3 * (head_m - node.elevation_m);
            return Err(HydraulicsError::DrawsAir { node: node.name.clone(), gauge_pa });
        }
        let absolute_pa = liquid.atmosphere_pa + weight_n_m3 * (head_m - node.elevation_m);
        if absolute_pa < liquid.vapour_pa {
            return Err(HydraulicsError::BelowVapour {
                node: node.name.clone(),
                absolute_pa,
                vapour_pa: liquid.vapour_pa,
                head_m: *head_m,
                elevation_m: node.elevation_m,
            });
        }
    }
    Ok(())
}
