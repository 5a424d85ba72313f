//! Can the channels of a run be believed: spikes, flat stretches, clipping, failed loops, and the zero before and after.

use super::align::{AlignedCycle, CONTACT_UNIT, ONSET_AFTER_S, ONSET_HELD_S, ONSET_SHARE, TimeZero};
use super::evaluate::RunResult;
use super::metric::{final_level, initial_level};
use super::{ChannelInfo, RunData};
use crate::signal::Trace;
use crate::signal::loop_current::LoopState;
use crate::signal::quality::{FLAT_S, longest_flat, spikes};
use crate::units::Dimension;
use crate::units::display::System;
use serde::Serialize;
use std::borrow::Cow;

/// Spikes under 20 times this share of the range are not looked for: a coarse converter steps by as much.
const LEAST_STEP_SHARE: f64 = 1e-4;
/// A drift of the zero beyond this share of the range is worth a caution (common practice, no source).
const DRIFT_SHARE: f64 = 0.005;

/// What is wrong with the channels of a run, in words.
pub fn flags(run: &RunData) -> Vec<String> {
    run.channels.iter().zip(&run.traces).flat_map(|(info, trace)| channel_flags(info, trace)).collect()
}

/// Signs that the clock of the samples and that of the marks disagree, in words. What can be evaluated is, all the same.
pub fn clocks(run: &RunData, aligned: &[AlignedCycle]) -> Vec<String> {
    let Some(first) = run.traces.first() else { return Vec::new() };
    let (begin_s, end_s) = (first.t0_s, first.t0_s + first.values.len() as f64 * first.dt_s);
    let outside: Vec<u32> =
        aligned.iter().filter(|of| !(begin_s..end_s).contains(&of.cycle.start_s)).map(|of| of.cycle.number).collect();
    let current = run.channels.iter().position(|info| info.unit == "A");
    let without_onset: Vec<u32> = aligned
        .iter()
        .filter(|of| of.zero == TimeZero::Mark && !outside.contains(&of.cycle.number))
        .filter(|of| current.is_some_and(|k| sets_in_by_prediction(&run.channels[k], of, k)))
        .map(|of| of.cycle.number)
        .collect();
    let mut words = Vec::new();
    if !outside.is_empty() {
        words.push(format!(
            "the start marks of {} lie outside the samples, which go from {begin_s:.3} to {end_s:.3} s: the clocks disagree, or samples \
             are missing there",
            cycles_in_words(&outside)
        ));
    }
    if !without_onset.is_empty() {
        words.push(format!(
            "no onset of current near the start marks of {}, where the prediction has one: their time zero is the mark; the clocks \
             disagree, or the current is not that of this motor",
            cycles_in_words(&without_onset)
        ));
    }
    words
}

/// The prediction has the current well over the threshold of an onset as soon as one is looked for: a drive may take longer.
fn sets_in_by_prediction(info: &ChannelInfo, cycle: &AlignedCycle, channel: usize) -> bool {
    let Some(start) = cycle.predicted.get(channel).and_then(|predicted| predicted.start.as_ref()) else { return false };
    let well_over = 2.0 * ONSET_SHARE * (info.range.1 - info.range.0);
    let first = start.phase().iter().take((0.5 * ONSET_AFTER_S / start.dt_s) as usize);
    first.filter(|value| **value > well_over).count() as f64 * start.dt_s > ONSET_HELD_S
}

fn cycles_in_words(numbers: &[u32]) -> String {
    let all: Vec<String> = numbers.iter().map(u32::to_string).collect();
    format!("cycle{} {}", if all.len() == 1 { "" } else { "s" }, all.join(", "))
}

fn channel_flags(info: &ChannelInfo, trace: &Trace) -> Vec<String> {
    let mut words = Vec::new();
    // A contact rests at both ends of its range and jumps between them; a polled value is held between two polls.
    if info.unit == CONTACT_UNIT || info.chain.polled.is_some() {
        return words;
    }
    let span = info.range.1 - info.range.0;
    let (low, high) = info.chain.measurable(info.range);
    let live = without_rest(info, trace, low);
    let found = spikes(&live, LEAST_STEP_SHARE * span.abs());
    if let Some(first) = found.first() {
        let at_s = trace.t0_s + *first as f64 * trace.dt_s;
        words.push(format!("{} samples that stand alone (spikes), the first at {at_s:.3} s", found.len()));
    }
    let flat_s = longest_flat(&live) as f64 * trace.dt_s;
    if flat_s >= FLAT_S {
        words.push(format!("repeats one value for {flat_s:.1} s"));
    }
    let failed = |v: &&f64| info.chain.current_ma(**v, info.range).is_some_and(|i| LoopState::of(i).is_failure());
    let failures = trace.values.iter().filter(|v| !v.is_nan()).filter(failed).count();
    if failures > 0 {
        words.push(format!("loop current says failure over {:.3} s (NE 43)", failures as f64 * trace.dt_s));
    }
    let at_high = trace.values.iter().filter(|v| **v >= high).count();
    let at_low = trace.values.iter().filter(|v| info.unit == "Pa" && **v <= low).count();
    if low < high && failures == 0 && at_high + at_low > 0 {
        words.push(format!("at the end of its range over {:.3} s", (at_high + at_low) as f64 * trace.dt_s));
    }
    words.into_iter().map(|what| format!("channel {}: {what}", info.id)).collect()
}

/// The values without those at the low end of the range, where currents and speeds rest and a sensor shows no noise; a
/// channel that never leaves it is dead, and kept as it is. A pressure does not rest there.
fn without_rest<'a>(info: &ChannelInfo, trace: &'a Trace, low: f64) -> Cow<'a, [f64]> {
    let rests = |value: &f64| *value <= low;
    if info.unit == "Pa" || !trace.values.iter().any(rests) || trace.values.iter().all(|v| v.is_nan() || rests(v)) {
        return Cow::Borrowed(&trace.values);
    }
    trace.values.iter().map(|value| if rests(value) { f64::NAN } else { *value }).collect()
}

/// Zero of a pressure channel before and after a run.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ZeroCheck {
    /// Index into the run's channels.
    pub channel: usize,
    /// Level at rest before the first start, Pa.
    pub before_pa: f64,
    /// What the prediction has there, Pa: static head at the diaphragm of a line that the sequence proved full.
    pub static_pa: Option<f64>,
    /// Level at rest after the last stop that settled, Pa.
    pub after_pa: Option<f64>,
}

impl ZeroCheck {
    /// After less before, Pa.
    pub fn drift_pa(&self) -> Option<f64> {
        Some(self.after_pa? - self.before_pa)
    }

    /// Before less static head, Pa.
    pub fn offset_pa(&self) -> Option<f64> {
        Some(self.before_pa - self.static_pa?)
    }
}

/// Zeros of all channels that have a rest before the first start.
pub fn zero_checks(aligned: &[AlignedCycle]) -> Vec<ZeroCheck> {
    let Some(first) = aligned.first() else { return Vec::new() };
    let settled = aligned.iter().rev().find(|cycle| cycle.cycle.settled);
    let of = |channel: usize| {
        let start = first.measured.get(channel)?.start.as_ref().filter(|piece| !piece.lead().is_empty())?;
        let predicted = first.predicted.get(channel).and_then(|cycle| cycle.start.as_ref());
        let after = settled.and_then(|cycle| cycle.measured.get(channel)?.stop.as_ref());
        let before_pa = initial_level(start);
        (!before_pa.is_nan()).then(|| ZeroCheck {
            channel,
            before_pa,
            static_pa: predicted.map(initial_level).filter(|level| !level.is_nan()),
            after_pa: after.and_then(|piece| final_level(piece).ok()).filter(|level| !level.is_nan()),
        })
    };
    (0..first.measured.len()).filter_map(of).collect()
}

/// Drifts that are worth a caution, in words.
pub fn zero_words(run: &RunResult, system: System) -> Vec<String> {
    let shown = |pa: f64| system.plain(pa, Dimension::Pressure);
    let words = |zero: &ZeroCheck| {
        let info = run.channels.get(zero.channel).filter(|info| info.unit == "Pa")?;
        let drift_pa = zero.drift_pa()?;
        let limit_pa = (DRIFT_SHARE * (info.range.1 - info.range.0).abs()).max(2.0 * info.calibration_u);
        (drift_pa.abs() > limit_pa).then(|| {
            format!(
                "caution: channel {} rests {} otherwise after the run than before it: zero drift, or a level that moved",
                info.id,
                shown(drift_pa)
            )
        })
    };
    run.zeros.iter().filter_map(words).collect()
}
