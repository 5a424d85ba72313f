//! Channels: inputs of their own and without holes, places that exist, bandwidth within the rate, a headline.

use super::{Maps, known};
use crate::hydraulics::spec::ElementKind;
use crate::rig::chain::Wiring;
use crate::rig::file::{ChannelEntry, PlaceEntry, PolledEntry, RigFile};
use crate::rig::model::Quantity;
use crate::rig::number_form::NumberForm;
use crate::rig::reader::Document;
use crate::rig::register_map::Role;
use crate::signal::loop_current;
use std::collections::BTreeMap;

pub(super) fn check(document: &Document<'_>, file: &RigFile, maps: &Maps) {
    if file.channels.is_empty() {
        document.note(&file.identity.spot, "no channel", "at least one [[channel]]", None);
    }
    inputs(document, file);
    for channel in &file.channels {
        place(document, file, channel);
        if let Some(polled) = &channel.polled {
            polled_channel(document, file, channel, polled, maps);
            continue;
        }
        bandwidth(document, file, channel);
        counts(document, file, channel);
        chain(document, file, channel);
    }
    headline(document, file);
}

/// The register is there and holds a whole number; nothing faster than the polls is promised.
fn polled_channel(document: &Document<'_>, file: &RigFile, channel: &ChannelEntry, polled: &PolledEntry, maps: &Maps) {
    let device = file.devices.iter().find(|device| device.id.text == polled.device.text);
    known(document, &polled.device, "device", file.devices.iter().map(|device| device.id.text.as_str()));
    let Some(device) = device else { return };
    if let Some(map) = maps.get(&device.map.text).and_then(Option::as_ref) {
        let values = Role::VALUES.into_iter().filter(|role| map.field(*role).is_some());
        if known(document, &polled.field, "measured value", values.map(Role::name))
            && let Some(field) = Role::from_name(&polled.field.text).and_then(|role| map.field(role))
            && !WHOLE.contains(&field.form)
        {
            let found = format!("a field of form {:?}", field.form);
            document.note(&polled.field.spot, found, "a whole number of 16 or 32 bits: channels keep counts", None);
        }
    }
    let Some(link) = file.links.iter().find(|link| link.id.text == device.link.text) else { return };
    if channel.bandwidth_hz >= 0.5 / link.poll_s {
        let allowed = format!("below {:.3} Hz, half of the polls of link {}", 0.5 / link.poll_s, link.id.text);
        document.note(&channel.bandwidth_spot, format!("{} Hz", channel.bandwidth_hz), allowed, None);
    }
    if polled.max_age_s < 2.0 * link.poll_s {
        let found = format!("a max_age of {} s for a value polled every {} s", polled.max_age_s, link.poll_s);
        document.note(&channel.spot, found, "at least two polls, so that one lost answer stops nothing", None);
    }
}

/// Forms that a recording can keep as counts.
const WHOLE: [NumberForm; 4] = [NumberForm::U16, NumberForm::I16, NumberForm::I32, NumberForm::U32];

fn inputs(document: &Document<'_>, file: &RigFile) {
    let mut seen: BTreeMap<usize, (&str, usize)> = BTreeMap::new();
    let sampled = file.channels.iter().filter(|channel| channel.polled.is_none()).count();
    if sampled == 0 && !file.channels.is_empty() {
        document.note(&file.identity.spot, "no sampled channel", "at least one [[channel]] with an input", None);
    }
    for channel in &file.channels {
        let Some(input) = channel.input else { continue };
        if let Some((other, line)) = seen.insert(input, (&channel.id.text, channel.spot.line)) {
            let found = format!("input {input}, which channel {other:?} (line {line}) has");
            document.note(&channel.input_spot, found, "an input of its own", None);
        } else if input >= sampled {
            let allowed = format!("0 to {}: a frame holds as many inputs as there are channels", sampled - 1);
            document.note(&channel.input_spot, format!("input {input}"), allowed, None);
        }
    }
}

fn place(document: &Document<'_>, file: &RigFile, channel: &ChannelEntry) {
    let in_water =
        matches!(channel.quantity, Some(Quantity::GaugePressure | Quantity::PressureDifference | Quantity::Flow));
    low_side(document, file, channel);
    match &channel.place {
        PlaceEntry::Node(_) if channel.quantity == Some(Quantity::Flow) => {
            document.note(&channel.spot, "a flow at a node", "pipe with share: the pipe tells the direction", None);
        }
        PlaceEntry::Node(node) => {
            known(document, node, "node", file.elevations.iter().map(|(name, _)| name.text.as_str()));
        }
        PlaceEntry::Pipe(pipe, _) => {
            let pipes = file.elements.iter().filter(|entry| matches!(entry.kind, ElementKind::Pipe(_)));
            known(document, pipe, "pipe", pipes.map(|entry| entry.id.text.as_str()));
        }
        PlaceEntry::None if channel.quantity == Some(Quantity::Flow) => {
            // A logger has no pipes; elsewhere the pipe tells where, and which direction counts.
            if !file.identity.logger {
                document.note(&channel.spot, "a flow channel without a place", "pipe with share", None);
            }
        }
        PlaceEntry::None if in_water => {
            document.note(&channel.spot, "a pressure channel without a place", "node, or pipe with share", None);
        }
        PlaceEntry::None => {}
    }
    if channel.quantity.is_some() && !in_water && !matches!(channel.place, PlaceEntry::None) {
        document.note(&channel.spot, "a place for a channel that is not in the water", "no node and no pipe", None);
    }
}

/// A difference has a low side at another node; nothing else has one.
fn low_side(document: &Document<'_>, file: &RigFile, channel: &ChannelEntry) {
    let is_difference = channel.quantity == Some(Quantity::PressureDifference);
    match &channel.low_node {
        None if is_difference => {
            let allowed = "low_node = the node of its low side";
            document.note(&channel.spot, "a pressure difference without its low side", allowed, None);
        }
        Some(low) if !is_difference && channel.quantity.is_some() => {
            let allowed = "left out, or quantity = \"pressure-difference\"";
            document.note(&low.spot, "a low side of what is no difference", allowed, None);
        }
        Some(low) => {
            known(document, low, "node", file.elevations.iter().map(|(name, _)| name.text.as_str()));
            if matches!(&channel.place, PlaceEntry::Node(high) if high.text == low.text) {
                document.note(
                    &low.spot,
                    format!("{:?} on both sides", low.text),
                    "another node than its high side",
                    None,
                );
            }
        }
        None => {}
    }
}

/// The converter writes no count outside what a sample holds.
fn counts(document: &Document<'_>, file: &RigFile, channel: &ChannelEntry) {
    let (least, most) = file.source.code.counts();
    let (low, high) = channel.counts;
    if !(f64::from(least)..=f64::from(most)).contains(&low) || !(f64::from(least)..=f64::from(most)).contains(&high) {
        let found = format!("counts [{low}, {high}]");
        let allowed = format!("{least} to {most}, what {:?} samples hold", file.source.code);
        document.note(&channel.input_spot, found, allowed, Some("counts, or samples of the source".to_owned()));
    }
}

/// Nothing above half the rate may reach the converter.
fn bandwidth(document: &Document<'_>, file: &RigFile, channel: &ChannelEntry) {
    let half_hz = file.source.rate_hz / 2.0;
    if channel.bandwidth_hz >= half_hz {
        let allowed = format!("below half the sample rate, {half_hz} Hz");
        document.note(&channel.bandwidth_spot, format!("{} Hz", channel.bandwidth_hz), allowed, None);
    }
}

/// Filters within the rate, and room in the converter for what NE 43 says beyond the range.
fn chain(document: &Document<'_>, file: &RigFile, channel: &ChannelEntry) {
    let half_hz = file.source.rate_hz / 2.0;
    if let Some(filter) = channel.chain.anti_alias.filter(|filter| filter.corner_hz >= half_hz) {
        let allowed = format!("a corner below half the sample rate, {half_hz} Hz: what lies above it folds back");
        document.note(&channel.chain.anti_alias_spot, format!("{} Hz", filter.corner_hz), allowed, None);
    }
    if channel.chain.wiring == Wiring::Loop {
        let (least, most) = file.source.code.counts();
        let at = |current_ma: f64| {
            channel.counts.0 + (channel.counts.1 - channel.counts.0) * loop_current::share_of(current_ma)
        };
        let ends = [at(loop_current::FAILURE_LOW_MA), at(loop_current::FAILURE_HIGH_MA)];
        if ends.iter().any(|counts| *counts <= f64::from(least) || *counts >= f64::from(most)) {
            let found = format!("counts [{}, {}] at 4 and 20 mA", channel.counts.0, channel.counts.1);
            let allowed = format!(
                "counts that leave room for 3.6 and 21 mA ({:.0} and {:.0}) within {least} to {most}: else neither a broken \
                 wire nor a reading over the range can be told",
                ends[0], ends[1]
            );
            document.note(&channel.chain.wiring_spot, found, allowed, Some("counts = [low, high]".to_owned()));
        }
    }
}

fn headline(document: &Document<'_>, file: &RigFile) {
    let Some(headline) = &file.identity.headline else { return };
    let pressures = file.channels.iter().filter(|channel| channel.quantity == Some(Quantity::GaugePressure));
    known(document, headline, "pressure channel", pressures.map(|channel| channel.id.text.as_str()));
}
