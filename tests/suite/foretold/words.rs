//! What `predict` prints and writes.

use super::{edited, predict, rig_of, sequence};
use crate::stand::program::run;
use ramprig::prediction::summary::write_csv;

/// Flow, torque, head and power stand in the text with their figures, the grid with step, cells and wave-speed change.
#[test]
fn prints_flow_torque_power_head_and_the_grid() {
    let shelf = concat!(env!("CARGO_MANIFEST_DIR"), "/rig-configs");
    let (rig, cycle) = (format!("{shelf}/coil-loop.toml"), format!("{shelf}/sequences/one-cycle.toml"));
    let text = run(["predict", &rig, &cycle, "--starter", "contactor", "--band", "0"]).stdout;
    for row in ["pump flow", "pump head", "pump torque", "motor torque", "line power"] {
        let line = text.lines().find(|line| line.starts_with(row)).unwrap_or_else(|| panic!("no row {row} in\n{text}"));
        // Behind the unit, which is a word or two.
        let figures: Vec<f64> = line[row.len()..].split_whitespace().filter_map(|word| word.parse().ok()).collect();
        assert!(figures.len() >= 3, "steady, largest, smallest: {line}");
        assert!(figures[1] >= figures[0] && figures[0] > figures[2], "steady, largest, smallest: {line}");
    }
    let grid =
        text.lines().find(|line| line.starts_with("computed by the method of characteristics")).expect("the grid");
    for part in ["in steps of ", " ms, pipes in two halves of it", " cells", "wave speeds changed by up to "] {
        assert!(grid.contains(part), "expected `{part}` in `{grid}`");
    }
}

/// The NPSH margin of a pump that holds no water is none: its cell stays empty, and no cell says NaN.
#[test]
fn leaves_a_cell_without_a_number_empty() {
    let rig = rig_of(&edited("fill-bench", &[]));
    let script = sequence(
        "line-fill",
        &[("time = \"45 s\"", "time = \"1 s\""), ("timeout = \"30 s\"\nspan", "timeout = \"2 s\"\nspan")],
    );
    let prediction = predict(&rig, &script, "contactor");
    let mut table = Vec::new();
    write_csv(&rig, &prediction, &mut table).unwrap();
    let table = String::from_utf8(table).unwrap();
    assert!(!table.to_lowercase().contains("nan") && !table.contains("inf"), "a cell says NaN");
    let head: Vec<&str> = table.lines().next().unwrap().split(',').collect();
    let margin = head.iter().position(|name| *name == "npsh_margin_m").unwrap();
    let first: Vec<&str> = table.lines().nth(1).unwrap().split(',').collect();
    assert_eq!((first.len(), first[margin]), (head.len(), ""));
}

/// Two predictions that differ in the kind of one event differ in their hash.
#[test]
fn hashes_the_kind_of_an_event_and_every_warning() {
    use ramprig::prediction::EventKind;
    let rig = rig_of(&edited("coil-loop", &[]));
    let prediction = predict(&rig, &sequence("one-cycle", &[]), "contactor");
    assert!(prediction.is_intact() && !prediction.events.is_empty());
    let mut other = prediction.clone();
    other.events[0].kind = EventKind::HoseRounded;
    assert!(!other.is_intact(), "the kind of an event is not hashed");
    let mut other = prediction;
    other.warnings.push("none".to_owned());
    assert!(!other.is_intact(), "warnings are not hashed");
}
