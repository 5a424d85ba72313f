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

/// What a rig's text and a sequence's come to on standard output.
fn said(rig: &str, sequence: &str, starter: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let (rig_file, sequence_file) = (folder.path().join("rig.toml"), folder.path().join("sequence.toml"));
    std::fs::write(&rig_file, rig).unwrap();
    std::fs::write(&sequence_file, sequence).unwrap();
    let [rig, sequence] = [&rig_file, &sequence_file].map(|path| path.to_str().unwrap());
    let ended = run(["predict", rig, sequence, "--starter", starter, "--band", "0"]);
    ended.expect(0);
    ended.stdout
}

fn has_line(text: &str, begins: &str, words: &str) -> bool {
    text.lines().any(|line| line.starts_with(begins) && line.contains(words))
}

/// What the guards of a main do at loss of supply and emergency stop stands in the text, and each valve has its own line.
#[test]
fn prints_what_each_guard_does_at_a_sudden_stop_and_each_valve_of_its_own() {
    let sequence = sequence("one-cycle", &[("line_up = \"running\"", "line_up = \"without-vessel\"")]);
    let text = said(&edited("guarded-main", &[]), &sequence, "contactor");
    for after in ["s after loss of supply: ", "s after emergency stop: "] {
        for words in ["the air valve at hump lets air in", "check valve bypass opens"] {
            assert!(text.lines().any(|line| line.contains(&format!("{after}{words}"))), "no {after}{words} in\n{text}");
        }
    }
    for valve in ["check valve check opens", "relief valve relief opens"] {
        assert!(
            text.lines().any(|line| line.contains(&format!("s after the start: {valve}"))),
            "no {valve} in\n{text}"
        );
    }
    // Speed and current have channels on this rig; without them they have rows beside the pump's.
    assert!(!has_line(&text, "shaft speed", "rpm") && !has_line(&text, "line current", "A"), "{text}");
    let blind = edited("guarded-main", &[]);
    let channels = blind.find("[[channel]]\nid = \"i_line\"").unwrap();
    let text = said(&blind[..channels], &sequence, "contactor");
    assert!(has_line(&text, "shaft speed", "rpm") && has_line(&text, "line current", "A"), "{text}");
}

/// Two check valves that open in one start are two events; the second pump's flow and speed have rows.
#[test]
fn prints_flow_and_speed_of_the_pump_beside_and_folds_no_second_valve_away() {
    let text = said(&edited("rising-main", &[]), &sequence("second-pump", &[]), "contactor");
    for row in ["flow of standby", "speed of standby"] {
        let line = text.lines().find(|line| line.starts_with(row)).unwrap_or_else(|| panic!("no row {row} in\n{text}"));
        let steady: f64 = line[row.len()..].split_whitespace().find_map(|word| word.parse().ok()).unwrap();
        assert!(steady > 100.0, "it runs: {line}");
    }
    let closed = |valve: &str| text.lines().any(|line| line.contains(&format!("check valve {valve} closes")));
    assert!(closed("check") && closed("standby_check"), "both close at loss of supply:\n{text}");
}

/// Air in the water at the pump of a splashing return has its row.
#[test]
fn prints_the_share_of_gas_at_a_pump_that_draws_splashed_air() {
    let text = said(&edited("terrace-bench", &[]), &sequence("splash-return", &[]), "drive");
    assert!(has_line(&text, "gas at pump", "%"), "{text}");
    assert!(has_line(&text, "warning: no water moves at the first stop", "line-up return"), "{text}");
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
