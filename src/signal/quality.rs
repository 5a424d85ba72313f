//! What is wrong with a series before anything is read off it: spikes, flat stretches, a converter that loses its level.
//!
//! Spike and flat limits are common practice, no source; they flag, and a person judges.

use super::statistics::mean;
use serde::{Deserialize, Serialize};

/// A sample is a spike when it stands off both neighbours, in the same direction, by more than this multiple of the
/// usual step between neighbours.
const SPIKE_STEPS: f64 = 20.0;
/// A series that repeats one value for this long is flat, s: noise of any live converter moves the last bit within it.
pub const FLAT_S: f64 = 1.0;
/// Share of a two-level step that must be seen in the first half of the hold for anything to be said of it.
const SEEN: std::ops::RangeInclusive<f64> = 0.1..=3.0;
/// Share of a two-level step that must be left at the end of the hold for a converter to count as DC-coupled.
const HELD_SHARE: f64 = 0.9;

/// Samples that stand alone. `usual` is the median absolute step between neighbours (but at least `least_step`, one count
/// of the converter): a wave bends over many samples, a spike does not.
///
/// Arguments: values, any unit, missing ones NaN; `least_step`, same unit, above 0. Returns the indices.
pub fn spikes(values: &[f64], least_step: f64) -> Vec<usize> {
    let mut steps: Vec<f64> =
        values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).filter(|s| s.is_finite()).collect();
    if steps.is_empty() {
        return Vec::new();
    }
    let middle = steps.len() / 2;
    let (_, usual, _) = steps.select_nth_unstable_by(middle, f64::total_cmp);
    let limit = SPIKE_STEPS * usual.max(least_step);
    let alone = |k: usize| {
        let (before, after) = (values[k] - values[k - 1], values[k] - values[k + 1]);
        before * after > 0.0 && before.abs() > limit && after.abs() > limit
    };
    (1..values.len().saturating_sub(1)).filter(|&k| alone(k)).collect()
}

/// Longest stretch of one and the same value, samples; a missing sample ends a stretch.
#[allow(clippy::float_cmp, reason = "the same count gives the same number")]
pub fn longest_flat(values: &[f64]) -> usize {
    let (mut longest, mut run) = (0, 0);
    let mut last = f64::NAN;
    for &value in values {
        run = if value == last { run + 1 } else { usize::from(!value.is_nan()) };
        last = value;
        longest = longest.max(run);
    }
    longest
}

/// What a hold at two known levels shows of a converter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TwoLevels {
    /// The step stays: DC-coupled, with this gain against the known step.
    Holds {
        /// Step read over step given.
        gain: f64,
    },
    /// The step decays while the level is held: AC-coupled.
    Decays {
        /// High-pass corner that fits the decay, Hz.
        corner_hz: f64,
    },
    /// Nothing like the given step is seen even at first: decayed before the hold began, wrong input, or dead.
    Unseen {
        /// Step read over step given.
        gain: f64,
    },
}

/// Two-level check: hold one known level, then another, and see whether the reading stays.
///
/// A high-pass of first order turns a step D into D exp(-2 pi f_c t). With the means m1, m2 of the first and the second
/// half of the hold (T long, half step T/2) over the level before: m2 / m1 = exp(-pi f_c T), so f_c = ln(m1 / m2) / (pi T).
///
/// Arguments: `before`, the level read before the step; `held`, readings of the hold from the step on; `dt_s`, s;
/// `given`, the known step, same unit. Range: corners from 0.03 / T to 2 / T, so 2 mHz to 0.1 Hz in a hold of 20 s; what
/// decays faster is unseen. Source: derivation above; `law_*` below.
pub fn two_levels(before: f64, held: &[f64], dt_s: f64, given: f64) -> TwoLevels {
    let known: Vec<f64> = held.iter().copied().filter(|value| !value.is_nan()).collect();
    let (first, second) = known.split_at(known.len() / 2);
    if first.is_empty() {
        return TwoLevels::Unseen { gain: 0.0 };
    }
    let (first, second) = (mean(first) - before, mean(second) - before);
    decay(first, second, held.len() as f64 * dt_s, given)
}

/// The same from the means of the two halves over the level before, `first` and `second`, and the length of the hold.
pub fn decay(first: f64, second: f64, hold_s: f64, given: f64) -> TwoLevels {
    let gain = first / given;
    if !SEEN.contains(&gain) {
        return TwoLevels::Unseen { gain };
    }
    let left = second / first;
    if left >= HELD_SHARE {
        return TwoLevels::Holds { gain: 0.5 * (first + second) / given };
    }
    // Nothing left at all: the corner is at least what one part in a thousand would mean.
    let corner_hz = -left.max(1e-3).ln() / (std::f64::consts::PI * hold_s);
    TwoLevels::Decays { corner_hz }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative error of a fitted corner.
    const CORNER_TOLERANCE: f64 = 1e-3;

    #[test]
    fn finds_single_spikes_and_no_wave_crest() {
        let mut wave: Vec<f64> = (0..2000).map(|k| 1e5 * (f64::from(k) * 0.01).sin()).collect();
        assert_eq!(spikes(&wave, 1.0), Vec::<usize>::new(), "a clean wave has none");
        wave[700] += 5e5;
        wave[1200] -= 5e5;
        assert_eq!(spikes(&wave, 1.0), vec![700, 1200]);
        wave[300] = f64::NAN;
        assert_eq!(spikes(&wave, 1.0), vec![700, 1200], "a gap is no spike");
    }

    #[test]
    fn measures_the_longest_flat_stretch() {
        assert_eq!(longest_flat(&[]), 0);
        assert_eq!(longest_flat(&[f64::NAN, f64::NAN]), 0);
        assert_eq!(longest_flat(&[1.0, 2.0, 2.0, 2.0, 3.0, 3.0]), 3);
        assert_eq!(longest_flat(&[2.0, 2.0, f64::NAN, 2.0]), 2);
    }

    #[test]
    fn law_a_first_order_high_pass_gives_back_its_corner() {
        for corner_hz in [0.01, 0.05, 0.1] {
            let (dt_s, given, before) = (0.01, 8e4, 1.2e5);
            let held: Vec<f64> = (0..2000)
                .map(|k| before + given * (-std::f64::consts::TAU * corner_hz * f64::from(k) * dt_s).exp())
                .collect();
            let TwoLevels::Decays { corner_hz: got } = two_levels(before, &held, dt_s, given) else {
                panic!("{corner_hz} Hz not found")
            };
            let error = (got / corner_hz - 1.0).abs();
            assert!(
                error < CORNER_TOLERANCE,
                "corner: expected {corner_hz}, got {got}, error {error:e}, tolerance {CORNER_TOLERANCE:e} (closed form)"
            );
        }
    }

    #[test]
    fn accepts_a_step_that_stays_and_says_its_gain() {
        let held = [1.0 + 0.98; 100];
        let TwoLevels::Holds { gain } = two_levels(1.0, &held, 0.1, 1.0) else { panic!("holds") };
        assert!((gain - 0.98).abs() < 1e-12, "expected 0.98 got {gain}");
        assert!(matches!(two_levels(1.0, &[1.0; 100], 0.1, 1.0), TwoLevels::Unseen { .. }), "a dead input");
        assert!(matches!(two_levels(1.0, &[], 0.1, 1.0), TwoLevels::Unseen { .. }));
    }
}
