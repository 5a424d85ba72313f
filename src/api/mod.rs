//! Floor 7: the contract between the daemon and its faces: plain serde types and the service trait.

pub mod client;
pub mod lead;
pub mod secret;
pub mod stage;
#[cfg(feature = "tls")]
pub mod tls;
pub mod wire;

use crate::sequence::ports::{Event, LinkState, LinkStatistics, Progress, RunEnd, StopOutcome};
use crate::starters::StarterKind;
use futures_util::future::BoxFuture;
use serde::{Deserialize, Serialize};

/// Version of the contract, part of every URL (`/v0/...`).
pub const API_VERSION: u32 = 0;

/// Everything a face needs to draw itself from nothing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Snapshot {
    /// Rig id.
    pub rig_id: String,
    /// Rig name.
    pub rig_name: String,
    /// The rig says that it is virtual.
    pub is_virtual: bool,
    /// The rig file says that the rig is invented.
    pub invented: bool,
    /// Channels.
    pub channels: Vec<ChannelView>,
    /// Starters.
    pub starters: Vec<StarterView>,
    /// What the daemon does.
    pub activity: Activity,
    /// Run in progress or last run.
    pub run: Option<RunView>,
    /// Newest log lines, oldest first, at most 200.
    pub log: Vec<Event>,
    /// Warnings to show before a start.
    pub warnings: Vec<String>,
    /// Why there are no samples now; `None`: they come.
    pub samples_lost: Option<String>,
    /// Rig time now, s.
    pub rig_time_s: f64,
    /// The selector stands at remote, where the rig says so.
    #[serde(default)]
    pub remote: Option<bool>,
    /// The hardwired emergency-stop circuit is closed, where the rig says so.
    #[serde(default)]
    pub emergency_stop_ok: Option<bool>,
    /// Figures of each link since it was opened.
    #[serde(default)]
    pub links: Vec<LinkStatistics>,
    /// Who holds the controls; `None`: nobody.
    #[serde(default)]
    pub controller: Option<stage::Controller>,
    /// What stands beside it: that the controls are about to time out, or how they came to be free.
    #[serde(default)]
    pub controls_note: Option<String>,
    /// What those who watch guessed about the run that is on or was last.
    #[serde(default)]
    pub guess: Option<stage::Guess>,
    /// Line-up that the bench unit reads back, or that was last confirmed here: its id.
    #[serde(default)]
    pub line_up: Option<String>,
    /// What a start needs, as it stands now.
    #[serde(default)]
    pub readiness: Vec<lead::Requirement>,
}

/// A channel for a chart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelView {
    /// Id.
    pub id: String,
    /// Label.
    pub label: String,
    /// `Pa`, `A`, `rad/s`.
    pub unit: String,
    /// Drawn first.
    pub headline: bool,
    /// What stands against its calibration today, in words: missing, expired or not yet in force; `None`: nothing, or the rig is
    /// virtual and its channels are no instruments.
    #[serde(default)]
    pub calibration_caution: Option<String>,
}

/// A starter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StarterView {
    /// Id.
    pub id: String,
    /// Kind.
    pub kind: StarterKind,
    /// Link state.
    pub link: LinkState,
    /// Output energised, as polled; `None`: unknown.
    pub running: Option<bool>,
    /// Fault code.
    pub fault: Option<u16>,
}

/// What the daemon does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Activity {
    /// Nothing runs; starting is possible.
    Idle,
    /// A run is on.
    Running,
    /// A stop was ordered and is being confirmed.
    Stopping,
    /// The recording is being closed.
    Closing,
    /// The daemon is going down.
    ShuttingDown,
}

/// A run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunView {
    /// Number within this daemon, from 1.
    pub number: u32,
    /// Starter.
    pub starter: String,
    /// Where it stands.
    pub progress: Option<Progress>,
    /// A question that waits for a confirmation.
    pub question: Option<(u32, String)>,
    /// The question is for those who watch, and may be answered by a guess.
    #[serde(default)]
    pub for_audience: bool,
    /// The latest question to those who watch; it stays after it was answered.
    #[serde(default)]
    pub asked: Option<String>,
    /// The sequence as the face named it.
    #[serde(default)]
    pub sequence: String,
    /// Last line said.
    pub said: Option<String>,
    /// Latest stop outcome.
    pub stop: Option<StopOutcome>,
    /// Rig time of the latest start or stop mark, s, which phase, which cycle.
    pub anchor: Option<(f64, crate::sequence::marks::Phase, u32)>,
    /// Recording file.
    pub recording: String,
    /// How it ended.
    pub end: Option<RunEnd>,
    /// The recording was closed whole.
    pub recording_complete: bool,
}

/// A decimated piece of the live stream: smallest and largest of each interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LivePiece {
    /// Rig time of the first interval, s.
    pub t0_s: f64,
    /// Interval, s.
    pub dt_s: f64,
    /// For each channel: (smallest, largest) of each interval, SI.
    pub channels: Vec<Vec<(f32, f32)>>,
}

/// A predicted segment to draw under the live trace, decimated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PredictedPiece {
    /// Cycle.
    pub cycle: u32,
    /// Phase.
    pub phase: crate::sequence::marks::Phase,
    /// First sample relative to the mark, s.
    pub t0_s: f64,
    /// Interval, s.
    pub dt_s: f64,
    /// One series a channel, SI.
    pub series: Vec<Vec<f32>>,
    /// Lower end of the band, like `series`; empty without a band.
    #[serde(default)]
    pub lower: Vec<Vec<f32>>,
    /// Upper end, likewise.
    #[serde(default)]
    pub upper: Vec<Vec<f32>>,
    /// Lines that fill: (element, full length in m at the times of the series).
    #[serde(default)]
    pub fronts: Vec<(String, Vec<f32>)>,
}

/// What a subscriber receives, in order: one `Snapshot`, then the rest as it happens.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "type", content = "data")]
pub enum Update {
    /// Everything, at the beginning and after falling behind.
    Snapshot(Box<Snapshot>),
    /// Activity, run or starters changed.
    State(Box<Snapshot>),
    /// Live samples, about 20 a second.
    Live(LivePiece),
    /// The prediction of the run about to start.
    Predicted(Vec<PredictedPiece>),
    /// A log line.
    Log(Event),
    /// This subscriber was too slow: so many updates were dropped; a snapshot follows.
    Dropped(u64),
}

/// Ask for a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunRequest {
    /// Sequence, TOML text.
    pub sequence_text: String,
    /// Name of the sequence file, for messages.
    pub sequence_name: String,
    /// Starter id.
    pub starter: String,
    /// Person in attendance.
    pub attending: String,
    /// Confirm every question at once in this name; only a virtual rig accepts `virtual rig`.
    pub confirmed_by: Option<String>,
    /// Folder for the recording, on the daemon's machine; empty: the daemon's own.
    #[serde(default)]
    pub out_dir: String,
    /// What the person calls this run, kept with the recording; empty: nothing.
    #[serde(default)]
    pub label: String,
    /// Members of the band about the prediction; `None`: as the program does; 0: no band.
    #[serde(default)]
    pub band: Option<u32>,
    /// A name of the face's own making, the same that it subscribes with ([`Service::subscribe_as`]): where no such
    /// subscription is left, the step that is on ends and the run stops after the rig's `grace`. `None`: the run does not hang
    /// on a face.
    #[serde(default)]
    pub face: Option<String>,
    /// Begin with this cycle of the sequence, from 1; confirmations and line-ups before the first start are asked for all the
    /// same. `None`: the first.
    #[serde(default)]
    pub from_cycle: Option<u32>,
}

/// What a stop order led to. The order has been handed to the stop line when this is returned; whether the motor
/// stopped is the run's outcome, never this answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StopReport {
    /// Starters that were sent a stop.
    pub sent_to: Vec<String>,
    /// In words.
    pub text: String,
}

/// Why the service refused.
#[derive(Debug, Clone, thiserror::Error, PartialEq, Serialize, Deserialize)]
pub enum ServiceError {
    /// The request makes no sense now or is not allowed; nothing moved.
    #[error("{text}")]
    Refused {
        /// Why, with what to try.
        text: String,
    },
    /// The daemon is gone or never answered.
    #[error("{address}: {reason}")]
    Unreachable {
        /// host:port.
        address: String,
        /// Why.
        reason: String,
    },
}

/// What the daemon offers. In process it is the daemon itself, elsewhere [`client`].
pub trait Service: Send + Sync {
    /// Everything as of now.
    fn snapshot(&self) -> BoxFuture<'_, Result<Snapshot, ServiceError>>;
    /// Subscribe: the receiver gets a `Snapshot` first.
    fn subscribe(&self) -> BoxFuture<'_, Result<tokio::sync::mpsc::Receiver<Update>, ServiceError>>;
    /// As [`Self::subscribe`], under a name of the face's own making, for a run that hangs on it ([`RunRequest::face`]).
    fn subscribe_as(&self, face: String) -> BoxFuture<'_, Result<tokio::sync::mpsc::Receiver<Update>, ServiceError>>;
    /// Start a run; answers with its number once accepted.
    fn start_run(&self, request: RunRequest) -> BoxFuture<'_, Result<u32, ServiceError>>;
    /// Stop whatever runs. `by` is a person or a face (`watch`, `SIGTERM`).
    fn stop(&self, by: String) -> BoxFuture<'_, Result<StopReport, ServiceError>>;
    /// Confirm question `id`.
    fn confirm(&self, id: u32, by: String) -> BoxFuture<'_, Result<(), ServiceError>>;
}
