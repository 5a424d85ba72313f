//! The computer's date jumps while a run is on: by more than a year ahead, then a day back, every two seconds. Nothing that
//! matters goes by the date.

use crate::stand::bench::Bench;
use crate::stand::program::{Program, command, run};
use crate::stand::sequences::Cycle;
use std::path::PathBuf;
use std::process::Command;

/// The virtual rig's own torque and inertia are up to some 10 % off the rig file's; a date that counted would be off by hours.
const APART: f64 = 0.2;

fn today() -> String {
    String::from_utf8(Command::new("date").args(["-u", "+%F"]).output().unwrap().stdout).unwrap().trim().to_owned()
}

/// The library that makes the date jump, built here from its source.
fn library() -> PathBuf {
    let source = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/peers/clock_jump.c");
    let library = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("clock_jump.so");
    let compiler = std::env::var("CC").unwrap_or_else(|_| "cc".to_owned());
    let made =
        Command::new(compiler).args(["-O2", "-Wall", "-shared", "-fPIC", "-o"]).arg(&library).arg(source).status();
    assert!(made.expect("a C compiler").success(), "the library does not build: run tests/peers/install");
    library
}

#[test]
fn runs_as_ever_while_the_date_jumps_ahead_and_back() {
    let library = library();
    let bench = Bench::real_time();
    let mut args = bench.run_args(bench.wires(), &Cycle::brief_ramps().text(), "drive");
    args.extend(["--confirmed-by".into(), "virtual rig".into()]);
    let jumping = |args: &[String]| {
        let mut command = command(args);
        command.env("LD_PRELOAD", &library).env("CLOCK_JUMP_AFTER", "1");
        Program::start(&mut command).end()
    };
    // Two processes one after the other: the second finds files whose dates say anything.
    let ledger = || -> serde_json::Value {
        let path = bench.state().join(format!("{}.duty.json", bench.rig.id));
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
    };
    for round in 0..2 {
        let ended = jumping(&args);
        ended.expect(0);
        assert!(ended.object().to_string().contains("confirmed"), "round {round}: {}", ended.stdout);
        // A day behind, or 400 ahead.
        let saved = ledger()["saved_utc"].as_str().unwrap().to_owned();
        assert!(!saved.starts_with(&today()), "the program saw no jump: {saved}");
    }
    let ages_s = ledger()["histories"]["motor"]["start_ages_s"].clone();
    let (first_s, second_s) = (ages_s[0].as_f64().unwrap(), ages_s[1].as_f64().unwrap());
    let rest_s = bench.rig.motor_duty.rest_s;
    assert!(first_s - second_s >= rest_s, "starts {first_s} s and {second_s} s ago, a rest of {rest_s} s between them");
    let mut recordings: Vec<String> =
        bench.recordings(".h5").iter().map(|path| path.to_str().unwrap().to_owned()).collect();
    recordings.sort();
    assert_eq!(recordings.len(), 2, "{recordings:?}");
    let mut compare = vec!["compare".to_owned(), "--json".to_owned()];
    compare.extend(recordings.clone());
    let compared = run(compare);
    compared.expect(0);
    for found in compared.object()["runs"].as_array().unwrap() {
        assert_eq!((&found["stop_outcome"], &found["frames_missing"]), (&"confirmed".into(), &0.into()), "{found}");
        let number = |key: &str| found[key].as_f64().unwrap_or_else(|| panic!("{key} of {found}"));
        let (took_s, foretold_s) = (number("acceleration_s"), number("acceleration_predicted_s"));
        assert!((took_s - foretold_s).abs() < APART * foretold_s, "{took_s} s, foretold {foretold_s} s");
    }
    let verified = run(["verify", &recordings[0], &recordings[1]]);
    verified.expect(0);
}
