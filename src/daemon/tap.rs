//! A journal that lets the faces see what goes into the recording.

use super::{Shared, locked, run, wear};
use crate::api::{PredictedPiece, Update};
use crate::prediction::{Prediction, Segment};
use crate::rig::register_map::Role;
use crate::sequence::marks::Mark;
use crate::sequence::ports::{
    CommandRecord, Event, Journal, JournalError, Level, LinkStatistics, RunHeader, SettingsRecord, StatusReading,
    StopOutcome,
};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Most points of a predicted segment sent to a face.
const POINTS_SHOWN: usize = 1000;

/// The recording's journal with a window in it.
pub(super) struct TapJournal {
    pub inner: Box<dyn Journal>,
    pub shared: Arc<Shared>,
    /// What the bench unit said when it was recorded last.
    pub bench: Vec<(Role, u16)>,
    /// Counts of stored writes that are on disk.
    pub worn: BTreeMap<String, u32>,
    /// That frames come at another rate than the rig file says has been told.
    pub rate_told: bool,
    /// What the sampling program said before this run.
    pub said_before: Vec<String>,
}

/// Values of the bench unit whose every change is recorded; the others are measured.
const RECORDED: [Role; 4] = [Role::TransferPosition, Role::Remote, Role::EmergencyStopOk, Role::OutputsOn];

impl TapJournal {
    /// Once a run: the stream does not keep the rate that every time of the recording is counted by. A virtual rig may play faster.
    fn lying_rate(&mut self) -> Option<String> {
        let found_hz = self.shared.acquisition.rate_found_hz().filter(|_| !self.rate_told)?;
        self.rate_told = true;
        let is_virtual = locked(&self.shared.view).is_virtual;
        (!is_virtual).then(|| run::lying_rate(&self.shared.rig.source, found_hz))
    }

    /// A line for the log when the bench unit says something new.
    fn bench_unit(&mut self, at_s: f64) -> Option<Event> {
        let (_, values) = self.shared.fieldbus.bench()?.values()?;
        let told: Vec<(Role, u16)> = values.into_iter().filter(|(role, _)| RECORDED.contains(role)).collect();
        if told == self.bench {
            return None;
        }
        let words: Vec<String> = told.iter().map(|(role, raw)| format!("{} {raw}", role.name())).collect();
        self.bench = told;
        Some(Event { at_s, level: Level::Note, text: format!("bench unit: {}", words.join(", ")) })
    }
}

impl Journal for TapJournal {
    fn header(&mut self, header: &RunHeader) -> Result<(), JournalError> {
        locked(&self.shared.view).is_virtual = header.identity.is_virtual;
        self.inner.header(header)
    }

    fn prediction(&mut self, prediction: &Prediction) -> Result<(), JournalError> {
        self.inner.prediction(prediction)?;
        self.shared.hub.tell(Update::Predicted(pieces(prediction)));
        Ok(())
    }

    fn mark(&mut self, mark: &Mark) -> Result<(), JournalError> {
        if let Some(run) = &mut locked(&self.shared.view).run {
            run.take_mark(mark);
        }
        self.shared.tell_state();
        self.inner.mark(mark)
    }

    fn event(&mut self, event: &Event) -> Result<(), JournalError> {
        locked(&self.shared.view).log(event.clone());
        self.shared.hub.tell(Update::Log(event.clone()));
        self.inner.event(event)
    }

    fn command(&mut self, at_s: f64, record: &CommandRecord) -> Result<(), JournalError> {
        if let Err(text) = wear::keep_new(&self.shared, &mut self.worn) {
            self.event(&Event { at_s, level: Level::Caution, text })?;
        }
        self.inner.command(at_s, record)
    }

    /// Comes several times a second, so the recorder's state is looked at here: a run that is not recorded whole ends.
    fn slow(&mut self, at_s: f64, status: &StatusReading) -> Result<(), JournalError> {
        let statistics = self.shared.acquisition.statistics();
        if statistics.recorder_behind {
            let frames = statistics.recorder_behind_frames;
            return Err(JournalError(format!("recorder behind: {frames} frames never reached it")));
        }
        if let Some(text) = self.lying_rate() {
            self.event(&Event { at_s, level: Level::Caution, text })?;
        }
        for line in std::mem::take(&mut self.said_before) {
            let text = format!("sampling program, before this run: {line}");
            self.event(&Event { at_s, level: Level::Notice, text })?;
        }
        for line in self.shared.acquisition.take_said() {
            let text = format!("sampling program: {line}");
            self.event(&Event { at_s, level: Level::Notice, text })?;
        }
        if let Some(event) = self.bench_unit(at_s) {
            self.event(&event)?;
        }
        self.inner.slow(at_s, status)
    }

    fn settings(&mut self, record: &SettingsRecord) -> Result<(), JournalError> {
        self.inner.settings(record)
    }

    fn link(&mut self, at_s: f64, figures: &LinkStatistics) -> Result<(), JournalError> {
        self.inner.link(at_s, figures)
    }

    fn stop_outcome(&mut self, cycle: u32, outcome: StopOutcome) -> Result<(), JournalError> {
        if let Some(run) = &mut locked(&self.shared.view).run {
            run.stop = Some(outcome);
        }
        self.shared.tell_state();
        self.inner.stop_outcome(cycle, outcome)
    }
}

/// The predicted segments with their band, thinned for a screen.
pub(super) fn pieces(prediction: &Prediction) -> Vec<PredictedPiece> {
    let ends = |number: usize| prediction.band.as_ref().and_then(|band| band.segments.get(number));
    let filling = fillings(&prediction.beside);
    let piece = |(number, segment): (usize, &Segment)| {
        let length = segment.series.first().map_or(0, Vec::len);
        let stride = length.div_ceil(POINTS_SHOWN).max(1);
        let each = |series: &[Vec<f32>], of: fn(&[f32]) -> f32| -> Vec<Vec<f32>> {
            series.iter().map(|series| series.chunks(stride).map(of).collect()).collect()
        };
        PredictedPiece {
            cycle: segment.cycle,
            phase: segment.phase,
            t0_s: segment.t0_s,
            dt_s: segment.dt_s * stride as f64,
            series: each(&segment.series, |values| values[0]),
            lower: ends(number)
                .map_or_else(Vec::new, |ends| each(&ends.lower, |v| v.iter().copied().fold(v[0], f32::min))),
            fronts: filling
                .iter()
                .filter_map(|(name, index)| Some((name.clone(), thinned(segment.beside.get(*index)?, stride))))
                .collect(),
            upper: ends(number)
                .map_or_else(Vec::new, |ends| each(&ends.upper, |v| v.iter().copied().fold(v[0], f32::max))),
        }
    };
    prediction.segments.iter().enumerate().map(piece).collect()
}

/// (pipe, index) of the series that tell how far a line is filled.
fn fillings(beside: &[String]) -> Vec<(String, usize)> {
    let pipe = |name: &String| Some(name.strip_prefix("front_")?.strip_suffix("_m")?.to_owned());
    beside.iter().enumerate().filter_map(|(index, name)| Some((pipe(name)?, index))).collect()
}

/// JSON has no NaN: where there is no figure, nothing is full.
fn thinned(series: &[f32], stride: usize) -> Vec<f32> {
    series.chunks(stride).map(|values| if values[0].is_finite() { values[0] } else { 0.0 }).collect()
}
