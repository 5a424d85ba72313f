//! Peak rate of rise: the steepest rise of the pressure in the start phase.

use super::{NotMeasured, Reading, Value, start};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::{peak_slope, slopes};

/// Rise is read over this long, s. A difference of neighbouring samples would show the noise that passes the filter and
/// not the water: fronts of a pump start take tens of milliseconds (common practice, no source).
const WINDOW_S: f64 = 0.01;

/// Largest rise of the pressure over 10 ms within the start phase, per s.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let piece = start(cycle)?;
    let peak = peak_slope(piece.whole()?, piece.dt_s, half(piece.dt_s)).ok_or(NotMeasured::NoChange)?;
    Ok(Value { at_s: Some(piece.phase_time_s(peak.at)), ..Value::plain(peak.value) })
}

/// Rates of any series as this metric reads them (for its noise).
pub fn rates(values: &[f64], dt_s: f64) -> impl Iterator<Item = f64> {
    slopes(values, dt_s, half(dt_s))
}

fn half(dt_s: f64) -> usize {
    (0.5 * WINDOW_S / dt_s).round() as usize
}
