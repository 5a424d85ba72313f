//! The sequence file: read, checked as a whole, unrolled into a linear program. Every problem is reported at once.
//!
//! ```toml
//! [sequence]
//! id = "two-cycles"
//! name = "Two cycles"
//! about = "Start and stop twice."
//!
//! [[step]]
//! do = "line-up"
//! line_up = "terrace"
//!
//! [[step]]
//! do = "repeat"
//! times = 2
//! [[step.step]]
//! do = "start"
//! [[step.step]]
//! do = "hold"
//! time = "4 s"
//! [[step.step]]
//! do = "stop"
//! [[step.step]]
//! do = "settle"
//! timeout = "12 s"
//! ```

use super::first_cycle::FirstCycle;
use super::interlock::Rules;
use super::step::{Step, ask, confirm, hold, line_up, mark, repeat, say, settle, silence, speed, start, stop, wait};
use crate::rig::model::Rig;
use crate::rig::problem::Problems;
use crate::rig::reader::{Cursor, Document, Spot};
use sha2::{Digest, Sha256};

/// The shipped sequences by name.
const SHIPPED: [(&str, &str); 13] = [
    ("three-starters", include_str!("../../rig-configs/sequences/three-starters.toml")),
    ("one-cycle", include_str!("../../rig-configs/sequences/one-cycle.toml")),
    ("quiet-cycle", include_str!("../../rig-configs/sequences/quiet-cycle.toml")),
    ("second-pump", include_str!("../../rig-configs/sequences/second-pump.toml")),
    ("line-fill", include_str!("../../rig-configs/sequences/line-fill.toml")),
    ("fill-terrace", include_str!("../../rig-configs/sequences/fill-terrace.toml")),
    ("splash-return", include_str!("../../rig-configs/sequences/splash-return.toml")),
    ("loss-of-communication", include_str!("../../rig-configs/sequences/loss-of-communication.toml")),
    ("lesson-three-starters", include_str!("../../rig-configs/sequences/lesson-three-starters.toml")),
    ("lesson-stop-and-reverse", include_str!("../../rig-configs/sequences/lesson-stop-and-reverse.toml")),
    ("lesson-priming", include_str!("../../rig-configs/sequences/lesson-priming.toml")),
    ("lesson-ramp-and-fill", include_str!("../../rig-configs/sequences/lesson-ramp-and-fill.toml")),
    ("lesson-held-by-speed", include_str!("../../rig-configs/sequences/lesson-held-by-speed.toml")),
];

/// Text of a shipped sequence (`three-starters`, `one-cycle`, `second-pump`, `line-fill`, `fill-terrace`,
/// `splash-return`, `loss-of-communication`, and the five lessons: `lesson-…`).
pub fn shipped(name: &str) -> Option<&'static str> {
    SHIPPED.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}

/// Names of the shipped sequences.
pub fn shipped_names() -> impl Iterator<Item = &'static str> {
    SHIPPED.iter().map(|(name, _)| *name)
}

/// Longest program, instructions.
const LONGEST: usize = 10_000;

/// One instruction of the program.
#[derive(Debug, Clone, PartialEq)]
pub struct Instruction {
    /// The step.
    pub step: Step,
    /// Cycle it belongs to: starts at or before it; 0 before the first.
    pub cycle: u32,
    /// Line of the file it comes from.
    pub line: usize,
    /// What stands beside it (`notes`) for whoever leads through the sequence.
    pub notes: Option<String>,
}

/// A sequence for one starter of one rig, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Script {
    /// Short id.
    pub id: String,
    /// Name.
    pub name: String,
    /// One line about it.
    pub about: String,
    /// File as the user named it.
    pub file_name: String,
    /// The file's text, as read.
    pub text: String,
    /// SHA-256 of the text, hex.
    pub text_sha256: String,
    /// The run's starter, index into the rig's.
    pub starter: usize,
    /// Rules of the rig that the program goes by.
    pub rules: Rules,
    /// The program.
    pub program: Vec<Instruction>,
    /// Cycles in all.
    pub cycles: u32,
}

impl Script {
    /// Reads and checks a sequence for starter `starter_index` of `rig`.
    ///
    /// Errors: every problem of the file, in its order. Panics never; a `starter_index` outside the rig is a problem.
    pub fn parse(text: &str, file_name: &str, rig: &Rig, starter_index: usize) -> Result<Self, Problems> {
        let document = Document::parse(text, file_name)?;
        let root = document.root();
        let mut reading = Reading::new(rig, starter_index);
        let [id, name, about] = head(&root);
        if rig.starters.get(starter_index).is_none() {
            let allowed = format!("0 to {}", rig.starters.len().saturating_sub(1));
            document.note(&root.here(), format!("starter number {starter_index}"), allowed, None);
        }
        let steps = root.tables("step");
        if steps.is_empty() {
            root.note("step", "no step", "at least one [[step]]", None);
        }
        reading.steps(steps);
        reading.end(&root);
        root.close();
        let problems = document.finish();
        if !problems.0.is_empty() {
            return Err(problems);
        }
        Ok(Self {
            id,
            name,
            about,
            file_name: file_name.to_owned(),
            text: text.to_owned(),
            text_sha256: hex::encode(Sha256::digest(text.as_bytes())),
            starter: starter_index,
            rules: Rules::of(rig),
            cycles: reading.cycles,
            program: reading.program,
        })
    }

    /// Starters that the program starts, rising, each once.
    pub fn starters_used(&self) -> Vec<usize> {
        let mut used: Vec<_> = self
            .program
            .iter()
            .filter_map(|instruction| match &instruction.step {
                Step::Start(step) => Some(step.starter),
                _ => None,
            })
            .collect();
        used.sort_unstable();
        used.dedup();
        used
    }

    /// The same sequence from cycle `cycle` (from 1) on: what comes before the first start stays, since confirmations are
    /// given anew; cycles count from 1 again. `None`: it has no such cycle.
    #[must_use]
    pub fn from_cycle(&self, cycle: u32) -> Option<Self> {
        if cycle <= 1 {
            return (cycle == 1).then(|| self.clone());
        }
        if cycle > self.cycles {
            return None;
        }
        let dropped = cycle - 1;
        // What follows the stop of the cycle before belongs to the way to the next start.
        let last_of_dropped = self.program.iter().rposition(|instruction| {
            instruction.cycle == dropped
                && matches!(
                    instruction.step,
                    Step::Stop(_) | Step::Silence(_) | Step::Settle(_) | Step::Hold(_) | Step::Speed(_)
                )
        })?;
        let program = self
            .program
            .iter()
            .enumerate()
            .filter(|(index, instruction)| instruction.cycle == 0 || *index > last_of_dropped);
        let counted = |instruction: &Instruction| Instruction {
            cycle: instruction.cycle.saturating_sub(dropped),
            ..instruction.clone()
        };
        let program = program.map(|(_, instruction)| counted(instruction)).collect();
        Some(Self { program, cycles: self.cycles - dropped, ..self.clone() })
    }

    /// The first line-up that the program sets.
    pub fn first_line_up(&self) -> Option<usize> {
        self.line_up_steps().next()
    }

    /// Every line-up that the sequence goes through, in order; the rig's first where it names none.
    pub fn line_ups(&self) -> Vec<usize> {
        let all: Vec<usize> = self.line_up_steps().collect();
        if all.is_empty() { vec![0] } else { all }
    }

    fn line_up_steps(&self) -> impl Iterator<Item = usize> {
        self.program.iter().filter_map(|instruction| match &instruction.step {
            Step::LineUp(step) => Some(step.index),
            _ => None,
        })
    }
}

fn head(root: &Cursor<'_>) -> [String; 3] {
    let Some(table) = root.need_table("sequence") else { return Default::default() };
    let read = ["id", "name", "about"].map(|key| table.need_text(key).map(|text| text.text).unwrap_or_default());
    // It is the comparison that goes by it; here it is checked.
    let _checked = FirstCycle::read(&table);
    table.close();
    read
}

/// The words of `do`.
#[derive(Clone, Copy)]
enum Verb {
    Confirm,
    LineUp,
    Wait,
    Start,
    Hold,
    Speed,
    Stop,
    Silence,
    Settle,
    Repeat,
    Mark,
    Say,
    Ask,
}

const VERBS: [(&str, Verb); 13] = [
    ("confirm", Verb::Confirm),
    ("line-up", Verb::LineUp),
    ("wait", Verb::Wait),
    ("start", Verb::Start),
    ("hold", Verb::Hold),
    ("speed", Verb::Speed),
    ("stop", Verb::Stop),
    ("silence", Verb::Silence),
    ("settle", Verb::Settle),
    ("repeat", Verb::Repeat),
    ("mark", Verb::Mark),
    ("say", Verb::Say),
    ("ask", Verb::Ask),
];

/// The program as it grows, with what the order of steps depends on.
struct Reading<'r> {
    rig: &'r Rig,
    starter: usize,
    program: Vec<Instruction>,
    cycles: u32,
    lined_up: bool,
    running: Option<Running>,
    stopped: bool,
    silenced: bool,
}

/// What a start leaves to the steps after it.
#[derive(Clone, Copy)]
struct Running {
    starter: usize,
    ramp_up_s: f64,
    ramp_down_s: f64,
}

impl<'r> Reading<'r> {
    fn new(rig: &'r Rig, starter: usize) -> Self {
        Self {
            rig,
            starter,
            program: Vec::new(),
            cycles: 0,
            lined_up: false,
            running: None,
            stopped: false,
            silenced: false,
        }
    }

    fn steps(&mut self, tables: Vec<Cursor<'_>>) {
        for table in tables {
            if self.too_long(&table) {
                return;
            }
            if let Some(verb) = table.need_word("do", &VERBS) {
                self.step(&table, verb);
                table.close();
            }
        }
    }

    fn step(&mut self, table: &Cursor<'_>, verb: Verb) {
        let here = table.here();
        let notes = table.text("notes").map(|notes| notes.text);
        let step = match verb {
            Verb::Repeat => return self.repeat(table),
            Verb::Confirm => confirm::Confirm::read(table).map(Step::Confirm),
            Verb::LineUp => self.line_up(table, &here),
            Verb::Wait => wait::Wait::read(table, self.starter).map(Step::Wait),
            Verb::Start => self.start(table, &here),
            Verb::Hold => self.hold(table, &here),
            Verb::Speed => self.speed(table, &here),
            Verb::Stop => self.stop(table, &here),
            Verb::Silence => self.silence(table, &here),
            Verb::Settle => self.settle(table, &here),
            Verb::Mark => mark::Mark::read(table).map(Step::Mark),
            Verb::Say => say::Say::read(table).map(Step::Say),
            Verb::Ask => ask::Ask::read(table).map(Step::Ask),
        };
        if let Some(step) = step {
            self.program.push(Instruction { step, cycle: self.cycles, line: here.line, notes });
        }
    }

    /// Reads the nested steps as often as they are to run: the order rules see the program as it will be walked, and a
    /// problem found in every round is reported once.
    fn repeat(&mut self, table: &Cursor<'_>) {
        let Some((times, _)) = repeat::read(table) else { return };
        for _ in 0..times {
            self.steps(table.tables("step"));
            if self.too_long(table) {
                return;
            }
        }
    }

    fn too_long(&self, table: &Cursor<'_>) -> bool {
        let too_long = self.program.len() > LONGEST;
        if too_long {
            let found = format!("more than {LONGEST} steps when all repeats are written out");
            table.document().note(&table.here(), found, format!("at most {LONGEST}"), None);
        }
        too_long
    }

    fn line_up(&mut self, table: &Cursor<'_>, here: &Spot) -> Option<Step> {
        if self.running.is_some() {
            let found = "a line-up while the motor runs";
            table.document().note(here, found, "a line-up while the motor is stopped", None);
        }
        self.lined_up = true;
        line_up::LineUp::read(table, self.rig).map(Step::LineUp)
    }

    fn start(&mut self, table: &Cursor<'_>, here: &Spot) -> Option<Step> {
        let document = table.document();
        if self.running.is_some() {
            document.note(here, "a start while the motor runs", "a stop before it", None);
        }
        if !self.lined_up {
            document.note(here, "a start without a line-up", "a line-up step before it", None);
        }
        if self.silenced {
            document.note(here, "a start after a silence", "a run of its own: the starter's fault is latched", None);
        }
        self.cycles += 1;
        self.stopped = false;
        let step = start::Start::read(table, self.rig, self.starter);
        let settings = step.as_ref().map(|step| step.settings).unwrap_or_default();
        self.running = Some(Running {
            starter: step.as_ref().map_or(self.starter, |step| step.starter),
            ramp_up_s: settings.ramp_up_s.unwrap_or(0.0),
            ramp_down_s: settings.ramp_down_s.unwrap_or(0.0),
        });
        step.map(Step::Start)
    }

    fn hold(&mut self, table: &Cursor<'_>, here: &Spot) -> Option<Step> {
        let running = self.needs_running(table, here, "a hold");
        let opening_s = self.rig.control_valve.as_ref().map_or(0.0, |valve| valve.spec.open_s());
        hold::Hold::read(table, running.starter, (running.ramp_up_s, opening_s), self.rig).map(Step::Hold)
    }

    fn speed(&mut self, table: &Cursor<'_>, here: &Spot) -> Option<Step> {
        let running = self.needs_running(table, here, "a change of speed");
        speed::Speed::read(table, running.starter, self.rig).map(Step::Speed)
    }

    fn stop(&mut self, table: &Cursor<'_>, here: &Spot) -> Option<Step> {
        let running = self.needs_running(table, here, "a stop");
        self.running = None;
        self.stopped = true;
        let ordinary = self.rig.starters.get(running.starter)?.stop;
        let ramp_s = self.rig.ramp_stop_s(running.ramp_down_s);
        Some(Step::Stop(stop::Stop::read(table, running.starter, ordinary, ramp_s)))
    }

    fn silence(&mut self, table: &Cursor<'_>, here: &Spot) -> Option<Step> {
        let running = self.needs_running(table, here, "a silence");
        self.running = None;
        (self.stopped, self.silenced) = (true, true);
        let starter = self.rig.starters.get(running.starter)?;
        let ramp_s = self.rig.ramp_stop_s(running.ramp_down_s);
        Some(Step::Silence(silence::Silence { starter: running.starter, timer_s: starter.comm_timeout_s, ramp_s }))
    }

    fn settle(&mut self, table: &Cursor<'_>, here: &Spot) -> Option<Step> {
        if !self.stopped {
            table.document().note(here, "a settle without a stop", "a stop step before it", None);
        }
        settle::Settle::read(table).map(Step::Settle)
    }

    fn needs_running(&self, table: &Cursor<'_>, here: &Spot, what: &str) -> Running {
        if self.running.is_none() {
            let found = format!("{what} while the motor is stopped");
            table.document().note(here, found, "a start step before it", None);
        }
        self.running.unwrap_or(Running { starter: self.starter, ramp_up_s: 0.0, ramp_down_s: 0.0 })
    }

    fn end(&self, root: &Cursor<'_>) {
        if self.running.is_some() {
            root.note("step", "an end with the motor running", "a stop step after the last start", None);
        }
    }
}
