//! Low-pass filters: Butterworth of any low order, and the channel frequency classes of SAE J211-1. Coefficients are
//! apart from state (`signal::phaseless`), so that one design serves any number of channels.
//!
//! Source: bilinear transform with prewarping of the Butterworth prototype (any text on digital filters, from memory);
//! channel classes: SAE J211-1 Appendix C as quoted in `tests/fixtures/check-values/09_signals_statistics.toml`.

use super::phaseless;
use super::room::filled;
use std::f64::consts::PI;

/// Corner frequency of a channel class over its number, `f_c = 2.0775 CFC`: SAE's figure. (ISO 6487's wording leads to
/// 2.0833; the difference is 0.3 % of the corner.)
pub const CHANNEL_CLASS_CORNER: f64 = 2.0775;

/// A second-order section `y = b0 x + b1 x1 + b2 x2 - a1 y1 - a2 y2`; first order has `b2 = a2 = 0`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    /// Feed-forward, b0 b1 b2.
    pub b: [f64; 3],
    /// Feedback, a1 a2 (a0 = 1).
    pub a: [f64; 2],
}

/// Why a filter cannot be made.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum FilterError {
    /// The corner lies at or above half the sampling rate, or is no positive number.
    #[error("corner frequency {corner_hz} Hz is not between 0 and half the sampling rate, {nyquist_hz} Hz")]
    Corner {
        /// Wanted corner, Hz.
        corner_hz: f64,
        /// Half the sampling rate, Hz.
        nyquist_hz: f64,
    },
    /// Order 0 or above 8.
    #[error("order {order} is not between 1 and 8")]
    Order {
        /// Wanted order.
        order: u32,
    },
}

/// A low-pass filter as a chain of sections.
#[derive(Debug, Clone, PartialEq)]
pub struct LowPass {
    sections: Vec<Section>,
    rate_hz: f64,
}

impl LowPass {
    /// Butterworth low-pass.
    ///
    /// |H(f)|^2 = 1 / (1 + (tan(pi f / f_s) / tan(pi f_c / f_s))^(2 n)); gain 1 at zero, 1/sqrt(2) at the corner.
    /// Arguments: order n, 1..=8; corner f_c, Hz, 0 < f_c < f_s / 2; rate f_s, Hz. Accuracy: coefficients within 1e-9
    /// relative of an independent library (`published_butterworth_*` in tests/validation/signals.rs).
    pub fn butterworth(order: u32, corner_hz: f64, rate_hz: f64) -> Result<Self, FilterError> {
        if !(1..=8).contains(&order) {
            return Err(FilterError::Order { order });
        }
        let nyquist_hz = rate_hz / 2.0;
        if !(corner_hz > 0.0 && corner_hz < nyquist_hz) {
            return Err(FilterError::Corner { corner_hz, nyquist_hz });
        }
        let warped = (PI * corner_hz / rate_hz).tan();
        let pair = |k: u32| second_order(warped, 2.0 * (PI * f64::from(2 * k + 1) / f64::from(2 * order)).sin());
        let mut sections: Vec<Section> = (0..order / 2).map(pair).collect();
        if order % 2 == 1 {
            sections.push(first_order(warped));
        }
        Ok(Self { sections, rate_hz })
    }

    /// Filter of a channel frequency class: second-order Butterworth at 2.0775 CFC, to be run forward and backward
    /// ([`LowPass::phaseless`]); together they fall by 3 dB at 5/3 of the class number (CFC 180: 300 Hz).
    pub fn channel_class(class: u32, dt_s: f64) -> Result<Self, FilterError> {
        Self::butterworth(2, CHANNEL_CLASS_CORNER * f64::from(class), 1.0 / dt_s)
    }

    /// The sections.
    pub fn sections(&self) -> &[Section] {
        &self.sections
    }

    /// Polynomials (b, a) of the whole chain, a0 = 1.
    pub fn polynomials(&self) -> (Vec<f64>, Vec<f64>) {
        let (mut b, mut a) = (vec![1.0], vec![1.0]);
        for section in &self.sections {
            b = product(&b, &section.b);
            a = product(&a, &[1.0, section.a[0], section.a[1]]);
        }
        let order = self.sections.iter().map(|s| if s.is_first_order() { 1 } else { 2 }).sum::<usize>();
        b.truncate(order + 1);
        a.truncate(order + 1);
        (b, a)
    }

    /// Gain of one pass at a frequency, dimensionless.
    pub fn gain(&self, frequency_hz: f64) -> f64 {
        let angle = 2.0 * PI * frequency_hz / self.rate_hz;
        self.sections.iter().map(|section| section.gain(angle)).product()
    }

    /// Forward and backward: no phase shift, gain squared. Before its first sample the series is taken to stay there, and behind
    /// the last one what the forward pass came to (scipy's `sosfiltfilt` with `padtype=None`). Missing samples (`NaN`) stay
    /// missing; each stretch between them is filtered by itself. Accuracy: 1e-4 Pa on a recording of 2 bar
    /// (`agrees_with_scipy_on_the_recording_that_is_kept`).
    pub fn phaseless(&self, values: &[f64]) -> Vec<f64> {
        let mut filtered = filled(values.len(), 0.0);
        self.phaseless_into(&[values], &mut [&mut filtered]);
        filtered
    }

    /// [`LowPass::phaseless`] of many series, the same numbers to the last bit, into memory that is there already: fresh
    /// memory for as many samples costs several times what filtering them does. `filtered` has a series for each of
    /// `series`, of its length.
    pub fn phaseless_into(&self, series: &[&[f64]], filtered: &mut [&mut [f64]]) {
        phaseless::both_ways(self, series, filtered);
    }
}

impl Section {
    fn is_first_order(&self) -> bool {
        self.b[2] == 0.0 && self.a[1] == 0.0
    }

    fn gain(&self, angle: f64) -> f64 {
        let at = |c: [f64; 3]| {
            let real = c[0] + c[1] * angle.cos() + c[2] * (2.0 * angle).cos();
            let imaginary = c[1] * angle.sin() + c[2] * (2.0 * angle).sin();
            real.hypot(imaginary)
        };
        at(self.b) / at([1.0, self.a[0], self.a[1]])
    }
}

/// 1 / (s^2 + d s + 1) with s = (1 - z^-1) / (w (1 + z^-1)).
fn second_order(warped: f64, damping: f64) -> Section {
    let square = warped * warped;
    let scale = 1.0 + damping * warped + square;
    let b0 = square / scale;
    Section { b: [b0, 2.0 * b0, b0], a: [2.0 * (square - 1.0) / scale, (1.0 - damping * warped + square) / scale] }
}

/// 1 / (s + 1), same substitution.
fn first_order(warped: f64) -> Section {
    let b0 = warped / (1.0 + warped);
    Section { b: [b0, b0, 0.0], a: [(warped - 1.0) / (warped + 1.0), 0.0] }
}

fn product(p: &[f64], q: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; p.len() + q.len() - 1];
    for (i, x) in p.iter().enumerate() {
        for (j, y) in q.iter().enumerate() {
            out[i + j] += x * y;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const EXACT: f64 = 1e-12;

    #[test]
    fn law_a_constant_passes_unchanged_from_its_first_sample() {
        for order in 1..=5 {
            let filter = LowPass::butterworth(order, 200.0, 10_000.0).unwrap();
            let out = filter.phaseless(&[3.5; 50]);
            let worst = out.iter().map(|y| (y - 3.5).abs()).fold(0.0, f64::max);
            assert!(
                worst < EXACT,
                "order {order}: expected 3.5, error {worst:e}, tolerance {EXACT:e} (gain 1 at zero)"
            );
        }
    }

    fn waves(lengths: &[usize]) -> Vec<Vec<f64>> {
        let wave = |(k, n): (usize, &usize)| {
            let value = |i: usize| ((i * (k + 3)) as f64 * 0.01).sin() + k as f64 + f64::from(i.is_multiple_of(71));
            (0..*n).map(value).collect()
        };
        lengths.iter().enumerate().map(wave).collect()
    }

    /// One pass over all of it (transposed direct form II), from rest at the first value.
    fn pass<'a>(filter: &LowPass, values: impl Iterator<Item = &'a mut f64>) {
        let mut memory: Option<Vec<[f64; 2]>> = None;
        for value in values {
            let rest = |s: &Section, v: f64| [(s.b[1] - s.a[0] + s.b[2] - s.a[1]) * v, (s.b[2] - s.a[1]) * v];
            let first = *value;
            let memory = memory.get_or_insert_with(|| filter.sections().iter().map(|s| rest(s, first)).collect());
            for (s, memory) in filter.sections().iter().zip(memory) {
                let output = s.b[0] * *value + memory[0];
                memory[0] = s.b[1] * *value - s.a[0] * output + memory[1];
                memory[1] = s.b[2] * *value - s.a[1] * output;
                *value = output;
            }
        }
    }

    #[test]
    fn law_blocks_give_what_two_whole_passes_give() {
        let series = waves(&[1, 2, 3, 7, 129, 300, 1000, 4096, 9999, 30_000]);
        for (order, corner_hz) in
            [(1, 2500.0), (2, 300.0), (2, 3.0), (3, 80.0), (5, 200.0), (8, 500.0), (2, 4900.0), (1, 300.0)]
        {
            let filter = LowPass::butterworth(order, corner_hz, 10_000.0).unwrap();
            for values in &series {
                let mut expected = values.clone();
                pass(&filter, expected.iter_mut());
                pass(&filter, expected.iter_mut().rev());
                let got = filter.phaseless(values);
                let worst = got.iter().zip(&expected).map(|(got, all)| (got - all).abs()).fold(0.0, f64::max);
                // Rounding is multiplied by what a pulse leaves behind in all: 1 / A(1).
                let all = filter.sections().iter().map(|s| 1.0 + s.a[0] + s.a[1]).product::<f64>();
                let largest = values.iter().map(|value| value.abs()).fold(1.0, f64::max);
                let tolerance = largest * f64::max(EXACT, 4.0 * f64::EPSILON / all);
                assert!(
                    worst < tolerance,
                    "order {order}, {corner_hz} Hz, {} samples: expected what two passes give, worst error {worst:e}, \
                     tolerance {tolerance:e} (same units)",
                    values.len()
                );
            }
        }
    }

    #[test]
    fn filters_many_series_to_the_same_bits_as_one_by_one() {
        let mut series = waves(&[300, 129, 129, 3000, 129, 129, 3000, 300, 129, 3000, 129, 0, 1, 20_000]);
        series[4][60] = f64::NAN;
        series[13][7000..7003].fill(f64::NAN);
        for order in [1, 2, 5] {
            let filter = LowPass::butterworth(order, 40.0, 1000.0).unwrap();
            let views: Vec<&[f64]> = series.iter().map(Vec::as_slice).collect();
            let mut results: Vec<Vec<f64>> = series.iter().map(|values| vec![9.0; values.len()]).collect();
            let mut places: Vec<&mut [f64]> = results.iter_mut().map(Vec::as_mut_slice).collect();
            filter.phaseless_into(&views, &mut places);
            for (values, got) in series.iter().zip(results) {
                let bits = |of: &[f64]| of.iter().map(|value| value.to_bits()).collect::<Vec<u64>>();
                assert_eq!(bits(&got), bits(&filter.phaseless(values)), "order {order}, {} samples", values.len());
            }
        }
    }

    #[test]
    fn law_a_phaseless_pass_neither_shifts_nor_tilts_a_symmetric_pulse() {
        let filter = LowPass::channel_class(180, 1e-4).unwrap();
        let pulse: Vec<f64> = (0..2001).map(|k| (-((f64::from(k) - 1000.0) / 30.0).powi(2)).exp()).collect();
        let out = filter.phaseless(&pulse);
        let worst = (0..1000).map(|k| (out[k] - out[2000 - k]).abs()).fold(0.0, f64::max);
        assert!(worst < EXACT, "expected 0 asymmetry, got {worst:e}, tolerance {EXACT:e} (time reversal)");
    }

    #[test]
    fn keeps_missing_samples_missing_and_does_not_smear_across_them() {
        let filter = LowPass::channel_class(180, 1e-4).unwrap();
        let out = filter.phaseless(&[1.0, 1.0, f64::NAN, 9.0, 9.0]);
        assert!(out[2].is_nan());
        assert!((out[1] - 1.0).abs() < EXACT && (out[3] - 9.0).abs() < EXACT, "{out:?}");
    }

    #[test]
    fn rejects_corners_that_the_rate_cannot_carry() {
        let error = LowPass::channel_class(1000, 1e-3).unwrap_err();
        assert_eq!(error.to_string(), "corner frequency 2077.5 Hz is not between 0 and half the sampling rate, 500 Hz");
        assert_eq!(LowPass::butterworth(9, 1.0, 10.0), Err(FilterError::Order { order: 9 }));
        assert!(LowPass::butterworth(2, f64::NAN, 10.0).is_err());
    }
}
