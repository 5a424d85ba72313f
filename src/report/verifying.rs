//! How a reader finds out whether the recordings are still what they were, and makes the figures anew.

use super::document::{Piece, Section, Table};
use crate::comparison::RunData;
use crate::recording::{Bytes, notes, verify_bytes};
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

/// Bytes read at a time.
const PIECE: usize = 1 << 16;

/// The section; recordings are looked at where they lie now.
pub(super) fn section(runs: &[RunData], names: &[String]) -> Section {
    let head = [
        "run",
        "recording",
        "as this report was made",
        "SHA-256 of the whole file",
        "root of what was recorded",
        "signed by",
    ];
    let rows = runs.iter().zip(names).map(|(run, name)| row(run, name)).collect();
    let files: Vec<&str> = runs.iter().map(|run| file_name(&run.path)).collect();
    let ways = vec![
        format!("with this program: ramprig verify {}", files.join(" ")),
        "without it: the first 512 bytes of a recording are text; their second line is the SHA-256 of every byte after them \
         (head -c 512 FILE; tail -c +513 FILE | sha256sum)"
            .to_owned(),
        "whose signature it is: ramprig verify --key KEY FILE, with the public key from its owner; a digest alone tells of \
         accidents, not of somebody who made the file anew"
            .to_owned(),
        format!("the figures: ramprig compare {0}; this page: ramprig report {0}; both start from the raw counts", files.join(" ")),
        "by other means: a recording is an HDF5 file; ramprig export gives plain tables".to_owned(),
    ];
    let mut pieces = vec![
        Piece::Table(Table { head: head.map(str::to_owned).to_vec(), rows }),
        Piece::Text("A recording is compared with what this table says, or with itself:".into()),
        Piece::Points(ways),
    ];
    let added: Vec<String> = runs.iter().zip(names).flat_map(|(run, name)| added(run, name)).collect();
    if !added.is_empty() {
        pieces.push(Piece::Text("Added after closing; what was recorded stays untouched:".into()));
        pieces.push(Piece::Points(added));
    }
    Section { heading: "How to verify".into(), pieces }
}

/// Notes on a recording, in words.
fn added(run: &RunData, name: &str) -> Vec<String> {
    match notes(Path::new(&run.path)) {
        Ok(found) => found.iter().map(|note| format!("{name}: {}", note.in_words())).collect(),
        Err(error) => vec![format!("{name}: notes are not read: {error}")],
    }
}

fn file_name(path: &str) -> &str {
    path.rsplit('/').next().unwrap_or(path)
}

fn row(run: &RunData, name: &str) -> Vec<String> {
    let path = Path::new(&run.path);
    let (state, root, key) = match verify_bytes(path) {
        Ok(Bytes::Intact { roots, key }) => {
            let key = key.map_or_else(|| "not signed".to_owned(), |key| key.to_string());
            ("as it was closed".to_owned(), roots.recorded, key)
        }
        Ok(Bytes::Changed) => ("CHANGED since it was closed".to_owned(), "-".to_owned(), "-".to_owned()),
        Ok(Bytes::Unsealed) => {
            ("not sealed: not closed, or closed by an older program".to_owned(), "-".to_owned(), "-".to_owned())
        }
        Err(error) => (error.to_string(), "-".to_owned(), "-".to_owned()),
    };
    let digest = digest(path).unwrap_or_else(|_| "-".to_owned());
    vec![name.to_owned(), file_name(&run.path).to_owned(), state, digest, root, key]
}

fn digest(path: &Path) -> io::Result<String> {
    let (mut file, mut hash, mut piece) = (File::open(path)?, Sha256::new(), vec![0; PIECE]);
    loop {
        match file.read(&mut piece)? {
            0 => return Ok(hex::encode(hash.finalize())),
            read => hash.update(&piece[..read]),
        }
    }
}
