//! What the executor needs from the world. `fieldbus` implements [`StarterPort`], [`StopLine`] and [`BenchPort`],
//! `acquisition` implements [`SamplePort`], `recording` implements [`Journal`], `daemon` implements [`Operator`].
//! Tests put mocks here and nowhere else.

use super::marks::Mark;
use crate::prediction::Prediction;
use crate::rig::register_map::Role;
use crate::starters::{Settings, StopKind};
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use std::time::Duration;

/// Why a port could not do what was asked. Nothing is assumed to have happened on the far side.
#[derive(Debug, Clone, thiserror::Error, PartialEq, Serialize, Deserialize)]
pub enum PortError {
    /// No link.
    #[error("{address}: no link: {reason}")]
    LinkDown {
        /// host:port.
        address: String,
        /// Operating system's or protocol's words.
        reason: String,
    },
    /// The device did not answer in time.
    #[error("{address} unit {unit}: no answer within {timeout_ms} ms")]
    Timeout {
        /// host:port.
        address: String,
        /// Modbus unit.
        unit: u8,
        /// Time-out, ms.
        timeout_ms: u64,
    },
    /// The device refused (Modbus exception).
    #[error("{address} unit {unit}: refused with exception {code} ({meaning})")]
    Refused {
        /// host:port.
        address: String,
        /// Modbus unit.
        unit: u8,
        /// Exception code.
        code: u8,
        /// Its name in the specification.
        meaning: String,
    },
    /// A value read back differs from the value written.
    #[error("{address} unit {unit}: {role} was written as {wrote} but reads {read}")]
    ReadBack {
        /// host:port.
        address: String,
        /// Modbus unit.
        unit: u8,
        /// Role of the field.
        role: String,
        /// Bit pattern written.
        wrote: u64,
        /// Bit pattern read.
        read: u64,
    },
    /// The device is not the one the map describes.
    #[error("{address} unit {unit}: identity register reads {found:#06x}, the map expects {expected:#06x}")]
    WrongDevice {
        /// host:port.
        address: String,
        /// Modbus unit.
        unit: u8,
        /// Found.
        found: u16,
        /// Expected.
        expected: u16,
    },
    /// A setting under which the starter may turn the motor by itself.
    #[error(
        "{address} unit {unit}: {role} reads {found}, must be {expected}: the starter may start by itself; try: set it there"
    )]
    StartsByItself {
        /// host:port.
        address: String,
        /// Modbus unit.
        unit: u8,
        /// Role of the field.
        role: String,
        /// Found.
        found: u64,
        /// Expected.
        expected: u16,
    },
    /// A setting under which a stop by ramp is another stop than the rig file says.
    #[error(
        "{address} unit {unit}: {role} reads {found}, must be {expected}: a stop by ramp would take another ramp; try: set it there"
    )]
    StopsOtherwise {
        /// host:port.
        address: String,
        /// Modbus unit.
        unit: u8,
        /// Role of the field.
        role: String,
        /// Found.
        found: u64,
        /// Expected.
        expected: u16,
    },
    /// The wanted value does not fit the map.
    #[error("{role} = {value}: outside what the device's map allows")]
    OutOfRange {
        /// Role of the field.
        role: String,
        /// Wanted SI value.
        value: f64,
    },
    /// A register kept without power has been written as often as its map allows in all.
    #[error(
        "{address} unit {unit}: {role} was written {budget} times from this computer, the map allows no more: the device keeps it \
         without power and wears; try: leave this setting as it is"
    )]
    WornOut {
        /// host:port.
        address: String,
        /// Modbus unit.
        unit: u8,
        /// Role of the field.
        role: String,
        /// Allowed writes.
        budget: u32,
    },
    /// A stop was ordered before this could be done; it was not sent, or was followed by the stop.
    #[error("{address} unit {unit}: overtaken by a stop")]
    Overtaken {
        /// host:port.
        address: String,
        /// Modbus unit.
        unit: u8,
    },
    /// The map lacks a field that is needed.
    #[error("map {map} has no field for {role}")]
    NoField {
        /// Map name.
        map: String,
        /// Role.
        role: String,
    },
}

/// Who a device says it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceIdentity {
    /// Signature register.
    pub signature: u16,
    /// Firmware register, if the map has one.
    pub firmware: Option<u16>,
    /// True when the device says that it is virtual.
    pub is_virtual: bool,
}

/// Orders that are not stops.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum StarterOrder {
    /// Start (a fresh edge of the run bit, or the state machine's way to operation enabled).
    Start,
    /// Clear a latched fault; never starts anything.
    Reset,
}

/// A write with its read-back, for the record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CommandRecord {
    /// Wall clock just before the bytes left, ns.
    pub sent_wall_ns: u64,
    /// Wall clock when the read-back was in, ns; `None`: unconfirmed.
    pub answered_wall_ns: Option<u64>,
    /// Link, unit and what was ordered, in words (`bench/2 run=1`).
    pub what: String,
    /// Raw value written.
    pub wrote: u16,
    /// Raw value read back.
    pub read_back: Option<u16>,
}

/// The newest polled status of a starter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
pub struct StatusReading {
    /// Wall clock of the answer, ns.
    pub at_wall_ns: u64,
    /// Output energised.
    pub running: bool,
    /// Full voltage or set speed.
    pub at_speed: bool,
    /// Fault code, 0 = none.
    pub fault: u16,
    /// Device's own current, A.
    pub current_a: Option<f64>,
    /// Output frequency as share of rated.
    pub speed_actual: Option<f64>,
    /// Device's own start count.
    pub start_count: Option<u16>,
    /// Its own selector stands at remote, where it says so.
    #[serde(default)]
    pub remote: Option<bool>,
    /// Its own input of the emergency-stop circuit is closed, where it says so.
    #[serde(default)]
    pub emergency_stop_ok: Option<bool>,
}

/// State of a link.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum LinkState {
    /// Answers.
    Up,
    /// Lost since a wall time, ns, with the reason.
    Down {
        /// Since, wall ns.
        since_wall_ns: u64,
        /// Why.
        reason: String,
    },
}

/// Figures of one link since it was opened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
pub struct LinkStatistics {
    /// Link id.
    pub link: String,
    /// Answered requests.
    pub answered: u64,
    /// Median time from request to answer over the last 4096, ms.
    pub latency_p50_ms: Option<f64>,
    /// 99th percentile of the same, ms.
    pub latency_p99_ms: Option<f64>,
    /// Requests without an answer in time.
    pub timeouts: u64,
    /// Connections opened after the first, on both seats.
    pub reopens: u64,
    /// Requests refused by the device.
    pub exceptions: u64,
    /// Answers that could not be believed; on TCP each costs the connection.
    pub disbelieved: u64,
    /// Serial: answers with a wrong check sum.
    pub crc_errors: u64,
    /// Serial: bytes that nothing had asked for.
    pub stray_bytes: u64,
    /// Reads asked again.
    pub retries: u64,
    /// Stop attempts whose bytes left.
    pub stops_sent: u64,
    /// 99th percentile of the time from the call of a stop line to just before its first bytes left, ms.
    pub stop_delay_p99_ms: Option<f64>,
    /// Setting registers written (wear of non-volatile memory).
    pub setting_writes: u64,
    /// Stop records that nobody took in time.
    pub records_dropped: u64,
}

impl LinkStatistics {
    /// One line for the log and the recording.
    pub fn line(&self) -> String {
        let ms = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |ms| format!("{ms:.1} ms"));
        format!(
            "link {}: {} answers (median {}, 99th percentile {}), {} time-outs, {} retries, {} reopened, {} not \
             believed ({} wrong check sums, {} stray bytes), {} exceptions, {} stops sent (99th percentile {}), \
             {} setting writes",
            self.link,
            self.answered,
            ms(self.latency_p50_ms),
            ms(self.latency_p99_ms),
            self.timeouts,
            self.retries,
            self.reopens,
            self.disbelieved,
            self.crc_errors,
            self.stray_bytes,
            self.exceptions,
            self.stops_sent,
            ms(self.stop_delay_p99_ms),
            self.setting_writes,
        )
    }
}

impl LinkStatistics {
    /// The figures that a live screen has room for.
    pub fn brief(&self) -> String {
        let ms = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |ms| format!("{ms:.1}"));
        format!(
            "{} {}/{} ms, {} late, {} retries, {} CRC",
            self.link,
            ms(self.latency_p50_ms),
            ms(self.latency_p99_ms),
            self.timeouts,
            self.retries,
            self.crc_errors
        )
    }
}

/// A line that stops one starter. Callable from any thread, never blocks, may be called any number of times. The order
/// overtakes whatever the bus is doing (second connection where there is one, else ahead of all queued work).
pub trait StopLine: Send + Sync {
    /// Send the stop now. `cause` goes to the record.
    fn stop(&self, kind: StopKind, cause: &str);
    /// Records of the stops sent since the last call, as they became known.
    fn take_records(&self) -> Vec<CommandRecord>;
    /// Somebody has taken over at the rig: a stop that is still being repeated is not sent again.
    fn let_go(&self) {}
}

/// A stop line of a test: every stop it was given.
#[cfg(test)]
#[derive(Default)]
pub(crate) struct Heard(pub std::sync::Mutex<Vec<(StopKind, String)>>);

#[cfg(test)]
impl StopLine for Heard {
    fn stop(&self, kind: StopKind, cause: &str) {
        self.0.lock().unwrap().push((kind, cause.to_owned()));
    }
    fn take_records(&self) -> Vec<CommandRecord> {
        Vec::new()
    }
}

/// One starter.
pub trait StarterPort: Send {
    /// Read identity; must have succeeded before any write is accepted.
    fn identify(&mut self) -> Result<DeviceIdentity, PortError>;
    /// Read all settings the map has.
    fn read_settings(&mut self) -> Result<Settings, PortError>;
    /// Write the settings that are `Some`, read all back; differs -> `ReadBack`.
    fn apply_settings(&mut self, wanted: &Settings) -> Result<Settings, PortError>;
    /// What the starter may do by itself, by the registers that its map has for it (`restart_after_fault` and the like), in
    /// words; none where the map has none.
    fn read_restart(&mut self) -> Result<Vec<String>, PortError> {
        Ok(Vec::new())
    }
    /// Take back a run order that an earlier session, or a lost link, left while the output is off; `None`: there was none.
    fn clear_run(&mut self) -> Result<Option<CommandRecord>, PortError>;
    /// Write, read back. A start also begins the heartbeat.
    fn order(&mut self, order: StarterOrder) -> Result<CommandRecord, PortError>;
    /// Newest status (polled in the background), `None` before the first.
    fn status(&self) -> Option<StatusReading>;
    /// Link state.
    fn link(&self) -> LinkState;
    /// Its stop line.
    fn stop_line(&self) -> Arc<dyn StopLine>;
    /// Let the heartbeat run or withhold it. The executor calls `true` at least every 200 ms while it is well;
    /// without such a call for 500 ms (wall) the port withholds by itself.
    fn alive(&self, well: bool);
}

/// The bench unit: transfer device, selector, emergency-stop state.
pub trait BenchPort: Send {
    /// Read identity; must have succeeded before any write is accepted.
    fn identify(&mut self) -> Result<DeviceIdentity, PortError>;
    /// Ask for a position of the transfer device. The caller has proven all starters off.
    fn select(&mut self, position: u16) -> Result<CommandRecord, PortError>;
    /// Have the valves of a virtual bench set as in this line-up, from 1; `None`: it has no hands for that. The caller has
    /// proven that the bench is virtual.
    fn set_line_up(&mut self, number: u16) -> Result<Option<CommandRecord>, PortError>;
    /// Warning output before a start on or off; `None`: it has none.
    fn warn(&mut self, _on: bool) -> Result<Option<CommandRecord>, PortError> {
        Ok(None)
    }
    /// Newest polled values by role (raw), with the wall time of the poll, ns.
    fn values(&self) -> Option<(u64, Vec<(Role, u16)>)>;
    /// Link state.
    fn link(&self) -> LinkState;
}

/// A limit the sampling thread watches by itself.
#[derive(Clone)]
pub struct ArmedTrip {
    /// Index into the rig's trips.
    pub trip: usize,
    /// Not before this rig time, ns.
    pub from_rig_ns: u64,
    /// Line to pull.
    pub stop_line: Arc<dyn StopLine>,
}

/// A trip that acted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TripEvent {
    /// Index into the rig's trips.
    pub trip: usize,
    /// Rig time of the first offending sample, ns.
    pub at_rig_ns: u64,
    /// Wall clock when the stop line was called, ns.
    pub acted_wall_ns: u64,
    /// Value, SI (NaN for a lost stream).
    pub value: f64,
}

/// What the newest samples say.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SampleView {
    /// Rig time of the newest frame, ns.
    pub newest_rig_ns: u64,
    /// Wall time since the newest frame arrived, ns.
    pub age_wall_ns: u64,
    /// Mean of the last 0.1 s of rig time, SI, channel order; of a current as it swings its RMS value; NaN where unknown.
    pub mean: Vec<f64>,
    /// Channels whose every sample of the last 0.1 s was a failure or at the end of what the sensor can show.
    pub unbelievable: Vec<bool>,
    /// Largest minus smallest in the last 1 s of rig time, SI, channel order.
    pub span_1s: Vec<f64>,
    /// Frames received and missing since the stream began.
    pub frames: u64,
    /// Frames missing since the stream began.
    pub frames_missing: u64,
    /// Why the stream counts as lost; `None`: alive.
    pub lost: Option<String>,
}

/// Slow values of devices that are only looked at, as whoever polls them has them.
pub trait SlowValues: Send + Sync {
    /// Newest number (before scaling) of a register of the rig's device, and the wall time it was asked for, ns; `None`: none
    /// yet.
    fn newest(&self, device: usize, role: Role) -> Option<(i32, u64)>;
}

/// The sample stream.
pub trait SamplePort: Send {
    /// Newest view.
    fn view(&self) -> SampleView;
    /// Replace the set of armed limit trips (empty: none). Stream-lost trips are armed the same way.
    fn arm(&self, trips: Vec<ArmedTrip>);
    /// Trips that acted since the last call.
    fn take_trips(&self) -> Vec<TripEvent>;
    /// Wait (wall) until frames newer than `after_rig_ns` exist, or the time-out passes.
    fn wait_newer(&self, after_rig_ns: u64, timeout: Duration) -> SampleView;
}

/// How sure it is that the motor is stopped. Never "safe".
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum StopOutcome {
    /// Status and an independent fact (current, auxiliary contact, shaft speed) say so.
    #[serde(rename = "confirmed")]
    Confirmed,
    /// Status only.
    #[serde(rename = "inferred")]
    Inferred,
    /// Neither.
    #[serde(rename = "NOT confirmed")]
    NotConfirmed,
}

impl std::fmt::Display for StopOutcome {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Confirmed => "stop confirmed",
            Self::Inferred => "stop inferred",
            Self::NotConfirmed => "stop NOT confirmed",
        })
    }
}

/// How serious an event is (ISO 3864 words).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// For the record.
    Note,
    /// Not about injury.
    Notice,
    /// Minor injury possible.
    Caution,
    /// Serious injury possible.
    Warning,
    /// Serious injury likely.
    Danger,
}

/// A line of the log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// Rig time, s.
    pub at_s: f64,
    /// Level.
    pub level: Level,
    /// Text.
    pub text: String,
}

/// What was made before the first start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunHeader {
    /// Starter id.
    pub starter: String,
    /// Person in attendance, or `virtual rig`.
    pub attending: String,
    /// Who confirmed, as typed.
    pub confirmed_by: String,
    /// Settings before, as read.
    pub settings_before: Settings,
    /// Settings in force, as read back.
    pub settings_in_force: Settings,
    /// Identity of the starter.
    pub identity: DeviceIdentity,
    /// When the emergency stop and each starter's own watch over the link were last proven, in words; none in recordings of
    /// older programs.
    #[serde(default)]
    pub last_proofs: Vec<String>,
}

/// Which moment of a run settings belong to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SettingsMoment {
    /// As found, before the run wrote any.
    Before,
    /// Written and read back.
    InForce,
    /// As the run left them.
    After,
}

/// Settings of a starter at one moment of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SettingsRecord {
    /// Rig time, s.
    pub at_s: f64,
    /// Starter id.
    pub starter: String,
    /// Moment.
    pub moment: SettingsMoment,
    /// As read from the device.
    pub settings: Settings,
}

/// The record of a run. Calls never block on the disk: a full channel is an error that stops the run.
pub trait Journal: Send {
    /// Header, once, before the first start.
    fn header(&mut self, header: &RunHeader) -> Result<(), JournalError>;
    /// The prediction, durable on disk when this returns (blocks up to 5 s).
    fn prediction(&mut self, prediction: &Prediction) -> Result<(), JournalError>;
    /// A mark.
    fn mark(&mut self, mark: &Mark) -> Result<(), JournalError>;
    /// An event.
    fn event(&mut self, event: &Event) -> Result<(), JournalError>;
    /// A command with its read-back.
    fn command(&mut self, at_s: f64, record: &CommandRecord) -> Result<(), JournalError>;
    /// A polled status, slow values.
    fn slow(&mut self, at_s: f64, status: &StatusReading) -> Result<(), JournalError>;
    /// Outcome of the stop of a cycle.
    fn stop_outcome(&mut self, cycle: u32, outcome: StopOutcome) -> Result<(), JournalError>;
    /// Settings of a starter as read.
    fn settings(&mut self, record: &SettingsRecord) -> Result<(), JournalError>;
    /// Figures of a link since it was opened.
    fn link(&mut self, at_s: f64, figures: &LinkStatistics) -> Result<(), JournalError>;
}

/// The record failed.
#[derive(Debug, Clone, thiserror::Error, PartialEq)]
#[error("recording: {0}")]
pub struct JournalError(pub String);

/// Questions to people, and their orders.
pub trait Operator: Send {
    /// Show a question that needs a confirmation; the answer comes through [`Operator::take_orders`].
    fn ask(&mut self, id: u32, text: &str);
    /// Show a question to those who watch; answered as [`Operator::ask`].
    fn wonder(&mut self, id: u32, text: &str) {
        self.ask(id, text);
    }
    /// Show a line.
    fn say(&mut self, text: &str);
    /// Progress for the live line: step text, cycle, share done.
    fn progress(&mut self, progress: &Progress);
    /// Orders given since the last call.
    fn take_orders(&mut self) -> Vec<OperatorOrder>;
}

/// What a person ordered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum OperatorOrder {
    /// Question `id` confirmed by a named person.
    Confirm {
        /// Question.
        id: u32,
        /// Name.
        by: String,
    },
    /// Pass over this step (number from 1), where it may be passed over.
    Skip {
        /// Step.
        step: usize,
        /// Name.
        by: String,
    },
    /// Something to be recorded, in words (a guess of those who watch).
    Note {
        /// Words.
        text: String,
    },
    /// Stop the plant (kind: the rig's way for a person's stop), end the run.
    Stop {
        /// Who or what.
        by: String,
    },
    /// A second stop: shorten every deadline, never skip making the plant stop.
    Hurry,
    /// The face that ordered the run is lost, or here again.
    Face {
        /// It is here.
        here: bool,
    },
}

/// Where a run stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Progress {
    /// Step in words (`hold 4 s`).
    pub step: String,
    /// Step number from 1, of how many.
    pub step_number: usize,
    /// Steps in all.
    pub steps: usize,
    /// Cycle from 1 (0 before the first).
    pub cycle: u32,
    /// Cycles in all.
    pub cycles: u32,
    /// Rig time in this step, s.
    pub in_step_s: f64,
    /// Rig time expected for this step, s, if known.
    pub step_s: Option<f64>,
    /// The step after it, in words.
    #[serde(default)]
    pub next: Option<String>,
    /// What the sequence file says beside this step to whoever leads through it.
    #[serde(default)]
    pub notes: Option<String>,
    /// A person may pass over it.
    #[serde(default)]
    pub may_be_skipped: bool,
}

/// How a run ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunEnd {
    /// Why, in words; `None`: all steps done.
    pub aborted: Option<String>,
    /// Taken over locally: nothing was sent after it.
    pub taken_over: bool,
    /// Worst stop outcome.
    pub stop: StopOutcome,
    /// Cycles completed.
    pub cycles: u32,
    /// A start command left during the run.
    #[serde(default)]
    pub started: bool,
    /// Refused before its first step, and not by a person's stop: this run moved nothing.
    #[serde(default)]
    pub refused: bool,
}
