//! What the core refuses, with reason and number; and states that are hard but possible.

use super::bench::{Bench, SHAFT, assert_near, liquid, pipe};
use ramprig::hydraulics::HydraulicsError;
use ramprig::hydraulics::network::Network;
use ramprig::hydraulics::plant::Plant;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{
    ElementKind, ElementSpec, GridOptions, NetworkSpec, NodeSpec, Place, ShaftSpec, Terminal,
};
use ramprig::hydraulics::steady;

fn bench() -> NetworkSpec {
    Bench::default().network()
}

fn refusal(change: impl FnOnce(&mut NetworkSpec)) -> String {
    let mut network = bench();
    change(&mut network);
    Network::new(&network).unwrap_err().to_string()
}

#[test]
fn rejects_networks_that_cannot_be_and_says_which_number() {
    let texts = [
        (refusal(|n| n.elements[0].to = 99), "node 99 does not exist"),
        (refusal(|n| n.elements[0].to = 0), "both ends are at node `sump`"),
        (refusal(|n| n.liquid.density_kg_m3 = 0.0), "density is 0 kg/m3"),
        (refusal(|n| n.liquid.vapour_pa = 2.0e5), "vapour pressure is 200000 Pa"),
        (refusal(|n| n.nodes[1].elevation_m = f64::NAN), "elevation is NaN m"),
        (
            refusal(|n| {
                n.nodes[0].terminal = Terminal::None;
                n.nodes[6].terminal = Terminal::None;
            }),
            "nothing fixes the head",
        ),
        (
            refusal(|n| {
                n.nodes[6].terminal = Terminal::Tank { level_m: 1.0, area_m2: 0.0, overflow_m: 2.0 };
            }),
            "plan area is 0 m2",
        ),
        (
            refusal(|n| {
                n.nodes[6].terminal = Terminal::Tank { level_m: 3.0, area_m2: 1.0, overflow_m: 2.0 };
            }),
            "overflow level is 2 m",
        ),
        (refusal(|n| n.elements[3].kind = n.elements[1].kind.clone()), "one commanded pump in a network"),
        (
            refusal(|n| {
                let ElementKind::Pipe(pipe) = &mut n.elements[0].kind else { panic!("pipe") };
                pipe.length_m = -5.0;
            }),
            "`suction`: length is -5 m",
        ),
        (
            refusal(|n| {
                let ElementKind::Pump(pump) = &mut n.elements[1].kind else { panic!("pump") };
                pump.curve[1].1 = 30.0;
            }),
            "the curve gives 30.00 m at the rated flow, the rated head is 18.00 m",
        ),
        (
            refusal(|n| {
                let ElementKind::Pump(pump) = &mut n.elements[1].kind else { panic!("pump") };
                pump.curve.truncate(2);
            }),
            "number of curve points is 2",
        ),
    ];
    for (text, part) in texts {
        assert!(text.contains(part), "expected `{part}` in `{text}`");
    }
}

#[test]
fn rejects_a_steady_state_below_vapour_pressure() {
    let mut network = bench();
    network.nodes[1].elevation_m = 11.0;
    network.nodes[2].elevation_m = 11.0;
    let error = steady::solve(&network, 0.0).unwrap_err();
    let HydraulicsError::BelowVapour { node, absolute_pa, .. } = &error else { panic!("{error}") };
    assert_eq!(node, "node 1");
    // 11 m above a level at 0 m: 101325 Pa - 998.2 x 9.80665 x 11 m.
    assert_near("absolute pressure", -6354.0, *absolute_pa, 1.0, "Pa");
}

#[test]
fn rejects_a_rest_that_is_none_and_begins_from_the_flow_instead() {
    let network = Bench { check_valve: false, ..Bench::default() }.network();
    let grid = GridOptions::default();
    let error = Plant::new(&network, &SHAFT, NoDrive, &grid).unwrap_err();
    assert!(matches!(error, HydraulicsError::NotAtRest { flow_m3_s, .. } if flow_m3_s < -1.0e-3), "{error}");
    let plant = Plant::started_at(&network, &SHAFT, NoDrive, &grid, 0.0).unwrap();
    assert!(plant.pump_flow_m3_s() < -1.0e-3);
}

#[test]
fn rejects_grids_and_shafts_that_cannot_work() {
    let new =
        |shaft: ShaftSpec, grid: GridOptions| Plant::new(&bench(), &shaft, NoDrive, &grid).unwrap_err().to_string();
    let grid = GridOptions::default();
    let no_inertia = new(ShaftSpec { inertia_kg_m2: 0.0, ..SHAFT }, grid);
    assert!(no_inertia.contains("inertia of the shaft is 0 kg m2"), "{no_inertia}");
    let no_step = new(SHAFT, GridOptions { dt_max_s: 0.0, ..grid });
    assert!(no_step.contains("largest time step is 0 s"), "{no_step}");
    let too_coarse = new(SHAFT, GridOptions { dt_max_s: 10.0, wave_speed_adjustment_max: 1.0e-4, ..grid });
    assert!(too_coarse.contains("fits no common time step"), "{too_coarse}");
}

#[test]
fn rejects_an_opening_of_something_that_is_no_valve() {
    let mut plant = Plant::new(&bench(), &SHAFT, NoDrive, &GridOptions::default()).unwrap();
    for element in [0, 1, 2, 99] {
        let error = plant.set_opening(element, 0.5).unwrap_err();
        assert_eq!(error, HydraulicsError::NotAValve { element });
    }
    assert!(plant.set_opening(4, 0.5).is_ok());
}

#[test]
fn accepts_a_static_state_with_each_side_at_its_own_level() {
    let state = steady::solve(&bench(), 0.0).unwrap();
    let expected_m = [0.0, 0.0, 0.0, 12.0, 12.0, 12.0, 12.0];
    for (node, (expected, got)) in expected_m.iter().zip(&state.heads_m).enumerate() {
        assert_near(&format!("static head of node {node}"), *expected, *got, 1.0e-9, "m");
    }
    assert!(state.flows_m3_s.iter().all(|flow| *flow == 0.0), "{:?}", state.flows_m3_s);
    assert!(!state.open[2], "the check valve is shut");
}

#[test]
fn accepts_a_part_that_shut_valves_cut_off() {
    let mut network = bench();
    let ElementKind::Valve(valve) = &mut network.elements[4].kind else { panic!("valve") };
    valve.opening = 0.0;
    let state = steady::solve(&network, 0.0).unwrap();
    let riser_top_m = network.nodes[4].elevation_m;
    assert_near("head of the trapped riser", riser_top_m, state.heads_m[3], 1.0e-6, "m");
    let mut plant = Plant::new(&network, &SHAFT, NoDrive, &GridOptions::default()).unwrap();
    for _ in 0..1000 {
        plant.advance().unwrap();
    }
    assert_near("it stays", riser_top_m, plant.head_m(Place::Node(3)), 1.0e-6, "m");
}

#[test]
fn accepts_a_pump_too_slow_to_lift() {
    let state = steady::solve(&bench(), 0.3 * super::bench::RATED_RAD_S).unwrap();
    assert_near("flow", 0.0, state.flows_m3_s[1], 1.0e-11, "m3/s");
    assert_near("shut-off head by affinity", 0.09 * 23.0, state.pump_head_m, 1.0e-6, "m");
}

/// A fork: one supply, two outlets and a dead end; continuity, heads and one-way outlets.
#[test]
fn law_a_branching_line_shares_its_flow() {
    let tank = |level_m| Terminal::Tank { level_m, area_m2: f64::INFINITY, overflow_m: f64::INFINITY };
    let node = |name: &str, elevation_m, terminal| NodeSpec { name: name.into(), elevation_m, terminal };
    let element = |name: &str, from, to, length_m| {
        let kind = ElementKind::Pipe(pipe(length_m, 1000.0, None));
        ElementSpec { name: name.into(), from, to, kind }
    };
    let network = NetworkSpec {
        liquid: liquid(),
        nodes: vec![
            node("source", 0.0, tank(10.0)),
            node("fork", 0.0, Terminal::None),
            node("low outlet", 2.0, Terminal::FreeOutlet),
            node("high outlet", 30.0, Terminal::FreeOutlet),
            node("sink", 0.0, tank(4.0)),
            node("dead end", 1.0, Terminal::None),
        ],
        elements: vec![
            element("main", 0, 1, 20.0),
            element("to low", 1, 2, 30.0),
            element("to high", 1, 3, 10.0),
            element("to sink", 1, 4, 25.0),
            element("to dead end", 1, 5, 8.0),
        ],
    };
    let state = steady::solve(&network, 0.0);
    // The high outlet stands 20 m above the source: its pipe would hang dry, below vapour pressure.
    assert!(matches!(&state, Err(HydraulicsError::BelowVapour { node, .. }) if node == "high outlet"), "{state:?}");
    let mut network = network;
    network.nodes[3].elevation_m = 14.0;
    let state = steady::solve(&network, 0.0).unwrap();
    let q = &state.flows_m3_s;
    assert_near("continuity at the fork", q[0], q[1] + q[2] + q[3] + q[4], 1.0e-12, "m3/s");
    assert!(q[1] > 1.0e-3 && q[3] > 1.0e-3, "{q:?}");
    assert_near("no inflow by the high outlet", 0.0, q[2], 1.0e-9, "m3/s");
    assert_near("the dead end stands at the fork's head", state.heads_m[1], state.heads_m[5], 1.0e-9, "m");

    let mut plant = Plant::started_at(&network, &SHAFT, NoDrive, &GridOptions::default(), 0.0).unwrap();
    for _ in 0..2000 {
        plant.advance().unwrap();
    }
    for (element, flow) in q.iter().enumerate() {
        let got = plant.flow_m3_s(Place::Pipe { element, share: 0.5 });
        assert_near(&format!("flow of element {element} stays"), *flow, got, 1.0e-9, "m3/s");
    }
}
