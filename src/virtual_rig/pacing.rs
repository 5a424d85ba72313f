//! How fast rig time may run against wall time.

/// Behind its plan by more than this, a paced run (a ceiling) forgets the debt instead of making it good, s.
const FORGET_S: f64 = 0.02;
/// The same for real time: only a stopped machine (a suspended laptop) gets here, s.
const FORGET_REAL_TIME_S: f64 = 10.0;
/// Wall time over which the time scale is measured, s.
const SCALE_OVER_S: f64 = 0.5;

/// Plan of rig time over wall time, with the time scale that came of it.
#[derive(Debug, Clone)]
pub struct Pace {
    speed: f64,
    origin_wall_ns: u64,
    origin_rig_s: f64,
    measured_wall_ns: u64,
    measured_rig_s: f64,
    scale: f64,
}

impl Pace {
    /// Real time from now on.
    pub fn real_time(wall_ns: u64, rig_s: f64) -> Self {
        Self {
            speed: 1.0,
            origin_wall_ns: wall_ns,
            origin_rig_s: rig_s,
            measured_wall_ns: wall_ns,
            measured_rig_s: rig_s,
            scale: 1.0,
        }
    }

    /// Run at `speed` rig seconds a wall second from now on (1: real time, kept; above: a ceiling).
    pub fn set_speed(&mut self, speed: f64, wall_ns: u64, rig_s: f64) {
        if (speed - self.speed).abs() > f64::EPSILON {
            self.speed = speed;
            self.rebase(wall_ns, rig_s);
        }
    }

    /// Wall time to let pass before going on beyond `rig_s`, s; 0 when late.
    pub fn ahead_s(&mut self, wall_ns: u64, rig_s: f64) -> f64 {
        self.measure(wall_ns, rig_s);
        let due_s = (rig_s - self.origin_rig_s) / self.speed;
        let ahead_s = due_s - wall_ns.saturating_sub(self.origin_wall_ns) as f64 * 1e-9;
        let forget_s = if self.speed > 1.0 { FORGET_S } else { FORGET_REAL_TIME_S };
        if ahead_s < -forget_s {
            self.rebase(wall_ns, rig_s);
        }
        ahead_s.max(0.0)
    }

    /// Rig seconds per wall second, over the last half second or so.
    pub fn scale(&self) -> f64 {
        self.scale
    }

    fn measure(&mut self, wall_ns: u64, rig_s: f64) {
        let wall_s = wall_ns.saturating_sub(self.measured_wall_ns) as f64 * 1e-9;
        if wall_s >= SCALE_OVER_S {
            self.scale = (rig_s - self.measured_rig_s) / wall_s;
            self.measured_wall_ns = wall_ns;
            self.measured_rig_s = rig_s;
        }
    }

    fn rebase(&mut self, wall_ns: u64, rig_s: f64) {
        self.origin_wall_ns = wall_ns;
        self.origin_rig_s = rig_s;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND_NS: u64 = 1_000_000_000;

    #[test]
    fn keeps_real_time_and_makes_good_a_delay() {
        let mut pace = Pace::real_time(0, 0.0);
        assert!((pace.ahead_s(SECOND_NS, 1.5) - 0.5).abs() < 1e-9);
        assert!(pace.ahead_s(3 * SECOND_NS, 1.5) <= 0.0, "late: no waiting");
        assert!((pace.ahead_s(3 * SECOND_NS, 3.25) - 0.25).abs() < 1e-9, "the plan is the old one");
    }

    #[test]
    fn forgets_a_delay_under_a_ceiling() {
        let mut pace = Pace::real_time(0, 0.0);
        pace.set_speed(10.0, 0, 0.0);
        assert!((pace.ahead_s(0, 1.0) - 0.1).abs() < 1e-9);
        assert!(pace.ahead_s(SECOND_NS, 1.0) <= 0.0);
        assert!((pace.ahead_s(SECOND_NS, 2.0) - 0.1).abs() < 1e-9, "the plan begins anew");
        assert!((pace.scale() - 1.0).abs() < 1e-9, "one rig second in one wall second was measured");
    }
}
