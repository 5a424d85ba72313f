//! What is known of each starter's own watch over the link: when it was last seen to stop the motor by itself without a
//! heartbeat (step `silence`). Kept in a file beside the duty ledger; an unattended series is refused without a proof of
//! this session ([`refuse_unattended`]).
//!
//! A session is one switching-on of the computer and at most [`SESSION_S`]: time since then, which no setting of the date
//! moves. A proof counts for the time it was made with and for the kind of rig (virtual or real) it was made on.

use super::duty::write_durably;
use super::script::Script;
use crate::clock::Uptime;
use crate::rig::model::Rig;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Longest session, s: a working day with its night (common practice, no source).
pub const SESSION_S: f64 = 24.0 * 3600.0;
/// Two times of a timer count as equal within this, s.
const SAME_TIME_S: f64 = 1e-6;

/// A starter was seen to stop the motor by itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinkProof {
    /// When, UTC, for people.
    pub at_utc: String,
    /// When, for reckoning.
    pub at: Uptime,
    /// Its own timer then, s.
    pub timer_s: f64,
    /// All devices said that they are virtual.
    pub is_virtual: bool,
}

/// Proofs by starter id.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LinkProofs {
    starters: BTreeMap<String, LinkProof>,
}

/// Why proofs cannot be used, or do not suffice.
#[derive(Debug, thiserror::Error)]
pub enum LinkProofError {
    /// The file cannot be read, written or understood.
    #[error("{path}: proofs of loss of communication: {reason}; try: move the file away and prove them again")]
    File {
        /// File.
        path: String,
        /// Why.
        reason: String,
    },
    /// A starter's watch over the link is not proven in this session.
    #[error(
        "an unattended series is refused: {}; try: run the sequence loss-of-communication through each of them first",
        .missing.join("; ")
    )]
    Missing {
        /// Each starter with what is missing.
        missing: Vec<String>,
    },
}

impl LinkProofs {
    /// Where a rig's proofs are kept.
    pub fn file(state_dir: &Path, rig_id: &str) -> PathBuf {
        state_dir.join(format!("{rig_id}.link-proofs.json"))
    }

    /// Read the proofs; no file: none.
    ///
    /// # Errors
    /// A file that cannot be read or is something else.
    pub fn load(path: &Path) -> Result<Self, LinkProofError> {
        let text = match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(error) => return Err(failed(path, &error)),
        };
        serde_json::from_str(&text).map_err(|error| failed(path, &error))
    }

    /// Write them so that a crash leaves the old or the new file.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn save(&self, path: &Path) -> Result<(), LinkProofError> {
        let text = serde_json::to_string_pretty(self).map_err(|error| failed(path, &error))?;
        let fresh = PathBuf::from(format!("{}.new", path.display()));
        write_durably(&fresh, &text).and_then(|()| std::fs::rename(&fresh, path)).map_err(|error| failed(path, &error))
    }

    /// The newest proof of a starter.
    pub fn of(&self, starter: &str) -> Option<&LinkProof> {
        self.starters.get(starter)
    }

    /// A starter has just acted.
    pub fn proven(&mut self, starter: &str, proof: LinkProof) {
        self.starters.insert(starter.to_owned(), proof);
    }

    /// What the record and the screens say of a starter.
    pub fn in_words(&self, starter: &str, timer_s: f64, is_virtual: bool, now: &Uptime) -> String {
        match (self.of(starter), self.missing(starter, timer_s, is_virtual, now)) {
            (Some(proof), None) => format!("{starter}: loss of communication proven in this session, {}", proof.at_utc),
            (_, missing) => missing.unwrap_or_default(),
        }
    }

    /// What is missing for a proof of this session; `None`: nothing.
    fn missing(&self, starter: &str, timer_s: f64, is_virtual: bool, now: &Uptime) -> Option<String> {
        let begin = format!("{starter}: loss of communication");
        let Some(proof) = self.of(starter) else { return Some(format!("{begin} was never proven")) };
        let of_old = |why: &str| Some(format!("{begin} was last proven {}, {why}", proof.at_utc));
        let age_s = now.since_boot_s - proof.at.since_boot_s;
        if now.boot.is_empty() || proof.at.boot != now.boot || !(0.0..=SESSION_S).contains(&age_s) {
            return of_old("not in this session");
        }
        if proof.is_virtual != is_virtual {
            return of_old(if proof.is_virtual { "on a virtual rig" } else { "on the real rig" });
        }
        if (proof.timer_s - timer_s).abs() > SAME_TIME_S {
            return of_old(&format!("with a timer of {} s, now {timer_s} s", proof.timer_s));
        }
        None
    }
}

fn failed(path: &Path, reason: &dyn std::fmt::Display) -> LinkProofError {
    LinkProofError::File { path: path.display().to_string(), reason: reason.to_string() }
}

/// Refuses a series that nobody attends unless every starter that `script` starts was seen, in this session, to stop the
/// motor by itself without a heartbeat.
///
/// # Errors
/// [`LinkProofError::Missing`] with every starter that lacks a proof.
pub fn refuse_unattended(
    rig: &Rig,
    script: &Script,
    proofs: &LinkProofs,
    is_virtual: bool,
    now: &Uptime,
) -> Result<(), LinkProofError> {
    let used = script.starters_used();
    let starters = used.iter().filter_map(|index| rig.starters.get(*index));
    let missing: Vec<String> =
        starters.filter_map(|s| proofs.missing(&s.id, s.comm_timeout_s, is_virtual, now)).collect();
    if missing.is_empty() { Ok(()) } else { Err(LinkProofError::Missing { missing }) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sequence::script::shipped;

    fn up(boot: &str, since_boot_s: f64) -> Uptime {
        Uptime { boot: boot.to_owned(), since_boot_s }
    }

    fn proof(timer_s: f64) -> LinkProof {
        LinkProof { at_utc: "2026-03-01T10:00:00.000Z".into(), at: up("a", 100.0), timer_s, is_virtual: false }
    }

    fn rig() -> Rig {
        crate::rig::parse(crate::rig::shipped("terrace-bench").unwrap(), "t").unwrap()
    }

    fn refused(proofs: &LinkProofs, is_virtual: bool, now: &Uptime) -> String {
        let rig = rig();
        let script = Script::parse(shipped("three-starters").unwrap(), "s", &rig, 2).unwrap();
        refuse_unattended(&rig, &script, proofs, is_virtual, now)
            .map_or_else(|error| error.to_string(), |()| String::new())
    }

    #[test]
    fn refuses_an_unattended_series_without_a_proof_of_this_session() {
        let timer_s = rig().starters[2].comm_timeout_s;
        let now = up("a", 200.0);
        let mut proofs = LinkProofs::default();
        assert!(refused(&proofs, false, &now).contains("drive: loss of communication was never proven; try: run"));
        proofs.proven("soft", proof(timer_s));
        assert!(refused(&proofs, false, &now).contains("drive: "), "another starter's proof is none");
        proofs.proven("drive", proof(timer_s));
        assert_eq!(refused(&proofs, false, &now), "");
        assert_eq!(refused(&proofs, false, &up("a", 100.0 + SESSION_S)), "");
        for (later, what) in [
            (up("a", 100.1 + SESSION_S), "too old"),
            (up("a", 99.0), "from the future"),
            (up("b", 200.0), "another switching-on"),
            (Uptime::default(), "nothing known of time"),
        ] {
            assert!(refused(&proofs, false, &later).contains("not in this session"), "{what}");
        }
        assert!(refused(&proofs, true, &now).contains("on the real rig"));
        proofs.proven("drive", proof(timer_s + 1.0));
        assert!(refused(&proofs, false, &now).contains("with a timer of"), "the timer was set anew since");
    }

    #[test]
    fn keeps_proofs_in_a_file_and_rejects_another_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = LinkProofs::file(folder.path(), "bench");
        let mut proofs = LinkProofs::load(&path).unwrap();
        assert_eq!(proofs, LinkProofs::default());
        proofs.proven("drive", proof(1.0));
        proofs.save(&path).unwrap();
        assert_eq!(LinkProofs::load(&path).unwrap(), proofs);
        let words = |now| proofs.in_words("drive", 1.0, false, &now);
        assert!(words(up("a", 101.0)).contains("proven in this session"));
        assert!(words(up("b", 101.0)).contains("last proven 2026-03-01T10:00:00.000Z, not in this session"));
        std::fs::write(&path, "[]").unwrap();
        let error = LinkProofs::load(&path).unwrap_err().to_string();
        assert!(error.contains("bench.link-proofs.json: proofs of loss of communication"), "{error}");
    }
}
