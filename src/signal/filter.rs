//! Low-pass filters: Butterworth of any low order, and the channel frequency classes of SAE J211-1. Coefficients are
//! apart from state, so that one design serves any number of channels.
//!
//! Source: bilinear transform with prewarping of the Butterworth prototype (any text on digital filters, from memory);
//! channel classes: SAE J211-1 Appendix C as quoted in `tests/fixtures/check-values/09_signals_statistics.toml`.

use std::f64::consts::PI;

/// Corner frequency of a channel class over its number, `f_c = 2.0775 CFC`: SAE's figure. (ISO 6487's wording leads to
/// 2.0833; the difference is 0.3 % of the corner.)
pub const CHANNEL_CLASS_CORNER: f64 = 2.0775;

/// Series filtered side by side.
const TOGETHER: usize = 8;
/// Samples of them that are turned into rows at a time: they stay in the nearest cache.
const ROWS: usize = 128;

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

/// Memory of one run of a filter over one channel: two numbers a section (transposed direct form II).
#[derive(Debug, Clone, PartialEq)]
pub struct FilterState(Vec<[f64; 2]>);

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

    /// State as after a long time at `value`.
    pub fn settled_at(&self, value: f64) -> FilterState {
        // Gain 1 at zero frequency: every section's output is `value` too.
        let rest = |s: &Section| {
            let second = (s.b[2] - s.a[1]) * value;
            [(s.b[1] - s.a[0]) * value + second, second]
        };
        FilterState(self.sections.iter().map(rest).collect())
    }

    /// Next output.
    pub fn step(&self, state: &mut FilterState, input: f64) -> f64 {
        let mut value = input;
        for (section, memory) in self.sections.iter().zip(&mut state.0) {
            let output = section.b[0] * value + memory[0];
            memory[0] = section.b[1] * value - section.a[0] * output + memory[1];
            memory[1] = section.b[2] * value - section.a[1] * output;
            value = output;
        }
        value
    }

    /// Forward and backward: no phase shift, gain squared. Outside the series the signal is taken to stay at its first
    /// and last value. Missing samples (`NaN`) stay missing; each stretch between them is filtered by itself.
    pub fn phaseless(&self, values: &[f64]) -> Vec<f64> {
        let mut filtered = values.to_vec();
        for stretch in filtered.split_mut(|value| value.is_nan()) {
            self.pass(stretch.iter_mut());
            self.pass(stretch.iter_mut().rev());
        }
        filtered
    }

    /// [`LowPass::phaseless`] of many series, the same numbers to the last bit: eight of one length and without
    /// missing samples go through side by side, so that one's sum is formed while another's is on its way.
    pub fn phaseless_each(&self, series: &[&[f64]]) -> Vec<Vec<f64>> {
        let mut filtered: Vec<Vec<f64>> = vec![Vec::new(); series.len()];
        let mut whole: Vec<usize> = Vec::new();
        for (place, values) in series.iter().enumerate() {
            if values.is_empty() || values.iter().any(|value| value.is_nan()) {
                filtered[place] = self.phaseless(values);
            } else {
                whole.push(place);
            }
        }
        // The longest first; the sort is stable, so that equals stay neighbours.
        whole.sort_by_key(|place| std::cmp::Reverse(series[*place].len()));
        for of_one_length in whole.chunk_by(|a, b| series[*a].len() == series[*b].len()) {
            for places in of_one_length.chunks(TOGETHER) {
                // A lane without a series runs along with the last one.
                let lane = |lane: usize| series[places[lane.min(places.len() - 1)]];
                let inputs: [&[f64]; TOGETHER] = std::array::from_fn(lane);
                for (place, output) in places.iter().zip(self.together(inputs)) {
                    filtered[*place] = output;
                }
            }
        }
        filtered
    }

    fn together(&self, inputs: [&[f64]; TOGETHER]) -> [Vec<f64>; TOGETHER] {
        let length = inputs[0].len();
        let mut outputs = inputs.map(<[f64]>::to_vec);
        let mut rows = vec![[0.0; TOGETHER]; ROWS];
        let at_ends = |end: usize, of: &[Vec<f64>; TOGETHER]| std::array::from_fn(|lane| of[lane][end]);
        let mut states = self.settled_together(at_ends(0, &outputs));
        for from in (0..length).step_by(ROWS) {
            let count = ROWS.min(length - from);
            gather(&outputs, from, &mut rows[..count]);
            rows[..count].iter_mut().for_each(|row| self.step_together(&mut states, row));
            scatter(&rows[..count], from, &mut outputs);
        }
        states = self.settled_together(at_ends(length - 1, &outputs));
        for from in (0..length).step_by(ROWS).rev() {
            let count = ROWS.min(length - from);
            gather(&outputs, from, &mut rows[..count]);
            rows[..count].iter_mut().rev().for_each(|row| self.step_together(&mut states, row));
            scatter(&rows[..count], from, &mut outputs);
        }
        outputs
    }

    fn settled_together(&self, values: [f64; TOGETHER]) -> Vec<[[f64; TOGETHER]; 2]> {
        let settled = values.map(|value| self.settled_at(value).0);
        (0..self.sections.len())
            .map(|section| std::array::from_fn(|k| std::array::from_fn(|lane| settled[lane][section][k])))
            .collect()
    }

    fn step_together(&self, states: &mut [[[f64; TOGETHER]; 2]], row: &mut [f64; TOGETHER]) {
        for (section, [first, second]) in self.sections.iter().zip(states) {
            for lane in 0..TOGETHER {
                let input = row[lane];
                let output = section.b[0] * input + first[lane];
                first[lane] = section.b[1] * input - section.a[0] * output + second[lane];
                second[lane] = section.b[2] * input - section.a[1] * output;
                row[lane] = output;
            }
        }
    }

    fn pass<'a>(&self, mut values: impl Iterator<Item = &'a mut f64>) {
        let Some(first) = values.next() else { return };
        let mut state = self.settled_at(*first);
        *first = self.step(&mut state, *first);
        values.for_each(|value| *value = self.step(&mut state, *value));
    }
}

/// Rows of [`TOGETHER`] series from sample `from` on.
fn gather(series: &[Vec<f64>; TOGETHER], from: usize, rows: &mut [[f64; TOGETHER]]) {
    for (lane, values) in series.iter().enumerate() {
        for (row, value) in rows.iter_mut().zip(&values[from..]) {
            row[lane] = *value;
        }
    }
}

/// The same back.
fn scatter(rows: &[[f64; TOGETHER]], from: usize, series: &mut [Vec<f64>; TOGETHER]) {
    for (lane, values) in series.iter_mut().enumerate() {
        for (row, value) in rows.iter().zip(&mut values[from..]) {
            *value = row[lane];
        }
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

    #[test]
    fn filters_many_series_to_the_same_bits_as_one_by_one() {
        let wave =
            |n: usize, k: usize| (0..n).map(|i| ((i * (k + 3)) as f64 * 0.01).sin() + k as f64).collect::<Vec<f64>>();
        let mut series: Vec<Vec<f64>> = (0..11).map(|k| wave(if k % 3 == 0 { 300 } else { 129 }, k)).collect();
        series[4][60] = f64::NAN;
        series.push(Vec::new());
        series.push(vec![2.0]);
        for order in [1, 2, 5] {
            let filter = LowPass::butterworth(order, 40.0, 1000.0).unwrap();
            let views: Vec<&[f64]> = series.iter().map(Vec::as_slice).collect();
            for (values, got) in series.iter().zip(filter.phaseless_each(&views)) {
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
