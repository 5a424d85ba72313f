//! A drive's own controller: holds a level, a flow or a pressure at a set point by its speed.
//!
//! Proportional and integral, in steps: every `tick_s` it reads the value as it was `delay_s` ago and sets a new target
//! speed, which the drive's ramps then follow.
//! speed = clamp(bias + K e + I), e = (set point - value)/span, I grows by K e tick/T_i and stops growing where the speed
//! stands at an end (no wind-up). Before the first start the bias is the lowest speed. A look that comes late stands for
//! the ticks it has missed (four at most in I), with one order.
//!
//! A loop that answers too strongly from one tick to the next swings for ever ([`SetPointSettings::most_gain`]).
//!
//! Range: gain 0 to 1000, tick 1 ms to 60 s, delay up to 60 s, speeds 0 to 1.2 of rated frequency; a value that is no
//! number leaves the speed as it is. Accuracy: exact for its own difference equation; held against scipy on a line with
//! inertia and on a well (`agrees_with_scipy_a_controller_that_holds_the_flow_of_a_line_with_inertia`).
//! Source: proportional and integral control in discrete time with clamping, from memory.

use super::StarterError;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// What is held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Controlled {
    /// Gauge pressure at a node, Pa.
    Pressure {
        /// Node index.
        node: usize,
    },
    /// Flow through the pump, m3/s.
    Flow,
    /// Level of the tank at a node, m above datum.
    Level {
        /// Node index.
        node: usize,
    },
    /// What a pressure or flow channel reads, Pa gauge or m3/s (a controller outside the drive).
    Channel {
        /// Channel index.
        channel: usize,
    },
}

/// Settings of the controller.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SetPointSettings {
    /// What is held.
    pub controlled: Controlled,
    /// Where, SI.
    pub set_point: f64,
    /// Span that a gain of 1 refers to, SI; negative where a higher speed lowers the value (a pumped-out well).
    pub span: f64,
    /// Gain K, speed share a span.
    pub gain: f64,
    /// Integral time T_i, s.
    pub integral_s: f64,
    /// Time between two looks, s.
    pub tick_s: f64,
    /// Age of the value looked at, s.
    pub delay_s: f64,
    /// Lowest speed, share of rated frequency.
    pub lowest_speed: f64,
    /// Highest speed, share of rated frequency.
    pub highest_speed: f64,
}

/// Ticks that one late look may stand for in the integral.
const MISSED_TICKS_MOST: f64 = 4.0;

impl SetPointSettings {
    /// The gain above which the loop swings without end, where the value answers a change of speed within one tick by
    /// `answer` (SI a share of rated frequency, at once).
    ///
    /// Equation: `K_max = 2 / ((A/span)(2 + tick/T_i))`.
    /// Range: `answer` and the span of one sign, else infinite (nothing is said of it).
    /// Returns: speed share a span, > 0.
    /// Accuracy: exact for a value that follows within one tick (`law_above_the_most_gain_the_loop_swings_without_end`). A
    /// pump's pressure answers at once by its curve at constant flow, and less once the water has followed.
    /// Derivation: with `e[k+1] - e[k] = -(A/span)(u[k] - u[k-1])` the error obeys
    /// `z^2 + (a + b - 1) z - a = 0`, a = A K/span, b = a tick/T_i; at z = -1 it leaves the unit circle where 2 a + b = 2.
    pub fn most_gain(&self, answer: f64) -> f64 {
        let answer = answer / self.span;
        if answer > 0.0 { 2.0 / (answer * (2.0 + self.tick_s / self.integral_s)) } else { f64::INFINITY }
    }

    pub(super) fn check(&self, starter: &str) -> Result<(), StarterError> {
        let rows = [
            ("set_point gain", self.gain, 0.0, 1e3, "speed share a span"),
            ("set_point integral_s", self.integral_s, 1e-3, 1e5, "s"),
            ("set_point tick_s", self.tick_s, 1e-3, 60.0, "s"),
            ("set_point delay_s", self.delay_s, 0.0, 60.0, "s"),
            ("set_point lowest_speed", self.lowest_speed, 0.0, self.highest_speed, "x rated frequency"),
            ("set_point highest_speed", self.highest_speed, 0.0, 1.2, "x rated frequency"),
        ];
        for (setting, value, low, high, unit) in rows {
            if !(low..=high).contains(&value) {
                let starter = starter.to_owned();
                return Err(StarterError::Setting { starter, setting, value, low, high, unit });
            }
        }
        Ok(())
    }
}

/// The controller in time.
#[derive(Debug, Clone, PartialEq)]
pub struct SetPointControl {
    settings: SetPointSettings,
    /// Values not yet old enough, newest last, each with its time, s.
    waiting: VecDeque<(f64, f64)>,
    seen: f64,
    integral: f64,
    next_tick_s: f64,
}

impl SetPointControl {
    /// A controller at rest that has long seen `value`, at time `now_s`.
    pub fn new(settings: SetPointSettings, now_s: f64, value: f64) -> Self {
        Self { settings, waiting: VecDeque::new(), seen: value, integral: settings.lowest_speed, next_tick_s: now_s }
    }

    /// A controller that takes over at a speed without a jump, having seen `value`.
    pub fn taking_over(settings: SetPointSettings, now_s: f64, value: f64, speed: f64) -> Self {
        let (low, high) = (settings.lowest_speed, settings.highest_speed);
        let error = (settings.set_point - value) / settings.span;
        let integral = (speed.clamp(low, high) - settings.gain * error).clamp(low - 1.0, high + 1.0);
        Self { integral, ..Self::new(settings, now_s, value) }
    }

    /// Hold another value from the next look on.
    pub fn hold_at(&mut self, set_point: f64) {
        self.settings.set_point = set_point;
    }

    /// What is held.
    pub fn controlled(&self) -> Controlled {
        self.settings.controlled
    }

    /// Takes the value at `now_s`; a new target speed on a tick.
    pub fn look(&mut self, now_s: f64, value: f64) -> Option<f64> {
        self.waiting.push_back((now_s, value));
        let old_enough_s = now_s - self.settings.delay_s;
        while let Some(&(at_s, value)) = self.waiting.front()
            && at_s <= old_enough_s
        {
            self.seen = value;
            self.waiting.pop_front();
        }
        if now_s < self.next_tick_s {
            return None;
        }
        let ticks = ((now_s - self.next_tick_s) / self.settings.tick_s).floor() + 1.0;
        self.next_tick_s += ticks * self.settings.tick_s;
        Some(self.tick(ticks.min(MISSED_TICKS_MOST)))
    }

    fn tick(&mut self, ticks: f64) -> f64 {
        let Self { settings, integral, seen, .. } = self;
        let error = (settings.set_point - *seen) / settings.span;
        let (low, high) = (settings.lowest_speed, settings.highest_speed);
        let grown = *integral + settings.gain * error * ticks * settings.tick_s / settings.integral_s;
        let wanted = settings.gain * error + grown;
        // Growing further into the end it stands at would only have to be undone later.
        if (low..=high).contains(&wanted) || (wanted > high && error < 0.0) || (wanted < low && error > 0.0) {
            *integral = grown.clamp(low - 1.0, high + 1.0);
        }
        wanted.clamp(low, high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SETTINGS: SetPointSettings = SetPointSettings {
        controlled: Controlled::Flow,
        set_point: 0.6,
        span: 1.0,
        gain: 0.5,
        integral_s: 2.0,
        tick_s: 0.1,
        delay_s: 0.3,
        lowest_speed: 0.2,
        highest_speed: 1.0,
    };

    /// A plant whose value follows the speed with a time constant of 1 s.
    fn run(settings: SetPointSettings, time_s: f64) -> (f64, Vec<f64>) {
        let (mut value, mut speed, mut ticks) = (0.0, 0.0, Vec::new());
        let mut control = SetPointControl::new(settings, 0.0, value);
        let dt_s = 0.01;
        for k in 0..(time_s / dt_s) as u32 {
            let now_s = f64::from(k) * dt_s;
            if let Some(new) = control.look(now_s, value) {
                speed = new;
                ticks.push(now_s);
            }
            value += (speed - value) * dt_s;
        }
        (value, ticks)
    }

    #[test]
    fn law_the_integral_takes_the_error_out() {
        let (value, ticks) = run(SETTINGS, 60.0);
        assert!((value - 0.6).abs() < 1e-3, "expected 0.6, got {value}, tolerance 1e-3");
        assert_eq!(ticks.len(), 600, "one order a tick");
    }

    #[test]
    fn law_speed_stays_within_its_ends_and_does_not_wind_up() {
        let far = SetPointSettings { set_point: 5.0, ..SETTINGS };
        let (value, _) = run(far, 100.0);
        assert!((value - 1.0).abs() < 1e-6, "expected the highest speed 1, got {value}");
        let mut control = SetPointControl::new(far, 0.0, 0.0);
        for k in 0..1000 {
            control.look(f64::from(k) * 0.1, 0.0);
        }
        let first = control.look(100.0, 50.0);
        assert!(first.is_some());
        for k in 1..10 {
            control.look(100.0 + f64::from(k) * 0.1, 50.0);
        }
        let after = control.look(101.0, 50.0);
        assert_eq!(after, Some(0.2), "a value far above the set point must bring the lowest speed within a second");
    }

    /// Largest error of the last hundred of `ticks` ticks; the value follows within one tick.
    fn swing(gain: f64, answer: f64) -> f64 {
        let settings = SetPointSettings { gain, delay_s: 0.0, tick_s: 0.5, integral_s: 1.5, ..SETTINGS };
        let mut control = SetPointControl::taking_over(settings, 0.0, 0.7, 0.6);
        let (mut value, mut worst) = (0.7, 0.0_f64);
        for k in 0..2000 {
            let speed = control.look(f64::from(k) * 0.5, value).unwrap();
            value = 0.6 + answer * (speed - 0.6);
            if k >= 1900 {
                worst = worst.max((value - 0.6).abs());
            }
        }
        worst
    }

    #[test]
    fn law_above_the_most_gain_the_loop_swings_without_end() {
        let answer = 3.4;
        let most = SetPointSettings { tick_s: 0.5, integral_s: 1.5, ..SETTINGS }.most_gain(answer);
        assert!((most - 2.0 / (3.4 * (2.0 + 0.5 / 1.5))).abs() < 1e-12, "{most}");
        let (below, above) = (swing(0.97 * most, answer), swing(1.03 * most, answer));
        assert!(below < 1e-6, "below it dies away: {below}");
        assert!(above > 0.1, "above it goes on: {above}");
        assert!(SETTINGS.most_gain(-1.0).is_infinite());
    }

    #[test]
    fn a_late_look_stands_for_the_ticks_that_it_missed_and_no_more_than_four() {
        let settings = SetPointSettings { delay_s: 0.0, ..SETTINGS };
        let at = |looks: &[f64]| {
            let mut control = SetPointControl::taking_over(settings, 0.0, 0.5, 0.6);
            looks.iter().filter_map(|now_s| control.look(*now_s, 0.5)).last().unwrap()
        };
        let each = at(&[0.0, 0.101, 0.201, 0.301]);
        let late = at(&[0.0, 0.301]);
        assert!((each - late).abs() < 1e-12, "each tick {each}, one late look {late}");
        assert!((at(&[0.0, 9.001]) - at(&[0.0, 0.401])).abs() < 1e-12, "a long pause is not made up for");
        let mut control = SetPointControl::taking_over(settings, 0.0, 0.5, 0.6);
        assert!(control.look(0.35, 0.5).is_some() && control.look(0.36, 0.5).is_none(), "one order, no burst");
    }

    #[test]
    fn looks_at_the_value_as_it_was_one_delay_ago() {
        let mut control = SetPointControl::new(SetPointSettings { integral_s: 1e5, ..SETTINGS }, 0.0, 0.6);
        let steady = control.look(0.0, 0.6).unwrap();
        let mut changed_at_s = None;
        for k in 1..10 {
            let now_s = f64::from(k) * 0.1;
            let speed = control.look(now_s + 1e-9, 0.1).unwrap();
            if (speed - steady).abs() > 0.1 && changed_at_s.is_none() {
                changed_at_s = Some(now_s);
            }
        }
        assert_eq!(
            changed_at_s,
            Some(0.4),
            "a step after 0 s is seen 0.3 s after the first look that has it, at 0.1 s"
        );
    }
}
