//! Whether the water stands still: what a rest may pass over without computing it.

/// Rig time over which nothing may move, s: longer than any swing of a shipped bench.
const OVER_S: f64 = 5.0;

/// Watches values for [`OVER_S`] at a time.
#[derive(Debug, Clone, Default)]
pub struct Stillness {
    since_s: Option<f64>,
    spans: Vec<(f64, f64)>,
    still: bool,
}

impl Stillness {
    /// Whatever was known is over.
    pub fn stirred(&mut self) {
        *self = Self::default();
    }

    /// Values at a time; each may move by its `allowed` over [`OVER_S`]. True while the last whole span was still.
    pub fn look(&mut self, time_s: f64, values: impl Iterator<Item = (f64, f64)>) -> bool {
        let begun_s = *self.since_s.get_or_insert(time_s);
        let fresh = self.spans.is_empty();
        let mut moved = false;
        for (place, (value, allowed)) in values.enumerate() {
            if fresh {
                self.spans.push((value, value));
            } else if let Some((low, high)) = self.spans.get_mut(place) {
                (*low, *high) = (low.min(value), high.max(value));
                // A value that is none is not still.
                moved |= value.is_nan() || *high - *low > allowed;
            }
        }
        if moved {
            self.stirred();
        } else if time_s - begun_s >= OVER_S {
            (self.still, self.since_s) = (true, None);
            self.spans.clear();
        }
        self.still
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(of: impl Fn(f64) -> f64, until_s: f64) -> bool {
        let mut stillness = Stillness::default();
        let steps = (until_s / 0.01) as usize;
        (0..=steps).fold(false, |_, k| {
            let time_s = k as f64 * 0.01;
            stillness.look(time_s, std::iter::once((of(time_s), 10.0)))
        })
    }

    #[test]
    fn is_still_after_a_whole_span_without_a_move_and_never_before() {
        assert!(!seen(|_| 3.0, 4.9));
        assert!(seen(|_| 3.0, 5.1));
        assert!(!seen(|_| f64::NAN, 20.0));
    }

    #[test]
    fn a_swing_and_a_slow_leak_are_no_stillness() {
        assert!(!seen(|t| 6.0 * (2.0 * t).sin(), 20.0), "swings by 12 of 10 allowed");
        assert!(!seen(|t| 3.0 * t, 20.0), "3 a second");
        assert!(seen(|t| 100.0 * (-t).exp(), 20.0), "has decayed");
    }
}
