//! The band about a prediction: laws that hold for any rig, on the shipped coil loop.

use ramprig::hydraulics::spec::ElementKind;
use ramprig::prediction::bands::{BandOptions, band, band_by_stations, latin_hypercube, varied};
use ramprig::prediction::{Prediction, Rehearsal, rehearse};
use ramprig::rig::model::Rig;
use ramprig::rig::uncertainty::Uncertainty;
use ramprig::sequence::script::Script;

/// Short, so that many members can be computed.
const SHORT: &str = "
[sequence]
id = \"short\"
name = \"A short start and stop\"
about = \"start, hold, stop\"
[[step]]
do = \"line-up\"
line_up = \"running\"
[[step]]
do = \"start\"
[[step]]
do = \"hold\"
time = \"0.6 s\"
after = \"at-speed\"
timeout = \"20 s\"
[[step]]
do = \"stop\"
";

fn coil_loop() -> (Rig, Script, Rehearsal) {
    let text = ramprig::rig::shipped("coil-loop").unwrap();
    let rig = ramprig::rig::parse(text, "coil-loop.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let script = Script::parse(SHORT, "short.toml", &rig, 0).unwrap();
    let nominal = rehearse(&rig, &script, 0).unwrap();
    (rig, script, nominal)
}

#[test]
fn law_a_band_is_the_same_for_any_number_of_threads_and_no_wider_than_what_its_members_do() {
    let (rig, script, nominal) = coil_loop();
    let made = |threads, seed| band(&rig, &script, &nominal, BandOptions { members: 7, seed, threads });
    let one = made(1, 5);
    assert_eq!(one, made(3, 5), "1 and 3 threads");
    assert_ne!(one, made(2, 6), "another seed must give another band");
    assert_eq!((one.failed, one.in_lanes), (0, Some(7)));
    let headline = rig.headline;
    for (segment, ends) in nominal.prediction.segments.iter().zip(&one.segments) {
        let width = |k: usize| ends.upper[headline][k] - ends.lower[headline][k];
        let widest = (0..segment.series[headline].len()).map(width).fold(0.0, f32::max);
        println!("{:?} {}: widest band at the headline {widest} Pa", segment.phase, segment.cycle);
        assert!(widest > 1e4, "a band of {widest} Pa at its widest says that nothing is uncertain");
    }
    let figures = &one.figures[headline];
    println!("largest in the start: {:.0} to {:.0} Pa", figures.maximum.0, figures.maximum.1);
    assert!(figures.maximum.0 < figures.maximum.1);
    // Each end is some member's: the extreme member of the first start, played by itself, comes to that end.
    let draws = latin_hypercube(7, 5);
    let peaks: Vec<f64> = draws.iter().map(|draw| peak_alone(&rig, &script, draw)).collect();
    let (low, high) = peaks.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), pa| (l.min(*pa), h.max(*pa)));
    println!("members alone: {low:.0} to {high:.0} Pa");
    for (end, alone) in [(figures.maximum.0, low), (figures.maximum.1, high)] {
        let error = (end - alone).abs() / (high - low);
        assert!(error < ALONE_TOLERANCE, "expected {alone} Pa, got {end} Pa, error {error} of the members' span");
    }
}

/// The figures keep 2.5 % of the members out at either end, which of seven lies between the extreme one and its neighbour; a
/// member alone has steps of its own. Share of the members' span.
const ALONE_TOLERANCE: f64 = 0.1;

/// Largest value of the headline channel in the first start of one member, played by itself, Pa.
fn peak_alone(rig: &Rig, script: &Script, draw: &[f64; Uncertainty::COUNT]) -> f64 {
    let made = rehearse(&varied(rig, draw), script, 0).unwrap().prediction;
    let start = &made.segments[0];
    f64::from(start.series[rig.headline].iter().copied().fold(f32::NEG_INFINITY, f32::max))
}

#[test]
fn law_members_that_play_alone_give_the_same_band_for_any_number_of_threads() {
    let text = ramprig::rig::shipped("controlled-main").unwrap();
    let rig = ramprig::rig::parse(text, "controlled-main.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let script = Script::parse(SHORT, "short.toml", &rig, 0).unwrap();
    let nominal = rehearse(&rig, &script, 0).unwrap();
    let made = |threads, seed| band(&rig, &script, &nominal, BandOptions { members: 3, seed, threads });
    let one = made(1, 5);
    assert_eq!((one.failed, one.in_lanes), (0, Some(0)), "a control valve: each member plays the whole sequence");
    assert_eq!(one, made(2, 5), "1 and 2 threads");
    assert_ne!(one, made(2, 6), "another seed must give another band");
}

/// What half a step of a command's beginning and different roundings may make, share of a channel's span.
const REPLAY_TOLERANCE: f64 = 5.0e-3;

#[test]
fn agrees_with_the_prediction_where_nothing_is_uncertain() {
    let none = "[uncertainty]\nwave_speed = 0\nroughness = 0\nlosses = 0\npump_head = 0\npump_flow = 0\ninertia = 0\n\
                motor_torque = 0\nramp_time = 0\nlevel = \"0 m\"\n";
    for (name, line_up) in [("coil-loop", "running"), ("terrace-bench", "terrace")] {
        let text = format!("{}\n{none}", ramprig::rig::shipped(name).unwrap());
        let rig = ramprig::rig::parse(&text, name).unwrap_or_else(|problems| panic!("{problems}"));
        let script = Script::parse(&SHORT.replace("running", line_up), "short.toml", &rig, 0).unwrap();
        let nominal = rehearse(&rig, &script, 0).unwrap();
        let made = band(&rig, &script, &nominal, BandOptions { members: 3, seed: 1, threads: 1 });
        assert_eq!((made.failed, made.in_lanes), (0, Some(3)), "{name}");
        for (segment, ends) in nominal.prediction.segments.iter().zip(&made.segments) {
            for (channel, series) in segment.series.iter().enumerate() {
                let extreme = |pick: fn(f32, f32) -> f32| series.iter().copied().reduce(pick).unwrap();
                let span = (extreme(f32::max) - extreme(f32::min)).max(1e-3 * extreme(f32::max).abs());
                let widths = ends.upper[channel].iter().zip(&ends.lower[channel]).map(|(upper, lower)| upper - lower);
                let off = f64::from(widths.fold(0.0, f32::max)) / f64::from(span);
                println!("{name} {:?} channel {channel}: off by {off:.1e} of its span", segment.phase);
                assert!(off < REPLAY_TOLERANCE, "{name} channel {channel}: off by {off} of its span of {span}");
            }
        }
    }
}

/// What gathering friction and give at stations may move the ends of a band by, share of its width at its widest.
const GATHERED_TOLERANCE: f64 = 1.0e-2;

#[test]
fn law_gathering_friction_hardly_moves_a_band() {
    for (name, line_up) in [("coil-loop", "running"), ("terrace-bench", "terrace")] {
        let text = ramprig::rig::shipped(name).unwrap();
        let rig = ramprig::rig::parse(text, name).unwrap_or_else(|problems| panic!("{problems}"));
        let script = Script::parse(&SHORT.replace("running", line_up), "short.toml", &rig, 0).unwrap();
        let nominal = rehearse(&rig, &script, 0).unwrap();
        let options = BandOptions { members: 32, seed: 3, threads: 2 };
        let [every, gathered] = [1, 16].map(|cells| band_by_stations(&rig, &script, &nominal, options, cells));
        assert_eq!((every.in_lanes, gathered.in_lanes), (Some(32), Some(32)), "{name}");
        let mut worst = 0.0_f64;
        for (every, gathered) in every.segments.iter().zip(&gathered.segments) {
            for channel in 0..every.lower.len() {
                let widths = every.upper[channel].iter().zip(&every.lower[channel]).map(|(upper, lower)| upper - lower);
                let width = widths.fold(f32::MIN_POSITIVE, f32::max);
                let ends = [(&every.lower, &gathered.lower), (&every.upper, &gathered.upper)];
                let moved =
                    ends.iter().flat_map(|(a, b)| a[channel].iter().zip(&b[channel])).map(|(a, b)| (a - b).abs());
                let off = f64::from(moved.fold(0.0, f32::max) / width);
                println!("{name} channel {channel}: ends move by up to {off:.1e} of a width of {width:.3e}");
                worst = worst.max(off);
            }
        }
        assert!(worst < GATHERED_TOLERANCE, "{name}: ends move by {worst:.1e} of the width");
        assert!(worst > 1.0e-9, "{name}: it changes nothing at all");
    }
}

#[test]
fn law_the_hash_covers_the_band_and_older_predictions_still_read() {
    let (rig, script, nominal) = coil_loop();
    let without = serde_json::to_value(&nominal.prediction).unwrap();
    let made = band(&rig, &script, &nominal, BandOptions { members: 2, seed: 1, threads: 1 });
    let mut with = nominal.prediction.clone().with_band(made);
    assert!(with.is_intact() && with.sha256 != nominal.prediction.sha256);
    let back: Prediction = serde_json::from_value(serde_json::to_value(&with).unwrap()).unwrap();
    assert!(back == with && back.is_intact(), "stored series come back bit for bit");
    let ends = &mut with.band.as_mut().unwrap().segments[0].upper[0][0];
    *ends = f32::from_bits(ends.to_bits() + 1);
    assert!(!with.is_intact(), "one bit of the stored band changes the hash");
    let mut old = without;
    for key in ["band", "events", "loss_of_supply"] {
        old.as_object_mut().unwrap().remove(key).unwrap();
    }
    let old: Prediction = serde_json::from_value(old).unwrap();
    assert!(old.band.is_none() && old.events.is_empty() && old.loss_of_supply.is_none());
}

#[test]
fn law_a_member_without_draws_is_the_rig_itself() {
    let (rig, ..) = coil_loop();
    let same = varied(&rig, &[0.0; Uncertainty::COUNT]);
    assert_eq!(same.network, rig.network);
    assert_eq!(same.motor, rig.motor);
    let far = varied(&rig, &[1.0; Uncertainty::COUNT]);
    let expected = rig.shaft.inertia_kg_m2 * (1.0 + rig.uncertainty.inertia);
    assert!((far.shaft.inertia_kg_m2 - expected).abs() < 1e-15, "expected {expected} kg m2");
    let stated = ramprig::rig::shipped("coil-loop")
        .unwrap()
        .replace("minor_loss = 6 #", "darcy_friction_factor = 0.02\nminor_loss = 6 #");
    let stated = ramprig::rig::parse(&stated, "stated.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let darcy_f = |rig: &Rig| {
        rig.network.elements.iter().find_map(|element| match &element.kind {
            ElementKind::Pipe(pipe) => pipe.fixed_darcy_f,
            _ => None,
        })
    };
    let expected = 0.02 * (1.0 + stated.uncertainty.roughness).powf(0.25);
    let got = darcy_f(&varied(&stated, &[1.0; Uncertainty::COUNT])).unwrap();
    assert!((got - expected).abs() < 1e-15 && got > 0.02, "a stated friction factor: expected {expected}, got {got}");
    assert_eq!(darcy_f(&varied(&stated, &[0.0; Uncertainty::COUNT])), Some(0.02));
    let widened = "[uncertainty]\nwave_speed = 0.3\nlevel = \"0.2 m\"\n";
    let text = format!("{}\n{widened}", ramprig::rig::shipped("coil-loop").unwrap());
    let rig = ramprig::rig::parse(&text, "wider.toml").unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!((rig.uncertainty.wave_speed, rig.uncertainty.level_m), (0.3, 0.2));
    assert_eq!(rig.uncertainty.inertia, Uncertainty::default().inertia);
}
