//! Before the machine: who is there, which devices are they, are they off, their settings, the record's beginning.

use super::look::difference;
use super::{Abort, FIRST_ANSWERS_NS, PRIMING_QUESTION, RESET_QUESTION, Run, SETTINGS_QUESTION, VIRTUAL_NAME};
use crate::clock::{uptime, utc_now_rfc3339};
use crate::rig::register_map::Role;
use crate::sequence::duty::MOTOR;
use crate::sequence::interlock::{at_local, emergency_stop_open};
use crate::sequence::left_settings::{Left, LeftSettings};
use crate::sequence::link_proof::LinkProofs;
use crate::sequence::ports::{Level, PortError, RunHeader, SettingsMoment, SettingsRecord, StarterOrder};
use crate::sequence::step::Step;
use crate::starters::Settings;

impl Run<'_> {
    pub(super) fn prepare(&mut self) -> Result<(), Abort> {
        self.check_attendance()?;
        self.identify()?;
        let now_s = self.now_s();
        self.duty(|ledger| ledger.resume(now_s, &uptime()));
        self.first_answers()?;
        self.check_bench()?;
        self.check_all_off()?;
        self.let_heartbeat_run();
        self.clear_runs()?;
        self.ask_after_tries_in_vain()?;
        for starter in self.input.script.starters_used() {
            self.clear_fault(starter)?;
            self.mend_left_settings(starter)?;
            self.apply_first_settings(starter)?;
        }
        self.begin_record()
    }

    fn check_attendance(&mut self) -> Result<(), Abort> {
        if self.input.attending.trim().is_empty() {
            return Err(Abort::because("no attending person is named; nothing was sent"));
        }
        if self.input.confirmed_by.as_ref().is_some_and(|name| name.trim().is_empty()) {
            return Err(Abort::because("the name given for all confirmations is empty; nothing was sent"));
        }
        if self.input.starters.len() != self.input.rig.starters.len() {
            let reason = format!("{} ports for {} starters", self.input.starters.len(), self.input.rig.starters.len());
            return Err(Abort::because(reason));
        }
        if self.input.rig.transfer.is_some() && self.input.bench.is_none() {
            return Err(Abort::because("the rig has a bench unit, but there is no port to it"));
        }
        self.seen.attended = true;
        Ok(())
    }

    /// Every device says who it is before anything is written to any.
    fn identify(&mut self) -> Result<(), Abort> {
        let mut all_virtual = true;
        for (port, device) in self.input.starters.iter_mut().zip(&mut self.devices) {
            let identity = port.identify().map_err(unidentified)?;
            all_virtual &= identity.is_virtual;
            device.identity = Some(identity);
        }
        if let Some(bench) = self.input.bench.as_mut() {
            all_virtual &= bench.identify().map_err(unidentified)?.is_virtual;
        }
        self.is_virtual = all_virtual && !self.devices.is_empty();
        let names = [Some(&self.input.attending), self.input.confirmed_by.as_ref()];
        if !self.is_virtual && names.into_iter().flatten().any(|name| name.trim() == VIRTUAL_NAME) {
            return Err(Abort::because("this rig does not say that it is virtual: a person's name is needed"));
        }
        Ok(())
    }

    /// Waits for samples, a status of every starter and the bench unit's values.
    fn first_answers(&mut self) -> Result<(), Abort> {
        let until_ns = self.input.wall.now_ns() + FIRST_ANSWERS_NS;
        loop {
            self.look_between()?;
            let missing = self.missing_answers();
            if missing.is_empty() {
                return Ok(());
            }
            if self.input.wall.now_ns() >= until_ns {
                return Err(Abort::because(format!("no answer within 5 s from: {}", missing.join(", "))));
            }
        }
    }

    fn missing_answers(&self) -> Vec<String> {
        let mut missing = Vec::new();
        if !self.seen.stream_alive {
            let why = self.view.lost.clone().unwrap_or_else(|| "no frame yet".to_owned());
            missing.push(format!("the sample stream ({why})"));
        }
        for (index, facts) in self.seen.starters.iter().enumerate() {
            if facts.running.is_none() {
                missing.push(self.input.script.rules.id(index));
            }
        }
        if self.seen.bench.as_ref().is_some_and(|bench| bench.values.is_empty()) {
            missing.push("the bench unit".to_owned());
        }
        missing
    }

    /// A look during which a person's stop, a failed record, a take-over or the emergency stop can end the run: a question
    /// may stay open for as long as a person takes.
    fn look_between(&mut self) -> Result<(), Abort> {
        self.look();
        match self.ordered_by_a_person().or_else(|| self.record_lost()).or_else(|| self.bench_changed()) {
            Some(abort) => Err(abort),
            None => Ok(()),
        }
    }

    /// What [`Run::check_bench`] found well is not so any more.
    fn bench_changed(&self) -> Option<Abort> {
        if !self.well {
            return None;
        }
        if let Some(reason) = self.taken_over_now() {
            return Some(Abort { taken_over: true, ..Abort::because(reason) });
        }
        let rules = &self.input.script.rules;
        emergency_stop_open(rules, &self.seen).then(|| Abort::because("the emergency-stop circuit opened"))
    }

    /// Not at remote means looking on: not even a heartbeat is written before this.
    fn check_bench(&mut self) -> Result<(), Abort> {
        let rules = &self.input.script.rules;
        let bench = self.seen.bench.as_ref();
        let remote = bench.and_then(|bench| bench.value(Role::Remote));
        if at_local(rules, &self.seen).is_some() || (rules.has_remote && remote != Some(1)) {
            return Err(Abort::because("the selector does not stand at remote: this run may only look on"));
        }
        if emergency_stop_open(rules, &self.seen) {
            return Err(Abort::because("the emergency-stop circuit is open: nothing was sent"));
        }
        Ok(())
    }

    fn check_all_off(&mut self) -> Result<(), Abort> {
        match self.seen.starters.iter().position(|facts| facts.running == Some(true)) {
            Some(index) => {
                let id = self.input.script.rules.id(index);
                Err(Abort::because(format!("{id} is on, and this run did not start it")))
            }
            None => Ok(()),
        }
    }

    /// No run order of an earlier session survives, at any starter of the rig: the first step of the restart inhibit.
    fn clear_runs(&mut self) -> Result<(), Abort> {
        for index in 0..self.devices.len() {
            let at_s = self.now_s();
            if let Some(command) = self.input.starters[index].clear_run().map_err(|error| refused(&error))? {
                self.event(
                    Level::Notice,
                    format!("{} still had a run order: taken back", self.input.script.rules.id(index)),
                );
                self.record(|journal| journal.command(at_s, &command));
            }
        }
        Ok(())
    }

    /// Restart inhibit: the run order is taken back (before); a latched fault is cleared once a person says so; the fresh
    /// start edge is the machine's.
    fn clear_fault(&mut self, starter: usize) -> Result<(), Abort> {
        let Some(code) = self.seen.starters[starter].fault.filter(|code| *code != 0) else { return Ok(()) };
        let id = self.input.script.rules.id(starter);
        let fault = self.input.script.rules.fault(starter, code);
        let question = format!("{id} has {fault} latched. Its cause is known and mended: clear it");
        self.answered(RESET_QUESTION, &question)?;
        self.order_leaves(starter);
        let at_s = self.now_s();
        let command = self.input.starters[starter].order(StarterOrder::Reset).map_err(|error| refused(&error))?;
        self.record(|journal| journal.command(at_s, &command));
        let until_ns = self.input.wall.now_ns() + FIRST_ANSWERS_NS;
        while self.seen.starters[starter].fault != Some(0) {
            if self.input.wall.now_ns() >= until_ns {
                return Err(Abort::because(format!("{id} still reports a fault 5 s after it was cleared")));
            }
            self.look_between()?;
        }
        Ok(())
    }

    /// A pump that did not prime, time after time, is looked at before it is tried once more.
    fn ask_after_tries_in_vain(&mut self) -> Result<(), Abort> {
        let Some(tries) = self.input.script.rules.priming.as_ref().map(|rules| rules.tries) else { return Ok(()) };
        let in_vain = self.duty(|ledger| ledger.starts_in_vain(MOTOR));
        if in_vain < tries {
            return Ok(());
        }
        let text = format!(
            "the pump ran without water {in_vain} times, one after the other. The cause is found and mended (lift, leak, speed, \
             vent path), the casing is cold and charged again: try once more"
        );
        self.answered(PRIMING_QUESTION, &text)?;
        self.duty(|ledger| ledger.primed(MOTOR));
        Ok(())
    }

    /// Asks a person who looks now: what a latched fault means, or whether settings go back, nobody can know beforehand. Only a
    /// virtual rig answers itself.
    pub(super) fn answered(&mut self, question: u32, text: &str) -> Result<(), Abort> {
        let itself = self.is_virtual && self.input.confirmed_by.as_deref().map(str::trim) == Some(VIRTUAL_NAME);
        if itself {
            self.ask(question, text)
        } else {
            self.ask_somebody(question, text)
        }
        while !self.seen.answers.remove(&question) {
            self.look_between()?;
            let now_s = self.now_s();
            self.state.watch.look(&self.seen, now_s);
        }
        Ok(())
    }

    /// What an earlier run wrote and never put back is mended only when a person says so, and only if nobody has changed it
    /// since.
    fn mend_left_settings(&mut self, starter: usize) -> Result<(), Abort> {
        let id = self.input.script.rules.id(starter);
        let Some(left) = self.settings_note()?.of(&id).cloned() else { return Ok(()) };
        let found = self.input.starters[starter].read_settings().map_err(|error| refused(&error))?;
        let Some(change) = difference(&left.before, &found) else {
            self.event(Level::Note, format!("{id}: settings noted as left changed read as before"));
            return self.strike_out(&id);
        };
        let begun = format!("{id}: a run of {} changed settings and did not put them back ({change})", left.at_utc);
        if let Some(others) = difference(&left.written, &found) {
            let text = format!("{begun}; somebody has changed them since ({others}). Go on with them as they are now");
            self.answered(SETTINGS_QUESTION, &text)?;
            return self.strike_out(&id);
        }
        self.answered(SETTINGS_QUESTION, &format!("{begun}. Put them back before this run"))?;
        self.input.starters[starter].apply_settings(&left.before).map_err(|error| refused(&error))?;
        self.event(Level::Note, format!("{id}: settings put back that an earlier run had left changed"));
        self.strike_out(&id)
    }

    fn settings_note(&self) -> Result<LeftSettings, Abort> {
        match &self.input.settings_note {
            Some(path) => LeftSettings::load(path).map_err(|error| Abort::because(error.to_string())),
            None => Ok(LeftSettings::default()),
        }
    }

    /// The note of a starter is over.
    pub(super) fn strike_out(&self, id: &str) -> Result<(), Abort> {
        let mut note = self.settings_note()?;
        note.done(id);
        self.save_note(&note)
    }

    fn save_note(&self, note: &LeftSettings) -> Result<(), Abort> {
        let saved = self.input.settings_note.as_ref().map_or(Ok(()), |path| note.save(path));
        saved.map_err(|error| Abort::because(error.to_string()))
    }

    /// Durable before the write: a crash right after it must not leave settings that nobody knows of.
    fn note_change(&self, starter: usize, wanted: &Settings) -> Result<(), Abort> {
        let Some(before) = self.devices[starter].before else { return Ok(()) };
        if difference(&before, wanted).is_none() {
            return Ok(());
        }
        let mut note = self.settings_note()?;
        let left = Left { before, written: *wanted, at_utc: utc_now_rfc3339() };
        note.changing(&self.input.script.rules.id(starter), left);
        self.save_note(&note)
    }

    /// Before the program's own controller moves a set speed: noted once, without a value, since it changes at every tick.
    pub(super) fn note_moving_speed(&mut self, starter: usize) -> Result<(), Abort> {
        let device = &mut self.devices[starter];
        if std::mem::replace(&mut device.speed_moves, true) {
            return Ok(());
        }
        let (Some(before), Some(in_force)) = (device.before, device.in_force) else { return Ok(()) };
        let mut note = self.settings_note()?;
        let left = Left { before, written: Settings { speed: None, ..in_force }, at_utc: utc_now_rfc3339() };
        note.changing(&self.input.script.rules.id(starter), left);
        self.save_note(&note)
    }

    fn apply_first_settings(&mut self, starter: usize) -> Result<(), Abort> {
        let wanted = self.input.script.program.iter().find_map(|instruction| match &instruction.step {
            Step::Start(step) if step.starter == starter => Some(step.settings),
            _ => None,
        });
        let before = self.input.starters[starter].read_settings().map_err(|error| refused(&error))?;
        self.devices[starter].before = Some(before);
        self.record_settings(starter, SettingsMoment::Before, before);
        self.record_restart(starter)?;
        self.apply(starter, &wanted.unwrap_or(before))
    }

    /// Writes settings and reads them back.
    pub(super) fn apply(&mut self, starter: usize, wanted: &Settings) -> Result<(), Abort> {
        let found = self.devices[starter].before.unwrap_or_default();
        let timer_s = self.input.rig.starters.get(starter).map(|starter| starter.comm_timeout_s);
        let wanted = &Settings { comm_timeout_s: found.comm_timeout_s.and(timer_s), ..*wanted };
        self.note_change(starter, wanted)?;
        let in_force = self.input.starters[starter].apply_settings(wanted).map_err(|error| refused(&error))?;
        self.devices[starter].in_force = Some(in_force);
        self.devices[starter].speed_moves = false;
        self.record_settings(starter, SettingsMoment::InForce, in_force);
        let id = self.input.script.rules.id(starter);
        self.event(Level::Note, format!("{id}: settings in force {}", in_words(&in_force)));
        Ok(())
    }

    /// What the starter may do by itself, into the record.
    fn record_restart(&mut self, starter: usize) -> Result<(), Abort> {
        let found = self.input.starters[starter].read_restart().map_err(|error| refused(&error))?;
        let id = self.input.script.rules.id(starter);
        if !found.is_empty() {
            self.event(Level::Note, format!("{id}: by itself: {}", found.join(", ")));
        }
        Ok(())
    }

    /// Settings as read, into the record.
    pub(super) fn record_settings(&mut self, starter: usize, moment: SettingsMoment, settings: Settings) {
        let starter = self.input.script.rules.id(starter);
        let found = SettingsRecord { at_s: self.now_s(), starter, moment, settings };
        self.record(|journal| journal.settings(&found));
    }

    fn begin_record(&mut self) -> Result<(), Abort> {
        let starter = self.input.script.starter;
        let Some(device) = self.devices.get(starter) else { return Err(Abort::because("no such starter")) };
        let Some(identity) = device.identity.clone() else { return Err(Abort::because("starter not identified")) };
        let header = RunHeader {
            starter: self.input.script.rules.id(starter),
            attending: self.input.attending.clone(),
            confirmed_by: self.input.confirmed_by.clone().unwrap_or_else(|| "asked, see events".to_owned()),
            settings_before: device.before.unwrap_or_default(),
            settings_in_force: device.in_force.unwrap_or_default(),
            identity,
            last_proofs: self.last_proofs(),
        };
        let prediction = self.input.prediction;
        self.record(|journal| journal.header(&header));
        self.record(|journal| journal.prediction(prediction));
        self.seen.prediction_stored = self.record_failed.is_none();
        match self.record_lost() {
            Some(abort) => Err(abort),
            None => {
                self.warn();
                Ok(())
            }
        }
    }

    /// What was last proven of the ways in which the motor stops without this program.
    fn last_proofs(&self) -> Vec<String> {
        let emergency = match &self.input.rig.emergency_stop_proven {
            Some(day) => format!("The hardwired emergency stop was last proven on {day}."),
            None => {
                "The rig file does not say when the hardwired emergency stop was last proven (emergency_stop_proven)."
                    .to_owned()
            }
        };
        let Some(path) = &self.input.link_proofs else { return vec![emergency] };
        let (proofs, now) = (LinkProofs::load(path), uptime());
        let of = |index: usize| {
            let starter = self.input.rig.starters.get(index)?;
            Some(match &proofs {
                Ok(proofs) => proofs.in_words(&starter.id, starter.comm_timeout_s, self.is_virtual, &now),
                Err(error) => error.to_string(),
            })
        };
        std::iter::once(emergency).chain(self.input.script.starters_used().into_iter().filter_map(of)).collect()
    }

    /// The rig's own warnings come before any start.
    fn warn(&mut self) {
        for (number, proof) in self.last_proofs().into_iter().enumerate() {
            self.event(if number == 0 { Level::Warning } else { Level::Notice }, proof);
        }
        for warning in &self.input.rig.warnings {
            self.event(Level::Warning, warning.clone());
        }
    }
}

fn unidentified(error: PortError) -> Abort {
    Abort::because(format!("{error}; nothing was written to any device"))
}

/// A port's refusal as a reason.
pub(super) fn refused(error: &PortError) -> Abort {
    Abort::because(error.to_string())
}

fn in_words(settings: &Settings) -> String {
    let named = [
        ("ramp up", settings.ramp_up_s, " s"),
        ("ramp down", settings.ramp_down_s, " s"),
        ("initial voltage", settings.initial_voltage, ""),
        ("current limit", settings.current_limit, " x full load"),
        ("speed", settings.speed, " of rated"),
        ("loss-of-communication time", settings.comm_timeout_s, " s"),
    ];
    let words: Vec<_> = named
        .into_iter()
        .filter_map(|(name, value, unit)| value.map(|value| format!("{name} {value:.3}{unit}")))
        .collect();
    if words.is_empty() { "none".to_owned() } else { words.join(", ") }
}
