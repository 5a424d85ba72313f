//! Predictions of runs: of the run that is asked for, or made ahead while another run is on. A prediction depends on rig,
//! sequence, starter and band alone, so it does not matter when it was made, only that it is on disk before the start.

use super::{Daemon, Shared, locked};
use crate::api::{Activity, RunRequest};
use crate::prediction::{BAND_SEED, BandWish, Prediction, rehearse_with_band};
use crate::sequence::script::Script;
use crossbeam_channel::{Receiver, Sender, bounded};
use std::sync::{Arc, Mutex};

type Made = Result<Prediction, String>;

/// What makes one prediction the same as another.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Asked {
    sequence_text: String,
    starter: String,
    band: Option<u32>,
    from_cycle: Option<u32>,
}

impl Asked {
    fn by(request: &RunRequest) -> Self {
        let RunRequest { sequence_text, starter, band, from_cycle, .. } = request;
        Self { sequence_text: sequence_text.clone(), starter: starter.clone(), band: *band, from_cycle: *from_cycle }
    }
}

/// Predictions under way.
#[derive(Default)]
pub(super) struct Foresight(Mutex<Vec<(Asked, Receiver<Made>)>>);

impl Foresight {
    fn take(&self, asked: &Asked) -> Option<Receiver<Made>> {
        let mut all = locked(&self.0);
        let place = all.iter().position(|(known, _)| known == asked)?;
        Some(all.remove(place).1)
    }
}

impl Daemon {
    /// Predict these runs one after the other in a thread of its own; each takes what was made for it. A sequence that
    /// cannot be read is left to its run to refuse.
    pub fn foresee(&self, requests: &[RunRequest]) {
        let (mut jobs, mut waiting) = (Vec::new(), Vec::new());
        for request in requests {
            let rig = &self.shared.rig;
            let Some(starter) = rig.starters.iter().position(|starter| starter.id == request.starter) else { continue };
            let script = Script::parse(&request.sequence_text, &request.sequence_name, rig, starter);
            let Ok(script) = script else { continue };
            let (sender, receiver) = bounded(1);
            waiting.push((Asked::by(request), receiver));
            jobs.push((script, starter, request.band, sender));
        }
        locked(&self.shared.foresight.0).extend(waiting);
        let shared = Arc::clone(&self.shared);
        // Without the thread nothing is sent, and each run predicts for itself.
        let spawned = std::thread::Builder::new().name("foresight".to_owned()).spawn(move || make(&shared, jobs));
        drop(spawned);
    }
}

fn make(shared: &Shared, jobs: Vec<(Script, usize, Option<u32>, Sender<Made>)>) {
    for (script, starter, band, sender) in jobs {
        if sender.send(shared.predict_now(&script, starter, band, 1)).is_err() {
            return;
        }
    }
}

impl Shared {
    /// The prediction of a run, made ahead or now.
    pub(super) fn foretell(&self, request: &RunRequest, script: &Script, starter: usize) -> Made {
        let ahead = self.foresight.take(&Asked::by(request)).and_then(|made| made.recv().ok());
        ahead.unwrap_or_else(|| {
            let threads = std::thread::available_parallelism().map_or(1, usize::from);
            self.predict_now(script, starter, request.band, threads)
        })
    }

    /// A stop while the band is computed does not wait for it.
    fn predict_now(&self, script: &Script, starter: usize, members: Option<u32>, threads: usize) -> Made {
        let wish = BandWish { members, seed: BAND_SEED, threads };
        let wanted = || !matches!(locked(&self.view).activity, Activity::Stopping | Activity::ShuttingDown);
        let made = rehearse_with_band(&self.rig, script, starter, wish, &wanted);
        made.map(|rehearsal| rehearsal.prediction).map_err(|error| error.to_string())
    }
}
