//! All metrics of a run, cycle by cycle and channel by channel.

use super::align::{AlignedCycle, ChannelCycle, TimeZero, align};
use super::cycles::Cycle;
use super::line_state::{LineState, line_state, of_all};
use super::metric::registry::{METRICS, Metric, Subject, Unit, metric};
use super::metric::{NotMeasured, Reading, start_peak_rate::rates};
use super::soundness::{ZeroCheck, clocks, flags, zero_checks};
use super::uncertainty::{Budget, budget, rest_sigma};
use super::{ChannelInfo, RunData};
use crate::sequence::first_cycle::FirstCycle;
use crate::sequence::marks::MarkKind;
use crate::sequence::ports::StopOutcome;
use crate::signal::statistics::{mean, standard_deviation};
use crate::starters::StarterKind;
use serde::Serialize;

/// A difference of two readings counts as noise below this multiple of the standard deviation of one: twice (95 %), and
/// sqrt 2 for the difference.
const NOISE_FACTOR: f64 = 2.0 * std::f64::consts::SQRT_2;

/// Standard deviations from the middle of a band to either end: 95 %.
const BAND_SIGMAS: f64 = 1.96;

/// One metric on one channel in one cycle.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MetricResult {
    /// Metric.
    pub id: &'static str,
    /// Measured.
    pub measured: Reading,
    /// Predicted.
    pub predicted: Reading,
    /// Differences up to this are noise, in the metric's unit (from the rest before the start; time: two samples).
    pub noise: f64,
    /// Standard uncertainties of the measured value; `None`: no value, or one that compares with a prediction.
    pub budget: Option<Budget>,
    /// Standard uncertainty of the predicted value by the band about it; `None`: no band.
    pub band_u: Option<f64>,
}

/// One channel in one cycle.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelResult {
    /// Index into the run's channels.
    pub channel: usize,
    /// Metrics, registry order.
    pub metrics: Vec<MetricResult>,
}

/// One cycle.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CycleResult {
    /// Its marks.
    pub cycle: Cycle,
    /// What the line held before the start.
    pub line: LineState,
    /// Where the time zero of the start comes from, with the lag taken out.
    pub zero: TimeZero,
    /// Standard uncertainty of that time, s; not a number where the run does not say.
    pub zero_u_s: f64,
    /// Pressure channels and the tachometer.
    pub channels: Vec<ChannelResult>,
}

/// A run.
#[derive(Debug, Clone, PartialEq)]
pub struct RunResult {
    /// File.
    pub path: String,
    /// Rig id.
    pub rig_id: String,
    /// Rig name.
    pub rig_name: String,
    /// The rig said that it is virtual.
    pub is_virtual: bool,
    /// Starter kind.
    pub starter_kind: Option<StarterKind>,
    /// Starter id, if the header is there.
    pub starter: Option<String>,
    /// What the person called the run; empty: nothing.
    pub label: String,
    /// What becomes of the first cycle, by the sequence that it ran by.
    pub first_cycle: FirstCycle,
    /// Channels.
    pub channels: Vec<ChannelInfo>,
    /// Headline channel.
    pub headline: usize,
    /// Cycles.
    pub cycles: Vec<CycleResult>,
    /// Frames stored.
    pub frames: u64,
    /// Frames missing.
    pub frames_missing: u64,
    /// False: the wire carries neither numbers nor times, so that lost frames leave no trace.
    pub shows_loss: bool,
    /// First start mark less the time at which the prediction was on disk, s of rig time; negative: it came too late.
    pub prediction_made_before_start_s: Option<f64>,
    /// Worst stop outcome; without any record of one it is not confirmed.
    pub stop_outcome: StopOutcome,
    /// The file was closed properly.
    pub complete: bool,
    /// What is wrong with channels and clocks, in words.
    pub flags: Vec<String>,
    /// Zeros before and after, pressure channels.
    pub zeros: Vec<ZeroCheck>,
}

/// Apply every metric.
pub fn evaluate(run: &RunData) -> RunResult {
    evaluate_aligned(run, &align(run))
}

/// Runs looked at side by side, over the number of processors: one may be much longer than another.
const BESIDE: usize = 2;

/// Align and evaluate several runs side by side; in the order given.
pub fn evaluate_all(runs: &[RunData]) -> Vec<(Vec<AlignedCycle>, RunResult)> {
    fn one(run: &RunData) -> (Vec<AlignedCycle>, RunResult) {
        let aligned = align(run);
        let result = evaluate_aligned(run, &aligned);
        (aligned, result)
    }
    let processors = std::thread::available_parallelism().map_or(1, usize::from);
    let side_by_side = |some: &[RunData]| {
        std::thread::scope(|scope| {
            let threads: Vec<_> = some.iter().map(|run| scope.spawn(move || one(run))).collect();
            let ended = threads.into_iter().map(std::thread::ScopedJoinHandle::join);
            ended.map(|found| found.unwrap_or_else(|panic| std::panic::resume_unwind(panic))).collect::<Vec<_>>()
        })
    };
    runs.chunks(BESIDE * processors).flat_map(side_by_side).collect()
}

/// The same on cycles that are aligned already (a face that also draws them).
pub fn evaluate_aligned(run: &RunData, aligned: &[AlignedCycle]) -> RunResult {
    RunResult {
        path: run.path.clone(),
        rig_id: run.rig_id.clone(),
        rig_name: run.rig_name.clone(),
        is_virtual: run.is_virtual,
        starter_kind: run.starter_kind,
        starter: run.header.as_ref().map(|header| header.starter.clone()),
        label: run.label.clone(),
        first_cycle: FirstCycle::of(&run.sequence_text),
        channels: run.channels.clone(),
        headline: run.headline,
        cycles: aligned.iter().map(|cycle| cycle_result(run, cycle)).collect(),
        frames: run.frames,
        frames_missing: run.frames_missing,
        shows_loss: run.shows_loss,
        prediction_made_before_start_s: first_start_s(run).zip(run.prediction_stored_s).map(|(start, at)| start - at),
        stop_outcome: run.stop_outcomes.iter().copied().max().unwrap_or(StopOutcome::NotConfirmed),
        complete: run.complete,
        flags: flags(run).into_iter().chain(clocks(run, aligned)).collect(),
        zeros: zero_checks(aligned),
    }
}

fn first_start_s(run: &RunData) -> Option<f64> {
    run.marks.iter().find(|mark| matches!(mark.kind, MarkKind::Start { .. })).map(|mark| mark.at_s)
}

fn cycle_result(run: &RunData, aligned: &AlignedCycle) -> CycleResult {
    let channels = run.channels.iter().enumerate().filter_map(|(k, info)| {
        let subject = subject_of(info)?;
        let (measured, predicted) = (&aligned.measured[k], &aligned.predicted[k]);
        let metrics = METRICS.iter().filter(|m| m.subject == subject);
        Some(ChannelResult {
            channel: k,
            metrics: metrics.map(|m| metric_result(m, (info, aligned.zero_u_s), measured, predicted)).collect(),
        })
    });
    CycleResult {
        cycle: aligned.cycle,
        line: line_state(run, aligned),
        zero: aligned.zero,
        zero_u_s: aligned.zero_u_s,
        channels: channels.collect(),
    }
}

fn subject_of(info: &ChannelInfo) -> Option<Subject> {
    match info.unit.as_str() {
        "Pa" => Some(Subject::Pressure),
        "rad/s" => Some(Subject::Speed),
        "m3/s" => Some(Subject::Flow),
        "A" => Some(Subject::Current),
        "W" => Some(Subject::Power),
        _ => None,
    }
}

fn metric_result(
    metric: &Metric,
    (info, zero_u_s): (&ChannelInfo, f64),
    measured: &ChannelCycle,
    predicted: &ChannelCycle,
) -> MetricResult {
    let reading = metric.measured(measured, predicted);
    MetricResult {
        id: metric.id,
        measured: reading,
        predicted: metric.predicted(predicted),
        noise: noise(metric.unit, measured, info),
        budget: budget(metric, (info, measured, zero_u_s), reading),
        band_u: band_u(metric, predicted),
    }
}

/// Half the way between the figure's values at both ends of the band, over 1.96.
fn band_u(metric: &Metric, predicted: &ChannelCycle) -> Option<f64> {
    let band = predicted.band.as_deref()?;
    let at = |end: &ChannelCycle| metric.predicted(end).ok().map(|value| value.value);
    Some((at(&band.upper)? - at(&band.lower)?).abs() / (2.0 * BAND_SIGMAS))
}

/// Noise of a difference of two readings: of the rest before the start, as the uncertainty has it.
fn noise(unit: Unit, measured: &ChannelCycle, info: &ChannelInfo) -> f64 {
    let Some(piece) = &measured.start else { return 0.0 };
    let spread = |values: Vec<f64>| {
        let known: Vec<f64> = values.into_iter().filter(|v| !v.is_nan()).collect();
        if known.len() < 2 { 0.0 } else { NOISE_FACTOR * standard_deviation(&known) }
    };
    match unit {
        Unit::Pascal | Unit::RadPerSecond | Unit::Ampere => NOISE_FACTOR * rest_sigma(measured, info),
        Unit::PascalPerSecond => spread(rates(piece.lead(), piece.dt_s).collect()),
        Unit::Second => 2.0 * piece.dt_s,
        Unit::Share | Unit::Hertz | Unit::CubicMetre | Unit::Joule | Unit::NewtonSecond => 0.0,
    }
}

impl RunResult {
    /// The cycles that means, spreads and differences are made of: all, or all but the first where that stands apart.
    pub fn counted(&self) -> &[CycleResult] {
        match self.first_cycle {
            FirstCycle::Counts => &self.cycles,
            FirstCycle::StandsApart => self.cycles.get(1..).unwrap_or_default(),
        }
    }

    /// The prediction was on disk before the first start, so that it knew nothing of the run. Where nothing says when it was
    /// stored, or nothing started, there is nothing against it.
    pub fn foretold(&self) -> bool {
        self.prediction_made_before_start_s.is_none_or(|before_s| before_s >= 0.0)
    }

    /// What the line held before every start; not proven where that differs.
    pub fn line_state(&self) -> LineState {
        of_all(self.counted().iter().map(|cycle| cycle.line))
    }

    /// The channel that speaks for the rig in a metric.
    pub fn channel_of(&self, metric: &Metric) -> Option<usize> {
        match metric.subject {
            Subject::Pressure => Some(self.headline),
            subject => self.channels.iter().position(|c| subject_of(c) == Some(subject)),
        }
    }

    /// A metric on a channel, cycle by cycle of those that count.
    pub fn metric(&self, channel: usize, id: &str) -> Vec<MetricResult> {
        self.numbered_metric(channel, id).into_iter().map(|(_, found)| found).collect()
    }

    /// The same, each with the number of its cycle.
    fn numbered_metric(&self, channel: usize, id: &str) -> Vec<(u32, MetricResult)> {
        let of_cycle = |cycle: &CycleResult| {
            let of_channel = cycle.channels.iter().filter(|of| of.channel == channel);
            let found = of_channel.flat_map(|of| &of.metrics).find(|metric| metric.id == id)?;
            Some((cycle.cycle.number, *found))
        };
        self.counted().iter().filter_map(of_cycle).collect()
    }

    /// A metric on the channel that speaks for the rig, cycle by cycle; empty where no channel does.
    pub fn headline_metric(&self, id: &str) -> Vec<MetricResult> {
        let channel = metric(id).and_then(|m| self.channel_of(m));
        channel.map_or_else(Vec::new, |channel| self.metric(channel, id))
    }

    /// Measured values of the cycles that have one; a bound is none.
    pub fn measured(&self, id: &str) -> Vec<f64> {
        self.measured_by_cycle(id).into_iter().map(|(_, value)| value).collect()
    }

    /// The same, each with the number of its cycle.
    pub fn measured_by_cycle(&self, id: &str) -> Vec<(u32, f64)> {
        let channel = metric(id).and_then(|metric| self.channel_of(metric));
        let found = channel.map_or_else(Vec::new, |channel| self.numbered_metric(channel, id));
        let values = found.into_iter().filter_map(|(cycle, found)| Some((cycle, found.measured.ok()?)));
        values.filter(|(_, value)| !value.at_least).map(|(cycle, value)| (cycle, value.value)).collect()
    }

    /// Some cycle only gave a bound: the mean is then "at least".
    pub fn is_at_least(&self, id: &str) -> bool {
        self.headline_metric(id).iter().any(|m| m.measured.is_ok_and(|value| value.at_least))
    }

    /// Mean of the measured values, or why there is none.
    pub fn mean_measured(&self, id: &str) -> Result<f64, NotMeasured> {
        self.mean_of(id, |found| found.measured)
    }

    /// Mean of the predicted values, or why there is none.
    pub fn mean_predicted(&self, id: &str) -> Result<f64, NotMeasured> {
        self.mean_of(id, |found| found.predicted)
    }

    fn mean_of(&self, id: &str, of: impl Fn(&MetricResult) -> Reading) -> Result<f64, NotMeasured> {
        let readings: Vec<Reading> = self.headline_metric(id).iter().map(of).collect();
        let values: Vec<f64> = readings.iter().filter_map(|reading| reading.ok()).map(|value| value.value).collect();
        if !values.is_empty() {
            return Ok(mean(&values));
        }
        let none_counts = self.counted().is_empty() && !self.cycles.is_empty();
        let without = if none_counts { NotMeasured::FirstCycle } else { NotMeasured::NoChannel };
        Err(readings.first().and_then(|reading| reading.err()).unwrap_or(without))
    }

    /// Largest expanded uncertainty (k = 2) of a metric over the cycles; `None` where none can be said.
    pub fn expanded_uncertainty(&self, id: &str) -> Option<f64> {
        let budgets = self.headline_metric(id).into_iter().filter_map(|m| Some(m.budget?.expanded()));
        budgets.filter(|u| u.is_finite()).reduce(f64::max)
    }

    /// Largest noise of a metric over the cycles.
    pub fn noise(&self, id: &str) -> f64 {
        self.headline_metric(id).iter().map(|m| m.noise).fold(0.0, f64::max)
    }
}
