//! Channels: inputs of their own and without holes, places that exist, bandwidth within the rate, a headline.

use super::known;
use crate::hydraulics::spec::ElementKind;
use crate::rig::chain::Wiring;
use crate::rig::file::{ChannelEntry, PlaceEntry, RigFile};
use crate::rig::model::Quantity;
use crate::rig::reader::Document;
use crate::signal::loop_current;
use std::collections::BTreeMap;

pub(super) fn check(document: &Document<'_>, file: &RigFile) {
    if file.channels.is_empty() {
        document.note(&file.identity.spot, "no channel", "at least one [[channel]]", None);
    }
    inputs(document, file);
    for channel in &file.channels {
        place(document, file, channel);
        bandwidth(document, file, channel);
        counts(document, file, channel);
        chain(document, file, channel);
    }
    headline(document, file);
}

fn inputs(document: &Document<'_>, file: &RigFile) {
    let mut seen: BTreeMap<usize, (&str, usize)> = BTreeMap::new();
    for channel in &file.channels {
        let Some(input) = channel.input else { continue };
        if let Some((other, line)) = seen.insert(input, (&channel.id.text, channel.spot.line)) {
            let found = format!("input {input}, which channel {other:?} (line {line}) has");
            document.note(&channel.input_spot, found, "an input of its own", None);
        } else if input >= file.channels.len() {
            let allowed =
                format!("0 to {}: a frame holds as many inputs as there are channels", file.channels.len() - 1);
            document.note(&channel.input_spot, format!("input {input}"), allowed, None);
        }
    }
}

fn place(document: &Document<'_>, file: &RigFile, channel: &ChannelEntry) {
    let in_water = channel.quantity == Some(Quantity::GaugePressure);
    match &channel.place {
        PlaceEntry::Node(node) => {
            known(document, node, "node", file.elevations.iter().map(|(name, _)| name.text.as_str()));
        }
        PlaceEntry::Pipe(pipe, _) => {
            let pipes = file.elements.iter().filter(|entry| matches!(entry.kind, ElementKind::Pipe(_)));
            known(document, pipe, "pipe", pipes.map(|entry| entry.id.text.as_str()));
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
