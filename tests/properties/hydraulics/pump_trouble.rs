//! Pumps that are not as they were, and suctions that do not give enough.

use super::bench::{Bench, RATED_RAD_S, SHAFT, Straight, liquid, pump};
use proptest::prelude::*;
use ramprig::hydraulics::lanes::{Probe, Scenario, Sweep, Trace, Vectors};
use ramprig::hydraulics::plant::{Plant, PlantEvent, PlantEventKind};
use ramprig::hydraulics::pump::Pump;
use ramprig::hydraulics::spec::{ElementKind, GridOptions, LiquidSpec, NetworkSpec, Place, PumpCondition, PumpSpec};
use ramprig::hydraulics::steady;
use std::f64::consts::TAU;
use std::sync::Arc;

const STEPS: u32 = 20_000;
/// Largest change of head or torque ratio over one of [`STEPS`] of a turn.
const JUMP_LIMIT: f64 = 0.02;

fn conditions() -> impl Strategy<Value = PumpCondition> {
    (0.0..0.4_f64, any::<bool>()).prop_map(|(wear_leak_share, wrong_rotation)| PumpCondition {
        wear_leak_share,
        wrong_rotation,
        splash: None,
    })
}

fn built(condition: PumpCondition) -> (Pump, PumpSpec) {
    let spec = PumpSpec { condition, ..pump() };
    let liquid = liquid();
    (Pump::new("pump", &spec, liquid.density_kg_m3, liquid.gravity_m_s2).unwrap(), spec)
}

/// The bench with another pump and liquid.
fn network(bench: &Bench, condition: PumpCondition, npsh_required_m: f64, liquid: LiquidSpec) -> NetworkSpec {
    let mut network = NetworkSpec { liquid, ..bench.network() };
    for element in &mut network.elements {
        if let ElementKind::Pump(pump) = &mut element.kind {
            pump.condition = condition;
            pump.npsh_required_m = npsh_required_m;
        }
    }
    network
}

/// Short of suction head in some lanes, with enough in others: as one at a time.
#[test]
fn law_lanes_short_of_suction_head_agree_with_one_at_a_time() {
    const TOLERANCE: f64 = 1.0e-6;
    let scenario = |required_m: f64| Scenario {
        network: network(&Bench::default(), PumpCondition::default(), required_m, liquid()),
        shaft: SHAFT,
        driver: Arc::new(|| Box::new(Straight { on: true, ..Straight::off() })),
        grid: GridOptions { dt_max_s: 1.0e-3, ..GridOptions::default() },
        speed_rad_s: None,
        openings: vec![],
    };
    let scenarios: Vec<Scenario> = [0.5, 2.0, 8.0, 11.0, 13.0].into_iter().map(scenario).collect();
    let probes = [Probe::Flow { element: 3, share: 0.5 }, Probe::Speed];
    let mut traces = Vec::new();
    let sweep = Sweep::new(&scenarios, &probes).unwrap().with_at_most(Vectors::Avx512);
    let report = sweep.run((1.5, 0.01), 1, &mut |_: usize, trace: Trace| traces.push(trace));
    assert_eq!(report.alone, 0, "{report:?}");
    let mut cavitated = 0;
    for (scenario, trace) in scenarios.iter().zip(&traces) {
        let grid = GridOptions { half_grid: true, ..scenario.grid };
        let mut plant = Plant::new(&scenario.network, &SHAFT, (scenario.driver)(), &grid).unwrap();
        while plant.time_s() < 1.45 {
            plant.advance().unwrap();
        }
        let kinds = |events: Vec<PlantEvent>| -> Vec<_> {
            let at = events.into_iter().filter(|event| event.time_s < 1.45);
            at.map(|event| std::mem::discriminant(&event.kind)).collect()
        };
        let expected = plant.flow_m3_s(Place::Pipe { element: 3, share: 0.5 });
        let share = plant.time_s() / 0.01;
        let at = |index: usize| trace.values[index * trace.probes];
        let got = at(share as usize) + share.fract() * (at(share as usize + 1) - at(share as usize));
        assert!((got - expected).abs() < 1e3 * TOLERANCE * 8.0e-3, "expected {expected} m3/s, got {got} m3/s");
        let events = kinds(plant.take_events());
        cavitated +=
            usize::from(events.contains(&std::mem::discriminant(&PlantEventKind::CavitationBegan {
                available_m: 0.0,
                required_m: 0.0,
            })));
        assert_eq!(events, kinds(trace.events.clone()));
    }
    assert!(cavitated >= 2, "{cavitated} of 5 cavitate");
}

proptest! {
    #![proptest_config(super::bench::cases(16))]

    #[test]
    fn law_a_spoilt_pump_is_continuous_in_all_quadrants(condition in conditions()) {
        let (pump, spec) = built(condition);
        let at = |step: u32| {
            let angle = TAU * f64::from(step) / f64::from(STEPS);
            let point = pump.at(spec.rated_flow_m3_s * angle.sin(), spec.rated_speed_rad_s * angle.cos());
            (point.head_m / spec.rated_head_m, point.torque_n_m / pump.rated_torque_n_m())
        };
        let mut before = at(0);
        for step in 1..=STEPS {
            let now = at(step);
            prop_assert!((now.0 - before.0).abs() < JUMP_LIMIT, "head jumps by {} at {step}", now.0 - before.0);
            prop_assert!((now.1 - before.1).abs() < JUMP_LIMIT, "torque jumps by {} at {step}", now.1 - before.1);
            before = now;
        }
    }

    #[test]
    fn law_worn_rings_only_ever_lower_the_head_of_a_pump_that_pumps(
        wear in 0.01..0.4_f64, alpha in 0.2..1.2_f64, v in 0.0..1.4_f64,
    ) {
        let (new, spec) = built(PumpCondition::default());
        let (worn, _) = built(PumpCondition { wear_leak_share: wear, ..PumpCondition::default() });
        let (flow, speed) = (v * alpha * spec.rated_flow_m3_s, alpha * spec.rated_speed_rad_s);
        let (sound, spoilt) = (new.at(flow, speed), worn.at(flow, speed));
        prop_assert!(spoilt.head_m <= sound.head_m + 1e-9, "{} m worn, {} m new", spoilt.head_m, sound.head_m);
        prop_assert!(spoilt.head_by_flow <= 0.0);
    }

    /// A start with suction head from plenty to far too little: every number stays one, volume is kept.
    #[test]
    fn law_a_start_with_too_little_suction_head_stays_sound(
        condition in conditions(), npsh_required_m in 0.0..12.0_f64, lift_m in 2.0..14.0_f64,
        atmosphere_pa in 40e3..101e3_f64, vapour_pa in 1e3..20e3_f64, limit_n_m in 15.0..60.0_f64,
    ) {
        let bench = Bench { lift_m, ..Bench::default() };
        let liquid = LiquidSpec { atmosphere_pa, vapour_pa, ..liquid() };
        let network = network(&bench, condition, npsh_required_m, liquid);
        let driver = Straight { on: true, speed_rad_s: RATED_RAD_S, slope_n_m_s: 5.0, limit_n_m };
        let mut plant = Plant::new(&network, &SHAFT, driver, &GridOptions::default()).unwrap();
        let mut least_m = f64::INFINITY;
        while plant.time_s() < 1.5 {
            plant.advance().map_err(|why| TestCaseError::fail(format!("at {} s: {why}", plant.time_s())))?;
            let npsh = plant.npsh().unwrap();
            prop_assert!(npsh.available_m.is_finite() && npsh.required_m >= 0.0);
            least_m = least_m.min(npsh.margin_m());
        }
        let moved_m3 = 0.01 * plant.time_s();
        prop_assert!(plant.volume_error_m3().abs() < 0.01 * moved_m3, "volume {} m3", plant.volume_error_m3());
        prop_assert!(least_m.is_finite());
    }

    /// Less suction head never gives more flow, and the steady state is the one the pump's own law has.
    #[test]
    fn law_flow_falls_with_suction_head(npsh_required_m in 2.0..9.0_f64, worse_m in 0.1..4.0_f64) {
        let flow = |required_m: f64| {
            let network = network(&Bench::default(), PumpCondition::default(), required_m, liquid());
            let state = steady::solve(&network, RATED_RAD_S);
            state.map(|state| state.flows_m3_s[1]).unwrap_or(0.0)
        };
        let (better, worse) = (flow(npsh_required_m), flow(npsh_required_m + worse_m));
        prop_assert!(worse <= better + 1e-12, "{worse} m3/s with more required, {better} m3/s with less");
    }
}
