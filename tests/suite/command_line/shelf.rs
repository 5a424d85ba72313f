//! `list`, `show` and `export` on the demo's recordings.

use super::demo;
use crate::stand::peers;
use crate::stand::program::run;
use ramprig::comparison::evaluate;
use std::path::{Path, PathBuf};

fn recordings() -> Vec<String> {
    demo::runs().iter().map(|run| run["recording"].as_str().unwrap().to_owned()).collect()
}

#[test]
fn lists_what_is_asked_for_and_says_what_cannot_be_read() {
    let folder = tempfile::tempdir().unwrap();
    let recordings = recordings();
    for (k, recording) in recordings.iter().enumerate() {
        let below = folder.path().join(format!("day-{k}"));
        std::fs::create_dir(&below).unwrap();
        std::fs::copy(recording, below.join("run.h5")).unwrap();
    }
    let broken = folder.path().join("broken.h5");
    std::fs::write(&broken, b"no recording").unwrap();
    let place = folder.path().to_str().unwrap();
    let all = run(["list", place, "--json"]);
    all.expect(0);
    let object = all.object();
    assert_eq!(object["recordings"].as_array().unwrap().len(), recordings.len(), "{object}");
    assert_eq!(object["not_read"][0]["file"], broken.to_str().unwrap());
    for found in object["recordings"].as_array().unwrap() {
        assert_eq!(found["stop_outcome"], "confirmed", "{found}");
        assert_eq!((&found["state"], &found["virtual"]), (&"complete".into(), &true.into()), "{found}");
    }
    let drive = run(["list", place, "--starter", "variable speed", "--json"]).object();
    assert_eq!(drive["recordings"].as_array().unwrap().len(), 1, "{drive}");
    let day = object["recordings"][0]["started_utc"].as_str().unwrap()[..10].to_owned();
    let counted = |args: &[&str]| run(args).object()["recordings"].as_array().unwrap().len();
    assert_eq!(counted(&["list", place, "--from", &day, "--json"]), recordings.len());
    assert_eq!(counted(&["list", place, "--to", "2000-01-01", "--json"]), 0);
    assert_eq!(counted(&["list", place, "--rig", "another", "--json"]), 0);
    let text = run(["list", place]);
    assert!(text.stdout.contains("VIRTUAL") && text.stdout.contains("confirmed"), "{}", text.stdout);
    assert!(text.stderr.contains("broken.h5"), "{}", text.stderr);
    let nowhere = run(["list", "no-such-folder"]);
    nowhere.expect(2);
    assert!(nowhere.stderr.contains("no-such-folder"), "{}", nowhere.stderr);
}

#[test]
fn shows_a_recording_as_it_was_made() {
    let recording = recordings().remove(0);
    let shown = run(["show", &recording, "--json"]).object();
    let run_data = ramprig::recording::read(Path::new(&recording)).unwrap();
    assert_eq!(shown["channels"].as_array().unwrap().len(), run_data.channels.len());
    assert_eq!(shown["marks"].as_array().unwrap().len(), run_data.marks.len());
    assert_eq!(shown["metrics"]["start_surge_pa"], demo::runs()[0]["start_surge_pa"]);
    let text = run(["show", &recording]);
    text.expect(0);
    assert!(text.stdout.contains("attending: ") && text.stdout.contains("peak rate of rise"), "{}", text.stdout);
}

fn rows(path: &Path) -> Vec<Vec<String>> {
    let text = std::fs::read_to_string(path).unwrap();
    text.split_terminator("\r\n").map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

#[test]
fn law_an_exported_table_holds_every_sample_and_every_figure_of_the_recording() {
    let folder = tempfile::tempdir().unwrap();
    let recording = recordings().remove(2);
    let out = folder.path().to_str().unwrap();
    let exported = run(["export", &recording, "--out", out, "--json"]);
    exported.expect(0);
    let written: Vec<PathBuf> =
        exported.object()["written"].as_array().unwrap().iter().map(|path| path.as_str().unwrap().into()).collect();
    assert_eq!(written.len(), 4);
    let of = |name: &str| written.iter().find(|path| path.starts_with(folder.path().join(name))).unwrap();
    let data = ramprig::recording::read(Path::new(&recording)).unwrap();
    let samples = rows(of("samples"));
    assert_eq!(samples.len(), 1 + data.traces[0].values.len());
    for (k, trace) in data.traces.iter().enumerate() {
        for at in (0..trace.values.len()).step_by(997) {
            let found = &samples[1 + at][1 + k];
            let expected = trace.values[at];
            assert!(found.parse::<f64>().map_or(expected.is_nan(), |v| v == expected), "{found} for {expected}");
        }
    }
    let (cycles, result) = (rows(of("cycles")), evaluate(&data));
    let column = |name: &str| cycles[0].iter().position(|title| title == name).unwrap();
    let headline: Vec<&Vec<String>> = cycles.iter().filter(|row| row[column("headline")] == "true").collect();
    let surges: Vec<f64> = headline.iter().map(|row| row[column("start_surge_pa")].parse().unwrap()).collect();
    assert_eq!(surges, result.measured("start_surge"));
    assert!(headline.iter().all(|row| row[column("stop_outcome")] == "stop confirmed"), "{headline:?}");
    let predicted: usize = data.prediction.unwrap().segments.iter().map(|segment| segment.series[0].len()).sum();
    assert_eq!(rows(of("predicted")).len(), 1 + predicted);
    let again = run(["export", &recording, "--out", out]);
    again.expect(2);
    assert!(again.stderr.contains("another folder"), "{}", again.stderr);
}

#[test]
fn holds_runs_to_a_tolerance_about_the_prediction_or_another_run() {
    let recordings = recordings();
    let (contactor, drive) = (&recordings[0], &recordings[2]);
    let wide = run(["compare", contactor, "--tolerance", "1000%", "--json"]);
    wide.expect(0);
    assert_eq!(wide.object()["tolerance"]["within"], true);
    let narrow = run(["compare", contactor, "--tolerance", "0", "--guard", "0"]);
    let limits = |limit: &str| run(["compare", contactor, "--limit", limit, "--limit", "acceleration=1 h", "--json"]);
    let held = limits("start_surge=90 bar");
    held.expect(0);
    assert_eq!(held.object()["limits"]["held"].as_array().unwrap().len(), 2);
    limits("start_surge=1 Pa").expect(1);
    let wrong = run(["compare", contactor, "--limit", "surge=1 bar"]);
    wrong.expect(2);
    assert!(wrong.stderr.contains("start_surge"), "{}", wrong.stderr);
    // Noise passes; that the virtual rig is no more than noise from its prediction in every figure never happens.
    narrow.expect(1);
    assert!(narrow.stdout.contains("OUTSIDE"), "{}", narrow.stdout);
    run(["compare", contactor, "--tolerance", "0", "--guard", "0", "--against", contactor]).expect(0);
    // What is not known to be within is not within: the uncertainty reaches over a limit of nothing.
    let guarded = run(["compare", contactor, "--tolerance", "0", "--against", contactor]);
    guarded.expect(1);
    assert!(guarded.stdout.contains("OPEN") && guarded.stdout.contains("guard band"), "{}", guarded.stdout);
    run(["compare", contactor, "--tolerance", "5", "--guard", "2"]).expect(2);
    let other = run(["compare", drive, "--tolerance", "10", "--against", contactor, "--json"]);
    other.expect(1);
    let held = other.object()["tolerance"]["held"].as_array().unwrap().clone();
    let rate = held.iter().find(|held| held["key"] == "start_peak_rate_pa_s").unwrap();
    assert_eq!(rate["within"], false, "{rate}");
    run(["compare", contactor, "--tolerance", "-3"]).expect(2);
    run(["compare", contactor, "--against", drive]).expect(2);
}

/// Viewers of other people plot a recording unasked, and their tables read the exported ones.
#[test]
fn is_read_by_general_programs() {
    let recording = recordings().remove(2);
    let data = ramprig::recording::read(Path::new(&recording)).unwrap();
    let json = |output: std::process::Output| serde_json::from_slice::<serde_json::Value>(&output.stdout).unwrap();
    let plotted = json(peers::python("readers.py", "nexus", Path::new(&recording)));
    let headline = &data.channels[data.headline];
    assert_eq!(plotted["length"], plotted["axis_length"], "{plotted}");
    assert_eq!(plotted["signal"], headline.id.0, "{plotted}");
    assert_eq!(plotted["units"], "Pa", "{plotted}");
    let largest = data.traces[data.headline].values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let found = plotted["largest"].as_f64().unwrap();
    // The overview is stored in single precision.
    assert!((found - largest).abs() <= 1e-6 * largest.abs(), "{}: {found} for {largest}", headline.id);

    let dump = std::process::Command::new("h5dump").args(["-H", &recording]).output().unwrap();
    assert!(dump.status.success() && dump.stderr.is_empty(), "{}", String::from_utf8_lossy(&dump.stderr));
    let text = String::from_utf8_lossy(&dump.stdout);
    assert!(text.contains(&format!("DATASET \"{}\"", headline.id)) && text.contains("GROUP \"prediction\""));

    let folder = tempfile::tempdir().unwrap();
    let all = recordings();
    let mut args: Vec<&str> = vec!["export"];
    args.extend(all.iter().map(String::as_str));
    args.extend(["--out", folder.path().to_str().unwrap()]);
    run(args).expect(0);
    let tables = json(peers::python("readers.py", "tables", folder.path()));
    for kind in ["samples", "cycles", "events", "predicted"] {
        assert_eq!(tables[kind]["pandas_rows"], tables[kind]["duckdb_rows"], "{kind}: {tables}");
    }
    let frames: u64 = all.iter().map(|path| ramprig::recording::read(Path::new(path)).unwrap().frames).sum();
    assert_eq!(tables["samples"]["pandas_rows"], frames, "a row a sample");
    let result = evaluate(&data);
    let surge = tables["surge_by_starter"]["drive"].as_f64().unwrap();
    let expected = result.mean_measured("start_surge").unwrap();
    assert!((surge - expected).abs() < 1e-6 * expected.abs(), "{surge} for {expected}");
}
