//! Priming against independently computed values and what the trade takes for granted.

use crate::harness::{Case, Sheet};
use ramprig::hydraulics::priming::{self, AirHandling, Readiness, SuctionLeg};
use ramprig::hydraulics::spec::LiquidSpec;
use ramprig::hydraulics::water::{self, Site};

const READY: Readiness = Readiness { casing_charged: true, vent_open: true };
const LIMIT_S: f64 = 600.0;

#[test]
fn published_evacuation_law_with_rising_water() {
    let mut sheet = Sheet::open("05_rigid_column_air_filling", "priming");
    for case in sheet.cases("priming-") {
        let (leg, air, liquid) = (leg(&case), constant_rate(&case), liquid(&case));
        let primed = priming::prime(&leg, &air, &liquid, 1.0, READY, LIMIT_S).unwrap();
        sheet.check_si(&case, "p_final_abs", primed.inlet_abs_pa, "priming::prime");
        sheet.check_si(&case, "t_with_rising_water", primed.time_s, "priming::prime");
        let (from_pa, to_pa) = (case.si("p_atm"), primed.inlet_abs_pa);
        let still_s = priming::evacuation_time_s(leg.fixed_air_m3, air.free_air_m3_s, from_pa, to_pa);
        sheet.check_si(&case, "t_constant_volume", still_s, "priming::evacuation_time_s");
    }
    let others = ["startup-", "potter-", "sudden-", "utube-", "surge-shaft-", "air-pocket-", "pocket-slam-", "fill-"];
    sheet.finish(&others.map(|prefix| (prefix, "not priming: checked by other tests of this file")));
}

fn leg(case: &Case) -> SuctionLeg {
    SuctionLeg {
        lift_m: case.si("lift_vertical"),
        bore_m: case.si("D_suction"),
        rising_length_m: case.si("lift_vertical"),
        fixed_air_m3: case.si("V_fixed_air_space"),
        leak_m3_s: 0.0,
    }
}

fn constant_rate(case: &Case) -> AirHandling {
    AirHandling { free_air_m3_s: case.si("q"), vacuum_max_pa: f64::INFINITY }
}

/// The cases leave vapour out.
fn liquid(case: &Case) -> LiquidSpec {
    LiquidSpec {
        density_kg_m3: case.si("rho"),
        viscosity_m2_s: 1e-6,
        bulk_modulus_pa: 2.1e9,
        vapour_pa: 0.0,
        atmosphere_pa: case.si("p_atm"),
        gravity_m_s2: case.si("g"),
    }
}

/// A self-priming pump as they are sold for such lifts: draws 3 l/s of air and 75 kPa of vacuum with a charged casing.
#[test]
fn published_common_practice_workable_suction_lift() {
    let mut sheet = Sheet::open("13_common_practice", "priming");
    let case = sheet.case("workable-suction-lift");
    const LIFT_M: f64 = 15.0 * 0.3048;
    let leg = SuctionLeg { lift_m: LIFT_M, bore_m: 0.08, rising_length_m: 6.0, fixed_air_m3: 0.012, leak_m3_s: 0.0 };
    let air = AirHandling { free_air_m3_s: 0.003, vacuum_max_pa: 75e3 };
    let water = water::liquid(10.0, Site::AltitudeM(0.0)).unwrap();
    let primed = priming::prime(&leg, &air, &water, 1.0, READY, LIMIT_S);
    sheet.check(&case, "primes", primed.is_ok(), "priming::prime");
    sheet.check_si(&case, "lift_workable", primed.unwrap().risen_m, "priming::prime");
    let elsewhere = "not suction: checked beside what it is about";
    sheet.finish(&["starter-order", "soft-starter-range", "drive-range", "stop-backflow"].map(|id| (id, elsewhere)));
}
