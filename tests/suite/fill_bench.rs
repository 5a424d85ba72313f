//! The shipped fill bench: primed and filled from empty, as its prediction tells it.

use ramprig::prediction::filling::Filling;
use ramprig::prediction::summary::loss_words;
use ramprig::prediction::{EventKind, Prediction, rehearse};
use ramprig::rig::model::Rig;
use ramprig::rig::{derive, load, parse};
use ramprig::sequence::script::Script;
use ramprig::units::display::System;
use std::path::{Path, PathBuf};

fn shipped(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs").join(path)
}

fn rig() -> Rig {
    load(&shipped("fill-bench.toml")).unwrap()
}

fn predict(rig: &Rig, starter: &str) -> Prediction {
    let starter = rig.starter_index(starter).unwrap();
    let text = std::fs::read_to_string(shipped("sequences/line-fill.toml")).unwrap();
    let script = Script::parse(&text, "line-fill.toml", rig, starter).unwrap();
    rehearse(rig, &script, starter).unwrap().prediction
}

#[test]
fn predicts_priming_front_and_line_fill_surge_of_the_shipped_bench() {
    let rig = rig();
    let prediction = predict(&rig, "contactor");
    let filling = Filling::of(&rig, &prediction).expect("the bench fills");
    let order = [filling.water_at_pump_s, filling.primed_s, Some(filling.fronts[0].1), filling.line_full_s];
    let order: Vec<f64> = order.into_iter().map(|at_s| at_s.expect("each comes")).collect();
    assert!(order.windows(2).all(|pair| pair[0] < pair[1]), "{order:?}");
    assert_eq!(filling.fronts.len(), 2, "{:?}", filling.fronts);
    let end = filling.surges.iter().find(|surge| surge.id == "p_hose_end").unwrap();
    assert!(end.surge_pa > 0.1e5, "{end:?}");
    let lost = prediction.events.iter().any(|event| event.kind == EventKind::PrimeLost);
    assert!(!lost, "the check valve holds the suction leg");
    assert!(prediction.assumptions.iter().any(|line| line.starts_with("the discharge side is empty")));
    assert!(prediction.is_intact());
}

#[test]
fn says_why_a_leaking_suction_does_not_prime() {
    let text = std::fs::read_to_string(shipped("fill-bench.toml")).unwrap();
    let leaking = text.replace("leak = \"0.05 l/s\"", "leak = \"2 l/s\"");
    assert_ne!(text, leaking);
    let rig = parse(&leaking, "leaking.toml").unwrap();
    let prediction = predict(&rig, "contactor");
    let said = prediction.warnings.iter().find(|line| line.starts_with("the pump does not prime"));
    let said = said.expect("a reason");
    assert!(said.contains("the suction leaks: with 2.00 l/s of free air coming in"), "{said}");
}

/// A pump without water has no flow that a loss of supply could end, whatever the steady state of its speed would be.
#[test]
fn predicts_a_loss_of_supply_in_which_no_water_moves_where_the_pump_never_primed() {
    let text = std::fs::read_to_string(shipped("fill-bench.toml")).unwrap();
    let rig = parse(&text.replace("leak = \"0.05 l/s\"", "leak = \"2 l/s\""), "leaking.toml").unwrap();
    for starter in ["contactor", "drive"] {
        let prediction = predict(&rig, starter);
        let told = prediction.warnings.iter().filter(|line| line.contains("no water moves at the first stop")).count();
        assert_eq!(told, 1, "{starter}: {:?}", prediction.warnings);
        let stops = [&prediction.loss_of_supply, &prediction.emergency_stop].map(|stop| stop.as_ref().unwrap());
        for stop in stops {
            assert_eq!(
                (stop.from_flow_m3_s, stop.reverse_flow_m3_s, stop.backspin_rad_s),
                (0.0, 0.0, 0.0),
                "{starter}"
            );
            assert!(stop.from_speed_rad_s > 140.0, "{starter}: the rotor turned at {} rad/s", stop.from_speed_rad_s);
            let speed = stop.channels.iter().find(|figures| figures.id == "n_shaft").unwrap();
            assert!(speed.minimum < 0.1 * speed.steady, "{starter}: the rotor coasts to rest: {speed:?}");
            assert_eq!(stop.separation, None, "{starter}");
        }
        let words = loss_words(stops[0], System::Si);
        assert!(words.ends_with("no water moves before it nor after."), "{starter}: {words}");
    }
    // The tight bench primes, and its loss of supply is one of running water.
    let tight = predict(&self::rig(), "contactor");
    assert_eq!(tight.warnings, Vec::<String>::new());
    assert!(tight.loss_of_supply.unwrap().from_flow_m3_s > 1.0e-3);
}

/// Stopped while the hose still fills, the run has another flow than the steady state that the loss of supply begins with.
#[test]
fn warns_with_both_flows_where_the_run_is_not_steady_at_the_first_stop() {
    let rig = rig();
    let starter = rig.starter_index("contactor").unwrap();
    let text = std::fs::read_to_string(shipped("sequences/line-fill.toml")).unwrap();
    let early =
        text.replace("line_up = \"empty\"", "line_up = \"hose-empty\"").replace("time = \"45 s\"", "time = \"4 s\"");
    let script = Script::parse(&early, "early.toml", &rig, starter).unwrap();
    let prediction = rehearse(&rig, &script, starter).unwrap().prediction;
    let said = prediction.warnings.iter().find(|line| line.contains("begin with the steady flow at the speed"));
    let said = said.unwrap_or_else(|| panic!("{:?}", prediction.warnings));
    let steady_l_s = 1e3 * prediction.loss_of_supply.as_ref().unwrap().from_flow_m3_s;
    let run_l_s = 1e3 * f64::from(*prediction.segments[0].flow_m3_s.last().unwrap());
    assert!(run_l_s > 1.1 * steady_l_s, "an empty hose takes more: {run_l_s} l/s, steady {steady_l_s} l/s");
    let words = format!("{steady_l_s:.2} l/s; the run has {run_l_s:.2} l/s there");
    assert!(said.contains(&words), "expected `{words}` in `{said}`");
}

/// Each obstacle of its own is told with its number: a lift beyond the vacuum, a speed that draws too little.
#[test]
fn says_why_a_high_or_a_slow_pump_does_not_prime() {
    let said = |text: &str, starter: &str| {
        let prediction = predict(&parse(text, "rig.toml").unwrap(), starter);
        let said = prediction.warnings.iter().find(|line| line.starts_with("the pump does not prime"));
        said.unwrap_or_else(|| panic!("no reason in {:?}", prediction.warnings)).clone()
    };
    let text = std::fs::read_to_string(shipped("fill-bench.toml")).unwrap();
    let weak = text.replace("vacuum = \"0.72 bar\"", "vacuum = \"0.2 bar\"");
    assert_ne!(text, weak);
    let words = said(&weak, "contactor");
    assert!(words.contains("lift") && words.contains("2.50 m"), "{words}");
    let slow = text.replace("ramp_down = \"6 s\", speed = 1.0", "ramp_down = \"6 s\", speed = 0.35");
    assert_ne!(text, slow);
    let words = said(&slow, "drive");
    assert!(words.contains("speed"), "{words}");
}

#[test]
fn rejects_an_empty_suction_leg_at_a_pump_that_draws_no_air() {
    let text = std::fs::read_to_string(shipped("fill-bench.toml")).unwrap();
    let without: String =
        text.lines().filter(|line| !line.starts_with("self_priming")).map(|l| format!("{l}\n")).collect();
    let text = format!("{:?}", parse(&without, "no-air.toml").unwrap_err());
    assert!(text.contains("an empty suction leg at a pump that draws no air"), "{text}");
}

#[test]
fn check_gives_speeds_of_use_and_priming_time_of_the_shipped_bench() {
    let derived = derive(&rig());
    let figures = &derived.line_ups[0];
    let speeds = figures.useful_speeds.unwrap();
    // affinity: 21 m at shut-off and 1440 rpm, 8 m static
    let expected = 1440.0 / 60.0 * std::f64::consts::TAU * (8.0_f64 / 21.0).sqrt();
    let error = (speeds.minimum_rad_s - expected).abs();
    assert!(error < 1e-6, "expected {expected} rad/s, got {} rad/s, error {error:e}", speeds.minimum_rad_s);
    assert!(speeds.maximum_rad_s > speeds.minimum_rad_s);
    let priming_s = figures.priming.as_ref().unwrap().time_s.unwrap();
    assert!((5.0..30.0).contains(&priming_s), "priming {priming_s} s");
    assert!(derived.line_ups[1].priming.is_none(), "a charged suction leg has nothing to prime");
}

#[test]
fn check_says_that_a_pump_does_not_beat_its_static_head() {
    let text = std::fs::read_to_string(shipped("fill-bench.toml")).unwrap();
    let high = text.replace("hose_end = \"8 m\"", "hose_end = \"30 m\"");
    let high = high.replace("nozzle_mouth = \"8 m\"", "nozzle_mouth = \"30 m\"");
    let notices = derive(&parse(&high, "high.toml").unwrap()).notices;
    let said = notices.iter().any(|line| line.contains("it moves no water at any speed"));
    assert!(said, "{notices:?}");
}
