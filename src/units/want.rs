//! What a place in a file wants from a quantity: dimension, reference, span.

use super::{Dimension, Quantity, QuantityError, Reference, parse};

/// A demand on a quantity. `allowed` texts and refusals come from here, so that every file speaks the same way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Want {
    /// Dimension.
    pub dimension: Dimension,
    /// Reference; `Unsaid` where a pressure is a difference or a modulus, and for everything else.
    pub reference: Reference,
    /// Least value, base unit.
    pub least: f64,
    /// True: `least` itself is refused.
    pub above_least: bool,
    /// Most value, base unit.
    pub most: f64,
    /// Two examples.
    pub example: &'static str,
}

/// A quantity that does not fit: what was found, what is allowed, what to try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Misfit {
    /// Found.
    pub found: String,
    /// Allowed.
    pub allowed: String,
    /// Try.
    pub hint: Option<String>,
}

impl Want {
    /// Any value of a dimension.
    pub const fn any(dimension: Dimension, example: &'static str) -> Self {
        Self {
            dimension,
            reference: Reference::Unsaid,
            least: f64::NEG_INFINITY,
            above_least: false,
            most: f64::INFINITY,
            example,
        }
    }

    /// A value above zero.
    pub const fn positive(dimension: Dimension, example: &'static str) -> Self {
        Self { least: 0.0, above_least: true, ..Self::any(dimension, example) }
    }

    /// Zero or above.
    pub const fn from_zero(dimension: Dimension, example: &'static str) -> Self {
        Self { least: 0.0, ..Self::any(dimension, example) }
    }

    /// The same demand with a span, base unit, both ends allowed.
    pub const fn between(self, least: f64, most: f64) -> Self {
        Self { least, above_least: false, most, ..self }
    }

    /// A length above zero.
    pub const LENGTH: Self = Self::positive(Dimension::Length, "\"6 m\", \"65 mm\", \"20 ft\"");
    /// A height above the rig's datum; negative is below.
    pub const ELEVATION: Self = Self::any(Dimension::Length, "\"2.5 m\", \"-0.4 m\", \"8 ft\"");
    /// A head above zero.
    pub const HEAD: Self = Self::positive(Dimension::Length, "\"16 m\", \"52 ft\"");
    /// A head from zero.
    pub const HEAD_FROM_ZERO: Self = Self::from_zero(Dimension::Length, "\"0.2 m\", \"21 m\", \"70 ft\"");
    /// A flow above zero.
    pub const FLOW: Self = Self::positive(Dimension::Flow, "\"27 m3/h\", \"7.5 l/s\", \"120 gpm\"");
    /// A flow from zero.
    pub const FLOW_FROM_ZERO: Self = Self::from_zero(Dimension::Flow, "\"0 m3/h\", \"27 m3/h\", \"120 gpm\"");
    /// A gauge pressure, reference said.
    pub const GAUGE: Self = Self {
        reference: Reference::Gauge,
        ..Self::any(Dimension::Pressure, "\"4 barg\", \"-0.9 bar(g)\", \"60 psig\"")
    };
    /// An absolute pressure, reference said, above zero.
    pub const ABSOLUTE: Self = Self {
        reference: Reference::Absolute,
        ..Self::positive(Dimension::Pressure, "\"1.013 bar(a)\", \"101.3 kPa abs\", \"14.7 psia\"")
    };
    /// A pressure difference or an elastic modulus above zero: no reference.
    pub const PRESSURE_DIFFERENCE: Self = Self::positive(Dimension::Pressure, "\"0.2 bar\", \"3 psi\"");
    /// An elastic modulus.
    pub const MODULUS: Self = Self::positive(Dimension::Pressure, "\"207 GPa\", \"50 MPa\"");
    /// A time above zero.
    pub const TIME: Self = Self::positive(Dimension::Time, "\"0.4 s\", \"250 ms\"");
    /// A time from zero.
    pub const TIME_FROM_ZERO: Self = Self::from_zero(Dimension::Time, "\"0 s\", \"250 ms\"");
    /// A frequency above zero.
    pub const FREQUENCY: Self = Self::positive(Dimension::Frequency, "\"50 Hz\", \"10 kHz\"");
    /// A shaft speed above zero.
    pub const SPEED: Self = Self::positive(Dimension::Speed, "\"1450 rpm\", \"152 rad/s\"");
    /// A signed shaft speed.
    pub const SIGNED_SPEED: Self = Self::any(Dimension::Speed, "\"-1800 rpm\", \"1800 rpm\"");
    /// A velocity above zero.
    pub const VELOCITY: Self = Self::positive(Dimension::Velocity, "\"1200 m/s\", \"4000 ft/s\"");
    /// Power above zero.
    pub const POWER: Self = Self::positive(Dimension::Power, "\"4 kW\", \"5.5 hp\"");
    /// A torque from zero.
    pub const TORQUE_FROM_ZERO: Self = Self::from_zero(Dimension::Torque, "\"0.4 N m\"");
    /// A moment of inertia above zero.
    pub const INERTIA: Self = Self::positive(Dimension::Inertia, "\"0.03 kg m2\"");
    /// A current from zero.
    pub const CURRENT: Self = Self::from_zero(Dimension::Current, "\"8.4 A\"");
    /// A voltage above zero.
    pub const VOLTAGE: Self = Self::positive(Dimension::Voltage, "\"400 V\"");
    /// A liquid's temperature.
    pub const TEMPERATURE: Self = Self::any(Dimension::Temperature, "\"20 degC\", \"68 degF\"");
    /// A plan area above zero.
    pub const AREA: Self = Self::positive(Dimension::Area, "\"1.2 m2\"");
    /// A flow coefficient above zero.
    pub const FLOW_COEFFICIENT: Self = Self::positive(Dimension::FlowCoefficient, "\"70 Kv\", \"81 Cv\"");

    /// What is allowed, in words with examples.
    pub fn allowed(&self) -> String {
        let reference = match self.reference {
            Reference::Unsaid => "",
            Reference::Gauge => "gauge ",
            Reference::Absolute => "absolute ",
        };
        let article = if self.reference == Reference::Absolute { "an" } else { "a" };
        format!("{article} {reference}{}{}, such as {}", self.dimension.word(), self.span(), self.example)
    }

    fn span(&self) -> String {
        let unit = self.dimension.base_unit();
        match (self.least.is_finite(), self.most.is_finite()) {
            (false, false) => String::new(),
            (true, false) if self.above_least => format!(" above {}", self.least),
            (true, false) => format!(" of {} {unit} or more", self.least),
            (false, true) => format!(" of {} {unit} or less", self.most),
            (true, true) => format!(" from {} {unit} to {} {unit}", self.least, self.most),
        }
    }

    /// Reads `text` and holds it to this demand; the value is in the base unit.
    pub fn read(&self, text: &str) -> Result<f64, Misfit> {
        let quantity = parse(text).map_err(|why| self.unreadable(&why))?;
        self.accept(text, quantity)
    }

    fn unreadable(&self, why: &QuantityError) -> Misfit {
        let hint = match why {
            QuantityError::UnknownUnit { nearest: Some(unit), .. } => Some(format!("the unit {unit}")),
            QuantityError::UnknownUnit { .. } => {
                Some(format!("one of {}", super::units_of(self.dimension).collect::<Vec<_>>().join(", ")))
            }
            QuantityError::NoUnit { text } => {
                super::units_of(self.dimension).next().map(|unit| format!("\"{text} {unit}\""))
            }
            _ => None,
        };
        Misfit { found: why.to_string(), allowed: self.allowed(), hint }
    }

    fn accept(&self, text: &str, quantity: Quantity) -> Result<f64, Misfit> {
        if quantity.dimension != self.dimension {
            return Err(self.misfit(format!("{text:?}, a {}", quantity.dimension.word()), None));
        }
        if quantity.reference != self.reference {
            return Err(self.wrong_reference(text, quantity.reference));
        }
        let too_low = quantity.si < self.least || (self.above_least && quantity.si <= self.least);
        if too_low || quantity.si > self.most {
            return Err(self.misfit(format!("{text:?}"), None));
        }
        Ok(quantity.si)
    }

    fn wrong_reference(&self, text: &str, found: Reference) -> Misfit {
        let said = match found {
            Reference::Unsaid => "neither gauge nor absolute said",
            Reference::Gauge => "a gauge pressure",
            Reference::Absolute => "an absolute pressure",
        };
        let hint = match (self.reference, found) {
            (Reference::Unsaid, _) => "leave the reference off: this is a difference or a modulus".to_owned(),
            (Reference::Gauge, Reference::Unsaid) => format!("\"{text}(g)\" if it is counted from the atmosphere"),
            (Reference::Absolute, Reference::Unsaid) => format!("\"{text}(a)\" if it is counted from vacuum"),
            (Reference::Gauge, _) => "take the atmosphere off and write (g)".to_owned(),
            (Reference::Absolute, _) => "add the atmosphere and write (a)".to_owned(),
        };
        self.misfit(format!("{text:?}, {said}"), Some(hint))
    }

    fn misfit(&self, found: String, hint: Option<String>) -> Misfit {
        Misfit { found, allowed: self.allowed(), hint }
    }
}
