//! The side log of a recording: everything that is appended to it, once more, in the plainest form there is. HDF5 changes its
//! own structures in place; pages of them that reach the disk torn or in another order than they were written leave a file that
//! no library reads. The side log only grows: batch after batch, each on pages of its own that no later write touches, synced
//! before the same rows are committed in the `.partial`. From it [`super::recover`] makes the recording anew; whoever ends in
//! order removes it.
//!
//! | part | bytes |
//! |---|---|
//! | head of a batch | [`TITLE`], its number from 0, bytes of its records, [`check`] of them; numbers of 64 bits, little-endian |
//! | record | place of the dataset in the order of `schema` ([`IMAGE`]: the empty `.partial`), bytes a value (2: counts of 32 bits stored as 16), bytes, the bytes; filled up to 8 |
//! | rest | zeros up to the next [`PAGE`] |
//!
//! Batch 0 holds the `.partial` as it was made. A batch that is not whole ends the log: it was never promised.

use super::error::RecordingError;
use super::opened::options;
use super::raw::{append_rows, read_text_attribute};
use super::schema::{COMMITTED, ENTRY, ROWS_OF};
use hdf5::OpenMode;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// First bytes of every batch.
const TITLE: [u8; 8] = *b"sidelog1";
/// A batch begins at a multiple of this; no disk writes less than a part of it at once.
const PAGE: usize = 4_096;
const HEAD: usize = 32;
/// A record's head, and what records are filled up to.
const RECORD_HEAD: usize = 16;
const FILLED_TO: usize = 8;
/// Place of the empty `.partial`.
const IMAGE: u32 = u32::MAX;
/// Bytes a value: as stored, or counts that fit in 16 bits.
const AS_STORED: u32 = 0;
const NARROW: u32 = 2;

/// The log of a recording that is being made.
pub(super) struct SideLog {
    path: PathBuf,
    file: File,
    batch: Vec<u8>,
    number: u64,
    at_byte: u64,
}

impl SideLog {
    /// Make it, with the empty `.partial` in it, durable.
    pub fn create(path: &Path, image: &[u8]) -> Result<Self, RecordingError> {
        let fault = |e: &std::io::Error| RecordingError::io(path, "make the side log", e);
        let file = File::options().read(true).write(true).create_new(true).open(path).map_err(|e| match e.kind() {
            std::io::ErrorKind::AlreadyExists => RecordingError::Exists { path: path.to_owned() },
            _ => fault(&e),
        })?;
        let mut log = Self { path: path.to_owned(), file, batch: vec![0; HEAD], number: 0, at_byte: 0 };
        log.record(IMAGE, AS_STORED, image.len()).copy_from_slice(image);
        log.write().and_then(|()| log.file.sync_all()).map_err(|e| fault(&e))?;
        Ok(log)
    }

    /// Rows appended to the dataset at `place`, as stored.
    pub fn rows(&mut self, place: u32, bytes: &[u8]) {
        self.record(place, AS_STORED, bytes.len()).copy_from_slice(bytes);
    }

    /// Counts appended to it.
    pub fn counts(&mut self, place: u32, counts: &[i32]) {
        let beyond = counts.iter().fold(0, |beyond, &count| beyond | (count ^ i32::from(count as i16)));
        if beyond == 0 {
            let room = self.record(place, NARROW, counts.len() * size_of::<i16>());
            for (room, count) in room.as_chunks_mut().0.iter_mut().zip(counts) {
                *room = (*count as i16).to_le_bytes();
            }
        } else {
            let room = self.record(place, AS_STORED, size_of_val(counts));
            for (room, count) in room.as_chunks_mut().0.iter_mut().zip(counts) {
                *room = count.to_ne_bytes();
            }
        }
    }

    /// Room of a new record.
    fn record(&mut self, place: u32, width: u32, bytes: usize) -> &mut [u8] {
        self.batch.extend(place.to_le_bytes());
        self.batch.extend(width.to_le_bytes());
        self.batch.extend((bytes as u64).to_le_bytes());
        let from = self.batch.len();
        self.batch.resize(from + bytes.next_multiple_of(FILLED_TO), 0);
        &mut self.batch[from..from + bytes]
    }

    /// What was appended since the last time, with one call.
    fn write(&mut self) -> std::io::Result<()> {
        let (head, records) = self.batch.split_at_mut(HEAD);
        let numbers = [u64::from_le_bytes(TITLE), self.number, records.len() as u64, check(records)];
        for (room, number) in head.as_chunks_mut().0.iter_mut().zip(numbers) {
            *room = number.to_le_bytes();
        }
        self.batch.resize(self.batch.len().next_multiple_of(PAGE), 0);
        self.file.write_all_at(&self.batch, self.at_byte)?;
        self.at_byte += self.batch.len() as u64;
        self.number += 1;
        self.batch.truncate(HEAD);
        Ok(())
    }

    /// What was appended since the last time is on the disk.
    pub fn sync(&mut self) -> std::io::Result<()> {
        if self.batch.len() > HEAD {
            self.write()?;
            self.file.sync_data()?;
        }
        Ok(())
    }

    /// Remove it: the `.partial` is whole and on the disk.
    pub fn remove(self) -> Result<(), RecordingError> {
        remove(&self.path)
    }
}

/// Remove a log that nobody needs any more, if there is one.
pub(super) fn remove(path: &Path) -> Result<(), RecordingError> {
    match std::fs::remove_file(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(RecordingError::io(path, "remove", &e)),
        _ => Ok(()),
    }
}

/// A number that a torn batch does not have: the first eight bytes of its SHA-256. (No defence against anybody.)
fn check(bytes: &[u8]) -> u64 {
    let digest = Sha256::digest(bytes);
    digest.as_slice().first_chunk().map_or(0, |first| u64::from_le_bytes(*first))
}

/// Make the `.partial` anew at `to` from the log at `path`. `false`: there is none, or not even its first batch is whole.
pub(super) fn replay(path: &Path, to: &Path) -> Result<bool, RecordingError> {
    let mut batches = match File::open(path) {
        Ok(file) => Batches { file, number: 0, at_byte: 0 },
        Err(_) => return Ok(false),
    };
    let first = batches.next();
    let Some(image) = first.as_deref().and_then(|batch| Records(batch).find(|record| record.place == IMAGE)) else {
        return Ok(false);
    };
    std::fs::write(to, image.bytes).map_err(|e| RecordingError::io(to, "make anew", &e))?;
    drop(first);
    let fault = |e: hdf5::Error| RecordingError::hdf5(to, "make anew", &e);
    let file = options(|p| p.libver_latest()).open_as(to, OpenMode::ReadWrite).map_err(fault)?;
    let committed = file.dataset(&format!("/{ENTRY}/{COMMITTED}")).map_err(fault)?;
    let names = committed.attr(ROWS_OF).and_then(|names| read_text_attribute(&names)).map_err(fault)?;
    let datasets = names.split(' ').map(|name| file.dataset(name)).collect::<Result<Vec<_>, _>>().map_err(fault)?;
    for batch in batches {
        for record in Records(&batch) {
            let foreign = || RecordingError::damaged(path, "side log", "rows of a dataset that there is not");
            let dataset = datasets.get(record.place as usize).ok_or_else(foreign)?;
            append_rows(dataset, &record.as_stored()).map_err(fault)?;
        }
    }
    let sizes: Vec<u64> = datasets.iter().map(|dataset| dataset.size() as u64).collect();
    committed.write(&sizes).map_err(fault)?;
    drop((datasets, committed));
    file.close().map_err(fault)?;
    Ok(true)
}

/// Whole batches of a log, in order.
struct Batches {
    file: File,
    number: u64,
    at_byte: u64,
}

impl Iterator for Batches {
    type Item = Vec<u8>;

    fn next(&mut self) -> Option<Vec<u8>> {
        let mut head = [0; HEAD];
        self.file.read_exact_at(&mut head, self.at_byte).ok()?;
        let [title, number, bytes, sum] = std::array::from_fn(|k| u64::from_le_bytes(head.as_chunks().0[k]));
        let rest = self.file.metadata().ok()?.len().checked_sub(self.at_byte + HEAD as u64)?;
        if title != u64::from_le_bytes(TITLE) || number != self.number || bytes > rest {
            return None;
        }
        let mut records = vec![0; usize::try_from(bytes).ok()?];
        self.file.read_exact_at(&mut records, self.at_byte + HEAD as u64).ok()?;
        if check(&records) != sum {
            return None;
        }
        self.number += 1;
        self.at_byte += (HEAD as u64 + bytes).next_multiple_of(PAGE as u64);
        Some(records)
    }
}

struct Record<'a> {
    place: u32,
    width: u32,
    bytes: &'a [u8],
}

impl<'a> Record<'a> {
    fn as_stored(&self) -> std::borrow::Cow<'a, [u8]> {
        if self.width == NARROW {
            let counts = self.bytes.as_chunks().0.iter().map(|count| i32::from(i16::from_le_bytes(*count)));
            counts.flat_map(i32::to_ne_bytes).collect::<Vec<u8>>().into()
        } else {
            self.bytes.into()
        }
    }
}

/// Records of a batch.
struct Records<'a>(&'a [u8]);

impl<'a> Iterator for Records<'a> {
    type Item = Record<'a>;

    fn next(&mut self) -> Option<Record<'a>> {
        let (head, rest) = self.0.split_first_chunk::<RECORD_HEAD>()?;
        let words: [u32; 2] = std::array::from_fn(|k| u32::from_le_bytes(head.as_chunks().0[k]));
        let bytes = u64::from_le_bytes(head.as_chunks().0[1]) as usize;
        let record = Record { place: words[0], width: words[1], bytes: rest.get(..bytes)? };
        self.0 = rest.get(bytes.next_multiple_of(FILLED_TO)..).unwrap_or_default();
        Some(record)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn log(folder: &Path) -> SideLog {
        SideLog::create(&folder.join("x.sidelog"), b"image").unwrap()
    }

    fn found(path: &Path) -> Vec<(u32, Vec<u8>)> {
        let batches = Batches { file: File::open(path).unwrap(), number: 0, at_byte: 0 };
        let records = |batch: Vec<u8>| {
            Records(&batch).map(|record| (record.place, record.as_stored().into_owned())).collect::<Vec<_>>()
        };
        batches.flat_map(records).collect()
    }

    #[test]
    fn gives_back_what_was_appended_narrow_or_wide() {
        let folder = tempfile::tempdir().unwrap();
        let mut log = log(folder.path());
        log.counts(3, &[-32_768, 0, 32_767]);
        log.counts(3, &[-32_769, 1]);
        log.sync().unwrap();
        log.sync().unwrap();
        log.rows(7, b"abc");
        log.sync().unwrap();
        let counts = |of: &[i32]| of.iter().flat_map(|count| count.to_ne_bytes()).collect::<Vec<u8>>();
        let wanted = vec![
            (IMAGE, b"image".to_vec()),
            (3, counts(&[-32_768, 0, 32_767])),
            (3, counts(&[-32_769, 1])),
            (7, b"abc".to_vec()),
        ];
        assert_eq!(found(&log.path), wanted);
        assert_eq!(std::fs::metadata(&log.path).unwrap().len() as usize, 3 * PAGE, "a batch has pages of its own");
        let path = log.path.clone();
        log.remove().unwrap();
        assert!(!path.exists());
    }

    #[test]
    fn ends_at_the_first_batch_that_is_not_whole() {
        let folder = tempfile::tempdir().unwrap();
        let mut log = log(folder.path());
        for number in 0..3_u8 {
            log.rows(1, &[number; 5_000]);
            log.sync().unwrap();
        }
        let whole = std::fs::read(&log.path).unwrap();
        assert_eq!(found(&log.path).len(), 4);
        // Any sector of the second batch of rows that kept nothing, and any single changed byte in it.
        let second = PAGE + 2 * PAGE;
        for from in (second..second + HEAD + RECORD_HEAD + 5_000).step_by(512) {
            let mut torn = whole.clone();
            torn[from..from + 512].fill(0);
            std::fs::write(&log.path, &torn).unwrap();
            assert_eq!(found(&log.path).len(), 2, "sector at {from}");
            let mut changed = whole.clone();
            changed[from + 7] ^= 1;
            std::fs::write(&log.path, &changed).unwrap();
            assert_eq!(found(&log.path).len(), 2, "byte {}", from + 7);
        }
        for length in [0, 10, PAGE + 1, second + 40, whole.len() - PAGE - 1] {
            std::fs::write(&log.path, &whole[..length]).unwrap();
            assert!(found(&log.path).len() < 4, "{length} bytes");
        }
    }
}
