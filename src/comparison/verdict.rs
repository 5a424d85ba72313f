//! Which of two starters does more: larger, smaller, or a tie when the difference lies under noise or interval.

use super::repeatability::FEWEST;
use crate::signal::statistics::{mean, one_way, paired, pairs_to_settle, repeats_to_settle, standard_deviation, welch};
use serde::Serialize;

/// Coverage of the interval before correction for the number of comparisons.
const COVERAGE: f64 = 0.95;
/// More repeats than this are not proposed: the setting, the water and the day change before they are done.
const MOST_REPEATS: usize = 30;

/// The first against the second.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The first is larger.
    Larger,
    /// The first is smaller.
    Smaller,
    /// No difference can be told.
    Tie,
}

/// What the verdict rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Fewer than three repeats on a side: the ranges lie apart by more than the noise, or they do not. No confidence is
    /// claimed.
    Ranges,
    /// Welch's interval at 95 %, corrected for the number of comparisons (Bonferroni).
    Interval,
    /// The paired interval at 95 % of the differences between repeats that belong together, corrected likewise.
    Pairs,
}

/// How the repeats of two sets are held against one another. It belongs to the plan of the measurement, not to its results.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pairing {
    /// Each set by itself (Welch).
    #[default]
    Independent,
    /// Repeat k of the one with repeat k of the other: what both share (the day, the level, the warm-up) falls out.
    Paired,
}

/// A repeat and its number.
pub type Repeat<T> = (T, f64);

/// A verdict with its figures.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Judgement {
    /// The verdict.
    pub verdict: Verdict,
    /// Mean of the first less mean of the second.
    pub difference: f64,
    /// The difference had to exceed this.
    pub needed: f64,
    /// Basis.
    pub basis: Basis,
    /// Where it is a tie beyond the noise: repeats a side that would settle a difference of this size, if the scatter
    /// stays as it is. None: no tie, or more than thirty.
    pub settled_by: Option<usize>,
}

/// Judge two sets of repeats; differences up to `noise` are ties whatever the repeats say. `None` when a side is empty.
pub fn judge(first: &[f64], second: &[f64], noise: f64, comparisons: usize) -> Option<Judgement> {
    if first.is_empty() || second.is_empty() {
        return None;
    }
    let difference = mean(first) - mean(second);
    let (needed, basis) = if first.len().min(second.len()) < FEWEST {
        (noise + half_range(first) + half_range(second), Basis::Ranges)
    } else {
        (noise.max(half_interval(first, second, comparisons)), Basis::Interval)
    };
    let verdict = stands(difference, needed);
    let open = verdict == Verdict::Tie && basis == Basis::Interval && difference.abs() > noise;
    let settled_by = open.then(|| settled_by(first, second, difference, comparisons)).flatten();
    Some(Judgement { verdict, difference, needed, basis, settled_by })
}

/// Judge two sets of numbered repeats. Paired, only repeats whose number both sets have count; `None` when there are none.
pub fn judge_by<T: PartialEq>(
    pairing: Pairing,
    first: &[Repeat<T>],
    second: &[Repeat<T>],
    noise: f64,
    comparisons: usize,
) -> Option<Judgement> {
    let values = |of: &[Repeat<T>]| of.iter().map(|(_, value)| *value).collect::<Vec<f64>>();
    if pairing == Pairing::Independent {
        return judge(&values(first), &values(second), noise, comparisons);
    }
    let partner = |(number, value): &Repeat<T>| Some((*value, second.iter().find(|other| other.0 == *number)?.1));
    let (first, second): (Vec<f64>, Vec<f64>) = first.iter().filter_map(partner).unzip();
    if first.len() < FEWEST {
        return judge(&first, &second, noise, comparisons);
    }
    let of = paired(&first, &second)?;
    // Pairs that all differ by the same have no interval; noise alone decides then.
    let half = (of.interval(coverage(comparisons)).1 - of.difference).abs();
    let needed = noise.max(if half.is_nan() { 0.0 } else { half });
    let verdict = stands(of.difference, needed);
    let differences: Vec<f64> = first.iter().zip(&second).map(|(a, b)| a - b).collect();
    let settled_by = (verdict == Verdict::Tie && of.difference.abs() > noise)
        .then(|| pairs_to_settle(of.difference, standard_deviation(&differences), coverage(comparisons), MOST_REPEATS))
        .flatten()
        .filter(|n| *n > first.len());
    Some(Judgement { verdict, difference: of.difference, needed, basis: Basis::Pairs, settled_by })
}

fn stands(difference: f64, needed: f64) -> Verdict {
    match difference {
        d if d > needed => Verdict::Larger,
        d if -d > needed => Verdict::Smaller,
        _ => Verdict::Tie,
    }
}

fn coverage(comparisons: usize) -> f64 {
    1.0 - (1.0 - COVERAGE) / comparisons.max(1) as f64
}

fn settled_by(first: &[f64], second: &[f64], difference: f64, comparisons: usize) -> Option<usize> {
    let s = one_way(&[first, second])?.pooled_s();
    let n = repeats_to_settle(difference, s, coverage(comparisons), MOST_REPEATS)?;
    (n > first.len().min(second.len())).then_some(n)
}

/// With one or two values the mean is the middle of the range, so that ranges lie apart by more than the noise exactly
/// when the means differ by more than noise and both half ranges.
fn half_range(values: &[f64]) -> f64 {
    let (low, high) = values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    (high - low) / 2.0
}

fn half_interval(first: &[f64], second: &[f64], comparisons: usize) -> f64 {
    // Repeats without any spread have no interval; noise alone decides then.
    let half = welch(first, second).map_or(f64::NAN, |of| (of.interval(coverage(comparisons)).1 - of.difference).abs());
    if half.is_nan() { 0.0 } else { half }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    fn verdict(first: &[f64], second: &[f64], noise: f64) -> Verdict {
        judge(first, second, noise, 1).unwrap().verdict
    }

    #[test]
    fn says_tie_under_the_noise_and_when_ranges_overlap() {
        assert_eq!(verdict(&[5.0, 5.2], &[4.0, 4.4], 0.5), Verdict::Larger);
        assert_eq!(verdict(&[5.0, 5.2], &[4.0, 4.4], 0.7), Verdict::Tie);
        assert_eq!(verdict(&[5.0, 5.2], &[5.1, 9.0], 0.0), Verdict::Tie);
        assert_eq!(verdict(&[1.0], &[2.0], 0.5), Verdict::Smaller);
        assert_eq!(verdict(&[1.0], &[1.0], 0.0), Verdict::Tie);
        assert_eq!(judge(&[], &[1.0], 0.0, 1), None);
    }

    #[test]
    fn says_how_many_repeats_would_settle_a_tie_and_nothing_where_the_noise_decides() {
        let (first, second) = ([5.0, 5.4, 4.6, 5.2], [4.7, 5.1, 4.4, 4.9]);
        let of = judge(&first, &second, 0.0, 1).unwrap();
        assert_eq!(of.verdict, Verdict::Tie);
        let n = of.settled_by.unwrap();
        assert!((5..=30).contains(&n), "{n}");
        assert_eq!(judge(&first, &second, 0.5, 1).unwrap().settled_by, None, "under the noise");
        assert_eq!(judge(&first[..2], &second[..2], 0.0, 1).unwrap().settled_by, None, "ranges claim nothing");
        assert_eq!(judge(&[9.0; 3], &second, 0.0, 1).unwrap().settled_by, None, "no tie");
    }

    /// A drift that both share: Welch sees only the drift, the pairs see the difference. By hand: differences .30, .28, .33, .29,
    /// mean .30, s .0216, t(3) = 3.182: .0344 needed.
    #[test]
    fn sees_in_pairs_what_the_drift_of_the_day_hides() {
        let first = [(1, 5.30), (2, 5.78), (3, 6.33), (4, 6.79)];
        let second = [(1, 5.0), (2, 5.5), (3, 6.0), (4, 6.5)];
        let apart = judge_by(Pairing::Independent, &first, &second, 0.0, 1).unwrap();
        assert_eq!((apart.verdict, apart.basis), (Verdict::Tie, Basis::Interval));
        let of = judge_by(Pairing::Paired, &first, &second, 0.0, 1).unwrap();
        assert_eq!((of.verdict, of.basis), (Verdict::Larger, Basis::Pairs));
        assert!((of.difference - 0.3).abs() < 1e-9 && (of.needed - 0.0344).abs() < 1e-4, "{of:?}");
        assert_eq!(
            judge_by(Pairing::Paired, &first, &second, 0.4, 1).unwrap().verdict,
            Verdict::Tie,
            "under the noise"
        );
        // Only what both have is paired, whatever its order; two pairs claim nothing but their ranges.
        let turned = [(4, 6.5), (2, 5.5), (1, 5.0), (9, 0.0)];
        assert!((judge_by(Pairing::Paired, &first, &turned, 0.0, 1).unwrap().difference - 0.29).abs() < 1e-9);
        let two = judge_by(Pairing::Paired, &first, &turned[1..3], 0.0, 1).unwrap();
        assert_eq!(two.basis, Basis::Ranges);
        assert_eq!(judge_by(Pairing::Paired, &first, &[(7, 1.0)], 0.0, 1), None);
        // Open: how many pairs would do.
        let scattered = [(1, 5.0), (2, 5.9), (3, 6.0), (4, 6.6)];
        let open = judge_by(Pairing::Paired, &first, &scattered, 0.0, 1).unwrap();
        assert!(open.verdict == Verdict::Tie && open.settled_by.is_some_and(|n| n > 4), "{open:?}");
    }

    #[test]
    fn widens_the_interval_with_the_number_of_comparisons() {
        let (first, second) = ([5.0, 5.1, 5.2, 5.1], [4.9, 5.0, 4.95, 4.9]);
        assert_eq!(judge(&first, &second, 0.0, 1).unwrap().verdict, Verdict::Larger);
        assert_eq!(judge(&first, &second, 0.0, 60).unwrap().verdict, Verdict::Tie);
        assert_eq!(verdict(&[2.0; 3], &[1.0; 3], 0.5), Verdict::Larger, "no spread: the noise alone decides");
    }
}
