//! What the watch screen knows: built from updates alone, so a fresh snapshot can rebuild it at any time.

use crate::api::{Activity, LivePiece, PredictedPiece, Snapshot, Update};
use std::collections::VecDeque;

/// Rig time shown in the chart, s.
pub const WINDOW_S: f64 = 24.0;
/// Log lines kept.
const LOG_KEPT: usize = 200;

/// State of the screen.
#[derive(Debug, Clone, Default)]
pub struct Picture {
    /// Newest snapshot.
    pub snapshot: Option<Snapshot>,
    /// Live points of each channel: (rig time s, smallest, largest), oldest first, at most [`WINDOW_S`] of them.
    pub live: Vec<VecDeque<(f64, f64, f64)>>,
    /// Prediction of the present run.
    pub predicted: Vec<PredictedPiece>,
    /// Chosen channel, index into the snapshot's channels.
    pub chosen: usize,
    /// Line under the chart about what the last key did.
    pub notice: Option<String>,
    /// Updates missed because this terminal was slow.
    pub missed: u64,
    /// The daemon does not answer.
    pub lost: Option<String>,
}

impl Picture {
    /// Take in one update.
    pub fn apply(&mut self, update: Update) {
        self.lost = None;
        match update {
            Update::Snapshot(snapshot) | Update::State(snapshot) => self.take_snapshot(*snapshot),
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

    fn take_snapshot(&mut self, snapshot: Snapshot) {
        if self.snapshot.is_none() {
            self.chosen = snapshot.channels.iter().position(|c| c.headline).unwrap_or(0);
        }
        self.snapshot = Some(snapshot);
    }

    fn take_live(&mut self, piece: &LivePiece) {
        self.live.resize(piece.channels.len().max(self.live.len()), VecDeque::new());
        for (points, series) in self.live.iter_mut().zip(&piece.channels) {
            for (index, (least, most)) in series.iter().enumerate() {
                let at_s = piece.t0_s + (index as f64 + 0.5) * piece.dt_s;
                points.push_back((at_s, f64::from(*least), f64::from(*most)));
            }
            let newest_s = points.back().map_or(0.0, |p| p.0);
            while points.front().is_some_and(|p| p.0 < newest_s - WINDOW_S) {
                points.pop_front();
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
        Some((least + most) / 2.0)
    }

    /// Points of the predicted trace of the chosen channel in rig time: the segment of the latest mark.
    pub fn predicted_points(&self) -> Vec<(f64, f64)> {
        self.points_of(|piece| &piece.series)
    }

    /// Lower and upper ends of the band about it; empty without a band.
    pub fn band_points(&self) -> [Vec<(f64, f64)>; 2] {
        [self.points_of(|piece| &piece.lower), self.points_of(|piece| &piece.upper)]
    }

    fn points_of(&self, which: fn(&PredictedPiece) -> &Vec<Vec<f32>>) -> Vec<(f64, f64)> {
        let Some((mark_s, phase, cycle)) = self.snapshot.as_ref().and_then(|s| s.run.as_ref()?.anchor) else {
            return Vec::new();
        };
        let of_phase = |piece: &&PredictedPiece| piece.cycle == cycle && piece.phase == phase;
        let Some(piece) = self.predicted.iter().find(of_phase) else { return Vec::new() };
        let Some(series) = which(piece).get(self.chosen) else { return Vec::new() };
        series
            .iter()
            .enumerate()
            .map(|(index, value)| (mark_s + piece.t0_s + index as f64 * piece.dt_s, f64::from(*value)))
            .collect()
    }
}
