//! Heating of a motor by its starts: first-order bookkeeping, and the starts it allows from cold and from hot.
//!
//! theta is the rotor's temperature above the surroundings as a share of what it may have: every start adds k, and between
//! starts it falls as exp(-t/tau). A maker's "three starts from cold, two from hot" gives k = 1/3 and a hot motor that
//! stands at 1 - 2 k before it starts. Common practice (makers state starts so), no source; the sums are a geometric series.
//!
//! Range: at least one start from cold, no more from hot than from cold, a cooling time above 0. Accuracy: exact for the
//! series (`law_lasting_starts_come_to_the_limit_and_no_further`); as a picture of a rotor it is as good as the maker's
//! figures: one body, one time constant, no heat of running.

use serde::{Deserialize, Serialize};

/// Slack in counting whole starts: thirds do not add up to one in binary.
const ROUNDING: f64 = 1e-9;
/// Less heat than this counts as none, share of the limit (four time constants of cooling; common practice, no source).
const COLD: f64 = 0.02;

/// What a motor's maker says of starts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StartRating {
    /// Starts in a row from cold.
    pub cold_starts: u32,
    /// Starts in a row from running temperature.
    pub hot_starts: u32,
    /// Time constant of cooling at standstill, s.
    pub cooling_s: f64,
}

impl StartRating {
    /// Rise by one start, share of the limit.
    pub fn rise_per_start(&self) -> f64 {
        1.0 / f64::from(self.cold_starts)
    }

    /// Share of the limit at which the motor stands when it has run long.
    pub fn running_share(&self) -> f64 {
        (1.0 - f64::from(self.hot_starts) * self.rise_per_start()).max(0.0)
    }

    /// Starts an hour, evenly spread, that never pass the limit: the gap is where k/(1 - exp(-t/tau)) = 1.
    pub fn lasting_starts_per_hour(&self) -> f64 {
        let k = self.rise_per_start();
        if k >= 1.0 {
            return 0.0;
        }
        3600.0 / (-self.cooling_s * (1.0 - k).ln())
    }

    /// A motor that has stood long.
    pub fn cold(self) -> Heat {
        Heat { theta: 0.0, rise: self.rise_per_start(), running: self.running_share(), cooling_s: self.cooling_s }
    }

    /// A motor that has run long.
    pub fn hot(self) -> Heat {
        Heat { theta: self.running_share(), ..self.cold() }
    }
}

/// Heat in a rotor over its starts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Heat {
    /// Share of the limit.
    pub theta: f64,
    /// Rise by one start.
    pub rise: f64,
    /// Share of the limit at which long running leaves it.
    pub running: f64,
    /// Time constant of cooling, s.
    pub cooling_s: f64,
}

impl Heat {
    /// One start: theta + k.
    pub fn start(&mut self) {
        self.theta += self.rise;
    }

    /// Standstill: theta exp(-t/tau).
    pub fn cool(&mut self, time_s: f64) {
        self.theta *= (-time_s / self.cooling_s).exp();
    }

    /// Running: it comes to what long running leaves, from either side, with the same time constant.
    pub fn run(&mut self, time_s: f64) {
        self.theta = self.running + (self.theta - self.running) * (-time_s / self.cooling_s).exp();
    }

    /// Standstill until the limit allows one more start, s: tau ln(theta/(1 - k)). Where one start alone comes to the limit, less
    /// than 2 % of the limit counts as cold.
    pub fn wait_s(&self) -> f64 {
        let over = self.theta / ((1.0 - self.rise).max(COLD) + ROUNDING);
        if over > 1.0 { self.cooling_s * over.ln() } else { 0.0 }
    }

    /// Starts that the limit still allows in a row.
    pub fn starts_left(&self) -> u32 {
        ((1.0 - self.theta) / self.rise + ROUNDING).max(0.0) as u32
    }

    /// theta after each of `starts` starts with a rest between them.
    pub fn after_each_start(mut self, starts: usize, rest_s: f64) -> Vec<f64> {
        let mut after = Vec::with_capacity(starts);
        for _ in 0..starts {
            self.start();
            after.push(self.theta);
            self.cool(rest_s);
        }
        after
    }

    /// theta right after a start when this has gone on for ever: k/(1 - exp(-t/tau)).
    pub fn limit(&self, rest_s: f64) -> f64 {
        self.rise / (1.0 - (-rest_s / self.cooling_s).exp())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATING: StartRating = StartRating { cold_starts: 3, hot_starts: 2, cooling_s: 1800.0 };

    #[test]
    fn counts_the_starts_that_the_maker_states() {
        assert_eq!((RATING.cold().starts_left(), RATING.hot().starts_left()), (3, 2));
        let mut heat = RATING.cold();
        heat.start();
        assert_eq!(heat.starts_left(), 2);
    }

    #[test]
    fn law_lasting_starts_come_to_the_limit_and_no_further() {
        let gap_s = 3600.0 / RATING.lasting_starts_per_hour();
        let highest = RATING.cold().after_each_start(200, gap_s).into_iter().fold(0.0, f64::max);
        assert!((highest - 1.0).abs() < 1e-9, "expected 1, got {highest}, tolerance 1e-9, share of the limit");
    }
}
