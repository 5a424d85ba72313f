//! What a face may order, and by what right. A stop needs none beyond the gate's; everything else needs the controls, and
//! from another computer also the rig file's word (`remote_start`), since a confirmation may be what a start waits for.

use super::gate::Caller;
use crate::api::stage::{Controller, Grant, Stage};
use crate::api::{RunRequest, ServiceError};
use serde::de::Error as _;
use serde::{Deserialize, Deserializer};

/// Longest name of somebody or something, characters.
const LONGEST_NAME: usize = 200;
/// Up to here every whole number is a number of two's powers (IEEE 754, 53 bits).
const EXACT: f64 = 9_007_199_254_740_992.0;

fn refused(text: impl Into<String>) -> ServiceError {
    ServiceError::Refused { text: text.into() }
}

/// Ask for a run: a sequence by name, or its text.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(super) struct RunOrder {
    sequence: Option<String>,
    sequence_text: Option<String>,
    sequence_name: Option<String>,
    starter: String,
    attending: String,
    confirmed_by: Option<String>,
    out_dir: String,
    label: String,
    #[serde(deserialize_with = "perhaps_whole")]
    band: Option<u32>,
    face: Option<String>,
    #[serde(deserialize_with = "perhaps_whole")]
    from_cycle: Option<u32>,
}

/// A whole number, `4.0` too: JSON Schema (2020-12, validation, 6.1.1) calls that an integer.
pub(super) fn whole<'de, D: Deserializer<'de>, T: TryFrom<u64>>(from: D) -> Result<T, D::Error> {
    let number = serde_json::Number::deserialize(from)?;
    let by_point = || number.as_f64().filter(|value| value.fract() == 0.0 && (0.0..=EXACT).contains(value));
    let value = number.as_u64().or_else(|| by_point().map(|value| value as u64));
    let fits = value.and_then(|value| T::try_from(value).ok());
    fits.ok_or_else(|| D::Error::custom(format!("{number}: not a whole number from 0 that fits here")))
}

/// The same, or none.
fn perhaps_whole<'de, D: Deserializer<'de>>(from: D) -> Result<Option<u32>, D::Error> {
    #[derive(Deserialize)]
    struct Whole(#[serde(deserialize_with = "whole")] u32);
    Ok(Option::<Whole>::deserialize(from)?.map(|Whole(value)| value))
}

impl RunOrder {
    /// As the daemon takes it.
    pub fn request(self, stage: &dyn Stage) -> Result<RunRequest, ServiceError> {
        let (sequence_text, sequence_name) = match (self.sequence, self.sequence_text) {
            (Some(name), None) => {
                let text = stage.sequence(&name).ok_or_else(|| {
                    let known: Vec<String> =
                        stage.rig_view().sequences.iter().map(|sequence| sequence.id.clone()).collect();
                    refused(format!("no sequence `{name}` for this rig; it has: {}", known.join(", ")))
                })?;
                (text, name)
            }
            (None, Some(text)) => (text, self.sequence_name.unwrap_or_else(|| "sequence.toml".to_owned())),
            _ => return Err(refused("a run needs one of sequence (a name) and sequence_text")),
        };
        Ok(RunRequest {
            sequence_text,
            sequence_name,
            starter: self.starter,
            attending: self.attending,
            confirmed_by: self.confirmed_by,
            out_dir: self.out_dir,
            label: short(self.label)?,
            band: self.band,
            face: self.face,
            from_cycle: self.from_cycle,
        })
    }
}

/// May a face at this place have the controls at all?
fn near_enough(stage: &dyn Stage, caller: Caller) -> Result<(), ServiceError> {
    match caller.local || stage.rig_view().remote_start {
        true => Ok(()),
        false => Err(refused(
            "from another computer this rig is watched and stopped, not commanded; its rig file may allow it: [rig] \
             remote_start = true",
        )),
    }
}

/// Take the controls.
pub(super) fn take(stage: &dyn Stage, caller: Caller, name: &str) -> Result<Grant, ServiceError> {
    near_enough(stage, caller)?;
    stage.take_control(name, &caller.from())
}

/// The one who holds the controls, where this face may use them from where it is.
pub(super) fn commanded(stage: &dyn Stage, caller: Caller, key: Option<&str>) -> Result<Controller, ServiceError> {
    near_enough(stage, caller)?;
    stage.controller_by(key.unwrap_or_default())
}

/// A run as it may be started by the holder of the controls.
pub(super) fn run_by(caller: Caller, by: &Controller, request: RunRequest) -> Result<RunRequest, ServiceError> {
    let attending = request.attending.trim();
    if !attending.is_empty() && attending != by.name {
        let text =
            format!("{attending} is to attend, but {} holds the controls; they must be the same person", by.name);
        return Err(refused(text));
    }
    if !caller.local && !request.out_dir.trim().is_empty() {
        return Err(refused("from another computer recordings go where the daemon keeps its own: no out_dir"));
    }
    if !caller.local && request.confirmed_by.is_some() {
        return Err(refused("from another computer nothing is confirmed beforehand: no confirmed_by"));
    }
    // Who holds the controls attends; a rig that confirms itself needs nobody.
    let attending = match &request.confirmed_by {
        Some(_) => request.attending,
        None => by.name.clone(),
    };
    Ok(RunRequest { attending, ..request })
}

/// A name that a person or a face gives itself.
pub(super) fn short(name: String) -> Result<String, ServiceError> {
    match name.chars().count() <= LONGEST_NAME && !name.chars().any(char::is_control) {
        true => Ok(name),
        false => Err(refused("a name or label has at most 200 characters and no control characters")),
    }
}
