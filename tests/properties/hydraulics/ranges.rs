//! The quick figures over their whole stated ranges: finite, of the right sign, monotone where nature is, and with the right
//! limits at the edges (no loss, no head, no load, no gas).

use super::bench::assert_near;
use proptest::prelude::*;
use ramprig::hydraulics::filling::{LineToFill, fill, fill_quasi_steady_s};
use ramprig::hydraulics::friction::{PipeFriction, churchill_f, darcy_f, friction_slope, haaland_f, swamee_jain_f};
use ramprig::hydraulics::priming::{AirHandling, Priming, Readiness, SuctionLeg, prime};
use ramprig::hydraulics::rigid_column::{Column, PocketSlam, UTube};
use ramprig::hydraulics::water::{self, Site};
use ramprig::hydraulics::water_state;
use ramprig::hydraulics::wave_speed::{
    FreeGas, Restraint, UpstreamAnchorForm, Wall, WallTheory, WaveLiquid, wave_speed_m_s, wave_speed_with_gas_m_s,
};
use ramprig::starters::run_up::{QuadraticLoad, coast_to_rest_s, constant_torque_s, quadratic_load_s};
use ramprig::starters::torque_curve::TorqueCurve;

const COLUMN: Column = Column { length_m: 300.0, head_m: 12.0, loss_k: 0.0, gravity_m_s2: 9.806_65 };

fn restraints() -> impl Strategy<Value = Restraint> {
    prop_oneof![
        Just(Restraint::UpstreamAnchor(UpstreamAnchorForm::Newer)),
        Just(Restraint::UpstreamAnchor(UpstreamAnchorForm::Older)),
        Just(Restraint::AnchoredThroughout),
        Just(Restraint::ExpansionJoints),
    ]
}

fn positive(name: &str, value: f64) -> Result<(), TestCaseError> {
    prop_assert!(value > 0.0 && value.is_finite(), "{name} is {value}");
    Ok(())
}

proptest! {
    #![proptest_config(super::bench::cases(64))]

    #[test]
    fn law_water_and_air_are_sound_over_their_range(t_c in 0.0..=60.0_f64, altitude_m in -90.0..=5000.0_f64) {
        let at = water::liquid(t_c, Site::AltitudeM(altitude_m)).unwrap();
        prop_assert!((983.0..1000.1).contains(&at.density_kg_m3), "density {}", at.density_kg_m3);
        prop_assert!((0.47e-6..1.8e-6).contains(&at.viscosity_m2_s), "viscosity {}", at.viscosity_m2_s);
        prop_assert!((600.0..20_000.0).contains(&at.vapour_pa), "vapour {}", at.vapour_pa);
        prop_assert!((1.9e9..2.4e9).contains(&at.bulk_modulus_pa), "bulk modulus {}", at.bulk_modulus_pa);
        prop_assert!(at.vapour_pa < at.atmosphere_pa && at.boiling_m() < 0.0);
        let kelvin = t_c + water::ZERO_CELSIUS_K;
        let (state, free) = (water_state::region_1(at.atmosphere_pa, kelvin), 1.0 / at.density_kg_m3);
        prop_assert!((state.volume_m3_kg / free - 1.0).abs() < 1.0e-4, "volume {} and {free}", state.volume_m3_kg);
        prop_assert!((state.speed_of_sound_m_s / water::speed_of_sound_m_s(t_c) - 1.0).abs() < 2.0e-3);
        if t_c < 59.0 {
            let warmer = water::liquid(t_c + 1.0, Site::AltitudeM(altitude_m)).unwrap();
            prop_assert!(warmer.vapour_pa > at.vapour_pa && warmer.viscosity_m2_s < at.viscosity_m2_s);
        }
        let below = water::liquid(t_c, Site::AltitudeM(altitude_m - 10.0)).unwrap();
        prop_assert!(below.atmosphere_pa > at.atmosphere_pa);
    }

    #[test]
    fn law_friction_is_sound_from_creeping_to_fully_rough(
        re_log in 0.0..8.0_f64, rough in prop_oneof![Just(0.0), Just(0.05), 0.0..0.05_f64],
    ) {
        let re = 10.0_f64.powf(re_log);
        for (name, f) in [("Darcy", darcy_f(re, rough)), ("Churchill", churchill_f(re, rough))] {
            positive(name, f)?;
            prop_assert!(f <= 64.0 / re * 1.01 + 0.15, "{name} at Re {re}, e/D {rough}: {f}");
        }
        if re > 4000.0 {
            positive("Haaland", haaland_f(re, rough))?;
            positive("Swamee and Jain", swamee_jain_f(re, rough))?;
            prop_assert!(darcy_f(re * 1.01, rough) <= darcy_f(re, rough) * (1.0 + 1.0e-12));
            prop_assert!(darcy_f(re, rough + 1.0e-3) > darcy_f(re, rough));
        }
        let pipe = PipeFriction { bore_m: 0.1, roughness_m: 0.1 * rough, viscosity_m2_s: 1.0e-6, gravity_m_s2: 9.81 };
        let v_m_s = re * 1.0e-5;
        prop_assert!(friction_slope(&pipe, 1.01 * v_m_s) > friction_slope(&pipe, v_m_s));
    }

    #[test]
    fn law_wave_speed_stays_below_that_of_free_water_and_falls_with_give_and_gas(
        bore_m in 0.01..2.0_f64, wall_share in 0.005..1.0_f64, modulus_log in 6.0..11.4_f64, poisson in 0.0..0.5_f64,
        restraint in restraints(), share in prop_oneof![Just(0.0), 1.0e-6..0.05_f64], pressure_pa in 5.0e3..2.0e6_f64,
    ) {
        let liquid = WaveLiquid { density_kg_m3: 998.0, bulk_modulus_pa: 2.19e9 };
        let free = wave_speed_m_s(&liquid, 0.0);
        let wall = |theory, thickness_m| {
            let modulus_pa = 10.0_f64.powf(modulus_log);
            Wall { bore_m, thickness_m, modulus_pa, poisson, restraint, theory }.compliance_per_pa()
        };
        for theory in [WallTheory::Thin, WallTheory::Thick] {
            let compliance = wall(theory, wall_share * bore_m);
            let a = wave_speed_m_s(&liquid, compliance);
            prop_assert!(a > 0.0 && a < free, "{theory:?}: {a} m/s, free {free} m/s");
            prop_assert!(a < wave_speed_m_s(&liquid, wall(theory, 1.1 * wall_share * bore_m)), "a thicker wall is stiffer");
            let gas = |share| FreeGas { share, pressure_pa, temperature_k: 288.0 };
            let with_gas = wave_speed_with_gas_m_s(&liquid, compliance, &gas(share));
            positive("wave speed with gas", with_gas)?;
            // In a wall that gives more than the gas does, gas only makes the water lighter and the wave faster.
            if 1.0 / pressure_pa > 2.0 * (compliance + 1.0 / liquid.bulk_modulus_pa) {
                prop_assert!(with_gas <= a * (1.0 + 1.0e-12), "{with_gas} with gas, {a} without");
                prop_assert!(wave_speed_with_gas_m_s(&liquid, compliance, &gas(share + 1.0e-4)) < with_gas);
            }
        }
    }

    #[test]
    fn law_rigid_columns_answer_over_their_range(
        length_m in 1.0..5000.0_f64, head_m in 0.1..150.0_f64, loss_k in prop_oneof![Just(0.0), 1.0e-12..1.0e-3_f64, 0.1..500.0_f64],
        v_share in 0.01..0.98_f64, late_s in 0.0..2.0_f64,
    ) {
        let column = Column { length_m, head_m, loss_k, gravity_m_s2: 9.81 };
        let v_m_s = v_share * column.final_velocity_m_s().min(10.0);
        positive("time to reversal", column.time_to_reversal_s(v_m_s))?;
        prop_assert!(column.time_to_reversal_s(v_m_s) <= v_m_s / column.first_acceleration_m_s2() * (1.0 + 1.0e-12));
        let back_m_s = column.reverse_velocity_m_s(late_s);
        prop_assert!((0.0..=column.first_acceleration_m_s2() * late_s * (1.0 + 1.0e-12)).contains(&back_m_s), "{back_m_s}");
        let up_s = column.time_between_s(0.0, v_m_s);
        prop_assert!(up_s >= v_m_s / column.first_acceleration_m_s2() * (1.0 - 1.0e-12), "{up_s} s");
        prop_assert!(column.deceleration_m_s2(v_m_s) >= column.first_acceleration_m_s2());
    }

    #[test]
    fn law_swings_and_pockets_lose_energy_or_keep_it(
        length_m in 0.5..50.0_f64, f in prop_oneof![Just(0.0), 1.0e-12..1.0e-6_f64, 0.005..0.06_f64], share in 0.01..0.45_f64,
        driving_pa in 1.05e5..8.0e5_f64, column_m in 1.0..60.0_f64, pocket_m in 0.2..10.0_f64, exponent in 1.0..1.4_f64,
    ) {
        let tube = UTube { length_m, bore_m: 0.05, gravity_m_s2: 9.81 };
        let swing = tube.turbulent(f, share * length_m).unwrap();
        prop_assert!(swing.next_extreme_m > 0.0 && swing.next_extreme_m <= share * length_m * (1.0 + 1.0e-9));
        prop_assert!(swing.half_period_s >= 0.5 * tube.period_s() * (1.0 - 1.0e-6), "{}", swing.half_period_s);
        let slam = |darcy_f| PocketSlam {
            driving_abs_pa: driving_pa, gas_abs_pa: 1.0e5, column_m, pocket_m, bore_m: 0.08, darcy_f, exponent,
            density_kg_m3: 999.0,
        };
        let (with, without) = (slam(f).peak().unwrap(), slam(0.0).peak().unwrap());
        prop_assert!(with.absolute_pa > 1.0e5 && with.absolute_pa.is_finite() && with.time_s > 0.0);
        prop_assert!(with.absolute_pa <= without.absolute_pa * (1.0 + 1.0e-9), "{with:?} {without:?}");
        prop_assert!(with.travel_m < pocket_m);
    }

    #[test]
    fn law_filling_takes_longer_than_the_way_at_its_last_speed_and_ends(
        driving_head_m in 1.0..60.0_f64, length_m in 5.0..2000.0_f64, wet_share in 1.0e-3..0.5_f64, bore_m in 0.03..0.5_f64,
        darcy_f in prop_oneof![Just(0.0), 0.008..0.06_f64], entry_k in 0.0..10.0_f64, lift_share in -0.5..0.9_f64,
    ) {
        let wetted_m = wet_share * length_m;
        let slope_up = lift_share * driving_head_m / (length_m - wetted_m);
        let line = LineToFill { driving_head_m, length_m, wetted_m, bore_m, darcy_f, entry_k, slope_up, gravity_m_s2: 9.81 };
        let (filled, quasi_s) = (fill(&line).unwrap(), fill_quasi_steady_s(&line).unwrap());
        positive("time", filled.time_s)?;
        positive("front speed", filled.front_speed_m_s)?;
        positive("time without inertia", quasi_s)?;
        let frictionless = fill(&LineToFill { darcy_f: 0.0, entry_k: 0.0, ..line }).unwrap();
        prop_assert!(frictionless.time_s <= filled.time_s * (1.0 + 1.0e-9));
    }

    #[test]
    fn law_priming_answers_with_a_time_or_with_the_reason(
        lift_m in 0.2..9.0_f64, extra_m in 0.0..6.0_f64, fixed_air_m3 in 0.0..0.1_f64, leak_m3_s in prop_oneof![Just(0.0), 0.0..3.0e-3_f64],
        share in 0.2..1.2_f64, t_c in 0.0..60.0_f64, altitude_m in 0.0..3000.0_f64, vacuum_max_pa in prop_oneof![Just(f64::INFINITY), 2.0e4..9.0e4_f64],
    ) {
        let leg = SuctionLeg { lift_m, bore_m: 0.08, rising_length_m: lift_m + extra_m, fixed_air_m3, leak_m3_s };
        let air = AirHandling { free_air_m3_s: 3.0e-3, vacuum_max_pa };
        let liquid = water::liquid(t_c, Site::AltitudeM(altitude_m)).unwrap();
        let ready = Readiness { casing_charged: true, vent_open: true };
        let made = prime(&leg, &air, &liquid, share, ready, 1.0e6);
        let reach_m = Priming::new(&leg, &air, &liquid).unwrap().reach_m(share);
        match made {
            Ok(primed) => {
                positive("time", primed.time_s)?;
                prop_assert!(primed.inlet_abs_pa > liquid.vapour_pa);
                prop_assert!((reach_m - lift_m).abs() < 1.0e-5 * lift_m, "primed, yet it reaches {reach_m} of {lift_m} m");
                let leakier = prime(&SuctionLeg { leak_m3_s: leak_m3_s + 1.0e-4, ..leg }, &air, &liquid, share, ready, 1.0e6);
                prop_assert!(leakier.is_err() || leakier.unwrap().time_s > primed.time_s, "a leak helps");
            }
            Err(why) => prop_assert!(reach_m <= lift_m && why.to_string().chars().any(|c| c.is_ascii_digit()), "{why}"),
        }
    }

    #[test]
    fn law_kloss_peaks_at_its_breakdown_slip(ratio in 1.05..6.0_f64, rated_slip in 1.0e-3..0.15_f64, slip in 1.0e-4..2.0_f64) {
        let curve = TorqueCurve::kloss(ratio, rated_slip);
        let (torque, slope) = curve.torque(slip);
        prop_assert!(torque > 0.0 && torque <= ratio * (1.0 + 1.0e-12), "{torque} of {ratio}");
        prop_assert!(slope.signum() == (curve.breakdown_slip() - slip).signum() || (slip / curve.breakdown_slip() - 1.0).abs() < 1.0e-6);
        prop_assert!((curve.torque(rated_slip).0 - 1.0).abs() < 1.0e-9);
    }
}

#[test]
fn law_a_column_without_loss_or_head_has_its_plain_limits() {
    let rate_m_s2 = 9.806_65 * 12.0 / 300.0;
    assert_near("time to reversal", 1.5 / rate_m_s2, COLUMN.time_to_reversal_s(1.5), 1.0e-12, "s");
    assert_near("start-up", 1.5 / rate_m_s2, COLUMN.time_between_s(0.0, 1.5), 1.0e-12, "s");
    assert_near("reverse velocity", 0.2 * rate_m_s2, COLUMN.reverse_velocity_m_s(0.2), 1.0e-12, "m/s");
    let level = Column { head_m: 0.0, loss_k: 10.0, ..COLUMN };
    assert!(level.time_to_reversal_s(1.0).is_infinite(), "nothing turns a level column round");
    assert_near("reverse velocity", 0.0, level.reverse_velocity_m_s(1.0), 0.0, "m/s");
}

#[test]
fn law_a_shaft_without_load_runs_up_and_down_by_constant_torque() {
    let none = QuadraticLoad { torque_n_m: 0.0, at_rad_s: 150.0 };
    let plain_s = constant_torque_s(0.05, 20.0, 150.0);
    assert_near("run-up", plain_s, quadratic_load_s(0.05, 20.0, &none, 150.0), 1.0e-12, "s");
    assert_near("run-down", plain_s, coast_to_rest_s(0.05, &none, 20.0), 1.0e-12, "s");
}
