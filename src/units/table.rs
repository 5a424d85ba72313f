//! The table of units. Factors are exact by definition (BIPM SI brochure 9th edition; NIST SP 811 appendix B for the
//! US customary ones) unless the line says otherwise.

use super::{Dimension, QuantityError, Reference};
use Dimension as D;

/// A unit: `base = number * scale + offset`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// As written.
    pub name: &'static str,
    /// What it measures.
    pub dimension: Dimension,
    /// Factor to the base unit.
    pub scale: f64,
    /// Added after the factor.
    pub offset: f64,
}

const fn u(name: &'static str, dimension: Dimension, scale: f64) -> Unit {
    Unit { name, dimension, scale, offset: 0.0 }
}

const FOOT_M: f64 = 0.3048;
const INCH_M: f64 = 0.0254;
/// US liquid gallon: 231 cubic inches.
const GALLON_M3: f64 = 231.0 * INCH_M * INCH_M * INCH_M;
const POUND_KG: f64 = 0.453_592_37;
const GRAVITY_M_S2: f64 = 9.806_65;
const POUND_FORCE_N: f64 = POUND_KG * GRAVITY_M_S2;
const PSI_PA: f64 = POUND_FORCE_N / (INCH_M * INCH_M);
const RPM_RAD_S: f64 = std::f64::consts::TAU / 60.0;
/// Kv of a Cv: 1 US gallon a minute at 1 psi, taken to m3/h at 1 bar (same density), about 0.865.
const CV_KV: f64 = GALLON_M3 * 60.0 * ROOT_BAR_OVER_PSI;
/// `sqrt(100 000 Pa / PSI_PA)`; `sqrt` is not a constant function, a test holds the digits.
const ROOT_BAR_OVER_PSI: f64 = 3.808_382_041_368_87;

/// Every unit; the first of a dimension is the one that messages propose.
const UNITS: &[Unit] = &[
    u("m", D::Length, 1.0),
    u("mm", D::Length, 1e-3),
    u("cm", D::Length, 1e-2),
    u("km", D::Length, 1e3),
    u("ft", D::Length, FOOT_M),
    u("in", D::Length, INCH_M),
    u("m2", D::Area, 1.0),
    u("cm2", D::Area, 1e-4),
    u("mm2", D::Area, 1e-6),
    u("ft2", D::Area, FOOT_M * FOOT_M),
    u("m3", D::Volume, 1.0),
    u("cm3", D::Volume, 1e-6),
    u("mm3", D::Volume, 1e-9),
    u("l", D::Volume, 1e-3),
    u("L", D::Volume, 1e-3),
    u("ml", D::Volume, 1e-6),
    u("mL", D::Volume, 1e-6),
    u("gal", D::Volume, GALLON_M3),
    u("s", D::Time, 1.0),
    u("ms", D::Time, 1e-3),
    u("us", D::Time, 1e-6),
    u("min", D::Time, 60.0),
    u("h", D::Time, 3600.0),
    u("Hz", D::Frequency, 1.0),
    u("kHz", D::Frequency, 1e3),
    u("m/s", D::Velocity, 1.0),
    u("mm/s", D::Velocity, 1e-3),
    u("ft/s", D::Velocity, FOOT_M),
    u("m/s2", D::Acceleration, 1.0),
    u("ft/s2", D::Acceleration, FOOT_M),
    u("m3/s", D::Flow, 1.0),
    u("m3/h", D::Flow, 1.0 / 3600.0),
    u("m3/min", D::Flow, 1.0 / 60.0),
    u("l/s", D::Flow, 1e-3),
    u("L/s", D::Flow, 1e-3),
    u("l/min", D::Flow, 1e-3 / 60.0),
    u("L/min", D::Flow, 1e-3 / 60.0),
    u("gpm", D::Flow, GALLON_M3 / 60.0),
    u("rpm", D::Speed, RPM_RAD_S),
    u("1/min", D::Speed, RPM_RAD_S),
    u("rad/s", D::Speed, 1.0),
    u("bar", D::Pressure, 1e5),
    u("mbar", D::Pressure, 1e2),
    u("Pa", D::Pressure, 1.0),
    u("hPa", D::Pressure, 1e2),
    u("kPa", D::Pressure, 1e3),
    u("MPa", D::Pressure, 1e6),
    u("GPa", D::Pressure, 1e9),
    u("psi", D::Pressure, PSI_PA),
    u("inHg", D::Pressure, 3_386.389),
    u("mmHg", D::Pressure, 133.322_4),
    u("kW", D::Power, 1e3),
    u("W", D::Power, 1.0),
    u("MW", D::Power, 1e6),
    u("hp", D::Power, 550.0 * FOOT_M * POUND_FORCE_N),
    u("N m", D::Torque, 1.0),
    u("Nm", D::Torque, 1.0),
    u("kN m", D::Torque, 1e3),
    u("lbf ft", D::Torque, POUND_FORCE_N * FOOT_M),
    u("kg m2", D::Inertia, 1.0),
    u("kgm2", D::Inertia, 1.0),
    u("lb ft2", D::Inertia, POUND_KG * FOOT_M * FOOT_M),
    u("A", D::Current, 1.0),
    u("mA", D::Current, 1e-3),
    u("kA", D::Current, 1e3),
    u("V", D::Voltage, 1.0),
    u("kV", D::Voltage, 1e3),
    u("degC", D::Temperature, 1.0),
    u("C", D::Temperature, 1.0),
    Unit { name: "degF", dimension: D::Temperature, scale: 5.0 / 9.0, offset: -160.0 / 9.0 },
    Unit { name: "F", dimension: D::Temperature, scale: 5.0 / 9.0, offset: -160.0 / 9.0 },
    Unit { name: "K", dimension: D::Temperature, scale: 1.0, offset: -273.15 },
    u("kg/m3", D::Density, 1.0),
    u("lb/ft3", D::Density, POUND_KG / (FOOT_M * FOOT_M * FOOT_M)),
    u("m2/s", D::Viscosity, 1.0),
    u("mm2/s", D::Viscosity, 1e-6),
    u("cSt", D::Viscosity, 1e-6),
    u("Kv", D::FlowCoefficient, 1.0),
    u("Cv", D::FlowCoefficient, CV_KV),
    u("%", D::Share, 1e-2),
    u("1", D::Share, 1.0),
];

/// The unit of that exact name (no reference suffix).
pub fn unit(name: &str) -> Option<&'static Unit> {
    UNITS.iter().find(|unit| unit.name == name)
}

/// Names of the units of a dimension, the usual one first.
pub fn units_of(dimension: Dimension) -> impl Iterator<Item = &'static str> {
    UNITS.iter().filter(move |unit| unit.dimension == dimension).map(|unit| unit.name)
}

/// The known unit that looks most like `written`, if any looks alike at all.
pub fn nearest_unit(written: &str) -> Option<&'static str> {
    let folded = written.to_lowercase();
    UNITS
        .iter()
        .map(|unit| (edit_distance(&unit.name.to_lowercase(), &folded), unit.name))
        .filter(|(distance, name)| *distance <= name.len().div_ceil(3))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, name)| name)
}

/// Levenshtein distance in characters. Capped lengths keep it cheap on hostile input.
pub fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().take(64).collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().take(64).enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

/// One spelling for superscripts, degree sign, micro sign, product signs and blanks.
pub(super) fn tidy(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '²' => out.push('2'),
            '³' => out.push('3'),
            '°' => out.push_str("deg"),
            'µ' | 'μ' => out.push('u'),
            '·' | '*' => out.push(' '),
            '^' => {}
            _ => out.push(c),
        }
    }
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

pub(super) enum Unresolved {
    Unknown,
    NotAPressure(Dimension),
}

impl Unresolved {
    pub(super) fn with_text(self, text: &str, unit: &str) -> QuantityError {
        match self {
            Self::Unknown => QuantityError::UnknownUnit {
                text: text.to_owned(),
                unit: unit.to_owned(),
                nearest: nearest_unit(&tidy(unit)),
            },
            Self::NotAPressure(dimension) => QuantityError::NotAPressure { text: text.to_owned(), dimension },
        }
    }
}

const SUFFIXES: &[(&str, Reference)] = &[
    ("(g)", Reference::Gauge),
    ("(a)", Reference::Absolute),
    (" gauge", Reference::Gauge),
    (" absolute", Reference::Absolute),
    (" abs", Reference::Absolute),
    (" g", Reference::Gauge),
    (" a", Reference::Absolute),
    ("g", Reference::Gauge),
    ("a", Reference::Absolute),
];

/// Unit and reference of a tidied unit text.
pub(super) fn resolve(written: &str) -> Result<(&'static Unit, Reference), Unresolved> {
    if let Some(found) = unit(written) {
        return Ok((found, Reference::Unsaid));
    }
    for (suffix, reference) in SUFFIXES {
        let Some(found) = written.strip_suffix(suffix).and_then(|stem| unit(stem.trim_end())) else { continue };
        if found.dimension == D::Pressure {
            return Ok((found, *reference));
        }
        // A single trailing letter is more likely a slip ("mg") than a reference.
        if suffix.len() > 1 {
            return Err(Unresolved::NotAPressure(found.dimension));
        }
    }
    Err(Unresolved::Unknown)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_the_flow_coefficient_factor_is_the_root_of_bar_over_psi() {
        let expected = (1e5 / PSI_PA).sqrt();
        assert!(
            (ROOT_BAR_OVER_PSI - expected).abs() < 1e-12,
            "expected {expected:.15} got {ROOT_BAR_OVER_PSI:.15} tolerance 1e-12"
        );
        let cv = unit("Cv").map(|unit| unit.scale).unwrap_or(f64::NAN);
        // IEC 60534-1: Kv = 0.865 Cv.
        assert!((cv - 0.865).abs() < 5e-4, "expected 0.865 got {cv} tolerance 5e-4 (IEC 60534-1)");
    }

    #[test]
    fn law_unit_names_are_unique_and_tidy() {
        for (i, a) in UNITS.iter().enumerate() {
            assert_eq!(tidy(a.name), a.name);
            assert!(UNITS[i + 1..].iter().all(|b| b.name != a.name), "{} twice", a.name);
        }
        for dimension in Dimension::ALL {
            let base = unit(dimension.base_unit()).expect("base unit is in the table");
            assert_eq!((base.dimension, base.scale, base.offset), (dimension, 1.0, 0.0));
        }
    }

    #[test]
    fn proposes_a_unit_that_looks_alike() {
        assert_eq!(nearest_unit("Bar"), Some("bar"));
        assert_eq!(nearest_unit("KW"), Some("kW"));
        assert_eq!(nearest_unit("furlong"), None);
    }
}
