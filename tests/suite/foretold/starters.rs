//! What is set at starters, in words and in the prediction.

use super::{edited, predict, rig_of, sequence};
use ramprig::rig::check_report;
use ramprig::rig::derive;
use ramprig::units::display::System;

const DRIVE: &str = "ramp_up = \"6 s\", ramp_down = \"6 s\", speed = 1.0 }";

fn charged() -> String {
    sequence(
        "line-fill",
        &[("line_up = \"empty\"", "line_up = \"hose-empty\""), ("time = \"45 s\"", "time = \"20 s\"")],
    )
}

/// Largest torque of the motor in the start, N m, and its smallest in the stop, and the time from the stop to a slow shaft, s.
fn torques(text: &str) -> (f64, f64, f64) {
    let prediction = predict(&rig_of(text), &charged(), "drive");
    let of = |name: &str| prediction.beside.iter().position(|known| known == name).unwrap();
    let series = |segment: usize, name: &str| prediction.segments[segment].beside[of(name)].clone();
    let largest = series(0, "motor_torque_n_m").into_iter().fold(f32::NEG_INFINITY, f32::max);
    let smallest = series(1, "motor_torque_n_m").into_iter().fold(f32::INFINITY, f32::min);
    let stop = &prediction.segments[1];
    let slow = series(1, "shaft_speed_rad_s").iter().position(|speed| *speed < 20.0).unwrap();
    (f64::from(largest), f64::from(smallest), stop.t0_s + slow as f64 * stop.dt_s)
}

/// A drive gives no more torque than its limit and brakes no harder than it may; a braking resistor shortens a fast stop.
#[test]
fn keeps_a_drive_within_its_torque_limit_and_its_braking_torque() {
    const RATED_N_M: f64 = 4000.0 / (1440.0 * std::f64::consts::TAU / 60.0);
    const TOLERANCE: f64 = 0.01;
    let quick = "ramp_up = \"0.5 s\", ramp_down = \"0.5 s\", speed = 1.0 }";
    let plain = edited("fill-bench", &[(DRIVE, quick)]);
    let (free_n_m, coast_n_m, slow_s) = torques(&plain);
    assert!(free_n_m > 1.15 * RATED_N_M, "without a limit the start asks for {free_n_m} N m");
    assert!(coast_n_m >= -0.05 * RATED_N_M * (1.0 + TOLERANCE), "brakes with {coast_n_m} N m where nothing is said");
    let bounded = format!("{quick}\ntorque_limit = 0.9\nbraking_torque = 0.6");
    let (largest_n_m, smallest_n_m, braked_s) = torques(&edited("fill-bench", &[(DRIVE, &bounded)]));
    let over = largest_n_m / (0.9 * RATED_N_M) - 1.0;
    assert!(over < TOLERANCE, "limit {} N m, got {largest_n_m} N m, tolerance 1 %", 0.9 * RATED_N_M);
    assert!(
        smallest_n_m < -0.2 * RATED_N_M && smallest_n_m > -0.6 * RATED_N_M * (1.0 + TOLERANCE),
        "{smallest_n_m} N m"
    );
    assert!(braked_s < slow_s, "slow after {braked_s} s with a resistor, {slow_s} s without");
}

/// A kick of voltage before the ramp breaks a rotor loose sooner, takes more current at first, and is said.
#[test]
fn predicts_a_kick_before_the_ramp_of_a_soft_starter() {
    let place = "settings = { ramp_up = \"3 s\", ramp_down = \"3 s\", initial_voltage = 0.4 }";
    let soft = |kick: &str| {
        let prediction =
            predict(&rig_of(&edited("fill-bench", &[(place, &format!("{place}{kick}"))])), &charged(), "soft");
        let start = &prediction.segments[0];
        let of = |name: &str| &start.beside[prediction.beside.iter().position(|known| known == name).unwrap()];
        let early = |series: &[f32]| {
            let to = ((0.3 - start.t0_s) / start.dt_s) as usize;
            series[..to].iter().copied().fold(0.0, f32::max)
        };
        let figures = (f64::from(early(of("line_current_a"))), f64::from(early(of("shaft_speed_rad_s"))));
        (figures, prediction.assumptions)
    };
    let ((plain_a, plain_rad_s), said) = soft("");
    let ((kicked_a, kicked_rad_s), assumed) = soft("\nkick = { voltage = 0.8, time = \"200 ms\" }");
    println!("first 0.3 s: {plain_a} A, {plain_rad_s} rad/s without, {kicked_a} A, {kicked_rad_s} rad/s with a kick");
    // Current goes with the voltage: 80 % against 40 % and what the ramp has added in 0.3 s.
    assert!(kicked_a > 1.5 * plain_a && kicked_a < 2.0 * plain_a, "{kicked_a} A with a kick, {plain_a} A without");
    assert!(kicked_rad_s > 1.5 * plain_rad_s, "{kicked_rad_s} rad/s with a kick, {plain_rad_s} rad/s without");
    let words = "kick of 80 % of line voltage for 0.2 s before the ramp";
    assert!(
        assumed.iter().any(|line| line.contains(words)) && !said.iter().any(|line| line.contains("kick")),
        "{assumed:?}"
    );
}

#[test]
fn rejects_settings_that_a_starter_of_that_kind_does_not_have() {
    let wrong = edited("fill-bench", &[("stop = \"contactor-off\"", "stop = \"contactor-off\"\ntorque_limit = 1.2")]);
    let problems = ramprig::rig::parse(&wrong, "rig.toml").unwrap_err().to_string();
    assert!(problems.contains("torque_limit"), "{problems}");
}

/// A soft starter's own rating, (current x rated current)^2 x time and starts an hour, against the start that is predicted.
#[test]
fn warns_of_a_start_beyond_the_soft_starters_own_rating() {
    let place = "settings = { ramp_up = \"3 s\", ramp_down = \"3 s\", initial_voltage = 0.4 }";
    let rated = |current: f64, time: &str| {
        let text = format!("{place}\nduty_rating = {{ current = {current}, time = \"{time}\", starts_per_hour = 4 }}");
        rig_of(&edited("fill-bench", &[(place, &text)]))
    };
    let small = rated(1.5, "1 s");
    let warnings = predict(&small, &charged(), "soft").warnings;
    let told = warnings.iter().find(|line| line.starts_with("starter soft: a start takes")).expect("a warning");
    assert!(told.contains("times as much as its rating of 1.5 x for 1 s stands"), "{told}");
    let ample = rated(6.0, "30 s");
    assert_eq!(predict(&ample, &charged(), "soft").warnings, Vec::<String>::new());
    let notices = derive(&ample).notices;
    let told = notices.iter().any(|line| line == "starter soft: 40 starts an hour declared, its own rating is 4");
    assert!(told, "{notices:?}");
}

/// `check` lists every setting with what it is relative to; `predict` those of the starter that is used.
#[test]
fn says_what_every_setting_of_a_starter_is_relative_to() {
    let rig = rig_of(&edited("fill-bench", &[]));
    let report = check_report::text(&derive(&rig), System::Si);
    for words in [
        "full line voltage at once",
        "ramp up 3 s from initial voltage, 40 % of line voltage, to full voltage",
        "ramp down 3 s from full to initial voltage, then off",
        "ramp up 6 s from standstill to rated frequency, straight",
        "ramp down 6 s from rated frequency to standstill, straight",
        "set speed 1 x rated frequency",
        "current limit 1.5 x (assumed) the motor's full-load current",
        "brakes with 0.05 x rated torque at most",
    ] {
        assert!(report.contains(words), "no {words:?} in\n{report}");
    }
    let coil = rig_of(&edited("coil-loop", &[]));
    let assumed = predict(&coil, &sequence("one-cycle", &[]), "star-delta").assumptions;
    let told = assumed.iter().any(|line| line.contains("star-delta: 2 s from the star contactor's closing"));
    assert!(told, "{assumed:?}");
}

/// Heat of the starts from cold and from hot stand side by side.
#[test]
fn tells_the_motors_heat_begun_cold_and_begun_hot() {
    let rig = rig_of(&edited("coil-loop", &[]));
    let assumed = predict(&rig, &sequence("one-cycle", &[]), "contactor").assumptions;
    // 3 starts from cold: a third each; 2 from hot: it stands at a third before
    let told = assumed.iter().any(|line| {
        line.contains("begins cold; its starts heat it to 33 % of its limit; begun hot from long running, to 67 %")
    });
    assert!(told, "{assumed:?}");
}
