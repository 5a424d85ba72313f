//! The pump's four quadrants, starts and trips.

use super::bed::{chain, crossing_s, exact_grid, head_m, liquid, pipe, tank};
use crate::harness::{Case, Sheet};
use ramprig::hydraulics::plant::{Plant, PlantEventKind, ShaftDriver};
use ramprig::hydraulics::pump::{Pump, four_quadrant};
use ramprig::hydraulics::roots::brent;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{
    CheckValveSpec, ElementKind, GridOptions, NetworkSpec, PipeSpec, PumpSpec, ShaftSpec, Terminal,
};
use ramprig::hydraulics::steady;
use ramprig::starters::motor;
use ramprig::starters::torque_curve::{kloss_slope, kloss_torque};
use std::f64::consts::PI;

/// A pump of ratios: head, flow, speed and torque are their own rated values.
fn unit_pump() -> PumpSpec {
    PumpSpec {
        rated_speed_rad_s: 1.0,
        rated_flow_m3_s: 1.0,
        rated_head_m: 1.0,
        rated_efficiency: 1.0,
        curve: vec![],
        efficiency: vec![],
        npsh_required_m: 0.0,
        condition: Default::default(),
    }
}

/// States of speed and flow an eighth of a turn apart.
const EIGHTHS: [(f64, f64); 9] = [
    (-1.0, -0.0),
    (-1.0, -1.0),
    (0.0, -1.0),
    (1.0, -1.0),
    (1.0, 0.0),
    (1.0, 1.0),
    (0.0, 1.0),
    (-1.0, 1.0),
    (-1.0, 0.0),
];

#[test]
fn published_donsky_1961_four_quadrants() {
    let mut sheet = Sheet::open("06_pump", "hydraulics-four-quadrants");
    let case = sheet.case("suter-35-table");
    let (head, torque) = four_quadrant::tables();
    sheet.check(&case, "WH", head.to_vec(), "pump::four_quadrant::tables");
    sheet.check(&case, "WB", torque.to_vec(), "pump::four_quadrant::tables");
    let pump = Pump::new("unit", &unit_pump(), 1.0, 1.0).unwrap();
    for case in sheet.cases("suter-35-eval-") {
        let (alpha, v) = (case.si("alpha"), case.si("v"));
        let point = pump.at(v, alpha);
        sheet.check(&case, "x", four_quadrant::angle_rad(alpha, v), "pump::four_quadrant::angle_rad");
        sheet.check(&case, "h", point.head_m, "Pump::at");
        sheet.check(&case, "beta", point.torque_n_m / pump.rated_torque_n_m(), "Pump::at");
    }
    // Advisory, and from memory: the anchors are a mixed-flow pump's; what is built in is the radial set, whose distance from them is
    // reported and gates nothing.
    let case = sheet.case("suter-147-anchors");
    let every = (head.len() - 1) / EIGHTHS.len().saturating_sub(1);
    let anchors = |table: &[f64]| table.iter().step_by(every).copied().collect::<Vec<f64>>();
    let angles = EIGHTHS.iter().map(|(alpha, v)| four_quadrant::angle_rad(*alpha, *v) / PI).collect::<Vec<f64>>();
    sheet.check(&case, "x_over_pi", angles, "pump::four_quadrant::angle_rad");
    sheet.check(&case, "WH", anchors(head), "pump::four_quadrant::tables");
    sheet.check(&case, "WB", anchors(torque), "pump::four_quadrant::tables");
    let elsewhere = "a figure of sizing, not of a run: checked with the pump figures";
    sheet.finish(
        &["affinity-", "ns-", "eff-", "npsha-", "inertia-", "nema-", "max-lift-"].map(|prefix| (prefix, elsewhere)),
    );
}

/// Induction motor at full voltage by the project's own form of Kloss's formula.
struct Kloss {
    breakdown_n_m: f64,
    breakdown_slip: f64,
    synchronous_rad_s: f64,
}

impl ShaftDriver for Kloss {
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        let slip = motor::slip(self.synchronous_rad_s, speed_rad_s);
        let torque_n_m = kloss_torque(self.breakdown_n_m, self.breakdown_slip, slip);
        let by_slip = kloss_slope(self.breakdown_n_m, self.breakdown_slip, slip);
        (torque_n_m, -by_slip / self.synchronous_rad_s)
    }

    fn advance(&mut self, _dt_s: f64, _speed_rad_s: f64) {}

    fn current_a(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn power_w(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }
}

pub(super) fn pump_of(case: &Case) -> PumpSpec {
    PumpSpec {
        rated_speed_rad_s: case.si("NR"),
        rated_flow_m3_s: case.si("QR"),
        rated_head_m: case.si("HR"),
        rated_efficiency: case.si("eta"),
        ..unit_pump()
    }
}

#[test]
fn published_starts_and_trips_of_motor_pump_and_line() {
    let mut sheet = Sheet::open("11_coupled_system", "hydraulics-coupled");
    for case in sheet.cases("start-rigid-") {
        start(&mut sheet, &case);
    }
    for case in sheet.cases("trip-moc-") {
        trip(&mut sheet, &case);
    }
    sheet.finish(&[]);
}

/// The reference moves the column as one piece; here it is an elastic pipe that is stiff enough: waves run through it in
/// 2.5 ms, against 190 ms to the opening of the check valve and seconds to full flow.
const STIFF_TRAVEL_S: f64 = 2.5e-3;
/// Cells of that pipe.
const STIFF_CELLS: f64 = 10.0;
/// Time by which a start has settled to far below the tolerances, s.
const SETTLED_S: f64 = 15.0;

fn start_network(case: &Case) -> NetworkSpec {
    let line = pipe(case.si("L"), case.si("D"), case.si("L") / STIFF_TRAVEL_S, case.si("f"));
    let line = PipeSpec { minor_loss_k: case.si("K"), ..line };
    // The reference's check valve is ideal: a Kv so large that its loss is under a micrometre.
    let check = CheckValveSpec { kv_m3_h: 1.0e6, cracking_head_m: 0.0 };
    chain(
        liquid(case.si("rho"), case.si("g")),
        vec![tank(0.0), Terminal::None, Terminal::None, tank(case.si("Hst"))],
        vec![ElementKind::Pump(pump_of(case)), ElementKind::CheckValve(check), ElementKind::Pipe(line)],
    )
}

fn start(sheet: &mut Sheet, case: &Case) {
    let driver =
        Kloss { breakdown_n_m: case.si("Tb"), breakdown_slip: case.si("sb"), synchronous_rad_s: case.si("n_sync") };
    let shaft = ShaftSpec { inertia_kg_m2: case.si("J"), friction_n_m: 0.0 };
    let grid = exact_grid(STIFF_TRAVEL_S / STIFF_CELLS);
    let mut plant = Plant::new(&start_network(case), &shaft, driver, &grid).unwrap();
    let mut run = vec![(0.0, 0.0, 0.0)];
    while plant.time_s() < SETTLED_S {
        plant.advance().unwrap();
        run.push((plant.time_s(), plant.speed_rad_s(), plant.pump_flow_m3_s()));
    }
    let (_, speed, flow) = run[run.len() - 1];
    let rated = Pump::new("pump", &pump_of(case), case.si("rho"), case.si("g")).unwrap().rated_torque_n_m();
    sheet.check_si(case, "T_rated", rated, "Pump::rated_torque_n_m");
    sheet.check_si(case, "n_final", speed, "Plant::advance");
    sheet.check_si(case, "Q_final", flow, "Plant::advance");
    let first = |of: fn(&(f64, f64, f64)) -> f64, level: f64| {
        run.windows(2).find_map(|w| crossing_s((w[0].0, of(&w[0])), (w[1].0, of(&w[1])), level)).unwrap()
    };
    sheet.check_si(case, "t_speed_95pct", first(|r| r.1, 0.95 * speed), "Plant::advance");
    sheet.check_si(case, "t_flow_95pct", first(|r| r.2, 0.95 * flow), "Plant::advance");
    let opened = plant.take_events().into_iter();
    let opened =
        opened.filter(|event| matches!(event.kind, PlantEventKind::CheckValveOpened { .. })).collect::<Vec<_>>();
    assert_eq!(opened.len(), 1, "the check valve opens once: {opened:?}");
    sheet.check_si(case, "t_check_valve_opens", opened[0].time_s, "Plant::take_events");
}

fn trip_network(case: &Case, level_m: f64) -> NetworkSpec {
    let line = pipe(case.si("L"), case.si("D"), case.si("a"), case.si("f"));
    chain(
        liquid(case.si("rho"), case.si("g")),
        vec![tank(0.0), Terminal::None, tank(level_m)],
        vec![ElementKind::Pump(pump_of(case)), ElementKind::Pipe(line)],
    )
}

fn trip(sheet: &mut Sheet, case: &Case) {
    const CELLS: f64 = 160.0;
    const LEVEL_TOLERANCE_M: f64 = 1.0e-12;
    let rated_rad_s = case.si("NR");
    let flow = |level_m: f64| steady::solve(&trip_network(case, level_m), rated_rad_s).unwrap().flows_m3_s[0];
    let level_m = brent(|level_m| flow(level_m) - case.si("QR"), 1.0, case.si("HR"), LEVEL_TOLERANCE_M).unwrap();
    sheet.check_si(case, "H_reservoir", level_m, "steady::solve");

    let shaft = ShaftSpec { inertia_kg_m2: case.si("J"), friction_n_m: 0.0 };
    let travel_s = case.si("L") / case.si("a");
    let grid: GridOptions = exact_grid(travel_s / CELLS);
    let mut plant = Plant::started_at(&trip_network(case, level_m), &shaft, NoDrive, &grid, rated_rad_s).unwrap();
    let decay = -plant.pump_torque_n_m() / shaft.inertia_kg_m2 / rated_rad_s;
    sheet.check_si(case, "dalpha_dt_0", decay, "Plant::pump_torque_n_m");
    let state = |plant: &Plant<NoDrive>| {
        (plant.time_s(), plant.pump_flow_m3_s(), plant.speed_rad_s() / rated_rad_s, head_m(plant, 1))
    };
    let mut run = vec![state(&plant)];
    while plant.time_s() < case.si("t_end") - 0.5 * plant.dt_s() {
        plant.advance().unwrap();
        run.push(state(&plant));
    }
    let first = |of: fn(&(f64, f64, f64, f64)) -> f64| {
        run.windows(2).find_map(|w| crossing_s((w[0].0, of(&w[0])), (w[1].0, of(&w[1])), 0.0)).unwrap()
    };
    let least = |of: fn(&(f64, f64, f64, f64)) -> f64| run.iter().map(of).fold(f64::INFINITY, f64::min);
    sheet.check_si(case, "H_min_pump", least(|r| r.3), "Plant::advance");
    sheet.check_si(case, "H_max_pump", -least(|r| -r.3), "Plant::advance");
    sheet.check_si(case, "t_flow_reversal", first(|r| r.1), "Plant::advance");
    sheet.check_si(case, "t_speed_reversal", first(|r| r.2), "Plant::advance");
    sheet.check_si(case, "alpha_min", least(|r| r.2), "Plant::advance");
    sheet.check_si(case, "alpha_at_2L_a", run[2 * CELLS as usize].2, "Plant::advance");
}
