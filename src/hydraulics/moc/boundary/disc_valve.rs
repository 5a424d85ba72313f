//! A check valve whose disc has mass, spring and damping, so that it is late and shuts on a flow that runs back.

use super::Gain;
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::roots::brent;
use crate::hydraulics::spec::{DiscCheckValveSpec, LiquidSpec};
use crate::hydraulics::valve::kv_loss_s2_m5;

/// Flow below which a backward flow shuts a floating disc, m3/s, and head above the cracking head that lifts it, m.
const CLOSING_FLOW_M3_S: f64 = 1.0e-12;
const OPENING_HEAD_M: f64 = 1.0e-9;
/// Smallest share of its travel at which a floating disc is looked for.
const LEAST_SHARE: f64 = 1.0e-6;
const SHARE_TOLERANCE: f64 = 1.0e-14;

/// The disc, guided straight, and what it lets through.
///
/// Equation: `m x'' = rho g A dH - F - k x - c x'`, 0 <= x <= travel with stops that take all its speed; through it
/// `dH = r (travel/x)^2 Q|Q|`, none at x = 0 (A -> area of the disc, F -> force of spring and weight at the seat, k -> rate of
/// the spring, c -> damping, r -> loss of the open Kv). The disc of a new level moves by the head of the level before;
/// the water it displaces is left out. In a steady state it floats where its forces balance.
/// Range: positive mass, area and travel. Accuracy: second order for the disc by itself
/// (`agrees_with_closed_form_flight_of_a_disc`), first order with the water; reverse flow at closure and slam as a rigid
/// column gives (`agrees_with_closed_form_reverse_velocity_and_slam`).
/// Source: WS93 chapter 10 (check valves as a mass, a spring and a damper); A. R. D. Thorley, 1989, for what late
/// closure does.
#[derive(Debug, Clone, Copy)]
pub(crate) struct DiscValve {
    spec: DiscCheckValveSpec,
    loss_s2_m5: f64,
    weight_n_m3: f64,
    state: State,
    /// Flow on which it last shut, m3/s.
    pub(crate) shut_on_m3_s: Option<f64>,
}

#[derive(Debug, Clone, Copy)]
enum State {
    /// Where its forces balance, or on its seat.
    Floats { open: bool },
    /// Somewhere on its way.
    Moves { lift_m: f64, speed_m_s: f64 },
}

impl DiscValve {
    pub(crate) fn new(name: &str, spec: &DiscCheckValveSpec, liquid: &LiquidSpec) -> Result<Self, HydraulicsError> {
        let refuse = |quantity, value, unit, allowed| {
            Err(HydraulicsError::OutOfRange { place: name.to_owned(), quantity, value, unit, allowed })
        };
        let positive = [
            ("Kv", spec.kv_m3_h, "m3/h"),
            ("mass of the disc", spec.mass_kg, "kg"),
            ("area of the disc", spec.area_m2, "m2"),
            ("travel of the disc", spec.travel_m, "m"),
        ];
        for (quantity, value, unit) in positive {
            if !(value > 0.0 && value.is_finite()) {
                return refuse(quantity, value, unit, "above 0");
            }
        }
        let from_zero = [
            ("force at the seat", spec.seat_force_n, "N"),
            ("spring rate", spec.spring_n_m, "N/m"),
            ("damping", spec.damping_n_s_m, "N s/m"),
        ];
        for (quantity, value, unit) in from_zero {
            if !(value >= 0.0 && value.is_finite()) {
                return refuse(quantity, value, unit, "0 or more");
            }
        }
        Ok(Self {
            spec: *spec,
            loss_s2_m5: kv_loss_s2_m5(spec.kv_m3_h, liquid.gravity_m_s2),
            weight_n_m3: liquid.density_kg_m3 * liquid.gravity_m_s2,
            state: State::Floats { open: false },
            shut_on_m3_s: None,
        })
    }

    /// Head that the spring alone holds at a lift, m.
    fn spring_m(&self, lift_m: f64) -> f64 {
        (self.spec.seat_force_n + self.spec.spring_n_m * lift_m) / (self.weight_n_m3 * self.spec.area_m2)
    }

    /// Lift at which a disc floats on a forward flow, m.
    ///
    /// Equation: `x^2 (F + k x) = rho g A r travel^2 Q^2`, at most the travel.
    fn floating_lift_m(&self, flow_m3_s: f64) -> f64 {
        let travel_m = self.spec.travel_m;
        let loss_m = self.loss_s2_m5 * flow_m3_s * flow_m3_s;
        let excess_m = |share: f64| self.spring_m(share * travel_m) * share * share - loss_m;
        if excess_m(1.0) <= 0.0 {
            return travel_m;
        }
        travel_m * brent(excess_m, 0.0, 1.0, SHARE_TOLERANCE).unwrap_or(1.0).max(LEAST_SHARE)
    }

    pub(crate) fn set_floating(&mut self, open: bool) {
        self.state = State::Floats { open };
    }

    /// From a steady state on it moves.
    pub(crate) fn let_move(&mut self, flow_m3_s: f64) {
        let open = matches!(self.state, State::Floats { open: true }) && flow_m3_s > 0.0;
        let lift_m = if open { self.floating_lift_m(flow_m3_s) } else { 0.0 };
        self.state = State::Moves { lift_m, speed_m_s: 0.0 };
    }

    /// Move the disc by one step under the head across it at the level before.
    pub(crate) fn advance(&mut self, dt_s: f64, head_across_m: f64, flow_m3_s: f64) {
        let State::Moves { lift_m, speed_m_s } = self.state else { return };
        let DiscCheckValveSpec { mass_kg, area_m2, travel_m, seat_force_n, spring_n_m, damping_n_s_m, .. } = self.spec;
        let drag = 0.5 * dt_s * damping_n_s_m / mass_kg + 0.25 * dt_s * dt_s * spring_n_m / mass_kg;
        let push_n = self.weight_n_m3 * area_m2 * head_across_m - seat_force_n - spring_n_m * lift_m;
        let new_m_s = ((1.0 - drag) * speed_m_s + dt_s * push_n / mass_kg) / (1.0 + drag);
        let new_m = lift_m + 0.5 * dt_s * (speed_m_s + new_m_s);
        let stops = new_m <= 0.0 || new_m >= travel_m;
        if new_m <= 0.0 && lift_m > 0.0 {
            self.shut_on_m3_s = Some(flow_m3_s);
        }
        self.state = State::Moves { lift_m: new_m.clamp(0.0, travel_m), speed_m_s: if stops { 0.0 } else { new_m_s } };
    }

    /// Share of its travel, 0 on its seat.
    pub(crate) fn opening(&self) -> f64 {
        match self.state {
            State::Floats { open } => f64::from(u8::from(open)),
            State::Moves { lift_m, .. } => lift_m / self.spec.travel_m,
        }
    }

    pub(super) fn gain(&self, flow_m3_s: f64) -> Gain {
        match self.state {
            State::Floats { open: false } => Gain::shut(),
            State::Floats { open: true } => self.floating_gain(flow_m3_s),
            State::Moves { lift_m, .. } if lift_m <= 0.0 => Gain::shut(),
            State::Moves { lift_m, .. } => {
                let share = lift_m / self.spec.travel_m;
                Gain::loss(self.loss_s2_m5 / (share * share), flow_m3_s)
            }
        }
    }

    fn floating_gain(&self, flow_m3_s: f64) -> Gain {
        let loss = Gain::loss(self.loss_s2_m5, flow_m3_s);
        if flow_m3_s <= 0.0 {
            return Gain { head_m: loss.head_m - self.spring_m(0.0), ..loss };
        }
        let held_m = |flow_m3_s: f64| {
            let lift_m = self.floating_lift_m(flow_m3_s);
            self.spring_m(lift_m).max(self.loss_s2_m5 * flow_m3_s * flow_m3_s)
        };
        let (head_m, step_m3_s) = (held_m(flow_m3_s), 1.0e-6 * flow_m3_s);
        let by_flow = (held_m(flow_m3_s + step_m3_s) - head_m) / step_m3_s;
        Gain { head_m: -head_m, head_by_flow: -by_flow.max(1.0e-6 * self.loss_s2_m5.sqrt()), ..Gain::default() }
    }

    pub(super) fn change_state(&mut self, head_across_m: f64, flow_m3_s: f64) -> bool {
        let cracking_m = self.spring_m(0.0);
        let State::Floats { open } = &mut self.state else { return false };
        let moves = if *open { flow_m3_s < -CLOSING_FLOW_M3_S } else { head_across_m > cracking_m + OPENING_HEAD_M };
        *open ^= moves;
        moves
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn disc(seat_force_n: f64, spring_n_m: f64, damping_n_s_m: f64) -> DiscValve {
        let spec = DiscCheckValveSpec {
            kv_m3_h: 100.0,
            mass_kg: 0.8,
            area_m2: 4.0e-3,
            travel_m: 0.02,
            seat_force_n,
            spring_n_m,
            damping_n_s_m,
        };
        let liquid = LiquidSpec {
            density_kg_m3: 1000.0,
            viscosity_m2_s: 1.0e-6,
            bulk_modulus_pa: 2.0e9,
            vapour_pa: 2.0e3,
            atmosphere_pa: 1.0e5,
            gravity_m_s2: 9.81,
        };
        let mut valve = DiscValve::new("check", &spec, &liquid).unwrap();
        valve.state = State::Moves { lift_m: spec.travel_m, speed_m_s: 0.0 };
        valve
    }

    /// Without head or damping: `x = (travel + F/k) cos(w t) - F/k`, `w^2 = k/m`.
    #[test]
    fn agrees_with_closed_form_flight_of_a_disc() {
        const TOLERANCE_S: f64 = 2.0e-4;
        let (force_n, rate_n_m) = (5.0, 400.0);
        let mut valve = disc(force_n, rate_n_m, 0.0);
        let (dt_s, mut time_s) = (1.0e-4, 0.0);
        while valve.opening() > 0.0 {
            valve.advance(dt_s, 0.0, -1.0e-3);
            time_s += dt_s;
        }
        let offset_m: f64 = force_n / rate_n_m;
        let expected_s = (offset_m / (0.02 + offset_m)).acos() / (rate_n_m / 0.8_f64).sqrt();
        let error_s = (time_s - expected_s).abs();
        assert!(error_s < TOLERANCE_S, "expected {expected_s} s, got {time_s} s, error {error_s:.1e} s, closed form");
        assert_eq!(valve.shut_on_m3_s, Some(-1.0e-3));
    }

    /// Strong damping: the disc sinks at `F/c`.
    #[test]
    fn agrees_with_closed_form_sinking_of_a_damped_disc() {
        let mut valve = disc(5.0, 0.0, 500.0);
        (0..10_000).for_each(|_| valve.advance(1.0e-4, 0.0, 0.0));
        let expected = (0.02 - 5.0 / 500.0 * 1.0) / 0.02;
        let got = valve.opening();
        assert!((got - expected).abs() < 5.0e-3, "expected {expected}, got {got}, tolerance 5e-3, closed form F/c");
    }
}
