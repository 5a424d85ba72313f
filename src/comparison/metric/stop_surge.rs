//! Stop surge: how far the pressure swings above its final static level once the running pump's pressure is gone.

use super::{NotMeasured, Reading, Value, after_first_crossing, final_level, stop};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::maximum;

/// Largest pressure after the first crossing of the final static level, less that level. What comes before the crossing
/// is the running pressure running down, which is no surge.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let piece = stop(cycle)?;
    let static_pa = final_level(piece)?;
    let (offset, rest) = after_first_crossing(piece.unbroken()?, static_pa);
    let peak = maximum(rest).ok_or(NotMeasured::NoChange)?;
    Ok(Value {
        value: peak.value - static_pa,
        at_s: Some(piece.phase_time_s(offset as f64 + peak.at)),
        gauge_pa: Some(peak.value),
        at_least: piece.faults.clipped_high,
    })
}
