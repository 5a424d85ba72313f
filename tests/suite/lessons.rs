//! The shipped lessons: each says its cautions, asks before it answers, can be predicted, and one is played to its end.

use crate::stand::bench::Bench;
use ramprig::prediction::{Prediction, rehearse};
use ramprig::rig::model::Rig;
use ramprig::sequence::script::{Script, shipped, shipped_names};
use ramprig::sequence::step::Step;

fn lessons() -> Vec<&'static str> {
    shipped_names().filter(|name| name.starts_with("lesson-")).collect()
}

fn bench() -> Rig {
    let text = ramprig::rig::shipped("terrace-bench").unwrap();
    ramprig::rig::parse(text, "terrace-bench.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

fn script(name: &str, rig: &Rig) -> Script {
    let drive = rig.starter_index("drive").unwrap();
    Script::parse(shipped(name).unwrap(), name, rig, drive).unwrap_or_else(|problems| panic!("{name}: {problems}"))
}

#[test]
fn ask_before_every_start_and_begin_with_their_cautions() {
    let rig = bench();
    assert_eq!(lessons().len(), 5);
    for name in lessons() {
        let script = script(name, &rig);
        let Some(Step::Confirm(first)) = script.program.first().map(|instruction| &instruction.step) else {
            panic!("{name} begins with a confirmation");
        };
        for words in ["restrained", "floor", "emergency stop"] {
            assert!(first.text.contains(words), "{name}: {words}");
        }
        assert!(script.program.iter().any(|instruction| instruction.notes.is_some()), "{name} has notes");
        let mut asked = false;
        for instruction in &script.program {
            asked |= matches!(instruction.step, Step::Ask(_));
            if matches!(instruction.step, Step::Start(_)) {
                assert!(
                    std::mem::take(&mut asked),
                    "{name}, line {}: a start that nobody was asked about",
                    instruction.line
                );
            }
        }
    }
}

fn foretold(name: &str, rig: &Rig) -> Prediction {
    let drive = rig.starter_index("drive").unwrap();
    rehearse(rig, &script(name, rig), drive).unwrap_or_else(|error| panic!("{name}: {error}")).prediction
}

/// What the lessons say is what the prediction of the shipped bench says.
#[test]
fn say_what_the_prediction_shows() {
    let rig = bench();
    let surge = |prediction: &Prediction, cycle: u32| {
        let channel = rig.channel_index("p_discharge").unwrap();
        let segment = prediction.segments.iter().find(|segment| segment.cycle == cycle).unwrap();
        let series = &segment.series[channel];
        let steady = f64::from(*series.last().unwrap());
        f64::from(series.iter().copied().fold(f32::NEG_INFINITY, f32::max)) - steady
    };
    let three = foretold("lesson-three-starters", &rig);
    let [line, soft, drive] = [1, 2, 3].map(|cycle| surge(&three, cycle));
    assert!(line > soft && soft > drive, "across the line {line}, soft starter {soft}, drive {drive} Pa");
    for name in lessons() {
        let prediction = foretold(name, &rig);
        assert!(prediction.warnings.is_empty(), "{name}: {:?}", prediction.warnings);
    }
}

#[test]
fn plays_one_to_its_end_through_the_drive() {
    let bench = Bench::with(20_261_130, &["--fast"]);
    let ended = bench.run(shipped("lesson-held-by-speed").unwrap(), "drive").end();
    ended.expect(0);
    let object = ended.object();
    assert_eq!((&object["stop_outcome"], &object["cycles"]), (&"confirmed".into(), &1.into()), "{object}");
    bench.witness().assert_all_off();
}
