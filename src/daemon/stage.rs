//! The daemon towards its own web face.

use super::service::refused;
use super::view::RunMemory;
use super::{Daemon, Shared, locked, run};
use crate::api::lead::CycleView;
use crate::api::stage::{Controller, Grant, Guess, Overlay, RigView, Stage, Told};
use crate::api::{LivePiece, ServiceError, Snapshot, Update};
use crate::sequence::ports::{Event, Level, OperatorOrder};
use crate::sequence::script;
use std::sync::Arc;
use tokio::sync::broadcast;

/// A guess beyond this is none, Pa.
const GUESS_MOST_PA: f64 = 1e8;

/// A face is there until this is dropped.
struct Here {
    shared: Arc<Shared>,
    face: String,
}

impl Drop for Here {
    fn drop(&mut self) {
        self.shared.face_goes(&self.face);
    }
}

impl Stage for Daemon {
    fn rig_view(&self) -> Arc<RigView> {
        Arc::clone(&self.shared.rig_view)
    }

    fn sequence(&self, id: &str) -> Option<String> {
        let known = self.shared.rig_view.sequences.iter().any(|sequence| sequence.id == id);
        script::shipped(id).filter(|_| known).map(str::to_owned)
    }

    fn now(&self) -> Snapshot {
        self.shared.snapshot()
    }

    fn predicted(&self) -> Option<Update> {
        let on = locked(&self.shared.run).as_ref().and_then(run::Active::predicted);
        on.or_else(|| locked(&self.shared.view).predicted.clone()).map(Update::Predicted)
    }

    fn listen(&self) -> broadcast::Receiver<Arc<Told>> {
        self.shared.hub.listen()
    }

    fn past(&self, window_s: f64, intervals: usize) -> LivePiece {
        let now_s = self.shared.rig_clock.now_ns() as f64 * 1e-9;
        super::live::piece_of(&self.shared, ((now_s - window_s).max(0.0) * 1e9) as u64, intervals)
    }

    fn overlays(&self) -> Vec<Overlay> {
        locked(&self.shared.overlays).clone()
    }

    fn cycles(&self) -> Vec<CycleView> {
        locked(&self.shared.cycles).clone()
    }

    fn take_control(&self, name: &str, from: &str) -> Result<Grant, ServiceError> {
        let grant = locked(&self.shared.control).take(name, from, self.shared.clock.now_ns())?;
        self.shared.say(Level::Notice, format!("{} has taken the controls ({from})", grant.name));
        Ok(grant)
    }

    fn give_control(&self, key: &str) -> Result<(), ServiceError> {
        let by = locked(&self.shared.control).give(key, self.shared.clock.now_ns())?;
        self.shared.say(Level::Notice, format!("{} has given the controls back", by.name));
        Ok(())
    }

    fn controller_by(&self, key: &str) -> Result<Controller, ServiceError> {
        locked(&self.shared.control).by_key(key, self.shared.clock.now_ns())
    }

    fn guess(&self, value_pa: f64, by: &str) -> Result<(), ServiceError> {
        if !value_pa.is_finite() || value_pa.abs() > GUESS_MOST_PA {
            return Err(refused("a guess is a pressure in Pa, between -1e8 and 1e8"));
        }
        let text =
            format!("guess of those who watch: {:.2} bar ({value_pa:.0} Pa), written down by {by}", value_pa / 1e5);
        {
            let mut view = locked(&self.shared.view);
            let run = view.run.as_ref().filter(|run| run.end.is_none());
            let question = run.and_then(|run| run.desk.board().asked).unwrap_or_default();
            let cycle = view.run.as_ref().map_or(1, RunMemory::cycle_spoken_of);
            if let Some(run) = run {
                run.desk.order(OperatorOrder::Note { text: text.clone() });
            }
            view.guess = Some(Guess { question, value_pa, by: by.to_owned(), cycle });
        }
        self.shared.say(Level::Note, text);
        Ok(())
    }

    fn skip(&self, step: usize, by: &str) -> Result<(), ServiceError> {
        let view = locked(&self.shared.view);
        let run = view.run.as_ref().filter(|run| run.end.is_none());
        let run = run.ok_or_else(|| refused("no run is on: there is no step to pass over"))?;
        match run.desk.order(OperatorOrder::Skip { step, by: by.to_owned() }) {
            true => Ok(()),
            false => Err(refused("the run does not take orders now")),
        }
    }

    fn here(&self, face: &str) -> Box<dyn Send + Sync> {
        self.shared.face_comes(face);
        Box::new(Here { shared: Arc::clone(&self.shared), face: face.to_owned() })
    }
}

impl Shared {
    /// A line for every face's log, and the state beside it.
    pub(super) fn say(&self, level: Level, text: String) {
        tracing::info!("{text}");
        self.tell(Event { at_s: self.rig_clock.now_ns() as f64 * 1e-9, level, text });
        self.tell_state();
    }

    /// Who holds the controls, and what stands beside the name.
    pub(super) fn who_controls(&self) -> (Option<Controller>, Option<String>) {
        let control = locked(&self.control);
        (control.holder(), control.note(self.clock.now_ns()))
    }

    /// The controls go back by themselves where their holder gives no sign of life.
    pub(super) fn look_after_control(&self) {
        let silent = locked(&self.control).time_out(self.clock.now_ns());
        if let Some(by) = silent {
            self.say(Level::Caution, format!("{} gave no sign of life: the controls are free", by.name));
        }
    }
}
