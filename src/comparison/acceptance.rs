//! Acceptance of a pump by test codes: tolerances on flow, head and efficiency, and the fluctuation a reading may show.
//!
//! Source: ISO 9906:2012 table 8 and ANSI/HI 14.6 table 14.6.3.4; ISO 9906:1999 (EN) for the older classes; the
//! fluctuation table of ISO 9906:2012 (from memory, advisory). Held in tests/validation/regression.rs.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Grade of acceptance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Grade {
    /// ISO 9906:2012 grade 1, both sides.
    #[serde(rename = "1B")]
    B1,
    /// ISO 9906:2012 grade 1, efficiency at least the guaranteed.
    #[serde(rename = "1E")]
    E1,
    /// ISO 9906:2012 grade 1, nothing below the guaranteed.
    #[serde(rename = "1U")]
    U1,
    /// ISO 9906:2012 grade 2, both sides.
    #[serde(rename = "2B")]
    B2,
    /// ISO 9906:1999 class 1.
    #[serde(rename = "1999-1")]
    Class1,
    /// ISO 9906:1999 class 2.
    #[serde(rename = "1999-2")]
    Class2,
}

/// What one quantity may differ from the guaranteed, shares of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Band {
    /// Lowest, 0 or less.
    pub low: f64,
    /// Highest; none: no upper bound.
    pub high: Option<f64>,
}

impl Band {
    const fn both(share: f64) -> Self {
        Self { low: -share, high: Some(share) }
    }

    const fn upward(share: f64) -> Self {
        Self { low: 0.0, high: Some(share) }
    }

    const fn at_least(low: f64) -> Self {
        Self { low, high: None }
    }

    /// Whether a measured value lies within the band about the guaranteed one.
    pub fn holds(&self, measured: f64, guaranteed: f64) -> bool {
        let share = measured / guaranteed - 1.0;
        share >= self.low && self.high.is_none_or(|high| share <= high)
    }
}

impl fmt::Display for Band {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let percent = |share: f64| (share * 1.0e4).round() / 100.0;
        match (percent(self.low), self.high.map(percent)) {
            (low, Some(high)) if (low + high).abs() < f64::EPSILON => write!(f, "+-{high} %"),
            (low, Some(high)) => write!(f, "{low} to {high:+} %"),
            (low, None) if low < 0.0 => write!(f, "{low} %"),
            (low, None) => write!(f, ">= {low} %", low = low.abs()),
        }
    }
}

/// Tolerances of a grade.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Tolerances {
    /// Flow.
    pub flow: Band,
    /// Head.
    pub head: Band,
    /// Efficiency.
    pub efficiency: Band,
}

impl Grade {
    /// Every grade.
    pub const ALL: [Self; 6] = [Self::B1, Self::E1, Self::U1, Self::B2, Self::Class1, Self::Class2];

    /// As the test code writes it.
    pub fn name(self) -> &'static str {
        match self {
            Self::B1 => "1B",
            Self::E1 => "1E",
            Self::U1 => "1U",
            Self::B2 => "2B",
            Self::Class1 => "class 1",
            Self::Class2 => "class 2",
        }
    }

    /// The grade of a name.
    pub fn of_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|grade| grade.name() == name)
    }

    /// Its tolerances.
    pub fn tolerances(self) -> Tolerances {
        let (flow, head, efficiency) = match self {
            Self::B1 => (Band::both(0.05), Band::both(0.03), Band::at_least(-0.03)),
            Self::E1 => (Band::both(0.05), Band::both(0.03), Band::at_least(0.0)),
            Self::U1 => (Band::upward(0.10), Band::upward(0.06), Band::at_least(0.0)),
            Self::B2 | Self::Class2 => (Band::both(0.08), Band::both(0.05), Band::at_least(-0.05)),
            Self::Class1 => (Band::both(0.045), Band::both(0.03), Band::at_least(-0.03)),
        };
        Tolerances { flow, head, efficiency }
    }
}

/// A quantity that a test code allows to fluctuate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// Flow, head at either side, input power, torque.
    Ordinary,
    /// Difference of heads.
    DifferentialHead,
    /// Speed of rotation.
    Speed,
}

/// Amplitude by which a reading may fluctuate in grades 1, 2 and 3, share of its mean (from memory, advisory).
pub fn fluctuation(reading: Reading) -> [f64; 3] {
    match reading {
        Reading::Ordinary => [0.02, 0.03, 0.06],
        Reading::DifferentialHead => [0.03, 0.04, 0.10],
        Reading::Speed => [0.005, 0.01, 0.02],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_a_band_holds_its_edges_and_nothing_beyond() {
        let band = Grade::U1.tolerances().flow;
        assert!(band.holds(100.0, 100.0) && band.holds(109.9, 100.0));
        assert!(!band.holds(99.9, 100.0) && !band.holds(110.1, 100.0));
        let efficiency = Grade::B1.tolerances().efficiency;
        assert!(efficiency.holds(200.0, 100.0) && efficiency.holds(97.1, 100.0) && !efficiency.holds(96.9, 100.0));
    }
}
