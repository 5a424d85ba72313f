//! Root of a function of one unknown, by Brent's method.

use thiserror::Error;

/// Why no root was found.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum RootError {
    /// The two ends have values of the same sign.
    #[error("no sign change between {low} (value {value_low}) and {high} (value {value_high})")]
    NotBracketed {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
        /// Value at the lower end.
        value_low: f64,
        /// Value at the upper end.
        value_high: f64,
    },
    /// The function gave NaN or an infinity.
    #[error("function value {value} at {at} is not finite")]
    NotFinite {
        /// Where.
        at: f64,
        /// What it gave.
        value: f64,
    },
    /// The iteration limit was reached.
    #[error("no root within {tolerance} after {iterations} steps (last {at})")]
    NotConverged {
        /// Last estimate.
        at: f64,
        /// Asked tolerance on the unknown.
        tolerance: f64,
        /// Steps done.
        iterations: usize,
    },
}

/// Steps allowed; bisection alone needs 52 to use up the digits of a unit interval, Brent at most about its square.
const STEPS_MAX: usize = 200;

/// Root of `function` in `[low, high]`, to within `tolerance` on the unknown.
///
/// Inverse quadratic interpolation, secant and bisection, whichever is the boldest that is still sure to close in.
///
/// # Range
/// `function(low)` and `function(high)` have opposite signs (a zero at an end is a root). A NaN or an infinite value
/// ends the search with an error.
///
/// # Errors
/// [`RootError`]: ends of one sign, a value that is not finite, or 200 steps without convergence.
///
/// # Accuracy
/// `tolerance` plus twice the rounding unit of the root; `law_brent_finds_the_root_of_a_cubic`.
///
/// # Source
/// R. P. Brent, Algorithms for Minimization without Derivatives (1973), chapter 4; written from the description.
///
/// ```
/// let root = ramprig::hydraulics::roots::brent(|x| x * x - 2.0, 0.0, 2.0, 1e-12).unwrap();
/// assert!((root - 2.0_f64.sqrt()).abs() < 1e-11);
/// ```
pub fn brent(mut function: impl FnMut(f64) -> f64, low: f64, high: f64, tolerance: f64) -> Result<f64, RootError> {
    let mut value_at = |x: f64| {
        let value = function(x);
        if value.is_finite() { Ok(value) } else { Err(RootError::NotFinite { at: x, value }) }
    };
    let mut bracket = Bracket::new(low, high, value_at(low)?, value_at(high)?)?;
    for _ in 0..STEPS_MAX {
        bracket.put_best_first();
        let limit = 2.0 * f64::EPSILON * bracket.best.abs() + 0.5 * tolerance;
        let half = 0.5 * (bracket.opposite - bracket.best);
        if half.abs() <= limit || bracket.value_best.abs() < f64::MIN_POSITIVE {
            return Ok(bracket.best);
        }
        let next = bracket.best + bracket.step(half, limit);
        let value = value_at(next)?;
        bracket.accept(next, value);
    }
    Err(RootError::NotConverged { at: bracket.best, tolerance, iterations: STEPS_MAX })
}

/// The best estimate, the one before it, and the end on the other side of the root.
struct Bracket {
    best: f64,
    value_best: f64,
    last: f64,
    value_last: f64,
    opposite: f64,
    value_opposite: f64,
    step: f64,
    step_before: f64,
}

impl Bracket {
    fn new(low: f64, high: f64, value_low: f64, value_high: f64) -> Result<Self, RootError> {
        if value_low * value_high > 0.0 {
            return Err(RootError::NotBracketed { low, high, value_low, value_high });
        }
        let width = high - low;
        Ok(Self {
            best: high,
            value_best: value_high,
            last: low,
            value_last: value_low,
            opposite: low,
            value_opposite: value_low,
            step: width,
            step_before: width,
        })
    }

    fn put_best_first(&mut self) {
        if self.value_opposite.abs() < self.value_best.abs() {
            (self.last, self.value_last) = (self.best, self.value_best);
            (self.best, self.opposite) = (self.opposite, self.best);
            (self.value_best, self.value_opposite) = (self.value_opposite, self.value_best);
            self.opposite = self.last;
            self.value_opposite = self.value_last;
        }
    }

    /// The next step: interpolated when that stays well inside and shrinks, else half the bracket.
    fn step(&mut self, half: f64, limit: f64) -> f64 {
        let interpolated = (self.step_before.abs() >= limit && self.value_last.abs() > self.value_best.abs())
            .then(|| self.interpolated(half))
            .filter(|step| 2.0 * step.abs() < (3.0 * half.abs() - limit).min(self.step_before.abs()))
            .filter(|step| step * half > 0.0);
        (self.step_before, self.step) = match interpolated {
            Some(step) => (self.step, step),
            None => (half, half),
        };
        if self.step.abs() > limit { self.step } else { limit.copysign(half) }
    }

    fn interpolated(&self, half: f64) -> f64 {
        let s = self.value_best / self.value_last;
        if self.last.to_bits() == self.opposite.to_bits() {
            return 2.0 * half * s / (s - 1.0);
        }
        let q = self.value_last / self.value_opposite;
        let r = self.value_best / self.value_opposite;
        let p = s * (2.0 * half * q * (q - r) - (self.best - self.last) * (r - 1.0));
        -p / ((q - 1.0) * (r - 1.0) * (s - 1.0))
    }

    fn accept(&mut self, next: f64, value: f64) {
        (self.last, self.value_last) = (self.best, self.value_best);
        (self.best, self.value_best) = (next, value);
        if (self.value_best > 0.0) == (self.value_opposite > 0.0) {
            (self.opposite, self.value_opposite) = (self.last, self.value_last);
            self.step = self.best - self.last;
            self.step_before = self.step;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TOLERANCE: f64 = 1e-12;

    fn finds(function: impl Fn(f64) -> f64, low: f64, high: f64, expected: f64) {
        let mut calls = 0;
        let counted = |x| {
            calls += 1;
            function(x)
        };
        let got = brent(counted, low, high, TOLERANCE).unwrap();
        let error = (got - expected).abs();
        assert!(error < 3.0 * TOLERANCE, "expected {expected}, got {got}, error {error:e}, tolerance {TOLERANCE:e}");
        assert!(calls < 120, "{calls} calls for the root {expected}");
    }

    #[test]
    fn law_brent_finds_the_root_of_a_cubic() {
        finds(|x| x * x * x - 2.0, 0.0, 2.0, 2.0_f64.cbrt());
        finds(|x| x * x * x - 2.0, 2.0, 0.0, 2.0_f64.cbrt());
        finds(|x| -(x * x * x) + 2.0, -50.0, 3.0, 2.0_f64.cbrt());
    }

    #[test]
    fn law_brent_finds_roots_of_flat_steep_and_discontinuous_functions() {
        finds(|x| (50.0 * (x - 0.7)).tanh(), 0.0, 3.0, 0.7);
        finds(|x| if x < 0.3 { -1.0 } else { 1.0 }, 0.0, 1.0, 0.3);
        finds(|x| (x - 1e-3) * 1e-30, -5.0, 5.0, 1e-3);
        finds(f64::cos, 1.0, 2.0, std::f64::consts::FRAC_PI_2);
    }

    /// Where the function is flat the root is known only as well as the function can be told from zero.
    #[test]
    fn law_brent_closes_in_on_a_ninth_order_zero() {
        let got = brent(|x: f64| (x - 0.25).powi(9), -1.0, 4.0 / 3.0, TOLERANCE).unwrap();
        assert!((got - 0.25).abs() < 1e-9, "expected 0.25, got {got}, tolerance 1e-9");
    }

    #[test]
    fn accepts_a_root_at_an_end() {
        finds(|x| x, 0.0, 1.0, 0.0);
        finds(|x| x, -1.0, 0.0, 0.0);
    }

    #[test]
    fn rejects_ends_of_one_sign_and_values_that_are_not_finite() {
        assert_eq!(
            brent(|x| x * x + 1.0, 0.0, 1.0, TOLERANCE),
            Err(RootError::NotBracketed { low: 0.0, high: 1.0, value_low: 1.0, value_high: 2.0 })
        );
        assert!(matches!(brent(|_| f64::NAN, 0.0, 1.0, TOLERANCE), Err(RootError::NotFinite { .. })));
        let text = brent(|x| 1.0 / x, 0.0, 1.0, TOLERANCE).unwrap_err().to_string();
        assert_eq!(text, "function value inf at 0 is not finite");
    }
}
