//! Measured and predicted on one time axis, through one filter.
//!
//! The time zero of a start is the onset of current where a line-current channel shows one near the start mark, else the
//! closing of an auxiliary contact on a fast channel, else the mark itself; of a stop it is the stop mark. The predicted segment is shifted so that its own onset, found in the same
//! way, falls on the measured one. The shift that was taken out is kept as the lag; it is part of the result.

use super::cycles::{Cycle, cycles};
use super::metric::NotMeasured;
use super::{ChannelInfo, RunData};
use crate::prediction::{EventKind, Segment};
use crate::rig::chain::{Demand, Unsupported};
use crate::sequence::marks::{MarkKind, Phase};
use crate::signal::Trace;
use crate::signal::filter::LowPass;
use crate::signal::loop_current::LoopState;
use crate::signal::quality::{FLAT_S, longest_flat};
use crate::signal::room::filled;
use crate::signal::statistics::{mean, standard_deviation};
use serde::Serialize;
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::ops::Range;

/// Kept before time zero, s.
pub const LEAD_S: f64 = 0.5;
/// Onset is looked for from this long before the start mark (the mark is set when the answer came back), s.
const ONSET_BEFORE_S: f64 = 0.3;
/// ... to this long after it, s.
pub(super) const ONSET_AFTER_S: f64 = 1.0;
/// Rest before the search window that gives the level and noise of no current, s.
const ONSET_REST_S: f64 = 0.7;
/// Onset must exceed this multiple of the noise at rest ...
const ONSET_SIGMAS: f64 = 6.0;
/// ... and this share of the channel's range ...
pub(super) const ONSET_SHARE: f64 = 0.01;
/// ... on average over this long, s (one half-cycle at 50 Hz would pass a shorter one).
pub(super) const ONSET_HELD_S: f64 = 0.02;
/// An alternating current is compared by its RMS value over the last so long, s: five half cycles of 50 Hz, six of 60 Hz.
const RMS_S: f64 = 0.05;
/// Unit of a contact's channel.
pub(super) const CONTACT_UNIT: &str = "1";
/// Gaps up to this long are bridged by a straight line before filtering, s; longer ones stay gaps.
const BRIDGED_GAP_S: f64 = 0.002;

/// One channel over one phase, filtered; times count from the phase's time zero.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// Time of the first sample, s (negative: lead-in).
    pub t0_s: f64,
    /// Sample interval, s.
    pub dt_s: f64,
    /// Values, SI; `NaN` where missing.
    pub values: Vec<f64>,
    /// What raw samples of the phase stood at an end of what the chain can measure, or said that it has failed.
    pub faults: Faults,
}

/// What stands against a phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Faults {
    /// A sample stood at the low end: the true value was that or lower.
    pub clipped_low: bool,
    /// A sample stood at the high end.
    pub clipped_high: bool,
    /// Last sample of the phase that stood at either end.
    pub last_clipped: Option<usize>,
    /// A loop current said failure (NE 43): broken wire, short circuit, or the transmitter's own alarm.
    pub failed: bool,
    /// The whole phase repeats one value.
    pub flat: bool,
}

impl Piece {
    /// Samples before time zero.
    fn lead_len(&self) -> usize {
        ((-self.t0_s / self.dt_s).round().max(0.0) as usize).min(self.values.len())
    }

    /// Before time zero.
    pub fn lead(&self) -> &[f64] {
        &self.values[..self.lead_len()]
    }

    /// From time zero on.
    pub fn phase(&self) -> &[f64] {
        &self.values[self.lead_len()..]
    }

    /// Time of a (fractional) sample of [`Piece::phase`], s.
    pub fn phase_time_s(&self, at: f64) -> f64 {
        self.t0_s + (self.lead_len() as f64 + at) * self.dt_s
    }

    /// Length from time zero on, s.
    pub fn duration_s(&self) -> f64 {
        self.phase().len() as f64 * self.dt_s
    }

    /// The phase, if it has neither a gap nor a clipped sample: either could hide what is looked for.
    pub fn whole(&self) -> Result<&[f64], NotMeasured> {
        let phase = self.unbroken()?;
        if self.faults.clipped_low || self.faults.clipped_high { Err(NotMeasured::Clipped) } else { Ok(phase) }
    }

    /// The phase, clipped or not, if it has no gap and its sensor lives.
    pub fn unbroken(&self) -> Result<&[f64], NotMeasured> {
        let longest = self.phase().split(|v| !v.is_nan()).map(<[f64]>::len).max().unwrap_or(0);
        if longest > 0 {
            return Err(NotMeasured::Gap { longest_s: longest as f64 * self.dt_s });
        }
        if self.faults.failed {
            return Err(NotMeasured::Failed);
        }
        if self.faults.flat {
            return Err(NotMeasured::Flat);
        }
        Ok(self.phase())
    }
}

/// Both phases of one channel in one cycle.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ChannelCycle {
    /// Start phase with its lead-in.
    pub start: Option<Piece>,
    /// Stop phase.
    pub stop: Option<Piece>,
    /// Highest frequency that sensor and filter let through, Hz (infinite: no limit known).
    pub passes_hz: f64,
    /// Standard uncertainty of a reading, SI.
    pub reading_u: f64,
    /// It tells forward from back.
    pub signed: bool,
    /// Kinds of reading that the measuring chain cannot support, with the reason; none for a prediction.
    pub withheld: Vec<(Demand, Unsupported)>,
    /// Area on which the pressure acts where pipework must hold against it, m2.
    pub thrust_area_m2: Option<f64>,
    /// The cycle fills an empty line, by the prediction stored beforehand.
    pub fills: bool,
    /// The pump first draws its own water, by that prediction.
    pub primes: bool,
    /// The band about a predicted channel; `None`: measured, or no band.
    pub band: Option<Box<BandCycle>>,
}

/// Both ends of a band over one cycle, through the channel's filter.
#[derive(Debug, Clone, PartialEq)]
pub struct BandCycle {
    /// Lower end.
    pub lower: ChannelCycle,
    /// Upper end.
    pub upper: ChannelCycle,
    /// Members between them.
    pub members: u32,
}

/// Where the time zero of a start comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "from")]
pub enum TimeZero {
    /// Onset of current.
    Onset {
        /// Measured onset less start mark, s.
        after_mark_s: f64,
        /// The same less what the prediction has between command and onset, s: the lag taken out by the alignment.
        lag_s: f64,
    },
    /// The start mark: the rig has no current channel, or it shows no onset near the mark.
    Mark,
}

impl TimeZero {
    /// The lag that the alignment took out, s.
    pub fn lag_s(self) -> Option<f64> {
        match self {
            Self::Onset { lag_s, .. } => Some(lag_s),
            Self::Mark => None,
        }
    }
}

/// A cycle, aligned.
#[derive(Debug, Clone, PartialEq)]
pub struct AlignedCycle {
    /// The cycle.
    pub cycle: Cycle,
    /// Time zero of the start.
    pub zero: TimeZero,
    /// Rig time of the start's time zero, s.
    pub zero_s: f64,
    /// Standard uncertainty of that time, s: between which samples the current set in, or the mark's own.
    pub zero_u_s: f64,
    /// Measured, one a channel, rig order.
    pub measured: Vec<ChannelCycle>,
    /// Predicted, one a channel, rig order; phases are `None` where nothing was predicted.
    pub predicted: Vec<ChannelCycle>,
}

/// Cut, align and filter a run.
pub fn align(run: &RunData) -> Vec<AlignedCycle> {
    let Some(first) = run.traces.first() else { return Vec::new() };
    let swings = run.channels.iter().any(|info| info.waveform);
    let with_rms = swings.then(|| rms_of_waveforms(run));
    let run = with_rms.as_ref().unwrap_or(run);
    let filtered = filter_traces(&run.channels, &run.traces);
    let samples_end_s = first.t0_s + first.values.len() as f64 * first.dt_s;
    cycles(&run.marks, samples_end_s).into_iter().map(|cycle| align_cycle(run, &filtered, cycle)).collect()
}

/// A run whose alternating currents are RMS values, as the prediction has them.
fn rms_of_waveforms(run: &RunData) -> RunData {
    let mut run = run.clone();
    for (info, trace) in run.channels.iter().zip(&mut run.traces).filter(|(info, _)| info.waveform) {
        let window = (RMS_S / trace.dt_s).round().max(1.0) as usize;
        trace.values = sliding_rms(&trace.values, window);
        tracing::debug!(channel = %info.id, "compared by its RMS value");
    }
    run
}

/// RMS over the last `window` samples; `NaN` within a window of a missing one, and before the first whole window.
fn sliding_rms(values: &[f64], window: usize) -> Vec<f64> {
    let mut sums = vec![0.0; values.len() + 1];
    let mut missing = vec![0_usize; values.len() + 1];
    for (k, value) in values.iter().enumerate() {
        let known = if value.is_nan() { 0.0 } else { *value };
        sums[k + 1] = sums[k] + known * known;
        missing[k + 1] = missing[k] + usize::from(value.is_nan());
    }
    let rms = |end: usize| {
        let begin = end.checked_sub(window)?;
        let whole = missing[end] == missing[begin];
        whole.then(|| ((sums[end] - sums[begin]).max(0.0) / window as f64).sqrt())
    };
    (1..=values.len()).map(|end| rms(end).unwrap_or(f64::NAN)).collect()
}

fn align_cycle(run: &RunData, filtered: &[Trace], cycle: Cycle) -> AlignedCycle {
    let (zero, predicted_zero_s, zero_u_s) = time_zero(run, &cycle);
    let after_mark_s = if let TimeZero::Onset { after_mark_s, .. } = zero { after_mark_s } else { 0.0 };
    let zero_s = cycle.start_s + after_mark_s;
    let measured: Vec<ChannelCycle> = run
        .channels
        .iter()
        .zip(run.traces.iter().zip(filtered))
        .map(|(info, (raw, filtered))| ChannelCycle {
            start: cut(info, raw, filtered, zero_s, cycle.start_end_s()),
            stop: cycle.stop_s.and_then(|stop_s| cut(info, raw, filtered, stop_s, cycle.end_s)),
            passes_hz: passes_hz(info),
            reading_u: info.calibration_u,
            signed: info.range.0 < 0.0,
            thrust_area_m2: info.chain.thrust_area_m2,
            fills: foretold(run, cycle.number, EventKind::LineFull),
            primes: foretold(run, cycle.number, EventKind::WaterAtPump),
            band: None,
            withheld: withheld(info),
        })
        .collect();
    let predicted_cycle = |k: usize, m: &ChannelCycle, which: Which| {
        let phase = |phase: Phase, zero_s: f64, like: Option<&Piece>| {
            let (segment, series) = predicted_series(run, (cycle.number, phase), k, which)?;
            resample(&run.channels[k], segment, series, zero_s, like)
        };
        ChannelCycle {
            start: phase(Phase::Start, predicted_zero_s, m.start.as_ref()),
            stop: phase(Phase::Stop, 0.0, m.stop.as_ref()),
            withheld: Vec::new(),
            band: None,
            signed: true,
            ..*m
        }
    };
    let members = run.prediction.as_ref().and_then(|prediction| Some(prediction.band.as_ref()?.members));
    let with_band = |(k, m): (usize, &ChannelCycle)| ChannelCycle {
        band: members.map(|members| {
            let (lower, upper) = (predicted_cycle(k, m, Which::Lower), predicted_cycle(k, m, Which::Upper));
            Box::new(BandCycle { lower, upper, members })
        }),
        ..predicted_cycle(k, m, Which::Itself)
    };
    let predicted = measured.iter().enumerate().map(with_band).collect();
    AlignedCycle { cycle, zero, zero_s, zero_u_s, measured, predicted }
}

/// Whether the stored prediction has such an event in the start of a cycle: what line and pump held before it is declared by
/// sequence and rig file, and the prediction was made of them.
fn foretold(run: &RunData, cycle: u32, kind: EventKind) -> bool {
    let events = run.prediction.iter().flat_map(|prediction| &prediction.events);
    events.into_iter().any(|event| event.kind == kind && event.cycle == cycle && event.phase == Phase::Start)
}

fn passes_hz(info: &ChannelInfo) -> f64 {
    info.chain.passes_hz(info.bandwidth_hz, info.filter_class)
}

fn withheld(info: &ChannelInfo) -> Vec<(Demand, Unsupported)> {
    let why = |demand: Demand| Some((demand, info.chain.supports(demand, passes_hz(info)).err()?));
    Demand::ALL.into_iter().filter_map(why).collect()
}

/// What the raw samples of a phase say of their sensor.
fn faults(info: &ChannelInfo, raw: &[f64], dt_s: f64) -> Faults {
    let (low, high) = info.chain.measurable(info.range);
    // Both ends are where a contact rests.
    let known = low < high && info.unit != CONTACT_UNIT;
    let at_low = |v: &f64| known && *v <= low;
    let at_high = |v: &f64| known && *v >= high;
    let failed = |v: &f64| info.chain.current_ma(*v, info.range).is_some_and(|i| LoopState::of(i).is_failure());
    let whole_s = raw.len() as f64 * dt_s;
    Faults {
        clipped_low: raw.iter().any(at_low),
        clipped_high: raw.iter().any(at_high),
        last_clipped: raw.iter().rposition(|v| at_low(v) || at_high(v)),
        failed: raw.iter().any(|v| !v.is_nan() && failed(v)),
        flat: whole_s >= FLAT_S
            && info.unit != CONTACT_UNIT
            && info.chain.polled.is_none()
            && longest_flat(raw) == raw.len(),
    }
}

/// A series and where its filtered values go.
type InAndOut<'a> = (&'a [f64], &'a mut [f64]);

/// Short gaps bridged, each channel through its filter; channels of one class and rate go together.
fn filter_traces(channels: &[ChannelInfo], traces: &[Trace]) -> Vec<Trace> {
    let raw: Vec<Cow<'_, [f64]>> = traces.iter().map(bridged).collect();
    let mut filtered: Vec<Trace> =
        traces.iter().map(|trace| Trace { values: filled(trace.values.len(), 0.0), ..*trace }).collect();
    let mut alike: BTreeMap<(u32, u64), Vec<InAndOut<'_>>> = BTreeMap::new();
    for ((info, raw), trace) in channels.iter().zip(&raw).zip(&mut filtered) {
        alike.entry((info.filter_class, trace.dt_s.to_bits())).or_default().push((raw, &mut trace.values));
    }
    for ((class, dt_s), series) in alike {
        let (raw, mut places): (Vec<&[f64]>, Vec<&mut [f64]>) = series.into_iter().unzip();
        match class_filter(class, f64::from_bits(dt_s)) {
            Some(filter) => filter.phaseless_into(&raw, &mut places),
            None => raw.iter().zip(&mut places).for_each(|(raw, place)| place.copy_from_slice(raw)),
        }
    }
    filtered
}

/// Values with short gaps bridged; they themselves where nothing is missing.
fn bridged(trace: &Trace) -> Cow<'_, [f64]> {
    if !trace.values.iter().any(|value| value.is_nan()) {
        return Cow::Borrowed(&trace.values);
    }
    let mut values = trace.values.clone();
    bridge_gaps(&mut values, (BRIDGED_GAP_S / trace.dt_s).round() as usize);
    Cow::Owned(values)
}

/// The filter of a class; a series too coarse for it holds nothing above its corner and stays as it is.
fn class_filter(class: u32, dt_s: f64) -> Option<LowPass> {
    if class == 0 { None } else { LowPass::channel_class(class, dt_s).ok() }
}

/// The channel's filter.
fn filter_values(info: &ChannelInfo, dt_s: f64, values: Vec<f64>) -> Vec<f64> {
    match class_filter(info.filter_class, dt_s) {
        Some(filter) => filter.phaseless(&values),
        None => values,
    }
}

/// Straight lines over gaps of at most `longest` samples between known neighbours.
fn bridge_gaps(values: &mut [f64], longest: usize) {
    let mut known: Option<usize> = None;
    for k in 0..values.len() {
        if values[k].is_nan() {
            continue;
        }
        if let Some(before) = known.filter(|before| (1..=longest).contains(&(k - before - 1))) {
            let (from, slope) = (values[before], (values[k] - values[before]) / (k - before) as f64);
            (before + 1..k).for_each(|j| values[j] = from + slope * (j - before) as f64);
        }
        known = Some(k);
    }
}

/// Indices of [from_s, to_s), clipped to what there is.
fn indices(trace: &Trace, from_s: f64, to_s: f64) -> Range<usize> {
    let at = |t_s: f64| ((t_s - trace.t0_s) / trace.dt_s - 1e-6).ceil().max(0.0) as usize;
    let end = at(to_s).min(trace.values.len());
    at(from_s).min(end)..end
}

fn cut(info: &ChannelInfo, raw: &Trace, filtered: &Trace, zero_s: f64, end_s: f64) -> Option<Piece> {
    let phase = indices(filtered, zero_s, end_s);
    let whole = indices(filtered, zero_s - LEAD_S, end_s);
    let faults = faults(info, raw.values.get(phase.clone())?, raw.dt_s);
    let t0_s = filtered.t0_s + whole.start as f64 * filtered.dt_s - zero_s;
    let values = filtered.values.get(whole)?.to_vec();
    (!phase.is_empty()).then_some(Piece { t0_s, dt_s: filtered.dt_s, values, faults })
}

/// Which of the predicted series.
#[derive(Debug, Clone, Copy)]
enum Which {
    Itself,
    Lower,
    Upper,
}

fn predicted_series(run: &RunData, of: (u32, Phase), channel: usize, which: Which) -> Option<(&Segment, &[f32])> {
    let prediction = run.prediction.as_ref()?;
    let k = prediction.channels.iter().position(|id| *id == run.channels[channel].id)?;
    let number = prediction.segments.iter().position(|s| (s.cycle, s.phase) == of)?;
    let segment = prediction.segments.get(number)?;
    let ends = || prediction.band.as_ref()?.segments.get(number);
    let all = match which {
        Which::Itself => &segment.series,
        Which::Lower => &ends()?.lower,
        Which::Upper => &ends()?.upper,
    };
    Some((segment, all.get(k)?))
}

/// The predicted series on the measured piece's grid, linear between its samples, through the channel's filter.
fn resample(info: &ChannelInfo, segment: &Segment, series: &[f32], zero_s: f64, like: Option<&Piece>) -> Option<Piece> {
    let (grid_s, dt_s) = like.map_or((0.0, segment.dt_s), |piece| (piece.t0_s, piece.dt_s));
    let from_s = segment.t0_s - zero_s;
    let to_s = from_s + series.len().checked_sub(1)? as f64 * segment.dt_s;
    let first = ((from_s.max(-LEAD_S) - grid_s) / dt_s - 1e-6).ceil();
    let t0_s = grid_s + first * dt_s;
    let count = ((to_s - t0_s) / dt_s + 1e-6).floor() + 1.0;
    let at = |k: usize| {
        let x = ((t0_s + k as f64 * dt_s - from_s) / segment.dt_s).max(0.0);
        let before = (x as usize).min(series.len() - 1);
        let after = (before + 1).min(series.len() - 1);
        f64::from(series[before]) + (x - before as f64) * (f64::from(series[after]) - f64::from(series[before]))
    };
    let values: Vec<f64> = (0..count.max(0.0) as usize).map(at).collect();
    (!values.is_empty()).then(|| Piece {
        t0_s,
        dt_s,
        values: filter_values(info, dt_s, values),
        faults: Faults::default(),
    })
}

/// Time zero of the start, the time in the predicted segment that corresponds to it, and the standard uncertainty of the
/// first, s.
fn time_zero(run: &RunData, cycle: &Cycle) -> (TimeZero, f64, f64) {
    let onset_of = |unit: &str| {
        let k = run.channels.iter().position(|channel| channel.unit == unit)?;
        let (rest, onset_s, u_s) = measured_onset(&run.channels[k], &run.traces[k], cycle)?;
        Some((k, rest, onset_s, u_s))
    };
    let found = onset_of("A").or_else(|| onset_of(CONTACT_UNIT));
    let Some((channel, rest, onset_s, u_s)) = found else {
        let start = MarkKind::Start { cycle: cycle.number };
        let mark = run.marks.iter().find(|mark| mark.kind == start);
        return (TimeZero::Mark, 0.0, mark.map_or(f64::NAN, |mark| mark.u_s));
    };
    let predicted_s = predicted_series(run, (cycle.number, Phase::Start), channel, Which::Itself)
        .and_then(|(segment, series)| predicted_onset(segment, series, rest.threshold))
        .unwrap_or(0.0);
    let after_mark_s = onset_s - cycle.start_s;
    (TimeZero::Onset { after_mark_s, lag_s: after_mark_s - predicted_s }, predicted_s, u_s)
}

/// What no current looks like.
struct Rest {
    level: f64,
    threshold: f64,
}

/// Rest, onset and its standard uncertainty. The current left its rest somewhere between the last sample that lay within
/// half the threshold and the one that passed it: a rectangle of that width, and one of a sample (JCGM 100, 4.3.7).
fn measured_onset(info: &ChannelInfo, trace: &Trace, cycle: &Cycle) -> Option<(Rest, f64, f64)> {
    let window_s = cycle.start_s - ONSET_BEFORE_S;
    let quiet = &trace.values[indices(trace, window_s - ONSET_REST_S, window_s)];
    let quiet: Vec<f64> = quiet.iter().copied().filter(|v| !v.is_nan()).collect();
    if quiet.len() < 10 {
        return None;
    }
    let threshold = (ONSET_SIGMAS * standard_deviation(&quiet)).max(ONSET_SHARE * (info.range.1 - info.range.0));
    let rest = Rest { level: mean(&quiet), threshold };
    let window = indices(trace, window_s, cycle.start_s + ONSET_AFTER_S);
    let values = &trace.values[window.clone()];
    let at = onset(values, &rest, trace.dt_s)?;
    let quiet = values[..at].iter().rposition(|v| *v - rest.level < 0.5 * rest.threshold).unwrap_or(0);
    let u_s = ((at - quiet).pow(2) as f64 + 1.0).sqrt() * trace.dt_s / 12.0_f64.sqrt();
    Some((rest, trace.t0_s + (window.start + at) as f64 * trace.dt_s, u_s))
}

fn predicted_onset(segment: &Segment, series: &[f32], threshold: f64) -> Option<f64> {
    let values: Vec<f64> = series.iter().map(|v| f64::from(*v)).collect();
    // A motor without a command draws nothing: the predicted rest is zero, not its first sample.
    let at = onset(&values, &Rest { level: 0.0, threshold }, segment.dt_s)?;
    let onset_s = segment.t0_s + at as f64 * segment.dt_s;
    (onset_s <= ONSET_AFTER_S).then_some(onset_s)
}

/// First sample over the threshold from which the average stays over it.
fn onset(values: &[f64], rest: &Rest, dt_s: f64) -> Option<usize> {
    let held = ((ONSET_HELD_S / dt_s).round() as usize).max(1);
    let over = |v: &f64| v - rest.level > rest.threshold;
    (0..values.len()).find(|&k| {
        let window = &values[k..(k + held).min(values.len())];
        over(&values[k]) && window.len() == held && over(&mean(window))
    })
}
