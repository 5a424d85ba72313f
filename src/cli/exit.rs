//! Exit codes.

use crate::sequence::ports::{RunEnd, StopOutcome};
use std::process::ExitCode;

/// The codes of `--help`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// Done.
    Done = 0,
    /// Outside tolerance: what was checked is not as it should be.
    Differs = 1,
    /// Usage or configuration.
    Configuration = 2,
    /// Ended early; the stop was confirmed, or nothing had been started.
    Aborted = 3,
    /// The stop was not confirmed (or only inferred).
    StopNotConfirmed = 4,
    /// The recording is incomplete.
    RecordingIncomplete = 5,
    /// Somebody took over locally.
    TakenOver = 6,
    /// A fault of this program.
    Internal = 70,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

/// The code of a run. What could hurt somebody comes first; a run that never ordered a start moved nothing.
pub fn of_run(end: &RunEnd, recording_complete: bool) -> Exit {
    if end.taken_over {
        return Exit::TakenOver;
    }
    if end.refused {
        return Exit::Configuration;
    }
    if !end.started && end.aborted.is_some() {
        return Exit::Aborted;
    }
    match (end.stop, end.aborted.is_some(), recording_complete) {
        (StopOutcome::NotConfirmed | StopOutcome::Inferred, _, _) => Exit::StopNotConfirmed,
        (StopOutcome::Confirmed, true, _) => Exit::Aborted,
        (StopOutcome::Confirmed, false, false) => Exit::RecordingIncomplete,
        (StopOutcome::Confirmed, false, true) => Exit::Done,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_an_unconfirmed_stop_beats_every_other_reason() {
        let end = |stop, aborted: bool| RunEnd {
            aborted: aborted.then(|| "limit".to_owned()),
            taken_over: false,
            stop,
            cycles: 1,
            started: true,
            refused: false,
        };
        for complete in [true, false] {
            for aborted in [true, false] {
                assert_eq!(of_run(&end(StopOutcome::NotConfirmed, aborted), complete), Exit::StopNotConfirmed);
                assert_eq!(of_run(&end(StopOutcome::Inferred, aborted), complete), Exit::StopNotConfirmed);
            }
        }
        assert_eq!(of_run(&end(StopOutcome::Confirmed, true), true), Exit::Aborted);
        assert_eq!(of_run(&end(StopOutcome::Confirmed, false), false), Exit::RecordingIncomplete);
        assert_eq!(of_run(&end(StopOutcome::Confirmed, false), true), Exit::Done);
        let unstarted = RunEnd { started: false, ..end(StopOutcome::NotConfirmed, true) };
        assert_eq!(of_run(&unstarted, true), Exit::Aborted, "nothing was started");
        let refused = RunEnd { refused: true, ..unstarted };
        assert_eq!(of_run(&refused, true), Exit::Configuration, "not even begun");
    }
}
