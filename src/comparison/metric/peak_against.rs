//! The peak of a start against its prediction: how high, and when.

use super::{NotMeasured, Reading, Value, initial_level, start};
use crate::comparison::align::{ChannelCycle, Piece};
use crate::signal::features::{Point, maximum};

fn peak(cycle: &ChannelCycle) -> Result<(&Piece, Point), NotMeasured> {
    let piece = start(cycle)?;
    Ok((piece, maximum(piece.whole()?).ok_or(NotMeasured::NoChange)?))
}

/// Both peaks, the prediction's reason put as such.
fn both<'a>(measured: &'a ChannelCycle, predicted: &'a ChannelCycle) -> Result<[(&'a Piece, Point); 2], NotMeasured> {
    Ok([peak(measured)?, peak(predicted).map_err(|_| NotMeasured::NoPrediction)?])
}

/// Rise from the level before the start to the peak, measured over predicted.
pub fn ratio(measured: &ChannelCycle, predicted: &ChannelCycle) -> Reading {
    let [(m, m_peak), (p, p_peak)] = both(measured, predicted)?;
    let rise_pa = p_peak.value - initial_level(p);
    if rise_pa.is_nan() || rise_pa.abs() <= f64::EPSILON {
        return Err(NotMeasured::NoChange);
    }
    Ok(Value::plain((m_peak.value - initial_level(m)) / rise_pa))
}

/// Time of the measured peak less that of the predicted one.
pub fn time_error(measured: &ChannelCycle, predicted: &ChannelCycle) -> Reading {
    let [(m, m_peak), (p, p_peak)] = both(measured, predicted)?;
    Ok(Value::plain(m.phase_time_s(m_peak.at) - p.phase_time_s(p_peak.at)))
}
