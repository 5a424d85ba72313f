//! A drive's own controller of flow, level and pressure, and the shapes of its ramps, from a rig file through the prediction.

use ramprig::prediction::{Prediction, predict};
use ramprig::rig::model::Rig;
use ramprig::sequence::marks::Phase;
use ramprig::sequence::script::{Script, shipped};
use ramprig::starters::set_point::{Controlled, SetPointControl, SetPointSettings};

/// Step that the simple plants are advanced by, s: ticks and delays are whole numbers of it.
const STEP_S: f64 = 1e-3;

/// The value at some times of a plant whose rate of change `rate` gives from value and speed.
fn follow(settings: SetPointSettings, from: f64, rate: impl Fn(f64, f64) -> f64, at_s: &[f64]) -> Vec<(f64, f64)> {
    let (mut value, mut speed, mut seen) = (from, settings.lowest_speed, Vec::new());
    let mut control = SetPointControl::new(settings, 0.0, value);
    let last = at_s.iter().fold(0.0_f64, |a, b| a.max(*b));
    for k in 0..=(last / STEP_S).round() as u64 {
        let now_s = k as f64 * STEP_S;
        if at_s.iter().any(|wanted| (wanted - now_s).abs() < 0.5 * STEP_S) {
            seen.push((value, speed));
        }
        // The look is half a step early, so that rounding never moves a tick.
        speed = control.look(now_s + 0.5 * STEP_S, value).unwrap_or(speed);
        let middle = value + 0.5 * STEP_S * rate(value, speed);
        value += STEP_S * rate(middle, speed);
    }
    seen
}

fn agrees(got: &[(f64, f64)], reference: &[(f64, f64)], tolerance: f64, unit: &str) {
    assert_eq!(got.len(), reference.len());
    for ((value, speed), (expected, expected_speed)) in got.iter().zip(reference) {
        let error = (value - expected).abs();
        println!(
            "expected {expected:.7}, got {value:.7}, error {error:.1e} {unit}; speed {expected_speed:.5}, {speed:.5}"
        );
        assert!(
            error < tolerance,
            "expected {expected} {unit}, got {value}, error {error:e}, tolerance {tolerance:e}; source: scipy 1.17.1"
        );
        assert!((speed - expected_speed).abs() < 1e-3, "speed: expected {expected_speed}, got {speed}, tolerance 1e-3");
    }
}

// The references: between two ticks `scipy.integrate.solve_ivp(lambda t, y: [rate(y[0], n)], (t, t + tick), [v],
// method="DOP853", rtol=1e-12, atol=1e-14, dense_output=True)`; at each tick e = (at - value(t - delay))/span from the dense
// output, wanted = K e + I + K e tick/T_i, n = clip(wanted, low, high), and I kept where the speed stands at an end.

#[test]
fn agrees_with_scipy_a_controller_that_holds_the_flow_of_a_line_with_inertia() {
    let settings = SetPointSettings {
        controlled: Controlled::Flow,
        set_point: 0.04,
        span: 0.05,
        gain: 0.6,
        integral_s: 1.5,
        tick_s: 0.5,
        delay_s: 0.3,
        lowest_speed: 0.3,
        highest_speed: 1.0,
    };
    let got = follow(settings, 0.0, |flow, speed| (0.05 * speed - flow) / 2.0, &[2.0, 5.0, 10.0, 30.0]);
    let reference = [
        (0.028647940956242807, 0.8595120797391127),
        (0.039031254456569776, 0.8306490906631918),
        (0.04026622467859099, 0.8031341523095791),
        (0.03999995981239991, 0.7999999867078769),
    ];
    agrees(&got, &reference, 2e-5, "m3/s");
}

#[test]
fn agrees_with_scipy_a_controller_that_pumps_a_well_down_to_its_level() {
    let settings = SetPointSettings {
        controlled: Controlled::Level { node: 0 },
        set_point: 1.5,
        span: -0.5,
        gain: 0.8,
        integral_s: 60.0,
        tick_s: 0.5,
        delay_s: 0.3,
        lowest_speed: 0.3,
        highest_speed: 1.0,
    };
    let got = follow(settings, 2.0, |_, speed| (0.03 - 0.05 * speed) / 2.0, &[20.0, 60.0, 120.0, 600.0]);
    let reference = [
        (1.8103042399272011, 0.9367716733685822),
        (1.5749227070273326, 0.7458635315069335),
        (1.4808378999431009, 0.6104113096047762),
        (1.4999977449992188, 0.5999974365882912),
    ];
    agrees(&got, &reference, 2e-4, "m");
}

const BAR: f64 = 1e5;

/// The coil loop with one starter's lines replaced.
fn loop_with(old: &str, new: &str) -> Rig {
    let text = ramprig::rig::shipped("coil-loop").unwrap();
    assert!(text.contains(old), "the loop no longer says {old:?}");
    let text = text.replacen(old, new, 1);
    ramprig::rig::parse(&text, "coil-loop.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

fn predicted(rig: &Rig, starter: &str) -> Prediction {
    let index = rig.starter_index(starter).unwrap();
    let script = Script::parse(shipped("one-cycle").unwrap(), "one-cycle.toml", rig, index).unwrap();
    predict(rig, &script, index).unwrap()
}

const HELD_PRESSURE: &str = "of = \"pressure\", node = \"coil_foot\", at = \"1.5 barg\", span = \"2 bar\", gain = 0.2, integral_time = \"0.8 s\"";

#[test]
fn law_a_flow_set_point_of_a_rig_file_is_held_through_the_prediction() {
    /// m3/s: what a tick of 100 ms leaves after 20 s.
    const HELD_M3_S: f64 = 2e-5;
    let held = "of = \"flow\", at = \"8 m3/h\", span = \"15 m3/h\", gain = 0.2, integral_time = \"0.8 s\"";
    let made = predicted(&loop_with(HELD_PRESSURE, held), "held-pressure");
    let start = made.segments.iter().find(|segment| segment.phase == Phase::Start).unwrap();
    let tail = &start.flow_m3_s[start.flow_m3_s.len() - (2.0 / start.dt_s) as usize..];
    let mean = tail.iter().map(|flow| f64::from(*flow)).sum::<f64>() / tail.len() as f64;
    let expected = 8.0 / 3600.0;
    println!("held {mean:.7} m3/s, set point {expected:.7} m3/s");
    assert!((mean - expected).abs() < HELD_M3_S, "expected {expected} m3/s, got {mean}, tolerance {HELD_M3_S} m3/s");
}

/// Speed after the start mark, shares of the last one.
fn run_up(rig: &Rig, made: &Prediction) -> Vec<(f64, f64)> {
    let start = made.segments.iter().find(|segment| segment.phase == Phase::Start).unwrap();
    let series = &start.series[rig.channel_index("n_shaft").unwrap()];
    let last = f64::from(*series.last().unwrap());
    let at = |(index, speed): (usize, &f32)| (start.t0_s + index as f64 * start.dt_s, f64::from(*speed) / last);
    series.iter().enumerate().map(at).collect()
}

#[test]
fn law_every_ramp_shape_of_a_rig_file_shows_in_the_predicted_run_up() {
    /// Slip, the contactor's delay and the sensor: share of the speed.
    const NEAR: f64 = 0.04;
    let s = "ramp_up_shape = \"s\"";
    // Share of the frequency at a quarter, half and three quarters of the 12 s: from the shape's own definition.
    let cases: [(&str, [f64; 3]); 4] = [
        ("ramp_up_shape = \"straight\"", [0.25, 0.5, 0.75]),
        (s, [0.5 * (1.0 - std::f64::consts::FRAC_1_SQRT_2), 0.5, 0.5 * (1.0 + std::f64::consts::FRAC_1_SQRT_2)]),
        (
            "ramp_up_profile = [[\"0 %\", \"0 %\"], [\"25 %\", \"50 %\"], [\"100 %\", \"100 %\"]]",
            [0.5, 2.0 / 3.0, 2.5 / 3.0],
        ),
        (
            "ramp_up_profile = [[\"0 %\", \"0 %\"], [\"25 %\", \"30 %\"], [\"50 %\", \"40 %\"], [\"75 %\", \"90 %\"], [\"100 %\", \"100 %\"]]",
            [0.3, 0.4, 0.9],
        ),
    ];
    for (shape, expected) in cases {
        let rig = loop_with(s, shape);
        let curve = run_up(&rig, &predicted(&rig, "drive"));
        for (share, expected) in [0.25, 0.5, 0.75].into_iter().zip(expected) {
            let time_s = 12.0 * share + 0.03;
            let got = curve.iter().find(|(at_s, _)| *at_s >= time_s).unwrap().1;
            println!("{shape}: at {share} of the ramp expected {expected:.3}, got {got:.3} of the speed");
            assert!((got - expected).abs() < NEAR, "{shape}: expected {expected}, got {got}, tolerance {NEAR}");
        }
    }
}

#[test]
fn law_a_level_set_point_of_a_rig_file_is_held_through_the_prediction() {
    /// m: what is left of a level that settles like the reference above.
    const HELD_M: f64 = 0.02;
    let main = ramprig::rig::shipped("rising-main").unwrap();
    let edits = [
        ("node = \"well\"\nlevel = \"2 m\"\nheld = true", "node = \"well\"\nlevel = \"2 m\"\narea = \"1.5 m2\""),
        (
            "[[starter]] # one slope down\nid = \"drive\"\nkind = \"variable-speed\"",
            "[[starter]]\nid = \"drive\"\nkind = \"variable-speed\"\nset_point = { of = \"level\", node = \"well\", at = \"1.2 m\", \
             span = \"0.5 m\", faster_lowers = true, gain = 0.8, integral_time = \"20 s\", tick = \"500 ms\", delay = \"300 ms\", \
             lowest_speed = 0.5, highest_speed = 1.0 }",
        ),
        (
            "node = \"main_foot\"\ninput = 0\nrange = [\"-1 barg\", \"25 barg\"]",
            "node = \"well\"\ninput = 0\nrange = [\"-1 barg\", \"25 barg\"]",
        ),
    ];
    let mut text = main.to_owned();
    for (old, new) in edits {
        assert!(text.contains(old), "the station no longer says {old:?}");
        text = text.replacen(old, new, 1);
    }
    let rig = ramprig::rig::parse(&text, "rising-main.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let index = rig.starter_index("drive").unwrap();
    let cycle = shipped("one-cycle").unwrap().replacen("time = \"20 s\"", "time = \"240 s\"", 1);
    let script = Script::parse(&cycle, "cycle.toml", &rig, index).unwrap_or_else(|problems| panic!("{problems}"));
    let made = predict(&rig, &script, index).unwrap();
    let start = made.segments.iter().find(|segment| segment.phase == Phase::Start).unwrap();
    let series = &start.series[rig.channel_index("p_discharge").unwrap()];
    let weight = rig.liquid.density_kg_m3 * rig.liquid.gravity_m_s2;
    let level_m = f64::from(*series.last().unwrap()) / weight;
    let lowest_m = series.iter().fold(f64::INFINITY, |a, b| a.min(f64::from(*b))) / weight;
    println!(
        "level {level_m:.4} m at the end, lowest {lowest_m:.4} m, set point 1.2 m ({:.4} bar)",
        level_m * weight / BAR
    );
    assert!((level_m - 1.2).abs() < HELD_M, "expected 1.2 m, got {level_m} m, tolerance {HELD_M} m");
    assert!(lowest_m > 1.0, "the level must not undershoot by more than 0.2 m, got {lowest_m} m");
}

fn hold_with(set_point: &str) -> String {
    let cycle = shipped("one-cycle").unwrap();
    cycle.replacen("time = \"20 s\"\n", &format!("time = \"20 s\"\nset_point = {{ {set_point} }}\n"), 1)
}

#[test]
fn law_a_hold_of_the_program_brings_the_pressure_to_its_set_point_without_a_jump() {
    /// Gauge, Pa: what a tick of 500 ms leaves.
    const HELD_PA: f64 = 2e3;
    let text = hold_with(
        "controller = \"program\", channel = \"p_discharge\", at = \"1.5 barg\", span = \"2 bar\", gain = 0.2, \
         integral_time = \"1 s\", tick = \"500 ms\", lowest_speed = 1.0, highest_speed = 1.0",
    );
    let rig = loop_with(
        "settings = { ramp_up = \"12 s\", ramp_down = \"12 s\", speed = 1.0 }",
        "settings = { ramp_up = \"5 s\", ramp_down = \"5 s\", speed = 0.9 }\nallowed = { speed = [\"30 %\", \"100 %\"] }",
    );
    let text = text.replacen("lowest_speed = 1.0", "lowest_speed = 0.4", 1);
    let index = rig.starter_index("drive").unwrap();
    let script = Script::parse(&text, "hold.toml", &rig, index).unwrap_or_else(|problems| panic!("{problems}"));
    let made = predict(&rig, &script, index).unwrap();
    let start = made.segments.iter().find(|segment| segment.phase == Phase::Start).unwrap();
    let series = &start.series[rig.channel_index("p_discharge").unwrap()];
    let tail = &series[series.len() - (2.0 / start.dt_s) as usize..];
    let mean = tail.iter().map(|value| f64::from(*value)).sum::<f64>() / tail.len() as f64;
    println!("held {:.4} bar, set point 1.5 bar", mean / BAR);
    assert!((mean - 1.5 * BAR).abs() < HELD_PA, "expected 150000 Pa, got {mean} Pa, tolerance {HELD_PA} Pa");
    let settings = SetPointSettings {
        controlled: Controlled::Flow,
        set_point: 1.0,
        span: 1.0,
        gain: 0.5,
        integral_s: 1e4,
        tick_s: 1.0,
        delay_s: 0.0,
        lowest_speed: 0.2,
        highest_speed: 1.0,
    };
    let first = SetPointControl::taking_over(settings, 0.0, 0.6, 0.7).look(0.0, 0.6).unwrap();
    assert!((first - 0.7).abs() < 1e-4, "it takes over at the speed it finds: expected 0.7, got {first}");
}

#[test]
fn rejects_a_hold_whose_controller_is_not_there() {
    let rig = loop_with("id = \"drive\"", "id = \"drive\"");
    let program = "controller = \"program\", channel = \"p_discharge\", at = \"1.5 barg\", span = \"2 bar\", gain = 0.2, \
                   integral_time = \"1 s\", tick = \"500 ms\", lowest_speed = 1.0, highest_speed = 1.0";
    let other_channel = program.replace("p_discharge", "p_dischrage");
    let cases = [
        ("controller = \"drive\"", "held-pressure", None),
        ("controller = \"drive\"", "drive", Some("does not have")),
        (program, "drive", None),
        (program, "contactor", Some("no set speed")),
        (program, "held-pressure", Some("controller of its own")),
        (other_channel.as_str(), "drive", Some("p_discharge")),
    ];
    for (set_point, starter, refused) in cases {
        let parsed = Script::parse(&hold_with(set_point), "hold.toml", &rig, rig.starter_index(starter).unwrap());
        match (parsed, refused) {
            (Ok(_), None) => {}
            (Err(problems), Some(words)) => {
                assert!(problems.to_string().contains(words), "{starter}: {words:?} is not in {problems}");
            }
            (parsed, refused) => panic!("{starter}, {set_point}: expected {refused:?}, got {:?}", parsed.err()),
        }
    }
}
