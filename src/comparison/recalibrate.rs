//! Counts evaluated with another calibration than the one they were recorded with.

use super::{ChannelInfo, RunData};
use crate::rig::calibration::Filed;
use crate::rig::chain::{Calibration, CalibrationState};
use crate::sequence::ports::{Event, Level};
use crate::signal::calibration::value_of;

/// Evaluate a channel of a run anew; says what was done, for whoever reads the figures. `None`: the run has no such
/// channel. `trace`: the calibration file's own digest.
///
/// A zero that was taken off while recording is taken off again: it was found against the atmosphere or a static head, with
/// the sensor in place.
pub fn recalibrate(run: &mut RunData, filed: &Filed, trace: &str) -> Option<String> {
    let index = run.channels.iter().position(|channel| channel.id.0 == filed.channel)?;
    let (info, values) = (run.channels.get_mut(index)?, &mut run.traces.get_mut(index)?.values);
    let before = info.chain.calibration.in_words(&run.started_utc);
    if let Some(fit) = filed.calibration.fit {
        evaluate(info, fit, values);
    }
    info.calibration_u = filed.standard_uncertainty;
    info.chain.calibration = filed.calibration.clone();
    let text = format!(
        "{}: evaluated anew with the calibration of {} (file {trace}); recorded as {before}",
        filed.channel, filed.calibration.date
    );
    run.events.push(Event { at_s: 0.0, level: Level::Notice, text: text.clone() });
    Some(text)
}

/// Values of a channel by a calibration's own curve, from those of its recorded line.
pub fn evaluate(info: &ChannelInfo, fit: [f64; 3], values: &mut [f64]) {
    let zero = info.chain.zero.as_ref().map_or(0.0, |zero| zero.offset);
    for value in values {
        let counts = (*value - info.scaling.offset) / info.scaling.scale;
        *value = value_of(fit, counts) - zero;
    }
}

/// Channels of a run whose calibration is missing or was not in force on its day, in words; none of a virtual rig, whose
/// channels are no instruments.
pub fn doubtful(run: &RunData) -> Vec<String> {
    let bad = |calibration: &Calibration| calibration.state(&run.started_utc) != CalibrationState::InForce;
    let channels = run.channels.iter().filter(|channel| !run.is_virtual && bad(&channel.chain.calibration));
    channels
        .map(|channel| format!("{}: {}", channel.id, channel.chain.calibration.in_words(&run.started_utc)))
        .collect()
}
