//! Priming against independently computed values and what the trade takes for granted.

use crate::harness::{Case, Sheet};
use ramprig::hydraulics::plant::{LinesAtStart, Plant, PlantEventKind, SelfPriming};
use ramprig::hydraulics::priming::{self, AirHandling, Readiness, SuctionLeg};
use ramprig::hydraulics::shaft::FixedSpeed;
use ramprig::hydraulics::spec::{ElementKind, LiquidSpec};
use ramprig::hydraulics::water::{self, Site};
use ramprig::prediction::{EventKind, predict};
use ramprig::rig::{self, model::Rig};
use ramprig::sequence::script::{Script, shipped};

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
        let in_plant_s = water_at_pump_s(&case);
        let error = (in_plant_s - primed.time_s).abs() / primed.time_s;
        println!(
            "{}: in the plant after {in_plant_s:.4} s, by itself {:.4} s, error {error:.1e}",
            case.id, primed.time_s
        );
        assert!(error < PLANT_TOLERANCE, "{}: expected {} s, got {in_plant_s} s", case.id, primed.time_s);
    }
    let others = ["startup-", "potter-", "sudden-", "utube-", "surge-shaft-", "air-pocket-", "pocket-slam-", "fill-"];
    sheet.finish(&others.map(|prefix| (prefix, "not priming: checked by other tests of this file")));
}

/// What the column's own inertia and friction make of the time, which the law of evacuation leaves out.
const PLANT_TOLERANCE: f64 = 0.03;

/// Time until water is at the pump of the shipped fill bench, its suction leg, pump and water those of a case, s.
fn water_at_pump_s(case: &Case) -> f64 {
    let rig = rig::parse(rig::shipped("fill-bench").unwrap(), "fill-bench.toml").unwrap_or_else(|why| panic!("{why}"));
    let (mut network, shaft, _) = rig.plant_parts(rig.line_up_index("empty").unwrap());
    network.liquid = LiquidSpec { viscosity_m2_s: 1e-6, ..liquid(case) };
    let (lift_m, sump_m) = (case.si("lift_vertical"), network.nodes[0].elevation_m);
    for node in
        network.nodes.iter_mut().filter(|n| ["pump_inlet", "pump_outlet", "riser_foot"].contains(&n.name.as_str()))
    {
        node.elevation_m = lift_m;
    }
    let suction = network.elements.iter_mut().find(|element| element.name == "suction").unwrap();
    let ElementKind::Pipe(pipe) = &mut suction.kind else { panic!("no pipe") };
    (pipe.length_m, pipe.bore_m, pipe.minor_loss_k) = (lift_m - sump_m, case.si("D_suction"), 0.0);
    let priming = SelfPriming { air: constant_rate(case), casing_air_m3: case.si("V_fixed_air_space"), leak_m3_s: 0.0 };
    let lines = LinesAtStart { discharge_drained: true, suction_drained: true, self_priming: Some(priming) };
    let rated_rad_s = 1440.0 * std::f64::consts::PI / 30.0;
    let mut plant = Plant::with_lines(&network, &shaft, FixedSpeed::new(rated_rad_s), &rig.grid(), &lines).unwrap();
    while plant.time_s() < LIMIT_S {
        plant.advance().unwrap();
        if let Some(event) = plant.take_events().iter().find(|event| event.kind == PlantEventKind::WaterAtPump) {
            return event.time_s;
        }
    }
    f64::NAN
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

/// The shipped fill bench, its pump drawing 3 l/s of air and 72 kPa of vacuum, at a lift of 15 ft and at one of 26 ft.
fn at_a_lift_of(feet: f64) -> Rig {
    let lift_m = feet * 0.3048;
    let edits = [
        ("pump_inlet = \"2.5 m\"".to_owned(), format!("pump_inlet = \"{lift_m} m\"")),
        ("pump_outlet = \"2.5 m\"".to_owned(), format!("pump_outlet = \"{lift_m} m\"")),
        ("riser_foot = \"2.5 m\"".to_owned(), format!("riser_foot = \"{lift_m} m\"")),
        ("riser_top = \"6 m\"".to_owned(), "riser_top = \"10 m\"".to_owned()),
        ("hose_foot = \"6 m\"".to_owned(), "hose_foot = \"10 m\"".to_owned()),
        ("length = \"6 m\"".to_owned(), format!("length = \"{} m\"", lift_m + 1.0)),
    ];
    let text = edits.iter().fold(rig::shipped("fill-bench").unwrap().to_owned(), |text, (old, new)| {
        assert!(text.contains(old), "the bench no longer says {old}");
        text.replacen(old, new, 1)
    });
    rig::parse(&text, "lift.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

/// Primes, and then moves water with something left of the suction head.
fn primes_and_runs(feet: f64) -> bool {
    let rig = at_a_lift_of(feet);
    let starter = rig.starter_index("contactor").unwrap();
    let script = Script::parse(shipped("line-fill").unwrap(), "line-fill.toml", &rig, starter).unwrap();
    let made = predict(&rig, &script, starter).unwrap();
    let primed = made.events.iter().any(|event| event.kind == EventKind::Primed);
    let margin = made.beside.iter().position(|name| name == "npsh_margin_m").unwrap();
    let start = &made.segments[0];
    let (flow_m3_s, margin_m) = (*start.flow_m3_s.last().unwrap(), *start.beside[margin].last().unwrap());
    println!("lift {feet} ft: primed {primed}, then {flow_m3_s} m3/s with an NPSH margin of {margin_m} m");
    primed && flow_m3_s > 1.0e-3 && margin_m > 0.0
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
    // Of the lifts tried the highest at which the whole bench primes and runs: 26 ft is beyond the vacuum it draws.
    let workable = [15.0, 26.0].into_iter().filter(|feet| primes_and_runs(*feet)).fold(0.0, f64::max);
    sheet.check_si(&case, "lift_workable", 0.3048 * workable, "prediction::predict");
    let elsewhere = "not suction: checked beside what it is about";
    sheet.finish(&["starter-order", "soft-starter-range", "drive-range", "stop-backflow"].map(|id| (id, elsewhere)));
}
