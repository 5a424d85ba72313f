//! `[observe]` and `[[trigger]]`: names that exist, registers that the device has.

use super::{Maps, known};
use crate::rig::file::{RigFile, TriggerOnEntry};
use crate::rig::model::Quantity;
use crate::rig::reader::{Document, Text};
use crate::rig::register_map::Role;
use std::collections::BTreeMap;

pub(super) fn check(document: &Document<'_>, file: &RigFile, maps: &Maps) {
    let observe = &file.observe;
    if let Some(level) = &observe.level_channel {
        let pressures = file.channels.iter().filter(|channel| channel.quantity == Some(Quantity::GaugePressure));
        known(document, level, "pressure channel", pressures.map(|channel| channel.id.text.as_str()));
    }
    let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
    for trigger in &observe.triggers {
        if let Some(line) = seen.insert(&trigger.id.text, trigger.id.spot.line) {
            let found = format!("{:?} again, first on line {line}", trigger.id.text);
            document.note(&trigger.id.spot, found, "an id of its own", None);
        }
        match &trigger.on {
            Some(TriggerOnEntry::Level(channel, ..) | TriggerOnEntry::Slope(channel, ..)) => {
                known(document, channel, "channel", file.channels.iter().map(|channel| channel.id.text.as_str()));
            }
            Some(TriggerOnEntry::Field(device, field, _)) => register(document, file, maps, device, field),
            None => {}
        }
    }
}

fn register(document: &Document<'_>, file: &RigFile, maps: &Maps, device: &Text, field: &Text) {
    let devices = file.watched();
    if !known(document, device, "device that is looked at", devices.iter().map(|(id, _)| id.text.as_str())) {
        return;
    }
    let named = devices.iter().find(|(id, _)| id.text == device.text);
    let Some(map) = named.and_then(|(_, map)| maps.get(&map.text)?.as_ref()) else { return };
    let roles: Vec<&str> = map.fields.keys().map(|role| role.name()).collect();
    let has = Role::from_name(&field.text).is_some_and(|role| map.field(role).is_some());
    if !has {
        let hint = crate::rig::reader::nearest(&field.text, roles.iter().copied()).map(str::to_owned);
        let found = format!("the field {:?}, which map {} does not have", field.text, map.name);
        document.note(&field.spot, found, format!("a field of it: {}", roles.join(", ")), hint);
    }
}
