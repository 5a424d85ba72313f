//! The end of a run: stop in stages, say how sure it is, put settings back. After a take-over nothing is sent.

use super::look::difference;
use super::{Abort, Cause, Run};
use crate::rig::register_map::Role;
use crate::sequence::interlock::{Ending, at_local, guard};
use crate::sequence::marks::{Mark, MarkKind};
use crate::sequence::ports::{Level, LinkState, OperatorOrder, PortError, RunEnd, SettingsMoment, StopOutcome};
use crate::sequence::step::stop::{stage_time_s, words};
use crate::sequence::stopping::{Evidence, StopTurn, Stopping};
use crate::starters::Settings;

/// Time beyond the starter's own loss-of-communication timer for a lost link to come back and tell, s.
pub(super) const LINK_BACK_S: f64 = 5.0;
/// First answers after a run in which nothing was started: looks before the outcome is judged.
const LAST_LOOKS: usize = 3;

/// Time since a stop was ordered, on the slower of rig and wall time (a scaled rig still polls by wall time; a rig that
/// falls behind still ramps by its own), on wall time alone once samples are lost.
struct StopClock {
    rig_s: f64,
    wall_ns: u64,
}

impl Run<'_> {
    pub(super) fn wind_down(&mut self, cause: Cause) -> RunEnd {
        let cause = match cause {
            Cause::Done => self.last_look(),
            other => other,
        };
        let (aborted, taken_over) = match cause {
            Cause::Done => (None, false),
            Cause::Abort(abort) => {
                self.event(Level::Warning, format!("run ends: {}", abort.reason));
                match self.abort(&abort) {
                    Ok(()) => (Some(abort.reason), false),
                    Err(taken) => {
                        self.let_go(&taken);
                        (Some(format!("taken over: {taken}; the run was ending: {}", abort.reason)), true)
                    }
                }
            }
            Cause::TakenOver(reason) => {
                self.let_go(&reason);
                (Some(format!("taken over: {reason}")), true)
            }
        };
        let stop = self.final_outcome(taken_over);
        if !taken_over && stop != StopOutcome::NotConfirmed {
            self.put_settings_back();
        }
        self.take_stop_records();
        if self.started {
            self.save_duty();
        }
        self.tell_progress(true);
        let aborted = aborted.or_else(|| self.record_failed.clone());
        let (cycles, started, refused) = (self.state.cycles_done, self.started, self.refused);
        RunEnd { aborted, taken_over, stop, cycles, started, refused }
    }

    /// All steps are done and every stop was over: is the motor still off?
    fn last_look(&mut self) -> Cause {
        for _ in 0..LAST_LOOKS {
            self.look();
        }
        match guard(&self.input.script.rules, &self.seen, self.state.energised) {
            Some(Ending::TakenOver { reason }) => Cause::TakenOver(reason),
            Some(Ending::OnAgain { starter, reason }) => Cause::Abort(Abort::on_again(starter, reason)),
            _ => Cause::Done,
        }
    }

    /// Nothing more is sent: no stop, no repeat of one, no settings, no heartbeat.
    fn let_go(&mut self, reason: &str) {
        self.withhold_heartbeat();
        self.input.samples.arm(Vec::new());
        self.devices.iter().for_each(|device| device.line.let_go());
        self.event(Level::Warning, format!("taken over at the rig: {reason}. Nothing more is sent"));
        if self.state.energised.is_some() {
            let evidence = Evidence::of(&self.input.script.rules, &self.seen, self.stop_target());
            let cycle = self.state.cycle(self.input.script);
            self.record(|journal| journal.stop_outcome(cycle, evidence.outcome()));
            self.worst = self.worst.max(Some(evidence.outcome()));
        }
    }

    fn stop_target(&self) -> usize {
        self.state.energised.unwrap_or(self.input.script.starter)
    }

    /// Stops what this run has started and sees it through; `Err`: somebody took over meanwhile.
    fn abort(&mut self, abort: &Abort) -> Result<(), String> {
        let starter = abort.starter.unwrap_or_else(|| self.stop_target());
        if abort.starter.is_some() && !self.seen.starters[starter].started {
            let evidence = Evidence::of(&self.input.script.rules, &self.seen, starter);
            self.worst = self.worst.max(Some(evidence.outcome()));
            let text = "this run has not started it: nothing is sent to it; whoever did has to stop it".to_owned();
            self.event(Level::Danger, text);
            return Ok(());
        }
        let identified = self.devices.get(starter).is_some_and(|device| device.identity.is_some());
        if self.state.energised.is_none() && !(abort.always && identified) {
            return Ok(());
        }
        let kind = abort.stop.unwrap_or(self.input.rig.starters[starter].stop);
        let ramp_down_s = self.devices[starter].in_force.and_then(|settings| settings.ramp_down_s).unwrap_or(0.0);
        let time_s = abort.time_s.unwrap_or(stage_time_s(kind, self.input.rig.ramp_stop_s(ramp_down_s)));
        self.stop(starter, kind, &abort.reason);
        self.mark_stop(abort);
        let (outcome, evidence) = self.see_it_stop(starter, Stopping::begin(kind, (time_s, abort.later_s), 0.0))?;
        if self.state.energised.is_some() {
            let cycle = self.state.cycle(self.input.script);
            self.stop_is_over(cycle, outcome, &evidence.in_words());
        } else {
            self.event(Level::Note, format!("{outcome} ({})", evidence.in_words()));
            if abort.starter.is_some() {
                self.worst = self.worst.max(Some(outcome));
            }
        }
        if outcome == StopOutcome::NotConfirmed {
            self.withhold_heartbeat();
            let text = format!("{outcome}: use the emergency stop and isolate the motor ({})", evidence.in_words());
            self.event(Level::Danger, text);
        }
        Ok(())
    }

    /// The stop mark of a cycle that was started and not yet stopped by its step.
    fn mark_stop(&mut self, abort: &Abort) {
        let cycle = self.state.cycle(self.input.script);
        if self.state.energised.is_none() || self.stop_marked == cycle {
            return;
        }
        let now_s = self.now_s();
        let (from_s, to_s) = abort.pulled_s.unwrap_or((now_s, now_s));
        let moment = self.moment_of_stop(from_s, to_s);
        self.put_mark(&Mark { at_s: moment.at_s, u_s: moment.u_s, kind: MarkKind::Stop { cycle } });
    }

    /// `Err`: somebody took over before it was over; no further stage is ordered then.
    fn see_it_stop(&mut self, starter: usize, mut stopping: Stopping) -> Result<(StopOutcome, Evidence), String> {
        let clock = StopClock { rig_s: self.now_s(), wall_ns: self.input.wall.now_ns() };
        loop {
            self.look();
            if let Some(reason) = self.taken_over_now() {
                return Err(reason);
            }
            // Pulled beside this stop: they belong in the record.
            let _ = self.tripped();
            let now_s = self.stop_time_s(&clock);
            if self.hurried() {
                stopping.hurry(now_s);
                self.event(Level::Notice, "asked twice: deadlines shortened");
            }
            let mut evidence = Evidence::of(&self.input.script.rules, &self.seen, starter);
            // A link that brings no status any more is not waited for.
            evidence.link_up &= self.status_age_s(starter) <= self.stale_s(starter);
            match stopping.turn(&evidence, now_s) {
                StopTurn::Wait => {}
                StopTurn::End(outcome) => return Ok((outcome, evidence)),
                StopTurn::Order(kind) => {
                    self.event(Level::Warning, format!("not stopped in time: {} now", words(kind)));
                    self.stop(starter, kind, "the stage before was not confirmed in time");
                }
            }
            self.tell_progress(false);
        }
    }

    fn stop_time_s(&self, clock: &StopClock) -> f64 {
        let wall_s = super::seconds(self.input.wall.now_ns().saturating_sub(clock.wall_ns));
        if self.view.lost.is_some() { wall_s } else { wall_s.min(self.now_s() - clock.rig_s) }
    }

    fn hurried(&mut self) -> bool {
        let orders = std::mem::take(&mut self.orders);
        orders.contains(&OperatorOrder::Hurry)
    }

    /// The worst outcome of the run's stops, unless something is seen to be on after all; of a run that stopped nothing, what
    /// is seen now.
    fn final_outcome(&mut self, taken_over: bool) -> StopOutcome {
        if let Some(worst) = self.worst.filter(|_| taken_over) {
            return worst;
        }
        for _ in 0..LAST_LOOKS {
            self.look();
        }
        let evidence = Evidence::of(&self.input.script.rules, &self.seen, self.stop_target());
        match self.worst {
            Some(worst) if worst != StopOutcome::NotConfirmed && evidence.says_on() => {
                let text = format!("the stop was {worst}, and yet: {}", evidence.in_words());
                self.event(Level::Danger, text);
                StopOutcome::NotConfirmed
            }
            Some(worst) => worst,
            None => evidence.outcome(),
        }
    }

    /// Settings go back when the starter is off, in remote, its link answers and nobody else has changed them.
    fn put_settings_back(&mut self) {
        for starter in 0..self.devices.len() {
            let device = &self.devices[starter];
            let (Some(before), Some(in_force)) = (device.before, device.in_force) else { continue };
            if difference(&in_force, &before).is_none() {
                self.record_settings(starter, SettingsMoment::After, in_force);
                continue;
            }
            let id = self.input.script.rules.id(starter);
            match self.put_back(starter) {
                Ok(()) => self.event(Level::Note, format!("{id}: settings put back")),
                Err(why) => self.event(Level::Caution, format!("{id}: settings not put back: {why}")),
            }
        }
    }

    fn put_back(&mut self, starter: usize) -> Result<(), String> {
        let device = &self.devices[starter];
        let (Some(before), Some(in_force)) = (device.before, device.in_force) else { return Ok(()) };
        if self.seen.starters[starter].running != Some(false) {
            return Err("its output is not known to be off".to_owned());
        }
        let (rules, bench) = (&self.input.script.rules, self.seen.bench.as_ref());
        let unsaid = rules.has_remote && bench.and_then(|bench| bench.value(Role::Remote)) != Some(1);
        if unsaid || at_local(rules, &self.seen).is_some() {
            return Err("the selector does not stand at remote".to_owned());
        }
        let port = &mut self.input.starters[starter];
        if port.link() != LinkState::Up {
            return Err("its link does not answer".to_owned());
        }
        let found = port.read_settings().map_err(|error| error.to_string())?;
        if let Some(change) = difference(&in_force, &found) {
            self.record_settings(starter, SettingsMoment::After, found);
            return Err(format!("somebody changed them: {change}"));
        }
        let before_but_timer = Settings { comm_timeout_s: None, ..before };
        let after = match port.apply_settings(&before) {
            // A timer as it was found (0: no watch, say) may be outside what the map allows to be written.
            Err(PortError::OutOfRange { role, value }) if role == Role::CommTimeout.name() => {
                let after = port.apply_settings(&before_but_timer).map_err(|error| error.to_string())?;
                let id = self.input.script.rules.id(starter);
                let text = format!(
                    "{id}: its loss-of-communication time was {value} s, which its map does not let be written; \
                                    it stays as this run set it"
                );
                self.event(Level::Caution, text);
                after
            }
            other => other.map_err(|error| error.to_string())?,
        };
        self.devices[starter].in_force = Some(before);
        self.record_settings(starter, SettingsMoment::After, after);
        self.strike_out(&self.input.script.rules.id(starter)).map_err(|abort| abort.reason)
    }
}
