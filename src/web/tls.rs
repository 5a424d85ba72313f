//! TLS by rustls (feature `tls`): certificate and key from PEM files, handshakes beside one another, each with a deadline.

use super::WebError;
use super::door::Peer;
use rustls_pki_types::pem::PemObject;
use rustls_pki_types::{CertificateDer, PrivateKeyDer};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpStream;
use tokio::sync::OwnedSemaphorePermit;
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;

/// For a handshake.
const DEADLINE: Duration = Duration::from_secs(5);

/// An encrypted connection.
pub(super) type Encrypted = tokio_rustls::server::TlsStream<TcpStream>;

type Shaken = Option<(Encrypted, Peer, OwnedSemaphorePermit)>;

/// Certificate and key, in PEM files.
#[derive(Debug, Clone)]
pub struct Papers {
    /// The certificate, with those between it and the root.
    pub certificate: PathBuf,
    /// Its key.
    pub key: PathBuf,
}

/// Handshakes under way.
pub(super) struct Handshakes {
    acceptor: TlsAcceptor,
    under_way: JoinSet<Shaken>,
}

impl Handshakes {
    pub fn by(papers: &Papers) -> Result<Self, WebError> {
        let bad = |path: &Path, reason: &dyn std::fmt::Display| WebError::Papers {
            path: path.to_owned(),
            reason: reason.to_string(),
        };
        let chain: Result<Vec<_>, _> = CertificateDer::pem_file_iter(&papers.certificate)
            .map_err(|error| bad(&papers.certificate, &error))?
            .collect();
        let chain = chain.map_err(|error| bad(&papers.certificate, &error))?;
        let key = PrivateKeyDer::from_pem_file(&papers.key).map_err(|error| bad(&papers.key, &error))?;
        let config = ServerConfig::builder().with_no_client_auth().with_single_cert(chain, key);
        let config = config.map_err(|error| bad(&papers.certificate, &error))?;
        Ok(Self { acceptor: TlsAcceptor::from(Arc::new(config)), under_way: JoinSet::new() })
    }

    pub fn begin(&mut self, stream: TcpStream, peer: Peer, seat: OwnedSemaphorePermit) {
        let shaking = self.acceptor.accept(stream);
        self.under_way.spawn(async move {
            let stream = tokio::time::timeout(DEADLINE, shaking).await.ok()?.ok()?;
            Some((stream, peer, seat))
        });
    }

    /// The next connection whose handshake is done; `None` when one has failed or none is under way.
    pub async fn done(&mut self) -> Shaken {
        self.under_way.join_next().await?.ok()?
    }
}
