//! Any network: trees and loops of pipes long and tiny, valves, check valves, dead ends, outlets, tanks and pumps. Either it
//! is refused with a reason, or its steady state stays, and everything done to it gives numbers or an error that names
//! place and time.

use super::bench::{RATED_RAD_S, SHAFT, liquid, pump};
use proptest::prelude::*;
use proptest::sample::Index;
use ramprig::hydraulics::HydraulicsError;
use ramprig::hydraulics::plant::{Plant, ShaftDriver};
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{
    CheckValveSpec, ElementKind, ElementSpec, GridOptions, NetworkSpec, NodeSpec, OtherPumpSpec, PipeSpec, Place,
    Terminal, ValveSpec,
};
use ramprig::hydraulics::steady;

/// Bounds of what such a network can show, m and m3/s: far above any wave, far below a number that runs away.
const HEAD_LIMIT_M: f64 = 1.0e5;
const FLOW_LIMIT_M3_S: f64 = 100.0;
/// How far a steady state may drift in [`STILL_STEPS`] steps, m and m3/s.
const DRIFT_M: f64 = 1.0e-5;
const DRIFT_M3_S: f64 = 1.0e-7;
const STILL_STEPS: usize = 200;

/// Steps after each move.
const RUN_STEPS: usize = 200;

/// One element as drawn: kind, where it is hung, and its size.
type Drawn = (u8, Index, Index, f64, f64, f64);

#[derive(Debug, Clone)]
struct Picture {
    terminals: Vec<(u8, f64, f64)>,
    tree: Vec<Drawn>,
    chords: Vec<Drawn>,
}

fn drawn() -> impl Strategy<Value = Drawn> {
    let length_m = prop_oneof![4 => 5.0..200.0_f64, 1 => 0.05..5.0_f64];
    let opening = prop_oneof![2 => 0.0..=1.0_f64, 1 => Just(0.0), 2 => Just(1.0)];
    (0..10_u8, any::<Index>(), any::<Index>(), length_m, 0.02..0.2_f64, opening)
}

fn picture() -> impl Strategy<Value = Picture> {
    let terminal = (0..8_u8, -3.0..3.0_f64, 0.02..20.0_f64);
    (2..9_usize).prop_flat_map(move |nodes| {
        let tree = prop::collection::vec(drawn(), nodes - 1);
        let chords = prop::collection::vec(drawn(), 0..4);
        (prop::collection::vec(terminal.clone(), nodes), tree, chords).prop_map(|(terminals, tree, chords)| Picture {
            terminals,
            tree,
            chords,
        })
    })
}

fn kind((kind, _, _, length_m, bore_m, opening): &Drawn, commanded: &mut bool) -> ElementKind {
    match *kind {
        0..=4 => ElementKind::Pipe(PipeSpec {
            length_m: *length_m,
            bore_m: *bore_m,
            roughness_m: 1.0e-5,
            wave_speed_m_s: 300.0 + 9.0 * length_m.min(100.0),
            minor_loss_k: 0.5,
            fixed_darcy_f: (*opening == 1.0).then_some(0.02),
            creep: None,
            lay_flat: None,
        }),
        5 | 6 => ElementKind::Valve(ValveSpec { kv_open_m3_h: 400.0 * bore_m, curve: vec![], opening: *opening }),
        7 => ElementKind::CheckValve(CheckValveSpec { kv_m3_h: 800.0 * bore_m, cracking_head_m: 0.1 * opening }),
        _ if !*commanded => {
            *commanded = true;
            ElementKind::Pump(pump())
        }
        _ => ElementKind::OtherPump(Box::new(OtherPumpSpec {
            pump: pump(),
            shaft: SHAFT,
            running_rad_s: (*opening > 0.0).then_some(RATED_RAD_S),
            back_stop: *opening > 0.5,
        })),
    }
}

fn laid(picture: &Picture) -> NetworkSpec {
    let nodes = picture.terminals.iter().enumerate().map(|(i, (kind, elevation_m, size))| {
        let (level_m, area_m2) = (elevation_m + 0.3 * size, if *size > 10.0 { f64::INFINITY } else { *size });
        let terminal = match kind {
            0 | 1 => Terminal::Tank { level_m, area_m2, overflow_m: level_m + 1.0 },
            2 => Terminal::FreeOutlet,
            _ if i == 0 => Terminal::Tank { level_m, area_m2: f64::INFINITY, overflow_m: f64::INFINITY },
            _ => Terminal::None,
        };
        NodeSpec { name: format!("node {i}"), elevation_m: *elevation_m, terminal }
    });
    let nodes: Vec<NodeSpec> = nodes.collect();
    let mut commanded = false;
    let mut elements = Vec::new();
    let mut add = |from: usize, to: usize, drawn: &Drawn| {
        let name = format!("element {}", elements.len());
        elements.push(ElementSpec { name, from, to, kind: kind(drawn, &mut commanded) });
    };
    for (i, drawn) in picture.tree.iter().enumerate() {
        let (old, new) = (drawn.1.index(i + 1), i + 1);
        let (from, to) = if drawn.2.index(4) == 0 { (new, old) } else { (old, new) };
        add(from, to, drawn);
    }
    for drawn in &picture.chords {
        let from = drawn.1.index(nodes.len());
        let to = (from + 1 + drawn.2.index(nodes.len() - 1)) % nodes.len();
        add(from, to, drawn);
    }
    NetworkSpec { liquid: liquid(), nodes, elements }
}

/// Heads and flows of everything; a failure where one is no number or beyond what can be.
fn looked<D: ShaftDriver>(plant: &Plant<D>) -> Result<(Vec<f64>, Vec<f64>), TestCaseError> {
    let spec = plant.network();
    let heads: Vec<f64> = (0..spec.nodes.len()).map(|node| plant.head_m(Place::Node(node))).collect();
    let flow = |element: usize| [0.0, 1.0].map(|share| plant.flow_m3_s(Place::Pipe { element, share }));
    let flows: Vec<f64> = (0..spec.elements.len()).flat_map(flow).collect();
    for head_m in &heads {
        prop_assert!(head_m.abs() < HEAD_LIMIT_M, "head {head_m} m of {heads:?}");
    }
    for flow_m3_s in &flows {
        prop_assert!(flow_m3_s.abs() < FLOW_LIMIT_M3_S, "flow {flow_m3_s} m3/s of {flows:?}");
    }
    Ok((heads, flows))
}

/// An error with a reason and a number; in a run only that water cannot be followed further.
fn is_clear(error: &HydraulicsError, in_run: bool) -> Result<(), TestCaseError> {
    let unsolved = matches!(error, HydraulicsError::NotConverged { .. } | HydraulicsError::NotFinite { .. });
    prop_assert!(!unsolved, "{error}");
    prop_assert!(!in_run || matches!(error, HydraulicsError::TankDry { .. }), "{error}");
    Ok(())
}

/// A drive that gives just the torque of a steady state, and stiffly more or less off its speed.
#[derive(Debug, Clone, Copy)]
struct Held {
    speed_rad_s: f64,
    torque_n_m: f64,
}

/// Slope of its torque, N m s: as stiff as a supply behind a motor of this size, and more.
const STIFF_N_M_S: f64 = 1.0e3;

impl ShaftDriver for Held {
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        (self.torque_n_m + STIFF_N_M_S * (self.speed_rad_s - speed_rad_s), -STIFF_N_M_S)
    }

    fn advance(&mut self, _dt_s: f64, _speed_rad_s: f64) {}

    fn current_a(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn power_w(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }
}

/// Tanks that move take their levels along: a state is steady only where all stand still.
fn keeps_levels(spec: &NetworkSpec) -> NetworkSpec {
    let mut still = spec.clone();
    for node in &mut still.nodes {
        if let Terminal::Tank { area_m2, .. } = &mut node.terminal {
            *area_m2 = f64::INFINITY;
        }
    }
    still
}

fn stays_steady(spec: &NetworkSpec, speed_rad_s: f64, grid: &GridOptions) -> Result<(), TestCaseError> {
    let still = keeps_levels(spec);
    let state = match steady::solve(&still, speed_rad_s) {
        Ok(state) => state,
        Err(error) => return is_clear(&error, false),
    };
    let friction_n_m = if speed_rad_s > 0.0 { SHAFT.friction_n_m } else { 0.0 };
    let held = Held { speed_rad_s, torque_n_m: state.pump_torque_n_m + friction_n_m };
    let mut plant = match Plant::started_at(&still, &SHAFT, held, grid, speed_rad_s) {
        Ok(plant) => plant,
        Err(error) => return is_clear(&error, false),
    };
    let (heads, flows) = looked(&plant)?;
    for _ in 0..STILL_STEPS {
        if let Err(error) = plant.advance() {
            return is_clear(&error, true);
        }
    }
    let (end_heads, end_flows) = looked(&plant)?;
    for (i, (old, new)) in heads.iter().zip(&end_heads).enumerate() {
        prop_assert!((old - new).abs() < DRIFT_M, "head at node {i} from {old} to {new} m");
    }
    for (i, (old, new)) in flows.iter().zip(&end_flows).enumerate() {
        prop_assert!((old - new).abs() < DRIFT_M3_S, "flow in element {} from {old} to {new} m3/s", i / 2);
    }
    Ok(())
}

/// Valves moved, the supply cut: numbers, or the error of a dry tank.
fn survives(
    spec: &NetworkSpec,
    speed_rad_s: f64,
    grid: &GridOptions,
    moves: &[(u8, Index, f64)],
) -> Result<(), TestCaseError> {
    let Ok(mut plant) = Plant::started_at(spec, &SHAFT, NoDrive, grid, speed_rad_s) else { return Ok(()) };
    let is_valve = |i: &usize| matches!(spec.elements[*i].kind, ElementKind::Valve(_));
    let valves: Vec<usize> = (0..spec.elements.len()).filter(is_valve).collect();
    for (act, which, opening) in moves {
        match (act, valves.len()) {
            (0, _) => plant.cut_other_pumps(),
            (_, 0) => {}
            (_, count) => plant.set_opening(valves[which.index(count)], *opening).unwrap(),
        }
        for _ in 0..RUN_STEPS {
            if let Err(error) = plant.advance() {
                return is_clear(&error, true);
            }
            looked(&plant)?;
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(super::bench::cases(48))]

    #[test]
    fn law_any_network_is_refused_with_a_reason_or_gives_numbers_and_stays_when_nothing_moves(
        picture in picture(), share in prop_oneof![Just(0.0), Just(1.0), 0.1..1.2_f64], half_grid: bool,
        moves in prop::collection::vec((0..4_u8, any::<Index>(), prop_oneof![Just(0.0), Just(1.0), 0.0..1.0_f64]), 1..5),
    ) {
        let spec = laid(&picture);
        let speed_rad_s = share * RATED_RAD_S;
        // coarse enough that the smallest pipes are the finest steps
        let grid = GridOptions { dt_max_s: 2.0e-3, half_grid, wave_speed_adjustment_max: 0.3, ..GridOptions::default() };
        if let Err(error) = steady::solve(&spec, speed_rad_s) {
            is_clear(&error, false)?;
            return Ok(());
        }
        stays_steady(&spec, speed_rad_s, &grid)?;
        survives(&spec, speed_rad_s, &grid, &moves)?;
    }
}
