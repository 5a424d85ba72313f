//! The pump control valve: one, at the pump's outlet, at a rig whose starters can tell a stop from a cut.

use super::Maps;
use crate::hydraulics::spec::ElementKind;
use crate::rig::file::{ElementEntry, RigFile};
use crate::rig::reader::Document;
use crate::rig::register_map::Role;

pub(super) fn check(document: &Document<'_>, file: &RigFile, maps: &Maps) {
    let mut valves = file.elements.iter().filter(|entry| entry.control.is_some());
    let Some(valve) = valves.next() else { return };
    for other in valves {
        let found = format!("a second control valve, first {:?} on line {}", valve.id.text, valve.spot.line);
        document.note(&other.spot, found, "one control valve: it belongs to the pump", None);
    }
    at_the_outlet(document, file, valve);
    no_empty_line(document, file);
    can_cut(document, file, maps);
}

/// Nothing with length stands between the pump and its control valve.
fn at_the_outlet(document: &Document<'_>, file: &RigFile, valve: &ElementEntry) {
    let Some(pump) = file.elements.iter().find(|entry| matches!(entry.kind, ElementKind::Pump(_))) else { return };
    let mut reached = vec![pump.to.text.as_str()];
    let fitting = |entry: &&ElementEntry| !matches!(entry.kind, ElementKind::Pump(_) | ElementKind::Pipe(_));
    for _ in &file.elements {
        for entry in file.elements.iter().filter(fitting).filter(|entry| entry.control.is_none()) {
            if reached.contains(&entry.from.text.as_str()) && !reached.contains(&entry.to.text.as_str()) {
                reached.push(&entry.to.text);
            }
        }
    }
    if !valve.from.text.is_empty() && !reached.contains(&valve.from.text.as_str()) {
        let found = format!("{:?}, where no fitting leads from the pump's outlet {:?}", valve.from.text, pump.to.text);
        let allowed = format!("the pump's outlet, or behind a fitting on it: {}", reached.join(", "));
        document.note(&valve.from.spot, found, allowed, None);
    }
}

/// The moving front of a filling line knows valves as they stand, not as they move.
fn no_empty_line(document: &Document<'_>, file: &RigFile) {
    for line_up in file.line_ups.iter().filter(|entry| entry.lines.is_some()) {
        let allowed = "a line-up without `line`: full, its air not followed";
        document.note(&line_up.spot, "lines with air beside a control valve", allowed, None);
    }
}

/// On a wire, a stop that lets the valve close first must be another order than a cut.
fn can_cut(document: &Document<'_>, file: &RigFile, maps: &Maps) {
    for starter in file.starters.iter().filter(|_| !file.identity.station) {
        if let Some(Some(map)) = maps.get(&starter.map.text)
            && !map.cia402
            && map.field(Role::Cut).is_none()
        {
            let found = format!("the map {:?}, which cannot tell a cut from a stop", map.name);
            document.note(&starter.map.spot, found, "beside a control valve: a map with the role cut", None);
        }
    }
}
