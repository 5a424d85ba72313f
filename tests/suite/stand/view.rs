//! A face of our own: the client of the API, waiting for updates.

use super::DEADLINE;
use ramprig::api::client::Client;
use ramprig::api::{Service, ServiceError, Snapshot, Update};
use tokio::sync::mpsc::Receiver;

pub struct View {
    runtime: tokio::runtime::Runtime,
    pub client: Client,
    updates: Receiver<Update>,
    /// Kinds of update in the order they came (`snapshot`, `state`, `live`, `predicted`, `log`, `dropped`).
    pub kinds: Vec<&'static str>,
    /// The newest state.
    pub state: Option<Snapshot>,
}

impl View {
    pub fn of(address: &str) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
        let client = Client::new(address);
        let updates = runtime.block_on(client.subscribe()).unwrap();
        Self { runtime, client, updates, kinds: Vec::new(), state: None }
    }

    /// The address that `run` or `demo` says on standard error.
    pub fn of_run(program: &mut super::program::Program) -> Self {
        let line = program.stderr.wait_for("watch --at ");
        Self::of(line.rsplit(' ').next().unwrap())
    }

    pub fn ask<T>(&self, call: impl AsyncFnOnce(&Client) -> Result<T, ServiceError>) -> Result<T, ServiceError> {
        self.runtime.block_on(call(&self.client))
    }

    /// The next update; `None` when the program has closed the connection.
    pub fn next(&mut self) -> Option<Update> {
        let next = async { tokio::time::timeout(DEADLINE, self.updates.recv()).await };
        let update =
            self.runtime.block_on(next).unwrap_or_else(|_| panic!("silent for {DEADLINE:?}: {:?}", self.state))?;
        self.kinds.push(match &update {
            Update::Snapshot(_) => "snapshot",
            Update::State(_) => "state",
            Update::Live(_) => "live",
            Update::Predicted(_) => "predicted",
            Update::Log(_) => "log",
            Update::Dropped(_) => "dropped",
        });
        if let Update::Snapshot(state) | Update::State(state) = &update {
            self.state = Some(state.as_ref().clone());
        }
        Some(update)
    }

    /// Updates until a state is as wanted; `None` when the program ends before.
    pub fn reaches(&mut self, wanted: impl Fn(&Snapshot) -> bool) -> Option<Snapshot> {
        loop {
            if let Some(state) = self.state.as_ref().filter(|state| wanted(state)) {
                return Some(state.clone());
            }
            self.next()?;
        }
    }

    /// Whether the run comes to a step whose words begin so.
    pub fn reaches_step(&mut self, words: &str) -> bool {
        let there = |state: &Snapshot| {
            let progress = state.run.as_ref().and_then(|run| run.progress.as_ref());
            progress.is_some_and(|progress| progress.step.starts_with(words))
        };
        self.reaches(there).is_some()
    }

    #[track_caller]
    pub fn wait_state(&mut self, what: &str, wanted: impl Fn(&Snapshot) -> bool) -> Snapshot {
        let reached = self.reaches(wanted);
        reached.unwrap_or_else(|| panic!("the program ended before: {what}; last: {:?}", self.state))
    }

    #[track_caller]
    pub fn wait_step(&mut self, words: &str) {
        assert!(self.reaches_step(words), "the program ended before step {words}; last: {:?}", self.state);
    }
}
