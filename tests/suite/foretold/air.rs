//! Air that has no way out, and a check valve's disc that holds the suction leg.

use super::{edited, event, last, last_of_channel, predict, rig_of, sequence};
use ramprig::prediction::EventKind;

/// Exponent of `p V^n` of air shut in, as the plant states it.
const EXPONENT: f64 = 1.2;
const ATMOSPHERE_PA: f64 = 0.98e5;
/// Pressure of the air by its volume against the pressure in the dry end of the hose: the step, the stored single
/// precision and the swing that is left.
const TOLERANCE: f64 = 0.02;

const CHARGED: &str = "open = [\"throttle\", \"nozzle\"]\nline = \"drained\"\nsuction = \"full\"";
const EMPTY: &str =
    "open = [\"throttle\", \"nozzle\"]\nline = \"drained\"    # riser and hose hold air; it leaves by the nozzle";

#[test]
fn predicts_air_that_a_shut_nozzle_keeps_in_and_the_front_compresses() {
    let shut = "open = [\"throttle\"]\nclosed = [\"nozzle\"]\nline = \"drained\"\nsuction = \"full\"";
    let rig = rig_of(&edited("fill-bench", &[(CHARGED, shut)]));
    let script = sequence("line-fill", &[("line_up = \"empty\"", "line_up = \"hose-empty\"")]);
    let prediction = predict(&rig, &script, "contactor");
    let told = event(&prediction, EventKind::AirShutIn).expect("the air is told of");
    assert!(told.text.contains("no way out"), "{}", told.text);
    assert!(event(&prediction, EventKind::LineFull).is_none(), "a line that air is shut into never fills");
    // riser 8 m and hose 40 m of 65 mm bore
    let whole_m3 = 48.0 * std::f64::consts::FRAC_PI_4 * 0.065 * 0.065;
    let left_m3 = last(&prediction, 0, "air_shut_in_m3");
    let expected_pa = ATMOSPHERE_PA * (whole_m3 / left_m3).powf(EXPONENT) - ATMOSPHERE_PA;
    let got_pa = last_of_channel(&prediction, 0, "p_hose_end");
    let error = (got_pa - expected_pa).abs() / expected_pa;
    assert!(
        left_m3 < 0.6 * whole_m3 && error < TOLERANCE,
        "of {whole_m3} m3 of air {left_m3} m3 are left: expected {expected_pa} Pa by p V^1.2, got {got_pa} Pa, error {error}"
    );
    let assumed = prediction.assumptions.iter().any(|line| line.contains("air ahead of it has no way out"));
    assert!(assumed, "{:?}", prediction.assumptions);
}

#[test]
fn says_that_a_pump_without_a_vent_path_does_not_prime() {
    let shut = EMPTY.replace("open = [\"throttle\", \"nozzle\"]", "open = [\"throttle\"]\nclosed = [\"nozzle\"]");
    let rig = rig_of(&edited("fill-bench", &[(EMPTY, &shut)]));
    let prediction = predict(&rig, &sequence("line-fill", &[]), "contactor");
    assert!(event(&prediction, EventKind::Primed).is_none());
    let said = prediction.warnings.iter().find(|line| line.starts_with("the pump does not prime")).expect("a reason");
    assert!(said.contains("no vent path"), "{said}");
}

const IDEAL: &str = "cracking_head = \"0.1 m\"";
const DISC: &str =
    "disc_mass = 0.4\ndisc_area = \"0.0033 m2\"\ntravel = \"15 mm\"\nseat_force = 3\nspring_rate = 300\ndamping = 5";

/// Stopped half primed, the suction leg stands on the check valve's seat, whatever the kind of valve.
#[test]
fn holds_a_half_primed_suction_leg_behind_a_disc_as_behind_an_ideal_check_valve() {
    let half = sequence(
        "line-fill",
        &[("time = \"45 s\"", "time = \"4 s\""), ("timeout = \"30 s\"\nspan", "timeout = \"6 s\"\nspan")],
    );
    let wet_m = |edits: &[(&str, &str)]| {
        let rig = rig_of(&edited("fill-bench", edits));
        let prediction = predict(&rig, &half, "contactor");
        assert!(event(&prediction, EventKind::Primed).is_none(), "only half primed");
        let closes = prediction
            .events
            .iter()
            .find(|event| event.after_mark_s < 0.1 && event.kind == EventKind::CheckValveClosed);
        assert!(closes.is_none(), "nothing has opened yet: {closes:?}");
        (last(&prediction, 0, "front_suction_m"), last(&prediction, 1, "front_suction_m"))
    };
    let (ideal, disc) = (wet_m(&[]), wet_m(&[(IDEAL, DISC)]));
    assert!(disc.0 > 1.5 && disc.1 > disc.0 - 0.1, "the disc lets go: {disc:?} m");
    assert!((ideal.1 - disc.1).abs() < 0.1, "ideal {ideal:?} m, disc {disc:?} m");
}

/// A late disc shuts on water that runs back, and the prediction says how fast.
#[test]
fn tells_the_reverse_velocity_on_which_a_disc_shuts() {
    let rig = rig_of(&edited("fill-bench", &[(IDEAL, DISC)]));
    let script = sequence("line-fill", &[("time = \"45 s\"", "time = \"60 s\"")]);
    let prediction = predict(&rig, &script, "contactor");
    let told = prediction.events.iter().find(|event| event.text.contains("on a flow backwards of"));
    let told = told.unwrap_or_else(|| panic!("{:?}", prediction.events));
    assert!(
        told.text.starts_with("check valve check ")
            && told.text.contains(" l/s, ")
            && told.text.contains(" m/s at the valve"),
        "{}",
        told.text
    );
}
