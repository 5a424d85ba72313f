//! Trips and permissives: the ones that no rig may be without, names that exist.

use super::{Maps, known};
use crate::rig::chain::Coupling;
use crate::rig::file::{ConditionEntry, RigFile};
use crate::rig::model::{Quantity, Rig, Trip, TripCause};
use crate::rig::reader::{Document, Spot};
use crate::rig::register_map::Role;

pub(super) fn check(document: &Document<'_>, file: &RigFile, maps: &Maps) {
    let channels = || file.channels.iter().map(|channel| channel.id.text.as_str());
    for trip in &file.trips {
        if let Some(channel) = &trip.channel {
            known(document, channel, "channel", channels());
        }
    }
    if !file.identity.station {
        needed_trips(document, file);
    }
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

/// A limit above the rating of a part beside its sensor would act when that part is already past its rating (needs a
/// compiled rig).
pub(in crate::rig) fn trips_protect(document: &Document<'_>, rig: &Rig, trip_spots: &[Spot]) {
    for (trip, spot) in rig.trips.iter().zip(trip_spots) {
        can_see(document, rig, trip, spot);
        let (Some(above_pa), Some((element, rated_pa))) = (trip.above, weakest_beside(rig, trip)) else { continue };
        if above_pa > rated_pa {
            let found =
                format!("a limit of {:.2} barg beside {element}, rated {:.2} barg", above_pa / 1e5, rated_pa / 1e5);
            let spot = Spot { key_path: format!("{}.above", spot.key_path), ..spot.clone() };
            document.note(&spot, found, format!("at most {:.2} barg", rated_pa / 1e5), None);
        }
    }
}

/// A limit that its channel can never show protects nothing.
fn can_see(document: &Document<'_>, rig: &Rig, trip: &Trip, spot: &Spot) {
    let Some(channel) = trip.channel.and_then(|index| rig.channels.get(index)) else { return };
    let (low, high) = channel.chain.measurable(channel.range);
    let sees = |limit: f64| low < limit && limit < high;
    for (key, limit) in [("above", trip.above), ("below", trip.below)] {
        if let Some(limit) = limit.filter(|limit| !sees(*limit)) {
            let at = Spot { key_path: format!("{}.{key}", spot.key_path), ..spot.clone() };
            let found = format!("a limit of {limit} where channel {} shows {low} to {high} (SI)", channel.id);
            document.note(&at, found, "a limit within what the channel can show", None);
        }
    }
    if matches!(channel.chain.coupling, Coupling::Ac { .. }) {
        let found = format!("a limit on channel {}, which is AC-coupled and forgets a steady value", channel.id);
        document.note(spot, found, "a DC-coupled channel", None);
    }
    if channel.quantity == Quantity::CurrentWave && (trip.below.is_some() || trip.debounce_s > 0.0) {
        let found =
            format!("a limit from below, or a debounce, on channel {}, which passes zero twice a cycle", channel.id);
        document.note(spot, found, "above, without a debounce: it acts on the crest", None);
    }
}

/// The weakest element that a pressure trip's channel touches, with its rating, Pa gauge.
fn weakest_beside<'r>(rig: &'r Rig, trip: &Trip) -> Option<(&'r str, f64)> {
    let place = rig.channels.get(trip.channel?)?.place?;
    let beside = rig.rated_beside(place).map(|(element, rating)| (element, rating.max_gauge_pa));
    beside.min_by(|a, b| a.1.total_cmp(&b.1))
}
