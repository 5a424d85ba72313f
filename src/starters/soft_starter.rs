//! Soft starter: line frequency, voltage ramped up and down by thyristors, bypassed by a contactor at full speed.
//!
//! Quasi-steady in the fundamental; harmonics of the chopped voltage are left out. Torque falls with the square of
//! voltage, so a soft starter makes the start milder but the motor still passes its breakdown torque on the way.
//!
//! A stop by torque asks for a torque that falls straight from what it is at the stop to nothing and sets the voltage that
//! gives it at the present speed, V = sqrt(T_wanted/T_full(speed)); at the end of the ramp the output goes off, whatever
//! the speed then is.
//!
//! Range: voltage 0 to 1 of line voltage, ramps from 0 to an hour, limit 0.5 to 20 times full-load current; beyond them
//! `settings::check` refuses. Accuracy: first order in the step where the ramp kinks, exact in between; run-up times against
//! an integration by scipy in `published_motor_starter_and_drive_figures` (cases `softstart-`, tolerance in the sheet).
//! Source: torque with the square of voltage at equal slip is the induction motor's equivalent circuit; initial voltage,
//! bypass at full speed and ramp stop are common practice, no source.

use super::Settings;
use super::contactor::{Contactor, ContactorTimes};
use super::motor::{Motor, Supply};
use super::panel::{Kick, SoftStop};
use super::settings::{INITIAL_VOLTAGE, RAMP_S, ramp_share};
use super::{AT_SPEED_SLIPS, StopKind};

/// Rounding must not lengthen a kick that is a whole number of steps, s.
const KICK_ROUNDING_S: f64 = 1e-12;

/// Output voltage of the ramp, share of line voltage, at a time after the start: V_0 + (1 - V_0) t/T, at most 1.
///
/// `ramp_s` runs from initial to full voltage.
pub fn ramp_voltage(time_s: f64, initial_voltage: f64, ramp_s: f64) -> f64 {
    initial_voltage + (1.0 - initial_voltage) * ramp_share(time_s, ramp_s)
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Phase {
    Off,
    /// Before the ramp, for so long, s.
    Kick {
        left_s: f64,
    },
    RampUp,
    Bypassed,
    RampDown,
    /// The stop by torque: share of the torque at the stop that is still asked for.
    TorqueDown {
        from_n_m: f64,
        share: f64,
    },
}

/// State of a soft starter. Its line contactor stands closed; only a contactor-off stop opens it.
#[derive(Debug, Clone, PartialEq)]
pub struct SoftStarter {
    contactor: Contactor,
    kick: Option<Kick>,
    soft_stop: SoftStop,
    phase: Phase,
    initial: f64,
    ramp_up_s: f64,
    ramp_down_s: f64,
    current_limit: f64,
    /// Where the ramp is, share of line voltage.
    ramp: f64,
    /// What leaves the terminals: the ramp, held back by the current limit.
    output: f64,
}

impl SoftStarter {
    pub(super) fn new(times: ContactorTimes, kick: Option<Kick>, soft_stop: SoftStop) -> Self {
        Self {
            contactor: Contactor::closed(times),
            kick,
            soft_stop,
            phase: Phase::Off,
            initial: INITIAL_VOLTAGE,
            ramp_up_s: RAMP_S,
            ramp_down_s: 0.0,
            current_limit: f64::INFINITY,
            ramp: 0.0,
            output: 0.0,
        }
    }

    pub(super) fn start(&mut self, settings: &Settings, motor: &Motor, speed_rad_s: f64) {
        self.initial = settings.initial_voltage.unwrap_or(INITIAL_VOLTAGE);
        self.ramp_up_s = settings.ramp_up_s.unwrap_or(RAMP_S);
        self.ramp_down_s = settings.ramp_down_s.unwrap_or(0.0);
        self.current_limit = settings.current_limit.unwrap_or(f64::INFINITY);
        self.contactor.close();
        match self.phase {
            Phase::Off => self.ramp = self.initial,
            Phase::RampDown => {}
            Phase::TorqueDown { .. } => self.ramp = self.output.max(self.initial),
            Phase::Kick { .. } | Phase::RampUp | Phase::Bypassed => return,
        }
        self.phase = match self.kick {
            Some(kick) if self.phase == Phase::Off && kick.time_s > 0.0 => Phase::Kick { left_s: kick.time_s },
            _ => Phase::RampUp,
        };
        self.fire(motor, speed_rad_s);
    }

    pub(super) fn stop(&mut self, kind: StopKind, motor: &Motor, speed_rad_s: f64) {
        match kind {
            StopKind::Ramp if self.phase == Phase::Off => {}
            StopKind::Ramp if matches!(self.phase, Phase::TorqueDown { .. }) => {}
            StopKind::Ramp if self.ramp_down_s > 0.0 && self.soft_stop == SoftStop::Torque => {
                let from_n_m = motor.torque_n_m(&self.supply(), speed_rad_s).0.max(0.0);
                self.phase = Phase::TorqueDown { from_n_m, share: 1.0 };
            }
            StopKind::Ramp if self.ramp_down_s > 0.0 => self.phase = Phase::RampDown,
            StopKind::Ramp | StopKind::Coast => self.switch_off(),
            StopKind::ContactorOff => self.contactor.release(),
        }
    }

    fn switch_off(&mut self) {
        self.phase = Phase::Off;
        self.ramp = 0.0;
        self.output = 0.0;
    }

    pub(super) fn advance(&mut self, dt_s: f64, motor: &Motor, speed_rad_s: f64) {
        self.contactor.advance(dt_s);
        if !self.contactor.is_made() {
            if !self.contactor.is_called() {
                self.switch_off();
            }
            return;
        }
        let span = 1.0 - self.initial;
        match self.phase {
            Phase::Off | Phase::Bypassed => {}
            Phase::Kick { left_s } if left_s - dt_s > KICK_ROUNDING_S => {
                self.phase = Phase::Kick { left_s: left_s - dt_s };
            }
            Phase::Kick { .. } => self.phase = Phase::RampUp,
            Phase::TorqueDown { from_n_m, share } => {
                let share = share - ramp_share(dt_s, self.ramp_down_s);
                self.phase = Phase::TorqueDown { from_n_m, share };
                if share <= 0.0 {
                    self.switch_off();
                }
            }
            Phase::RampUp => self.ramp = (self.ramp + span * ramp_share(dt_s, self.ramp_up_s)).min(1.0),
            Phase::RampDown => {
                self.ramp -= span.max(f64::MIN_POSITIVE) * ramp_share(dt_s, self.ramp_down_s);
                if self.ramp <= self.initial {
                    self.switch_off();
                }
            }
        }
        self.fire(motor, speed_rad_s);
    }

    fn fire(&mut self, motor: &Motor, speed_rad_s: f64) {
        let lag = motor.lag(&Supply::LINE, speed_rad_s);
        self.output = match self.phase {
            Phase::Off => 0.0,
            Phase::Bypassed => 1.0,
            Phase::Kick { .. } => self.kick.map_or(1.0, |kick| kick.voltage),
            Phase::TorqueDown { from_n_m, share } => {
                let full_n_m = motor.torque_n_m(&Supply::LINE, speed_rad_s).0;
                // At or above synchronous speed no voltage gives a driving torque.
                if full_n_m > 0.0 { (share * from_n_m / full_n_m).sqrt().min(1.0) } else { 0.0 }
            }
            Phase::RampUp | Phase::RampDown => self.ramp.min(motor.flux_within_current(self.current_limit, lag)),
        };
        let full = self.output >= 1.0 && lag <= AT_SPEED_SLIPS * motor.rated_slip();
        if self.phase == Phase::RampUp && full {
            self.phase = Phase::Bypassed;
        }
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
        self.phase == Phase::Bypassed && self.contactor.is_made()
    }

    pub(super) fn supply(&self) -> Supply {
        if self.is_energised() { Supply::reduced_voltage(self.output) } else { Supply::OFF }
    }
}
