//! The machine: one pure function that walks a [`Script`]. No clocks, no IO: the same script, state, observations and time
//! always give the same commands, state and marks. The executor drives it with real ports, the prediction with a
//! simulated plant.

use super::interlock::{Ending, Watch, guard};
use super::marks::Mark;
use super::observations::Observations;
use super::ports::{Level, Progress, StopOutcome};
use super::priming::{Judged, Priming};
use super::script::Script;
use super::step::{Next, Output, Phase, Step, Turn};
use crate::starters::{Settings, StopKind};

/// What the machine wants done.
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// Ask a person; the answer comes back in [`Observations::answers`].
    Ask {
        /// Question.
        id: u32,
        /// Sentence to confirm.
        text: String,
    },
    /// Ask those who watch; answered like [`Self::Ask`].
    Wonder {
        /// Question.
        id: u32,
        /// Its text.
        text: String,
    },
    /// Show a line.
    Say {
        /// Line.
        text: String,
    },
    /// A line of the log.
    Note {
        /// Level.
        level: Level,
        /// Text.
        text: String,
    },
    /// A person has confirmed a line-up: valves stand as it says.
    LinedUp {
        /// Index into the rig's line-ups.
        line_up: usize,
    },
    /// Move the transfer device; everything is proven off.
    SelectTransfer {
        /// Position.
        position: u16,
    },
    /// Start; nothing forbids it.
    Start {
        /// Starter.
        starter: usize,
        /// Settings that have to be in force.
        settings: Settings,
    },
    /// A new set speed for the drive that runs, by a controller of the program.
    SetSpeed {
        /// Starter.
        starter: usize,
        /// Share of rated frequency.
        speed: f64,
    },
    /// Stop.
    Stop {
        /// Starter.
        starter: usize,
        /// Kind.
        kind: StopKind,
        /// Why, for the record.
        cause: String,
    },
    /// Withhold the heartbeat for the rest of the run, so that the starter's own timer stops the motor.
    Silence {
        /// Starter.
        starter: usize,
    },
    /// The starter was seen to stop the motor by itself without a heartbeat.
    Proven {
        /// Starter.
        starter: usize,
    },
    /// The pump was seen to prime.
    Primed {
        /// Time since the start, s.
        after_s: f64,
    },
    /// The pump did not prime, or lost its water: the run ends.
    NotPrimed,
    /// A cycle's stop is over.
    Outcome {
        /// Cycle.
        cycle: u32,
        /// How sure it is.
        outcome: StopOutcome,
        /// The facts behind it, in words.
        evidence: String,
    },
}

/// Where the machine stands.
#[derive(Debug, Clone, PartialEq)]
pub struct State {
    /// Instruction it is at; the length of the program when all are done.
    pub at: usize,
    /// When it got there, rig time, s.
    pub entered_s: f64,
    /// What the step remembers.
    pub phase: Phase,
    /// Facts with memory.
    pub watch: Watch,
    /// Starter that was ordered on and whose stop is not over.
    pub energised: Option<usize>,
    /// Set speed ordered last since the start.
    pub speed: Option<f64>,
    /// Priming since the latest start.
    pub priming: Option<Priming>,
    /// Cycles that were started and stopped.
    pub cycles_done: u32,
    /// How it ended.
    pub ending: Option<Ending>,
}

/// What one turn gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Advance {
    /// Commands, in order.
    pub commands: Vec<Command>,
    /// Next state.
    pub state: State,
    /// Marks, in order.
    pub marks: Vec<Mark>,
}

impl State {
    /// At the first instruction, at rig time `now_s`.
    pub fn at_start(now_s: f64) -> Self {
        Self {
            at: 0,
            entered_s: now_s,
            phase: Phase::Fresh,
            watch: Watch::default(),
            energised: None,
            speed: None,
            priming: None,
            cycles_done: 0,
            ending: None,
        }
    }

    /// Cycle it is in.
    pub fn cycle(&self, script: &Script) -> u32 {
        let last = script.program.len().saturating_sub(1);
        script.program.get(self.at.min(last)).map_or(0, |instruction| instruction.cycle)
    }

    /// Where the run stands, for the live line.
    pub fn progress(&self, script: &Script, now_s: f64) -> Progress {
        let on = script.program.get(self.at);
        let step = on.map(|instruction| &instruction.step);
        Progress {
            next: script.program.get(self.at + 1).map(|instruction| instruction.step.in_words()),
            notes: on.and_then(|instruction| instruction.notes.clone()),
            may_be_skipped: step.is_some_and(Step::may_be_skipped),
            step: step.map_or_else(|| "done".to_owned(), Step::in_words),
            step_number: (self.at + 1).min(script.program.len()),
            steps: script.program.len(),
            cycle: self.cycle(script),
            cycles: script.cycles,
            in_step_s: now_s - self.entered_s,
            step_s: step.and_then(Step::expected_s),
        }
    }
}

/// One turn: look, guard, then walk as far as the program goes at this instant. An ended machine stays as it is.
pub fn advance(script: &Script, state: State, seen: &Observations, now_s: f64) -> Advance {
    let mut walk = Walk { script, seen, now_s, state, out: Output::default() };
    walk.state.watch.look(seen, now_s);
    if walk.state.ending.is_none() {
        walk.state.ending = guard(&script.rules, seen, walk.state.energised);
    }
    walk.look_at_priming();
    while walk.state.ending.is_none() && walk.step() {}
    Advance { commands: walk.out.commands, state: walk.state, marks: walk.out.marks }
}

struct Walk<'a> {
    script: &'a Script,
    seen: &'a Observations,
    now_s: f64,
    state: State,
    out: Output,
}

impl Walk<'_> {
    /// One step's turn; true when the next instruction may have its turn at the same instant.
    fn step(&mut self) -> bool {
        let Some(instruction) = self.script.program.get(self.state.at) else {
            self.state.ending = Some(Ending::Done);
            return false;
        };
        if self.seen.skipped == Some(self.state.at) && instruction.step.may_be_skipped() {
            self.state.phase = Phase::Fresh;
            self.on();
            return true;
        }
        let commands_before = self.out.commands.len();
        let phase = std::mem::take(&mut self.state.phase);
        let turn = Turn {
            rules: &self.script.rules,
            seen: self.seen,
            watch: &self.state.watch,
            now_s: self.now_s,
            entered_s: self.state.entered_s,
            instruction: self.state.at,
            cycle: instruction.cycle,
            speed: self.state.speed,
        };
        let next = instruction.step.advance(&turn, phase, &mut self.out);
        self.note_energised(commands_before);
        match next {
            Next::Stay(phase) => self.state.phase = phase,
            Next::Done => {
                self.on();
                return true;
            }
            Next::Abort { reason, stop } => self.state.ending = Some(Ending::Abort { reason, stop, trip: None }),
        }
        false
    }

    /// From a start to its stop the pump has to prime and to keep its water. A prediction goes on and shows what comes.
    fn look_at_priming(&mut self) {
        let Some(rules) = &self.script.rules.priming else { return };
        let Some(priming) = self.state.priming.as_mut().filter(|_| !self.seen.foretold) else { return };
        let step = self.script.program.get(self.state.at).map(|instruction| &instruction.step);
        let stops = matches!(step, Some(Step::Stop(_) | Step::Silence(_)));
        let lined_up = self.state.watch.lined_up.is_some_and(|(line_up, _)| rules.line_ups.contains(&line_up));
        if stops || !lined_up || self.state.energised.is_none() || self.state.ending.is_some() {
            return;
        }
        match priming.look(rules, self.seen, self.now_s) {
            Judged::Nothing => {}
            Judged::Primed(after_s) => self.out.commands.push(Command::Primed { after_s }),
            Judged::Dry(reason) => {
                self.out.commands.push(Command::NotPrimed);
                let (stop, trip) = (Some(rules.stop), Some(rules.trip));
                self.state.ending = Some(Ending::Abort { reason, stop, trip });
            }
        }
    }

    fn on(&mut self) {
        self.state.at += 1;
        self.state.entered_s = self.now_s;
    }

    fn note_energised(&mut self, from: usize) {
        for command in &self.out.commands[from..] {
            match command {
                Command::Start { starter, settings } => {
                    self.state.energised = Some(*starter);
                    self.state.speed = settings.speed;
                    self.state.priming = Some(Priming::since(self.now_s));
                }
                Command::SetSpeed { speed, .. } => self.state.speed = Some(*speed),
                Command::LinedUp { line_up } => self.state.watch.lined_up = Some((*line_up, self.now_s)),
                Command::Outcome { outcome, cycle, .. } if *outcome != StopOutcome::NotConfirmed => {
                    self.state.energised = None;
                    self.state.cycles_done = *cycle;
                    // It ran with its valves as they were confirmed.
                    if let Some((_, at_s)) = &mut self.state.watch.lined_up {
                        *at_s = self.now_s;
                    }
                }
                _ => {}
            }
        }
    }
}
