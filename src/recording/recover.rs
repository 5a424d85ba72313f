//! Recovery of a `.partial` whose writer was killed, or whose computer lost its supply: closing, on a copy, so that whatever
//! the library does to a file that was cut off, the original stays as it was until its content is safe. The copy is made from
//! the side log where there is one, which loses nothing that was synced; else from the `.partial` itself.

use super::close::{compact, publish, remove};
use super::error::RecordingError;
use super::names::{Claim, RecordingPath};
use super::reader::{RecordingSummary, summary};
use super::side_log;
use std::path::{Path, PathBuf};

/// A recovered recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Recovered {
    /// The closed file.
    pub path: PathBuf,
    /// What it holds and what was lost.
    pub summary: RecordingSummary,
}

/// Recover `X.h5.partial` into `X.h5`. A file that has its end mark is simply closed. Takes as long as the disk needs;
/// a caller that must not wait runs it in a child process with a deadline.
///
/// # Errors
/// As [`super::close`]; the `.partial` is then still there, unchanged.
pub fn recover(partial: &Path) -> Result<Recovered, RecordingError> {
    let names = RecordingPath::of_partial(partial)?;
    if !names.partial().exists() || names.closed().exists() {
        // Nothing to copy, or a closing that was itself cut off at its last step.
        let path = super::close(partial, None)?;
        return Ok(Recovered { summary: summary(&path)?, path });
    }
    let _claim = Claim::of(names.partial())?;
    let copy = names.copy();
    let from_log = side_log::replay(names.side_log(), copy).unwrap_or_else(|fault| {
        tracing::warn!("{fault}; recovered from {} instead", names.partial().display());
        false
    });
    let copied = if from_log { Ok(0) } else { std::fs::copy(names.partial(), copy) };
    let outcome =
        copied.map_err(|e| RecordingError::io(copy, "copy", &e)).and_then(|_| compact(copy, names.closing(), None));
    let _ = std::fs::remove_file(copy);
    outcome?;
    publish(&names)?;
    remove(names.partial())?;
    side_log::remove(names.side_log())?;
    Ok(Recovered { summary: summary(names.closed())?, path: names.closed().to_owned() })
}
