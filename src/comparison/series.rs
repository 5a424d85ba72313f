//! The runs of a series in one table, and which settings differ.

use super::evaluate::RunResult;
use super::line_state::LineState;
use super::metric::registry::{METRICS, Metric};
use super::repeatability::{Spread, spread};
use super::standing_out::{lone, scattering};
use super::table::concerns;
use super::verdict::{Judgement, Pairing, Verdict, judge_by};
use crate::signal::statistics::mean;
use crate::units::Dimension;
use crate::units::display::{System, significant};
use serde::Serialize;
use std::fmt::Write;

/// What settings are ranked by: the smaller the better.
const RANKED_BY: &str = "start_surge";
/// Width of a figure's column: the longest head and a space between.
const COLUMN: usize = 28;
/// Digits in a table.
const DIGITS: usize = 4;

/// One run of a series.
#[derive(Debug, Clone)]
pub struct SeriesRun {
    /// Its number in the order of the series, from 1.
    pub number: usize,
    /// Setting.
    pub variant: String,
    /// Starter id.
    pub starter: String,
    /// Which run of the setting, from 1.
    pub repeat: usize,
    /// What was measured.
    pub result: RunResult,
}

/// One setting in the ranking.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ranked {
    /// Setting.
    pub variant: String,
    /// Starter id.
    pub starter: String,
    /// What the line held before the starts of these runs; runs of one setting that began otherwise stand apart.
    pub line: LineState,
    /// Runs that have a value.
    pub runs: usize,
    /// Mean of the runs' start surges, Pa.
    pub mean_pa: f64,
    /// Standard deviation from run to run, Pa; `None` below three runs.
    pub s_pa: Option<f64>,
    /// Against the next one of the ranking (larger surge): `None` for the last.
    pub against_next: Option<Judgement>,
}

/// Runs of one setting that began from one state of the line.
struct Alike<'a> {
    variant: &'a str,
    starter: &'a str,
    line: LineState,
    runs: Vec<&'a SeriesRun>,
}

/// Runs of a setting, their values with the number of the pass, and their noise.
type Known<'a> = (Alike<'a>, Vec<(usize, f64)>, f64);

/// Settings in file order of their first run, each with its runs; unlike states of the line are never mixed.
fn settings(runs: &[SeriesRun]) -> Vec<Alike<'_>> {
    let mut found: Vec<Alike<'_>> = Vec::new();
    for run in runs {
        let line = run.result.line_state();
        match found.iter_mut().find(|of| of.variant == run.variant && of.line == line) {
            Some(of) => of.runs.push(run),
            None => found.push(Alike { variant: &run.variant, starter: &run.starter, line, runs: vec![run] }),
        }
    }
    found
}

/// A setting's name, with the state of its line where that is not the same in all of them.
fn titled(variant: &str, line: LineState, all_alike: bool) -> String {
    if all_alike { variant.to_owned() } else { format!("{variant} (line {line})") }
}

/// One value a run: cycles of a run are no independent repeats of a setting.
fn values(of: &[&SeriesRun], metric: &str) -> Vec<f64> {
    numbered(of, metric).into_iter().map(|(_, value)| value).collect()
}

/// The same, each with the number of its pass through the settings: what was made in one pass belongs together.
fn numbered(of: &[&SeriesRun], metric: &str) -> Vec<(usize, f64)> {
    of.iter().filter_map(|run| Some((run.repeat, run.result.mean_measured(metric).ok()?))).collect()
}

/// Settings from the smallest start surge to the largest, each judged against the next by `pairing` (corrected for as many
/// comparisons as there are neighbours); those of one state of the line after another.
#[must_use]
pub fn judged(runs: &[SeriesRun], pairing: Pairing) -> Vec<Ranked> {
    let mut known: Vec<Known<'_>> = settings(runs)
        .into_iter()
        .map(|of| {
            let noise = of.runs.iter().map(|run| run.result.noise(RANKED_BY)).fold(0.0, f64::max);
            let values = numbered(&of.runs, RANKED_BY);
            (of, values, noise)
        })
        .filter(|(_, values, _)| !values.is_empty())
        .collect();
    let bare = |numbered: &[(usize, f64)]| numbered.iter().map(|(_, value)| *value).collect::<Vec<f64>>();
    known.sort_by(|a, b| a.0.line.cmp(&b.0.line).then(mean(&bare(&a.1)).total_cmp(&mean(&bare(&b.1)))));
    let neighbours = known.windows(2).filter(|pair| pair[0].0.line == pair[1].0.line).count();
    let one = |(place, (of, numbered, noise)): (usize, &Known<'_>)| {
        let values = bare(numbered);
        let next = known.get(place + 1).filter(|next| next.0.line == of.line);
        Ranked {
            variant: of.variant.to_owned(),
            starter: of.starter.to_owned(),
            line: of.line,
            runs: values.len(),
            mean_pa: mean(&values),
            s_pa: match spread(&values) {
                Some(Spread::Statistics(of)) => Some(of.s),
                _ => None,
            },
            against_next: next
                .and_then(|next| judge_by(pairing, numbered, &next.1, noise.max(next.2), neighbours.max(1))),
        }
    };
    known.iter().enumerate().map(one).collect()
}

/// Runs that stand out among those of their setting (Grubbs), and a setting that scatters more than the others (Cochran), in
/// words. All of them count all the same.
#[must_use]
pub fn strangers(runs: &[SeriesRun]) -> Vec<String> {
    let measured = |run: &&SeriesRun| Some((run.number, run.result.mean_measured(RANKED_BY).ok()?));
    let sets: Vec<(&str, Vec<(usize, f64)>)> =
        settings(runs).iter().map(|of| (of.variant, of.runs.iter().filter_map(measured).collect())).collect();
    standing_out(&sets)
}

/// Sets by name, each of numbered values.
fn standing_out(sets: &[(&str, Vec<(usize, f64)>)]) -> Vec<String> {
    let alone = sets.iter().filter_map(|(name, set)| {
        let (number, level) = lone(set)?;
        Some(format!("run {number} stands out among those of {name} (Grubbs, {level}); it counts all the same"))
    });
    let values: Vec<Vec<f64>> = sets.iter().map(|(_, set)| set.iter().map(|(_, value)| *value).collect()).collect();
    let wild = scattering(&values).map(|(which, level)| {
        let name = sets[which].0;
        format!("{name} scatters more than the other settings (Cochran, {level}); it counts all the same")
    });
    alone.chain(wild).collect()
}

/// The ranking in words.
#[must_use]
pub fn words(ranking: &[Ranked], pairing: Pairing, system: System) -> String {
    let pressure = |si: f64| system.plain(si, Dimension::Pressure);
    let how = match pairing {
        Pairing::Independent => "",
        Pairing::Paired => ", differences pass by pass (paired)",
    };
    let mut lines = vec![format!("ranking by start surge, smallest first{how}:")];
    let alike = ranking.windows(2).all(|pair| pair[0].line == pair[1].line);
    if !alike {
        lines.push("  runs that began from unlike states of the line are ranked apart".to_owned());
    }
    if let Some(unproven) = ranking.iter().find(|ranked| ranked.line == LineState::NotProven) {
        let of = if alike { "every setting".to_owned() } else { unproven.variant.clone() };
        lines.push(format!(
            "  caution: the state of the line before the starts is not proven by the pressure at rest ({of})"
        ));
    }
    for (place, ranked) in ranking.iter().enumerate() {
        let spread = ranked.s_pa.map_or_else(String::new, |s| format!(", s {} from run to run", pressure(s)));
        lines.push(format!(
            "  {}. {}: {} ({} runs{spread})",
            place + 1,
            titled(&ranked.variant, ranked.line, alike),
            pressure(ranked.mean_pa),
            ranked.runs
        ));
        let Some(of) = ranked.against_next else { continue };
        lines.push(match of.verdict {
            Verdict::Smaller => format!(
                "     really smaller than the next: by {}, {} would do",
                pressure(-of.difference),
                pressure(of.needed)
            ),
            _ => {
                let more = of.settled_by.map_or_else(String::new, |n| format!("; {n} runs each would settle it"));
                format!(
                    "     no difference to the next can be told: {}, {} needed{more}",
                    pressure(-of.difference),
                    pressure(of.needed)
                )
            }
        });
    }
    lines.join("\n")
}

/// The table for a spreadsheet: comma-separated, a row a run, in the reader's units.
#[must_use]
pub fn rows(runs: &[SeriesRun], system: System) -> String {
    let results: Vec<RunResult> = runs.iter().map(|run| run.result.clone()).collect();
    let metrics: Vec<&Metric> = METRICS.iter().filter(|metric| concerns(metric, &results)).collect();
    let heads = metrics.iter().flat_map(|metric| {
        let head = quoted(&format!("{} [{}]", metric.label, metric.unit.text(system)));
        let predicted =
            metric.predicted_key.map(|_| quoted(&format!("{} predicted [{}]", metric.label, metric.unit.text(system))));
        std::iter::once(head).chain(predicted)
    });
    let mut text = ["run", "setting", "starter", "repeat", "line", "stop", "recording"]
        .map(str::to_owned)
        .into_iter()
        .chain(heads)
        .collect::<Vec<_>>()
        .join(",");
    text.push('\n');
    for run in runs {
        let mut cells = vec![
            run.number.to_string(),
            quoted(&run.variant),
            quoted(&run.starter),
            run.repeat.to_string(),
            run.result.line_state().to_string(),
            quoted(&run.result.stop_outcome.to_string()),
            quoted(&run.result.path),
        ];
        for metric in &metrics {
            let cell =
                |value: Option<f64>| value.map_or_else(String::new, |si| metric.unit.number(si, system).to_string());
            cells.push(cell(run.result.mean_measured(metric.id).ok()));
            if metric.predicted_key.is_some() {
                cells.push(cell(run.result.mean_predicted(metric.id).ok()));
            }
        }
        // Writing to a String cannot fail.
        let _infallible = writeln!(text, "{}", cells.join(","));
    }
    text
}

/// A cell as RFC 4180 has it.
fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}

/// The same for a terminal: settings down, mean and spread of a few figures across.
#[must_use]
pub fn in_columns(runs: &[SeriesRun], system: System) -> String {
    let all = settings(runs);
    let alike = all.windows(2).all(|pair| pair[0].line == pair[1].line);
    let title = |of: &Alike<'_>| titled(of.variant, of.line, alike);
    let width = all.iter().map(|of| title(of).chars().count()).max().unwrap_or(0).max(7);
    let keys = ["start_surge", "start_peak_rate", "stop_trough", "acceleration"];
    let metrics: Vec<&Metric> = METRICS.iter().filter(|metric| keys.contains(&metric.id)).collect();
    let head =
        metrics.iter().map(|metric| format!("{:>COLUMN$}", format!("{} [{}]", metric.label, metric.unit.text(system))));
    let mut lines = vec![format!("{:width$}  {:>4}{}", "setting", "runs", head.collect::<String>())];
    for setting in &all {
        let (variant, of) = (title(setting), &setting.runs);
        let cells = metrics.iter().map(|metric| {
            let values: Vec<f64> = values(of, metric.id).iter().map(|si| metric.unit.number(*si, system)).collect();
            let text = match spread(&values) {
                None => "not measured".to_owned(),
                Some(Spread::Statistics(of)) => {
                    format!("{} +- {}", significant(of.mean, DIGITS), significant(of.u95_mean, 2))
                }
                Some(_) => significant(mean(&values), DIGITS),
            };
            format!("{text:>COLUMN$}")
        });
        lines.push(format!("{variant:width$}  {:>4}{}", of.len(), cells.collect::<String>()));
    }
    lines.push("mean of the runs, +- half width of its 95 % interval from three runs on".to_owned());
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set(values: &[f64]) -> Vec<(usize, f64)> {
        (1..).zip(values.iter().copied()).collect()
    }

    #[test]
    fn names_a_run_and_a_setting_that_stand_out_and_nothing_where_none_does() {
        let (calm, shifted) = ([1.0, 1.1, 0.9, 1.05, 0.95], [2.0, 2.1, 1.9, 2.05, 1.95]);
        assert_eq!(standing_out(&[("calm", set(&calm)), ("shifted", set(&shifted))]), Vec::<String>::new());
        let words = standing_out(&[("calm", set(&calm)), ("wild", set(&[2.0, 2.1, 1.9, 2.05, 9.0]))]);
        assert_eq!(words.len(), 2, "{words:?}");
        assert!(words[0].starts_with("run 5 stands out among those of wild (Grubbs, 1 % level)"), "{words:?}");
        assert!(words[1].starts_with("wild scatters more than the other settings (Cochran, 1 % level)"), "{words:?}");
        assert_eq!(standing_out(&[("few", set(&[1.0, 9.0]))]), Vec::<String>::new(), "two runs say nothing");
    }
}
