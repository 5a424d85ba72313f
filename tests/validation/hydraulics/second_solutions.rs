//! Coupled runs against solutions of the same equations by a general library
//! (`tests/fixtures/second-solutions/coupled.py`): run-up, filling, priming, mass oscillation, friction of changing flow.

use super::bed::{chain, crossing_s, exact_grid, flow_m3_s, head_m, liquid, pipe, tank, valve};
use super::pump_runs::pump_of;
use crate::harness::{Case, Sheet};
use ramprig::hydraulics::plant::{LinesAtStart, Plant, PlantEventKind};
use ramprig::hydraulics::priming::{AirHandling, NotPrimed, Priming, Readiness, SuctionLeg, prime};
use ramprig::hydraulics::shaft::{FixedSpeed, NoDrive};
use ramprig::hydraulics::spec::{
    CheckValveSpec, ElementKind, GridOptions, LiquidSpec, NetworkSpec, NodeSpec, PipeSpec, ShaftSpec, Terminal,
};
use ramprig::starters::{
    ContactorTimes, DriveTrain, MotorSpec, Mounting, PanelSettings, Settings, StarterKind, StarterSpec,
};

/// The references move columns as one piece; here pipes are elastic and stiff: a wave runs through in this time, s.
const STIFF_TRAVEL_S: f64 = 2.5e-3;
const STIFF_CELLS: f64 = 10.0;

#[test]
fn agrees_with_scipy_in_coupled_runs() {
    let mut sheet = Sheet::open("coupled", "second-solutions");
    for case in sheet.cases("run-up-") {
        run_up(&mut sheet, &case);
    }
    for case in sheet.cases("fill-pump-") {
        fill(&mut sheet, &case);
    }
    for case in sheet.cases("prime-") {
        priming(&mut sheet, &case);
    }
    for case in sheet.cases("swing-") {
        swing(&mut sheet, &case);
    }
    for case in sheet.cases("damp-") {
        damp(&mut sheet, &case);
    }
    sheet.finish(&[]);
}

/// A level of a run: time and what is followed.
type Level<const N: usize> = (f64, [f64; N]);

/// Value at a time, straight between levels.
fn at<const N: usize>(run: &[Level<N>], which: usize, time_s: f64) -> f64 {
    let later = run.iter().position(|level| level.0 >= time_s).unwrap().max(1);
    let (a, b) = (&run[later - 1], &run[later]);
    a.1[which] + (b.1[which] - a.1[which]) * (time_s - a.0) / (b.0 - a.0)
}

fn first_crossing_s<const N: usize>(run: &[Level<N>], which: usize, level: f64) -> f64 {
    run.windows(2).find_map(|w| crossing_s((w[0].0, w[0].1[which]), (w[1].0, w[1].1[which]), level)).unwrap()
}

fn driver(case: &Case) -> DriveTrain {
    let motor = MotorSpec {
        rated_power_w: case.si("P"),
        voltage_v: 400.0,
        frequency_hz: case.si("frequency"),
        poles: case.si("poles") as u32,
        rated_speed_rad_s: case.si("n_rated"),
        full_load_current_a: 100.0,
        locked_rotor_current: 7.0,
        locked_rotor_torque: 1.5,
        pull_up_torque: 1.4,
        breakdown_torque: case.si("Tb_Tn"),
        power_factor: 0.85,
        efficiency: 0.9,
        inertia_kg_m2: 0.0,
        kloss: true,
        mounting: Mounting::DIRECT,
    };
    let soft = case.si("t_ramp") > 0.0;
    let kind = if soft { StarterKind::SoftStarter } else { StarterKind::AcrossTheLine };
    let settings = Settings {
        ramp_up_s: soft.then(|| case.si("t_ramp")),
        initial_voltage: soft.then(|| case.si("V0")),
        ..Settings::default()
    };
    let spec = StarterSpec { id: "starter".to_owned(), kind, settings, panel: PanelSettings::default() };
    let at_once = ContactorTimes { closing_s: 0.0, opening_s: 0.0 };
    let mut train = DriveTrain::with_contactors(motor, vec![spec], at_once).unwrap();
    train.start(0, Settings::default()).unwrap();
    train
}

fn run_up(sheet: &mut Sheet, case: &Case) {
    let line = pipe(case.si("L"), case.si("D"), case.si("L") / STIFF_TRAVEL_S, case.si("f"));
    let line = PipeSpec { minor_loss_k: case.si("K"), ..line };
    let check = CheckValveSpec { kv_m3_h: 1.0e6, cracking_head_m: 0.0 };
    let network = chain(
        liquid(case.si("rho"), case.si("g")),
        vec![tank(0.0), Terminal::None, Terminal::None, tank(case.si("Hst"))],
        vec![ElementKind::Pump(pump_of(case)), ElementKind::CheckValve(check), ElementKind::Pipe(line)],
    );
    let shaft = ShaftSpec { inertia_kg_m2: case.si("J"), friction_n_m: 0.0 };
    let grid = exact_grid(STIFF_TRAVEL_S / STIFF_CELLS);
    let mut plant = Plant::new(&network, &shaft, driver(case), &grid).unwrap();
    let mut run = vec![(0.0, [0.0, 0.0])];
    while plant.time_s() < 40.0 {
        plant.advance().unwrap();
        run.push((plant.time_s(), [plant.speed_rad_s(), plant.pump_flow_m3_s()]));
    }
    let [speed, flow] = run[run.len() - 1].1;
    sheet.check_si(case, "n_final", speed, "Plant::advance");
    sheet.check_si(case, "Q_final", flow, "Plant::advance");
    sheet.check_si(case, "t_speed_95pct", first_crossing_s(&run, 0, 0.95 * speed), "Plant::advance");
    sheet.check_si(case, "t_flow_95pct", first_crossing_s(&run, 1, 0.95 * flow), "Plant::advance");
    let opened = plant.take_events().into_iter();
    let opened = opened.filter(|event| matches!(event.kind, PlantEventKind::CheckValveOpened { .. }));
    sheet.check_si(case, "t_check_valve_opens", opened.map(|e| e.time_s).next().unwrap(), "Plant::take_events");
    let times_s = case.si_list("times");
    let speeds = times_s.iter().map(|t| at(&run, 0, *t)).collect::<Vec<f64>>();
    sheet.check(case, "n_at", speeds, "Plant::speed_rad_s");
    let flows = times_s[1..].iter().map(|t| at(&run, 1, *t)).collect::<Vec<f64>>();
    sheet.check(case, "Q_at", flows, "Plant::pump_flow_m3_s");
}

/// Sump, suction pipe, pump, empty riser to a free outlet.
fn filling_network(case: &Case) -> NetworkSpec {
    const DT_S: f64 = 1.0e-3;
    let elastic = |length: &str, bore: &str, f: &str| {
        pipe(case.si(length), case.si(bore), case.si(length) / (4.0 * DT_S), case.si(f))
    };
    let riser = PipeSpec { minor_loss_k: case.si("K"), ..elastic("L", "D", "f") };
    let mut network = chain(
        LiquidSpec { atmosphere_pa: 1.013e5, ..liquid(case.si("rho"), case.si("g")) },
        vec![tank(case.si("level")), Terminal::None, Terminal::None, Terminal::FreeOutlet],
        vec![ElementKind::Pipe(elastic("Ls", "Ds", "fs")), ElementKind::Pump(pump_of(case)), ElementKind::Pipe(riser)],
    );
    let outlet: &mut NodeSpec = &mut network.nodes[3];
    outlet.elevation_m = case.si("rise");
    network
}

fn fill(sheet: &mut Sheet, case: &Case) {
    const RISER: usize = 2;
    let lines = LinesAtStart { discharge_drained: true, suction_drained: false, self_priming: None };
    let shaft = ShaftSpec { inertia_kg_m2: 1.0, friction_n_m: 0.0 };
    let grid = exact_grid(1.0e-3);
    let drive = FixedSpeed::new(case.si("n"));
    let mut plant = Plant::with_lines(&filling_network(case), &shaft, drive, &grid, &lines).unwrap();
    let mut run = vec![(0.0, [plant.wet_length_m(RISER).unwrap(), 0.0])];
    let mut full_s = None;
    while full_s.is_none() {
        plant.advance().unwrap();
        full_s = plant.take_events().iter().find(|e| e.kind == PlantEventKind::LineFull).map(|e| e.time_s);
        if full_s.is_none() {
            run.push((plant.time_s(), [plant.wet_length_m(RISER).unwrap(), flow_m3_s(&plant, RISER)]));
        }
    }
    sheet.check_si(case, "t_full", full_s.unwrap(), "Plant::take_events");
    sheet.check_si(case, "Q_at_full", run[run.len() - 1].1[1], "Plant::flow_m3_s");
    let wet_m = case.si_list("times").iter().map(|t| at(&run, 0, *t)).collect::<Vec<f64>>();
    sheet.check(case, "wet_length_at", wet_m, "Plant::wet_length_m");
}

fn priming(sheet: &mut Sheet, case: &Case) {
    let leg = SuctionLeg {
        lift_m: case.si("lift"),
        bore_m: case.si("D"),
        rising_length_m: case.si("rising_length"),
        fixed_air_m3: case.si("V_fixed"),
        leak_m3_s: case.si("leak"),
    };
    let air = AirHandling { free_air_m3_s: case.si("q"), vacuum_max_pa: case.si("vacuum_max") };
    let liquid = LiquidSpec {
        vapour_pa: case.si("p_v"),
        atmosphere_pa: case.si("p_atm"),
        ..liquid(case.si("rho"), case.si("g"))
    };
    let ready = Readiness { casing_charged: true, vent_open: true };
    let share = case.si("n");
    match prime(&leg, &air, &liquid, share, ready, 3000.0) {
        Ok(primed) => {
            sheet.check(case, "primes", true, "priming::prime");
            sheet.check_si(case, "t_primed", primed.time_s, "priming::prime");
            sheet.check_si(case, "p_final_abs", primed.inlet_abs_pa, "priming::prime");
        }
        Err(why) => {
            assert!(matches!(why, NotPrimed::Leak { .. }), "{}: {why}", case.id);
            sheet.check(case, "primes", false, "priming::prime");
            let reach_m = Priming::new(&leg, &air, &liquid).unwrap().reach_m(share);
            sheet.check_si(case, "height_reached", reach_m, "Priming::reach_m");
        }
    }
}

fn swing(sheet: &mut Sheet, case: &Case) {
    const TRAVEL_S: f64 = 0.05;
    let line = pipe(case.si("L"), case.si("D"), case.si("L") / TRAVEL_S, case.si("f"));
    let line = PipeSpec { minor_loss_k: case.si("K"), ..line };
    let shaft = Terminal::Tank { level_m: case.si("z0"), area_m2: case.si("A_shaft"), overflow_m: f64::INFINITY };
    let network = chain(liquid(1000.0, case.si("g")), vec![tank(case.si("H")), shaft], vec![ElementKind::Pipe(line)]);
    let still = ShaftSpec { inertia_kg_m2: 1.0, friction_n_m: 0.0 };
    let grid = exact_grid(TRAVEL_S / STIFF_CELLS);
    let mut plant = Plant::started_at(&network, &still, NoDrive, &grid, 0.0).unwrap();
    sheet.check_si(case, "Q0", flow_m3_s(&plant, 0), "Plant::started_at");
    let (mut times_s, mut levels_m) = (Vec::new(), Vec::new());
    let mut before = (0.0, flow_m3_s(&plant, 0));
    while times_s.len() < 3 {
        plant.advance().unwrap();
        let now = (plant.time_s(), flow_m3_s(&plant, 0));
        if let Some(turned_s) = crossing_s(before, now, 0.0) {
            times_s.push(turned_s);
            levels_m.push(plant.level_m(1));
        }
        before = now;
    }
    sheet.check(case, "t_extremes", times_s, "Plant::flow_m3_s");
    sheet.check(case, "z_extremes", levels_m, "Plant::level_m");
    let error_m3 = plant.volume_error_m3().abs();
    assert!(error_m3 < 1.0e-6, "{}: expected 0 m3, got a volume error of {error_m3:.2e} m3", case.id);
}

/// The reference weighs the whole history of the flow; here friction of changing flow goes with the acceleration of the moment.
/// The two agree on the first half periods, and without either the waves would hardly be damped.
fn damp(sheet: &mut Sheet, case: &Case) {
    const CELLS: f64 = 200.0;
    let line = PipeSpec { fixed_darcy_f: None, ..pipe(case.si("L"), case.si("D"), case.si("a"), 0.0) };
    let liquid = LiquidSpec { viscosity_m2_s: case.si("nu"), ..liquid(case.si("rho"), case.si("g")) };
    let network = chain(
        liquid,
        vec![tank(case.si("H")), Terminal::None, tank(0.0)],
        vec![ElementKind::Pipe(line), valve(case.number("Kv"))],
    );
    let still = ShaftSpec { inertia_kg_m2: 1.0, friction_n_m: 0.0 };
    let grid = GridOptions { unsteady_friction: true, ..exact_grid(case.si("L") / case.si("a") / CELLS) };
    let mut plant = Plant::started_at(&network, &still, NoDrive, &grid, 0.0).unwrap();
    sheet.check_si(case, "Q0", flow_m3_s(&plant, 0), "Plant::started_at");
    plant.set_opening(1, 0.0).unwrap();
    let times_s = case.si_list("times");
    let mut run = vec![(0.0, [head_m(&plant, 1) - case.si("H")])];
    while plant.time_s() < times_s[times_s.len() - 1] + grid.dt_max_s {
        plant.advance().unwrap();
        run.push((plant.time_s(), [head_m(&plant, 1) - case.si("H")]));
    }
    let rises_m = times_s.iter().map(|t| at(&run, 0, *t)).collect::<Vec<f64>>();
    sheet.check(case, "rise_at", rises_m, "Plant::head_m with unsteady friction");
}
