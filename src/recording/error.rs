//! What can go wrong with a recording. Every text names the file.

use std::path::{Path, PathBuf};

/// Why a recording could not be made, closed or read.
#[derive(Debug, Clone, thiserror::Error, PartialEq)]
pub enum RecordingError {
    /// A file is in the way; recordings are never overwritten.
    #[error("{path}: exists already; recordings are never overwritten (try: another folder or name)", path = .path.display())]
    Exists {
        /// File in the way.
        path: PathBuf,
    },
    /// The folder is missing, is no folder or cannot be written.
    #[error("{path}: folder is not writable: {reason}", path = .path.display())]
    Folder {
        /// Folder.
        path: PathBuf,
        /// Operating system's words.
        reason: String,
    },
    /// A file operation failed.
    #[error("{path}: {doing}: {reason}", path = .path.display())]
    Io {
        /// File.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// Operating system's words.
        reason: String,
    },
    /// The HDF5 library refused.
    #[error("{path}: {doing}: {reason}", path = .path.display())]
    Hdf5 {
        /// File.
        path: PathBuf,
        /// What was tried, with the dataset's path.
        doing: String,
        /// The library's words.
        reason: String,
    },
    /// The file is not there.
    #[error("{path}: no such recording", path = .path.display())]
    NotFound {
        /// File.
        path: PathBuf,
    },
    /// The file has no bytes.
    #[error("{path}: empty file, 0 bytes", path = .path.display())]
    Empty {
        /// File.
        path: PathBuf,
    },
    /// Not one of our recordings.
    #[error("{path}: not a ramprig recording: {why}", path = .path.display())]
    Foreign {
        /// File.
        path: PathBuf,
        /// How that was seen.
        why: String,
    },
    /// The file is shorter than it says.
    #[error("{path}: truncated: {found_bytes} bytes, {expected_bytes} by its own header", path = .path.display())]
    Truncated {
        /// File.
        path: PathBuf,
        /// Bytes found.
        found_bytes: u64,
        /// Bytes expected.
        expected_bytes: u64,
    },
    /// Written by a newer program.
    #[error("{path}: format {found}, this program reads up to {known} (try: a newer program)", path = .path.display())]
    FutureFormat {
        /// File.
        path: PathBuf,
        /// Format number found.
        found: u32,
        /// Newest format known.
        known: u32,
    },
    /// A part of the file does not make sense.
    #[error("{path}: {item}: {reason}", path = .path.display())]
    Damaged {
        /// File.
        path: PathBuf,
        /// Dataset or attribute.
        item: String,
        /// What is wrong with it.
        reason: String,
    },
    /// Another process writes or closes the file.
    #[error("{path}: in use: another process writes or closes it (try: again when the run has ended)", path = .path.display())]
    InUse {
        /// File.
        path: PathBuf,
    },
    /// A `.partial` was expected.
    #[error("{path}: name does not end in .h5.partial", path = .path.display())]
    NotPartial {
        /// File.
        path: PathBuf,
    },
    /// The closed copy differs from the original; the original was kept.
    #[error("{path}: {item} reads back different from the original; the original was kept", path = .path.display())]
    ReadBack {
        /// Copy.
        path: PathBuf,
        /// Dataset.
        item: String,
    },
    /// The description of the run cannot be stored.
    #[error("{path}: {item} cannot be recorded: {reason}", path = .path.display())]
    Description {
        /// File to be made.
        path: PathBuf,
        /// Part of the description.
        item: String,
        /// Why.
        reason: String,
    },
    /// The stream does not fit the description.
    #[error("{path}: block at frame {first_frame}: {reason}", path = .path.display())]
    Stream {
        /// File.
        path: PathBuf,
        /// First frame of the offending block.
        first_frame: u64,
        /// What is wrong.
        reason: String,
    },
    /// A file that should hold a key does not.
    #[error("{path}: {why} (try: `ramprig sign --make-key --key FILE`)", path = .path.display())]
    Key {
        /// File.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// A closed recording that is not what it was, or never had a digest, takes no signature and no note.
    #[error("{path}: {why} (try: `ramprig verify`)", path = .path.display())]
    NotIntact {
        /// File.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// The writer did not end in time.
    #[error("{path}: writer thread still busy after {deadline_s} s", path = .path.display())]
    Deadline {
        /// File.
        path: PathBuf,
        /// Wall time allowed, s.
        deadline_s: f64,
    },
    /// The writer thread ended early.
    #[error("{path}: writer thread ended: {reason}", path = .path.display())]
    WriterGone {
        /// File.
        path: PathBuf,
        /// Why.
        reason: String,
    },
}

impl RecordingError {
    pub(super) fn io(path: &Path, doing: &'static str, error: &std::io::Error) -> Self {
        Self::Io { path: path.to_owned(), doing, reason: error.to_string() }
    }

    pub(super) fn hdf5(path: &Path, doing: impl Into<String>, error: &hdf5::Error) -> Self {
        Self::Hdf5 { path: path.to_owned(), doing: doing.into(), reason: first_line(error) }
    }

    pub(super) fn damaged(path: &Path, item: &str, reason: impl Into<String>) -> Self {
        Self::Damaged { path: path.to_owned(), item: item.to_owned(), reason: reason.into() }
    }
}

/// The library's words without the tail of file handles and times that follows a failed write.
fn first_line(error: &hdf5::Error) -> String {
    let text = error.to_string();
    let line = text.lines().next().unwrap_or("no reason given");
    line.split(": time = ").next().unwrap_or(line).to_owned()
}
