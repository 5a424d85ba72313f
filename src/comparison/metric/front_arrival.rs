//! Front arrival: when the pressure front of a start comes to a channel.

use super::{NotMeasured, Reading, Value, start, way_up};
use crate::comparison::align::ChannelCycle;
use crate::signal::features::crossing;

/// A change must exceed this multiple of the noise at rest: its tenth is read.
const SIGMAS: f64 = 30.0;
/// Shares of the way between which the front is taken for a straight line.
const FROM: f64 = 0.1;
const TO: f64 = 0.3;

/// Time zero of the start to where the straight line through the first passings of 10 % and 30 % of the way from rest to the
/// final running level meets the level at rest. A threshold near rest would be passed the later the noisier the channel is.
pub fn measure(cycle: &ChannelCycle) -> Reading {
    let piece = start(cycle)?;
    let phase = piece.whole()?;
    let (rest, change) = way_up(piece, SIGMAS)?;
    let passing = |share: f64, percent: u32| {
        let level = rest + share * change;
        crossing(phase, 0, level, change > 0.0).ok_or(NotMeasured::NeverPassed { percent })
    };
    let (low, high) = (passing(FROM, 10)?, passing(TO, 30)?);
    let at_s = piece.phase_time_s(low - FROM / (TO - FROM) * (high - low));
    Ok(Value { at_s: Some(at_s), ..Value::plain(at_s) })
}
