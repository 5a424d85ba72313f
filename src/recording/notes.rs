//! Notes added to a closed recording: what a person wants to say of it afterwards. Nothing of the recording is touched;
//! its two roots stay what they were, and each note is signed.
//!
//! A note is a group `/entry/notes/note_N` (NXnote) of texts: `author`, `date`, `type` and `data` as that class has them; beside
//! them `roots` (those of the recording it was added to), `before` (the user block it found, so that an earlier signature
//! stays to be checked), `key`, and `signature` of all but `type` and the key.

use super::error::RecordingError;
use super::integrity::{Roots, block_text, digest_notes, on_a_copy, roots, seal};
use super::opened::{Opened, options};
use super::raw::{create_text, read_text};
use super::schema::{ENTRY, class};
use super::signature::{PublicKey, SecretKey};
use crate::clock::utc_now_rfc3339;
use hdf5::{File, Group, Result as H5Result};
use serde::Serialize;
use std::path::Path;

/// Group of the notes, below the entry.
const GROUP: &str = "notes";
/// Most bytes of one note.
const LONGEST: usize = 60_000;

/// A note.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Note {
    /// What it says.
    pub text: String,
    /// Who says so.
    pub by: String,
    /// When, RFC 3339.
    pub at_utc: String,
    /// Public key it is signed by, 64 hexadecimal digits.
    pub key: String,
    /// Whether the signature is by that key and of this note to this recording.
    pub holds: bool,
}

impl Note {
    /// One line for a person.
    #[must_use]
    pub fn in_words(&self) -> String {
        let signed = if self.holds { "signed by key" } else { "SIGNATURE DOES NOT HOLD for key" };
        format!(
            "note by {} at {} ({signed} {}...): {}",
            self.by,
            self.at_utc,
            self.key.get(..12).unwrap_or(""),
            self.text
        )
    }
}

/// Whether an object's path is that of the notes or below it.
pub(super) fn holds(object: &str) -> bool {
    let group = format!("/{ENTRY}/{GROUP}");
    object.strip_prefix(&group).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

/// Add a note to a closed recording that is as it was, and sign note and file.
///
/// The file is replaced by a whole copy in one step: a crash leaves the old one or the new one.
///
/// # Errors
/// The text or the name is empty or too long, the file is not as it was closed, or it cannot be written.
pub fn add_note(path: &Path, (text, by): (&str, &str), key: &SecretKey) -> Result<Note, RecordingError> {
    let refuse = |reason: &str| RecordingError::damaged(path, "note", reason);
    let (text, by) = (text.trim(), by.trim());
    if text.is_empty() || by.is_empty() || text.len() > LONGEST || by.len() > LONGEST {
        return Err(refuse("needs a text and a name, neither over 60 000 bytes"));
    }
    let before = block_text(path).unwrap_or_default();
    on_a_copy(path, |copy, own| {
        let mut written = Written {
            text: text.to_owned(),
            by: by.to_owned(),
            at_utc: utc_now_rfc3339(),
            roots: line_of(own),
            before,
            key: key.public().to_string(),
            signature: String::new(),
        };
        written.signature = key.sign(&written.signed_bytes());
        let form = options(|p| p.libver_v18());
        let added = form.open_as(copy, hdf5::OpenMode::ReadWrite).and_then(|file| {
            written.store(&file)?;
            let found = digest_notes(&file, &format!("/{ENTRY}/{GROUP}"))?;
            file.close()?;
            Ok(found)
        });
        let found = added.map_err(|e| RecordingError::hdf5(copy, "add a note", &e))?;
        if found != *own || roots(copy)? != *own {
            return Err(RecordingError::ReadBack { path: copy.to_owned(), item: "roots".to_owned() });
        }
        seal(copy, found, Some(key))?;
        Ok(written.note(&line_of(own)))
    })
}

/// Notes of a recording, oldest first.
///
/// # Errors
/// The file cannot be read as a recording.
pub fn notes(path: &Path) -> Result<Vec<Note>, RecordingError> {
    let opened = Opened::open(path)?;
    let Ok(group) = opened.entry.group(GROUP) else { return Ok(Vec::new()) };
    let found = all(&group).map_err(|e| RecordingError::damaged(path, GROUP, e.to_string()))?;
    let own = if found.is_empty() { String::new() } else { line_of(&roots(path)?) };
    Ok(found.iter().map(|written| written.note(&own)).collect())
}

fn line_of(roots: &Roots) -> String {
    format!("{} {}", roots.recorded, roots.derived)
}

/// A note as stored.
struct Written {
    text: String,
    by: String,
    at_utc: String,
    roots: String,
    before: String,
    key: String,
    signature: String,
}

impl Written {
    /// Every part with its length, so that no two notes have the same bytes.
    fn signed_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        for part in [&self.text, &self.by, &self.at_utc, &self.roots, &self.before] {
            bytes.extend_from_slice(&(part.len() as u64).to_le_bytes());
            bytes.extend_from_slice(part.as_bytes());
        }
        bytes
    }

    fn store(&self, file: &File) -> H5Result<()> {
        let entry = file.group(ENTRY)?;
        let group = match entry.group(GROUP) {
            Ok(group) => group,
            Err(_) => class(entry.create_group(GROUP)?, "NXcollection")?,
        };
        let number = group.groups()?.len() + 1;
        let note = class(group.create_group(&format!("note_{number}"))?, "NXnote")?;
        let parts = [
            ("author", self.by.as_str()),
            ("date", &self.at_utc),
            ("type", "text/plain"),
            ("data", &self.text),
            ("roots", &self.roots),
            ("before", &self.before),
            ("key", &self.key),
            ("signature", &self.signature),
        ];
        parts.into_iter().try_for_each(|(name, text)| create_text(&note, name, text).map(drop))
    }

    fn read(note: &Group) -> H5Result<Self> {
        let part = |name: &str| read_text(&note.dataset(name)?);
        Ok(Self {
            text: part("data")?,
            by: part("author")?,
            at_utc: part("date")?,
            roots: part("roots")?,
            before: part("before")?,
            key: part("key")?,
            signature: part("signature")?,
        })
    }

    /// `own`: the roots of the recording it is found in.
    fn note(&self, own: &str) -> Note {
        let signed = PublicKey::parse(&self.key).is_some_and(|key| key.signed(&self.signed_bytes(), &self.signature));
        Note {
            text: self.text.clone(),
            by: self.by.clone(),
            at_utc: self.at_utc.clone(),
            key: self.key.clone(),
            holds: signed && self.roots == own,
        }
    }
}

fn all(group: &Group) -> H5Result<Vec<Written>> {
    (1..=group.groups()?.len()).map(|number| Written::read(&group.group(&format!("note_{number}"))?)).collect()
}
