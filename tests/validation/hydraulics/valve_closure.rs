//! A tank, one or two pipes, and a valve at the end that closes.

use super::bed::{
    area_m2, chain, crossing_s, flow_m3_s, head_m, kv_of_orifice, liquid, pipe, running, table, tank, valve,
};
use crate::harness::{Case, Sheet};
use ramprig::hydraulics::friction::{minor_loss_m, velocity_m_s};
use ramprig::hydraulics::plant::Plant;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{ElementKind, NetworkSpec, Place, Terminal};

const DENSITY_KG_M3: f64 = 1000.0;

/// Tank, one pipe, valve, free outlet.
pub(super) fn one_pipe(case: &Case, (level, length): (&str, &str), f: f64, cda_m2: f64) -> NetworkSpec {
    let pipe = ElementKind::Pipe(pipe(case.si(length), case.si("D"), case.si("a"), f));
    chain(
        liquid(DENSITY_KG_M3, case.si("g")),
        vec![tank(case.si(level)), Terminal::None, Terminal::FreeOutlet],
        vec![pipe, valve(kv_of_orifice(cda_m2))],
    )
}

/// Run with an opening law; `look` sees every new level.
pub(super) fn close(
    plant: &mut Plant<NoDrive>,
    valve: usize,
    until_s: f64,
    opening: impl Fn(f64) -> f64,
    mut look: impl FnMut(&Plant<NoDrive>),
) {
    while plant.time_s() < until_s - 0.5 * plant.dt_s() {
        plant.set_opening(valve, opening(plant.time_s() + plant.dt_s())).unwrap();
        plant.advance().unwrap();
        look(plant);
    }
}

#[test]
fn published_valve_closures_by_characteristics() {
    let mut sheet = Sheet::open("04_moc_valve", "hydraulics-valve-closure");
    tabulated_closure(&mut sheet);
    power_closure(&mut sheet, "B");
    power_closure(&mut sheet, "B2");
    two_pipes(&mut sheet);
    for case in sheet.cases("allievi-") {
        allievi_chain(&mut sheet, &case);
    }
    for case in sheet.cases("instant-") {
        instant_closure(&mut sheet, &case);
    }
    // The laboratory pipe of Bergant, Simpson and Vitkovsky (J. Hydraulic Research 39(3), 2001): its figures are from memory.
    for case in sheet.cases("adelaide-") {
        laboratory_pipe(&mut sheet, &case);
    }
    let other_scheme = "tied to explicit first-order friction on a coarse grid: checked in coarse_grids with just that";
    sheet.finish(&["A-N4-table/", "B-N-table/", "B2-N-table/", "C-coarse/"].map(|prefix| (prefix, other_scheme)));
}

fn tabulated_closure(sheet: &mut Sheet) {
    let case = sheet.case("A-converged-20s");
    let (areas, spacing_s) = (case.si_list("CvA_table"), case.si("CvA_dt"));
    let network = one_pipe(&case, ("H_R", "L"), case.si("f"), areas[0]);
    let mut plant = running(&network, case.si("L") / case.si("a") / 256.0);
    let steady = sheet.case("A-steady");
    sheet.check_si(&steady, "Q0", flow_m3_s(&plant, 1), "Plant::started_at");
    sheet.check_si(&steady, "H_valve0", head_m(&plant, 1), "Plant::started_at");
    let along = |share| plant.head_m(Place::Pipe { element: 0, share });
    sheet.check(&steady, "H_x", [0.0, 0.25, 0.5, 0.75, 1.0].map(along).to_vec(), "Plant::head_m");
    let mut heads_m = Vec::new();
    for until_s in [5.0, 10.0, 15.0, 20.0] {
        close(&mut plant, 1, until_s, |t| table(&areas, spacing_s, t) / areas[0], |_| {});
        heads_m.push(head_m(&plant, 1));
    }
    sheet.check(&case, "H_valve", heads_m, "Plant::advance");
}

fn power_closure(sheet: &mut Sheet, key: &str) {
    let case = sheet.case(&format!("{key}-converged"));
    let network = one_pipe(&case, ("HR", "L"), case.si("f"), case.si("CdA"));
    let mut plant = running(&network, case.si("L") / case.si("a") / 320.0);
    let steady = sheet.case(&format!("{key}-steady"));
    sheet.check_si(&steady, "Q0", flow_m3_s(&plant, 1), "Plant::started_at");
    sheet.check_si(&steady, "H_valve0", head_m(&plant, 1), "Plant::started_at");
    let (closing_s, power) = (case.si("tc"), case.si("Em"));
    let mut highest = (f64::NEG_INFINITY, 0.0);
    let mut lowest_m = f64::INFINITY;
    let opening = |t: f64| (1.0 - t / closing_s).max(0.0).powf(power);
    close(&mut plant, 1, 4.0, opening, |plant| {
        let head_m = head_m(plant, 1);
        if head_m > highest.0 {
            highest = (head_m, plant.time_s());
        }
        lowest_m = lowest_m.min(head_m);
    });
    sheet.check_si(&case, "H_max", highest.0, "Plant::advance");
    sheet.check_si(&case, "t_of_H_max", highest.1, "Plant::advance");
    sheet.check_si(&case, "H_min", lowest_m, "Plant::advance");
}

/// Tank, two pipes in series, valve whose steady loss is what the pipes leave of the tank's head.
pub(super) fn two_in_series(case: &Case) -> NetworkSpec {
    let (lengths, bores) = (case.si_list("L"), case.si_list("D"));
    let (factors, speeds) = (case.si_list("f"), case.si_list("a"));
    let (level_m, flow, g) = (case.si("H_R"), case.si("Q0"), case.si("g"));
    let loss_m = |i: usize| minor_loss_m(factors[i] * lengths[i] / bores[i], velocity_m_s(flow, bores[i]), g);
    let valve_m = level_m - loss_m(0) - loss_m(1);
    let line = |i: usize| ElementKind::Pipe(pipe(lengths[i], bores[i], speeds[i], factors[i]));
    chain(
        liquid(DENSITY_KG_M3, g),
        vec![tank(level_m), Terminal::None, Terminal::None, Terminal::FreeOutlet],
        vec![line(0), line(1), valve(kv_of_orifice(flow / (2.0 * g * valve_m).sqrt()))],
    )
}

fn two_pipes(sheet: &mut Sheet) {
    let case = sheet.case("C-converged");
    let network = two_in_series(&case);
    let mut plant = running(&network, 0.5 / 128.0);
    let heads_m: Vec<f64> = (0..3).map(|node| head_m(&plant, node)).collect();
    sheet.check(&sheet.case("C-steady"), "H_reservoir_junction_valve", heads_m, "Plant::started_at");
    let (openings, spacing_s) = (case.si_list("tau_table"), case.si("tau_dt"));
    let mut highest = (f64::NEG_INFINITY, 0.0);
    let (mut lowest_m, mut junction_m) = (f64::INFINITY, f64::NEG_INFINITY);
    close(
        &mut plant,
        2,
        10.0,
        |t| table(&openings, spacing_s, t),
        |plant| {
            let head = head_m(plant, 2);
            if head > highest.0 {
                highest = (head, plant.time_s());
            }
            lowest_m = lowest_m.min(head);
            junction_m = junction_m.max(head_m(plant, 1));
        },
    );
    sheet.check_si(&case, "H_max_valve", highest.0, "Plant::advance");
    sheet.check_si(&case, "t_H_max_valve", highest.1, "Plant::advance");
    sheet.check_si(&case, "H_min_valve", lowest_m, "Plant::advance");
    sheet.check_si(&case, "H_max_junction", junction_m, "Plant::advance");
}

fn allievi_chain(sheet: &mut Sheet, case: &Case) {
    let (rho, theta) = (case.si("rho_star=aV0/(2gH0)"), case.si("theta=tc/(2L/a)"));
    let (level_m, length_m, bore_m, a, g) = (100.0, 500.0, 0.5, 1000.0, 9.81);
    let flow = area_m2(bore_m) * 2.0 * g * level_m * rho / a;
    let network = chain(
        liquid(DENSITY_KG_M3, g),
        vec![tank(level_m), Terminal::None, Terminal::FreeOutlet],
        vec![
            ElementKind::Pipe(pipe(length_m, bore_m, a, 0.0)),
            valve(kv_of_orifice(flow / (2.0 * g * level_m).sqrt())),
        ],
    );
    let period_s = 2.0 * length_m / a;
    let mut plant = running(&network, length_m / a / 8.0);
    let mut ratios = vec![head_m(&plant, 1) / level_m];
    for n in 1..=theta.round() as usize {
        let closing_s = theta * period_s;
        close(&mut plant, 1, n as f64 * period_s, |t| (1.0 - t / closing_s).max(0.0), |_| {});
        ratios.push(head_m(&plant, 1) / level_m);
    }
    sheet.check(case, "h_over_H0", ratios, "Plant::advance");
}

fn instant_closure(sheet: &mut Sheet, case: &Case) {
    const CELLS: f64 = 400.0;
    let (velocity, g) = (case.si("V0"), case.si("g"));
    let f = case.si("f_constant");
    let flow = velocity * area_m2(case.si("D"));
    let loss_m = minor_loss_m(f * case.si("L") / case.si("D"), velocity, g);
    let cda_m2 = |head_m: f64| flow / (2.0 * g * head_m).sqrt();
    let dt_s = case.si("L") / case.si("a") / CELLS;
    let mut plant = running(&one_pipe(case, ("H_R", "L"), f, cda_m2(case.si("H_R") - loss_m)), dt_s);
    sheet.check_si(case, "H_valve_initial", head_m(&plant, 1), "Plant::started_at");
    let mut after = |steps: f64| {
        close(&mut plant, 1, steps * dt_s, |_| 0.0, |_| {});
        head_m(&plant, 1)
    };
    sheet.check_si(case, "H_valve_just_after", after(1.0), "Plant::advance");
    sheet.check_si(case, "H_valve_before_2L_a", after(2.0 * CELLS - 1.0), "Plant::advance");
    sheet.check_si(case, "H_valve_at_3L_a", after(3.0 * CELLS), "Plant::advance");
    sheet.check_si(case, "H_valve_at_5L_a", after(5.0 * CELLS), "Plant::advance");

    let mut smooth = running(&one_pipe(case, ("H_R", "L"), 0.0, cda_m2(case.si("H_R"))), dt_s);
    close(&mut smooth, 1, dt_s, |_| 0.0, |_| {});
    sheet.check_si(case, "dH_joukowsky", head_m(&smooth, 1) - case.si("H_R"), "Plant::advance");
}

/// The closure takes 9 ms. Half of the rise F is reached at t1; the first reflection takes 2F away again, so the head
/// passes the tank's level at t1 + 2L/a, and upwards at t1 + 4L/a.
fn laboratory_pipe(sheet: &mut Sheet, case: &Case) {
    const GRAVITY_M_S2: f64 = 9.806_65;
    let (level_m, length_m, bore_m, a) = (case.si("H_R_downstream_tank"), case.si("L"), case.si("D"), case.si("a"));
    let flow = case.si("V0") * area_m2(bore_m);
    let network = chain(
        liquid(DENSITY_KG_M3, GRAVITY_M_S2),
        vec![tank(level_m), Terminal::None, Terminal::FreeOutlet],
        vec![
            ElementKind::Pipe(pipe(length_m, bore_m, a, 0.0)),
            valve(kv_of_orifice(flow / (2.0 * GRAVITY_M_S2 * level_m).sqrt())),
        ],
    );
    let mut plant = running(&network, length_m / a / 400.0);
    let closing_s = case.si("closure");
    let (mut peak_m, mut halves, mut levels) = (0.0_f64, vec![], vec![]);
    let mut before = (0.0, level_m);
    let half_m = level_m + 0.5 * a * case.si("V0") / GRAVITY_M_S2;
    close(
        &mut plant,
        1,
        0.2,
        |t| (1.0 - t / closing_s).max(0.0),
        |plant| {
            let now = (plant.time_s(), head_m(plant, 1));
            peak_m = peak_m.max(now.1 - level_m);
            halves.extend(crossing_s(before, now, half_m));
            levels.extend(crossing_s(before, now, level_m).filter(|_| now.0 > closing_s));
            before = now;
        },
    );
    sheet.check_si(case, "dH_joukowsky", peak_m, "Plant::advance");
    sheet.check_si(case, "2L_a", levels[0] - halves[0], "Plant::advance");
    sheet.check_si(case, "period_4L_a", levels[1] - halves[0], "Plant::advance");
}
