//! The daemon as a service.

use super::{Daemon, Shared, locked, run};
use crate::api::{Activity, RunRequest, Service, ServiceError, Snapshot, StopReport, Update};
use crate::sequence::ports::OperatorOrder;
use crate::starters::StopKind;
use futures_util::future::{BoxFuture, ready};
use std::sync::Arc;
use tokio::sync::mpsc;

/// A person's stop: output off at once.
const PERSON_STOPS_BY: StopKind = StopKind::Coast;

pub(super) fn refused(text: impl Into<String>) -> ServiceError {
    ServiceError::Refused { text: text.into() }
}

impl Service for Daemon {
    fn snapshot(&self) -> BoxFuture<'_, Result<Snapshot, ServiceError>> {
        Box::pin(ready(Ok(self.shared.snapshot())))
    }

    fn subscribe(&self) -> BoxFuture<'_, Result<mpsc::Receiver<Update>, ServiceError>> {
        let (receiver, feed) = self.feed();
        self.tasks.start("subscriber", feed);
        Box::pin(ready(Ok(receiver)))
    }

    fn subscribe_as(&self, face: String) -> BoxFuture<'_, Result<mpsc::Receiver<Update>, ServiceError>> {
        let (receiver, feed) = self.feed();
        let shared = Arc::clone(&self.shared);
        shared.face_comes(&face);
        self.tasks.start("subscriber", async move {
            feed.await;
            shared.face_goes(&face);
        });
        Box::pin(ready(Ok(receiver)))
    }

    fn start_run(&self, request: RunRequest) -> BoxFuture<'_, Result<u32, ServiceError>> {
        Box::pin(ready(run::start(&self.shared, request)))
    }

    fn stop(&self, by: String) -> BoxFuture<'_, Result<StopReport, ServiceError>> {
        Box::pin(ready(Ok(self.shared.stop(&by))))
    }

    fn confirm(&self, id: u32, by: String) -> BoxFuture<'_, Result<(), ServiceError>> {
        Box::pin(ready(self.shared.confirm(id, &by)))
    }
}

impl Daemon {
    fn feed(&self) -> (mpsc::Receiver<Update>, impl Future<Output = ()> + Send + 'static) {
        let mut first = vec![Update::Snapshot(Box::new(self.shared.snapshot()))];
        first.extend(locked(&self.shared.run).as_ref().and_then(run::Active::predicted).map(Update::Predicted));
        let shared = Arc::clone(&self.shared);
        self.shared.hub.subscribe(first, move || shared.snapshot(), self.tasks.cancelled())
    }
}

impl Shared {
    /// Pull the stop lines first, then say it to the executor; the second time, ask it to hurry.
    pub(super) fn stop(&self, by: &str) -> StopReport {
        // A start order of any of them may be out at this moment, whatever the last poll said.
        let chosen = locked(&self.run).as_ref().map(|active| active.starters().to_vec()).unwrap_or_default();
        let seen: Vec<bool> = self.starters_view().iter().map(|s| s.running == Some(true)).collect();
        let mut sent_to = Vec::new();
        for (index, line) in self.stop_lines.iter().enumerate() {
            if chosen.contains(&index) || seen.get(index) == Some(&true) {
                line.stop(PERSON_STOPS_BY, &format!("stop by {by}"));
                sent_to.push(self.rig.starters[index].id.clone());
            }
        }
        let running = !chosen.is_empty();
        if running {
            let already = std::mem::replace(&mut locked(&self.view).activity, Activity::Stopping);
            let order = match already {
                Activity::Stopping => OperatorOrder::Hurry,
                _ => OperatorOrder::Stop { by: by.to_owned() },
            };
            locked(&self.view).run.as_ref().map(|run| run.desk.order(order));
            self.tell_state();
        }
        let text = match (sent_to.is_empty(), running) {
            (true, _) => "nothing runs; no stop was sent".to_owned(),
            (false, true) => format!("stop sent to {}; watch for `stop confirmed`", sent_to.join(", ")),
            (false, false) => format!("no run of ours, but {} was on: stop sent", sent_to.join(", ")),
        };
        StopReport { sent_to, text }
    }

    fn confirm(&self, id: u32, by: &str) -> Result<(), ServiceError> {
        if by.trim().is_empty() {
            return Err(refused("a confirmation needs the name of the person who gives it"));
        }
        let view = locked(&self.view);
        let Some(run) = &view.run else { return Err(refused("no run waits for a confirmation")) };
        if !run.desk.answered(id) {
            return Err(refused(format!("question {id} does not wait for a confirmation")));
        }
        match run.desk.order(OperatorOrder::Confirm { id, by: by.to_owned() }) {
            true => Ok(()),
            false => Err(refused("the run has ended")),
        }
    }
}
