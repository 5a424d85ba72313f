//! Force impulse: what an elbow or an end must hold against while the surge passes, force times time.

use super::{NotMeasured, Reading, Value, final_level, start};
use crate::comparison::align::{ChannelCycle, Piece};
use crate::signal::features::maximum;

/// Samples of the start phase in which the pressure stays above the final running level about its peak, and that level.
fn swing(piece: &Piece) -> Result<(std::ops::Range<usize>, f64), NotMeasured> {
    let (phase, running) = (piece.whole()?, final_level(piece)?);
    let peak = maximum(phase).filter(|peak| peak.value > running).ok_or(NotMeasured::NoChange)?;
    let at = peak.at as usize;
    let below = |value: &f64| *value <= running;
    let from = phase[..at].iter().rposition(below).map_or(0, |before| before + 1);
    let to = phase[at..].iter().position(below).map_or(phase.len(), |after| at + after);
    Ok((from..to, running))
}

/// How long the swing lasts, s.
pub fn lasts_s(piece: &Piece) -> Option<f64> {
    swing(piece).ok().map(|(samples, _)| samples.len() as f64 * piece.dt_s)
}

/// Thrust area times the integral of the pressure above the final running level over that swing.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let area_m2 = cycle.thrust_area_m2.ok_or(NotMeasured::NoArea)?;
    let piece = start(cycle)?;
    let (samples, running) = swing(piece)?;
    let at_s = piece.phase_time_s(samples.start as f64);
    let sum: f64 = piece.phase()[samples].iter().map(|pressure| pressure - running).sum();
    Ok(Value { at_s: Some(at_s), ..Value::plain(area_m2 * sum * piece.dt_s) })
}
