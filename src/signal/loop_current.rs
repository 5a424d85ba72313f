//! 4-20 mA loops: current to share of range, and what a current says of the transmitter.
//!
//! Source: IEC 60381-1 (live zero at 4 mA, 20 mA at the end of the range); NAMUR recommendation NE 43 for the levels, as
//! quoted in `tests/fixtures/check-values/09_signals_statistics.toml` (`ma-*`; there from memory): measuring information
//! within 3.8 to 20.5 mA, failure information at 3.6 mA and below or 21 mA and above. What lies between is neither.

use serde::Serialize;

/// Current at the low end of the range, mA.
pub const LOW_MA: f64 = 4.0;
/// Current at the high end of the range, mA.
pub const HIGH_MA: f64 = 20.0;
/// Least current that is measuring information, mA.
pub const LEAST_VALID_MA: f64 = 3.8;
/// Most current that is measuring information, mA.
pub const MOST_VALID_MA: f64 = 20.5;
/// Failure information at and below, mA; a broken wire carries nothing at all.
pub const FAILURE_LOW_MA: f64 = 3.6;
/// Failure information at and above, mA.
pub const FAILURE_HIGH_MA: f64 = 21.0;

/// What a loop current says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LoopState {
    /// 3.6 mA or less: broken wire, no supply, or a transmitter that reports its own failure downwards.
    FailureLow,
    /// Above 3.6 and under 3.8 mA: no measuring information, the true value is at most the low end.
    Under,
    /// Measuring information.
    Valid,
    /// Above 20.5 and under 21 mA: the true value is at least the high end.
    Over,
    /// 21 mA or more: short circuit, or a transmitter that reports its own failure upwards.
    FailureHigh,
}

impl LoopState {
    /// State of a current, mA; not a number counts as a failure.
    pub fn of(current_ma: f64) -> Self {
        match current_ma {
            i if i >= FAILURE_HIGH_MA => Self::FailureHigh,
            i if i > MOST_VALID_MA => Self::Over,
            i if i >= LEAST_VALID_MA => Self::Valid,
            i if i > FAILURE_LOW_MA => Self::Under,
            _ => Self::FailureLow,
        }
    }

    /// The transmitter or its wire has failed.
    pub fn is_failure(self) -> bool {
        matches!(self, Self::FailureLow | Self::FailureHigh)
    }
}

/// Share of the range at a current: `(I - 4) / 16`, I in mA; 0 at the low end, 1 at the high end.
pub fn share_of(current_ma: f64) -> f64 {
    (current_ma - LOW_MA) / (HIGH_MA - LOW_MA)
}

/// Current at a share of the range, mA.
pub fn current_ma(share: f64) -> f64 {
    LOW_MA + (HIGH_MA - LOW_MA) * share
}

/// Value at a current over a range (low, high), in the range's unit.
pub fn value_of(current_ma: f64, range: (f64, f64)) -> f64 {
    range.0 + (range.1 - range.0) * share_of(current_ma)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_the_bands_follow_each_other_without_a_hole() {
        let at = [
            (f64::NAN, LoopState::FailureLow),
            (0.0, LoopState::FailureLow),
            (3.6, LoopState::FailureLow),
            (3.7, LoopState::Under),
            (3.8, LoopState::Valid),
            (20.5, LoopState::Valid),
            (20.7, LoopState::Over),
            (21.0, LoopState::FailureHigh),
            (f64::INFINITY, LoopState::FailureHigh),
        ];
        for (current_ma, state) in at {
            assert_eq!(LoopState::of(current_ma), state, "{current_ma} mA (NE 43)");
        }
    }
}
