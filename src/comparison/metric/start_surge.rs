//! Start surge: how far the pressure overshoots what it settles to while the pump runs.

use super::{NotMeasured, Reading, Value, final_level, start};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::maximum;

/// Largest pressure of the start phase less the final running level.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let piece = start(cycle)?;
    let steady_pa = final_level(piece)?;
    let peak = maximum(piece.unbroken()?).ok_or(NotMeasured::NoChange)?;
    Ok(Value {
        value: peak.value - steady_pa,
        at_s: Some(piece.phase_time_s(peak.at)),
        gauge_pa: Some(peak.value),
        at_least: piece.faults.clipped_high,
    })
}
