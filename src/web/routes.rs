//! The routes, in one table that the OpenAPI document is held against.

use super::gate::{Caller, Gate, KEY_HEADER};
use super::orders::{RunOrder, commanded, run_by, short, whole};
use super::{live, orders, page, view};
use crate::api::stage::{Controller, Stage};
use crate::api::{API_VERSION, ServiceError};
use axum::extract::rejection::JsonRejection;
use axum::extract::{DefaultBodyLimit, FromRef, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get, post};
use axum::{Extension, Json, Router};
use serde::Deserialize;
use std::sync::Arc;

/// Longest body with a sequence in it, and of every other order.
const RUN_BYTES: usize = 1 << 20;
const ORDER_BYTES: usize = 4096;
/// The document.
const OPENAPI: &str = include_str!("openapi.json");

/// What every handler has.
#[derive(Clone)]
pub(super) struct Context {
    pub stage: Arc<dyn Stage>,
    pub gate: Arc<Gate>,
}

impl FromRef<Context> for Arc<dyn Stage> {
    fn from_ref(context: &Context) -> Self {
        Arc::clone(&context.stage)
    }
}

type Staged = State<Arc<dyn Stage>>;

/// Method, path below the version, handler.
pub(super) fn table() -> Vec<(&'static str, &'static str, MethodRouter<Context>)> {
    let small = || DefaultBodyLimit::max(ORDER_BYTES);
    vec![
        ("get", "/state", get(state)),
        ("get", "/rig", get(rig)),
        ("get", "/overlays", get(overlays)),
        ("get", "/openapi.json", get(openapi)),
        ("get", "/view", get(view::upgrade)),
        ("get", "/live", get(live::upgrade)),
        ("post", "/stop", post(stop).layer(small())),
        ("post", "/control/take", post(take).layer(small())),
        ("post", "/control/keep", post(keep).layer(small())),
        ("post", "/control/give", post(give).layer(small())),
        ("post", "/run", post(start_run).layer(DefaultBodyLimit::max(RUN_BYTES))),
        ("post", "/confirm", post(confirm).layer(small())),
        ("post", "/guess", post(guess).layer(small())),
        ("post", "/skip", post(skip).layer(small())),
    ]
}

/// All of it, without the gate.
pub(super) fn router() -> Router<Context> {
    let versioned = table().into_iter().fold(Router::new(), |all, (_, path, handler)| all.route(path, handler));
    page::router().nest(&format!("/v{API_VERSION}"), versioned)
}

/// An answer, and what went wrong by its kind.
pub(super) struct Answered(Box<Response>);

impl IntoResponse for Answered {
    fn into_response(self) -> Response {
        *self.0
    }
}

fn answer<T: serde::Serialize>(outcome: Result<T, ServiceError>) -> Answered {
    Answered(Box::new(match outcome {
        Ok(value) => ([(header::CACHE_CONTROL, "no-store")], Json(value)).into_response(),
        Err(error @ ServiceError::Refused { .. }) => (StatusCode::CONFLICT, Json(error)).into_response(),
        Err(error @ ServiceError::Unreachable { .. }) => (StatusCode::BAD_GATEWAY, Json(error)).into_response(),
    }))
}

/// A body that is what it should be, or the answer that says what is wrong with it.
type Body<T> = Result<Json<T>, JsonRejection>;

fn body<T>(given: Body<T>) -> Result<T, Answered> {
    given.map(|Json(value)| value).map_err(|rejection| {
        let text = rejection.body_text();
        Answered(Box::new((rejection.status(), Json(ServiceError::Refused { text })).into_response()))
    })
}

/// By what right an order comes: who asks, with which key.
struct Right {
    context: Context,
    caller: Caller,
    key: Option<String>,
}

impl Right {
    fn new(context: Context, caller: Caller, headers: &HeaderMap) -> Self {
        let key = headers.get(KEY_HEADER).and_then(|key| key.to_str().ok()).map(str::to_owned);
        Self { context, caller, key }
    }

    /// The one who holds the controls, as far as orders go from here; or the refusal, logged.
    fn held(&self) -> Result<Controller, Answered> {
        self.logged(commanded(self.context.stage.as_ref(), self.caller, self.key()))
    }

    fn key(&self) -> Option<&str> {
        self.key.as_deref()
    }

    fn logged<T>(&self, right: Result<T, ServiceError>) -> Result<T, Answered> {
        right.map_err(|error| {
            self.context.gate.log(self.caller, &error.to_string());
            Answered(Box::new((StatusCode::FORBIDDEN, Json(error)).into_response()))
        })
    }
}

async fn state(State(stage): Staged) -> Answered {
    answer(Ok(stage.now()))
}

async fn rig(State(stage): Staged) -> Answered {
    answer(Ok(stage.rig_view().as_ref()))
}

async fn overlays(State(stage): Staged) -> Answered {
    answer(Ok(stage.overlays()))
}

async fn openapi() -> Response {
    ([(header::CONTENT_TYPE, "application/json")], OPENAPI).into_response()
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct By {
    by: String,
}

async fn stop(State(stage): Staged, order: Body<By>) -> Result<Answered, Answered> {
    let By { by } = body(order)?;
    // A name that is too long is no reason not to stop.
    let by = by.chars().filter(|c| !c.is_control()).take(80).collect();
    Ok(answer(stage.stop(by).await))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Named {
    name: String,
}

async fn take(
    State(context): State<Context>,
    Extension(caller): Extension<Caller>,
    order: Body<Named>,
) -> Result<Answered, Answered> {
    let Named { name } = body(order)?;
    Ok(answer(orders::take(context.stage.as_ref(), caller, &name)))
}

async fn keep(
    State(context): State<Context>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
) -> Result<Answered, Answered> {
    let right = Right::new(context, caller, &headers);
    let holder = right.context.stage.controller_by(right.key().unwrap_or_default());
    Ok(answer(Ok(right.logged(holder)?)))
}

async fn give(
    State(context): State<Context>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
) -> Result<Answered, Answered> {
    let right = Right::new(context, caller, &headers);
    let given = right.context.stage.give_control(right.key().unwrap_or_default());
    Ok(answer(Ok(right.logged(given)?)))
}

async fn start_run(
    State(context): State<Context>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    order: Body<RunOrder>,
) -> Result<Answered, Answered> {
    let right = Right::new(context, caller, &headers);
    let by = right.held()?;
    let stage = &right.context.stage;
    let request = body(order)?.request(stage.as_ref()).and_then(|request| run_by(caller, &by, request));
    Ok(answer(match request {
        Ok(request) => stage.start_run(request).await,
        Err(error) => Err(error),
    }))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Confirmation {
    #[serde(deserialize_with = "whole")]
    question: u32,
}

async fn confirm(
    State(context): State<Context>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    given: Body<Confirmation>,
) -> Result<Answered, Answered> {
    let right = Right::new(context, caller, &headers);
    let by = right.held()?;
    let Confirmation { question } = body(given)?;
    Ok(answer(right.context.stage.confirm(question, by.name).await))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Guessed {
    value_pa: f64,
}

async fn guess(
    State(context): State<Context>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    given: Body<Guessed>,
) -> Result<Answered, Answered> {
    let right = Right::new(context, caller, &headers);
    let by = right.held()?;
    let Guessed { value_pa } = body(given)?;
    Ok(answer(right.context.stage.guess(value_pa, &by.name)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Skipped {
    #[serde(deserialize_with = "whole")]
    step: usize,
}

async fn skip(
    State(context): State<Context>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    order: Body<Skipped>,
) -> Result<Answered, Answered> {
    let right = Right::new(context, caller, &headers);
    let by = right.held()?;
    let Skipped { step } = body(order)?;
    Ok(answer(right.context.stage.skip(step, &by.name)))
}

/// Name of a face, where it is short enough to be one.
pub(super) fn face(name: Option<String>) -> Result<Option<String>, ServiceError> {
    name.map(short).transpose()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// Every route is in the document and nothing else is; no control action goes by GET.
    #[test]
    fn agrees_with_the_openapi_document() {
        let document: serde_json::Value = serde_json::from_str(OPENAPI).unwrap();
        let prefix = format!("/v{API_VERSION}");
        let documented: BTreeSet<(String, String)> = document["paths"]
            .as_object()
            .unwrap()
            .iter()
            .flat_map(|(path, methods)| methods.as_object().unwrap().keys().map(|m| (m.clone(), path.clone())))
            .collect();
        let served: BTreeSet<(String, String)> =
            table().iter().map(|(method, path, _)| ((*method).to_owned(), format!("{prefix}{path}"))).collect();
        assert_eq!(documented, served);
        assert_eq!(document["info"]["version"], format!("{API_VERSION}"));
        for (method, path) in served {
            let looks = ["state", "rig", "overlays", "openapi.json", "view", "live"];
            assert_eq!(method == "get", looks.iter().any(|word| path.ends_with(word)), "{method} {path}");
        }
    }
}
