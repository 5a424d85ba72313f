//! Acceleration time: how long the shaft takes from standstill to 95 % of its final speed.

use super::{NotMeasured, Reading, Value, final_level, start};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::crossing;

/// Share of the final speed that counts as reached: the last few percent are slip and load, not acceleration (common
/// practice, no source).
const REACHED: f64 = 0.95;

/// Time zero of the start (onset of current) to the first passing of 95 % of the final running speed, either direction.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let piece = start(cycle)?;
    let (phase, final_rad_s) = (piece.whole()?, final_level(piece)?);
    if final_rad_s.abs() <= f64::EPSILON {
        return Err(NotMeasured::NoChange);
    }
    let reached = crossing(phase, 0, REACHED * final_rad_s, final_rad_s > 0.0);
    let at_s = piece.phase_time_s(reached.ok_or(NotMeasured::NeverPassed { percent: 95 })?);
    Ok(Value { at_s: Some(at_s), ..Value::plain(at_s) })
}
