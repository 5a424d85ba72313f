//! Opening a file that claims to be a recording: what it is, before anything is believed.

use super::description::{attribute, text_attribute};
use super::error::RecordingError;
use super::integrity;
use super::schema::{ENTRY, FORMAT, Form};
use hdf5::file::{FileAccessBuilder, FileBuilder};
use hdf5::{File, Group, OpenMode};
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

/// First bytes of every HDF5 file (HDF5 File Format Specification, "Format Signature and Superblock").
const SIGNATURE: &[u8; 8] = b"\x89HDF\r\n\x1a\n";
/// A recording may have a user block of this size before the HDF5 data.
pub(super) const USER_BLOCK_BYTES: usize = 512;

/// Bytes of a superblock of version 2 or 3.
const SUPERBLOCK_BYTES: usize = 48;

/// How every file of ours is opened. The library's own locks are off: its file handles go to child processes, and with
/// them the locks, so a file that is just closed could not be opened. Our lock is in `names`; the marks of a writer in
/// the file itself stay in force.
pub(super) fn options(more: impl Fn(&mut FileAccessBuilder) -> &mut FileAccessBuilder) -> FileBuilder {
    File::with_options().with_fapl(|p| more(p.file_locking(false))).clone()
}

/// A recording, open for reading.
#[derive(Debug)]
pub(super) struct Opened {
    pub path: PathBuf,
    pub file: File,
    pub entry: Group,
    pub form: Form,
}

impl Opened {
    /// Open a closed file, a finished or cut-off `.partial`, or one that another process is writing.
    pub fn open(path: &Path) -> Result<Self, RecordingError> {
        let superblock = Superblock::read(path)?;
        if superblock.unready {
            return Err(RecordingError::damaged(
                path,
                "superblock",
                "cut off before the first frame, nothing is in it",
            ));
        }
        let mode = if superblock.being_written { OpenMode::ReadSWMR } else { OpenMode::Read };
        let file = options(|p| p).open_as(path, mode).map_err(|e| RecordingError::hdf5(path, "open", &e))?;
        let foreign = |why: &str| RecordingError::Foreign { path: path.to_owned(), why: why.to_owned() };
        if file.attr("program").is_err() || file.attr("format").is_err() {
            return Err(foreign("an HDF5 file without our format number"));
        }
        if !text_attribute(path, &file, "program")?.starts_with("ramprig ") {
            return Err(foreign("an HDF5 file of another program"));
        }
        let format: u32 = attribute(path, &file, "format")?;
        if format > FORMAT {
            return Err(RecordingError::FutureFormat { path: path.to_owned(), found: format, known: FORMAT });
        }
        let form = match text_attribute(path, &file, "form")?.as_str() {
            "closed" => Form::Closed,
            "partial" => Form::Partial,
            other => return Err(RecordingError::damaged(path, "/@form", format!("unknown word `{other}`"))),
        };
        let entry = file.group(ENTRY).map_err(|e| RecordingError::damaged(path, "/entry", e.to_string()))?;
        Ok(Self { path: path.to_owned(), file, entry, form })
    }
}

/// What the first bytes say.
struct Superblock {
    /// Marked as being written, by a writer that lives or by one that was killed.
    being_written: bool,
    /// Not yet ready for readers.
    unready: bool,
}

impl Superblock {
    fn read(path: &Path) -> Result<Self, RecordingError> {
        let mut head = Vec::new();
        let found_bytes = std::fs::File::open(path)
            .and_then(|file| {
                let length = file.metadata()?.len();
                file.take(2 * USER_BLOCK_BYTES as u64).read_to_end(&mut head)?;
                Ok(length)
            })
            .map_err(|e| match e.kind() {
                ErrorKind::NotFound => RecordingError::NotFound { path: path.to_owned() },
                _ => RecordingError::io(path, "open", &e),
            })?;
        if found_bytes == 0 {
            return Err(RecordingError::Empty { path: path.to_owned() });
        }
        let place = [0, USER_BLOCK_BYTES].into_iter().find(|&at| head.get(at..at + 8) == Some(SIGNATURE.as_slice()));
        let Some(at) = place else {
            // Ours from its first bytes on, cut off before the HDF5 data.
            let least = USER_BLOCK_BYTES + SUPERBLOCK_BYTES;
            let known = head.len().min(integrity::TITLE.len());
            if head.len() < least && head[..known] == integrity::TITLE.as_bytes()[..known] {
                let expected_bytes = least as u64;
                return Err(RecordingError::Truncated { path: path.to_owned(), found_bytes, expected_bytes });
            }
            return Err(RecordingError::Foreign { path: path.to_owned(), why: "no HDF5 signature".into() });
        };
        Self::parse(&head[at..], at as u64, found_bytes).map_err(|expected_bytes| RecordingError::Truncated {
            path: path.to_owned(),
            found_bytes,
            expected_bytes,
        })
    }

    /// Superblock versions 2 and 3 (specification, "Disk Format: Level 0A"): version at byte 8, consistency flags at
    /// 11, base address at 12, end-of-file address at 28, 48 bytes in all. `Err` holds the length the file should have.
    fn parse(bytes: &[u8], before: u64, found_bytes: u64) -> Result<Self, u64> {
        let number = |at: usize| bytes.get(at..at + 8).and_then(|b| b.try_into().ok()).map(u64::from_le_bytes);
        let (Some(&version), Some(&flags), Some(end)) = (bytes.get(8), bytes.get(11), number(28)) else {
            return Err(before + SUPERBLOCK_BYTES as u64);
        };
        // Bit 0: open for writing; bit 2: by a SWMR writer. Version 2 has no such meaning.
        let being_written = version >= 3 && flags & 0b101 != 0;
        let unready = being_written && flags & 0b100 == 0;
        // While it is written the end stands ahead of the bytes for moments; other versions are the library's matter.
        // The library counts the end from the first byte of the file, a user block included.
        if (2..=3).contains(&version) && !being_written && found_bytes < end {
            return Err(end);
        }
        Ok(Self { being_written, unready })
    }
}
