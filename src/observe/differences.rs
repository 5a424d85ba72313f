//! What differs between the set-ups of two sessions: every key of the rig files, and how they were watched.

use super::ObserveError;
use super::session::SessionRecord;
use crate::comparison::set_up::{self, Difference, Keys, between};
use std::path::Path;

/// Compare the folders of two sessions.
///
/// # Errors
/// A file that is missing or cannot be read.
pub fn differences(first: &Path, second: &Path) -> Result<Vec<Difference>, ObserveError> {
    Ok(between(&keys(first)?, &keys(second)?))
}

fn keys(folder: &Path) -> Result<Keys, ObserveError> {
    let read = |name: &str| {
        let path = folder.join(name);
        std::fs::read_to_string(&path)
            .map(|text| (path.clone(), text))
            .map_err(|source| ObserveError::io(&path, source))
    };
    let (path, text) = read("rig.toml")?;
    let mut keys = set_up::keys("", &text).map_err(|error| ObserveError::Format {
        path,
        line: error.span().map_or(1, |span| text[..span.start.min(text.len())].matches('\n').count() + 1),
        reason: error.message().to_owned(),
    })?;
    let (path, text) = read("session.json")?;
    let record: SessionRecord = serde_json::from_str(&text).map_err(|error| ObserveError::Format {
        path,
        line: error.line(),
        reason: error.to_string(),
    })?;
    keys.insert("session.label".to_owned(), record.label);
    for channel in record.channels.into_iter().filter(|channel| !channel.zero_utc.is_empty()) {
        keys.insert(format!("session.zero.{}", channel.id), channel.zero_utc);
    }
    Ok(keys)
}
