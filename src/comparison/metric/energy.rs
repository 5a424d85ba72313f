//! Energy of a cycle: what motor and starter draw from the line from the start to the end of the stop phase.

use super::{NotMeasured, Reading, Value, start, stop};
use crate::comparison::align::{ChannelCycle, Piece};

/// Integral of the line power over start and stop phase, time zero on.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let (start, stop) = (start(cycle)?, stop(cycle)?);
    Ok(Value::plain(drawn(start)? + drawn(stop)?))
}

/// Of one phase, J. Power rests at the low end of its range.
fn drawn(piece: &Piece) -> Result<f64, NotMeasured> {
    let phase = piece.unbroken()?;
    if piece.faults.clipped_high {
        return Err(NotMeasured::Clipped);
    }
    Ok(phase.iter().sum::<f64>() * piece.dt_s)
}
