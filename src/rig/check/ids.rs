//! No id twice.

use crate::rig::file::RigFile;
use crate::rig::reader::{Document, Text};
use std::collections::BTreeMap;

pub(super) fn check(document: &Document<'_>, file: &RigFile) {
    unique(document, "element", file.elements.iter().map(|entry| &entry.id));
    unique(document, "line-up", file.line_ups.iter().map(|entry| &entry.id));
    let commanded = file.starters.iter().map(|entry| &entry.id).chain(file.transfer.iter().map(|entry| &entry.id));
    // A station's device may carry the name of the starter that stands for it in predictions.
    match file.identity.station {
        true => {
            unique(document, "starter", commanded);
            unique(document, "device", file.devices.iter().map(|entry| &entry.id));
        }
        false => unique(document, "starter", commanded.chain(file.devices.iter().map(|entry| &entry.id))),
    }
    unique(document, "link", file.links.iter().map(|entry| &entry.id));
    unique(document, "channel", file.channels.iter().map(|entry| &entry.id));
    unique(document, "permissive", file.permissives.iter().map(|entry| &entry.id));
    unique(document, "trip", file.trips.iter().map(|entry| &entry.id));
}

fn unique<'a>(document: &Document<'_>, what: &str, ids: impl Iterator<Item = &'a Text>) {
    let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
    for id in ids.filter(|id| !id.text.is_empty()) {
        if let Some(line) = seen.insert(&id.text, id.spot.line) {
            let found = format!("the id {:?} again, first on line {line}", id.text);
            document.note(&id.spot, found, format!("a {what} id of its own"), None);
        }
    }
}
