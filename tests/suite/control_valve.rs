//! The pump control valve in rig files and sequences: what is refused and where, and the times steps give it.

use ramprig::rig;
use ramprig::sequence::machine::{Command, State, advance};
use ramprig::sequence::observations::Observations;
use ramprig::sequence::script::{Script, shipped};
use ramprig::sequence::step::Step;
use ramprig::starters::StopKind;

fn station() -> String {
    rig::shipped("controlled-main").unwrap().to_owned()
}

/// The line (from 1) that begins with these words.
fn line_of(text: &str, words: &str) -> usize {
    text.lines().position(|line| line.starts_with(words)).unwrap() + 1
}

/// One problem, on the line that begins so, with these words.
fn refused(text: &str, line_begins: &str, words: &[&str]) {
    let problems = rig::parse(text, "station.toml").unwrap_err().0;
    assert_eq!(problems.len(), 1, "{problems:#?}");
    let problem = &problems[0];
    assert_eq!(problem.line, line_of(text, line_begins), "{problem}");
    let told = problem.to_string();
    words.iter().for_each(|word| assert!(told.contains(word), "{word:?} is not in {told}"));
}

#[test]
fn rejects_control_valves_that_cannot_be_each_on_its_line() {
    let edit = |old: &str, new: &str| {
        assert!(station().contains(old), "{old}");
        station().replacen(old, new, 1)
    };
    refused(&edit("closing_time = \"60 s\"\n", ""), "[[control_valve]]", &["closing_time"]);
    refused(&edit("limit_switch = \"3 %\"", "limit_switch = \"99 %\""), "limit_switch", &["99", "95"]);
    refused(&edit("[\"30 %\", \"65 %\"]", "[\"30 %\", \"130 %\"]"), "closing_law", &["130"]);
    refused(
        &edit("[\"30 %\", \"65 %\"], [\"100 %\", \"100 %\"]", "[\"30 %\", \"65 %\"]"),
        "closing_law",
        &["no stroke"],
    );
    refused(&edit("on_loss_of_supply = \"closes\"", "on_loss_of_supply = \"opens\""), "on_loss_of_supply", &["stays"]);
    refused(&edit("open = []", "open = [\"pcv\"]"), "open = ", &["unknown valve"]);
    refused(&edit("open = []", "open = []\nline = \"drained\""), "[[line_up]]", &["air"]);
}

#[test]
fn rejects_a_second_control_valve_and_one_away_from_the_pump() {
    let text = station();
    let (begin, end) = (text.find("[[control_valve]]").unwrap(), text.find("[[pipe]]").unwrap());
    let second = text[begin..end].replace("\"pcv\"", "\"other\"").replace("main_foot", "pump_outlet").replacen(
        "from = \"pump_outlet\"",
        "from = \"main_foot\"",
        1,
    );
    let doubled = format!("{}\n{second}", text.trim_end());
    let problems = rig::parse(&doubled, "station.toml").unwrap_err().0;
    assert!(problems.iter().any(|problem| problem.to_string().contains("a second control valve")), "{problems:#?}");
    let moved = text.replacen("from = \"pump_outlet\"\nto = \"main_foot\"", "from = \"far\"\nto = \"reservoir\"", 1);
    let moved = moved.replacen("reservoir = \"58 m\"", "reservoir = \"58 m\"\nfar = \"58 m\"", 1);
    let moved = moved.replacen("to = \"reservoir\"\nlength", "to = \"far\"\nlength", 1);
    let moved =
        moved.replacen("from = \"main_foot\"\nto = \"high_point\"", "from = \"pump_outlet\"\nto = \"high_point\"", 1);
    let moved =
        moved.replacen("main_foot = \"0 m\"\n", "", 1).replacen("node = \"main_foot\"", "node = \"high_point\"", 1);
    let problems = rig::parse(&moved, "station.toml").unwrap_err().0;
    assert!(problems.iter().any(|problem| problem.to_string().contains("no fitting leads")), "{problems:#?}");
}

#[test]
fn rejects_a_map_without_a_cut_beside_a_control_valve() {
    // Lines full in every line-up: air is not followed past a control valve.
    let air = |line: &&str| line.starts_with("line = ") || line.starts_with("suction = ");
    let bench = rig::shipped("terrace-bench").unwrap().lines().filter(|line| !air(line));
    let bench: String = bench.map(|line| format!("{line}\n")).collect();
    let begin = bench.find("[[check_valve]]").unwrap();
    let end = begin + bench[begin..].find("[[pipe]]").unwrap();
    let text = format!("{}{CONTROL_VALVE}{}", &bench[..begin], &bench[end..]);
    rig::parse(&text, "bench.toml").unwrap_or_else(|problems| panic!("the shipped maps have a cut: {problems}"));
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("maps")).unwrap();
    let map = rig::maps::shipped_map("soft-starter").unwrap();
    let without: String = map.lines().filter(|line| !line.starts_with("cut")).map(|line| format!("{line}\n")).collect();
    std::fs::write(folder.path().join("maps/soft-starter.toml"), without).unwrap();
    let path = folder.path().join("bench.toml");
    std::fs::write(&path, &text).unwrap();
    let problems = rig::load(&path).unwrap_err().0;
    assert!(problems.iter().any(|problem| problem.to_string().contains("cannot tell a cut")), "{problems:#?}");
}

const CONTROL_VALVE: &str = r#"[[control_valve]]
id = "pcv"
from = "pump_outlet"
to = "riser_foot"
flow_coefficient = "95 Kv"
opening_time = "2 s"
closing_time = "3 s"
limit_switch = "5 %"
emergency_time = "1 s"
on_loss_of_supply = "closes"
max_pressure = "10 barg"
min_pressure = "-1 barg"

"#;

#[test]
fn gives_holds_the_time_to_open_and_stops_the_time_to_close() {
    let rig = rig::parse(&station(), "station.toml").unwrap();
    let script = Script::parse(shipped("one-cycle").unwrap(), "one-cycle.toml", &rig, 0).unwrap();
    let find = |wanted: fn(&Step) -> bool| script.program.iter().find(|i| wanted(&i.step)).map(|i| i.step.clone());
    let Some(Step::Hold(hold)) = find(|step| matches!(step, Step::Hold(_))) else { panic!("no hold") };
    assert_eq!((hold.opening_s, hold.time_s), (41.0, 20.0));
    let Some(Step::Stop(stop)) = find(|step| matches!(step, Step::Stop(_))) else { panic!("no stop") };
    assert_eq!(stop.kind, StopKind::Ramp, "a contactor too lets its control valve close first");
    let closing_s = rig.control_valve.as_ref().unwrap().spec.stop_s();
    assert!(stop.time_s > closing_s + 5.0, "expected more than {closing_s} s, got {} s", stop.time_s);
    // The machine orders a stop and nothing of the valve.
    let at = script.program.iter().position(|i| matches!(i.step, Step::Stop(_))).unwrap();
    let state = State { at, energised: Some(0), ..State::at_start(0.0) };
    let seen =
        Observations { attended: true, prediction_stored: true, stream_alive: true, ..Observations::unknown(&rig) };
    let turn = advance(&script, state, &seen, 1.0);
    let orders: Vec<_> = turn.commands.iter().filter(|c| matches!(c, Command::Stop { .. })).collect();
    assert_eq!(orders.len(), 1, "{:?}", turn.commands);
}
