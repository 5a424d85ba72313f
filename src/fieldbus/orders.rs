//! The dialogues that change something: settings, start, reset, transfer, stop.

use super::drive;
use super::stop::Wanted;
use super::unit::{ReadBack, StarterLimits, Unit, UnitKind, Wire, low_word, role_name};
use crate::rig::register_map::Role;
use crate::sequence::ports::{CommandRecord, PortError, StopLine};
use crate::starters::state::{self, Command, DriveState};
use crate::starters::{Settings, StopKind};
use std::collections::BTreeMap;
use std::sync::atomic::Ordering::SeqCst;
use std::time::Duration;

/// Bit of a control word (IEC 61800-7-201) without which nothing is ordered on.
const SWITCH_ON: u64 = 1;
/// A drive must walk to operation enabled within this time, ns.
const WALK_DEADLINE_NS: u64 = 2_000_000_000;
/// Pause between two looks at a drive that has not changed its state yet.
const WALK_PAUSE: Duration = Duration::from_millis(5);

/// A setting: its role and its place in [`Settings`].
type Setting = (Role, fn(&mut Settings) -> &mut Option<f64>);

const SETTINGS: [Setting; 6] = [
    (Role::RampUp, |settings| &mut settings.ramp_up_s),
    (Role::RampDown, |settings| &mut settings.ramp_down_s),
    (Role::InitialVoltage, |settings| &mut settings.initial_voltage),
    (Role::CurrentLimit, |settings| &mut settings.current_limit),
    (Role::SpeedSetpoint, |settings| &mut settings.speed),
    (Role::SetPoint, |settings| &mut settings.set_point),
];

/// How long the starter waits for its master: a setting like the others, but always as the rig file says where nothing else
/// is wanted.
const TIMER: Setting = (Role::CommTimeout, |settings| &mut settings.comm_timeout_s);

fn of(settings: &Settings, (_, place): Setting) -> Option<f64> {
    let mut copy = *settings;
    *place(&mut copy)
}

impl Unit {
    fn limits(&self) -> Result<&StarterLimits, PortError> {
        match &self.kind {
            UnitKind::Starter(limits) => Ok(limits),
            UnitKind::Bench | UnitKind::Watched => {
                Err(PortError::NoField { map: self.map.name.clone(), role: role_name(Role::Run) })
            }
        }
    }

    /// Settings that this map has; the loss-of-communication time is one where it can be written.
    fn own_settings(&self) -> impl Iterator<Item = Setting> {
        let timer = self.map.field(Role::CommTimeout).filter(|field| field.writable).map(|_| TIMER);
        SETTINGS.into_iter().chain(timer)
    }

    /// All settings the map has.
    pub(super) fn read_settings(&self, wire: &mut dyn Wire) -> Result<Settings, PortError> {
        let roles: Vec<Role> = self.own_settings().map(|(role, _)| role).collect();
        let values = self.read_all(wire, &roles)?;
        let mut settings = Settings::default();
        for (role, place) in self.own_settings() {
            if let (Some(raw), Some(field)) = (values.get(&role), self.map.field(role)) {
                *place(&mut settings) = Some(field.to_si(*raw));
            }
        }
        Ok(settings)
    }

    /// Write what is wanted and differs, read everything back. Nothing is written unless all of it is allowed.
    pub(super) fn apply_settings(&self, wire: &mut dyn Wire, wanted: &Settings) -> Result<Settings, PortError> {
        let raws = self.raw_settings(wanted)?;
        for (role, raw) in &raws {
            if self.read(wire, *role)? != *raw {
                self.spend(*role)?;
                self.setting_writes.fetch_add(1, SeqCst);
                let back = self.write_and_read(wire, *role, *raw)?;
                self.file(self.agreed(*role, back)?);
            }
        }
        let values = self.read_all(wire, &raws.iter().map(|(role, _)| *role).collect::<Vec<_>>())?;
        for (role, wrote) in raws {
            if let Some(read) = values.get(&role) {
                self.agreeing(role, wrote, *read)?;
            }
        }
        self.read_settings(wire)
    }

    fn raw_settings(&self, wanted: &Settings) -> Result<Vec<(Role, u64)>, PortError> {
        let limits = self.limits()?;
        let mut raws = Vec::new();
        for setting in SETTINGS {
            let Some(value) = of(wanted, setting) else { continue };
            let refused = || PortError::OutOfRange { role: role_name(setting.0), value };
            let low = of(&limits.settings_min, setting).unwrap_or(f64::NEG_INFINITY);
            let high = of(&limits.settings_max, setting).unwrap_or(f64::INFINITY);
            if !(value >= low && value <= high) {
                return Err(refused());
            }
            raws.push((setting.0, self.field(setting.0)?.to_raw(value).ok_or_else(refused)?));
        }
        if let Some(field) = self.map.field(Role::CommTimeout).filter(|field| field.writable) {
            let value = wanted.comm_timeout_s.unwrap_or(limits.comm_timeout_s);
            let raw = field.to_raw(value);
            raws.push((
                Role::CommTimeout,
                raw.ok_or_else(|| PortError::OutOfRange { role: role_name(Role::CommTimeout), value })?,
            ));
        }
        Ok(raws)
    }

    /// The starter must watch its master at least as closely as the rig says, or it is not started.
    fn check_comm_timeout(&self, wire: &mut dyn Wire) -> Result<(), PortError> {
        let Some(field) = self.map.field(Role::CommTimeout) else { return Ok(()) };
        let wanted_s = self.limits()?.comm_timeout_s;
        let read = self.read(wire, Role::CommTimeout)?;
        // Half a step of the register is rounding, not a difference.
        if read != 0 && field.to_si(read) <= wanted_s + 0.5 * field.scale.abs() {
            return Ok(());
        }
        let wrote = field.to_raw(wanted_s).unwrap_or(0);
        Err(PortError::ReadBack {
            address: self.address.clone(),
            unit: self.unit,
            role: role_name(Role::CommTimeout),
            wrote,
            read,
        })
    }

    /// A starter that may turn the motor by itself (after a fault, on power-up, into a turning motor), or whose ramp is not the
    /// one we set, is not started.
    fn check_restart(&self, wire: &mut dyn Wire) -> Result<(), PortError> {
        for role in Role::BEFORE_A_START.into_iter().chain([Role::QuickStopOption]) {
            let Some(expected) = self.map.field(role).and_then(|field| field.expect) else { continue };
            let found = self.read(wire, role)?;
            if found != u64::from(expected) {
                let (address, unit, name) = (self.address.clone(), self.unit, role_name(role));
                return Err(match role {
                    Role::QuickStopOption => PortError::StopsOtherwise { address, unit, role: name, found, expected },
                    _ => PortError::StartsByItself { address, unit, role: name, found, expected },
                });
            }
        }
        Ok(())
    }

    /// What [`Self::check_restart`] looks at, in words.
    pub(super) fn read_restart(&self, wire: &mut dyn Wire) -> Result<Vec<String>, PortError> {
        let roles: Vec<Role> = Role::BEFORE_A_START.into_iter().chain([Role::QuickStopOption]).collect();
        let values = self.read_all(wire, &roles)?;
        let words = |(role, raw): (Role, u64)| {
            let expected = self.map.field(role).and_then(|field| field.expect);
            let wanted = expected.map_or(String::new(), |expected| format!(" (wanted {expected})"));
            let word = self.map.word(role, raw).map_or(String::new(), |word| format!(" {word:?}"));
            format!("{} {raw}{word}{wanted}", role.name())
        };
        Ok(values.into_iter().map(words).collect())
    }

    /// Start: nothing is sent when a stop was called after `ticket` was drawn; whatever goes wrong once the first byte
    /// may have left is followed by a stop.
    pub(super) fn start(&self, wire: &mut dyn Wire, ticket: u64) -> Result<CommandRecord, PortError> {
        let limits = self.limits()?;
        let Some(slot) = &self.slot else { return Err(self.overtaken()) };
        self.check_comm_timeout(wire)?;
        self.check_restart(wire)?;
        // Two beats: the starter watches for a change, and the first may repeat what an earlier session left there.
        self.beat(wire)?;
        self.beat(wire)?;
        if !slot.begin_start(ticket) {
            return Err(self.overtaken());
        }
        let started =
            if self.map.cia402 { self.walk_to_operation(wire, ticket) } else { self.raise_run_bit(wire, ticket) };
        let lost = matches!(started, Err(PortError::Timeout { .. } | PortError::LinkDown { .. }));
        slot.end_start(!lost);
        if let Err(error) = &started {
            slot.stop(limits.stop, &format!("start not confirmed: {error}"));
        }
        started
    }

    fn still_wanted(&self, ticket: u64) -> Result<(), PortError> {
        match &self.slot {
            Some(slot) if slot.may_start(ticket) => Ok(()),
            _ => Err(self.overtaken()),
        }
    }

    /// What an earlier stop may have left set.
    fn take_back(&self, wire: &mut dyn Wire, roles: &[Role]) -> Result<(), PortError> {
        for role in roles.iter().filter(|role| self.map.field(**role).is_some()) {
            if self.read(wire, *role)? != 0 {
                self.write(wire, *role, 0)?;
            }
        }
        Ok(())
    }

    fn raise_run_bit(&self, wire: &mut dyn Wire, ticket: u64) -> Result<CommandRecord, PortError> {
        self.take_back(wire, &[Role::Run, Role::Cut, Role::LineOff])?;
        self.still_wanted(ticket)?;
        let back = self.write_and_read(wire, Role::Run, 1)?;
        self.still_wanted(ticket)?;
        self.agreed(Role::Run, back)
    }

    fn walk_to_operation(&self, wire: &mut dyn Wire, ticket: u64) -> Result<CommandRecord, PortError> {
        self.take_back(wire, &[Role::LineOff])?;
        let deadline_ns = wire.now_ns() + WALK_DEADLINE_NS;
        let mut last: Option<ReadBack> = None;
        let mut left: Option<DriveState> = None;
        loop {
            let word = low_word(self.read(wire, Role::StatusWord)?);
            let late = wire.now_ns() >= deadline_ns;
            let state = DriveState::decode(word);
            if let (Some(DriveState::OperationEnabled), Some(back)) = (state, last.take_if(|_| left != state)) {
                return self.agreed(Role::ControlWord, back);
            }
            match state.filter(|_| left != state).and_then(first_step) {
                Some(step) if !late => {
                    self.still_wanted(ticket)?;
                    last = Some(self.write_and_read(wire, Role::ControlWord, u64::from(step))?);
                    left = state;
                }
                // A latched fault is left by a reset only; there is nothing to wait for.
                _ if late || state == Some(DriveState::Fault) => {
                    return Err(self.walk_ended(word, last.map_or(0, |back| back.wrote)));
                }
                _ => wire.pause(WALK_PAUSE),
            }
        }
    }

    fn walk_ended(&self, read: u16, wrote: u64) -> PortError {
        let (address, unit, role) = (self.address.clone(), self.unit, role_name(Role::StatusWord));
        PortError::ReadBack { address, unit, role, wrote, read: u64::from(read) }
    }

    /// Clear a latched fault with the run command taken back first.
    pub(super) fn reset(&self, wire: &mut dyn Wire) -> Result<CommandRecord, PortError> {
        let (role, before, edge) = if self.map.cia402 {
            (Role::ControlWord, Role::ControlWord, u64::from(Command::FaultReset.word()))
        } else {
            (Role::Reset, Role::Run, 1)
        };
        self.write(wire, before, 0)?;
        let record = self.write_and_read(wire, role, edge)?.record;
        // The next reset needs an edge again.
        self.write(wire, role, 0)?;
        Ok(record)
    }

    /// Ask the transfer device for a position, or a virtual bench for a line-up.
    pub(super) fn select(&self, wire: &mut dyn Wire, role: Role, number: u16) -> Result<CommandRecord, PortError> {
        let value = f64::from(number);
        let outside = || PortError::OutOfRange { role: role_name(role), value };
        if let Some((least, most)) = self.field(role)?.allowed
            && !(least..=most).contains(&i64::from(number))
        {
            return Err(outside());
        }
        let back = self.write_and_read(wire, role, u64::from(number))?;
        self.agreed(role, back)
    }

    /// Does the device itself say that its selector stands at local?
    pub(super) fn stands_at_local(&self, wire: &mut dyn Wire) -> bool {
        let found = self.read_all(wire, &[Role::Remote, Role::StatusWord]);
        found.is_ok_and(|values| self.status(0, &values).remote == Some(false))
    }

    /// Take back a run order that an earlier session, or a lost link, left with the output off: whoever clears a fault at the
    /// panel must not start the motor by it. `None`: there was none, or the output is on and somebody else's.
    pub(super) fn clear_run(&self, wire: &mut dyn Wire) -> Result<Option<CommandRecord>, PortError> {
        self.limits()?;
        let roles = [Role::Run, Role::ControlWord, Role::Running, Role::StatusWord];
        let values = self.read_all(wire, &roles)?;
        let (role, armed) = match self.map.cia402 {
            true => (Role::ControlWord, values.get(&Role::ControlWord).is_some_and(|word| word & SWITCH_ON != 0)),
            false => (Role::Run, values.get(&Role::Run).is_some_and(|bit| *bit != 0)),
        };
        if !armed || self.status(0, &values).running {
            return Ok(None);
        }
        let back = self.write_and_read(wire, role, 0)?;
        self.agreed(role, back).map(Some)
    }

    fn stop_writes(&self, kind: StopKind) -> Vec<(Role, u64)> {
        let cut = (kind != StopKind::Ramp).then_some((Role::Cut, 1));
        // The line contactor, where one is described, behind the starter's own cut: should its write be lost, these are out.
        let line_off = (kind == StopKind::ContactorOff).then_some((Role::LineOff, 1));
        let run = if self.map.cia402 {
            (Role::ControlWord, u64::from(drive::stop_command(kind).word()))
        } else {
            (Role::Run, 0)
        };
        let all = cut.into_iter().chain([run]).chain(line_off);
        all.filter(|(role, _)| *role == run.0 || self.map.field(*role).is_some()).collect()
    }

    /// Send a stop once and look. True: a status read shows it accepted. Every write leaves a record.
    pub(super) fn stop_once(&self, wire: &mut dyn Wire, wanted: Wanted, cause: &str) -> bool {
        let mut records: Vec<(Role, CommandRecord)> = Vec::new();
        let mut lost = false;
        for (role, raw) in self.stop_writes(wanted.kind) {
            let sent_wall_ns = wire.now_ns();
            let written = if lost { Err(self.no_line()) } else { self.write_at_once(wire, role, raw) };
            lost |= matches!(written, Err(PortError::LinkDown { .. } | PortError::Timeout { .. }));
            let told = written.as_ref().err().map_or(String::new(), |error| format!(": {error}"));
            let what = format!("{} ({}, {cause}){told}", self.says(role, raw), stop_words(wanted.kind));
            let record =
                CommandRecord { sent_wall_ns, answered_wall_ns: None, what, wrote: low_word(raw), read_back: None };
            records.push((role, record));
        }
        let roles =
            [Role::Run, Role::Cut, Role::LineOff, Role::ControlWord, Role::Running, Role::AtSpeed, Role::StatusWord];
        let values = if lost { BTreeMap::new() } else { self.read_all(wire, &roles).unwrap_or_default() };
        let accepted = self.shows_accepted(wanted.kind, &|role| values.get(&role).copied());
        self.file_stop_records(records, &values, accepted, wire.now_ns());
        accepted
    }

    fn no_line(&self) -> PortError {
        PortError::LinkDown { address: self.address.clone(), reason: "lost in the write before".into() }
    }

    fn file_stop_records(
        &self,
        records: Vec<(Role, CommandRecord)>,
        values: &BTreeMap<Role, u64>,
        accepted: bool,
        read_ns: u64,
    ) {
        let Some(slot) = &self.slot else { return };
        for (role, mut record) in records {
            record.read_back = values.get(&role).copied().map(low_word);
            let confirmed = accepted || record.read_back == Some(record.wrote);
            record.answered_wall_ns = confirmed.then_some(read_ns);
            slot.record(record);
        }
    }

    fn shows_accepted(&self, kind: StopKind, raw: &dyn Fn(Role) -> Option<u64>) -> bool {
        let has_line_off = kind == StopKind::ContactorOff && self.map.field(Role::LineOff).is_some();
        if has_line_off && raw(Role::LineOff) != Some(1) {
            return false;
        }
        if self.map.cia402 {
            let state = raw(Role::StatusWord).and_then(|word| DriveState::decode(low_word(word)));
            return state.is_some_and(|state| drive::stop_accepted(kind, state));
        }
        // A map without output bits leaves only the run bit to look at.
        let off = |role| raw(role).is_some_and(|bit| bit == 0) || self.map.field(role).is_none();
        let left_speed = self.map.field(Role::AtSpeed).is_some() && off(Role::AtSpeed);
        let ramping = kind == StopKind::Ramp && (left_speed || self.map.field(Role::AtSpeed).is_none());
        raw(Role::Run) == Some(0) && (off(Role::Running) || ramping)
    }
}

/// The walk to operation always writes at least once, so that a start is an edge even on a drive left enabled.
fn first_step(from: DriveState) -> Option<u16> {
    match from {
        DriveState::OperationEnabled => Some(Command::DisableVoltage.word()),
        _ => state::next_command(from, state::Wanted::Operation),
    }
}

fn stop_words(kind: StopKind) -> &'static str {
    match kind {
        StopKind::Ramp => "stop by ramp",
        StopKind::Coast => "stop by coasting",
        StopKind::ContactorOff => "stop by contactor off",
    }
}
