//! A smooth curve through a few points that never overshoots them.

/// Cubic Hermite pieces with limited slopes (monotone where the points are).
///
/// Equation: on each interval the cubic Hermite polynomial; slopes by the harmonic mean of neighbouring secants, zero
/// where they change sign, one-sided three-point at the ends. Beyond the ends: straight on.
/// Range: two points or more with rising abscissae, checked by the caller; any abscissa, NaN gives NaN.
/// Accuracy: exact at the points and continuous in its slope (`law_curve_passes_its_points_and_its_slope_is_the_derivative`);
/// monotone between points that are (`law_curve_falls_where_its_points_fall`); between them no better than the points are.
/// Source: Fritsch and Butland 1984 (slopes; from memory).
#[derive(Debug, Clone)]
pub(crate) struct Curve {
    points: Vec<(f64, f64)>,
    slopes: Vec<f64>,
}

/// One of the cubics of a [`Curve`]: `y = c0 + t (c1 + t (c2 + t c3))`, `t = (x - from) / (to - from)`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct CurvePiece {
    pub(crate) from: f64,
    pub(crate) to: f64,
    pub(crate) of_share: [f64; 4],
}

impl Curve {
    /// At least two points with rising abscissae (the caller has checked).
    pub(crate) fn through(points: Vec<(f64, f64)>) -> Self {
        let secants: Vec<f64> = points.windows(2).map(|p| (p[1].1 - p[0].1) / (p[1].0 - p[0].0)).collect();
        let widths: Vec<f64> = points.windows(2).map(|p| p[1].0 - p[0].0).collect();
        let last = secants.len() - 1;
        let mut slopes = vec![secants[0]; points.len()];
        slopes[last + 1] = secants[last];
        for i in 1..points.len() - 1 {
            slopes[i] = inner_slope((widths[i - 1], widths[i]), (secants[i - 1], secants[i]));
        }
        if points.len() > 2 {
            slopes[0] = end_slope((widths[0], widths[1]), (secants[0], secants[1]));
            slopes[last + 1] = end_slope((widths[last], widths[last - 1]), (secants[last], secants[last - 1]));
        }
        Self { points, slopes }
    }

    pub(crate) fn end(&self) -> f64 {
        self.points[self.points.len() - 1].0
    }

    /// Value and slope.
    pub(crate) fn at(&self, x: f64) -> (f64, f64) {
        let last = self.points.len() - 1;
        if x <= self.points[0].0 {
            return self.straight(0, x);
        }
        if x >= self.points[last].0 {
            return self.straight(last, x);
        }
        let high = self.points.iter().position(|p| p.0 > x).unwrap_or(last);
        self.piece(high - 1, x)
    }

    /// The cubic about an abscissa; beyond the ends the first or the last.
    pub(crate) fn piece_at(&self, x: f64) -> CurvePiece {
        let last = self.points.len() - 1;
        let high = self.points.iter().position(|p| p.0 > x).unwrap_or(last).max(1);
        let (from, to) = (self.points[high - 1].0, self.points[high].0);
        CurvePiece { from, to, of_share: self.of_share(high - 1) }
    }

    fn of_share(&self, i: usize) -> [f64; 4] {
        let ((x0, y0), (x1, y1)) = (self.points[i], self.points[i + 1]);
        let (m0, m1) = (self.slopes[i] * (x1 - x0), self.slopes[i + 1] * (x1 - x0));
        [y0, m0, 3.0 * (y1 - y0) - 2.0 * m0 - m1, 2.0 * (y0 - y1) + m0 + m1]
    }

    fn straight(&self, i: usize, x: f64) -> (f64, f64) {
        (self.points[i].1 + self.slopes[i] * (x - self.points[i].0), self.slopes[i])
    }

    fn piece(&self, i: usize, x: f64) -> (f64, f64) {
        let (x0, x1) = (self.points[i].0, self.points[i + 1].0);
        let width = x1 - x0;
        let t = (x - x0) / width;
        let [y0, m0, b, a] = self.of_share(i);
        (y0 + t * (m0 + t * (b + t * a)), (m0 + t * (2.0 * b + t * 3.0 * a)) / width)
    }
}

fn inner_slope(widths: (f64, f64), secants: (f64, f64)) -> f64 {
    if secants.0 * secants.1 <= 0.0 {
        return 0.0;
    }
    let (w0, w1) = (2.0 * widths.1 + widths.0, widths.1 + 2.0 * widths.0);
    (w0 + w1) / (w0 / secants.0 + w1 / secants.1)
}

fn end_slope(widths: (f64, f64), secants: (f64, f64)) -> f64 {
    let slope = ((2.0 * widths.0 + widths.1) * secants.0 - widths.0 * secants.1) / (widths.0 + widths.1);
    if slope * secants.0 <= 0.0 {
        0.0
    } else if secants.0 * secants.1 <= 0.0 && slope.abs() > 3.0 * secants.0.abs() {
        3.0 * secants.0
    } else {
        slope
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_curve_passes_its_points_and_its_slope_is_the_derivative() {
        let points = vec![(0.0, 1.3), (0.5, 1.2), (1.0, 1.0), (1.4, 0.6)];
        let curve = Curve::through(points.clone());
        for (x, y) in points {
            assert!((curve.at(x).0 - y).abs() < 1.0e-12, "expected {y} at {x}, got {}", curve.at(x).0);
        }
        for i in 1..27 {
            let x = 0.05 * f64::from(i) + 0.013;
            let step = 1.0e-6;
            let difference = (curve.at(x + step).0 - curve.at(x - step).0) / (2.0 * step);
            assert!(
                (curve.at(x).1 - difference).abs() < 1.0e-6,
                "slope at {x}: {} against {difference}",
                curve.at(x).1
            );
        }
    }

    #[test]
    fn law_curve_falls_where_its_points_fall() {
        let curve = Curve::through(vec![(0.0, 1.3), (0.2, 1.29), (1.0, 0.5), (1.1, 0.49)]);
        let mut before = f64::INFINITY;
        for i in 0..=110 {
            let value = curve.at(0.01 * f64::from(i)).0;
            assert!(value <= before + 1.0e-12, "rises at {i}");
            before = value;
        }
    }
}
