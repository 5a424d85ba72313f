//! What can be read off a series: extrema, rise, rate, decay, averages. `NaN` marks a missing sample and is passed
//! over; where nothing is left the answer is `None`.

#[cfg(target_arch = "x86_64")]
mod eight;

use fearless_simd::{Level, dispatch};

/// Samples compared side by side, and in a second look.
const LANES: usize = 16;
const FEWER: usize = 4;

/// A sample that stands out: position in samples (fractional where interpolated) and value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Samples from the first one.
    pub at: f64,
    /// Value.
    pub value: f64,
}

/// Largest sample. The first of equals.
pub fn maximum(values: &[f64]) -> Option<Point> {
    extremum(values, |new, best| new > best)
}

/// Smallest sample. The first of equals.
pub fn minimum(values: &[f64]) -> Option<Point> {
    extremum(values, |new, best| new < best)
}

fn extremum(values: &[f64], better: impl Fn(f64, f64) -> bool) -> Option<Point> {
    let mut best: Option<(usize, f64)> = None;
    for (k, &value) in values.iter().enumerate().filter(|(_, value)| !value.is_nan()) {
        if best.is_none_or(|(_, so_far)| better(value, so_far)) {
            best = Some((k, value));
        }
    }
    best.map(|(k, value)| Point { at: k as f64, value })
}

/// Vertex of the parabola through an extreme sample and its neighbours: the extremum between samples.
///
/// Accuracy: third order in the sampling interval for a smooth signal; noise makes it no better than the sample itself.
pub fn refined(values: &[f64], extreme: Point) -> Point {
    let k = extreme.at as usize;
    let neighbours = k.checked_sub(1).and_then(|before| Some((*values.get(before)?, *values.get(k + 1)?)));
    let Some((before, after)) = neighbours else { return extreme };
    let curvature = before - 2.0 * extreme.value + after;
    let offset = 0.5 * (before - after) / curvature;
    // A flat top has no vertex: 0 / 0.
    if offset.is_nan() || offset.abs() > 1.0 {
        return extreme;
    }
    Point { at: extreme.at + offset, value: extreme.value - 0.25 * (before - after) * offset }
}

/// First crossing of `level` at or after sample `from`, upward if `rising`, interpolated linearly; a series that is
/// already beyond the level there crosses at `from`.
pub fn crossing(values: &[f64], from: usize, level: f64, rising: bool) -> Option<f64> {
    let beyond = |value: f64| if rising { value >= level } else { value <= level };
    let mut before: Option<(usize, f64)> = None;
    for (k, &value) in values.iter().enumerate().skip(from).filter(|(_, value)| !value.is_nan()) {
        if beyond(value) {
            let between = |(k0, v0): (usize, f64)| k0 as f64 + (k - k0) as f64 * (level - v0) / (value - v0);
            return Some(before.map_or(k as f64, between));
        }
        before = Some((k, value));
    }
    None
}

/// Time from the first passing of 10 % to the first passing of 90 % of the way from `from_level` to `to_level`, s.
///
/// Accuracy: linear interpolation, second order in the interval. `None` when a level is never passed.
pub fn rise_time_s(values: &[f64], dt_s: f64, from_level: f64, to_level: f64) -> Option<f64> {
    let level = |share: f64| from_level + share * (to_level - from_level);
    let rising = to_level > from_level;
    let low = crossing(values, 0, level(0.1), rising)?;
    let high = crossing(values, low.floor() as usize, level(0.9), rising)?;
    Some((high - low) * dt_s)
}

/// Mean slopes over `2 half` samples around each inner sample, per s; the ends have none.
///
/// (x[k+half] - x[k-half]) / (2 half dt); half = 1 is the central difference, second order.
pub fn slopes(values: &[f64], dt_s: f64, half: usize) -> impl Iterator<Item = f64> {
    let half = half.max(1);
    values.windows(2 * half + 1).map(move |w| (w[2 * half] - w[0]) / (2.0 * half as f64 * dt_s))
}

/// Largest mean slope over `2 half` samples, per s, and the middle of where.
pub fn peak_slope(values: &[f64], dt_s: f64, half: usize) -> Option<Point> {
    let slopes: Vec<f64> = slopes(values, dt_s, half).collect();
    maximum(&slopes).map(|peak| Point { at: peak.at + half.max(1) as f64, ..peak })
}

/// Largest rate of rise by central differences, per s, and where.
pub fn peak_rate(values: &[f64], dt_s: f64) -> Option<Point> {
    peak_slope(values, dt_s, 1)
}

/// Local maxima, refined: those that rise by at least `prominence` from the valley before and fall by as much after.
pub fn peaks(values: &[f64], prominence: f64) -> Vec<Point> {
    let mut found = Vec::new();
    let mut climbing = false;
    let mut extreme = Point { at: 0.0, value: f64::NAN };
    for (k, &value) in values.iter().enumerate().filter(|(_, value)| !value.is_nan()) {
        let back = if climbing { extreme.value - value } else { value - extreme.value };
        if back >= prominence {
            if climbing {
                found.push(refined(values, extreme));
            }
            climbing = !climbing;
        }
        if back >= prominence || back < 0.0 || extreme.value.is_nan() {
            extreme = Point { at: k as f64, value };
        }
    }
    found
}

/// Logarithmic decrement from two amplitudes `cycles` apart: delta = ln(x_0 / x_n) / n.
pub fn log_decrement(first: f64, later: f64, cycles: u32) -> f64 {
    (first / later).ln() / f64::from(cycles)
}

/// Damping ratio of a decrement: zeta = delta / sqrt(4 pi^2 + delta^2).
pub fn damping_ratio(decrement: f64) -> f64 {
    decrement / (4.0 * std::f64::consts::PI.powi(2) + decrement * decrement).sqrt()
}

/// Centred moving average over `width` samples (made odd), shorter at the ends.
pub fn moving_average(values: &[f64], width: usize) -> Vec<f64> {
    let half = width / 2;
    (0..values.len())
        .map(|k| {
            let window = &values[k.saturating_sub(half)..(k + half + 1).min(values.len())];
            let (sum, count) = window.iter().filter(|v| !v.is_nan()).fold((0.0, 0_u32), |(s, n), v| (s + v, n + 1));
            if count == 0 { f64::NAN } else { sum / f64::from(count) }
        })
        .collect()
}

/// Smallest and largest of some samples. Each comparison with a missing sample is false: what was known stays.
#[inline(always)]
fn ends(values: &[f64]) -> Option<(f64, f64)> {
    let (mut low, mut high) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
    let (whole, rest) = values.as_chunks::<LANES>();
    whole.iter().for_each(|row| widen(&mut low, &mut high, row, row));
    let (mut few_low, mut few_high) = ([f64::INFINITY; FEWER], [f64::NEG_INFINITY; FEWER]);
    let (fours, rest) = rest.as_chunks::<FEWER>();
    fours.iter().for_each(|row| widen(&mut few_low, &mut few_high, row, row));
    for (low, high) in low.as_chunks::<FEWER>().0.iter().zip(high.as_chunks::<FEWER>().0) {
        widen(&mut few_low, &mut few_high, low, high);
    }
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for (smaller, larger) in few_low.iter().zip(&few_high).chain(rest.iter().zip(rest)) {
        low = if *smaller < low { *smaller } else { low };
        high = if *larger > high { *larger } else { high };
    }
    // Only missing samples: nothing was met. Both ends infinite the same way: they were measured so.
    (low <= high).then_some((low, high))
}

#[inline(always)]
fn widen<const N: usize>(low: &mut [f64; N], high: &mut [f64; N], smaller: &[f64; N], larger: &[f64; N]) {
    for lane in 0..N {
        low[lane] = if smaller[lane] < low[lane] { smaller[lane] } else { low[lane] };
        high[lane] = if larger[lane] > high[lane] { larger[lane] } else { high[lane] };
    }
}

/// Smallest and largest of each group of `width` samples; `None` where all are missing. The last group may be shorter.
pub fn min_max(values: &[f64], width: usize) -> Vec<Option<(f64, f64)>> {
    let width = width.max(1);
    #[cfg(target_arch = "x86_64")]
    if let Some(found) = eight::min_max(values, width) {
        return found;
    }
    dispatch!(Level::new(), _simd => by_groups(values, width))
}

/// Samples of a stretch, where a picture of `most` points shows two of each stretch.
pub fn stretch(samples: usize, most: usize) -> usize {
    (2 * samples).div_ceil(most.max(2)).max(1)
}

/// Index and value of what a picture of `most` points must keep so that no peak is lost: the smallest and the largest of
/// each stretch, in their order; every sample where there are no more than `most`. Stretches whose ends are missing or
/// infinite are left out.
pub fn outline(values: &[f64], most: usize) -> Vec<(usize, f64)> {
    if values.len() <= most {
        return values.iter().copied().enumerate().collect();
    }
    let width = stretch(values.len(), most);
    let mut kept = Vec::with_capacity(most.max(2));
    for (number, ends) in min_max(values, width).into_iter().enumerate() {
        let Some((low, high)) = ends.filter(|(low, high)| low.is_finite() && high.is_finite()) else { continue };
        let first = number * width;
        let group = &values[first..values.len().min(first + width)];
        // An end is a copy of one of them, bit for bit.
        let met = |end: f64| group.iter().position(|value| value.total_cmp(&end).is_eq());
        let at = |end: f64| met(end).map(|index| (first + index, end));
        let (one, other) = if at(low) <= at(high) { (at(low), at(high)) } else { (at(high), at(low)) };
        kept.extend(one);
        kept.extend(other.filter(|_| one != other));
    }
    kept
}

/// A loop, since what collects would not be compiled for the instructions at hand.
#[inline(always)]
fn by_groups(values: &[f64], width: usize) -> Vec<Option<(f64, f64)>> {
    let mut found = Vec::with_capacity(values.len().div_ceil(width));
    for group in values.chunks(width) {
        found.push(ends(group));
    }
    found
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    const DECREMENT_TOLERANCE: f64 = 1e-5;

    #[test]
    fn law_an_outline_keeps_every_peak_in_order() {
        let mut values: Vec<f64> = (0..100_000).map(|i| f64::from(i % 7)).collect();
        values[43_210] = 99.0;
        values[71_001] = -99.0;
        values[71_002] = f64::NAN;
        let kept = outline(&values, 1800);
        assert!(kept.len() <= 1800, "{}", kept.len());
        assert!(kept.contains(&(43_210, 99.0)) && kept.contains(&(71_001, -99.0)), "{kept:?}");
        assert!(kept.windows(2).all(|w| w[0].0 < w[1].0));
        assert_eq!(outline(&[3.0, f64::NAN, 1.0], 3).len(), 3);
        let flat = outline(&[2.0; 100], 10);
        assert_eq!(flat, [(0, 2.0), (20, 2.0), (40, 2.0), (60, 2.0), (80, 2.0)]);
        assert_eq!(outline(&[f64::NAN; 100], 10), []);
    }

    #[test]
    fn law_a_decaying_oscillation_gives_back_its_damping() {
        let (zeta, omega) = (0.05_f64, 50.0_f64);
        let damped = omega * (1.0 - zeta * zeta).sqrt();
        let wave = |t: f64| (-zeta * omega * t).exp() * (damped * t).sin();
        let values: Vec<f64> = (0..10_000).map(|k| wave(f64::from(k) * 1e-4)).collect();
        let peaks = peaks(&values, 0.05);
        assert!(peaks.len() >= 5, "{peaks:?}");
        let got = damping_ratio(log_decrement(peaks[0].value, peaks[4].value, 4));
        let error = (got - zeta).abs();
        assert!(
            error < DECREMENT_TOLERANCE,
            "zeta: expected {zeta}, got {got}, error {error:e}, tolerance {DECREMENT_TOLERANCE:e} 1 (closed form)"
        );
    }

    #[test]
    fn passes_over_missing_samples() {
        let values = [f64::NAN, 1.0, f64::NAN, 3.0, -2.0];
        assert_eq!(maximum(&values), Some(Point { at: 3.0, value: 3.0 }));
        assert_eq!(minimum(&values), Some(Point { at: 4.0, value: -2.0 }));
        assert_eq!(crossing(&values, 0, 2.0, true), Some(2.0));
        assert_eq!(min_max(&values, 2), vec![Some((1.0, 1.0)), Some((3.0, 3.0)), Some((-2.0, -2.0))]);
        assert_eq!(moving_average(&values, 3), vec![1.0, 1.0, 2.0, 0.5, 0.5]);
        assert_eq!(maximum(&[f64::NAN]), None);
        assert_eq!(rise_time_s(&values, 1.0, 0.0, 10.0), None);
    }

    #[test]
    fn finds_both_ends_wherever_they_stand() {
        for width in [1, 3, 16, 21, 37, 300] {
            for place in 0..width {
                let mut values: Vec<f64> = (0..width).map(|k| (k as f64).sin()).collect();
                values[place] = 7.0;
                values[(place + width / 2) % width] = if width > 1 { -7.0 } else { 7.0 };
                values[(place + width / 3 + 1) % width] += if width > 16 { f64::NAN } else { 0.0 };
                let known = || values.iter().copied().filter(|value| !value.is_nan());
                let expected = (known().fold(f64::INFINITY, f64::min), known().fold(f64::NEG_INFINITY, f64::max));
                assert_eq!(min_max(&values, width), vec![Some(expected)], "{width} samples, {place}");
            }
        }
        assert_eq!(min_max(&[f64::NAN; 40], 40), vec![None]);
    }

    #[test]
    fn law_a_straight_ramp_rises_at_its_slope() {
        let ramp: Vec<f64> = (0..101).map(|k| f64::from(k) * 2.0).collect();
        assert_eq!(rise_time_s(&ramp, 0.5, 0.0, 200.0), Some(40.0));
        assert_eq!(peak_slope(&ramp, 0.5, 1), Some(Point { at: 1.0, value: 4.0 }));
        let falling: Vec<f64> = ramp.iter().rev().copied().collect();
        assert_eq!(rise_time_s(&falling, 0.5, 200.0, 0.0), Some(40.0));
    }
}
