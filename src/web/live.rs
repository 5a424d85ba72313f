//! The WebSocket: calls and answers both ways, updates after `subscribe`.

use super::Shared;
use crate::api::ServiceError;
use crate::api::wire::{Answer, Call, FromFace, ToFace};
use crate::api::{Service, Update};
use axum::extract::State;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::response::Response;
use tokio::sync::mpsc;

/// A call is small; a sequence file is the largest thing in one.
const LARGEST_CALL_BYTES: usize = 1 << 20;

pub(super) async fn upgrade(State(service): State<Shared>, upgrade: WebSocketUpgrade) -> Response {
    upgrade.max_message_size(LARGEST_CALL_BYTES).on_upgrade(move |socket| converse(socket, service))
}

async fn converse(mut socket: WebSocket, service: Shared) {
    let mut updates: Option<mpsc::Receiver<Update>> = None;
    loop {
        let outgoing = tokio::select! {
            incoming = socket.recv() => match incoming {
                Some(Ok(Message::Text(text))) => respond(&text, service.as_ref(), &mut updates).await,
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

async fn next(updates: &mut Option<mpsc::Receiver<Update>>) -> Option<Update> {
    match updates {
        Some(receiver) => receiver.recv().await,
        None => std::future::pending().await,
    }
}

async fn respond(text: &str, service: &dyn Service, updates: &mut Option<mpsc::Receiver<Update>>) -> ToFace {
    match serde_json::from_str::<FromFace>(text) {
        Ok(FromFace { id, call }) => ToFace::Answer { id, outcome: carry_out(call, service, updates).await },
        Err(error) => {
            ToFace::Answer { id: 0, outcome: Err(ServiceError::Refused { text: format!("not a call: {error}") }) }
        }
    }
}

async fn carry_out(
    call: Call,
    service: &dyn Service,
    updates: &mut Option<mpsc::Receiver<Update>>,
) -> Result<Answer, ServiceError> {
    Ok(match call {
        Call::Snapshot => Answer::Snapshot(Box::new(service.snapshot().await?)),
        Call::Subscribe => {
            *updates = Some(service.subscribe().await?);
            Answer::Done
        }
        Call::SubscribeAs { face } => {
            *updates = Some(service.subscribe_as(face).await?);
            Answer::Done
        }
        Call::StartRun(request) => Answer::Run(service.start_run(*request).await?),
        Call::Stop { by } => Answer::Stop(service.stop(by).await?),
        Call::Confirm { question, by } => {
            service.confirm(question, by).await?;
            Answer::Done
        }
    })
}
