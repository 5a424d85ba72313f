//! The WebSocket of clients (`/live`): calls and answers both ways, updates after `subscribe`.

use super::gate::Caller;
use super::orders::{commanded, run_by, short, take};
use super::routes::Context;
use crate::api::lead::Measured;
use crate::api::wire::{Answer, Call, FromFace, ToFace};
use crate::api::{ServiceError, Update};
use axum::Extension;
use axum::extract::State;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::response::Response;
use tokio::sync::mpsc;

/// A call is small; a sequence file is the largest thing in one.
const LARGEST_CALL_BYTES: usize = 1 << 20;

pub(super) async fn upgrade(
    State(context): State<Context>,
    Extension(caller): Extension<Caller>,
    upgrade: WebSocketUpgrade,
) -> Response {
    let talk = Talk { context, caller };
    upgrade.max_message_size(LARGEST_CALL_BYTES).on_upgrade(move |socket| talk.converse(socket))
}

/// A client's connection.
struct Talk {
    context: Context,
    caller: Caller,
}

impl Talk {
    async fn converse(self, mut socket: WebSocket) {
        let mut updates: Option<mpsc::Receiver<Update>> = None;
        loop {
            let outgoing = tokio::select! {
                incoming = socket.recv() => match incoming {
                    Some(Ok(Message::Text(text))) => self.respond(&text, &mut updates).await,
                    Some(Ok(Message::Close(_)) | Err(_)) | None => return,
                    Some(Ok(_)) => continue,
                },
                update = next(&mut updates) => match update {
                    Some(update) => ToFace::Update(Box::new(update)),
                    None => return,
                },
            };
            let Ok(text) = serde_json::to_string(&outgoing) else { continue };
            if socket.send(Message::text(text)).await.is_err() {
                return;
            }
        }
    }

    async fn respond(&self, text: &str, updates: &mut Option<mpsc::Receiver<Update>>) -> ToFace {
        match serde_json::from_str::<FromFace>(text) {
            Ok(FromFace { id, key, call }) => {
                ToFace::Answer { id, outcome: self.carry_out(call, key.as_deref(), updates).await }
            }
            Err(error) => {
                ToFace::Answer { id: 0, outcome: Err(ServiceError::Refused { text: format!("not a call: {error}") }) }
            }
        }
    }

    async fn carry_out(
        &self,
        call: Call,
        key: Option<&str>,
        updates: &mut Option<mpsc::Receiver<Update>>,
    ) -> Result<Answer, ServiceError> {
        let stage = self.context.stage.as_ref();
        let held = || {
            commanded(stage, self.caller, key)
                .inspect_err(|error| self.context.gate.log(self.caller, &error.to_string()))
        };
        Ok(match call {
            Call::Snapshot => Answer::Snapshot(Box::new(stage.now())),
            Call::Subscribe => {
                *updates = Some(stage.subscribe().await?);
                Answer::Done
            }
            Call::SubscribeAs { face } => {
                *updates = Some(stage.subscribe_as(short(face)?).await?);
                Answer::Done
            }
            Call::TakeControl { name } => Answer::Control(take(stage, self.caller, &name)?),
            Call::KeepControl => {
                held()?;
                Answer::Done
            }
            Call::GiveControl => {
                stage.give_control(key.unwrap_or_default())?;
                Answer::Done
            }
            Call::Rig => Answer::Rig(Box::new(stage.rig_view().as_ref().clone())),
            Call::Measured => {
                Answer::Measured(Box::new(Measured { cycles: stage.cycles(), overlays: stage.overlays() }))
            }
            Call::Skip { step } => {
                stage.skip(step, &held()?.name)?;
                Answer::Done
            }
            Call::Guess { value_pa } => {
                stage.guess(value_pa, &held()?.name)?;
                Answer::Done
            }
            Call::StartRun(request) => {
                let by = held()?;
                Answer::Run(stage.start_run(run_by(self.caller, &by, *request)?).await?)
            }
            Call::Stop { by } => Answer::Stop(stage.stop(by).await?),
            Call::Confirm { question, .. } => {
                let by = held()?;
                stage.confirm(question, by.name).await?;
                Answer::Done
            }
        })
    }
}

async fn next(updates: &mut Option<mpsc::Receiver<Update>>) -> Option<Update> {
    match updates {
        Some(receiver) => receiver.recv().await,
        None => std::future::pending().await,
    }
}
