//! Orifices, relief valves and gas against closed forms; volume.

use super::bench::{assert_near, liquid, whole_liquid};
use proptest::prelude::*;
use ramprig::hydraulics::plant::{Plant, PlantEventKind};
use ramprig::hydraulics::rigid_column::GasSpring;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{
    ElementKind, ElementSpec, GasSpec, GridOptions, NetworkSpec, NodeSpec, OrificeSpec, PipeSpec, Place,
    ReliefValveSpec, ShaftSpec, Terminal, ValveSpec,
};
use ramprig::hydraulics::steady;
use ramprig::hydraulics::valve::kv_flow_m3_s;
use std::f64::consts::FRAC_PI_4;

pub const SHAFT: ShaftSpec = ShaftSpec { inertia_kg_m2: 1.0, friction_n_m: 0.0 };
const FLOW_TOLERANCE: f64 = 1.0e-9;
/// Share of the flow that went through, by which the numbers may make or lose volume.
const VOLUME_SHARE: f64 = 1.0e-9;

pub fn tank(level_m: f64) -> Terminal {
    Terminal::Tank { level_m, area_m2: f64::INFINITY, overflow_m: f64::INFINITY }
}

pub fn valve(kv_open_m3_h: f64) -> ElementKind {
    ElementKind::Valve(ValveSpec { kv_open_m3_h, curve: vec![], opening: 1.0 })
}

pub fn smooth(length_m: f64, bore_m: f64) -> ElementKind {
    ElementKind::Pipe(PipeSpec {
        length_m,
        bore_m,
        roughness_m: 0.0,
        wave_speed_m_s: 1400.0,
        minor_loss_k: 0.0,
        fixed_darcy_f: Some(0.0),
        creep: None,
        lay_flat: None,
    })
}

/// Nodes at the datum, elements between the nodes named.
pub fn network(terminals: Vec<Terminal>, elements: Vec<(usize, usize, ElementKind)>) -> NetworkSpec {
    let node = |(i, terminal)| NodeSpec { name: format!("node {i}"), elevation_m: 0.0, terminal };
    let element = |(i, (from, to, kind))| ElementSpec { name: format!("element {i}"), from, to, kind };
    NetworkSpec {
        liquid: liquid(),
        nodes: terminals.into_iter().enumerate().map(node).collect(),
        elements: elements.into_iter().enumerate().map(element).collect(),
    }
}

pub fn grid(dt_max_s: f64) -> GridOptions {
    GridOptions { dt_max_s, ..GridOptions::default() }
}

#[test]
fn agrees_with_closed_form_flow_of_an_orifice() {
    let (bore_m, coefficient, head_m) = (0.03, 0.61, 7.0_f64);
    let orifice = ElementKind::Orifice(OrificeSpec { bore_m, discharge_coefficient: coefficient });
    for (levels, sign) in [((head_m, 0.0), 1.0), ((0.0, head_m), -1.0)] {
        let spec = network(vec![tank(levels.0), tank(levels.1)], vec![(0, 1, orifice.clone())]);
        let got_m3_s = steady::solve(&spec, 0.0).unwrap().flows_m3_s[0];
        let expected_m3_s = sign * coefficient * FRAC_PI_4 * bore_m * bore_m * (2.0 * 9.806_65 * head_m).sqrt();
        assert_near("Torricelli with a coefficient", expected_m3_s, got_m3_s, FLOW_TOLERANCE, "m3/s");
    }
}

#[test]
fn agrees_with_closed_form_flow_of_a_relief_valve() {
    let spec = ReliefValveSpec { kv_open_m3_h: 12.0, set_pa: 3.0e5, full_open_pa: 3.5e5 };
    let weight_n_m3 = liquid().density_kg_m3 * liquid().gravity_m_s2;
    for drop_pa in [2.9e5, 3.0e5, 3.05e5, 3.2e5, 3.49e5, 3.6e5, 6.0e5] {
        let terminals = vec![tank(drop_pa / weight_n_m3), tank(0.0)];
        let network = network(terminals, vec![(0, 1, ElementKind::ReliefValve(spec))]);
        let got_m3_s = steady::solve(&network, 0.0).unwrap().flows_m3_s[0];
        let opening = ((drop_pa - spec.set_pa) / (spec.full_open_pa - spec.set_pa)).clamp(0.0, 1.0);
        let expected_m3_s = kv_flow_m3_s(opening * spec.kv_open_m3_h, drop_pa, liquid().density_kg_m3);
        assert_near(&format!("at {drop_pa} Pa"), expected_m3_s, got_m3_s, 2.0 * FLOW_TOLERANCE, "m3/s");
    }
}

/// Tank, line, valve that shuts at once, relief valve before it: the rise stays under what full opening needs.
#[test]
fn law_a_relief_valve_caps_the_rise_and_shuts_again() {
    let relief = |set_pa: f64| {
        let kind = ReliefValveSpec { kv_open_m3_h: 200.0, set_pa, full_open_pa: 1.05 * set_pa };
        let terminals = vec![tank(30.0), Terminal::None, Terminal::FreeOutlet, Terminal::FreeOutlet];
        let elements = vec![(0, 1, smooth(140.0, 0.1)), (1, 2, valve(30.0)), (1, 3, ElementKind::ReliefValve(kind))];
        let mut plant = Plant::started_at(&network(terminals, elements), &SHAFT, NoDrive, &grid(1.0e-3), 0.0).unwrap();
        plant.set_opening(1, 0.0).unwrap();
        let mut highest_pa = 0.0_f64;
        for _ in 0..6000 {
            plant.advance().unwrap();
            highest_pa = highest_pa.max(plant.gauge_pa(Place::Node(1), 0.0));
        }
        assert!(plant.volume_error_m3().abs() < 1.0e-8, "volume error {} m3", plant.volume_error_m3());
        (highest_pa, plant.take_events())
    };
    let (bare_pa, _) = relief(1.0e9);
    let (capped_pa, events) = relief(5.0e5);
    assert!(bare_pa > 1.2e6, "the bare rise: {bare_pa} Pa");
    assert!(
        capped_pa < 1.05 * 5.0e5 && capped_pa > 5.0e5,
        "expected 500 to 525 kPa, got {capped_pa} Pa, bare {bare_pa}"
    );
    let is = |kind: PlantEventKind| events.iter().filter(|event| event.kind == kind).count();
    let (opened, shut) =
        (is(PlantEventKind::ReliefValveOpened { element: 2 }), is(PlantEventKind::ReliefValveClosed { element: 2 }));
    assert!(opened >= 1 && opened == shut, "opened {opened}, shut {shut}");
}

fn gas(volume_m3: f64, exponent: f64) -> GasSpec {
    GasSpec { volume_m3, charged_abs_pa: None, exponent, area_m2: f64::INFINITY, capacity_m3: f64::INFINITY }
}

/// Tank, frictionless line, gas at its end, a small draw-off there that shuts: period of the swing that follows.
fn swing_s(spec: GasSpec) -> (f64, Plant<NoDrive>) {
    let terminals = vec![tank(20.0), Terminal::Gas(spec), Terminal::FreeOutlet];
    let elements = vec![(0, 1, smooth(30.0, 0.08)), (1, 2, valve(0.05))];
    let mut plant = Plant::started_at(&network(terminals, elements), &SHAFT, NoDrive, &grid(2.0e-3), 0.0).unwrap();
    plant.set_opening(1, 0.0).unwrap();
    let (mut before_m, mut crossings) = (0.0, vec![]);
    while crossings.len() < 9 {
        plant.advance().unwrap();
        let now_m = plant.head_m(Place::Node(1)) - 20.0;
        if before_m * now_m < 0.0 {
            crossings.push(plant.time_s() - plant.dt_s() * now_m / (now_m - before_m));
        }
        before_m = now_m;
    }
    ((crossings[8] - crossings[0]) / 4.0, plant)
}

#[test]
fn agrees_with_closed_form_swing_against_gas() {
    /// The line's own water gives a thousandth of what the gas gives.
    const PERIOD_SHARE: f64 = 2.0e-3;
    for exponent in [1.0, 1.2, 1.4] {
        let spec = gas(0.02, exponent);
        let (got_s, plant) = swing_s(spec);
        let weight_n_m3 = liquid().density_kg_m3 * liquid().gravity_m_s2;
        let spring = GasSpring {
            absolute_pa: liquid().atmosphere_pa + 20.0 * weight_n_m3,
            volume_m3: spec.volume_m3,
            exponent,
            length_m: 30.0,
            area_m2: FRAC_PI_4 * 0.08 * 0.08,
            density_kg_m3: liquid().density_kg_m3,
        };
        let expected_s = spring.period_s();
        assert_near(&format!("exponent {exponent}"), expected_s, got_s, PERIOD_SHARE * expected_s, "s");
        assert_near("volume", 0.0, plant.volume_error_m3(), 1.0e-9, "m3");
    }
}

#[test]
fn tells_when_a_vessel_has_let_out_all_its_water() {
    let spec = GasSpec { capacity_m3: 0.011, area_m2: 0.05, ..gas(0.01, 1.2) };
    let terminals = vec![tank(20.0), Terminal::Gas(spec), Terminal::FreeOutlet];
    let elements = vec![(0, 1, valve(2.0)), (1, 2, valve(2.0))];
    let mut network = network(terminals, elements);
    if let ElementKind::Valve(last) = &mut network.elements[1].kind {
        last.opening = 0.0;
    }
    let mut plant = Plant::new(&network, &SHAFT, NoDrive, &grid(1.0e-3)).unwrap();
    plant.set_opening(0, 0.0).unwrap();
    plant.set_opening(1, 1.0).unwrap();
    (0..4000).for_each(|_| plant.advance().unwrap());
    let emptied = plant.take_events().iter().any(|event| event.kind == PlantEventKind::VesselEmptied { node: 1 });
    assert!(emptied && plant.gas_m3(1) > 0.011, "gas {} m3", plant.gas_m3(1));
}

proptest! {
    #![proptest_config(super::bench::cases(24))]

    /// A pocket at a dead end and a vessel at a tee, a valve that shuts and opens.
    #[test]
    fn law_volume_balances_with_gas(
        pocket_m3 in 1.0e-4..0.05_f64, vessel_m3 in 1.0e-3..0.5_f64, exponent in 1.0..1.4_f64,
        area_m2 in 0.01..1.0_f64, kv_m3_h in 5.0..60.0_f64,
    ) {
        let vessel = GasSpec { area_m2, charged_abs_pa: Some(1.5e5), ..gas(vessel_m3, exponent) };
        let terminals = vec![
            tank(25.0), Terminal::None, Terminal::Gas(gas(pocket_m3, exponent)), Terminal::Gas(vessel), Terminal::FreeOutlet,
        ];
        let orifice = ElementKind::Orifice(OrificeSpec { bore_m: 0.04, discharge_coefficient: 0.6 });
        let elements = vec![
            (0, 1, smooth(60.0, 0.08)), (1, 2, smooth(12.0, 0.05)), (1, 3, orifice), (1, 4, valve(kv_m3_h)),
        ];
        let spec = NetworkSpec { liquid: whole_liquid(), ..network(terminals, elements) };
        let mut plant = Plant::started_at(&spec, &SHAFT, NoDrive, &grid(1.0e-3), 0.0).unwrap();
        let mut moved_m3 = 0.0;
        for step in 0..3000 {
            if step % 700 == 0 {
                plant.set_opening(3, if step % 1400 == 0 { 0.0 } else { 1.0 }).unwrap();
            }
            plant.advance().unwrap();
            moved_m3 += plant.dt_s() * plant.flow_m3_s(Place::Pipe { element: 0, share: 0.0 }).abs();
        }
        let error_m3 = plant.volume_error_m3().abs();
        prop_assert!(error_m3 <= VOLUME_SHARE * moved_m3 + 1.0e-10, "volume error {error_m3} m3 of {moved_m3} m3 moved");
    }
}
