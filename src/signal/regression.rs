//! Least squares: a line or a parabola through points, with the covariance of its coefficients.
//!
//! Source: GUM (JCGM 100:2008) annex H.3 for the line and its covariance; Householder's triangularisation (any text on
//! numerical linear algebra, from memory). Held against NIST StRD and GUM H.3 in tests/validation/regression.rs.

use super::statistics::mean;

/// Highest power that is fitted.
pub const HIGHEST_POWER: usize = 2;
/// Least share of its column that triangularisation may leave on the diagonal.
const DEGENERATE: f64 = 1.0e-12;

/// The shape that is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// y = b x.
    Proportional,
    /// y = a + b x.
    Line,
    /// y = a + b x + c x2.
    Parabola,
}

impl Shape {
    /// Powers of x, lowest first.
    pub fn powers(self) -> std::ops::RangeInclusive<usize> {
        match self {
            Self::Proportional => 1..=1,
            Self::Line => 0..=1,
            Self::Parabola => 0..=HIGHEST_POWER,
        }
    }

    fn coefficients(self) -> usize {
        self.powers().count()
    }
}

/// Why there is no fit.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Lists of unequal length.
    #[error("{x} values of x and {y} of y: every point needs both")]
    Unequal {
        /// Values of x.
        x: usize,
        /// Values of y.
        y: usize,
    },
    /// No point left over to judge the fit by.
    #[error("{found} points: at least {needed} are needed, one more than coefficients, so that the fit can be judged")]
    TooFew {
        /// Points.
        found: usize,
        /// Needed.
        needed: usize,
    },
    /// A value that is no number.
    #[error("point {point} is not a finite number")]
    NotFinite {
        /// Which, from 1.
        point: usize,
    },
    /// Points that do not fix the shape.
    #[error("only {distinct} different values of x: {needed} are needed to fix the shape")]
    Degenerate {
        /// Different values of x.
        distinct: usize,
        /// Needed.
        needed: usize,
    },
}

/// A fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Its shape.
    pub shape: Shape,
    /// Coefficients by power of x, lowest first; those the shape has not are 0. Unit: y / x^k.
    pub coefficients: [f64; HIGHEST_POWER + 1],
    /// Covariance of the coefficients, by power.
    pub covariance: [[f64; HIGHEST_POWER + 1]; HIGHEST_POWER + 1],
    /// Standard deviation of the residuals, unit of y.
    pub residual_sd: f64,
    /// Degrees of freedom: points less coefficients.
    pub dof: f64,
    /// Share of the variation explained; about zero, not about the mean, for [`Shape::Proportional`].
    pub r_squared: f64,
    /// Explained over residual variance.
    pub f_ratio: f64,
    /// Measured less fitted, in the order of the points, unit of y.
    pub residuals: Vec<f64>,
}

impl Fit {
    /// Fitted y at x.
    pub fn at(&self, x: f64) -> f64 {
        self.coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
    }

    /// Slope dy/dx at x.
    pub fn slope_at(&self, x: f64) -> f64 {
        let [_, b, c] = self.coefficients;
        b + 2.0 * c * x
    }

    /// Standard uncertainty of the fitted y at x, from the scatter of the points.
    pub fn u_at(&self, x: f64) -> f64 {
        let powers = [1.0, x, x * x];
        let row = |i: usize| -> f64 { (0..powers.len()).map(|j| self.covariance[i][j] * powers[j]).sum() };
        (0..powers.len()).map(|i| powers[i] * row(i)).sum::<f64>().max(0.0).sqrt()
    }

    /// Standard uncertainty of the coefficient of a power.
    pub fn u_of(&self, power: usize) -> f64 {
        self.covariance[power][power].sqrt()
    }

    /// Correlation of two coefficients; `NaN` where the shape lacks one.
    pub fn correlation(&self, power: usize, other: usize) -> f64 {
        self.covariance[power][other] / (self.u_of(power) * self.u_of(other))
    }
}

/// Fit a shape to points by least squares in y, x taken as exact.
///
/// # Errors
/// [`FitError`].
///
/// # Accuracy
/// 1e-10 relative on NIST's line of lower difficulty, `published_strd_and_gum_regression`.
///
/// ```
/// use ramprig::signal::regression::{Shape, fit};
/// let fit = fit(&[0.0, 1.0, 2.0], &[1.0, 3.0, 5.0], Shape::Line).unwrap();
/// assert!((fit.at(10.0) - 21.0).abs() < 1e-12);
/// ```
pub fn fit(x: &[f64], y: &[f64], shape: Shape) -> Result<Fit, FitError> {
    check(x, y, shape)?;
    let (n, p) = (x.len(), shape.coefficients());
    let powers: Vec<usize> = shape.powers().collect();
    let mut columns: Vec<Vec<f64>> =
        powers.iter().map(|power| x.iter().map(|x| x.powi(*power as i32)).collect()).collect();
    let mut right = y.to_vec();
    let Some(upper) = triangularise(&mut columns, &mut right) else {
        return Err(FitError::Degenerate { distinct: distinct(x), needed: p });
    };
    let solved = back_substitute(&upper, &right[..p]);
    let mut coefficients = [0.0; HIGHEST_POWER + 1];
    powers.iter().zip(&solved).for_each(|(power, value)| coefficients[*power] = *value);
    let at = |x: f64| coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c);
    let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - at(*x)).collect();
    let left: f64 = residuals.iter().map(|r| r * r).sum();
    let dof = (n - p) as f64;
    let variance = left / dof;
    let inverse: Vec<Vec<f64>> =
        (0..p).map(|k| back_substitute(&upper, &(0..p).map(|i| f64::from(i == k)).collect::<Vec<_>>())).collect();
    let mut covariance = [[0.0; HIGHEST_POWER + 1]; HIGHEST_POWER + 1];
    for (i, row) in powers.iter().enumerate() {
        for (j, column) in powers.iter().enumerate() {
            covariance[*row][*column] = variance * inverse.iter().map(|of| of[i] * of[j]).sum::<f64>();
        }
    }
    let (about, explained_dof) = if shape == Shape::Proportional { (0.0, p) } else { (mean(y), p - 1) };
    let total: f64 = y.iter().map(|y| (y - about).powi(2)).sum();
    Ok(Fit {
        shape,
        coefficients,
        covariance,
        residual_sd: variance.sqrt(),
        dof,
        r_squared: 1.0 - left / total,
        f_ratio: (total - left) / explained_dof as f64 / variance,
        residuals,
    })
}

fn check(x: &[f64], y: &[f64], shape: Shape) -> Result<(), FitError> {
    if x.len() != y.len() {
        return Err(FitError::Unequal { x: x.len(), y: y.len() });
    }
    if let Some(at) = x.iter().zip(y).position(|(x, y)| !(x.is_finite() && y.is_finite())) {
        return Err(FitError::NotFinite { point: at + 1 });
    }
    let needed = shape.coefficients() + 1;
    if x.len() < needed {
        return Err(FitError::TooFew { found: x.len(), needed });
    }
    Ok(())
}

fn distinct(x: &[f64]) -> usize {
    let mut sorted = x.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup();
    sorted.len()
}

/// Householder reflections on the columns and the right side: the upper triangle, rows first. None: degenerate.
fn triangularise(columns: &mut [Vec<f64>], right: &mut [f64]) -> Option<Vec<Vec<f64>>> {
    let p = columns.len();
    let mut upper = vec![vec![0.0; p]; p];
    for k in 0..p {
        let whole = columns[k].iter().map(|v| v * v).sum::<f64>().sqrt();
        let norm = columns[k][k..].iter().map(|v| v * v).sum::<f64>().sqrt();
        if norm <= DEGENERATE * whole || norm == 0.0 {
            return None;
        }
        let alpha = -norm.copysign(columns[k][k]);
        let mut mirror = columns[k][k..].to_vec();
        mirror[0] -= alpha;
        let square: f64 = mirror.iter().map(|v| v * v).sum();
        for target in columns[k..].iter_mut().map(|column| &mut column[k..]).chain([&mut right[k..]]) {
            let along: f64 = mirror.iter().zip(target.iter()).map(|(m, v)| m * v).sum::<f64>() * 2.0 / square;
            mirror.iter().zip(target.iter_mut()).for_each(|(m, v)| *v -= along * m);
        }
        (k..p).for_each(|j| upper[k][j] = columns[j][k]);
    }
    Some(upper)
}

fn back_substitute(upper: &[Vec<f64>], right: &[f64]) -> Vec<f64> {
    let p = right.len();
    let mut solved = vec![0.0; p];
    for k in (0..p).rev() {
        let known: f64 = (k + 1..p).map(|j| upper[k][j] * solved[j]).sum();
        solved[k] = (right[k] - known) / upper[k][k];
    }
    solved
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_a_parabola_gives_back_its_coefficients_and_no_scatter() {
        let x: Vec<f64> = (0..9).map(|k| 100.0 + f64::from(k)).collect();
        let y: Vec<f64> = x.iter().map(|x| 3.0 - 2.0 * x + 0.5 * x * x).collect();
        let fit = fit(&x, &y, Shape::Parabola).unwrap();
        for (expected, got) in [3.0, -2.0, 0.5].iter().zip(fit.coefficients) {
            assert!((expected - got).abs() < 1e-7, "{expected} {got}");
        }
        assert!(fit.residual_sd < 1e-9 && (fit.slope_at(104.0) - 102.0).abs() < 1e-8, "{fit:?}");
    }

    #[test]
    fn rejects_points_that_fix_no_shape() {
        assert_eq!(fit(&[1.0], &[1.0, 2.0], Shape::Line), Err(FitError::Unequal { x: 1, y: 2 }));
        assert_eq!(fit(&[1.0, 2.0], &[1.0, 2.0], Shape::Line), Err(FitError::TooFew { found: 2, needed: 3 }));
        assert_eq!(fit(&[1.0; 3], &[1.0, 2.0, 3.0], Shape::Line), Err(FitError::Degenerate { distinct: 1, needed: 2 }));
        let broken = fit(&[1.0, f64::NAN, 3.0], &[1.0, 2.0, 3.0], Shape::Line);
        assert_eq!(broken, Err(FitError::NotFinite { point: 2 }));
        let two = fit(&[1.0, 1.0, 2.0, 2.0], &[1.0, 2.0, 3.0, 4.0], Shape::Parabola);
        assert_eq!(two, Err(FitError::Degenerate { distinct: 2, needed: 3 }));
    }
}
