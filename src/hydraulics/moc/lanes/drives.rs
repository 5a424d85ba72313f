//! What turns the shafts of all lanes.

use super::place::{Drives, Lanes};
use crate::hydraulics::plant::ShaftDriver;

/// The drives of all lanes.
pub(super) struct DriveSet<const W: usize> {
    pub(super) drivers: Vec<Box<dyn ShaftDriver>>,
    /// Torque at standstill and slope, where all are lasting straight lines.
    lines: Option<(Lanes<W>, Lanes<W>)>,
}

impl<const W: usize> DriveSet<W> {
    pub(super) fn new(drivers: Vec<Box<dyn ShaftDriver>>) -> Self {
        let mut lines = Some(([0.0; W], [0.0; W]));
        for (lane, driver) in drivers.iter().enumerate() {
            match (driver.lasting_line(), &mut lines) {
                (Some(line), Some(all)) => (all.0[lane], all.1[lane]) = line,
                _ => lines = None,
            }
        }
        Self { drivers, lines }
    }

    /// All are lasting straight lines.
    pub(super) fn lasting(&self) -> bool {
        self.lines.is_some()
    }

    #[inline(always)]
    pub(super) fn advance(&mut self, dt_s: &Lanes<W>, speed_rad_s: &Lanes<W>) {
        if self.lines.is_none() {
            for (lane, driver) in self.drivers.iter_mut().enumerate() {
                driver.advance(dt_s[lane], speed_rad_s[lane]);
            }
        }
    }
}

impl<const W: usize> Drives<W> for DriveSet<W> {
    #[inline(always)]
    fn lines(&self) -> Option<&(Lanes<W>, Lanes<W>)> {
        self.lines.as_ref()
    }

    #[inline(always)]
    fn torque(&self, speed_rad_s: &Lanes<W>, torque_n_m: &mut Lanes<W>, slope: &mut Lanes<W>) {
        match &self.lines {
            Some((standstill, by_speed)) => {
                for l in 0..W {
                    torque_n_m[l] = standstill[l] + by_speed[l] * speed_rad_s[l];
                    slope[l] = by_speed[l];
                }
            }
            None => {
                for l in 0..W {
                    (torque_n_m[l], slope[l]) = self.drivers[l].torque_n_m(speed_rad_s[l]);
                }
            }
        }
    }
}
