//! Reads case files, compares what the project's functions return with what others computed, and writes every figure
//! to `target/validation.json`.
//!
//! One [`Sheet`] a case file and test function: take a [`Case`], read its inputs in SI, hand each result to
//! [`Sheet::check`], and end with [`Sheet::finish`], which fails the test if any figure is off, if a case is neither
//! checked nor named as left out, or if a comparison cannot fail.

use serde_json::{Value as Json, json};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// A figure, as a case file or a function of the project gives it.
#[derive(Debug, Clone, PartialEq)]
pub enum Figure {
    Number(f64),
    List(Vec<f64>),
    Rows(Vec<Vec<f64>>),
    Text(String),
    Words(Vec<String>),
    Flag(bool),
}

impl Figure {
    fn from_toml(value: &toml::Value) -> Self {
        match value {
            toml::Value::Boolean(flag) => Self::Flag(*flag),
            toml::Value::String(text) => Self::Text(text.clone()),
            toml::Value::Array(items) => Self::from_items(items),
            other => Self::Number(number(other)),
        }
    }

    fn from_items(items: &[toml::Value]) -> Self {
        match items.first() {
            Some(toml::Value::Array(_)) => {
                let row = |item: &toml::Value| item.as_array().unwrap().iter().map(number).collect();
                Self::Rows(items.iter().map(row).collect())
            }
            Some(toml::Value::String(_)) => {
                Self::Words(items.iter().map(|item| item.as_str().unwrap().to_owned()).collect())
            }
            _ => Self::List(items.iter().map(number).collect()),
        }
    }

    fn numbers(&self) -> Option<&[f64]> {
        match self {
            Self::Number(x) => Some(std::slice::from_ref(x)),
            Self::List(items) => Some(items),
            Self::Rows(_) | Self::Text(_) | Self::Words(_) | Self::Flag(_) => None,
        }
    }

    fn to_json(&self) -> Json {
        match self {
            Self::Number(x) => json!(x),
            Self::List(items) => json!(items),
            Self::Rows(rows) => json!(rows),
            Self::Words(words) => json!(words),
            Self::Text(text) => json!(text),
            Self::Flag(flag) => json!(flag),
        }
    }
}

fn number(value: &toml::Value) -> f64 {
    match value {
        toml::Value::Float(x) => *x,
        toml::Value::Integer(i) => *i as f64,
        other => panic!("not a number in a case file: {other}"),
    }
}

impl fmt::Display for Figure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Number(x) => write!(f, "{x}"),
            Self::List(items) => write!(f, "{items:?}"),
            Self::Rows(rows) => write!(f, "{rows:?}"),
            Self::Words(words) => write!(f, "{words:?}"),
            Self::Text(text) => write!(f, "{text}"),
            Self::Flag(flag) => write!(f, "{flag}"),
        }
    }
}

macro_rules! figure_from {
    ($($from:ty => $make:expr),* $(,)?) => {
        $(impl From<$from> for Figure {
            fn from(value: $from) -> Self {
                ($make)(value)
            }
        })*
    };
}

figure_from! {
    f64 => Figure::Number,
    u16 => |i| Figure::Number(f64::from(i)),
    u32 => |i| Figure::Number(f64::from(i)),
    Vec<f64> => Figure::List,
    &str => |text: &str| Figure::Text(text.to_owned()),
    String => Figure::Text,
    Vec<String> => Figure::Words,
    bool => Figure::Flag,
}

/// One expected figure with its tolerance.
#[derive(Debug, Clone)]
pub struct Expected {
    pub name: String,
    pub value: Figure,
    pub unit: String,
    pub tol_rel: f64,
    pub tol_abs: f64,
}

impl Expected {
    fn tolerance_of(&self, value: f64) -> f64 {
        self.tol_abs.max(self.tol_rel * value.abs())
    }

    /// Largest tolerance over the figure's numbers; 0 for text and flags.
    fn tolerance(&self) -> f64 {
        self.value.numbers().unwrap_or(&[]).iter().map(|v| self.tolerance_of(*v)).fold(0.0, f64::max)
    }

    /// Pass if |x - v| <= max(tol_rel |v|, tol_abs) for every number; text and flags match exactly.
    pub fn accepts(&self, got: &Figure) -> bool {
        match (got.numbers(), self.value.numbers()) {
            (Some(got), Some(expected)) => {
                got.len() == expected.len()
                    && got.iter().zip(expected).all(|(x, v)| (x - v).abs() <= self.tolerance_of(*v))
            }
            _ => *got == self.value,
        }
    }

    /// Largest |x - v|; `None` where there is nothing to subtract.
    fn error(&self, got: &Figure) -> Option<f64> {
        let (got, expected) = (got.numbers()?, self.value.numbers()?);
        Some(got.iter().zip(expected).map(|(x, v)| (x - v).abs()).fold(0.0, f64::max))
    }

    /// The same expectation, wrong by ten tolerances up and down (an exact number by one part in a thousand or by one,
    /// a flag turned, a text changed). Each entry is one way to be wrong.
    fn wrong(&self) -> Vec<Self> {
        let moved = |value| Self { value, ..self.clone() };
        let shift =
            |v: f64| if self.tolerance_of(v) > 0.0 { 10.0 * self.tolerance_of(v) } else { (1e-3 * v.abs()).max(1.0) };
        match &self.value {
            Figure::Number(v) => vec![moved(Figure::Number(v + shift(*v))), moved(Figure::Number(v - shift(*v)))],
            Figure::List(items) => (0..items.len())
                .flat_map(|i| {
                    [1.0, -1.0].map(|sign| {
                        let mut off = items.clone();
                        off[i] += sign * shift(items[i]);
                        moved(Figure::List(off))
                    })
                })
                .collect(),
            Figure::Text(text) => vec![moved(Figure::Text(format!("not {text}")))],
            Figure::Words(words) => vec![moved(Figure::Words(words.iter().rev().cloned().collect()))],
            Figure::Flag(flag) => vec![moved(Figure::Flag(!flag))],
            Figure::Rows(_) => panic!("{}: no case expects rows of numbers", self.name),
        }
    }
}

/// A case of a file.
#[derive(Debug, Clone)]
pub struct Case {
    pub id: String,
    pub source: String,
    pub provenance: String,
    /// Advisory cases are reported and never fail a build.
    pub advisory: bool,
    inputs: BTreeMap<String, (Figure, String)>,
    pub expected: Vec<Expected>,
}

impl Case {
    fn from_toml(table: &toml::Value) -> Self {
        let text = |key: &str| table.get(key).and_then(toml::Value::as_str).unwrap_or("").to_owned();
        let rows = |key: &str| table.get(key).and_then(toml::Value::as_array).cloned().unwrap_or_default();
        Self {
            id: text("id"),
            source: text("source"),
            provenance: text("provenance"),
            advisory: text("quantity").contains("ADVISORY") || text("note").contains("ADVISORY"),
            inputs: rows("inputs").iter().map(input).collect(),
            expected: rows("expected").iter().map(expected).collect(),
        }
    }

    fn entry(&self, name: &str) -> &(Figure, String) {
        self.inputs.get(name).unwrap_or_else(|| panic!("case {} has no input `{name}`", self.id))
    }

    /// A text input.
    pub fn text(&self, name: &str) -> &str {
        match &self.entry(name).0 {
            Figure::Text(text) => text,
            other => panic!("case {}: input `{name}` is {other}, not text", self.id),
        }
    }

    /// A number as the case file states it, in the unit that the trade uses for it.
    pub fn number(&self, name: &str) -> f64 {
        match &self.entry(name).0 {
            Figure::Number(x) => *x,
            other => panic!("case {}: input `{name}` is {other}, not a number", self.id),
        }
    }

    /// An input in SI, converted from the unit that the case file states.
    pub fn si(&self, name: &str) -> f64 {
        let list = self.si_list(name);
        assert!(list.len() == 1, "case {}: input `{name}` is a list", self.id);
        list[0]
    }

    /// A list input in SI.
    pub fn si_list(&self, name: &str) -> Vec<f64> {
        let (figure, unit) = self.entry(name);
        let numbers = figure.numbers().unwrap_or_else(|| panic!("case {}: input `{name}` is {figure}", self.id));
        numbers.iter().map(|x| to_si(*x, unit)).collect()
    }

    /// A list as the case file states it.
    pub fn list(&self, name: &str) -> Vec<f64> {
        let figure = &self.entry(name).0;
        figure.numbers().unwrap_or_else(|| panic!("case {}: input `{name}` is {figure}", self.id)).to_vec()
    }

    /// Lists of unequal meaning, as the case file states them.
    pub fn rows(&self, name: &str) -> Vec<Vec<f64>> {
        match &self.entry(name).0 {
            Figure::Rows(rows) => rows.clone(),
            other => panic!("case {}: input `{name}` is {other}, not rows", self.id),
        }
    }

    /// How many numbers the expected list of that name has.
    pub fn rows_of(&self, name: &str) -> usize {
        self.expects(name).value.numbers().map_or(1, <[f64]>::len)
    }

    fn expects(&self, name: &str) -> &Expected {
        let found = self.expected.iter().find(|expected| expected.name == name);
        found.unwrap_or_else(|| panic!("case {} expects no `{name}`", self.id))
    }
}

fn row_text(row: &toml::Value, key: &str) -> String {
    row.get(key).and_then(toml::Value::as_str).unwrap_or("").to_owned()
}

fn input(row: &toml::Value) -> (String, (Figure, String)) {
    (row_text(row, "name"), (Figure::from_toml(&row["value"]), row_text(row, "unit")))
}

fn expected(row: &toml::Value) -> Expected {
    let tolerance = |key: &str| row.get(key).map_or(0.0, number);
    Expected {
        name: row_text(row, "name"),
        value: Figure::from_toml(&row["value"]),
        unit: row_text(row, "unit"),
        tol_rel: tolerance("tol_rel"),
        tol_abs: tolerance("tol_abs"),
    }
}

/// SI value of one of a unit, for every unit the case files use; 273.15 is added for degC only on the way in.
const UNITS: &[(&str, f64)] = &[
    ("", 1.0),
    ("1", 1.0),
    ("m", 1.0),
    ("mm", 1e-3),
    ("ft", 0.3048),
    ("in", 0.0254),
    ("m/s", 1.0),
    ("ft/s", 0.3048),
    ("m/s2", 1.0),
    ("m/m", 1.0),
    ("pu", 1.0),
    ("1/s", 1.0),
    ("mA", 1e-3),
    ("ft/s2", 0.3048),
    ("m2", 1.0),
    ("m2/s", 1.0),
    ("mm2/s", 1e-6),
    ("ft2/s", 0.3048 * 0.3048),
    ("m3", 1.0),
    ("m3/s", 1.0),
    ("m3/h", 1.0 / 3600.0),
    ("L/s", 1e-3),
    ("l/s", 1e-3),
    ("m3/kg", 1.0),
    ("kg/m3", 1.0),
    ("kg", 1.0),
    ("Pa", 1.0),
    ("kPa", 1e3),
    ("MPa", 1e6),
    ("GPa", 1e9),
    ("bar", 1e5),
    ("psi", 6_894.757_293_168),
    ("Pa s", 1.0),
    ("mPa s", 1e-3),
    ("uPa s", 1e-6),
    ("N/m", 1.0),
    ("mN/m", 1e-3),
    ("N m", 1.0),
    ("lb ft", 1.355_817_948_331_400_4),
    ("kg m2", 1.0),
    ("lb ft2", 0.453_592_37 * 0.3048 * 0.3048),
    ("lb ft2/h", 0.453_592_37 * 0.3048 * 0.3048 / 3600.0),
    ("J", 1.0),
    ("kJ/kg", 1e3),
    ("kJ/(kg K)", 1e3),
    ("W", 1.0),
    ("kW", 1e3),
    ("hp", 745.699_871_582_270_2),
    ("V", 1.0),
    ("A", 1.0),
    ("K", 1.0),
    ("degC", 1.0),
    ("s", 1.0),
    ("ms", 1e-3),
    ("min", 60.0),
    ("h", 3600.0),
    ("1/h", 1.0 / 3600.0),
    ("Hz", 1.0),
    ("Hz/s", 1.0),
    ("rad", 1.0),
    ("deg", std::f64::consts::PI / 180.0),
    ("rad/s", 1.0),
    ("rpm", std::f64::consts::PI / 30.0),
    ("%", 0.01),
    ("% of full load", 0.01),
];

fn unit_si(unit: &str) -> f64 {
    UNITS.iter().find(|(name, _)| *name == unit).map_or_else(|| panic!("unit `{unit}` is not in the list"), |u| u.1)
}

/// Temperatures in degC stay in degC: functions of water take them so.
fn to_si(value: f64, unit: &str) -> f64 {
    value * unit_si(unit)
}

/// One line of the report.
#[derive(Debug, Clone)]
struct Line {
    topic: String,
    case: String,
    quantity: String,
    got: Figure,
    expected: Expected,
    pass: bool,
    advisory: bool,
    function: String,
    source: String,
}

impl Line {
    fn to_json(&self) -> Json {
        json!({
            "topic": self.topic, "case": self.case, "quantity": self.quantity, "got": self.got.to_json(),
            "expected": self.expected.value.to_json(), "error": self.expected.error(&self.got),
            "tolerance": self.expected.tolerance(), "unit": self.expected.unit, "pass": self.pass,
            "advisory": self.advisory, "function": self.function, "source": self.source,
        })
    }
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let error = self.expected.error(&self.got).map_or_else(|| "-".to_owned(), |e| format!("{e:.3e}"));
        write!(
            f,
            "{} {} {}: got {}, expected {}, error {error}, tolerance {:.3e} {} [{}; {}]",
            if self.pass { "ok " } else { "OFF" },
            self.case,
            self.quantity,
            self.got,
            self.expected.value,
            self.expected.tolerance(),
            self.expected.unit,
            self.function,
            self.source,
        )
    }
}

/// Everything checked against one case file by one test.
pub struct Sheet {
    file: String,
    part: String,
    cases: Vec<Case>,
    lines: Vec<Line>,
    finished: bool,
}

impl Sheet {
    /// Open a case file by its stem (`02_pipe_friction`); `part` names the test (its share of the report).
    pub fn open(file: &str, part: &str) -> Self {
        Self {
            file: file.to_owned(),
            part: part.to_owned(),
            cases: read_cases(file),
            lines: Vec::new(),
            finished: false,
        }
    }

    /// The case of an id.
    pub fn case(&self, id: &str) -> Case {
        let found = self.cases.iter().find(|case| case.id == id);
        found.unwrap_or_else(|| panic!("{} has no case `{id}`", self.file)).clone()
    }

    /// Every case whose id starts with `prefix`; at least one.
    pub fn cases(&self, prefix: &str) -> Vec<Case> {
        let found: Vec<Case> = self.cases.iter().filter(|case| case.id.starts_with(prefix)).cloned().collect();
        assert!(!found.is_empty(), "{} has no case that starts with `{prefix}`", self.file);
        found
    }

    /// Hold `got`, in the case file's own unit (or without unit), against the expected figure of that name.
    /// `function` is the path of the function called.
    pub fn check(&mut self, case: &Case, name: &str, got: impl Into<Figure>, function: &str) {
        let (got, expected) = (got.into(), case.expects(name).clone());
        let line = Line {
            topic: self.file.clone(),
            case: case.id.clone(),
            quantity: name.to_owned(),
            pass: expected.accepts(&got),
            got,
            expected,
            advisory: case.advisory,
            function: function.to_owned(),
            source: format!("{}; {}", case.source, case.provenance),
        };
        println!("{line}");
        self.lines.push(line);
    }

    /// As [`Sheet::check`], for an expected number that was read off a print of `digits` significant digits where the
    /// case's tolerance is finer than half the last of them: the result, rounded as the print is, must be the print.
    pub fn check_as_printed(&mut self, case: &Case, name: &str, got_si: f64, digits: usize, function: &str) {
        let got = got_si / unit_si(&case.expects(name).unit);
        let printed: f64 = format!("{got:.*e}", digits - 1).parse().unwrap();
        self.check(case, name, printed, function);
    }

    /// As [`Sheet::check`], for a result in SI: it is brought to the unit of the case file first.
    pub fn check_si(&mut self, case: &Case, name: &str, got_si: f64, function: &str) {
        let unit = unit_si(&case.expects(name).unit);
        self.check(case, name, got_si / unit, function);
    }

    /// Write this part of the report and fail on any figure that is off. `left_out` are id prefixes, or `id/quantity`
    /// for a single figure, that this test does not cover, each with the reason.
    pub fn finish(mut self, left_out: &[(&str, &str)]) {
        self.finished = true;
        write_report(&format!("{}.{}", self.file, self.part), &self.lines);
        let off: Vec<String> =
            self.lines.iter().filter(|line| !line.pass && !line.advisory).map(ToString::to_string).collect();
        assert!(off.is_empty(), "{} of {} figures off:\n{}", off.len(), self.lines.len(), off.join("\n"));
        let blunt: Vec<String> = self.lines.iter().filter(|line| cannot_fail(line)).map(ToString::to_string).collect();
        assert!(blunt.is_empty(), "comparisons that pass a wrong value:\n{}", blunt.join("\n"));
        let forgotten = self.forgotten(left_out);
        assert!(forgotten.is_empty(), "neither checked nor named as left out: {forgotten:?}");
        let idle = self.idle(left_out);
        assert!(idle.is_empty(), "named as left out but absent or checked: {idle:?}");
    }

    /// `id/quantity` of every figure of the file.
    fn figures(&self) -> impl Iterator<Item = (&str, &str)> {
        self.cases.iter().flat_map(|case| case.expected.iter().map(|e| (case.id.as_str(), e.name.as_str())))
    }

    fn is_checked(&self, id: &str, name: &str) -> bool {
        self.lines.iter().any(|line| line.case == id && line.quantity == name)
    }

    fn forgotten(&self, left_out: &[(&str, &str)]) -> Vec<String> {
        self.figures()
            .filter(|(id, name)| !self.is_checked(id, name))
            .map(|(id, name)| format!("{id}/{name}"))
            .filter(|path| !left_out.iter().any(|(prefix, _)| path.starts_with(prefix)))
            .collect()
    }

    fn idle<'a>(&self, left_out: &[(&'a str, &str)]) -> Vec<&'a str> {
        let unchecked: Vec<String> = self
            .figures()
            .filter(|(id, name)| !self.is_checked(id, name))
            .map(|(id, name)| format!("{id}/{name}"))
            .collect();
        left_out.iter().map(|l| l.0).filter(|prefix| !unchecked.iter().any(|path| path.starts_with(prefix))).collect()
    }
}

impl Drop for Sheet {
    fn drop(&mut self) {
        assert!(self.finished || std::thread::panicking(), "sheet {} was not finished", self.file);
    }
}

fn cannot_fail(line: &Line) -> bool {
    line.pass && line.expected.wrong().iter().any(|wrong| wrong.accepts(&line.got))
}

/// Where case files are: those that others made, and second solutions by general libraries with the call that made them.
fn case_directories() -> [PathBuf; 2] {
    ["check-values", "second-solutions"]
        .map(|name| Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures").join(name))
}

fn read_cases(file: &str) -> Vec<Case> {
    let paths = case_directories().map(|folder| folder.join(format!("{file}.toml")));
    let path = paths.iter().find(|path| path.exists()).unwrap_or_else(|| panic!("no case file {file}"));
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let document: toml::Value = toml::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    document["case"].as_array().unwrap().iter().map(Case::from_toml).collect()
}

/// Tests of one binary run side by side; other runners use one process a test. So each part has a file of its own, and
/// the whole is put together anew each time and moved into place.
fn write_report(part: &str, lines: &[Line]) {
    static WRITTEN: Mutex<BTreeSet<String>> = Mutex::new(BTreeSet::new());
    let mut written = WRITTEN.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    assert!(written.insert(part.to_owned()), "two sheets are called {part}: one would hide the other");
    let target = std::env::var_os("CARGO_TARGET_DIR")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("target"), PathBuf::from);
    let parts = target.join("validation-parts");
    std::fs::create_dir_all(&parts).unwrap();
    let rows: Vec<Json> = lines.iter().map(Line::to_json).collect();
    replace(&parts.join(format!("{part}.json")), &json!(rows));
    let mut files: Vec<PathBuf> = std::fs::read_dir(&parts).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|e| e == "json"));
    files.sort();
    let whole: Vec<Json> = files.iter().flat_map(|path| read_rows(path)).collect();
    replace(&target.join("validation.json"), &json!(whole));
}

fn read_rows(path: &Path) -> Vec<Json> {
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn replace(path: &Path, rows: &Json) {
    let beside = path.with_extension(format!("{}.tmp", std::process::id()));
    std::fs::write(&beside, serde_json::to_string_pretty(rows).unwrap()).unwrap();
    std::fs::rename(&beside, path).unwrap();
}

/// Every expected figure of every file: right passes; wrong by ten tolerances, flipped, cut short or NaN fails.
#[test]
fn rejects_every_expected_figure_when_moved_by_ten_tolerances() {
    let mut figures = 0;
    let entries = case_directories().into_iter().flat_map(|folder| std::fs::read_dir(folder).unwrap());
    let files = entries.map(|entry| entry.unwrap().path());
    for path in files.filter(|path| path.extension().is_some_and(|extension| extension == "toml")) {
        let stem = path.file_stem().unwrap().to_str().unwrap().to_owned();
        for case in read_cases(&stem) {
            for expected in &case.expected {
                figures += 1;
                let path = format!("{stem} {} {}", case.id, expected.name);
                assert!(expected.accepts(&expected.value), "{path}: refuses its own value");
                assert!(!expected.accepts(&Figure::Number(f64::NAN)), "{path}: accepts NaN");
                for wrong in expected.wrong() {
                    assert!(!wrong.accepts(&expected.value), "{path}: {} passes for {}", expected.value, wrong.value);
                }
            }
        }
    }
    assert!(figures > 1000, "only {figures} figures were read");
}

#[test]
fn rejects_lists_of_another_length_and_figures_of_another_kind() {
    let of = |value| Expected { name: String::new(), value, unit: String::new(), tol_rel: 1.0, tol_abs: 1.0 };
    assert!(!of(Figure::List(vec![1.0, 2.0])).accepts(&Figure::List(vec![1.0])));
    assert!(!of(Figure::Flag(true)).accepts(&Figure::Text("true".to_owned())));
    assert!(!of(Figure::Text("1".to_owned())).accepts(&Figure::Number(1.0)));
}

#[test]
#[should_panic(expected = "neither checked nor named as left out")]
fn rejects_a_sheet_that_leaves_cases_out_in_silence() {
    Sheet::open("02_pipe_friction", "self-test").finish(&[("f-", "not this time")]);
}
