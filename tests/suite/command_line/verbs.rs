//! Verbs that need no rig: exit codes, and with `--json` one object on standard output and nothing else.

use super::demo;
use crate::stand::bench::{Bench, rig_path};
use crate::stand::program::{Ended, Program, command, run};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Stdio;

fn sequence_path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs/sequences/three-starters.toml")
}

fn fixture(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/rigs").join(name).display().to_string()
}

/// Code 2, words on standard error, nothing for machines.
#[track_caller]
fn refused(ended: &Ended, words: &str) {
    ended.expect(2).says(words);
    assert_eq!(ended.stdout, "");
    assert!(!ended.stderr.contains("panicked"), "{}", ended.stderr);
}

fn finite(value: &Value) -> bool {
    match value {
        Value::Number(number) => number.as_f64().is_some_and(f64::is_finite),
        Value::Array(items) => items.iter().all(finite),
        Value::Object(map) => map.values().all(finite),
        _ => true,
    }
}

#[test]
fn explains_itself_and_refuses_what_it_does_not_know() {
    let help = run(["--help"]);
    help.expect(0);
    for words in ["not an", "emergency stop", "lock-out", "Exit codes", "demo", "recover"] {
        assert!(help.stdout.contains(words), "--help lacks {words:?}:\n{}", help.stdout);
    }
    assert!(run(["--version"]).expect(0).stdout.starts_with("ramprig "));
    refused(&run([] as [&str; 0]), "Usage");
    refused(&run(["dance"]), "dance");
    refused(&run(["check"]), "<RIG>");
    refused(&run(["demo", "--json", "--watch"]), "--watch");
    refused(&run(["check", rig_path().to_str().unwrap(), "--units", "furlong"]), "furlong");
}

#[test]
fn init_writes_a_file_that_check_accepts_and_never_overwrites() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    let file = path.to_str().unwrap();
    let answers = ["--answer", "id=hill", "--answer", "static_head=7.5 m", "--answer", "material=pvc"];
    let wrote = Program::start(command(["init", file, "--json"]).args(answers)).end();
    wrote.expect(0);
    assert_eq!(wrote.object()["rig"], file);
    let text = std::fs::read_to_string(&path).unwrap();
    let checked = run(["check", file, "--json"]);
    checked.expect(0);
    assert_eq!(checked.object()["rig"], "hill");
    refused(&run(["init", file, "--assume"]), "not overwritten");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
    let other = folder.path().join("other.toml");
    let other = other.to_str().unwrap();
    refused(&run(["init", other, "--answer", "bore=65"]), "bore");
    refused(&run(["init", other, "--answer", "colour=blue"]), "no such question");
    refused(&run(["init", other, "--answer", "bore"]), "KEY=VALUE");
    refused(&run(["init", folder.path().join("no/such.toml").to_str().unwrap(), "--assume"]), "no/such.toml");
    assert!(!Path::new(other).exists());
    let asked = Program::start(command(["init", other]).stdin(Stdio::null())).end();
    refused(&asked, "no terminal");
}

#[test]
fn init_to_standard_output_is_the_file_or_with_json_an_object() {
    let plain = run(["init", "-", "--assume"]);
    plain.expect(0);
    ramprig::rig::parse(&plain.stdout, "-").unwrap_or_else(|problems| panic!("{problems}"));
    let object = run(["init", "-", "--assume", "--json"]);
    object.expect(0);
    assert_eq!(object.object()["rig_text"].as_str().unwrap().trim_end(), plain.stdout.trim_end());
}

#[test]
fn check_reports_figures_or_every_problem_at_once() {
    let rig = rig_path();
    let rig = rig.to_str().unwrap();
    let figures = run(["check", rig, "--json"]);
    figures.expect(0);
    let object = figures.object();
    let text = std::fs::read_to_string(rig).unwrap();
    let lines = text.lines().filter(|line| matches!(*line, "[[pipe]]" | "[[hose]]")).count();
    assert!(finite(&object) && object["pipes"].as_array().unwrap().len() == lines, "{object}");
    let text = run(["check", rig]);
    text.expect(0);
    assert!(text.stdout.contains("INVENTED") && text.stdout.contains("Worst stop delay"), "{}", text.stdout);
    let us = run(["check", rig, "--units", "us"]);
    assert!(us.expect(0).stdout.contains("ft"), "{}", us.stdout);
    for verb in ["check", "predict", "serve", "run", "virtual"] {
        let mut args = vec![verb.to_owned(), fixture("twelve-mistakes.toml")];
        if matches!(verb, "predict" | "run") {
            args.push(sequence_path().display().to_string());
        }
        args.push("--json".to_owned());
        let ended = run(&args);
        refused(&ended, "twelve-mistakes.toml:");
        let problems = ended.stderr.matches("; allowed ").count();
        assert_eq!(problems, 12, "{verb}: {}", ended.stderr);
    }
    refused(&run(["check", "no/such/rig.toml", "--json"]), "no/such/rig.toml");
    refused(&run(["check", "/", "--json"]), "/");
}

#[test]
fn predict_gives_figures_of_every_channel_and_the_series() {
    let folder = tempfile::tempdir().unwrap();
    let csv = folder.path().join("series.csv");
    let (rig, sequence) = (rig_path(), sequence_path());
    let plain = [Path::new("predict"), &rig, &sequence];
    let predicted = Program::start(command(plain).args(["--starter", "contactor", "--json", "--csv"]).arg(&csv)).end();
    predicted.expect(0);
    let object = predicted.object();
    assert!(finite(&object), "{object}");
    assert!(object["acceleration_s"].as_f64().unwrap() > 0.0);
    assert!(object["made_with"].is_object());
    for channel in ["p_suction", "p_discharge", "p_valve_up", "p_valve_down", "p_hose_mid", "p_hose_end"] {
        let figures = &object["channels"][channel];
        let of = |key: &str| figures[key].as_f64().unwrap_or_else(|| panic!("{key} of {channel}: {figures}"));
        assert!(of("minimum_pa") <= of("steady_pa") && of("steady_pa") <= of("maximum_pa"), "{channel}: {figures}");
        assert!(of("maximum_at_s") >= 0.0);
    }
    let series = std::fs::read_to_string(&csv).unwrap();
    let rows: Vec<Vec<&str>> = series.lines().map(|line| line.split(',').collect()).collect();
    assert!(rows.len() > 1000 && rows.iter().all(|row| row.len() == rows[0].len()), "{} rows", rows.len());
    let again = Program::start(command(plain).args(["--starter", "contactor", "--json"])).end();
    assert_eq!(again.object()["channels"], object["channels"], "the same inputs give the same prediction");
    refused(&Program::start(command(plain).args(["--starter", "winch", "--json"])).end(), "contactor, soft, drive");
    let unwritable = Program::start(command(plain).args(["--csv", "/proc/x/series.csv", "--json"])).end();
    refused(&unwritable, "/proc/x/series.csv");
    refused(&run([Path::new("predict"), &rig, Path::new("no/such.toml")]), "no/such.toml");
    refused(&run([Path::new("predict"), &rig, &rig]), "terrace-bench.toml:");
}

#[test]
fn compare_and_report_tell_the_same_of_recordings_as_the_demo_did() {
    let demo = demo::demo();
    let recordings: Vec<String> =
        demo::runs().iter().map(|run| run["recording"].as_str().unwrap().to_owned()).collect();
    let compared = Program::start(command(["compare", "--json"]).args(&recordings)).end();
    compared.expect(0);
    assert_eq!(compared.object()["runs"], demo.ended.object()["runs"]);
    let table = Program::start(command(["compare"]).args(&recordings)).end();
    table.expect(0);
    assert!(table.stdout.contains("VIRTUAL"), "{}", table.stdout);
    for starter in ["across", "soft", "variable"] {
        assert!(table.stdout.contains(starter), "the table lacks {starter}:\n{}", table.stdout);
    }
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("page.html");
    let reported = Program::start(command(["report", "--json"]).args(&recordings).arg("-o").arg(&page)).end();
    reported.expect(0);
    assert_eq!(reported.object()["report"], page.to_str().unwrap());
    assert!(std::fs::read_to_string(&page).unwrap().contains("VIRTUAL"));
    let nowhere =
        Program::start(command(["report", &recordings[0], "-o", "/proc/x.html", "--json"]).args([] as [&str; 0])).end();
    refused(&nowhere, "/proc/x.html");
    if cfg!(not(feature = "pdf")) {
        refused(&run(["report", &recordings[0], "--pdf", "--json"]), "--features pdf");
    }
    refused(&run(["report", &recordings[0], "--paper", "letter"]), "--pdf");
}

#[test]
fn rejects_files_that_are_no_recordings_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path.display().to_string()
    };
    let text = write("text.h5", b"not a recording");
    let empty = write("empty.h5", b"");
    let partial = write("text.h5.partial", b"not a recording");
    for file in [&text, &empty, "no/such.h5", "/"] {
        for verb in ["compare", "report"] {
            refused(&run([verb, file, "--json"]), file);
        }
    }
    for file in [&text, &partial, "no/such.h5.partial", "/"] {
        refused(&run(["recover", file, "--json"]), file);
    }
    assert_eq!(std::fs::read(&partial).unwrap(), b"not a recording", "what cannot be recovered stays as it was");
    assert!(!Path::new("report.html").exists(), "nothing is written for a refusal");
}

#[test]
fn watch_refuses_without_a_terminal_and_without_a_daemon() {
    refused(&run(["watch", "--at", "127.0.0.1:9"]), "127.0.0.1:9");
    refused(&run(["watch"]), "watch what?");
    let folder = tempfile::tempdir().unwrap();
    let demo = Program::start(command(["demo", "--watch", "--out"]).arg(folder.path().join("d")).stdin(Stdio::null()));
    refused(&demo.end(), "terminal");
    assert!(!folder.path().join("d").exists(), "refused before anything is written");
}

#[test]
fn takes_a_shipped_rig_and_sequence_by_name_and_says_which_there_are() {
    run(["predict", "terrace-bench", "quiet-cycle", "--starter", "contactor", "--band", "0"]).expect(0);
    let unknown = run(["predict", "terrace-bench", "two-cycles", "--starter", "contactor"]);
    unknown.expect(2).says("lesson-priming");
}

/// A cable that is out is named: the link with what hangs on it, or the sample source.
#[test]
fn names_the_cable_that_is_out() {
    let bench = Bench::real_time();
    // A port that nobody listens on.
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let state = bench.state().display().to_string();
    let out = bench.out().display().to_string();
    let with = |modbus: std::net::SocketAddr, samples: std::net::SocketAddr| {
        let (link, samples) = (format!("bench={modbus}"), samples.to_string());
        run([
            "run",
            "terrace-bench",
            "quiet-cycle",
            "--starter",
            "drive",
            "--attending",
            "A. Tester",
            "--link",
            &link,
            "--samples-at",
            &samples,
            "--state-dir",
            &state,
            "--out",
            &out,
        ])
    };
    with(bench.ready.modbus, free).expect(2).says("address` of [source]");
    with(free, bench.ready.samples).expect(2).says("link `bench` (contactor, soft, drive, bench-unit)");
}
