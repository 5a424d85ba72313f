//! What `predict` says of lines, fittings and limits that shipped rigs do not have as they are: each by an edit of one.

mod air;
mod difference;
mod fittings;
mod held;
mod limits;
mod starters;
mod words;

use ramprig::prediction::{EventKind, PredictedEvent, Prediction, rehearse};
use ramprig::rig::model::Rig;
use ramprig::rig::{self, parse};
use ramprig::sequence::script::{Script, shipped};

/// A shipped rig's text with edits, each of which must apply.
fn edited(name: &str, edits: &[(&str, &str)]) -> String {
    edits.iter().fold(rig::shipped(name).unwrap().to_owned(), |text, (old, new)| {
        assert!(text.contains(old), "{name} no longer says {old:?}");
        text.replacen(old, new, 1)
    })
}

fn rig_of(text: &str) -> Rig {
    parse(text, "rig.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

/// A shipped sequence with edits, each of which must apply.
fn sequence(name: &str, edits: &[(&str, &str)]) -> String {
    edits.iter().fold(shipped(name).unwrap().to_owned(), |text, (old, new)| {
        assert!(text.contains(old), "{name} no longer says {old:?}");
        text.replacen(old, new, 1)
    })
}

fn predict(rig: &Rig, sequence: &str, starter: &str) -> Prediction {
    let starter = rig.starter_index(starter).unwrap();
    let script = Script::parse(sequence, "sequence.toml", rig, starter).unwrap_or_else(|problems| panic!("{problems}"));
    rehearse(rig, &script, starter).unwrap_or_else(|why| panic!("{why}")).prediction
}

fn event(prediction: &Prediction, kind: EventKind) -> Option<&PredictedEvent> {
    prediction.events.iter().find(|event| event.kind == kind)
}

/// Last value of a series beside the channels in a segment.
fn last(prediction: &Prediction, segment: usize, name: &str) -> f64 {
    let index = prediction.beside.iter().position(|known| known == name).unwrap_or_else(|| panic!("no series {name}"));
    f64::from(*prediction.segments[segment].beside[index].last().unwrap())
}

/// Last value of a channel in a segment.
fn last_of_channel(prediction: &Prediction, segment: usize, id: &str) -> f64 {
    let index = prediction.channels.iter().position(|channel| channel.0 == id).unwrap();
    f64::from(*prediction.segments[segment].series[index].last().unwrap())
}
