//! Stop trough: how far the pressure swings below its final static level; negative.

use super::{NotMeasured, Reading, Value, after_first_crossing, final_level, stop};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::minimum;

/// Smallest pressure after the first crossing of the final static level, less that level.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let piece = stop(cycle)?;
    let static_pa = final_level(piece)?;
    let (offset, rest) = after_first_crossing(piece.unbroken()?, static_pa);
    let trough = minimum(rest).ok_or(NotMeasured::NoChange)?;
    Ok(Value {
        value: trough.value - static_pa,
        at_s: Some(piece.phase_time_s(offset as f64 + trough.at)),
        gauge_pa: Some(trough.value),
        at_least: piece.faults.clipped_low,
    })
}
