//! A secret word (a token, the key of the controls), kept as its SHA-256 and compared in a time that does not depend on how
//! much of it is right.

use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;

/// Shortest token that is taken, characters.
pub const SHORTEST: usize = 32;
/// Bytes of one that is made here.
const MADE_BYTES: usize = 32;

/// A secret of which only the digest is kept.
#[derive(Clone)]
pub struct Secret([u8; 32]);

impl std::fmt::Debug for Secret {
    fn fmt(&self, to: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        to.write_str("Secret")
    }
}

impl Secret {
    /// Keep one.
    pub fn of(text: &str) -> Self {
        Self(Sha256::digest(text.as_bytes()).into())
    }

    /// Is this the same?
    pub fn is(&self, given: &str) -> bool {
        let given: [u8; 32] = Sha256::digest(given.as_bytes()).into();
        self.0.ct_eq(&given).into()
    }

    /// Make one: the text to hand out, and what is kept of it.
    pub fn make() -> (String, Self) {
        let text = hex::encode(rand::random::<[u8; MADE_BYTES]>());
        let kept = Self::of(&text);
        (text, kept)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn accepts_the_same_text_only_and_shows_nothing_of_it() {
        let (text, kept) = Secret::make();
        assert!(text.len() >= SHORTEST && kept.is(&text));
        for other in ["", "x", &text[1..], &format!("{text}0"), &text.to_uppercase().replace(['A', 'B'], "c")] {
            assert!(!kept.is(other), "{other}");
        }
        assert_eq!(format!("{kept:?}"), "Secret");
    }
}
