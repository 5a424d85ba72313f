//! A channel's own response: what a sensor of finite bandwidth makes of the true value.

/// Damping ratio assumed of every channel (the rig file gives the bandwidth only).
pub const DAMPING: f64 = 0.7;

/// A second-order channel in time.
///
/// y'' + 2 zeta w y' + w^2 y = w^2 u, gain 1 at zero frequency, 3 dB down at the stated bandwidth f_b:
/// w = 2 pi f_b / sqrt(1 - 2 zeta^2 + sqrt((1 - 2 zeta^2)^2 + 1)).
///
/// Range: any step against any bandwidth; the step is exact for an input that is straight within it, so a step much longer
/// than the channel's own period only lets the channel follow. Infinite bandwidth or none (0): the input itself.
/// Accuracy: 1e-12 relative against the closed step and ramp answers (`law_*` below). Derivation: superposition of the
/// particular solution of a straight input, y_p = u - (2 zeta / w) u', and the damped free motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    omega_rad_s: f64,
    decay: f64,
    cosine: f64,
    sine: f64,
    dt_s: f64,
    input: f64,
    output: f64,
    rate: f64,
}

/// One step of a [`Response`]: with everything counted from the new input, next output and next rate are these shares of
/// output, rate and input before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinearStep {
    /// Shares that make the next output.
    pub output: [f64; 3],
    /// Shares that make the next rate.
    pub rate: [f64; 3],
}

impl Response {
    /// A channel of `bandwidth_hz`, Hz, stepped by `dt_s`, s, long at rest at `value`.
    pub fn at_rest(bandwidth_hz: f64, dt_s: f64, value: f64) -> Self {
        let square = 1.0 - 2.0 * DAMPING * DAMPING;
        let omega_rad_s = 2.0 * std::f64::consts::PI * bandwidth_hz / (square + square.hypot(1.0)).sqrt();
        let phase = omega_rad_s * (1.0 - DAMPING * DAMPING).sqrt() * dt_s;
        Self {
            omega_rad_s,
            decay: (-DAMPING * omega_rad_s * dt_s).exp(),
            cosine: phase.cos(),
            sine: phase.sin(),
            dt_s,
            input: value,
            output: value,
            rate: 0.0,
        }
    }

    /// The step as a linear form, for many channels at once; none where the input passes through.
    pub fn linear(&self) -> Option<LinearStep> {
        let w = self.omega_rad_s;
        if !(w > 0.0 && w.is_finite()) {
            return None;
        }
        let answer = |output: f64, rate: f64, input: f64, next: f64| {
            let mut probe = Self { input, output, rate, ..*self };
            let output = probe.step(next);
            [output, probe.rate]
        };
        let columns = [answer(1.0, 0.0, 0.0, 0.0), answer(0.0, 1.0, 0.0, 0.0), answer(0.0, 0.0, 1.0, 0.0)];
        Some(LinearStep { output: columns.map(|column| column[0]), rate: columns.map(|column| column[1]) })
    }

    /// Next output, for the input at the end of the step.
    pub fn step(&mut self, input: f64) -> f64 {
        let w = self.omega_rad_s;
        if !(w > 0.0 && w.is_finite()) {
            return input;
        }
        let damped = w * (1.0 - DAMPING * DAMPING).sqrt();
        let slope = (input - self.input) / self.dt_s;
        let lag = 2.0 * DAMPING / w * slope;
        let free = self.output - (self.input - lag);
        let free_rate = self.rate - slope;
        let swing = (free_rate + DAMPING * w * free) / damped;
        let swing_rate = (DAMPING * w * free_rate + w * w * free) / damped;
        self.output = self.decay * (free * self.cosine + swing * self.sine) + input - lag;
        self.rate = self.decay * (free_rate * self.cosine - swing_rate * self.sine) + slope;
        self.input = input;
        self.output
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Relative to a unit input.
    const TOLERANCE: f64 = 1e-12;
    /// Gain read off a sine, relative.
    const GAIN_TOLERANCE: f64 = 2e-3;

    fn close(got: f64, expected: f64, tolerance: f64, source: &str) {
        let error = (got - expected).abs();
        assert!(
            error <= tolerance,
            "expected {expected}, got {got}, error {error}, tolerance {tolerance}, no unit; source: {source}"
        );
    }

    /// A ramp of slope 1: y = t - 2 zeta / w + free motion from y(0) = y'(0) = 0.
    fn ramp(w: f64, t_s: f64) -> f64 {
        let damped = w * (1.0 - DAMPING * DAMPING).sqrt();
        let lag = 2.0 * DAMPING / w;
        let free = lag * (damped * t_s).cos() + (DAMPING * w * lag - 1.0) / damped * (damped * t_s).sin();
        t_s - lag + (-DAMPING * w * t_s).exp() * free
    }

    #[test]
    fn law_a_ramp_gives_the_closed_answer_at_any_step() {
        for dt_s in [1e-5, 5e-4, 3e-2] {
            let mut response = Response::at_rest(100.0, dt_s, 0.0);
            for k in 1..200 {
                let t_s = f64::from(k) * dt_s;
                let got = response.step(t_s);
                close(got, ramp(response.omega_rad_s, t_s), TOLERANCE, "closed answer, derived in this file");
            }
        }
    }

    #[test]
    fn law_gain_is_one_at_zero_and_falls_by_3_db_at_the_bandwidth() {
        let (bandwidth_hz, dt_s) = (200.0, 1e-5);
        let mut response = Response::at_rest(bandwidth_hz, dt_s, 0.0);
        let mut largest: f64 = 0.0;
        for k in 1..20_000 {
            let out = response.step((2.0 * PI * bandwidth_hz * f64::from(k) * dt_s).sin());
            if k > 10_000 {
                largest = largest.max(out.abs());
            }
        }
        close(largest, 0.5_f64.sqrt(), GAIN_TOLERANCE, "definition of bandwidth, 3 dB down");
        let mut held = Response::at_rest(bandwidth_hz, dt_s, 3.0);
        close(held.step(3.0), 3.0, TOLERANCE, "gain 1 at zero frequency");
    }

    #[test]
    fn passes_the_input_through_without_a_bandwidth() {
        for bandwidth_hz in [0.0, f64::INFINITY] {
            close(Response::at_rest(bandwidth_hz, 1e-3, 0.0).step(5.0), 5.0, 0.0, "no response stated");
        }
    }
}
