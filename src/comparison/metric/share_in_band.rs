//! Share of the measured trace that lies inside the band about the prediction.

use super::{NotMeasured, Reading, Value};
use crate::comparison::align::{ChannelCycle, Piece};

/// A reading counts as inside up to this many standard uncertainties of the channel beyond the band: about 95 %.
const COVERAGE: f64 = 2.0;

/// Samples between the ends of the band over all samples of start and stop phase that both have, time zero on, 0..1.
pub fn measure(measured: &ChannelCycle, predicted: &ChannelCycle) -> Reading {
    let band = predicted.band.as_ref().ok_or(NotMeasured::NoBand)?;
    let beyond = COVERAGE * measured.reading_u;
    let phases =
        [(&measured.start, &band.lower.start, &band.upper.start), (&measured.stop, &band.lower.stop, &band.upper.stop)];
    let counts = phases
        .iter()
        .filter_map(|(m, lower, upper)| Some(inside(m.as_ref()?, (lower.as_ref()?, upper.as_ref()?), beyond)));
    let (within, all) = counts.fold((0, 0), |(within, all), (more, of)| (within + more, all + of));
    if all == 0 {
        return Err(NotMeasured::NoPrediction);
    }
    Ok(Value::plain(within as f64 / all as f64))
}

/// Samples inside and samples looked at; all pieces lie on one grid.
fn inside(measured: &Piece, (lower, upper): (&Piece, &Piece), beyond: f64) -> (usize, usize) {
    let (m, low, high) = (measured.phase(), lower.phase(), upper.phase());
    let ahead = ((lower.phase_time_s(0.0) - measured.phase_time_s(0.0)) / measured.dt_s).round();
    let (skip_m, skip_band) = (ahead.max(0.0) as usize, (-ahead).max(0.0) as usize);
    let ends = low.iter().zip(high).skip(skip_band);
    let known = m.iter().skip(skip_m).zip(ends).filter(|(value, _)| !value.is_nan());
    known.fold((0, 0), |(within, all), (value, (low, high))| {
        let is_inside = (low - beyond..=high + beyond).contains(value);
        (within + usize::from(is_inside), all + 1)
    })
}
