//! The shipped guarded main: relief valve, bypass, air valve, air vessel, trapped pocket; and a hose with a kink, free gas,
//! a valve that takes time.

use super::{edited, event, last, predict, rig_of, sequence};
use ramprig::hydraulics::spec::ElementKind;
use ramprig::prediction::summary::Summary;
use ramprig::prediction::{EventKind, Prediction};
use ramprig::rig::model::Rig;
use ramprig::rig::{self, derive};

fn guarded(line_up: &str) -> (Rig, Prediction) {
    let rig = rig_of(rig::shipped("guarded-main").unwrap());
    let script = sequence("one-cycle", &[("line_up = \"running\"", &format!("line_up = \"{line_up}\""))]);
    let prediction = predict(&rig, &script, "contactor");
    (rig, prediction)
}

/// Isolated, the vessel guards nothing: supply is lost, the hump draws air and the bypass opens. The bypass feeds the main and
/// the air cushions what comes back, so that the relief valve has nothing to blow off; it opens in the start.
#[test]
fn predicts_what_each_guard_of_a_main_does_at_loss_of_supply() {
    let (rig, prediction) = guarded("without-vessel");
    let loss = prediction.loss_of_supply.as_ref().unwrap();
    let told = |kind: EventKind, name: &str| loss.events.iter().any(|e| e.kind == kind && e.text.contains(name));
    assert!(told(EventKind::CheckValveOpened, "bypass"), "{:#?}", loss.events);
    assert!(told(EventKind::AirAdmitted, "hump"), "{:#?}", loss.events);
    assert!(!told(EventKind::VesselEmptied, "vessel"), "the isolated vessel gives nothing: {:#?}", loss.events);
    // It keeps what it was charged with: 0.9 m3, of 1.5 m3 in all.
    let figures = Summary::of(&rig, &prediction).beside.into_iter().find(|figures| figures.name == "gas_vessel_m3");
    let gas = figures.expect("the vessel's gas");
    assert!((gas.minimum - 0.9).abs() < 1e-4 && (gas.maximum - 0.9).abs() < 1e-4, "{gas:?}");
    let set_pa = rig.network.elements.iter().find_map(|element| match &element.kind {
        ElementKind::ReliefValve(relief) => Some(relief.set_pa),
        _ => None,
    });
    let foot = loss.channels.iter().find(|channel| channel.id == "p_foot").unwrap();
    assert!(foot.maximum < set_pa.unwrap() && !told(EventKind::ReliefValveOpened, "relief"), "{foot:?} {set_pa:?}");
    let opens = event(&prediction, EventKind::ReliefValveOpened).expect("it opens in the start");
    assert!(opens.text.contains("relief valve relief opens"), "{}", opens.text);
}

/// With the vessel open to the main its gas gives and takes; the prediction shows the gas and the surge is the smaller one.
#[test]
fn shows_the_gas_of_vessel_and_pocket_and_a_vessel_that_tames_the_stop() {
    let (rig, with) = guarded("running");
    let (_, without) = guarded("without-vessel");
    let lowest = |prediction: &Prediction| {
        let loss = prediction.loss_of_supply.as_ref().unwrap();
        loss.channels.iter().find(|channel| channel.id == "p_foot").unwrap().minimum
    };
    assert!(
        lowest(&with) > lowest(&without) + 0.3e5,
        "foot: {} Pa with, {} Pa without",
        lowest(&with),
        lowest(&without)
    );
    for (series, most_m3) in [("gas_vessel_m3", 1.5), ("gas_stub_end_m3", 3.1e-3)] {
        let figures = Summary::of(&rig, &with).beside.into_iter().find(|figures| figures.name == series);
        let figures = figures.unwrap_or_else(|| panic!("no series {series}"));
        assert!(figures.minimum > 0.0 && figures.maximum < most_m3, "{series}: {figures:?}");
        assert!(figures.maximum > 1.01 * figures.minimum, "{series} does not move: {figures:?}");
    }
    // from 2 bar(a) and 0.9 m3 at one temperature to the line at rest (reservoir 11 m, vessel 1 m), from there by p V^1.2
    let weight_n_m3 = rig.liquid.density_kg_m3 * rig.liquid.gravity_m_s2;
    let absolute_pa = |head_m: f64| (head_m - 1.0) * weight_n_m3 + rig.liquid.atmosphere_pa;
    let (gas_m3, head_m) = (last(&with, 0, "gas_vessel_m3"), last(&with, 0, "head_vessel_m"));
    // the water rises under the gas as it shrinks, over 0.8 m2
    let risen_m = (0.9 * 2.0e5 / absolute_pa(11.0) - gas_m3) / 0.8;
    let rest_pa = absolute_pa(11.0);
    let expected_m3 = 0.9 * 2.0e5 / rest_pa * (rest_pa / absolute_pa(head_m - risen_m)).powf(1.0 / 1.2);
    let error = (gas_m3 - expected_m3).abs() / expected_m3;
    assert!(
        error < 0.005,
        "gas in the vessel: expected {expected_m3} m3, got {gas_m3} m3, error {error}, tolerance 0.5 %"
    );
}

/// A relief valve set below the shut-off head blows off into the well in a start.
#[test]
fn tells_when_a_relief_valve_opens_and_closes() {
    let set = ("set_pressure = \"4.6 bar\"\nfull_open_pressure = \"5.2 bar\"", "set_pressure = \"2.9 bar\"");
    let rig = rig_of(&edited("guarded-main", &[set]));
    let prediction = predict(&rig, &sequence("one-cycle", &[]), "contactor");
    let opens = event(&prediction, EventKind::ReliefValveOpened).expect("it opens");
    assert!(opens.text.contains("relief valve relief opens"), "{}", opens.text);
    assert!(event(&prediction, EventKind::ReliefValveClosed).is_some(), "it shuts again: {:?}", prediction.events);
}

/// A kink takes head, and both `check` and `predict` say where it is.
#[test]
fn tells_of_a_kink_and_predicts_its_loss() {
    let lay_flat = "swell_pressure = \"4 bar\" # ... from slack to this pressure";
    let kinked = format!("{lay_flat}\nlay_flat = true\nkink = 20\nkink_at = \"50 %\"");
    let flat = format!("{lay_flat}\nlay_flat = true");
    let script = sequence("line-fill", &[("line_up = \"empty\"", "line_up = \"hose-empty\"")]);
    let flow_m3_s = |text: &str| {
        let rig = rig_of(text);
        let prediction = predict(&rig, &script, "contactor");
        (f64::from(*prediction.segments[0].flow_m3_s.last().unwrap()), rig, prediction)
    };
    let (straight_m3_s, ..) = flow_m3_s(&edited("fill-bench", &[(lay_flat, &flat)]));
    let (kinked_m3_s, rig, prediction) = flow_m3_s(&edited("fill-bench", &[(lay_flat, &kinked)]));
    assert!(kinked_m3_s < 0.99 * straight_m3_s, "{kinked_m3_s} m3/s with a kink, {straight_m3_s} m3/s without");
    let said = |lines: &[String]| lines.iter().any(|line| line.contains("hose hose has a kink at 50 % of its length"));
    assert!(said(&derive(&rig).notices) && said(&prediction.assumptions), "{:?}", prediction.assumptions);
}

/// Bubbles lower the wave speed by Wood's mixture law.
#[test]
fn takes_free_gas_into_every_derived_wave_speed() {
    let water = "temperature = \"12 degC\"\naltitude = \"150 m\"";
    let gas = format!("{water}\nfree_gas = {{ share = \"0.1 %\", line_pressure = \"4 bar(a)\" }}");
    let speed_m_s = |text: &str| derive(&rig_of(text)).pipes[0].wave_speed_m_s;
    let clean_m_s = speed_m_s(&edited("rising-main", &[]));
    let gassy = edited("rising-main", &[(water, &gas)]);
    let rig = rig_of(&gassy);
    let (gassy_m_s, liquid) = (speed_m_s(&gassy), rig.liquid);
    // 1/a^2 = rho (1/(rho a0^2) + x/p), x the share under 4 bar: gas adds its own give, its mass nothing
    let share = 1e-3 * liquid.atmosphere_pa / 4e5;
    let give = 1.0 / (liquid.density_kg_m3 * clean_m_s * clean_m_s) + share / 4e5;
    let expected_m_s = 1.0 / (liquid.density_kg_m3 * give).sqrt();
    let error = (gassy_m_s - expected_m_s).abs() / expected_m_s;
    assert!(
        gassy_m_s < 0.9 * clean_m_s && error < 1e-3,
        "expected {expected_m_s} m/s, got {gassy_m_s} m/s, error {error}"
    );
    assert!(rig.assumptions.iter().any(|line| line.starts_with("free gas of 0.1000 %")), "{:?}", rig.assumptions);
}

/// Friction of changing flow damps what a stop leaves swinging, and the prediction says that it was taken.
#[test]
fn takes_unsteady_friction_where_the_rig_file_says_so() {
    let step = "time_step = \"5 ms\"";
    let unsteady = format!("unsteady_friction = true\n{step}");
    let script = sequence("one-cycle", &[]);
    let stop = |text: &str| {
        let prediction = predict(&rig_of(text), &script, "contactor");
        (prediction.segments.last().unwrap().series[0].clone(), prediction.made_with.solver)
    };
    let (plain, quasi_steady) = stop(&edited("rising-main", &[]));
    let (damped, solver) = stop(&edited("rising-main", &[(step, &unsteady)]));
    assert!(solver.contains("unsteady friction") && quasi_steady.contains("quasi-steady friction"), "{solver}");
    // the last fifth of what both followed
    let samples = plain.len().min(damped.len());
    let swing_pa = |series: &[f32]| {
        let late = &series[samples * 4 / 5..samples];
        let (low, high) = late.iter().fold((f32::INFINITY, f32::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
        f64::from(high - low)
    };
    let (plain_pa, damped_pa) = (swing_pa(&plain), swing_pa(&damped));
    assert!(damped_pa < 0.98 * plain_pa, "late swing {damped_pa} Pa with unsteady friction, {plain_pa} Pa without");
}

/// A line-up step right behind a stop shuts the throttle on water that still runs: over its travel time gently, at once with
/// a blow.
#[test]
fn predicts_a_line_up_step_that_closes_a_valve_over_its_travel_time() {
    let shut = "[[line_up]]\nid = \"shut\"\nclosed = [\"throttle\"]\ntext = \"Throttle shut.\"\n\n[[starter]]";
    let at_once = edited("coil-loop", &[("[[starter]]", shut)]);
    let valve = "flow_coefficient = \"40 Kv\"";
    let travel = "travel = \"4 s\"\nclosing_law = [[\"0 %\", \"0 %\"], [\"50 %\", \"80 %\"], [\"100 %\", \"100 %\"]]";
    assert!(at_once.contains(valve));
    let slowly = at_once.replacen(valve, &format!("{valve}\n{travel}"), 1);
    let stop = "[[step]]\ndo = \"stop\"";
    let script = sequence("one-cycle", &[(stop, &format!("{stop}\n\n[[step]]\ndo = \"line-up\"\nline_up = \"shut\""))]);
    let peak_pa = |text: &str| {
        let prediction = predict(&rig_of(text), &script, "contactor");
        let stop = prediction.segments.last().unwrap();
        let peak = stop.series[0].iter().fold(f32::NEG_INFINITY, |peak, value| peak.max(*value));
        (f64::from(peak), prediction.assumptions[0].clone())
    };
    let ((quick_pa, said), (slow_pa, assumed)) = (peak_pa(&at_once), peak_pa(&slowly));
    assert!(quick_pa > slow_pa + 0.3e5, "at once {quick_pa} Pa, over 4 s {slow_pa} Pa");
    assert!(assumed.contains("but for the whole travel of valves (throttle 4 s)"), "{assumed}");
    assert!(!said.contains("travel"), "{said}");
}
