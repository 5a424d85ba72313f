//! Filling and priming: when an empty line is full and how high the pressure goes then; when a pump that draws its own water has
//! it.

use super::{NotMeasured, Reading, Value, start, way_up};
use crate::comparison::align::{ChannelCycle, Piece};
use crate::signal::features::{crossing, maximum};

/// Share of the way from rest to the final running level from which a line counts as full: a column that still runs into an
/// empty line stands against its own friction alone (common practice, no source).
const FULL: f64 = 0.9;
/// Share from which a pump counts as primed: with air in it, it gives next to nothing (common practice, no source).
const PRIMED: f64 = 0.5;
/// A change must exceed this multiple of the noise at rest.
const SIGMAS: f64 = 6.0;

/// First passing of a share of the way from rest to the final running level, samples, and that level.
fn passing(piece: &Piece, share: f64) -> Result<(f64, f64), NotMeasured> {
    let (rest, change) = way_up(piece, SIGMAS)?;
    let percent = (share * 100.0).round() as u32;
    let at = crossing(piece.unbroken()?, 0, rest + share * change, change > 0.0);
    Ok((at.ok_or(NotMeasured::NeverPassed { percent })?, rest + change))
}

fn filling(cycle: &ChannelCycle) -> Result<&Piece, NotMeasured> {
    if cycle.fills { start(cycle) } else { Err(NotMeasured::NotFilled) }
}

/// Time zero of the start to the first passing of 90 % of the way from rest to the final running level.
pub fn time(cycle: &ChannelCycle) -> Reading {
    let piece = filling(cycle)?;
    piece.whole()?;
    let at_s = piece.phase_time_s(passing(piece, FULL)?.0);
    Ok(Value { at_s: Some(at_s), ..Value::plain(at_s) })
}

/// Largest pressure from then on less the final running level.
pub fn surge(cycle: &ChannelCycle) -> Reading {
    let piece = filling(cycle)?;
    let (full, running) = passing(piece, FULL)?;
    let from = full as usize;
    let peak = maximum(piece.phase().get(from..).unwrap_or_default()).ok_or(NotMeasured::NoChange)?;
    Ok(Value {
        value: peak.value - running,
        at_s: Some(piece.phase_time_s(peak.at + from as f64)),
        gauge_pa: Some(peak.value),
        at_least: piece.faults.clipped_high,
    })
}

/// Time zero of the start to the first passing of half the way from rest to the final running level.
pub fn priming(cycle: &ChannelCycle) -> Reading {
    if !cycle.primes {
        return Err(NotMeasured::NotPrimed);
    }
    let piece = start(cycle)?;
    piece.whole()?;
    let at_s = piece.phase_time_s(passing(piece, PRIMED)?.0);
    Ok(Value { at_s: Some(at_s), ..Value::plain(at_s) })
}
