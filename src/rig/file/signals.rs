//! The sample source, channels, permissives and trips as typed.

use super::chain::{self, ChainEntry};
use super::control::STOPS;
use super::{Assumptions, need_id, or_nan};
use crate::rig::calibration::SLOPE_OFF;
use crate::rig::model::{LATER_STAGE_S, Quantity, TripCause};
use crate::rig::reader::{Cursor, Spot, Text};
use crate::starters::StopKind;
use crate::units::{Dimension, Want};

const QUANTITIES: &[(&str, Quantity)] = &[
    ("gauge-pressure", Quantity::GaugePressure),
    ("pressure-difference", Quantity::PressureDifference),
    ("line-current-rms", Quantity::LineCurrent),
    ("line-current-waveform", Quantity::CurrentWave),
    ("shaft-speed", Quantity::ShaftSpeed),
    ("flow", Quantity::Flow),
    ("line-power", Quantity::LinePower),
    ("contact", Quantity::Contact),
];

const CAUSES: &[(&str, TripCause)] = &[
    ("limit", TripCause::Limit),
    ("stream-lost", TripCause::StreamLost),
    ("link-lost", TripCause::LinkLost),
    ("not-primed", TripCause::NotPrimed),
];

/// Where a channel reads.
#[derive(Debug)]
pub enum PlaceEntry {
    /// Not in the water.
    None,
    /// At a node.
    Node(Text),
    /// Along a pipe.
    Pipe(Text, f64),
}

/// `[[channel]]`.
#[derive(Debug)]
pub struct ChannelEntry {
    /// Id.
    pub id: Text,
    /// Label.
    pub label: String,
    /// Quantity; `None`: could not be read.
    pub quantity: Option<Quantity>,
    /// Place.
    pub place: PlaceEntry,
    /// Node of the low side of a pressure difference.
    pub low_node: Option<Text>,
    /// Diaphragm elevation when given, m.
    pub diaphragm_m: Option<f64>,
    /// Range, SI.
    pub range: (f64, f64),
    /// Counts at the ends of the range.
    pub counts: (f64, f64),
    /// Bandwidth, Hz.
    pub bandwidth_hz: f64,
    /// Filter class.
    pub filter_class: u32,
    /// Standard uncertainty, SI.
    pub calibration_u: f64,
    /// Measuring chain.
    pub chain: ChainEntry,
    /// Position in a frame; `None`: could not be read, or polled.
    pub input: Option<usize>,
    /// Polled from a device instead of sampled.
    pub polled: Option<PolledEntry>,
    /// Place of the table.
    pub spot: Spot,
    /// Place of the input.
    pub input_spot: Spot,
    /// Place of the bandwidth.
    pub bandwidth_spot: Spot,
}

/// `device`, `field` and `max_age` of a channel.
#[derive(Debug)]
pub struct PolledEntry {
    /// Device id.
    pub device: Text,
    /// Field of its map.
    pub field: Text,
    /// Older is no value, s.
    pub max_age_s: f64,
}

/// `[[permissive]]`.
#[derive(Debug)]
pub struct PermissiveEntry {
    /// Id.
    pub id: Text,
    /// Sentence.
    pub text: String,
    /// Condition; `None`: could not be read.
    pub condition: Option<ConditionEntry>,
}

/// A condition as typed.
#[derive(Debug)]
pub enum ConditionEntry {
    /// Channel within a span.
    Channel(Text, f64, f64),
    /// Field equals.
    Field(Text, u16),
}

/// `[[trip]]`.
#[derive(Debug)]
pub struct TripEntry {
    /// Id.
    pub id: Text,
    /// Cause; `None`: could not be read.
    pub cause: Option<TripCause>,
    /// Channel.
    pub channel: Option<Text>,
    /// Above, SI.
    pub above: Option<f64>,
    /// Below, SI.
    pub below: Option<f64>,
    /// Debounce, s.
    pub debounce_s: f64,
    /// Blanking, s.
    pub blanking_s: f64,
    /// Stop.
    pub stop: StopKind,
    /// Deadline, s.
    pub deadline_s: f64,
    /// Of each later stage, s.
    pub later_s: f64,
    /// `within`, `tries` and `line_ups`; trips for a pump that does not prime only.
    pub priming: Option<(f64, u32, Option<Vec<Text>>)>,
    /// Place.
    pub spot: Spot,
}

/// What a value of this quantity is written as, signed or not.
pub(in crate::rig) fn want_of(quantity: Option<Quantity>) -> Option<Want> {
    quantity.map(|quantity| match quantity {
        Quantity::GaugePressure => Want::GAUGE,
        Quantity::PressureDifference => Want::any(Dimension::Pressure, "\"-0.2 bar\", \"2 bar\""),
        Quantity::LineCurrent | Quantity::CurrentWave => Want::any(Dimension::Current, "\"0 A\", \"60 A\""),
        Quantity::ShaftSpeed => Want::SIGNED_SPEED,
        Quantity::Flow => Want::any(Dimension::Flow, "\"0 m3/h\", \"40 m3/h\""),
        Quantity::LinePower => Want::any(Dimension::Power, "\"0 kW\", \"11 kW\""),
        Quantity::Contact => Want::any(Dimension::Share, "\"50 %\""),
    })
}

/// Range of an absolute sensor: it may begin at vacuum itself.
const ABSOLUTE_FROM_ZERO: Want = Want { above_least: false, ..Want::ABSOLUTE };

/// How an uncertainty of this quantity is written.
pub(in crate::rig) fn want_uncertainty_of(quantity: Quantity) -> Want {
    match quantity {
        Quantity::GaugePressure | Quantity::PressureDifference => Want::from_zero(Dimension::Pressure, "\"10 mbar\""),
        Quantity::LineCurrent | Quantity::CurrentWave => Want::CURRENT,
        Quantity::ShaftSpeed => Want::from_zero(Dimension::Speed, "\"1 rpm\""),
        Quantity::Flow => Want::from_zero(Dimension::Flow, "\"0.1 m3/h\""),
        Quantity::LinePower => Want::from_zero(Dimension::Power, "\"20 W\""),
        Quantity::Contact => Want::from_zero(Dimension::Share, "\"0 %\""),
    }
}

/// `[[channel]]`.
pub(super) fn channels(root: &Cursor<'_>, assumed: &mut Assumptions) -> Vec<ChannelEntry> {
    root.tables("channel").into_iter().map(|table| channel(table, assumed)).collect()
}

fn channel(table: Cursor<'_>, assumed: &mut Assumptions) -> ChannelEntry {
    let id = need_id(&table);
    let quantity = table.need_word("quantity", QUANTITIES);
    let want = want_of(quantity).map(|want| if chain::is_absolute(&table) { ABSOLUTE_FROM_ZERO } else { want });
    let is_contact = quantity == Some(Quantity::Contact);
    let range = match is_contact {
        // Open and closed.
        true => Some((0.0, 1.0)),
        false => want.and_then(|want| table.need_span("range", &want)),
    };
    let u = match quantity.filter(|_| !is_contact) {
        Some(quantity) => table.need_quantity("calibration_uncertainty", &want_uncertainty_of(quantity)),
        None => is_contact.then_some(0.0),
    };
    let polled = polled(&table);
    let entry = ChannelEntry {
        label: table.text("label").map_or_else(|| id.text.clone(), |label| label.text),
        quantity,
        place: place(&table),
        low_node: table.text("low_node"),
        diaphragm_m: table.quantity("diaphragm_elevation", &Want::ELEVATION),
        range: range.unwrap_or((f64::NAN, f64::NAN)),
        counts: counts(&table, assumed),
        bandwidth_hz: or_nan(table.need_quantity("bandwidth", &Want::FREQUENCY)),
        filter_class: table.need_integer("filter_class", 0..=1000).and_then(|n| u32::try_from(n).ok()).unwrap_or(0),
        calibration_u: or_nan(u),
        chain: chain::chain(&table, quantity, assumed),
        input: match &polled {
            Some(_) => None,
            None => table.need_integer("input", 0..=63).and_then(|n| usize::try_from(n).ok()),
        },
        polled,
        spot: table.here(),
        input_spot: table.spot("input"),
        bandwidth_spot: table.spot("bandwidth"),
        id,
    };
    note_wrong_fit(&table, &entry);
    if quantity.is_some() {
        table.close();
    }
    entry
}

/// A channel that does not come with the fast frames: which register of which device, and how old it may be.
fn polled(table: &Cursor<'_>) -> Option<PolledEntry> {
    if !table.has("device") {
        return None;
    }
    if table.has("input") {
        table.mark_read("input");
        table.note("input", "an input beside a device", "one of the two: sampled, or polled", None);
    }
    if !table.has("counts") {
        let allowed = "counts = [low, high]: what the register reads at the two ends of the range";
        table.note("counts", "nothing (the key is missing)", allowed, None);
    }
    Some(PolledEntry {
        device: table.need_text("device")?,
        field: table.need_text("field")?,
        max_age_s: or_nan(table.need_quantity("max_age", &Want::TIME.between(1e-3, 3600.0))),
    })
}

/// A calibration far off range and counts is another channel's, or in another unit.
fn note_wrong_fit(table: &Cursor<'_>, entry: &ChannelEntry) {
    let Some([_, b, c]) = entry.chain.calibration.fit else { return };
    let ((low, high), counts) = (entry.range, entry.counts);
    let ratio = (b + c * (low + high)) * (high - low) / (counts.1 - counts.0);
    if ratio.is_nan() || (ratio - 1.0).abs() > SLOPE_OFF {
        table.note(
            "calibration",
            format!("a fit with {ratio:.4} times the counts a unit that range and counts say"),
            format!("{} to {} times", 1.0 - SLOPE_OFF, 1.0 + SLOPE_OFF),
            Some("the calibration of this channel, or its true range and counts".to_owned()),
        );
    }
}

/// Counts of the converter at the two ends of the range; by default most of 24 bits, with room for over-range.
fn counts(table: &Cursor<'_>, assumed: &mut Assumptions) -> (f64, f64) {
    let span = table.integer_span("counts", i64::from(i32::MIN)..=i64::from(i32::MAX));
    if !table.has("counts") {
        let line = "the ends of a channel's range are -8 000 000 and 8 000 000 counts";
        if !assumed.0.iter().any(|said| said == line) {
            assumed.0.push(line.to_owned());
        }
    }
    let (low, high) = span.unwrap_or((-8_000_000, 8_000_000));
    if low == high {
        table.note("counts", format!("[{low}, {high}]"), "two different counts", None);
    }
    (low as f64, high as f64)
}

fn place(table: &Cursor<'_>) -> PlaceEntry {
    let (node, pipe, share) = (table.text("node"), table.text("pipe"), table.number("share", 0.0..=1.0));
    match (node, pipe) {
        (Some(_), Some(pipe)) => {
            table.note("pipe", format!("a pipe {:?} beside a node", pipe.text), "a node, or a pipe with a share", None);
            PlaceEntry::None
        }
        (Some(node), None) => PlaceEntry::Node(node),
        (None, Some(pipe)) => {
            if !table.has("share") {
                table.note("share", "nothing (the key is missing)", "a share 0 to 1 of the pipe from its start", None);
            }
            PlaceEntry::Pipe(pipe, or_nan(share))
        }
        (None, None) => PlaceEntry::None,
    }
}

pub(super) fn quantity_of(channels: &[ChannelEntry], name: Option<&Text>) -> Option<Quantity> {
    let name = name?;
    channels.iter().find(|channel| channel.id.text == name.text).and_then(|channel| channel.quantity)
}

/// `[[permissive]]`.
pub(super) fn permissives(root: &Cursor<'_>, channels: &[ChannelEntry]) -> Vec<PermissiveEntry> {
    let mut entries = Vec::new();
    for table in root.tables("permissive") {
        let entry = PermissiveEntry {
            id: need_id(&table),
            text: table.need_text("text").map(|text| text.text).unwrap_or_default(),
            condition: condition(&table, channels),
        };
        table.close();
        entries.push(entry);
    }
    entries
}

fn condition(table: &Cursor<'_>, channels: &[ChannelEntry]) -> Option<ConditionEntry> {
    let (channel, field) = (table.text("channel"), table.text("field"));
    let is = table.integer("is", 0..=65535).and_then(|value| u16::try_from(value).ok());
    let want = want_of(quantity_of(channels, channel.as_ref()));
    let between = want.and_then(|want| table.span("between", &want));
    table.mark_read("between");
    match (channel, field) {
        (Some(channel), None) => {
            if !table.has("between") {
                table.note("between", "nothing (the key is missing)", "a span [low, high]", None);
            }
            let (low, high) = between.unwrap_or((f64::NAN, f64::NAN));
            Some(ConditionEntry::Channel(channel, low, high))
        }
        (None, Some(field)) => {
            if !table.has("is") {
                table.note("is", "nothing (the key is missing)", "a raw value, such as 1", None);
            }
            is.map(|value| ConditionEntry::Field(field, value))
        }
        _ => {
            let spot = table.here();
            table.document().note(&spot, "not one condition", "channel with between, or field with is", None);
            None
        }
    }
}

/// `[[trip]]`.
pub(super) fn trips(root: &Cursor<'_>, channels: &[ChannelEntry], assumed: &mut Assumptions) -> Vec<TripEntry> {
    let mut entries = Vec::new();
    for table in root.tables("trip") {
        let cause = table.need_word("cause", CAUSES);
        let channel = table.text("channel");
        let want = want_of(quantity_of(channels, channel.as_ref()));
        let limit = |key: &str| match &want {
            Some(want) => table.quantity(key, want),
            None => {
                table.mark_read(key);
                None
            }
        };
        let entry = TripEntry {
            id: need_id(&table),
            cause,
            above: limit("above"),
            below: limit("below"),
            channel,
            debounce_s: assumed.take(
                table.quantity("debounce", &Want::TIME_FROM_ZERO),
                0.0,
                "a trip without debounce acts at the first sample",
            ),
            blanking_s: table.quantity("blanking", &Want::TIME_FROM_ZERO).unwrap_or(0.0),
            stop: table.need_word("stop", STOPS).unwrap_or(StopKind::Coast),
            deadline_s: or_nan(table.need_quantity("deadline", &Want::TIME)),
            later_s: table.quantity("later_deadline", &Want::TIME).unwrap_or(LATER_STAGE_S),
            priming: (cause == Some(TripCause::NotPrimed)).then(|| priming(&table)),
            spot: table.here(),
        };
        check_limits(&table, &entry);
        table.close();
        entries.push(entry);
    }
    entries
}

/// Starts in vain after which a person has to look (common practice, no source).
const TRIES: u32 = 2;

fn priming(table: &Cursor<'_>) -> (f64, u32, Option<Vec<Text>>) {
    let within_s = or_nan(table.need_quantity("within", &Want::TIME));
    let tries = table.integer("tries", 1..=10).and_then(|tries| u32::try_from(tries).ok()).unwrap_or(TRIES);
    (within_s, tries, table.texts("line_ups"))
}

fn check_limits(table: &Cursor<'_>, entry: &TripEntry) {
    let spot = table.here();
    let says_limit = table.has("above") || table.has("below");
    match entry.cause {
        Some(TripCause::Limit) if entry.channel.is_none() => {
            table.document().note(&spot, "a limit trip without a channel", "channel = \"...\"", None);
        }
        Some(TripCause::Limit) if !says_limit => {
            table.document().note(&spot, "a limit trip without a limit", "above or below", None);
        }
        Some(TripCause::NotPrimed) if entry.channel.is_none() || entry.above.is_none() || entry.below.is_some() => {
            let allowed = "channel = \"...\" and above = \"...\", what it shows with a primed pump";
            table.document().note(&spot, "a trip for a pump that does not prime without such a limit", allowed, None);
        }
        Some(TripCause::StreamLost | TripCause::LinkLost) if says_limit || entry.channel.is_some() => {
            table.document().note(&spot, "a limit on a trip for a lost wire", "no channel, above or below", None);
        }
        _ => {}
    }
    if let (Some(above), Some(below)) = (entry.above, entry.below)
        && below >= above
    {
        table.note("below", format!("{below}"), format!("less than above, {above}"), None);
    }
}
