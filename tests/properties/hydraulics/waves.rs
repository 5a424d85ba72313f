//! Laws of waves: energy, order of convergence, reflections, slow swings, unsteady friction.

use super::bench::{assert_near, whole_liquid};
use ramprig::hydraulics::plant::Plant;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{
    ElementKind, ElementSpec, GridOptions, NetworkSpec, NodeSpec, PipeSpec, Place, ShaftSpec, Terminal, ValveSpec,
};
use std::f64::consts::{FRAC_PI_4, TAU};

pub const LENGTH_M: f64 = 60.0;
const BORE_M: f64 = 0.1;
pub const WAVE_M_S: f64 = 1000.0;
pub const LEVEL_M: f64 = 30.0;
pub const SHAFT: ShaftSpec = ShaftSpec { inertia_kg_m2: 1.0, friction_n_m: 0.0 };
/// Growth of energy that rounding may make, share of what there was.
const ENERGY_GROWTH: f64 = 1.0e-12;

pub fn pipe(fixed_darcy_f: Option<f64>) -> PipeSpec {
    PipeSpec {
        length_m: LENGTH_M,
        bore_m: BORE_M,
        roughness_m: 1.0e-5,
        wave_speed_m_s: WAVE_M_S,
        minor_loss_k: 0.0,
        fixed_darcy_f,
        creep: None,
        lay_flat: None,
    }
}

fn tank(level_m: f64) -> Terminal {
    Terminal::Tank { level_m, area_m2: f64::INFINITY, overflow_m: f64::INFINITY }
}

/// Tank, pipe, valve, free outlet.
pub fn closing_line(pipe: PipeSpec) -> NetworkSpec {
    let node = |name: &str, terminal| NodeSpec { name: name.into(), elevation_m: 0.0, terminal };
    let valve = ValveSpec { kv_open_m3_h: 15.0, curve: vec![], opening: 1.0 };
    NetworkSpec {
        liquid: whole_liquid(),
        nodes: vec![node("tank", tank(LEVEL_M)), node("valve", Terminal::None), node("outlet", Terminal::FreeOutlet)],
        elements: vec![
            ElementSpec { name: "pipe".into(), from: 0, to: 1, kind: ElementKind::Pipe(pipe) },
            ElementSpec { name: "valve".into(), from: 1, to: 2, kind: ElementKind::Valve(valve) },
        ],
    }
}

pub fn running(pipe: PipeSpec, cells: usize, unsteady_friction: bool) -> Plant<NoDrive> {
    let dt_max_s = LENGTH_M / WAVE_M_S / cells as f64;
    let options =
        GridOptions { dt_max_s, wave_speed_adjustment_max: 1.0e-6, unsteady_friction, ..GridOptions::default() };
    Plant::started_at(&closing_line(pipe), &SHAFT, NoDrive, &options, 0.0).unwrap()
}

/// Energy of the waves: elastic about the tank's level, and kinetic, by the trapezoidal rule over the grid, in units of
/// water weight.
///
/// Derivation: `E = 1/2 int (gA/a^2) (H - H_tank)^2 + Q^2/(gA) dx`; with the pipe closed at one end and a tank's head at the
/// other it changes only by friction.
fn energy_m4(plant: &Plant<NoDrive>, cells: usize) -> f64 {
    let area_m2 = FRAC_PI_4 * BORE_M * BORE_M;
    let per_area = 9.806_65 * area_m2;
    let dx_m = LENGTH_M / cells as f64;
    (0..=cells)
        .map(|i| {
            let place = Place::Pipe { element: 0, share: i as f64 / cells as f64 };
            let (head_m, flow_m3_s) = (plant.head_m(place) - LEVEL_M, plant.flow_m3_s(place));
            let weight = if i == 0 || i == cells { 0.5 } else { 1.0 };
            let elastic = per_area / (WAVE_M_S * WAVE_M_S) * head_m * head_m;
            0.5 * weight * dx_m * (elastic + flow_m3_s * flow_m3_s / per_area)
        })
        .sum()
}

#[test]
fn law_energy_of_waves_stays_without_friction_and_falls_with_it() {
    const CELLS: usize = 50;
    for (f, unsteady) in [(0.0, false), (0.02, false), (0.02, true)] {
        let mut plant = running(pipe(Some(f)), CELLS, unsteady);
        plant.set_opening(1, 0.0).unwrap();
        plant.advance().unwrap();
        let start = energy_m4(&plant, CELLS);
        for _ in 0..20 * CELLS {
            let before = energy_m4(&plant, CELLS);
            plant.advance().unwrap();
            plant.advance().unwrap();
            let after = energy_m4(&plant, CELLS);
            assert!(after <= before + ENERGY_GROWTH * start || f > 0.0, "f {f}: from {before} to {after} m4");
        }
        let end = energy_m4(&plant, CELLS);
        if f > 0.0 {
            assert!(end < 0.99 * start, "f {f}: friction takes energy: {start} to {end} m4");
        } else {
            assert_near("energy without friction", 1.0, end / start, 1.0e-10, "");
        }
    }
}

#[test]
fn law_energy_of_waves_never_grows_over_a_period_with_friction() {
    const CELLS: usize = 50;
    for unsteady in [false, true] {
        let mut plant = running(pipe(Some(0.02)), CELLS, unsteady);
        plant.set_opening(1, 0.0).unwrap();
        plant.advance().unwrap();
        let mut before = energy_m4(&plant, CELLS);
        for period in 0..40 {
            for _ in 0..4 * CELLS {
                plant.advance().unwrap();
            }
            let after = energy_m4(&plant, CELLS);
            assert!(after < before, "period {period}, unsteady {unsteady}: {before} to {after} m4");
            before = after;
        }
    }
}

/// Smooth closure, so that the solution has no fronts; head at the valve at a fixed time on three grids.
#[test]
fn law_characteristics_converge_with_second_order() {
    const ORDER_LEAST: f64 = 1.7;
    let head_m = |cells: usize| {
        let mut plant = running(pipe(Some(0.03)), cells, false);
        let end_s = 0.3;
        while plant.time_s() < end_s - 0.5 * plant.dt_s() {
            let t = (plant.time_s() + plant.dt_s()) / end_s;
            plant.set_opening(1, 1.0 - 0.9 * t * t * (3.0 - 2.0 * t)).unwrap();
            plant.advance().unwrap();
        }
        plant.head_m(Place::Node(1))
    };
    let (coarse, middle, fine) = (head_m(20), head_m(40), head_m(80));
    let order = ((coarse - middle) / (middle - fine)).abs().log2();
    println!("heads {coarse} {middle} {fine} m, order {order}");
    assert!(order > ORDER_LEAST, "expected above {ORDER_LEAST}, got {order} ({coarse}, {middle}, {fine} m)");
}

/// The same closure with friction of the old flow, as textbooks' short programs take it.
#[test]
fn law_friction_of_the_old_flow_converges_with_first_order() {
    const ORDERS: std::ops::Range<f64> = 0.8..1.3;
    let head_m = |cells: usize| {
        let options = GridOptions {
            dt_max_s: LENGTH_M / WAVE_M_S / cells as f64,
            wave_speed_adjustment_max: 1.0e-6,
            first_order_friction: true,
            ..GridOptions::default()
        };
        let network = closing_line(pipe(Some(0.03)));
        let mut plant = Plant::started_at(&network, &SHAFT, NoDrive, &options, 0.0).unwrap();
        let end_s = 0.3;
        while plant.time_s() < end_s - 0.5 * plant.dt_s() {
            let t = (plant.time_s() + plant.dt_s()) / end_s;
            plant.set_opening(1, 1.0 - 0.9 * t * t * (3.0 - 2.0 * t)).unwrap();
            plant.advance().unwrap();
        }
        plant.head_m(Place::Node(1))
    };
    let (coarse, middle, fine) = (head_m(20), head_m(40), head_m(80));
    let order = ((coarse - middle) / (middle - fine)).abs().log2();
    println!("heads {coarse} {middle} {fine} m, order {order}");
    assert!(ORDERS.contains(&order), "expected {ORDERS:?}, got {order} ({coarse}, {middle}, {fine} m)");
}

/// Energy of the whole line through a closure: what the tank gives is stored, lost to friction, or leaves by the valve.
///
/// Equation: `dE/dt = H_tank Q_in - H_valve Q_out - int J Q dx` in units of water weight, `E = 1/2 int (gA/a^2) H^2 +
/// Q^2/(gA) dx`, `J = f Q|Q| / (2 g D A^2)`; sums by the trapezoidal rule over place and time.
#[test]
fn law_energy_balances_through_a_closure_with_friction() {
    const DARCY_F: f64 = 0.03;
    /// Of the energy that the tank gives, on 50 and on 100 cells.
    const RESIDUALS: [f64; 2] = [4.0e-4, 1.0e-4];
    let area_m2 = FRAC_PI_4 * BORE_M * BORE_M;
    let residual = |cells: usize| {
        let mut plant = running(pipe(Some(DARCY_F)), cells, false);
        let at = |share: f64| Place::Pipe { element: 0, share };
        let sum = |plant: &Plant<NoDrive>, of: &dyn Fn(f64, f64) -> f64| {
            let point = |i: usize| {
                let place = at(i as f64 / cells as f64);
                let weight = if i == 0 || i == cells { 0.5 } else { 1.0 };
                weight * of(plant.head_m(place), plant.flow_m3_s(place))
            };
            (0..=cells).map(point).sum::<f64>() * LENGTH_M / cells as f64
        };
        let stored = |plant: &Plant<NoDrive>| {
            let (elastic, kinetic) = (9.806_65 * area_m2 / (WAVE_M_S * WAVE_M_S), 1.0 / (9.806_65 * area_m2));
            sum(plant, &|head_m, flow| 0.5 * (elastic * head_m * head_m + kinetic * flow * flow))
        };
        let powers = |plant: &Plant<NoDrive>| {
            let given = plant.head_m(at(0.0)) * plant.flow_m3_s(at(0.0));
            let loss = DARCY_F / (2.0 * 9.806_65 * BORE_M * area_m2 * area_m2);
            let lost = sum(plant, &|_, flow| loss * flow * flow * flow.abs());
            (given, plant.head_m(at(1.0)) * plant.flow_m3_s(at(1.0)) + lost)
        };
        let (start, end_s) = (stored(&plant), 0.6);
        let (mut given_m4, mut gone_m4, mut before) = (0.0, 0.0, powers(&plant));
        while plant.time_s() < end_s {
            let t = ((plant.time_s() + plant.dt_s()) / 0.3).min(1.0);
            plant.set_opening(1, 1.0 - 0.9 * t * t * (3.0 - 2.0 * t)).unwrap();
            plant.advance().unwrap();
            let now = powers(&plant);
            given_m4 += 0.5 * plant.dt_s() * (before.0 + now.0);
            gone_m4 += 0.5 * plant.dt_s() * (before.1 + now.1);
            before = now;
        }
        (stored(&plant) - start + gone_m4 - given_m4).abs() / given_m4
    };
    for (cells, limit) in [50, 100].into_iter().zip(RESIDUALS) {
        let share = residual(cells);
        println!("{cells} cells: energy residual {share:.2e} of what the tank gives");
        assert!(share < limit, "{cells} cells: expected 0, got a residual of {share:.2e}, tolerance {limit:e}");
    }
}

/// What a small wave leaves behind where it meets a valve that lets water out.
///
/// Equation: `r = (Y - Y_v) / (Y + Y_v)`, `Y = gA/a` of the pipe, `Y_v = Q0 / (2 H0)` of the valve (its own law, straight for
/// a small wave). Source: Wylie and Streeter 1993 (orifice at a pipe's end, linearised).
#[test]
fn law_a_valve_reflects_by_its_admittance() {
    const CELLS: f64 = 20.0;
    const TOLERANCE: f64 = 2.0e-3;
    for kv in [2.0, 15.0, 60.0, 400.0] {
        let node = |name: &str, terminal| NodeSpec { name: name.into(), elevation_m: 0.0, terminal };
        let valve = |kv_open_m3_h| ElementKind::Valve(ValveSpec { kv_open_m3_h, curve: vec![], opening: 1.0 });
        let element = |name: &str, from, kind| ElementSpec { name: name.into(), from, to: from + 1, kind };
        let network = NetworkSpec {
            liquid: whole_liquid(),
            nodes: vec![
                node("tank", tank(LEVEL_M)),
                node("behind", Terminal::None),
                node("end", Terminal::None),
                node("outlet", Terminal::FreeOutlet),
            ],
            elements: vec![
                element("source", 0, valve(500.0)),
                element("pipe", 1, ElementKind::Pipe(pipe(Some(0.0)))),
                element("valve", 2, valve(kv)),
            ],
        };
        let travel_s = LENGTH_M / WAVE_M_S;
        let grid =
            GridOptions { dt_max_s: travel_s / CELLS, wave_speed_adjustment_max: 1.0e-6, ..GridOptions::default() };
        let mut plant = Plant::started_at(&network, &SHAFT, NoDrive, &grid, 0.0).unwrap();
        let middle = Place::Pipe { element: 1, share: 0.5 };
        let (head_m, flow_m3_s) = (plant.head_m(middle), plant.flow_m3_s(middle));
        plant.set_opening(0, 0.998).unwrap();
        let mut after = |travels: f64| {
            while plant.time_s() < travels * travel_s {
                plant.advance().unwrap();
            }
            plant.head_m(middle) - head_m
        };
        let incident_m = after(1.0);
        let got = (after(1.8) - incident_m) / incident_m;
        let (own, other) = (9.806_65 * FRAC_PI_4 * BORE_M * BORE_M / WAVE_M_S, flow_m3_s / (2.0 * head_m));
        assert_near("reflected share", (own - other) / (own + other), got, TOLERANCE, "");
    }
}

/// A dead end doubles a wave, a tank takes it back: shown by the head inside the pipe after a sudden stop.
#[test]
fn law_dead_end_reflects_whole_and_tank_reflects_inverted() {
    const CELLS: usize = 20;
    let mut plant = running(pipe(Some(0.0)), CELLS, false);
    plant.set_opening(1, 0.0).unwrap();
    let middle = Place::Pipe { element: 0, share: 0.5 };
    let mut after = |steps: usize| {
        while plant.time_s() < (steps as f64 - 0.5) * plant.dt_s() {
            plant.advance().unwrap();
        }
        plant.head_m(middle) - LEVEL_M
    };
    // The stop is at the first level; the wave passes the middle after half a travel time, and so on every travel time.
    let wave_m = after(CELLS);
    assert!(wave_m > 10.0, "{wave_m} m");
    assert_near("after the tank", 0.0, after(2 * CELLS), 1.0e-9, "m");
    assert_near("after the dead end", -wave_m, after(3 * CELLS), 1.0e-9, "m");
    assert_near("after the tank again", 0.0, after(4 * CELLS), 1.0e-9, "m");
    assert_near("after one whole period", wave_m, after(5 * CELLS), 1.0e-9, "m");
}

#[test]
fn law_unsteady_friction_damps_more_than_steady_friction() {
    const CELLS: usize = 40;
    let peak_m = |unsteady: bool| {
        let mut plant = running(pipe(None), CELLS, unsteady);
        plant.set_opening(1, 0.0).unwrap();
        let mut highest = f64::NEG_INFINITY;
        for step in 0..40 * CELLS {
            plant.advance().unwrap();
            if step > 36 * CELLS {
                highest = highest.max(plant.head_m(Place::Node(1)));
            }
        }
        highest - LEVEL_M
    };
    let (steady, unsteady) = (peak_m(false), peak_m(true));
    assert!(unsteady < 0.95 * steady, "peak after nine periods: {unsteady} m unsteady, {steady} m steady");
}

/// A finite tank at the end of a line swings slowly against a large one.
///
/// Equation: `T = 2 pi sqrt(L A_tank / (g A))`, rigid column, no friction. Source: Jaeger (mass oscillation).
#[test]
fn law_a_tank_and_a_line_swing_with_the_period_of_the_rigid_column() {
    const AREA_M2: f64 = 0.05;
    const PERIOD_TOLERANCE_S: f64 = 2.0e-2;
    let node = |name: &str, terminal| NodeSpec { name: name.into(), elevation_m: 0.0, terminal };
    let shaft = Terminal::Tank { level_m: LEVEL_M + 0.5, area_m2: AREA_M2, overflow_m: f64::INFINITY };
    let valve = ValveSpec { kv_open_m3_h: 1.0e5, curve: vec![], opening: 0.0 };
    let network = NetworkSpec {
        liquid: whole_liquid(),
        nodes: vec![node("large", tank(LEVEL_M)), node("end", Terminal::None), node("shaft", shaft)],
        elements: vec![
            ElementSpec { name: "pipe".into(), from: 0, to: 1, kind: ElementKind::Pipe(pipe(Some(0.0))) },
            ElementSpec { name: "valve".into(), from: 1, to: 2, kind: ElementKind::Valve(valve) },
        ],
    };
    let options = GridOptions { dt_max_s: 2.0e-3, wave_speed_adjustment_max: 1.0e-6, ..GridOptions::default() };
    let mut plant = Plant::new(&network, &SHAFT, NoDrive, &options).unwrap();
    plant.set_opening(1, 1.0).unwrap();
    let (mut before, mut crossings) = (0.5, vec![]);
    while crossings.len() < 3 {
        plant.advance().unwrap();
        let now = plant.level_m(2) - LEVEL_M;
        if before * now < 0.0 {
            crossings.push(plant.time_s() - plant.dt_s() * now / (now - before));
        }
        before = now;
    }
    let expected_s = TAU * (LENGTH_M * AREA_M2 / (9.806_65 * FRAC_PI_4 * BORE_M * BORE_M)).sqrt();
    assert_near("period", expected_s, crossings[2] - crossings[0], PERIOD_TOLERANCE_S, "s");
    assert_near("volume", 0.0, plant.volume_error_m3(), 1.0e-10, "m3");
}
