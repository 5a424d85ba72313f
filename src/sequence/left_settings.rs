//! A durable note of settings that a run has changed and not yet put back: written before the first write to a starter,
//! struck out once the old settings are read back. A process that is killed in between leaves the note, and the next run
//! asks a person before anything is mended.

use super::duty::write_durably;
use crate::starters::Settings;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What a run did to one starter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Left {
    /// Settings found before.
    pub before: Settings,
    /// Settings written.
    pub written: Settings,
    /// When, UTC.
    pub at_utc: String,
}

/// Why the note cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum NoteError {
    /// The file cannot be read or written.
    #[error("{path}: the note of changed settings: {reason}")]
    File {
        /// File.
        path: String,
        /// Operating system's words.
        reason: String,
    },
    /// It holds something else.
    #[error("{path}: not a note of changed settings: {reason}; look at the settings by hand, then move the file away")]
    Content {
        /// File.
        path: String,
        /// What is wrong.
        reason: String,
    },
}

/// The note: by starter id.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LeftSettings {
    starters: BTreeMap<String, Left>,
}

impl LeftSettings {
    /// Read the note; no file: nothing was left.
    ///
    /// # Errors
    /// A file that cannot be read or is something else.
    pub fn load(path: &Path) -> Result<Self, NoteError> {
        let shown = || path.display().to_string();
        let text = match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(e) => return Err(NoteError::File { path: shown(), reason: e.to_string() }),
        };
        serde_json::from_str(&text).map_err(|e| NoteError::Content { path: shown(), reason: e.to_string() })
    }

    /// What was left at a starter.
    pub fn of(&self, starter: &str) -> Option<&Left> {
        self.starters.get(starter)
    }

    /// Starters with a note.
    pub fn starters(&self) -> impl Iterator<Item = &str> {
        self.starters.keys().map(String::as_str)
    }

    /// Note a change before it is made. What was found by an earlier run that never put it back stays what was found.
    pub fn changing(&mut self, starter: &str, left: Left) {
        let before = self.of(starter).map_or(left.before, |earlier| earlier.before);
        self.starters.insert(starter.to_owned(), Left { before, ..left });
    }

    /// Strike out a starter.
    pub fn done(&mut self, starter: &str) {
        self.starters.remove(starter);
    }

    /// Write the note so that it survives a crash; an empty one takes its file away.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn save(&self, path: &Path) -> Result<(), NoteError> {
        let failed = |e: std::io::Error| NoteError::File { path: path.display().to_string(), reason: e.to_string() };
        if self.starters.is_empty() {
            return match std::fs::remove_file(path) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(failed(e)),
                _ => Ok(()),
            };
        }
        let text = serde_json::to_string_pretty(self).map_err(|e| failed(std::io::Error::other(e)))?;
        let fresh = PathBuf::from(format!("{}.new", path.display()));
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(failed)?;
        }
        write_durably(&fresh, &text).map_err(failed)?;
        std::fs::rename(&fresh, path).map_err(failed)?;
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        std::fs::File::open(folder).and_then(|folder| folder.sync_all()).map_err(failed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(ramp_up_s: f64) -> Settings {
        Settings { ramp_up_s: Some(ramp_up_s), ..Settings::default() }
    }

    fn left(before_s: f64, written_s: f64) -> Left {
        Left { before: settings(before_s), written: settings(written_s), at_utc: "2026-03-01T10:00:00.000Z".into() }
    }

    #[test]
    fn keeps_what_was_found_first_until_it_is_struck_out() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("state").join("rig.settings.json");
        let mut note = LeftSettings::load(&path).unwrap();
        note.changing("drive", left(6.0, 2.0));
        note.changing("drive", left(2.0, 1.0));
        note.save(&path).unwrap();
        let mut again = LeftSettings::load(&path).unwrap();
        assert_eq!((again.of("drive"), again.of("soft")), (Some(&left(6.0, 1.0)), None));
        assert_eq!(again.starters().collect::<Vec<_>>(), ["drive"]);
        again.done("drive");
        again.save(&path).unwrap();
        assert!(!path.exists() && LeftSettings::load(&path).unwrap() == LeftSettings::default());
    }

    #[test]
    fn rejects_a_file_that_is_something_else() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("rig.settings.json");
        std::fs::write(&path, "[1, 2").unwrap();
        let error = LeftSettings::load(&path).unwrap_err().to_string();
        assert!(error.contains("rig.settings.json: not a note of changed settings"), "{error}");
    }
}
