//! How fast whole runs are predicted: every shipped rig through each of its starters with its shipped sequence, loss of
//! supply beside it, on one core; and a band about ten seconds of the terrace bench.

use ramprig::prediction::bands::{BandOptions, band};
use ramprig::prediction::rehearse;
use ramprig::rig::{parse, shipped};
use ramprig::sequence::script::Script;
use std::path::Path;
use std::time::Instant;

/// Each run is timed this often, and the shortest counts: whatever else the machine does only adds.
const REPEATS: usize = 5;
/// Rigs and their sequences.
const RUNS: [(&str, &str); 4] = [
    ("terrace-bench", "three-starters"),
    ("coil-loop", "one-cycle"),
    ("rising-main", "one-cycle"),
    ("fill-bench", "line-fill"),
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
    let mut shortest_s = f64::INFINITY;
    for _ in 0..REPEATS {
        let start = Instant::now();
        let made = band(&rig, &script, &nominal, BandOptions { members: 200, seed: 1, threads: 1 });
        shortest_s = shortest_s.min(start.elapsed().as_secs_f64());
        println!("check band_200 {} in lanes, {} failed", made.in_lanes.unwrap_or(0), made.failed);
    }
    println!("ratio band_200_seconds {shortest_s:.3}");
    println!("abs band_200 {shortest_s:.4} {:.1} s", nominal.duration_s);
}

/// Rig time of the run over the wall time of predicting it, the worst of all runs.
pub fn pace() {
    let mut worst = f64::INFINITY;
    for (name, sequence) in RUNS {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs");
        let read = |name: &str| std::fs::read_to_string(folder.join(format!("{name}.toml"))).unwrap();
        let rig = parse(&read(name), name).unwrap_or_else(|problems| panic!("{problems}"));
        let text = read(&format!("sequences/{sequence}"));
        for (index, starter) in rig.starters.iter().enumerate() {
            let script = Script::parse(&text, sequence, &rig, index).unwrap();
            let mut shortest_s = f64::INFINITY;
            let mut duration_s = 0.0;
            for _ in 0..REPEATS {
                let start = Instant::now();
                duration_s = rehearse(&rig, &script, index).unwrap().duration_s;
                shortest_s = shortest_s.min(start.elapsed().as_secs_f64());
            }
            worst = worst.min(duration_s / shortest_s);
            println!("abs predict_{name}_{} {shortest_s:.4} {duration_s:.1} s", starter.id);
        }
    }
    println!("ratio predict_times_real_time {worst:.1}");
}
