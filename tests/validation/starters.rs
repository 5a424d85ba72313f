//! Motor, starters, run-up, published motor tables and drive words against published and independently computed values.

use crate::harness::{Case, Sheet};
use ramprig::hydraulics::plant::ShaftDriver;
use ramprig::hydraulics::roots::brent;
use ramprig::starters::duty_tables;
use ramprig::starters::heating::Heat;
use ramprig::starters::motor::{self, Motor, Supply};
use ramprig::starters::ramp_shape::{RampShape, ShapedRamp};
use ramprig::starters::run_up::{self, MotorOnLoad, QuadraticLoad, Steps};
use ramprig::starters::soft_starter;
use ramprig::starters::state::{Command, DriveState, Status};
use ramprig::starters::torque_curve;
use ramprig::starters::variable_speed::{FrequencyRamp, VoltsPerHertz};
use ramprig::starters::{DriveTrain, MotorSpec, Mounting, PanelSettings, Settings, StarterKind, StarterSpec, StopKind};

#[test]
fn published_motor_starter_and_drive_figures() {
    let mut sheet = Sheet::open("07_motor_starters", "starters");
    speeds_and_torques(&mut sheet);
    kloss(&mut sheet);
    reduced_voltage(&mut sheet);
    run_up_closed_forms(&mut sheet);
    run_up_integrated(&mut sheet);
    coasting(&mut sheet);
    mg10(&mut sheet);
    mg1(&mut sheet);
    drive_words(&mut sheet);
    volts_per_hertz(&mut sheet);
    shaped_ramps(&mut sheet);
    heating(&mut sheet);
    sheet.finish(&[]);
}

fn poles(case: &Case) -> u32 {
    case.si("poles") as u32
}

fn speeds_and_torques(sheet: &mut Sheet) {
    for case in sheet.cases("ns-") {
        let ns = motor::synchronous_speed_rad_s(case.si("f"), poles(&case));
        sheet.check_si(&case, "n_s", ns, "motor::synchronous_speed_rad_s");
    }
    for case in sheet.cases("slip-") {
        let slip = motor::slip(motor::synchronous_speed_rad_s(case.si("f"), poles(&case)), case.si("n"));
        sheet.check(&case, "slip", slip, "motor::slip");
        let rotor = motor::rotor_frequency_hz(slip, case.si("f"));
        sheet.check_si(&case, "f_rotor", rotor, "motor::rotor_frequency_hz");
    }
    for case in sheet.cases("torque-") {
        let torque = motor::rated_torque_n_m(case.si("P"), case.si("n"));
        sheet.check_si(&case, "T_exact", torque, "motor::rated_torque_n_m");
        if case.expected.iter().any(|e| e.name == "T_9550") {
            let rounded = motor::handbook_torque_n_m(case.si("P"), case.si("n"));
            sheet.check_si(&case, "T_9550", rounded, "motor::handbook_torque_n_m");
        }
        if case.expected.iter().any(|e| e.name == "T") {
            sheet.check_si(&case, "T", torque, "motor::rated_torque_n_m");
        }
    }
}

fn kloss(sheet: &mut Sheet) {
    for case in sheet.cases("kloss-").into_iter().filter(|case| !case.id.starts_with("kloss-sb-")) {
        let torque = torque_curve::kloss_torque(case.si("T_breakdown"), case.si("s_breakdown"), case.si("s"));
        sheet.check_si(&case, "T", torque, "torque_curve::kloss_torque");
        let speed = motor::speed_at_slip_rad_s(case.si("n_s"), case.si("s"));
        sheet.check_si(&case, "n", speed, "motor::speed_at_slip_rad_s");
    }
    for case in sheet.cases("kloss-sb-") {
        let ratio = case.si("Tb/Tn");
        let breakdown = torque_curve::kloss_breakdown_slip(ratio, case.si("s_rated"));
        sheet.check(&case, "s_breakdown", breakdown, "torque_curve::kloss_breakdown_slip");
        let locked = torque_curve::TorqueCurve::kloss(ratio, case.si("s_rated")).torque(1.0).0;
        sheet.check(&case, "T_locked/Tn", locked, "torque_curve::TorqueCurve::kloss");
    }
}

/// An invented 4 kW motor.
const MOTOR: MotorSpec = MotorSpec {
    rated_power_w: 4000.0,
    voltage_v: 400.0,
    frequency_hz: 50.0,
    poles: 4,
    rated_speed_rad_s: 150.8,
    full_load_current_a: 8.2,
    locked_rotor_current: 7.0,
    locked_rotor_torque: 2.2,
    pull_up_torque: 1.8,
    breakdown_torque: 2.8,
    power_factor: 0.82,
    efficiency: 0.86,
    inertia_kg_m2: 0.012,
    kloss: false,
    mounting: Mounting::DIRECT,
};

fn reduced_voltage(sheet: &mut Sheet) {
    let motor = Motor::new(MOTOR).unwrap();
    let (line_torque, line_current) = (motor.torque_n_m(&Supply::LINE, 0.0).0, motor.current_a(&Supply::LINE, 0.0));
    for case in sheet.cases("redvolt-") {
        let supply = Supply::reduced_voltage(case.si("V/Vn"));
        let torque = motor.torque_n_m(&supply, 0.0).0 / line_torque;
        sheet.check(&case, "T/T_DOL", torque, "motor::Motor::torque_n_m");
        let current = motor.current_a(&supply, 0.0) / line_current;
        sheet.check(&case, "I/I_DOL_softstarter", current, "motor::Motor::current_a");
        let line = motor::autotransformer_line_share(case.si("V/Vn"));
        sheet.check(&case, "I_line/I_DOL_autotransformer", line, "motor::autotransformer_line_share");
    }
}

fn load(case: &Case, torque: &str, speed: &str) -> QuadraticLoad {
    QuadraticLoad { torque_n_m: case.si(torque), at_rad_s: case.si(speed) }
}

fn run_up_closed_forms(sheet: &mut Sheet) {
    for case in sheet.cases("runup-const-") {
        let (inertia, speed) = (case.si("J"), case.si("n"));
        let time = run_up::constant_torque_s(inertia, case.si("T_acc"), speed);
        sheet.check_si(&case, "t", time, "run_up::constant_torque_s");
        sheet.check_si(&case, "E_kin", run_up::kinetic_energy_j(inertia, speed), "run_up::kinetic_energy_j");
    }
    for case in sheet.cases("runup-quad-") {
        let load = load(&case, "T_load_at_n", "n");
        let speed = case.si("fraction") * case.si("n");
        let time = run_up::quadratic_load_s(case.si("J"), case.si("T_motor"), &load, speed);
        sheet.check_si(&case, "t", time, "run_up::quadratic_load_s");
    }
}

/// The Kloss machine of a case. Its breakdown torque is taken as this many times a rated torque, whose slip is then found
/// where the curve has the case's breakdown slip.
fn kloss_motor(case: &Case) -> Motor {
    const BREAKDOWN: f64 = 2.5;
    let (breakdown_n_m, breakdown_slip) = (case.si("T_breakdown_at_Vn"), case.si("s_breakdown"));
    let miss = |slip: f64| torque_curve::kloss_breakdown_slip(BREAKDOWN, slip) - breakdown_slip;
    let rated_slip = brent(miss, 1e-6, breakdown_slip, 1e-15).unwrap();
    let rated_speed_rad_s = motor::speed_at_slip_rad_s(case.si("n_sync"), rated_slip);
    let poles = if case.si("n_sync") > 200.0 { 2 } else { 4 };
    let spec = MotorSpec {
        rated_power_w: breakdown_n_m / BREAKDOWN * rated_speed_rad_s,
        frequency_hz: case.si("n_sync") * f64::from(poles) / (4.0 * std::f64::consts::PI),
        poles,
        rated_speed_rad_s,
        breakdown_torque: BREAKDOWN,
        kloss: true,
        ..MOTOR
    };
    Motor::new(spec).unwrap()
}

fn on_load<'a>(motor: &'a Motor, case: &Case) -> MotorOnLoad<'a> {
    MotorOnLoad { motor, load: load(case, "T_load_at_sync", "n_sync"), inertia_kg_m2: case.si("J") }
}

fn run_up_integrated(sheet: &mut Sheet) {
    let steps = Steps { step_s: 2e-4, limit_s: 30.0 };
    for case in sheet.cases("runup-kloss-") {
        let motor = kloss_motor(&case);
        let (machine, supply) = (on_load(&motor, &case), Supply::reduced_voltage(case.si("V/Vn")));
        let settled = machine.settled_speed_rad_s(&supply).unwrap();
        sheet.check_si(&case, "n_settled", settled, "run_up::MotorOnLoad::settled_speed_rad_s");
        let time = machine.time_to_speed_s(|_| supply, 0.99 * settled, steps).unwrap();
        sheet.check_si(&case, "t_99pct", time, "run_up::MotorOnLoad::time_to_speed_s");
    }
    for case in sheet.cases("softstart-") {
        let motor = kloss_motor(&case);
        let voltage = |t: f64| soft_starter::ramp_voltage(t, case.si("V0/Vn"), case.si("t_ramp"));
        let supply = |t: f64| Supply::reduced_voltage(voltage(t));
        let time = on_load(&motor, &case).time_to_speed_s(supply, 0.9 * case.si("n_sync"), steps).unwrap();
        sheet.check_si(&case, "t_90pct_sync", time, "run_up::MotorOnLoad::time_to_speed_s(soft_starter::ramp_voltage)");
    }
}

fn coasting(sheet: &mut Sheet) {
    for case in sheet.cases("coast-quad-") {
        let (inertia, load) = (case.si("J"), load(&case, "T_load_at_n", "n0"));
        let tau = run_up::coast_time_constant_s(inertia, &load);
        sheet.check_si(&case, "tau=J omega0/T", tau, "run_up::coast_time_constant_s");
        for (name, share) in [("t_to_half_speed", 0.5), ("t_to_10pct", 0.1)] {
            sheet.check_si(&case, name, run_up::coast_to_share_s(inertia, &load, share), "run_up::coast_to_share_s");
        }
    }
    for case in sheet.cases("coast-fric-") {
        let load = load(&case, "T_load_at_n", "n0");
        let time = run_up::coast_to_rest_s(case.si("J"), &load, case.si("T_friction"));
        sheet.check_si(&case, "t_stop", time, "run_up::coast_to_rest_s");
    }
}

fn mg10(sheet: &mut Sheet) {
    for case in sheet.cases("mg10-") {
        let allowed = duty_tables::allowed_starts(case.si("hp"), poles(&case)).unwrap();
        if case.id.starts_with("mg10-calc-") || case.id.starts_with("mg10-example-") {
            let starts = allowed.with_load_per_hour(case.si("load_Wk2"));
            sheet.check_si(&case, "starts_per_hour", starts / 3600.0, "duty_tables::AllowedStarts::with_load_per_hour");
            if case.id.starts_with("mg10-calc-") {
                sheet.check_si(&case, "min_off_time", allowed.rest_s, "duty_tables::allowed_starts");
            }
            continue;
        }
        sheet.check_si(&case, "A_max_starts_per_hour", allowed.per_hour / 3600.0, "duty_tables::allowed_starts");
        let product = allowed.inertia_kg_m2_per_hour / 3600.0;
        sheet.check_si(&case, "B_starts_x_load_Wk2", product, "duty_tables::allowed_starts");
        sheet.check_si(&case, "C_min_off_time", allowed.rest_s, "duty_tables::allowed_starts");
    }
}

/// NEMA MG 1, tables 12-2 and 12-3 (seen in print).
fn mg1(sheet: &mut Sheet) {
    for case in sheet.cases("mg1-torque-") {
        let least = duty_tables::least_torques(case.si("hp"), poles(&case)).unwrap();
        sheet.check_si(&case, "LRT", least.locked_rotor, "duty_tables::least_torques");
        sheet.check_si(&case, "BDT", least.breakdown, "duty_tables::least_torques");
    }
    for case in sheet.cases("mg1-lrc-") {
        let current = |volts| duty_tables::largest_locked_rotor_current_a(case.si("hp"), volts).unwrap();
        sheet.check_si(&case, "I_LR", current(case.si("V")), "duty_tables::largest_locked_rotor_current_a");
        sheet.check_si(&case, "I_LR_at_460V", current(460.0), "duty_tables::largest_locked_rotor_current_a");
    }
}

fn drive_words(sheet: &mut Sheet) {
    for case in sheet.cases("cia402-state-") {
        let state = DriveState::ALL.into_iter().find(|state| state.name() == case.text("state")).unwrap();
        let (mask, value) = state.coding();
        sheet.check(&case, "mask", mask, "state::DriveState::coding");
        sheet.check(&case, "value", value, "state::DriveState::coding");
    }
    for case in sheet.cases("cia402-decode-") {
        let status = Status::decode(case.si("statusword") as u16);
        sheet.check(&case, "state", status.state_name(), "state::Status::decode");
        sheet.check(&case, "voltage_enabled", status.voltage_enabled, "state::Status::decode");
        sheet.check(&case, "warning", status.warning, "state::Status::decode");
        sheet.check(&case, "remote", status.remote, "state::Status::decode");
        sheet.check(&case, "target_reached", status.target_reached, "state::Status::decode");
    }
    for case in sheet.cases("cia402-cmd-") {
        let command = Command::ALL.into_iter().find(|command| command.name() == case.text("command")).unwrap();
        let (mask, value) = command.coding();
        sheet.check(&case, "mask", mask, "state::Command::coding");
        sheet.check(&case, "value", value, "state::Command::coding");
        sheet.check(&case, "transitions", command.transitions(), "state::Command::transitions");
    }
}

fn volts_per_hertz(sheet: &mut Sheet) {
    for case in sheet.cases("vf-") {
        let ramp = FrequencyRamp {
            from_hz: case.si("f_start"),
            to_hz: case.si("f_target"),
            ramp_s: case.si("ramp_time_0_to_base"),
            base_frequency_hz: case.si("f_base"),
        };
        let curve = VoltsPerHertz {
            base_voltage_v: case.si("V_base"),
            base_frequency_hz: case.si("f_base"),
            boost_v: case.si("V_boost_at_0Hz"),
        };
        let half_hz = ramp.frequency_hz(0.5 * ramp.duration_s());
        sheet.check_si(&case, "ramp_rate", ramp.rate_hz_s(), "variable_speed::FrequencyRamp::rate_hz_s");
        sheet.check_si(&case, "t_total", ramp.duration_s(), "variable_speed::FrequencyRamp::duration_s");
        sheet.check_si(&case, "f_at_half_time", half_hz, "variable_speed::FrequencyRamp::frequency_hz");
        sheet.check_si(&case, "V_at_target", curve.voltage_v(case.si("f_target")), "variable_speed::VoltsPerHertz");
        sheet.check_si(&case, "V_at_half_time", curve.voltage_v(half_hz), "variable_speed::VoltsPerHertz");
    }
}

fn shaped_ramps(sheet: &mut Sheet) {
    for case in sheet.cases("sramp-") {
        let ramp =
            ShapedRamp { from_hz: 0.0, to_hz: case.si("f_target"), duration_s: case.si("T"), shape: RampShape::S };
        let f_hz = ramp.frequency_hz(case.si("t"));
        sheet.check_si(&case, "f", f_hz, "ramp_shape::ShapedRamp::frequency_hz");
        sheet.check_si(&case, "max_rate", ramp.largest_rate_hz_s(), "ramp_shape::ShapedRamp::largest_rate_hz_s");
    }
}

fn heating(sheet: &mut Sheet) {
    for case in sheet.cases("thermal-") {
        let cold = Heat { theta: 0.0, rise: case.si("k_per_start"), running: 0.0, cooling_s: case.si("tau_cool") };
        let after = cold.after_each_start(case.si("n_starts") as usize, case.si("off_time"));
        sheet.check(&case, "theta_after_each_start", after, "heating::Heat::after_each_start");
        sheet.check(&case, "theta_limit_inf", cold.limit(case.si("off_time")), "heating::Heat::limit");
    }
}

/// A train of one starter on a motor for some supply, started.
fn started(kind: StarterKind, frequency_hz: f64, settings: Settings) -> DriveTrain {
    let rated_speed_rad_s = MOTOR.rated_speed_rad_s * frequency_hz / MOTOR.frequency_hz;
    let motor = MotorSpec { frequency_hz, rated_speed_rad_s, ..MOTOR };
    let spec = StarterSpec { id: "one".to_owned(), kind, settings, panel: PanelSettings::default() };
    let mut train = DriveTrain::new(motor, vec![spec]).unwrap();
    train.start(0, Settings::default()).unwrap();
    train
}

/// Output of a train at every step of a time, its rotor kept at a share of what the field does.
fn outputs(train: &mut DriveTrain, time_s: f64, rotor: f64) -> Vec<f64> {
    const DT_S: f64 = 1e-3;
    let synchronous_rad_s = train.motor().synchronous_rad_s();
    let step = |_| {
        let field = if rotor > 0.0 { rotor } else { train.output_share(0) };
        train.advance(DT_S, field * synchronous_rad_s);
        train.output_share(0)
    };
    (0..(time_s / DT_S).round() as usize).map(step).collect()
}

#[test]
fn published_common_practice_ranges_of_soft_starter_and_drive() {
    const RAMP_S: f64 = 2.0;
    const SUPPLY_HZ: f64 = 60.0;
    let mut sheet = Sheet::open("13_common_practice", "starters-ranges");
    let settings = Settings { ramp_up_s: Some(RAMP_S), ramp_down_s: Some(RAMP_S), ..Settings::default() };
    let case = sheet.case("soft-starter-range");
    let mut soft = started(StarterKind::SoftStarter, SUPPLY_HZ, settings);
    let rise = outputs(&mut soft, 1.2 * RAMP_S, 0.98);
    sheet.check(&case, "ramps_start", is_a_ramp(&rise), "drive_train::DriveTrain::start");
    let full = soft.at_speed(0) && rise.last() == Some(&1.0);
    sheet.check(&case, "full_voltage_when_up_to_speed", full, "drive_train::DriveTrain::at_speed");
    soft.stop(0, StopKind::Ramp).unwrap();
    let mut fall = vec![soft.output_share(0)];
    fall.extend(outputs(&mut soft, 1.2 * RAMP_S, 0.98));
    fall.reverse();
    sheet.check(&case, "ramps_stop", is_a_ramp(&fall), "drive_train::DriveTrain::stop");

    let case = sheet.case("drive-range");
    for (name, speed) in [("low", 0.0), ("high", 1.0)] {
        let mut drive = started(StarterKind::VariableSpeed, SUPPLY_HZ, Settings { speed: Some(speed), ..settings });
        let given = outputs(&mut drive, 1.2 * RAMP_S, 0.0);
        sheet.check_si(&case, name, SUPPLY_HZ * given[given.len() - 1], "drive_train::DriveTrain::output_share");
    }
    // It drives a rotor that is slower than the field it was set to, and none that is faster.
    for tenths in 1..=10 {
        let set = f64::from(tenths) / 10.0;
        let mut drive = started(StarterKind::VariableSpeed, SUPPLY_HZ, Settings { speed: Some(set), ..settings });
        let given = outputs(&mut drive, 1.2 * RAMP_S, 0.0);
        let error = (given[given.len() - 1] - set).abs();
        assert!(error < 1e-9, "set to {set} of rated frequency: gives {}, error {error}", given[given.len() - 1]);
        let field_rad_s = set * drive.motor().synchronous_rad_s();
        let [slower_n_m, faster_n_m] = [0.98, 1.02].map(|share| drive.torque_n_m(share * field_rad_s).0);
        assert!(slower_n_m > 0.0 && faster_n_m <= 0.0, "set to {set}: {slower_n_m} N m below, {faster_n_m} N m above");
    }
    let elsewhere = "not a starter's range: checked beside what it is about";
    sheet.finish(&["starter-order", "workable-suction-lift", "stop-backflow"].map(|id| (id, elsewhere)));
}

/// Never falls, ends at full, and takes more than a hundred steps between.
fn is_a_ramp(outputs: &[f64]) -> bool {
    let rises = outputs.windows(2).all(|pair| pair[1] >= pair[0]);
    rises && outputs.last() == Some(&1.0) && outputs.iter().filter(|share| (0.01..0.99).contains(*share)).count() > 100
}
