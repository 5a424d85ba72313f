//! Looking at the world: samples, statuses, orders, records of stops; what the machine will be shown.

use super::{Run, SETTINGS_LOOK_NS, TICK, seconds};
use crate::sequence::duty::MOTOR;
use crate::sequence::observations::{BenchFacts, StarterFacts};
use crate::sequence::ports::{LinkState, StatusReading};
use crate::sequence::stopping::CONTACT_CLOSED;
use crate::starters::Settings;

/// Two readings of a setting count as equal within this relative difference (both come from the same register).
const SETTING_TOLERANCE: f64 = 1e-9;
/// A starter reports full speed for this long before its sensors are held to it, s of rig time (means are of 0.1 s).
const DUMB_AFTER_S: f64 = 0.5;
/// Share of an earlier, larger step of rig time that still counts at the next look.
const COARSE_KEPT: f64 = 0.9;

impl Run<'_> {
    /// Waits for newer samples (a few ms of wall time at most) and takes everything in.
    pub(super) fn look(&mut self) {
        self.heartbeat();
        let before_ns = self.view.newest_rig_ns;
        self.view = self.input.samples.wait_newer(before_ns, TICK);
        if before_ns > 0 && self.view.newest_rig_ns > before_ns {
            let step_s = seconds(self.view.newest_rig_ns - before_ns);
            self.coarse_s = step_s.max(COARSE_KEPT * self.coarse_s);
        }
        self.seen.stream_alive = self.view.lost.is_none() && self.view.newest_rig_ns > 0;
        if self.started && self.view.lost.is_some() {
            // Blind: whatever else ends the run, or is stopping it already.
            self.withhold_heartbeat();
        }
        self.seen.mean.clone_from(&self.view.mean);
        self.seen.span_1s.clone_from(&self.view.span_1s);
        self.seen.unbelievable.clone_from(&self.view.unbelievable);
        let rules = &self.input.script.rules;
        let speed = rules.speed_channel.and_then(|channel| self.seen.mean_of(channel));
        self.seen.shaft_turned |= speed.is_some_and(|speed| speed.abs() >= rules.rest_speed_rad_s);
        self.looked_ns = self.input.wall.now_ns();
        for index in 0..self.devices.len() {
            self.look_at_starter(index);
        }
        self.look_for_dumb_sensors();
        self.look_at_bench();
        self.look_at_duty();
        self.take_stop_records();
        self.orders.extend(self.input.operator.take_orders());
    }

    /// At full speed current flows and a contact is closed: what reads otherwise then cannot prove a stop by reading the same.
    fn look_for_dumb_sensors(&mut self) {
        let now_s = self.now_s();
        let on = self.state.energised.filter(|starter| self.seen.starters[*starter].at_speed == Some(true));
        let Some(starter) = on else {
            self.at_speed_since_s = None;
            return;
        };
        if now_s - *self.at_speed_since_s.get_or_insert(now_s) < DUMB_AFTER_S {
            return;
        }
        let rules = &self.input.script.rules;
        let mean = |channel: Option<usize>| channel.and_then(|channel| self.seen.mean_of(channel));
        let line_dumb = mean(rules.current_channel).map(|ampere| ampere < rules.current_off_a);
        let contact_dumb = mean(rules.contact_channel).map(|closed| closed < CONTACT_CLOSED);
        self.seen.line_current_dumb = line_dumb.unwrap_or(self.seen.line_current_dumb);
        self.seen.contact_dumb = contact_dumb.unwrap_or(self.seen.contact_dumb);
        let off_a = rules.current_off_a;
        let facts = &mut self.seen.starters[starter];
        facts.current_dumb = facts.current_a.map_or(facts.current_dumb, |ampere| ampere < off_a);
    }

    /// Lets the heartbeat of every starter run while the run is well.
    pub(super) fn heartbeat(&self) {
        for port in self.input.starters.iter() {
            port.alive(self.well);
        }
    }

    /// From now on the heartbeat runs while the run is well.
    pub(super) fn let_heartbeat_run(&mut self) {
        self.well = true;
        self.heartbeat();
    }

    /// Withholds the heartbeat from now on: the starter's own timer stops the motor.
    pub(super) fn withhold_heartbeat(&mut self) {
        self.well = false;
        self.heartbeat();
    }

    fn look_at_starter(&mut self, index: usize) {
        let Some(port) = self.input.starters.get(index) else { return };
        let (link_up, status) = (matches!(port.link(), LinkState::Up), port.status());
        let device = &mut self.devices[index];
        let facts = &mut self.seen.starters[index];
        facts.link_up = link_up;
        let Some(status) = status else { return };
        if status.at_wall_ns <= device.polled_ns {
            return;
        }
        device.polled_ns = status.at_wall_ns;
        if status.at_wall_ns > device.ordered_ns {
            take_in(facts, &status);
        }
        self.note_status(index, &status);
    }

    fn note_status(&mut self, index: usize, status: &StatusReading) {
        let id = self.input.script.rules.id(index);
        if let Some(count) = status.start_count {
            let others = self.duty(|ledger| ledger.device_counted(&id, count));
            if others > 0 {
                let text = format!("{id} was started {others} times by others");
                self.event(crate::sequence::ports::Level::Notice, text);
            }
        }
        if index == self.state.energised.unwrap_or(self.input.script.starter) {
            let at_s = self.now_s();
            self.record(|journal| journal.slow(at_s, status));
        }
    }

    fn look_at_bench(&mut self) {
        if let Some(bench) = &self.input.bench {
            let link_up = matches!(bench.link(), LinkState::Up);
            let (at_ns, values) = bench.values().unwrap_or_default();
            self.bench_ns = at_ns;
            self.seen.bench = Some(BenchFacts { link_up, values });
        }
    }

    fn look_at_duty(&mut self) {
        let now_s = self.now_s();
        let rig = self.input.rig;
        let waits: Vec<f64> = self.duty(|ledger| {
            ledger.pass_to(now_s);
            let motor_s = ledger.wait_s(MOTOR, rig.motor_duty);
            rig.starters.iter().map(|starter| ledger.wait_s(&starter.id, starter.duty).max(motor_s)).collect()
        });
        self.seen.duty_wait_s = waits;
    }

    pub(super) fn take_stop_records(&mut self) {
        let at_s = self.now_s();
        let records: Vec<_> = self.devices.iter().flat_map(|device| device.line.take_records()).collect();
        for command in records {
            self.record(|journal| journal.command(at_s, &command));
        }
    }

    /// Reads the settings of the starters in use again, about once a second: a change that is not ours is a take-over.
    pub(super) fn look_at_settings(&mut self) {
        let wall_ns = self.input.wall.now_ns();
        if wall_ns.saturating_sub(self.settings_looked_ns) < SETTINGS_LOOK_NS {
            return;
        }
        self.settings_looked_ns = wall_ns;
        for index in self.input.script.starters_used() {
            let Some(in_force) = self.devices.get(index).and_then(|device| device.in_force) else { continue };
            if let Ok(found) = self.input.starters[index].read_settings() {
                let id = self.input.script.rules.id(index);
                self.seen.starters[index].foreign_setting =
                    difference(&in_force, &found).map(|difference| format!("{id}: {difference}"));
            }
        }
    }

    /// Forgets what was polled before an order that leaves now.
    pub(super) fn order_leaves(&mut self, index: usize) {
        self.devices[index].ordered_ns = self.input.wall.now_ns();
        let facts = &mut self.seen.starters[index];
        *facts = StarterFacts {
            link_up: facts.link_up,
            foreign_setting: facts.foreign_setting.take(),
            started: facts.started,
            current_dumb: facts.current_dumb,
            ..StarterFacts::default()
        };
    }
}

fn take_in(facts: &mut StarterFacts, status: &StatusReading) {
    facts.polls_since_order = facts.polls_since_order.saturating_add(1);
    facts.running = Some(status.running);
    facts.at_speed = Some(status.at_speed);
    facts.fault = Some(status.fault);
    facts.current_a = status.current_a;
    facts.remote = status.remote;
    facts.emergency_stop_ok = status.emergency_stop_ok;
}

/// The first setting that differs, in words.
pub(super) fn difference(wrote: &Settings, found: &Settings) -> Option<String> {
    let pairs = [
        ("ramp up (s)", wrote.ramp_up_s, found.ramp_up_s),
        ("ramp down (s)", wrote.ramp_down_s, found.ramp_down_s),
        ("initial voltage (share)", wrote.initial_voltage, found.initial_voltage),
        ("current limit (x full load)", wrote.current_limit, found.current_limit),
        ("speed (share of rated)", wrote.speed, found.speed),
        ("set point (SI)", wrote.set_point, found.set_point),
        ("loss-of-communication time (s)", wrote.comm_timeout_s, found.comm_timeout_s),
    ];
    pairs.into_iter().find_map(|(name, wrote, found)| match (wrote, found) {
        (Some(wrote), Some(found)) if (wrote - found).abs() > SETTING_TOLERANCE * wrote.abs().max(1.0) => {
            Some(format!("{name} was {wrote}, reads {found}"))
        }
        _ => None,
    })
}
