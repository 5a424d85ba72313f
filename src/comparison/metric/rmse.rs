//! Root mean square error of the prediction over a whole cycle.

use super::{NotMeasured, Reading, Value};
use crate::comparison::align::{ChannelCycle, Piece};

/// sqrt(mean((measured - predicted)^2)) over every sample of start and stop phase that both have, time zero on.
pub fn measure(measured: &ChannelCycle, predicted: &ChannelCycle) -> Reading {
    let pairs = [(&measured.start, &predicted.start), (&measured.stop, &predicted.stop)];
    let squares = pairs.iter().filter_map(|(m, p)| Some(square_errors(m.as_ref()?, p.as_ref()?)));
    let (sum, count) = squares.fold((0.0, 0), |(s, n), (square, count)| (s + square, n + count));
    if count == 0 {
        return Err(NotMeasured::NoPrediction);
    }
    Ok(Value::plain((sum / count as f64).sqrt()))
}

/// Sum of squared differences and their number; both pieces lie on one grid.
fn square_errors(measured: &Piece, predicted: &Piece) -> (f64, usize) {
    let (m, p) = (measured.phase(), predicted.phase());
    let ahead = ((predicted.phase_time_s(0.0) - measured.phase_time_s(0.0)) / measured.dt_s).round();
    let (skip_m, skip_p) = (ahead.max(0.0) as usize, (-ahead).max(0.0) as usize);
    m.iter()
        .skip(skip_m)
        .zip(p.iter().skip(skip_p))
        .map(|(a, b)| (a - b) * (a - b))
        .filter(|square| !square.is_nan())
        .fold((0.0, 0), |(sum, count), square| (sum + square, count + 1))
}
