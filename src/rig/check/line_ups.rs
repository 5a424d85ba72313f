//! Line-ups set valves that exist, each once.

use super::known;
use crate::hydraulics::spec::{ElementKind, Terminal};
use crate::rig::file::{ElementEntry, LineUpEntry, RigFile};
use crate::rig::reader::Document;
use std::collections::BTreeMap;

pub(super) fn check(document: &Document<'_>, file: &RigFile) {
    if file.line_ups.is_empty() {
        document.note(&file.identity.spot, "no line-up", "at least one [[line_up]], which says how valves stand", None);
    }
    // A control valve is moved by its own controller, never by hand.
    let by_hand = |entry: &&ElementEntry| matches!(entry.kind, ElementKind::Valve(_)) && entry.control.is_none();
    let valves: Vec<&str> = file.elements.iter().filter(by_hand).map(|entry| entry.id.text.as_str()).collect();
    for line_up in &file.line_ups {
        for (valve, _) in &line_up.valves {
            known(document, valve, "valve", valves.iter().copied());
        }
        running(document, file, line_up);
        each_once(document, line_up);
        levels(document, file, line_up);
        all_set(document, line_up, &valves);
        can_prime(document, file, line_up);
    }
}

/// A line-up states levels of tanks that can move, up to their rim.
fn levels(document: &Document<'_>, file: &RigFile, line_up: &LineUpEntry) {
    let tanks = || file.tanks.iter().filter(|tank| matches!(tank.terminal, Terminal::Tank { .. }));
    for (name, stated_m) in &line_up.levels {
        known(document, name, "tank", tanks().map(|tank| tank.node.text.as_str()));
        let Some(tank) = tanks().find(|tank| tank.node.text == name.text) else { continue };
        let Terminal::Tank { area_m2, overflow_m, .. } = tank.terminal else { continue };
        if *stated_m > overflow_m {
            let found = format!("a level of {stated_m} m");
            document.note(&name.spot, found, format!("up to the overflow, {overflow_m} m"), None);
        }
        if area_m2.is_infinite() && tank.held_area_m2.is_none() {
            let allowed = "an area for this [[tank]], so that its level can move";
            document.note(
                &name.spot,
                format!("a level of tank {:?}, whose area is not known", name.text),
                allowed,
                None,
            );
        }
    }
}

/// Pumps that run are pumps beside the commanded one, and no line of theirs is followed as drained.
fn running(document: &Document<'_>, file: &RigFile, line_up: &LineUpEntry) {
    let pumps = || file.other_pumps.iter().map(|pump| pump.id.text.as_str());
    for name in &line_up.running {
        known(document, name, "pump of [[other_pump]]", pumps());
    }
    if let Some(pump) = pumps().next().filter(|_| line_up.lines.is_some()) {
        let found = format!("air is to be followed beside a second pump, {pump:?}");
        let allowed = "no line and no suction key: air is followed with one pump in the network";
        document.note(&line_up.spot, found, allowed, None);
    }
}

fn each_once(document: &Document<'_>, line_up: &LineUpEntry) {
    let mut seen: BTreeMap<&str, f64> = BTreeMap::new();
    for (valve, opening) in &line_up.valves {
        if let Some(before) = seen.insert(&valve.text, *opening) {
            let found = format!("valve {:?} set to {before} and to {opening}", valve.text);
            document.note(&valve.spot, found, "each valve once: open, closed or set", None);
        }
    }
}

/// An empty suction leg needs a pump that draws air.
fn can_prime(document: &Document<'_>, file: &RigFile, line_up: &LineUpEntry) {
    let drained = line_up.lines.is_some_and(|lines| lines.suction_drained);
    if drained && file.pump.self_priming.is_none() {
        let allowed = "suction = \"full\", or self_priming = { air_rate, vacuum, casing_air } in [pump]";
        document.note(&line_up.spot, "an empty suction leg at a pump that draws no air", allowed, None);
    }
}

/// A valve that a line-up leaves out stands as someone left it.
fn all_set(document: &Document<'_>, line_up: &LineUpEntry, valves: &[&str]) {
    for valve in valves.iter().filter(|valve| !valve.is_empty()) {
        if !line_up.valves.iter().any(|(set, _)| set.text == *valve) {
            let found = format!("no position for valve {valve:?}");
            document.note(&line_up.spot, found, "every valve in open, closed or set", None);
        }
    }
}
