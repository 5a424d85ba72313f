//! Metrics, one definition each in a file of its own; [`registry`] lists them and every face follows the list.
//!
//! A metric sees one channel over one cycle, filtered and aligned ([`ChannelCycle`]), measured and predicted alike. What
//! the signal cannot support reads `not measured`, with the reason.

mod acceleration_time;
mod backspin;
mod coast_down;
mod energy;
mod filling;
pub mod force_impulse;
mod front_arrival;
mod inrush;
mod no_flow;
mod peak_against;
pub mod registry;
mod ringing;
mod rise_time;
mod rmse;
mod share_in_band;
pub mod start_peak_rate;
mod start_surge;
mod stop_surge;
mod stop_trough;

use super::align::{ChannelCycle, Piece};
use crate::rig::chain::Unsupported;
use crate::sequence::marks::Phase;
use crate::signal::statistics::{mean, standard_deviation};
use serde::{Serialize, Serializer};

/// Steady levels are means over the last second of a phase ...
const LEVEL_S: f64 = 1.0;
/// ... or over its last quarter, if that is shorter.
const LEVEL_SHARE: f64 = 0.25;
/// A phase shorter than this has no steady level, s.
const SHORTEST_PHASE_S: f64 = 0.4;
/// The level before a start is the mean over this long before time zero, s.
const INITIAL_S: f64 = 0.3;

/// A value of a metric.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Value {
    /// Value in the metric's unit.
    pub value: f64,
    /// Where it was read: time after the phase's time zero, s.
    pub at_s: Option<f64>,
    /// The reading itself beside a difference: gauge pressure, Pa.
    pub gauge_pa: Option<f64>,
    /// The reading was clipped at the end of what the channel can measure: the true value is at least as large (a trough
    /// at least as deep). The filter swings by some per cent of the last step about that end.
    pub at_least: bool,
}

impl Value {
    /// A value that stands for itself.
    fn plain(value: f64) -> Self {
        Self { value, at_s: None, gauge_pa: None, at_least: false }
    }
}

/// Why a metric has no value.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NotMeasured {
    /// The rig has no such channel.
    #[error("no channel measures it")]
    NoChannel,
    /// The cycle has no such phase.
    #[error("the cycle has no {} phase", phase_word(*.0))]
    NoPhase(Phase),
    /// Nothing was predicted.
    #[error("nothing was predicted for it")]
    NoPrediction,
    /// The prediction has no band.
    #[error("no band was predicted")]
    NoBand,
    /// Too short for a steady level.
    #[error("the phase lasts {duration_s:.2} s, a steady level needs {SHORTEST_PHASE_S} s")]
    TooShort {
        /// Length, s.
        duration_s: f64,
    },
    /// Samples are missing.
    #[error("samples are missing over {:.1} ms", longest_s * 1e3)]
    Gap {
        /// Longest gap, s.
        longest_s: f64,
    },
    /// The sensor was at the end of its range.
    #[error("the reading is clipped at the end of the sensor's range")]
    Clipped,
    /// A loop current outside NE 43.
    #[error("the loop current says failure (broken wire, short circuit or the transmitter's own alarm, NE 43)")]
    Failed,
    /// One value throughout.
    #[error("the channel repeats one value throughout: dead input, stuck transmitter or lost wire")]
    Flat,
    /// The measuring chain cannot carry it.
    #[error(transparent)]
    Withheld(#[from] Unsupported),
    /// The level is never passed.
    #[error("{percent} % of the way is never passed")]
    NeverPassed {
        /// Share, %.
        percent: u32,
    },
    /// A channel that cannot tell forward from back.
    #[error("the channel shows no direction: its range begins at zero")]
    NoDirection,
    /// Fewer than three swings.
    #[error("it does not ring: fewer than three swings stand out of the noise")]
    NoRinging,
    /// The cycle fills no line.
    #[error("the line was full before the start, or nothing says that it was not")]
    NotFilled,
    /// No pump draws its water first.
    #[error("the pump had its water before the start, or nothing says that it had not")]
    NotPrimed,
    /// No area is known.
    #[error("the rig file names no area on which the pressure acts there (`thrust_area`)")]
    NoArea,
    /// Only the first cycle is there, and it does not count.
    #[error("only the first cycle was run, and by its sequence that one stands apart")]
    FirstCycle,
    /// Nothing changes.
    #[error("the change does not stand out of the noise")]
    NoChange,
    /// Faster than sensor and filter.
    #[error("{found_s:.4} s is faster than sensor and filter can show ({least_s:.4} s)")]
    TooFast {
        /// What came out, s.
        found_s: f64,
        /// Least that can be shown, s.
        least_s: f64,
    },
}

fn phase_word(phase: Phase) -> &'static str {
    match phase {
        Phase::Start => "start",
        Phase::Stop => "stop",
    }
}

impl Serialize for NotMeasured {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&format!("not measured: {self}"))
    }
}

/// A value or the reason why there is none.
pub type Reading = Result<Value, NotMeasured>;

/// The start phase of a channel.
fn start(cycle: &ChannelCycle) -> Result<&Piece, NotMeasured> {
    cycle.start.as_ref().ok_or(NotMeasured::NoPhase(Phase::Start))
}

/// The stop phase of a channel.
fn stop(cycle: &ChannelCycle) -> Result<&Piece, NotMeasured> {
    cycle.stop.as_ref().ok_or(NotMeasured::NoPhase(Phase::Stop))
}

/// Final steady level of a phase: mean over its last second, or its last quarter where that is shorter.
pub fn final_level(piece: &Piece) -> Result<f64, NotMeasured> {
    final_stretch(piece).map(mean)
}

/// What the final steady level is the mean of.
pub fn final_stretch(piece: &Piece) -> Result<&[f64], NotMeasured> {
    let (phase, duration_s) = (piece.phase(), piece.duration_s());
    if duration_s < SHORTEST_PHASE_S {
        return Err(NotMeasured::TooShort { duration_s });
    }
    let span = ((LEVEL_S / piece.dt_s).round() as usize).min((phase.len() as f64 * LEVEL_SHARE).ceil() as usize);
    let first = phase.len() - span.max(1);
    if piece.faults.last_clipped.is_some_and(|last| last >= first) {
        return Err(NotMeasured::Clipped);
    }
    Ok(&phase[first..])
}

/// Level before the start: mean over 0.3 s before time zero, or the first sample where there is no lead-in.
pub fn initial_level(piece: &Piece) -> f64 {
    let lead = piece.lead();
    let span = ((INITIAL_S / piece.dt_s).round() as usize).min(lead.len());
    let known: Vec<f64> = lead[lead.len() - span..].iter().copied().filter(|v| !v.is_nan()).collect();
    if known.is_empty() { piece.phase().first().copied().unwrap_or(f64::NAN) } else { mean(&known) }
}

/// The way from rest to the final running level of a start, where it stands out of the noise at rest by more than `sigmas`
/// of its standard deviations: level at rest, and what it changes by.
fn way_up(piece: &Piece, sigmas: f64) -> Result<(f64, f64), NotMeasured> {
    let rest = initial_level(piece);
    let change = final_level(piece)? - rest;
    let lead: Vec<f64> = piece.lead().iter().copied().filter(|v| !v.is_nan()).collect();
    let noise = if lead.len() > 1 { standard_deviation(&lead) } else { 0.0 };
    if change.is_nan() || change.abs() <= sigmas * noise { Err(NotMeasured::NoChange) } else { Ok((rest, change)) }
}

/// Samples from the first crossing of the final level on, in whichever direction the pressure comes to it, and their
/// offset within the phase. Before it, the pressure is still that of the running pump.
fn after_first_crossing(phase: &[f64], level: f64) -> (usize, &[f64]) {
    let above = phase.first().is_some_and(|first| *first > level);
    let crossed = |v: &f64| if above { *v <= level } else { *v >= level };
    let at = phase.iter().position(crossed).unwrap_or(0);
    (at, &phase[at..])
}
