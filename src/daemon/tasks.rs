//! The one way to start a task: with a name and a result. A panic or an unexpected end is a fault that starts shutdown.

use std::collections::BTreeMap;
use std::future::Future;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::task::{AbortHandle, JoinSet};
use tokio_util::sync::CancellationToken;

/// A group of named tasks.
#[derive(Clone)]
pub struct TaskGroup {
    inner: Arc<Inner>,
}

struct Inner {
    set: Mutex<JoinSet<String>>,
    running: Mutex<BTreeMap<String, AbortHandle>>,
    cancel: CancellationToken,
    fault: Mutex<Option<String>>,
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl TaskGroup {
    /// An empty group; cancelling `cancel` asks every task to end.
    pub fn new(cancel: CancellationToken) -> Self {
        let inner = Inner {
            set: Mutex::new(JoinSet::new()),
            running: Mutex::new(BTreeMap::new()),
            cancel,
            fault: Mutex::new(None),
        };
        Self { inner: Arc::new(inner) }
    }

    /// Token that every task watches.
    pub fn cancelled(&self) -> CancellationToken {
        self.inner.cancel.clone()
    }

    /// Start `work` under `name`. It ends when it is done or asked to; a panic is a fault of the group.
    pub fn start<F>(&self, name: &str, work: F)
    where
        F: Future<Output = ()> + Send + 'static,
    {
        let guard = EndGuard { inner: Arc::clone(&self.inner), name: name.to_owned(), finished: false };
        let label = name.to_owned();
        let task = async move {
            let mut guard = guard;
            work.await;
            guard.finished = true;
            label
        };
        let handle = locked(&self.inner.set).spawn(task);
        locked(&self.inner.running).insert(name.to_owned(), handle);
    }

    /// First fault, if any task panicked.
    pub fn fault(&self) -> Option<String> {
        locked(&self.inner.fault).clone()
    }

    /// Ask all tasks to end and wait; the names of those still running at the deadline come back, aborted.
    pub async fn end(&self, deadline: Duration) -> Vec<String> {
        self.inner.cancel.cancel();
        let mut set = std::mem::take(&mut *locked(&self.inner.set));
        let all = async { while set.join_next().await.is_some() {} };
        if tokio::time::timeout(deadline, all).await.is_ok() {
            return Vec::new();
        }
        let late: Vec<String> = locked(&self.inner.running).keys().cloned().collect();
        set.abort_all();
        late
    }
}

struct EndGuard {
    inner: Arc<Inner>,
    name: String,
    finished: bool,
}

impl Drop for EndGuard {
    fn drop(&mut self) {
        locked(&self.inner.running).remove(&self.name);
        if !self.finished && std::thread::panicking() {
            locked(&self.inner.fault).get_or_insert(format!("task {} panicked", self.name));
            self.inner.cancel.cancel();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn stops_and_names_what_still_runs() {
        let group = TaskGroup::new(CancellationToken::new());
        let token = group.cancelled();
        group.start("obedient", async move { token.cancelled().await });
        group.start("deaf", std::future::pending());
        assert_eq!(group.end(Duration::from_millis(50)).await, vec!["deaf".to_owned()]);
    }

    #[tokio::test]
    async fn reports_a_panic_as_a_fault_and_cancels_the_rest() {
        let group = TaskGroup::new(CancellationToken::new());
        let token = group.cancelled();
        group.start("broken", async { panic!("on purpose") });
        token.cancelled().await;
        assert_eq!(group.fault(), Some("task broken panicked".to_owned()));
        assert_eq!(group.end(Duration::from_secs(5)).await, Vec::<String>::new());
    }
}
