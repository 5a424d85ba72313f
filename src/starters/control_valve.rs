//! A pump control valve: an actuated valve at the pump's outlet whose own controller is tied to the run order of the motor
//! starter.
//!
//! | order | motor | valve |
//! |---|---|---|
//! | start | on at once, against the shut valve; a valve that is not shut closes first | opens by its opening law, a delay after the motor is at speed (or after the start) |
//! | stop (by ramp) | stays on until the limit switch of the closing valve cuts it | closes by its closing law |
//! | cut (coast, contactor off, emergency stop) | off at once | closes by its emergency law |
//! | loss of supply | off at once | emergency law by spring or pressure oil, or stays as it is |
//!
//! A law maps the share of a stroke's time to the share of the stroke; a stroke that begins in between takes the law from
//! that place on. Steps belong to the local panel: whoever controls the motor orders start and stop, nothing more. That a
//! valve closes first and then cuts the motor on a limit switch is common practice, no source.
//!
//! Range: strokes of 1 ms to an hour, laws that rise from (0, 0) to (1, 1), a limit switch within the travel. Accuracy:
//! exact for piecewise straight laws; switches act at the first step at or after their place. Closures are held against
//! Joukowsky and the rigid column in `law_a_closure_within_the_reflection_time_gives_joukowsky_and_a_slow_one_the_rigid_column`.

use super::StarterError;
use super::ramp_shape::RampShape;
use serde::{Deserialize, Serialize};

/// A full travel of the valve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stroke {
    /// Time from one end to the other, s.
    pub time_s: f64,
    /// Share of the stroke over share of that time; two stages are a profile with one break.
    pub law: RampShape,
}

/// What opening waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OpensAfter {
    /// The motor is at speed.
    AtSpeed,
    /// The start order.
    Start,
}

/// What the valve does when the supply is gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OnLossOfSupply {
    /// A spring or pressure oil closes it by its emergency law.
    Closes,
    /// It stays as it is.
    Stays,
}

/// A pump control valve as its maker and its panel set it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ControlValveSpec {
    /// What opening waits for.
    pub opens_after: OpensAfter,
    /// And then this long, s.
    pub opening_delay_s: f64,
    /// Opening.
    pub opening: Stroke,
    /// Closing at a stop.
    pub closing: Stroke,
    /// Opening, 0 to below 1, at which the closing valve cuts the motor.
    pub limit_switch: f64,
    /// Closing at a cut, and at a loss of supply where it closes then.
    pub emergency: Stroke,
    /// What it does when the supply is gone.
    pub on_loss_of_supply: OnLossOfSupply,
}

impl ControlValveSpec {
    /// Time from a stop order, valve fully open, to the motor being cut, s.
    pub fn stop_s(&self) -> f64 {
        self.closing.time_s * self.closing.law.time_of(1.0 - self.limit_switch)
    }

    /// Time from what opening waits for to the fully open valve, s.
    pub fn open_s(&self) -> f64 {
        self.opening_delay_s + self.opening.time_s
    }

    /// Refuse what no valve can do.
    ///
    /// # Errors
    /// [`StarterError`] names the valve, the setting and its limits.
    pub fn check(&self, valve: &str) -> Result<(), StarterError> {
        let rows = [
            ("opening_delay_s", self.opening_delay_s, 0.0, 600.0, "s"),
            ("opening time_s", self.opening.time_s, 0.01, 3600.0, "s"),
            ("closing time_s", self.closing.time_s, 0.01, 3600.0, "s"),
            ("emergency time_s", self.emergency.time_s, 0.01, 3600.0, "s"),
            ("limit_switch", self.limit_switch, 0.0, 0.95, "of full opening"),
        ];
        let starter = valve.to_owned();
        for (setting, value, low, high, unit) in rows {
            if !(low..=high).contains(&value) {
                return Err(StarterError::Setting { starter, setting, value, low, high, unit });
            }
        }
        let laws = [&self.opening.law, &self.closing.law, &self.emergency.law];
        if laws.into_iter().all(RampShape::is_sound) { Ok(()) } else { Err(StarterError::Shape { starter }) }
    }
}

/// What the valve is doing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Motion {
    /// Stands.
    Rest,
    /// The motor is on; opening waits.
    Waiting {
        /// What is left of the delay once that which it waits for has come, s.
        left_s: f64,
        /// That which it waits for has come.
        counting: bool,
    },
    /// Opens.
    Opening {
        /// Share of the stroke's time that has passed.
        passed: f64,
    },
    /// Closes at a stop.
    Closing {
        /// Share of the stroke's time that has passed.
        passed: f64,
        /// The limit switch still has to cut the motor.
        cuts: bool,
    },
    /// Closes by its emergency law.
    Emergency {
        /// Share of the stroke's time that has passed.
        passed: f64,
    },
    /// Without supply, as it was.
    Dead,
}

/// The valve in time.
#[derive(Debug, Clone, PartialEq)]
pub struct ControlValve {
    spec: ControlValveSpec,
    opening: f64,
    motion: Motion,
    stuck: bool,
}

impl ControlValve {
    /// A shut valve.
    pub fn shut(spec: ControlValveSpec) -> Self {
        Self { spec, opening: 0.0, motion: Motion::Rest, stuck: false }
    }

    /// A fully open valve, as in steady running.
    pub fn open(spec: ControlValveSpec) -> Self {
        Self { spec, opening: 1.0, motion: Motion::Rest, stuck: false }
    }

    /// Opening, 0..1.
    pub fn opening(&self) -> f64 {
        self.opening
    }

    /// What it is doing.
    pub fn motion(&self) -> Motion {
        self.motion
    }

    /// As it is set.
    pub fn spec(&self) -> &ControlValveSpec {
        &self.spec
    }

    /// It is on its way, or about to be.
    pub fn moves(&self) -> bool {
        !matches!(self.motion, Motion::Rest | Motion::Dead)
    }

    /// A start order while the motor is on or off: true when the motor may go on; else the valve closes first.
    pub fn start(&mut self, motor_on: bool) -> bool {
        if motor_on {
            if let Motion::Closing { .. } = self.motion {
                self.motion = Motion::Opening { passed: self.spec.opening.law.time_of(self.opening) };
            }
            return true;
        }
        if self.opening > 0.0 {
            if !matches!(self.motion, Motion::Closing { .. } | Motion::Emergency { .. }) {
                self.motion = Motion::Closing { passed: self.closing_passed(), cuts: false };
            }
            return false;
        }
        let counting = self.spec.opens_after == OpensAfter::Start;
        self.motion = Motion::Waiting { left_s: self.spec.opening_delay_s, counting };
        true
    }

    /// A stop order while the motor is on: close, then cut it.
    pub fn stop(&mut self) {
        match self.motion {
            Motion::Closing { cuts: true, .. } | Motion::Emergency { .. } => {}
            _ => self.motion = Motion::Closing { passed: self.closing_passed(), cuts: true },
        }
    }

    /// The motor is cut: close by the emergency law.
    pub fn cut(&mut self) {
        if self.opening > 0.0 && !matches!(self.motion, Motion::Emergency { .. }) {
            self.motion = Motion::Emergency { passed: self.spec.emergency.law.time_of(1.0 - self.opening) };
        } else if self.opening <= 0.0 {
            self.motion = Motion::Rest;
        }
    }

    /// The supply is gone, and the motor with it.
    pub fn lose_supply(&mut self) {
        match self.spec.on_loss_of_supply {
            OnLossOfSupply::Closes => self.cut(),
            OnLossOfSupply::Stays => self.motion = Motion::Dead,
        }
    }

    fn closing_passed(&self) -> f64 {
        self.spec.closing.law.time_of(1.0 - self.opening)
    }

    /// Sticks where it stands, or moves again; what it was told to do waits for it.
    pub fn stick(&mut self, stuck: bool) {
        self.stuck = stuck;
    }

    /// One time step; true at the step on which the limit switch cuts the motor.
    pub fn advance(&mut self, dt_s: f64, at_speed: bool) -> bool {
        match self.motion {
            _ if self.stuck => {}
            Motion::Rest | Motion::Dead => {}
            Motion::Waiting { left_s, counting } => self.wait(dt_s, left_s, counting || at_speed),
            Motion::Opening { passed } => {
                let passed = passed + dt_s / self.spec.opening.time_s;
                self.opening = self.spec.opening.law.done(passed);
                self.motion = if passed < 1.0 { Motion::Opening { passed } } else { Motion::Rest };
            }
            Motion::Emergency { passed } => {
                let passed = passed + dt_s / self.spec.emergency.time_s;
                self.opening = 1.0 - self.spec.emergency.law.done(passed);
                self.motion = if passed < 1.0 { Motion::Emergency { passed } } else { Motion::Rest };
            }
            Motion::Closing { passed, cuts } => {
                let passed = passed + dt_s / self.spec.closing.time_s;
                self.opening = 1.0 - self.spec.closing.law.done(passed);
                let made = cuts && self.opening <= self.spec.limit_switch;
                let cuts = cuts && !made;
                self.motion = if passed < 1.0 { Motion::Closing { passed, cuts } } else { Motion::Rest };
                return made;
            }
        }
        false
    }

    fn wait(&mut self, dt_s: f64, left_s: f64, counting: bool) {
        let left_s = if counting { left_s - dt_s } else { left_s };
        self.motion =
            if left_s <= 0.0 { Motion::Opening { passed: 0.0 } } else { Motion::Waiting { left_s, counting } };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DT_S: f64 = 0.01;
    /// A step either way, s.
    const STEP_S: f64 = 1.5 * DT_S;

    fn spec() -> ControlValveSpec {
        let straight = |time_s| Stroke { time_s, law: RampShape::Linear };
        ControlValveSpec {
            opens_after: OpensAfter::AtSpeed,
            opening_delay_s: 1.0,
            opening: straight(4.0),
            closing: Stroke { time_s: 10.0, law: RampShape::two_slopes(0.4, 0.8) },
            limit_switch: 0.1,
            emergency: straight(2.0),
            on_loss_of_supply: OnLossOfSupply::Closes,
        }
    }

    /// Time until `until` holds, s, and how often the limit switch cut.
    fn run(valve: &mut ControlValve, at_speed: bool, until: impl Fn(&ControlValve) -> bool) -> (f64, u32) {
        let (mut steps, mut cuts) = (0, 0);
        while !until(valve) {
            cuts += u32::from(valve.advance(DT_S, at_speed));
            steps += 1;
            assert!(steps < 100_000, "never: {valve:?}");
        }
        (f64::from(steps) * DT_S, cuts)
    }

    fn near(got_s: f64, expected_s: f64, what: &str) {
        assert!((got_s - expected_s).abs() < STEP_S, "{what}: expected {expected_s} s, got {got_s} s, +-{STEP_S} s");
    }

    #[test]
    fn opens_a_delay_after_the_motor_is_at_speed_and_not_before() {
        let mut valve = ControlValve::shut(spec());
        assert!(valve.start(false), "a shut valve lets the motor start");
        for _ in 0..1000 {
            valve.advance(DT_S, false);
        }
        assert_eq!(valve.opening(), 0.0, "shut while the motor runs up");
        let (time_s, cuts) = run(&mut valve, true, |valve| !valve.moves());
        near(time_s, valve.spec().open_s(), "delay and stroke");
        assert_eq!((valve.opening(), cuts), (1.0, 0));
    }

    #[test]
    fn cuts_the_motor_once_on_the_limit_switch_and_goes_on_to_shut() {
        let mut valve = ControlValve::open(spec());
        valve.stop();
        let (cut_s, cuts) =
            run(&mut valve, true, |valve| matches!(valve.motion(), Motion::Closing { cuts: false, .. }));
        // 80 % of the stroke in 4 s, 20 % in 6 s: 10 % are left half-way through the second stage.
        near(cut_s, 7.0, "limit switch");
        near(spec().stop_s(), 7.0, "as computed beforehand");
        let (rest_s, more) = run(&mut valve, true, |valve| !valve.moves());
        near(cut_s + rest_s, 10.0, "shut");
        assert_eq!((cuts, more, valve.opening()), (1, 0, 0.0));
    }

    #[test]
    fn closes_by_the_emergency_law_from_where_it_is_when_cut() {
        let mut valve = ControlValve::open(spec());
        valve.stop();
        run(&mut valve, true, |valve| valve.opening() <= 0.5);
        valve.cut();
        let (time_s, cuts) = run(&mut valve, true, |valve| !valve.moves());
        near(time_s, 1.0, "half a stroke of 2 s");
        assert_eq!((valve.opening(), cuts), (0.0, 0));
    }

    #[test]
    fn closes_or_stays_without_supply_as_it_is_built() {
        let mut valve = ControlValve::open(spec());
        valve.lose_supply();
        run(&mut valve, false, |valve| !valve.moves());
        assert_eq!(valve.opening(), 0.0);
        let mut valve = ControlValve::open(ControlValveSpec { on_loss_of_supply: OnLossOfSupply::Stays, ..spec() });
        valve.lose_supply();
        for _ in 0..1000 {
            valve.advance(DT_S, false);
        }
        assert_eq!(valve.opening(), 1.0);
    }

    #[test]
    fn holds_a_start_until_an_open_valve_is_shut() {
        let mut valve = ControlValve::open(spec());
        assert!(!valve.start(false), "not against an open valve");
        let (time_s, cuts) = run(&mut valve, false, |valve| !valve.moves());
        near(time_s, 10.0, "closing law");
        assert_eq!(cuts, 0, "there is no motor to cut");
        assert!(valve.start(false));
    }

    #[test]
    fn turns_back_when_started_while_it_closes() {
        let mut valve = ControlValve::open(spec());
        valve.stop();
        run(&mut valve, true, |valve| valve.opening() <= 0.5);
        assert!(valve.start(true));
        let (time_s, cuts) = run(&mut valve, true, |valve| !valve.moves());
        near(time_s, 2.0, "half a stroke of 4 s");
        assert_eq!((valve.opening(), cuts), (1.0, 0));
    }

    #[test]
    fn rejects_a_valve_that_cannot_be() {
        let bad = [
            ControlValveSpec { limit_switch: 1.0, ..spec() },
            ControlValveSpec { closing: Stroke { time_s: 0.0, law: RampShape::Linear }, ..spec() },
            ControlValveSpec { opening_delay_s: f64::NAN, ..spec() },
            ControlValveSpec { emergency: Stroke { time_s: 1.0, law: RampShape::Profile(vec![(0.0, 0.0)]) }, ..spec() },
        ];
        assert!(spec().check("pcv").is_ok());
        for spec in bad {
            assert!(spec.check("pcv").is_err(), "{spec:?}");
        }
    }
}
