//! What is known of a run before it begins: written as attributes and texts when the file is made, read back by the
//! reader and by closing.

use super::error::RecordingError;
use super::raw::{create_text, create_text_attribute, read_text, read_text_attribute};
use super::schema;
use crate::rig::model::{Channel, Quantity, Rig};
use crate::signal::{ChannelId, Scaling};
use crate::starters::StarterKind;
use hdf5::types::FixedUnicode;
use hdf5::{Dataset, Group, H5Type, Location, Result as H5Result};
use sha2::{Digest, Sha256};
use std::path::Path;
use std::str::FromStr;

/// A run before it begins.
#[derive(Debug, Clone)]
pub struct RunDescription {
    /// Rig id.
    pub rig_id: String,
    /// Rig name.
    pub rig_name: String,
    /// Rig file, text.
    pub rig_text: String,
    /// SHA-256 of the rig text, hex.
    pub rig_sha256: String,
    /// The rig file says that the rig is invented.
    pub invented: bool,
    /// The rig said on the bus that it is virtual.
    pub is_virtual: bool,
    /// Sequence file, text.
    pub sequence_text: String,
    /// SHA-256 of the sequence text, hex.
    pub sequence_sha256: String,
    /// Starter id.
    pub starter: String,
    /// Starter kind; `None`: not known (a station that was only watched).
    pub starter_kind: Option<StarterKind>,
    /// Start of the recording, UTC, RFC 3339.
    pub started_utc: String,
    /// Person in attendance.
    pub attending: String,
    /// What the person called this run (`before`, `with the new valve`); empty: nothing.
    pub label: String,
    /// Version of the program that records.
    pub program_version: String,
    /// Frames a second of rig time.
    pub rate_hz: f64,
    /// A lost frame leaves a trace on this wire.
    pub shows_loss: bool,
    /// Channels in rig order.
    pub channels: Vec<Channel>,
    /// Names of the predicted series beside the channels; none in recordings of older programs.
    pub beside: Vec<String>,
    /// Index of the headline channel.
    pub headline: usize,
}

impl RunDescription {
    /// Description of a run on `rig` through `rig.starters[starter]`; `None` when there is no such starter.
    pub fn of(
        rig: &Rig,
        starter: usize,
        sequence_text: &str,
        is_virtual: bool,
        attending: &str,
        started_utc: &str,
    ) -> Option<Self> {
        let starter = rig.starters.get(starter)?;
        let sequence_text = sequence_text.to_owned();
        Some(Self {
            sequence_sha256: hex::encode(Sha256::digest(sequence_text.as_bytes())),
            sequence_text,
            ..Self::watched(rig, Some(&starter.id), is_virtual, attending, started_utc)
        })
    }

    /// Description of an event that was only watched; `pump`: the device that drove, where it is known.
    pub fn watched(rig: &Rig, pump: Option<&str>, is_virtual: bool, attending: &str, started_utc: &str) -> Self {
        let starters = rig.starters.iter().map(|starter| (starter.id.as_str(), Some(starter.kind)));
        let devices = rig.devices.iter().map(|device| (device.id.as_str(), device.kind));
        let starter_kind = devices.chain(starters).find(|(id, _)| Some(*id) == pump).and_then(|(_, kind)| kind);
        Self {
            rig_id: rig.id.clone(),
            rig_name: rig.name.clone(),
            rig_text: rig.text.clone(),
            rig_sha256: rig.text_sha256.clone(),
            invented: rig.invented,
            is_virtual,
            sequence_text: String::new(),
            sequence_sha256: hex::encode(Sha256::digest(b"")),
            starter: pump.unwrap_or("not known").to_owned(),
            starter_kind,
            started_utc: started_utc.to_owned(),
            attending: attending.to_owned(),
            label: String::new(),
            program_version: env!("CARGO_PKG_VERSION").to_owned(),
            rate_hz: rig.source.rate_hz,
            shows_loss: rig.source.shows_loss(),
            channels: rig.channels.clone(),
            beside: crate::prediction::beside::names(rig),
            headline: rig.headline,
        }
    }

    /// Refuse what the file could not hold, before the file exists.
    pub(super) fn check(&self, path: &Path) -> Result<(), RecordingError> {
        let refuse = |item: String, reason: &str| {
            Err(RecordingError::Description { path: path.to_owned(), item, reason: reason.to_owned() })
        };
        if !(self.rate_hz.is_finite() && self.rate_hz > 0.0) {
            return refuse(format!("rate {} Hz", self.rate_hz), "must be above 0 Hz");
        }
        if self.headline >= self.channels.len() {
            return refuse(format!("headline channel {}", self.headline), "no such channel");
        }
        for (index, channel) in self.channels.iter().enumerate() {
            let id = &channel.id.0;
            if id.is_empty() || id.len() > CHANNEL_ID_BYTES || id.contains(['/', '\0']) || id.starts_with('.') {
                return refuse(
                    format!("channel id `{id}`"),
                    "must be 1 to 64 bytes without `/`, not starting with a dot",
                );
            }
            let taken = self.channels[..index].iter().any(|earlier| earlier.id == channel.id);
            if taken || id == schema::TIME_AXIS {
                return refuse(format!("channel id `{id}`"), "name is taken");
            }
        }
        Ok(())
    }
}

/// Longest channel id, bytes.
const CHANNEL_ID_BYTES: usize = 64;
type ChannelName = FixedUnicode<CHANNEL_ID_BYTES>;

const KINDS: [(&str, StarterKind); 3] = [
    ("across-the-line", StarterKind::AcrossTheLine),
    ("soft-starter", StarterKind::SoftStarter),
    ("variable-speed", StarterKind::VariableSpeed),
];

const QUANTITIES: [(&str, &str, Quantity); 8] = [
    ("gauge-pressure", "Pa", Quantity::GaugePressure),
    ("pressure-difference", "Pa", Quantity::PressureDifference),
    ("line-current", "A", Quantity::LineCurrent),
    ("line-current-waveform", "A", Quantity::CurrentWave),
    ("shaft-speed", "rad/s", Quantity::ShaftSpeed),
    ("flow", "m3/s", Quantity::Flow),
    ("line-power", "W", Quantity::LinePower),
    ("contact", "1", Quantity::Contact),
];

/// Attribute of a run that somebody gave a label; older programs gave none.
const LABEL: &str = "label";
/// Word for a starter whose kind nobody said.
const KIND_NOT_KNOWN: &str = "not known";

fn kind_word(kind: Option<StarterKind>) -> &'static str {
    KINDS.iter().find(|(_, known)| Some(*known) == kind).map_or(KIND_NOT_KNOWN, |(word, _)| word)
}

fn quantity_words(quantity: Quantity) -> (&'static str, &'static str) {
    QUANTITIES.iter().find(|(.., known)| *known == quantity).map_or(("", ""), |(word, unit, _)| (word, unit))
}

/// SI unit of a quantity as recordings and screens write it.
pub(super) fn unit_of(quantity: Quantity) -> &'static str {
    quantity_words(quantity).1
}

/// A number as attribute.
pub(super) fn put<T: H5Type>(at: &Location, name: &str, value: T) -> H5Result<()> {
    at.new_attr::<T>().create(name)?.write_scalar(&value)
}

fn names_attribute(at: &Location, name: &str, names: &[&ChannelId]) -> H5Result<()> {
    let names: Vec<ChannelName> = names.iter().map(|id| ChannelName::from_str(&id.0).unwrap_or_default()).collect();
    at.new_attr_builder().with_data(&names).create(name).map(drop)
}

/// Write everything but the channels' own attributes.
pub(super) fn write_entry(entry: &Group, description: &RunDescription) -> H5Result<()> {
    let d = description;
    let texts = [
        ("rig_id", d.rig_id.as_str()),
        ("rig_name", &d.rig_name),
        ("rig_sha256", &d.rig_sha256),
        ("sequence_sha256", &d.sequence_sha256),
        ("starter", &d.starter),
        ("starter_kind", kind_word(d.starter_kind)),
        ("attending", &d.attending),
        ("program_version", &d.program_version),
    ];
    for (name, text) in texts {
        create_text_attribute(entry, name, text)?;
    }
    if !d.label.is_empty() {
        create_text_attribute(entry, LABEL, &d.label)?;
    }
    put(entry, "invented", d.invented)?;
    put(entry, "virtual", d.is_virtual)?;
    create_text(entry, "title", &title(d))?;
    create_text(entry, "start_time", &d.started_utc)?;
    create_text(entry, "rig_text", &d.rig_text)?;
    create_text(entry, "sequence_text", &d.sequence_text)?;
    Ok(())
}

fn title(d: &RunDescription) -> String {
    let marks = match (d.is_virtual, d.invented) {
        (true, _) => "VIRTUAL ",
        (false, true) => "INVENTED ",
        (false, false) => "",
    };
    format!("{marks}{}: {} ({})", d.rig_name, d.starter, kind_word(d.starter_kind))
}

/// Write what belongs to the group of channels: rate, order, and which of them a viewer plots first.
pub(super) fn write_channel_group(samples: &Group, description: &RunDescription) -> H5Result<()> {
    let ids: Vec<&ChannelId> = description.channels.iter().map(|channel| &channel.id).collect();
    put(samples, "rate_hz", description.rate_hz)?;
    put(samples, "loss_detectable", description.shows_loss)?;
    put(samples, "headline", description.headline as u32)?;
    names_attribute(samples, "channels", &ids)?;
    write_signals(samples, description)
}

/// The NXdata attributes that name the plotted datasets.
pub(super) fn write_signals(group: &Group, description: &RunDescription) -> H5Result<()> {
    let headline = &description.channels[description.headline];
    let others: Vec<&ChannelId> =
        description.channels.iter().map(|channel| &channel.id).filter(|id| **id != headline.id).collect();
    create_text_attribute(group, "signal", &headline.id.0)?;
    if others.is_empty() { Ok(()) } else { names_attribute(group, "auxiliary_signals", &others) }
}

/// Write a channel's chain at its dataset of counts.
pub(super) fn write_channel(counts: &Dataset, channel: &Channel) -> H5Result<()> {
    let (quantity, unit) = quantity_words(channel.quantity);
    let place = serde_json::to_string(&channel.place).unwrap_or_default();
    let texts = [
        ("long_name", format!("{} (counts)", channel.label)),
        ("label", channel.label.clone()),
        ("quantity", quantity.to_owned()),
        ("unit", unit.to_owned()),
        ("units", "counts".to_owned()),
        ("conversion", format!("value in {unit} = offset + scale * counts")),
        ("place_json", place),
        ("reference", channel.chain.reference.word().to_owned()),
        ("mounting", channel.chain.mounting.clone()),
        ("chain_json", serde_json::to_string(&channel.chain).unwrap_or_default()),
    ];
    for (name, text) in texts {
        create_text_attribute(counts, name, &text)?;
    }
    let numbers = [
        ("scale", channel.scaling.scale),
        ("offset", channel.scaling.offset),
        ("range_low", channel.range.0),
        ("range_high", channel.range.1),
        ("bandwidth_hz", channel.bandwidth_hz),
        ("calibration_u", channel.calibration_u),
        ("diaphragm_elevation_m", channel.diaphragm_elevation_m),
        ("group_delay_s", channel.chain.group_delay_s),
        ("zero", channel.chain.zero.as_ref().map_or(0.0, |zero| zero.offset)),
        // Nothing known, nothing limited: not a number.
        ("natural_frequency_hz", channel.chain.line.map_or(f64::NAN, |line| line.natural_hz)),
        ("noise_floor", channel.chain.noise_floor.unwrap_or(f64::NAN)),
    ];
    for (name, value) in numbers {
        put(counts, name, value)?;
    }
    put(counts, "filter_class", channel.filter_class)?;
    put(counts, "input", channel.input as u32)
}

/// Reads attributes of one object, with the file and the object's path in every error.
struct Attributes<'a> {
    path: &'a Path,
    at: &'a Location,
}

impl Attributes<'_> {
    fn fault(&self, name: &str, error: &hdf5::Error) -> RecordingError {
        RecordingError::damaged(self.path, &format!("{}@{name}", self.at.name()), error.to_string())
    }

    fn get<T: H5Type>(&self, name: &str) -> Result<T, RecordingError> {
        self.at.attr(name).and_then(|attribute| attribute.read_scalar()).map_err(|e| self.fault(name, &e))
    }

    fn text(&self, name: &str) -> Result<String, RecordingError> {
        self.at.attr(name).and_then(|a| read_text_attribute(&a)).map_err(|e| self.fault(name, &e))
    }

    fn meaning<T>(&self, name: &str, find: impl Fn(&str) -> Option<T>) -> Result<T, RecordingError> {
        let word = self.text(name)?;
        find(&word).ok_or_else(|| {
            RecordingError::damaged(self.path, &format!("{}@{name}", self.at.name()), format!("unknown word `{word}`"))
        })
    }
}

/// Text attribute of an object.
pub(super) fn text_attribute(path: &Path, at: &Location, name: &str) -> Result<String, RecordingError> {
    Attributes { path, at }.text(name)
}

/// Number or switch of an object.
pub(super) fn attribute<T: H5Type>(path: &Path, at: &Location, name: &str) -> Result<T, RecordingError> {
    Attributes { path, at }.get(name)
}

/// Read the description back.
pub(super) fn read_description(path: &Path, entry: &Group) -> Result<RunDescription, RecordingError> {
    let a = Attributes { path, at: entry };
    let text = |name: &str| {
        entry
            .dataset(name)
            .and_then(|dataset| read_text(&dataset))
            .map_err(|e| RecordingError::damaged(path, &format!("/entry/{name}"), e.to_string()))
    };
    let samples =
        entry.group(schema::SAMPLES).map_err(|e| RecordingError::damaged(path, "/entry/samples", e.to_string()))?;
    let s = Attributes { path, at: &samples };
    let description = RunDescription {
        rig_id: a.text("rig_id")?,
        rig_name: a.text("rig_name")?,
        rig_text: text("rig_text")?,
        rig_sha256: a.text("rig_sha256")?,
        invented: a.get("invented")?,
        is_virtual: a.get("virtual")?,
        sequence_text: text("sequence_text")?,
        sequence_sha256: a.text("sequence_sha256")?,
        starter: a.text("starter")?,
        starter_kind: a.meaning("starter_kind", |word| match KINDS.iter().find(|(w, _)| *w == word) {
            Some((_, kind)) => Some(Some(*kind)),
            None => (word == KIND_NOT_KNOWN).then_some(None),
        })?,
        started_utc: text("start_time")?,
        attending: a.text("attending")?,
        label: if entry.attr(LABEL).is_ok() { a.text(LABEL)? } else { String::new() },
        program_version: a.text("program_version")?,
        rate_hz: s.get("rate_hz")?,
        shows_loss: s.get("loss_detectable")?,
        channels: read_channels(path, &samples)?,
        beside: read_beside(entry),
        headline: s.get::<u32>("headline")? as usize,
    };
    description.check(path)?;
    Ok(description)
}

fn read_beside(entry: &Group) -> Vec<String> {
    let group = entry.group(&format!("{}/{}", schema::PREDICTION, schema::BESIDE));
    let names = group.and_then(|group| group.attr("names")).and_then(|names| read_text_attribute(&names));
    names.map(|names| names.split_whitespace().map(str::to_owned).collect()).unwrap_or_default()
}

fn read_channels(path: &Path, samples: &Group) -> Result<Vec<Channel>, RecordingError> {
    let names: Vec<ChannelName> = samples
        .attr("channels")
        .and_then(|attribute| attribute.read_raw())
        .map_err(|e| RecordingError::damaged(path, "/entry/samples@channels", e.to_string()))?;
    names.iter().map(|name| read_channel(path, samples, name.as_str())).collect()
}

fn read_channel(path: &Path, samples: &Group, id: &str) -> Result<Channel, RecordingError> {
    let counts = samples
        .dataset(id)
        .map_err(|e| RecordingError::damaged(path, &format!("/entry/samples/{id}"), e.to_string()))?;
    let a = Attributes { path, at: &counts };
    let place = a.meaning("place_json", |json| serde_json::from_str(json).ok())?;
    Ok(Channel {
        id: ChannelId(id.to_owned()),
        label: a.text("label")?,
        quantity: a
            .meaning("quantity", |word| QUANTITIES.iter().find(|(w, ..)| *w == word).map(|(.., quantity)| *quantity))?,
        place,
        // In the rig's text; nothing that is evaluated from a recording asks for it.
        low_place: None,
        diaphragm_elevation_m: a.get("diaphragm_elevation_m")?,
        scaling: Scaling { scale: a.get("scale")?, offset: a.get("offset")? },
        range: (a.get("range_low")?, a.get("range_high")?),
        bandwidth_hz: a.get("bandwidth_hz")?,
        filter_class: a.get("filter_class")?,
        calibration_u: a.get("calibration_u")?,
        input: a.get::<u32>("input")? as usize,
        chain: a.meaning("chain_json", |json| serde_json::from_str(json).ok())?,
    })
}
