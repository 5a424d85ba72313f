//! Trips and permissives: the ones that no rig may be without, names that exist.

use super::{Maps, known};
use crate::rig::chain::Coupling;
use crate::rig::file::{ConditionEntry, LineUpEntry, RigFile};
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
        priming(document, file);
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

/// A pump that draws its suction leg empty of air needs somebody, or something, that ends a start in vain; and line-ups that a
/// trip names exist.
fn priming(document: &Document<'_>, file: &RigFile) {
    let trips = || file.trips.iter().filter_map(|trip| trip.priming.as_ref());
    for name in trips().filter_map(|(_, _, named)| named.as_ref()).flatten() {
        known(document, name, "line-up", file.line_ups.iter().map(|line_up| line_up.id.text.as_str()));
    }
    let watched = |id: &str| {
        trips().any(|(_, _, named)| named.as_ref().is_none_or(|names| names.iter().any(|name| name.text == id)))
    };
    let primes = |line_up: &&LineUpEntry| line_up.lines.is_some_and(|lines| lines.suction_drained);
    let unread = file.trips.iter().any(|trip| trip.cause.is_none());
    for line_up in file.line_ups.iter().filter(primes).filter(|line_up| !unread && !watched(&line_up.id.text)) {
        let found =
            format!("line-up {:?} has the pump draw air, and no trip for a pump that does not prime", line_up.id.text);
        let allowed =
            "a [[trip]] with cause = \"not-primed\", channel, above (what it shows with a primed pump) and within";
        document.note(&line_up.spot, found, allowed, None);
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
