//! How the line rings after a stop: frequency and damping ratio of the swings about the final static level.

use super::{NotMeasured, Reading, Value, after_first_crossing, final_level, stop};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::{Point, damping_ratio, log_decrement, peaks};
use crate::signal::statistics::standard_deviation;

/// A swing counts from this share of the largest one on ...
const LEAST_SHARE: f64 = 0.1;
/// ... and from this multiple of the spread over the last tenth of the phase on.
const LEAST_SIGMAS: f64 = 10.0;
/// Swings for a frequency: two periods.
const FEWEST: usize = 3;

/// Tops of the swings above the final level, Pa, and the time between samples, s.
fn swings(cycle: &ChannelCycle) -> Result<(Vec<Point>, f64), NotMeasured> {
    let piece = stop(cycle)?;
    let static_pa = final_level(piece)?;
    let (_, rest) = after_first_crossing(piece.unbroken()?, static_pa);
    if piece.faults.clipped_low || piece.faults.clipped_high {
        return Err(NotMeasured::Clipped);
    }
    let about: Vec<f64> = rest.iter().map(|pressure| pressure - static_pa).collect();
    let largest = about.iter().fold(0.0_f64, |most, swing| most.max(swing.abs()));
    let quiet = standard_deviation(&about[about.len() - about.len() / 10..]);
    let prominence = (LEAST_SHARE * largest).max(LEAST_SIGMAS * quiet);
    let tops: Vec<Point> = peaks(&about, prominence).into_iter().filter(|top| top.value > 0.0).collect();
    if tops.len() < FEWEST { Err(NotMeasured::NoRinging) } else { Ok((tops, piece.dt_s)) }
}

/// Period, s: the median of the times between neighbouring tops, so that a top lost in the noise does not count.
fn period_s(tops: &[Point], dt_s: f64) -> f64 {
    let mut periods: Vec<f64> = tops.windows(2).map(|pair| (pair[1].at - pair[0].at) * dt_s).collect();
    periods.sort_by(f64::total_cmp);
    let middle = periods.len() / 2;
    if periods.len() % 2 == 1 { periods[middle] } else { 0.5 * (periods[middle - 1] + periods[middle]) }
}

/// One over the period.
pub fn frequency(cycle: &ChannelCycle) -> Reading {
    let (tops, dt_s) = swings(cycle)?;
    Ok(Value::plain(1.0 / period_s(&tops, dt_s)))
}

/// Damping ratio by the logarithmic decrement: what the tops lose a period, from the first to the last one.
pub fn damping(cycle: &ChannelCycle) -> Reading {
    let (tops, dt_s) = swings(cycle)?;
    let (first, last) = (tops[0], tops[tops.len() - 1]);
    let periods = (last.at - first.at) * dt_s / period_s(&tops, dt_s);
    let decrement = log_decrement(first.value, last.value, 1) / periods;
    if decrement > 0.0 { Ok(Value::plain(damping_ratio(decrement))) } else { Err(NotMeasured::NoRinging) }
}
