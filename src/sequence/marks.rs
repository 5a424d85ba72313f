//! Marks: the instants that traces, predictions and metrics are anchored to.

use serde::{Deserialize, Serialize};

/// Which half of a cycle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// From the start mark to the stop mark.
    Start,
    /// From the stop mark to settled.
    Stop,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum MarkKind {
    /// The start command of cycle `cycle` (from 1) was answered by the starter.
    Start {
        /// Cycle, from 1.
        cycle: u32,
    },
    /// The stop command of cycle `cycle` left.
    Stop {
        /// Cycle, from 1.
        cycle: u32,
    },
    /// Pressure and flow came to rest after the stop of cycle `cycle`.
    Settled {
        /// Cycle, from 1.
        cycle: u32,
    },
    /// The settle step ran out of time.
    NotSettled {
        /// Cycle, from 1.
        cycle: u32,
    },
    /// A named mark of the script.
    Named {
        /// Name.
        name: String,
    },
}

/// A mark in rig time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// Rig time, s since the stream's first frame.
    pub at_s: f64,
    /// Standard uncertainty of `at_s`, s.
    pub u_s: f64,
    /// What.
    #[serde(flatten)]
    pub kind: MarkKind,
}
