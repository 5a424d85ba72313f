//! What the line held before each start: as sequence and rig file declare it (the stored prediction was made of them), and whether
//! the pressure at rest bears it out. Cycles that began from unlike states are not compared.

use super::RunData;
use super::align::AlignedCycle;
use super::metric::initial_level;
use crate::signal::statistics::standard_deviation;
use serde::Serialize;
use std::fmt;

/// The pressure at rest may be off by this share of the range (common practice, no source) ...
const SHARE: f64 = 0.005;
/// ... or by this multiple of the calibration's standard uncertainty, and by as much of the noise.
const SIGMAS: f64 = 2.0;

/// What a line held before a start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LineState {
    /// Full, by the pressure at rest too.
    Full,
    /// Drained, by the pressure at rest too.
    Drained,
    /// Nothing was declared, the pressure at rest does not bear it out, or it cannot tell full from drained.
    NotProven,
}

impl fmt::Display for LineState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Full => "full",
            Self::Drained => "drained",
            Self::NotProven => "not proven",
        })
    }
}

/// State of the line before the start of a cycle, at the channel that speaks for the rig.
pub fn line_state(run: &RunData, cycle: &AlignedCycle) -> LineState {
    let state = || {
        let info = run.channels.get(run.headline).filter(|info| info.unit == "Pa")?;
        let measured = cycle.measured.get(run.headline)?;
        let start = measured.start.as_ref().filter(|piece| !piece.lead().is_empty())?;
        let declared = initial_level(cycle.predicted.get(run.headline)?.start.as_ref()?);
        let known: Vec<f64> = start.lead().iter().copied().filter(|value| !value.is_nan()).collect();
        let noise = if known.len() > 1 { standard_deviation(&known) } else { 0.0 };
        let open = (SHARE * (info.range.1 - info.range.0).abs()).max(SIGMAS * info.calibration_u) + SIGMAS * noise;
        let borne_out = (initial_level(start) - declared).abs() <= open;
        match (borne_out, measured.fills) {
            (true, true) => Some(LineState::Drained),
            // A full line stands against the channel by its head: without one it would read the same if it were empty.
            (true, false) if declared.abs() > SIGMAS * open => Some(LineState::Full),
            _ => None,
        }
    };
    state().unwrap_or(LineState::NotProven)
}

/// Both are proven, and they differ.
pub fn unlike(a: LineState, b: LineState) -> bool {
    a != b && a != LineState::NotProven && b != LineState::NotProven
}

/// Of all cycles of a run: theirs, if they are alike.
pub fn of_all(states: impl Iterator<Item = LineState>) -> LineState {
    states.reduce(|all, one| if all == one { all } else { LineState::NotProven }).unwrap_or(LineState::NotProven)
}
