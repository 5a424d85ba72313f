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
    /// How all of these go on by themselves, while they do.
    courses: Option<Box<Courses<W>>>,
}

/// Straight ramps of all lanes' drives, or supplies that stay as they are ([`SupplyCourse`]), from one step on.
#[repr(C, align(64))]
struct Courses<const W: usize> {
    /// 1 where a drive ramps.
    ramps: Lanes<W>,
    frequency: Lanes<W>,
    target: Lanes<W>,
    /// The most that a step changes of the frequency, up and down.
    up: Lanes<W>,
    down: Lanes<W>,
    behind: Lanes<W>,
    ahead: Lanes<W>,
    time_s: Lanes<W>,
    until_s: Lanes<W>,
    /// Speed that the last step began with.
    speed_rad_s: Lanes<W>,
}

impl<const W: usize> Courses<W> {
    /// None where some driver does not tell.
    fn of(drivers: &[Box<dyn ShaftDriver>], dt_s: &Lanes<W>, speed_rad_s: &Lanes<W>) -> Option<Self> {
        let none = [0.0; W];
        let mut courses = Self {
            ramps: none,
            frequency: none,
            target: none,
            up: none,
            down: none,
            behind: none,
            ahead: none,
            time_s: none,
            until_s: none,
            speed_rad_s: *speed_rad_s,
        };
        let step = |dt_s: f64, ramp_s: f64| if ramp_s > 0.0 { dt_s / ramp_s } else { f64::INFINITY };
        for (lane, driver) in drivers.iter().enumerate() {
            let course = driver.course()?;
            courses.ramps[lane] = f64::from(u8::from(course.ramp.is_some()));
            courses.frequency[lane] = course.ramp.unwrap_or(0.0);
            courses.target[lane] = course.target;
            (courses.up[lane], courses.down[lane]) = (step(dt_s[lane], course.up_s), step(dt_s[lane], course.down_s));
            (courses.behind[lane], courses.ahead[lane]) = (course.behind, course.ahead);
            (courses.time_s[lane], courses.until_s[lane]) = (course.time_s, course.until_s);
        }
        Some(courses)
    }

    /// All go on so for the next step, too.
    #[inline(always)]
    fn go_on(&self, dt_s: &Lanes<W>) -> bool {
        let mut go_on = true;
        for l in 0..W {
            go_on &= self.time_s[l] + dt_s[l] < self.until_s[l];
        }
        go_on
    }

    #[inline(always)]
    fn step(&mut self, dt_s: &Lanes<W>, speed_rad_s: &Lanes<W>, motors: &mut Motors<W>) {
        let (per_speed, supply) = (&motors.law.per_speed, &mut motors.supply);
        for l in 0..W {
            let gap = self.target[l] - self.frequency[l];
            let (up, down) = (self.up[l], -self.down[l]);
            let gap = if gap > up { up } else { gap };
            let moved = self.frequency[l] + if gap < down { down } else { gap };
            let rotor = speed_rad_s[l] * per_speed[l];
            let (least, most) = (rotor + self.behind[l], rotor + self.ahead[l]);
            let held = if moved > least { moved } else { least };
            let held = if held < most { held } else { most };
            let size = held.abs();
            let flux = (if size < 1.0 { size } else { 1.0 }) / size;
            let flux = if size > 0.0 { flux } else { 1.0 };
            let ramps = self.ramps[l] > 0.0;
            self.frequency[l] = held;
            supply.lead[l] = if ramps { held } else { supply.lead[l] };
            supply.flux[l] = if ramps { flux } else { supply.flux[l] };
            self.time_s[l] += dt_s[l];
        }
        self.speed_rad_s = *speed_rad_s;
    }

    /// Tell every driver what came of it.
    #[inline(never)]
    fn hand_back(&self, drivers: &mut [Box<dyn ShaftDriver>]) {
        for (lane, driver) in drivers.iter_mut().enumerate() {
            let frequency = (self.ramps[lane] > 0.0).then_some(self.frequency[lane]);
            driver.resume(frequency, self.time_s[lane], self.speed_rad_s[lane]);
        }
    }
}

/// The motors of all lanes.
#[repr(C, align(64))]
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
        Self { drivers, lines, motors, courses: None }
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
        if let (Some(courses), Some(motors)) = (&mut self.courses, &mut self.motors)
            && courses.go_on(dt_s)
        {
            courses.step(dt_s, speed_rad_s, motors);
            return;
        }
        self.advance_singly(dt_s, speed_rad_s);
    }

    #[inline(never)]
    fn advance_singly(&mut self, dt_s: &Lanes<W>, speed_rad_s: &Lanes<W>) {
        if let Some(courses) = self.courses.take() {
            courses.hand_back(&mut self.drivers);
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
        if self.motors().is_some() {
            self.courses = Courses::of(&self.drivers, dt_s, speed_rad_s).map(Box::new);
        }
    }

    /// Torque of one lane's drive and its slope.
    pub(super) fn torque_of(&self, lane: usize, speed_rad_s: f64) -> (f64, f64) {
        match self.motors() {
            Some(Motors { law, supply, .. }) => law.lane(lane).shaft_torque(&supply.lane(lane), speed_rad_s),
            None => self.drivers[lane].torque_n_m(speed_rad_s),
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
