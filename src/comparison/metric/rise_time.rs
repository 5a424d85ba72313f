//! Rise time: how long the pressure takes from 10 % to 90 % of its way from rest to running.

use super::{NotMeasured, Reading, Value, start, way_up};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::{crossing, rise_time_s};

/// A change must exceed this multiple of the noise at rest.
const SIGMAS: f64 = 6.0;
/// Rise time times bandwidth of a sensor or filter (0.34 to 0.35 for first and second order; the closed forms are in
/// the check values).
const RISE_TIMES_BANDWIDTH: f64 = 0.35;

/// First passing of 10 % to first passing of 90 %.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let piece = start(cycle)?;
    let phase = piece.whole()?;
    let (from, change) = way_up(piece, SIGMAS)?;
    let to = from + change;
    let low = crossing(phase, 0, from + 0.1 * change, change > 0.0).ok_or(NotMeasured::NeverPassed { percent: 10 })?;
    let found_s = rise_time_s(phase, piece.dt_s, from, to).ok_or(NotMeasured::NeverPassed { percent: 90 })?;
    let least_s = RISE_TIMES_BANDWIDTH / cycle.passes_hz;
    if found_s < least_s {
        return Err(NotMeasured::TooFast { found_s, least_s });
    }
    Ok(Value { at_s: Some(piece.phase_time_s(low)), ..Value::plain(found_s) })
}
