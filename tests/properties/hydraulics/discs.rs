//! Check valves with a disc: reverse velocity at closure and slam against the rigid column, and what springs do.

use super::bench::{assert_near, whole_liquid};
use super::fittings::{SHAFT, grid, network, tank, valve};
use ramprig::hydraulics::ode::integrate;
use ramprig::hydraulics::plant::{Plant, PlantEventKind};
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{DiscCheckValveSpec, ElementKind, NetworkSpec, PipeSpec, Place, Terminal};
use ramprig::hydraulics::valve::kv_loss_s2_m5;
use ramprig::hydraulics::wave_speed::joukowsky_m;
use std::f64::consts::FRAC_PI_4;

const LENGTH_M: f64 = 6.0;
const BORE_M: f64 = 0.1;
const DARCY_F: f64 = 0.02;
const WAVE_M_S: f64 = 1250.0;
const STATIC_M: f64 = 1.2;

fn disc(seat_force_n: f64, damping_n_s_m: f64) -> DiscCheckValveSpec {
    DiscCheckValveSpec {
        kv_m3_h: 400.0,
        mass_kg: 1.5,
        area_m2: 8.0e-3,
        travel_m: 0.03,
        seat_force_n,
        spring_n_m: 0.0,
        damping_n_s_m,
    }
}

/// Node 0 high tank, 4 low tank, both through a valve to node 1; disc valve; line; upper tank: what stands behind the disc
/// changes at once from the high to the low tank, as if a pump's head had vanished.
fn line(spec: DiscCheckValveSpec) -> NetworkSpec {
    let pipe = PipeSpec {
        length_m: LENGTH_M,
        bore_m: BORE_M,
        roughness_m: 0.0,
        wave_speed_m_s: WAVE_M_S,
        minor_loss_k: 0.0,
        fixed_darcy_f: Some(DARCY_F),
        creep: None,
        lay_flat: None,
    };
    let terminals = vec![tank(1.45), Terminal::None, Terminal::None, tank(STATIC_M), tank(0.0)];
    let elements = vec![
        (0, 1, valve(3000.0)),
        (1, 2, ElementKind::DiscCheckValve(spec)),
        (2, 3, ElementKind::Pipe(pipe)),
        (1, 4, valve(3000.0)),
    ];
    let mut network = NetworkSpec { liquid: whole_liquid(), ..network(terminals, elements) };
    if let ElementKind::Valve(to_low) = &mut network.elements[3].kind {
        to_low.opening = 0.0;
    }
    network
}

/// Opening at which both solutions are compared: the last stretch to the seat is a jump for either.
const NEARLY_SHUT: f64 = 0.05;

struct Closure {
    nearly: (f64, f64),
    reverse_m_s: f64,
    rise_m: f64,
}

fn run(spec: DiscCheckValveSpec) -> (Closure, (f64, f64)) {
    let area_m2 = FRAC_PI_4 * BORE_M * BORE_M;
    let mut plant = Plant::started_at(&line(spec), &SHAFT, NoDrive, &grid(1.0e-4), 0.0).unwrap();
    let start = (plant.flow_m3_s(Place::Node(2)), plant.disc(1).unwrap().0);
    assert!(start.0 > 1.0e-3 && start.1 < 1.0, "forward flow, and a floating disc: {start:?}");
    plant.set_opening(0, 0.0).unwrap();
    plant.set_opening(3, 1.0).unwrap();
    let (mut nearly, mut before_m) = (None, 0.0);
    for _ in 0..80_000 {
        plant.advance().unwrap();
        let (opening, shut_on_m3_s) = plant.disc(1).unwrap();
        if opening < NEARLY_SHUT && nearly.is_none() {
            nearly = Some((plant.time_s(), plant.flow_m3_s(Place::Pipe { element: 2, share: 0.0 })));
        }
        if let Some(shut_on_m3_s) = shut_on_m3_s {
            let told = PlantEventKind::DiscClosed { element: 1, flow_m3_s: shut_on_m3_s };
            let closed = plant.take_events().iter().any(|event| event.kind == told);
            assert!(closed, "no event of the closure");
            let rise_m = plant.head_m(Place::Node(2)) - before_m;
            return (Closure { nearly: nearly.unwrap(), reverse_m_s: -shut_on_m3_s / area_m2, rise_m }, start);
        }
        before_m = plant.head_m(Place::Node(2));
    }
    panic!("the disc never shut");
}

/// Disc and rigid column together, by the adaptive integrator: time and flow when nearly shut.
///
/// Equation: `L/(g A) Q' = -(H + k Q|Q|/(2 g A^2) + dH)`, `m x'' = rho g A_d dH - F - c x'`, `dH = r (travel/x)^2 Q|Q|`.
fn coupled(spec: DiscCheckValveSpec, (flow_m3_s, opening): (f64, f64)) -> (f64, f64) {
    let area_m2 = FRAC_PI_4 * BORE_M * BORE_M;
    let (gravity, liquid) = (9.806_65, whole_liquid());
    let friction = DARCY_F * LENGTH_M / BORE_M / (2.0 * gravity * area_m2 * area_m2);
    let loss = kv_loss_s2_m5(spec.kv_m3_h, gravity);
    let rate = |_: f64, y: &[f64; 3]| {
        let [flow, lift_m, speed_m_s] = *y;
        let across_m = loss * (spec.travel_m / lift_m).powi(2) * flow * flow.abs();
        let push_n = liquid.density_kg_m3 * gravity * spec.area_m2 * across_m - spec.seat_force_n;
        let flow_rate = -gravity * area_m2 / LENGTH_M * (STATIC_M + friction * flow * flow.abs() + across_m);
        [flow_rate, speed_m_s, (push_n - spec.damping_n_s_m * speed_m_s) / spec.mass_kg]
    };
    let start = [flow_m3_s, opening * spec.travel_m, 0.0];
    let end = integrate(rate, start, 20.0, 1.0e-10, |y| y[1] / spec.travel_m - NEARLY_SHUT).unwrap();
    assert!(end.by_event);
    (end.time_s, end.state[0])
}

#[test]
fn agrees_with_the_coupled_equations_of_disc_and_column() {
    const TIME_SHARE: f64 = 0.02;
    const FLOW_SHARE: f64 = 0.02;
    // The elastic line's flow falls in stairs of g H A / a a travel time; half of one is as near as the column can be.
    let stair_m3_s = 9.806_65 * STATIC_M / WAVE_M_S * FRAC_PI_4 * BORE_M * BORE_M;
    let mut late = 0;
    for spec in [disc(10.0, 80.0), disc(10.0, 150.0), disc(12.0, 300.0)] {
        let (closure, start) = run(spec);
        let (time_s, flow_m3_s) = coupled(spec, start);
        println!("from {start:?}: {:?} against {:?}", closure.nearly, (time_s, flow_m3_s));
        assert_near("time to nearly shut", time_s, closure.nearly.0, TIME_SHARE * time_s, "s");
        assert_near("flow there", flow_m3_s, closure.nearly.1, FLOW_SHARE * flow_m3_s.abs() + 0.5 * stair_m3_s, "m3/s");
        late += u32::from(flow_m3_s < 0.0);
    }
    assert!(late >= 2, "at least two of these are late: {late}");
}

/// A disc with a strong damper shuts late and hard; the rise in the step of closure is that of the flow it stops.
#[test]
fn law_the_slam_is_that_of_the_reverse_flow_stopped() {
    let (closure, _) = run(disc(10.0, 150.0));
    let slam_m = joukowsky_m(WAVE_M_S, closure.reverse_m_s, 9.806_65);
    assert_near("slam, Joukowsky", slam_m, closure.rise_m, 0.05 * slam_m + 0.02, "m");
}

#[test]
fn law_less_damping_shuts_on_less_reverse_flow() {
    let reverse = |damping| run(disc(10.0, damping)).0.nearly.1;
    let (slow, middle, quick) = (reverse(400.0), reverse(150.0), reverse(40.0));
    assert!(slow < middle && middle < quick, "{slow}, {middle}, {quick} m3/s (backwards is negative)");
}
