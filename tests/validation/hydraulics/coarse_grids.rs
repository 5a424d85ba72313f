//! Tables that others made on coarse grids with friction from the old flow alone: the same grid, the same friction, every
//! point of both colours, step by step.

use super::bed::{exact_grid, flow_m3_s, head_m, table};
use super::valve_closure::{close, one_pipe, two_in_series};
use crate::harness::{Case, Sheet};
use ramprig::hydraulics::plant::Plant;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{GridOptions, NetworkSpec, ShaftSpec};

#[test]
fn published_tables_on_their_own_coarse_grids() {
    let mut sheet = Sheet::open("04_moc_valve", "hydraulics-coarse-grids");
    area_table(&mut sheet);
    for key in ["B-N-table", "B2-N-table"] {
        power_law(&mut sheet, key);
    }
    series(&mut sheet);
    let elsewhere = "converged or closed form: checked with the second-order friction of predictions";
    sheet.finish(
        &["A-steady", "A-conv", "B-steady", "B-conv", "B2-steady", "B2-conv", "C-steady", "C-conv", "allievi-"]
            .iter()
            .chain(&["instant-", "adelaide-"])
            .map(|prefix| (*prefix, elsewhere))
            .collect::<Vec<_>>(),
    );
}

/// A plant in its steady state whose friction is that of the tables.
fn running(network: &NetworkSpec, dt_s: f64) -> Plant<NoDrive> {
    let grid = GridOptions { first_order_friction: true, ..exact_grid(dt_s) };
    let shaft = ShaftSpec { inertia_kg_m2: 1.0, friction_n_m: 0.0 };
    Plant::started_at(network, &shaft, NoDrive, &grid, 0.0).unwrap()
}

/// Time, head at a node and flow through the valve behind it at every level.
fn levels(
    plant: &mut Plant<NoDrive>,
    (node, valve): (usize, usize),
    steps: usize,
    opening: impl Fn(f64) -> f64,
) -> [Vec<f64>; 3] {
    let mut rows = [vec![plant.time_s()], vec![head_m(plant, node)], vec![flow_m3_s(plant, valve)]];
    let until_s = steps as f64 * plant.dt_s();
    close(plant, valve, until_s, opening, |plant| {
        rows[0].push(plant.time_s());
        rows[1].push(head_m(plant, node));
        rows[2].push(flow_m3_s(plant, valve));
    });
    rows
}

fn steps_of(case: &Case) -> usize {
    case.rows_of("H_valve") - 1
}

fn area_table(sheet: &mut Sheet) {
    let case = sheet.case("A-N4-table");
    let (areas, spacing_s) = (case.si_list("CvA_table"), case.si("CvA_dt"));
    let network = one_pipe(&case, ("H_R", "L"), case.si("f"), areas[0]);
    let mut plant = running(&network, case.si("dt"));
    assert_eq!(plant.cells(), case.si("N") as usize);
    let opening = |t: f64| table(&areas, spacing_s, t) / areas[0];
    let [times_s, heads_m, flows_m3_s] = levels(&mut plant, (1, 1), steps_of(&case), opening);
    sheet.check(&case, "t", times_s, "Plant::time_s");
    sheet.check(&case, "H_valve", heads_m, "Plant::advance");
    sheet.check(&case, "Q_valve", flows_m3_s, "Plant::advance");
}

fn power_law(sheet: &mut Sheet, key: &str) {
    let case = sheet.case(key);
    let network = one_pipe(&case, ("HR", "L"), case.si("f"), case.si("CdA"));
    let mut plant = running(&network, case.si("dt"));
    assert_eq!(plant.cells(), case.si("N") as usize);
    let (closing_s, power) = (case.si("tc"), case.si("Em"));
    let opening = |t: f64| (1.0 - t / closing_s).max(0.0).powf(power);
    let [_, heads_m, flows_m3_s] = levels(&mut plant, (1, 1), steps_of(&case), opening);
    sheet.check(&case, "H_valve", heads_m, "Plant::advance");
    sheet.check(&case, "Q_valve", flows_m3_s, "Plant::advance");
}

fn series(sheet: &mut Sheet) {
    let case = sheet.case("C-coarse");
    let (openings, spacing_s) = (case.si_list("tau_table"), case.si("tau_dt"));
    let opening = |t: f64| table(&openings, spacing_s, t);
    let run = |node: usize| {
        let mut plant = running(&two_in_series(&case), case.si("dt"));
        assert_eq!(plant.cells(), 4, "two reaches a pipe");
        levels(&mut plant, (node, 2), steps_of(&case), opening)
    };
    let [_, heads_m, flows_m3_s] = run(2);
    sheet.check(&case, "H_valve", heads_m, "Plant::advance");
    sheet.check(&case, "Q_valve", flows_m3_s, "Plant::advance");
    let [_, junction_m, _] = run(1);
    sheet.check(&case, "H_junction", junction_m, "Plant::advance");
}
