//! Links: addresses of their own, stop delay within the budget.

use crate::rig::derived::worst_stop_delay_s;
use crate::rig::file::{LinkEntry, RigFile};
use crate::rig::reader::Document;
use crate::rig::serial_line::SerialLine;
use std::collections::BTreeMap;

pub(super) fn check(document: &Document<'_>, file: &RigFile) {
    if file.identity.station {
        of_a_station(document, file);
    } else if file.links.is_empty() {
        document.note(&file.identity.spot, "no link", "at least one [[link]]", None);
    }
    let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
    let wires = file.links.iter().map(|link| &link.address).chain([&file.source.address]);
    for address in wires.filter(|address| !address.text.is_empty()) {
        if let Some(line) = seen.insert(&address.text, address.spot.line) {
            let found = format!("{:?} again, first on line {line}", address.text);
            document.note(&address.spot, found, "an address of its own", None);
        }
    }
    for link in file.links.iter().filter(|_| !file.identity.station) {
        if let Some(line) = &link.serial {
            hold(document, link, line);
        }
        let neighbours = units_on(file, &link.id.text) > 1;
        let worst_s = worst_stop_delay_s(link.timeout_s, link.second_stop_connection, neighbours, link.serial.as_ref());
        if worst_s > file.identity.stop_delay_budget_s {
            let found = format!("a worst stop delay of {:.0} ms", worst_s * 1e3);
            let allowed = format!("at most the rig's budget of {:.0} ms", file.identity.stop_delay_budget_s * 1e3);
            let hint = match link.serial {
                Some(_) => "a shorter timeout, a higher rate, or a shorter max_hold".to_owned(),
                None => "a shorter timeout, or second_stop_connection = true".to_owned(),
            };
            document.note(&link.spot, found, allowed, Some(hint));
        }
        connections(document, link);
        if link.heartbeat_s >= link_shortest_timeout_s(file, &link.id.text) / 2.0 {
            let found = format!("a heartbeat every {:.0} ms", link.heartbeat_s * 1e3);
            let allowed =
                "less than half of the shortest comm_timeout on the link, so that one lost beat stops nothing";
            document.note(&link.spot, found, allowed, None);
        }
    }
}

/// The device must serve what we open: one connection, and one more that is kept for stops.
fn connections(document: &Document<'_>, link: &LinkEntry) {
    let ours = 1 + u32::from(link.second_stop_connection);
    if link.connection_limit.is_some_and(|limit| limit < ours) {
        let found =
            format!("a connection limit of {} with {ours} connections of our own", link.connection_limit.unwrap_or(0));
        let hint = "no second_stop_connection, at the price of a longer stop delay".to_owned();
        document.note(&link.spot, found, format!("at least {ours}"), Some(hint));
    }
}

/// Nothing of a station is commanded: its links lead to devices that are looked at.
fn of_a_station(document: &Document<'_>, file: &RigFile) {
    if let Some(transfer) = &file.transfer {
        document.note(&transfer.spot, "a transfer device of a station", "no [transfer], or no station = true", None);
    }
    for link in &file.links {
        if !file.devices.iter().any(|device| device.link.text == link.id.text) {
            let allowed = "a [[device]] on every [[link]] of a station";
            document.note(&link.spot, "a link of a station on which nothing is looked at", allowed, None);
        }
        if link.second_stop_connection {
            document.note(&link.spot, "second_stop_connection on a station", "no stops: nothing is commanded", None);
        }
    }
    if file.identity.logger && file.source.spot.is_none() {
        let allowed = "a [source] to watch, or [pump], [motor] and pipes to predict with";
        document.note(&file.identity.spot, "a station without pump and without source", allowed, None);
    }
}

/// At least one register must fit into the time that a transaction may hold the line.
fn hold(document: &Document<'_>, link: &LinkEntry, line: &SerialLine) {
    if line.most_data_bytes() == 0 {
        let found = format!("max_hold of {:.1} ms", line.max_hold_s * 1e3);
        let allowed = format!(
            "at least the {:.1} ms that a read of one register takes at {} bit/s",
            line.read_hold_s(2) * 1e3,
            line.rate_baud
        );
        document.note(&link.spot, found, allowed, Some("a higher rate, or a longer max_hold".to_owned()));
    }
}

/// Devices on a link.
fn units_on(file: &RigFile, link: &str) -> usize {
    let starters = file.starters.iter().filter(|starter| starter.link.text == link).count();
    let devices = file.devices.iter().filter(|device| device.link.text == link).count();
    starters + file.transfer.iter().filter(|unit| unit.link.text == link).count() + devices
}

fn link_shortest_timeout_s(file: &RigFile, link: &str) -> f64 {
    let on_link = file.starters.iter().filter(|starter| starter.link.text == link);
    on_link.map(|starter| starter.comm_timeout_s).fold(f64::INFINITY, f64::min)
}
