//! The pump's head and torque over the whole plane of speed and flow.

use super::bench::{liquid, pump};
use proptest::prelude::*;
use ramprig::hydraulics::pump::Pump;
use ramprig::hydraulics::spec::PumpSpec;
use std::f64::consts::TAU;

/// Steps round the plane.
const STEPS: u32 = 20_000;
/// Largest change in one step of 0.3 mrad, share of the rated value: the steepest slope of the data is about 6 a radian.
const JUMP_LIMIT: f64 = 6.0 * TAU / STEPS as f64;

fn built(spec: &PumpSpec) -> Pump {
    let liquid = liquid();
    Pump::new("pump", spec, liquid.density_kg_m3, liquid.gravity_m_s2).unwrap()
}

fn pumps() -> impl Strategy<Value = PumpSpec> {
    (1.05..1.6, 0.3..0.8, 1.3..1.9, any::<bool>()).prop_map(|(shut_off, end_head, end_flow, with_efficiency)| {
        let rated = pump();
        let (q, h) = (rated.rated_flow_m3_s, rated.rated_head_m);
        PumpSpec {
            curve: vec![(0.0, shut_off * h), (q, h), (end_flow * q, end_head * h)],
            efficiency: if with_efficiency { rated.efficiency.clone() } else { vec![] },
            ..rated
        }
    })
}

fn on_circle(pump: &Pump, spec: &PumpSpec, step: u32) -> (f64, f64) {
    let angle = TAU * f64::from(step) / f64::from(STEPS);
    let point = pump.at(spec.rated_flow_m3_s * angle.sin(), spec.rated_speed_rad_s * angle.cos());
    (point.head_m / spec.rated_head_m, point.torque_n_m / pump.rated_torque_n_m())
}

proptest! {
    #![proptest_config(super::bench::cases(24))]

    #[test]
    fn law_head_and_torque_are_continuous_in_all_quadrants(spec in pumps()) {
        let pump = built(&spec);
        let mut before = on_circle(&pump, &spec, 0);
        for step in 1..=STEPS {
            let now = on_circle(&pump, &spec, step);
            prop_assert!((now.0 - before.0).abs() < JUMP_LIMIT, "head jumps by {} at step {step}", now.0 - before.0);
            prop_assert!((now.1 - before.1).abs() < JUMP_LIMIT, "torque jumps by {} at step {step}", now.1 - before.1);
            before = now;
        }
    }

    #[test]
    fn law_the_users_curve_is_met_where_the_pump_pumps(spec in pumps()) {
        let pump = built(&spec);
        for (flow, head) in &spec.curve {
            let got = pump.at(*flow, spec.rated_speed_rad_s).head_m;
            prop_assert!((got - head).abs() < 1.0e-9, "at {flow} m3/s expected {head} m, got {got}");
        }
        for (flow, eta) in spec.efficiency.iter().filter(|point| point.0 > 0.0 && point.0 < spec.curve[2].0) {
            let point = pump.at(*flow, spec.rated_speed_rad_s);
            let liquid = liquid();
            let water_w = liquid.density_kg_m3 * liquid.gravity_m_s2 * flow * point.head_m;
            let got = water_w / (point.torque_n_m * spec.rated_speed_rad_s);
            prop_assert!((got - eta).abs() < 1.0e-9, "at {flow} m3/s expected efficiency {eta}, got {got}");
        }
    }

    /// Head and torque go with the square of speed at like flow over speed.
    #[test]
    fn law_affinity_holds_everywhere(spec in pumps(), alpha in -1.5..1.5_f64, v in -1.5..1.5_f64, k in 0.1..1.0_f64) {
        let pump = built(&spec);
        let (flow, speed) = (v * spec.rated_flow_m3_s, alpha * spec.rated_speed_rad_s);
        let (full, part) = (pump.at(flow, speed), pump.at(k * flow, k * speed));
        prop_assert!((part.head_m - k * k * full.head_m).abs() < 1.0e-9 * spec.rated_head_m);
        prop_assert!((part.torque_n_m - k * k * full.torque_n_m).abs() < 1.0e-9 * pump.rated_torque_n_m());
    }

    /// Derivatives against central differences, away from the kinks between table points.
    #[test]
    fn law_derivatives_are_the_slopes(spec in pumps(), alpha in -1.5..1.5_f64, v in -1.5..1.5_f64) {
        const STEP: f64 = 1.0e-6;
        const TOLERANCE: f64 = 1.0e-4;
        let pump = built(&spec);
        let (q, w) = (spec.rated_flow_m3_s, spec.rated_speed_rad_s);
        let at = |dv: f64, da: f64| pump.at((v + dv) * q, (alpha + da) * w);
        let spread = |dv: f64, da: f64| {
            let (low, middle, high) = (at(-dv, -da), at(0.0, 0.0), at(dv, da));
            let bend = high.head_m - 2.0 * middle.head_m + low.head_m;
            let twist = high.torque_n_m - 2.0 * middle.torque_n_m + low.torque_n_m;
            let smooth = bend.abs() < 1.0e-9 && twist.abs() < 1.0e-9;
            (high.head_m - low.head_m, high.torque_n_m - low.torque_n_m, smooth)
        };
        let point = at(0.0, 0.0);
        let (head, torque, smooth) = spread(STEP, 0.0);
        prop_assume!(smooth);
        prop_assert!((head / (2.0 * STEP * q) - point.head_by_flow).abs() < TOLERANCE * spec.rated_head_m / q);
        prop_assert!((torque / (2.0 * STEP * q) - point.torque_by_flow).abs() < TOLERANCE * pump.rated_torque_n_m() / q);
        let (head, torque, smooth) = spread(0.0, STEP);
        prop_assume!(smooth);
        prop_assert!((head / (2.0 * STEP * w) - point.head_by_speed).abs() < TOLERANCE * spec.rated_head_m / w);
        prop_assert!((torque / (2.0 * STEP * w) - point.torque_by_speed).abs() < TOLERANCE * pump.rated_torque_n_m() / w);
    }
}
