//! Air valves: a column that swings away from one and back, and volume.

use super::bench::assert_near;
use super::fittings::{SHAFT, grid, network, smooth, tank, valve};
use proptest::prelude::*;
use ramprig::hydraulics::HydraulicsError;
use ramprig::hydraulics::plant::{Plant, PlantEventKind};
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{AirValveSpec, NetworkSpec, Place, Terminal};
use ramprig::hydraulics::steady;
use ramprig::hydraulics::wave_speed::joukowsky_m;
use std::f64::consts::FRAC_PI_4;

const LENGTH_M: f64 = 14.0;
const BORE_M: f64 = 0.1;
const LEVEL_M: f64 = 4.0;

/// High tank, valve, air valve at the datum, frictionless line, tank.
fn line(spec: AirValveSpec) -> NetworkSpec {
    let terminals = vec![tank(LEVEL_M + 2.0), Terminal::AirValve(spec), tank(LEVEL_M)];
    network(terminals, vec![(0, 1, valve(60.0)), (1, 2, smooth(LENGTH_M, BORE_M))])
}

/// With openings so wide that the air under the valve stays at the atmosphere's pressure: the column slows down under
/// `g H / L`, stands after `V L / (g H)` and comes back as fast as it left.
#[test]
fn agrees_with_closed_form_swing_into_an_air_valve() {
    const SHARE: f64 = 0.02;
    let wide = AirValveSpec { inflow_cda_m2: 0.02, outflow_cda_m2: 0.02 };
    let mut plant = Plant::started_at(&line(wide), &SHAFT, NoDrive, &grid(1.0e-4), 0.0).unwrap();
    let area_m2 = FRAC_PI_4 * BORE_M * BORE_M;
    let velocity_m_s = plant.flow_m3_s(Place::Pipe { element: 1, share: 0.0 }) / area_m2;
    assert!(velocity_m_s > 0.5, "{velocity_m_s} m/s");
    plant.set_opening(0, 0.0).unwrap();
    let (mut largest, mut expelled_s, mut rise_m) = ((0.0, 0.0), None, 0.0_f64);
    while plant.time_s() < expelled_s.map_or(20.0, |s: f64| s + 2.0e-3) {
        plant.advance().unwrap();
        if plant.gas_m3(1) > largest.0 {
            largest = (plant.gas_m3(1), plant.time_s());
        }
        for event in plant.take_events() {
            if event.kind == (PlantEventKind::AirExpelled { node: 1 }) && largest.0 > 1.0e-3 {
                expelled_s.get_or_insert(event.time_s);
            }
        }
        if expelled_s.is_some() {
            rise_m = rise_m.max(plant.head_m(Place::Node(1)));
        }
    }
    let turn_s = velocity_m_s * LENGTH_M / (9.806_65 * LEVEL_M);
    let volume_m3 = 0.5 * area_m2 * velocity_m_s * turn_s;
    assert_near("largest volume of air", volume_m3, largest.0, SHARE * volume_m3, "m3");
    assert_near("time of it", turn_s, largest.1, SHARE * turn_s, "s");
    assert_near("all air out again", 2.0 * turn_s, expelled_s.unwrap(), SHARE * 2.0 * turn_s, "s");
    let slam_m = joukowsky_m(1400.0, velocity_m_s, 9.806_65);
    assert_near("slam of the water that comes back", slam_m, rise_m, 0.03 * slam_m, "m");
    assert_near("volume", 0.0, plant.volume_error_m3(), 1.0e-9, "m3");
}

#[test]
fn law_a_small_opening_outwards_softens_the_slam() {
    let peak_m = |outflow_cda_m2: f64| {
        let spec = AirValveSpec { inflow_cda_m2: 2.0e-3, outflow_cda_m2 };
        let mut plant = Plant::started_at(&line(spec), &SHAFT, NoDrive, &grid(2.0e-4), 0.0).unwrap();
        plant.set_opening(0, 0.0).unwrap();
        let mut highest_m = 0.0_f64;
        for _ in 0..20_000 {
            plant.advance().unwrap();
            highest_m = highest_m.max(plant.head_m(Place::Node(1)));
        }
        assert!(plant.volume_error_m3().abs() < 1.0e-9, "volume error {} m3", plant.volume_error_m3());
        highest_m
    };
    let (wide_m, small_m) = (peak_m(2.0e-3), peak_m(5.0e-6));
    assert!(small_m < 0.5 * wide_m, "{small_m} m with a small opening outwards, {wide_m} m with a wide one");
}

#[test]
fn rejects_a_steady_state_that_draws_air_for_good() {
    let mut spec = line(AirValveSpec { inflow_cda_m2: 1.0e-3, outflow_cda_m2: 1.0e-3 });
    spec.nodes[1].elevation_m = LEVEL_M + 3.0;
    let error = steady::solve(&spec, 0.0).unwrap_err();
    assert!(
        matches!(&error, HydraulicsError::DrawsAir { node, gauge_pa } if node == "node 1" && *gauge_pa < 0.0),
        "{error}"
    );
}

proptest! {
    #![proptest_config(super::bench::cases(24))]

    #[test]
    fn law_volume_balances_with_an_air_valve(
        inwards in -5.0..-2.0_f64, outwards in -6.0..-2.0_f64, dt_s in 1.0e-4..1.0e-3_f64, kv_m3_h in 10.0..80.0_f64,
    ) {
        let spec = AirValveSpec { inflow_cda_m2: 10.0_f64.powf(inwards), outflow_cda_m2: 10.0_f64.powf(outwards) };
        let mut network = line(spec);
        network.elements[0].kind = valve(kv_m3_h);
        let mut plant = Plant::started_at(&network, &SHAFT, NoDrive, &grid(dt_s), 0.0).unwrap();
        for step in 0..4000 {
            if step % 1000 == 0 {
                plant.set_opening(0, if step % 2000 == 0 { 0.0 } else { 1.0 }).unwrap();
            }
            if let Err(error) = plant.advance() {
                return Err(TestCaseError::fail(error.to_string()));
            }
        }
        prop_assert!(plant.volume_error_m3().abs() < 1.0e-9, "volume error {} m3", plant.volume_error_m3());
    }

    /// Two air valves at one place, with a valve but no pipe between them.
    #[test]
    fn law_volume_balances_with_two_air_valves_at_one_place(
        inwards in (-5.0..-2.0_f64, -5.0..-2.0_f64), outwards in (-6.0..-2.0_f64, -6.0..-2.0_f64),
        dt_s in 1.0e-4..1.0e-3_f64, kv_m3_h in 10.0..80.0_f64, between_kv_m3_h in 1.0..200.0_f64,
        apart_m in -0.5..0.5_f64,
    ) {
        let of = |inwards: f64, outwards: f64| {
            let spec =
                AirValveSpec { inflow_cda_m2: 10.0_f64.powf(inwards), outflow_cda_m2: 10.0_f64.powf(outwards) };
            Terminal::AirValve(spec)
        };
        let terminals =
            vec![tank(LEVEL_M + 2.0), of(inwards.0, outwards.0), of(inwards.1, outwards.1), tank(LEVEL_M)];
        let elements =
            vec![(0, 1, valve(kv_m3_h)), (1, 2, valve(between_kv_m3_h)), (2, 3, smooth(LENGTH_M, BORE_M))];
        let mut network = network(terminals, elements);
        network.nodes[2].elevation_m += apart_m;
        let mut plant = Plant::started_at(&network, &SHAFT, NoDrive, &grid(dt_s), 0.0).unwrap();
        for step in 0..4000 {
            if step % 1000 == 0 {
                plant.set_opening(0, if step % 2000 == 0 { 0.0 } else { 1.0 }).unwrap();
            }
            if let Err(error) = plant.advance() {
                return Err(TestCaseError::fail(error.to_string()));
            }
        }
        prop_assert!(plant.volume_error_m3().abs() < 1.0e-9, "volume error {} m3", plant.volume_error_m3());
    }
}
