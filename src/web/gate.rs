//! Who may ask what: every request passes here first.
//!
//! On the same computer (loopback) nobody needs a token; from elsewhere everything but the page's own files does. A request
//! that carries a foreign `Host` or `Origin`, or that a browser marks as made by another site, is refused, so that a page of
//! another site cannot drive the rig through somebody's browser, whatever name it gives to this computer.

use super::door::Peer;
use super::rates::{Rates, Refusals};
use crate::api::secret::Secret;
use crate::clock::{SystemClock, WallClock};
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

/// Header that carries the key of the controls.
pub(super) const KEY_HEADER: &str = "ramprig-control";
/// Word of the WebSocket protocol that a browser offers beside its token.
pub(super) const PROTOCOL: &str = "ramprig";
const TOKEN_PROTOCOL: &str = "token.";

/// What lets a request in.
#[derive(Debug, Clone, Default)]
pub struct Access {
    /// Token of everybody who is not on this computer; `None`: nobody else is let in.
    pub token: Option<Secret>,
    /// Names of this computer beside its addresses.
    pub names: Vec<String>,
    /// Connections are TLS.
    pub encrypted: bool,
}

/// Who asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Caller {
    /// From where.
    pub address: IpAddr,
    /// On this computer.
    pub local: bool,
}

impl Caller {
    /// In words, for the log and for whoever holds the controls.
    pub fn from(self) -> String {
        if self.local { "this computer".to_owned() } else { self.address.to_string() }
    }
}

/// The gate.
#[derive(Debug)]
pub(super) struct Gate {
    access: Access,
    rates: Mutex<Rates>,
    refusals: Mutex<Refusals>,
}

/// Why a request is turned away.
#[derive(Debug, PartialEq, Eq)]
struct Refusal(StatusCode, String);

fn refuse<T>(status: StatusCode, text: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal(status, text.into()))
}

impl Gate {
    pub fn new(access: Access) -> Self {
        Self { access, rates: Mutex::default(), refusals: Mutex::default() }
    }

    /// Log a refusal that was made behind the gate.
    pub fn log(&self, caller: Caller, what: &str) {
        let mut refusals = self.refusals.lock().unwrap_or_else(PoisonError::into_inner);
        refusals.log(caller.address, what, SystemClock.now_ns());
    }

    fn judge(&self, peer: Peer, path: &str, headers: &HeaderMap) -> Result<Caller, Refusal> {
        let caller = Caller { address: peer.remote.ip().to_canonical(), local: is_local(peer) };
        self.host_and_origin(peer, caller, headers)?;
        let api = !super::page::serves(path);
        let site = text(headers, &header::HeaderName::from_static("sec-fetch-site")).unwrap_or("none");
        if api && !matches!(site, "same-origin" | "none") {
            return refuse(StatusCode::FORBIDDEN, format!("made by a page of another site ({site})"));
        }
        let known = !api || caller.local || self.shows_token(headers);
        // A stop that is allowed at all is never too often; guesses at a token are.
        let stop = known && path.ends_with("/stop");
        let allowed = stop || {
            let mut rates = self.rates.lock().unwrap_or_else(PoisonError::into_inner);
            rates.allows(caller.address, SystemClock.now_ns())
        };
        match (allowed, known) {
            (false, _) => refuse(StatusCode::TOO_MANY_REQUESTS, "too many requests from one address"),
            (true, false) => refuse(StatusCode::UNAUTHORIZED, "no token, or not the right one"),
            (true, true) => Ok(caller),
        }
    }

    fn host_and_origin(&self, peer: Peer, caller: Caller, headers: &HeaderMap) -> Result<(), Refusal> {
        let host = text(headers, &header::HOST).unwrap_or_default();
        let name = name_of(host);
        let own = match caller.local {
            true => matches!(name, "localhost" | "127.0.0.1" | "[::1]"),
            false => literal(name) == Some(peer.local.ip().to_canonical()),
        };
        if !own && !self.access.names.iter().any(|known| known.eq_ignore_ascii_case(name)) {
            return refuse(StatusCode::FORBIDDEN, format!("host `{host}` is no name of this computer"));
        }
        let scheme = if self.access.encrypted { "https" } else { "http" };
        match text(headers, &header::ORIGIN) {
            Some(origin) if origin.strip_prefix(scheme).and_then(|rest| rest.strip_prefix("://")) != Some(host) => {
                refuse(StatusCode::FORBIDDEN, format!("origin `{origin}`, allowed: the page of this daemon itself"))
            }
            _ => Ok(()),
        }
    }

    fn shows_token(&self, headers: &HeaderMap) -> bool {
        let Some(token) = &self.access.token else { return false };
        let bearer = text(headers, &header::AUTHORIZATION).and_then(|value| value.strip_prefix("Bearer "));
        let offered = text(headers, &header::SEC_WEBSOCKET_PROTOCOL).unwrap_or_default();
        let offered = offered.split(',').find_map(|word| word.trim().strip_prefix(TOKEN_PROTOCOL));
        bearer.or(offered).is_some_and(|given| token.is(given.trim()))
    }
}

/// Through the gate, or back.
pub(super) async fn pass(
    State(gate): State<Arc<Gate>>,
    ConnectInfo(peer): ConnectInfo<Peer>,
    mut request: Request,
    next: Next,
) -> Response {
    match gate.judge(peer, request.uri().path(), request.headers()) {
        Ok(caller) => {
            request.extensions_mut().insert(caller);
            next.run(request).await
        }
        Err(Refusal(status, what)) => {
            let mut refusals = gate.refusals.lock().unwrap_or_else(PoisonError::into_inner);
            refusals.log(peer.remote.ip(), &what, SystemClock.now_ns());
            drop(refusals);
            let mut answer = (status, format!("refused: {what}\n")).into_response();
            if status == StatusCode::TOO_MANY_REQUESTS {
                answer.headers_mut().insert(header::RETRY_AFTER, header::HeaderValue::from_static("1"));
            }
            answer
        }
    }
}

fn is_local(peer: Peer) -> bool {
    peer.remote.ip().to_canonical().is_loopback() && peer.local.ip().to_canonical().is_loopback()
}

fn text<'a>(headers: &'a HeaderMap, name: &header::HeaderName) -> Option<&'a str> {
    headers.get(name).map(|value| value.to_str().unwrap_or("?"))
}

/// `host` of `host:port`.
fn name_of(host: &str) -> &str {
    host.rsplit_once(':').map_or(host, |(name, port)| if port.contains(']') { host } else { name })
}

fn literal(name: &str) -> Option<IpAddr> {
    name.trim_start_matches('[').trim_end_matches(']').parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&str, &str)]) -> HeaderMap {
        let pair = |(name, value): &(&str, &str)| {
            (header::HeaderName::from_bytes(name.as_bytes()).unwrap(), value.parse().unwrap())
        };
        pairs.iter().map(pair).collect()
    }

    fn peer(remote: &str, local: &str) -> Peer {
        Peer { remote: remote.parse().unwrap(), local: local.parse().unwrap() }
    }

    const HERE: (&str, &str) = ("127.0.0.1:50000", "127.0.0.1:8790");
    const AFAR: (&str, &str) = ("192.0.2.9:50000", "192.0.2.7:8790");
    const TOKEN: &str = "0123456789abcdef0123456789abcdef";

    fn judged(gate: &Gate, (remote, local): (&str, &str), path: &str, pairs: &[(&str, &str)]) -> u16 {
        gate.judge(peer(remote, local), path, &headers(pairs)).map_or_else(|refusal| refusal.0.as_u16(), |_| 200)
    }

    fn gate() -> Gate {
        let token = Some(Secret::of(TOKEN));
        Gate::new(Access { token, names: vec!["bench.example".into()], encrypted: false })
    }

    #[test]
    fn rejects_foreign_hosts_and_origins_and_accepts_its_own() {
        let gate = gate();
        for host in ["localhost:8790", "127.0.0.1:1", "[::1]:8790", "localhost", "bench.example:8790"] {
            assert_eq!(judged(&gate, HERE, "/v0/state", &[("host", host)]), 200, "{host}");
        }
        let own = [("host", "127.0.0.1:9"), ("origin", "http://127.0.0.1:9"), ("sec-fetch-site", "same-origin")];
        assert_eq!(judged(&gate, HERE, "/v0/state", &own), 200);
        for (host, more) in [
            ("rig.example", None),
            ("", None),
            ("127.0.0.1.example:80", None),
            ("192.0.2.7:8790", None),
            ("127.0.0.1:9", Some(("origin", "http://example.test"))),
            ("127.0.0.1:9", Some(("origin", "null"))),
            ("127.0.0.1:9", Some(("origin", "https://127.0.0.1:9"))),
            ("127.0.0.1:9", Some(("origin", "http://127.0.0.1:99"))),
            ("127.0.0.1:9", Some(("sec-fetch-site", "cross-site"))),
            ("127.0.0.1:9", Some(("sec-fetch-site", "same-site"))),
        ] {
            let pairs: Vec<_> = std::iter::once(("host", host)).chain(more).collect();
            assert_eq!(judged(&gate, HERE, "/v0/state", &pairs), 403, "{host} {more:?}");
        }
    }

    #[test]
    fn wants_a_token_from_afar_and_none_for_the_pages_own_files() {
        let gate = gate();
        let host = ("host", "192.0.2.7:8790");
        let (bearer, word) = (format!("Bearer {TOKEN}"), format!("ramprig, token.{TOKEN}"));
        assert_eq!(judged(&gate, AFAR, "/", &[host]), 200);
        assert_eq!(judged(&gate, AFAR, "/v0/state", &[host]), 401);
        assert_eq!(judged(&gate, AFAR, "/v0/stop", &[host]), 401);
        assert_eq!(judged(&gate, AFAR, "/v0/stop", &[host, ("authorization", &bearer)]), 200);
        assert_eq!(judged(&gate, AFAR, "/v0/view", &[host, ("sec-websocket-protocol", &word)]), 200);
        for wrong in ["Bearer ", "Bearer x", TOKEN, "Basic QQ==", &bearer[..bearer.len() - 1], &format!("{bearer}0")] {
            assert_eq!(judged(&gate, AFAR, "/v0/stop", &[host, ("authorization", wrong)]), 401, "{wrong}");
        }
        // A name that somebody's page gives to this computer's address.
        assert_eq!(judged(&gate, AFAR, "/v0/stop", &[("host", "evil.example"), ("authorization", &bearer)]), 403);
        let closed = Gate::new(Access::default());
        assert_eq!(judged(&closed, AFAR, "/v0/state", &[host, ("authorization", &bearer)]), 401);
    }

    #[test]
    fn turns_away_what_comes_too_often_but_no_stop() {
        let gate = gate();
        let host = [("host", "localhost")];
        let last = (0..1000).map(|_| judged(&gate, HERE, "/v0/state", &host)).last();
        assert_eq!(last, Some(429));
        assert_eq!(judged(&gate, HERE, "/v0/stop", &host), 200);
        let afar = [("host", "192.0.2.7:8790")];
        let last = (0..1000).map(|_| judged(&gate, AFAR, "/v0/stop", &afar)).last();
        assert_eq!(last, Some(429), "guesses at a token come too often, too");
    }
}
