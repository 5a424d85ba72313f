//! The table of published cases in `DEVELOPERS.md`, made from what the last run of `--test validation` wrote.
//!
//! `cargo test` runs the validation tests before this one. To renew the table after cases were added:
//! `cargo test --test validation && RENEW_TABLE=1 cargo test --test validation_table`.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout, missing_docs, reason = "tests")]

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

const BEGINS: &str = "<!-- table of validation.json -->\n";
const ENDS: &str = "<!-- end of table -->\n";
const RENEW: &str = "cargo test --test validation && RENEW_TABLE=1 cargo test --test validation_table";

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_path_buf()
}

fn target() -> PathBuf {
    std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| root().join("target"), PathBuf::from)
}

/// What one case file came to.
#[derive(Default)]
struct Topic {
    cases: BTreeSet<String>,
    figures: usize,
    advisory: usize,
    within: usize,
}

fn topics(rows: &[Value]) -> BTreeMap<String, Topic> {
    let mut topics: BTreeMap<String, Topic> = BTreeMap::new();
    for row in rows {
        let text = |key: &str| row[key].as_str().unwrap_or_else(|| panic!("a row without {key}: {row}")).to_owned();
        let topic = topics.entry(text("topic")).or_default();
        topic.cases.insert(text("case"));
        if row["advisory"].as_bool().unwrap() {
            topic.advisory += 1;
        } else {
            topic.figures += 1;
            topic.within += usize::from(row["pass"].as_bool().unwrap());
        }
    }
    topics
}

/// Cases that the file of a topic holds.
fn cases_of(topic: &str) -> usize {
    let folders = ["check-values", "second-solutions"].map(|name| root().join("tests/fixtures").join(name));
    let file = folders.iter().map(|folder| folder.join(format!("{topic}.toml"))).find(|file| file.exists());
    let file = file.unwrap_or_else(|| panic!("no case file for {topic}"));
    let text = std::fs::read_to_string(file).unwrap();
    toml::from_str::<toml::Value>(&text).unwrap()["case"].as_array().unwrap().len()
}

fn table(rows: &[Value]) -> String {
    let mut lines = String::from(
        "| topic | cases checked | of | figures | within tolerance | advisory, not gating |\n|---|---|---|---|---|---|\n",
    );
    for (name, topic) in topics(rows) {
        let Topic { cases, figures, advisory, within } = topic;
        let of = cases_of(&name);
        lines.push_str(&format!("| {name} | {} | {of} | {figures} | {within} | {advisory} |\n", cases.len()));
    }
    lines
}

#[test]
fn law_the_table_in_developers_md_is_that_of_the_last_run() {
    let report = target().join("validation.json");
    let text = std::fs::read_to_string(&report)
        .unwrap_or_else(|e| panic!("{}: {e}; run `cargo test --test validation` first", report.display()));
    let rows: Vec<Value> = serde_json::from_str(&text).unwrap();
    let fresh = table(&rows);
    let page = root().join("DEVELOPERS.md");
    let before = std::fs::read_to_string(&page).unwrap();
    let (head, rest) = before.split_once(BEGINS).unwrap_or_else(|| panic!("DEVELOPERS.md has no line {BEGINS}"));
    let (committed, tail) = rest.split_once(ENDS).unwrap_or_else(|| panic!("DEVELOPERS.md has no line {ENDS}"));
    if std::env::var_os("RENEW_TABLE").is_some() {
        std::fs::write(&page, format!("{head}{BEGINS}{fresh}{ENDS}{tail}")).unwrap();
        return;
    }
    assert!(
        committed == fresh,
        "the table in DEVELOPERS.md is stale (or target/validation-parts holds parts of tests that are gone: remove it).\n\
         Renew it by: {RENEW}\n\ncommitted:\n{committed}\nthis run:\n{fresh}"
    );
}
