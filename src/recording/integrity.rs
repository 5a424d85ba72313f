//! Whether a closed recording is still what it was: a digest of each block of each dataset and of each object's
//! attributes, two roots over them, and, in the 512 bytes before the HDF5 data, the SHA-256 of every byte that follows.
//!
//! The root `recorded` covers what the run gave and is the same in a `.partial` and in the closed file made of it; the
//! root `derived` covers what closing added (times of rows, the small picture, results, counts of frames). Values are
//! digested as the library reads them, so neither compression nor the place in the file matters. Notes added later (see
//! `notes`) are in neither root, but have digests like all the rest.
//!
//! The user block is text. Unsigned, its last line is the SHA-256 of the lines above; signed, the key and its signature
//! of them.

use super::error::RecordingError;
use super::names::{Claim, RecordingPath, sync_folder};
use super::notes;
use super::opened::USER_BLOCK_BYTES;
use super::raw::{attribute_bytes, create_text, read_rows, read_text};
use super::reader::Recording;
use super::schema::{COMMITTED, ENTRY, HEADER, MADE, SAMPLES, TIME_AXIS, class};
use super::signature::{PublicKey, SecretKey};
use hdf5::{Dataset, File, Group, Location, Result as H5Result};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::OpenOptions;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

/// Group of the digests.
const GROUP: &str = "integrity";
/// Text of the digests, below it.
const TABLE: &str = "digests_json";
/// Rows digested together.
const BLOCK_ROWS: usize = 16_384;
/// Bytes of a file taken at a time.
const PIECE_BYTES: usize = 1 << 20;
/// First line of the user block.
pub(super) const TITLE: &str = "ramprig integrity 1";
/// Attributes that closing adds or changes.
const ADDED: &[&str] = &[
    "form",
    "default",
    "complete",
    "recovered",
    "frames",
    "frames_missing",
    "last_frame",
    "lost_at_most_s",
    "loss",
    "axes",
];
/// Attributes of the dimension-scale convention: references into the file, no content.
const SCALES: &[&str] = &["DIMENSION_LIST", "REFERENCE_LIST", "CLASS", "NAME"];

/// What is known of one object.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
struct ObjectDigest {
    /// Its attributes.
    attributes: String,
    /// Its attributes that closing added, if any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    added: Option<String>,
    /// Rows of a dataset.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rows: Option<u64>,
    /// Its blocks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    blocks: Vec<String>,
}

/// Digests of a whole recording by path.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Digests(BTreeMap<String, ObjectDigest>);

/// The two roots, hex.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Roots {
    /// Over what the run gave.
    pub recorded: String,
    /// Over what closing added.
    pub derived: String,
}

/// What became of the bytes of a closed file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Bytes {
    /// Every byte is as it was.
    Intact {
        /// Its roots.
        roots: Roots,
        /// The key by which it is signed, if it is. Whose key that is, the file cannot say.
        key: Option<PublicKey>,
    },
    /// At least one is not, here or in the user block itself.
    Changed,
    /// The file has no user block of ours: an older program made it, or it is still `.partial`.
    Unsealed,
}

/// Roots of a recording of either form, from its content.
///
/// # Errors
/// It cannot be read.
pub fn roots(path: &Path) -> Result<Roots, RecordingError> {
    let recording = Recording::open(path)?;
    let digests = digests(&recording).map_err(|e| RecordingError::hdf5(path, "digest", &e))?;
    Ok(digests.roots())
}

/// Compare every byte of a closed file with its user block; no HDF5 library is asked.
///
/// # Errors
/// It cannot be read.
pub fn verify_bytes(path: &Path) -> Result<Bytes, RecordingError> {
    let fault = |e: std::io::Error| match e.kind() {
        std::io::ErrorKind::NotFound => RecordingError::NotFound { path: path.to_owned() },
        _ => RecordingError::io(path, "read", &e),
    };
    let mut file = std::fs::File::open(path).map_err(fault)?;
    let mut head = vec![0; USER_BLOCK_BYTES];
    if file.read_exact(&mut head).is_err() || !resembles(&head) {
        return Ok(Bytes::Unsealed);
    }
    let after = digest_rest(&mut file).map_err(fault)?;
    let Some(block) = UserBlock::parse(&head) else { return Ok(Bytes::Changed) };
    // Written anew it must be the same to the last byte, padding included.
    let same = block.after == after && block.bytes() == head;
    Ok(if same { Bytes::Intact { roots: block.roots, key: block.signed.map(|(key, _)| key) } } else { Bytes::Changed })
}

/// A user block of ours, however damaged: most of the title is there, or the line of the first root.
fn resembles(head: &[u8]) -> bool {
    let alike = head.iter().zip(TITLE.as_bytes()).filter(|(a, b)| a == b).count();
    alike + 4 >= TITLE.len()
}

/// Find what changed in a closed file whose bytes differ: datasets with their rows, objects with their attributes, or
/// `outside the content`. The HDF5 library reads damaged structures here and may fail in any way; a caller that must
/// not fail with it runs this in a child process.
///
/// # Errors
/// The file cannot be opened as a recording at all.
pub fn verify_content(path: &Path) -> Result<Vec<String>, RecordingError> {
    let recording = Recording::open(path)?;
    let file = &recording.opened.file;
    let table_name = format!("/{ENTRY}/{GROUP}/{TABLE}");
    let text = file.dataset(&table_name).and_then(|dataset| read_text(&dataset)).unwrap_or_default();
    let known: Option<Digests> = serde_json::from_str(&text).ok();
    let block = std::fs::read(path).ok().and_then(|bytes| UserBlock::parse(bytes.get(..USER_BLOCK_BYTES)?));
    let sealed = |known: &Digests| block.as_ref().is_none_or(|block| block.roots == known.roots());
    let Some(known) = known.filter(sealed) else {
        return Ok(vec![format!("{table_name}: the digests themselves; no block can be named")]);
    };
    let mut places = Vec::new();
    for (object, expected) in &known.0 {
        places.extend(compare(&recording, object, expected));
    }
    let found = walk(file).unwrap_or_default();
    places.extend(found.iter().filter(|path| !known.0.contains_key(*path)).map(|path| format!("{path}: added")));
    if places.is_empty() {
        places.push("outside the content".to_owned());
    }
    Ok(places)
}

fn compare(recording: &Recording, object: &str, expected: &ObjectDigest) -> Vec<String> {
    let mut places = Vec::new();
    let file = &recording.opened.file;
    let attributes = location(file, object).and_then(|location| attribute_digests(&location));
    match attributes {
        Ok((own, added)) if own == expected.attributes && added == expected.added => {}
        _ => places.push(format!("{object}: attributes")),
    }
    let Some(rows) = expected.rows else { return places };
    let Ok(dataset) = file.dataset(object) else {
        places.push(format!("{object}: cannot be opened"));
        return places;
    };
    match content_rows(&dataset) {
        Ok(found) if found as u64 == rows => {}
        _ => places.push(format!("{object}: rows")),
    }
    for (block, expected) in expected.blocks.iter().enumerate() {
        let (first, count) = span_of(block, rows as usize);
        let same = content(&dataset, first, count).is_ok_and(|bytes| hash(&bytes) == *expected);
        if !same {
            places.push(match dataset.ndim() {
                0 => object.to_owned(),
                _ => format!("{object}: block {block}, rows {first} to {}", first + count.max(1) - 1),
            });
        }
    }
    places
}

/// Add the digests to a file that is otherwise whole; answers with the roots.
pub(super) fn write_digests(recording_path: &Path, file: &File) -> H5Result<Roots> {
    let mut digests = Digests::default();
    for object in walk(file)? {
        digests.0.insert(object.clone(), digest_of(file, &object, None)?);
    }
    let text = serde_json::to_string(&digests).map_err(|e| format!("{}: {e}", recording_path.display()))?;
    let group = class(file.group(ENTRY)?.create_group(GROUP)?, "NXcollection")?;
    create_text(&group, TABLE, &text)?;
    Ok(digests.roots())
}

/// Digest notes that were added to a closed file whose content is known to be as it was; answers with the roots, which
/// stay what they were.
pub(super) fn digest_notes(file: &File, notes: &str) -> H5Result<Roots> {
    let group = file.group(ENTRY)?.group(GROUP)?;
    let known = serde_json::from_str(&read_text(&group.dataset(TABLE)?)?);
    let mut digests: Digests = known.map_err(|e| format!("{TABLE}: {e}"))?;
    for object in walk(file)?.into_iter().filter(|object| object.starts_with(notes)) {
        digests.0.insert(object.clone(), digest_of(file, &object, None)?);
    }
    group.unlink(TABLE)?;
    let text = serde_json::to_string(&digests).map_err(|e| format!("{TABLE}: {e}"))?;
    create_text(&group, TABLE, &text)?;
    Ok(digests.roots())
}

/// Sign a closed file that is as it was; a signature by another key is replaced.
///
/// # Errors
/// It cannot be read or written, has no digest, or is not what it was.
pub fn sign(path: &Path, key: &SecretKey) -> Result<(), RecordingError> {
    on_a_copy(path, |copy, roots| seal(copy, roots.clone(), Some(key)))
}

/// Change a closed file that is as it was, in a copy that takes its place once it is whole: a crash leaves the old file
/// or the new one. The change is given the copy and the roots.
pub(super) fn on_a_copy<T>(
    path: &Path,
    change: impl FnOnce(&Path, &Roots) -> Result<T, RecordingError>,
) -> Result<T, RecordingError> {
    let _claim = Claim::of(path)?;
    let roots = intact(path)?;
    let copy = RecordingPath::of_closed(path).copy().to_owned();
    let made = std::fs::copy(path, &copy).map_err(|e| RecordingError::io(&copy, "copy", &e));
    let changed = made.and_then(|_| change(&copy, &roots)).and_then(|found| replace(&copy, path).map(|()| found));
    if changed.is_err() {
        // Left over it would do no harm; the next change writes over it.
        let _ = std::fs::remove_file(&copy);
    }
    changed
}

/// Roots of a closed file that is as it was.
fn intact(path: &Path) -> Result<Roots, RecordingError> {
    let not = |why: &str| RecordingError::NotIntact { path: path.to_owned(), why: why.to_owned() };
    match verify_bytes(path)? {
        Bytes::Intact { roots, .. } => Ok(roots),
        Bytes::Changed => Err(not("changed since it was closed")),
        Bytes::Unsealed => Err(not("has no digest to begin with: not closed, or closed by an older program")),
    }
}

/// Put a whole copy in the place of a closed file, so that at every moment one of the two is there.
fn replace(copy: &Path, path: &Path) -> Result<(), RecordingError> {
    let synced = std::fs::File::open(copy).and_then(|file| file.sync_all());
    synced.map_err(|e| RecordingError::io(copy, "sync", &e))?;
    std::fs::rename(copy, path).map_err(|e| RecordingError::io(path, "replace", &e))?;
    sync_folder(path)
}

/// The lines of the user block, of a file that has one.
pub(super) fn block_text(path: &Path) -> Option<String> {
    let mut head = vec![0; USER_BLOCK_BYTES];
    std::fs::File::open(path).and_then(|mut file| file.read_exact(&mut head)).ok()?;
    UserBlock::parse(&head).map(|block| block.lines())
}

/// Write the user block of a file that is closed and read back.
pub(super) fn seal(path: &Path, roots: Roots, key: Option<&SecretKey>) -> Result<(), RecordingError> {
    let fault = |e: std::io::Error| RecordingError::io(path, "seal", &e);
    let mut file = OpenOptions::new().read(true).write(true).open(path).map_err(fault)?;
    file.seek(SeekFrom::Start(USER_BLOCK_BYTES as u64)).map_err(fault)?;
    let after = digest_rest(&mut file).map_err(fault)?;
    file.seek(SeekFrom::Start(0)).map_err(fault)?;
    let mut block = UserBlock { after, roots, signed: None };
    if let Some(key) = key {
        block.signed = Some((key.public(), key.sign(block.lines().as_bytes())));
    }
    file.write_all(&block.bytes()).map_err(fault)
}

/// SHA-256 of everything from the present place on, hex.
fn digest_rest(file: &mut std::fs::File) -> std::io::Result<String> {
    let (mut hasher, mut piece) = (Sha256::new(), vec![0; PIECE_BYTES]);
    loop {
        let length = file.read(&mut piece)?;
        if length == 0 {
            return Ok(hex::encode(hasher.finalize()));
        }
        hasher.update(&piece[..length]);
    }
}

/// What stands in the user block.
struct UserBlock {
    after: String,
    roots: Roots,
    /// Key and signature.
    signed: Option<(PublicKey, String)>,
}

impl UserBlock {
    /// `None` also where it is signed, but not by the key it names.
    fn parse(head: &[u8]) -> Option<Self> {
        let end = head.iter().rposition(|&byte| byte != 0).map_or(0, |last| last + 1);
        let mut lines = std::str::from_utf8(&head[..end]).ok()?.lines();
        if lines.next()? != TITLE {
            return None;
        }
        let mut value = |name: &str| Some(lines.next()?.strip_prefix(name)?.trim().to_owned());
        let after = value("sha256 of all bytes after these 512:")?;
        let roots = Roots { recorded: value("root recorded:")?, derived: value("root derived:")? };
        let mut block = Self { after, roots, signed: None };
        if let Some(key) = lines.next()?.strip_prefix("ed25519 key:") {
            let (key, signature) = (PublicKey::parse(key.trim())?, lines.next()?.strip_prefix("signature:")?.trim());
            if !key.signed(block.lines().as_bytes(), signature) {
                return None;
            }
            block.signed = Some((key, signature.to_owned()));
        }
        Some(block)
    }

    /// What is signed.
    fn lines(&self) -> String {
        let Roots { recorded, derived } = &self.roots;
        format!(
            "{TITLE}\nsha256 of all bytes after these 512: {}\nroot recorded: {recorded}\nroot derived: {derived}\n",
            self.after
        )
    }

    fn bytes(&self) -> Vec<u8> {
        let lines = self.lines();
        let last = match &self.signed {
            Some((key, signature)) => format!("ed25519 key: {key}\nsignature: {signature}\n"),
            None => format!("sha256 of the lines above: {}\n", hash(lines.as_bytes())),
        };
        let mut bytes = (lines + &last).into_bytes();
        bytes.resize(USER_BLOCK_BYTES, 0);
        bytes
    }
}

impl Digests {
    fn roots(&self) -> Roots {
        let (mut recorded, mut derived) = (Sha256::new(), Sha256::new());
        for (object, digest) in self.0.iter().filter(|(object, _)| !notes::holds(object)) {
            let own = if is_derived(object) { &mut derived } else { &mut recorded };
            own.update(format!("{object} {} {:?} {}\n", digest.attributes, digest.rows, digest.blocks.join(" ")));
            if let Some(added) = &digest.added {
                derived.update(format!("{object} {added}\n"));
            }
        }
        Roots { recorded: hex::encode(recorded.finalize()), derived: hex::encode(derived.finalize()) }
    }
}

fn is_derived(object: &str) -> bool {
    let below = |name: &str| {
        let group = format!("/{ENTRY}/{name}");
        object == group || object.starts_with(&format!("{group}/"))
    };
    below(super::overview::GROUP) || below("results") || below(&format!("{SAMPLES}/{TIME_AXIS}"))
}

/// Digests of a recording of either form, as far as its rows count.
fn digests(recording: &Recording) -> H5Result<Digests> {
    let file = &recording.opened.file;
    let grown = recording.layout.datasets().into_iter();
    let mut rows: BTreeMap<String, usize> =
        grown.map(|dataset| (dataset.name(), recording.layout.rows(dataset))).collect();
    // Channels reach the disk one after another; rows count as far as every channel has them.
    for counts in &recording.layout.counts {
        rows.insert(counts.name(), recording.layout.whole_frames());
    }
    for (index, name) in [HEADER, MADE].into_iter().enumerate() {
        rows.insert(format!("/{ENTRY}/{name}"), recording.layout.document_bytes(index));
    }
    let mut digests = Digests::default();
    for object in walk(file)? {
        let digest = digest_of(file, &object, rows.get(&object).copied())?;
        digests.0.insert(object, digest);
    }
    Ok(digests)
}

/// Groups and datasets that hold content, by path; the root is `/`.
fn walk(file: &File) -> H5Result<Vec<String>> {
    let mut found = vec!["/".to_owned()];
    descend(&file.group("/")?, &mut found)?;
    let skipped = [format!("/{ENTRY}/{GROUP}"), format!("/{ENTRY}/{COMMITTED}")];
    found.retain(|path| !skipped.iter().any(|skip| path == skip || path.starts_with(&format!("{skip}/"))));
    found.sort();
    Ok(found)
}

fn descend(group: &Group, found: &mut Vec<String>) -> H5Result<()> {
    for below in group.groups()? {
        found.push(below.name());
        descend(&below, found)?;
    }
    found.extend(group.datasets()?.iter().map(|dataset| dataset.name()));
    Ok(())
}

fn location(file: &File, object: &str) -> H5Result<Location> {
    match file.dataset(object) {
        Ok(dataset) => Ok((**dataset).clone()),
        Err(_) => Ok((*file.group(object)?).clone()),
    }
}

fn digest_of(file: &File, object: &str, rows: Option<usize>) -> H5Result<ObjectDigest> {
    let (attributes, added) = attribute_digests(&location(file, object)?)?;
    let Ok(dataset) = file.dataset(object) else {
        return Ok(ObjectDigest { attributes, added, ..ObjectDigest::default() });
    };
    let rows = content_rows(&dataset)?.min(rows.unwrap_or(usize::MAX));
    let blocks = (0..rows.div_ceil(BLOCK_ROWS)).map(|block| {
        let (first, count) = span_of(block, rows);
        content(&dataset, first, count).map(|bytes| hash(&bytes))
    });
    Ok(ObjectDigest { attributes, added, rows: Some(rows as u64), blocks: blocks.collect::<H5Result<_>>()? })
}

fn span_of(block: usize, rows: usize) -> (usize, usize) {
    let first = block * BLOCK_ROWS;
    (first, BLOCK_ROWS.min(rows.saturating_sub(first)))
}

/// Rows of a table or bytes of a text: a text that grows as bytes while recording is the same content once closed.
fn content_rows(dataset: &Dataset) -> H5Result<usize> {
    if dataset.ndim() == 0 { Ok(read_text(dataset)?.len()) } else { Ok(dataset.size()) }
}

fn content(dataset: &Dataset, first: usize, count: usize) -> H5Result<Vec<u8>> {
    if dataset.ndim() > 0 {
        return read_rows(dataset, first, count);
    }
    let text = read_text(dataset)?;
    text.as_bytes().get(first..first + count).map(<[u8]>::to_vec).ok_or_else(|| "text is shorter".into())
}

/// Digest of the attributes, and of those that closing added.
fn attribute_digests(at: &Location) -> H5Result<(String, Option<String>)> {
    let mut names = at.attr_names()?;
    names.sort();
    let (mut own, mut added, mut any_added) = (Sha256::new(), Sha256::new(), false);
    for name in names.iter().filter(|name| !SCALES.contains(&name.as_str())) {
        let is_added = ADDED.contains(&name.as_str());
        any_added |= is_added;
        let hasher = if is_added { &mut added } else { &mut own };
        let bytes = attribute_bytes(&at.attr(name)?)?;
        hasher.update((name.len() as u64).to_le_bytes());
        hasher.update(name);
        hasher.update((bytes.len() as u64).to_le_bytes());
        hasher.update(bytes);
    }
    Ok((hex::encode(own.finalize()), any_added.then(|| hex::encode(added.finalize()))))
}

fn hash(bytes: &[u8]) -> String {
    hex::encode(Sha256::digest(bytes))
}
