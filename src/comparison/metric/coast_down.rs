//! Coast-down time: how long the shaft takes from the stop to a twentieth of the speed that it had.

use super::{NotMeasured, Reading, Value, initial_level, stop};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::crossing;

/// Share of the speed at which a shaft counts as run down; below it friction alone decides (common practice, no source).
const RUN_DOWN: f64 = 0.05;

/// Time zero of the stop to the first passing of 5 % of the speed before it.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let piece = stop(cycle)?;
    let (phase, before_rad_s) = (piece.whole()?, initial_level(piece));
    if before_rad_s.is_nan() || before_rad_s.abs() <= f64::EPSILON {
        return Err(NotMeasured::NoChange);
    }
    let reached = crossing(phase, 0, RUN_DOWN * before_rad_s, before_rad_s < 0.0);
    let at_s = piece.phase_time_s(reached.ok_or(NotMeasured::NeverPassed { percent: 5 })?);
    Ok(Value { at_s: Some(at_s), ..Value::plain(at_s) })
}
