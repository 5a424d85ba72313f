//! How fast whole runs are predicted: every shipped rig through each of its starters with its shipped sequence, loss of
//! supply beside it, on one core; and a band about ten seconds of the terrace bench.

use crate::peers::{Stopwatch, median};
use ramprig::prediction::bands::{BandOptions, band};
use ramprig::prediction::rehearse;
use ramprig::rig::{parse, shipped};
use ramprig::sequence::script::Script;
use std::path::Path;

/// Each run is timed this often, in processor time, and the median counts.
const REPEATS: usize = 5;
/// Rigs and their sequences.
const RUNS: [(&str, &str); 9] = [
    ("terrace-bench", "three-starters"),
    ("terrace-bench", "fill-terrace"),
    ("terrace-bench", "splash-return"),
    ("coil-loop", "one-cycle"),
    ("rising-main", "one-cycle"),
    ("fill-bench", "line-fill"),
    ("rising-main", "second-pump"),
    ("controlled-main", "one-cycle"),
    ("guarded-main", "one-cycle"),
];

/// A start with the line full, until ten seconds after the command.
const TEN_SECONDS: &str = r#"
[sequence]
id = "ten"
name = "Ten seconds"
about = "start and hold; the stop ends it"
[[step]]
do = "line-up"
[[step]]
do = "start"
[[step]]
do = "hold"
time = "3.9 s"
after = "at-speed"
timeout = "20 s"
[[step]]
do = "stop"
how = "coast"
"#;

/// Seconds for a band of 200 members.
pub fn band_200() {
    let rig = parse(shipped("terrace-bench").unwrap(), "terrace-bench").unwrap_or_else(|problems| panic!("{problems}"));
    let drive = rig.starter_index("drive").unwrap();
    let script = Script::parse(TEN_SECONDS, "ten", &rig, drive).unwrap();
    let nominal = rehearse(&rig, &script, drive).unwrap();
    let dt_s = nominal.prediction.made_with.dt_s;
    println!("check band_200 {:.2} s of rig time, pipe ends by {dt_s:.3e} s, cells by half of it", nominal.duration_s);
    assert!(0.5 * dt_s * (1.0 + rig.uncertainty.wave_speed) < 0.5e-3 && nominal.duration_s >= 10.0);
    let mut taken_s = Vec::new();
    for _ in 0..REPEATS {
        let watch = Stopwatch::start();
        let made = band(&rig, &script, &nominal, BandOptions { members: 200, seed: 1, threads: 1 });
        taken_s.push(watch.ns() * 1.0e-9);
        println!("check band_200 {} in lanes, {} failed", made.in_lanes.unwrap_or(0), made.failed);
        assert_eq!((made.in_lanes, made.failed), (Some(200), 0), "every member stays in its lane");
    }
    let taken_s = median(&taken_s);
    println!("ratio band_200_seconds {taken_s:.3}");
    println!("abs band_200 {taken_s:.4} {:.1} s", nominal.duration_s);
}

/// Rig time of the run over the processor time of predicting it, the worst of all runs.
pub fn pace() {
    let mut worst = f64::INFINITY;
    for (name, sequence) in RUNS {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs");
        let read = |name: &str| std::fs::read_to_string(folder.join(format!("{name}.toml"))).unwrap();
        let rig = parse(&read(name), name).unwrap_or_else(|problems| panic!("{problems}"));
        let text = read(&format!("sequences/{sequence}"));
        for (index, starter) in rig.starters.iter().enumerate() {
            let script = Script::parse(&text, sequence, &rig, index).unwrap();
            let (mut taken_s, mut duration_s) = (Vec::new(), 0.0);
            for _ in 0..REPEATS {
                let watch = Stopwatch::start();
                duration_s = rehearse(&rig, &script, index).unwrap().duration_s;
                taken_s.push(watch.ns() * 1.0e-9);
            }
            let taken_s = median(&taken_s);
            worst = worst.min(duration_s / taken_s);
            println!("abs predict_{name}_{sequence}_{} {taken_s:.4} {duration_s:.1} s", starter.id);
        }
    }
    println!("ratio predict_times_real_time {worst:.1}");
}
