//! Figures beside the surge: coast-down, backspin, flow that ends and comes back, ringing, inrush; how sure they are; what
//! that says of a prediction.

use super::*;
use ramprig::comparison::agreement::{against_prediction, sentence};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

fn value(run: &RunData, id: &str) -> f64 {
    let result = evaluate(run);
    let read = result.headline_metric(id)[0].measured.unwrap_or_else(|why| panic!("{id}: {why}"));
    read.value
}

#[track_caller]
fn assert_near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: expected {expected}, got {got}, tolerance {tolerance}");
}

/// The trace of a channel of the made run, changed by what `of` says of the time after the first start.
fn change(run: &mut RunData, channel: usize, of: impl Fn(f64, f64) -> f64) {
    let stop_s = START_PHASE_S - CURRENT_LAG_S;
    for (k, value) in run.traces[channel].values.iter_mut().enumerate() {
        let t_s = k as f64 * DT_S;
        let start_s = if t_s < 2.0 + CYCLE_S - 1.0 { 2.0 } else { 2.0 + CYCLE_S };
        *value = of(t_s - start_s - CURRENT_LAG_S, stop_s);
    }
}

#[test]
fn agrees_with_made_coast_down_and_backspin() {
    let mut made = run(StarterKind::AcrossTheLine, made_pressure);
    // 150 rad/s to nothing along a straight line of 1 s: 5 % after 0.95 s.
    assert_near("coast-down", value(&made, "coast_down"), 0.95, TIME_TOLERANCE_S);
    assert_near("no backspin", value(&made, "backspin"), 0.0, 0.5);
    let back = |t: f64, stop_s: f64| {
        if t < stop_s {
            speed(t, stop_s)
        } else {
            line(&[(0.0, 150.0), (1.0, -30.0), (2.0, -30.0), (3.0, 0.0)], t - stop_s)
        }
    };
    change(&mut made, 2, back);
    // The corner of the filter swings by 1 % of the bend.
    assert_near("backspin", value(&made, "backspin"), 30.0, 0.5);
    made.channels[2].range.0 = 0.0;
    let blind = evaluate(&made).headline_metric("backspin")[0].measured;
    assert_eq!(blind.unwrap_err().to_string(), "the channel shows no direction: its range begins at zero");
}

#[test]
fn agrees_with_made_flow_that_ends_and_comes_back() {
    let mut made = run(StarterKind::AcrossTheLine, made_pressure);
    assert!(evaluate(&made).headline_metric("no_flow").is_empty(), "no such channel");
    let flow = |t: f64, stop_s: f64| {
        if t < 0.0 {
            0.0
        } else if t < stop_s {
            5e-3
        } else {
            line(&[(0.0, 5e-3), (1.0, 0.0), (1.2, -1e-3), (1.4, 0.0)], t - stop_s)
        }
    };
    made.channels.push(channel("q", "m3/s", (-1e-2, 1e-2)));
    made.traces.push(made.traces[0].clone());
    change(&mut made, 3, flow);
    assert_near("time to no flow", value(&made, "no_flow"), 0.98, TIME_TOLERANCE_S);
    // A triangle of 0.4 s and 1e-3 m3/s: 2e-4 m3.
    assert_near("reverse volume", value(&made, "reverse_volume"), 2e-4, 2e-6);
}

#[test]
fn agrees_with_made_inrush() {
    let mut made = run(StarterKind::AcrossTheLine, made_pressure);
    change(
        &mut made,
        1,
        |t, stop_s| if t < 0.0 || t >= stop_s { 0.05 } else { line(&[(0.0, 60.0), (0.3, 60.0), (0.5, 20.0)], t) },
    );
    // The filter overshoots a step by some per cent (Butterworth of the second order, both ways).
    assert_near("inrush", value(&made, "inrush"), 60.0, 60.0 * 0.06);
}

#[test]
fn agrees_with_a_made_decay_at_several_noise_levels() {
    let (hertz, zeta): (f64, f64) = (4.0, 0.05);
    let omega = std::f64::consts::TAU * hertz;
    let decay = zeta * omega / (1.0 - zeta * zeta).sqrt();
    for sigma_pa in [0.0, 100.0, 1_000.0] {
        let mut random = ChaCha8Rng::seed_from_u64(5);
        let noise = Normal::new(0.0, sigma_pa).unwrap();
        let ring = |t: f64| STATIC_PA + 1.0e5 * (-decay * t).exp() * (omega * t).cos();
        let mut made =
            run(StarterKind::AcrossTheLine, |t, stop_s| if t < stop_s { start_pressure(t) } else { ring(t - stop_s) });
        made.traces[0].values.iter_mut().for_each(|value| *value += noise.sample(&mut random));
        assert_near(&format!("frequency, noise {sigma_pa} Pa"), value(&made, "ringing"), hertz, 0.02 * hertz);
        assert_near(&format!("damping, noise {sigma_pa} Pa"), value(&made, "damping"), zeta, 0.1 * zeta);
    }
    let quiet = evaluate(&run(StarterKind::AcrossTheLine, made_pressure)).headline_metric("ringing")[0].measured;
    assert_eq!(quiet, Err(NotMeasured::NoRinging), "one swing is no ringing");
}

#[test]
fn holds_a_prediction_only_within_what_is_left_open() {
    let mut made = run(StarterKind::AcrossTheLine, made_pressure);
    made.channels[0].calibration_u = 1_000.0;
    made.prediction = Some(prediction(0.0));
    let of = |made: &RunData| against_prediction(&evaluate(made));
    let found = of(&made);
    let surge = found.iter().find(|of| of.id == "start_surge").unwrap();
    assert!(surge.holds() && surge.open >= 2_000.0, "{surge:?}");
    let json = serde_json::to_value(summary(&evaluate(&made))).unwrap();
    assert!(json["expanded_uncertainty"]["start_surge_pa"].as_f64().unwrap() >= 2_000.0, "{json}");
    // The pump makes 20 kPa more of a surge than was predicted.
    let more = |t: f64, stop_s: f64| made_pressure(t, stop_s) + if (0.15..0.35).contains(&t) { 20_000.0 } else { 0.0 };
    let mut off = run(StarterKind::AcrossTheLine, more);
    off.prediction = Some(prediction(0.0));
    let found = of(&off);
    assert!(!found.iter().find(|of| of.id == "start_surge").unwrap().holds());
    let words = sentence(&found, System::Si);
    assert!(words.contains("off") && words.contains("start surge (measured 0."), "{words}");
}

/// Calibration and noise drawn anew for each run: the true surge lies within the expanded uncertainty in at least 93 % of
/// them, and the uncertainty is no more than three times what the errors come to.
#[test]
fn law_expanded_uncertainty_covers_the_true_surge() {
    const RUNS: u32 = 200;
    let (calibration_u, sigma_pa) = (800.0, 600.0);
    let mut random = ChaCha8Rng::seed_from_u64(11);
    let (gain, noise) = (Normal::new(0.0, calibration_u / 4.0e5).unwrap(), Normal::new(0.0, sigma_pa).unwrap());
    let clean = run(StarterKind::AcrossTheLine, made_pressure);
    let truth = value(&clean, "start_surge");
    let (mut covered, mut squares, mut opens) = (0_u32, 0.0, 0.0);
    for _ in 0..RUNS {
        let mut made = clean.clone();
        made.channels[0].calibration_u = calibration_u;
        let gain = 1.0 + gain.sample(&mut random);
        made.traces[0].values.iter_mut().for_each(|value| *value = *value * gain + noise.sample(&mut random));
        let result = evaluate(&made);
        let found = result.headline_metric("start_surge")[0];
        let error = found.measured.unwrap().value - truth;
        let open = found.budget.unwrap().expanded();
        covered += u32::from(error.abs() <= open);
        squares += error * error;
        opens += open;
    }
    let (rms, open) = ((squares / f64::from(RUNS)).sqrt(), opens / f64::from(RUNS));
    println!("surge: errors {rms:.0} Pa rms, expanded uncertainty {open:.0} Pa, {covered} of {RUNS} covered");
    assert!(
        covered >= RUNS * 93 / 100,
        "{covered} of {RUNS} covered, errors {rms} Pa rms, expanded uncertainty {open} Pa"
    );
    assert!(open < 2.0 * 3.0 * rms, "an uncertainty of {open} Pa says little of errors of {rms} Pa");
}
