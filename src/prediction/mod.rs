//! Floor 4: what will happen, computed before the run by driving the same sequence machine with a simulated plant.

pub mod bands;
pub mod beside;
mod digest;
pub mod events;
pub mod filling;
mod held;
pub mod loss;
mod reach;
mod replay;
mod sensors;
mod separation;
mod simulate;
pub mod strength;
mod start_heat;
mod strokes;
pub mod summary;
pub mod transfer;
mod valve_events;
mod warnings;

pub use crate::signal::response::{DAMPING, Response};
pub use simulate::{LEAD_IN_S, LONGEST_S, PredictionError, Rehearsal, STORED_HZ, predict, rehearse};

pub use bands::{Band, BandOptions};
pub use replay::Record;

pub use events::{EventKind, PredictedEvent};
pub use loss::SuddenStop;
pub use reach::NodeReach;
pub use separation::Separation;

use crate::rig::model::Rig;
use crate::sequence::marks::Phase;
use crate::sequence::script::Script;
use crate::signal::ChannelId;
use serde::{Deserialize, Serialize};

/// A predicted run: one segment a phase and cycle, each anchored to the mark that starts it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Prediction {
    /// Channels in rig order (all of the rig's channels: pressures, current, speed).
    pub channels: Vec<ChannelId>,
    /// Names of the series beside the channels, each with its unit (`npsh_margin_m`); empty in older predictions.
    #[serde(default)]
    pub beside: Vec<String>,
    /// Segments in order of time.
    pub segments: Vec<Segment>,
    /// What it was made with.
    pub made_with: MadeWith,
    /// Assumptions in words (confirm and ask take no time, line full, ...).
    pub assumptions: Vec<String>,
    /// What a person should know of it first, each with its reason and a number: a pump that moves no water, a speed too
    /// slow or too fast, a time step too coarse.
    #[serde(default)]
    pub warnings: Vec<String>,
    /// What loss of supply does from steady running; no ramp helps then. `None`: made before it was computed, or not
    /// computable (an assumption then says why).
    #[serde(default)]
    pub loss_of_supply: Option<SuddenStop>,
    /// What an emergency stop does from steady running, likewise.
    #[serde(default)]
    pub emergency_stop: Option<SuddenStop>,
    /// What happens, in order of time.
    #[serde(default)]
    pub events: Vec<PredictedEvent>,
    /// Vapour in the run with the residual of its volume balance; `None`: the water does not part.
    #[serde(default)]
    pub separation: Option<Separation>,
    /// How far the pressure goes at nodes that no channel shows; empty in older predictions.
    #[serde(default)]
    pub reach: Vec<NodeReach>,
    /// The band about it, where one was asked for; stored and hashed, never computed again.
    #[serde(default)]
    pub band: Option<Band>,
    /// SHA-256 over the canonical bytes of all of the above, hex (`""` while being made).
    pub sha256: String,
}

impl Prediction {
    /// Puts a band beside and seals anew.
    #[must_use]
    pub fn with_band(mut self, band: Band) -> Self {
        let fewer = match (band.members as usize) < bands::MEMBERS {
            true => format!(" (fewer than the usual {}, so narrower)", bands::MEMBERS),
            false => String::new(),
        };
        self.assumptions.push(format!(
            "band: {} members{fewer}, {} of them failed, seed {}; {}; varied within (half-widths): {}",
            band.members,
            band.failed,
            band.seed,
            band.way_in_words(),
            band.uncertainty.in_words()
        ));
        self.band = Some(band);
        self.sha256 = self.digest();
        self
    }
}

/// What is asked for about a prediction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BandWish {
    /// Members; `None`: [`bands::usual_members`]; 0: no band.
    pub members: Option<u32>,
    /// Seed of the draws.
    pub seed: u64,
    /// Threads; the answer does not depend on it.
    pub threads: usize,
}

/// Seed of a band when nobody says another.
pub const BAND_SEED: u64 = 1;

/// The run of `script` through starter `starter_index` of `rig`, rehearsed, with the band that is wished for about it;
/// without one once `wanted` says no.
///
/// # Errors
/// As [`rehearse`].
pub fn rehearse_with_band(
    rig: &Rig,
    script: &Script,
    starter_index: usize,
    wish: BandWish,
    wanted: bands::Wanted<'_>,
) -> Result<Rehearsal, PredictionError> {
    let rehearsal = rehearse(rig, script, starter_index)?;
    let usual = || bands::usual_members(rig, script, &rehearsal);
    let members = wish.members.map_or_else(usual, |members| members as usize);
    if members == 0 {
        return Ok(rehearsal);
    }
    let options = BandOptions { members, seed: wish.seed, threads: wish.threads };
    match bands::band_while(rig, script, &rehearsal, options, wanted) {
        Some(band) => Ok(Rehearsal { prediction: rehearsal.prediction.with_band(band), ..rehearsal }),
        None => Ok(rehearsal),
    }
}

/// One anchored piece.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Segment {
    /// Cycle from 1.
    pub cycle: u32,
    /// Start phase (anchored to the start mark) or stop phase.
    pub phase: Phase,
    /// Time of the first sample relative to the mark, s (negative: lead-in).
    pub t0_s: f64,
    /// Sample interval, s.
    pub dt_s: f64,
    /// One series a channel, SI, through the channel's own response; same order as `channels`.
    pub series: Vec<Vec<f32>>,
    /// Flow through the pump, m3/s.
    pub flow_m3_s: Vec<f32>,
    /// One series a name of [`Prediction::beside`], same order; `NaN` where there is no such figure.
    #[serde(default, with = "no_number")]
    pub beside: Vec<Vec<f32>>,
}

/// Inputs and versions.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MadeWith {
    /// Program version.
    pub version: String,
    /// SHA-256 of the rig text.
    pub rig_sha256: String,
    /// SHA-256 of the sequence text.
    pub sequence_sha256: String,
    /// Starter id.
    pub starter: String,
    /// Solver in words (`characteristics, first true version`).
    pub solver: String,
    /// Step by which pipe ends, valves, tanks and the shaft advance, s: on the half grid the friction of a cell is taken
    /// over half of it.
    pub dt_s: f64,
    /// Cells in all.
    pub cells: usize,
    /// Largest wave-speed adjustment made, relative.
    pub wave_speed_adjustment: f64,
}

/// JSON has no word for a number that is none: `null` stands for it, both ways.
mod no_number {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(series: &[Vec<f32>], to: S) -> Result<S::Ok, S::Error> {
        series.serialize(to)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<Vec<f32>>, D::Error> {
        let series = Vec::<Vec<Option<f32>>>::deserialize(from)?;
        Ok(series.into_iter().map(|one| one.into_iter().map(|value| value.unwrap_or(f32::NAN)).collect()).collect())
    }
}
