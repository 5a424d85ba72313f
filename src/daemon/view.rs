//! What the daemon remembers for the faces, and the snapshot made from it.

use super::operator::Desk;
use super::{Shared, locked};
use crate::api::stage::Guess;
use crate::api::{Activity, ChannelView, PredictedPiece, RunView, Snapshot, StarterView};
use crate::clock::utc_now_rfc3339;
use crate::rig::chain::{Calibration, CalibrationState};
use crate::rig::model::Quantity;
use crate::rig::register_map::Role;
use crate::sequence::marks::{Mark, MarkKind, Phase};
use crate::sequence::ports::{Event, RunEnd, StatusReading, StopOutcome};
use std::collections::VecDeque;

/// Log lines kept for a fresh face.
const LOG_KEPT: usize = 200;

/// Everything that is neither wire nor rig.
pub(super) struct View {
    pub activity: Activity,
    pub run: Option<RunMemory>,
    pub log: VecDeque<Event>,
    pub is_virtual: bool,
    /// What those who watch guessed.
    pub guess: Option<Guess>,
    /// Prediction of the latest run, for a face that comes after it.
    pub predicted: Option<Vec<PredictedPiece>>,
}

/// A run as it is remembered.
pub(super) struct RunMemory {
    pub number: u32,
    pub starter: String,
    /// Starter of each cycle, from the first.
    pub starters: Vec<String>,
    /// As the face named it.
    pub sequence: String,
    pub desk: Desk,
    /// The face that the run hangs on.
    pub face: Option<String>,
    pub stop: Option<StopOutcome>,
    pub anchor: Option<(f64, Phase, u32)>,
    pub recording: String,
    pub end: Option<RunEnd>,
    pub recording_complete: bool,
}

impl Default for View {
    fn default() -> Self {
        Self {
            activity: Activity::Idle,
            run: None,
            log: VecDeque::new(),
            is_virtual: false,
            guess: None,
            predicted: None,
        }
    }
}

impl View {
    pub fn log(&mut self, event: Event) {
        self.log.push_back(event);
        while self.log.len() > LOG_KEPT {
            self.log.pop_front();
        }
    }
}

impl RunMemory {
    /// Anchor of the predicted trace after a mark.
    pub fn take_mark(&mut self, mark: &Mark) {
        match mark.kind {
            MarkKind::Start { cycle } => {
                self.anchor = Some((mark.at_s, Phase::Start, cycle));
                self.stop = None;
            }
            MarkKind::Stop { cycle } => self.anchor = Some((mark.at_s, Phase::Stop, cycle)),
            MarkKind::Settled { .. } | MarkKind::NotSettled { .. } | MarkKind::Named { .. } => {}
        }
    }

    /// Cycle that is on or was last; 0 before the first.
    fn cycle(&self) -> u32 {
        self.anchor.map_or(0, |(_, _, cycle)| cycle)
    }

    /// Cycle that somebody speaks of who guesses: the one that is on, after its stop the next, after the run the last.
    pub fn cycle_spoken_of(&self) -> u32 {
        match self.anchor {
            Some((_, Phase::Start, cycle)) => cycle,
            _ if self.end.is_some() => self.cycle(),
            _ => self.cycle() + 1,
        }
    }

    /// Starter of a cycle.
    pub fn starter_of(&self, cycle: u32) -> &str {
        let named = (cycle as usize).checked_sub(1).and_then(|index| self.starters.get(index));
        named.unwrap_or(&self.starter)
    }

    fn view(&self) -> RunView {
        let board = self.desk.board();
        RunView {
            number: self.number,
            starter: self.starter.clone(),
            progress: board.progress,
            question: board.question.filter(|_| self.end.is_none()),
            for_audience: board.for_audience,
            asked: board.asked,
            sequence: self.sequence.clone(),
            said: board.said,
            stop: self.stop,
            anchor: self.anchor,
            recording: self.recording.clone(),
            end: self.end.clone(),
            recording_complete: self.recording_complete,
        }
    }
}

/// Unit text of a quantity.
pub(super) fn unit_of(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::GaugePressure => "Pa",
        Quantity::PressureDifference => "Pa difference",
        Quantity::LineCurrent | Quantity::CurrentWave => "A",
        Quantity::ShaftSpeed => "rad/s",
        Quantity::Flow => "m3/s",
        Quantity::LinePower => "W",
        Quantity::Contact => "1",
    }
}

/// Shown beside the samples where a lost frame would leave no trace.
const LOSS_NOT_DETECTABLE: &str = "samples: loss not detectable (bare frames carry neither numbers nor times)";

impl Shared {
    fn warnings(&self) -> Vec<String> {
        let blind = (!self.rig.source.shows_loss()).then(|| LOSS_NOT_DETECTABLE.to_owned());
        self.rig.warnings.iter().cloned().chain(blind).collect()
    }

    pub(super) fn starters_view(&self) -> Vec<StarterView> {
        let looks = self.rig.starters.iter().zip(&self.looks);
        looks
            .map(|(starter, look)| {
                let port = locked(look);
                let status = port.status();
                StarterView {
                    id: starter.id.clone(),
                    kind: starter.kind,
                    link: port.link(),
                    running: status.map(|s| s.running),
                    fault: status.map(|s| s.fault),
                }
            })
            .collect()
    }

    /// What the bench unit, or else a starter, says of a switch; one that says no is believed.
    fn says(&self, role: Role, of: fn(StatusReading) -> Option<bool>) -> Option<bool> {
        let values =
            self.fieldbus.bench().and_then(|bench| bench.values()).map(|(_, values)| values).unwrap_or_default();
        let bench = values.iter().find(|(known, _)| *known == role).map(|(_, value)| *value == 1);
        let starters = self.looks.iter().filter_map(|look| locked(look).status().and_then(of));
        bench.into_iter().chain(starters).reduce(|all, one| all && one)
    }

    /// Line-up that the bench unit reads back.
    fn line_up(&self) -> Option<String> {
        let (_, values) = self.fieldbus.bench()?.values()?;
        let number = values.iter().find(|(role, _)| *role == Role::LineUp).map(|(_, value)| usize::from(*value))?;
        self.rig.line_ups.get(number.checked_sub(1)?).map(|line_up| line_up.id.clone())
    }

    pub(super) fn snapshot(&self) -> Snapshot {
        let starters = self.starters_view();
        let (today, virtual_rig) = (utc_now_rfc3339(), locked(&self.view).is_virtual);
        let caution = |calibration: &Calibration| {
            let doubtful = !virtual_rig && calibration.state(&today) != CalibrationState::InForce;
            doubtful.then(|| calibration.in_words(&today))
        };
        let channels = self.rig.channels.iter().enumerate().map(|(index, channel)| ChannelView {
            id: channel.id.0.clone(),
            label: channel.label.clone(),
            unit: unit_of(channel.quantity).to_owned(),
            headline: index == self.rig.headline,
            calibration_caution: caution(&channel.chain.calibration),
        });
        let remote = self.says(Role::Remote, |status| status.remote);
        let emergency_stop_ok = self.says(Role::EmergencyStopOk, |status| status.emergency_stop_ok);
        let (controller, controls_note) = self.who_controls();
        let line_up = self.line_up();
        let readiness = self.readiness(remote, emergency_stop_ok);
        let view = locked(&self.view);
        Snapshot {
            controller,
            controls_note,
            line_up,
            readiness,
            guess: view.guess.clone().filter(|guess| guess.cycle >= view.run.as_ref().map_or(0, RunMemory::cycle)),
            remote,
            emergency_stop_ok,
            rig_id: self.rig.id.clone(),
            rig_name: self.rig.name.clone(),
            is_virtual: view.is_virtual,
            invented: self.rig.invented,
            channels: channels.collect(),
            starters,
            activity: view.activity,
            run: view.run.as_ref().map(RunMemory::view),
            log: view.log.iter().cloned().collect(),
            warnings: self.warnings(),
            samples_lost: self.acquisition.port().view().lost,
            rig_time_s: self.rig_clock.now_ns() as f64 * 1e-9,
            links: self.fieldbus.statistics(),
        }
    }
}
