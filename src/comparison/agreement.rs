//! Measured against predicted: the comparison error E and what measurement and assumptions leave open about it
//! (ASME V&V 20-2009, from memory: `E = S - D`, `u_val^2 = u_num^2 + u_input^2 + u_D^2`; here E is measured less predicted).
//!
//! `u_D`: the figure's own budget and the spread of the cycles; `u_input`: half the width of the band over 1.96. The solver's
//! own error is not in it: it is second order in the step and far below the band.

use super::evaluate::{MetricResult, RunResult};
use super::metric::registry::{METRICS, Metric};
use super::uncertainty::COVERAGE;
use crate::signal::statistics::{mean, standard_deviation};
use crate::units::display::{System, significant};
use serde::Serialize;

/// Digits of a difference, as of an uncertainty.
const DIGITS: usize = 2;

/// One figure of a run against its prediction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Agreement {
    /// Metric.
    pub id: &'static str,
    /// Mean of the cycles, measured.
    pub measured: f64,
    /// Mean of the cycles, predicted.
    pub predicted: f64,
    /// Measured less predicted.
    pub error: f64,
    /// Expanded uncertainty (k = 2) of that difference.
    pub open: f64,
    /// A band about the prediction is in it; without one only the measurement is.
    pub with_band: bool,
}

impl Agreement {
    /// The difference lies within what is open.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.error.abs() <= self.open
    }
}

/// Every figure that runs are judged by and that has both a measured and a predicted value, headline channel. None where the
/// prediction came after the start: what may know the run (a fit to it does) cannot be held against it.
#[must_use]
pub fn against_prediction(run: &RunResult) -> Vec<Agreement> {
    if !run.foretold() {
        return Vec::new();
    }
    METRICS.iter().filter(|metric| metric.judged).filter_map(|metric| agreement(metric, run)).collect()
}

fn agreement(metric: &Metric, run: &RunResult) -> Option<Agreement> {
    let results = run.headline_metric(metric.id);
    let pair = |result: &MetricResult| Some((result.measured.ok()?, result.predicted.ok()?.value));
    // A bound is no value to compare with.
    let pairs: Vec<(f64, f64)> =
        results.iter().filter_map(pair).filter(|(m, _)| !m.at_least).map(|(m, p)| (m.value, p)).collect();
    if pairs.is_empty() {
        return None;
    }
    let (measured, predicted): (Vec<f64>, Vec<f64>) = pairs.into_iter().unzip();
    let known = |of: &dyn Fn(&MetricResult) -> Option<f64>| results.iter().filter_map(of).reduce(f64::max);
    let budget = known(&|result| Some(result.budget?.combined())).unwrap_or(0.0);
    let band = known(&|result| result.band_u);
    let cycles = measured.len();
    let repeat = if cycles < 2 { 0.0 } else { standard_deviation(&measured) / (cycles as f64).sqrt() };
    let all = [budget, band.unwrap_or(0.0), repeat];
    let (measured, predicted) = (mean(&measured), mean(&predicted));
    Some(Agreement {
        id: metric.id,
        measured,
        predicted,
        error: measured - predicted,
        open: COVERAGE * all.iter().map(|u| u * u).sum::<f64>().sqrt(),
        with_band: band.is_some(),
    })
}

/// One plain sentence.
#[must_use]
pub fn sentence(agreements: &[Agreement], system: System) -> String {
    let labelled = |of: &Agreement| METRICS.iter().find(|metric| metric.id == of.id);
    let Some(first) = agreements.first() else { return "nothing was both measured and predicted".to_owned() };
    let holds: Vec<&str> =
        agreements.iter().filter(|of| of.holds()).filter_map(|of| Some(labelled(of)?.label)).collect();
    let off = agreements.iter().filter(|of| !of.holds()).filter_map(|of| {
        let metric = labelled(of)?;
        let number = |si: f64| significant(metric.unit.number(si, system), DIGITS);
        Some(format!(
            "{} (measured {} {} than predicted, {} {} are open)",
            metric.label,
            number(of.error.abs()),
            if of.error > 0.0 { "more" } else { "less" },
            number(of.open),
            metric.unit.text(system)
        ))
    });
    let off: Vec<String> = off.collect();
    let open = if first.with_band { "measurement and assumptions leave" } else { "the measurement alone leaves" };
    match (holds.is_empty(), off.is_empty()) {
        (false, true) => format!("the prediction holds within what {open} open: {}", holds.join(", ")),
        (true, _) => format!("the prediction is off by more than {open} open: {}", off.join("; ")),
        (false, false) => format!(
            "the prediction holds within what {open} open for {}; it is off for {}",
            holds.join(", "),
            off.join("; ")
        ),
    }
}
