//! Floor 0: where a number meets its unit. Values enter as text (`"3.5 barg"`, [`parse`]), are held to what the place
//! allows ([`Want`]) and leave for people in SI or US customary units ([`display`]). Inside the program numbers are plain
//! `f64` in SI with the unit in their name.
//!
//! | dimension | SI inside | written, for example |
//! |---|---|---|
//! | pressure | Pa, with gauge or absolute beside it | `3.5 bar`, `2.4 barg`, `1 bar(a)`, `30 psig`, `20 inHg` |
//! | flow | m3/s | `27 m3/h`, `7.5 l/s`, `50 gpm` |
//! | shaft speed | rad/s | `1450 rpm`, `150 rad/s` |
//! | temperature | degC (the one exception to SI: no formula here multiplies by it) | `20 degC`, `68 degF`, `293.15 K` |
//! | flow coefficient | m3/h at 1 bar | `70 Kv`, `81 Cv` |

pub mod display;
mod table;
mod want;

pub use table::{Unit, edit_distance, nearest_unit, unit, units_of};
pub use want::{Misfit, Want};

use serde::{Deserialize, Serialize};
use std::fmt;

/// What kind of thing a number measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dimension {
    /// m.
    Length,
    /// m2.
    Area,
    /// m3.
    Volume,
    /// s.
    Time,
    /// Hz.
    Frequency,
    /// m/s.
    Velocity,
    /// m/s2.
    Acceleration,
    /// m3/s.
    Flow,
    /// rad/s.
    Speed,
    /// Pa.
    Pressure,
    /// W.
    Power,
    /// N m.
    Torque,
    /// kg m2.
    Inertia,
    /// A.
    Current,
    /// V.
    Voltage,
    /// degC.
    Temperature,
    /// kg/m3.
    Density,
    /// m2/s.
    Viscosity,
    /// m3/h at 1 bar (Kv).
    FlowCoefficient,
    /// Share of one.
    Share,
}

impl Dimension {
    /// Every dimension.
    pub const ALL: [Self; 20] = [
        Self::Length,
        Self::Area,
        Self::Volume,
        Self::Time,
        Self::Frequency,
        Self::Velocity,
        Self::Acceleration,
        Self::Flow,
        Self::Speed,
        Self::Pressure,
        Self::Power,
        Self::Torque,
        Self::Inertia,
        Self::Current,
        Self::Voltage,
        Self::Temperature,
        Self::Density,
        Self::Viscosity,
        Self::FlowCoefficient,
        Self::Share,
    ];

    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Self::Length => "length",
            Self::Area => "area",
            Self::Volume => "volume",
            Self::Time => "time",
            Self::Frequency => "frequency",
            Self::Velocity => "velocity",
            Self::Acceleration => "acceleration",
            Self::Flow => "flow",
            Self::Speed => "shaft speed",
            Self::Pressure => "pressure",
            Self::Power => "power",
            Self::Torque => "torque",
            Self::Inertia => "moment of inertia",
            Self::Current => "current",
            Self::Voltage => "voltage",
            Self::Temperature => "temperature",
            Self::Density => "density",
            Self::Viscosity => "kinematic viscosity",
            Self::FlowCoefficient => "flow coefficient",
            Self::Share => "share",
        }
    }

    /// The unit that values of this dimension have inside the program; `parse` knows every one of these.
    pub fn base_unit(self) -> &'static str {
        match self {
            Self::Length => "m",
            Self::Area => "m2",
            Self::Volume => "m3",
            Self::Time => "s",
            Self::Frequency => "Hz",
            Self::Velocity => "m/s",
            Self::Acceleration => "m/s2",
            Self::Flow => "m3/s",
            Self::Speed => "rad/s",
            Self::Pressure => "Pa",
            Self::Power => "W",
            Self::Torque => "N m",
            Self::Inertia => "kg m2",
            Self::Current => "A",
            Self::Voltage => "V",
            Self::Temperature => "degC",
            Self::Density => "kg/m3",
            Self::Viscosity => "m2/s",
            Self::FlowCoefficient => "Kv",
            Self::Share => "1",
        }
    }
}

/// What a pressure is counted from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reference {
    /// Not said; the only one for anything that is not a pressure.
    Unsaid,
    /// Above the atmosphere.
    Gauge,
    /// Above vacuum.
    Absolute,
}

/// A number with its dimension.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Quantity {
    /// Value in the dimension's base unit; always finite.
    pub si: f64,
    /// Dimension.
    pub dimension: Dimension,
    /// Reference of a pressure.
    pub reference: Reference,
}

/// Why a text is no quantity.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum QuantityError {
    /// Nothing that reads as a number in front.
    #[error("{text:?}: no number in front of the unit")]
    NoNumber {
        /// As typed.
        text: String,
    },
    /// A decimal comma.
    #[error("{text:?}: a decimal comma; write a point")]
    Comma {
        /// As typed.
        text: String,
    },
    /// NaN, infinity, or too large for a number.
    #[error("{text:?}: not a finite number")]
    NotFinite {
        /// As typed.
        text: String,
    },
    /// A number alone.
    #[error("{text:?}: a number without a unit")]
    NoUnit {
        /// As typed.
        text: String,
    },
    /// A unit that is not in the table.
    #[error("{text:?}: unknown unit {unit:?}")]
    UnknownUnit {
        /// As typed.
        text: String,
        /// The unit part.
        unit: String,
        /// The nearest known unit.
        nearest: Option<&'static str>,
    },
    /// Gauge or absolute said of something that is not a pressure.
    #[error("{text:?}: gauge and absolute belong to pressures, not to a {}", dimension.word())]
    NotAPressure {
        /// As typed.
        text: String,
        /// What it is.
        dimension: Dimension,
    },
}

/// Reads `"<number> <unit>"`; the blank may be left out.
///
/// Pressures may say their reference in any of the usual ways: `barg`, `bar(g)`, `bar g`, `bar gauge`, `psia`, `bar abs`.
///
/// Range: any finite `f64`; NaN, infinities and overflow are [`QuantityError::NotFinite`]. Never panics.
/// Accuracy: one rounding for the factor and one for the offset (relative 3e-16; the offset only in temperatures).
///
/// ```
/// let q = ramprig::units::parse("2.4 barg").unwrap();
/// assert!((q.si - 240_000.0).abs() < 1e-6);
/// assert_eq!(q.reference, ramprig::units::Reference::Gauge);
/// ```
pub fn parse(text: &str) -> Result<Quantity, QuantityError> {
    let trimmed = text.trim();
    let (number, rest) = split_number(trimmed);
    if number.is_empty() {
        return Err(no_number(trimmed));
    }
    let value: f64 = number.parse().map_err(|_| QuantityError::NoNumber { text: trimmed.to_owned() })?;
    if rest.starts_with(',') && rest[1..].starts_with(|c: char| c.is_ascii_digit()) {
        return Err(QuantityError::Comma { text: trimmed.to_owned() });
    }
    let written = table::tidy(rest);
    if written.is_empty() {
        return Err(QuantityError::NoUnit { text: trimmed.to_owned() });
    }
    let (unit, reference) = table::resolve(&written).map_err(|why| why.with_text(trimmed, rest.trim()))?;
    let si = value * unit.scale + unit.offset;
    if !si.is_finite() {
        return Err(QuantityError::NotFinite { text: trimmed.to_owned() });
    }
    Ok(Quantity { si, dimension: unit.dimension, reference })
}

fn no_number(text: &str) -> QuantityError {
    let bare = text.trim_start_matches(['+', '-']).to_ascii_lowercase();
    if bare.starts_with("nan") || bare.starts_with("inf") {
        QuantityError::NotFinite { text: text.to_owned() }
    } else {
        QuantityError::NoNumber { text: text.to_owned() }
    }
}

/// The longest prefix that reads as a decimal number, and the rest.
fn split_number(text: &str) -> (&str, &str) {
    let bytes = text.as_bytes();
    let digits = |from: usize| bytes[from..].iter().take_while(|b| b.is_ascii_digit()).count();
    let mut end = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let whole = digits(end);
    end += whole;
    let mut fraction = 0;
    if bytes.get(end) == Some(&b'.') {
        fraction = digits(end + 1);
        end += 1 + fraction;
    }
    if whole + fraction == 0 {
        return ("", text);
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let exponent = digits((end + 1 + sign).min(bytes.len()));
        if exponent > 0 {
            end += 1 + sign + exponent;
        }
    }
    text.split_at(end)
}

impl std::str::FromStr for Quantity {
    type Err = QuantityError;
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        parse(text)
    }
}

/// Writes the value in its base unit with every digit, so that [`parse`] gives the same value back.
impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let suffix = match self.reference {
            Reference::Unsaid => "",
            Reference::Gauge => "(g)",
            Reference::Absolute => "(a)",
        };
        write!(f, "{} {}{suffix}", self.si, self.dimension.base_unit())
    }
}
