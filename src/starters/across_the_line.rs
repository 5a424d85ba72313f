//! Across the line: a contactor puts full voltage on the motor, at once or with the windings in star first. Every kind of
//! stop opens it; there is nothing to ramp.
//!
//! Range: star times up to 60 s, pauses up to 1 s. Accuracy: switches act at the first step at or after their time; the
//! electrical transient of closing (some ten ms) is left out. Source: in star a third of torque and current, since each
//! winding has 1/sqrt 3 of line voltage (three-phase theory).

use super::contactor::{Contactor, ContactorTimes};
use super::motor::Supply;
use super::panel::StarDelta;

/// How the windings are connected while the line contactor is closed.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Windings {
    Star { left_s: f64 },
    Between { left_s: f64 },
    Delta,
}

/// State of an across-the-line starter.
#[derive(Debug, Clone, PartialEq)]
pub struct AcrossTheLine {
    contactor: Contactor,
    star_delta: Option<StarDelta>,
    windings: Windings,
}

impl AcrossTheLine {
    pub(super) fn new(times: ContactorTimes, star_delta: Option<StarDelta>) -> Self {
        Self { contactor: Contactor::open(times), star_delta, windings: Windings::Delta }
    }

    pub(super) fn start(&mut self) {
        if !self.is_running() {
            self.windings = self.star_delta.map_or(Windings::Delta, |star| Windings::Star { left_s: star.star_s });
        }
        self.contactor.close();
    }

    pub(super) fn stop(&mut self) {
        self.contactor.release();
    }

    pub(super) fn advance(&mut self, dt_s: f64) {
        // Rounding must not lengthen a time that is a whole number of steps.
        const ROUNDING_S: f64 = 1e-12;
        if self.contactor.is_made() {
            let pause_s = self.star_delta.map_or(0.0, |star| star.pause_s);
            self.windings = match self.windings {
                Windings::Star { left_s } if left_s - dt_s > ROUNDING_S => Windings::Star { left_s: left_s - dt_s },
                Windings::Star { .. } if pause_s > 0.0 => Windings::Between { left_s: pause_s },
                Windings::Between { left_s } if left_s - dt_s > ROUNDING_S => {
                    Windings::Between { left_s: left_s - dt_s }
                }
                Windings::Star { .. } | Windings::Between { .. } | Windings::Delta => Windings::Delta,
            };
        }
        self.contactor.advance(dt_s);
    }

    pub(super) fn is_at_rest(&self) -> bool {
        self.contactor.is_still() && (!self.contactor.is_made() || self.windings == Windings::Delta)
    }

    pub(super) fn is_energised(&self) -> bool {
        self.contactor.is_made() && !matches!(self.windings, Windings::Between { .. })
    }

    pub(super) fn is_in_delta(&self) -> bool {
        self.contactor.is_made() && self.windings == Windings::Delta
    }

    pub(super) fn is_running(&self) -> bool {
        self.contactor.is_called() || self.contactor.is_made()
    }

    /// What a winding sees.
    pub(super) fn supply(&self) -> Supply {
        match self.windings {
            _ if !self.contactor.is_made() => Supply::OFF,
            Windings::Delta => Supply::LINE,
            Windings::Star { .. } => Supply::reduced_voltage(STAR_SHARE),
            Windings::Between { .. } => Supply::OFF,
        }
    }

    /// Line current over the current that the same winding voltage draws in delta.
    pub(super) fn line_share(&self) -> f64 {
        if matches!(self.windings, Windings::Star { .. }) { STAR_SHARE } else { 1.0 }
    }
}

/// 1/sqrt 3: winding voltage in star over line voltage, and line current in star over that of the same windings in delta.
const STAR_SHARE: f64 = 0.577_350_269_189_625_8;
