//! Statistics of a few repeats: mean, standard deviation, interval, repeatability, Welch and paired tests.
//!
//! Source: GUM (JCGM 100:2008) 4.2 and G.4; ISO 5725-6 for the repeatability limit; B. L. Welch's unequal-variance test
//! (any text, from memory). Held against NIST StRD and an independent library in tests/validation/signals.rs.

use statrs::distribution::{ChiSquared, ContinuousCDF, StudentsT};

/// Factor of the repeatability limit, r = 2.8 s (ISO 5725-6: 1.96 sqrt 2, rounded).
pub const REPEATABILITY_FACTOR: f64 = 2.8;

/// Mean; `NaN` of nothing. Two passes: the second takes out the rounding of the first.
pub fn mean(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let first = values.iter().sum::<f64>() / n;
    first + values.iter().map(|value| value - first).sum::<f64>() / n
}

/// Sample standard deviation (n - 1); `NaN` below two values.
///
/// s^2 = (sum d^2 - (sum d)^2 / n) / (n - 1) with d = x - mean: the corrected two-pass form.
pub fn standard_deviation(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return f64::NAN;
    }
    let (n, centre) = (values.len() as f64, mean(values));
    let (sum, squares) = values.iter().map(|x| x - centre).fold((0.0, 0.0), |(s, q), d| (s + d, q + d * d));
    ((squares - sum * sum / n) / (n - 1.0)).sqrt()
}

/// Autocorrelation at a lag of one sample, r_1 = sum d_k d_(k+1) / sum d_k^2.
pub fn lag1_autocorrelation(values: &[f64]) -> f64 {
    let centre = mean(values);
    let squares: f64 = values.iter().map(|x| (x - centre).powi(2)).sum();
    values.windows(2).map(|w| (w[0] - centre) * (w[1] - centre)).sum::<f64>() / squares
}

/// Coverage factor t with the share `coverage` of Student's distribution between -t and t; `NaN` unless dof > 0 and
/// 0 < coverage < 1.
pub fn student_t(coverage: f64, dof: f64) -> f64 {
    if !(coverage > 0.0 && coverage < 1.0) {
        return f64::NAN;
    }
    StudentsT::new(0.0, 1.0, dof).map_or(f64::NAN, |t| t.inverse_cdf(0.5 + coverage / 2.0))
}

/// Probability of |t| or more under Student's distribution.
pub fn two_sided_p(t: f64, dof: f64) -> f64 {
    StudentsT::new(0.0, 1.0, dof).map_or(f64::NAN, |d| 2.0 * d.cdf(-t.abs()))
}

/// What n repeats say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repeats {
    /// Number.
    pub n: usize,
    /// Mean.
    pub mean: f64,
    /// Standard deviation s.
    pub s: f64,
    /// Standard uncertainty of the mean, s / sqrt n.
    pub u_mean: f64,
    /// Half width of the 95 % interval of the mean, t s / sqrt n.
    pub u95_mean: f64,
    /// Repeatability limit r = 2.8 s: two single runs differ by more in one case of twenty.
    pub limit_r: f64,
    /// 95 % interval of s itself.
    pub s_interval: (f64, f64),
}

/// Statistics of at least two repeats; `None` below.
pub fn repeats(values: &[f64]) -> Option<Repeats> {
    if values.len() < 2 {
        return None;
    }
    let (n, s) = (values.len(), standard_deviation(values));
    let dof = (n - 1) as f64;
    let u_mean = s / (n as f64).sqrt();
    let bound = |share: f64| ChiSquared::new(dof).map_or(f64::NAN, |d| s * (dof / d.inverse_cdf(share)).sqrt());
    Some(Repeats {
        n,
        mean: mean(values),
        s,
        u_mean,
        u95_mean: student_t(0.95, dof) * u_mean,
        limit_r: REPEATABILITY_FACTOR * s,
        s_interval: (bound(0.975), bound(0.025)),
    })
}

/// Difference of two means with its test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Mean of the first less mean of the second.
    pub difference: f64,
    /// Test statistic.
    pub t: f64,
    /// Degrees of freedom.
    pub dof: f64,
    /// Standard error of the difference.
    pub standard_error: f64,
}

impl Difference {
    /// Probability of such a difference, or a larger one, between equal means.
    pub fn p_two_sided(&self) -> f64 {
        two_sided_p(self.t, self.dof)
    }

    /// Interval of the difference that covers `coverage`.
    pub fn interval(&self, coverage: f64) -> (f64, f64) {
        let half = student_t(coverage, self.dof) * self.standard_error;
        (self.difference - half, self.difference + half)
    }
}

/// Welch's test of two independent samples of at least two values each, variances unequal.
///
/// t = (m1 - m2) / sqrt(v1 + v2), v = s^2 / n; dof = (v1 + v2)^2 / (v1^2 / (n1 - 1) + v2^2 / (n2 - 1)).
pub fn welch(first: &[f64], second: &[f64]) -> Option<Difference> {
    if first.len() < 2 || second.len() < 2 {
        return None;
    }
    let variance_of_mean = |sample: &[f64]| standard_deviation(sample).powi(2) / sample.len() as f64;
    let (v1, v2) = (variance_of_mean(first), variance_of_mean(second));
    let share = |v: f64, n: usize| v * v / (n - 1) as f64;
    let dof = (v1 + v2).powi(2) / (share(v1, first.len()) + share(v2, second.len()));
    let (difference, standard_error) = (mean(first) - mean(second), (v1 + v2).sqrt());
    Some(Difference { difference, t: difference / standard_error, dof, standard_error })
}

/// Paired test: the same cycles under two conditions. `None` below two pairs or for unequal numbers.
pub fn paired(first: &[f64], second: &[f64]) -> Option<Difference> {
    if first.len() != second.len() {
        return None;
    }
    let differences: Vec<f64> = first.iter().zip(second).map(|(a, b)| a - b).collect();
    let of = repeats(&differences)?;
    Some(Difference { difference: of.mean, t: of.mean / of.u_mean, dof: (of.n - 1) as f64, standard_error: of.u_mean })
}

/// Sums of squares of several groups.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OneWay {
    /// Between the groups' means.
    pub between: f64,
    /// Within the groups.
    pub within: f64,
    /// Groups less one.
    pub dof_between: f64,
    /// Values less groups.
    pub dof_within: f64,
}

impl OneWay {
    /// Variance between over variance within.
    pub fn f_ratio(&self) -> f64 {
        self.between / self.dof_between / (self.within / self.dof_within)
    }

    /// Standard deviation within the groups, pooled: how well the same setting repeats over a whole series.
    pub fn pooled_s(&self) -> f64 {
        (self.within / self.dof_within).sqrt()
    }
}

/// One-way analysis of variance; `None` below two groups, for an empty group, and where no group has two values.
///
/// Source: any text on statistics, from memory; held against NIST StRD (SiRstv).
pub fn one_way(groups: &[&[f64]]) -> Option<OneWay> {
    let n: usize = groups.iter().map(|group| group.len()).sum();
    if groups.len() < 2 || n <= groups.len() || groups.iter().any(|group| group.is_empty()) {
        return None;
    }
    let all: Vec<f64> = groups.concat();
    let centre = mean(&all);
    let between = groups.iter().map(|group| group.len() as f64 * (mean(group) - centre).powi(2)).sum();
    let squares = |group: &&[f64]| {
        let own = mean(group);
        group.iter().map(|value| (value - own).powi(2)).sum::<f64>()
    };
    let within = groups.iter().map(squares).sum();
    Some(OneWay { between, within, dof_between: (groups.len() - 1) as f64, dof_within: (n - groups.len()) as f64 })
}

/// Repeats a side that would settle a difference of two means at a coverage, both sides scattering by `s`: the smallest n
/// with t s sqrt(2/n) under the difference. `None` where more than `most` would be needed, or the figures are no figures.
pub fn repeats_to_settle(difference: f64, s: f64, coverage: f64, most: usize) -> Option<usize> {
    (2..=most).find(|n| {
        let count = *n as f64;
        student_t(coverage, 2.0 * (count - 1.0)) * s * (2.0 / count).sqrt() < difference.abs()
    })
}

/// Pairs that would settle a mean difference at a coverage, the differences scattering by `s`: the smallest n with t s/sqrt n under
/// the difference. `None` where more than `most` would be needed, or the figures are no figures.
pub fn pairs_to_settle(difference: f64, s: f64, coverage: f64, most: usize) -> Option<usize> {
    (2..=most).find(|n| {
        let count = *n as f64;
        student_t(coverage, count - 1.0) * s / count.sqrt() < difference.abs()
    })
}

/// Combined standard uncertainty and effective degrees of freedom (Welch-Satterthwaite, GUM G.2b) of independent
/// components (standard uncertainty, degrees of freedom).
pub fn combined(components: &[(f64, f64)]) -> (f64, f64) {
    let variance: f64 = components.iter().map(|(u, _)| u * u).sum();
    let fourth: f64 = components.iter().map(|(u, dof)| u.powi(4) / dof).sum();
    (variance.sqrt(), variance * variance / fourth)
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    const TOLERANCE: f64 = 1e-12;

    #[test]
    fn law_a_paired_test_sees_the_shift_and_not_what_both_share() {
        let first = [10.0, 20.0, 30.0, 40.0];
        let second = [9.0, 19.1, 28.9, 39.0];
        let of = paired(&first, &second).unwrap();
        assert!((of.difference - 1.0).abs() < TOLERANCE && of.dof == 3.0, "{of:?}");
        let (low, high) = of.interval(0.95);
        assert!(low > 0.8 && high < 1.2, "{low} {high}");
        assert!(welch(&first, &second).unwrap().p_two_sided() > 0.9);
        assert_eq!(paired(&first, &second[1..]), None);
    }

    /// Welch's and the mean's 95 % intervals cover the truth in 93 to 97 % of simulated sets, normal scatter, seeded.
    #[test]
    fn law_intervals_of_95_per_cent_cover_the_truth() {
        use rand_distr::Distribution;
        const SETS: usize = 20_000;
        let mut random = <rand_chacha::ChaCha8Rng as rand::SeedableRng>::seed_from_u64(20_261_129);
        let (narrow, wide) = (rand_distr::Normal::new(5.0, 0.1).unwrap(), rand_distr::Normal::new(4.8, 0.4).unwrap());
        let (mut of_mean, mut of_difference, mut of_s) = (0, 0, 0);
        for _ in 0..SETS {
            let first: Vec<f64> = (0..5).map(|_| narrow.sample(&mut random)).collect();
            let second: Vec<f64> = (0..7).map(|_| wide.sample(&mut random)).collect();
            let one = repeats(&second).unwrap();
            of_mean += usize::from((one.mean - 4.8).abs() < one.u95_mean);
            of_s += usize::from(one.s_interval.0 < 0.4 && 0.4 < one.s_interval.1);
            let (low, high) = welch(&first, &second).unwrap().interval(0.95);
            of_difference += usize::from(low < 0.2 && 0.2 < high);
        }
        for (what, hits) in [("mean", of_mean), ("difference", of_difference), ("s", of_s)] {
            let share = hits as f64 / SETS as f64;
            assert!((0.93..0.97).contains(&share), "the interval of the {what} covers {share}");
        }
    }

    /// With 4 a side, t(6) = 2.447: 2.447 sqrt(2/4) = 1.73; with 5, t(8) = 2.306: 1.458; with 6, t(10) = 2.228: 1.286.
    #[test]
    fn says_how_many_repeats_would_settle_a_difference() {
        assert_eq!(repeats_to_settle(1.46, 1.0, 0.95, 100), Some(5));
        assert_eq!(repeats_to_settle(-1.45, 1.0, 0.95, 100), Some(6));
        assert_eq!(repeats_to_settle(0.001, 1.0, 0.95, 100), None);
        assert_eq!(repeats_to_settle(f64::NAN, 1.0, 0.95, 100), None);
        assert_eq!(one_way(&[&[1.0], &[2.0]]), None);
    }

    /// With 4 pairs, t(3) = 3.182: 3.182/2 = 1.591; with 5, t(4) = 2.776: 1.242.
    #[test]
    fn says_how_many_pairs_would_settle_a_difference() {
        assert_eq!(pairs_to_settle(1.6, 1.0, 0.95, 100), Some(4));
        assert_eq!(pairs_to_settle(-1.25, 1.0, 0.95, 100), Some(5));
        assert_eq!(pairs_to_settle(0.001, 1.0, 0.95, 100), None);
    }

    #[test]
    fn rejects_statistics_of_too_few_values() {
        assert!(mean(&[]).is_nan() && standard_deviation(&[1.0]).is_nan());
        assert_eq!(repeats(&[1.0]), None);
        assert_eq!(welch(&[1.0], &[1.0, 2.0]), None);
        assert!(student_t(1.0, 3.0).is_nan() && student_t(0.95, 0.0).is_nan());
    }
}
