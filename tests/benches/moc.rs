//! One long pipe by characteristics against C: half grid both, no skew in time. Ours goes through the public network
//! description, checks every point of every whole level for boiling and numbers that are none, and takes friction by the
//! second-order rule; the C peer does neither. `abs` lines are nanoseconds per update of a cell of the regular grid.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a bench"
)]

#[path = "peers/mod.rs"]
mod peers;

use peers::{Peer, Stopwatch, built, compared, judge, say_instructions};
use ramprig::hydraulics::lanes::{Probe, Scenario, Sweep, Trace};
use ramprig::hydraulics::plant::Plant;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{
    ElementKind, ElementSpec, GridOptions, LiquidSpec, NetworkSpec, NodeSpec, PipeSpec, Place, ShaftSpec, Terminal,
};
use std::f64::consts::FRAC_PI_4;
use std::sync::Arc;

const PAIRS: usize = 9;
const DT_S: f64 = 1.0e-3;
const WAVE_M_S: f64 = 1000.0;
const BORE_M: f64 = 0.5;
const DARCY_F: f64 = 0.02;
const AREA_M2: f64 = 20.0;
const LEVELS_M: [f64; 2] = [60.0, 50.0];
const GRAVITY_M_S2: f64 = 9.806_65;
/// What C on the half grid without skew in time is known to do, ns a cell of the regular grid.
const KNOWN_NS: [f64; 2] = [0.050, 0.134];
/// Both must solve one problem: difference of the second tank's level at the end, m. The peer's friction is of first order.
const LEVEL_TOLERANCE_M: f64 = 1.0e-2;

fn scenario(cells: usize) -> Scenario {
    let tank = |level_m| Terminal::Tank { level_m, area_m2: AREA_M2, overflow_m: f64::INFINITY };
    let node = |i: usize| NodeSpec { name: format!("tank {i}"), elevation_m: 0.0, terminal: tank(LEVELS_M[i]) };
    let pipe = PipeSpec {
        length_m: cells as f64 * WAVE_M_S * DT_S,
        bore_m: BORE_M,
        roughness_m: 0.0,
        wave_speed_m_s: WAVE_M_S,
        minor_loss_k: 0.0,
        fixed_darcy_f: Some(DARCY_F),
        creep: None,
        lay_flat: None,
    };
    let liquid = LiquidSpec {
        density_kg_m3: 1000.0,
        viscosity_m2_s: 1.0e-6,
        bulk_modulus_pa: 2.2e9,
        vapour_pa: 2000.0,
        atmosphere_pa: 1.0e5,
        gravity_m_s2: GRAVITY_M_S2,
    };
    Scenario {
        network: NetworkSpec {
            liquid,
            nodes: (0..2).map(node).collect(),
            elements: vec![ElementSpec { name: "main".into(), from: 0, to: 1, kind: ElementKind::Pipe(pipe) }],
        },
        shaft: ShaftSpec { inertia_kg_m2: 1.0, friction_n_m: 0.0 },
        driver: Arc::new(|| Box::new(NoDrive)),
        grid: GridOptions { dt_max_s: DT_S, wave_speed_adjustment_max: 1.0e-6, ..GridOptions::default() },
        speed_rad_s: Some(0.0),
        openings: vec![],
    }
}

fn peer(cells: usize, scenario: &Scenario) -> Peer {
    let plant = Plant::started_at(&scenario.network, &scenario.shaft, NoDrive, &scenario.grid, 0.0).unwrap();
    assert_eq!(plant.cells(), cells);
    let flow_m3_s = plant.flow_m3_s(Place::Node(0));
    let area_m2 = FRAC_PI_4 * BORE_M * BORE_M;
    let impedance = WAVE_M_S / (GRAVITY_M_S2 * area_m2);
    let resistance = DARCY_F * WAVE_M_S * DT_S / (2.0 * GRAVITY_M_S2 * BORE_M * area_m2 * area_m2);
    let numbers = [impedance, resistance, DT_S, AREA_M2, LEVELS_M[0], LEVELS_M[1], flow_m3_s];
    let arguments: Vec<String> =
        std::iter::once(cells.to_string()).chain(numbers.iter().map(|n| format!("{n:.17e}"))).collect();
    Peer::start(&built("moc_peer"), &arguments)
}

fn measure(cells: usize, steps: usize, known_ns: f64) {
    let scenarios = [scenario(cells)];
    let mut theirs = peer(cells, &scenarios[0]);
    let until_s = steps as f64 * DT_S;
    let mut pairs = Vec::new();
    for pair in 0..=PAIRS {
        let (mut level_m, watch) = (f64::NAN, Stopwatch::start());
        let sweep = Sweep::new(&scenarios, &[Probe::Level { node: 1 }]).unwrap();
        let report = sweep.run((until_s, until_s), 1, &mut |_: usize, trace: Trace| {
            assert!(trace.failed.is_none(), "{:?}", trace.failed);
            level_m = *trace.values.last().unwrap();
        });
        let ours_ns = watch.ns();
        assert_eq!(report.alone, 0);
        let answer = theirs.ask(&steps.to_string());
        if pair == 0 {
            let off_m = (level_m - answer[1]).abs();
            println!("check moc_{cells} level {level_m:.6} m, peer {:.6} m, difference {off_m:.1e} m", answer[1]);
            assert!(off_m < LEVEL_TOLERANCE_M && (level_m - LEVELS_M[1]).abs() > 0.01, "not one problem");
            continue;
        }
        let updates = (cells * steps) as f64;
        pairs.push((ours_ns / updates, answer[0] / updates));
    }
    let (ratio, ours, theirs) = compared(&pairs);
    println!("ratio moc_{cells}_vs_c {ratio:.3}");
    println!("abs moc_{cells}_vs_c {ours:.4} {theirs:.4} ns");
    judge(&format!("moc_{cells}_vs_c"), theirs, known_ns, "ns");
}

fn main() {
    say_instructions();
    measure(1000, 400_000, KNOWN_NS[0]);
    measure(100_000, 10_000, KNOWN_NS[1]);
}
