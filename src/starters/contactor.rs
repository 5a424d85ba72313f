//! A contactor with its pick-up and drop-out delay.
//!
//! Range: delays of 0 or more; an order that comes while it still moves takes back the one before.
//! Accuracy: contacts move at the end of the step in which their delay runs out (`closes_after_20_ms_and_opens_after_15_ms`); pole by
//! pole and bounce are left out.
//! Source: common practice, no source; the delays are from memory.

use serde::{Deserialize, Serialize};

/// Delays of a contactor, from coil to main contacts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ContactorTimes {
    /// From command to contacts made, s.
    pub closing_s: f64,
    /// From command to arc out, s.
    pub opening_s: f64,
}

impl Default for ContactorTimes {
    /// 20 ms closing, 15 ms opening: typical of contactors for a few kW (from memory).
    fn default() -> Self {
        Self { closing_s: 0.02, opening_s: 0.015 }
    }
}

/// Main contacts over time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Contactor {
    times: ContactorTimes,
    contacts: Contacts,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Contacts {
    Open,
    Closing { left_s: f64 },
    Closed,
    Opening { left_s: f64 },
}

impl Contactor {
    pub(super) fn open(times: ContactorTimes) -> Self {
        Self { times, contacts: Contacts::Open }
    }

    pub(super) fn closed(times: ContactorTimes) -> Self {
        Self { times, contacts: Contacts::Closed }
    }

    pub(super) fn close(&mut self) {
        self.contacts = match self.contacts {
            Contacts::Open => Contacts::Closing { left_s: self.times.closing_s },
            // The contacts have not parted yet; the coil holds them.
            Contacts::Opening { .. } => Contacts::Closed,
            as_is => as_is,
        };
        self.settle();
    }

    pub(super) fn release(&mut self) {
        self.contacts = match self.contacts {
            Contacts::Closed => Contacts::Opening { left_s: self.times.opening_s },
            Contacts::Closing { .. } => Contacts::Open,
            as_is => as_is,
        };
        self.settle();
    }

    pub(super) fn advance(&mut self, dt_s: f64) {
        if let Contacts::Closing { left_s } | Contacts::Opening { left_s } = &mut self.contacts {
            *left_s -= dt_s;
        }
        self.settle();
    }

    fn settle(&mut self) {
        // A delay that is a whole number of steps must end on that step despite rounding.
        const ROUNDING_S: f64 = 1e-12;
        self.contacts = match self.contacts {
            Contacts::Closing { left_s } if left_s <= ROUNDING_S => Contacts::Closed,
            Contacts::Opening { left_s } if left_s <= ROUNDING_S => Contacts::Open,
            as_is => as_is,
        };
    }

    /// Current can flow.
    /// Nothing is on its way.
    pub(super) fn is_still(&self) -> bool {
        matches!(self.contacts, Contacts::Open | Contacts::Closed)
    }

    pub(super) fn is_made(&self) -> bool {
        matches!(self.contacts, Contacts::Closed | Contacts::Opening { .. })
    }

    /// The coil is energised: closed, or about to be.
    pub(super) fn is_called(&self) -> bool {
        matches!(self.contacts, Contacts::Closed | Contacts::Closing { .. })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP_S: f64 = 1e-3;

    fn steps_until(contactor: &mut Contactor, made: bool) -> u32 {
        let mut steps = 0;
        while contactor.is_made() != made {
            contactor.advance(STEP_S);
            steps += 1;
            assert!(steps < 1000, "contacts never became made = {made}");
        }
        steps
    }

    #[test]
    fn closes_after_20_ms_and_opens_after_15_ms() {
        let mut contactor = Contactor::open(ContactorTimes::default());
        contactor.close();
        assert_eq!(steps_until(&mut contactor, true), 20);
        contactor.release();
        assert_eq!(steps_until(&mut contactor, false), 15);
    }

    #[test]
    fn stays_open_when_released_before_it_closed() {
        let mut contactor = Contactor::open(ContactorTimes::default());
        contactor.close();
        contactor.advance(0.01);
        contactor.release();
        contactor.advance(1.0);
        assert!(!contactor.is_made() && !contactor.is_called());
    }

    #[test]
    fn stays_closed_when_called_again_before_it_opened() {
        let mut contactor = Contactor::closed(ContactorTimes::default());
        contactor.release();
        contactor.advance(0.005);
        contactor.close();
        contactor.advance(1.0);
        assert!(contactor.is_made());
    }

    #[test]
    fn acts_at_once_without_delay() {
        let mut contactor = Contactor::open(ContactorTimes { closing_s: 0.0, opening_s: 0.0 });
        contactor.close();
        assert!(contactor.is_made());
        contactor.release();
        assert!(!contactor.is_made());
    }
}
