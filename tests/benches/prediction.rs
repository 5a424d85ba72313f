//! How fast whole runs are predicted: every shipped rig through each of its starters with its shipped sequence, loss of
//! supply beside it, on one core.

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

/// Rig time of the run over the wall time of predicting it, the worst of all runs.
pub fn pace() {
    let mut worst = f64::INFINITY;
    for (name, sequence) in RUNS {
        let rig = parse(shipped(name).unwrap(), name).unwrap_or_else(|problems| panic!("{problems}"));
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs/sequences");
        let text = std::fs::read_to_string(folder.join(format!("{sequence}.toml"))).unwrap();
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
