//! The comparison as plain text for a terminal: metrics down, runs across, measured beside predicted, the spread below,
//! and what can be told of each pair.

use super::agreement::{against_prediction, sentence};
use super::evaluate::RunResult;
use super::line_state::unlike;
use super::metric::NotMeasured;
use super::metric::registry::{METRICS, Metric, Unit};
use super::repeatability::{Spread, spread};
use super::standing_out::{lone, scattering};
use super::verdict::{Basis, Judgement, Pairing, Verdict, judge_by};
use crate::sequence::first_cycle::FirstCycle;
use crate::starters::StarterKind;
use crate::units::display::{System, significant};

/// Widths of the columns: label, measured, predicted.
const LABEL: usize = 27;
const MEASURED: usize = 13;
const PREDICTED: usize = 11;

/// The table, lines ended by `\n`; differences by `pairing`.
pub fn table(runs: &[RunResult], pairing: Pairing, system: System) -> String {
    let mut lines = heading(runs);
    for metric in METRICS.iter().filter(|metric| concerns(metric, runs)) {
        lines.extend(rows(metric, runs, system));
    }
    lines.push(String::new());
    lines.extend(differences(runs, pairing, system).into_iter().map(|(label, text)| match label.is_empty() {
        true => text,
        false => format!("{label:LABEL$}{text}"),
    }));
    lines.extend(first_cycles(runs));
    lines.extend(strangers(runs));
    lines.extend(agreements(runs, system));
    lines.extend(sureness(runs, system));
    lines.extend(reasons(runs));
    lines.extend(soundness(runs, system));
    lines.iter().map(|line| format!("{}\n", line.trim_end())).collect()
}

/// A value of a metric (by its key) as people read it, with its unit.
pub fn figure(key: &str, si: f64, system: System) -> String {
    let Some(metric) = METRICS.iter().find(|metric| metric.key == key) else { return si.to_string() };
    let shown = Shown::of(metric.unit, system);
    format!("{} {}", shown.number(si), shown.unit)
}

/// False for a metric of the band where no run has one, and for one beside the usual ones where no rig has such a channel or no
/// run does such a thing.
pub fn concerns(metric: &Metric, runs: &[RunResult]) -> bool {
    let idle = |run: &RunResult| match run.mean_measured(metric.id) {
        Err(NotMeasured::NoBand) => true,
        Err(NotMeasured::NoChannel | NotMeasured::NoArea | NotMeasured::NotFilled | NotMeasured::NotPrimed) => {
            !metric.judged
        }
        _ => false,
    };
    if runs.is_empty() { metric.judged } else { !runs.iter().all(idle) }
}

/// One sentence a run: where the prediction holds and where it is off.
fn agreements(runs: &[RunResult], system: System) -> Vec<String> {
    let of = |(run, title): (&RunResult, String)| {
        if let Some(late) = late(run) {
            return Some(format!("{title}: caution: {late}"));
        }
        let found = against_prediction(run);
        (!found.is_empty()).then(|| format!("{title}: {}", sentence(&found, system)))
    };
    runs.iter().zip(titles(runs)).filter_map(of).collect()
}

/// A prediction that was on disk only after the first start, in words.
pub fn late(run: &RunResult) -> Option<String> {
    let after_s = -run.prediction_made_before_start_s.filter(|_| !run.foretold())?;
    Some(format!(
        "the prediction was on disk {after_s:.1} s after the first start; it is shown, and nothing is held against it"
    ))
}

/// Runs whose first cycle stands apart, in words.
pub fn first_cycles(runs: &[RunResult]) -> Vec<String> {
    let apart = |(run, title): (&RunResult, String)| {
        let counted = run.counted().len();
        (run.first_cycle == FirstCycle::StandsApart).then(|| {
            format!("{title}: the first cycle stands apart, as its sequence says (first_cycle); {counted} cycles count")
        })
    };
    runs.iter().zip(titles(runs)).filter_map(apart).collect()
}

/// How sure the figures of the headline channel are, one line a run.
fn sureness(runs: &[RunResult], system: System) -> Vec<String> {
    let of = |(run, title): (&RunResult, String)| {
        let figures = METRICS.iter().filter(|metric| metric.judged).filter_map(|metric| {
            let expanded = run.expanded_uncertainty(metric.id)?;
            let shown = Shown::of(metric.unit, system);
            Some(format!("{} {} {}", metric.label, significant(expanded * shown.scale, 2), shown.unit))
        });
        let figures: Vec<String> = figures.collect();
        (!figures.is_empty()).then(|| format!("{title}: known to +- (k = 2): {}", figures.join(", ")))
    };
    runs.iter().zip(titles(runs)).filter_map(of).collect()
}

/// Words of a starter kind.
pub fn kind_words(kind: impl Into<Option<StarterKind>>) -> &'static str {
    match kind.into() {
        Some(StarterKind::AcrossTheLine) => "across the line",
        Some(StarterKind::SoftStarter) => "soft starter",
        Some(StarterKind::VariableSpeed) => "variable speed",
        None => "starter not known",
    }
}

/// Titles of the runs: the kind, with the label where one was given, numbered where both come twice.
pub fn titles(runs: &[RunResult]) -> Vec<String> {
    let of = |k: usize| {
        let run = &runs[k];
        let alike = |of: &[RunResult]| {
            of.iter().filter(|of| of.starter_kind == run.starter_kind && of.label == run.label).count()
        };
        let kind = kind_words(run.starter_kind);
        let words = if run.label.is_empty() { kind.to_owned() } else { format!("{}: {kind}", run.label) };
        if alike(runs) == 1 { words } else { format!("{words} {}", alike(&runs[..=k])) }
    };
    (0..runs.len()).map(of).collect()
}

fn heading(runs: &[RunResult]) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(first) = runs.first() {
        let channel = first.channels.get(first.headline).map_or("no channel", |c| c.label.as_str());
        let class = first.channels.get(first.headline).map_or(0, |c| c.filter_class);
        let filter = if class == 0 { "no filter".to_owned() } else { format!("filter class {class}") };
        let mark = if runs.iter().any(|run| run.is_virtual) { "VIRTUAL  " } else { "" };
        lines.push(format!("{mark}{}: {channel}, {filter}, mean of cycles", first.rig_name));
        if runs.iter().any(|run| run.rig_id != first.rig_id) {
            lines.push("caution: the runs are of different rigs".to_owned());
        }
    }
    let width = MEASURED + PREDICTED;
    lines.push(format!("{:LABEL$}{}", "", cells(titles(runs).iter().map(|t| format!("{:>width$}", within(t, width))))));
    let counted = |run: &RunResult| match (run.counted().len(), run.cycles.len()) {
        (counted, all) if counted == all => format!("{all} cycles"),
        (counted, all) => format!("{counted} of {all} cycles"),
    };
    let cycles = runs.iter().map(|run| format!("{:>width$}", counted(run)));
    lines.push(format!("{:LABEL$}{}", "", cells(cycles)));
    let columns = runs.iter().map(|_| format!("{:>MEASURED$}{:>PREDICTED$}", "measured", "predicted"));
    lines.push(format!("{:LABEL$}{}", "", cells(columns)));
    lines
}

/// What fits of a title; the rest is dots. Sentences have it whole.
fn within(title: &str, width: usize) -> String {
    match title.chars().count() <= width {
        true => title.to_owned(),
        false => title.chars().take(width - 2).chain("..".chars()).collect(),
    }
}

fn cells(cells: impl Iterator<Item = String>) -> String {
    cells.collect::<Vec<_>>().join("  ")
}

fn rows(metric: &Metric, runs: &[RunResult], system: System) -> Vec<String> {
    let shown = Shown::of(metric.unit, system);
    let label = format!("{} [{}]", metric.label, shown.unit);
    let values = runs.iter().map(|run| {
        let measured = run
            .mean_measured(metric.id)
            .map_or_else(|_| "not measured".to_owned(), |si| bound(run, metric.id) + &shown.number(si));
        let predicted = match metric.predicted_key {
            Some(_) => run.mean_predicted(metric.id).map_or_else(|_| "-".to_owned(), |si| shown.number(si)),
            None => String::new(),
        };
        format!("{measured:>MEASURED$}{predicted:>PREDICTED$}")
    });
    let mut lines = vec![format!("{label:LABEL$}{}", cells(values))];
    let spreads: Vec<String> = runs.iter().map(|run| spread_text(&run.measured(metric.id), &shown)).collect();
    if spreads.iter().any(|text| !text.is_empty()) {
        let width = MEASURED + PREDICTED;
        lines.push(format!("{:LABEL$}{}", "  spread", cells(spreads.iter().map(|text| format!("{text:>width$}")))));
    }
    lines
}

/// `>= ` before a mean that is only a bound; a trough is at least as deep.
fn bound(run: &RunResult, id: &str) -> String {
    match (run.is_at_least(id), id == "stop_trough") {
        (false, _) => "",
        (true, false) => ">= ",
        (true, true) => "<= ",
    }
    .to_owned()
}

fn spread_text(values: &[f64], shown: &Shown) -> String {
    match spread(values) {
        None | Some(Spread::Single) => String::new(),
        Some(Spread::Range { low, high }) => format!("{} to {}", shown.number(low), shown.number(high)),
        Some(Spread::Statistics(of)) => {
            format!("s {}, 95 % +-{}", shown.number(of.s), shown.number(of.u95_mean))
        }
    }
}

/// How a metric's unit is shown. Decimals are fixed: what lies below a millibar or a millisecond is not read off a trace.
struct Shown {
    unit: String,
    scale: f64,
    decimals: usize,
}

impl Shown {
    fn of(unit: Unit, system: System) -> Self {
        let si = system == System::Si;
        let decimals = match unit {
            Unit::Pascal if si => 3,
            Unit::PascalPerSecond if !si => 1,
            Unit::Pascal | Unit::PascalPerSecond | Unit::Hertz => 2,
            Unit::Second => 3,
            Unit::Share | Unit::Ampere | Unit::Joule | Unit::NewtonSecond => 1,
            Unit::RadPerSecond => 0,
            Unit::CubicMetre => 4,
        };
        Self { unit: unit.text(system), scale: unit.number(1.0, system), decimals }
    }

    fn number(&self, si: f64) -> String {
        let text = format!("{:.*}", self.decimals, si * self.scale);
        // No minus sign before a zero.
        if text.trim_start_matches(['-', '0', '.']).is_empty() { text.trim_start_matches('-').to_owned() } else { text }
    }
}

/// What can be told of each pair of runs, larger first, by the metric's label; one line where no pair differs. Without a
/// label: pairs that are not compared.
pub fn differences(runs: &[RunResult], pairing: Pairing, system: System) -> Vec<(String, String)> {
    let pairs: Vec<(usize, usize)> = (0..runs.len()).flat_map(|a| (a + 1..runs.len()).map(move |b| (a, b))).collect();
    let (apart, pairs): (Vec<_>, Vec<_>) =
        pairs.into_iter().partition(|&(a, b)| unlike(runs[a].line_state(), runs[b].line_state()));
    let judged: Vec<&Metric> = METRICS.iter().filter(|metric| metric.judged).collect();
    let comparisons = pairs.len() * judged.len();
    let titles = titles(runs);
    let apart = apart.iter().map(|&(a, b)| {
        let [first, second] = [a, b].map(|k| format!("{} ({})", titles[k], runs[k].line_state()));
        (
            String::new(),
            format!("not compared, since the line held something else before the starts: {first} and {second}"),
        )
    });
    apart
        .chain(judged.iter().flat_map(|metric| metric_pairs(metric, runs, &pairs, (pairing, comparisons), system)))
        .collect()
}

fn metric_pairs(
    metric: &Metric,
    runs: &[RunResult],
    pairs: &[(usize, usize)],
    (pairing, comparisons): (Pairing, usize),
    system: System,
) -> Vec<(String, String)> {
    let (shown, titles) = (Shown::of(metric.unit, system), titles(runs));
    let judged: Vec<_> = pairs
        .iter()
        .filter_map(|&(a, b)| {
            let noise = runs[a].noise(metric.id).max(runs[b].noise(metric.id));
            let [first, second] = [a, b].map(|k| runs[k].measured_by_cycle(metric.id));
            let of = judge_by(pairing, &first, &second, noise, comparisons)?;
            Some((&titles[a], &titles[b], of))
        })
        .collect();
    if !judged.is_empty() && judged.iter().all(|(_, _, of)| of.verdict == Verdict::Tie) {
        let settled = judged.iter().filter_map(|(_, _, of)| of.settled_by).min();
        return vec![(metric.label.to_owned(), format!("tie{}", settled_words(settled)))];
    }
    let text = |(a, b, of): &(&String, &String, Judgement)| {
        let pairs = if of.basis == Basis::Pairs { ", in pairs of cycles" } else { "" };
        let by = format!("by {} {}{pairs}", shown.number(of.difference.abs()), shown.unit);
        // A trough is a negative difference: the larger number is the shallower trough.
        let (more, less) = if metric.id == "stop_trough" { (b, a) } else { (a, b) };
        let word = if metric.id == "stop_trough" { "deeper" } else { "larger" };
        match of.verdict {
            Verdict::Larger => format!("{more} {word} than {less} {by}"),
            Verdict::Smaller => format!("{less} {word} than {more} {by}"),
            Verdict::Tie => format!("{a} and {b}: tie{}", settled_words(of.settled_by)),
        }
    };
    judged.iter().map(|pair| (metric.label.to_owned(), text(pair))).collect()
}

fn settled_words(repeats: Option<usize>) -> String {
    repeats.map_or_else(String::new, |n| format!(" (about {n} cycles each would settle a difference of this size)"))
}

/// Cycles whose value stands out among those of their run (Grubbs), and runs whose cycles scatter more than those of the others
/// (Cochran, where all have as many). They stay in every figure.
pub fn strangers(runs: &[RunResult]) -> Vec<String> {
    let titles = titles(runs);
    let alone = runs.iter().zip(&titles).flat_map(|(run, title)| {
        METRICS.iter().filter_map(move |metric| {
            let (cycle, level) = lone(&run.measured_by_cycle(metric.id))?;
            let label = metric.label;
            Some(format!("{title}: cycle {cycle} stands out in {label} (Grubbs, {level}); it counts all the same"))
        })
    });
    let wild = METRICS.iter().filter(|metric| metric.judged).filter_map(|metric| {
        let sets: Vec<Vec<f64>> = runs.iter().map(|run| run.measured(metric.id)).collect();
        let (which, level) = scattering(&sets)?;
        let (title, label) = (&titles[which], metric.label);
        Some(format!(
            "{title}: scatters more than the other runs in {label} (Cochran, {level}); it counts all the same"
        ))
    });
    alone.chain(wild).collect()
}

/// Why something was not measured or not predicted: one line a run and reason.
fn reasons(runs: &[RunResult]) -> Vec<String> {
    let mut lines = Vec::new();
    for (run, title) in runs.iter().zip(titles(runs)) {
        let concerned = METRICS.iter().filter(|metric| concerns(metric, runs));
        let measured = concerned.filter_map(|m| Some((run.mean_measured(m.id).err()?, m.label)));
        lines.extend(grouped(measured).map(|(why, what)| format!("{title}: not measured: {what}: {why}")));
        let predictable = METRICS.iter().filter(|m| m.judged);
        let predicted = predictable.filter_map(|m| Some((run.mean_predicted(m.id).err()?, m.label)));
        lines.extend(grouped(predicted).map(|(why, what)| format!("{title}: not predicted: {what}: {why}")));
    }
    lines
}

/// Bounds, flags and zeros: one line each.
fn soundness(runs: &[RunResult], system: System) -> Vec<String> {
    let mut lines = Vec::new();
    for (run, title) in runs.iter().zip(titles(runs)) {
        let clipped: Vec<&str> = METRICS.iter().filter(|m| run.is_at_least(m.id)).map(|m| m.label).collect();
        if !clipped.is_empty() {
            lines.push(format!("{title}: clipped, the true value is at least that large: {}", clipped.join(", ")));
        }
        lines.extend(run.flags.iter().map(|flag| format!("{title}: caution: {flag}")));
        lines.extend(super::soundness::zero_words(run, system).into_iter().map(|words| format!("{title}: {words}")));
    }
    lines
}

/// Labels by reason, in order of first mention.
fn grouped<'a>(items: impl Iterator<Item = (NotMeasured, &'a str)>) -> impl Iterator<Item = (String, String)> {
    let mut groups: Vec<(String, String)> = Vec::new();
    for (why, label) in items {
        let why = why.to_string();
        match groups.iter_mut().find(|group| group.0 == why) {
            Some(group) => group.1 = format!("{}, {label}", group.1),
            None => groups.push((why, label.to_owned())),
        }
    }
    groups.into_iter()
}
