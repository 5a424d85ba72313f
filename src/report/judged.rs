//! How sure the figures are: against the prediction, and where the uncertainty of the measured ones comes from.

use super::document::{Piece, Section, Table};
use crate::comparison::agreement::{Agreement, against_prediction, sentence};
use crate::comparison::evaluate::RunResult;
use crate::comparison::metric::registry::{METRICS, Metric};
use crate::comparison::uncertainty::Budget;
use crate::units::display::{System, significant};

/// Digits of a figure, and of an uncertainty.
const DIGITS: usize = 4;
const DIGITS_OF_U: usize = 2;
/// A part of a budget under this share of the whole reads 0, and so does a prediction under this share of what was measured: its
/// digits would say nothing.
pub(super) const NOTHING_SHARE: f64 = 1.0e-3;

/// Both sections; one without a row is left out.
pub(super) fn sections(results: &[RunResult], names: &[String], system: System) -> Vec<Section> {
    [prediction(results, names, system), budget(results, names, system)].into_iter().flatten().collect()
}

fn prediction(results: &[RunResult], names: &[String], system: System) -> Option<Section> {
    let head = ["run", "figure", "measured", "predicted", "difference", "left open, k = 2", ""];
    let (mut rows, mut words) = (Vec::new(), Vec::new());
    for (run, name) in results.iter().zip(names) {
        let found = against_prediction(run);
        if found.is_empty() {
            continue;
        }
        words.push(format!("{name}: {}.", sentence(&found, system)));
        rows.extend(found.iter().filter_map(|of| prediction_row(name, of, system)));
    }
    let open = "What is left open: calibration, noise, bandwidth and timing of the measurement, the spread of the cycles, and \
                the band about the prediction, added by their squares and doubled (ASME V&V 20, from memory). The lag of the \
                current's onset is taken out before and stands in the results.";
    let pieces = vec![
        Piece::Points(words),
        Piece::Table(Table { head: head.map(str::to_owned).to_vec(), rows }),
        Piece::Text(open.to_owned()),
    ];
    let any = pieces.iter().any(|piece| matches!(piece, Piece::Table(table) if !table.rows.is_empty()));
    any.then(|| Section { heading: "Against the prediction".into(), pieces })
}

fn prediction_row(name: &str, of: &Agreement, system: System) -> Option<Vec<String>> {
    let metric = METRICS.iter().find(|metric| metric.id == of.id)?;
    let number = |si: f64, digits| significant(metric.unit.number(si, system), digits);
    let verdict = match (of.holds(), of.with_band) {
        (true, true) => "holds",
        (true, false) => "holds (no band)",
        (false, true) => "off",
        (false, false) => "off (no band)",
    };
    Some(vec![
        name.to_owned(),
        titled(metric, system),
        number(of.measured, DIGITS),
        number(of.predicted, DIGITS),
        number(of.error, DIGITS_OF_U),
        number(of.open, DIGITS_OF_U),
        verdict.to_owned(),
    ])
}

fn titled(metric: &Metric, system: System) -> String {
    format!("{}, {}", metric.label, metric.unit.text(system))
}

fn budget(results: &[RunResult], names: &[String], system: System) -> Option<Section> {
    let head = ["run", "figure", "calibration", "noise", "bandwidth", "timing", "together, k = 2"];
    let mut rows = Vec::new();
    for (run, name) in results.iter().zip(names) {
        for metric in METRICS {
            let budgets = run.headline_metric(metric.id).into_iter().filter_map(|result| result.budget);
            let largest = budgets.max_by(|a, b| a.combined().total_cmp(&b.combined()));
            rows.extend(largest.map(|largest| budget_row(name, metric, &largest, system)));
        }
    }
    let said = "Standard uncertainties of the measured figures of the headline channel (of speed, flow and current: of theirs), the \
                largest of the cycles; the last column is twice their root of squares (JCGM 100). A calibration is taken whole \
                even for differences, since certificates do not say how much of it both readings share. A part under a thousandth of \
                the last column reads 0.";
    let pieces =
        vec![Piece::Table(Table { head: head.map(str::to_owned).to_vec(), rows }), Piece::Text(said.to_owned())];
    let any = pieces.iter().any(|piece| matches!(piece, Piece::Table(table) if !table.rows.is_empty()));
    any.then(|| Section { heading: "Uncertainty budget".into(), pieces })
}

fn budget_row(name: &str, metric: &Metric, of: &Budget, system: System) -> Vec<String> {
    let least = NOTHING_SHARE * of.expanded();
    let number = |si: f64| significant(metric.unit.number(if si < least { 0.0 } else { si }, system), DIGITS_OF_U);
    let parts = [of.calibration, of.noise, of.dynamics, of.timing, of.expanded()];
    [name.to_owned(), titled(metric, system)].into_iter().chain(parts.map(number)).collect()
}
