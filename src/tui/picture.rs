//! What the terminal was told: built from updates and answers alone, so a fresh snapshot can rebuild it at any time.

use crate::api::lead::Measured;
use crate::api::stage::RigView;
use crate::api::{Activity, LivePiece, PredictedPiece, Snapshot, Update};
use crate::sequence::marks::Phase;
use std::collections::{BTreeMap, VecDeque};

/// Rig time shown in the chart while no cycle is on, s.
pub const WINDOW_S: f64 = 24.0;
/// Longest cycle that is shown whole; so much of the stream is kept, s.
const CYCLE_MOST_S: f64 = 60.0;
/// Shown before the start of a cycle, and after its end, s.
const AROUND_S: (f64, f64) = (2.0, 0.5);
/// Log lines kept.
const LOG_KEPT: usize = 200;

/// A front that moves less than this from point to point stands, m.
const MOVES_M: f32 = 1e-4;

/// Which series of a predicted piece.
type Which = fn(&PredictedPiece) -> &Vec<Vec<f32>>;

/// When a cycle was started and stopped, rig time, s.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct CycleMarks {
    pub start_s: Option<f64>,
    pub stop_s: Option<f64>,
}

/// State of the screen.
#[derive(Debug, Clone, Default)]
pub struct Picture {
    /// Newest snapshot.
    pub snapshot: Option<Snapshot>,
    /// Live points of each channel: (rig time s, smallest, largest), oldest first, as far back as a cycle may be shown.
    pub live: Vec<VecDeque<(f64, f64, f64)>>,
    /// Prediction of the present run.
    pub predicted: Vec<PredictedPiece>,
    /// Chosen channel, index into the snapshot's channels.
    pub chosen: usize,
    /// The rig as it is drawn.
    pub rig: Option<RigView>,
    /// Cycles so far.
    pub measured: Measured,
    /// Updates missed because this terminal was slow.
    pub missed: u64,
    /// The daemon does not answer.
    pub lost: Option<String>,
    /// Highest of the headline channel since the latest start, lowest since the latest stop, SI.
    pub(super) highest: Option<f64>,
    pub(super) lowest: Option<f64>,
    marks: BTreeMap<u32, CycleMarks>,
}

/// Until when a predicted piece lasts after its mark, s.
fn lasts_s(piece: &PredictedPiece) -> f64 {
    piece.t0_s + piece.dt_s * piece.series.first().map_or(0, Vec::len) as f64
}

impl Picture {
    /// Take in one update.
    pub fn apply(&mut self, update: Update) {
        self.lost = None;
        match update {
            Update::Snapshot(snapshot) => {
                // What follows a snapshot is the prediction, where there is one.
                self.predicted.clear();
                self.take_snapshot(*snapshot);
            }
            Update::State(snapshot) => self.take_snapshot(*snapshot),
            Update::Live(piece) => self.take_live(&piece),
            Update::Predicted(pieces) => self.predicted = pieces,
            Update::Log(event) => {
                if let Some(snapshot) = &mut self.snapshot {
                    snapshot.log.push(event);
                    let excess = snapshot.log.len().saturating_sub(LOG_KEPT);
                    snapshot.log.drain(..excess);
                }
            }
            Update::Dropped(count) => self.missed += count,
        }
    }

    /// Choose a channel to look at, from 0; an unknown one is ignored.
    pub fn choose(&mut self, channel: usize) {
        if self.snapshot.as_ref().is_some_and(|s| channel < s.channels.len()) {
            self.chosen = channel;
        }
    }

    /// A run is on or being stopped.
    pub fn is_busy(&self) -> bool {
        self.snapshot.as_ref().is_some_and(|s| matches!(s.activity, Activity::Running | Activity::Stopping))
    }

    /// The question that waits.
    pub fn question(&self) -> Option<&(u32, String)> {
        self.snapshot.as_ref()?.run.as_ref()?.question.as_ref()
    }

    fn take_snapshot(&mut self, snapshot: Snapshot) {
        let before = self.snapshot.as_ref();
        if before.is_none() {
            self.chosen = snapshot.channels.iter().position(|c| c.headline).unwrap_or(0);
        }
        let number = |snapshot: &Snapshot| snapshot.run.as_ref().map(|run| run.number);
        if before.is_some_and(|before| number(before) != number(&snapshot)) {
            self.predicted.clear();
            self.marks.clear();
            (self.highest, self.lowest) = (None, None);
        }
        // A stream that begins anew is another one.
        if before.is_some_and(|before| snapshot.rig_time_s < before.rig_time_s - 1.0) {
            self.live.clear();
        }
        if let Some((at_s, phase, cycle)) = snapshot.run.as_ref().and_then(|run| run.anchor) {
            self.take_mark(at_s, phase, cycle);
        }
        self.snapshot = Some(snapshot);
    }

    fn take_mark(&mut self, at_s: f64, phase: Phase, cycle: u32) {
        let marks = self.marks.entry(cycle).or_default();
        let known = match phase {
            Phase::Start => &mut marks.start_s,
            Phase::Stop => &mut marks.stop_s,
        };
        if known.replace(at_s) == Some(at_s) {
            return;
        }
        match phase {
            Phase::Start => (self.highest, self.lowest) = (None, None),
            Phase::Stop => self.lowest = None,
        }
    }

    fn take_live(&mut self, piece: &LivePiece) {
        self.note_extremes(piece);
        self.live.resize(piece.channels.len().max(self.live.len()), VecDeque::new());
        for (points, series) in self.live.iter_mut().zip(&piece.channels) {
            for (index, (least, most)) in series.iter().enumerate() {
                let at_s = piece.t0_s + (index as f64 + 0.5) * piece.dt_s;
                points.push_back((at_s, f64::from(*least), f64::from(*most)));
            }
            let newest_s = points.back().map_or(0.0, |p| p.0);
            while points.front().is_some_and(|p| p.0 < newest_s - CYCLE_MOST_S) {
                points.pop_front();
            }
        }
    }

    /// Highest since the start and lowest since the stop of the cycle that is on.
    fn note_extremes(&mut self, piece: &LivePiece) {
        let run = self.snapshot.as_ref().and_then(|snapshot| snapshot.run.as_ref());
        if run.is_none_or(|run| run.end.is_some()) {
            return;
        }
        let marks = self.cycle_marks();
        let Some(series) = self.headline().and_then(|headline| piece.channels.get(headline)) else { return };
        for (index, (least, most)) in series.iter().enumerate().filter(|(_, (least, _))| *least > f32::MIN) {
            let at_s = piece.t0_s + index as f64 * piece.dt_s;
            if marks.start_s.is_some_and(|start_s| at_s >= start_s) && marks.stop_s.is_none_or(|stop_s| at_s < stop_s) {
                self.highest = Some(self.highest.unwrap_or(f64::NEG_INFINITY).max(f64::from(*most)));
            }
            if marks.stop_s.is_some_and(|stop_s| at_s >= stop_s) {
                self.lowest = Some(self.lowest.unwrap_or(f64::INFINITY).min(f64::from(*least)));
            }
        }
    }

    /// Newest rig time with samples, s.
    pub fn newest_s(&self) -> f64 {
        self.live.iter().filter_map(|points| points.back()).map(|p| p.0).fold(0.0, f64::max)
    }

    /// Newest mean of a channel, SI.
    pub fn newest(&self, channel: usize) -> Option<f64> {
        let (_, least, most) = self.live.get(channel)?.back()?;
        (*least > f64::from(f32::MIN)).then_some((least + most) / 2.0)
    }

    /// The headline channel.
    pub fn headline(&self) -> Option<usize> {
        self.snapshot.as_ref()?.channels.iter().position(|channel| channel.headline)
    }

    /// The first channel of a unit.
    pub fn channel_of(&self, unit: &str) -> Option<usize> {
        self.snapshot.as_ref()?.channels.iter().position(|channel| channel.unit == unit)
    }

    /// Cycle that is on, or was last; before the first start the first.
    pub fn cycle(&self) -> u32 {
        let anchor = self.snapshot.as_ref().and_then(|snapshot| snapshot.run.as_ref()?.anchor);
        anchor.map_or(1, |(_, _, cycle)| cycle)
    }

    /// Marks of that cycle.
    pub(super) fn cycle_marks(&self) -> CycleMarks {
        self.marks.get(&self.cycle()).copied().unwrap_or_default()
    }

    fn piece(&self, phase: Phase) -> Option<&PredictedPiece> {
        let cycle = self.cycle();
        self.predicted.iter().find(|piece| piece.cycle == cycle && piece.phase == phase)
    }

    /// The prediction stands there and nothing has been started yet: it is drawn from this rig time on, s.
    pub fn before_the_start_s(&self) -> Option<f64> {
        let run = self.snapshot.as_ref()?.run.as_ref().filter(|run| run.end.is_none() && run.anchor.is_none())?;
        self.piece(Phase::Start).filter(|_| run.end.is_none()).map(|_| self.newest_s().max(0.0))
    }

    /// Points of the predicted trace of the chosen channel in rig time, with the lower and upper ends of its band: of the cycle
    /// that is on; before the first start as if it came now.
    pub fn predicted_points(&self) -> [Vec<(f64, f64)>; 3] {
        let series: [Which; 3] = [|piece| &piece.series, |piece| &piece.lower, |piece| &piece.upper];
        series.map(|which| self.points_of(which))
    }

    fn points_of(&self, which: Which) -> Vec<(f64, f64)> {
        let start_s = self.cycle_start_s();
        let stop_s = self.cycle_stop_s();
        let mut points = self.phase_points(Phase::Start, start_s, which);
        points.retain(|point| stop_s.is_none_or(|stop_s| point.0 < stop_s));
        // What a stop's piece says of the time before the stop is the start's to say.
        let after = self.phase_points(Phase::Stop, stop_s, which).into_iter();
        points.extend(after.filter(|point| stop_s.is_some_and(|stop_s| point.0 >= stop_s)));
        points
    }

    fn cycle_start_s(&self) -> Option<f64> {
        self.cycle_marks().start_s.or_else(|| self.before_the_start_s())
    }

    /// When the cycle was stopped, or will be by the prediction, rig time, s.
    fn cycle_stop_s(&self) -> Option<f64> {
        let foretold = || Some(self.cycle_start_s()? + lasts_s(self.piece(Phase::Start)?));
        self.cycle_marks().stop_s.or_else(foretold)
    }

    /// The cycle that is on, whole, with its prediction ahead, rig time, s; `None`: no run is on, nothing is predicted, or it is too
    /// long for one chart.
    pub(super) fn cycle_span_s(&self) -> Option<(f64, f64)> {
        self.snapshot.as_ref()?.run.as_ref().filter(|run| run.end.is_none())?;
        self.piece(Phase::Start)?;
        let end_s = self.cycle_stop_s()? + self.piece(Phase::Stop).map_or(0.0, lasts_s);
        let (from_s, until_s) = (self.cycle_start_s()? - AROUND_S.0, end_s.max(self.newest_s()) + AROUND_S.1);
        (until_s - from_s <= CYCLE_MOST_S).then_some((from_s, until_s))
    }

    fn phase_points(&self, phase: Phase, mark_s: Option<f64>, which: Which) -> Vec<(f64, f64)> {
        let Some((mark_s, piece)) = mark_s.zip(self.piece(phase)) else { return Vec::new() };
        let Some(series) = which(piece).get(self.chosen) else { return Vec::new() };
        let timed = series.iter().enumerate();
        timed.map(|(index, value)| (mark_s + piece.t0_s + index as f64 * piece.dt_s, f64::from(*value))).collect()
    }

    /// Predicted highest of the start on the headline channel, with the ends of its band, SI.
    pub fn predicted_highest(&self) -> Option<(f64, Option<(f64, f64)>)> {
        self.predicted_extreme(Phase::Start, f64::max)
    }

    /// Predicted lowest of the stop, likewise.
    pub fn predicted_lowest(&self) -> Option<(f64, Option<(f64, f64)>)> {
        self.predicted_extreme(Phase::Stop, f64::min)
    }

    fn predicted_extreme(&self, phase: Phase, pick: fn(f64, f64) -> f64) -> Option<(f64, Option<(f64, f64)>)> {
        let (piece, headline) = self.piece(phase).zip(self.headline())?;
        let of = |series: &[Vec<f32>]| series.get(headline)?.iter().map(|value| f64::from(*value)).reduce(pick);
        Some((of(&piece.series)?, of(&piece.lower).zip(of(&piece.upper))))
    }

    /// Lines that fill: name, predicted length full now, length, m.
    pub fn fronts(&self) -> Vec<(String, f64, Option<f64>)> {
        let marks = self.cycle_marks();
        let phase = if marks.stop_s.is_some() { Phase::Stop } else { Phase::Start };
        let mark_s = marks.stop_s.or(marks.start_s).unwrap_or_else(|| self.newest_s());
        let Some(piece) = self.piece(phase) else { return Vec::new() };
        let index = ((self.newest_s() - mark_s - piece.t0_s) / piece.dt_s).max(0.0) as usize;
        // Lines that stand full are none that fill.
        let fills = |series: &[f32]| series.windows(2).any(|pair| (pair[1] - pair[0]).abs() > MOVES_M);
        let now = |(name, series): &(String, Vec<f32>)| {
            if !fills(series) {
                return None;
            }
            let full_m = f64::from(*series.get(index.min(series.len().saturating_sub(1)))?);
            let element = self.rig.as_ref()?.elements.iter().find(|element| &element.name == name);
            Some((name.clone(), full_m, element.map(|element| element.length_m)))
        };
        piece.fronts.iter().filter_map(now).collect()
    }
}
