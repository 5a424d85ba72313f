//! The WebSocket of viewers (`/view`): a snapshot, the past of the stream, then everything as it comes. A viewer sees and
//! orders nothing. It says which frames it has seen; one that is behind is waited for a little, then moved to the newest and
//! told how many updates it missed. What it may send is `{"seen": N}` and, once more, its wish.

use super::decimate::{Decimator, Wide};
use super::gate::PROTOCOL;
use super::routes::{Context, face};
use crate::api::stage::{Stage, Told};
use crate::api::{LivePiece, ServiceError, Update};
use axum::Json;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::broadcast::{self, error::RecvError};

/// Frames sent beyond the newest that a viewer has seen.
const AHEAD: u32 = 40;
/// Updates that wait for a viewer before it is moved to the newest (about 2 s).
const BEHIND: usize = 64;
/// A sign of life where nothing else happens.
const BEAT: Duration = Duration::from_millis(500);
/// A viewer that takes nothing for so long is gone.
const SEND_WITHIN: Duration = Duration::from_secs(5);
/// Messages that are none before the connection ends.
const NONSENSE_MOST: u32 = 20;
const LARGEST_MESSAGE_BYTES: usize = 1024;
/// Widths and windows that are drawn.
const WIDTHS: std::ops::RangeInclusive<u32> = 16..=8000;
const WINDOW_MOST_S: f64 = 30.0;

/// What a viewer wants.
#[derive(Debug, Clone, Deserialize)]
#[serde(default)]
pub(super) struct Wish {
    /// Points across its chart.
    width: u32,
    /// Rig time across it, s.
    window: f64,
    /// Its own name, where a run is to hang on it.
    face: Option<String>,
}

impl Default for Wish {
    fn default() -> Self {
        Self { width: 800, window: 24.0, face: None }
    }
}

/// What a viewer may say.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Seen {
    seen: u32,
}

pub(super) async fn upgrade(
    State(context): State<Context>,
    Query(wish): Query<Wish>,
    upgrade: WebSocketUpgrade,
) -> Response {
    let fits = WIDTHS.contains(&wish.width) && wish.window > 0.0 && wish.window <= WINDOW_MOST_S;
    if !fits {
        let text = format!("width is 16 to 8000 points, window at most {WINDOW_MOST_S} s");
        return (StatusCode::BAD_REQUEST, Json(ServiceError::Refused { text })).into_response();
    }
    let named = match face(wish.face.clone()) {
        Ok(named) => named,
        Err(error) => return (StatusCode::BAD_REQUEST, Json(error)).into_response(),
    };
    let upgrade = upgrade.max_message_size(LARGEST_MESSAGE_BYTES).protocols([PROTOCOL]);
    upgrade.on_upgrade(move |socket| async move {
        let _here = named.map(|name| context.stage.here(&name));
        let told = context.stage.listen();
        let viewer = Viewer {
            decimator: Decimator::new(wish.window, wish.width),
            stage: context.stage,
            wish,
            socket,
            sent: 0,
            seen: 0,
            nonsense: 0,
        };
        viewer.show(told).await;
    })
}

struct Viewer {
    stage: Arc<dyn Stage>,
    wish: Wish,
    socket: WebSocket,
    decimator: Decimator,
    sent: u32,
    seen: u32,
    nonsense: u32,
}

/// The connection is over.
struct Gone;

impl Viewer {
    async fn show(mut self, mut told: broadcast::Receiver<Arc<Told>>) {
        if self.afresh().await.is_err() {
            return;
        }
        let mut beat = tokio::time::interval(BEAT);
        beat.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        loop {
            let may_send = self.sent.wrapping_sub(self.seen) < AHEAD;
            let outcome = tokio::select! {
                incoming = self.socket.recv() => self.hear(incoming),
                update = told.recv(), if may_send => self.pass_on(update, &mut told).await,
                _ = beat.tick() => self.send(Message::text("{\"type\":\"beat\"}")).await,
            };
            if outcome.is_err() {
                return;
            }
        }
    }

    fn hear(&mut self, incoming: Option<Result<Message, axum::Error>>) -> Result<(), Gone> {
        match incoming {
            Some(Ok(Message::Text(text))) => match serde_json::from_str::<Seen>(&text) {
                // Nobody has seen what was not sent.
                Ok(Seen { seen }) if seen <= self.sent => self.seen = self.seen.max(seen),
                _ => self.nonsense += 1,
            },
            Some(Ok(Message::Ping(_) | Message::Pong(_))) => {}
            Some(Ok(Message::Binary(_))) => self.nonsense += 1,
            Some(Ok(Message::Close(_)) | Err(_)) | None => return Err(Gone),
        }
        if self.nonsense > NONSENSE_MOST { Err(Gone) } else { Ok(()) }
    }

    async fn pass_on(
        &mut self,
        update: Result<Arc<Told>, RecvError>,
        told: &mut broadcast::Receiver<Arc<Told>>,
    ) -> Result<(), Gone> {
        match update {
            Ok(_) if told.len() > BEHIND => self.move_to_newest(told.len() as u64 + 1, told).await,
            Ok(told) => match &told.update {
                Update::Live(piece) => self.samples(piece).await,
                _ => self.send(Message::text(told.text())).await,
            },
            Err(RecvError::Lagged(missed)) => {
                let missed = missed + told.len() as u64;
                self.move_to_newest(missed, told).await
            }
            Err(RecvError::Closed) => Err(Gone),
        }
    }

    async fn move_to_newest(&mut self, missed: u64, told: &mut broadcast::Receiver<Arc<Told>>) -> Result<(), Gone> {
        *told = told.resubscribe();
        self.send(Message::text(json!({"type": "moved", "data": missed}).to_string())).await?;
        self.afresh().await
    }

    /// Everything as of now.
    async fn afresh(&mut self) -> Result<(), Gone> {
        let snapshot = Told::new(Update::Snapshot(Box::new(self.stage.now())));
        self.send(Message::text(snapshot.text())).await?;
        if let Some(predicted) = self.stage.predicted() {
            let predicted = Told::new(predicted);
            self.send(Message::text(predicted.text())).await?;
        }
        self.decimator = Decimator::new(self.wish.window, self.wish.width);
        // Twice as fine as the viewer's points, so that no interval spans two of them.
        let past = self.stage.past(self.wish.window, 2 * self.wish.width as usize);
        let wide = self.decimator.take(&past);
        self.frame(&wide, true).await
    }

    async fn samples(&mut self, piece: &LivePiece) -> Result<(), Gone> {
        let wide = self.decimator.take(piece);
        match wide.len() {
            0 => Ok(()),
            _ => self.frame(&wide, false).await,
        }
    }

    async fn frame(&mut self, wide: &Wide, afresh: bool) -> Result<(), Gone> {
        self.sent = self.sent.wrapping_add(1);
        let bytes = wide.frame(self.sent, afresh);
        self.send(Message::binary(bytes)).await
    }

    async fn send(&mut self, message: Message) -> Result<(), Gone> {
        match tokio::time::timeout(SEND_WITHIN, self.socket.send(message)).await {
            Ok(Ok(())) => Ok(()),
            _ => Err(Gone),
        }
    }
}
