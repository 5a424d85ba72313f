//! Variable-speed drive: frequency ramped, flux held constant up to rated frequency, torque kept within bounds.
//!
//! The drive takes power from the line and gives none back. Without a braking resistor a motor that is pushed by its
//! load charges the drive's capacitors until it trips, so decelerating drives let their frequency follow the rotor
//! instead: a fast stop stretches to what the load itself brakes.
//!
//! Range: targets 0 to 1.2 of rated frequency; torque limit 0.1 to 5, braking torque 0 to 2 times rated. Above rated
//! frequency the flux falls as its inverse. Accuracy: ramps exact, held ramps first order in the step; frequency ramps and
//! voltage over frequency against the sheet 07_motor_starters. Source: constant flux by voltage over frequency is common
//! practice, no source; efficiency, power factor and braking torque from memory.

use super::Settings;
use super::StopKind;
use super::contactor::{Contactor, ContactorTimes};
use super::motor::{Motor, Supply};
use super::panel::PanelSettings;
use super::ramp_shape::RampShape;
use super::settings::{DRIVE_CURRENT_LIMIT, RAMP_S};
use crate::hydraulics::motor_law::{MotorLaw, SupplyCourse};

/// Most braking torque where the panel says nothing, without a braking resistor: multiple of rated torque, what the losses of motor and drive take
/// up (from memory).
pub const BRAKING_TORQUE: f64 = 0.05;
/// Output ends below this share of rated frequency on a ramp stop.
const OFF_BELOW: f64 = 0.005;
/// Output counts as on target within this share of rated frequency.
const ON_TARGET: f64 = 1e-6;
/// Share of line power that reaches the motor (from memory).
const DRIVE_EFFICIENCY: f64 = 0.97;
/// True power factor of a six-pulse rectifier with a choke (from memory).
const LINE_POWER_FACTOR: f64 = 0.9;

/// Voltage over frequency of a drive: V = V_boost + (V_base - V_boost) f/f_base, at most V_base.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VoltsPerHertz {
    /// Voltage at base frequency, V.
    pub base_voltage_v: f64,
    /// Base frequency, Hz.
    pub base_frequency_hz: f64,
    /// Voltage at 0 Hz, V.
    pub boost_v: f64,
}

impl VoltsPerHertz {
    /// Voltage at a frequency (Hz, 0 or more), V.
    pub fn voltage_v(&self, frequency_hz: f64) -> f64 {
        let share = (frequency_hz / self.base_frequency_hz).min(1.0);
        self.boost_v + (self.base_voltage_v - self.boost_v) * share
    }
}

/// A linear frequency ramp whose time runs from standstill to base frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrequencyRamp {
    /// Frequency at the start, Hz.
    pub from_hz: f64,
    /// Frequency at the end, Hz.
    pub to_hz: f64,
    /// Time from 0 Hz to base frequency, s.
    pub ramp_s: f64,
    /// Base frequency, Hz.
    pub base_frequency_hz: f64,
}

impl FrequencyRamp {
    /// Rate, Hz/s, never negative.
    pub fn rate_hz_s(&self) -> f64 {
        self.base_frequency_hz / self.ramp_s
    }

    /// Time from start to end, s.
    pub fn duration_s(&self) -> f64 {
        (self.to_hz - self.from_hz).abs() / self.rate_hz_s()
    }

    /// Frequency at a time after the start, Hz.
    pub fn frequency_hz(&self, time_s: f64) -> f64 {
        let change = (self.rate_hz_s() * time_s).min((self.to_hz - self.from_hz).abs());
        self.from_hz + change.copysign(self.to_hz - self.from_hz)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Off,
    Running,
    RampDown,
}

/// A change of frequency along a shape, shares of rated frequency, and the share of its time that has passed.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Change {
    from: f64,
    to: f64,
    time: f64,
}

/// A frequency this far off its shape (share of the change) was held back by the torque bounds.
const HELD_SHARE: f64 = 1e-9;

/// What the torque bounds come to for a motor and a current limit; fixed while the drive runs.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Bounds {
    /// Lag of the rotor at the most braking torque (negative).
    behind: f64,
    /// Lag of the rotor at the current limit, breakdown at most.
    ahead: f64,
    /// Torque there, N m.
    torque_max_n_m: f64,
    /// Most braking torque, N m (negative).
    torque_min_n_m: f64,
}

impl Bounds {
    const NONE: Self = Self {
        behind: f64::NEG_INFINITY,
        ahead: f64::INFINITY,
        torque_max_n_m: f64::INFINITY,
        torque_min_n_m: f64::NEG_INFINITY,
    };

    fn new(motor: &Motor, current_limit: f64, torque_limit: f64, braking_torque: f64) -> Self {
        let by_current = motor.lag_within_current(current_limit).min(motor.breakdown_slip());
        let ahead =
            if torque_limit.is_finite() { by_current.min(motor.lag_for_torque(torque_limit)) } else { by_current };
        let at_limit = motor.synchronous_rad_s() * (1.0 - ahead);
        Self {
            behind: motor.lag_for_torque(-braking_torque),
            ahead,
            torque_max_n_m: motor.torque_n_m(&Supply::LINE, at_limit).0,
            torque_min_n_m: -braking_torque * motor.rated_torque_n_m(),
        }
    }
}

/// State of a drive. Its line contactor stands closed; only a contactor-off stop opens it.
#[derive(Debug, Clone, PartialEq)]
pub struct VariableSpeed {
    contactor: Contactor,
    phase: Phase,
    up_shape: RampShape,
    down_shape: RampShape,
    /// The shaped change that is on; straight ramps need none.
    change: Option<Change>,
    ramp_up_s: f64,
    ramp_down_s: f64,
    /// Multiples of rated torque.
    torque_limit: f64,
    braking_torque: f64,
    bounds: Bounds,
    target: f64,
    /// Output frequency, share of rated frequency.
    frequency: f64,
}

impl VariableSpeed {
    pub(super) fn new(times: ContactorTimes, panel: &PanelSettings) -> Self {
        Self {
            contactor: Contactor::closed(times),
            phase: Phase::Off,
            up_shape: panel.ramp_up_shape.clone(),
            down_shape: panel.ramp_down_shape.clone(),
            change: None,
            ramp_up_s: RAMP_S,
            ramp_down_s: RAMP_S,
            torque_limit: panel.torque_limit.unwrap_or(f64::INFINITY),
            braking_torque: panel.braking(),
            bounds: Bounds::NONE,
            target: 0.0,
            frequency: 0.0,
        }
    }

    /// A rotor that still turns is caught at its own speed.
    pub(super) fn start(&mut self, settings: &Settings, motor: &Motor, speed_rad_s: f64) {
        self.ramp_up_s = settings.ramp_up_s.unwrap_or(RAMP_S);
        self.ramp_down_s = settings.ramp_down_s.unwrap_or(self.ramp_up_s);
        let current_limit = settings.current_limit.unwrap_or(DRIVE_CURRENT_LIMIT);
        self.bounds = Bounds::new(motor, current_limit, self.torque_limit, self.braking_torque);
        self.target = settings.speed.unwrap_or(1.0);
        self.contactor.close();
        if self.phase == Phase::Off {
            self.frequency = (speed_rad_s / motor.synchronous_rad_s()).max(0.0);
        }
        self.phase = Phase::Running;
        self.hold_within_torque(motor, speed_rad_s);
    }

    pub(super) fn stop(&mut self, kind: StopKind) {
        match kind {
            StopKind::Ramp if self.phase == Phase::Off => {}
            StopKind::Ramp => self.phase = Phase::RampDown,
            StopKind::Coast => self.switch_off(),
            StopKind::ContactorOff => self.contactor.release(),
        }
    }

    /// A new target, share of rated frequency; the ramps stay as they are.
    pub(super) fn set_target(&mut self, target: f64) {
        self.target = target;
    }

    fn switch_off(&mut self) {
        self.phase = Phase::Off;
        self.change = None;
        self.frequency = 0.0;
    }

    pub(super) fn advance(&mut self, dt_s: f64, motor: &Motor, speed_rad_s: f64) {
        self.contactor.advance(dt_s);
        if !self.contactor.is_made() {
            if !self.contactor.is_called() {
                self.switch_off();
            }
            return;
        }
        match self.phase {
            Phase::Off => return,
            Phase::Running => self.ramp_towards(self.target, dt_s),
            Phase::RampDown => self.ramp_towards(0.0, dt_s),
        }
        self.hold_within_torque(motor, speed_rad_s);
        if self.phase == Phase::RampDown && self.frequency < OFF_BELOW {
            self.switch_off();
        }
    }

    fn ramp_towards(&mut self, target: f64, dt_s: f64) {
        let gap = target - self.frequency;
        let ramp_s = if gap > 0.0 { self.ramp_up_s } else { self.ramp_down_s };
        let shape = if gap > 0.0 { &self.up_shape } else { &self.down_shape };
        if !matches!(shape, RampShape::Linear) && ramp_s > 0.0 {
            let shape = shape.clone();
            self.shape_towards(target, &shape, dt_s / ramp_s);
            return;
        }
        self.change = None;
        // Ramp times are for the whole span from standstill to rated frequency, whatever the gap is.
        let step = if ramp_s > 0.0 { dt_s / ramp_s } else { gap.abs() };
        self.frequency += gap.max(-step).min(step);
    }

    /// One step of a shaped change; `step` is the straight ramp's, share of rated frequency.
    ///
    /// Where the torque bounds held the frequency back, the change goes on from the place of its shape where the
    /// frequency is: a held ramp stretches, as a straight one does.
    fn shape_towards(&mut self, target: f64, shape: &RampShape, step: f64) {
        let same = |change: &Change| (change.to - target).abs() <= ON_TARGET;
        let frequency = self.frequency;
        let change = self.change.take().filter(same).unwrap_or(Change { from: frequency, to: target, time: 0.0 });
        let span = change.to - change.from;
        if span.abs() <= ON_TARGET {
            self.frequency = target;
            return;
        }
        let done = (frequency - change.from) / span;
        let held = (done - shape.done(change.time)).abs() > HELD_SHARE;
        let time = if held { shape.time_of(done) } else { change.time };
        let time = (time + step / span.abs()).min(1.0);
        self.frequency = if time < 1.0 { change.from + span * shape.done(time) } else { target };
        self.change = Some(Change { time, ..change });
    }

    /// Keep the field no further ahead of the rotor than the current limit allows, no further behind than braking does.
    fn hold_within_torque(&mut self, motor: &Motor, speed_rad_s: f64) {
        let rotor = speed_rad_s / motor.synchronous_rad_s();
        self.frequency = self.frequency.max(rotor + self.bounds.behind).min(rotor + self.bounds.ahead);
    }

    /// Its motor's law as the shaft and the line see it: torque held between braking and limit also within a time step;
    /// the rectifier gives nothing back and takes current for the power, not the motor's own.
    pub(super) fn law(&self, motor: &Motor) -> MotorLaw {
        MotorLaw {
            least_n_m: self.bounds.torque_min_n_m,
            most_n_m: self.bounds.torque_max_n_m,
            least_w: 0.0,
            power_share: 1.0 / DRIVE_EFFICIENCY,
            amps_per_w: 1.0 / (LINE_POWER_FACTOR * 3.0_f64.sqrt() * motor.spec().voltage_v),
            ..motor.law_at_shaft()
        }
    }

    /// Its ramp, where nothing but a straight one is on.
    pub(super) fn course(&self) -> Option<SupplyCourse> {
        let straight = |shape: &RampShape, ramp_s: f64| matches!(shape, RampShape::Linear) || ramp_s <= 0.0;
        let both = straight(&self.up_shape, self.ramp_up_s) && straight(&self.down_shape, self.ramp_down_s);
        let runs = self.phase == Phase::Running && self.contactor.is_made() && self.contactor.is_still();
        (both && runs).then_some(SupplyCourse {
            ramp: Some(self.frequency),
            target: self.target,
            up_s: self.ramp_up_s,
            down_s: self.ramp_down_s,
            behind: self.bounds.behind,
            ahead: self.bounds.ahead,
            ..SupplyCourse::STILL
        })
    }

    /// The ramp of [`VariableSpeed::course`] has come to here.
    pub(super) fn resume(&mut self, frequency: f64) {
        self.change = None;
        self.frequency = frequency;
    }

    pub(super) fn is_at_rest(&self) -> bool {
        self.phase == Phase::Off && self.contactor.is_still()
    }

    pub(super) fn is_energised(&self) -> bool {
        self.phase != Phase::Off && self.contactor.is_made()
    }

    pub(super) fn is_running(&self) -> bool {
        self.phase != Phase::Off
    }

    pub(super) fn is_at_speed(&self) -> bool {
        self.phase == Phase::Running && self.contactor.is_made() && (self.frequency - self.target).abs() <= ON_TARGET
    }

    pub(super) fn supply(&self) -> Supply {
        if self.is_energised() { Supply::constant_flux(self.frequency) } else { Supply::OFF }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_voltage_over_frequency_is_flat_above_base_frequency() {
        let curve = VoltsPerHertz { base_voltage_v: 400.0, base_frequency_hz: 50.0, boost_v: 6.0 };
        assert!((curve.voltage_v(0.0) - 6.0).abs() < 1e-12 && (curve.voltage_v(60.0) - 400.0).abs() < 1e-12);
    }

    #[test]
    fn law_a_frequency_ramp_ends_at_its_target_and_stays() {
        for (from_hz, to_hz) in [(0.0, 40.0), (50.0, 10.0)] {
            let ramp = FrequencyRamp { from_hz, to_hz, ramp_s: 5.0, base_frequency_hz: 50.0 };
            assert!((ramp.duration_s() - 4.0).abs() < 1e-12);
            for time_s in [4.0, 9.0] {
                assert!(
                    (ramp.frequency_hz(time_s) - to_hz).abs() < 1e-12,
                    "from {from_hz} to {to_hz} Hz at {time_s} s"
                );
            }
        }
    }
}
