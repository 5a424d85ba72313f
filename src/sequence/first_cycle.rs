//! Whether the first cycle of a run counts with the others. The sequence file says so (`[sequence] first_cycle`), and with it every
//! recording that was made by it: the rule is fixed before anybody has seen a figure.

use crate::rig::reader::Cursor;
use serde::{Deserialize, Serialize};

/// Key in the sequence file.
const KEY: &str = "first_cycle";
const WORDS: [(&str, FirstCycle); 2] = [("counts", FirstCycle::Counts), ("stands-apart", FirstCycle::StandsApart)];

/// What becomes of the first cycle of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FirstCycle {
    /// It is a cycle like the others.
    #[default]
    Counts,
    /// It conditions the rig (hose, temperature, air): it is recorded and shown, and no mean, spread or difference has it in.
    StandsApart,
}

impl FirstCycle {
    /// Checks what the `[sequence]` table says.
    pub(crate) fn read(table: &Cursor<'_>) -> Option<Self> {
        table.word(KEY, &WORDS)
    }

    /// By the text of a sequence that was checked when it ran; without one every cycle counts.
    #[must_use]
    pub fn of(sequence_text: &str) -> Self {
        let said = sequence_text.parse::<toml::Table>().ok().and_then(|root| {
            let word = root.get("sequence")?.get(KEY)?.as_str()?.to_owned();
            WORDS.iter().find(|(known, _)| *known == word).map(|(_, rule)| *rule)
        });
        said.unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_what_the_sequence_says_and_counts_where_it_says_nothing() {
        for (text, expected) in [
            ("[sequence]\nid = \"s\"\nfirst_cycle = \"stands-apart\"\n", FirstCycle::StandsApart),
            ("[sequence]\nfirst_cycle = \"counts\"\n", FirstCycle::Counts),
            ("[sequence]\nid = \"s\"\n", FirstCycle::Counts),
            ("", FirstCycle::Counts),
        ] {
            assert_eq!(FirstCycle::of(text), expected, "{text}");
        }
    }
}
