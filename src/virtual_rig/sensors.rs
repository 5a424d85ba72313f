//! The measuring chain of each channel: sensor and mounting (second order), zero, drift, noise, range, counts.

use super::truth::SensorTruth;
use crate::rig::model::{Channel, Quantity};
use crate::rig::register_map::Role;
use crate::signal::Scaling;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Damping ratio of sensor and mounting.
const DAMPING: f64 = 0.7;
/// Bits of a sample on the wire (L24, RFC 3190).
pub const BITS: u32 = 24;

/// One channel's chain with its state.
#[derive(Debug, Clone)]
struct Sensor {
    truth: SensorTruth,
    range: (f64, f64),
    scaling: Scaling,
    /// The true value is the RMS of a sine that goes over the wire as it swings.
    swings: bool,
    goes_to: Place,
    filter: LowPass,
}

/// Where a reading goes.
#[derive(Debug, Clone, Copy)]
enum Place {
    /// An input of the frame.
    Input(usize),
    /// A register of a device, by its place in [`Sensors::polled`].
    Polled(usize),
}

/// All chains.
#[derive(Debug)]
pub struct Sensors {
    sensors: Vec<Sensor>,
    inputs: usize,
    rate_hz: f64,
    line_hz: f64,
    noise: ChaCha8Rng,
    settled: bool,
    /// Device, register and newest counts of the channels that are polled.
    polled: Vec<(usize, Role, i32)>,
}

impl Sensors {
    /// Chains of `channels` sampled at `rate_hz`; `noise` is theirs alone.
    pub fn new(channels: &[Channel], truths: &[SensorTruth], rate_hz: f64, noise: ChaCha8Rng) -> Self {
        let mut polled = Vec::new();
        let mut goes_to = |channel: &Channel| match channel.chain.polled {
            None => Place::Input(channel.input),
            Some(register) => {
                polled.push((register.device, register.role, 0));
                Place::Polled(polled.len() - 1)
            }
        };
        let sensors: Vec<Sensor> = channels
            .iter()
            .zip(truths)
            .map(|(channel, truth)| Sensor {
                truth: *truth,
                range: channel.range,
                scaling: channel.scaling,
                goes_to: goes_to(channel),
                swings: channel.quantity == Quantity::CurrentWave,
                filter: LowPass::new(truth.bandwidth_hz, rate_hz),
            })
            .collect();
        let input = |sensor: &Sensor| if let Place::Input(input) = sensor.goes_to { input + 1 } else { 0 };
        let inputs = sensors.iter().map(input).max().unwrap_or(0);
        Self { sensors, inputs, rate_hz, line_hz: 50.0, noise, settled: false, polled }
    }

    /// On a supply of another frequency than 50 Hz.
    #[must_use]
    pub fn on_supply(self, line_hz: f64) -> Self {
        Self { line_hz, ..self }
    }

    /// True values in a frame.
    pub fn channels(&self) -> usize {
        self.sensors.len()
    }

    /// Device, register and newest counts of the channels that are polled.
    pub fn polled(&self) -> &[(usize, Role, i32)] {
        &self.polled
    }

    /// Channels in a frame on the wire, unused inputs included.
    pub fn inputs(&self) -> usize {
        self.inputs
    }

    /// Convert one frame of true values (channel order) to counts (wire order), appended to `counts`.
    pub fn convert(&mut self, time_s: f64, truth: &[f64], counts: &mut Vec<i32>) {
        let first = counts.len();
        counts.resize(first + self.inputs, 0);
        let swing = 2.0_f64.sqrt() * (std::f64::consts::TAU * self.line_hz * time_s).sin();
        for (sensor, value) in self.sensors.iter_mut().zip(truth) {
            let value = &if sensor.swings { swing * value } else { *value };
            if !self.settled {
                sensor.filter.settle(*value);
            }
            let noise: f64 = StandardNormal.sample(&mut self.noise);
            let error = sensor.truth.zero_si + sensor.truth.drift_si_s * time_s + sensor.truth.noise_si * noise;
            let reading = (sensor.filter.next(*value) + error).clamp(sensor.range.0, sensor.range.1);
            let place = match sensor.goes_to {
                Place::Input(input) => counts.get_mut(first + input),
                Place::Polled(at) => self.polled.get_mut(at).map(|(.., counts)| counts),
            };
            if let Some(place) = place {
                *place = sensor.scaling.to_counts(reading, BITS);
            }
        }
        self.settled = true;
    }

    /// Frames a second.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }
}

/// Second-order low pass, damping 0.7, by the bilinear transform with the corner pre-warped (transposed direct form II).
///
/// Range: corner below 0.45 of the sampling rate; a higher one passes the signal unchanged. Derivation: bilinear
/// transform of w^2 / (s^2 + 2 d w s + w^2).
#[derive(Debug, Clone, Copy)]
struct LowPass {
    feed: [f64; 3],
    back: [f64; 2],
    state: [f64; 2],
}

impl LowPass {
    fn new(corner_hz: f64, rate_hz: f64) -> Self {
        if !(corner_hz > 0.0 && corner_hz < 0.45 * rate_hz) {
            return Self { feed: [1.0, 0.0, 0.0], back: [0.0, 0.0], state: [0.0, 0.0] };
        }
        let warp = (std::f64::consts::PI * corner_hz / rate_hz).tan();
        let norm = 1.0 / (1.0 + 2.0 * DAMPING * warp + warp * warp);
        let feed = warp * warp * norm;
        let back = [2.0 * (warp * warp - 1.0) * norm, (1.0 - 2.0 * DAMPING * warp + warp * warp) * norm];
        Self { feed: [feed, 2.0 * feed, feed], back, state: [0.0, 0.0] }
    }

    /// Stand as after a long time at `value`.
    fn settle(&mut self, value: f64) {
        self.state[1] = (self.feed[2] - self.back[1]) * value;
        self.state[0] = (self.feed[1] - self.back[0]) * value + self.state[1];
    }

    fn next(&mut self, input: f64) -> f64 {
        let output = self.feed[0] * input + self.state[0];
        self.state[0] = self.feed[1] * input - self.back[0] * output + self.state[1];
        self.state[1] = self.feed[2] * input - self.back[1] * output;
        output
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 10_000.0;

    #[test]
    fn law_low_pass_stands_still_on_a_constant_and_halves_power_near_its_corner() {
        let mut filter = LowPass::new(1000.0, RATE_HZ);
        filter.settle(3.0);
        for _ in 0..100 {
            let got = filter.next(3.0);
            assert!((got - 3.0).abs() < 1e-12, "expected 3, got {got}");
        }
        let mut filter = LowPass::new(1000.0, RATE_HZ);
        let wave = |n: usize| (std::f64::consts::TAU * 1000.0 * n as f64 / RATE_HZ).sin();
        let output: Vec<f64> = (0..2000).map(|n| filter.next(wave(n))).collect();
        let power: f64 = output[1000..].iter().map(|y| y * y).sum::<f64>() / 1000.0;
        let got = (2.0 * power).sqrt();
        // Gain of a second-order low pass at its corner: 1/(2 d), closed form.
        let expected = 1.0 / (2.0 * DAMPING);
        assert!((got - expected).abs() < 1e-3, "expected {expected}, got {got}, tolerance 1e-3, closed form");
    }

    #[test]
    fn accepts_a_corner_beyond_the_sampling_rate_by_passing_the_signal() {
        let mut filter = LowPass::new(20_000.0, RATE_HZ);
        filter.settle(0.0);
        let got = filter.next(5.0);
        assert!((got - 5.0).abs() < f64::EPSILON, "expected 5, got {got}");
    }
}
