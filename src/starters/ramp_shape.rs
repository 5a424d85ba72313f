//! How a drive's frequency goes from one value to another: straight, as an S, or along any profile (two slopes are a
//! profile with one break).
//!
//! A shape maps the share of the ramp's time that has passed to the share of the change that is done. The ramp's time is
//! that of the straight ramp over the same change, so that shapes can be compared at the same total time.
//!
//! Range: shares of time and change, held within 0 to 1; a profile rises from (0, 0) to (1, 1). Accuracy: exact to rounding;
//! the inverse to 1e-15 (`law_time_is_the_inverse_of_done`). Source: the S is a raised cosine, the two slopes a broken line:
//! common practice, no source.

use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Halvings that invert a shape: past the last bit of a share.
const HALVINGS: u32 = 60;

/// The shape of a ramp.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum RampShape {
    /// Straight.
    #[default]
    Linear,
    /// Cosine S: done = (1 - cos(pi t))/2; its steepest place is pi/2 times as steep as the straight ramp.
    S,
    /// (share of time, share of the change), both rising from (0, 0) to (1, 1), straight between.
    Profile(Vec<(f64, f64)>),
}

impl RampShape {
    /// Two slopes: at `time_share` of the time `change_share` of the change is done.
    pub fn two_slopes(time_share: f64, change_share: f64) -> Self {
        Self::Profile(vec![(0.0, 0.0), (time_share, change_share), (1.0, 1.0)])
    }

    /// True for a profile that rises from (0, 0) to (1, 1), never back; straight and S are always sound.
    pub fn is_sound(&self) -> bool {
        let Self::Profile(points) = self else { return true };
        let ends = |point: Option<&(f64, f64)>, at: f64| {
            point.is_some_and(|(time, done)| (time - at).abs() < 1e-9 && (done - at).abs() < 1e-9)
        };
        let rises = |pair: &[(f64, f64)]| pair[1].0 > pair[0].0 && pair[1].1 >= pair[0].1;
        points.len() >= 2 && ends(points.first(), 0.0) && ends(points.last(), 1.0) && points.windows(2).all(rises)
    }

    /// Share of the change that is done at a share of the time; both held within 0 to 1.
    pub fn done(&self, time_share: f64) -> f64 {
        let time = time_share.clamp(0.0, 1.0);
        match self {
            Self::Linear => time,
            Self::S => 0.5 * (1.0 - (PI * time).cos()),
            Self::Profile(points) => along(points, time),
        }
    }

    /// Share of the time at which a share of the change is done (the earliest, to 1e-15).
    pub fn time_of(&self, done: f64) -> f64 {
        if *self == Self::Linear {
            return done.clamp(0.0, 1.0);
        }
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if self.done(middle) < done { low = middle } else { high = middle }
        }
        high
    }

    /// Largest slope, multiple of the straight ramp's.
    pub fn steepest(&self) -> f64 {
        match self {
            Self::Linear => 1.0,
            Self::S => 0.5 * PI,
            Self::Profile(points) => {
                points.windows(2).map(|pair| (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0)).fold(0.0, f64::max)
            }
        }
    }
}

fn along(points: &[(f64, f64)], time: f64) -> f64 {
    let after = points.iter().position(|point| point.0 >= time).unwrap_or(points.len().saturating_sub(1));
    let Some(to) = points.get(after) else { return time };
    let Some(from) = after.checked_sub(1).and_then(|before| points.get(before)) else { return to.1 };
    from.1 + (to.1 - from.1) * (time - from.0) / (to.0 - from.0)
}

/// A frequency that goes from one value to another along a shape.
///
/// f = from + (to - from) g(t/T), g -> [`RampShape::done`].
#[derive(Debug, Clone, PartialEq)]
pub struct ShapedRamp {
    /// Frequency at the start, Hz.
    pub from_hz: f64,
    /// Frequency at the end, Hz.
    pub to_hz: f64,
    /// Time of the whole change, s.
    pub duration_s: f64,
    /// Shape.
    pub shape: RampShape,
}

impl ShapedRamp {
    /// Frequency at a time after the start, Hz.
    pub fn frequency_hz(&self, time_s: f64) -> f64 {
        self.from_hz + (self.to_hz - self.from_hz) * self.shape.done(time_s / self.duration_s)
    }

    /// Largest rate of change, Hz/s, never negative.
    pub fn largest_rate_hz_s(&self) -> f64 {
        self.shape.steepest() * (self.to_hz - self.from_hz).abs() / self.duration_s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_every_shape_runs_from_nothing_to_all_and_never_back() {
        for shape in [RampShape::Linear, RampShape::S, RampShape::two_slopes(0.2, 0.5)] {
            assert!(shape.is_sound());
            let mut before = 0.0;
            for k in 0..=1000 {
                let done = shape.done(f64::from(k) / 1000.0);
                assert!(done >= before, "{shape:?}: {done} after {before}");
                before = done;
            }
            assert!(shape.done(0.0).abs() < 1e-15 && (shape.done(1.0) - 1.0).abs() < 1e-15, "{shape:?}");
        }
    }

    #[test]
    fn law_time_is_the_inverse_of_done() {
        for shape in [RampShape::Linear, RampShape::S, RampShape::two_slopes(0.7, 0.2)] {
            for k in 1..20 {
                let time = f64::from(k) / 20.0;
                let back = shape.time_of(shape.done(time));
                assert!((back - time).abs() < 1e-9, "{shape:?}: expected {time}, got {back}, tolerance 1e-9");
            }
        }
    }

    #[test]
    fn law_the_steepest_place_is_the_largest_difference() {
        for shape in [RampShape::S, RampShape::two_slopes(0.25, 0.8)] {
            let step = 1e-4;
            let slopes =
                (0..9999).map(|k| (shape.done(f64::from(k + 1) * step) - shape.done(f64::from(k) * step)) / step);
            let largest = slopes.fold(0.0, f64::max);
            let expected = shape.steepest();
            assert!((largest - expected).abs() < 1e-6, "{shape:?}: expected {expected}, got {largest}, tolerance 1e-6");
        }
    }

    #[test]
    fn rejects_profiles_that_fall_or_do_not_end() {
        let profile = |points: &[(f64, f64)]| RampShape::Profile(points.to_vec());
        assert!(!profile(&[(0.0, 0.0), (0.5, 0.8), (1.0, 0.7)]).is_sound());
        assert!(!profile(&[(0.0, 0.0), (0.5, 0.8), (0.5, 0.9), (1.0, 1.0)]).is_sound());
        assert!(!profile(&[(0.0, 0.0)]).is_sound());
        assert!(!profile(&[(0.1, 0.0), (1.0, 1.0)]).is_sound());
        assert!(!profile(&[(0.0, 0.0), (1.0, f64::NAN)]).is_sound());
    }
}
