//! Starters and the transfer device: links, units, maps with the roles they need, settings within spans.

use super::{Maps, known};
use crate::rig::file::{RigFile, StarterEntry};
use crate::rig::reader::{Document, Spot};
use crate::rig::register_map::{RegisterMap, Role};
use crate::starters::{Settings, StarterKind};
use std::collections::BTreeMap;

pub(super) fn check(document: &Document<'_>, file: &RigFile, maps: &Maps) {
    if file.starters.is_empty() && !file.identity.logger {
        document.note(&file.identity.spot, "no starter", "at least one [[starter]]", None);
    }
    for device in &file.devices {
        known(document, &device.link, "link", file.links.iter().map(|link| link.id.text.as_str()));
        let map = maps.get(&device.map.text).and_then(Option::as_ref);
        // Who only listens cannot ask who is there.
        if let Some(map) = map.filter(|_| !file.identity.station) {
            need_role(document, &device.map.spot, map, Role::Identity);
        }
    }
    units(document, file);
    if file.identity.station {
        panels(document, file, maps);
        file.starters.iter().for_each(|starter| settings(document, starter));
        return;
    }
    let links = || file.links.iter().map(|link| link.id.text.as_str());
    for name in file.starters.iter().map(|entry| &entry.link).chain(file.transfer.iter().map(|entry| &entry.link)) {
        known(document, name, "link", links());
    }
    positions(document, file);
    panels(document, file, maps);
    for starter in &file.starters {
        settings(document, starter);
        if let Some(Some(map)) = maps.get(&starter.map.text) {
            roles(document, starter, map);
            raw_settings(document, starter, map);
        }
    }
    if let Some(transfer) = &file.transfer
        && let Some(Some(map)) = maps.get(&transfer.map.text)
    {
        for role in [Role::Identity, Role::TransferSelect, Role::TransferPosition] {
            need_role(document, &transfer.map.spot, map, role);
        }
    }
}

/// Settings of the starters' own panels.
fn panels(document: &Document<'_>, file: &RigFile, maps: &Maps) {
    let nodes = || file.elevations.iter().map(|(name, _)| name.text.as_str());
    for starter in &file.starters {
        if let Some(node) = &starter.panel.node {
            known(document, node, "node", nodes());
        }
        let map = maps.get(&starter.map.text).and_then(Option::as_ref);
        let written = map.is_some_and(|map| map.field(Role::SetPoint).is_some_and(|field| field.writable));
        if starter.panel.settings.set_point.is_some() && !file.identity.station && !written {
            let allowed = "a map with a writable set_point, or a station (a rig without links), which is predicted for and never run";
            document.note(&starter.spot, "a set point that no run can write", allowed, None);
        }
        if let Some(kind) = starter.kind
            && let Err(why) = starter.panel.settings.check(&starter.id.text, kind)
        {
            document.note(&starter.spot, why.to_string(), "settings that this kind of starter has", None);
        }
    }
}

fn units(document: &Document<'_>, file: &RigFile) {
    let wired = file.starters.iter().filter(|_| !file.identity.station);
    let starters = wired.map(|entry| (&entry.link.text, entry.unit, &entry.unit_spot));
    let transfer = file.transfer.iter().map(|entry| (&entry.link.text, entry.unit, &entry.unit_spot));
    let devices = file.devices.iter().map(|entry| (&entry.link.text, entry.unit, &entry.unit_spot));
    let mut seen: BTreeMap<(&str, u8), usize> = BTreeMap::new();
    for (link, unit, spot) in starters.chain(transfer).chain(devices) {
        let Some(unit) = unit else { continue };
        if let Some(line) = seen.insert((link, unit), spot.line) {
            document.note(
                spot,
                format!("unit {unit} on link {link:?} again, first on line {line}"),
                "a unit of its own",
                None,
            );
        }
    }
}

/// Starters that share the motor need a device that lets only one of them on.
fn positions(document: &Document<'_>, file: &RigFile) {
    if file.starters.len() > 1 && file.transfer.is_none() {
        let found = format!("{} starters on one motor without a transfer device", file.starters.len());
        document.note(&file.starters[1].spot, found, "a [transfer] that lets one starter on", None);
    }
    if file.transfer.is_none() {
        return;
    }
    let mut seen: BTreeMap<u16, usize> = BTreeMap::new();
    for starter in &file.starters {
        let Some(position) = starter.transfer_position else {
            let found = "no usable transfer_position, though starters share the motor";
            document.note(&starter.position_spot, found, "its position of the transfer device, 1 to 16", None);
            continue;
        };
        if let Some(line) = seen.insert(position, starter.position_spot.line) {
            let found = format!("transfer position {position} again, first on line {line}");
            document.note(&starter.position_spot, found, "a position of its own: no two starters may ever be on", None);
        }
    }
}

fn roles(document: &Document<'_>, starter: &StarterEntry, map: &RegisterMap) {
    let spot = &starter.map.spot;
    for role in [Role::Identity, Role::Heartbeat, Role::CommTimeout, Role::Fault, Role::Current] {
        need_role(document, spot, map, role);
    }
    let command = if map.cia402 { [Role::ControlWord, Role::StatusWord] } else { [Role::Run, Role::Running] };
    for role in command {
        need_role(document, spot, map, role);
    }
    if starter.kind == Some(StarterKind::VariableSpeed) {
        need_role(document, spot, map, Role::SpeedSetpoint);
    }
    // Where taking back `run` begins a ramp, nothing else can cut: a stop by a person would be a ramp called a cut.
    if !map.cia402 && starter.kind.is_some_and(|kind| kind != StarterKind::AcrossTheLine) {
        need_role(document, spot, map, Role::Cut);
    }
    if map.cia402 && starter.kind.is_some_and(|kind| kind != StarterKind::VariableSpeed) {
        document.note(
            spot,
            format!("the drive map {:?} on another kind of starter", map.name),
            "a map of its kind",
            None,
        );
    }
}

fn need_role(document: &Document<'_>, spot: &Spot, map: &RegisterMap, role: Role) {
    if map.field(role).is_none() {
        let found = format!("the map {:?}, which has no field for {}", map.name, role.name());
        document.note(spot, found, format!("a map with the role {}", role.name()), None);
    }
}

/// (key, role, value) of every setting that is there.
pub(crate) fn listed(settings: &Settings) -> Vec<(&'static str, Role, f64)> {
    let all = [
        ("ramp_up", Role::RampUp, settings.ramp_up_s),
        ("ramp_down", Role::RampDown, settings.ramp_down_s),
        ("initial_voltage", Role::InitialVoltage, settings.initial_voltage),
        ("current_limit", Role::CurrentLimit, settings.current_limit),
        ("speed", Role::SpeedSetpoint, settings.speed),
    ];
    all.into_iter().filter_map(|(key, role, value)| value.map(|value| (key, role, value))).collect()
}

/// (needed, possible) settings of a kind.
fn settings_of(kind: StarterKind) -> (&'static [&'static str], &'static [&'static str]) {
    match kind {
        StarterKind::AcrossTheLine => (&[], &[]),
        StarterKind::SoftStarter => (&["ramp_up", "initial_voltage"], &["ramp_down", "current_limit"]),
        StarterKind::VariableSpeed => (&["ramp_up", "ramp_down", "speed"], &["current_limit"]),
    }
}

fn settings(document: &Document<'_>, starter: &StarterEntry) {
    let Some(kind) = starter.kind else { return };
    let spot = |key: &str| Spot {
        key_path: format!("{}.{key}", starter.settings_spot.key_path),
        ..starter.settings_spot.clone()
    };
    let (needed, possible) = settings_of(kind);
    let given = listed(&starter.settings);
    for key in needed.iter().filter(|key| !given.iter().any(|(given, ..)| given == *key)) {
        document.note(
            &spot(key),
            "no usable value",
            format!("the setting {key}, which this kind of starter needs"),
            None,
        );
    }
    for (key, _, value) in &given {
        if !needed.contains(key) && !possible.contains(key) {
            document.note(&spot(key), format!("the setting {key}"), "a setting that this kind of starter has", None);
        }
        within_span(document, starter, key, *value, &spot(key));
    }
}

fn within_span(document: &Document<'_>, starter: &StarterEntry, key: &str, value: f64, spot: &Spot) {
    let Some(span) = &starter.allowed else { return };
    let end = |settings: &Settings| listed(settings).iter().find(|(listed, ..)| *listed == key).map(|(_, _, end)| *end);
    if let (Some(least), Some(most)) = (end(&span.least), end(&span.most))
        && !(least..=most).contains(&value)
    {
        document.note(spot, format!("{value}"), format!("from {least} to {most}, as `allowed` says"), None);
    }
}

fn has_setting(starter: &StarterEntry, key: &str) -> bool {
    let (needed, possible) = starter.kind.map(settings_of).unwrap_or_default();
    needed.contains(&key) || possible.contains(&key)
}

/// Every setting must have a register that can hold it.
fn raw_settings(document: &Document<'_>, starter: &StarterEntry, map: &RegisterMap) {
    let timeout = [("comm_timeout", Role::CommTimeout, starter.comm_timeout_s)];
    for (key, role, value) in
        listed(&starter.settings).into_iter().chain(timeout).filter(|(.., value)| value.is_finite())
    {
        let at = if role == Role::CommTimeout { &starter.spot } else { &starter.settings_spot };
        let spot = Spot { key_path: format!("{}.{key}", at.key_path), ..at.clone() };
        match map.field(role) {
            None if role == Role::CommTimeout || !has_setting(starter, key) => {}
            None => document.note(
                &spot,
                format!("a setting, though map {:?} has no {}", map.name, role.name()),
                "a map with that role",
                None,
            ),
            Some(field) if field.to_raw(value).is_none() => {
                let allowed = format!("what register {} of map {:?} can hold", field.address, map.name);
                document.note(&spot, format!("{value}"), allowed, None);
            }
            Some(_) => {}
        }
    }
}
