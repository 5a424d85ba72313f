//! The give of water and wall at a node, where a pipe is too short for points of its own.

use crate::hydraulics::spec::CreepSpec;

/// A small elastic store at a node.
///
/// Equation: `C d(H + s)/dt = Q`, `tau ds/dt = share H - s`, both by the second-order backward difference
/// `(3 x1 - 4 x0 + x_before) / (2 dt)`, the rest at the new level: a straight relation between head and inflow, and none
/// of it remembers an inflow. (C -> `g A L / 2 a^2`, s -> delayed give of a creeping wall as a head.)
/// Accuracy: second order in dt; the volume balances to rounding.
#[derive(Debug, Clone)]
pub(crate) struct Store {
    capacity_m2: f64,
    dt_s: f64,
    /// `2 dt / tau` and share of a creeping wall; zero without.
    creep: (f64, f64),
    /// Head, and the one before, m.
    head_m: [f64; 2],
    /// Delayed give, and the one before, m.
    given_m: [f64; 2],
    inflow_m3_s: f64,
}

impl Store {
    /// At rest under a head.
    pub(crate) fn new(capacity_m2: f64, creep: Option<&CreepSpec>, dt_s: f64, head_m: f64) -> Self {
        let creep = creep.map_or((0.0, 0.0), |creep| (2.0 * dt_s / creep.time_s, creep.share));
        Self { capacity_m2, dt_s, creep, head_m: [head_m; 2], given_m: [creep.1 * head_m; 2], inflow_m3_s: 0.0 }
    }

    /// Delayed give of the new level at a head, m.
    fn given_at_m(&self, head_m: f64) -> f64 {
        let (rate, share) = self.creep;
        let [now_m, before_m] = self.given_m;
        (4.0 * now_m - before_m + rate * share * head_m) / (3.0 + rate)
    }

    /// Inflow that it takes at a head of the new level, m3/s.
    fn taken_m3_s(&self, head_m: f64) -> f64 {
        let step = |new_m: f64, [now_m, before_m]: [f64; 2]| 1.5 * (new_m - now_m) - 0.5 * (now_m - before_m);
        let moved_m = step(head_m, self.head_m) + step(self.given_at_m(head_m), self.given_m);
        self.capacity_m2 * moved_m / self.dt_s
    }

    /// What it supplies at a head of the new level, m3/s, and how much less a metre more, m2/s.
    pub(crate) fn offer(&self, head_m: f64) -> (f64, f64) {
        let (rate, share) = self.creep;
        let conductance_m2_s = 1.5 * self.capacity_m2 / self.dt_s * (1.0 + rate * share / (3.0 + rate));
        (-self.taken_m3_s(head_m), conductance_m2_s)
    }

    /// Take the head solved for the new level.
    pub(crate) fn end(&mut self, head_m: f64) {
        self.inflow_m3_s = self.taken_m3_s(head_m);
        self.given_m = [self.given_at_m(head_m), self.given_m[0]];
        self.head_m = [head_m, self.head_m[0]];
    }

    /// Inflow of the present level, m3/s.
    pub(crate) fn inflow_m3_s(&self) -> f64 {
        self.inflow_m3_s
    }

    /// Held, m3, less the half step by which its weights differ from the grid's.
    pub(crate) fn held_m3(&self) -> f64 {
        let held = |[now_m, before_m]: [f64; 2]| 1.5 * now_m - 0.5 * before_m;
        self.capacity_m2 * (held(self.head_m) + held(self.given_m)) - 0.5 * self.dt_s * self.inflow_m3_s
    }
}
