//! Figures beside the surge: coast-down, backspin, flow that ends and comes back, ringing, inrush; how sure they are; what
//! that says of a prediction.

use super::*;
use ramprig::comparison::agreement::{against_prediction, sentence};
use ramprig::comparison::line_state::LineState;
use ramprig::prediction::{EventKind, PredictedEvent};
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
fn agrees_with_the_force_impulse_of_a_made_surge_at_several_noise_levels() {
    const AREA_M2: f64 = 2.1e-3;
    // Above the running level: up along the ramp, 0.1 s on top, down in half a second.
    let up_s = SURGE_PA / STEEP_PA_S;
    let expected_n_s = AREA_M2 * SURGE_PA * (0.5 * up_s + 0.1 + 0.5 * 0.5);
    let lasts_s = up_s + 0.1 + 0.5;
    for sigma_pa in [0.0, 100.0, 1_000.0] {
        let mut random = ChaCha8Rng::seed_from_u64(25);
        let mut made = late_front(0.0, sigma_pa, &mut random);
        assert_eq!(why(&evaluate(&made), "force_impulse"), NotMeasured::NoArea);
        made.channels[0].chain.thrust_area_m2 = Some(AREA_M2);
        made.channels[0].calibration_u = 200.0;
        // Noise ends the swing where its slow end meets the running level, some sigmas above it: a triangle is left out.
        let left_out = 0.5 * (4.0 * sigma_pa).powi(2) / (SURGE_PA / 0.5);
        let tolerance_n_s = AREA_M2 * (CORNER_PA * lasts_s + left_out + 5.0 * sigma_pa * (lasts_s * DT_S).sqrt());
        assert_near(
            &format!("impulse, noise {sigma_pa} Pa"),
            value(&made, "force_impulse"),
            expected_n_s,
            tolerance_n_s,
        );
        let budget = evaluate(&made).headline_metric("force_impulse")[0].budget.unwrap();
        let calibration_n_s = AREA_M2 * 200.0 * lasts_s;
        assert_near("calibration in it", budget.calibration, calibration_n_s, 0.2 * calibration_n_s);
    }
}

#[test]
fn agrees_with_the_energy_of_a_made_cycle_at_several_noise_levels() {
    assert!(evaluate(&run(StarterKind::AcrossTheLine, made_pressure)).headline_metric("energy").is_empty());
    // Without any noise a channel that rests for a whole phase counts as dead.
    for sigma_w in [1.0, 20.0, 200.0] {
        let mut random = ChaCha8Rng::seed_from_u64(24);
        let noise = Normal::new(0.0, sigma_w).unwrap();
        let mut made = run(StarterKind::AcrossTheLine, made_pressure);
        made.channels.push(ChannelInfo { calibration_u: 15.0, ..channel("p_line", "W", (0.0, 20e3)) });
        made.traces.push(made.traces[0].clone());
        // 9 kW for half a second, then 3 kW until the stop.
        change(&mut made, 3, |t, stop_s| if t < 0.0 || t >= stop_s { 0.0 } else { line(&[(0.5, 9e3), (0.5, 3e3)], t) });
        made.traces[3].values.iter_mut().for_each(|value| *value += noise.sample(&mut random));
        let expected_j = 9e3 * 0.5 + 3e3 * (START_PHASE_S - CURRENT_LAG_S - 0.5);
        // A sample more or less at either edge, and the noise of all samples of the cycle.
        let samples: f64 = 9.0 / DT_S;
        let tolerance_j = 2.0 * 9e3 * DT_S + 5.0 * sigma_w * DT_S * samples.sqrt();
        assert_near(&format!("energy, noise {sigma_w} W"), value(&made, "energy"), expected_j, tolerance_j);
        let budget = evaluate(&made).headline_metric("energy")[0].budget.unwrap();
        // The cycle is looked at from the current's onset to its settled mark, 9 s after the start mark.
        assert_near("uncertainty of the energy", budget.combined(), 15.0 * (9.0 - CURRENT_LAG_S), 0.1);
    }
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

/// Steepness of the made start, Pa/s.
const STEEP_PA_S: f64 = (RUNNING_PA + SURGE_PA - STATIC_PA) / RAMP_S;

/// A made run whose front comes so much later, with noise on the pressure.
fn late_front(late_s: f64, sigma_pa: f64, random: &mut ChaCha8Rng) -> RunData {
    let noise = Normal::new(0.0, sigma_pa).unwrap();
    let late = |t: f64, stop_s: f64| if t < stop_s { start_pressure(t - late_s) } else { stop_pressure(t - stop_s) };
    let mut made = run(StarterKind::AcrossTheLine, late);
    made.traces[0].values.iter_mut().for_each(|value| *value += noise.sample(random));
    made
}

#[test]
fn agrees_with_made_fronts_that_come_later_at_several_noise_levels() {
    let mut random = ChaCha8Rng::seed_from_u64(21);
    for (late_s, sigma_pa) in [(0.0, 0.0), (0.15, 0.0), (0.15, 100.0), (0.15, 1_000.0), (0.15, 3_000.0)] {
        let made = late_front(late_s, sigma_pa, &mut random);
        // Two passings of levels, one 1.5 times and one half, each moved by the noise over the steepness; five of their sigmas.
        let tolerance_s = TIME_TOLERANCE_S + 5.0 * 2.5_f64.sqrt() * sigma_pa / STEEP_PA_S;
        assert_near(&format!("front, noise {sigma_pa} Pa"), value(&made, "front_arrival"), late_s, tolerance_s);
    }
    let drowned = late_front(0.15, 20_000.0, &mut random);
    let found = evaluate(&drowned).headline_metric("front_arrival")[0].measured;
    assert_eq!(found, Err(NotMeasured::NoChange), "a tenth of the change is noise");
}

#[test]
fn law_expanded_uncertainty_covers_the_true_front_arrival() {
    const RUNS: u32 = 200;
    let mut random = ChaCha8Rng::seed_from_u64(22);
    let truth_s = value(&late_front(0.15, 0.0, &mut random), "front_arrival");
    let (mut covered, mut squares, mut opens) = (0_u32, 0.0, 0.0);
    for _ in 0..RUNS {
        let found = evaluate(&late_front(0.15, 600.0, &mut random)).headline_metric("front_arrival")[0];
        let (error_s, open_s) = (found.measured.unwrap().value - truth_s, found.budget.unwrap().expanded());
        covered += u32::from(error_s.abs() <= open_s);
        squares += error_s * error_s;
        opens += open_s;
    }
    let (rms_s, open_s) = ((squares / f64::from(RUNS)).sqrt(), opens / f64::from(RUNS));
    println!("front: errors {rms_s:.5} s rms, expanded uncertainty {open_s:.5} s, {covered} of {RUNS} covered");
    assert!(covered >= RUNS * 93 / 100, "{covered} of {RUNS} covered, errors {rms_s} s, expanded {open_s} s");
    assert!(open_s < 8.0 * rms_s, "an uncertainty of {open_s} s says little of errors of {rms_s} s");
}

#[test]
fn agrees_with_a_made_filling_at_several_noise_levels_and_says_where_nothing_is_filled() {
    // A column runs into an empty line at 0.4 bar above rest, hits its end after 2 s and stands against it.
    let fill = [(0.0, STATIC_PA), (0.2, 1.4e5), (2.0, 1.4e5), (2.05, 3.5e5), (2.15, 3.5e5), (2.4, RUNNING_PA)];
    let crossed_s = |level_pa: f64| 2.0 + 0.05 * (level_pa - 1.4e5) / 2.1e5;
    let steep_pa_s = 2.1e5 / 0.05;
    let event = |kind| PredictedEvent { cycle: 1, phase: Phase::Start, after_mark_s: 2.0, kind, text: String::new() };
    for sigma_pa in [0.0, 100.0, 1_000.0] {
        let mut random = ChaCha8Rng::seed_from_u64(23);
        let noise = Normal::new(0.0, sigma_pa).unwrap();
        let pressure = |t: f64, stop_s: f64| if t < stop_s { line(&fill, t) } else { stop_pressure(t - stop_s) };
        let mut made = run(StarterKind::AcrossTheLine, pressure);
        made.traces[0].values.iter_mut().for_each(|value| *value += noise.sample(&mut random));
        let events = vec![event(EventKind::LineFull), event(EventKind::WaterAtPump)];
        made.prediction = Some(Prediction { events, ..prediction(0.0) });
        let time_s = TIME_TOLERANCE_S + 5.0 * sigma_pa / steep_pa_s;
        let (full, primed) = (STATIC_PA + 0.9 * (RUNNING_PA - STATIC_PA), STATIC_PA + 0.5 * (RUNNING_PA - STATIC_PA));
        assert_near(&format!("fill, noise {sigma_pa}"), value(&made, "line_fill"), crossed_s(full), time_s);
        assert_near(&format!("priming, noise {sigma_pa}"), value(&made, "priming"), crossed_s(primed), time_s);
        // The corner is three times as sharp as those of the other made traces; a flat top picks the highest of its noise.
        let surge_pa = 3.0 * CORNER_PA + 4.0 * sigma_pa;
        assert_near(&format!("fill surge, noise {sigma_pa}"), value(&made, "line_fill_surge"), 5.0e4, surge_pa);
        let result = evaluate(&made);
        for id in ["line_fill", "line_fill_surge", "priming"] {
            assert!(result.headline_metric(id)[0].budget.is_some_and(|budget| budget.combined() > 0.0), "{id}");
            assert!(result.headline_metric(id)[1].measured.is_err(), "{id}: nothing was foretold of the second cycle");
        }
        assert!(table(&[result], Pairing::Independent, System::Si).contains("line-fill time"));
    }
    let full = evaluate(&run(StarterKind::AcrossTheLine, made_pressure));
    assert_eq!(why(&full, "line_fill"), NotMeasured::NotFilled);
    assert_eq!(why(&full, "priming"), NotMeasured::NotPrimed);
    assert!(
        !table(&[full], Pairing::Independent, System::Si).contains("line-fill"),
        "no row for what the run does not do"
    );
}

#[test]
fn proves_the_state_of_the_line_by_the_pressure_at_rest_and_compares_no_unlike_ones() {
    let event = PredictedEvent {
        cycle: 1,
        phase: Phase::Start,
        after_mark_s: 2.0,
        kind: EventKind::LineFull,
        text: String::new(),
    };
    let made = |offset_pa: f64, filled: [bool; 2]| {
        let mut made = run(StarterKind::AcrossTheLine, made_pressure);
        let events = [1, 2].into_iter().zip(filled).filter(|(_, filled)| *filled);
        let events = events.map(|(cycle, _)| PredictedEvent { cycle, ..event.clone() }).collect();
        made.prediction = Some(Prediction { events, ..prediction(offset_pa) });
        evaluate(&made)
    };
    let range = run(StarterKind::AcrossTheLine, made_pressure).channels[0].range;
    let open_pa = 0.005 * (range.1 - range.0);
    assert!(STATIC_PA > 2.0 * open_pa, "the made line stands high enough to tell full from drained");
    assert_eq!(made(0.9 * open_pa, [false; 2]).line_state(), LineState::Full);
    assert_eq!(made(1.1 * open_pa, [false; 2]).line_state(), LineState::NotProven, "rests where no full line does");
    assert_eq!(made(0.0, [true; 2]).line_state(), LineState::Drained);
    assert_eq!(made(0.0, [true, false]).line_state(), LineState::NotProven, "the cycles differ");
    assert_eq!(evaluate(&run(StarterKind::AcrossTheLine, made_pressure)).line_state(), LineState::NotProven);
    let text = table(&[made(0.0, [false; 2]), made(0.0, [true; 2])], Pairing::Independent, System::Si);
    assert!(text.contains("not compared") && !text.contains("tie"), "{text}");
    let text = table(&[made(0.0, [false; 2]), made(0.0, [false; 2])], Pairing::Independent, System::Si);
    assert!(!text.contains("not compared") && text.contains("tie"), "{text}");
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
