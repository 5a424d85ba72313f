//! The short answer of a run for machines: headline channel, mean of cycles, SI.

use super::agreement::{Agreement, against_prediction};
use super::evaluate::RunResult;
use super::metric::registry::METRICS;
use crate::sequence::first_cycle::FirstCycle;
use crate::sequence::ports::StopOutcome;
use crate::starters::StarterKind;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A run in one object. The metrics' keys carry phase and unit (`start_surge_pa`, `start_surge_predicted_pa`); a metric
/// without a value is `null` and has its reason in `not_measured`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunSummary {
    /// Starter kind.
    pub starter_kind: Option<StarterKind>,
    /// Recording file.
    pub recording: String,
    /// What the person called the run; empty: nothing.
    #[serde(default)]
    pub label: String,
    /// Cycles started.
    pub cycles: usize,
    /// What becomes of the first one, by the sequence that it ran by.
    #[serde(default)]
    pub first_cycle: FirstCycle,
    /// Cycles that the figures are made of.
    #[serde(default)]
    pub cycles_counted: usize,
    /// Frames stored.
    pub frames: u64,
    /// Frames missing.
    pub frames_missing: u64,
    /// False: lost frames would leave no trace, `frames_missing` says nothing.
    pub loss_detectable: bool,
    /// How long before the first start the prediction was on disk, s of rig time.
    pub prediction_made_before_start_s: Option<f64>,
    /// Worst stop outcome.
    pub stop_outcome: StopOutcome,
    /// Mean lag of current onset taken out by the alignment, s; `null` where time zero is the start mark.
    pub start_lag_s: Option<f64>,
    /// Largest standard uncertainty of a start's time zero, s: the alignment error.
    pub alignment_u_s: Option<f64>,
    /// Metrics by key.
    #[serde(flatten)]
    pub metrics: BTreeMap<String, Option<f64>>,
    /// Readings beside the differences: gauge pressure at the start peak, stop peak and stop trough, Pa.
    pub gauge_pa: BTreeMap<String, f64>,
    /// Metrics of which some cycle was clipped: the true value is at least as large, or a trough as deep.
    pub at_least: Vec<String>,
    /// What is wrong with channels, in words: spikes, flat stretches, clipping, failed loops.
    pub flags: Vec<String>,
    /// Level of each pressure channel at rest after the run less that before it, Pa.
    pub zero_drift_pa: BTreeMap<String, f64>,
    /// Expanded uncertainty (k = 2) of the measured metrics, by key.
    #[serde(default)]
    pub expanded_uncertainty: BTreeMap<String, f64>,
    /// Measured less predicted, and what measurement and assumptions leave open about it (k = 2), by key.
    #[serde(default)]
    pub against_prediction: BTreeMap<String, Difference>,
    /// Why a metric is `null`, by key.
    pub not_measured: BTreeMap<String, String>,
}

/// A figure against its prediction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// Measured less predicted, in the unit of the key.
    pub error: f64,
    /// Expanded uncertainty of it, k = 2.
    pub open: f64,
    /// A band about the prediction is in it.
    pub with_band: bool,
}

/// Summarise a run.
pub fn summary(run: &RunResult) -> RunSummary {
    let (mut metrics, mut not_measured) = (BTreeMap::new(), BTreeMap::new());
    let mut enter = |key: &str, reading: Result<f64, super::metric::NotMeasured>| {
        metrics.insert(key.to_owned(), reading.ok());
        if let Err(why) = reading {
            not_measured.insert(key.to_owned(), why.to_string());
        }
    };
    for metric in METRICS {
        enter(metric.key, run.mean_measured(metric.id));
        if let Some(key) = metric.predicted_key {
            enter(key, run.mean_predicted(metric.id));
        }
    }
    RunSummary {
        starter_kind: run.starter_kind,
        recording: run.path.clone(),
        label: run.label.clone(),
        cycles: run.cycles.len(),
        first_cycle: run.first_cycle,
        cycles_counted: run.counted().len(),
        frames: run.frames,
        frames_missing: run.frames_missing,
        loss_detectable: run.shows_loss,
        prediction_made_before_start_s: run.prediction_made_before_start_s,
        stop_outcome: run.stop_outcome,
        start_lag_s: mean_lag_s(run),
        alignment_u_s: run.cycles.iter().map(|cycle| cycle.zero_u_s).filter(|u_s| u_s.is_finite()).reduce(f64::max),
        metrics,
        gauge_pa: gauge_pa(run),
        at_least: METRICS.iter().filter(|m| run.is_at_least(m.id)).map(|m| m.key.to_owned()).collect(),
        flags: run.flags.clone(),
        zero_drift_pa: zero_drift_pa(run),
        expanded_uncertainty: METRICS
            .iter()
            .filter_map(|m| Some((m.key.to_owned(), run.expanded_uncertainty(m.id)?)))
            .collect(),
        against_prediction: differences(run),
        not_measured,
    }
}

fn differences(run: &RunResult) -> BTreeMap<String, Difference> {
    let of = |found: Agreement| {
        let key = METRICS.iter().find(|metric| metric.id == found.id)?.key;
        Some((key.to_owned(), Difference { error: found.error, open: found.open, with_band: found.with_band }))
    };
    against_prediction(run).into_iter().filter_map(of).collect()
}

fn mean_lag_s(run: &RunResult) -> Option<f64> {
    let lags: Vec<f64> = run.cycles.iter().filter_map(|c| c.zero.lag_s()).collect();
    (!lags.is_empty()).then(|| crate::signal::statistics::mean(&lags))
}

fn zero_drift_pa(run: &RunResult) -> BTreeMap<String, f64> {
    let of = |zero: &super::soundness::ZeroCheck| {
        let info = run.channels.get(zero.channel).filter(|info| info.unit == "Pa")?;
        Some((info.id.0.clone(), zero.drift_pa()?))
    };
    run.zeros.iter().filter_map(of).collect()
}

fn gauge_pa(run: &RunResult) -> BTreeMap<String, f64> {
    let of = |id: &str| {
        let readings: Vec<f64> = run.headline_metric(id).iter().filter_map(|m| m.measured.ok()?.gauge_pa).collect();
        (!readings.is_empty()).then(|| (id.to_owned(), crate::signal::statistics::mean(&readings)))
    };
    METRICS.iter().filter_map(|metric| of(metric.id)).collect()
}
