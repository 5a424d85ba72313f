//! A sensor against a reference: what it reads as a function of the true value, and back.
//!
//! Source: ISO 11095 (linear calibration using reference materials) for the fit of the reading on the reference and its
//! inversion; GUM (JCGM 100:2008) 5.2 for the propagation. Held in tests/validation/regression.rs.

use super::regression::{Fit, FitError, Shape, fit};
use super::statistics::student_t;

/// One point of a calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Value of the reference.
    pub reference: f64,
    /// What the sensor gave.
    pub reading: f64,
}

/// Why there is no calibration.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// No fit.
    #[error(transparent)]
    Fit(#[from] FitError),
    /// The same point twice over.
    #[error(
        "points {first} and {second} are the same to the last digit: typed twice? A real repeat differs or is left out"
    )]
    Twice {
        /// Which, from 1.
        first: usize,
        /// Which, from 1.
        second: usize,
    },
    /// The sensor's reading turns round within the span.
    #[error(
        "the fitted parabola turns round at {at} within the span {low} to {high}: a reading has two values there; fit a line"
    )]
    TurnsRound {
        /// Where, unit of the reference.
        at: f64,
        /// Lowest reference.
        low: f64,
        /// Highest reference.
        high: f64,
    },
    /// The reading does not follow the reference.
    #[error(
        "the reading does not follow the reference (slope {slope:.3e} with an uncertainty of {u_slope:.3e}): wrong channel, or columns of other sensors?"
    )]
    NoSlope {
        /// Slope.
        slope: f64,
        /// Its standard uncertainty.
        u_slope: f64,
    },
}

/// A calibration: reading = f(reference), a line or a parabola.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    fit: Fit,
    low: f64,
    high: f64,
}

impl Calibration {
    /// Fit points. At least three for a line and four for a parabola.
    ///
    /// # Errors
    /// [`CalibrationError`].
    pub fn new(points: &[Point], shape: Shape) -> Result<Self, CalibrationError> {
        for (second, point) in points.iter().enumerate() {
            if let Some(first) = points[..second].iter().position(|earlier| earlier == point) {
                return Err(CalibrationError::Twice { first: first + 1, second: second + 1 });
            }
        }
        let (x, y): (Vec<f64>, Vec<f64>) = points.iter().map(|point| (point.reference, point.reading)).unzip();
        let fit = fit(&x, &y, shape)?;
        let low = x.iter().copied().fold(f64::INFINITY, f64::min);
        let high = x.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let middle = 0.5 * (low + high);
        let rise = (fit.at(high) - fit.at(low)).abs();
        if rise <= 2.0 * (fit.u_at(high) + fit.u_at(low)) {
            return Err(CalibrationError::NoSlope { slope: fit.slope_at(middle), u_slope: fit.u_of(1) });
        }
        let [_, b, c] = fit.coefficients;
        let at = -b / (2.0 * c);
        if at > low && at < high {
            return Err(CalibrationError::TurnsRound { at, low, high });
        }
        Ok(Self { fit, low, high })
    }

    /// The fit of the reading on the reference.
    pub fn fit(&self) -> &Fit {
        &self.fit
    }

    /// Lowest and highest reference.
    pub fn span(&self) -> (f64, f64) {
        (self.low, self.high)
    }

    /// The value that a reading stands for. Outside the span it is an extrapolation; beyond the turn of a parabola it is
    /// `NaN`.
    pub fn value(&self, reading: f64) -> f64 {
        value_of(self.fit.coefficients, reading)
    }

    /// Standard uncertainty of [`Calibration::value`] of one single reading: its own scatter and that of the fit.
    pub fn u_value(&self, reading: f64) -> f64 {
        let value = self.value(reading);
        let scatter = self.fit.residual_sd.hypot(self.fit.u_at(value));
        scatter / self.fit.slope_at(value).abs()
    }

    /// Half width of the 95 % interval of [`Calibration::value`] of one single reading.
    pub fn u95_value(&self, reading: f64) -> f64 {
        student_t(0.95, self.fit.dof) * self.u_value(reading)
    }

    /// Largest deviation of a point from the fit, share of the fitted span of the reading.
    pub fn nonlinearity(&self) -> f64 {
        let largest = self.fit.residuals.iter().fold(0.0_f64, |largest, r| largest.max(r.abs()));
        largest / (self.fit.at(self.high) - self.fit.at(self.low)).abs()
    }
}

/// x of `a + b x + c x2 = y`: of the two roots the one that stays finite as c goes to 0; `NaN` beyond the turn.
pub fn value_of([a, b, c]: [f64; 3], reading: f64) -> f64 {
    let below = a - reading;
    let root = (b * b - 4.0 * c * below).sqrt();
    -2.0 * below / (b + root.copysign(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(of: impl Fn(f64) -> f64) -> Vec<Point> {
        (0..7).map(|k| f64::from(k) * 1.0e5).map(|reference| Point { reference, reading: of(reference) }).collect()
    }

    #[test]
    fn law_a_value_goes_through_the_sensor_and_back() {
        for falling in [1.0, -1.0] {
            let sensor = |p: f64| falling * (4.0 + 2.0e-5 * p + 1.0e-12 * p * p);
            let calibration = Calibration::new(&points(sensor), Shape::Parabola).unwrap();
            for p in [0.0, 1.234e5, 5.9e5] {
                let back = calibration.value(sensor(p));
                assert!((back - p).abs() < 1e-3, "{p} Pa came back as {back} Pa");
            }
        }
    }

    #[test]
    fn rejects_points_typed_twice_and_sensors_that_do_not_follow() {
        let mut twice = points(|p| 4.0 + 2.0e-5 * p);
        twice.push(twice[2]);
        let found = Calibration::new(&twice, Shape::Line);
        assert_eq!(found, Err(CalibrationError::Twice { first: 3, second: 8 }));
        let noise = [0.1, -0.2, 0.15, -0.1, 0.05, -0.02, 0.01];
        let flat: Vec<Point> = points(|_| 0.0).iter().zip(noise).map(|(p, reading)| Point { reading, ..*p }).collect();
        assert!(matches!(Calibration::new(&flat, Shape::Line), Err(CalibrationError::NoSlope { .. })));
        let turning = points(|p| (p - 4.0e5).powi(2) * 1.0e-10);
        let found = Calibration::new(&turning, Shape::Parabola);
        assert!(matches!(found, Err(CalibrationError::TurnsRound { at, .. }) if (at - 4.0e5).abs() < 1.0), "{found:?}");
    }
}
