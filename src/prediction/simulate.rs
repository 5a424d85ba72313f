//! The run, computed: the sequence machine of the real run, driven by a simulated plant.

mod assumed;

use super::beside::Beside;
use super::events::{Observer, PumpState};
use super::held::HeldLooks;
use super::loss::{SteadyRunning, SuddenStop, emergency_stop, loss_of_supply, released_later, start_words};
use super::reach::Follow;
use super::replay::{Order, Record};
use super::sensors::{PIECE_S, Sensors};
use super::start_heat::StartHeat;
use super::strokes::Strokes;
use super::{MadeWith, Prediction, Segment, Separation, warnings};
use crate::hydraulics::HydraulicsError;
use crate::hydraulics::plant::Plant;
use crate::hydraulics::spec::{GridOptions, Place};
use crate::rig::derived::{fast_setting, slow_setting, useful_speeds_of};
use crate::rig::model::{Condition, Quantity, Rig};
use crate::rig::register_map::Role;
use crate::sequence::duty::{DutyLedger, MOTOR};
use crate::sequence::interlock::Ending;
use crate::sequence::machine::{Command, State, advance};
use crate::sequence::marks::{Mark, MarkKind, Phase};
use crate::sequence::observations::{BenchFacts, Observations, OrderMoment, StarterFacts};
use crate::sequence::script::Script;
use crate::sequence::step::Step;
use crate::sequence::step::held::Held;
use crate::sequence::step::hold::Hold;
use crate::sequence::stopping::LEAST_POLLS;
use crate::starters::ControlValve;
use crate::starters::StopKind;
use crate::starters::drive_train::{DriveTrain, StarterError};
use crate::starters::heating::Heat;
use crate::starters::set_point::{Controlled, SetPointControl};

/// What is kept before each mark, s.
pub const LEAD_IN_S: f64 = 0.5;
/// Segments are stored at about this rate, Hz (every so-many-th plant step).
pub const STORED_HZ: f64 = 2000.0;
/// A predicted run that takes longer than this never ends, s.
pub const LONGEST_S: f64 = 3600.0;
/// Grid on which pipes take two steps for one of everything else.
pub(super) const HALF_GRID: &str = "half grid";
/// A run-up is timed to this share of rated speed.
const RUN_UP_SHARE: f64 = 0.9;
/// Below this movement of every pressure in one second the water stands still: a wait then passes without computing, Pa.
const STILL_PA: f64 = 20.0;

/// Why no prediction can be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PredictionError {
    /// The hydraulic model refuses or fails.
    #[error(transparent)]
    Hydraulics(#[from] HydraulicsError),
    /// The motor or a starter refuses.
    #[error(transparent)]
    Starters(#[from] StarterError),
    /// The script was read for another starter.
    #[error("the sequence was read for starter {script}, the prediction is asked for starter {asked}")]
    OtherStarter {
        /// Of the script.
        script: usize,
        /// Asked for.
        asked: usize,
    },
    /// The predicted run ends early.
    #[error("by the prediction the run ends after {at_s:.2} s: {reason}")]
    EndsEarly {
        /// When, s since its beginning.
        at_s: f64,
        /// Why.
        reason: String,
    },
    /// The predicted run does not end.
    #[error("by the prediction the run is not over after {LONGEST_S} s")]
    NeverEnds,
}

/// A run played through beforehand.
#[derive(Debug, Clone)]
pub struct Rehearsal {
    /// What the channels will show.
    pub prediction: Prediction,
    /// Marks, s since the beginning of the run.
    pub marks: Vec<Mark>,
    /// Rig time the run takes, s, people's answers not counted.
    pub duration_s: f64,
    /// What it did, for the band's members to do again.
    pub record: Record,
}

/// Predicts the run of `script` through starter `starter_index` of `rig`.
///
/// Drives the same machine as the executor. Confirmations and line-ups take no time; statuses are seen at once; the duty
/// ledger starts rested. Channels pass through their own second-order response and their range. Reads nothing but the rig
/// and the script: no link, no sample, nothing of a virtual rig.
///
/// Errors: the models refuse the rig; the predicted run ends early (an interlock or a time-out of the script) or never.
pub fn predict(rig: &Rig, script: &Script, starter_index: usize) -> Result<Prediction, PredictionError> {
    rehearse(rig, script, starter_index).map(|rehearsal| rehearsal.prediction)
}

/// As [`predict`], with the marks and how long the run takes.
pub fn rehearse(rig: &Rig, script: &Script, starter_index: usize) -> Result<Rehearsal, PredictionError> {
    if script.starter != starter_index {
        return Err(PredictionError::OtherStarter { script: script.starter, asked: starter_index });
    }
    let mut simulation = Simulation::new(rig, script)?;
    simulation.beside = Beside::new(rig);
    simulation.reach = Follow::new(rig);
    simulation.run()?;
    let (marks, duration_s, record) = (simulation.marks.clone(), simulation.now_s(), simulation.record());
    Ok(Rehearsal { prediction: simulation.prediction(), marks, duration_s, record })
}

/// The segments of one run, without what is computed beside it.
///
/// `ramp_share`: the starters' ramps take this much of the time that the script sets.
pub(super) fn member(rig: &Rig, script: &Script, ramp_share: f64) -> Result<Vec<Segment>, PredictionError> {
    let mut simulation = Simulation { ramp_share, ..Simulation::new(rig, script)? };
    simulation.run()?;
    Ok(simulation.segments())
}

struct Simulation<'a> {
    rig: &'a Rig,
    script: &'a Script,
    plant: Plant<DriveTrain>,
    sensors: Sensors,
    state: State,
    seen: Observations,
    ledger: DutyLedger,
    steps: u64,
    every: u64,
    log: Vec<Vec<f32>>,
    flow_m3_s: Vec<f32>,
    /// Nothing for a member of a band.
    beside: Beside,
    /// Line-ups that are not as they state, and what else is assumed of steps, in words.
    notes: Vec<String>,
    /// Drives set to speeds of no use, in words.
    speeds: Vec<String>,
    /// First order to start, and the time from there to nine tenths of rated speed, s.
    run_up: (Option<f64>, Option<f64>),
    start_heat: StartHeat,
    strokes: Strokes,
    held: HeldLooks,
    marks: Vec<Mark>,
    /// The drive's own controller while it runs: starter and controller.
    control: Option<(usize, SetPointControl)>,
    /// Heat of the motor begun cold and begun hot, and when it last stopped, s.
    heat: Option<([Heat; 2], f64)>,
    /// Hottest of both, share of the limit.
    hottest: [f64; 2],
    observer: Observer,
    separation: Separation,
    /// Nothing for a member of a band.
    reach: Follow,
    grid: GridOptions,
    line_up: usize,
    /// How it ran at the first stop.
    first_stop: Option<SteadyRunning>,
    /// Fastest the shaft has turned, rad/s.
    fastest_rad_s: f64,
    ramp_share: f64,
    /// Plant steps taken: still water is not computed.
    plant_steps: u64,
    record: Record,
}

impl<'a> Simulation<'a> {
    fn new(rig: &'a Rig, script: &'a Script) -> Result<Self, PredictionError> {
        let (network, shaft, starters) = rig.plant_parts_for(&script.line_ups());
        let driver = rig.with_control_valve(DriveTrain::new(rig.motor, starters)?)?;
        let grid = rig.grid();
        let mut plant = match rig.lines_at_start(script.first_line_up().unwrap_or(0)) {
            Some(lines) => Plant::with_lines(&network, &shaft, driver, &grid, &lines)?,
            None => Plant::new(&network, &shaft, driver, &grid)?,
        };
        plant.let_fall(&rig.falls);
        let first = rig.line_ups.get(script.first_line_up().unwrap_or(0));
        let every = (1.0 / (STORED_HZ * plant.dt_s())).round().max(1.0) as u64;
        Ok(Self {
            sensors: Sensors::at_rest(rig, &plant),
            state: State::at_start(0.0),
            seen: simulated_facts(rig),
            ledger: DutyLedger::rested(),
            steps: 0,
            every,
            log: vec![Vec::new(); rig.channels.len()],
            flow_m3_s: Vec::new(),
            beside: Beside::default(),
            notes: Vec::new(),
            speeds: Vec::new(),
            run_up: (None, None),
            start_heat: StartHeat::default(),
            strokes: Strokes::standing(first.map_or(&[], |line_up| &line_up.valves)),
            held: HeldLooks::default(),
            marks: Vec::new(),
            control: None,
            heat: rig.motor_starts.map(|rating| ([rating.cold(), rating.hot()], 0.0)),
            hottest: [0.0; 2],
            observer: Observer::default(),
            separation: Separation::default(),
            reach: Follow::default(),
            grid,
            line_up: script.first_line_up().unwrap_or(0),
            first_stop: None,
            fastest_rad_s: 0.0,
            ramp_share: 1.0,
            plant_steps: 0,
            record: Record { every, ..Record::default() },
            rig,
            script,
            plant,
        })
    }

    fn now_s(&self) -> f64 {
        self.steps as f64 * self.plant.dt_s()
    }

    fn run(&mut self) -> Result<(), PredictionError> {
        let steps_a_piece = (PIECE_S / self.plant.dt_s()).round().max(1.0) as u64;
        while self.now_s() < LONGEST_S {
            let still = self.stands_still();
            for _ in 0..steps_a_piece {
                self.step(still)?;
            }
            self.sensors.end_piece();
            self.turn()?;
            match self.state.ending.take() {
                None => {}
                Some(Ending::Done) => return Ok(()),
                Some(Ending::Abort { reason, .. } | Ending::TakenOver { reason } | Ending::OnAgain { reason, .. }) => {
                    return Err(PredictionError::EndsEarly { at_s: self.now_s(), reason });
                }
            }
        }
        Err(PredictionError::NeverEnds)
    }

    /// One plant step into the log; while the water stands still, the same values again.
    fn step(&mut self, still: bool) -> Result<(), PredictionError> {
        if !still {
            self.control()?;
            for (element, opening) in self.strokes.at(self.now_s() + self.plant.dt_s()) {
                self.plant.set_opening(element, opening)?;
            }
            self.plant.advance()?;
            self.plant_steps += 1;
            self.sensors.read(&self.plant);
            self.separation.follow(&self.plant);
            self.reach.look(&self.plant);
            let now = PumpState {
                now_s: self.now_s() + self.plant.dt_s(),
                flow_m3_s: self.plant.pump_flow_m3_s(),
                speed_rad_s: self.plant.speed_rad_s(),
                driven: self.plant.driver().outputs_on() != 0,
            };
            self.fastest_rad_s = self.fastest_rad_s.max(now.speed_rad_s);
            self.follow_run_up(now);
            self.start_heat.follow(self.rig, &self.plant);
            self.observer.look(self.rig, now);
            if let Some(valve) = self.plant.driver().control_valve() {
                self.observer.look_at_valve(self.rig, now.now_s, valve);
            }
        }
        self.steps += 1;
        if self.steps.is_multiple_of(self.every) {
            for (series, value) in self.log.iter_mut().zip(&self.sensors.newest) {
                series.push(*value as f32);
            }
            self.flow_m3_s.push(self.plant.pump_flow_m3_s() as f32);
            self.beside.take(&self.plant);
            self.record.levels.push(self.plant_steps);
        }
        Ok(())
    }

    fn follow_run_up(&mut self, now: PumpState) {
        let (Some(from_s), None) = self.run_up else { return };
        if self.plant.rated_speed_rad_s().is_some_and(|rated_rad_s| now.speed_rad_s > RUN_UP_SHARE * rated_rad_s) {
            self.run_up.1 = Some(now.now_s - from_s);
        }
    }

    /// The drive's own controller has its look before every step.
    fn control(&mut self) -> Result<(), PredictionError> {
        let now_s = self.now_s();
        let Some((starter, control)) = &mut self.control else { return Ok(()) };
        let value = controlled(&self.plant, self.rig, control.controlled());
        if let Some(speed) = control.look(now_s, value) {
            self.plant.driver_mut().set_speed(*starter, speed)?;
        }
        Ok(())
    }

    /// A start heats the rotor; between a stop and the next start it cools.
    fn heat_by_start(&mut self, now_s: f64) {
        if let Some((heat, stopped_s)) = &mut self.heat {
            for (heat, hottest) in heat.iter_mut().zip(&mut self.hottest) {
                heat.cool((now_s - *stopped_s).max(0.0));
                heat.start();
                *hottest = hottest.max(heat.theta);
            }
            *stopped_s = now_s;
        }
    }

    fn stands_still(&self) -> bool {
        let pressures = &self.script.rules.pressure_channels;
        self.state.energised.is_none()
            && self.plant.driver().outputs_on() == 0
            && !self.strokes.move_on()
            && !self.plant.front_moves()
            && !self.plant.driver().control_valve().is_some_and(ControlValve::moves)
            && !self.plant.other_pumps_turn()
            && self.plant.speed_rad_s().abs() < 1e-3 * self.rig.rest_speed_rad_s
            && pressures
                .iter()
                .all(|&channel| self.seen.span_1s.get(channel).is_some_and(|span_pa| *span_pa < STILL_PA))
    }

    fn turn(&mut self) -> Result<(), PredictionError> {
        let now_s = self.now_s();
        self.look(now_s);
        let turn = advance(self.script, self.state.clone(), &self.seen, now_s);
        self.state = turn.state;
        let skipped_s = now_s - self.plant.time_s();
        self.observer.take(self.rig, self.plant.take_events(), skipped_s);
        for mark in &turn.marks {
            match mark.kind {
                MarkKind::Start { cycle } => self.observer.mark(cycle, Phase::Start, mark.at_s),
                MarkKind::Stop { cycle } => self.observer.mark(cycle, Phase::Stop, mark.at_s),
                _ => {}
            }
        }
        self.marks.extend(turn.marks);
        for command in turn.commands {
            self.carry_out(command, now_s)?;
        }
        Ok(())
    }

    fn look(&mut self, now_s: f64) {
        self.seen.mean = self.sensors.means();
        self.seen.span_1s = self.sensors.spans();
        let current_a = self.plant.current_a();
        for (index, facts) in self.seen.starters.iter_mut().enumerate() {
            let running = self.plant.driver().is_running(index);
            facts.running = Some(running);
            facts.at_speed = Some(self.plant.driver().at_speed(index));
            facts.current_a = Some(if running { current_a } else { 0.0 });
        }
        self.ledger.pass_to(now_s);
        let motor_s = self.ledger.wait_s(MOTOR, self.rig.motor_duty);
        for (index, starter) in self.rig.starters.iter().enumerate() {
            self.seen.duty_wait_s[index] = self.ledger.wait_s(&starter.id, starter.duty).max(motor_s);
        }
    }

    fn carry_out(&mut self, command: Command, now_s: f64) -> Result<(), PredictionError> {
        match command {
            Command::Ask { id, .. } | Command::Wonder { id, .. } => {
                self.seen.answers.insert(id);
            }
            Command::LinedUp { line_up } => self.line_up(line_up)?,
            Command::SelectTransfer { position } => set(&mut self.seen, Role::TransferPosition, position),
            Command::Start { starter, mut settings } => {
                let ramps = [&mut settings.ramp_up_s, &mut settings.ramp_down_s];
                ramps.into_iter().flatten().for_each(|ramp_s| *ramp_s *= self.ramp_share);
                self.record.orders.push((self.plant.time_s(), Order::Start { starter, settings }));
                self.plant.driver_mut().start(starter, settings)?;
                self.note_speed(starter, settings.speed);
                self.run_up.0 = self.run_up.0.or(Some(now_s));
                self.start_heat.begin(starter);
                let panel = self.rig.starters.get(starter).and_then(|starter| starter.panel.set_point);
                if panel.is_some() {
                    self.record.more = Some("a controller holds a value of the water");
                }
                self.control = panel.map(|panel| {
                    let value = controlled(&self.plant, self.rig, panel.controlled);
                    (starter, SetPointControl::new(panel, now_s, value))
                });
                self.heat_by_start(now_s);
                self.ledger.started(MOTOR);
                self.ledger.started(&self.script.rules.id(starter));
                self.ordered(now_s);
            }
            Command::SetSpeed { starter, speed } => {
                self.record.more = Some("the program sets the speed while it runs");
                self.note_held();
                self.plant.driver_mut().set_speed(starter, speed)?;
            }
            Command::Stop { starter, kind, .. } => self.stop(starter, kind, now_s)?,
            // What the starter does by itself is not known beforehand: taken as coasting, at once.
            Command::Silence { starter } => {
                let line = "the starter's own action without a heartbeat is taken as coasting, at once".to_owned();
                self.notes.push(line);
                self.stop(starter, StopKind::Coast, now_s)?;
            }
            Command::Primed { .. } | Command::NotPrimed => {}
            Command::Outcome { .. } => {
                self.ledger.stopped(MOTOR);
                self.rig.starters.iter().for_each(|starter| self.ledger.stopped(&starter.id));
            }
            Command::Say { .. } | Command::Note { .. } | Command::Proven { .. } => {}
        }
        Ok(())
    }

    fn stop(&mut self, starter: usize, kind: StopKind, now_s: f64) -> Result<(), PredictionError> {
        self.control = None;
        let running = SteadyRunning {
            line_up: self.line_up,
            speed_rad_s: self.plant.speed_rad_s(),
            starter,
            current_a: self.plant.current_a(),
            flow_m3_s: self.plant.pump_flow_m3_s(),
            prime_share: self.plant.prime_share(),
        };
        self.first_stop = self.first_stop.or(Some(running));
        self.record.orders.push((self.plant.time_s(), Order::Stop { starter, kind }));
        self.plant.driver_mut().stop(starter, kind)?;
        if let Some((_, stopped_s)) = &mut self.heat {
            *stopped_s = now_s;
        }
        self.ordered(now_s);
        Ok(())
    }

    /// A start that sets a speed which does not beat the static head, or is beyond what motor and parts stand.
    fn note_speed(&mut self, starter: usize, speed: Option<f64>) {
        let set = speed.filter(|_| self.rig.starters.get(starter).is_some_and(|s| s.panel.set_point.is_none()));
        let Some((speed, (speeds, static_m))) = set.zip(useful_speeds_of(self.rig, self.line_up)) else { return };
        let slow = slow_setting(self.rig, &speeds, static_m, speed);
        for words in slow.into_iter().chain(fast_setting(self.rig, &speeds, speed)) {
            let line = format!("set speed {words}");
            if !self.speeds.contains(&line) {
                self.speeds.push(line);
            }
        }
    }

    /// The program's controller has ticked.
    fn note_held(&mut self) {
        let at = self.state.at;
        if let Some(Step::Hold(Hold { held: Some(Held::Program { channel, .. }), .. })) =
            self.script.program.get(at).map(|instruction| &instruction.step)
        {
            self.held.tick(at, self.seen.mean_of(*channel));
        }
    }

    fn ordered(&mut self, now_s: f64) {
        self.seen.latest_order = Some(OrderMoment { instruction: self.state.at, at_s: now_s, u_s: 0.0 });
    }

    fn line_up(&mut self, line_up: usize) -> Result<(), PredictionError> {
        let anew = line_up != self.line_up;
        if anew {
            self.record.more = Some("valves are set anew");
        }
        self.line_up = line_up;
        let Some(line_up) = self.rig.line_ups.get(line_up) else { return Ok(()) };
        let now_s = self.now_s();
        for valve in &line_up.valves {
            if let Some(opening) = self.strokes.order(self.rig, *valve, now_s) {
                self.plant.set_opening(valve.0, opening)?;
            }
        }
        for (element, running_rad_s) in &line_up.other_pumps {
            self.plant.run_other_pump(*element, *running_rad_s)?;
        }
        let drained = line_up.lines.is_some_and(|lines| lines.discharge_drained);
        let left_full = drained && !self.plant.empty_discharge();
        if left_full || (anew && !line_up.levels.is_empty()) {
            let line = format!(
                "line-up {}: lines and levels are taken as the run before it left them, not as it states them",
                line_up.id
            );
            if !self.notes.contains(&line) {
                self.notes.push(line);
            }
        }
        Ok(())
    }

    fn prediction(self) -> Prediction {
        let mut assumptions = self.assumptions();
        let mut warnings = warnings::of(self.rig, self.script, self.plant.dt_s(), self.run_up.1, &self.speeds);
        warnings.extend(self.start_heat.warnings(self.rig, self.now_s()));
        warnings.extend(self.held.warnings(self.rig, self.script));
        warnings.extend(self.why_not_primed());
        if self.first_stop.is_none() {
            assumptions.push("the sequence has no stop: loss of supply and emergency stop are not computed".to_owned());
        }
        let (loss_of_supply, emergency_stop) = self.sudden_stops(&mut warnings);
        let mut prediction = Prediction {
            channels: self.rig.channels.iter().map(|channel| channel.id.clone()).collect(),
            beside: self.beside.names(),
            segments: self.segments(),
            made_with: MadeWith {
                version: env!("CARGO_PKG_VERSION").to_owned(),
                rig_sha256: self.rig.text_sha256.clone(),
                sequence_sha256: self.script.text_sha256.clone(),
                starter: self.script.rules.id(self.script.starter),
                solver: self.solver_words(),
                dt_s: self.plant.dt_s(),
                cells: self.plant.cells(),
                wave_speed_adjustment: self.plant.wave_speed_adjustment(),
            },
            assumptions,
            warnings,
            loss_of_supply,
            emergency_stop,
            events: self.observer.events,
            separation: self.separation.met(),
            reach: self.reach.ends(),
            band: None,
            sha256: String::new(),
        };
        prediction.sha256 = prediction.digest();
        prediction
    }

    fn record(&self) -> Record {
        let spans = self.phases().into_iter().map(|(_, _, times_s)| self.span(times_s)).collect();
        let air = self.rig.lines_at_start(self.script.first_line_up().unwrap_or(0)).is_some();
        let more = match self.record.more {
            _ if air => Some("air is in the lines"),
            _ if self.rig.control_valve.is_some() => Some("a control valve moves with the starter"),
            more => more,
        };
        Record { spans, more, until_s: self.plant.time_s(), ..self.record.clone() }
    }

    /// Each phase from its mark, with the lead-in before it, to the mark that ends it.
    fn segments(&self) -> Vec<Segment> {
        self.phases().into_iter().map(|(cycle, phase, times_s)| self.segment(cycle, phase, times_s)).collect()
    }

    /// Cycle, phase, and its mark and end, s.
    fn phases(&self) -> Vec<(u32, Phase, (f64, f64))> {
        let mut phases = Vec::new();
        for (index, mark) in self.marks.iter().enumerate() {
            let (cycle, phase) = match mark.kind {
                MarkKind::Start { cycle } => (cycle, Phase::Start),
                MarkKind::Stop { cycle } => (cycle, Phase::Stop),
                _ => continue,
            };
            let ends = |later: &&Mark| match (phase, &later.kind) {
                (Phase::Start, MarkKind::Stop { .. }) => true,
                (Phase::Stop, kind) => {
                    matches!(kind, MarkKind::Settled { .. } | MarkKind::NotSettled { .. } | MarkKind::Start { .. })
                }
                (Phase::Start, _) => false,
            };
            let end_s = self.marks[index + 1..].iter().find(ends).map_or(self.now_s(), |later| later.at_s);
            phases.push((cycle, phase, (mark.at_s, end_s)));
        }
        phases
    }

    /// First and last sample of a segment.
    fn span(&self, (mark_s, end_s): (f64, f64)) -> (usize, usize) {
        let dt_s = self.every as f64 * self.plant.dt_s();
        // sample k of the log stands at (k + 1) dt
        let index = |time_s: f64| ((time_s / dt_s).round() as usize).saturating_sub(1);
        let first = index((mark_s - LEAD_IN_S).max(dt_s));
        (first, index(end_s).min(self.flow_m3_s.len().saturating_sub(1)))
    }

    fn segment(&self, cycle: u32, phase: Phase, (mark_s, end_s): (f64, f64)) -> Segment {
        let dt_s = self.every as f64 * self.plant.dt_s();
        let (first, last) = self.span((mark_s, end_s));
        Segment {
            cycle,
            phase,
            t0_s: (first + 1) as f64 * dt_s - mark_s,
            dt_s,
            series: self.log.iter().map(|series| series[first..=last].to_vec()).collect(),
            flow_m3_s: self.flow_m3_s[first..=last].to_vec(),
            beside: self.beside.log.iter().map(|series| series[first..=last].to_vec()).collect(),
        }
    }

    /// What the water does when the supply goes in steady running, and at an emergency stop; without a stop in the script
    /// there is no running to begin from.
    fn sudden_stops(&self, warnings: &mut Vec<String>) -> (Option<SuddenStop>, Option<SuddenStop>) {
        let Some(running) = self.first_stop else { return (None, None) };
        let mut told = |what: &str, made: Result<SuddenStop, PredictionError>| {
            made.map_err(|why| warnings.push(format!("{what} could not be computed: {why}"))).ok()
        };
        let loss = told("loss of supply", loss_of_supply(self.rig, running, &self.grid));
        let as_loss = loss.as_ref().and_then(|loss| released_later(self.rig, running, loss));
        let emergency = as_loss.or_else(|| told("emergency stop", emergency_stop(self.rig, running, &self.grid)));
        warnings.extend(loss.as_ref().or(emergency.as_ref()).and_then(|stop| start_words(self.rig, running, stop)));
        (loss, emergency)
    }
}

/// The value that a drive's own controller holds, as the plant has it.
fn controlled(plant: &Plant<DriveTrain>, rig: &Rig, controlled: Controlled) -> f64 {
    let elevation_m = |node: usize| rig.network.nodes.get(node).map_or(0.0, |node| node.elevation_m);
    match controlled {
        Controlled::Pressure { node } => plant.gauge_pa(Place::Node(node), elevation_m(node)),
        Controlled::Flow => plant.pump_flow_m3_s(),
        Controlled::Level { node } => plant.head_m(Place::Node(node)),
        Controlled::Channel { channel } => {
            let read = rig.channels.get(channel).and_then(|channel| Some((channel, channel.place?)));
            read.map_or(f64::NAN, |(channel, place)| match channel.quantity {
                Quantity::Flow => plant.flow_m3_s(place),
                _ => plant.gauge_pa(place, channel.diaphragm_elevation_m),
            })
        }
    }
}

/// Everything well, as the interlocks want it, except what the plant itself says.
fn simulated_facts(rig: &Rig) -> Observations {
    let starter =
        StarterFacts { link_up: true, polls_since_order: LEAST_POLLS, fault: Some(0), ..StarterFacts::default() };
    let mut seen = Observations {
        attended: true,
        prediction_stored: true,
        stream_alive: true,
        shaft_turned: true,
        starters: vec![starter; rig.starters.len()],
        bench: Some(BenchFacts { link_up: true, values: Vec::new() }),
        foretold: true,
        ..Observations::unknown(rig)
    };
    set(&mut seen, Role::Remote, 1);
    set(&mut seen, Role::EmergencyStopOk, 1);
    set(&mut seen, Role::TransferPosition, 0);
    for permissive in &rig.permissives {
        if let Condition::FieldIs { role, value } = &permissive.condition
            && let Some(role) = Role::from_name(role)
        {
            set(&mut seen, role, *value);
        }
    }
    seen
}

fn set(seen: &mut Observations, role: Role, value: u16) {
    let Some(bench) = &mut seen.bench else { return };
    bench.values.retain(|(known, _)| *known != role);
    bench.values.push((role, value));
}
