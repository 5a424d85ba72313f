//! Holding figures to a tolerance: a run against its own prediction, or against another run.
//!
//! Guarded acceptance and rejection (JCGM 106:2012, 8.3): a figure is within when it stays within by the guard band too, beyond
//! when it is beyond by it, and open in between. The guard band is a stated multiple of the expanded uncertainty (k = 2); with the
//! multiple 1 a wrong acceptance or rejection is at most 2.5 % likely (ibid., 8.3.2, for a normal distribution; from memory).

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
    /// Guard band: what is known of it leaves this open.
    pub guard: f64,
    /// Where it stands.
    pub standing: Standing,
    /// It is within, by the guard band too.
    pub within: bool,
}

/// A figure and its tolerance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Within by the guard band.
    Within,
    /// The uncertainty reaches over the limit: nothing can be told.
    Open,
    /// Beyond by the guard band.
    Beyond,
}

/// What figures are held to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// Share of the reference.
    pub share: f64,
    /// Guard band over expanded uncertainty, 0..=1; 0: simple acceptance.
    pub guard: f64,
}

/// Hold every measured figure of `run` against its prediction, on the channel that speaks for the rig. Figures that were
/// not measured or not predicted are left out, and all of them where the prediction came after the start.
pub fn against_prediction(run: &RunResult, to: Tolerance) -> Vec<Held> {
    if !run.foretold() {
        return Vec::new();
    }
    let of = |metric: &Metric| {
        let pair = (run.mean_measured(metric.id).ok()?, run.mean_predicted(metric.id).ok()?);
        Some(held(run, metric, pair, to, (run.noise(metric.id), run.expanded_uncertainty(metric.id).unwrap_or(0.0))))
    };
    METRICS.iter().filter(|metric| metric.judged).filter_map(of).collect()
}

/// Hold every measured figure of `run` against those of `reference`.
pub fn against_run(run: &RunResult, reference: &RunResult, to: Tolerance) -> Vec<Held> {
    let of = |metric: &Metric| {
        let pair = (run.mean_measured(metric.id).ok()?, reference.mean_measured(metric.id).ok()?);
        let noise = run.noise(metric.id).max(reference.noise(metric.id));
        let open = [run, reference].map(|run| run.expanded_uncertainty(metric.id).unwrap_or(0.0));
        Some(held(run, metric, pair, to, (noise, open[0].hypot(open[1]))))
    };
    METRICS.iter().filter(|metric| metric.judged).filter_map(of).collect()
}

fn held(
    run: &RunResult,
    metric: &Metric,
    (measured, reference): (f64, f64),
    to: Tolerance,
    (noise, expanded): (f64, f64),
) -> Held {
    let allowed = (to.share * reference.abs()).max(noise);
    let guard = to.guard * expanded;
    let standing = stands((measured - reference).abs(), allowed, guard);
    Held {
        recording: run.path.clone(),
        key: metric.key,
        label: metric.label,
        measured,
        reference,
        allowed,
        guard,
        standing,
        within: standing == Standing::Within,
    }
}

fn stands(difference: f64, allowed: f64, guard: f64) -> Standing {
    if difference + guard <= allowed {
        Standing::Within
    } else if difference - guard > allowed {
        Standing::Beyond
    } else {
        Standing::Open
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_a_guard_band_decides_only_what_the_uncertainty_lets_it() {
        // JCGM 106:2012, 8.3.2 and 8.3.3: acceptance limits lie the guard band inside, rejection limits outside.
        for (difference, guard, expected) in [
            (6.0, 2.0, Standing::Within),
            (8.0, 2.0, Standing::Within),
            (8.1, 2.0, Standing::Open),
            (10.0, 2.0, Standing::Open),
            (12.0, 2.0, Standing::Open),
            (12.1, 2.0, Standing::Beyond),
            (10.0, 0.0, Standing::Within),
            (10.1, 0.0, Standing::Beyond),
            (0.0, 11.0, Standing::Open),
        ] {
            assert_eq!(stands(difference, 10.0, guard), expected, "{difference} of 10 allowed, guard band {guard}");
        }
    }
}
