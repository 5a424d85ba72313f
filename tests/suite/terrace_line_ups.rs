//! The three line-ups of the shipped terrace bench, as predictions tell them, and the fill on real wires.

use crate::stand::bench::Bench;
use crate::stand::program::run;
use ramprig::hydraulics::spec::{ElementKind, Place};
use ramprig::prediction::filling::Filling;
use ramprig::prediction::summary::Summary;
use ramprig::prediction::transfer::runs_over;
use ramprig::prediction::{EventKind, Prediction, rehearse};
use ramprig::rig::model::Rig;
use ramprig::rig::{self, parse};
use ramprig::sequence::marks::Phase;
use ramprig::sequence::script::{Script, shipped};

/// Water on its way, and what the elastic lines take, at the end of a fill, share of what was moved.
const MOVED_TOLERANCE: f64 = 0.5;

fn bench() -> Rig {
    parse(rig::shipped("terrace-bench").unwrap(), "terrace-bench.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

fn predict(rig: &Rig, sequence: &str, starter: &str) -> Prediction {
    let starter = rig.starter_index(starter).unwrap();
    let script = Script::parse(shipped(sequence).unwrap(), "sequence.toml", rig, starter).unwrap();
    rehearse(rig, &script, starter).unwrap().prediction
}

fn element(rig: &Rig, name: &str) -> usize {
    rig.network.elements.iter().position(|element| element.name == name).unwrap()
}

#[test]
fn blanks_what_a_line_up_shuts_off_and_nothing_else() {
    let rig = bench();
    let blank = |line_up: &str, name: &str| {
        let (network, ..) = rig.plant_parts(rig.line_up_index(line_up).unwrap());
        matches!(network.elements[element(&rig, name)].kind, ElementKind::Blank { .. })
    };
    for (line_up, open) in [("terrace", "hose"), ("fill-terrace", "fill_hose"), ("return", "return_hose")] {
        for hose in ["hose", "fill_hose", "return_hose"] {
            assert_eq!(blank(line_up, hose), hose != open, "{hose} in {line_up}");
        }
        assert!(!blank(line_up, "riser") && !blank(line_up, "suction"), "{line_up}");
    }
    let splash = |line_up: usize| {
        let (network, ..) = rig.plant_parts(line_up);
        network.elements.iter().any(|e| matches!(&e.kind, ElementKind::Pump(pump) if pump.condition.splash.is_some()))
    };
    assert!(!splash(0) && splash(rig.line_up_index("return").unwrap()), "only a return that runs brings air");
    // a plant that goes through two line-ups computes both branches
    let (network, ..) = rig.plant_parts_for(&[0, 1]);
    let computed = |name: &str| matches!(network.elements[element(&rig, name)].kind, ElementKind::Pipe(_));
    assert!(computed("hose") && computed("fill_hose") && !computed("return_hose"));
}

#[test]
fn keeps_the_level_of_a_tank_in_its_blank_branch() {
    use ramprig::hydraulics::{plant::Plant, shaft::NoDrive};
    let rig = bench();
    let (network, shaft, _) = rig.plant_parts(rig.line_up_index("fill-terrace").unwrap());
    let plant = Plant::new(&network, &shaft, NoDrive, &rig.grid()).unwrap();
    let hose = element(&rig, "hose");
    for place in [Place::Pipe { element: hose, share: 0.5 }, Place::Node(rig.network.elements[hose].from)] {
        let head_m = plant.head_m(place);
        assert!((head_m - 8.3).abs() < 1e-12, "{place:?}: expected 8.3 m, got {head_m} m, tolerance 1e-12 m");
    }
}

#[test]
fn predicts_the_fill_of_the_terrace_tank_from_empty_with_both_levels() {
    let rig = bench();
    let prediction = predict(&rig, "fill-terrace", "contactor");
    let filling = Filling::of(&rig, &prediction).expect("it fills");
    let order = [filling.water_at_pump_s, filling.primed_s, filling.line_full_s].map(|at_s| at_s.expect("each comes"));
    assert!(order[0] < order[1] && order[1] < order[2], "{order:?}");
    let top = filling.surges.iter().find(|surge| surge.id == "p_valve_up").unwrap();
    assert!(top.surge_pa > 0.2e5, "the front meets the spout: {top:?}");
    let at_stop = |kind: EventKind| prediction.events.iter().any(|e| e.kind == kind && e.phase == Phase::Stop);
    assert!(at_stop(EventKind::HoseFlattened), "{:?}", prediction.events);
    assert!(!prediction.events.iter().any(|event| event.kind == EventKind::CavityOpened), "{:?}", prediction.events);
    let levels = Summary::of(&rig, &prediction).levels;
    let level = |tank: &str| levels.iter().find(|level| level.tank == tank).unwrap_or_else(|| panic!("{levels:?}"));
    let (sump, terrace) = (level("sump"), level("terrace"));
    let freeboard_m = terrace.freeboard_m.unwrap();
    assert!((freeboard_m - (9.0 - terrace.to_m)).abs() < 1e-6 && freeboard_m > 0.3, "{terrace:?}");
    let (drawn_m3, poured_m3) = (6.0 * (sump.from_m - sump.to_m), 1.2 * (terrace.to_m - terrace.from_m));
    let lines_m3 = 0.16;
    assert!(
        poured_m3 > 0.1 && (drawn_m3 - poured_m3 - lines_m3).abs() < MOVED_TOLERANCE * lines_m3,
        "drawn {drawn_m3} m3, poured {poured_m3} m3, lines hold about {lines_m3} m3"
    );
}

#[test]
fn fills_the_terrace_on_the_virtual_rig_and_compares_what_came() {
    let bench = Bench::with(20_261_125, &["--line-up", "fill-terrace", "--fast"]);
    let ended = bench.run(shipped("fill-terrace").unwrap(), "contactor").end();
    ended.expect(0);
    let recordings = bench.recordings(".h5");
    let recording = recordings[0].to_str().unwrap();
    let compared = run(["compare", "--json", recording]);
    compared.expect(0);
    let runs = compared.object()["runs"].as_array().unwrap().clone();
    assert_eq!((recordings.len(), runs.len()), (1, 1), "{recordings:?}, {runs:?}");
    let number = |key: &str| runs[0][key].as_f64().unwrap_or_else(|| panic!("{key} of {}", runs[0]));
    assert_eq!((&runs[0]["stop_outcome"], &runs[0]["frames_missing"]), (&"confirmed".into(), &0.into()), "{}", runs[0]);
    // an empty hose: the head comes seconds after the speed
    for rise_s in [number("rise_time_s"), number("rise_time_predicted_s")] {
        assert!(rise_s > 10.0 * number("acceleration_s"), "{}", runs[0]);
    }
    // the front meets the spout and the hose folds at the stop, on the bench as foretold
    for surge_pa in [number("start_surge_pa"), number("start_surge_predicted_pa")] {
        assert!(surge_pa > 0.05e5, "{}", runs[0]);
    }
    assert!(number("stop_trough_pa") < 0.0, "{}", runs[0]);
}

#[test]
fn predicts_that_a_return_beside_the_inlet_brings_air_until_the_pump_loses_its_prime() {
    let rig = bench();
    let prediction = predict(&rig, "splash-return", "drive");
    let at_s = |kind: EventKind| prediction.events.iter().find(|event| event.kind == kind).map(|e| e.after_mark_s);
    let (air_s, lost_s) =
        (at_s(EventKind::AirEnters).expect("air comes"), at_s(EventKind::PrimeLost).expect("is lost"));
    assert!(air_s < lost_s && lost_s < 30.0, "air at {air_s} s, prime lost at {lost_s} s");
}

#[test]
fn rejects_levels_and_falls_that_cannot_be() {
    let text = rig::shipped("terrace-bench").unwrap();
    for (from, to, words) in [
        ("terrace = \"8.3 m\" }", "terrace = \"9.3 m\" }", "up to the overflow, 9 m"),
        ("area = \"6 m2\" # matters where a line-up states its level\n", "", "whose area is not known"),
        ("into = \"terrace\"", "into = \"rim\"", "rim"),
        ("levels = { sump = \"0 m\" }", "levels = { sumpf = \"0 m\" }", "sumpf"),
    ] {
        assert!(text.contains(from), "{from}");
        let problems = parse(&text.replacen(from, to, 1), "bench.toml").unwrap_err().to_string();
        assert!(problems.contains(words) && problems.contains("bench.toml:"), "{to}: {problems}");
    }
}

#[test]
fn refuses_a_start_that_would_run_a_tank_over_and_foretells_it() {
    let shipped_text = rig::shipped("terrace-bench").unwrap();
    let levels = "levels = { sump = \"0 m\", terrace = \"8.3 m\" }";
    assert!(shipped_text.contains(levels));
    let text = shipped_text.replace(levels, "levels = { sump = \"0 m\", terrace = \"8.95 m\" }");
    let full = parse(&text, "t.toml").unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!(runs_over(&bench(), &predict(&bench(), "fill-terrace", "drive")), Vec::<String>::new());
    let foretold = predict(&full, "fill-terrace", "drive");
    let over = runs_over(&full, &foretold);
    assert!(
        over[0].starts_with("tank terrace stands at 8.95 m, 0.05 m under its rim, and is predicted to run over"),
        "{over:?}"
    );
    let told = Summary::of(&full, &foretold).warnings;
    assert!(told.iter().any(|line| line.contains("run over") && line.ends_with("(a start is refused)")), "{told:#?}");
    let bench = Bench::written(&text, &["--line-up", "fill-terrace", "--fast"]);
    let ended = bench.run(shipped("fill-terrace").unwrap(), "drive").end();
    ended.expect(2).says("is predicted to run over");
    assert!(bench.recordings(".h5").is_empty() && bench.recordings(".partial").is_empty(), "{}", ended.stderr);
}
