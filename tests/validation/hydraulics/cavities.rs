//! A vapour cavity at a valve that shuts at once.

use super::bed::{area_m2, chain, head_m, kv_of_orifice, pipe, running, tank, valve};
use crate::harness::{Case, Sheet};
use ramprig::hydraulics::plant::Plant;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{ElementKind, LiquidSpec, NetworkSpec, Place, Terminal};

const CELLS: usize = 1600;
const BORE_M: f64 = 0.1;
const DENSITY_KG_M3: f64 = 1000.0;
/// Largest loss or gain of volume accepted, share of the largest cavity: the trade's one per cent is a hundred times
/// and more above this.
const VOLUME_SHARE: f64 = 1.0e-6;

/// Water that boils at the case's vapour head.
fn boiling_at(head_m: f64, gravity_m_s2: f64) -> LiquidSpec {
    let vapour_pa = 2.0e3;
    LiquidSpec {
        density_kg_m3: DENSITY_KG_M3,
        viscosity_m2_s: 1.0e-6,
        bulk_modulus_pa: 2.19e9,
        vapour_pa,
        atmosphere_pa: vapour_pa - DENSITY_KG_M3 * gravity_m_s2 * head_m,
        gravity_m_s2,
    }
}

/// Tank, frictionless pipe, valve whose whole head loss carries the case's flow.
fn network(case: &Case) -> NetworkSpec {
    let flow_m3_s = case.si("V0") * area_m2(BORE_M);
    let cda_m2 = flow_m3_s / (2.0 * case.si("g") * case.si("H_R")).sqrt();
    chain(
        boiling_at(case.si("H_vapour"), case.si("g")),
        vec![tank(case.si("H_R")), Terminal::None, Terminal::FreeOutlet],
        vec![ElementKind::Pipe(pipe(case.si("L"), BORE_M, case.si("a"), 0.0)), valve(kv_of_orifice(cda_m2))],
    )
}

/// What one run showed at the valve.
#[derive(Default)]
struct Seen {
    first_m: f64,
    opens_s: Option<f64>,
    collapses_s: Option<f64>,
    largest_m3: f64,
    on_collapse_m: f64,
    highest_m: f64,
    volume_error_m3: f64,
}

fn run(case: &Case) -> Seen {
    let travel_s = case.si("L") / case.si("a");
    let mut plant: Plant<NoDrive> = running(&network(case), travel_s / CELLS as f64);
    plant.set_opening(1, 0.0).unwrap();
    let mut seen = Seen::default();
    let end_s = |seen: &Seen| seen.collapses_s.map_or(f64::INFINITY, |s| s + 2.0 * travel_s);
    while plant.time_s() < end_s(&seen) {
        plant.advance().unwrap();
        let (now_s, head_m) = (plant.time_s(), head_m(&plant, 1));
        let volume_m3 = plant.cavity_m3(Place::Node(1));
        if plant.time_s() < 2.0 * travel_s - 2.0 * plant.dt_s() {
            seen.first_m = seen.first_m.max(head_m);
        }
        if volume_m3 > 0.0 && seen.opens_s.is_none() {
            seen.opens_s = Some(now_s);
        }
        if seen.opens_s.is_some() && volume_m3 == 0.0 && seen.collapses_s.is_none() {
            seen.collapses_s = Some(now_s);
        }
        if let Some(collapsed_s) = seen.collapses_s {
            if now_s < collapsed_s + 5.5 * plant.dt_s() {
                seen.on_collapse_m = head_m;
            }
            seen.highest_m = seen.highest_m.max(head_m);
        }
        seen.largest_m3 = seen.largest_m3.max(volume_m3);
        seen.volume_error_m3 = seen.volume_error_m3.max(plant.volume_error_m3().abs());
    }
    seen
}

#[test]
fn published_cavity_at_a_shut_valve() {
    let mut sheet = Sheet::open("12_column_separation", "hydraulics-cavities");
    for case in sheet.cases("cavity-") {
        let seen = run(&case);
        let share = seen.volume_error_m3 / seen.largest_m3;
        println!("{}: volume error {share:.2e} of the largest cavity", case.id);
        assert!(share < VOLUME_SHARE, "{}: expected below {VOLUME_SHARE:e} of the cavity, got {share:.3e}", case.id);
        sheet.check_si(&case, "t_cavity_opens", seen.opens_s.unwrap(), "Plant::cavity_m3");
        sheet.check_si(&case, "t_cavity_collapses", seen.collapses_s.unwrap(), "Plant::cavity_m3");
        sheet.check_si(&case, "max_cavity_length", seen.largest_m3 / area_m2(BORE_M), "Plant::cavity_m3");
        sheet.check_si(&case, "H_on_collapse", seen.on_collapse_m, "Plant::head_m");
        sheet.check_si(&case, "H_max_within_2L_a_of_collapse", seen.highest_m, "Plant::head_m");
        sheet.check_si(&case, "H_joukowsky_first", seen.first_m, "Plant::head_m");
    }
    sheet.finish(&[]);
}
