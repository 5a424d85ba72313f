//! The device side of a starter: contactor, soft starter or drive, commanded by a run bit or by IEC 61800-7-201 words.
//!
//! Rules, all of them the device's own and none of the controller's:
//! - A start needs a fresh edge of the run bit (or the automaton's way), the selector at remote, the emergency-stop
//!   circuit closed and no latched fault; otherwise it is refused with exception 04.
//! - A stop is obeyed at any time, local too.
//! - While its output is on, the heartbeat register must change within the loss-of-communication time-out (wall time).
//!   Else the output goes off at once and the rotor coasts (it cannot know which ramp would be harmless), fault 1
//!   latches, and the run bit is cleared; then a reset and a fresh edge are needed, in this order.
//! - `run`, `cut` and `reset` keep the value last written so that it can be read back; `cut` and `reset` act at each
//!   write of 1 and read 0 again after the next start.
//! - Settings written while the output is on hold from the next start; a drive's set speed holds at once.
//! - Where the panel moves a control valve, an ordinary stop closes the valve first and the output stays on until its
//!   limit switch cuts it, whatever the kind of starter; a cut does not wait for the valve.
//! - The starter does not know whether the transfer device has put it on the motor. If it has not, its output still
//!   comes on (and the witness counts it), but nothing turns and its ramps take no time.

use super::Circumstances;
use super::drive_profile::{DriveProfile, ProfileAction};
use super::registers::{Refusal, Registers};
use crate::rig::model::Starter;
use crate::rig::register_map::Role;
use crate::starters::{Settings, StarterKind, StopKind};
use crate::virtual_rig::bench::{Bench, Motion};

/// Fault code of a loss of communication.
pub const FAULT_COMMUNICATION: u16 = 1;

/// What the output does.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Output {
    Off,
    /// Ordered on; comes on after the rest of the device's own delay, s of rig time.
    Closing(f64),
    On,
    Ramping,
}

/// Settings and the roles that carry them.
const SETTING_ROLES: [Role; 6] =
    [Role::RampUp, Role::RampDown, Role::InitialVoltage, Role::CurrentLimit, Role::SpeedSetpoint, Role::SetPoint];

/// One starter.
#[derive(Debug, Clone)]
pub struct StarterDevice {
    index: usize,
    kind: StarterKind,
    position: Option<u16>,
    closing_delay_s: f64,
    control_valve: bool,
    /// What was written as the run order stays until it is written otherwise, whatever cuts the output; a cleared fault then
    /// starts the motor again.
    keeps_run: bool,
    /// Its contact does not open any more; the emergency stop opens the line before it.
    welded: bool,
    registers: Registers,
    profile: Option<DriveProfile>,
    output: Output,
    /// Ordered of the bench at the next scan.
    stop_due: Option<StopKind>,
    on_motor: bool,
    last_beat_wall_ns: u64,
    starts: u16,
    fault: u16,
    seen: Seen,
}

/// What the device measured of its output at the last scan.
#[derive(Debug, Clone, Copy, Default)]
struct Seen {
    motion: Motion,
    current_a: f64,
}

impl StarterDevice {
    /// A starter as it leaves the works, nothing running.
    pub fn new(index: usize, starter: &Starter, closing_delay_s: f64, virtual_mark: u16) -> Self {
        let mut registers = Registers::from_map(&starter.map);
        works_settings(starter, &mut registers);
        registers.put_si(Role::CommTimeout, starter.comm_timeout_s);
        registers.put(Role::VirtualMark, virtual_mark);
        Self {
            index,
            kind: starter.kind,
            position: starter.transfer_position,
            closing_delay_s,
            control_valve: false,
            keeps_run: false,
            welded: false,
            registers,
            profile: starter.map.cia402.then(DriveProfile::default),
            output: Output::Off,
            stop_due: None,
            on_motor: false,
            last_beat_wall_ns: 0,
            starts: 0,
            fault: 0,
            seen: Seen::default(),
        }
    }

    /// Tied to a control valve or not.
    pub fn tied(self, control_valve: bool) -> Self {
        Self { control_valve, ..self }
    }

    /// Set at the panel, s.
    pub fn set_comm_timeout(&mut self, time_s: f64) {
        self.registers.put_si(Role::CommTimeout, time_s);
    }

    /// From now on its run order outlives whatever cuts its output.
    pub fn keep_run(&mut self) {
        self.keeps_run = true;
    }

    /// Its contact, where a contact is all that switches the motor, sticks once it is closed, or opens again.
    pub fn weld(&mut self, welded: bool) {
        self.welded = welded && self.kind == StarterKind::AcrossTheLine;
    }

    /// Its registers.
    pub fn registers(&self) -> &Registers {
        &self.registers
    }

    /// Transfer position, or its number in the rig file from 1 where there is no transfer device.
    pub fn position(&self) -> u16 {
        self.position.unwrap_or_else(|| u16::try_from(self.index + 1).unwrap_or(u16::MAX))
    }

    /// True while the output is energised.
    pub fn output_on(&self) -> bool {
        matches!(self.output, Output::On | Output::Ramping)
    }

    /// A write from the bus, already checked for address and span; all fields or none take effect.
    pub fn write(&mut self, fields: &[(Role, u64)], now: &Circumstances) -> Result<(), Refusal> {
        for (role, raw) in fields {
            self.may_write(*role, *raw, now)?;
        }
        for (role, raw) in fields {
            self.take(*role, *raw, now);
        }
        self.publish(now);
        Ok(())
    }

    fn may_write(&self, role: Role, raw: u64, now: &Circumstances) -> Result<(), Refusal> {
        let ready = now.remote && now.emergency_stop_ok;
        let allowed = match role {
            // Without its line contactor it has no supply.
            Role::Run if raw != 0 && self.registers.raw(Role::LineOff) == Some(1) => false,
            Role::Run if raw != 0 => self.registers.raw(Role::Run) != Some(0) || (ready && self.fault == 0),
            Role::ControlWord if raw & 0x000F == 0x000F => self.output_on() || ready,
            Role::Run | Role::Cut | Role::LineOff | Role::ControlWord | Role::Heartbeat => true,
            _ => now.remote,
        };
        if allowed { Ok(()) } else { Err(Refusal::State) }
    }

    fn take(&mut self, role: Role, raw: u64, now: &Circumstances) {
        let before = self.registers.raw(role);
        self.registers.put(role, raw);
        match role {
            Role::Run if raw != 0 && before == Some(0) => self.order_start(now),
            Role::Run if raw == 0 => self.order_stop(StopKind::Ramp),
            Role::Cut | Role::LineOff if raw != 0 => self.cut(),
            Role::Reset if raw != 0 => self.reset(now),
            Role::Heartbeat if before != Some(raw) => self.last_beat_wall_ns = now.wall_ns,
            Role::ControlWord => self.control_word(raw as u16, now),
            _ => {}
        }
    }

    fn control_word(&mut self, word: u16, now: &Circumstances) {
        let Some(profile) = self.profile.as_mut() else { return };
        match profile.command(word, now.remote && now.emergency_stop_ok) {
            ProfileAction::None => {}
            ProfileAction::Start => self.order_start(now),
            ProfileAction::RampDown => self.order_stop(StopKind::Ramp),
            ProfileAction::Coast => self.order_stop(StopKind::Coast),
            ProfileAction::ClearFault => self.fault = 0,
        }
    }

    fn order_start(&mut self, now: &Circumstances) {
        self.registers.put(Role::Cut, 0_u16);
        self.registers.put(Role::Reset, 0_u16);
        self.last_beat_wall_ns = now.wall_ns;
        if self.output_on() {
            // A run edge during the ramp down: output off first, then a start like any other.
            self.stop_due = Some(self.cut_kind());
        }
        self.output = Output::Closing(self.closing_delay_s);
    }

    fn order_stop(&mut self, kind: StopKind) {
        let takes_time = self.kind != StarterKind::AcrossTheLine || self.control_valve;
        let ramps = kind == StopKind::Ramp && takes_time;
        match self.output {
            Output::Off => {}
            Output::Closing(_) => {
                self.output = Output::Off;
                self.ramp_is_over(ramps);
            }
            Output::On if ramps => {
                self.stop_due = Some(StopKind::Ramp);
                self.output = Output::Ramping;
            }
            Output::Ramping if ramps => {}
            Output::On | Output::Ramping => {
                self.stop_due = Some(self.cut_kind());
                self.output = Output::Off;
            }
        }
    }

    fn ramp_is_over(&mut self, ramped: bool) {
        if let Some(profile) = self.profile.as_mut().filter(|_| ramped) {
            profile.output_off(true);
        }
    }

    /// Output off at once, and nothing that was ordered before survives it (cut order, emergency stop).
    pub fn cut(&mut self) {
        self.order_stop(StopKind::Coast);
        self.drop_run_order();
    }

    /// The selector left remote (through its off position): the remote run order is gone. Ramps where there is a ramp.
    pub fn left_remote(&mut self) {
        self.order_stop(StopKind::Ramp);
        self.forget_run();
        if self.output == Output::Off {
            self.drop_run_order();
        }
    }

    fn forget_run(&mut self) {
        if !self.keeps_run {
            self.registers.put(Role::Run, 0_u16);
        }
    }

    fn drop_run_order(&mut self) {
        self.forget_run();
        if let Some(profile) = self.profile.as_mut() {
            profile.output_off(false);
        }
    }

    /// Clears a latched fault by the reset register; starts nothing, but where a run order was kept.
    fn reset(&mut self, now: &Circumstances) {
        if let Some(profile) = self.profile.as_mut().filter(|_| self.fault != 0) {
            profile.clear_fault();
        }
        self.fault = 0;
        let armed = self.keeps_run && self.registers.raw(Role::Run) == Some(1);
        if armed && self.output == Output::Off && now.remote && now.emergency_stop_ok {
            self.order_start(now);
        }
    }

    fn cut_kind(&self) -> StopKind {
        if self.kind == StarterKind::AcrossTheLine { StopKind::ContactorOff } else { StopKind::Coast }
    }

    /// One scan of the device's program: watchdog, delays, transfer contact, status registers.
    pub fn scan(&mut self, bench: &mut dyn Bench, now: &Circumstances, selected: Option<u16>) {
        self.watch_communication(now.wall_ns);
        self.close_output(now.dt_rig_s);
        if self.welded && self.on_motor && now.emergency_stop_ok {
            // Whatever the coil does, the motor stays on.
            self.stop_due = None;
        } else {
            self.follow_transfer(bench, selected);
        }
        if self.output == Output::Ramping && !(self.on_motor && bench.motion(self.index).on) {
            self.on_motor = false;
            self.output = Output::Off;
            self.ramp_is_over(true);
        }
        self.look(bench);
        self.publish(now);
    }

    fn look(&mut self, bench: &dyn Bench) {
        let on = self.output_on();
        self.seen = if self.on_motor {
            Seen { motion: bench.motion(self.index), current_a: bench.current_a() }
        } else {
            Seen { motion: Motion { on, at_speed: on, share: f64::from(on) }, current_a: 0.0 }
        };
    }

    fn watch_communication(&mut self, wall_ns: u64) {
        let timeout_s = self.registers.si(Role::CommTimeout).unwrap_or(0.0);
        let silent_s = wall_ns.saturating_sub(self.last_beat_wall_ns) as f64 * 1e-9;
        let watched = self.registers.has(Role::Heartbeat) && timeout_s > 0.0 && self.output != Output::Off;
        if watched && silent_s > timeout_s {
            self.cut();
            self.fault = FAULT_COMMUNICATION;
            if let Some(profile) = self.profile.as_mut() {
                profile.fault();
            }
        }
    }

    fn close_output(&mut self, dt_rig_s: f64) {
        if let Output::Closing(left_s) = self.output {
            let left_s = left_s - dt_rig_s;
            self.output = if left_s > 0.0 { Output::Closing(left_s) } else { Output::On };
            if self.output == Output::On {
                self.starts = self.starts.wrapping_add(1);
                self.seen = Seen::default();
            }
        }
    }

    /// Pass the output on to the motor, or take it away, as the transfer device stands.
    fn follow_transfer(&mut self, bench: &mut dyn Bench, selected: Option<u16>) {
        let reaches_motor = self.position.is_none() || self.position == selected;
        if let Some(kind) = self.stop_due.take()
            && self.on_motor
        {
            bench.stop(self.index, kind);
            self.on_motor = self.output_on();
        }
        let wanted = reaches_motor && self.output_on();
        match (self.on_motor, wanted) {
            (true, false) => bench.stop(self.index, StopKind::ContactorOff),
            (false, true) if self.output == Output::On => bench.start(self.index, &self.settings()),
            (true, true) => self.follow_set_speed(bench),
            _ => {}
        }
        self.on_motor = wanted && (self.on_motor || self.output == Output::On);
    }

    fn follow_set_speed(&self, bench: &mut dyn Bench) {
        if self.output != Output::On {
            return;
        }
        if let Some(share) = self.registers.si(Role::SpeedSetpoint) {
            bench.set_speed(self.index, share);
        }
        if let Some(value) = self.registers.si(Role::SetPoint) {
            bench.set_point(self.index, value);
        }
    }

    /// Settings in force at the next start, from the registers.
    fn settings(&self) -> Settings {
        Settings {
            ramp_up_s: self.registers.si(Role::RampUp),
            ramp_down_s: self.registers.si(Role::RampDown),
            initial_voltage: self.registers.si(Role::InitialVoltage),
            current_limit: self.registers.si(Role::CurrentLimit),
            speed: self.registers.si(Role::SpeedSetpoint),
            set_point: self.registers.si(Role::SetPoint),
            comm_timeout_s: None,
        }
    }

    /// Refresh the status registers; after a write too, so that a status read behind a command is never older than it.
    fn publish(&mut self, now: &Circumstances) {
        let at_speed = self.output == Output::On && self.seen.motion.at_speed;
        self.registers.put_bit(Role::Running, self.output_on());
        self.registers.put_bit(Role::AtSpeed, at_speed);
        self.registers.put(Role::Fault, self.fault);
        self.registers.put_bit(Role::Remote, now.remote);
        self.registers.put_bit(Role::EmergencyStopOk, now.emergency_stop_ok);
        self.registers.put(Role::StartCount, self.starts);
        self.registers.put_si(Role::TimeScale, now.time_scale);
        self.registers.put_si(Role::Current, self.seen.current_a);
        self.registers.put_si(Role::SpeedActual, if self.output_on() { self.seen.motion.share } else { 0.0 });
        if let Some(profile) = &self.profile {
            let word = profile.status_word(now.emergency_stop_ok, now.remote, at_speed);
            self.registers.put(Role::StatusWord, word);
        }
    }
}

/// Settings as they leave the works: in the middle of the span that the rig gives them; where it gives none, at the
/// upper end of what the map allows, where a limit limits least.
fn works_settings(starter: &Starter, registers: &mut Registers) {
    let spans = setting_values(&starter.settings_min).into_iter().zip(setting_values(&starter.settings_max));
    for (role, span) in SETTING_ROLES.into_iter().zip(spans) {
        let most = registers.field(role).and_then(|field| field.allowed).map(|(_, most)| most);
        match (span, most) {
            ((Some(least), Some(most)), _) => registers.put_si(role, 0.5 * (least + most)),
            (_, Some(most)) => {
                let raw = registers.field(role).and_then(|field| field.form.pattern(most as f64));
                registers.put(role, raw.unwrap_or(0));
            }
            _ => {}
        }
    }
}

fn setting_values(settings: &Settings) -> [Option<f64>; 6] {
    let Settings { ramp_up_s, ramp_down_s, initial_voltage, current_limit, speed, set_point, .. } = *settings;
    [ramp_up_s, ramp_down_s, initial_voltage, current_limit, speed, set_point]
}
