//! Has enough been seen to leave the station: events a pump and level band, channels that can be believed, zeros.

use super::ObserveError;
use super::row::{Row, read_rows};
use super::session::{ChannelHealth, SessionRecord};
use crate::rig::zeros::Hold;
use crate::signal::quality::FLAT_S;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

/// What is there and what is missing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Completeness {
    /// The session.
    pub label: String,
    /// Rig time watched, s.
    pub watched_s: f64,
    /// Events.
    pub events: u64,
    /// Events by pump, then by level band (one band `any` where the rig file has none).
    pub by_pump_and_band: BTreeMap<String, BTreeMap<String, u32>>,
    /// Everything that is missing or wrong, in words; empty: complete.
    pub missing: Vec<String>,
}

/// Look through a session's folder. `holds` are the zeros that were taken of its rig, before it or after.
///
/// # Errors
/// A folder without a session, or files that are not what they should be.
pub fn completeness(folder: &Path, holds: &[Hold]) -> Result<Completeness, ObserveError> {
    let record = session_of(folder)?;
    Ok(of(&record, &read_rows(folder)?, holds))
}

/// The record of a session's folder.
///
/// # Errors
/// As [`completeness`].
pub fn session_of(folder: &Path) -> Result<SessionRecord, ObserveError> {
    let path = folder.join("session.json");
    let text = std::fs::read_to_string(&path).map_err(|source| ObserveError::io(&path, source))?;
    serde_json::from_str(&text).map_err(|error| ObserveError::Format {
        path,
        line: error.line(),
        reason: error.to_string(),
    })
}

fn of(record: &SessionRecord, rows: &[Row], holds: &[Hold]) -> Completeness {
    let bands = if record.bands.is_empty() { vec!["any".to_owned()] } else { record.bands.clone() };
    let mut table: BTreeMap<String, BTreeMap<String, u32>> = BTreeMap::new();
    // Older sessions do not say which of the devices drive a motor.
    let pumps = if record.pumps.is_empty() { &record.devices } else { &record.pumps };
    for pump in pumps.iter().filter(|id| rows_of(rows, id) > 0 || pumps.len() == 1) {
        table.insert(pump.clone(), bands.iter().map(|band| (band.clone(), 0)).collect());
    }
    for row in rows {
        let pump = row.pump.clone().unwrap_or_else(|| "not known".to_owned());
        let band = row.level_band.clone().unwrap_or_else(|| "any".to_owned());
        *table.entry(pump).or_default().entry(band).or_default() += 1;
    }
    let mut missing = Vec::new();
    if rows.is_empty() {
        missing.push("no event".to_owned());
    }
    let unseen: Vec<&str> = pumps.iter().filter(|id| rows_of(rows, id) == 0).map(String::as_str).collect();
    if pumps.len() > 1 && !unseen.is_empty() {
        missing.push(format!("no event of {}", unseen.join(", ")));
    }
    for (pump, cells) in table.iter().filter(|(pump, _)| *pump != "not known") {
        for (band, events) in cells.iter().filter(|(band, n)| bands.contains(band) && **n < record.events_wanted) {
            missing.push(format!("pump {pump}, level {band}: {events} of {} events", record.events_wanted));
        }
    }
    missing.extend(channels(record, rows));
    missing.extend(zeros(record, holds));
    if record.unkept > 0 {
        missing.push(format!("{} events have a row and no recording: the disk quota was used up", record.unkept));
    }
    if record.envelope_full {
        missing.push("the envelope has stopped: its share of the disk quota is used up".to_owned());
    }
    Completeness {
        label: record.label.clone(),
        watched_s: record.watched_s,
        events: rows.len() as u64,
        by_pump_and_band: table,
        missing,
    }
}

fn rows_of(rows: &[Row], pump: &str) -> usize {
    rows.iter().filter(|row| row.pump.as_deref() == Some(pump)).count()
}

fn channels(record: &SessionRecord, rows: &[Row]) -> Vec<String> {
    let mut words = Vec::new();
    for channel in &record.channels {
        let clipped = rows.iter().filter(|row| row.clipped.contains(&channel.id)).count();
        if clipped > 0 {
            words.push(format!("channel {} clipped in {clipped} events: a larger range is needed", channel.id));
        }
        if channel.flat_s >= FLAT_S {
            words.push(format!("channel {} repeated one value for {:.1} s", channel.id, channel.flat_s));
        }
    }
    words
}

/// A sensor may drift while it is watched: its zero is wanted from before the session and from after it.
fn zeros(record: &SessionRecord, holds: &[Hold]) -> Vec<String> {
    // Civil times of one form: they sort as text.
    let taken = |id: &str, fits: &dyn Fn(&str) -> bool| {
        let of_levels = holds.iter().filter(|hold| hold.channels.iter().any(|h| h.id == id && h.known.is_some()));
        of_levels.into_iter().any(|hold| fits(second(&hold.at_utc)))
    };
    let asked: Vec<&ChannelHealth> = record.channels.iter().filter(|c| c.takes_zero.unwrap_or(true)).collect();
    let before = |channel: &ChannelHealth| {
        !channel.zero_utc.is_empty() || taken(&channel.id, &|at| at <= second(&record.began_utc))
    };
    let after = |channel: &ChannelHealth| taken(&channel.id, &|at| at >= second(&record.seen_utc));
    let words = |what: &str, has: &dyn Fn(&ChannelHealth) -> bool| {
        let without: Vec<&str> = asked.iter().filter(|c| !has(c)).map(|c| c.id.as_str()).collect();
        (!without.is_empty()).then(|| format!("no zero {what} the session of {}", without.join(", ")))
    };
    [words("before", &before), words("after", &after)].into_iter().flatten().collect()
}

/// A civil time to the second.
fn second(utc: &str) -> &str {
    utc.get(..19).unwrap_or(utc)
}

impl Completeness {
    /// As text for a person.
    pub fn text(&self) -> String {
        let label = if self.label.is_empty() { String::new() } else { format!(" ({})", self.label) };
        let mut lines = vec![format!("{} events in {:.2} h watched{label}", self.events, self.watched_s / 3600.0)];
        for (pump, cells) in &self.by_pump_and_band {
            let cells: Vec<String> = cells.iter().map(|(band, events)| format!("{band}: {events}")).collect();
            lines.push(format!("  pump {pump:<20} {}", cells.join("   ")));
        }
        match self.missing.is_empty() {
            true => lines.push("complete".to_owned()),
            false => lines.push("not complete:".to_owned()),
        }
        lines.extend(self.missing.iter().map(|what| format!("  - {what}")));
        lines.join("\n")
    }
}
