//! Floor 0: what a sample is. Channel ids, blocks of raw frames as they came off the wire, traces in SI units,
//! and (in the files beside this one) filters, features and statistics.
//!
//! Time on samples is **rig time** in nanoseconds since the stream's first frame, except where a name says `wall`.

pub mod calibration;
pub mod features;
pub mod filter;
pub mod lag;
pub mod loop_current;
pub mod outliers;
mod phaseless;
pub mod quality;
pub mod regression;
pub mod response;
pub mod room;
pub mod statistics;

use serde::{Deserialize, Serialize};

/// Name of a channel as the rig file gives it (`p_discharge`).
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ChannelId(pub String);

impl std::fmt::Display for ChannelId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

/// A run of raw frames in wire order, as one source delivered them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Block {
    /// Index of the first frame, counted from the stream's first frame, lost frames included.
    pub first_frame: u64,
    /// Frames that went missing directly before this block (0 = contiguous).
    pub missing_before: u64,
    /// Number of channels in a frame.
    pub channels: usize,
    /// Raw counts, frame-major: `counts[frame * channels + channel]`.
    pub counts: Vec<i32>,
    /// Wall clock (host monotonic, ns) when the last byte of the block arrived.
    pub arrived_wall_ns: u64,
}

impl Block {
    /// Number of whole frames held.
    pub fn frames(&self) -> usize {
        self.counts.len().checked_div(self.channels).unwrap_or(0)
    }
}

/// An evenly sampled series in SI units (Pa gauge, A, rad/s ...). Lost samples are `NaN`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trace {
    /// Rig time of the first sample, s.
    pub t0_s: f64,
    /// Sample interval, s.
    pub dt_s: f64,
    /// Values.
    pub values: Vec<f64>,
}

/// Linear conversion from raw counts to SI: `value = offset + scale * counts`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Scaling {
    /// SI units per count.
    pub scale: f64,
    /// SI value at zero counts.
    pub offset: f64,
}

impl Scaling {
    /// SI value of a raw count.
    pub fn to_si(&self, counts: i32) -> f64 {
        self.offset + self.scale * f64::from(counts)
    }
    /// Nearest raw count of an SI value, saturated to `bits` (sign included).
    pub fn to_counts(&self, value: f64, bits: u32) -> i32 {
        let limit = f64::from((1_i32 << (bits - 1)) - 1);
        ((value - self.offset) / self.scale).round().clamp(-limit - 1.0, limit) as i32
    }
}
