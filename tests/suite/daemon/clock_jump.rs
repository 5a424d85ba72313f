//! The computer's date jumps while a run is on: by more than a year ahead, then a day back, every two seconds. Nothing that
//! matters goes by the date.

use crate::stand::bench::Bench;
use crate::stand::program::{Program, command, run};
use crate::stand::sequences::Cycle;
use std::path::PathBuf;
use std::process::Command;

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
    let years = |jumps: bool| {
        let mut date = Command::new("date");
        date.arg("+%Y");
        if jumps {
            date.env("LD_PRELOAD", &library);
        }
        String::from_utf8(date.output().unwrap().stdout).unwrap().trim().parse::<i64>().unwrap()
    };
    assert!(years(true) > years(false), "the library does what it is for");

    let bench = Bench::real_time();
    let mut args = bench.run_args(bench.wires(), &Cycle::brief_ramps().text(), "drive");
    args.extend(["--confirmed-by".into(), "virtual rig".into()]);
    let jumping = |args: &[String]| {
        let mut command = command(args);
        command.env("LD_PRELOAD", &library).env("CLOCK_JUMP_AFTER", "1");
        Program::start(&mut command).end()
    };
    // Two processes one after the other: the second finds files whose dates say anything.
    for round in 0..2 {
        let ended = jumping(&args);
        ended.expect(0);
        assert!(ended.object().to_string().contains("confirmed"), "round {round}: {}", ended.stdout);
    }
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
        assert!((took_s - foretold_s).abs() < 0.2 * foretold_s, "{took_s} s, foretold {foretold_s} s");
    }
    let verified = run(["verify", &recordings[0], &recordings[1]]);
    verified.expect(0);
}
