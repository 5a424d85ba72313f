//! Liquid water near one atmosphere, and the air above it.
//!
//! Correlations rather than a full equation of state: each is a short published formula, and together they reproduce
//! IAPWS-95 and R12-08 over 0 to 60 degC far within what a bench can tell. Dissolved air, salt and solids are ignored.

use super::spec::LiquidSpec;
use thiserror::Error;

/// Standard acceleration of gravity, m/s2 (exact by definition, ISO 80000-3).
pub const STANDARD_GRAVITY_M_S2: f64 = 9.80665;
/// Standard atmosphere at sea level, Pa (ISO 2533).
pub const STANDARD_ATMOSPHERE_PA: f64 = 101_325.0;
/// Specific gas constant of dry air, J/(kg K) (ISO 2533).
pub const AIR_GAS_CONSTANT_J_KG_K: f64 = 287.052_87;
/// 0 degC in kelvin.
pub const ZERO_CELSIUS_K: f64 = 273.15;

/// Why a liquid could not be made.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum WaterError {
    /// Outside the range of the correlations.
    #[error("water temperature {temperature_c} degC is outside 0 to 60 degC")]
    Temperature {
        /// As given, degC.
        temperature_c: f64,
    },
    /// Outside the lowest layer of the standard atmosphere.
    #[error("altitude {altitude_m} m is outside -500 to 5000 m")]
    Altitude {
        /// As given, m.
        altitude_m: f64,
    },
    /// No barometer reads this outdoors.
    #[error("barometric pressure {pressure_pa} Pa is outside 50000 to 110000 Pa absolute")]
    Barometer {
        /// As given, Pa absolute.
        pressure_pa: f64,
    },
}

/// Where the atmospheric pressure comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Site {
    /// Height above sea level, m; the standard atmosphere of that height.
    AltitudeM(f64),
    /// A barometer on the site (station pressure, not reduced to sea level), Pa absolute.
    BarometerPa(f64),
}

/// The liquid of a rig: fresh water at a temperature, at a site.
///
/// # Range
/// 0 to 60 degC; altitude -500 to 5000 m or barometer 50 to 110 kPa absolute; NaN is refused.
///
/// # Errors
/// [`WaterError`] names the value and its limits.
///
/// # Accuracy
/// Worst errors seen against IAPWS-95 / R12-08 at 1 atm (`published_iapws_and_iso_2533_water_and_air`), relative:
/// density 4e-6, kinematic viscosity 1.3e-5, vapour pressure 8e-5, bulk modulus 5e-5.
///
/// ```
/// use ramprig::hydraulics::water::{Site, liquid};
/// let water = liquid(20.0, Site::AltitudeM(0.0)).unwrap();
/// assert!((water.density_kg_m3 - 998.21).abs() < 0.02);
/// ```
pub fn liquid(temperature_c: f64, site: Site) -> Result<LiquidSpec, WaterError> {
    if !(0.0..=60.0).contains(&temperature_c) {
        return Err(WaterError::Temperature { temperature_c });
    }
    let density_kg_m3 = density_kg_m3(temperature_c);
    Ok(LiquidSpec {
        density_kg_m3,
        viscosity_m2_s: dynamic_viscosity_pa_s(temperature_c + ZERO_CELSIUS_K, density_kg_m3) / density_kg_m3,
        bulk_modulus_pa: bulk_modulus_pa(temperature_c),
        vapour_pa: vapour_pressure_pa(temperature_c + ZERO_CELSIUS_K),
        atmosphere_pa: site_pressure_pa(site)?,
        gravity_m_s2: STANDARD_GRAVITY_M_S2,
    })
}

fn site_pressure_pa(site: Site) -> Result<f64, WaterError> {
    match site {
        Site::AltitudeM(altitude_m) if (-500.0..=5000.0).contains(&altitude_m) => {
            Ok(atmosphere(geopotential_m(altitude_m)).pressure_pa)
        }
        Site::AltitudeM(altitude_m) => Err(WaterError::Altitude { altitude_m }),
        Site::BarometerPa(pressure_pa) if (50e3..=110e3).contains(&pressure_pa) => Ok(pressure_pa),
        Site::BarometerPa(pressure_pa) => Err(WaterError::Barometer { pressure_pa }),
    }
}

/// Density at 1 atm, kg/m3: a quintic over a linear term in t (degC).
///
/// Range 0 to 100 degC. Source: G. S. Kell, J. Chem. Eng. Data 20 (1975), equation for air-free water, coefficients
/// from memory, held by the IAPWS-95 values of the validation tests.
pub fn density_kg_m3(temperature_c: f64) -> f64 {
    const RISING: [f64; 6] = [999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12];
    polynomial(&RISING, temperature_c) / (1.0 + 16.879850e-3 * temperature_c)
}

/// Speed of sound at 1 atm, m/s: a quintic in t (degC).
///
/// Range 0 to 95 degC. Source: W. Marczak, J. Acoust. Soc. Am. 102 (1997), coefficients from memory, held by the
/// IAPWS-95 values of the validation tests (within 1e-4; IF97 itself is 1.2e-3 high near 30 degC).
pub fn speed_of_sound_m_s(temperature_c: f64) -> f64 {
    const RISING: [f64; 6] = [1.402385e3, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9];
    polynomial(&RISING, temperature_c)
}

/// Bulk modulus for fast (isentropic) changes at 1 atm: K = density (speed of sound)^2, Pa.
pub fn bulk_modulus_pa(temperature_c: f64) -> f64 {
    density_kg_m3(temperature_c) * speed_of_sound_m_s(temperature_c).powi(2)
}

fn polynomial(rising: &[f64], x: f64) -> f64 {
    rising.iter().rev().fold(0.0, |sum, coefficient| sum * x + coefficient)
}

/// Coefficients n1..n10 of the saturation line of IAPWS R7-97, equations 29 to 31.
const SATURATION: [f64; 10] = [
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
];

/// Vapour pressure on the saturation line, Pa absolute.
///
/// Range 273.15 to 647 K. Source: IAPWS R7-97(2012), equation 30; reproduces its table 35 to 1e-8.
pub fn vapour_pressure_pa(temperature_k: f64) -> f64 {
    let n = &SATURATION;
    let theta = temperature_k + n[8] / (temperature_k - n[9]);
    let a = theta * theta + n[0] * theta + n[1];
    let b = n[2] * theta * theta + n[3] * theta + n[4];
    let c = n[5] * theta * theta + n[6] * theta + n[7];
    1e6 * (2.0 * c / (-b + (b * b - 4.0 * a * c).sqrt())).powi(4)
}

/// Temperature at which water boils under a pressure (Pa absolute), K.
///
/// Range 611.2 Pa to 22 MPa. Source: IAPWS R7-97(2012), equation 31; reproduces its table 36 to 1e-8.
pub fn boiling_temperature_k(pressure_pa: f64) -> f64 {
    let n = &SATURATION;
    let beta = (pressure_pa * 1e-6).powf(0.25);
    let e = beta * beta + n[2] * beta + n[5];
    let f = n[0] * beta * beta + n[3] * beta + n[6];
    let g = n[1] * beta * beta + n[4] * beta + n[7];
    let d = 2.0 * g / (-f - (f * f - 4.0 * e * g).sqrt());
    let sum = n[9] + d;
    0.5 * (sum - (sum * sum - 4.0 * (n[8] + n[9] * d)).sqrt())
}

/// Non-zero terms (i, j, H_ij) of IAPWS R12-08, table 2.
const VISCOSITY_TERMS: [(i32, i32, f64); 21] = [
    (0, 0, 5.20094e-1),
    (1, 0, 8.50895e-2),
    (2, 0, -1.08374),
    (3, 0, -2.89555e-1),
    (0, 1, 2.22531e-1),
    (1, 1, 9.99115e-1),
    (2, 1, 1.88797),
    (3, 1, 1.26613),
    (5, 1, 1.20573e-1),
    (0, 2, -2.81378e-1),
    (1, 2, -9.06851e-1),
    (2, 2, -7.72479e-1),
    (3, 2, -4.89837e-1),
    (4, 2, -2.57040e-1),
    (0, 3, 1.61913e-1),
    (1, 3, 2.57399e-1),
    (0, 4, -3.25372e-2),
    (3, 4, 6.98452e-2),
    (4, 5, 8.72102e-3),
    (3, 6, -4.35673e-3),
    (5, 6, -5.93264e-4),
];

/// Dynamic viscosity of water or steam, Pa s, without the enhancement at the critical point.
///
/// Range: the whole fluid away from 647 K; here 273 to 333 K. Source: IAPWS R12-08, equations 10 to 12;
/// reproduces its table 4 to 1e-8.
pub fn dynamic_viscosity_pa_s(temperature_k: f64, density_kg_m3: f64) -> f64 {
    const DILUTE: [f64; 4] = [1.67752, 2.20462, 0.6366564, -0.241605];
    let t = temperature_k / 647.096;
    let d = density_kg_m3 / 322.0;
    let mu0 = 100.0 * t.sqrt() / polynomial(&DILUTE, 1.0 / t);
    let sum: f64 = VISCOSITY_TERMS.iter().map(|&(i, j, h)| h * (1.0 / t - 1.0).powi(i) * (d - 1.0).powi(j)).sum();
    1e-6 * mu0 * (d * sum).exp()
}

/// Surface tension against its own vapour, N/m: 0.2358 x^1.256 (1 - 0.625 x), x = 1 - T/647.096.
///
/// Range 273 to 647 K. Source: IAPWS R1-76(2014).
pub fn surface_tension_n_m(temperature_k: f64) -> f64 {
    let x = 1.0 - temperature_k / 647.096;
    0.2358 * x.powf(1.256) * (1.0 - 0.625 * x)
}

/// Air of the standard atmosphere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StandardAir {
    /// Pressure, Pa absolute.
    pub pressure_pa: f64,
    /// Temperature, K.
    pub temperature_k: f64,
    /// Density, kg/m3.
    pub density_kg_m3: f64,
}

/// The standard atmosphere at a geopotential altitude: T = 288.15 - 0.0065 H, p = p0 (T/288.15)^(g0/(R 0.0065)).
///
/// Range -2000 to 11000 m (lowest layer). Source: ISO 2533:1975, clause 2.
pub fn atmosphere(geopotential_m: f64) -> StandardAir {
    const SEA_LEVEL_K: f64 = 288.15;
    const LAPSE_K_M: f64 = 0.0065;
    let temperature_k = SEA_LEVEL_K - LAPSE_K_M * geopotential_m;
    let exponent = STANDARD_GRAVITY_M_S2 / (AIR_GAS_CONSTANT_J_KG_K * LAPSE_K_M);
    let pressure_pa = STANDARD_ATMOSPHERE_PA * (temperature_k / SEA_LEVEL_K).powf(exponent);
    StandardAir { pressure_pa, temperature_k, density_kg_m3: pressure_pa / (AIR_GAS_CONSTANT_J_KG_K * temperature_k) }
}

/// Geopotential altitude of a height above sea level: H = r Z/(r + Z), r = 6 356 766 m (ISO 2533).
pub fn geopotential_m(height_m: f64) -> f64 {
    const EARTH_RADIUS_M: f64 = 6_356_766.0;
    EARTH_RADIUS_M * height_m / (EARTH_RADIUS_M + height_m)
}

/// Head of water that the atmosphere can push up into a perfect vacuum: (p_atm - p_vap)/(density g), m.
pub fn barometric_head_m(liquid: &LiquidSpec) -> f64 {
    (liquid.atmosphere_pa - liquid.vapour_pa) / (liquid.density_kg_m3 * liquid.gravity_m_s2)
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "exact values are meant")]
mod tests {
    use super::*;

    #[test]
    fn rejects_values_outside_the_range_and_nan() {
        for t in [-0.1, 60.1, f64::NAN] {
            let error = liquid(t, Site::AltitudeM(0.0)).unwrap_err();
            assert!(matches!(error, WaterError::Temperature { .. }), "{error}");
        }
        assert_eq!(
            liquid(20.0, Site::BarometerPa(1013.25)).unwrap_err().to_string(),
            "barometric pressure 1013.25 Pa is outside 50000 to 110000 Pa absolute"
        );
        assert!(liquid(20.0, Site::AltitudeM(f64::NAN)).is_err());
        assert!(liquid(20.0, Site::AltitudeM(9000.0)).is_err());
    }

    #[test]
    fn accepts_a_barometer_in_place_of_an_altitude() {
        let water = liquid(15.0, Site::BarometerPa(98_000.0)).unwrap();
        assert_eq!(water.atmosphere_pa, 98_000.0);
    }

    #[test]
    fn law_boiling_temperature_is_the_inverse_of_vapour_pressure() {
        for t in [275.0, 300.0, 333.0, 373.15, 500.0] {
            let back = boiling_temperature_k(vapour_pressure_pa(t));
            assert!((back - t).abs() < 1e-6, "expected {t} K, got {back} K, tolerance 1e-6 K");
        }
    }

    /// The printed value has eight digits: half its last one is 3.4e-8, more than a relative tolerance of 1e-8.
    #[test]
    fn published_iapws_r12_08_thin_steam_rounds_to_the_printed_viscosity() {
        let mu_upa_s = 1e6 * dynamic_viscosity_pa_s(433.15, 1.0);
        assert_eq!(format!("{mu_upa_s:.6}"), "14.538324", "R12-08 table 4, uPa s");
    }

    #[test]
    fn law_water_is_densest_near_four_degrees() {
        let densest =
            (0..=600).map(|i| f64::from(i) / 10.0).max_by(|a, b| density_kg_m3(*a).total_cmp(&density_kg_m3(*b)));
        assert!((densest.unwrap() - 4.0).abs() < 0.2, "expected 4.0 degC, got {densest:?}, tolerance 0.2 K");
    }
}
