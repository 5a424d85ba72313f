//! Set points that the program's own controller holds.

use super::{edited, last_of_channel, predict, rig_of, sequence};

/// 0.95 bar gauge at the pump's discharge of the terrace bench for 20 s, with this gain and integral time.
fn held(gain: f64, integral_s: f64) -> ramprig::prediction::Prediction {
    let set_point = format!(
        "time = \"20 s\"\nset_point = {{ controller = \"program\", channel = \"p_discharge\", at = \"0.95 barg\", \
         span = \"1 bar\", gain = {gain}, integral_time = \"{integral_s} s\", tick = \"500 ms\", lowest_speed = 0.5, \
         highest_speed = 1.0 }}"
    );
    let edits = [
        ("line_up = \"running\"", "line_up = \"terrace\""),
        ("do = \"start\"", "do = \"start\"\nramp_up = \"2 s\"\nramp_down = \"2 s\""),
        ("time = \"20 s\"", set_point.as_str()),
    ];
    let text = sequence("one-cycle", &edits);
    predict(&rig_of(ramprig::rig::shipped("terrace-bench").unwrap()), &text, "drive")
}

/// 18 m3/h through the suction of the terrace bench for 30 s, read by a flow channel added there.
fn held_flow(gain: f64, delay: &str) -> ramprig::prediction::Prediction {
    let meter = "[[channel]]\nid = \"q_suction\"\nlabel = \"flow\"\nquantity = \"flow\"\npipe = \"suction\"\nshare = 0.5\n\
                 input = 8\nrange = [\"0 m3/h\", \"60 m3/h\"]\nbandwidth = \"2 Hz\"\nfilter_class = 0\n\
                 calibration_uncertainty = \"0.1 m3/h\"\n\n[[channel]]\nid = \"p_suction\"";
    let set_point = format!(
        "time = \"30 s\"\nset_point = {{ controller = \"program\", channel = \"q_suction\", at = \"18 m3/h\", span = \"30 m3/h\", \
         gain = {gain}, integral_time = \"2 s\", tick = \"500 ms\", lowest_speed = 0.5, highest_speed = 1.0{delay} }}"
    );
    let edits = [
        ("line_up = \"running\"", "line_up = \"terrace\""),
        ("do = \"start\"", "do = \"start\"\nramp_up = \"2 s\"\nramp_down = \"2 s\""),
        ("time = \"20 s\"", set_point.as_str()),
    ];
    let rig = edited("terrace-bench", &[("[[channel]]\nid = \"p_suction\"", meter)]);
    predict(&rig_of(&rig), &sequence("one-cycle", &edits), "drive")
}

/// A flow channel can be held, too; a long delay makes the same gain swing, and the prediction says so.
#[test]
fn holds_the_flow_of_a_channel_and_warns_of_a_delay_that_unsettles_it() {
    let prediction = held_flow(0.3, "");
    assert!(!prediction.warnings.iter().any(|w| w.contains("is not held")), "{:?}", prediction.warnings);
    let expected_m3_s = 18.0 / 3600.0;
    let last_m3_s = last_of_channel(&prediction, 0, "q_suction");
    let error = (last_m3_s - expected_m3_s).abs() / expected_m3_s;
    assert!(error < 0.01, "expected {expected_m3_s} m3/s, got {last_m3_s} m3/s, error {error}, tolerance 1 %");
    let late = held_flow(1.5, ", delay = \"3 s\"").warnings;
    let told = late.iter().find(|warning| warning.contains("is not held")).unwrap_or_else(|| panic!("{late:?}"));
    assert!(told.contains("q_suction (18.00 m3/h)") && told.contains("m3/h with a gain of 1.5; try 0.75"), "{told}");
}

/// The pump answers a change of speed by 3.4 bar a full share before its flow has followed, so that at ticks of 0.5 s a gain
/// of 0.25 or more swings for ever (`SetPointSettings::most_gain`): what looked like a held pressure of 0.88 to 0.99 bar was that.
#[test]
fn warns_of_a_set_point_that_is_not_held_and_not_of_one_that_is() {
    for (gain, integral_s) in [(0.6, 1.5), (0.3, 1.5), (0.25, 0.75)] {
        let warnings = held(gain, integral_s).warnings;
        let told = warnings.iter().find(|warning| warning.contains("is not held")).unwrap_or_else(|| {
            panic!("gain {gain}, integral time {integral_s} s: not told; {warnings:?}");
        });
        println!("{told}");
        assert!(told.contains("p_discharge") && told.contains("0.95 bar") && told.contains("swinging"), "{told}");
    }
    for (gain, integral_s) in [(0.2, 0.75), (0.15, 0.5), (0.12, 0.4)] {
        let prediction = held(gain, integral_s);
        assert!(!prediction.warnings.iter().any(|w| w.contains("is not held")), "{:?}", prediction.warnings);
        let last_pa = last_of_channel(&prediction, 0, "p_discharge");
        let error_pa = (last_pa - 0.95e5).abs();
        println!("gain {gain}: expected 95000 Pa, got {last_pa} Pa, error {error_pa} Pa, tolerance 1000 Pa");
        assert!(error_pa < 1000.0, "gain {gain}, integral time {integral_s} s: {last_pa} Pa");
    }
}

#[test]
fn follows_the_speed_that_the_sequence_sets_while_the_pump_runs() {
    let rig = rig_of(&edited("terrace-bench", &[]));
    let stop = "  [[step.step]]\n  do = \"stop\"";
    let course = format!(
        "[[step.step]]\ndo = \"speed\"\nprofile = [[\"0 s\", \"100 %\"], [\"4 s\", \"70 %\"]]\ntime = \"8 s\"\n\n{stop}"
    );
    let prediction = predict(&rig, &sequence("three-starters", &[(stop, &course)]), "drive");
    let speed = prediction.channels.iter().position(|id| id.0 == "n_shaft").unwrap();
    let start = &prediction.segments[0];
    let at = |before_end_s: f64| {
        let series = &start.series[speed];
        series[series.len() - 1 - (before_end_s / start.dt_s).round() as usize]
    };
    let (full, slow) = (at(8.2), at(0.5));
    // Slip apart, which is less at the lower load.
    assert!((slow / full - 0.7).abs() < 0.02, "{full} rad/s, then {slow} rad/s");
    let between = at(6.0);
    // Half way by the program's steps of 0.2 s (1.5 % of speed each) and the drive's own ramp behind them.
    assert!((between / full - 0.85).abs() < 0.03, "half way down its course: {between} of {full} rad/s");
}
