//! How sure a measured figure is: its contributions by the rules of the GUM (JCGM 100), added by their squares.
//!
//! What is known of a channel decides what can be said: a calibration's uncertainty is taken whole even for differences of
//! two readings of one sensor, since certificates do not say how much of it is common to both. Not counted: the mounting where
//! the rig file says nothing of it, and effects that repeat alike in every reading of the rig (water temperature, air).

use super::ChannelInfo;
use super::align::{ChannelCycle, Piece};
use super::metric::registry::{Metric, Span, Unit};
use super::metric::start_peak_rate::rates;
use super::metric::{Reading, final_stretch, force_impulse};
use crate::signal::features::peak_slope;
use crate::signal::statistics::standard_deviation;
use serde::Serialize;

/// Coverage factor of an expanded uncertainty: about 95 % (JCGM 100, 6.3).
pub const COVERAGE: f64 = 2.0;
/// Half width of a rectangle over its standard deviation (JCGM 100, 4.3.7).
const RECTANGLE: f64 = 1.732_050_807_568_877_2;
/// A flat top picks the highest of its noise: up to about two standard deviations (common practice, no source).
const PICKED_SIGMAS: f64 = 2.0;
/// A reading nearer to the low end of its range than this share of it rests there.
const LOW_SHARE: f64 = 1e-6;
/// Slopes are read over this long, s, as the rate of rise is.
const SLOPE_S: f64 = 0.01;

/// Standard uncertainties of a figure, in its unit.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Budget {
    /// Calibration of the channel.
    pub calibration: f64,
    /// Noise at rest (running, where a sensor shows none at rest), and that a peak is picked out of it.
    pub noise: f64,
    /// What sensor and mounting are too slow for.
    pub dynamics: f64,
    /// Time zero and sampling.
    pub timing: f64,
}

impl Budget {
    /// Of all together.
    #[must_use]
    pub fn combined(&self) -> f64 {
        [self.calibration, self.noise, self.dynamics, self.timing].iter().map(|u| u * u).sum::<f64>().sqrt()
    }

    /// The same for about 95 %, k = 2.
    #[must_use]
    pub fn expanded(&self) -> f64 {
        COVERAGE * self.combined()
    }
}

/// Budget of a measured figure; `None`: it has no value, or compares with a prediction.
///
/// `zero_u_s`: standard uncertainty of the start's time zero.
#[must_use]
pub fn budget(
    metric: &Metric,
    (info, measured, zero_u_s): (&ChannelInfo, &ChannelCycle, f64),
    reading: Reading,
) -> Option<Budget> {
    let value = reading.ok()?.value;
    if matches!(metric.measure, super::metric::registry::Measure::Against(_)) {
        return None;
    }
    let piece = match metric.span {
        Span::Stop => measured.stop.as_ref()?,
        Span::Start | Span::Cycle => measured.start.as_ref()?,
    };
    let sigma = rest_sigma(measured, info);
    let span = info.range.1 - info.range.0;
    let share = if span > 0.0 { info.calibration_u / span } else { 0.0 };
    let slope = peak_slope(piece.phase(), piece.dt_s, half(piece)).map_or(0.0, |peak| peak.value.abs());
    let too_fast = shortfall(slope, value, info.bandwidth_hz) / RECTANGLE;
    let zero_s = if metric.span == Span::Stop || zero_u_s.is_nan() { 0.0 } else { zero_u_s };
    Some(match metric.unit {
        Unit::Pascal => Budget {
            calibration: info.calibration_u,
            noise: sigma * (1.0 + (PICKED_SIGMAS / RECTANGLE).powi(2)).sqrt(),
            dynamics: value.abs() * too_fast,
            timing: 0.0,
        },
        Unit::PascalPerSecond => Budget {
            calibration: value.abs() * share,
            noise: measured.start.as_ref().map_or(0.0, |start| spread(rates(start.lead(), start.dt_s).collect())),
            dynamics: value.abs() * too_fast,
            timing: 0.0,
        },
        Unit::Second => Budget {
            calibration: 0.0,
            noise: if slope > 0.0 { metric.noise_gain() * sigma / slope } else { 0.0 },
            dynamics: 0.0,
            timing: (zero_s * zero_s + 2.0 * (piece.dt_s / (2.0 * RECTANGLE)).powi(2)).sqrt(),
        },
        Unit::RadPerSecond | Unit::Ampere => {
            Budget { calibration: info.calibration_u, noise: sigma, ..Budget::default() }
        }
        // A zero of the meter that is off runs on for the whole phase.
        // The whole calibration for as long as the swing lasts, and the noise of its samples.
        Unit::NewtonSecond => {
            let (area_m2, lasts_s) = (measured.thrust_area_m2?, force_impulse::lasts_s(piece)?);
            Budget {
                calibration: area_m2 * info.calibration_u * lasts_s,
                noise: area_m2 * sigma * (lasts_s * piece.dt_s).sqrt(),
                dynamics: value.abs() * too_fast,
                timing: 0.0,
            }
        }
        Unit::Joule => {
            let stop_s = measured.stop.as_ref().map_or(0.0, Piece::duration_s);
            Budget { calibration: info.calibration_u * (piece.duration_s() + stop_s), ..Budget::default() }
        }
        Unit::CubicMetre => Budget { calibration: info.calibration_u * piece.duration_s(), ..Budget::default() },
        Unit::Share | Unit::Hertz => return None,
    })
}

fn half(piece: &Piece) -> usize {
    (0.5 * SLOPE_S / piece.dt_s).round().max(1.0) as usize
}

fn spread(values: Vec<f64>) -> f64 {
    let known: Vec<f64> = values.into_iter().filter(|value| !value.is_nan()).collect();
    if known.len() < 2 { 0.0 } else { standard_deviation(&known) }
}

/// Standard deviation of the rest before the start, or that with a starter energised where it is larger. A current or a speed
/// that rests at the low end of its range shows no noise there: then that of the running level, where that is larger.
pub(super) fn rest_sigma(measured: &ChannelCycle, info: &ChannelInfo) -> f64 {
    let rest = measured.start.as_ref().map_or(0.0, |piece| {
        let lead = spread(piece.lead().to_vec());
        if rests_at_low_end(piece, info) { lead.max(running_sigma(piece)) } else { lead }
    });
    rest.max(info.chain.noise_floor.unwrap_or(0.0))
}

/// A pressure does not rest there.
fn rests_at_low_end(piece: &Piece, info: &ChannelInfo) -> bool {
    let low = info.chain.measurable(info.range).0 + LOW_SHARE * (info.range.1 - info.range.0).abs();
    info.unit != "Pa" && piece.lead().iter().any(|value| *value <= low)
}

/// Of the final level about a straight line, so that what still drifts there is no noise.
fn running_sigma(piece: &Piece) -> f64 {
    final_stretch(piece).map_or(0.0, about_a_line)
}

/// Standard deviation about the line of least squares; 0 under three values. Missing values are NaN.
fn about_a_line(values: &[f64]) -> f64 {
    let known: Vec<(f64, f64)> =
        values.iter().enumerate().filter(|(_, value)| !value.is_nan()).map(|(at, value)| (at as f64, *value)).collect();
    if known.len() < 3 {
        return 0.0;
    }
    let n = known.len() as f64;
    let (x_mean, y_mean) = known.iter().fold((0.0, 0.0), |(x, y), point| (x + point.0 / n, y + point.1 / n));
    let moment = |of: fn((f64, f64)) -> f64| known.iter().map(|(x, y)| of((x - x_mean, y - y_mean))).sum::<f64>();
    let (xx, xy, yy) = (moment(|(x, _)| x * x), moment(|(x, y)| x * y), moment(|(_, y)| y * y));
    ((yy - xy * xy / xx).max(0.0) / (n - 2.0)).sqrt()
}

/// Share of a swing that a first-order sensor of this bandwidth leaves out: `1 - 1 / sqrt(1 + (f / f_c)^2)` (closed form) at
/// the frequency of a sine with that amplitude and steepest slope. 0 where the bandwidth is not known.
fn shortfall(slope: f64, amplitude: f64, bandwidth_hz: f64) -> f64 {
    if !(bandwidth_hz > 0.0 && amplitude.abs() > 0.0) {
        return 0.0;
    }
    let frequency_hz = slope / (std::f64::consts::TAU * amplitude.abs());
    1.0 - 1.0 / (1.0 + (frequency_hz / bandwidth_hz).powi(2)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::comparison::align::Faults;
    use crate::rig::chain::Chain;
    use crate::signal::{ChannelId, Scaling};

    #[test]
    fn law_contributions_add_by_their_squares() {
        let budget = Budget { calibration: 3.0, noise: 4.0, dynamics: 12.0, timing: 84.0 };
        assert!((budget.combined() - 85.0).abs() < 1e-12);
        assert!((budget.expanded() - 170.0).abs() < 1e-12);
    }

    #[test]
    fn law_noise_about_a_line_is_that_of_the_values_without_their_drift() {
        // A square wave of 1 about a slope; its deviation from the line is 1 but for the two degrees of freedom.
        let values: Vec<f64> = (0..1000).map(|k| 0.5 * f64::from(k) + if k % 2 == 0 { 1.0 } else { -1.0 }).collect();
        let got = about_a_line(&values);
        assert!((got - (1000.0_f64 / 998.0).sqrt()).abs() < 1e-5, "{got}");
        let mut gappy = values.clone();
        gappy[10] = f64::NAN;
        assert!((about_a_line(&gappy) - got).abs() < 1e-3);
        assert!(about_a_line(&[1.0, 5.0]).abs() < 1e-12, "two values are always on a line");
        assert!(about_a_line(&[3.0; 50]).abs() < 1e-12);
    }

    #[test]
    fn reads_the_noise_of_a_current_clamped_at_rest_where_the_motor_runs() {
        let ripple = |k: usize| if k.is_multiple_of(2) { 0.2 } else { -0.2 };
        let value = |k: usize| if k < 500 { 0.0 } else { 10.0 + ripple(k) };
        let values = (0..4500).map(value).collect();
        let piece = Piece { t0_s: -0.5, dt_s: 1e-3, values, faults: Faults::default() };
        let info = |unit: &str| ChannelInfo {
            id: ChannelId("i".into()),
            label: "made".into(),
            unit: unit.into(),
            waveform: false,
            filter_class: 0,
            bandwidth_hz: 0.0,
            calibration_u: 0.0,
            range: (0.0, 50.0),
            scaling: Scaling { scale: 1.0, offset: 0.0 },
            elevation_m: 0.0,
            chain: Chain::default(),
        };
        let measured = ChannelCycle { start: Some(piece), ..ChannelCycle::default() };
        let got = rest_sigma(&measured, &info("A"));
        assert!((got - 0.2).abs() < 1e-3, "{got} A, expected 0.2 A");
        assert!(rest_sigma(&measured, &info("Pa")).abs() < 1e-12, "a pressure is live at rest");
    }

    #[test]
    fn law_a_sensor_at_its_corner_leaves_out_a_third_of_a_sine() {
        // Steepest slope of a sine of 2 at 50 Hz.
        let slope = std::f64::consts::TAU * 50.0 * 2.0;
        let got = shortfall(slope, 2.0, 50.0);
        assert!((got - (1.0 - 0.5_f64.sqrt())).abs() < 1e-12, "{got}");
        assert!(shortfall(slope, 2.0, 5_000.0) < 1e-4);
        assert!(shortfall(slope, 2.0, 0.0).abs() < 1e-12, "not known, not counted");
    }
}
