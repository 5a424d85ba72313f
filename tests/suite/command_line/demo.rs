//! `demo --fast`: the whole way, and what it promises to machines.

use crate::stand::peers;
use crate::stand::processes::Process;
use crate::stand::program::{Ended, Program, command};
use crate::stand::witness::Witness;
use serde_json::Value;
use std::path::Path;
use std::sync::OnceLock;
use tempfile::TempDir;

/// Keys of a run that carry a number (gauge, SI, mean of cycles, headline channel).
const NUMBERS: [&str; 9] = [
    "prediction_made_before_start_s",
    "start_surge_pa",
    "start_surge_predicted_pa",
    "start_peak_rate_pa_s",
    "start_peak_rate_predicted_pa_s",
    "stop_trough_pa",
    "rise_time_s",
    "acceleration_s",
    "rmse_pa",
];
const KINDS: [&str; 3] = ["across-the-line", "soft-starter", "variable-speed"];

/// One demo for all tests here.
pub struct Demo {
    pub folder: TempDir,
    pub ended: Ended,
    /// The virtual rig's command line and environment.
    child: Process,
    /// Most outputs ever on at once, as the virtual rig said while the last run was on its way.
    most_on: u16,
}

pub fn demo() -> &'static Demo {
    static DEMO: OnceLock<Demo> = OnceLock::new();
    DEMO.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let mut program = Program::start(command(["demo", "--fast", "--json", "--out"]).arg(folder.path()));
        program.stderr.wait_for("watch it");
        let child = Process::only_child_of(program.pid());
        let rig = ramprig::rig::load(&crate::stand::bench::rig_path()).unwrap_or_else(|problems| panic!("{problems}"));
        // The bus is the first listener that it opens.
        let witness = Witness::of(child.listeners()[0], &rig);
        program.stderr.wait_for("run 3 of 3");
        witness.wait_on();
        let most_on = witness.most_on();
        let ended = program.end();
        ended.expect(0);
        Demo { ended, folder, child, most_on }
    })
}

pub fn runs() -> Vec<Value> {
    demo().ended.object()["runs"].as_array().unwrap().clone()
}

fn number(run: &Value, key: &str) -> f64 {
    run[key].as_f64().unwrap_or_else(|| panic!("{key} of {run} is no number"))
}

#[test]
fn says_one_object_with_a_run_for_each_kind_of_starter() {
    let runs = runs();
    let kinds: Vec<&str> = runs.iter().map(|run| run["starter_kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, KINDS);
    for run in &runs {
        assert_eq!((&run["cycles"], &run["frames_missing"]), (&2.into(), &0.into()), "{run}");
        assert_eq!(run["stop_outcome"], "confirmed");
        assert!(run["frames"].as_u64().unwrap() > 0);
        for key in NUMBERS {
            assert!(number(run, key).is_finite(), "{key} of {run}");
        }
        assert!(number(run, "prediction_made_before_start_s") > 0.0, "{run}");
    }
}

#[test]
fn never_predicts_exactly_what_it_measures() {
    for run in runs() {
        // A figure that no channel of the bench shows is null; a shaft that never turns back does so in both.
        let known = |key: &str| run[key].as_f64().filter(|value| *value != 0.0);
        let pairs: Vec<(f64, f64, String)> = run
            .as_object()
            .unwrap()
            .keys()
            .filter_map(|key| Some((key, key.replacen("_predicted", "", 1))).filter(|(a, b)| *a != b))
            .filter_map(|(predicted, measured)| Some((known(predicted)?, known(&measured)?, measured)))
            .collect();
        assert!(pairs.len() >= 6, "{run}");
        for (predicted, measured, key) in pairs {
            assert_ne!(predicted, measured, "{key} of {}", run["starter_kind"]);
        }
    }
}

#[test]
fn orders_the_methods_of_starting_as_the_trade_expects_at_shipped_settings() {
    let runs = runs();
    for suffix in ["", "_predicted"] {
        let of = |key: &str, unit: &str| -> Vec<f64> {
            runs.iter().map(|run| number(run, &format!("{key}{suffix}_{unit}"))).collect()
        };
        let rate = of("start_peak_rate", "pa_s");
        assert!(rate[0] > rate[1] && rate[1] > rate[2], "peak rate{suffix} of {KINDS:?}: {rate:?} Pa/s");
        let surge = of("start_surge", "pa");
        assert!(surge[0] > surge[2], "start surge{suffix} of {KINDS:?}: {surge:?} Pa");
    }
}

#[test]
fn keeps_closed_recordings_that_h5py_reads_with_the_prediction_stored_before_the_first_start() {
    for run in runs() {
        let path = run["recording"].as_str().unwrap();
        assert!(Path::new(path).starts_with(demo().folder.path()), "{path}");
        let found = peers::h5py_reads(Path::new(path));
        assert_eq!((&found["complete"], &found["virtual"]), (&true.into(), &true.into()), "{path}");
        assert_eq!(found["rows"][0], run["frames"], "{path}");
        let stored_s = found["stored_rig_s"][0].as_f64().unwrap();
        let marks = found["marks"].as_array().unwrap();
        let start_s = marks.iter().find(|mark| mark[0] == "start").unwrap()[2].as_f64().unwrap();
        let before_s = number(&run, "prediction_made_before_start_s");
        assert!(stored_s < start_s, "prediction stored at {stored_s} s, first start at {start_s} s of rig time");
        assert!((start_s - stored_s - before_s).abs() < 1e-6, "says {before_s} s, is {} s", start_s - stored_s);
        assert!(found["predicted_rows"].as_u64().unwrap() > 0);
        let band = found["band_rows"].as_array().unwrap();
        assert!(!band.is_empty() && band.iter().all(|rows| *rows == found["predicted_rows"]), "{path}: {band:?}");
        assert_eq!(found["band_holds_prediction"], true, "{path}");
        let share = number(&run, "share_in_band");
        assert!(share > 0.3 && share <= 1.0, "{path}: {share} of the measured trace inside the band");
    }
    let left: Vec<_> = walk(demo().folder.path()).into_iter().filter(|p| !settled_name(p)).collect();
    assert!(left.is_empty(), "left behind: {left:?}");
}

fn settled_name(path: &Path) -> bool {
    ["partial", "closing", "recovering"].iter().all(|ending| path.extension().is_none_or(|found| found != *ending))
}

pub fn walk(folder: &Path) -> Vec<std::path::PathBuf> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { files.extend(walk(&path)) } else { files.push(path) }
    }
    files
}

#[test]
fn writes_a_self_contained_report_that_says_virtual() {
    let object = demo().ended.object();
    let path = object["report"].as_str().unwrap();
    let page = std::fs::read_to_string(path).unwrap();
    assert!(page.starts_with("<!doctype html>") && page.contains("</html>"));
    assert!(page.contains("VIRTUAL") && page.contains("<svg"));
    // Whatever a browser would fetch comes by one of these; a name space of SVG is a name and not fetched.
    for fetching in ["src=", "href=\"http", "@import", "url(", "<link", "<script", "<iframe", "<object"] {
        assert!(!page.contains(fetching), "the page fetches something: {fetching}");
    }
    for words in ["ramp up as set, s", "acceleration as measured, s", "<h2>Links</h2>"] {
        assert!(page.contains(words), "{words} in the report");
    }
    assert_eq!(page.matches("Shaded behind them: band of").count(), 2 * KINDS.len(), "a band about each prediction");
    for run in runs() {
        let name = Path::new(run["recording"].as_str().unwrap()).file_name().unwrap().to_str().unwrap().to_owned();
        assert!(page.contains(&name), "the page does not name {name}");
    }
}

#[test]
fn never_has_two_outputs_on_at_once() {
    assert_eq!(demo().most_on, 1, "most outputs on at once, as the virtual rig says");
}

#[test]
fn gives_no_seed_to_the_virtual_rig_by_argument_or_environment() {
    let child = &demo().child;
    assert!(child.arguments.iter().any(|argument| argument == "virtual"), "{:?}", child.arguments);
    let told = [child.arguments.join(" "), child.environment.join(" ")].join(" ").to_lowercase();
    let own = std::env::vars().map(|(name, value)| format!("{name}={value}").to_lowercase()).collect::<Vec<_>>();
    for word in ["--seed", "--truth", "ramprig_seed", "truth="] {
        assert!(!told.contains(word) || own.iter().any(|line| line.contains(word)), "{word} in {told}");
    }
}

#[test]
fn ends_its_virtual_rig_and_frees_its_folder() {
    let demo = demo();
    assert!(!demo.child.still_runs(), "the virtual rig outlived the demo");
    let owner = ramprig::daemon::owner::current_owner(&demo.folder.path().join("state"), "terrace-bench");
    assert_eq!(owner, None);
}
