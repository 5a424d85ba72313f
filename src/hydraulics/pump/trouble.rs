//! A pump in trouble: too little suction head, air in the water; and the speeds between which it is of use. Worn rings and
//! wrong rotation are in [`Pump`] itself.

use super::Pump;
use crate::hydraulics::roots::{RootError, brent};
use thiserror::Error;

/// Share of the head lost at the suction head that counts as required (ISO 9906).
const HEAD_DROP_AT_REQUIRED: f64 = 0.03;
/// Ratio of available to required suction head from which the head is taken as whole: common practice, no source.
pub(super) const NO_DROP_RATIO: f64 = 1.5;
/// Share of free gas at the inlet, by volume, from which a radial impeller loses its water (5 to 8 % in tests; common
/// practice, no source).
const GAS_LOCK_SHARE: f64 = 0.07;
/// Head lost in per cent of the head for each per cent of gas, until it locks: common practice, no source.
const HEAD_PER_GAS: f64 = 4.0;
/// Share of the required suction head that is left at no flow: common practice, no source.
const AT_NO_FLOW: f64 = 0.6;
/// Accuracy of a speed that is searched for, rad/s.
const SPEED_TOLERANCE_RAD_S: f64 = 1.0e-9;

/// Why no useful speed exists.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum TroubleError {
    /// A number outside its range.
    #[error("{quantity} is {value}, allowed: {allowed}")]
    OutOfRange {
        /// What.
        quantity: &'static str,
        /// Value, SI.
        value: f64,
        /// Limit in words.
        allowed: &'static str,
    },
    /// Even at the highest speed the pump does not beat the static head.
    #[error(
        "the pump gives {shut_off_m:.2} m at shut-off at its highest speed, the static head is {static_m:.2} m: it moves no \
         water at any speed"
    )]
    BelowStaticHead {
        /// Shut-off head at the highest speed, m.
        shut_off_m: f64,
        /// Static head, m.
        static_m: f64,
    },
    /// No speed found.
    #[error("speed: {0}")]
    Root(#[from] RootError),
}

/// NPSH margin: available less required, m; negative: head breaks down.
#[must_use]
pub fn npsh_margin_m(available_m: f64, required_m: f64) -> f64 {
    available_m - required_m
}

/// Net positive suction head of a pump, m.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Npsh {
    /// At the inlet, without the velocity head of the suction pipe.
    pub available_m: f64,
    /// At this flow and speed.
    pub required_m: f64,
}

impl Npsh {
    /// Available less required, m; negative: the head breaks down.
    #[must_use]
    pub fn margin_m(&self) -> f64 {
        npsh_margin_m(self.available_m, self.required_m)
    }
}

/// NPSH required at a flow and speed, m, from the one at the rated point.
///
/// Equation: `r = r0 (0.6 n^2 + 0.4 v^2)` (n -> speed ratio, v -> flow ratio; water that runs backwards comes to the eye
/// from the discharge side, so v counts from 0). Quadratic with speed by affinity (ISO 9906); the split between flow and
/// no flow is common practice, no source.
#[must_use]
pub fn npsh_required_m(rated_m: f64, speed_ratio: f64, flow_ratio: f64) -> f64 {
    let forwards = flow_ratio.max(0.0);
    rated_m * (AT_NO_FLOW * speed_ratio * speed_ratio + (1.0 - AT_NO_FLOW) * forwards * forwards)
}

/// Slopes of [`npsh_required_m`] to the speed ratio and the flow ratio, m.
pub(super) fn npsh_required_slopes_m(rated_m: f64, speed_ratio: f64, flow_ratio: f64) -> (f64, f64) {
    (2.0 * AT_NO_FLOW * rated_m * speed_ratio, 2.0 * (1.0 - AT_NO_FLOW) * rated_m * flow_ratio.max(0.0))
}

/// A share of head with its slopes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Share {
    pub(super) value: f64,
    /// To the NPSH available, 1/m.
    pub(super) by_available: f64,
    /// To the NPSH required, 1/m.
    pub(super) by_required: f64,
}

impl Share {
    pub(super) const WHOLE: Self = Self { value: 1.0, by_available: 0.0, by_required: 0.0 };
}

/// Share of its head that a pump keeps at a ratio of NPSH available to required.
///
/// Equation: 1 from a ratio of 1.5; 0.97 at 1, by definition of the required value; between, a parabola without a kink
/// at 1.5; below 1 straight on with the slope at 1, steepening by a square, until no head is left at about half the
/// required value.
/// Range: any ratio; 0 or less gives what is left there, never below 0.
/// Source: 3 % by ISO 9906; the shape about it is common practice, no source.
#[must_use]
pub fn head_share_by_npsh(ratio: f64) -> f64 {
    npsh_share(ratio, 1.0).value
}

/// [`head_share_by_npsh`] of NPSH available and required, m, with slopes; without a step in value or slope above 0.
pub(super) fn npsh_share(available_m: f64, required_m: f64) -> Share {
    if available_m >= NO_DROP_RATIO * required_m {
        return Share::WHOLE;
    }
    let width_m = (NO_DROP_RATIO - 1.0) * required_m;
    let short = (NO_DROP_RATIO * required_m - available_m) / width_m;
    let below = (short - 1.0).max(0.0);
    let drop = HEAD_DROP_AT_REQUIRED * if short <= 1.0 { short * short } else { 1.0 + 2.0 * below } + below * below;
    if drop >= 1.0 {
        return Share { value: 0.0, ..Share::WHOLE };
    }
    let by_short = 2.0 * HEAD_DROP_AT_REQUIRED * short.min(1.0) + 2.0 * below;
    Share {
        value: 1.0 - drop,
        by_available: by_short / width_m,
        by_required: -by_short * available_m / (width_m * required_m),
    }
}

/// Share of its head that a pump keeps with free gas in the water; 0 once it has lost prime.
///
/// Equation: `1 - 4 a` up to 7 % of gas by volume, none beyond (a -> share of gas at the inlet's pressure).
/// Range: 0..1; radial impellers. Common practice, no source: published tests scatter by a factor of two.
#[must_use]
pub fn head_share_by_gas(gas_share: f64) -> f64 {
    if gas_share < GAS_LOCK_SHARE { 1.0 - HEAD_PER_GAS * gas_share.max(0.0) } else { 0.0 }
}

/// Share of gas at the inlet from which a radial impeller loses its water.
pub(crate) const fn gas_lock_share() -> f64 {
    GAS_LOCK_SHARE
}

/// Share of the head left on the way to the lock and beyond it, without a step, and its slope to the gas.
pub(super) fn gas_share_of_head(gas_share: f64) -> (f64, f64) {
    let value = 1.0 - HEAD_PER_GAS * gas_share;
    if value > 0.0 { (value, -HEAD_PER_GAS) } else { (0.0, 0.0) }
}

/// Share of its torque that the pump takes where it makes a share of its head, and its slope to that share.
///
/// Equation: `(1 + s) / 2`: half of what the head lacks is lost in the impeller, so efficiency falls with the head, to
/// `2 s / (1 + s)` of its value (s -> share of head). Common practice, no source.
#[must_use]
pub fn torque_share(head_share: f64) -> (f64, f64) {
    (0.5 * (1.0 + head_share), 0.5)
}

/// Gas by volume at the inlet from free gas by volume at the atmosphere: `a0 p_atm / p` of the gas beside the water.
///
/// Boyle's law at constant temperature. A return that splashes at the suction inlet brings some per cent of air, and a
/// suction lift swells it.
#[must_use]
pub fn gas_share_at(inlet_abs_pa: f64, free_share: f64, atmosphere_pa: f64) -> f64 {
    let gas = free_share * atmosphere_pa / inlet_abs_pa;
    gas / (gas + 1.0 - free_share)
}

/// Free air that brings the gas at the inlet to a share: [`gas_share_at`] the other way round.
#[must_use]
pub fn free_share_at(inlet_abs_pa: f64, gas_share: f64, atmosphere_pa: f64) -> f64 {
    gas_share / (gas_share + (1.0 - gas_share) * atmosphere_pa / inlet_abs_pa)
}

/// Lowest speed of use, rad/s: where the head at shut-off is the static head, below which no water moves.
///
/// Equation: `H(0, w) = H_static`; by affinity `w = wR sqrt(H_static / H_shut-off)`.
/// Arguments: `highest_rad_s` the highest speed the starter can give.
///
/// # Errors
/// A pump that does not beat the static head even at the highest speed.
pub fn minimum_useful_speed_rad_s(pump: &Pump, static_m: f64, highest_rad_s: f64) -> Result<f64, TroubleError> {
    if static_m <= 0.0 {
        return Ok(0.0);
    }
    let shut_off_m = |speed_rad_s: f64| pump.at(0.0, speed_rad_s).head_m;
    if shut_off_m(highest_rad_s) <= static_m {
        return Err(TroubleError::BelowStaticHead { shut_off_m: shut_off_m(highest_rad_s), static_m });
    }
    Ok(brent(|speed_rad_s| shut_off_m(speed_rad_s) - static_m, 0.0, highest_rad_s, SPEED_TOLERANCE_RAD_S)?)
}

/// What bounds the speed from above.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeedLimits {
    /// Largest shaft power, W.
    pub power_w: f64,
    /// Largest head that the weakest part stands at shut-off, m.
    pub head_m: f64,
    /// Flow ratio at which power is judged: the duty's flow over rated flow, at rated speed.
    pub duty_flow_ratio: f64,
}

/// Which limit holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bound {
    /// Shaft power at the duty.
    Power,
    /// Pressure at shut-off.
    Pressure,
}

/// Highest speed that keeps power and shut-off pressure within limits, rad/s, and which of them holds it.
///
/// Equation: power with the cube and head with the square of speed at like flow (affinity):
/// `w = wR min((P_max/P)^(1/3), (H_max/H_shut-off)^(1/2))`.
///
/// # Errors
/// Limits that are not positive.
pub fn maximum_speed_rad_s(pump: &Pump, limits: &SpeedLimits) -> Result<(f64, Bound), TroubleError> {
    for (quantity, value) in [("largest power, W", limits.power_w), ("largest head, m", limits.head_m)] {
        if value.is_nan() || value <= 0.0 {
            return Err(TroubleError::OutOfRange { quantity, value, allowed: "above 0" });
        }
    }
    let rated_rad_s = pump.rated_speed_rad_s();
    let duty = pump.at(limits.duty_flow_ratio * pump.rated_flow_m3_s(), rated_rad_s);
    let by_power = (limits.power_w / (duty.torque_n_m * rated_rad_s)).cbrt();
    let by_head = (limits.head_m / pump.at(0.0, rated_rad_s).head_m).sqrt();
    Ok(if by_power <= by_head {
        (by_power * rated_rad_s, Bound::Power)
    } else {
        (by_head * rated_rad_s, Bound::Pressure)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hydraulics::spec::PumpSpec;

    fn pump() -> Pump {
        let spec = PumpSpec {
            rated_speed_rad_s: 150.0,
            rated_flow_m3_s: 8.0e-3,
            rated_head_m: 18.0,
            rated_efficiency: 0.6,
            curve: vec![(0.0, 23.0), (8.0e-3, 18.0), (14.0e-3, 9.0)],
            efficiency: vec![(0.0, 0.0), (4.0e-3, 0.45), (8.0e-3, 0.6), (12.0e-3, 0.5)],
            npsh_required_m: 2.0,
            condition: Default::default(),
        };
        Pump::new("pump", &spec, 998.2, 9.806_65).unwrap()
    }

    #[test]
    fn published_iso_9906_three_per_cent_of_head_are_lost_at_the_required_suction_head() {
        let got = head_share_by_npsh(1.0);
        assert!((got - 0.97).abs() < 1e-12, "expected 0.97, got {got}, ISO 9906");
        assert!((head_share_by_npsh(1.5) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn law_head_falls_without_a_step_as_suction_head_falls() {
        let mut before = 1.0;
        for i in 0..=400 {
            let share = head_share_by_npsh(2.0 - 0.01 * f64::from(i));
            assert!(share <= before && before - share < 0.05, "at {i}: {before} then {share}");
            before = share;
        }
        assert!(before < 1e-12, "no head left far below the required value, got {before}");
    }

    #[test]
    fn law_air_swells_on_a_lift_and_locks_the_pump() {
        let flooded = gas_share_at(110e3, 0.04, 101e3);
        let lifted = gas_share_at(55e3, 0.04, 101e3);
        assert!(flooded < 0.04 && lifted > 0.07, "flooded {flooded}, lifted {lifted}");
        assert!(head_share_by_gas(flooded) > 0.8);
        assert!(head_share_by_gas(lifted) == 0.0, "a lift of 4.7 m and 4 % of air: prime is lost");
    }

    #[test]
    fn law_useful_speeds_follow_affinity() {
        let pump = pump();
        let least = minimum_useful_speed_rad_s(&pump, 10.0, 180.0).unwrap();
        let expected = 150.0 * (10.0_f64 / 23.0).sqrt();
        assert!((least - expected).abs() < 1e-6, "expected {expected} rad/s, got {least} rad/s");
        assert!(pump.at(0.0, least * 1.01).head_m > 10.0);
        let limits = SpeedLimits { power_w: 4000.0, head_m: 30.0, duty_flow_ratio: 1.0 };
        let (most, bound) = maximum_speed_rad_s(&pump, &limits).unwrap();
        let expected = 150.0 * (30.0_f64 / 23.0).sqrt();
        assert!(bound == Bound::Pressure && (most - expected).abs() < 1e-9, "expected {expected}, got {most}");
        let (most, bound) = maximum_speed_rad_s(&pump, &SpeedLimits { power_w: 1500.0, ..limits }).unwrap();
        let speed_ratio = most / 150.0;
        let power_w = pump.at(8.0e-3 * speed_ratio, most).torque_n_m * most;
        assert!(bound == Bound::Power && (power_w - 1500.0).abs() < 1e-6 * 1500.0, "power {power_w} W");
    }

    #[test]
    fn rejects_a_pump_that_never_beats_the_static_head() {
        let text = minimum_useful_speed_rad_s(&pump(), 40.0, 150.0).unwrap_err().to_string();
        assert_eq!(
            text,
            "the pump gives 23.00 m at shut-off at its highest speed, the static head is 40.00 m: it moves no water at any \
             speed"
        );
    }

    #[test]
    fn law_suction_head_required_is_the_rated_one_at_the_rated_point_and_falls_with_speed() {
        assert!((npsh_required_m(3.0, 1.0, 1.0) - 3.0).abs() < 1e-12);
        assert!((npsh_required_m(3.0, 0.5, 0.5) - 0.75).abs() < 1e-12);
        assert!(npsh_margin_m(2.0, npsh_required_m(3.0, 1.0, 1.0)) < 0.0);
    }

    #[test]
    fn law_slopes_of_the_share_are_its_derivatives() {
        const TOLERANCE_PER_M: f64 = 1e-6;
        for (available_m, required_m) in [(4.0, 3.0), (3.1, 3.0), (2.9, 3.0), (2.0, 3.0), (1.7, 3.0), (0.3, 0.25)] {
            let (share, h) = (npsh_share(available_m, required_m), 1e-7);
            let of = |a: f64, r: f64| npsh_share(a, r).value;
            let by_available = (of(available_m + h, required_m) - of(available_m - h, required_m)) / (2.0 * h);
            let by_required = (of(available_m, required_m + h) - of(available_m, required_m - h)) / (2.0 * h);
            let error = (share.by_available - by_available).abs().max((share.by_required - by_required).abs());
            assert!(error < TOLERANCE_PER_M, "at {available_m} m of {required_m} m: error {error} 1/m, {share:?}");
        }
    }

    #[test]
    fn law_free_air_and_gas_at_the_inlet_are_each_others_inverse() {
        for (inlet_abs_pa, free) in [(40e3, 0.02), (101e3, 0.05), (250e3, 0.2)] {
            let back = free_share_at(inlet_abs_pa, gas_share_at(inlet_abs_pa, free, 101e3), 101e3);
            assert!((back - free).abs() < 1e-12, "expected {free}, got {back}, tolerance 1e-12");
        }
    }

    #[test]
    fn law_efficiency_falls_with_the_head_and_never_below_nothing() {
        let mut before = 1.0;
        for step in 0..=100 {
            let share = 1.0 - 0.01 * f64::from(step);
            let efficiency = share / torque_share(share).0;
            assert!(efficiency <= before + 1e-12 && efficiency >= 0.0 && efficiency >= share, "{share}: {efficiency}");
            before = efficiency;
        }
    }
}
