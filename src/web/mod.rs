//! Floor 9, a face: HTTP and WebSocket in front of the daemon, and the page for the projector and the trainer's desk.
//!
//! Loopback unless told otherwise; another address only with a token, and with TLS (feature `tls`) or the explicit word that
//! there is none. Every request passes `gate`; what it may order is in `orders`; no control action goes by GET.

mod decimate;
mod door;
mod gate;
mod live;
mod orders;
mod page;
mod rates;
mod routes;
#[cfg(feature = "tls")]
mod tls;
mod view;

pub use gate::Access;
#[cfg(feature = "tls")]
pub use tls::Papers;

use crate::api::stage::Stage;
use axum::middleware;
use door::{Door, Peer};
use gate::Gate;
use routes::Context;
use std::future::Future;
use std::sync::Arc;

/// Why the face cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum WebError {
    /// Another address than loopback without a token.
    #[error(
        "{address}: another address than loopback needs a token; try: --token-file FILE (made where there is none)"
    )]
    NoToken {
        /// Address asked for.
        address: std::net::SocketAddr,
    },
    /// Another address than loopback without TLS.
    #[error(
        "{address}: another address than loopback needs TLS (--certificate, --key; built with feature `tls`), or the word \
         that there is none: --unencrypted, by which whoever listens on that network reads the token and all that is shown"
    )]
    NoTls {
        /// Address asked for.
        address: std::net::SocketAddr,
    },
    /// Certificate or key.
    #[error("{path}: {reason}")]
    Papers {
        /// File.
        path: std::path::PathBuf,
        /// Reason.
        reason: String,
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

/// How the face is served.
#[derive(Debug, Clone, Default)]
pub struct Terms {
    /// Who is let in.
    pub access: Access,
    /// Said by a person: no TLS on another address than loopback.
    pub unencrypted: bool,
    /// Certificate and key.
    #[cfg(feature = "tls")]
    pub papers: Option<Papers>,
}

impl Terms {
    /// Connections are TLS.
    pub fn encrypted(&self) -> bool {
        #[cfg(feature = "tls")]
        return self.papers.is_some();
        #[cfg(not(feature = "tls"))]
        false
    }

    /// May such an address be served on these terms?
    ///
    /// # Errors
    /// What it lacks.
    pub fn allow(&self, address: std::net::SocketAddr) -> Result<(), WebError> {
        if address.ip().is_loopback() {
            return Ok(());
        }
        if self.access.token.is_none() {
            return Err(WebError::NoToken { address });
        }
        match self.encrypted() || self.unencrypted {
            true => Ok(()),
            false => Err(WebError::NoTls { address }),
        }
    }
}

/// Serve until `shutdown` resolves, then let open requests end.
///
/// # Errors
/// The address needs other terms, the certificate cannot be used, or the operating system refuses.
pub async fn serve(
    listener: std::net::TcpListener,
    stage: Arc<dyn Stage>,
    terms: Terms,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<(), WebError> {
    let io = |source| WebError::Io { address: "http listener".into(), source };
    terms.allow(listener.local_addr().map_err(io)?)?;
    listener.set_nonblocking(true).map_err(io)?;
    let door = Door::plain(tokio::net::TcpListener::from_std(listener).map_err(io)?);
    #[cfg(feature = "tls")]
    let door = match &terms.papers {
        Some(papers) => door.encrypted(tls::Handshakes::by(papers)?),
        None => door,
    };
    let encrypted = terms.encrypted();
    let gate = Arc::new(Gate::new(Access { encrypted, ..terms.access }));
    let context = Context { stage, gate: Arc::clone(&gate) };
    let router = routes::router().layer(middleware::from_fn_with_state(gate, gate::pass)).with_state(context);
    let service = router.into_make_service_with_connect_info::<Peer>();
    axum::serve(door, service).with_graceful_shutdown(shutdown).await.map_err(io)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::api::secret::Secret;

    #[test]
    fn rejects_another_address_without_a_token_and_without_tls_or_the_word_that_there_is_none() {
        let (here, elsewhere) = ("127.0.0.1:0".parse().unwrap(), "192.0.2.7:8790".parse().unwrap());
        let bare = Terms::default();
        assert!(bare.allow(here).is_ok());
        assert!(bare.allow(elsewhere).unwrap_err().to_string().contains("--token-file"));
        let token = Some(Secret::of("0123456789abcdef0123456789abcdef"));
        let tokened = Terms { access: Access { token, ..Access::default() }, ..Terms::default() };
        assert!(tokened.allow(elsewhere).unwrap_err().to_string().contains("--unencrypted"));
        assert!(Terms { unencrypted: true, ..tokened }.allow(elsewhere).is_ok());
        assert!(Terms { unencrypted: true, ..Terms::default() }.allow(elsewhere).is_err(), "a token all the same");
    }
}
