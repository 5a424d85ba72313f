//! How values look to people: SI or US customary, pressure with its head beside it.

use super::{Dimension, Reference, unit};
use serde::{Deserialize, Serialize};

/// The two ways to show values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum System {
    /// bar, m, m3/h, kW, degC.
    #[default]
    Si,
    /// psi, ft, gpm, hp, degF.
    Us,
}

impl System {
    /// The unit that people of this system read `dimension` in.
    pub fn unit_name(self, dimension: Dimension) -> &'static str {
        match (self, dimension) {
            (Self::Si, Dimension::Pressure) => "bar",
            (Self::Si, Dimension::Flow) => "m3/h",
            (Self::Si, Dimension::Power) => "kW",
            (_, Dimension::Speed) => "rpm",
            (_, Dimension::Share) => "%",
            (Self::Us, Dimension::Pressure) => "psi",
            (Self::Us, Dimension::Flow) => "gpm",
            (Self::Us, Dimension::Power) => "hp",
            (Self::Us, Dimension::Length) => "ft",
            (Self::Us, Dimension::Area) => "ft2",
            (Self::Us, Dimension::Volume) => "gal",
            (Self::Us, Dimension::Velocity) => "ft/s",
            (Self::Us, Dimension::Acceleration) => "ft/s2",
            (Self::Us, Dimension::Temperature) => "degF",
            (Self::Us, Dimension::Density) => "lb/ft3",
            (Self::Us, Dimension::Torque) => "lbf ft",
            (Self::Us, Dimension::Inertia) => "lb ft2",
            (Self::Us, Dimension::FlowCoefficient) => "Cv",
            _ => dimension.base_unit(),
        }
    }

    /// The number that people of this system read for `si`, without its unit.
    pub fn number(self, si: f64, dimension: Dimension) -> f64 {
        number_in(si, self.unit_name(dimension))
    }

    /// `si` with its unit, four significant digits (`2.413 barg`).
    pub fn show(self, si: f64, dimension: Dimension, reference: Reference) -> String {
        let name = self.unit_name(dimension);
        format!("{} {}", significant(number_in(si, name), 4), self.unit_counted(dimension, reference))
    }

    /// Unit with what a pressure is counted from (`barg`).
    pub fn unit_counted(self, dimension: Dimension, reference: Reference) -> String {
        let suffix = match reference {
            Reference::Unsaid => "",
            Reference::Gauge => "g",
            Reference::Absolute => "a",
        };
        format!("{}{suffix}", self.unit_name(dimension))
    }

    /// A value that is no pressure.
    pub fn plain(self, si: f64, dimension: Dimension) -> String {
        self.show(si, dimension, Reference::Unsaid)
    }

    /// A gauge pressure with its head of the liquid beside it (`2.413 barg (24.64 m)`).
    pub fn gauge_with_head(self, gauge_pa: f64, weight_n_m3: f64) -> String {
        let head = self.plain(gauge_pa / weight_n_m3, Dimension::Length);
        format!("{} ({head})", self.show(gauge_pa, Dimension::Pressure, Reference::Gauge))
    }

    /// Suction: US customary shows vacuum in inHg, SI a negative gauge pressure.
    pub fn suction(self, gauge_pa: f64) -> String {
        if self == Self::Us && gauge_pa < 0.0 {
            format!("{} inHg vacuum", significant(number_in(-gauge_pa, "inHg"), 4))
        } else {
            self.show(gauge_pa, Dimension::Pressure, Reference::Gauge)
        }
    }
}

/// The number that `base` (in its dimension's base unit) has in the unit `name`; NaN for a name not in the table.
pub fn number_in(base: f64, name: &str) -> f64 {
    unit(name).map_or(f64::NAN, |unit| (base - unit.offset) / unit.scale)
}

/// `value` with `digits` significant digits, no exponent, no trailing zeros beyond the digits; `-` for NaN.
pub fn significant(value: f64, digits: usize) -> String {
    if value.is_nan() {
        return "-".to_owned();
    }
    if value.abs() < 1e-9 {
        return "0".to_owned();
    }
    if !value.is_finite() {
        return format!("{value}");
    }
    let magnitude = value.abs().log10().floor() as i32;
    let decimals = (digits as i32 - 1 - magnitude).clamp(0, 12) as usize;
    format!("{value:.decimals$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shows_pressure_with_its_head() {
        assert_eq!(System::Si.gauge_with_head(241_300.0, 9_790.0), "2.413 barg (24.65 m)");
        assert_eq!(System::Us.gauge_with_head(241_300.0, 9_790.0), "35.00 psig (80.86 ft)");
    }

    #[test]
    fn shows_us_vacuum_in_inches_of_mercury() {
        assert_eq!(System::Us.suction(-33_863.89), "10.00 inHg vacuum");
        assert_eq!(System::Si.suction(-33_863.89), "-0.3386 barg");
    }

    #[test]
    fn keeps_four_significant_digits() {
        assert_eq!(significant(0.012_345, 4), "0.01235");
        assert_eq!(significant(123_456.0, 4), "123456");
        assert_eq!(significant(f64::NAN, 4), "-");
    }
}
