//! Backspin: how fast the shaft turns against its running direction after the stop.

use super::{NotMeasured, Reading, Value, initial_level, stop};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::minimum;

/// Largest speed against the direction before the stop; 0: it never turned back.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let piece = stop(cycle)?;
    let (phase, before_rad_s) = (piece.unbroken()?, initial_level(piece));
    if !cycle.signed {
        return Err(NotMeasured::NoDirection);
    }
    if before_rad_s.is_nan() || before_rad_s.abs() <= f64::EPSILON {
        return Err(NotMeasured::NoChange);
    }
    let along: Vec<f64> = phase.iter().map(|speed| speed * before_rad_s.signum()).collect();
    let least = minimum(&along).ok_or(NotMeasured::NoChange)?;
    Ok(Value { at_s: Some(piece.phase_time_s(least.at)), ..Value::plain((-least.value).max(0.0)) })
}
