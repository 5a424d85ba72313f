//! Floor 4: measurement against prediction, cycle against cycle, starter against starter.
//!
//! [`RunData`] comes in; [`align`] cuts it into cycles, puts the predicted segments on the measured time and passes both
//! through the channel's filter; [`metric`] holds one definition each; [`mod@evaluate`] applies them all; [`repeatability`]
//! and [`verdict`] say how sure; [`table`] and [`summary`] show it.

pub mod acceptance;
pub mod agreement;
pub mod align;
pub mod cycles;
pub mod evaluate;
pub mod line_state;
pub mod metric;
pub mod recalibrate;
pub mod repeatability;
pub mod series;
pub mod set_up;
pub mod soundness;
pub mod standing_out;
pub mod summary;
pub mod table;
pub mod tolerance;
pub mod uncertainty;
pub mod verdict;

pub use evaluate::evaluate;

use crate::prediction::Prediction;
use crate::rig::chain::Chain;
use crate::sequence::marks::Mark;
use crate::sequence::ports::{Event, LinkStatistics, RunHeader, SettingsRecord, StopOutcome};
use crate::signal::{ChannelId, Scaling, Trace};
use crate::starters::StarterKind;

/// A run as the comparison sees it, whichever way it was stored.
#[derive(Debug, Clone)]
pub struct RunData {
    /// File it came from, as the user wrote it.
    pub path: String,
    /// Rig id.
    pub rig_id: String,
    /// Rig name.
    pub rig_name: String,
    /// Rig file, text.
    pub rig_text: String,
    /// Sequence file, text.
    pub sequence_text: String,
    /// The rig said that it is virtual.
    pub is_virtual: bool,
    /// Start of the recording, UTC, RFC 3339.
    pub started_utc: String,
    /// Header of the run.
    pub header: Option<RunHeader>,
    /// What the person called the run; empty: nothing.
    pub label: String,
    /// Starter kind.
    pub starter_kind: Option<StarterKind>,
    /// Channels in rig order.
    pub channels: Vec<ChannelInfo>,
    /// Index of the headline channel.
    pub headline: usize,
    /// One trace a channel, SI.
    pub traces: Vec<Trace>,
    /// Frames stored.
    pub frames: u64,
    /// Frames missing.
    pub frames_missing: u64,
    /// A lost frame leaves a trace.
    pub shows_loss: bool,
    /// Marks.
    pub marks: Vec<Mark>,
    /// Events.
    pub events: Vec<Event>,
    /// Prediction stored before the start.
    pub prediction: Option<Prediction>,
    /// Rig time at which the prediction was on disk, s.
    pub prediction_stored_s: Option<f64>,
    /// Stop outcome of each cycle, from 1.
    pub stop_outcomes: Vec<StopOutcome>,
    /// Figures of the links over the run; none in recordings of older programs.
    pub links: Vec<LinkStatistics>,
    /// Settings of every starter used: before, in force, after; none in recordings of older programs.
    pub settings: Vec<SettingsRecord>,
    /// The file was closed properly (false: recovered or still `.partial`).
    pub complete: bool,
}

/// What the comparison needs to know of a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelInfo {
    /// Id.
    pub id: ChannelId,
    /// Label.
    pub label: String,
    /// SI unit: `Pa`, `A`, `rad/s`.
    pub unit: String,
    /// It swings about zero (alternating current): its RMS value is compared.
    pub waveform: bool,
    /// Channel frequency class of the analysis filter; 0 = none.
    pub filter_class: u32,
    /// Bandwidth of sensor and mounting, Hz.
    pub bandwidth_hz: f64,
    /// Standard uncertainty of the calibration, SI.
    pub calibration_u: f64,
    /// Sensor range, SI.
    pub range: (f64, f64),
    /// Counts to SI as recorded, a zero taken off included.
    pub scaling: Scaling,
    /// Diaphragm elevation, m.
    pub elevation_m: f64,
    /// Its measuring chain.
    pub chain: Chain,
}
