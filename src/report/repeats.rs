//! How well the cycles of a run repeat, and which differences between runs stand.

use super::document::{Piece, Section, Table};
use crate::comparison::evaluate::RunResult;
use crate::comparison::metric::registry::{METRICS, Metric};
use crate::comparison::repeatability::{Spread, spread};
use crate::comparison::table::{differences, first_cycles, strangers};
use crate::comparison::verdict::Pairing;
use crate::units::display::{System, significant};

const DIGITS: usize = 4;
const DIGITS_OF_S: usize = 2;

/// Both sections; one that would be empty is left out.
pub(super) fn sections(results: &[RunResult], names: &[String], (pairing, system): (Pairing, System)) -> Vec<Section> {
    [differ(results, pairing, system), repeat(results, names, system)].into_iter().flatten().collect()
}

fn differ(results: &[RunResult], pairing: Pairing, system: System) -> Option<Section> {
    let line = |(label, text): (String, String)| match label.is_empty() {
        true => text,
        false => format!("{label}: {text}"),
    };
    let points: Vec<String> = differences(results, pairing, system).into_iter().map(line).collect();
    let how = match pairing {
        Pairing::Independent => {
            "From three cycles a run on the means are held against one another, corrected for the number of comparisons (Welch, \
             Bonferroni)."
        }
        Pairing::Paired => {
            "Cycle k of one run is held against cycle k of the other: from three pairs on by the mean of their differences, \
             corrected for the number of comparisons (paired t, Bonferroni)."
        }
    };
    let said = "With fewer the ranges must lie apart by more than the noise: such a difference was seen, and \
                nothing says yet that it would be seen again. A tie: no difference is shown, which is not the same as none.";
    (!points.is_empty()).then(|| Section {
        heading: "Differences between the runs".into(),
        pieces: vec![Piece::Points(points), Piece::Text(format!("{how} {said}"))],
    })
}

fn repeat(results: &[RunResult], names: &[String], system: System) -> Option<Section> {
    let head = ["run", "figure", "cycles", "mean or range", "s", "95 % of the mean, +-", "r = 2.8 s"];
    let mut rows = Vec::new();
    for (run, name) in results.iter().zip(names) {
        rows.extend(METRICS.iter().filter(|metric| metric.judged).filter_map(|metric| row(run, name, metric, system)));
    }
    let said = "s: standard deviation of the cycles; two single cycles differ by more than r in one case of twenty. Two cycles give a \
                range and no statistics.";
    let mut pieces = vec![Piece::Table(Table { head: head.map(str::to_owned).to_vec(), rows: rows.clone() })];
    let strange: Vec<String> = first_cycles(results).into_iter().chain(strangers(results)).collect();
    pieces.extend((!strange.is_empty()).then_some(Piece::Points(strange)));
    pieces.push(Piece::Text(said.to_owned()));
    (!rows.is_empty()).then(|| Section { heading: "How the cycles repeat".into(), pieces })
}

fn row(run: &RunResult, name: &str, metric: &Metric, system: System) -> Option<Vec<String>> {
    let values = run.measured(metric.id);
    let number = |si: f64, digits| significant(metric.unit.number(si, system), digits);
    let figures = match spread(&values)? {
        Spread::Single => return None,
        Spread::Range { low, high } => {
            let range = format!("{} to {}", number(low, DIGITS), number(high, DIGITS));
            [range, "-".to_owned(), "-".to_owned(), "-".to_owned()]
        }
        Spread::Statistics(of) => [
            number(of.mean, DIGITS),
            number(of.s, DIGITS_OF_S),
            number(of.u95_mean, DIGITS_OF_S),
            number(of.limit_r, DIGITS_OF_S),
        ],
    };
    let titled = format!("{}, {}", metric.label, metric.unit.text(system));
    Some([name.to_owned(), titled, values.len().to_string()].into_iter().chain(figures).collect())
}
