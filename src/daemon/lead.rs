//! The daemon towards a face in its own process that leads.

use super::Daemon;
use crate::api::lead::{Lead, Measured, Order};
use crate::api::stage::{Grant, RigView, Stage};
use crate::api::{RunRequest, Service, ServiceError};
use futures_util::future::{BoxFuture, ready};

/// Where a face in this process is.
const HERE: &str = "this terminal";

impl Daemon {
    async fn ordered(&self, key: &str, order: Order) -> Result<Option<u32>, ServiceError> {
        let by = self.controller_by(key)?;
        match order {
            Order::Start(request) => {
                return self.start_run(RunRequest { attending: by.name, ..*request }).await.map(Some);
            }
            Order::Confirm(question) => Service::confirm(self, question, by.name).await?,
            Order::Skip(step) => Stage::skip(self, step, &by.name)?,
            Order::Guess(value_pa) => Stage::guess(self, value_pa, &by.name)?,
        }
        Ok(None)
    }
}

impl Lead for Daemon {
    fn rig(&self) -> BoxFuture<'_, Result<RigView, ServiceError>> {
        Box::pin(ready(Ok(self.rig_view().as_ref().clone())))
    }

    fn measured(&self) -> BoxFuture<'_, Result<Measured, ServiceError>> {
        Box::pin(ready(Ok(Measured { cycles: self.cycles(), overlays: self.overlays() })))
    }

    fn hold(&self, name: String) -> BoxFuture<'_, Result<Grant, ServiceError>> {
        Box::pin(ready(self.take_control(&name, HERE)))
    }

    fn keep(&self, key: String) -> BoxFuture<'_, Result<(), ServiceError>> {
        Box::pin(ready(self.controller_by(&key).map(|_| ())))
    }

    fn give_back(&self, key: String) -> BoxFuture<'_, Result<(), ServiceError>> {
        Box::pin(ready(self.give_control(&key)))
    }

    fn order(&self, key: String, order: Order) -> BoxFuture<'_, Result<Option<u32>, ServiceError>> {
        Box::pin(async move { self.ordered(&key, order).await })
    }
}
