//! What turns the shafts of all lanes.

use super::place::{Drives, Lanes};
use crate::hydraulics::motor_law::{MotorLaw, MotorSupply};
use crate::hydraulics::plant::ShaftDriver;

/// The drives of all lanes.
pub(super) struct DriveSet<const W: usize> {
    pub(super) drivers: Vec<Box<dyn ShaftDriver>>,
    /// Torque at standstill and slope, where all are lasting straight lines.
    lines: Option<(Lanes<W>, Lanes<W>)>,
    /// All as motors, where their laws tell all of it.
    motors: Option<Box<Motors<W>>>,
}

/// The motors of all lanes.
struct Motors<const W: usize> {
    law: MotorLaw<Lanes<W>>,
    supply: MotorSupply<Lanes<W>>,
    /// Those of the laws.
    keys: [u64; W],
    /// Some lane's motor has no law at present.
    unknown: bool,
}

impl<const W: usize> Motors<W> {
    fn of(drivers: &[Box<dyn ShaftDriver>]) -> Option<Self> {
        let mut laws = Vec::with_capacity(W);
        let mut supply = MotorSupply { lead: [0.0; W], flux: [0.0; W], line_share: [0.0; W] };
        let mut keys = [0; W];
        for (lane, driver) in drivers.iter().enumerate() {
            let level = driver.motor_level()?;
            laws.push(*level.law);
            keys[lane] = level.key;
            supply.put(lane, &level.supply);
        }
        let law = MotorLaw::beside(laws.as_slice().try_into().ok()?);
        Some(Self { law, supply, keys, unknown: false })
    }

    /// Take one lane's motor as it is at the present level; true where its law is another.
    #[inline(always)]
    fn follow(&mut self, lane: usize, driver: &dyn ShaftDriver) -> bool {
        let Some(level) = driver.motor_level() else {
            self.unknown = true;
            return false;
        };
        self.supply.put(lane, &level.supply);
        self.keys[lane] != level.key
    }
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
        let motors = Motors::of(&drivers).map(Box::new);
        Self { drivers, lines, motors }
    }

    /// All are lasting straight lines.
    pub(super) fn lasting(&self) -> bool {
        self.lines.is_some()
    }

    #[inline(always)]
    pub(super) fn advance(&mut self, dt_s: &Lanes<W>, speed_rad_s: &Lanes<W>) {
        if self.lines.is_some() {
            return;
        }
        let mut anew = false;
        if let Some(motors) = &mut self.motors {
            motors.unknown = false;
        }
        for (lane, driver) in self.drivers.iter_mut().enumerate() {
            driver.advance(dt_s[lane], speed_rad_s[lane]);
            if let Some(motors) = &mut self.motors {
                anew |= motors.follow(lane, &**driver);
            }
        }
        if anew && let Some(motors) = Motors::of(&self.drivers) {
            self.motors = Some(Box::new(motors));
        }
    }

    #[inline(always)]
    fn motors(&self) -> Option<&Motors<W>> {
        self.motors.as_deref().filter(|motors| !motors.unknown)
    }

    /// Line current, A.
    #[inline(always)]
    pub(super) fn current_a(&self, speed_rad_s: &Lanes<W>) -> Lanes<W> {
        let mut current_a = [0.0; W];
        match self.motors() {
            Some(Motors { law, supply, .. }) => {
                for l in 0..W {
                    current_a[l] = law.lane(l).line_current_a(&supply.lane(l), speed_rad_s[l]);
                }
            }
            None => {
                for l in 0..W {
                    current_a[l] = self.drivers[l].current_a(speed_rad_s[l]);
                }
            }
        }
        current_a
    }

    /// Power from the line, W.
    #[inline(always)]
    pub(super) fn power_w(&self, speed_rad_s: &Lanes<W>) -> Lanes<W> {
        let mut power_w = [0.0; W];
        match self.motors() {
            Some(Motors { law, supply, .. }) => {
                for l in 0..W {
                    power_w[l] = law.lane(l).line_power_w(&supply.lane(l), speed_rad_s[l]);
                }
            }
            None => {
                for l in 0..W {
                    power_w[l] = self.drivers[l].power_w(speed_rad_s[l]);
                }
            }
        }
        power_w
    }
}

impl<const W: usize> Drives<W> for DriveSet<W> {
    #[inline(always)]
    fn lines(&self) -> Option<&(Lanes<W>, Lanes<W>)> {
        self.lines.as_ref()
    }

    #[inline(always)]
    fn torque(&self, speed_rad_s: &Lanes<W>, torque_n_m: &mut Lanes<W>, slope: &mut Lanes<W>) {
        match (&self.lines, self.motors()) {
            (Some((standstill, by_speed)), _) => {
                for l in 0..W {
                    torque_n_m[l] = standstill[l] + by_speed[l] * speed_rad_s[l];
                    slope[l] = by_speed[l];
                }
            }
            (None, Some(Motors { law, supply, .. })) => {
                for l in 0..W {
                    (torque_n_m[l], slope[l]) = law.lane(l).shaft_torque(&supply.lane(l), speed_rad_s[l]);
                }
            }
            (None, None) => {
                for l in 0..W {
                    (torque_n_m[l], slope[l]) = self.drivers[l].torque_n_m(speed_rad_s[l]);
                }
            }
        }
    }
}
