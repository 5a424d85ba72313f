//! The executor's side of the recording: hands entries to the writer thread and never waits for the disk, the
//! prediction excepted.

use super::error::RecordingError;
use super::writer::{JOURNAL_ROOM, Shared};
use crate::prediction::Prediction;
use crate::sequence::marks::Mark;
use crate::sequence::ports::{
    CommandRecord, Event, Journal, JournalError, LinkStatistics, RunHeader, SettingsRecord, StatusReading, StopOutcome,
};
use crossbeam_channel::{SendTimeoutError, Sender, TrySendError, bounded};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Longest wait (wall) for the prediction to be durable; no start happens before.
const PREDICTION_DEADLINE: Duration = Duration::from_secs(5);

/// What goes to the writer thread.
#[derive(Debug)]
pub(super) enum Entry {
    Header(Box<RunHeader>),
    Prediction(Box<Prediction>, Sender<Result<(), RecordingError>>),
    Mark(Mark),
    Event(Event),
    Command(f64, CommandRecord),
    Slow(f64, StatusReading),
    Stop(u32, StopOutcome),
    Link(f64, LinkStatistics),
    Settings(SettingsRecord),
}

/// Journal of one run.
pub(super) struct RunJournal {
    path: PathBuf,
    entries: Sender<Entry>,
    shared: Arc<Shared>,
}

impl RunJournal {
    pub fn new(path: &Path, entries: Sender<Entry>, shared: Arc<Shared>) -> Self {
        Self { path: path.to_owned(), entries, shared }
    }

    fn gone(&self) -> JournalError {
        match self.shared.fault() {
            Some(fault) => JournalError(fault.to_string()),
            None => JournalError(format!("{}: its writer has ended, nothing more is recorded", self.path.display())),
        }
    }

    fn full(&self) -> JournalError {
        let path = self.path.display();
        JournalError(format!("{path}: the disk does not keep up, {JOURNAL_ROOM} entries wait"))
    }

    fn late(&self) -> JournalError {
        let limit_s = PREDICTION_DEADLINE.as_secs_f64();
        JournalError(format!("{}: the prediction was not on disk within {limit_s} s", self.path.display()))
    }

    fn send(&self, entry: Entry) -> Result<(), JournalError> {
        self.entries.try_send(entry).map_err(|error| match error {
            TrySendError::Full(_) => self.full(),
            TrySendError::Disconnected(_) => self.gone(),
        })
    }
}

impl Journal for RunJournal {
    fn header(&mut self, header: &RunHeader) -> Result<(), JournalError> {
        self.send(Entry::Header(Box::new(header.clone())))
    }

    fn prediction(&mut self, prediction: &Prediction) -> Result<(), JournalError> {
        let (answer, durable) = bounded(1);
        let entry = Entry::Prediction(Box::new(prediction.clone()), answer);
        self.entries.send_timeout(entry, PREDICTION_DEADLINE).map_err(|error| match error {
            SendTimeoutError::Timeout(_) => self.late(),
            SendTimeoutError::Disconnected(_) => self.gone(),
        })?;
        match durable.recv_timeout(PREDICTION_DEADLINE) {
            Ok(outcome) => outcome.map_err(|fault| JournalError(fault.to_string())),
            Err(error) if error.is_timeout() => Err(self.late()),
            Err(_) => Err(self.gone()),
        }
    }

    fn mark(&mut self, mark: &Mark) -> Result<(), JournalError> {
        self.send(Entry::Mark(mark.clone()))
    }

    fn event(&mut self, event: &Event) -> Result<(), JournalError> {
        self.send(Entry::Event(event.clone()))
    }

    fn command(&mut self, at_s: f64, record: &CommandRecord) -> Result<(), JournalError> {
        self.send(Entry::Command(at_s, record.clone()))
    }

    fn slow(&mut self, at_s: f64, status: &StatusReading) -> Result<(), JournalError> {
        self.send(Entry::Slow(at_s, *status))
    }

    fn stop_outcome(&mut self, cycle: u32, outcome: StopOutcome) -> Result<(), JournalError> {
        self.send(Entry::Stop(cycle, outcome))
    }

    fn settings(&mut self, record: &SettingsRecord) -> Result<(), JournalError> {
        self.send(Entry::Settings(record.clone()))
    }

    fn link(&mut self, at_s: f64, figures: &LinkStatistics) -> Result<(), JournalError> {
        self.send(Entry::Link(at_s, figures.clone()))
    }
}
