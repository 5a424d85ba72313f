//! Pipes too short for the grid: against grids that resolve them, order of convergence, volume.

use super::bench::{RATED_RAD_S, SHAFT, Straight, assert_near, liquid, pump, whole_liquid};
use super::fittings::tank;
use proptest::prelude::*;
use ramprig::hydraulics::lanes::{Probe, Scenario, Sweep, Trace};
use ramprig::hydraulics::plant::{Plant, ShaftDriver, short_pipes};
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{
    CheckValveSpec, CreepSpec, ElementKind, ElementSpec, GridOptions, NetworkSpec, NodeSpec, PipeSpec, Place, Terminal,
    ValveSpec,
};
use std::f64::consts::TAU;
use std::sync::Arc;

const WAVE_M_S: f64 = 1200.0;
/// The connector of most tests: 0.25 ms.
const CONNECTOR_M: f64 = 0.3;

fn pipe(length_m: f64, fixed_darcy_f: Option<f64>) -> PipeSpec {
    PipeSpec {
        length_m,
        bore_m: 0.2,
        roughness_m: 1.0e-4,
        wave_speed_m_s: WAVE_M_S,
        minor_loss_k: 0.0,
        fixed_darcy_f,
        creep: None,
        lay_flat: None,
    }
}

fn network(nodes: Vec<(f64, Terminal)>, elements: Vec<ElementKind>) -> NetworkSpec {
    let node = |(i, (elevation_m, terminal))| NodeSpec { name: format!("node {i}"), elevation_m, terminal };
    let element = |(i, kind)| ElementSpec { name: format!("element {i}"), from: i, to: i + 1, kind };
    NetworkSpec {
        liquid: whole_liquid(),
        nodes: nodes.into_iter().enumerate().map(node).collect(),
        elements: elements.into_iter().enumerate().map(element).collect(),
    }
}

/// Tank, main of half a second, connector, main of a tenth of a second, valve, outlet.
fn connected(connector: PipeSpec) -> NetworkSpec {
    let valve = ValveSpec { kv_open_m3_h: 200.0, curve: vec![], opening: 0.5 };
    let none = (0.0, Terminal::None);
    network(
        vec![(0.0, tank(60.0)), none, none, none, (0.0, Terminal::FreeOutlet)],
        vec![
            ElementKind::Pipe(pipe(600.0, Some(0.0))),
            ElementKind::Pipe(connector),
            ElementKind::Pipe(pipe(120.0, Some(0.0))),
            ElementKind::Valve(valve),
        ],
    )
}

fn grid(dt_max_s: f64, lump_short_pipes: bool) -> GridOptions {
    GridOptions { dt_max_s, wave_speed_adjustment_max: 1.0e-6, lump_short_pipes, ..GridOptions::default() }
}

/// The valve at the end swings; real and imaginary part of the head beyond the connector over one period.
fn swing_m(options: &GridOptions, period_s: f64) -> (f64, f64) {
    let mut plant = Plant::started_at(&connected(pipe(CONNECTOR_M, Some(0.0))), &SHAFT, NoDrive, options, 0.0).unwrap();
    // The first wave comes by after 0.1 s and is back from the tank after 1.1 s.
    let from_s = 0.5;
    let (mut real, mut imaginary) = (0.0, 0.0);
    while plant.time_s() < from_s + period_s - 0.5 * plant.dt_s() {
        let next_s = plant.time_s() + plant.dt_s();
        plant.set_opening(3, 0.5 + 0.005 * (TAU * next_s / period_s).sin()).unwrap();
        plant.advance().unwrap();
        if plant.time_s() > from_s + 0.5 * plant.dt_s() {
            let (angle, head_m) = (TAU * plant.time_s() / period_s, plant.head_m(Place::Node(1)));
            real += head_m * angle.cos() * plant.dt_s();
            imaginary += head_m * angle.sin() * plant.dt_s();
        }
    }
    (real, imaginary)
}

/// What is told of a wave of twenty steps is what it suffers.
#[test]
fn agrees_with_a_grid_that_resolves_the_short_pipe() {
    const SHARE_TOLERANCE: f64 = 1.0e-5;
    const TIME_TOLERANCE_S: f64 = 0.1e-6;
    for dt_s in [1.0e-3, 2.0e-3] {
        let spec = connected(pipe(CONNECTOR_M, Some(0.0)));
        let notes = short_pipes(&spec, &grid(dt_s, true)).unwrap();
        assert_eq!(notes.iter().map(|note| &note.pipe[..]).collect::<Vec<_>>(), ["element 1"]);
        let told = notes[0].told;
        let (lumped, resolved) =
            (swing_m(&grid(dt_s, true), told.period_s), swing_m(&grid(0.125e-3, false), told.period_s));
        let size = |(real, imaginary): (f64, f64)| real.hypot(imaginary);
        let late = |a: (f64, f64), b: (f64, f64)| (a.1 * b.0 - a.0 * b.1).atan2(a.0 * b.0 + a.1 * b.1);
        let late_s = late(lumped, resolved) / TAU * told.period_s;
        let lost_share = 1.0 - size(lumped) / size(resolved);
        println!("dt {dt_s} s: late {late_s:e} s, lost {lost_share:e}; told {told:?}");
        // What is thrown back comes by once more from the valve, in any phase.
        let again = told.thrown_back_share;
        let again_s = again * told.period_s / TAU;
        assert_near("later than resolved", told.late_s, late_s, again_s + TIME_TOLERANCE_S, "s");
        assert_near("lost of its height", told.lost_share, lost_share, again + SHARE_TOLERANCE, "");
        assert!(told.late_s > 5.0e-6 && told.late_s < 0.2 * told.travel_s, "{told:?}");
    }
}

/// A smooth closure through a connector with friction: heads on three grids, none of which resolves it, against one that does.
#[test]
fn law_short_pipes_converge_with_second_order() {
    const ORDER_LEAST: f64 = 1.8;
    /// Of the rise, on the coarsest grid.
    const COARSE_SHARE: f64 = 2.0e-3;
    let head_m = |options: &GridOptions| {
        let connector = PipeSpec { minor_loss_k: 5.0, ..pipe(CONNECTOR_M, Some(0.02)) };
        let mut plant = Plant::started_at(&connected(connector), &SHAFT, NoDrive, options, 0.0).unwrap();
        let (start_m, end_s) = (plant.head_m(Place::Node(1)), 0.08);
        while plant.time_s() < 0.14 - 0.5 * plant.dt_s() {
            let t = ((plant.time_s() + plant.dt_s()) / end_s).min(1.0);
            plant.set_opening(3, 0.5 - 0.45 * t * t * (3.0 - 2.0 * t)).unwrap();
            plant.advance().unwrap();
        }
        plant.head_m(Place::Node(1)) - start_m
    };
    let resolved_m = head_m(&grid(0.03125e-3, false));
    let errors_m = [4.0e-3, 2.0e-3, 1.0e-3].map(|dt_s| (head_m(&grid(dt_s, true)) - resolved_m).abs());
    let orders = [(errors_m[0] / errors_m[1]).log2(), (errors_m[1] / errors_m[2]).log2()];
    println!("rise {resolved_m} m, errors {errors_m:?} m, orders {orders:?}");
    assert!(errors_m[0] < COARSE_SHARE * resolved_m, "errors {errors_m:?} m of {resolved_m} m");
    assert!(orders.iter().all(|order| *order > ORDER_LEAST), "orders {orders:?} of errors {errors_m:?} m");
}

/// A pump with a short pipe on either side of it and behind its check valve, 2 km of main.
fn station(short: [PipeSpec; 3], area_m2: f64) -> NetworkSpec {
    let check = CheckValveSpec { kv_m3_h: 200.0, cracking_head_m: 0.2 };
    let level = |level_m| Terminal::Tank { level_m, area_m2, overflow_m: f64::INFINITY };
    let none = (0.0, Terminal::None);
    let main = PipeSpec { bore_m: 0.1, ..pipe(2000.0, None) };
    let elements = vec![
        ElementKind::Pipe(short[0]),
        ElementKind::Pump(pump()),
        ElementKind::Pipe(short[1]),
        ElementKind::CheckValve(check),
        ElementKind::Pipe(short[2]),
        ElementKind::Pipe(main),
    ];
    let nodes = vec![(0.0, level(2.0)), none, none, none, none, none, (9.0, level(12.0))];
    NetworkSpec { liquid: liquid(), ..network(nodes, elements) }
}

/// Start for 2 s, then off for 2 s; heads at the main's foot every 20 ms, and the plant.
fn cycle(spec: &NetworkSpec, options: &GridOptions) -> (Vec<f64>, Plant<Straight>, f64) {
    let mut plant = Plant::new(spec, &SHAFT, Straight::off(), options).unwrap();
    let (mut heads_m, mut moved_m3, mut next_s) = (Vec::new(), 0.0, 0.02);
    for on in [true, false] {
        plant.driver_mut().on = on;
        let until_s = plant.time_s() + 2.0;
        while plant.time_s() < until_s {
            plant.advance().unwrap();
            moved_m3 += plant.pump_flow_m3_s().abs() * plant.dt_s();
            if plant.time_s() >= next_s {
                heads_m.push(plant.head_m(Place::Node(5)));
                next_s += 0.02;
            }
        }
    }
    (heads_m, plant, moved_m3)
}

fn short() -> impl Strategy<Value = PipeSpec> {
    let creep =
        prop_oneof![Just(None), (0.1..2.0, 0.05..2.0).prop_map(|(share, time_s)| Some(CreepSpec { share, time_s }))];
    (0.005..0.5, 0.05..0.2, 300.0..1400.0, 0.0..3.0, creep).prop_map(
        |(share, bore_m, wave_speed_m_s, minor_loss_k, creep)| {
            // up to just below half of the shortest step that the grid may take
            let length_m = share * 0.5e-3 * wave_speed_m_s;
            PipeSpec { length_m, bore_m, wave_speed_m_s, minor_loss_k, creep, ..pipe(1.0, None) }
        },
    )
}

proptest! {
    #![proptest_config(super::bench::cases(12))]

    #[test]
    fn law_short_pipes_keep_their_volume(short in [short(), short(), short()], half_grid in any::<bool>(), area_m2 in 0.5..20.0) {
        /// As of whole pipes on this grid.
        const VOLUME_SHARE: f64 = 2.0e-5;
        let options = GridOptions { dt_max_s: 1.0e-3, half_grid, ..GridOptions::default() };
        let spec = station(short, area_m2);
        let (heads_m, plant, moved_m3) = cycle(&spec, &options);
        prop_assert_eq!(plant.short_pipes().len(), 3);
        prop_assert_eq!(plant.short_pipes(), short_pipes(&spec, &options).unwrap());
        prop_assert!(moved_m3 > 1.0e-3 && heads_m.iter().all(|head_m| head_m.is_finite()));
        let error_m3 = plant.volume_error_m3().abs();
        prop_assert!(error_m3 <= VOLUME_SHARE * moved_m3, "volume error {error_m3} m3 of {moved_m3} m3 moved");
    }
}

#[test]
fn law_a_station_with_connectors_runs_as_on_a_grid_that_resolves_them() {
    /// Of the head made: start, stop, check valve and all.
    const SHARE: f64 = 0.02;
    let connector = PipeSpec { bore_m: 0.1, minor_loss_k: 1.0, ..pipe(CONNECTOR_M, None) };
    let spec = station([connector; 3], f64::INFINITY);
    let (coarse_m, plant, _) = cycle(&spec, &GridOptions { half_grid: true, ..GridOptions::default() });
    assert_eq!(plant.short_pipes().len(), 3);
    assert!(plant.dt_s() > 0.9e-3, "the step stays long: {} s", plant.dt_s());
    let (fine_m, fine, _) = cycle(&spec, &grid(0.125e-3, true));
    assert!(fine.short_pipes().is_empty());
    let far_m = coarse_m.iter().zip(&fine_m).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    let rise_m = fine_m.iter().copied().fold(f64::NEG_INFINITY, f64::max) - fine_m[0];
    println!("rise {rise_m} m, furthest apart {far_m} m");
    assert!(far_m < SHARE * rise_m, "furthest apart {far_m} m of a rise of {rise_m} m");
}

/// Rest and steady running stay what they are to rounding.
#[test]
fn law_short_pipes_stay_steady() {
    let connector = PipeSpec { bore_m: 0.1, minor_loss_k: 1.0, ..pipe(CONNECTOR_M, None) };
    let spec = station([connector; 3], f64::INFINITY);
    let slope_n_m_s = 1.0e3;
    let driver = Straight { on: true, slope_n_m_s, limit_n_m: 1.0e3, ..Straight::off() };
    let options = GridOptions { dt_max_s: 1.0e-3, ..GridOptions::default() };
    let probe = Plant::started_at(&spec, &SHAFT, driver, &options, RATED_RAD_S).unwrap();
    let load_n_m = probe.pump_torque_n_m() + SHAFT.friction_n_m;
    let carrying = Straight { speed_rad_s: RATED_RAD_S + load_n_m / slope_n_m_s, ..driver };
    let mut plant = Plant::started_at(&spec, &SHAFT, carrying, &options, RATED_RAD_S).unwrap();
    let before: Vec<f64> = (0..spec.nodes.len()).map(|node| plant.head_m(Place::Node(node))).collect();
    for _ in 0..4000 {
        plant.advance().unwrap();
    }
    for (node, head_m) in before.iter().enumerate() {
        assert_near("head", *head_m, plant.head_m(Place::Node(node)), 1.0e-7, "m");
    }
}

/// Lanes hand such a scenario to a plant of its own, and say so.
#[test]
fn agrees_with_one_at_a_time_and_counts_it() {
    let connector = PipeSpec { bore_m: 0.1, ..pipe(CONNECTOR_M, None) };
    let scenario = |connector_m: f64| Scenario {
        network: station([PipeSpec { length_m: connector_m, ..connector }; 3], f64::INFINITY),
        shaft: SHAFT,
        driver: Arc::new(|| Box::new(Straight { on: true, ..Straight::off() }) as Box<dyn ShaftDriver>),
        grid: GridOptions::default(),
        speed_rad_s: None,
        openings: vec![],
    };
    let scenarios = [scenario(CONNECTOR_M), scenario(0.25), scenario(12.0), scenario(12.0)];
    let probes = [Probe::Head(Place::Node(5))];
    let mut traces: Vec<Trace> = Vec::new();
    let report =
        Sweep::new(&scenarios, &probes).unwrap().run((0.5, 0.01), 1, &mut |_: usize, trace| traces.push(trace));
    assert_eq!((report.scenarios, report.alone), (4, 2));
    assert_eq!(traces.iter().map(|trace| trace.alone).collect::<Vec<_>>(), [true, true, false, false]);
    let mut plant = Plant::new(
        &scenarios[0].network,
        &SHAFT,
        Straight { on: true, ..Straight::off() },
        &GridOptions { half_grid: true, ..GridOptions::default() },
    )
    .unwrap();
    while plant.time_s() < 0.45 {
        plant.advance().unwrap();
    }
    let at = traces[0].values[45];
    assert_near("head", plant.head_m(Place::Node(5)), at, 0.05, "m");
}
