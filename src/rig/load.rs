//! The way in: text or path to a rig that cannot be wrong, or every problem at once.

use super::file::RigFile;
use super::maps::MapShelf;
use super::model::Rig;
use super::problem::{Problem, Problems};
use super::reader::{Document, Spot};
use super::{check, compile};
use std::path::Path;

/// The shipped rigs by name.
const SHIPPED: [(&str, &str); 7] = [
    ("terrace-bench", include_str!("../../rig-configs/terrace-bench.toml")),
    ("coil-loop", include_str!("../../rig-configs/coil-loop.toml")),
    ("rising-main", include_str!("../../rig-configs/rising-main.toml")),
    ("fill-bench", include_str!("../../rig-configs/fill-bench.toml")),
    ("guarded-main", include_str!("../../rig-configs/guarded-main.toml")),
    ("controlled-main", include_str!("../../rig-configs/controlled-main.toml")),
    ("lift-station", include_str!("../../rig-configs/lift-station.toml")),
];

/// Text of a shipped rig file (`terrace-bench`, `fill-bench`, `coil-loop`, `rising-main`, `guarded-main`,
/// `controlled-main`, `lift-station`).
pub fn shipped(name: &str) -> Option<&'static str> {
    SHIPPED.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}

/// Reads a rig file; register maps come from `maps/` beside it, then from the shipped ones.
///
/// Errors: every problem of the file and of the maps it names.
pub fn load(path: &Path) -> Result<Rig, Problems> {
    let file = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|why| unreadable(&file, &why))?;
    parse_with(&text, &file, &MapShelf::beside(path))
}

/// Reads a rig from text with the shipped maps; `file` is only for messages.
pub fn parse(text: &str, file: &str) -> Result<Rig, Problems> {
    parse_with(text, file, &MapShelf::shipped())
}

/// Reads a rig from text with the maps of a shelf.
pub fn parse_with(text: &str, file: &str, shelf: &MapShelf) -> Result<Rig, Problems> {
    let document = Document::parse(text, file)?;
    let entries = RigFile::read(&document);
    let maps = check::maps(&document, &entries, shelf);
    check::check(&document, &entries, &maps);
    let clean = document.problems().is_empty();
    if clean && let Some(rig) = compiled(&document, entries, &maps, text) {
        return Ok(rig);
    }
    Err(document.finish())
}

fn compiled(document: &Document<'_>, entries: RigFile, maps: &check::Maps, text: &str) -> Option<Rig> {
    let rig_spot = entries.identity.spot.clone();
    let element_spots: Vec<Spot> = entries.elements.iter().map(|entry| entry.spot.clone()).collect();
    let trip_spots: Vec<Spot> = entries.trips.iter().map(|entry| entry.spot.clone()).collect();
    let mut rig = compile::compile(entries, maps, text);
    if let Some(rig) = rig.as_mut().filter(|rig| !rig.logger) {
        super::derived::set_plateaus(rig);
    }
    match &rig {
        Some(rig) if rig.logger => {}
        Some(rig) => {
            check::strength(document, rig, &element_spots);
            // A rating too low for the pump makes every limit beside it look wrong as well: one mistake, one problem.
            if document.problems().is_empty() {
                check::trips_protect(document, rig, &trip_spots);
            }
            // A leg that boils makes every line-up look wrong as well.
            check::suction_lift(document, rig, &element_spots);
            check::time_step(document, rig, &rig_spot);
            if document.problems().is_empty() {
                check::at_rest(document, rig, &element_spots, &rig_spot);
            }
        }
        None => document.note(&rig_spot, "names that do not resolve though every check passed", "a rig", None),
    }
    let sound = document.problems().is_empty();
    rig.filter(|_| sound)
}

fn unreadable(file: &str, why: &std::io::Error) -> Problems {
    Problems(vec![Problem {
        key_path: "file".to_owned(),
        file: file.to_owned(),
        line: 1,
        column: 1,
        found: format!("a file that cannot be read: {why}"),
        allowed: "a readable rig file".to_owned(),
        hint: None,
    }])
}
