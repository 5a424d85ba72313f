//! What travels on the WebSocket (`/v0/live`): JSON text frames, one [`FromFace`] or [`ToFace`] each.

use super::{RunRequest, ServiceError, Snapshot, StopReport, Update};
use serde::{Deserialize, Serialize};

/// Face to daemon.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FromFace {
    /// Key of the controls, where the call needs them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key: Option<String>,
    /// Chosen by the face, comes back in the answer.
    pub id: u64,
    /// What is asked.
    #[serde(flatten)]
    pub call: Call,
}

/// The calls.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "call", content = "with")]
pub enum Call {
    /// Everything as of now.
    Snapshot,
    /// Send updates from now on.
    Subscribe,
    /// Send updates from now on, to a face of this name.
    SubscribeAs {
        /// Name.
        face: String,
    },
    /// Start a run.
    StartRun(Box<RunRequest>),
    /// Take the controls, which every start and confirmation needs.
    TakeControl {
        /// Who.
        name: String,
    },
    /// A sign of life of whoever holds them.
    KeepControl,
    /// Give them back.
    GiveControl,
    /// The rig as it is drawn.
    Rig,
    /// What has been measured.
    Measured,
    /// Pass over a step.
    Skip {
        /// Step, from 1.
        step: usize,
    },
    /// Write down a guess.
    Guess {
        /// Pa gauge.
        value_pa: f64,
    },
    /// Stop whatever runs.
    Stop {
        /// Who.
        by: String,
    },
    /// Confirm a question.
    Confirm {
        /// Question.
        question: u32,
        /// Who.
        by: String,
    },
}

/// Daemon to face.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "type", content = "data")]
pub enum ToFace {
    /// Answer to the call with this id.
    Answer {
        /// The call's id.
        id: u64,
        /// What came of it.
        outcome: Result<Answer, ServiceError>,
    },
    /// An update (after `Subscribe`).
    Update(Box<Update>),
}

/// Answers by call.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "answer", content = "data")]
pub enum Answer {
    /// To `Snapshot`.
    Snapshot(Box<Snapshot>),
    /// To `TakeControl`.
    Control(super::stage::Grant),
    /// To `Rig`.
    Rig(Box<super::stage::RigView>),
    /// To `Measured`.
    Measured(Box<super::lead::Measured>),
    /// To `Subscribe`, `KeepControl`, `GiveControl`, `Confirm`, `Skip` and `Guess`.
    Done,
    /// To `StartRun`: its number.
    Run(u32),
    /// To `Stop`.
    Stop(StopReport),
}
