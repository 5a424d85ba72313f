//! How much later one series is than another: the lag of their largest cross-correlation, by one complex transform
//! forward and one of half its length back.
//!
//! Both series go through one transform as real and imaginary part, `z = x + i y` of length `N`. The spectrum of their
//! correlation `c(l) = sum x(k) y(k + l)` follows from it at once,
//! `C(k) = conj(X(k)) Y(k) = Im(Z(k) Z(N-k)) / 2 - i (|Z(k)|^2 - |Z(N-k)|^2) / 4`, and since `c` is real its even and odd
//! lags come back as real and imaginary part of half a transform. A power of two is enough that holds the longer series and
//! a quarter more: of the lags that then fall on one another each is a product of short ends, and the inequality of Cauchy
//! and Schwarz says whether any of them could be the largest. Where it could, the transform that holds all lags is taken.
//!
//! Derivation: from the definition of the transform. Accuracy: rounding of the transforms; agreement with the sum itself is
//! seen by `agrees_with_the_sum_at_every_lag`, with an independent library's at `xcorr-` in tests/validation/signals.rs.

use super::room::filled;
use phastft::fft_f64_dit_with_planner;
use phastft::planner::{Direction, PlannerDit64};
use std::sync::{Arc, Mutex, PoisonError};

/// Smallest length of a transform.
const LEAST_TRANSFORM: usize = 64;
/// Transforms whose plan is kept: those of one correlation.
const PLANS: usize = 2;
/// Running sums side by side.
const LANES: usize = 8;

/// Lag of `y` behind `x` in samples (positive: later) at the largest cross-correlation of the two, means removed.
/// Missing samples count as the mean. `None` for an empty series or one that holds an infinite value.
pub fn lag_samples(x: &[f64], y: &[f64]) -> Option<isize> {
    let longer = x.len().max(y.len());
    if x.is_empty() || y.is_empty() {
        return None;
    }
    let (x, y) = (Centred::of(x), Centred::of(y));
    let all = (x.len() + y.len() - 1).next_power_of_two().max(LEAST_TRANSFORM);
    let fewer = (longer + longer / 4).next_power_of_two().max(LEAST_TRANSFORM);
    let found = if fewer < all { x.largest_with(y, fewer) } else { None };
    found.or_else(|| x.largest_with(y, all))
}

/// A series with its mean taken away.
#[derive(Clone, Copy)]
struct Centred<'a> {
    values: &'a [f64],
    mean: f64,
}

impl Centred<'_> {
    fn of(values: &[f64]) -> Centred<'_> {
        let (sum, count) = summed(values, |value| value);
        Centred { values, mean: if count > 0.0 { sum / count } else { 0.0 } }
    }

    fn len(self) -> usize {
        self.values.len()
    }

    /// Laid out with zeros behind.
    fn padded(self, length: usize) -> Vec<f64> {
        let mut padded = filled(length, 0.0);
        for (place, value) in padded.iter_mut().zip(self.values) {
            *place = if value.is_nan() { 0.0 } else { value - self.mean };
        }
        padded
    }

    /// Sum of squares from sample `from` up to `to`.
    fn energy(self, from: usize, to: usize) -> f64 {
        summed(&self.values[from..to], |value| (value - self.mean) * (value - self.mean)).0
    }

    /// The lag of the largest correlation, if a transform of this length can tell.
    fn largest_with(self, y: Centred<'_>, length: usize) -> Option<isize> {
        let correlation = Correlation::of(self, y, length);
        // Lags beyond these fall on one another.
        let (latest, earliest) = (length - self.len(), length - y.len());
        let positive = (0..=latest.min(y.len() - 1)).map(|lag| (lag, lag as isize));
        let before = earliest.min(self.len() - 1);
        let negative = (1..=before).rev().map(|lag| (length - lag, -(lag as isize)));
        let mut best: Option<(f64, isize)> = None;
        for (at, lag) in positive.chain(negative) {
            let value = correlation.at(at);
            if best.is_none_or(|(most, _)| value > most) && !value.is_nan() {
                best = Some((value, lag));
            }
        }
        let (most, lag) = best?;
        let bound = |a: f64, b: f64| (a * b).sqrt();
        let beyond_positive = y
            .len()
            .checked_sub(latest + 1)
            .map_or(0.0, |overlap| bound(self.energy(0, overlap.min(self.len())), y.energy(latest + 1, y.len())));
        let beyond_negative = self
            .len()
            .checked_sub(earliest + 1)
            .map_or(0.0, |overlap| bound(self.energy(earliest + 1, self.len()), y.energy(0, overlap.min(y.len()))));
        let told = beyond_positive.max(beyond_negative) < most || length >= self.len() + y.len() - 1;
        told.then_some(lag)
    }
}

/// Sum and number of what is not missing.
fn summed(values: &[f64], term: impl Fn(f64) -> f64) -> (f64, f64) {
    let (mut sums, mut counts) = ([0.0; LANES], [0.0; LANES]);
    let (whole, rest) = values.as_chunks::<LANES>();
    for row in whole {
        for lane in 0..LANES {
            let known = !row[lane].is_nan();
            sums[lane] += if known { term(row[lane]) } else { 0.0 };
            counts[lane] += if known { 1.0 } else { 0.0 };
        }
    }
    let known = rest.iter().filter(|value| !value.is_nan());
    let (sum, count) = known.fold((0.0, 0.0), |(sum, count), value| (sum + term(*value), count + 1.0));
    (sums.iter().sum::<f64>() + sum, counts.iter().sum::<f64>() + count)
}

/// Correlation at every lag, modulo the length of the transform.
struct Correlation {
    even: Vec<f64>,
    odd: Vec<f64>,
}

impl Correlation {
    fn of(x: Centred<'_>, y: Centred<'_>, length: usize) -> Self {
        let (mut re, mut im) = (x.padded(length), y.padded(length));
        fft_f64_dit_with_planner(&mut re, &mut im, Direction::Forward, &plan(length));
        halve(&mut re, &mut im);
        let half = length / 2;
        fft_f64_dit_with_planner(&mut re[..half], &mut im[..half], Direction::Inverse, &plan(half));
        Self { even: re, odd: im }
    }

    fn at(&self, lag: usize) -> f64 {
        let half = if lag.is_multiple_of(2) { &self.even } else { &self.odd };
        half[lag / 2]
    }
}

/// From the spectrum of `x + i y` to the spectrum of `c(2 m) + i c(2 m + 1)`, in the first half of the same memory.
///
/// With `W = exp(2 pi i / N)`, `S = C(k) + C(k + N/2)` and `P = W^k (C(k) - C(k + N/2))` it is `S + i P` at `k` and
/// `conj(S) + i conj(P)` at `N/2 - k`.
fn halve(re: &mut [f64], im: &mut [f64]) {
    let (length, half) = (re.len(), re.len() / 2);
    // The inverse of half the length divides by half of what it should.
    let product = |re: &[f64], im: &[f64], k: usize| {
        let l = (length - k) % length;
        let real = 0.25 * (re[k] * im[l] + im[k] * re[l]);
        let imaginary = 0.125 * ((re[l] * re[l] + im[l] * im[l]) - (re[k] * re[k] + im[k] * im[k]));
        (real, imaginary)
    };
    let turns = Turns::of(length);
    for k in 0..=half / 2 {
        let (a, b) = (product(re, im, k), product(re, im, half - k));
        let (sum, difference) = ((a.0 + b.0, a.1 - b.1), (a.0 - b.0, a.1 + b.1));
        let turn = turns.at(k);
        let turned = (turn.0 * difference.0 - turn.1 * difference.1, turn.0 * difference.1 + turn.1 * difference.0);
        (re[k], im[k]) = (sum.0 - turned.1, sum.1 + turned.0);
        if k > 0 {
            (re[half - k], im[half - k]) = (sum.0 + turned.1, turned.0 - sum.1);
        }
    }
}

/// Points of the unit circle, `exp(2 pi i k / N)`, as products of two short tables.
struct Turns {
    coarse: Vec<(f64, f64)>,
    fine: Vec<(f64, f64)>,
}

impl Turns {
    fn of(length: usize) -> Self {
        let step = std::f64::consts::TAU / length as f64;
        let stride = 1 << (length.ilog2() / 2);
        let table = |count: usize, by: usize| (0..count).map(|k| ((k * by) as f64 * step).sin_cos()).collect();
        let swap = |table: Vec<(f64, f64)>| table.into_iter().map(|(sin, cos)| (cos, sin)).collect();
        Self { coarse: swap(table(length / stride, stride)), fine: swap(table(stride, 1)) }
    }

    fn at(&self, k: usize) -> (f64, f64) {
        let (a, b) = (self.coarse[k / self.fine.len()], self.fine[k % self.fine.len()]);
        (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
    }
}

/// The plan of a transform of this length: made once, kept while no others are asked for.
fn plan(length: usize) -> Arc<PlannerDit64> {
    static KEPT: Mutex<Vec<(usize, Arc<PlannerDit64>)>> = Mutex::new(Vec::new());
    let mut kept = KEPT.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some((_, plan)) = kept.iter().find(|(of, _)| *of == length) {
        return Arc::clone(plan);
    }
    let plan = Arc::new(PlannerDit64::new(length));
    if kept.len() == PLANS {
        kept.remove(0);
    }
    kept.push((length, Arc::clone(&plan)));
    plan
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By the sum itself; the first of equals in the order 0, 1, ... and then from the most negative.
    fn by_the_sum(x: &[f64], y: &[f64]) -> isize {
        let (x, y) = (Centred::of(x).padded(x.len()), Centred::of(y).padded(y.len()));
        let lags = (0..y.len() as isize).chain(-(x.len() as isize - 1)..0);
        let value = |lag: isize| {
            let terms = x.iter().enumerate().filter_map(|(k, x)| Some(x * y.get(k.checked_add_signed(lag)?)?));
            terms.sum::<f64>()
        };
        lags.map(|lag| (lag, value(lag))).reduce(|best, new| if new.1 > best.1 { new } else { best }).unwrap().0
    }

    fn noise(seed: u64, count: usize) -> Vec<f64> {
        let mut state = seed;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / f64::from(1 << 24) - 0.5
        };
        (0..count).map(|_| next()).collect()
    }

    #[test]
    fn agrees_with_the_sum_at_every_lag() {
        for (seed, x, y) in
            [(1, 3, 3), (2, 3, 90), (3, 90, 5), (4, 70, 70), (5, 100, 130), (6, 205, 201), (7, 410, 409)]
        {
            for shift in [-150_isize, -60, -3, 0, 2, 80, 170] {
                let base = noise(seed, x.max(y) + 400);
                let of = |from: isize, count: usize| base[(200 + from) as usize..][..count].to_vec();
                let (mut x, y) = (of(0, x), of(-shift, y));
                if x.len() > 50 {
                    x[40] = f64::NAN;
                }
                let (expected, got) = (by_the_sum(&x, &y), lag_samples(&x, &y).unwrap());
                assert_eq!(got, expected, "{} and {} samples shifted by {shift} (the sum)", x.len(), y.len());
            }
        }
    }

    #[test]
    fn takes_all_lags_where_short_ends_weigh_most() {
        // All that happens is at the end of one and at the start of the other: lags that a short transform folds.
        let mut x = vec![0.0; 200];
        let mut y = vec![0.0; 200];
        x[195..].copy_from_slice(&[1.0, 5.0, -3.0, 2.0, 9.0]);
        y[..5].copy_from_slice(&[1.0, 5.0, -3.0, 2.0, 9.0]);
        assert_eq!(lag_samples(&x, &y), Some(-195));
        assert_eq!(lag_samples(&y, &x), Some(195));
    }

    #[test]
    fn says_nothing_of_nothing() {
        assert_eq!(lag_samples(&[], &[1.0]), None);
        assert_eq!(lag_samples(&[f64::INFINITY, 1.0], &[1.0, 2.0]), None);
    }
}
