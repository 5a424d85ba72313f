//! The house rules that a compiler does not check: floors, file length, where unsafe code and printing may live.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout, missing_docs, reason = "tests")]

use std::fs;
use std::path::{Path, PathBuf};

/// Module and what it may import besides itself, lowest floor first.
const FLOORS: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("clock", &[]),
    ("signal", &["units"]),
    ("hydraulics", &["units", "clock", "signal"]),
    ("starters", &["units", "clock", "signal", "hydraulics"]),
    ("rig", &["units", "clock", "signal", "hydraulics", "starters"]),
    ("modbus", &["units", "rig"]),
    ("sequence", &["units", "clock", "signal", "hydraulics", "starters", "rig", "prediction::Prediction"]),
    ("prediction", &["units", "clock", "signal", "hydraulics", "starters", "rig", "sequence"]),
    ("comparison", &["units", "clock", "signal", "hydraulics", "starters", "rig", "sequence", "prediction"]),
    (
        "fieldbus",
        &[
            "modbus",
            "units",
            "clock",
            "signal",
            "hydraulics",
            "starters",
            "rig",
            "sequence",
            "prediction",
            "comparison",
        ],
    ),
    (
        "acquisition",
        &[
            "modbus",
            "units",
            "clock",
            "signal",
            "hydraulics",
            "starters",
            "rig",
            "sequence",
            "prediction",
            "comparison",
        ],
    ),
    (
        "recording",
        &["units", "clock", "signal", "hydraulics", "starters", "rig", "sequence", "prediction", "comparison"],
    ),
    (
        "virtual_rig",
        &[
            "units",
            "clock",
            "signal",
            "hydraulics",
            "starters",
            "rig",
            "sequence",
            "prediction",
            "comparison",
            "fieldbus",
            "acquisition",
            "recording",
        ],
    ),
    (
        "report",
        &[
            "units",
            "clock",
            "signal",
            "hydraulics",
            "starters",
            "rig",
            "sequence",
            "prediction",
            "comparison",
            "fieldbus",
            "acquisition",
            "recording",
        ],
    ),
    ("api", &["units", "clock", "signal", "hydraulics", "starters", "rig", "sequence", "prediction", "comparison"]),
    (
        "daemon",
        &[
            "units",
            "clock",
            "signal",
            "hydraulics",
            "starters",
            "rig",
            "sequence",
            "prediction",
            "comparison",
            "fieldbus",
            "acquisition",
            "recording",
            "report",
            "api",
        ],
    ),
    (
        "observe",
        &[
            "units",
            "clock",
            "signal",
            "hydraulics",
            "starters",
            "rig",
            "sequence",
            "prediction",
            "comparison",
            "fieldbus",
            "acquisition",
            "recording",
        ],
    ),
    ("tui", &["units", "clock", "signal", "rig", "sequence", "prediction", "comparison", "starters", "api"]),
    ("web", &["units", "clock", "signal", "rig", "sequence", "prediction", "comparison", "starters", "report", "api"]),
];

/// Folders or files that may hold `unsafe`, each with a reason in its own text.
const UNSAFE_ALLOWED: &[&str] = &[
    "src/hydraulics/moc/lanes",
    "src/signal/features/eight",
    "src/signal/room",
    "src/acquisition/decode",
    "src/recording/raw",
    "src/clock/realtime",
];

/// Longest file of `src`, lines.
const LONGEST_FILE: usize = 700;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn rust_files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
}

fn sources() -> Vec<(String, String)> {
    let mut files = Vec::new();
    rust_files(&root().join("src"), &mut files);
    files.sort();
    files
        .into_iter()
        .map(|path| {
            let name = path.strip_prefix(root()).unwrap().to_string_lossy().into_owned();
            (name, fs::read_to_string(&path).unwrap())
        })
        .collect()
}

fn module_of(file: &str) -> &str {
    let inside = file.trim_start_matches("src/");
    inside.split(['/', '.']).next().unwrap_or(inside)
}

/// (line, first segment, rest) of every `crate::` path outside comments.
fn crate_paths(text: &str) -> Vec<(usize, String, String)> {
    let mut found = Vec::new();
    let mut group: Option<usize> = None;
    for (index, line) in text.lines().enumerate() {
        let code = line.split("//").next().unwrap_or("");
        if let Some(start) = group {
            for part in code.split(',') {
                push_path(start, part.trim(), &mut found);
            }
            if code.contains("};") {
                group = None;
            }
        }
        for (at, _) in code.match_indices("crate::") {
            let rest = &code[at + "crate::".len()..];
            if let Some(inner) = rest.strip_prefix('{') {
                if inner.trim().is_empty() {
                    group = Some(index + 1);
                } else {
                    inner.split(',').for_each(|part| push_path(index + 1, part.trim(), &mut found));
                }
            } else {
                push_path(index + 1, rest, &mut found);
            }
        }
    }
    found
}

fn push_path(line: usize, path: &str, found: &mut Vec<(usize, String, String)>) {
    let word = |text: &str| -> String { text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect() };
    let first = word(path);
    let second = path.get(first.len() + 2..).map(word).unwrap_or_default();
    if !first.is_empty() {
        found.push((line, first, second));
    }
}

fn floor_breaks(file: &str, text: &str) -> Vec<String> {
    let module = module_of(file);
    let Some((_, allowed)) = FLOORS.iter().find(|(name, _)| *name == module) else { return Vec::new() };
    crate_paths(text)
        .into_iter()
        .filter(|(_, first, second)| {
            first != module
                && (FLOORS.iter().any(|(name, _)| name == first) || first == "cli")
                && !allowed.iter().any(|a| a == first || *a == format!("{first}::{second}"))
        })
        .map(|(line, first, _)| format!("{file}:{line}: {module} must not import {first}"))
        .collect()
}

#[test]
fn law_modules_import_only_from_lower_floors() {
    let breaks: Vec<String> = sources().iter().flat_map(|(file, text)| floor_breaks(file, text)).collect();
    assert!(breaks.is_empty(), "{}", breaks.join("\n"));
}

#[test]
fn rejects_a_planted_import_from_above() {
    let text = "use crate::units::x;\nuse crate::{\n    daemon::Daemon,\n    rig,\n};\nlet a = crate::web::serve();\n";
    let breaks = floor_breaks("src/hydraulics/planted.rs", text);
    assert_eq!(breaks.len(), 3, "{breaks:?}");
    assert!(breaks.iter().any(|b| b.contains("planted.rs:6: hydraulics must not import web")), "{breaks:?}");
}

#[test]
fn law_no_source_file_is_longer_than_700_lines() {
    let long: Vec<String> = sources()
        .iter()
        .map(|(file, text)| (file, text.lines().count()))
        .filter(|(_, lines)| *lines > LONGEST_FILE)
        .map(|(file, lines)| format!("{file}: {lines} lines, at most {LONGEST_FILE}"))
        .collect();
    assert!(long.is_empty(), "{}", long.join("\n"));
}

#[test]
fn law_unsafe_code_lives_only_where_the_list_says() {
    let elsewhere: Vec<String> = sources()
        .iter()
        .filter(|(file, _)| !UNSAFE_ALLOWED.iter().any(|place| file.starts_with(place)))
        .filter(|(_, text)| text.contains("unsafe_code") || text.contains("unsafe {") || text.contains("unsafe fn"))
        .map(|(file, _)| format!("{file}: unsafe code, allowed only in {UNSAFE_ALLOWED:?}"))
        .collect();
    assert!(elsewhere.is_empty(), "{}", elsewhere.join("\n"));
}

#[test]
fn law_the_tree_names_no_machine_path_and_prints_in_one_place() {
    let printed: Vec<String> = sources()
        .iter()
        .filter(|(file, _)| file != "src/cli/output.rs")
        .flat_map(|(file, text)| {
            let shipped = text.split("#[cfg(test)]").next().unwrap_or("");
            ["println!(", "eprintln!(", "print!(", "eprint!("]
                .iter()
                .filter(|macro_name| shipped.lines().any(|l| l.trim_start().starts_with(**macro_name)))
                .map(|macro_name| format!("{file}: {macro_name} belongs in src/cli/output.rs"))
                .collect::<Vec<_>>()
        })
        .collect();
    assert!(printed.is_empty(), "{}", printed.join("\n"));
    let roots = [concat!("/wo", "rk/"), concat!("/ro", "ot/"), concat!("/ho", "me/")];
    let named: Vec<String> = sources()
        .iter()
        .filter(|(_, text)| roots.iter().any(|r| text.contains(r)))
        .map(|(file, _)| format!("{file}: names a path of one machine"))
        .collect();
    assert!(named.is_empty(), "{}", named.join("\n"));
}
