//! Holding figures to a tolerance (a run against its own prediction, or against another run) and to limits.
//!
//! Guarded acceptance and rejection (JCGM 106:2012, 8.3): a figure is within when it stays within by the guard band too, beyond
//! when it is beyond by it, and open in between. The guard band is a stated multiple of the expanded uncertainty (k = 2); with the
//! multiple 1 a wrong acceptance or rejection is at most 2.5 % likely (ibid., 8.3.2, for a normal distribution; from memory).

use super::evaluate::RunResult;
use super::metric::registry::{METRICS, Metric, Unit, metric};
use crate::units::Want;
use serde::Serialize;
use std::fmt;
use std::str::FromStr;

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
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Within by the guard band.
    Within,
    /// The uncertainty reaches over the limit: nothing can be told.
    Open,
    /// Beyond by the guard band.
    Beyond,
}

impl fmt::Display for Standing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Within => "within",
            Self::Open => "open",
            Self::Beyond => "beyond",
        })
    }
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

/// A limit that a figure must not pass.
#[derive(Debug, Clone, Copy)]
pub struct Limit {
    /// Id of the figure.
    pub id: &'static str,
    /// Its size may be this much, in the metric's unit; of a trough: its depth.
    pub most: f64,
}

impl FromStr for Limit {
    type Err = String;

    /// `start_surge=0.8 bar`: key of a figure, with or without its unit, and a quantity.
    fn from_str(text: &str) -> Result<Self, String> {
        let known = || METRICS.iter().filter(|metric| want(metric.unit).is_some());
        let names = || known().map(|metric| metric.id).collect::<Vec<_>>().join(", ");
        let (name, quantity) = text.split_once('=').ok_or_else(|| format!("FIGURE=VALUE; figures: {}", names()))?;
        let name = name.trim();
        let metric = known().find(|metric| [metric.id, metric.key, metric.label].contains(&name));
        let metric = metric.ok_or_else(|| format!("{name:?} is no figure with limits; those are: {}", names()))?;
        let wanted = want(metric.unit).ok_or_else(names)?;
        let quantity = match metric.unit {
            Unit::PascalPerSecond => {
                quantity.trim().strip_suffix("/s").ok_or("a pressure a second, such as 20 bar/s")?
            }
            _ => quantity.trim(),
        };
        let most = wanted.read(quantity).map_err(|misfit| format!("{}, not {}", misfit.allowed, misfit.found))?;
        Ok(Self { id: metric.id, most })
    }
}

/// What a limit of a figure is written as; `None`: figures without limits.
fn want(unit: Unit) -> Option<Want> {
    match unit {
        Unit::Pascal | Unit::PascalPerSecond => Some(Want::PRESSURE_DIFFERENCE),
        Unit::Second => Some(Want::TIME),
        Unit::Ampere => Some(Want::CURRENT),
        Unit::RadPerSecond => Some(Want::SPEED),
        Unit::Hertz => Some(Want::FREQUENCY),
        Unit::Share | Unit::CubicMetre | Unit::Joule | Unit::NewtonSecond => None,
    }
}

/// Hold the figures of `run` to limits, by the worst of its cycles; a reading that was clipped is never within. What was not
/// measured comes in words.
pub fn against_limits(run: &RunResult, limits: &[Limit], guard: f64) -> (Vec<Held>, Vec<String>) {
    let (mut found, mut unknown) = (Vec::new(), Vec::new());
    for limit in limits {
        let Some(metric) = metric(limit.id) else { continue };
        let sizes = run.headline_metric(metric.id).into_iter().filter_map(|found| found.measured.ok());
        let Some(worst) = sizes.map(|value| value.value.abs()).reduce(f64::max) else {
            let why = run.mean_measured(metric.id).err().map_or_else(String::new, |why| why.to_string());
            unknown.push(format!("{}: {} not measured: {why}", run.path, metric.label));
            continue;
        };
        let guard = guard * run.expanded_uncertainty(metric.id).unwrap_or(0.0);
        let standing = match stands(worst, limit.most, guard) {
            Standing::Within if run.is_at_least(metric.id) => Standing::Open,
            standing => standing,
        };
        found.push(Held {
            recording: run.path.clone(),
            key: metric.key,
            label: metric.label,
            measured: worst,
            reference: 0.0,
            allowed: limit.most,
            guard,
            standing,
            within: standing == Standing::Within,
        });
    }
    (found, unknown)
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
    fn reads_limits_and_says_which_figures_have_one() {
        let limit: Limit = "start_surge=0.8 bar".parse().unwrap();
        assert_eq!((limit.id, limit.most.round()), ("start_surge", 80_000.0));
        let rate: Limit = "start_peak_rate = 20 bar/s".parse().unwrap();
        assert!((rate.most - 2.0e6).abs() < 1e-6);
        for (wrong, word) in [
            ("start_surge", "FIGURE=VALUE"),
            ("startsurge=1 bar", "start_surge, "),
            ("start_surge=0.8", "bar"),
            ("start_surge=-1 bar", "-1 bar"),
            ("start_peak_rate=20 bar", "20 bar/s"),
            ("start_surge=2 s", "2 s"),
        ] {
            let refused = wrong.parse::<Limit>().unwrap_err();
            assert!(refused.contains(word), "{wrong}: {refused}");
        }
    }

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
