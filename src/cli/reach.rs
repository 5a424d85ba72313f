//! How `watch` and `run` reach an owner on another address: its token, and the certificates by which it is believed.

use super::args::Reach;
use super::failure::Failure;
use crate::api::client::Client;
use std::ffi::OsString;

/// Where a token may stand beside a file: the environment of a process is for its owner alone, its command line is for all.
const TOKEN: &str = "RAMPRIG_TOKEN";

/// A client of the owner at this address.
pub fn client(address: &str, reach: &Reach) -> Result<Client, Failure> {
    let client = Client::new(address).with_token(token(reach, std::env::var_os(TOKEN))?);
    trusting(client, reach)
}

fn token(reach: &Reach, environment: Option<OsString>) -> Result<Option<String>, Failure> {
    let bad = |what: String| Failure::configuration(format!("{TOKEN}: {what}"));
    match (&reach.token_file, environment) {
        (Some(path), _) => super::access::token(path).map(Some),
        (None, Some(text)) if !text.is_empty() => {
            let text = text.into_string().map_err(|_| bad("no text".to_owned()))?;
            super::access::plain(&text).map(Some).map_err(bad)
        }
        (None, _) => Ok(None),
    }
}

#[cfg(feature = "tls")]
fn trusting(client: Client, reach: &Reach) -> Result<Client, Failure> {
    let trusted = reach.trust.as_deref().map(crate::api::tls::Trusted::in_file).transpose();
    Ok(client.with_trusted(trusted.map_err(|error| Failure::configuration(format!("--trust {error}")))?))
}

#[cfg(not(feature = "tls"))]
fn trusting(client: Client, reach: &Reach) -> Result<Client, Failure> {
    match &reach.trust {
        None => Ok(client),
        Some(_) => Err(Failure::configuration(
            "--trust: this program is built without TLS; try: cargo build --release --features tls, or a tunnel to loopback"
                .to_owned(),
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn takes_a_token_from_the_environment_and_rejects_what_is_none() {
        let reach = Reach { token_file: None, trust: None };
        let text = "0123456789abcdef0123456789abcdef";
        assert_eq!(token(&reach, Some(text.into())).unwrap().unwrap(), text);
        assert_eq!(token(&reach, None).unwrap(), None);
        assert_eq!(token(&reach, Some("".into())).unwrap(), None);
        for bad in ["short", &format!("{text} {text}")] {
            let said = token(&reach, Some(bad.into())).unwrap_err().cause.to_string();
            assert!(said.starts_with("RAMPRIG_TOKEN: ") && !said.contains(bad), "{said}");
        }
    }

    #[cfg(not(feature = "tls"))]
    #[test]
    fn rejects_a_certificate_where_the_program_has_no_tls() {
        let offered = |trust| trusting(Client::new("rig.example:8790"), &Reach { token_file: None, trust });
        assert!(offered(None).is_ok());
        let said = offered(Some("owner.pem".into())).err().unwrap().cause.to_string();
        assert!(
            said.starts_with("--trust: ") && said.contains("built without TLS") && said.contains("try: "),
            "{said}"
        );
    }
}
