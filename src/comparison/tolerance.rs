//! Holding figures to a tolerance: a run against its own prediction, or against another run.

use super::evaluate::RunResult;
use super::metric::registry::{METRICS, Metric};
use serde::Serialize;

/// One figure held to the tolerance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Held {
    /// File of the run.
    pub recording: String,
    /// Key of the metric, with its unit.
    pub key: &'static str,
    /// What a person reads.
    pub label: &'static str,
    /// Mean of the cycles.
    pub measured: f64,
    /// What it is held against.
    pub reference: f64,
    /// The difference may be this large: the share of the reference, or the noise where that is more.
    pub allowed: f64,
    /// It is.
    pub within: bool,
}

/// Hold every measured figure of `run` against its prediction, on the channel that speaks for the rig. Figures that were
/// not measured or not predicted are left out.
pub fn against_prediction(run: &RunResult, share: f64) -> Vec<Held> {
    let pairs = METRICS.iter().filter(|metric| metric.judged).filter_map(|metric| {
        Some((metric, run.mean_measured(metric.id).ok()?, run.mean_predicted(metric.id).ok()?, run.noise(metric.id)))
    });
    pairs.map(|(metric, measured, reference, noise)| held(run, metric, measured, reference, share, noise)).collect()
}

/// Hold every measured figure of `run` against those of `reference`.
pub fn against_run(run: &RunResult, reference: &RunResult, share: f64) -> Vec<Held> {
    let pairs = METRICS.iter().filter(|metric| metric.judged).filter_map(|metric| {
        let noise = run.noise(metric.id).max(reference.noise(metric.id));
        Some((metric, run.mean_measured(metric.id).ok()?, reference.mean_measured(metric.id).ok()?, noise))
    });
    pairs.map(|(metric, measured, reference, noise)| held(run, metric, measured, reference, share, noise)).collect()
}

fn held(run: &RunResult, metric: &Metric, measured: f64, reference: f64, share: f64, noise: f64) -> Held {
    let allowed = (share * reference.abs()).max(noise);
    let within = (measured - reference).abs() <= allowed;
    Held { recording: run.path.clone(), key: metric.key, label: metric.label, measured, reference, allowed, within }
}
