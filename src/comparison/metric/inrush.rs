//! Inrush: the largest current of a start.

use super::{NotMeasured, Reading, Value, start};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::maximum;

/// Largest RMS current of the start phase (of a waveform: over one period of the supply).
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let piece = start(cycle)?;
    let peak = maximum(piece.unbroken()?).ok_or(NotMeasured::NoChange)?;
    let at_s = Some(piece.phase_time_s(peak.at));
    Ok(Value { at_s, at_least: piece.faults.clipped_high, ..Value::plain(peak.value) })
}
