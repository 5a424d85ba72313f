//! Valves by flow coefficient.

use super::error::HydraulicsError;
use super::spec::ValveSpec;

/// Share of the open Kv below which a valve counts as shut.
pub(crate) const SHUT_SHARE: f64 = 1.0e-9;

/// Loss coefficient r of a flow coefficient: `dH = r Q |Q|`.
///
/// Equation: `Q_h = Kv sqrt(dp / 1 bar)` for water of 1000 kg/m3, hence `r = (100 / g) (3600 / Kv)^2`
/// (Q_h -> m3/h, dp -> bar, g -> gravity).
///
/// Range: `kv_m3_h > 0`; zero gives infinity. The head form does not depend on density, as dp/rho is what Kv scales.
/// Returns: s2/m5.
/// Accuracy: exact by definition.
/// Source: IEC 60534-1 (definition of Kv, dp/rho form).
#[must_use]
pub fn kv_loss_s2_m5(kv_m3_h: f64, gravity_m_s2: f64) -> f64 {
    let per_kv = 3600.0 / kv_m3_h;
    100.0 / gravity_m_s2 * per_kv * per_kv
}

/// US gallon, m3; pound-force per square inch, Pa.
const US_GALLON_M3: f64 = 3.785_411_784e-3;
const PSI_PA: f64 = 6_894.757_293_168_361;
/// Densities that Kv and Cv are defined with, kg/m3.
const KV_DENSITY_KG_M3: f64 = 1000.0;
const BAR_PA: f64 = 1.0e5;

/// Cv (US gallons a minute at 1 psi) of a Kv, water of one density: 1.156 Kv. Source: IEC 60534-1.
#[must_use]
pub fn cv_us_gpm(kv_m3_h: f64) -> f64 {
    kv_m3_h / 60.0 / US_GALLON_M3 * (PSI_PA / BAR_PA).sqrt()
}

/// Kv of a valve that passes like an orifice `Q = C A sqrt(2 g H)`, m3/h at 1 bar.
///
/// Equation: `Kv = 3600 C A sqrt(2 dp / rho)` at 1 bar and 1000 kg/m3. Arguments: effective area `C A`, m2, 0 or more.
/// Accuracy: exact. Derivation: both are a flow by the root of a difference of pressure; water of 1000 kg/m3 by IEC 60534-1.
///
/// ```
/// use ramprig::hydraulics::valve::{kv_loss_s2_m5, kv_of_orifice_m3_h};
/// // 1/(2 g (CA)^2) is the loss of an orifice
/// let (effective_m2, gravity_m_s2) = (1.0e-3_f64, 9.81);
/// let loss = kv_loss_s2_m5(kv_of_orifice_m3_h(effective_m2), gravity_m_s2);
/// assert!((loss * 2.0 * gravity_m_s2 * effective_m2 * effective_m2 - 1.0).abs() < 1e-3);
/// ```
#[must_use]
pub fn kv_of_orifice_m3_h(effective_m2: f64) -> f64 {
    3600.0 * effective_m2 * (2.0 * 1.0e5_f64 / 1.0e3).sqrt()
}

/// Av of a Kv, m2: `Q = Av sqrt(dp / rho)`. Source: IEC 60534-1.
#[must_use]
pub fn av_m2(kv_m3_h: f64) -> f64 {
    kv_m3_h / 3600.0 / (BAR_PA / KV_DENSITY_KG_M3).sqrt()
}

/// Loss coefficient on the velocity head of a bore, of a Kv: `dp = K rho V^2 / 2`.
#[must_use]
pub fn kv_loss_k(kv_m3_h: f64, bore_m: f64) -> f64 {
    let area_m2 = std::f64::consts::FRAC_PI_4 * bore_m * bore_m;
    let per_av = area_m2 / av_m2(kv_m3_h);
    2.0 * per_av * per_av
}

/// Flow through a Kv, m3/s, at a drop of pressure; no choking. Source: IEC 60534-2-1.
#[must_use]
pub fn kv_flow_m3_s(kv_m3_h: f64, drop_pa: f64, density_kg_m3: f64) -> f64 {
    av_m2(kv_m3_h) * (drop_pa / density_kg_m3).sqrt()
}

/// Share of the open Kv at an opening: linear between the points of `curve`, linear in the opening where it is empty;
/// openings beyond 0..1 count as the nearest end.
#[must_use]
pub fn kv_share(curve: &[(f64, f64)], opening: f64) -> f64 {
    let opening = opening.clamp(0.0, 1.0);
    let (Some(first), Some(last)) = (curve.first(), curve.last()) else { return opening };
    if opening <= first.0 {
        return first.1;
    }
    for pair in curve.windows(2) {
        let (low, high) = (pair[0], pair[1]);
        if opening <= high.0 {
            return low.1 + (high.1 - low.1) * (opening - low.0) / (high.0 - low.0);
        }
    }
    last.1
}

/// A valve at its present opening.
#[derive(Debug, Clone)]
pub(crate) struct Valve {
    spec: ValveSpec,
    gravity_m_s2: f64,
    loss_s2_m5: Option<f64>,
}

impl Valve {
    pub(crate) fn new(name: &str, spec: &ValveSpec, gravity_m_s2: f64) -> Result<Self, HydraulicsError> {
        check(name, spec)?;
        let mut valve = Self { spec: spec.clone(), gravity_m_s2, loss_s2_m5: None };
        valve.set_opening(spec.opening);
        Ok(valve)
    }

    pub(crate) fn set_opening(&mut self, opening: f64) {
        let share = kv_share(&self.spec.curve, opening);
        self.loss_s2_m5 =
            (share > SHUT_SHARE).then(|| kv_loss_s2_m5(self.spec.kv_open_m3_h * share, self.gravity_m_s2));
    }

    /// Loss coefficient, s2/m5; none when shut.
    pub(crate) fn loss_s2_m5(&self) -> Option<f64> {
        self.loss_s2_m5
    }
}

fn check(name: &str, spec: &ValveSpec) -> Result<(), HydraulicsError> {
    let refuse = |quantity, value, unit, allowed| {
        Err(HydraulicsError::OutOfRange { place: name.to_owned(), quantity, value, unit, allowed })
    };
    if !(spec.kv_open_m3_h > 0.0 && spec.kv_open_m3_h.is_finite()) {
        return refuse("Kv", spec.kv_open_m3_h, "m3/h", "above 0");
    }
    if !(0.0..=1.0).contains(&spec.opening) {
        return refuse("opening", spec.opening, "", "0 to 1");
    }
    for pair in spec.curve.windows(2) {
        if !(pair[1].0 > pair[0].0 && pair[1].1 >= pair[0].1) {
            return refuse("opening curve", pair[1].0, "", "rising openings with shares that do not fall");
        }
    }
    match spec.curve.iter().find(|point| !(0.0..=1.0).contains(&point.1) || !(0.0..=1.0).contains(&point.0)) {
        Some(point) => refuse("opening curve", point.1, "", "openings and shares from 0 to 1"),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_kv_loss_gives_one_bar_at_kv() {
        let (kv_m3_h, gravity_m_s2) = (40.0, 9.80665);
        let flow_m3_s: f64 = kv_m3_h / 3600.0;
        let drop_pa = 1000.0 * gravity_m_s2 * kv_loss_s2_m5(kv_m3_h, gravity_m_s2) * flow_m3_s * flow_m3_s;
        assert!((drop_pa - 1.0e5).abs() < 1.0e-6, "expected 1e5 Pa, got {drop_pa} Pa (definition of Kv, IEC 60534-1)");
    }

    #[test]
    fn interpolates_the_opening_curve_and_holds_its_ends() {
        let curve = [(0.0, 0.0), (0.5, 0.2), (1.0, 1.0)];
        for (opening, share) in [(-1.0, 0.0), (0.25, 0.1), (0.5, 0.2), (0.75, 0.6), (2.0, 1.0)] {
            let got = kv_share(&curve, opening);
            assert!((got - share).abs() < 1.0e-12, "opening {opening}: expected {share}, got {got}");
        }
        assert!((kv_share(&[], 0.3) - 0.3).abs() < 1.0e-12, "empty curve is linear");
    }

    #[test]
    fn rejects_a_valve_without_capacity() {
        let spec = ValveSpec { kv_open_m3_h: 0.0, curve: vec![], opening: 1.0 };
        let text = Valve::new("throttle", &spec, 9.81).unwrap_err().to_string();
        assert!(text.contains("throttle") && text.contains("Kv is 0"), "{text}");
    }
}
