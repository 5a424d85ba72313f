//! The time-level convention: speed, head and flow of the new level are solved together, so halving the step hardly
//! moves a start; a driver that is felt one level late moves it by a good part of a step.

use super::bench::{Bench, SHAFT, Straight};
use ramprig::hydraulics::plant::{Plant, ShaftDriver};
use ramprig::hydraulics::spec::GridOptions;

/// Coarse step, s.
const DT_S: f64 = 2.0e-3;
/// How far halving the step may move the steepest part of a start, share of the coarse step.
const SHIFT_SHARE: f64 = 0.05;

/// The same drive, felt by the shaft one level late: what the convention forbids.
struct Late {
    drive: Straight,
    torque_n_m: f64,
}

impl ShaftDriver for Late {
    fn torque_n_m(&self, _speed_rad_s: f64) -> (f64, f64) {
        (self.torque_n_m, 0.0)
    }

    fn advance(&mut self, _dt_s: f64, speed_rad_s: f64) {
        self.torque_n_m = self.drive.torque_n_m(speed_rad_s).0;
    }

    fn current_a(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn power_w(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }
}

fn drive() -> Straight {
    Straight { on: true, slope_n_m_s: 0.6, limit_n_m: 1.0e3, ..Straight::off() }
}

/// Time at which the shaft passes half its speed, in the steepest part of the start, s.
fn half_speed_s<D: ShaftDriver>(driver: D, dt_s: f64) -> f64 {
    let grid = GridOptions { dt_max_s: dt_s, ..GridOptions::default() };
    let mut plant = Plant::new(&Bench::default().network(), &SHAFT, driver, &grid).unwrap();
    let half_rad_s = 0.5 * drive().speed_rad_s;
    let mut before_rad_s = 0.0;
    loop {
        plant.advance().unwrap();
        let now_rad_s = plant.speed_rad_s();
        if now_rad_s >= half_rad_s {
            return plant.time_s() - plant.dt_s() * (now_rad_s - half_rad_s) / (now_rad_s - before_rad_s);
        }
        before_rad_s = now_rad_s;
        assert!(plant.time_s() < 5.0, "the start does not get going");
    }
}

#[test]
fn law_halving_the_step_hardly_moves_the_steepest_part_of_a_start() {
    let late = || Late { drive: drive(), torque_n_m: 0.0 };
    let together_s = (half_speed_s(drive(), DT_S) - half_speed_s(drive(), 0.5 * DT_S)).abs();
    let late_s = (half_speed_s(late(), DT_S) - half_speed_s(late(), 0.5 * DT_S)).abs();
    println!("shift {together_s:.3e} s together, {late_s:.3e} s one level late");
    let limit_s = SHIFT_SHARE * DT_S;
    assert!(together_s < limit_s, "expected below {limit_s} s, got {together_s} s");
    assert!(late_s > 3.0 * together_s, "one level late shifts by {late_s} s, together by {together_s} s");
}
