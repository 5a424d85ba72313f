//! What the pump finds at its inlet: suction head enough or not, and gas in the water.
//!
//! Range: any flow, speed and inlet head; gas shares 0 to below 1. Accuracy: continuous with its slopes
//! (`law_slopes_of_the_share_are_its_derivatives`, `law_flow_falls_with_suction_head`); the share of head that is left is a
//! shape through common figures, not one pump's measurement. Source: see [`super::trouble`]; gas by Boyle's law.

use super::trouble::{
    NO_DROP_RATIO, Npsh, Share, gas_share_at, gas_share_of_head, npsh_required_m, npsh_required_slopes_m, npsh_share,
    torque_share,
};
use super::{Pump, PumpPoint};
use crate::hydraulics::spec::{LiquidSpec, PumpSpec};

/// Least fall of head over flow, share of rated head over rated flow: where no head is left, Newton's matrix still needs
/// a slope. It does not enter the head.
const SLOPE_FLOOR: f64 = 1.0e-3;

/// The inlet of a pump.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Suction {
    /// Piezometric head at which the water boils there, m: elevation + (p_v - p_atm) / (rho g).
    boiling_m: f64,
    required_m: f64,
    vapour_pa: f64,
    atmosphere_pa: f64,
    weight_n_m3: f64,
    /// Free gas in the water, by volume at the atmosphere.
    pub(crate) free_share: f64,
}

/// Head and torque with slopes to the inlet's head as well.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Drawn {
    pub(crate) point: PumpPoint,
    /// dH/dH_inlet, 1.
    pub(crate) head_by_inlet: f64,
    /// dT/dH_inlet, N.
    pub(crate) torque_by_inlet: f64,
}

impl Suction {
    pub(crate) fn new(spec: &PumpSpec, liquid: &LiquidSpec, elevation_m: f64) -> Self {
        Self {
            boiling_m: elevation_m + liquid.boiling_m(),
            required_m: spec.npsh_required_m,
            vapour_pa: liquid.vapour_pa,
            atmosphere_pa: liquid.atmosphere_pa,
            weight_n_m3: liquid.density_kg_m3 * liquid.gravity_m_s2,
            free_share: 0.0,
        }
    }

    /// NPSH available at a head of the inlet, m. Without the velocity head of the suction pipe, on the safe side: heads
    /// are piezometric throughout.
    pub(crate) fn available_m(&self, inlet_m: f64) -> f64 {
        inlet_m - self.boiling_m
    }

    /// Absolute pressure at the inlet, never below the vapour pressure, Pa.
    fn inlet_pa(&self, inlet_m: f64) -> f64 {
        self.vapour_pa + self.weight_n_m3 * self.available_m(inlet_m).max(0.0)
    }

    /// Gas by volume at the inlet.
    pub(crate) fn gas_share(&self, inlet_m: f64) -> f64 {
        if self.free_share <= 0.0 {
            return 0.0;
        }
        gas_share_at(self.inlet_pa(inlet_m), self.free_share, self.atmosphere_pa)
    }
}

impl Pump {
    /// Suction head at a flow, a speed and a head of the inlet; `None` without an inlet.
    pub(crate) fn npsh(&self, flow_m3_s: f64, speed_rad_s: f64, inlet_m: f64) -> Option<Npsh> {
        let available_m = self.suction?.available_m(inlet_m);
        Some(Npsh { available_m, required_m: self.npsh_required_m(flow_m3_s, speed_rad_s) })
    }

    /// NPSH required at a flow and speed, m.
    pub(crate) fn npsh_required_m(&self, flow_m3_s: f64, speed_rad_s: f64) -> f64 {
        let rated_m = self.suction.map_or(0.0, |suction| suction.required_m);
        npsh_required_m(rated_m, speed_rad_s / self.rated_speed_rad_s, flow_m3_s / self.rated_flow_m3_s)
    }

    /// Where suction head surely is enough: the head at which water boils at the inlet, m, and what is needed above it by
    /// the square of the speed, m s2, and of a flow forwards, s2/m5. Without gas nothing is lost then.
    pub(crate) fn ample(&self) -> (f64, f64, f64) {
        let Some(suction) = &self.suction else { return (f64::NEG_INFINITY, 0.0, 0.0) };
        if suction.free_share > 0.0 {
            return (f64::INFINITY, 0.0, 0.0);
        }
        let needed = |n: f64, v: f64| NO_DROP_RATIO * npsh_required_m(suction.required_m, n, v);
        let (speed, flow) = (1.0 / self.rated_speed_rad_s, 1.0 / self.rated_flow_m3_s);
        (suction.boiling_m, needed(speed, 0.0), needed(0.0, flow))
    }

    /// True where suction head and gas leave the head whole.
    pub(crate) fn draws_well(&self, flow_m3_s: f64, speed_rad_s: f64, inlet_m: f64) -> bool {
        let Some(suction) = &self.suction else { return true };
        let required_m = self.npsh_required_m(flow_m3_s, speed_rad_s);
        suction.free_share <= 0.0 && npsh_share(suction.available_m(inlet_m), required_m) == Share::WHOLE
    }

    /// Shares of head and torque that suction head and gas leave, `least` of each at the least.
    pub(crate) fn left(&self, flow_m3_s: f64, speed_rad_s: f64, inlet_m: f64, least: f64) -> (f64, f64) {
        let (whole, drawn) = (self.at(flow_m3_s, speed_rad_s), self.drawing(flow_m3_s, speed_rad_s, inlet_m).point);
        let share = |left: f64, of: f64| if of.abs() > f64::MIN_POSITIVE { (left / of).clamp(least, 1.0) } else { 1.0 };
        (share(drawn.head_m, whole.head_m), share(drawn.torque_n_m, whole.torque_n_m))
    }

    /// Head and torque with what is left by suction head and gas.
    ///
    /// Equation: `H = s H0`, `T = (1 + s) T0 / 2`, `s = s_npsh s_gas`, all at the same level as the head of the inlet
    /// (subscript 0 -> water enough). Where the pump makes no head (brakes, is driven by the water) nothing is taken off.
    pub(crate) fn drawing(&self, flow_m3_s: f64, speed_rad_s: f64, inlet_m: f64) -> Drawn {
        let whole = self.at(flow_m3_s, speed_rad_s);
        let all = Drawn { point: whole, head_by_inlet: 0.0, torque_by_inlet: 0.0 };
        if let Some(held) = self.held {
            return Drawn { point: whole.times(held), ..all };
        }
        let Some(suction) = self.suction.filter(|_| whole.head_m > 0.0 && speed_rad_s > 0.0) else { return all };
        if self.draws_well(flow_m3_s, speed_rad_s, inlet_m) {
            return all;
        }
        let (n, v) = (speed_rad_s / self.rated_speed_rad_s, flow_m3_s / self.rated_flow_m3_s);
        let (by_n, by_v) = npsh_required_slopes_m(suction.required_m, n, v);
        let npsh = npsh_share(suction.available_m(inlet_m), npsh_required_m(suction.required_m, n, v));
        let gas = suction.gas_share(inlet_m);
        let (by_gas, per_gas) = gas_share_of_head(gas);
        // Boyle: da/dp = -a (1 - a) / p
        let gas_by_inlet = match suction.available_m(inlet_m) > 0.0 {
            true => -gas * (1.0 - gas) / suction.inlet_pa(inlet_m) * suction.weight_n_m3,
            false => 0.0,
        };
        let share = Spread {
            value: npsh.value * by_gas,
            by_flow: npsh.by_required * by_v / self.rated_flow_m3_s * by_gas,
            by_speed: npsh.by_required * by_n / self.rated_speed_rad_s * by_gas,
            by_inlet: npsh.by_available * by_gas + npsh.value * per_gas * gas_by_inlet,
        };
        let floor = -SLOPE_FLOOR * self.rated_head_m / self.rated_flow_m3_s;
        share.of(&whole, floor)
    }
}

/// A share with its slopes.
struct Spread {
    value: f64,
    by_flow: f64,
    by_speed: f64,
    by_inlet: f64,
}

impl Spread {
    fn of(&self, whole: &PumpPoint, floor: f64) -> Drawn {
        let (torque, per_share) = torque_share(self.value);
        let by_flow = self.value * whole.head_by_flow + self.by_flow * whole.head_m;
        let no_head = self.value <= 0.0;
        Drawn {
            point: PumpPoint {
                head_m: self.value * whole.head_m,
                head_by_flow: if no_head { floor } else { by_flow },
                head_by_speed: self.value * whole.head_by_speed + self.by_speed * whole.head_m,
                torque_n_m: torque * whole.torque_n_m,
                torque_by_flow: torque * whole.torque_by_flow + per_share * self.by_flow * whole.torque_n_m,
                torque_by_speed: torque * whole.torque_by_speed + per_share * self.by_speed * whole.torque_n_m,
            },
            head_by_inlet: self.by_inlet * whole.head_m,
            torque_by_inlet: per_share * self.by_inlet * whole.torque_n_m,
        }
    }
}
