//! SIGINT and SIGTERM: the first asks for an orderly end, the second asks to hurry. Neither skips stopping the plant.

use crate::daemon::tasks::TaskGroup;
use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

/// Tokens that signals cancel.
#[derive(Debug, Clone, Default)]
pub struct Signals {
    /// First signal.
    pub end: CancellationToken,
    /// Second signal.
    pub hurry: CancellationToken,
}

impl Signals {
    /// Listen from now on.
    pub fn listen(tasks: &TaskGroup) -> std::io::Result<Self> {
        let signals = Self::default();
        let mut interrupt = signal(SignalKind::interrupt())?;
        let mut terminate = signal(SignalKind::terminate())?;
        let told = signals.clone();
        let cancel = tasks.cancelled();
        tasks.start("signals", async move {
            loop {
                tokio::select! {
                    () = cancel.cancelled() => return,
                    _ = interrupt.recv() => {}
                    _ = terminate.recv() => {}
                }
                if told.end.is_cancelled() {
                    told.hurry.cancel();
                } else {
                    told.end.cancel();
                }
            }
        });
        Ok(signals)
    }
}
