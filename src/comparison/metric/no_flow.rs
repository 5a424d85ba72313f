//! Time to no flow, and the volume that comes back afterwards.

use super::{NotMeasured, Reading, Value, initial_level, stop};
use crate::comparison::align::{ChannelCycle, Piece};
use crate::signal::features::crossing;

/// Share of the flow that counts as none: what meters of the trade resolve (common practice, no source).
const NO_FLOW: f64 = 0.02;

/// The phase and the flow before it.
fn flow(cycle: &ChannelCycle) -> Result<(&Piece, f64), NotMeasured> {
    let piece = stop(cycle)?;
    let before_m3_s = initial_level(piece);
    if before_m3_s.is_nan() || before_m3_s.abs() <= f64::EPSILON {
        return Err(NotMeasured::NoChange);
    }
    Ok((piece, before_m3_s))
}

/// Time zero of the stop to the first passing of 2 % of the flow before it.
pub fn time(cycle: &ChannelCycle) -> Reading {
    let (piece, before_m3_s) = flow(cycle)?;
    let reached = crossing(piece.whole()?, 0, NO_FLOW * before_m3_s, before_m3_s < 0.0);
    let at_s = piece.phase_time_s(reached.ok_or(NotMeasured::NeverPassed { percent: 2 })?);
    Ok(Value { at_s: Some(at_s), ..Value::plain(at_s) })
}

/// Integral of the flow against its direction before the stop, over the whole phase.
pub fn reverse_volume(cycle: &ChannelCycle) -> Reading {
    let (piece, before_m3_s) = flow(cycle)?;
    if !cycle.signed {
        return Err(NotMeasured::NoDirection);
    }
    let back = |flow: &f64| (-flow * before_m3_s.signum()).max(0.0);
    Ok(Value::plain(piece.whole()?.iter().map(back).sum::<f64>() * piece.dt_s))
}
