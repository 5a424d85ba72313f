//! Nodes that exist, a network in one piece, terminals, ratings.

use super::known;
use crate::hydraulics::spec::{ElementKind, Terminal};
use crate::rig::file::{ElementEntry, RigFile};
use crate::rig::reader::{Document, Text};
use std::collections::BTreeMap;

pub(super) fn check(document: &Document<'_>, file: &RigFile) {
    let nodes_known = names(document, file);
    terminals(document, file);
    for element in &file.elements {
        ends_differ(document, element);
    }
    if nodes_known {
        in_one_piece(document, file);
    }
    lengths(document, file);
    hose_ends(document, file);
}

/// Most lay-flat hoses at a node that the solver takes.
const HOSES_AT_NODE: usize = 2;

fn hose_ends(document: &Document<'_>, file: &RigFile) {
    let flat = |element: &&ElementEntry| matches!(&element.kind, ElementKind::Pipe(pipe) if pipe.lay_flat.is_some());
    for (node, _) in &file.elevations {
        let meets = |element: &&ElementEntry| element.from.text == node.text || element.to.text == node.text;
        let here: Vec<&ElementEntry> = file.elements.iter().filter(flat).filter(meets).collect();
        if let Some(third) = here.get(HOSES_AT_NODE) {
            let found = format!("{} lay-flat hoses that meet at {:?}", here.len(), node.text);
            document.note(&third.spot, found, "two at most; a short [[pipe]] between them is a manifold", None);
        }
    }
}

fn names(document: &Document<'_>, file: &RigFile) -> bool {
    let nodes = || file.elevations.iter().map(|(name, _)| name.text.as_str());
    let ends = file.elements.iter().flat_map(|element| [&element.from, &element.to]);
    let tanks = file.tanks.iter().map(|tank| &tank.node);
    let mut all_known = true;
    for name in ends.chain(tanks) {
        all_known &= known(document, name, "node", nodes());
    }
    all_known
}

fn ends_differ(document: &Document<'_>, element: &ElementEntry) {
    if !element.from.text.is_empty() && element.from.text == element.to.text {
        let found = format!("{:?}, where the element also begins", element.to.text);
        document.note(&element.to.spot, found, "two different ends", None);
    }
}

fn terminals(document: &Document<'_>, file: &RigFile) {
    let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
    for tank in file.tanks.iter().filter(|tank| !tank.node.text.is_empty()) {
        if let Some(line) = seen.insert(&tank.node.text, tank.spot.line) {
            let found = format!("a second tank or outlet at {:?}, first on line {line}", tank.node.text);
            document.note(&tank.node.spot, found, "one tank or outlet a node", None);
        }
        if let Terminal::Tank { level_m, .. } = tank.terminal
            && let Some((_, floor_m)) = file.elevations.iter().find(|(name, _)| name.text == tank.node.text)
            && level_m < *floor_m
        {
            let found = format!("a level of {level_m} m, below its node at {floor_m} m");
            document.note(&tank.spot, found, "a level at or above the node, so that the pipe end is under water", None);
        }
    }
    let splashes = || file.tanks.iter().filter_map(|tank| tank.splash.as_ref());
    if let (Some(first), Some(second)) = (splashes().next(), splashes().nth(1)) {
        let found = format!("a second return that splashes, first on line {}", first.spot.line);
        document.note(&second.spot, found, "one return that splashes beside the suction inlet", None);
    }
    let is_tank = |tank: &&crate::rig::file::TankEntry| matches!(tank.terminal, Terminal::Tank { .. });
    for into in file.tanks.iter().filter_map(|tank| tank.into.as_ref()) {
        known(document, into, "tank", file.tanks.iter().filter(is_tank).map(|tank| tank.node.text.as_str()));
    }
    if !file.tanks.iter().any(|tank| matches!(tank.terminal, Terminal::Tank { .. })) {
        let spot = file.identity.spot.clone();
        document.note(&spot, "no tank", "at least one [[tank]], which sets the water's level", None);
    }
}

/// Every element and every node must hang together, or no pressure is defined in the loose part.
fn in_one_piece(document: &Document<'_>, file: &RigFile) {
    let mut group: BTreeMap<&str, usize> =
        file.elevations.iter().enumerate().map(|(i, (name, _))| (name.text.as_str(), i)).collect();
    for element in &file.elements {
        let (Some(&from), Some(&to)) = (group.get(element.from.text.as_str()), group.get(element.to.text.as_str()))
        else {
            continue;
        };
        group.values_mut().filter(|number| **number == to).for_each(|number| *number = from);
    }
    let Some(home) = file.tanks.first().and_then(|tank| group.get(tank.node.text.as_str())).copied() else { return };
    for (name, _) in &file.elevations {
        if group.get(name.text.as_str()) != Some(&home) {
            loose(document, file, name);
        }
    }
}

fn loose(document: &Document<'_>, file: &RigFile, node: &Text) {
    let touched = file.elements.iter().any(|element| element.from.text == node.text || element.to.text == node.text);
    let found = if touched {
        format!("the node {:?} in a part that does not connect to {}", node.text, file.tanks[0].node.text)
    } else {
        format!("the node {:?}, which nothing touches", node.text)
    };
    document.note(&node.spot, found, "a network in one piece", None);
}

/// A pipe shorter than the rise between its ends cannot be laid.
fn lengths(document: &Document<'_>, file: &RigFile) {
    let height = |name: &Text| file.elevations.iter().find(|(node, _)| node.text == name.text).map(|(_, m)| *m);
    for element in &file.elements {
        let ElementKind::Pipe(pipe) = &element.kind else { continue };
        let (Some(from_m), Some(to_m)) = (height(&element.from), height(&element.to)) else { continue };
        let rise_m = (to_m - from_m).abs();
        if pipe.length_m < rise_m * (1.0 - 1e-9) {
            let found = format!("a length of {} m over a rise of {rise_m} m", pipe.length_m);
            document.note(&element.spot, found, "a length of at least the rise", None);
        }
    }
}
