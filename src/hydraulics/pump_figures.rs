//! Single figures of a pump: affinity, specific speed, efficiency, NPSH available, suction lift, inertia estimates.
//!
//! Range: positive flow, head and speed; efficiencies within 0 to 1; each function says what it does outside. Accuracy:
//! closed forms, exact to rounding (`published_pump_figures`, sheet 06_pump); inertia estimates are fits that miss a real
//! pump by tens of percent.

use super::spec::LiquidSpec;
use super::water::{STANDARD_GRAVITY_M_S2, barometric_head_m};
use std::f64::consts::{FRAC_PI_4, PI, TAU};

/// A duty: flow, head and shaft power together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Duty {
    /// Flow, m3/s.
    pub flow_m3_s: f64,
    /// Head, m.
    pub head_m: f64,
    /// Shaft power, W.
    pub power_w: f64,
}

/// The like duty at another speed: flow with the ratio of speeds, head with its square, power with its cube.
///
/// Same impeller, same liquid, like flow; small pumps at low speed fall short of it by a few per cent through Reynolds
/// number (common practice, no source). `speed_ratio` = new speed / old speed.
pub fn affinity(duty: &Duty, speed_ratio: f64) -> Duty {
    Duty {
        flow_m3_s: duty.flow_m3_s * speed_ratio,
        head_m: duty.head_m * speed_ratio.powi(2),
        power_w: duty.power_w * speed_ratio.powi(3),
    }
}

/// The three customary forms of specific speed at the best-efficiency point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpecificSpeed {
    /// n sqrt(Q)/H^0.75 in rpm, m3/s, m (n_q).
    pub metric: f64,
    /// n sqrt(Q)/H^0.75 in rpm, US gpm, ft.
    pub us: f64,
    /// omega sqrt(Q)/(g H)^0.75, without dimension.
    pub dimensionless: f64,
}

const US_GALLON_M3: f64 = 3.785_411_784e-3;
const FOOT_M: f64 = 0.3048;

/// Specific speed in the three customary forms; head per stage, flow per impeller eye.
///
/// Source: definitions of ISO 17769-1 and HI 14.1-14.2, g standard.
pub fn specific_speed(speed_rad_s: f64, flow_m3_s: f64, head_m: f64) -> SpecificSpeed {
    let rpm = speed_rad_s * 30.0 / PI;
    let gpm = flow_m3_s * 60.0 / US_GALLON_M3;
    SpecificSpeed {
        metric: rpm * flow_m3_s.sqrt() / head_m.powf(0.75),
        us: rpm * gpm.sqrt() / (head_m / FOOT_M).powf(0.75),
        dimensionless: speed_rad_s * flow_m3_s.sqrt() / (STANDARD_GRAVITY_M_S2 * head_m).powf(0.75),
    }
}

/// Power given to the water: density g Q H, W.
pub fn hydraulic_power_w(density_kg_m3: f64, gravity_m_s2: f64, flow_m3_s: f64, head_m: f64) -> f64 {
    density_kg_m3 * gravity_m_s2 * flow_m3_s * head_m
}

/// Pump efficiency: power given to the water over shaft power, 1 (ISO 9906). Zero or less power gives no figure.
pub fn efficiency(hydraulic_w: f64, shaft_w: f64) -> Option<f64> {
    (shaft_w > 0.0).then(|| hydraulic_w / shaft_w)
}

/// A pressure tapping of a pump under test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tapping {
    /// Gauge pressure, Pa.
    pub gauge_pa: f64,
    /// Height of the gauge, m.
    pub elevation_m: f64,
    /// Bore of the pipe at the tapping, m.
    pub bore_m: f64,
}

impl Tapping {
    /// Mean velocity at a flow, m/s.
    pub fn velocity_m_s(&self, flow_m3_s: f64) -> f64 {
        flow_m3_s / (FRAC_PI_4 * self.bore_m * self.bore_m)
    }

    /// Total head over the common datum, m.
    pub fn total_head_m(&self, flow_m3_s: f64, density_kg_m3: f64, gravity_m_s2: f64) -> f64 {
        let velocity_m_s = self.velocity_m_s(flow_m3_s);
        self.gauge_pa / (density_kg_m3 * gravity_m_s2)
            + self.elevation_m
            + velocity_m_s * velocity_m_s / (2.0 * gravity_m_s2)
    }
}

/// Pump total head between two tappings, m: pressures, heights of the gauges and velocity heads (ISO 9906, HI 14.6).
pub fn total_head_m(
    suction: &Tapping,
    discharge: &Tapping,
    flow_m3_s: f64,
    density_kg_m3: f64,
    gravity_m_s2: f64,
) -> f64 {
    let of = |tapping: &Tapping| tapping.total_head_m(flow_m3_s, density_kg_m3, gravity_m_s2);
    of(discharge) - of(suction)
}

/// Heads that make up NPSH, each on the liquid's own density.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SuctionHeads {
    /// Atmosphere on the open suction surface, m absolute.
    pub atmosphere_m: f64,
    /// Vapour pressure, m absolute.
    pub vapour_m: f64,
    /// Height of the suction surface above the pump's datum, m; negative for a suction lift.
    pub static_m: f64,
    /// Losses of the suction line at the duty, m.
    pub losses_m: f64,
    /// Further deductions (entrance, margin), m.
    pub allowance_m: f64,
}

/// NPSH available: atmosphere + static - vapour - losses - allowance, m (HI 9.6.1, ISO 17769).
pub fn npsh_available_m(heads: &SuctionHeads) -> f64 {
    heads.atmosphere_m + heads.static_m - heads.vapour_m - heads.losses_m - heads.allowance_m
}

/// NPSH available over an open sump, m; `static_m` negative for a suction lift.
pub fn npsh_available_open_m(liquid: &LiquidSpec, static_m: f64, losses_m: f64) -> f64 {
    barometric_head_m(liquid) + static_m - losses_m
}

/// Highest suction lift that keeps a margin over the NPSH required, m.
pub fn suction_lift_max_m(liquid: &LiquidSpec, npsh_required_m: f64, losses_m: f64, margin_m: f64) -> f64 {
    barometric_head_m(liquid) - npsh_required_m - losses_m - margin_m
}

/// Inertia of pump impeller with its water, kg m2: 1.5e7 (P/N^3)^0.9556, P in kW, N in rpm at best efficiency.
///
/// A regression over large pumps: an order of magnitude only for a pump of a few kW.
/// Source: Thorley and Faithfull 1992.
pub fn pump_inertia_kg_m2(power_w: f64, speed_rad_s: f64) -> f64 {
    let rpm = speed_rad_s * 60.0 / TAU;
    1.5e7 * (power_w / 1000.0 / rpm.powi(3)).powf(0.9556)
}

/// Inertia of a motor, kg m2: 118 (P/N)^1.48, P in kW, N in rpm. Range and source as [`pump_inertia_kg_m2`].
pub fn motor_inertia_kg_m2(power_w: f64, speed_rad_s: f64) -> f64 {
    let rpm = speed_rad_s * 60.0 / TAU;
    118.0 * (power_w / 1000.0 / rpm).powf(1.48)
}

/// Inertia of a rotor of a given output and pole count, kg m2: Wk2 = 0.02 2^(p/2) hp^(1.35 - 0.05 p/2) lb ft2.
///
/// An estimate for general-purpose 60 Hz motors. Source: NEMA MG 1, 14.46.
pub fn rotor_inertia_kg_m2(power_w: f64, poles: u32) -> f64 {
    const HORSEPOWER_W: f64 = 745.699_871_582_270_2;
    const POUND_FOOT2_KG_M2: f64 = 0.453_592_37 * FOOT_M * FOOT_M;
    let pairs = f64::from(poles) / 2.0;
    0.02 * 2.0_f64.powf(pairs) * (power_w / HORSEPOWER_W).powf(1.35 - 0.05 * pairs) * POUND_FOOT2_KG_M2
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hydraulics::water::{Site, liquid};

    #[test]
    fn law_affinity_keeps_efficiency() {
        let duty = Duty { flow_m3_s: 0.01, head_m: 20.0, power_w: 3000.0 };
        let slow = affinity(&duty, 0.6);
        let eta = |d: &Duty| efficiency(hydraulic_power_w(998.0, 9.81, d.flow_m3_s, d.head_m), d.power_w).unwrap();
        assert!((eta(&slow) / eta(&duty) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn law_at_the_highest_lift_npsh_available_is_what_is_required_plus_margin() {
        let water = liquid(20.0, Site::AltitudeM(300.0)).unwrap();
        let lift = suction_lift_max_m(&water, 3.0, 0.8, 0.6);
        let npsh = npsh_available_open_m(&water, -lift, 0.8);
        assert!((npsh - 3.6).abs() < 1e-12, "expected 3.6 m, got {npsh} m, tolerance 1e-12 m");
    }

    #[test]
    fn rejects_efficiency_without_shaft_power() {
        assert_eq!(efficiency(100.0, 0.0), None);
        assert_eq!(efficiency(100.0, f64::NAN), None);
    }
}
