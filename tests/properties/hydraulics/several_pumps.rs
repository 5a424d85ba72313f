//! Several pumps in one network: a pair side by side, a standby, trips of one and of all, a bypass.

use super::bench::{Bench, RATED_RAD_S, SHAFT, Straight, assert_near, pipe, pump};
use super::fittings::{grid, network, tank};
use ramprig::hydraulics::plant::{Plant, PlantEventKind};
use ramprig::hydraulics::pump::Pump;
use ramprig::hydraulics::shaft::{FixedSpeed, NoDrive};
use ramprig::hydraulics::spec::{
    CheckValveSpec, ElementKind, ElementSpec, NetworkSpec, OtherPumpSpec, PipeSpec, Place, PumpSpec, Terminal,
};
use ramprig::hydraulics::steady;

const STATIC_M: f64 = 12.0;
const COMMANDED: usize = 0;
const OTHER: usize = 1;
const CHECKS: [usize; 2] = [2, 3];
const MAIN: usize = 4;
/// Flow that counts as none, m3/s.
const NO_FLOW_M3_S: f64 = 1.0e-11;

fn main() -> ElementKind {
    ElementKind::Pipe(PipeSpec { bore_m: 0.1, ..pipe(400.0, 1000.0, Some(0.02)) })
}

fn check(kv_m3_h: f64) -> ElementKind {
    ElementKind::CheckValve(CheckValveSpec { kv_m3_h, cracking_head_m: 0.1 })
}

pub fn other(running_rad_s: Option<f64>) -> OtherPumpSpec {
    OtherPumpSpec { pump: pump(), shaft: SHAFT, running_rad_s, back_stop: false }
}

/// Sump, commanded and other pump side by side, each behind its check valve, one main, a tank.
pub fn station(other: OtherPumpSpec) -> NetworkSpec {
    let terminals = vec![tank(0.0), Terminal::None, Terminal::None, Terminal::None, tank(STATIC_M)];
    let elements = vec![
        (0, 1, ElementKind::Pump(pump())),
        (0, 2, ElementKind::OtherPump(Box::new(other))),
        (1, 3, check(80.0)),
        (2, 3, check(80.0)),
        (3, 4, main()),
    ];
    network(terminals, elements)
}

fn flow(plant: &Plant<impl ramprig::hydraulics::plant::ShaftDriver>, element: usize) -> f64 {
    plant.flow_m3_s(Place::Pipe { element, share: 0.0 })
}

/// Two equal pumps are one pump of twice the flow: the combined curve, built by hand as one pump behind one check valve.
#[test]
fn agrees_with_the_combined_curve_of_two_equal_pumps() {
    let spec = station(other(Some(RATED_RAD_S)));
    let state = steady::solve(&spec, RATED_RAD_S).unwrap();
    let twice = |points: &[(f64, f64)]| points.iter().map(|(q, y)| (2.0 * q, *y)).collect::<Vec<_>>();
    let single = pump();
    let combined = PumpSpec {
        rated_flow_m3_s: 2.0 * single.rated_flow_m3_s,
        curve: twice(&single.curve),
        efficiency: twice(&single.efficiency),
        ..single
    };
    let elements = vec![(0, 1, ElementKind::Pump(combined)), (1, 2, check(160.0)), (2, 3, main())];
    let one = network(vec![tank(0.0), Terminal::None, Terminal::None, tank(STATIC_M)], elements);
    let one = steady::solve(&one, RATED_RAD_S).unwrap();
    assert_near("whole flow", one.flows_m3_s[2], state.flows_m3_s[MAIN], 1.0e-12, "m3/s");
    assert_near("half of it", 0.5 * state.flows_m3_s[MAIN], state.flows_m3_s[OTHER], 1.0e-12, "m3/s");
    assert_near("other half", 0.5 * state.flows_m3_s[MAIN], state.flows_m3_s[COMMANDED], 1.0e-12, "m3/s");
    assert_near("head in the main", one.heads_m[2], state.heads_m[3], 1.0e-9, "m");
    // and by hand: the pump's own head at half the flow carries static head and losses
    let half_m3_s = state.flows_m3_s[OTHER];
    let head_m = Pump::new("p", &pump(), 998.2, 9.806_65).unwrap().at(half_m3_s, RATED_RAD_S).head_m;
    let velocity_m_s = 2.0 * half_m3_s / (std::f64::consts::FRAC_PI_4 * 0.01);
    let main_m = (0.02 * 400.0 / 0.1 + 0.5) * velocity_m_s * velocity_m_s / (2.0 * 9.806_65);
    let kv = half_m3_s * 3600.0 / 80.0;
    let check_m = 0.1 + kv * kv * 1.0e5 / (1000.0 * 9.806_65);
    assert_near("head by hand", STATIC_M + main_m + check_m, head_m, 0.02, "m");
}

/// The standby keeps still behind its shut check valve, from the steady state on and all through a start of its neighbour.
#[test]
fn law_a_standby_behind_its_check_valve_takes_no_flow() {
    let spec = station(other(None));
    let state = steady::solve(&spec, RATED_RAD_S).unwrap();
    assert_near("flow of the standby", 0.0, state.flows_m3_s[OTHER], NO_FLOW_M3_S, "m3/s");
    assert!(!state.open[CHECKS[1]], "its check valve is shut");
    let driver = Straight { on: true, ..Straight::off() };
    let mut plant = Plant::new(&spec, &SHAFT, driver, &grid(1.0e-3)).unwrap();
    for _ in 0..8000 {
        plant.advance().unwrap();
        let standby = plant.other_pump(OTHER).unwrap();
        assert_near("flow of the standby", 0.0, standby.flow_m3_s, NO_FLOW_M3_S, "m3/s");
        assert_near("its speed", 0.0, standby.speed_rad_s, 0.0, "rad/s");
    }
    assert!(plant.pump_flow_m3_s() > 1.0e-3, "its neighbour pumps");
    assert!(plant.volume_error_m3().abs() < 1.0e-9, "volume error {} m3", plant.volume_error_m3());
}

/// A pair that loses its supply together coasts alike, though one speed is solved with the water and the other inside its
/// element.
#[test]
fn agrees_with_the_commanded_pump_when_both_trip() {
    let spec = station(other(Some(RATED_RAD_S)));
    let mut plant = Plant::started_at(&spec, &SHAFT, NoDrive, &grid(1.0e-3), RATED_RAD_S).unwrap();
    plant.cut_other_pumps();
    for _ in 0..6000 {
        plant.advance().unwrap();
        let state = plant.other_pump(OTHER).unwrap();
        assert_near("speed", plant.speed_rad_s(), state.speed_rad_s, 1.0e-7, "rad/s");
        assert_near("flow", plant.pump_flow_m3_s(), state.flow_m3_s, 1.0e-9, "m3/s");
        assert_near("torque", plant.pump_torque_n_m(), state.torque_n_m, 1.0e-7, "N m");
    }
    assert_near("both stand", 0.0, plant.other_pump(OTHER).unwrap().speed_rad_s, 0.0, "rad/s");
    let shut = |element| plant.flow_m3_s(Place::Pipe { element, share: 0.0 }).abs() < NO_FLOW_M3_S;
    assert!(CHECKS.into_iter().all(shut), "both check valves are shut");
    assert!(plant.volume_error_m3().abs() < 1.0e-9, "volume error {} m3", plant.volume_error_m3());
}

/// One trips: its check valve shuts, its shaft comes to rest, the other takes more than its half and ends where it runs alone.
#[test]
fn shuts_the_check_valve_of_the_pump_that_trips_and_leaves_the_other_running() {
    let spec = station(other(Some(RATED_RAD_S)));
    let alone = steady::solve(&station(other(None)), RATED_RAD_S).unwrap().flows_m3_s[COMMANDED];
    let mut plant = Plant::started_at(&spec, &SHAFT, FixedSpeed::new(RATED_RAD_S), &grid(1.0e-3), RATED_RAD_S).unwrap();
    let half_m3_s = plant.pump_flow_m3_s();
    plant.run_other_pump(OTHER, None).unwrap();
    let mut energy_j = 0.0;
    let mut least_m3_s = f64::INFINITY;
    for _ in 0..30_000 {
        let before = plant.other_pump(OTHER).unwrap();
        plant.advance().unwrap();
        let after = plant.other_pump(OTHER).unwrap();
        let mean_rad_s = 0.5 * (before.speed_rad_s + after.speed_rad_s);
        let taken_n_m = 0.5 * (before.torque_n_m + after.torque_n_m) + SHAFT.friction_n_m;
        energy_j += if after.speed_rad_s > 0.0 { taken_n_m * mean_rad_s * plant.dt_s() } else { 0.0 };
        least_m3_s = least_m3_s.min(after.flow_m3_s);
    }
    let tripped = plant.other_pump(OTHER).unwrap();
    assert_near("speed of the tripped pump", 0.0, tripped.speed_rad_s, 0.0, "rad/s");
    assert!(least_m3_s > -1.0e-9, "nothing runs back through it: {least_m3_s} m3/s");
    let stored_j = 0.5 * SHAFT.inertia_kg_m2 * RATED_RAD_S * RATED_RAD_S;
    assert_near("energy of its shaft", stored_j, energy_j, 1.0e-3 * stored_j, "J");
    assert!(plant.pump_flow_m3_s() > 1.05 * half_m3_s, "{} m3/s after {half_m3_s}", plant.pump_flow_m3_s());
    assert_near("the other runs alone", alone, plant.pump_flow_m3_s(), 1.0e-5, "m3/s");
    assert!(plant.volume_error_m3().abs() < 1.0e-9, "volume error {} m3", plant.volume_error_m3());
    let kinds: Vec<PlantEventKind> = plant.take_events().into_iter().map(|event| event.kind).collect();
    assert!(kinds.contains(&PlantEventKind::CheckValveClosed { element: CHECKS[1] }), "{kinds:?}");
    assert!(!kinds.contains(&PlantEventKind::CheckValveClosed { element: CHECKS[0] }), "{kinds:?}");
}

/// Without a check valve a standing pump is a way back: the water turns it, or runs past its impeller where a back-stop
/// holds it. Either state is steady: a run stays in it.
#[test]
fn law_a_standing_pump_without_check_valve_spins_back_unless_a_back_stop_holds_it() {
    for back_stop in [false, true] {
        let mut spec = station(OtherPumpSpec { back_stop, ..other(None) });
        spec.elements[CHECKS[1]].kind = super::fittings::valve(80.0);
        // a drive that carries the load at rated speed exactly
        let load_n_m = steady::solve(&spec, RATED_RAD_S).unwrap().pump_torque_n_m + SHAFT.friction_n_m;
        let slope_n_m_s = 3.0;
        let driver =
            Straight { on: true, speed_rad_s: RATED_RAD_S + load_n_m / slope_n_m_s, slope_n_m_s, ..Straight::off() };
        let mut plant = Plant::started_at(&spec, &SHAFT, driver, &grid(1.0e-3), RATED_RAD_S).unwrap();
        let start = plant.other_pump(OTHER).unwrap();
        assert!(start.flow_m3_s < -1.0e-3, "water runs back: {} m3/s", start.flow_m3_s);
        if back_stop {
            assert_near("held", 0.0, start.speed_rad_s, 0.0, "rad/s");
        } else {
            assert!(start.speed_rad_s < -0.3 * RATED_RAD_S, "backspin {} rad/s", start.speed_rad_s);
            assert_near("friction carries the torque", SHAFT.friction_n_m, start.torque_n_m, 1.0e-9, "N m");
        }
        (0..3000).for_each(|_| plant.advance().unwrap());
        let end = plant.other_pump(OTHER).unwrap();
        assert_near("flow stays", start.flow_m3_s, end.flow_m3_s, 1.0e-8, "m3/s");
        assert_near("speed stays", start.speed_rad_s, end.speed_rad_s, 1.0e-4, "rad/s");
    }
}

/// A second pump is put on beside a running one: it comes to speed, opens its check valve and takes its half.
#[test]
fn starts_a_standby_beside_the_running_pump() {
    let spec = station(other(None));
    let pair = steady::solve(&station(other(Some(RATED_RAD_S))), RATED_RAD_S).unwrap();
    let mut plant = Plant::started_at(&spec, &SHAFT, FixedSpeed::new(RATED_RAD_S), &grid(1.0e-3), RATED_RAD_S).unwrap();
    plant.run_other_pump(OTHER, Some(RATED_RAD_S)).unwrap();
    (0..30_000).for_each(|_| plant.advance().unwrap());
    let state = plant.other_pump(OTHER).unwrap();
    assert_near("speed", RATED_RAD_S, state.speed_rad_s, 0.0, "rad/s");
    assert_near("its half", pair.flows_m3_s[OTHER], state.flow_m3_s, 1.0e-5, "m3/s");
    assert!(plant.run_other_pump(COMMANDED, None).is_err(), "the commanded pump has its driver");
    assert!(plant.run_other_pump(OTHER, Some(f64::NAN)).is_err(), "no speed");
}

/// The commanded pump stands in still water while its neighbour runs: its check valve holds. Without one there is no rest.
#[test]
fn starts_the_commanded_pump_against_a_neighbour_that_runs() {
    let spec = station(other(Some(RATED_RAD_S)));
    let driver = Straight { on: true, ..Straight::off() };
    let mut plant = Plant::new(&spec, &SHAFT, driver, &grid(1.0e-3)).unwrap();
    assert!(flow(&plant, OTHER) > 1.0e-3);
    assert_near("still", 0.0, plant.pump_flow_m3_s(), NO_FLOW_M3_S, "m3/s");
    (0..20_000).for_each(|_| plant.advance().unwrap());
    let pair = steady::solve(&spec, plant.speed_rad_s()).unwrap();
    assert_near("ends with its share", pair.flows_m3_s[COMMANDED], plant.pump_flow_m3_s(), 1.0e-5, "m3/s");
    let mut open = station(other(Some(RATED_RAD_S)));
    open.elements[CHECKS[0]].kind = super::fittings::valve(80.0);
    let error = Plant::new(&open, &SHAFT, NoDrive, &grid(1.0e-3)).unwrap_err().to_string();
    assert!(error.contains("with the pump at a standstill"), "{error}");
}

/// A booster with a bypass: on loss of supply the bypass opens and the water of the higher tank goes round the stopped pump.
#[test]
fn lets_the_water_round_the_pump_when_its_supply_is_lost() {
    let mut spec = Bench { lift_m: -3.0, ..Bench::default() }.network();
    let (from, to) = (spec.elements[1].from, spec.elements[1].to);
    let kind = ElementKind::CheckValve(CheckValveSpec { kv_m3_h: 60.0, cracking_head_m: 0.05 });
    spec.elements.push(ElementSpec { name: "bypass".into(), from, to, kind });
    let bypass = spec.elements.len() - 1;
    // still levels, so that there is a state to come to
    for node in [0, 6] {
        let Terminal::Tank { area_m2, .. } = &mut spec.nodes[node].terminal else { panic!("tank") };
        *area_m2 = f64::INFINITY;
    }
    let mut plant = Plant::started_at(&spec, &SHAFT, NoDrive, &grid(1.0e-3), RATED_RAD_S).unwrap();
    assert_near("shut while the pump runs", 0.0, flow(&plant, bypass), NO_FLOW_M3_S, "m3/s");
    (0..60_000).for_each(|_| plant.advance().unwrap());
    let end = steady::solve(&spec, plant.speed_rad_s()).unwrap();
    assert!(end.open[bypass] && flow(&plant, bypass) > 1.0e-3, "round the pump {} m3/s", flow(&plant, bypass));
    assert!(flow(&plant, bypass) > plant.pump_flow_m3_s(), "most of it: {} m3/s through", plant.pump_flow_m3_s());
    assert_near("as the steady state has it", end.flows_m3_s[bypass], flow(&plant, bypass), 1.0e-6, "m3/s");
    let events = plant.take_events();
    let opened = events.iter().filter(|event| event.kind == PlantEventKind::CheckValveOpened { element: bypass });
    assert_eq!(opened.count(), 1, "{events:?}");
}
