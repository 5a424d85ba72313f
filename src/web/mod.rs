//! Floor 9, a face: HTTP and WebSocket in front of any [`Service`]. Loopback only; a request that carries a foreign
//! `Host` or `Origin` is refused, so a page of another site cannot drive the rig through a browser. No control action
//! by GET.

mod live;

use crate::api::{API_VERSION, RunRequest, Service, ServiceError};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::Deserialize;
use std::future::Future;
use std::sync::Arc;

/// Why the face cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum WebError {
    /// Only loopback is served.
    #[error(
        "{address}: only a loopback address is served; try: 127.0.0.1:8790, and reach it from elsewhere through a tunnel"
    )]
    NotLoopback {
        /// Address asked for.
        address: std::net::SocketAddr,
    },
    /// The operating system refused.
    #[error("{address}: {source}")]
    Io {
        /// Address.
        address: String,
        /// Reason.
        source: std::io::Error,
    },
}

type Shared = Arc<dyn Service>;

/// Serve until `shutdown` resolves, then let open requests end.
pub async fn serve(
    listener: std::net::TcpListener,
    service: Shared,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<(), WebError> {
    let io = |source| WebError::Io { address: "http listener".into(), source };
    let address = listener.local_addr().map_err(io)?;
    if !address.ip().is_loopback() {
        return Err(WebError::NotLoopback { address });
    }
    listener.set_nonblocking(true).map_err(io)?;
    let listener = tokio::net::TcpListener::from_std(listener).map_err(io)?;
    axum::serve(listener, router(service)).with_graceful_shutdown(shutdown).await.map_err(io)
}

/// The routes.
pub fn router(service: Shared) -> Router {
    let versioned = Router::new()
        .route("/state", get(state))
        .route("/run", post(start_run))
        .route("/stop", post(stop))
        .route("/confirm", post(confirm))
        .route("/live", get(live::upgrade));
    Router::new()
        .route("/", get(front))
        .nest(&format!("/v{API_VERSION}"), versioned)
        .layer(middleware::from_fn(refuse_foreign))
        .with_state(service)
}

/// A body or header larger than this is never needed here.
async fn refuse_foreign(request: Request, next: Next) -> Response {
    match foreign(request.headers()) {
        None => next.run(request).await,
        Some(what) => {
            tracing::warn!("refused a request with {what}");
            (StatusCode::FORBIDDEN, format!("refused: {what}\n")).into_response()
        }
    }
}

fn foreign(headers: &HeaderMap) -> Option<String> {
    let host = text(headers, &header::HOST).unwrap_or_default();
    if !is_loopback_name(host) {
        return Some(format!("host `{host}`, allowed: localhost, 127.0.0.1, [::1]"));
    }
    let origin = text(headers, &header::ORIGIN)?;
    let named = origin.strip_prefix("http://").unwrap_or("");
    (named != host).then(|| format!("origin `{origin}`, allowed: the page of this daemon itself"))
}

fn text<'a>(headers: &'a HeaderMap, name: &header::HeaderName) -> Option<&'a str> {
    headers.get(name).map(|value| value.to_str().unwrap_or("?"))
}

fn is_loopback_name(host: &str) -> bool {
    let name = host.rsplit_once(':').map_or(host, |(name, port)| if port.contains(']') { host } else { name });
    matches!(name, "localhost" | "127.0.0.1" | "[::1]")
}

async fn front(State(service): State<Shared>) -> Response {
    let rig = match service.snapshot().await {
        Ok(snapshot) if snapshot.is_virtual => format!("{} (VIRTUAL)", snapshot.rig_name),
        Ok(snapshot) => snapshot.rig_name,
        Err(error) => error.to_string(),
    };
    format!(
        "ramprig, rig: {rig}\nGET /v{API_VERSION}/state\nPOST /v{API_VERSION}/stop   {{\"by\":\"name\"}}\n\
         WebSocket /v{API_VERSION}/live\nThis program is not the emergency stop.\n"
    )
    .into_response()
}

async fn state(State(service): State<Shared>) -> Response {
    answer(service.snapshot().await)
}

async fn start_run(State(service): State<Shared>, Json(request): Json<RunRequest>) -> Response {
    answer(service.start_run(request).await)
}

#[derive(Deserialize)]
struct By {
    by: String,
}

async fn stop(State(service): State<Shared>, Json(order): Json<By>) -> Response {
    answer(service.stop(order.by).await)
}

#[derive(Deserialize)]
struct Confirmation {
    question: u32,
    by: String,
}

async fn confirm(State(service): State<Shared>, Json(given): Json<Confirmation>) -> Response {
    answer(service.confirm(given.question, given.by).await)
}

fn answer<T: serde::Serialize>(outcome: Result<T, ServiceError>) -> Response {
    match outcome {
        Ok(value) => Json(value).into_response(),
        Err(error @ ServiceError::Refused { .. }) => (StatusCode::CONFLICT, Json(error)).into_response(),
        Err(error @ ServiceError::Unreachable { .. }) => (StatusCode::BAD_GATEWAY, Json(error)).into_response(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&str, &str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(name, value)| (header::HeaderName::from_bytes(name.as_bytes()).unwrap(), value.parse().unwrap()))
            .collect()
    }

    #[test]
    fn rejects_foreign_hosts_and_origins_and_accepts_its_own() {
        for host in ["localhost:8790", "127.0.0.1:1", "[::1]:8790", "localhost"] {
            assert_eq!(foreign(&headers(&[("host", host)])), None, "{host}");
        }
        assert_eq!(foreign(&headers(&[("host", "127.0.0.1:9"), ("origin", "http://127.0.0.1:9")])), None);
        for (host, origin) in [
            ("rig.example", None),
            ("", None),
            ("127.0.0.1.example:80", None),
            ("127.0.0.1:9", Some("http://example.test")),
            ("127.0.0.1:9", Some("null")),
            ("127.0.0.1:9", Some("https://127.0.0.1:9")),
        ] {
            let mut pairs = vec![("host", host)];
            pairs.extend(origin.map(|o| ("origin", o)));
            assert!(foreign(&headers(&pairs)).is_some(), "{host} {origin:?}");
        }
    }
}
