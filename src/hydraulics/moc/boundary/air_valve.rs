//! An air valve at a node: lets air in below atmospheric pressure, lets it out above, shuts when the air is gone.

use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::moc::cavity::NodeCavity;
use crate::hydraulics::spec::{AirValveSpec, LiquidSpec};

/// Gas constant of air, J/(kg K), and temperature of the air, K (standard atmosphere).
const AIR_J_KG_K: f64 = 287.05;
const AIR_K: f64 = 288.15;
/// Ratio of pressures at and below which the flow is choked, and the flow function there (ratio of heats 1.4).
const CHOKED_RATIO: f64 = 0.528;
/// Share of the pressure over which the flow grows in proportion, where its square root would be too steep for Newton.
const STRAIGHT_SHARE: f64 = 1.0e-3;
/// Lowest absolute pressure looked at, Pa.
const LOWEST_PA: f64 = 500.0;
/// Head at which it opens below its elevation, and mass left at which it shuts, share of a step's: solver noise.
const OPENING_HEAD_M: f64 = 1.0e-9;

/// An air valve and the air under it.
///
/// Equation: air at one temperature, `p V = m R T`; its mass changes by isentropic flow through the openings,
/// `m' = C A p_up / sqrt(R T) psi(p_down / p_up)`, `psi = sqrt(7 (r^1.4286 - r^1.7143))`, choked below r = 0.528; water by
/// `V1 = V0 - dt Q1`, solved together with the head at the new level.
/// p -> absolute pressure at the node, C A -> effective area inwards or outwards.
/// Range: the air stays at the valve; no air dissolves. Accuracy: volume to rounding; first order in dt;
/// `agrees_with_closed_form_swing_into_an_air_valve`.
/// Source: WS93 chapter 6 (air-inlet valves).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct AirValve {
    spec: AirValveSpec,
    pub(crate) elevation_m: f64,
    atmosphere_pa: f64,
    weight_n_m3: f64,
    dt_s: f64,
    mass_kg: f64,
    pub(crate) store: NodeCavity,
    pub(crate) open: bool,
}

impl AirValve {
    pub(crate) fn new(spec: &AirValveSpec, elevation_m: f64, liquid: &LiquidSpec, dt_s: f64) -> Self {
        Self {
            spec: *spec,
            elevation_m,
            atmosphere_pa: liquid.atmosphere_pa,
            weight_n_m3: liquid.density_kg_m3 * liquid.gravity_m_s2,
            dt_s,
            mass_kg: 0.0,
            store: NodeCavity::default(),
            open: false,
        }
    }

    fn absolute_pa(&self, head_m: f64) -> f64 {
        (self.atmosphere_pa + self.weight_n_m3 * (head_m - self.elevation_m)).max(LOWEST_PA)
    }

    /// Air that comes in at an absolute pressure under the valve, kg/s.
    fn inflow_kg_s(&self, absolute_pa: f64) -> f64 {
        let (area_m2, up_pa, sign) = if absolute_pa < self.atmosphere_pa {
            (self.spec.inflow_cda_m2, self.atmosphere_pa, 1.0)
        } else {
            (self.spec.outflow_cda_m2, absolute_pa, -1.0)
        };
        let ratio = (absolute_pa.min(self.atmosphere_pa) / up_pa).max(CHOKED_RATIO);
        let straight = 1.0 - STRAIGHT_SHARE;
        let function = |r: f64| (7.0 * (r.powf(2.0 / 1.4) - r.powf(2.4 / 1.4))).sqrt();
        let psi = if ratio > straight { function(straight) * (1.0 - ratio) / STRAIGHT_SHARE } else { function(ratio) };
        sign * area_m2 * up_pa / (AIR_J_KG_K * AIR_K).sqrt() * psi
    }

    fn mass_at_kg(&self, absolute_pa: f64) -> f64 {
        self.mass_kg + self.dt_s * self.inflow_kg_s(absolute_pa)
    }

    /// Water taken at a head of the new level, m3/s, and its slope, m2/s.
    pub(crate) fn taken(&self, head_m: f64) -> (f64, f64) {
        if !self.open {
            return (self.store.filling_m3_s(self.dt_s), 0.0);
        }
        let volume_m3 = |head_m: f64| {
            let absolute_pa = self.absolute_pa(head_m);
            self.mass_at_kg(absolute_pa) * AIR_J_KG_K * AIR_K / absolute_pa
        };
        // Away from the atmosphere, where the openings in and out meet at an edge.
        let step_m = if head_m > self.elevation_m { 1.0e-6 } else { -1.0e-6 };
        let here_m3 = volume_m3(head_m);
        let by_head = (volume_m3(head_m + step_m) - here_m3) / step_m;
        ((self.store.volume_m3 - here_m3) / self.dt_s, -by_head / self.dt_s)
    }

    /// Flow below which the numbers cannot tell volumes apart, m3/s.
    pub(crate) fn resolution_m3_s(&self) -> f64 {
        if self.open { 8.0 * f64::EPSILON * (self.store.volume_m3 + 1.0e-6) / self.dt_s } else { 0.0 }
    }

    /// True when the solution contradicts the state it was solved in.
    pub(crate) fn must_move(&self, head_m: f64) -> bool {
        if self.open {
            self.mass_at_kg(self.absolute_pa(head_m)) <= 0.0
        } else {
            head_m < self.elevation_m - OPENING_HEAD_M
        }
    }

    /// Take the solved head and inflow.
    pub(crate) fn end(&mut self, head_m: f64, inflow_m3_s: f64) {
        self.mass_kg = if self.open { self.mass_at_kg(self.absolute_pa(head_m)).max(0.0) } else { 0.0 };
        self.store.end(inflow_m3_s, self.open, self.dt_s);
    }
}

pub(crate) fn check(name: &str, spec: &AirValveSpec) -> Result<(), HydraulicsError> {
    for (quantity, value) in
        [("effective area inwards", spec.inflow_cda_m2), ("effective area outwards", spec.outflow_cda_m2)]
    {
        if !(value > 0.0 && value.is_finite()) {
            let place = name.to_owned();
            return Err(HydraulicsError::OutOfRange { place, quantity, value, unit: "m2", allowed: "above 0" });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn valve() -> AirValve {
        let liquid = LiquidSpec {
            density_kg_m3: 1000.0,
            viscosity_m2_s: 1.0e-6,
            bulk_modulus_pa: 2.0e9,
            vapour_pa: 2.0e3,
            atmosphere_pa: 101_325.0,
            gravity_m_s2: 9.81,
        };
        AirValve::new(&AirValveSpec { inflow_cda_m2: 1.0e-3, outflow_cda_m2: 2.0e-5 }, 0.0, &liquid, 1.0e-3)
    }

    fn assert_share(what: &str, expected: f64, got: f64, share: f64) {
        let error = (got / expected - 1.0).abs();
        assert!(error < share, "{what}: expected {expected} kg/s, got {got}, error {error:.1e}, tolerance {share:.0e}");
    }

    /// A small difference: as a liquid, `C A sqrt(2 rho dp)`; a large one: choked, 0.0404 C A p / sqrt(T) in SI.
    #[test]
    fn agrees_with_closed_form_flow_of_air_at_small_and_choked_differences() {
        let valve = valve();
        let density_kg_m3: f64 = 101_325.0 / (AIR_J_KG_K * AIR_K);
        let small = 1.0e-3 * (2.0 * density_kg_m3 * 500.0).sqrt();
        assert_share("500 Pa, incompressible", small, valve.inflow_kg_s(101_325.0 - 500.0), 5.0e-3);
        let choked = 0.0404 * 1.0e-3 * 101_325.0 / AIR_K.sqrt();
        assert_share("choked, handbook", choked, valve.inflow_kg_s(3.0e4), 2.0e-3);
        let out = -0.0404 * 2.0e-5 * 5.0e5 / AIR_K.sqrt();
        assert_share("choked outwards", out, valve.inflow_kg_s(5.0e5), 2.0e-3);
    }
}
