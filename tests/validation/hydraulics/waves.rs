//! Waves: the Joukowsky rise, pipe periods, and what a junction lets through.

use super::bed::{area_m2, chain, head_m, kv_of_orifice, liquid, pipe, running, tank, valve};
use crate::harness::{Case, Sheet};
use ramprig::hydraulics::spec::{ElementKind, ElementSpec, NetworkSpec, NodeSpec, Place, Terminal};

/// Cells of each pipe; a power of two keeps the step exact.
const CELLS: f64 = 32.0;

#[test]
fn published_joukowsky_rise_and_junction_coefficients_by_simulation() {
    let mut sheet = Sheet::open("03_wave_speed_joukowsky", "hydraulics-waves");
    for case in sheet.cases("joukowsky-") {
        sudden_stop(&mut sheet, &case);
    }
    for case in sheet.cases("junction-") {
        junction(&mut sheet, &case);
    }
    let elsewhere = "a wave speed, not a wave: checked with the wave-speed functions";
    sheet.finish(&["a-", "lab-", "di-", "chaudhry-", "pvc-"].map(|prefix| (prefix, elsewhere)));
}

/// A frictionless pipe whose end valve shuts from one level to the next.
fn sudden_stop(sheet: &mut Sheet, case: &Case) {
    const LEVEL_M: f64 = 1.0;
    const BORE_M: f64 = 0.1;
    let (a, g, length_m) = (case.si("a"), case.si("g"), case.si("L"));
    let flow = case.si("dV") * area_m2(BORE_M);
    let network = chain(
        liquid(case.si("rho"), g),
        vec![tank(LEVEL_M), Terminal::None, Terminal::FreeOutlet],
        vec![
            ElementKind::Pipe(pipe(length_m, BORE_M, a, 0.0)),
            valve(kv_of_orifice(flow / (2.0 * g * LEVEL_M).sqrt())),
        ],
    );
    let mut plant = running(&network, length_m / a / CELLS);
    let before_pa = plant.gauge_pa(Place::Node(1), 0.0);
    plant.set_opening(1, 0.0).unwrap();
    plant.advance().unwrap();
    let (first_s, high_m) = (plant.time_s(), head_m(&plant, 1));
    sheet.check_si(case, "dH", high_m - LEVEL_M, "Plant::head_m");
    sheet.check_si(case, "dp", plant.gauge_pa(Place::Node(1), 0.0) - before_pa, "Plant::gauge_pa");
    let middle_m = LEVEL_M;
    while head_m(&plant, 1) > middle_m {
        plant.advance().unwrap();
    }
    sheet.check_si(case, "T_2L_a", plant.time_s() - first_s, "Plant::advance");
    while head_m(&plant, 1) < middle_m {
        plant.advance().unwrap();
    }
    sheet.check_si(case, "T_4L_a", plant.time_s() - first_s, "Plant::advance");
}

/// Pipe 1 from an end valve to the junction, the others from there to tanks; all travel times alike. The valve shuts,
/// and the wave that it sends is read on both sides of the junction.
fn junction(sheet: &mut Sheet, case: &Case) {
    const TRAVEL_S: f64 = 1.0;
    const LEVEL_M: f64 = 1.0;
    let (bores, speeds) = (case.si_list("D"), case.si_list("a"));
    let node = |i: usize, terminal| NodeSpec { name: format!("node {i}"), elevation_m: 0.0, terminal };
    let mut nodes = vec![node(0, Terminal::FreeOutlet), node(1, Terminal::None), node(2, Terminal::None)];
    let mut elements = vec![ElementSpec { name: "valve".into(), from: 1, to: 0, kind: valve(10.0) }];
    for (i, (bore_m, a)) in bores.iter().zip(&speeds).enumerate() {
        let far = if i == 0 { 1 } else { nodes.len() };
        if i > 0 {
            nodes.push(node(far, tank(LEVEL_M)));
        }
        let kind = ElementKind::Pipe(pipe(a * TRAVEL_S, *bore_m, *a, 0.0));
        elements.push(ElementSpec { name: format!("pipe {i}"), from: far, to: 2, kind });
    }
    let network = NetworkSpec { liquid: liquid(1000.0, 9.806_65), nodes, elements };
    let mut plant = running(&network, TRAVEL_S / CELLS);
    plant.set_opening(0, 0.0).unwrap();
    let middle = Place::Pipe { element: 1, share: 0.5 };
    let mut run_to = |time_s: f64| {
        while plant.time_s() < time_s - 0.5 * plant.dt_s() {
            plant.advance().unwrap();
        }
        (plant.head_m(middle), head_m(&plant, 2))
    };
    let incident_m = run_to(1.25 * TRAVEL_S).0 - LEVEL_M;
    let (after_m, junction_m) = run_to(1.75 * TRAVEL_S);
    sheet.check_si(case, "s_transmitted", (junction_m - LEVEL_M) / incident_m, "Plant::advance");
    sheet.check_si(case, "r_reflected", (after_m - LEVEL_M - incident_m) / incident_m, "Plant::advance");
}
