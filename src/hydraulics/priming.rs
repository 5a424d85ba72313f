//! Priming: a self-priming pump draws the air out of its suction leg, water rises behind it, or it does not and why.

use super::ode::{OdeError, integrate};
use super::spec::LiquidSpec;
use serde::{Deserialize, Serialize};
use std::f64::consts::FRAC_PI_4;
use thiserror::Error;

/// Local error of the integration.
const TOLERANCE: f64 = 1.0e-11;
/// Share of the lift at which water that no longer rises counts as standing.
const STANDING_SHARE: f64 = 1.0e-6;
/// Pressure ratio below which air enters a small hole at the speed of sound (ISO 6358-1, customary value for a leak).
const CRITICAL_RATIO: f64 = 0.5;

/// A suction leg that is to be filled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SuctionLeg {
    /// Height of the pump above the water it draws from, m.
    pub lift_m: f64,
    /// Bore, m.
    pub bore_m: f64,
    /// Length along the leg that rises from the water to the pump, m; at least the lift.
    pub rising_length_m: f64,
    /// Air besides that in the rising leg: level runs and the pump's casing above its charge, m3.
    pub fixed_air_m3: f64,
    /// Air that leaks in where the pressure inside is under half the atmosphere, m3/s of free air.
    pub leak_m3_s: f64,
}

/// What a pump draws, as measured with a charged casing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AirHandling {
    /// Volume drawn at the suction pressure, at rated speed with little vacuum, m3/s.
    pub free_air_m3_s: f64,
    /// Vacuum below the atmosphere at which it draws nothing more, at rated speed, Pa; infinite: draws the same volume at
    /// every vacuum.
    pub vacuum_max_pa: f64,
}

impl AirHandling {
    /// Volume drawn at the suction pressure, m3/s.
    ///
    /// Equation: `q = q0 n (1 - vacuum / (vacuum_max n^2))`, not below 0 (n -> share of rated speed).
    /// Range: `speed_share` 0 or more. Rate with speed, vacuum with its square: the charge in the casing is thrown as a
    /// pump throws water (affinity); the straight fall between the two measured ends is common practice, no source.
    #[must_use]
    pub fn rate_m3_s(&self, speed_share: f64, vacuum_pa: f64) -> f64 {
        let speed_share = speed_share.max(0.0);
        let reach_pa = self.vacuum_max_pa * speed_share * speed_share;
        let left = if reach_pa > 0.0 { 1.0 - vacuum_pa.max(0.0) / reach_pa } else { 0.0 };
        self.free_air_m3_s * speed_share * left.max(0.0)
    }
}

/// How a pump stands before it primes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Readiness {
    /// The casing holds its charge of water.
    pub casing_charged: bool,
    /// Air can leave on the discharge side.
    pub vent_open: bool,
}

/// Why a pump does not prime.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum NotPrimed {
    /// Physics forbids it.
    #[error(
        "the lift of {lift_m:.2} m is beyond the vapour limit: the atmosphere carries water {limit_m:.2} m high at its \
         vapour pressure"
    )]
    LiftBeyondVapour {
        /// Lift, m.
        lift_m: f64,
        /// Highest column, m.
        limit_m: f64,
    },
    /// The pump's vacuum is too small even at rated speed.
    #[error("the lift of {lift_m:.2} m is too high: at rated speed the pump draws water {reach_m:.2} m high")]
    LiftTooHigh {
        /// Lift, m.
        lift_m: f64,
        /// Height reached at rated speed, m.
        reach_m: f64,
    },
    /// It would at rated speed.
    #[error("the speed is too low: at {percent:.0} % of rated speed water stands at {reach_m:.2} m of {lift_m:.2} m")]
    SpeedTooLow {
        /// Speed, percent of rated.
        percent: f64,
        /// Height reached, m.
        reach_m: f64,
        /// Lift, m.
        lift_m: f64,
    },
    /// It would if the leg were tight.
    #[error(
        "the suction leaks: with {leak_l_s:.2} l/s of free air coming in water stands at {reach_m:.2} m of {lift_m:.2} m"
    )]
    Leak {
        /// Leak, l/s.
        leak_l_s: f64,
        /// Height reached, m.
        reach_m: f64,
        /// Lift, m.
        lift_m: f64,
    },
    /// The air has no way out.
    #[error("no vent path: the air that the pump draws cannot leave on its discharge side")]
    NoVentPath,
    /// Nothing to throw.
    #[error("the casing is not charged with water: it moves no air")]
    CasingEmpty,
    /// Too slow.
    #[error("not primed within {limit_s:.0} s: water stands at {reach_m:.2} m of {lift_m:.2} m")]
    TimeOut {
        /// Time allowed, s.
        limit_s: f64,
        /// Height reached, m.
        reach_m: f64,
        /// Lift, m.
        lift_m: f64,
    },
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
    /// The equations could not be followed.
    #[error("priming: {0}")]
    Ode(#[from] OdeError),
}

/// A pump that has primed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Primed {
    /// Time from full speed until water is at the pump, s.
    pub time_s: f64,
    /// Pressure at the pump's inlet then, Pa absolute.
    pub inlet_abs_pa: f64,
    /// Height the water has risen, m.
    pub risen_m: f64,
}

/// Time to draw a constant volume of air down at a constant rate, s: `V / q ln(p1 / p2)`.
///
/// Isothermal; pressures absolute, without the vapour's. Cases `priming-*` to 1e-9. Source: law of evacuation.
#[must_use]
pub fn evacuation_time_s(volume_m3: f64, rate_m3_s: f64, from_abs_pa: f64, to_abs_pa: f64) -> f64 {
    volume_m3 / rate_m3_s * (from_abs_pa / to_abs_pa).ln()
}

/// Pressure at a pump that water has just reached, Pa absolute: atmosphere less the column.
#[must_use]
pub fn inlet_abs_pa(liquid: &LiquidSpec, risen_m: f64) -> f64 {
    liquid.atmosphere_pa - weight_n_m3(liquid) * risen_m
}

/// Air that leaks in, m3/s of free air, by the pressure inside.
///
/// Equation: `q = q_c sqrt(1 - ((r - b) / (1 - b))^2)` for `r = p / p_atm > b`, else `q_c` (b = 0.5).
/// Source: ISO 6358-1, subsonic flow.
#[must_use]
pub fn leak_m3_s(choked_m3_s: f64, inside_abs_pa: f64, atmosphere_pa: f64) -> f64 {
    let above = ((inside_abs_pa / atmosphere_pa - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)).clamp(0.0, 1.0);
    choked_m3_s * (1.0 - above * above).sqrt()
}

/// A suction leg while it is drawn empty of air: the height of the water in it.
///
/// Equation: air `n` in the volume V obeys `d(p_a V)/dt = -q p_a + q_leak p_atm` at constant temperature, water stands at
/// `y = (p_atm - p) / (rho g)` with `p = p_a + p_v`, and `V = V_fixed + A' (lift - y)`, so that
/// `dy/dt = (q p_a - q_leak p_atm) / (rho g V + p_a A')`
/// (A' -> bore area per unit of height, p_v -> vapour pressure).
/// Range: water rises slowly, its inertia and friction are left out; the vapour is always saturated.
/// Accuracy: cases `priming-*` to 1e-7 (`p_v` = 0). Derivation: above.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Priming {
    leg: SuctionLeg,
    air: AirHandling,
    liquid: LiquidSpec,
    /// Height of the water in the leg above the surface outside, m.
    pub risen_m: f64,
}

impl Priming {
    /// A leg full of air at atmospheric pressure.
    ///
    /// # Errors
    /// Numbers out of range.
    pub fn new(leg: &SuctionLeg, air: &AirHandling, liquid: &LiquidSpec) -> Result<Self, NotPrimed> {
        let positive = [
            ("bore of the suction leg, m", leg.bore_m),
            ("suction lift, m", leg.lift_m),
            ("air rate, m3/s", air.free_air_m3_s),
            ("largest vacuum, Pa", air.vacuum_max_pa),
        ];
        for (quantity, value) in positive {
            if value.is_nan() || value <= 0.0 {
                return Err(NotPrimed::OutOfRange { quantity, value, allowed: "above 0" });
            }
        }
        for (quantity, value) in [("fixed air space, m3", leg.fixed_air_m3), ("leak, m3/s", leg.leak_m3_s)] {
            if !(value >= 0.0 && value.is_finite()) {
                return Err(NotPrimed::OutOfRange { quantity, value, allowed: "0 or more" });
            }
        }
        if leg.rising_length_m.is_nan() || leg.rising_length_m < leg.lift_m {
            let (quantity, value) = ("length of the rising leg, m", leg.rising_length_m);
            return Err(NotPrimed::OutOfRange { quantity, value, allowed: "at least the lift" });
        }
        Ok(Self { leg: *leg, air: *air, liquid: *liquid, risen_m: 0.0 })
    }

    /// Speed of the rising water, m/s (of height), at a height and share of rated speed.
    #[must_use]
    pub fn rise_m_s(&self, risen_m: f64, speed_share: f64) -> f64 {
        let weight_n_m3 = weight_n_m3(&self.liquid);
        let area_m2 = FRAC_PI_4 * self.leg.bore_m * self.leg.bore_m * self.leg.rising_length_m / self.leg.lift_m;
        let vacuum_pa = weight_n_m3 * risen_m;
        let inside_pa = self.liquid.atmosphere_pa - vacuum_pa;
        let air_pa = (inside_pa - self.liquid.vapour_pa).max(0.0);
        let volume_m3 = self.leg.fixed_air_m3 + area_m2 * (self.leg.lift_m - risen_m).max(0.0);
        let drawn_w = self.air.rate_m3_s(speed_share, vacuum_pa) * air_pa;
        let leaks_w = leak_m3_s(self.leg.leak_m3_s, inside_pa, self.liquid.atmosphere_pa) * self.liquid.atmosphere_pa;
        let net_w = if risen_m > 0.0 { drawn_w - leaks_w } else { (drawn_w - leaks_w).max(0.0) };
        net_w / (weight_n_m3 * volume_m3 + air_pa * area_m2)
    }

    /// Step by `dt_s` at a share of rated speed (midpoint rule); true once water is at the pump.
    pub fn advance(&mut self, dt_s: f64, speed_share: f64) -> bool {
        let middle_m = self.risen_m + 0.5 * dt_s * self.rise_m_s(self.risen_m, speed_share);
        self.risen_m += dt_s * self.rise_m_s(middle_m.max(0.0), speed_share);
        self.risen_m = self.risen_m.clamp(0.0, self.leg.lift_m);
        self.risen_m >= self.leg.lift_m
    }

    /// Pressure in the air space, Pa absolute.
    #[must_use]
    pub fn inside_abs_pa(&self) -> f64 {
        inlet_abs_pa(&self.liquid, self.risen_m)
    }

    /// Height at which water stands in the end at a share of rated speed, m; the lift when it gets there.
    #[must_use]
    pub fn reach_m(&self, speed_share: f64) -> f64 {
        let rises = |risen_m: f64| self.rise_m_s(risen_m.max(f64::MIN_POSITIVE), speed_share) > 0.0;
        if !rises(0.0) {
            return 0.0;
        }
        // the speed of rise falls with the height, so that the first standstill is the only one
        let (mut low_m, mut high_m) = (0.0, self.leg.lift_m);
        if rises(high_m) {
            return high_m;
        }
        while high_m - low_m > STANDING_SHARE * self.leg.lift_m {
            let middle_m = 0.5 * (low_m + high_m);
            if rises(middle_m) { low_m = middle_m } else { high_m = middle_m }
        }
        low_m
    }

    /// Why water does not get to the pump at a share of rated speed; `None` when it does.
    #[must_use]
    pub fn obstacle(&self, speed_share: f64, ready: Readiness) -> Option<NotPrimed> {
        if !ready.casing_charged {
            return Some(NotPrimed::CasingEmpty);
        }
        if !ready.vent_open {
            return Some(NotPrimed::NoVentPath);
        }
        let lift_m = self.leg.lift_m;
        let limit_m = (self.liquid.atmosphere_pa - self.liquid.vapour_pa) / weight_n_m3(&self.liquid);
        if lift_m >= limit_m {
            return Some(NotPrimed::LiftBeyondVapour { lift_m, limit_m });
        }
        let tight = Self { leg: SuctionLeg { leak_m3_s: 0.0, ..self.leg }, ..*self };
        let reached = |reach_m: f64| reach_m >= lift_m;
        if !reached(tight.reach_m(1.0_f64.max(speed_share))) {
            return Some(NotPrimed::LiftTooHigh { lift_m, reach_m: tight.reach_m(1.0_f64.max(speed_share)) });
        }
        if !reached(tight.reach_m(speed_share)) {
            return Some(NotPrimed::SpeedTooLow {
                percent: 100.0 * speed_share,
                reach_m: tight.reach_m(speed_share),
                lift_m,
            });
        }
        let reach_m = self.reach_m(speed_share);
        (!reached(reach_m)).then_some(NotPrimed::Leak { leak_l_s: 1e3 * self.leg.leak_m3_s, reach_m, lift_m })
    }
}

/// Prime at a steady share of rated speed, from a leg full of air.
///
/// # Errors
/// [`NotPrimed`] with the reason.
///
/// ```
/// use ramprig::hydraulics::priming::{AirHandling, Readiness, SuctionLeg, prime};
/// use ramprig::hydraulics::water::{Site, liquid};
/// let leg = SuctionLeg { lift_m: 3.0, bore_m: 0.08, rising_length_m: 4.0, fixed_air_m3: 0.01, leak_m3_s: 0.0 };
/// let air = AirHandling { free_air_m3_s: 0.003, vacuum_max_pa: 70e3 };
/// let ready = Readiness { casing_charged: true, vent_open: true };
/// let primed = prime(&leg, &air, &liquid(15.0, Site::AltitudeM(0.0)).unwrap(), 1.0, ready, 300.0).unwrap();
/// assert!(primed.time_s > 5.0 && primed.time_s < 30.0);
/// ```
pub fn prime(
    leg: &SuctionLeg,
    air: &AirHandling,
    liquid: &LiquidSpec,
    speed_share: f64,
    ready: Readiness,
    limit_s: f64,
) -> Result<Primed, NotPrimed> {
    let priming = Priming::new(leg, air, liquid)?;
    if let Some(obstacle) = priming.obstacle(speed_share, ready) {
        return Err(obstacle);
    }
    let rate = |_: f64, state: &[f64; 1]| [priming.rise_m_s(state[0], speed_share)];
    let end = integrate(rate, [0.0], limit_s, TOLERANCE, |state| leg.lift_m - state[0])?;
    if end.by_event {
        let risen_m = end.state[0];
        Ok(Primed { time_s: end.time_s, inlet_abs_pa: inlet_abs_pa(liquid, risen_m), risen_m })
    } else {
        Err(NotPrimed::TimeOut { limit_s, reach_m: end.state[0], lift_m: leg.lift_m })
    }
}

fn weight_n_m3(liquid: &LiquidSpec) -> f64 {
    liquid.density_kg_m3 * liquid.gravity_m_s2
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hydraulics::water::{Site, liquid};

    const READY: Readiness = Readiness { casing_charged: true, vent_open: true };

    fn leg() -> SuctionLeg {
        SuctionLeg { lift_m: 3.0, bore_m: 0.08, rising_length_m: 4.5, fixed_air_m3: 0.012, leak_m3_s: 0.0 }
    }

    fn air() -> AirHandling {
        AirHandling { free_air_m3_s: 0.003, vacuum_max_pa: 75e3 }
    }

    fn try_prime(leg: &SuctionLeg, speed_share: f64) -> Result<Primed, NotPrimed> {
        prime(leg, &air(), &liquid(15.0, Site::AltitudeM(100.0)).unwrap(), speed_share, READY, 600.0)
    }

    fn time_s(leg: &SuctionLeg, speed_share: f64) -> f64 {
        try_prime(leg, speed_share).unwrap().time_s
    }

    #[test]
    fn law_priming_takes_longer_higher_slower_leakier_and_with_more_air() {
        let base_s = time_s(&leg(), 1.0);
        assert!(time_s(&SuctionLeg { lift_m: 4.0, ..leg() }, 1.0) > base_s);
        assert!(time_s(&leg(), 0.85) > base_s / 0.85);
        assert!(time_s(&SuctionLeg { leak_m3_s: 2e-4, ..leg() }, 1.0) > base_s);
        assert!(time_s(&SuctionLeg { fixed_air_m3: 0.03, ..leg() }, 1.0) > base_s);
    }

    #[test]
    fn law_stepping_agrees_with_the_integration_and_converges() {
        let water = liquid(15.0, Site::AltitudeM(100.0)).unwrap();
        let exact_s = time_s(&leg(), 1.0);
        let stepped_s = |dt_s: f64| {
            let mut priming = Priming::new(&leg(), &air(), &water).unwrap();
            let mut steps = 1;
            while !priming.advance(dt_s, 1.0) {
                steps += 1;
            }
            f64::from(steps) * dt_s
        };
        for dt_s in [5e-3, 5e-4] {
            let error_s = (stepped_s(dt_s) - exact_s).abs();
            assert!(error_s <= 1.01 * dt_s, "expected {exact_s} s, error {error_s} s, tolerance one step of {dt_s} s");
        }
    }

    #[test]
    fn names_each_reason_for_not_priming() {
        let text = |result: Result<Primed, NotPrimed>| result.unwrap_err().to_string();
        let beyond = try_prime(&SuctionLeg { lift_m: 10.5, rising_length_m: 11.0, ..leg() }, 1.0);
        assert!(matches!(beyond, Err(NotPrimed::LiftBeyondVapour { .. })), "{beyond:?}");
        let high = try_prime(&SuctionLeg { lift_m: 8.5, rising_length_m: 9.0, ..leg() }, 1.0);
        assert!(
            matches!(high, Err(NotPrimed::LiftTooHigh { reach_m, .. }) if (reach_m - 7.65).abs() < 0.02),
            "{high:?}"
        );
        let slow = try_prime(&leg(), 0.5);
        assert!(
            matches!(slow, Err(NotPrimed::SpeedTooLow { reach_m, .. }) if (reach_m - 1.913).abs() < 0.01),
            "{slow:?}"
        );
        let leaky = try_prime(&SuctionLeg { leak_m3_s: 2e-3, ..leg() }, 1.0);
        assert!(matches!(leaky, Err(NotPrimed::Leak { reach_m, .. }) if reach_m < 3.0), "{leaky:?}");
        let water = liquid(15.0, Site::AltitudeM(0.0)).unwrap();
        let shut = prime(&leg(), &air(), &water, 1.0, Readiness { vent_open: false, ..READY }, 600.0);
        assert_eq!(text(shut), "no vent path: the air that the pump draws cannot leave on its discharge side");
        let dry = prime(&leg(), &air(), &water, 1.0, Readiness { casing_charged: false, ..READY }, 600.0);
        assert_eq!(dry, Err(NotPrimed::CasingEmpty));
        let short = prime(&leg(), &air(), &water, 1.0, READY, 3.0);
        assert!(matches!(short, Err(NotPrimed::TimeOut { .. })), "{short:?}");
    }

    #[test]
    fn law_vapour_slows_priming_as_its_share_of_the_pressure_is_no_air() {
        let warm = liquid(55.0, Site::AltitudeM(0.0)).unwrap();
        let airless = LiquidSpec { vapour_pa: 0.0, ..warm };
        let time_s = |water| prime(&leg(), &air(), water, 1.0, READY, 600.0).unwrap().time_s;
        let (with_s, without_s) = (time_s(&warm), time_s(&airless));
        assert!(with_s > 1.02 * without_s, "with vapour {with_s} s, without {without_s} s");
    }
}
