//! The JSON Schema of rig files against the reader and against a validator of other people's.

use crate::fieldbus::peers;
use crate::stand::bench::{difference_rig_text, serial_rig_text};
use ramprig::rig::parse;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn schema_path() -> PathBuf {
    root().join("rig-configs/schema/rig.schema.json")
}

/// Shipped rigs and rigs of tests, all of them right.
fn right() -> Vec<(String, String)> {
    let shipped =
        ["terrace-bench", "fill-bench", "coil-loop", "rising-main", "guarded-main", "controlled-main", "lift-station"];
    let mut texts: Vec<(String, String)> =
        shipped.map(|name| (name.to_owned(), ramprig::rig::shipped(name).unwrap().to_owned())).into();
    texts.push(("serial".to_owned(), serial_rig_text()));
    texts.push(("difference".to_owned(), difference_rig_text()));
    let splash = root().join("tests/fixtures/rigs/splash-bench.toml");
    texts.push(("splash-bench".to_owned(), std::fs::read_to_string(splash).unwrap()));
    texts
}

/// What the validator says of each text.
fn complaints(texts: &[(String, String)]) -> BTreeMap<String, Vec<String>> {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(format!("{name}.toml"));
    texts.iter().for_each(|(name, text)| std::fs::write(path(name), text).unwrap());
    let mut check = std::process::Command::new(peers::python());
    check.arg(root().join("tests/peers/schema_check.py")).arg(schema_path());
    let output = check.args(texts.iter().map(|(name, _)| path(name))).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let found: BTreeMap<String, Vec<String>> = serde_json::from_slice(&output.stdout).unwrap();
    let name_of = |file: &str| Path::new(file).file_stem().unwrap().to_str().unwrap().to_owned();
    found.into_iter().map(|(file, said)| (name_of(&file), said)).collect()
}

#[test]
fn agrees_with_jsonschema_that_the_shipped_rigs_are_right_and_each_mistake_is_none() {
    for (name, said) in complaints(&right()) {
        assert!(said.is_empty(), "{name}: {said:?}");
    }
    // Mistakes that a schema can see, one a file.
    let mistakes = [
        ("kind = \"soft-starter\"", "kind = \"softer-starter\""),
        ("quantity = \"gauge-pressure\"", "quantity = \"pressure\""),
        ("bandwidth = \"2 kHz\"", "band_width = \"2 kHz\""),
        ("filter_class = 180", "filter_class = \"180\""),
        ("input = 0", "input = 64"),
        ("range = [\"-1 barg\", \"3 barg\"]", "range = [\"-1 barg\"]"),
        ("emergency_stop_proven = \"2026-11-02\"", "emergency_stop_proven = \"last week\""),
        ("[transfer]", "[transferred]"),
        ("id = \"p_suction\"", "id = \"P suction\""),
    ];
    let text = ramprig::rig::shipped("terrace-bench").unwrap();
    let wrong: Vec<(String, String)> = mistakes
        .iter()
        .enumerate()
        .map(|(number, (was, is))| {
            let changed = text.replacen(was, is, 1);
            assert!(changed != text && parse(&changed, "rig.toml").is_err(), "{is} was accepted");
            (number.to_string(), changed)
        })
        .collect();
    let said = complaints(&wrong);
    for (number, mistake) in mistakes.iter().enumerate() {
        assert!(!said[&number.to_string()].is_empty(), "the schema lets {mistake:?} pass");
    }
}

/// Keys of each table that the reader asks for, by what it answers to a key that it does not know.
fn asked() -> BTreeMap<String, BTreeSet<String>> {
    let mut asked: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (name, text) in right() {
        let mut tables = Vec::new();
        let with_unknown: String = text
            .lines()
            .map(|line| {
                let table = line.trim().trim_start_matches('[').split(']').next().unwrap_or_default();
                if !line.starts_with('[') || table.contains('.') {
                    return format!("{line}\n");
                }
                tables.push(table.to_owned());
                format!("{line}\nzz_unknown = \"1 m\"\n")
            })
            .collect();
        let problems = parse(&with_unknown, &name).unwrap_err();
        for problem in problems.0.iter().filter(|problem| problem.found == "the unknown key \"zz_unknown\"") {
            let table = problem.key_path.split(['[', '.']).next().unwrap_or_default().to_owned();
            let keys = problem.allowed.strip_prefix("the keys ").unwrap_or_default();
            asked.entry(table).or_default().extend(keys.split(", ").map(str::to_owned));
        }
    }
    asked
}

/// Asked for only to be refused with a reason: what a hose has and a pipe has not.
fn refused(table: &str, key: &str) -> bool {
    let of_hoses = ["lay_flat", "rounding_pressure", "slack", "slack_pressure", "kink", "kink_at", "kink_pressure"];
    table == "pipe" && of_hoses.contains(&key)
}

#[test]
fn the_schema_has_every_key_that_the_reader_asks_for_and_no_table_more() {
    let schema: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(schema_path()).unwrap()).unwrap();
    let known = |table: &str| -> BTreeSet<String> {
        let entry = &schema["properties"][table];
        let entry = if entry["type"] == "array" { &entry["items"] } else { entry };
        entry["properties"].as_object().map(|keys| keys.keys().cloned().collect()).unwrap_or_default()
    };
    let asked = asked();
    assert!(asked.len() > 20, "tables that were read: {:?}", asked.keys());
    let mut lacks = Vec::new();
    for (table, keys) in &asked {
        let known = known(table);
        let missing: Vec<&String> = keys.difference(&known).filter(|key| !refused(table, key)).collect();
        if !missing.is_empty() {
            lacks.push(format!("[{table}]: {missing:?}"));
        }
        let never: Vec<&String> = known.difference(keys).collect();
        println!("[{table}]: {} keys; in the schema and not asked for in these rigs: {never:?}", keys.len());
    }
    assert!(lacks.is_empty(), "the schema lacks {lacks:#?}");
    let root_keys = parse("zz_unknown = 1\n", "rig.toml").unwrap_err();
    let unknown = root_keys.0.iter().find(|problem| problem.found.contains("zz_unknown")).expect("the root's keys");
    let tables: BTreeSet<&str> = unknown.allowed.strip_prefix("the keys ").unwrap().split(", ").collect();
    let described: BTreeSet<&str> = schema["properties"].as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(described, tables, "tables of a rig file");
}
