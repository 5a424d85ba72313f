//! TLS towards a daemon (feature `tls`): it is believed by the certificates of one file and by nothing else.
//!
//! A daemon whose very certificate is in the file is believed whatever names and dates stand in it (it proves that it has the
//! key); any other must have been issued by one that is, for the name or address that it is reached by, and be in force.

use rustls_pki_types::pem::PemObject;
use rustls_pki_types::{CertificateDer, ServerName, UnixTime};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use tokio_rustls::rustls::client::WebPkiServerVerifier;
use tokio_rustls::rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use tokio_rustls::rustls::{ClientConfig, DigitallySignedStruct, Error, RootCertStore, SignatureScheme};

/// Why a file says whom to trust of nobody.
#[derive(Debug, thiserror::Error)]
#[error("{path}: {reason}")]
pub struct TrustError {
    /// File.
    path: PathBuf,
    /// Reason.
    reason: String,
}

/// Certificates by which a daemon is believed.
#[derive(Clone)]
pub struct Trusted(TlsConnector);

impl std::fmt::Debug for Trusted {
    fn fmt(&self, to: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        to.write_str("Trusted")
    }
}

impl Trusted {
    /// Those of a PEM file.
    ///
    /// # Errors
    /// The file cannot be read, or there is no certificate in it.
    pub fn in_file(path: &Path) -> Result<Self, TrustError> {
        let bad = |reason: String| TrustError { path: path.to_owned(), reason };
        let given: Result<Vec<_>, _> = CertificateDer::pem_file_iter(path).map_err(|e| bad(e.to_string()))?.collect();
        let given = given.map_err(|e| bad(e.to_string()))?;
        let mut roots = RootCertStore::empty();
        let (taken, _) = roots.add_parsable_certificates(given.iter().cloned());
        if taken == 0 {
            return Err(bad("no certificate in it (PEM is wanted)".to_owned()));
        }
        let issued = WebPkiServerVerifier::builder(Arc::new(roots)).build().map_err(|e| bad(e.to_string()))?;
        let config = ClientConfig::builder()
            .dangerous()
            .with_custom_certificate_verifier(Arc::new(OfFile { given, issued }))
            .with_no_client_auth();
        Ok(Self(TlsConnector::from(Arc::new(config))))
    }

    /// Shake hands with the daemon at `host:port`.
    ///
    /// # Errors
    /// It is not believed, it speaks no TLS, or the connection is lost.
    pub async fn over(&self, stream: TcpStream, address: &str) -> io::Result<TlsStream<TcpStream>> {
        let host = address.rsplit_once(':').map_or(address, |(host, _)| host);
        let host = host.trim_start_matches('[').trim_end_matches(']').to_owned();
        let name = ServerName::try_from(host).map_err(|error| io::Error::new(io::ErrorKind::InvalidInput, error))?;
        self.0.connect(name, stream).await
    }
}

#[derive(Debug)]
struct OfFile {
    given: Vec<CertificateDer<'static>>,
    issued: Arc<WebPkiServerVerifier>,
}

impl ServerCertVerifier for OfFile {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        between: &[CertificateDer<'_>],
        name: &ServerName<'_>,
        status: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        if self.given.iter().any(|given| given.as_ref() == end_entity.as_ref()) {
            return Ok(ServerCertVerified::assertion());
        }
        self.issued.verify_server_cert(end_entity, between, name, status, now)
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        self.issued.verify_tls12_signature(message, certificate, signed)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        self.issued.verify_tls13_signature(message, certificate, signed)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.issued.supported_verify_schemes()
    }
}
