//! A pump on a shaft of its own between pipe ends: its speed of the new level is found inside the element, so that the
//! places where pipes end see no more than a head over flow.

use super::{Gain, pump};
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::pump::Pump;
use crate::hydraulics::roots::brent;
use crate::hydraulics::spec::{LiquidSpec, OtherPumpSpec};

/// Most torque of its motor while it comes to speed, over the pump's rated torque (breakdown torque of usual motors;
/// common practice, no source).
const DRIVE_TORQUE_RATIO: f64 = 2.0;
/// Newton's steps for the speed; the balance is all but straight.
const STEPS_MAX: usize = 30;
/// Speed at which a step counts as none, share of rated speed.
const SPEED_TOLERANCE: f64 = 1.0e-15;
/// Bracket of a speed that water alone turns a pump at, multiples of rated speed: it doubles so many times at most.
const DOUBLINGS_MAX: u32 = 12;
/// Slope of head to flow that keeps Newton's matrix regular where a pump stands in still water, s/m2; not in the head itself.
const SLOPE_FLOOR_S_M2: f64 = 1.0e-3;

/// Its suction head is not followed: any head will do for the inlet.
const ANY_INLET_M: f64 = 0.0;

/// A pump with its shaft.
///
/// Equation: `J (w1 - w0) / dt = M - (T1 + T0) / 2 - F`, T the torque of the water, F the friction, at most Tf and against the
/// motion, M the motor: none when it is cut, else what holds the speed w_s, at most twice the pump's rated torque. The
/// speed w1 that belongs to a flow of the new level is solved inside, so that head and torque are functions of flow alone:
/// `dH/dQ = H_Q + H_w dw/dQ`, `dw/dQ = -T_Q / (2 J/dt + T_w)`. In a steady state the balance has no J: a cut pump without
/// back-stop turns as the water turns it.
/// Range: any flow. Accuracy: that of the commanded pump's shaft; `agrees_with_the_commanded_pump_when_both_trip`.
/// Derivation: as [`crate::hydraulics::shaft`], one unknown eliminated.
#[derive(Debug, Clone)]
pub(crate) struct OtherPump {
    pump: Pump,
    inertia_kg_m2: f64,
    friction_n_m: f64,
    back_stop: bool,
    /// Speed its motor holds; `None`: cut.
    pub(crate) running_rad_s: Option<f64>,
    /// Speed and torque of the water at the level solved last.
    pub(crate) speed_rad_s: f64,
    pub(crate) torque_n_m: f64,
    pub(crate) head_m: f64,
    /// Inertia over the time step, N m s; 0 in a steady state.
    inertia_per_step: f64,
}

impl OtherPump {
    pub(crate) fn new(name: &str, spec: &OtherPumpSpec, liquid: &LiquidSpec) -> Result<Self, HydraulicsError> {
        let refuse = |quantity, value, unit, allowed| {
            Err(HydraulicsError::OutOfRange { place: name.to_owned(), quantity, value, unit, allowed })
        };
        let shaft = &spec.shaft;
        if !(shaft.inertia_kg_m2 > 0.0 && shaft.inertia_kg_m2.is_finite()) {
            return refuse("inertia of the shaft", shaft.inertia_kg_m2, "kg m2", "above 0");
        }
        if !(shaft.friction_n_m >= 0.0 && shaft.friction_n_m.is_finite()) {
            return refuse("friction torque of the shaft", shaft.friction_n_m, "N m", "0 or more");
        }
        if let Some(speed_rad_s) = spec.running_rad_s.filter(|speed| !(*speed > 0.0 && speed.is_finite())) {
            return refuse("speed it runs at", speed_rad_s, "rad/s", "above 0");
        }
        Ok(Self {
            pump: Pump::new(name, &spec.pump, liquid.density_kg_m3, liquid.gravity_m_s2)?,
            inertia_kg_m2: shaft.inertia_kg_m2,
            friction_n_m: shaft.friction_n_m,
            back_stop: spec.back_stop,
            running_rad_s: spec.running_rad_s,
            speed_rad_s: spec.running_rad_s.unwrap_or(0.0),
            torque_n_m: 0.0,
            head_m: 0.0,
            inertia_per_step: 0.0,
        })
    }

    /// From the steady state of a flow into time.
    pub(crate) fn let_turn(&mut self, dt_s: f64, flow_m3_s: f64) {
        self.end(flow_m3_s);
        self.inertia_per_step = self.inertia_kg_m2 / dt_s;
    }

    /// Take the flow solved for the new level.
    pub(crate) fn end(&mut self, flow_m3_s: f64) {
        let (speed_rad_s, _) = self.turned(flow_m3_s);
        let gain = pump::gain(&self.pump, flow_m3_s, speed_rad_s, ANY_INLET_M);
        (self.speed_rad_s, self.torque_n_m, self.head_m) = (speed_rad_s, gain.torque_n_m, gain.head_m);
    }

    pub(crate) fn rated_speed_rad_s(&self) -> f64 {
        self.pump.rated_speed_rad_s()
    }

    pub(crate) fn rated_flow_m3_s(&self) -> f64 {
        self.pump.rated_flow_m3_s()
    }

    /// Head added at a flow of the new level.
    pub(super) fn gain(&self, flow_m3_s: f64) -> Gain {
        let (speed_rad_s, speed_by_flow) = self.turned(flow_m3_s);
        let gain = pump::gain(&self.pump, flow_m3_s, speed_rad_s, ANY_INLET_M);
        let slope = gain.head_by_flow + gain.head_by_speed * speed_by_flow;
        let head_by_flow = if slope.abs() < SLOPE_FLOOR_S_M2 { -SLOPE_FLOOR_S_M2 } else { slope };
        Gain { head_m: gain.head_m, head_by_flow, shut: gain.shut, ..Gain::default() }
    }

    /// Speed of the new level at a flow, with its derivative to flow.
    fn turned(&self, flow_m3_s: f64) -> (f64, f64) {
        let Some(held_rad_s) = self.running_rad_s else { return self.coasting(flow_m3_s, 0.0) };
        if self.inertia_per_step <= 0.0 {
            return (held_rad_s, 0.0);
        }
        let most_n_m = DRIVE_TORQUE_RATIO * self.pump.rated_torque_n_m();
        let (speed_rad_s, slope) = self.coasting(flow_m3_s, most_n_m);
        if speed_rad_s >= held_rad_s { (held_rad_s, 0.0) } else { (speed_rad_s, slope) }
    }

    /// The speed under a given torque of the motor: friction holds the shaft where the rest is no more than friction.
    fn coasting(&self, flow_m3_s: f64, drive_n_m: f64) -> (f64, f64) {
        let at_rest_n_m = self.balance(flow_m3_s, 0.0).0 - drive_n_m;
        if at_rest_n_m.abs() <= self.friction_n_m || (self.back_stop && at_rest_n_m > 0.0) {
            return (0.0, 0.0);
        }
        let target_n_m = drive_n_m + self.friction_n_m.copysign(at_rest_n_m);
        let speed_rad_s = self.root(flow_m3_s, target_n_m, -at_rest_n_m.signum());
        let (_, by_speed, by_flow) = self.balance(flow_m3_s, speed_rad_s);
        (speed_rad_s, -by_flow / by_speed)
    }

    /// `J/dt (w - w0) + T1/2 + T0/2` (in a steady state T1), N m, with its derivatives to speed and flow.
    fn balance(&self, flow_m3_s: f64, speed_rad_s: f64) -> (f64, f64, f64) {
        let gain = pump::gain(&self.pump, flow_m3_s, speed_rad_s, ANY_INLET_M);
        if self.inertia_per_step <= 0.0 {
            return (gain.torque_n_m, gain.torque_by_speed, gain.torque_by_flow);
        }
        let torque_n_m =
            self.inertia_per_step * (speed_rad_s - self.speed_rad_s) + 0.5 * (gain.torque_n_m + self.torque_n_m);
        (torque_n_m, self.inertia_per_step + 0.5 * gain.torque_by_speed, 0.5 * gain.torque_by_flow)
    }

    /// Speed at which the balance is `target_n_m`, on one side of standstill.
    fn root(&self, flow_m3_s: f64, target_n_m: f64, direction: f64) -> f64 {
        let rated_rad_s = self.pump.rated_speed_rad_s();
        if self.inertia_per_step > 0.0
            && let Some(speed_rad_s) = self.newton(flow_m3_s, target_n_m, self.speed_rad_s)
            && speed_rad_s * direction >= 0.0
        {
            return speed_rad_s;
        }
        let over = |speed_rad_s: f64| self.balance(flow_m3_s, speed_rad_s).0 - target_n_m;
        let mut far_rad_s = direction * rated_rad_s;
        for _ in 0..DOUBLINGS_MAX {
            if over(far_rad_s) * direction >= 0.0 {
                break;
            }
            far_rad_s *= 2.0;
        }
        let near = brent(over, 0.0, far_rad_s, SPEED_TOLERANCE * rated_rad_s).unwrap_or(0.0);
        self.newton(flow_m3_s, target_n_m, near).filter(|speed| speed * direction >= 0.0).unwrap_or(near)
    }

    fn newton(&self, flow_m3_s: f64, target_n_m: f64, from_rad_s: f64) -> Option<f64> {
        let limit_rad_s = SPEED_TOLERANCE * self.pump.rated_speed_rad_s();
        let mut speed_rad_s = from_rad_s;
        for _ in 0..STEPS_MAX {
            let (torque_n_m, by_speed, _) = self.balance(flow_m3_s, speed_rad_s);
            let change_rad_s = (target_n_m - torque_n_m) / by_speed;
            speed_rad_s += change_rad_s;
            if change_rad_s.abs() <= limit_rad_s + 4.0 * f64::EPSILON * speed_rad_s.abs() {
                return Some(speed_rad_s);
            }
        }
        None
    }
}
