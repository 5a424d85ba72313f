//! Checks across sections: every problem, not the first. Each file looks at one thing; none changes anything.

mod channels;
mod control_valve;
mod guards;
mod ids;
mod line_ups;
mod links;
mod machine;
mod network;
mod observe;
mod starters;
mod time_step;

pub(super) use guards::trips_protect;
pub(super) use machine::{at_rest, suction_lift};
pub(super) use time_step::time_step;

use super::derived::shut_off;
use super::file::RigFile;
use super::maps::{MapShelf, parse_map};
use super::model::Rig;
use super::reader::{Document, Spot, Text};
use super::register_map::RegisterMap;
use std::collections::BTreeMap;

/// The maps that a rig file names; `None` for one that could not be read (noted already).
pub(super) type Maps = BTreeMap<String, Option<RegisterMap>>;

/// Runs every check; problems go to the document.
pub(super) fn check(document: &Document<'_>, file: &RigFile, maps: &Maps) {
    ids::check(document, file);
    if !file.identity.logger {
        network::check(document, file);
        line_ups::check(document, file);
        machine::check(document, file);
    }
    links::check(document, file);
    starters::check(document, file, maps);
    channels::check(document, file, maps);
    guards::check(document, file, maps);
    control_valve::check(document, file, maps);
    observe::check(document, file, maps);
}

/// Compares the highest standing pressure of every element with its rating (needs a compiled rig).
pub(super) fn strength(document: &Document<'_>, rig: &Rig, element_spots: &[Spot]) {
    for (figure, spot) in shut_off(rig).iter().zip(element_spots) {
        if figure.margin_pa() < 0.0 {
            let pressure_bar = figure.pressure_gauge_pa / 1e5;
            let found = format!(
                "a rated pressure of {:.2} barg under {pressure_bar:.2} barg of the shut-off head at top speed",
                figure.rated_gauge_pa / 1e5
            );
            let spot = Spot { key_path: format!("{}.max_pressure", spot.key_path), ..spot.clone() };
            document.note(&spot, found, format!("at least {pressure_bar:.2} barg"), None);
        }
    }
}

/// Reads every map that the rig names, once each.
pub(super) fn maps(document: &Document<'_>, file: &RigFile, shelf: &MapShelf) -> Maps {
    let commanded = file.starters.iter().map(|starter| &starter.map).chain(file.transfer.iter().map(|unit| &unit.map));
    let named = commanded.chain(file.devices.iter().map(|device| &device.map));
    let mut maps = Maps::new();
    for name in named.filter(|name| !name.text.is_empty()) {
        if !maps.contains_key(&name.text) {
            maps.insert(name.text.clone(), read_map(document, name, shelf));
        }
    }
    maps
}

fn read_map(document: &Document<'_>, name: &Text, shelf: &MapShelf) -> Option<RegisterMap> {
    let allowed = "a map in maps/ beside the rig file, or a shipped one: ".to_owned()
        + &super::maps::shipped_map_names().collect::<Vec<_>>().join(", ");
    match shelf.find(&name.text) {
        Ok(Some((file, text))) => match parse_map(&text, &file) {
            Ok(map) => Some(map),
            Err(problems) => {
                document.adopt(problems);
                None
            }
        },
        Ok(None) => {
            let hint = super::reader::nearest(&name.text, super::maps::shipped_map_names());
            document.note(&name.spot, format!("the unknown map {:?}", name.text), allowed, hint.map(str::to_owned));
            None
        }
        Err(why) => {
            document.note(&name.spot, format!("a map that cannot be read: {why}"), allowed, None);
            None
        }
    }
}

/// Notes a name that is not among the known ones; empty names are noted already. True when it is known.
fn known<'a>(document: &Document<'_>, name: &Text, what: &str, names: impl Iterator<Item = &'a str> + Clone) -> bool {
    if name.text.is_empty() {
        return false;
    }
    let mut seen = names.clone();
    if seen.any(|known| known == name.text) {
        return true;
    }
    let hint = super::reader::nearest(&name.text, names.clone()).map(str::to_owned);
    let all = names.filter(|name| !name.is_empty()).collect::<Vec<_>>().join(", ");
    let allowed = if all.is_empty() { format!("the id of a {what}") } else { format!("a {what}: {all}") };
    document.note(&name.spot, format!("the unknown {what} {:?}", name.text), allowed, hint);
    false
}
