//! Across the line: a contactor puts full voltage on the motor. Every kind of stop opens it; there is nothing to ramp.

use super::contactor::{Contactor, ContactorTimes};
use super::motor::Supply;

/// State of an across-the-line starter.
#[derive(Debug, Clone, PartialEq)]
pub struct AcrossTheLine {
    contactor: Contactor,
}

impl AcrossTheLine {
    pub(super) fn new(times: ContactorTimes) -> Self {
        Self { contactor: Contactor::open(times) }
    }

    pub(super) fn start(&mut self) {
        self.contactor.close();
    }

    pub(super) fn stop(&mut self) {
        self.contactor.release();
    }

    pub(super) fn advance(&mut self, dt_s: f64) {
        self.contactor.advance(dt_s);
    }

    pub(super) fn is_energised(&self) -> bool {
        self.contactor.is_made()
    }

    pub(super) fn is_running(&self) -> bool {
        self.contactor.is_called() || self.contactor.is_made()
    }

    pub(super) fn supply(&self) -> Supply {
        if self.contactor.is_made() { Supply::LINE } else { Supply::OFF }
    }
}
