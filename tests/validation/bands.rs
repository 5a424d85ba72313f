//! The band about a prediction: laws that hold for any rig, on the shipped coil loop.

use ramprig::prediction::bands::{BandOptions, band, varied};
use ramprig::prediction::{Prediction, predict};
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

fn coil_loop() -> (Rig, Script, Prediction) {
    let text = ramprig::rig::shipped("coil-loop").unwrap();
    let rig = ramprig::rig::parse(text, "coil-loop.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let script = Script::parse(SHORT, "short.toml", &rig, 0).unwrap();
    let nominal = predict(&rig, &script, 0).unwrap();
    (rig, script, nominal)
}

#[test]
fn law_a_band_is_the_same_for_any_number_of_threads_and_holds_the_nominal_run() {
    let (rig, script, nominal) = coil_loop();
    let made = |threads, seed| band(&rig, &script, &nominal, BandOptions { members: 7, seed, threads });
    let one = made(1, 5);
    assert_eq!(one, made(3, 5), "1 and 3 threads");
    assert_ne!(one, made(2, 6), "another seed must give another band");
    assert_eq!(one.failed, 0);
    let headline = rig.headline;
    for (segment, ends) in nominal.segments.iter().zip(&one.segments) {
        for (channel, series) in segment.series.iter().enumerate() {
            for (k, value) in series.iter().enumerate() {
                let (low, high) = (ends.lower[channel][k], ends.upper[channel][k]);
                assert!((low..=high).contains(value), "channel {channel}, sample {k}: {value} outside {low} to {high}");
            }
        }
        let width = |k: usize| ends.upper[headline][k] - ends.lower[headline][k];
        let widest = (0..segment.series[headline].len()).map(width).fold(0.0, f32::max);
        println!("{:?} {}: widest band at the headline {widest} Pa", segment.phase, segment.cycle);
        assert!(widest > 1e4, "a band of {widest} Pa at its widest says that nothing is uncertain");
    }
    let figures = &one.figures[headline];
    println!("largest in the start: {:.0} to {:.0} Pa", figures.maximum.0, figures.maximum.1);
    assert!(figures.maximum.0 < figures.maximum.1);
}

#[test]
fn law_the_hash_covers_the_band_and_older_predictions_still_read() {
    let (rig, script, nominal) = coil_loop();
    let without = serde_json::to_value(&nominal).unwrap();
    let made = band(&rig, &script, &nominal, BandOptions { members: 2, seed: 1, threads: 1 });
    let mut with = nominal.clone().with_band(made);
    assert!(with.is_intact() && with.sha256 != nominal.sha256);
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
    let widened = "[uncertainty]\nwave_speed = 0.3\nlevel = \"0.2 m\"\n";
    let text = format!("{}\n{widened}", ramprig::rig::shipped("coil-loop").unwrap());
    let rig = ramprig::rig::parse(&text, "wider.toml").unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!((rig.uncertainty.wave_speed, rig.uncertainty.level_m), (0.3, 0.2));
    assert_eq!(rig.uncertainty.inertia, Uncertainty::default().inertia);
}
