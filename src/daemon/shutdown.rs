//! Going down, in order, each step with a deadline and a log line that names what still runs: refuse requests; stop the
//! plant; let the recording be closed; end sampling and bus; end tasks; join.

use super::{Daemon, locked, run};
use crate::api::{Activity, Service};
use crate::sequence::ports::StopOutcome;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// For a run to stop its plant and end, wall.
const RUN_DEADLINE: Duration = Duration::from_secs(60);
/// The same after a second signal.
const HURRIED_DEADLINE: Duration = Duration::from_secs(15);
/// For each of sampling, bus, tasks.
const PART_DEADLINE: Duration = Duration::from_secs(3);

/// How it went.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShutdownReport {
    /// Outcome of the run that was on, if one was.
    pub stop: Option<StopOutcome>,
    /// What did not end in time.
    pub still_running: Vec<String>,
}

impl Daemon {
    /// Shut down. `hurry` (a second signal) shortens deadlines; it never skips stopping the plant.
    pub async fn shutdown(&self, by: &str, hurry: CancellationToken) -> ShutdownReport {
        let mut still_running = Vec::new();
        let was_running = run::refuse_more(&self.shared);
        if was_running {
            tracing::info!("shutting down: stopping the plant");
            let _ = self.stop(by.to_owned()).await;
        }
        let ended = self.run_ended(by, &hurry).await;
        let stop = self.outcome(was_running, ended);
        if !ended {
            tracing::error!("shutting down: the run did not end in time");
            still_running.push("executor".to_owned());
        }
        still_running.extend(self.end_wires().await);
        let late = self.tasks.end(PART_DEADLINE).await;
        for name in &late {
            tracing::warn!("shutting down: task {name} did not end in time");
        }
        still_running.extend(late);
        ShutdownReport { stop, still_running }
    }

    fn outcome(&self, was_running: bool, ended: bool) -> Option<StopOutcome> {
        if !was_running {
            return None;
        }
        let end = locked(&self.shared.view).run.as_ref().and_then(|run| run.end.clone());
        Some(end.filter(|_| ended).map_or(StopOutcome::NotConfirmed, |end| end.stop))
    }

    /// Wait for the run; a second signal passes on as a second stop and shortens the wait.
    async fn run_ended(&self, by: &str, hurry: &CancellationToken) -> bool {
        tokio::select! {
            ended = run::wait_ended(&self.shared, RUN_DEADLINE) => return ended,
            () = hurry.cancelled() => {}
        }
        let _ = self.stop(by.to_owned()).await;
        run::wait_ended(&self.shared, HURRIED_DEADLINE).await
    }

    async fn end_wires(&self) -> Vec<String> {
        locked(&self.shared.view).activity = Activity::ShuttingDown;
        let shared = std::sync::Arc::clone(&self.shared);
        let ending = tokio::task::spawn_blocking(move || {
            let mut late = Vec::new();
            if let Err(error) = shared.acquisition.shutdown(PART_DEADLINE) {
                late.push(error.to_string());
            }
            late.extend(shared.fieldbus.shutdown(PART_DEADLINE));
            late
        });
        ending.await.unwrap_or_else(|error| vec![format!("ending the wires: {error}")])
    }
}
