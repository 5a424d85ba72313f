//! The commands of a predicted run once more, at the same times, on rigs that differ a little: what a band's members do.

use crate::hydraulics::motor_law::{MotorLevel, SupplyCourse};
use crate::hydraulics::plant::ShaftDriver;
use crate::starters::drive_train::DriveTrain;
use crate::starters::{Settings, StopKind};
use std::sync::Arc;

/// Share of a second by which rounding may set a command off.
const SLACK_S: f64 = 1.0e-9;

/// A command to a starter.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Order {
    Start { starter: usize, settings: Settings },
    Stop { starter: usize, kind: StopKind },
}

impl Order {
    /// With ramps that take this much of their time.
    pub(super) fn stretched(&self, ramp_share: f64) -> Self {
        let mut order = self.clone();
        if let Self::Start { settings, .. } = &mut order {
            let ramps = [&mut settings.ramp_up_s, &mut settings.ramp_down_s];
            ramps.into_iter().flatten().for_each(|ramp_s| *ramp_s *= ramp_share);
        }
        order
    }
}

/// What a predicted run did, so that it can be done again.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Record {
    /// Commands and the plant's time of each, s; still water that was not computed does not count.
    pub(super) orders: Vec<(f64, Order)>,
    /// The plant's step at each stored sample of the whole run.
    pub(super) levels: Vec<u64>,
    /// First and last stored sample of each segment.
    pub(super) spans: Vec<(usize, usize)>,
    /// Plant steps from one stored sample to the next.
    pub(super) every: u64,
    /// The plant's time at the end, s.
    pub(super) until_s: f64,
    /// Why the run is more than its commands to starters.
    pub(super) more: Option<&'static str>,
}

/// A motor and its starters under recorded commands.
///
/// A command takes effect from the first level at or after its time on, before the step that leaves it.
#[derive(Debug, Clone)]
pub(super) struct Replay {
    train: DriveTrain,
    orders: Arc<[(f64, Order)]>,
    next: usize,
    time_s: f64,
}

impl Replay {
    pub(super) fn new(train: DriveTrain, orders: Arc<[(f64, Order)]>) -> Self {
        Self { train, orders, next: 0, time_s: 0.0 }
    }

    fn obey(&mut self) {
        while let Some((at_s, order)) = self.orders.get(self.next).filter(|(at_s, _)| *at_s <= self.time_s + SLACK_S) {
            debug_assert!(*at_s >= 0.0);
            // The run that was recorded took them: no starter refuses them now.
            let _ = match order {
                Order::Start { starter, settings } => self.train.start(*starter, *settings),
                Order::Stop { starter, kind } => self.train.stop(*starter, *kind),
            };
            self.next += 1;
        }
    }
}

impl ShaftDriver for Replay {
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        self.train.torque_n_m(speed_rad_s)
    }

    fn advance(&mut self, dt_s: f64, speed_rad_s: f64) {
        self.obey();
        self.train.advance(dt_s, speed_rad_s);
        self.time_s += dt_s;
    }

    fn current_a(&self, speed_rad_s: f64) -> f64 {
        self.train.current_a(speed_rad_s)
    }

    fn power_w(&self, speed_rad_s: f64) -> f64 {
        self.train.power_w(speed_rad_s)
    }

    fn motor_level(&self) -> Option<MotorLevel<'_>> {
        self.train.motor_level()
    }

    fn course(&self) -> Option<SupplyCourse> {
        let until_s = self.orders.get(self.next).map_or(f64::INFINITY, |(at_s, _)| *at_s - SLACK_S);
        Some(SupplyCourse { time_s: self.time_s, until_s, ..self.train.course()? })
    }

    fn resume(&mut self, frequency: Option<f64>, time_s: f64, speed_rad_s: f64) {
        self.time_s = time_s;
        self.train.resume(frequency, time_s, speed_rad_s);
    }
}
