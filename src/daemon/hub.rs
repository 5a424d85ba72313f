//! Updates to many subscribers. A slow one is never waited for: its oldest updates are dropped, it is told how many,
//! and gets a fresh snapshot.

use crate::api::stage::Told;
use crate::api::{Snapshot, Update};
use std::sync::Arc;
use tokio::sync::{broadcast, mpsc};
use tokio_util::sync::CancellationToken;

/// Updates kept for the slowest subscriber (about 10 s of live pieces).
const KEPT: usize = 256;
/// Updates queued to one face.
const QUEUED: usize = 64;

/// What was told before the end is still passed on: how a run ended is the news that matters most.
async fn last_words(updates: &mut broadcast::Receiver<Arc<Told>>, to_face: &mpsc::Sender<Update>) {
    loop {
        let update = match updates.try_recv() {
            Ok(told) => told.update.clone(),
            Err(broadcast::error::TryRecvError::Lagged(missed)) => Update::Dropped(missed),
            Err(_) => return,
        };
        if to_face.send(update).await.is_err() {
            return;
        }
    }
}

/// The hub.
#[derive(Clone)]
pub struct Hub {
    sender: broadcast::Sender<Arc<Told>>,
}

impl Default for Hub {
    fn default() -> Self {
        Self { sender: broadcast::channel(KEPT).0 }
    }
}

impl Hub {
    /// Tell everybody; nobody listening is fine.
    pub fn tell(&self, update: Update) {
        let _ = self.sender.send(Arc::new(Told::new(update)));
    }

    /// Everything told from now on, as it is: a face that falls behind sees to it by itself.
    pub fn listen(&self) -> broadcast::Receiver<Arc<Told>> {
        self.sender.subscribe()
    }

    /// How many listen.
    pub fn listeners(&self) -> usize {
        self.sender.receiver_count()
    }

    /// A receiver that gets `first` and then everything told from now on, and the task that feeds it.
    pub fn subscribe(
        &self,
        first: Vec<Update>,
        snapshot: impl Fn() -> Snapshot + Send + 'static,
        cancel: CancellationToken,
    ) -> (mpsc::Receiver<Update>, impl Future<Output = ()> + Send + 'static) {
        let (to_face, receiver) = mpsc::channel(QUEUED);
        let mut updates = self.sender.subscribe();
        let feed = async move {
            for update in first {
                if to_face.send(update).await.is_err() {
                    return;
                }
            }
            loop {
                let received = tokio::select! {
                    () = cancel.cancelled() => return last_words(&mut updates, &to_face).await,
                    () = to_face.closed() => return,
                    received = updates.recv() => received,
                };
                let batch = match received {
                    Ok(told) => vec![told.update.clone()],
                    Err(broadcast::error::RecvError::Lagged(missed)) => {
                        vec![Update::Dropped(missed), Update::Snapshot(Box::new(snapshot()))]
                    }
                    Err(broadcast::error::RecvError::Closed) => return,
                };
                for update in batch {
                    if to_face.send(update).await.is_err() {
                        return;
                    }
                }
            }
        };
        (receiver, feed)
    }
}
