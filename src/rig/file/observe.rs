//! `[observe]` and `[[trigger]]` as typed.

use super::signals::{ChannelEntry, quantity_of, want_of};
use super::{Assumptions, need_id};
use crate::rig::model::Quantity;
use crate::rig::reader::{Cursor, Spot, Text};
use crate::units::{Dimension, Want};

/// Kept before and after a trigger where the file does not say, s.
const PRE_S: f64 = 5.0;
const POST_S: f64 = 20.0;
/// An event ends after this where the file does not say, s.
const LONGEST_S: f64 = 120.0;
/// Interval of the envelope where the file does not say, s.
const ENVELOPE_S: f64 = 1.0;
/// Quota where the file does not say, MB.
const QUOTA_MB: i64 = 2_000;
const EVENTS_WANTED: u32 = 3;

/// `[observe]`.
#[derive(Debug)]
pub struct ObserveEntry {
    /// Before a trigger, s.
    pub pre_s: f64,
    /// After it, s.
    pub post_s: f64,
    /// Longest event, s.
    pub longest_s: f64,
    /// Envelope interval, s.
    pub envelope_s: f64,
    /// Quota, bytes.
    pub disk_quota_bytes: u64,
    /// Level channel.
    pub level_channel: Option<Text>,
    /// Edges, m.
    pub level_bands_m: Vec<f64>,
    /// Wanted a pump and band.
    pub events_wanted: u32,
    /// Triggers.
    pub triggers: Vec<TriggerEntry>,
}

/// `[[trigger]]`.
#[derive(Debug)]
pub struct TriggerEntry {
    /// Id.
    pub id: Text,
    /// What it looks at; `None`: could not be read.
    pub on: Option<TriggerOnEntry>,
}

/// What a trigger looks at, as typed.
#[derive(Debug)]
pub enum TriggerOnEntry {
    /// Level.
    Level(Text, Option<f64>, Option<f64>),
    /// Slope: channel, change, within.
    Slope(Text, f64, f64),
    /// Device, field, value.
    Field(Text, Text, u64),
}

/// Both.
pub(super) fn observe(root: &Cursor<'_>, channels: &[ChannelEntry], assumed: &mut Assumptions) -> ObserveEntry {
    let table = root.table("observe");
    let span = Want::TIME.between(0.1, 600.0);
    let time = |key: &str, want: Want, stand_in: f64| {
        table.as_ref().and_then(|table| table.quantity(key, &want)).unwrap_or(stand_in)
    };
    let entry = ObserveEntry {
        pre_s: time("pre", span, PRE_S),
        post_s: time("post", span, POST_S),
        longest_s: time("longest", Want::TIME.between(1.0, 3600.0), LONGEST_S),
        envelope_s: time("envelope", Want::TIME.between(0.1, 60.0), ENVELOPE_S),
        disk_quota_bytes: table
            .as_ref()
            .and_then(|table| table.integer("disk_quota_mb", 1..=10_000_000))
            .unwrap_or(QUOTA_MB) as u64
            * 1_000_000,
        level_channel: table.as_ref().and_then(|table| table.text("level_channel")),
        level_bands_m: table.as_ref().map(bands).unwrap_or_default(),
        events_wanted: table
            .as_ref()
            .and_then(|table| table.integer("events_wanted", 1..=1000))
            .and_then(|wanted| u32::try_from(wanted).ok())
            .unwrap_or(EVENTS_WANTED),
        triggers: triggers(root, channels),
    };
    if let Some(table) = table {
        if entry.longest_s < entry.pre_s + entry.post_s {
            let allowed = format!("at least pre and post together, {} s", entry.pre_s + entry.post_s);
            table.note("longest", format!("{} s", entry.longest_s), allowed, None);
        }
        table.close();
    } else if !entry.triggers.is_empty() {
        assumed.0.push("observe keeps 5 s before and 20 s after a trigger, at most 2 GB".to_owned());
    }
    entry
}

fn bands(table: &Cursor<'_>) -> Vec<f64> {
    let mut edges = Vec::new();
    for text in table.texts("level_bands").unwrap_or_default() {
        match Want::ELEVATION.read(&text.text) {
            Ok(edge) => edges.push(edge),
            Err(misfit) => table.document().note(&text.spot, misfit.found, misfit.allowed, misfit.hint),
        }
    }
    if !edges.windows(2).all(|pair| pair[0] < pair[1]) {
        table.note("level_bands", "edges that do not rise", "rising heights, such as [\"1 m\", \"2 m\"]", None);
    }
    edges
}

fn triggers(root: &Cursor<'_>, channels: &[ChannelEntry]) -> Vec<TriggerEntry> {
    let mut entries = Vec::new();
    for table in root.tables("trigger") {
        entries.push(TriggerEntry { id: need_id(&table), on: trigger(&table, channels) });
        table.close();
    }
    entries
}

fn trigger(table: &Cursor<'_>, channels: &[ChannelEntry]) -> Option<TriggerOnEntry> {
    let (channel, device, field) = (table.text("channel"), table.text("device"), table.text("field"));
    let quantity = quantity_of(channels, channel.as_ref());
    let level = |key: &str| {
        table.mark_read(key);
        want_of(quantity).and_then(|want| table.quantity(key, &want))
    };
    let (above, below) = (level("above"), level("below"));
    let change = |key: &str| {
        table.mark_read(key);
        quantity.and_then(|quantity| table.quantity(key, &want_of_change(quantity)))
    };
    let (rises, falls) = (change("rises"), change("falls"));
    let within_s = table.quantity("within", &Want::TIME.between(1e-4, 60.0));
    let becomes = table.integer("becomes", 0..=i64::from(u32::MAX)).and_then(|raw| u64::try_from(raw).ok());
    let spot = table.here();
    let refuse = |found: &str| {
        let allowed =
            "channel with above or below; channel with rises or falls and within; or device with field and becomes";
        note(table, &spot, found, allowed)
    };
    match (channel, device, field) {
        (Some(channel), None, None) => match (above.or(below), rises.or(falls.map(|fall| -fall)), within_s) {
            (Some(_), None, None) => Some(TriggerOnEntry::Level(channel, above, below)),
            (None, Some(change), Some(within_s)) if rises.is_none() || falls.is_none() => {
                Some(TriggerOnEntry::Slope(channel, change, within_s))
            }
            // An unknown channel is for the checks, one that could not be read is noted already.
            _ if quantity.is_none() => Some(TriggerOnEntry::Level(channel, None, None)),
            _ => refuse("a channel without one level or one change within a time"),
        },
        (None, Some(device), Some(field)) => match becomes {
            Some(becomes) => Some(TriggerOnEntry::Field(device, field, becomes)),
            None => refuse("a field without becomes"),
        },
        _ => refuse("not one trigger"),
    }
}

fn note<T>(table: &Cursor<'_>, spot: &Spot, found: &str, allowed: &str) -> Option<T> {
    table.document().note(spot, found, allowed, None);
    None
}

fn want_of_change(quantity: Quantity) -> Want {
    match quantity {
        Quantity::GaugePressure | Quantity::PressureDifference => Want::PRESSURE_DIFFERENCE,
        Quantity::LineCurrent | Quantity::CurrentWave => Want::positive(Dimension::Current, "\"2 A\""),
        Quantity::ShaftSpeed => Want::SPEED,
        Quantity::Flow => Want::FLOW,
        Quantity::LinePower => Want::POWER,
        Quantity::Contact => Want::positive(Dimension::Share, "\"50 %\""),
    }
}
