//! The seed of the virtual rig and the numbers drawn from it are told to nobody: not in files, logs, arguments,
//! environment or pages of a run.

use super::demo::walk;
use crate::stand::bench::{Bench, rig_path};
use crate::stand::peers;
use crate::stand::processes::Process;
use crate::stand::program::{Program, command, run};
use crate::stand::sequences::Cycle;
use serde_json::Value;
use std::collections::HashMap;
use std::io::Write;
use std::path::Path;
use std::process::Stdio;

/// A seed that would be noticed: its digits occur nowhere by chance.
const SEED: u64 = 0x5EED_C0DE_1234_5679;
/// A drawn number with fewer digits than this could be found by chance.
const LEAST_DIGITS: usize = 12;

/// Every number of a JSON tree as it is written there.
fn numbers(value: &Value, found: &mut Vec<f64>) {
    match value {
        Value::Number(number) => found.extend(number.as_f64()),
        Value::Array(items) => items.iter().for_each(|item| numbers(item, found)),
        Value::Object(map) => map.values().for_each(|item| numbers(item, found)),
        _ => {}
    }
}

fn digits(number: f64) -> String {
    format!("{number:e}").split('e').next().unwrap().replace(['.', '-'], "")
}

/// What was drawn for this seed: the numbers of the truth file that neither the rig file nor anything made from it alone
/// has.
fn drawn(bench: &Bench) -> Vec<f64> {
    let path = bench.folder().join("truth.json");
    let mut teller =
        command(["virtual", "--seeded", "--controlled", "--modbus", "127.0.0.1:0", "--samples", "127.0.0.1:0"]);
    teller.arg(rig_path()).arg("--truth").arg(&path).stdin(Stdio::piped());
    let mut program = Program::start(&mut teller);
    let mut input = program.child.stdin.take().unwrap();
    writeln!(input, "seed {SEED}").unwrap();
    program.stdout.wait_for("ready");
    drop(input);
    program.end().expect(0);
    let truth: Value = serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
    std::fs::remove_file(&path).unwrap();
    let (network, shaft, starters) = bench.rig.plant_parts(0);
    let mut nominal = Vec::new();
    let known = [
        serde_json::to_value(&network).unwrap(),
        serde_json::to_value(shaft).unwrap(),
        serde_json::to_value(bench.rig.motor).unwrap(),
        serde_json::to_value(starters.len()).unwrap(),
    ];
    known.iter().for_each(|value| numbers(value, &mut nominal));
    let mut all = Vec::new();
    numbers(&truth, &mut all);
    all.retain(|number| !nominal.contains(number) && digits(*number).len() >= LEAST_DIGITS);
    all
}

/// Length of the beginnings by which secrets are looked up.
const KEY: usize = 8;

/// The places that hold a secret, each with the secret.
fn told(places: &[(String, Vec<u8>)], secrets: &[Vec<u8>]) -> Vec<String> {
    let mut by_key: HashMap<&[u8], Vec<&Vec<u8>>> = HashMap::new();
    for secret in secrets {
        by_key.entry(&secret[..KEY]).or_default().push(secret);
    }
    let mut found = Vec::new();
    for (place, bytes) in places {
        for (at, key) in bytes.windows(KEY).enumerate() {
            let held = by_key.get(key).into_iter().flatten().filter(|secret| bytes[at..].starts_with(secret));
            found.extend(held.map(|secret| format!("{place}: {:?}", String::from_utf8_lossy(secret))));
        }
    }
    found
}

fn secrets(drawn: &[f64]) -> Vec<Vec<u8>> {
    let mut secrets: Vec<Vec<u8>> = vec![
        SEED.to_string().into_bytes(),
        format!("{SEED:x}").into_bytes(),
        format!("{SEED:X}").into_bytes(),
        SEED.to_le_bytes().to_vec(),
        SEED.to_be_bytes().to_vec(),
        (SEED as f64).to_le_bytes().to_vec(),
    ];
    for number in drawn {
        secrets.push(number.to_le_bytes().to_vec());
        // As written by anything that rounds to twelve digits or more, wherever its decimal point is.
        secrets.push(digits(*number).as_bytes()[..LEAST_DIGITS].to_vec());
    }
    secrets
}

/// Text with the decimal points taken out, so that a number is found however it is scaled by ten.
fn pointless(bytes: &[u8]) -> Vec<u8> {
    bytes.iter().copied().filter(|byte| *byte != b'.').collect()
}

#[test]
fn tells_neither_seed_nor_truth_in_files_logs_arguments_or_pages() {
    let bench = Bench::with(SEED, &["--fast", "-vv"]);
    let mut args = bench.run_args(bench.wires(), &Cycle::brief_ramps().text(), "soft");
    args.extend(["--confirmed-by".into(), "virtual rig".into(), "-vv".into()]);
    let mut program = Program::start(&mut command(args));
    program.stderr.wait_for("watch it");
    let mut places = Vec::new();
    for (who, pid) in [("run", program.pid()), ("virtual rig", bench.program.pid())] {
        let process = Process::of(pid);
        let told = [process.arguments.join("\n"), process.environment.join("\n")].join("\n");
        places.push((format!("arguments and environment of {who}"), told.into_bytes()));
    }
    let ended = program.end();
    ended.expect(0);
    let recording = ended.object()["recording"].as_str().unwrap().to_owned();
    places.push(("output of run".into(), [ended.stdout, ended.stderr].join("\n").into_bytes()));
    let page = bench.out().join("page.html");
    for args in [vec!["compare", &recording, "--json"], vec!["report", &recording, "-o", page.to_str().unwrap()]] {
        let ended = run(&args);
        ended.expect(0);
        places.push((args[0].to_owned(), [ended.stdout, ended.stderr].join("\n").into_bytes()));
    }
    let expected = drawn(&bench);
    assert!(expected.len() > 50, "only {} numbers were drawn", expected.len());
    for path in walk(bench.folder()) {
        places.push((path.display().to_string(), std::fs::read(&path).unwrap()));
        if path.extension().is_some_and(|extension| extension == "h5") {
            let inside = peers::python("h5_bytes.py", "all", Path::new(&path)).stdout;
            let shown = told(&[(String::new(), inside.clone())], &[b"terrace-bench".to_vec()]);
            assert!(!shown.is_empty(), "h5_bytes.py shows the file");
            places.push((format!("inside {}", path.display()), inside));
        }
    }
    let virtual_log = bench.end();
    assert!(!virtual_log.stderr.is_empty(), "the virtual rig logs at -vv");
    places.push(("output of the virtual rig".into(), [virtual_log.stdout, virtual_log.stderr].join("\n").into_bytes()));
    let plain: Vec<_> = places.iter().map(|(place, bytes)| (place.clone(), pointless(bytes))).collect();
    places.extend(plain);
    let found = told(&places, &secrets(&expected));
    assert!(found.is_empty(), "{found:#?}");
}

/// The search above finds what is there.
#[test]
fn law_the_search_finds_what_is_hidden() {
    let number = -0.012_345_678_901_234_5;
    let text = format!("x {} y", number * 1e3);
    let places =
        [("text".to_owned(), pointless(text.as_bytes())), ("raw".to_owned(), f64::to_le_bytes(number).to_vec())];
    assert_eq!(told(&places, &secrets(&[number])).len(), 2);
    assert!(told(&[("seed".into(), format!("0x{SEED:X}").into_bytes())], &secrets(&[])).len() == 1);
}
