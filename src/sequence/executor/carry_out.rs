//! Carrying out what the machine wants.

use super::look::difference;
use super::prepare::refused;
use super::{Abort, Run};
use crate::clock::{uptime, utc_now_rfc3339};
use crate::rig::model::{Trip, TripCause};
use crate::sequence::duty::MOTOR;
use crate::sequence::interlock::{LineUpRules, in_words, start_blockers};
use crate::sequence::link_proof::{LinkProof, LinkProofs};
use crate::sequence::machine::Command;
use crate::sequence::observations::OrderMoment;
use crate::sequence::ports::{ArmedTrip, CommandRecord, Level, OperatorOrder, StarterOrder, StopOutcome};
use crate::starters::{Settings, StopKind};
use std::sync::Arc;

/// Set speeds that differ by less are not written again, share of rated frequency.
const SPEED_STEP: f64 = 5e-4;

/// What a pump leaves behind that ran without water (common practice, no source).
const HOT_CASING: &str = "the pump ran without water: its casing may be hot and the water in it steam. Open no fill plug before it \
                          is cold and without pressure, as the pump's maker says";

impl Run<'_> {
    pub(super) fn carry_out(&mut self, command: Command) -> Result<(), Abort> {
        match command {
            Command::Ask { id, text } => self.ask(id, &text),
            Command::Wonder { id, text } => self.wonder(id, &text),
            Command::Say { text } => {
                self.input.operator.say(&text);
                self.event(Level::Note, text);
            }
            Command::Note { level, text } => self.event(level, text),
            Command::LinedUp { line_up } => self.line_up(line_up)?,
            Command::SelectTransfer { position } => self.select(position)?,
            Command::Start { starter, settings } => self.start(starter, &settings)?,
            Command::SetSpeed { starter, speed } => self.set_speed(starter, speed)?,
            Command::Stop { starter, kind, cause } => self.stop(starter, kind, &cause),
            Command::Silence { starter } => self.silence(starter),
            Command::Proven { starter } => self.note_proof(starter),
            Command::Primed { after_s } => {
                self.duty(|ledger| ledger.primed(MOTOR));
                self.event(Level::Note, format!("the pump is primed, {after_s:.1} s after the start"));
            }
            Command::NotPrimed => {
                self.duty(|ledger| ledger.not_primed(MOTOR));
                self.event(Level::Danger, HOT_CASING);
            }
            Command::Outcome { cycle, outcome, evidence } => self.outcome(cycle, outcome, &evidence),
        }
        Ok(())
    }

    /// Asks a person, or takes the name given beforehand.
    pub(super) fn ask(&mut self, id: u32, text: &str) {
        if let Some(name) = self.input.confirmed_by.clone() {
            self.seen.answers.insert(id);
            self.event(Level::Note, format!("{text}: confirmed by {name}, given beforehand"));
            return;
        }
        self.ask_somebody(id, text);
    }

    /// Asks those who watch; where everything was confirmed beforehand nobody is there to guess.
    fn wonder(&mut self, id: u32, text: &str) {
        self.event(Level::Note, format!("asked those who watch: {text}"));
        if self.input.confirmed_by.is_some() {
            self.seen.answers.insert(id);
            return;
        }
        self.pending = Some(id);
        self.input.operator.wonder(id, text);
    }

    /// Asks a person, whatever was given beforehand.
    pub(super) fn ask_somebody(&mut self, id: u32, text: &str) {
        self.pending = Some(id);
        self.event(Level::Note, format!("asked: {text}"));
        self.input.operator.ask(id, text);
    }

    /// A person has confirmed a line-up. The valves of a virtual bench have nobody else to set them.
    fn line_up(&mut self, line_up: usize) -> Result<(), Abort> {
        let id = self.input.rig.line_ups.get(line_up).map(|line_up| line_up.id.clone()).unwrap_or_default();
        self.event(Level::Note, LineUpRules::confirmed(&id));
        if !self.is_virtual {
            return Ok(());
        }
        let at_s = self.now_s();
        let number = u16::try_from(line_up + 1).unwrap_or(u16::MAX);
        let told = self.input.bench.as_mut().map(|bench| bench.set_line_up(number));
        match told.transpose().map_err(|error| refused(&error))?.flatten() {
            Some(command) => self.record(|journal| journal.command(at_s, &command)),
            None if self.input.rig.line_ups.len() > 1 => {
                let text = "this virtual rig cannot be told of line-ups: its valves stand as it was started".to_owned();
                self.event(Level::Caution, text);
            }
            None => {}
        }
        Ok(())
    }

    fn select(&mut self, position: u16) -> Result<(), Abort> {
        let at_s = self.now_s();
        let Some(bench) = self.input.bench.as_mut() else {
            return Err(Abort::because("no bench unit to move the transfer device"));
        };
        let sent_wall_ns = self.input.wall.now_ns();
        let selected = bench.select(position);
        let command = selected.clone().unwrap_or_else(|error| CommandRecord {
            sent_wall_ns,
            answered_wall_ns: None,
            what: format!("transfer device to position {position}: {error}"),
            wrote: position,
            read_back: None,
        });
        self.record(|journal| journal.command(at_s, &command));
        selected.map(drop).map_err(|error| refused(&error))
    }

    fn start(&mut self, starter: usize, settings: &Settings) -> Result<(), Abort> {
        if self.devices[starter].in_force.is_none_or(|in_force| difference(settings, &in_force).is_some()) {
            self.apply(starter, settings)?;
        }
        self.start_for_nobody()?;
        self.check_presence(starter)?;
        self.warn_before_start(starter)?;
        self.duty(|ledger| {
            ledger.started(MOTOR);
            ledger.started(&self.input.script.rules.id(starter));
        });
        self.save_duty();
        self.orders.extend(self.input.operator.take_orders());
        if self.orders.iter().any(|order| matches!(order, OperatorOrder::Stop { .. } | OperatorOrder::Hurry)) {
            return Err(self.ordered_by_a_person().unwrap_or_else(|| Abort::because("stopped by a person")));
        }
        if let Some(abort) = self.record_lost() {
            return Err(abort);
        }
        self.arm_for_start(starter);
        let ordered = self.order_start(starter);
        self.sound(false)?;
        ordered
    }

    /// The warning output; false where there is none.
    fn sound(&mut self, on: bool) -> Result<bool, Abort> {
        let at_s = self.now_s();
        let told = self.input.bench.as_mut().map(|bench| bench.warn(on));
        let command = told.transpose().map_err(|error| refused(&error))?.flatten();
        if let Some(command) = &command {
            self.record(|journal| journal.command(at_s, command));
        }
        Ok(command.is_some())
    }

    /// Warns for as long as the rig file says; whatever forbids a start still does, and a person's stop ends it.
    fn warn_before_start(&mut self, starter: usize) -> Result<(), Abort> {
        if !self.sound(true)? {
            return Ok(());
        }
        let lead_s = self.input.rig.transfer.as_ref().map_or(0.0, |unit| unit.warn_lead_s);
        let until_ns = self.input.wall.now_ns() + (lead_s * 1e9) as u64;
        let mut against = None;
        while against.is_none() && self.input.wall.now_ns() < until_ns {
            self.look();
            self.state.watch.look(&self.seen, self.now_s());
            against = self.ordered_by_a_person().or_else(|| self.record_lost()).or_else(|| self.forbidden(starter));
        }
        if against.is_some() {
            self.sound(false)?;
        }
        against.map_or(Ok(()), Err)
    }

    pub(super) fn forbidden(&self, starter: usize) -> Option<Abort> {
        let rules = &self.input.script.rules;
        let blockers = start_blockers(rules, &self.seen, &self.state.watch, starter, self.now_s());
        (!blockers.is_empty()).then(|| Abort::because(format!("no start: {}", in_words(&blockers))))
    }

    /// A new set speed, written and read back, where it differs from what is in force.
    fn set_speed(&mut self, starter: usize, speed: f64) -> Result<(), Abort> {
        let in_force = self.devices[starter].in_force.unwrap_or_default();
        if in_force.speed.is_some_and(|now| (now - speed).abs() < SPEED_STEP) {
            return Ok(());
        }
        self.note_moving_speed(starter)?;
        let wanted = Settings { speed: Some(speed), ..in_force };
        let in_force = self.input.starters[starter].apply_settings(&wanted).map_err(|error| refused(&error))?;
        self.devices[starter].in_force = Some(in_force);
        let id = self.input.script.rules.id(starter);
        self.event(Level::Note, format!("{id}: set speed {:.1} % by the program's controller", 100.0 * speed));
        Ok(())
    }

    fn order_start(&mut self, starter: usize) -> Result<(), Abort> {
        self.started = true;
        self.seen.shaft_turned = false;
        (self.seen.line_current_dumb, self.seen.contact_dumb) = (false, false);
        self.order_leaves(starter);
        let facts = &mut self.seen.starters[starter];
        (facts.started, facts.current_dumb) = (true, false);
        let sent_s = self.now_s();
        let answer = self.input.starters[starter].order(StarterOrder::Start);
        self.bus_busy_ns = self.input.wall.now_ns();
        let answered_s = self.now_s();
        self.seen.latest_order = Some(self.moment(sent_s, answered_s));
        let command = answer.map_err(|error| refused(&error))?;
        self.record(|journal| journal.command(sent_s, &command));
        Ok(())
    }

    /// Middle of a bracket with its standard uncertainty: the bracket and the coarseness of the rig clock, both taken as
    /// evenly spread (GUM 4.3.7: half-width over the root of three).
    fn moment(&self, from_s: f64, to_s: f64) -> OrderMoment {
        let half_s = 0.5 * (to_s - from_s);
        let u_s = ((half_s * half_s + self.coarse_s * self.coarse_s) / 3.0).sqrt();
        OrderMoment { instruction: self.state.at, at_s: from_s + half_s, u_s }
    }

    /// A stop leaves at once; its record comes back through the line.
    pub(super) fn stop(&mut self, starter: usize, kind: StopKind, cause: &str) {
        let sent_s = self.now_s();
        self.devices[starter].line.stop(kind, cause);
        self.order_leaves(starter);
        self.seen.latest_order = Some(self.moment(sent_s, self.now_s()));
        self.arm_for_stop(starter);
    }

    /// The starter's own timer is to stop the motor: from here on nothing beats, and limits from below are no longer news.
    fn silence(&mut self, starter: usize) {
        self.event(Level::Notice, "the heartbeat is withheld: the starter must stop the motor by itself");
        self.seen.silenced = true;
        self.withhold_heartbeat();
        self.order_leaves(starter);
        self.arm_for_stop(starter);
    }

    /// The starter has stopped the motor by itself: proven for this session.
    fn note_proof(&mut self, starter: usize) {
        let Some(path) = self.input.link_proofs.clone() else { return };
        let timer_s = self.input.rig.starters.get(starter).map_or(f64::NAN, |starter| starter.comm_timeout_s);
        let proof = LinkProof { at_utc: utc_now_rfc3339(), at: uptime(), timer_s, is_virtual: self.is_virtual };
        let id = self.input.script.rules.id(starter);
        let noted = LinkProofs::load(&path).and_then(|mut proofs| {
            proofs.proven(&id, proof);
            proofs.save(&path)
        });
        match noted {
            Ok(()) => self.event(Level::Notice, format!("{id}: loss of communication is proven for this session")),
            Err(error) => self.event(Level::Caution, error.to_string()),
        }
    }

    pub(super) fn moment_of_stop(&self, from_s: f64, to_s: f64) -> OrderMoment {
        self.moment(from_s, to_s)
    }

    fn arm_for_start(&self, starter: usize) {
        self.arm(starter, |trip| Some(trip.blanking_s));
    }

    /// Once a stop is ordered, pressures fall: limits from below are no longer news, the others stay armed.
    fn arm_for_stop(&self, starter: usize) {
        self.arm(starter, |trip| trip.below.is_none().then_some(0.0));
    }

    /// `blanking_s` gives the time a trip is not looked at, or `None` to leave it unarmed.
    fn arm(&self, starter: usize, blanking_s: impl Fn(&Trip) -> Option<f64>) {
        let now_ns = self.input.rig_clock.now_ns();
        let line = &self.devices[starter].line;
        let armed = self
            .input
            .rig
            .trips
            .iter()
            .enumerate()
            .filter(|(_, trip)| matches!(trip.cause, TripCause::Limit | TripCause::StreamLost))
            .filter_map(|(index, trip)| blanking_s(trip).map(|blanking_s| (index, blanking_s)))
            .map(|(trip, blanking_s)| ArmedTrip {
                trip,
                from_rig_ns: now_ns + (blanking_s.max(0.0) * 1e9) as u64,
                stop_line: Arc::clone(line),
            })
            .collect();
        self.input.samples.arm(armed);
    }

    fn outcome(&mut self, cycle: u32, outcome: StopOutcome, evidence: &str) {
        if outcome == StopOutcome::NotConfirmed {
            return;
        }
        self.stop_is_over(cycle, outcome, evidence);
    }

    /// The stop of a cycle is over, for better or worse.
    pub(super) fn stop_is_over(&mut self, cycle: u32, outcome: StopOutcome, evidence: &str) {
        let level = match outcome {
            StopOutcome::Confirmed => Level::Note,
            StopOutcome::Inferred => Level::Caution,
            StopOutcome::NotConfirmed => Level::Danger,
        };
        self.event(level, format!("cycle {cycle}: {outcome} ({evidence})"));
        self.record(|journal| journal.stop_outcome(cycle, outcome));
        self.worst = self.worst.max(Some(outcome));
        self.input.samples.arm(Vec::new());
        if outcome != StopOutcome::NotConfirmed {
            let ids: Vec<_> = (0..self.devices.len()).map(|index| self.input.script.rules.id(index)).collect();
            self.duty(|ledger| {
                ledger.stopped(MOTOR);
                ids.iter().for_each(|id| ledger.stopped(id));
            });
            self.save_duty();
        }
    }

    pub(super) fn save_duty(&mut self) {
        let Some(path) = self.input.duty_file.clone() else { return };
        if let Err(error) = self.duty(|ledger| ledger.save(&path, &utc_now_rfc3339(), &uptime())) {
            self.event(Level::Caution, format!("duty ledger: {error}"));
        }
    }
}
