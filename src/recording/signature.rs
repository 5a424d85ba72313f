//! Ed25519 keys and signatures (RFC 8032), keys in PEM files as PKCS#8 and SubjectPublicKeyInfo (RFC 8410): other
//! programs make and read the same files. A digest tells that a file was changed by accident; a signature by a key that
//! its owner keeps tells that nobody else made it anew.

use super::error::RecordingError;
use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
use ed25519_dalek::pkcs8::{DecodePrivateKey, DecodePublicKey, EncodePrivateKey, EncodePublicKey};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use std::fmt;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

/// A private key that signs.
pub struct SecretKey(SigningKey);

/// The public half of a key: what a signature is held against. Shown as 64 hexadecimal digits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PublicKey([u8; 32]);

impl fmt::Debug for SecretKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SecretKey of {}", self.public())
    }
}

impl fmt::Display for PublicKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&hex::encode(self.0))
    }
}

impl SecretKey {
    /// Make a key from the system's random numbers and write it to a new file that only its owner may read.
    ///
    /// # Errors
    /// There is a file already, it cannot be written, or the system gives no random numbers.
    pub fn make(path: &Path) -> Result<Self, RecordingError> {
        let fault = |e: std::io::Error| RecordingError::io(path, "make the key", &e);
        let mut seed = [0_u8; 32];
        rand::TryRng::try_fill_bytes(&mut rand::rngs::SysRng, &mut seed)
            .map_err(|e| fault(std::io::Error::other(e.to_string())))?;
        let key = Self(SigningKey::from_bytes(&seed));
        let text = key.0.to_pkcs8_pem(LineEnding::LF).map_err(|e| fault(std::io::Error::other(e.to_string())))?;
        let mut file = std::fs::File::options().write(true).create_new(true).mode(0o600).open(path).map_err(fault)?;
        file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(fault)?;
        Ok(key)
    }

    /// Read a key file.
    ///
    /// # Errors
    /// It cannot be read or holds no Ed25519 private key.
    pub fn read(path: &Path) -> Result<Self, RecordingError> {
        let text = read_text(path)?;
        let key = SigningKey::from_pkcs8_pem(&text);
        key.map(Self).map_err(|_| wrong_key(path, "no Ed25519 private key in PEM form (PKCS#8)"))
    }

    /// Its public half.
    #[must_use]
    pub fn public(&self) -> PublicKey {
        PublicKey(self.0.verifying_key().to_bytes())
    }

    /// Signature of bytes, 128 hexadecimal digits.
    pub(super) fn sign(&self, bytes: &[u8]) -> String {
        hex::encode(self.0.sign(bytes).to_bytes())
    }
}

impl PublicKey {
    /// From 64 hexadecimal digits.
    #[must_use]
    pub fn parse(digits: &str) -> Option<Self> {
        let bytes: [u8; 32] = hex::decode(digits).ok()?.try_into().ok()?;
        VerifyingKey::from_bytes(&bytes).ok().map(|key| Self(key.to_bytes()))
    }

    /// From what a person names: 64 hexadecimal digits, or a file with a public (or a private) key.
    ///
    /// # Errors
    /// Neither of them.
    pub fn named(text: &str) -> Result<Self, RecordingError> {
        if let Some(key) = Self::parse(text) {
            return Ok(key);
        }
        let path = Path::new(text);
        let pem = read_text(path)?;
        let public = VerifyingKey::from_public_key_pem(&pem);
        public
            .or_else(|_| SigningKey::from_pkcs8_pem(&pem).map(|key| key.verifying_key()))
            .map(|key| Self(key.to_bytes()))
            .map_err(|_| wrong_key(path, "no Ed25519 key in PEM form, and not 64 hexadecimal digits"))
    }

    /// As a PEM file that can be given away.
    ///
    /// # Errors
    /// The key cannot be written as text.
    pub fn pem(&self) -> Result<String, RecordingError> {
        let wrong = |why: String| wrong_key(Path::new("public key"), &why);
        let key = VerifyingKey::from_bytes(&self.0).map_err(|e| wrong(e.to_string()))?;
        key.to_public_key_pem(LineEnding::LF).map_err(|e| wrong(e.to_string()))
    }

    /// Whether a signature (128 hexadecimal digits) of these bytes is by this key.
    pub(super) fn signed(&self, bytes: &[u8], signature: &str) -> bool {
        let signature = hex::decode(signature).ok().and_then(|found| Signature::from_slice(&found).ok());
        let key = VerifyingKey::from_bytes(&self.0).ok();
        key.zip(signature).is_some_and(|(key, signature)| key.verify_strict(bytes, &signature).is_ok())
    }
}

fn read_text(path: &Path) -> Result<String, RecordingError> {
    std::fs::read_to_string(path).map_err(|e| RecordingError::io(path, "read the key", &e))
}

fn wrong_key(path: &Path, why: &str) -> RecordingError {
    RecordingError::Key { path: path.to_owned(), why: why.to_owned() }
}
