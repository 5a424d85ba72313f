//! Device clock against the host's wall clock, by the lower envelope of arrivals.
//!
//! A block never arrives before its last frame was taken: arrival = offset + rate ratio x rig time + delay, delay >= 0.
//! Averages of such points wander with the load of the network and of the host; their lower envelope does not. Of all
//! lines that lie under every point, the fit takes the one with the least sum of distances. It is the edge of the lower
//! convex hull that spans the mean rig time (linear programming in the plane).
//!
//! Source: S. B. Moon, P. Skelly, D. Towsley, "Estimation and removal of clock skew from network delay measurements"
//! (1999), the linear-programming estimate; from memory. The least delay of the path itself cannot be seen from one
//! side and stays in the offset: on a local network it is well under a millisecond (common practice, no source).

/// Arrivals are thinned to the earliest one in a bin of this much rig time, ns.
const FIRST_BIN_NS: u64 = 100_000_000;
/// Bins kept; when full, neighbours are merged and the bins become twice as wide.
const MOST_BINS: usize = 512;
/// Below this span no drift is fitted, ns: jitter of 1 ms over it would read as 200 ppm.
const LEAST_SPAN_NS: f64 = 5e9;
/// Drift beyond which the stream does not run in real time, s/s (quartz clocks stay under 1e-4; the rest is jitter of a
/// short fit).
const REAL_TIME_DRIFT: f64 = 2e-3;

/// One thinned arrival.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Arrival {
    rig_ns: u64,
    wall_ns: u64,
}

impl Arrival {
    /// Wall minus rig, ns: comparable between arrivals of nearly equal rig time.
    fn lag_ns(self) -> i128 {
        i128::from(self.wall_ns) - i128::from(self.rig_ns)
    }
}

/// A fitted line: `wall = wall0 + (1 + drift) (rig - rig0)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// Rig time of the reference point, ns.
    pub rig0_ns: u64,
    /// Wall time of the reference point, ns.
    pub wall0_ns: u64,
    /// Wall time gained per rig time, less 1, s/s; 0 while the span is too short to tell.
    pub drift: f64,
    /// Root mean square distance of the thinned arrivals above the line, s.
    pub residual_s: f64,
    /// Rig time spanned, s.
    pub span_s: f64,
}

impl Fit {
    /// The stream keeps pace with the wall clock; a virtual rig in a hurry does not.
    pub fn is_real_time(&self) -> bool {
        self.drift.abs() < REAL_TIME_DRIFT
    }

    /// Offset, drift and residual in words, for the recording.
    pub fn words(&self) -> String {
        if !self.is_real_time() {
            return format!("sample clock: runs {:.3} times the wall clock, no fit", 1.0 / (1.0 + self.drift));
        }
        format!(
            "sample clock against the host's monotonic clock: rig time {:.6} s at {:.6} s, drift {:.2} ppm, residual {:.3} ms \
             over {:.1} s",
            self.rig0_ns as f64 * 1e-9,
            self.wall0_ns as f64 * 1e-9,
            self.drift * 1e6,
            self.residual_s * 1e3,
            self.span_s
        )
    }

    /// Rig time of a wall instant, ns, by the line; 0 for instants before the stream.
    pub fn rig_ns_at(&self, wall_ns: u64) -> u64 {
        let since_ns = wall_ns as f64 - self.wall0_ns as f64;
        let ahead_ns = since_ns / (1.0 + self.drift);
        self.rig0_ns.saturating_add_signed(ahead_ns.round() as i64)
    }
}

/// Collects arrivals and fits them.
#[derive(Debug, Clone)]
pub struct Timebase {
    bins: Vec<Arrival>,
    bin_ns: u64,
}

impl Default for Timebase {
    fn default() -> Self {
        Self { bins: Vec::new(), bin_ns: FIRST_BIN_NS }
    }
}

impl Timebase {
    /// The frame that ends at `rig_ns` arrived at `wall_ns`.
    pub fn arrived(&mut self, rig_ns: u64, wall_ns: u64) {
        let arrival = Arrival { rig_ns, wall_ns };
        match self.bins.last_mut() {
            Some(last) if last.rig_ns / self.bin_ns == rig_ns / self.bin_ns => {
                if arrival.lag_ns() < last.lag_ns() {
                    *last = arrival;
                }
            }
            _ => self.bins.push(arrival),
        }
        if self.bins.len() > MOST_BINS {
            self.halve();
        }
    }

    fn halve(&mut self) {
        self.bin_ns *= 2;
        let width = self.bin_ns;
        let bins = std::mem::take(&mut self.bins);
        for arrival in bins {
            match self.bins.last_mut() {
                Some(last) if last.rig_ns / width == arrival.rig_ns / width => {
                    if arrival.lag_ns() < last.lag_ns() {
                        *last = arrival;
                    }
                }
                _ => self.bins.push(arrival),
            }
        }
    }

    /// The fit so far, `None` before the first arrival. With less than 5 s the drift is 0 and the offset is that of the
    /// earliest arrival, unless the pace is plainly not that of the wall clock.
    pub fn fit(&self) -> Option<Fit> {
        let first = *self.bins.first()?;
        let points: Vec<(f64, f64)> = self
            .bins
            .iter()
            .map(|a| ((a.rig_ns - first.rig_ns) as f64, (a.lag_ns() - first.lag_ns()) as f64))
            .collect();
        let span_ns = points.last().map_or(0.0, |last| last.0);
        let (mut at, mut drift) = envelope(&points);
        if span_ns < LEAST_SPAN_NS && drift.abs() < 0.1 {
            drift = 0.0;
            at = lowest(&points);
        }
        let above = |&(x, y): &(f64, f64)| y - at.1 - drift * (x - at.0);
        let mean_square = points.iter().map(|p| above(p).powi(2)).sum::<f64>() / points.len() as f64;
        let rig0_ns = first.rig_ns + at.0 as u64;
        let wall0_ns = u64::try_from(i128::from(rig0_ns) + first.lag_ns() + at.1 as i128).unwrap_or(0);
        Some(Fit { rig0_ns, wall0_ns, drift, residual_s: mean_square.sqrt() * 1e-9, span_s: span_ns * 1e-9 })
    }
}

fn lowest(points: &[(f64, f64)]) -> (f64, f64) {
    points.iter().copied().fold((0.0, f64::INFINITY), |low, p| if p.1 < low.1 { p } else { low })
}

/// A point on the edge of the lower convex hull that spans the mean abscissa, and the edge's slope. Points come sorted
/// by abscissa.
fn envelope(points: &[(f64, f64)]) -> ((f64, f64), f64) {
    let mut hull: Vec<(f64, f64)> = Vec::new();
    for &point in points {
        while let [.., a, b] = hull[..]
            && (b.0 - a.0) * (point.1 - a.1) <= (b.1 - a.1) * (point.0 - a.0)
        {
            hull.pop();
        }
        hull.push(point);
    }
    let mean = points.iter().map(|p| p.0).sum::<f64>() / points.len() as f64;
    let edge = hull.windows(2).find(|edge| edge[1].0 >= mean);
    match edge {
        Some(&[a, b]) if b.0 > a.0 => (a, (b.1 - a.1) / (b.0 - a.0)),
        _ => (hull.first().copied().unwrap_or((0.0, 0.0)), 0.0),
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    const DRIFT_TOLERANCE: f64 = 2e-6;
    const OFFSET_TOLERANCE_NS: f64 = 50_000.0;

    /// Delays from a fixed pattern: mostly 0.2-3 ms, now and then none, never negative.
    fn delay_ns(k: u64) -> u64 {
        let scrambled = k.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407) >> 33;
        if scrambled.is_multiple_of(13) { 0 } else { 200_000 + scrambled % 2_800_000 }
    }

    fn filled(drift: f64, offset_ns: u64, seconds: u64) -> Timebase {
        let mut timebase = Timebase::default();
        for k in 0..seconds * 100 {
            let rig_ns = k * 10_000_000;
            let wall_ns = offset_ns + rig_ns + (rig_ns as f64 * drift) as u64 + delay_ns(k);
            timebase.arrived(rig_ns, wall_ns);
        }
        timebase
    }

    #[test]
    fn law_the_envelope_finds_drift_and_offset_under_one_sided_delays() {
        for seconds in [20, 300] {
            let fit = filled(50e-6, 7_000_000_000, seconds).fit().unwrap();
            let error = fit.drift - 50e-6;
            assert!(
                error.abs() < DRIFT_TOLERANCE,
                "drift: expected 50e-6, got {:e}, error {error:e}, tolerance {DRIFT_TOLERANCE:e} s/s (closed form)",
                fit.drift
            );
            let rig_ns = fit.rig_ns_at(7_000_000_000 + 10_000_500_000);
            let error = rig_ns as f64 - 10_000_000_000.0;
            assert!(
                error.abs() < OFFSET_TOLERANCE_NS,
                "rig time: expected 1e10, got {rig_ns}, error {error}, tolerance {OFFSET_TOLERANCE_NS} ns (closed form)"
            );
            assert!(fit.is_real_time());
        }
    }

    #[test]
    fn keeps_a_short_stream_at_no_drift_and_the_earliest_arrival() {
        let mut timebase = Timebase::default();
        assert_eq!(timebase.fit(), None);
        timebase.arrived(0, 5_000_000);
        timebase.arrived(200_000_000, 203_000_000);
        timebase.arrived(400_000_000, 404_000_000);
        let fit = timebase.fit().unwrap();
        assert_eq!((fit.drift, fit.rig_ns_at(203_000_000)), (0.0, 200_000_000));
    }

    #[test]
    fn says_when_a_stream_does_not_run_in_real_time() {
        let mut timebase = Timebase::default();
        for k in 0..100_u64 {
            timebase.arrived(k * 100_000_000, 1_000_000_000 + k * 10_000_000);
        }
        let fit = timebase.fit().unwrap();
        assert!(!fit.is_real_time() && (fit.drift + 0.9).abs() < 1e-6, "{fit:?}");
    }
}
