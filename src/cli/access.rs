//! `serve` on another address: the token in its file, names of this computer, TLS.

use super::args::Access;
use super::failure::Failure;
use crate::api::secret::{SHORTEST, Secret};
use crate::web::{self, Terms};
use std::io::Write;
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::Path;

/// Bits of a file's mode by which others than its owner reach it.
const FOR_OTHERS: u32 = 0o077;

/// On which terms the API is served.
pub fn terms(args: &Access) -> Result<Terms, Failure> {
    let token = args.token_file.as_deref().map(kept_token).transpose()?;
    Ok(Terms {
        access: web::Access {
            token: token.map(|text| Secret::of(&text)),
            names: args.host_names.clone(),
            ..web::Access::default()
        },
        unencrypted: args.unencrypted,
        #[cfg(feature = "tls")]
        papers: match (&args.certificate, &args.key) {
            (Some(certificate), Some(key)) => Some(web::Papers { certificate: certificate.clone(), key: key.clone() }),
            _ => None,
        },
    })
}

/// The token in a file, made where there is none; a file for its owner alone.
fn kept_token(path: &Path) -> Result<String, Failure> {
    let fault = |e: std::io::Error| Failure::configuration(format!("--token-file {}: {e}", path.display()));
    match std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path) {
        Ok(mut file) => {
            let (text, _) = Secret::make();
            writeln!(file, "{text}").and_then(|()| file.sync_all()).map_err(fault)?;
            Ok(text)
        }
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => token(path),
        Err(error) => Err(fault(error)),
    }
}

/// The token in a file that is there.
pub fn token(path: &Path) -> Result<String, Failure> {
    let bad = |what: String| Failure::configuration(format!("--token-file {}: {what}", path.display()));
    let mode = std::fs::metadata(path).map_err(|e| bad(e.to_string()))?.permissions().mode();
    if mode & FOR_OTHERS != 0 {
        return Err(bad(format!("others may read it (mode {:o}); try: chmod 600", mode & 0o777)));
    }
    let text = std::fs::read_to_string(path).map_err(|e| bad(e.to_string()))?;
    plain(&text).map_err(|what| bad(format!("{what}; try: a file that is not there, so that one is made")))
}

/// A token as it may be shown, or why it is none.
pub fn plain(text: &str) -> Result<String, String> {
    let text = text.trim();
    // What a browser may offer as a word of the WebSocket protocol.
    let plain = text.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.'));
    match text.len() >= SHORTEST && plain {
        true => Ok(text.to_owned()),
        false => Err(format!("a token has {SHORTEST} characters at least, letters, digits, - _ . only")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn makes_a_token_once_and_rejects_a_short_or_an_open_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("token");
        let made = kept_token(&path).unwrap();
        assert_eq!(kept_token(&path).unwrap(), made);
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o644)).unwrap();
        assert!(kept_token(&path).unwrap_err().cause.to_string().contains("chmod 600"));
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        for bad in ["short", &format!("{made} {made}"), &format!("{made}é")] {
            std::fs::write(&path, bad).unwrap();
            assert!(kept_token(&path).is_err(), "{bad}");
        }
    }
}
