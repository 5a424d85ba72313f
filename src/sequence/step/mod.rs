//! The steps. One file a step: how it is written, and its part of `advance`.
//!
//! A step is a value; what it remembers while it is on is a [`Phase`] in the machine's state, so that `advance` stays a
//! function. To add one: a file here, a variant of [`Step`], an arm in `read`, `advance` and `in_words`.

pub mod ask;
pub mod confirm;
pub mod held;
pub mod hold;
pub mod line_up;
pub mod mark;
pub mod repeat;
pub mod say;
pub mod settle;
pub mod silence;
pub mod speed;
pub mod start;
pub mod stop;
pub mod wait;

use super::interlock::{Rules, Watch};
use super::machine::Command;
use super::marks::{Mark, MarkKind};
use super::observations::{Observations, StarterFacts};
use super::stopping::Stopping;
use crate::starters::StopKind;
use crate::starters::set_point::SetPointControl;

/// Questions about the first valve count from here, those of the second from twice of it: more than a program has steps.
const VALVE_QUESTIONS: u32 = 1 << 16;

/// One step of the program.
#[derive(Debug, Clone, PartialEq)]
pub enum Step {
    /// The people who watch are asked something.
    Ask(ask::Ask),
    /// A person confirms a sentence.
    Confirm(confirm::Confirm),
    /// A person sets and confirms the valves.
    LineUp(line_up::LineUp),
    /// Wait for time or for conditions.
    Wait(wait::Wait),
    /// Start the motor.
    Start(start::Start),
    /// Let it run.
    Hold(hold::Hold),
    /// Change the set speed of the drive that runs.
    Speed(speed::Speed),
    /// Stop the motor.
    Stop(stop::Stop),
    /// Withhold the heartbeat until the starter stops the motor by itself.
    Silence(silence::Silence),
    /// Wait until the water is quiet.
    Settle(settle::Settle),
    /// Put a named mark.
    Mark(mark::Mark),
    /// Show a line.
    Say(say::Say),
}

/// What a step remembers while it is on.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum Phase {
    /// Just entered.
    #[default]
    Fresh,
    /// Asked or told, waiting.
    Waiting,
    /// Line-up, start: asked for the valve of this number, from 0.
    Looking(usize),
    /// Start: the transfer device was told to move, at this time, s.
    Selecting(f64),
    /// Start: ordered at this time, s.
    Ordered(f64),
    /// Start, line-up: answered at this time, s.
    Answered(f64),
    /// Hold: counts from this time, s.
    Counting(f64),
    /// Hold: counts from this time, s, while the program's controller sets the speed.
    Controlling(f64, SetPointControl),
    /// Stop: under way; true once its mark is put.
    Stopping(Stopping, bool),
}

/// What a step is shown at a tick.
#[derive(Debug, Clone, Copy)]
pub struct Turn<'a> {
    /// Rules of the rig.
    pub rules: &'a Rules,
    /// What is seen.
    pub seen: &'a Observations,
    /// Facts with memory.
    pub watch: &'a Watch,
    /// Rig time, s.
    pub now_s: f64,
    /// When this step was entered, s.
    pub entered_s: f64,
    /// Index of this instruction; its question, if it asks one, has the id `instruction + 1`.
    pub instruction: usize,
    /// Cycle, from 1; 0 before the first start.
    pub cycle: u32,
    /// Set speed ordered last since the start.
    pub speed: Option<f64>,
}

/// What comes after a step's turn.
#[derive(Debug, Clone, PartialEq)]
pub enum Next {
    /// Stay in the step with this memory.
    Stay(Phase),
    /// On to the next instruction.
    Done,
    /// The run cannot go on.
    Abort {
        /// Why.
        reason: String,
        /// First kind of stop; `None`: the starter's ordinary way.
        stop: Option<StopKind>,
    },
}

/// What a step gives out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Output {
    /// Commands, in order.
    pub commands: Vec<Command>,
    /// Marks, in order.
    pub marks: Vec<Mark>,
}

impl Next {
    /// Abort with the starter's ordinary stop.
    pub fn abort(reason: String) -> Self {
        Self::Abort { reason, stop: None }
    }
}

impl Turn<'_> {
    /// Time in this step, s.
    pub fn in_step_s(&self) -> f64 {
        self.now_s - self.entered_s
    }

    /// Id of this step's question.
    pub fn question(&self) -> u32 {
        u32::try_from(self.instruction).unwrap_or(u32::MAX - 1) + 1
    }

    /// Id of this step's question about the valve of number `valve`, from 0.
    pub fn question_of_valve(&self, valve: usize) -> u32 {
        VALVE_QUESTIONS * (1 + u32::try_from(valve).unwrap_or(0)) + self.question()
    }

    /// Facts of a starter.
    pub fn starter(&self, starter: usize) -> StarterFacts {
        self.seen.starters.get(starter).cloned().unwrap_or_default()
    }

    /// A mark now.
    pub fn mark_now(&self, kind: MarkKind) -> Mark {
        Mark { at_s: self.now_s, u_s: 0.0, kind }
    }

    /// The mark of this step's order, once it was carried out.
    pub fn mark_of_order(&self, kind: MarkKind) -> Option<Mark> {
        let order = self.seen.latest_order.filter(|order| order.instruction == self.instruction)?;
        Some(Mark { at_s: order.at_s, u_s: order.u_s, kind })
    }
}

impl Step {
    /// One turn of the step.
    pub fn advance(&self, turn: &Turn<'_>, phase: Phase, out: &mut Output) -> Next {
        match self {
            Self::Ask(step) => step.advance(turn, phase, out),
            Self::Confirm(step) => step.advance(turn, phase, out),
            Self::LineUp(step) => step.advance(turn, phase, out),
            Self::Wait(step) => step.advance(turn),
            Self::Start(step) => step.advance(turn, phase, out),
            Self::Hold(step) => step.advance(turn, phase, out),
            Self::Speed(step) => step.advance(turn, phase, out),
            Self::Stop(step) => step.advance(turn, phase, out),
            Self::Silence(step) => step.advance(turn, phase, out),
            Self::Settle(step) => step.advance(turn, out),
            Self::Mark(step) => step.advance(turn, out),
            Self::Say(step) => step.advance(out),
        }
    }

    /// The step in words, for the live line.
    pub fn in_words(&self) -> String {
        match self {
            Self::Ask(_) => "ask".to_owned(),
            Self::Confirm(_) => "confirm".to_owned(),
            Self::LineUp(step) => format!("line up {}", step.id),
            Self::Wait(step) => step.in_words(),
            Self::Start(_) => "start".to_owned(),
            Self::Hold(step) => step.in_words(),
            Self::Speed(step) => step.in_words(),
            Self::Stop(step) => step.in_words(),
            Self::Silence(_) => "silence: the heartbeat is withheld".to_owned(),
            Self::Settle(step) => format!("settle, at most {} s", step.timeout_s),
            Self::Mark(step) => format!("mark {}", step.name),
            Self::Say(_) => "say".to_owned(),
        }
    }

    /// May a person pass over it? Only what nothing depends on: a question to those who watch, a plain time.
    pub fn may_be_skipped(&self) -> bool {
        match self {
            Self::Ask(_) | Self::Hold(_) => true,
            Self::Wait(step) => step.until.is_empty(),
            _ => false,
        }
    }

    /// Rig time it is expected to take, s, where that is known.
    pub fn expected_s(&self) -> Option<f64> {
        match self {
            Self::Wait(step) => step.time_s,
            Self::Hold(step) => Some(step.opening_s + step.time_s),
            Self::Speed(step) => Some(step.time_s),
            Self::Settle(step) => Some(step.timeout_s),
            _ => None,
        }
    }
}
