//! Trees, loops, dead ends and a bypass: steady states against closed forms and by their laws, runs that keep them.

use super::bench::{Bench, RATED_RAD_S, SHAFT, Straight, assert_near, pipe};
use super::fittings::{SHAFT as STILL_SHAFT, grid, network, smooth, tank};
use proptest::prelude::*;
use ramprig::hydraulics::HydraulicsError;
use ramprig::hydraulics::plant::Plant;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{CheckValveSpec, ElementKind, ElementSpec, PipeSpec, Place, Terminal};
use ramprig::hydraulics::steady;

fn rough(length_m: f64, bore_m: f64) -> ElementKind {
    ElementKind::Pipe(PipeSpec { bore_m, minor_loss_k: 0.0, ..pipe(length_m, 1200.0, Some(0.02)) })
}

/// Two pipes side by side share a flow as `sqrt(D^5 / (f L))`.
#[test]
fn agrees_with_closed_form_split_between_parallel_pipes() {
    let elements =
        vec![(0, 1, rough(50.0, 0.1)), (1, 2, rough(80.0, 0.06)), (1, 2, rough(40.0, 0.05)), (2, 3, rough(30.0, 0.1))];
    let state =
        steady::solve(&network(vec![tank(20.0), Terminal::None, Terminal::None, tank(8.0)], elements), 0.0).unwrap();
    let share = |length_m: f64, bore_m: f64| (bore_m.powi(5) / length_m).sqrt();
    let expected = share(80.0, 0.06) / share(40.0, 0.05);
    assert_near("split", expected, state.flows_m3_s[1] / state.flows_m3_s[2], 1.0e-9, "");
    let sum_m3_s = state.flows_m3_s[1] + state.flows_m3_s[2];
    assert_near("continuity", state.flows_m3_s[0], sum_m3_s, 1.0e-12, "m3/s");
}

/// A dead end carries no flow, stands at the head of its junction, and doubles a wave that comes into it.
#[test]
fn law_a_dead_end_stands_still_and_doubles_a_wave() {
    let terminals = vec![tank(60.0), Terminal::None, Terminal::FreeOutlet, Terminal::None];
    let valve = super::fittings::valve(10.0);
    let elements = vec![(0, 1, smooth(280.0, 0.1)), (1, 2, valve), (1, 3, smooth(28.0, 0.02))];
    let mut plant =
        Plant::started_at(&network(terminals, elements), &STILL_SHAFT, NoDrive, &grid(1.0e-3), 0.0).unwrap();
    let heads = |plant: &Plant<NoDrive>| (plant.head_m(Place::Node(1)), plant.head_m(Place::Node(3)));
    let start_m = heads(&plant);
    assert_near("head of the dead end", start_m.0, start_m.1, 1.0e-9, "m");
    plant.set_opening(1, 0.0).unwrap();
    plant.advance().unwrap();
    let rise_m = heads(&plant).0 - start_m.0;
    while plant.time_s() < 0.03 {
        plant.advance().unwrap();
    }
    assert_near("doubled", 2.0 * rise_m, heads(&plant).1 - start_m.1, 1.0e-6 * rise_m, "m");
}

#[test]
fn rejects_a_loop_without_resistance_and_levels_that_nothing_holds_apart() {
    let side_by_side = vec![(0, 1, smooth(10.0, 0.05)), (0, 1, smooth(12.0, 0.05)), (1, 2, rough(10.0, 0.05))];
    let error = steady::solve(&network(vec![tank(5.0), Terminal::None, tank(1.0)], side_by_side), 0.0).unwrap_err();
    assert!(
        matches!(&error, HydraulicsError::LoopWithoutResistance { element, .. } if element == "element 1"),
        "{error}"
    );
    assert!(error.to_string().contains("no resistance"), "{error}");
    let error = steady::solve(&network(vec![tank(5.0), tank(1.0)], vec![(0, 1, smooth(10.0, 0.05))]), 0.0).unwrap_err();
    assert!(error.to_string().contains("4.000 m apart"), "{error}");
}

/// A bypass with a check valve around the pump: shut while the pump pumps, and the way of the water when it stands and
/// the suction side is higher.
#[test]
fn opens_the_bypass_when_the_pump_stands_and_shuts_it_when_it_runs() {
    for (lift_m, speed_rad_s, open) in [(12.0, RATED_RAD_S, false), (-3.0, 0.0, true)] {
        let mut spec = Bench { lift_m, ..Bench::default() }.network();
        let pump = spec.elements.iter().find(|element| element.name == "pump").unwrap();
        let (from, to) = (pump.from, pump.to);
        let kind = ElementKind::CheckValve(CheckValveSpec { kv_m3_h: 40.0, cracking_head_m: 0.05 });
        spec.elements.push(ElementSpec { name: "bypass".into(), from, to, kind });
        let bypass = spec.elements.len() - 1;
        let state = steady::solve(&spec, speed_rad_s).unwrap();
        assert_eq!(state.open[bypass], open, "at {speed_rad_s} rad/s: {} m3/s", state.flows_m3_s[bypass]);
        if open {
            let pumped_m3_s = state.flows_m3_s[1];
            assert!(state.flows_m3_s[bypass] > pumped_m3_s, "{} against {pumped_m3_s} m3/s", state.flows_m3_s[bypass]);
            continue;
        }
        // Trip: the water that runs on finds the way around the pump as soon as the pump holds it back.
        let driver = Straight { on: false, ..Straight::off() };
        let mut plant = Plant::started_at(&spec, &SHAFT, driver, &grid(1.0e-3), speed_rad_s).unwrap();
        (0..3000).for_each(|_| plant.advance().unwrap());
        assert!(plant.volume_error_m3().abs() < 1.0e-6, "volume error {} m3", plant.volume_error_m3());
    }
}

proptest! {
    #![proptest_config(super::bench::cases(32))]

    /// A ladder of loops between two tanks with random pipes: flows add up at every node, heads add up round every loop,
    /// and a run from the steady state stays in it.
    #[test]
    fn law_any_ladder_of_loops_has_a_steady_state_that_stays(
        rungs in 1..5_usize, lengths in proptest::collection::vec(10.0..80.0_f64, 16),
        bores in proptest::collection::vec(0.03..0.15_f64, 16), level_m in 2.0..40.0_f64,
    ) {
        let mut elements = vec![(0, 1, rough(lengths[0], bores[0])), (0, 2, rough(lengths[1], bores[1]))];
        let mut terminals = vec![tank(level_m), Terminal::None, Terminal::None];
        for rung in 0..rungs {
            let (upper, lower) = (1 + 2 * rung, 2 + 2 * rung);
            let at = |i: usize| rough(lengths[2 + 3 * rung + i], bores[2 + 3 * rung + i]);
            elements.push((upper, lower, at(0)));
            if rung + 1 < rungs {
                terminals.extend([Terminal::None, Terminal::None]);
                elements.extend([(upper, upper + 2, at(1)), (lower, lower + 2, at(2))]);
            }
        }
        let last = terminals.len();
        terminals.push(tank(0.0));
        elements.push((last - 2, last, rough(lengths[14], bores[14])));
        elements.push((last - 1, last, rough(lengths[15], bores[15])));
        let spec = network(terminals, elements);
        let state = steady::solve(&spec, 0.0).unwrap();
        for node in 1..last {
            let sum: f64 = spec.elements.iter().zip(&state.flows_m3_s).map(|(element, flow)| {
                flow * (f64::from(u8::from(element.to == node)) - f64::from(u8::from(element.from == node)))
            }).sum();
            prop_assert!(sum.abs() < 1.0e-12, "node {node}: {sum} m3/s are left over");
        }
        let mut plant = Plant::started_at(&spec, &STILL_SHAFT, NoDrive, &grid(2.0e-3), 0.0).unwrap();
        (0..200).for_each(|_| plant.advance().unwrap());
        for (node, head_m) in state.heads_m.iter().enumerate() {
            let drift_m = (plant.head_m(Place::Node(node)) - head_m).abs();
            prop_assert!(drift_m < 1.0e-7, "node {node} drifted by {drift_m} m");
        }
    }
}
