//! Whole runs on the bench.

use super::bench::{Bench, DISCHARGE, RATED_RAD_S, SHAFT, Straight, assert_near};
use proptest::prelude::*;
use ramprig::hydraulics::plant::{Plant, PlantEventKind};
use ramprig::hydraulics::shaft::{FixedSpeed, NoDrive};
use ramprig::hydraulics::spec::{GridOptions, Place};

/// A state of rest may move by no more than this, m and m3/s.
const REST_TOLERANCE: f64 = 1.0e-9;
/// Volume made or lost by the numbers, share of the volume moved.
const VOLUME_SHARE: f64 = 2.0e-5;
/// Flow that may pass a check valve backwards, m3/s: what the solver cannot tell from none.
const BACKWARD_M3_S: f64 = 1.0e-11;

fn grid() -> GridOptions {
    GridOptions { dt_max_s: 1.0e-3, ..GridOptions::default() }
}

fn benches() -> impl Strategy<Value = Bench> {
    (4.0..16.0, 10.0..80.0, 80.0..600.0, 0.2..1.0, 0.5..20.0).prop_map(
        |(lift_m, hose_m, hose_wave_m_s, opening, tank_area_m2)| Bench {
            lift_m,
            hose_m,
            hose_wave_m_s,
            opening,
            check_valve: true,
            tank_area_m2,
        },
    )
}

/// Start for 3 s, then off for 3 s; `look` sees every level.
fn cycle(bench: &Bench, mut look: impl FnMut(&Plant<Straight>)) -> Plant<Straight> {
    let mut plant = Plant::new(&bench.network(), &SHAFT, Straight::off(), &grid()).unwrap();
    for on in [true, false] {
        plant.driver_mut().on = on;
        let until_s = plant.time_s() + 3.0;
        while plant.time_s() < until_s {
            plant.advance().unwrap();
            look(&plant);
        }
    }
    plant
}

#[test]
fn law_a_plant_at_rest_stays_at_rest() {
    let bench = Bench::default();
    let mut plant = Plant::new(&bench.network(), &SHAFT, NoDrive, &grid()).unwrap();
    let nodes = plant.network().nodes.len();
    let start: Vec<f64> = (0..nodes).map(|node| plant.head_m(Place::Node(node))).collect();
    while plant.time_s() < 10.0 {
        plant.advance().unwrap();
    }
    for (node, head_m) in start.iter().enumerate() {
        assert_near("head at rest", *head_m, plant.head_m(Place::Node(node)), REST_TOLERANCE, "m");
        assert_near("flow at rest", 0.0, plant.flow_m3_s(Place::Node(node)), REST_TOLERANCE, "m3/s");
    }
    assert_near("speed at rest", 0.0, plant.speed_rad_s(), 0.0, "rad/s");
    assert!(plant.take_events().is_empty(), "nothing happens at rest");
}

#[test]
fn law_a_steady_start_stays_steady() {
    let bench = Bench { tank_area_m2: f64::INFINITY, ..Bench::default() };
    let driver = Straight { on: true, slope_n_m_s: 1.0e3, limit_n_m: 1.0e3, ..Straight::off() };
    for unsteady_friction in [false, true] {
        let options = GridOptions { unsteady_friction, ..grid() };
        // The straight line gives no torque at its own speed, so the line is set where it carries the pump.
        let probe = Plant::started_at(&bench.network(), &SHAFT, driver, &options, RATED_RAD_S).unwrap();
        let load_n_m = probe.pump_torque_n_m() + SHAFT.friction_n_m;
        let carrying = Straight { speed_rad_s: RATED_RAD_S + load_n_m / driver.slope_n_m_s, ..driver };
        let mut plant = Plant::started_at(&bench.network(), &SHAFT, carrying, &options, RATED_RAD_S).unwrap();
        let (flow_m3_s, head_m) = (plant.pump_flow_m3_s(), plant.head_m(Place::Node(DISCHARGE)));
        assert!(flow_m3_s > 1.0e-3, "water runs: {flow_m3_s} m3/s");
        for _ in 0..5000 {
            plant.advance().unwrap();
        }
        assert_near("flow", flow_m3_s, plant.pump_flow_m3_s(), REST_TOLERANCE, "m3/s");
        assert_near("head", head_m, plant.head_m(Place::Node(DISCHARGE)), 1.0e-7, "m");
    }
}

proptest! {
    #![proptest_config(super::bench::cases(8))]

    #[test]
    fn law_volume_balances_and_check_valves_pass_one_way(bench in benches()) {
        let mut least_m3_s = f64::INFINITY;
        let mut moved_m3 = 0.0;
        let plant = cycle(&bench, |plant| {
            let check = Place::Pipe { element: 2, share: 0.0 };
            least_m3_s = least_m3_s.min(plant.flow_m3_s(check));
            moved_m3 += plant.pump_flow_m3_s().abs() * plant.dt_s();
        });
        prop_assert!(least_m3_s >= -BACKWARD_M3_S, "check valve passed {least_m3_s} m3/s");
        let error_m3 = plant.volume_error_m3().abs();
        prop_assert!(moved_m3 > 1.0e-4, "the pump moved {moved_m3} m3");
        prop_assert!(error_m3 <= VOLUME_SHARE * moved_m3, "volume error {error_m3} m3 of {moved_m3} m3 moved");
    }
}

#[test]
fn law_check_valve_opens_and_closes_once_in_a_cycle() {
    let mut plant = cycle(&Bench::default(), |_| {});
    let kinds: Vec<PlantEventKind> = plant.take_events().into_iter().map(|event| event.kind).collect();
    let valves: Vec<&PlantEventKind> = kinds
        .iter()
        .filter(|kind| {
            matches!(kind, PlantEventKind::CheckValveOpened { .. } | PlantEventKind::CheckValveClosed { .. })
        })
        .collect();
    assert_eq!(
        valves,
        [&PlantEventKind::CheckValveOpened { element: 2 }, &PlantEventKind::CheckValveClosed { element: 2 }],
        "{kinds:?}"
    );
}

#[test]
fn law_without_a_check_valve_the_pump_runs_backwards_as_a_turbine() {
    let bench = Bench { check_valve: false, tank_area_m2: f64::INFINITY, ..Bench::default() };
    let mut plant = Plant::started_at(&bench.network(), &SHAFT, NoDrive, &grid(), RATED_RAD_S).unwrap();
    while plant.time_s() < 40.0 {
        plant.advance().unwrap();
    }
    let (speed, torque_n_m) = (plant.speed_rad_s(), plant.pump_torque_n_m());
    assert!(speed < -0.3 * RATED_RAD_S, "backspin: expected under -45 rad/s, got {speed}");
    assert!(plant.pump_flow_m3_s() < 0.0, "water runs back: {} m3/s", plant.pump_flow_m3_s());
    // At the end nothing accelerates: the water drives the backward shaft backwards (positive torque) against seal
    // friction alone.
    assert_near("runaway torque", SHAFT.friction_n_m, torque_n_m, 1.0e-3, "N m");
    let events = plant.take_events();
    let turned = |wanted: PlantEventKind| events.iter().position(|event| event.kind == wanted);
    let flow = turned(PlantEventKind::FlowReversed { forwards: false }).expect("flow turns");
    let shaft = turned(PlantEventKind::ShaftReversed { forwards: false }).expect("shaft turns");
    assert!(flow < shaft, "flow turns before the shaft does: {events:?}");
}

#[test]
fn law_friction_holds_a_standing_shaft_against_a_small_torque() {
    let bench = Bench::default();
    let driver = Straight { on: true, limit_n_m: 0.9 * SHAFT.friction_n_m, ..Straight::off() };
    let mut plant = Plant::new(&bench.network(), &SHAFT, driver, &grid()).unwrap();
    for _ in 0..500 {
        plant.advance().unwrap();
    }
    assert_near("held speed", 0.0, plant.speed_rad_s(), 0.0, "rad/s");
    plant.driver_mut().limit_n_m = 1.1 * SHAFT.friction_n_m;
    plant.advance().unwrap();
    assert!(plant.speed_rad_s() > 0.0, "a larger torque moves it");
}

#[test]
fn law_a_pump_between_tanks_without_pipes_runs_too() {
    use super::bench::{liquid, pump};
    use ramprig::hydraulics::spec::{
        CheckValveSpec, ElementKind, ElementSpec, NetworkSpec, NodeSpec, Terminal, ValveSpec,
    };
    let tank = |level_m| Terminal::Tank { level_m, area_m2: 1.0, overflow_m: f64::INFINITY };
    let node = |name: &str, terminal| NodeSpec { name: name.into(), elevation_m: 0.0, terminal };
    let element = |name: &str, from, kind| ElementSpec { name: name.into(), from, to: from + 1, kind };
    let network = NetworkSpec {
        liquid: liquid(),
        nodes: vec![
            node("low", tank(1.0)),
            node("a", Terminal::None),
            node("b", Terminal::None),
            node("high", tank(4.0)),
        ],
        elements: vec![
            element("pump", 0, ElementKind::Pump(pump())),
            element("check", 1, ElementKind::CheckValve(CheckValveSpec { kv_m3_h: 80.0, cracking_head_m: 0.0 })),
            element("valve", 2, ElementKind::Valve(ValveSpec { kv_open_m3_h: 20.0, curve: vec![], opening: 1.0 })),
        ],
    };
    let driver = Straight { on: true, ..Straight::off() };
    let mut plant = Plant::new(&network, &SHAFT, driver, &grid()).unwrap();
    while plant.time_s() < 20.0 {
        plant.advance().unwrap();
    }
    plant.set_opening(2, 0.0).unwrap();
    plant.advance().unwrap();
    assert_near("flow through a shut valve", 0.0, plant.pump_flow_m3_s(), BACKWARD_M3_S, "m3/s");
    let risen_m = plant.level_m(3) - 4.0;
    assert!(risen_m > 0.01, "the upper level rose by {risen_m} m");
    assert_near("volume", 0.0, plant.volume_error_m3(), 1.0e-9, "m3");
    assert_near("what left the lower tank", risen_m, 1.0 - plant.level_m(0), 1.0e-9, "m");
}

#[test]
fn law_a_fixed_speed_drive_holds_its_speed_without_ringing() {
    const HELD_RAD_S: f64 = 5.0e-3;
    let driver = FixedSpeed::new(RATED_RAD_S);
    let mut plant = Plant::started_at(&Bench::default().network(), &SHAFT, driver, &grid(), RATED_RAD_S).unwrap();
    for step in 0..500 {
        let before_rad_s = plant.speed_rad_s();
        plant.advance().unwrap();
        assert_near("held speed", RATED_RAD_S, plant.speed_rad_s(), HELD_RAD_S, "rad/s");
        if step > 5 {
            assert_near("no ringing", before_rad_s, plant.speed_rad_s(), 0.02 * HELD_RAD_S, "rad/s");
        }
    }
}
