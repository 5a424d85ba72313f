//! Trips and permissives: the ones that no rig may be without, names that exist.

use super::{Maps, known};
use crate::rig::file::{ConditionEntry, RigFile};
use crate::rig::model::TripCause;
use crate::rig::reader::Document;
use crate::rig::register_map::Role;

pub(super) fn check(document: &Document<'_>, file: &RigFile, maps: &Maps) {
    let channels = || file.channels.iter().map(|channel| channel.id.text.as_str());
    for trip in &file.trips {
        if let Some(channel) = &trip.channel {
            known(document, channel, "channel", channels());
        }
    }
    needed_trips(document, file);
    for permissive in &file.permissives {
        match &permissive.condition {
            Some(ConditionEntry::Channel(channel, ..)) => {
                known(document, channel, "channel", channels());
            }
            Some(ConditionEntry::Field(field, _)) => field_exists(document, file, maps, field),
            None => {}
        }
    }
}

/// A wire that may be lost needs a trip for its loss; water needs at least one limit.
fn needed_trips(document: &Document<'_>, file: &RigFile) {
    let needed = [
        (TripCause::Limit, "no limit trip", "at least one [[trip]] with cause = \"limit\""),
        (TripCause::StreamLost, "no trip for a lost sample stream", "a [[trip]] with cause = \"stream-lost\""),
        (TripCause::LinkLost, "no trip for a lost link", "a [[trip]] with cause = \"link-lost\""),
    ];
    let unreadable = file.trips.iter().any(|trip| trip.cause.is_none());
    for (cause, found, allowed) in needed {
        if !unreadable && !file.trips.iter().any(|trip| trip.cause == Some(cause)) {
            document.note(&file.identity.spot, found, allowed, None);
        }
    }
}

fn field_exists(document: &Document<'_>, file: &RigFile, maps: &Maps, field: &crate::rig::reader::Text) {
    let Some(transfer) = &file.transfer else {
        document.note(
            &field.spot,
            format!("the field {:?} without a [transfer] unit", field.text),
            "a [transfer] unit whose map has it",
            None,
        );
        return;
    };
    if let Some(Some(map)) = maps.get(&transfer.map.text) {
        let roles: Vec<&str> =
            Role::ALL.iter().filter(|role| map.field(**role).is_some()).map(|role| role.name()).collect();
        known(document, field, "field", roles.iter().copied());
    }
}
