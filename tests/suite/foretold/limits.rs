//! Limits that a prediction warns of, and runs that go beyond them and are followed all the same.

use super::{edited, event, predict, rig_of, sequence};
use ramprig::hydraulics::HydraulicsError;
use ramprig::prediction::summary::{Summary, loss_words};
use ramprig::prediction::{EventKind, PredictionError};
use ramprig::rig::{self, check_report, derive};
use ramprig::units::display::System;

const HIGH: (&str, &str) = ("node = \"return\"\nlevel = \"2.5 m\"", "node = \"return\"\nlevel = \"60 m\"");

#[test]
fn warns_of_a_pump_that_does_not_reach_the_static_head_in_the_prediction_itself() {
    let rig = rig_of(&edited("coil-loop", &[HIGH]));
    let prediction = predict(&rig, &sequence("one-cycle", &[]), "contactor");
    let told =
        prediction.warnings.iter().find(|line| line.contains("it moves no water at any speed")).expect("a warning");
    assert!(told.contains("line-up running") && told.contains("the static head is 57.50 m"), "{told}");
    let summary = Summary::of(&rig, &prediction);
    let object = summary.to_json();
    assert_eq!(object["warnings"][0].as_str(), Some(told.as_str()));
    let words = loss_words(summary.loss_of_supply.as_ref().unwrap(), System::Si);
    assert!(words.ends_with("no water moves before it nor after."), "{words}");
    assert!(!words.contains("backwards") && !words.contains("forward flow ends"), "{words}");
    assert!(prediction.is_intact());
}

#[test]
fn warns_of_no_speed_or_step_on_shipped_rigs() {
    for name in ["coil-loop", "rising-main", "fill-bench"] {
        let rig = rig_of(rig::shipped(name).unwrap());
        let (script, starter) = match name {
            "fill-bench" => (sequence("line-fill", &[]), "drive"),
            _ => (sequence("one-cycle", &[]), "contactor"),
        };
        let prediction = predict(&rig, &script, starter);
        assert_eq!(prediction.warnings, Vec::<String>::new(), "{name}");
    }
}

#[test]
fn warns_of_a_set_speed_beyond_what_the_motor_carries() {
    let allowed = "speed = [\"30 %\", \"100 %\"]";
    let fast = edited(
        "fill-bench",
        &[
            (allowed, "speed = [\"30 %\", \"120 %\"]"),
            ("ramp_down = \"6 s\", speed = 1.0", "ramp_down = \"6 s\", speed = 1.2"),
        ],
    );
    let rig = rig_of(&fast);
    let script = sequence("line-fill", &[("line_up = \"empty\"", "line_up = \"hose-empty\"")]);
    let warnings = predict(&rig, &script, "drive").warnings;
    let told = warnings
        .iter()
        .any(|line| line.contains("set speed 120 %") && line.contains("rpm that the motor's power allows"));
    assert!(told, "{warnings:?}");
}

/// A casing that stands 2.1 bar at its elevation of 2.5 m over the sump carries 23.9 m of head, and 21 m are made at 1440 rpm:
/// the fastest speed of use is the pressure's. A drive that may turn it faster is refused with both pressures.
#[test]
fn tells_the_speed_that_a_rated_pressure_allows_and_rejects_a_drive_that_may_exceed_it() {
    let casing = |rated: &str| {
        let of = |rated: &str| format!("max_pressure = \"{rated}\"\nmin_pressure = \"-0.9 barg\"\n\n[[check_valve]]");
        (of("6 barg"), of(rated))
    };
    let (strong, weak) = casing("2.1 barg");
    let text = edited("fill-bench", &[(&strong, &weak)]);
    let rig = rig_of(&text);
    let stands_m = 2.5 + 2.1e5 / (rig.liquid.density_kg_m3 * rig.liquid.gravity_m_s2);
    let expected_rad_s = 1440.0 / 60.0 * std::f64::consts::TAU * (stands_m / 21.0).sqrt();
    let figures = derive(&rig);
    let speeds = figures.line_ups[0].useful_speeds.unwrap();
    let error = (speeds.maximum_rad_s - expected_rad_s).abs() / expected_rad_s;
    assert!(!speeds.maximum_by_power && error < 1e-6, "expected {expected_rad_s} rad/s, got {speeds:?}, error {error}");
    let report = check_report::text(&figures, System::Si);
    let words = format!("to {:.0} rpm (rated pressure)", expected_rad_s * 60.0 / std::f64::consts::TAU);
    assert!(report.contains(&words), "expected `{words}` in\n{report}");
    let allowed = "speed = [\"30 %\", \"100 %\"]";
    assert!(text.contains(allowed));
    let faster = text.replacen(allowed, "speed = [\"30 %\", \"110 %\"]", 1);
    let problems = rig::parse(&faster, "rig.toml").unwrap_err().to_string();
    assert!(problems.contains("a rated pressure of 2.10 barg under "), "{problems}");
}

/// A tank of 0.02 m2 stands 2 m above its outlet and lasts for seconds; the pump then runs dry, and the run goes on.
#[test]
fn predicts_dry_running_once_air_from_an_empty_suction_tank_comes_to_the_pump() {
    let rig = rig_of(&edited("coil-loop", &[("area = \"0.8 m2\"", "area = \"0.02 m2\"")]));
    let prediction = predict(&rig, &sequence("one-cycle", &[]), "contactor");
    let dry = event(&prediction, EventKind::TankRunsDry).expect("told that the tank is dry");
    let lost = event(&prediction, EventKind::PrimeLost).expect("told that prime is lost");
    assert!(lost.after_mark_s > dry.after_mark_s, "{dry:?} {lost:?}");
    // 3 m of 80 mm bore
    assert!(lost.text.contains("(15.1 l)") && lost.text.contains("the pump runs dry"), "{}", lost.text);
    let start = &prediction.segments[0];
    let flow_m3_s = f64::from(*start.flow_m3_s.last().unwrap());
    assert!(flow_m3_s.abs() < 1e-5, "a pump without water moves {flow_m3_s} m3/s");
    assert_eq!(prediction.segments.len(), 2, "the stop is predicted, too");
}

/// The delivery tank is filled through its pipe until it spills.
#[test]
fn tells_of_a_tank_that_runs_over_through_its_pipe() {
    let small = (
        "node = \"return\"\nlevel = \"2.5 m\"\nheld = true",
        "node = \"return\"\nlevel = \"2.5 m\"\narea = \"0.1 m2\"\noverflow = \"2.6 m\"",
    );
    let rig = rig_of(&edited("coil-loop", &[small]));
    let prediction = predict(&rig, &sequence("one-cycle", &[]), "contactor");
    let told = prediction.events.iter().filter(|event| event.kind == EventKind::TankOverflows).count();
    assert_eq!(told, 1, "{:?}", prediction.events);
    let text = &event(&prediction, EventKind::TankOverflows).unwrap().text;
    assert!(text.contains("the tank at return is full to its rim"), "{text}");
}

#[test]
fn warns_of_a_time_step_that_blurs_the_run_up_with_the_number_of_steps() {
    let rig = rig_of(&edited(
        "coil-loop",
        &[
            ("time_step = \"1 ms\"", "time_step = \"9 ms\""),
            ("inertia = \"0.006 kg m2\"", "inertia = \"0.001 kg m2\""),
            ("inertia = \"0.004 kg m2\"", "inertia = \"0.0005 kg m2\""),
        ],
    ));
    let warnings = predict(&rig, &sequence("one-cycle", &[]), "contactor").warnings;
    let told = warnings.iter().find(|line| line.starts_with("the time step is coarse")).expect("a warning");
    assert!(told.contains("the run-up is ") && told.contains(" steps of "), "{told}");
    assert!(derive(&rig).notices.iter().any(|line| line.starts_with("the time step is coarse")), "check says so, too");
}

#[test]
fn tells_a_refusal_of_the_hydraulics_once() {
    let why = PredictionError::from(HydraulicsError::NotAValve { element: 3 });
    let chain = format!("{:#}", anyhow::Error::new(why.clone()));
    assert_eq!(chain, "element 3 is not a valve of this network");
    assert_eq!(why.to_string(), chain);
}
