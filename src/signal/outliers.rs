//! Values and spreads that stand out: Grubbs for one value of a set, Cochran for one spread among several, and Holm's
//! correction where many differences are judged at once. What stands out is flagged; nothing is dropped here.
//!
//! Source: ISO 5725-2 (Grubbs for single values, Cochran for variances) by the distributions behind its tables; S. Holm,
//! a simple sequentially rejective multiple test procedure (1979), written from the description.

use super::statistics::{mean, standard_deviation};
use statrs::distribution::{ContinuousCDF, FisherSnedecor, StudentsT};

/// Level at which a value is a straggler (worth a look), and at which it is an outlier (ISO 5725-2).
pub const STRAGGLER_LEVEL: f64 = 0.05;
/// See [`STRAGGLER_LEVEL`].
pub const OUTLIER_LEVEL: f64 = 0.01;

/// How far something stands out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// As the others.
    Inside,
    /// Beyond the 5 % level: worth a look.
    Straggler,
    /// Beyond the 1 % level.
    Outlier,
}

/// The one that stands out most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extreme {
    /// Which, from 0.
    pub index: usize,
    /// Test statistic.
    pub statistic: f64,
    /// Its critical value at 5 %.
    pub critical_5: f64,
    /// Its critical value at 1 %.
    pub critical_1: f64,
}

impl Extreme {
    /// How far it stands out.
    pub fn standing(&self) -> Standing {
        match self.statistic {
            s if s > self.critical_1 => Standing::Outlier,
            s if s > self.critical_5 => Standing::Straggler,
            _ => Standing::Inside,
        }
    }
}

/// Grubbs' critical value for n values, either side: (n - 1)/sqrt n · sqrt(t2/(n - 2 + t2)), t at level/(2n), n - 2
/// degrees of freedom. `NaN` below three values.
pub fn grubbs_critical(n: usize, level: f64) -> f64 {
    if n < 3 {
        return f64::NAN;
    }
    let (count, dof) = (n as f64, n as f64 - 2.0);
    let t = StudentsT::new(0.0, 1.0, dof).map_or(f64::NAN, |d| d.inverse_cdf(1.0 - level / (2.0 * count)));
    (count - 1.0) / count.sqrt() * (t * t / (dof + t * t)).sqrt()
}

/// The value farthest from the mean, in standard deviations; `None` below three values or without spread.
pub fn grubbs(values: &[f64]) -> Option<Extreme> {
    let (centre, s) = (mean(values), standard_deviation(values));
    if values.len() < 3 || s.is_nan() || s <= 0.0 {
        return None;
    }
    let distance = |value: &f64| (value - centre).abs() / s;
    let farthest = values.iter().enumerate().max_by(|a, b| distance(a.1).total_cmp(&distance(b.1)))?;
    Some(Extreme {
        index: farthest.0,
        statistic: distance(farthest.1),
        critical_5: grubbs_critical(values.len(), STRAGGLER_LEVEL),
        critical_1: grubbs_critical(values.len(), OUTLIER_LEVEL),
    })
}

/// Cochran's critical value for `sets` sets of n values each: 1/(1 + (sets - 1)/F), F at 1 - level/sets with n - 1 and
/// (sets - 1)(n - 1) degrees of freedom. `NaN` below two sets or two values.
pub fn cochran_critical(sets: usize, n: usize, level: f64) -> f64 {
    if sets < 2 || n < 2 {
        return f64::NAN;
    }
    let (others, dof) = (sets as f64 - 1.0, n as f64 - 1.0);
    let share = 1.0 - level / sets as f64;
    let f = FisherSnedecor::new(dof, others * dof).map_or(f64::NAN, |d| d.inverse_cdf(share));
    1.0 / (1.0 + others / f)
}

/// The set with the largest variance, its share of the sum of variances; `None` below two sets, for sets of unequal or
/// too small size, and without any spread.
pub fn cochran(sets: &[&[f64]]) -> Option<Extreme> {
    let n = sets.first()?.len();
    if sets.len() < 2 || n < 2 || sets.iter().any(|set| set.len() != n) {
        return None;
    }
    let variances: Vec<f64> = sets.iter().map(|set| standard_deviation(set).powi(2)).collect();
    let sum: f64 = variances.iter().sum();
    let largest = variances.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    (sum > 0.0).then(|| Extreme {
        index: largest.0,
        statistic: largest.1 / sum,
        critical_5: cochran_critical(sets.len(), n, STRAGGLER_LEVEL),
        critical_1: cochran_critical(sets.len(), n, OUTLIER_LEVEL),
    })
}

/// Probabilities corrected for their number by Holm's step-down rule, in the order given: each may be held against the
/// level that one alone would be. Those that are no number stay so and are not counted.
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).filter(|k| !p[*k].is_nan()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut corrected = vec![f64::NAN; p.len()];
    let mut so_far = 0.0_f64;
    for (rank, index) in order.iter().enumerate() {
        so_far = so_far.max(p[*index] * (order.len() - rank) as f64).min(1.0);
        corrected[*index] = so_far;
    }
    corrected
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    /// Both libraries find their quantiles by iteration.
    const SCIPY: f64 = 1e-9;

    /// Made with scipy 1.17.1: t = stats.t.ppf(1 - a/(2 n), n - 2) and f = stats.f.ppf(1 - a/p, n - 1, (p - 1)(n - 1)) in the
    /// formulas above. To three decimals they are the tables of ISO 5725-2 (from memory; its Grubbs column prints 2.709 and
    /// 1.155 where these give 2.708 at n = 20 and 1.154 at n = 3).
    #[test]
    fn agrees_with_scipy_on_critical_values() {
        for (n, level, expected) in [
            (3, 0.05, 1.154_304_851_344_038_6),
            (4, 0.05, 1.481_25),
            (5, 0.05, 1.715_037_312_343_363_5),
            (10, 0.05, 2.289_954_084_479_603_6),
            (20, 0.05, 2.708_245_645_805_758_4),
            (5, 0.01, 1.763_678_479_497_797),
            (10, 0.01, 2.482_083_249_715_342),
        ] {
            let got = grubbs_critical(n, level);
            assert!((got - expected).abs() < SCIPY, "Grubbs n = {n}, {level}: {expected} expected, {got}");
        }
        for (sets, n, level, expected) in [
            (3, 2, 0.05, 0.966_944_444_444_444_3),
            (5, 3, 0.05, 0.683_772_233_983_162),
            (10, 5, 0.05, 0.331_112_143_691_913_1),
            (3, 2, 0.01, 0.993_344_444_444_444_5),
            (5, 3, 0.01, 0.788_525_747_311_887_1),
        ] {
            let got = cochran_critical(sets, n, level);
            assert!((got - expected).abs() < SCIPY, "Cochran p = {sets}, n = {n}, {level}: {expected} expected, {got}");
        }
    }

    #[test]
    fn flags_the_one_that_stands_out_and_leaves_the_rest() {
        let values = [10.0, 10.1, 9.9, 10.05, 9.95, 14.0];
        let of = grubbs(&values).unwrap();
        assert_eq!((of.index, of.standing()), (5, Standing::Outlier));
        assert_eq!(grubbs(&values[..5]).unwrap().standing(), Standing::Inside);
        let calm = [1.0, 1.1, 0.9];
        let wild = [1.0, 9.0, -7.0];
        let of = cochran(&[&calm, &calm, &wild, &calm]).unwrap();
        assert_eq!((of.index, of.standing()), (2, Standing::Outlier));
        assert_eq!(grubbs(&[1.0, 1.0, 1.0]), None);
        assert_eq!(cochran(&[&calm, &calm[..2]]), None);
    }

    /// Worked by hand: 0.01 x 4, 0.02 x 3, 0.03 x 2 (held up by the one before), 0.2 x 1.
    #[test]
    fn corrects_for_the_number_of_comparisons_step_by_step() {
        let got = holm(&[0.03, 0.01, 0.2, f64::NAN, 0.02]);
        for (expected, got) in [0.06, 0.04, 0.2, f64::NAN, 0.06].iter().zip(&got) {
            assert!((expected - got).abs() < 1e-15 || (expected.is_nan() && got.is_nan()), "{expected} {got}");
        }
        assert_eq!(holm(&[0.7, 0.9]), [1.0, 1.0]);
    }
}
