//! Closing: a `.partial` becomes a compact file that any HDF5 program reads. A separate step after the run, slow and
//! without a hurry; killed at any point and run again, it gives the same file.
//!
//! 1. copy everything into `X.h5.closing` (shuffle + deflate), add what is derived;
//! 2. read back and compare every row with the `.partial`; write the digest of every byte before it all;
//! 3. sync, rename to `X.h5` (never over a file), sync the folder;
//! 4. only then remove the `.partial`.

use super::description::{put, read_description};
use super::error::RecordingError;
use super::integrity;
use super::names::{Claim, RecordingPath, rename_to_new, sync_folder};
use super::opened::{Opened, USER_BLOCK_BYTES, options};
use super::overview::{PIECE, write_overview, write_time_axis};
use super::raw::{append_rows, create_text, create_text_attribute, read_rows};
use super::reader::Recording;
use super::schema::{ENTRY, Form, HEADER, Layout, MADE, class};
use super::side_log;
use super::span::{frame_range, frames_lost};
use crate::comparison::evaluate::evaluate;
use crate::comparison::summary::summary;
use hdf5::{Dataset, File, Result as H5Result};
use std::path::{Path, PathBuf};

/// Most that is lost when a process is killed while the computer goes on, s of wall time.
pub const LOST_AT_MOST_S: f64 = 0.3;

/// Most samples that results are reckoned from while closing: they lie in memory several times, 8 bytes each.
const MOST_SAMPLES: u64 = 30_000_000;

/// Close `X.h5.partial` into `X.h5`; answers with its path. Results are stored as derived data: `results_json` if given, else
/// the figures that [`crate::comparison::summary`] makes of the recording.
///
/// A file without its end mark (the run was cut off) is closed too and says so; [`super::recover`] is meant for it and does
/// it where a side log is left.
///
/// # Errors
/// The `.partial` is in use, is not a recording, or reads back different; it is then still there.
pub fn close(partial: &Path, results_json: Option<&str>) -> Result<PathBuf, RecordingError> {
    let names = RecordingPath::of_partial(partial)?;
    match (names.partial().exists(), names.closed().exists()) {
        (false, true) => already_closed(&names),
        (false, false) => Err(RecordingError::NotFound { path: partial.to_owned() }),
        // Its writer did not end in order, and what it left beside is the surer source.
        (true, false) if names.side_log().exists() => super::recover(partial).map(|recovered| recovered.path),
        (true, both) => {
            let _claim = Claim::of(names.partial())?;
            if both {
                same_recording(names.partial(), names.closed())?;
            } else {
                compact(names.partial(), names.closing(), results_json)?;
                publish(&names)?;
            }
            remove(names.partial())?;
            side_log::remove(names.side_log())?;
            Ok(names.closed().to_owned())
        }
    }
}

fn already_closed(names: &RecordingPath) -> Result<PathBuf, RecordingError> {
    let opened = Opened::open(names.closed())?;
    read_description(names.closed(), &opened.entry)?;
    side_log::remove(names.side_log())?;
    Ok(names.closed().to_owned())
}

/// Sync `X.h5.closing` and give it its final name.
pub(super) fn publish(names: &RecordingPath) -> Result<(), RecordingError> {
    std::fs::File::open(names.closing())
        .and_then(|file| file.sync_all())
        .map_err(|e| RecordingError::io(names.closing(), "sync", &e))?;
    rename_to_new(names.closing(), names.closed())?;
    sync_folder(names.closed())
}

/// Remove a file whose content is safe elsewhere.
pub(super) fn remove(path: &Path) -> Result<(), RecordingError> {
    std::fs::remove_file(path).map_err(|e| RecordingError::io(path, "remove", &e))?;
    sync_folder(path)
}

/// Make the compact copy `to` of the recording `from` and read it back.
pub(super) fn compact(from: &Path, to: &Path, results_json: Option<&str>) -> Result<(), RecordingError> {
    let source = Recording::open(from)?;
    if source.opened.form == Form::Closed {
        return Err(RecordingError::damaged(from, "/@form", "is closed already"));
    }
    if let Err(error) = std::fs::remove_file(to)
        && error.kind() != std::io::ErrorKind::NotFound
    {
        return Err(RecordingError::io(to, "remove", &error));
    }
    let texts = [(HEADER, source.document(HEADER)?), (MADE, source.document(MADE)?)];
    let complete = source.end()?.is_some();
    let figures = Figures::of(&source, from);
    let mut form = options(|p| p.libver_v18());
    let written = form.with_fcpl(|p| p.userblock(USER_BLOCK_BYTES as u64)).create(to).and_then(|file| {
        let layout = Layout::create(&file, &source.description, Form::Closed)?;
        copy_rows(&source, &layout)?;
        let entry = file.group(ENTRY)?;
        for (name, text) in &texts {
            create_text(&entry, name, text.as_deref().unwrap_or(""))?;
        }
        write_time_axis(&file, &layout, &source.description, &source.spans)?;
        write_overview(&file, &layout, &source.description, &source.spans)?;
        write_outcome(&file, &source, complete)?;
        let results = class(entry.create_group("results")?, "NXcollection")?;
        create_text(&results, "results_json", results_json.unwrap_or(&figures.json))?;
        put(&results, "alignment_u_s", figures.alignment_u_s)?;
        drop(layout);
        let roots = integrity::write_digests(to, &file)?;
        file.close()?;
        Ok(roots)
    });
    let roots = written.map_err(|e| RecordingError::hdf5(to, "make the closed file", &e))?;
    same_recording(from, to)?;
    integrity::seal(to, roots, None)
}

/// What is reckoned from a recording when it is closed.
struct Figures {
    json: String,
    /// Largest standard uncertainty of a start's time zero, s; NaN: not known.
    alignment_u_s: f64,
}

impl Figures {
    /// Never keeps a recording from being closed: what cannot be reckoned is said.
    fn of(source: &Recording, from: &Path) -> Self {
        let without = |why: String| Self {
            json: serde_json::json!({ "not_reckoned": why }).to_string(),
            alignment_u_s: f64::NAN,
        };
        let samples = source.frames() * source.description.channels.len() as u64;
        if samples > MOST_SAMPLES {
            return without(format!("{samples} samples, more than {MOST_SAMPLES}; try: ramprig show"));
        }
        match super::reader::read(from) {
            Err(error) => without(error.to_string()),
            Ok(run) => {
                let mut found = summary(&evaluate(&run));
                // The file may be moved; its figures do not say where it once lay.
                found.recording.clear();
                let alignment_u_s = found.alignment_u_s.unwrap_or(f64::NAN);
                match serde_json::to_string(&found) {
                    Ok(json) => Self { json, alignment_u_s },
                    Err(error) => without(error.to_string()),
                }
            }
        }
    }
}

/// What the closed file says of how it came to be.
fn write_outcome(file: &File, source: &Recording, complete: bool) -> H5Result<()> {
    let entry = file.group(ENTRY)?;
    let range = frame_range(&source.spans);
    put(&entry, "complete", complete)?;
    put(&entry, "recovered", !complete)?;
    put(&entry, "frames", source.frames())?;
    put(&entry, "frames_missing", frames_lost(&source.spans))?;
    if complete {
        return Ok(());
    }
    let last = range.end.saturating_sub(1);
    put(&entry, "last_frame", last)?;
    put(&entry, "lost_at_most_s", LOST_AT_MOST_S)?;
    let last_s = last as f64 / source.description.rate_hz;
    let loss = format!(
        "the recording was cut off after frame {last} ({last_s} s of rig time); how much followed is unknown: at most \
         {LOST_AT_MOST_S} s of wall time if only the program was killed"
    );
    create_text_attribute(&entry, "loss", &loss)
}

/// Copy every growing dataset; counts only as far as every channel has them.
fn copy_rows(source: &Recording, to: &Layout) -> H5Result<()> {
    for (from, to, rows) in pairs(source, to) {
        for first in (0..rows).step_by(PIECE) {
            append_rows(to, &read_rows(from, first, PIECE.min(rows - first))?)?;
        }
    }
    Ok(())
}

/// Datasets of two recordings side by side, with the rows that count.
fn pairs<'a>(source: &'a Recording, to: &'a Layout) -> Vec<(&'a Dataset, &'a Dataset, usize)> {
    let whole = source.frames() as usize;
    let channels = source.layout.counts.len();
    let sources = source.layout.datasets().into_iter().enumerate();
    sources
        .zip(to.datasets())
        .map(|((index, from), to)| (from, to, if index < channels { whole } else { source.layout.rows(from) }))
        .collect()
}

/// Check that `copy` holds all that `original` recorded, row for row and byte for byte.
fn same_recording(original: &Path, copy: &Path) -> Result<(), RecordingError> {
    let (source, found) = (Recording::open(original)?, Recording::open(copy)?);
    let differs = |item: String| Err(RecordingError::ReadBack { path: copy.to_owned(), item });
    if format!("{:?}", source.description) != format!("{:?}", found.description) {
        return differs("description".into());
    }
    for name in [HEADER, MADE] {
        if source.document(name)? != found.document(name)? {
            return differs(format!("/{ENTRY}/{name}"));
        }
    }
    for (from, to, rows) in pairs(&source, &found.layout) {
        if to.size() != rows {
            return differs(to.name());
        }
        for first in (0..rows).step_by(PIECE) {
            let count = PIECE.min(rows - first);
            let bytes = |dataset: &Dataset, path: &Path| {
                read_rows(dataset, first, count)
                    .map_err(|e| RecordingError::damaged(path, &dataset.name(), e.to_string()))
            };
            if bytes(from, original)? != bytes(to, copy)? {
                return differs(to.name());
            }
        }
    }
    Ok(())
}
