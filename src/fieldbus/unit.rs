//! One device on a bus: what it is, and the plain dialogues with it (identify, read, write and read back, settings).
//! The starting and stopping dialogues are in `orders`. All of them speak through [`Wire`], so that a stop can cut in
//! wherever they wait.

use super::LinkError;
use super::bits::{BitImages, BitWrite};
use super::frame::{Answer, READ_BITS_MAX, READ_REGISTERS_MAX, Request, exception_name};
use super::stop::StopSlot;
use crate::rig::model::Link;
use crate::rig::register_map::{Field, RegisterMap, Role, Table};
use crate::sequence::ports::{CommandRecord, DeviceIdentity, PortError, StatusReading};
use crate::starters::state::{DriveState, Status};
use crate::starters::{Settings, StopKind};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU16, AtomicU64, Ordering::SeqCst};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Value of [`Role::VirtualMark`] in a virtual device ("VR").
pub const VIRTUAL_MARK: u16 = 0x5652;
/// Fault code of a drive that has no fault register but shows the fault bit.
pub const FAULT_WITHOUT_CODE: u16 = u16::MAX;

const POLLED_OF_A_STARTER: [Role; 9] = [
    Role::Running,
    Role::AtSpeed,
    Role::Fault,
    Role::Current,
    Role::SpeedActual,
    Role::StartCount,
    Role::StatusWord,
    Role::Remote,
    Role::EmergencyStopOk,
];

/// A bus as the dialogues see it. A stop may be sent inside any call.
pub(super) trait Wire {
    /// Ask and wait for the checked answer. A read may be asked twice, a write never. `measured`: places of measured
    /// values in the answer, which may change from one look to the next.
    fn transact(&mut self, request: &Request, measured: &[Measured]) -> Result<Answer, LinkError>;
    /// Prove what was read since the last proof, where frames alone do not.
    fn prove(&mut self) -> Result<(), LinkError>;
    /// Wall time, ns.
    fn now_ns(&self) -> u64;
    /// Let wall time pass, serving stops.
    fn pause(&mut self, time: Duration);
}

/// What a starter may be told.
#[derive(Debug, Clone)]
pub(super) struct StarterLimits {
    pub(super) settings_min: Settings,
    pub(super) settings_max: Settings,
    pub(super) comm_timeout_s: f64,
    pub(super) stop: StopKind,
}

/// What kind of device.
#[derive(Debug, Clone)]
pub(super) enum UnitKind {
    Starter(Box<StarterLimits>),
    Bench,
    /// Looked at, never commanded.
    Watched,
}

/// Neighbouring fields of one table, read in one transaction.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Span {
    table: Table,
    address: u16,
    fields: Vec<(Role, Field)>,
}

/// A measured value in an answer: it may change from one look to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Measured {
    pub(super) at: usize,
    pub(super) field: Field,
}

impl Span {
    fn count(&self) -> u16 {
        let end = |field: &Field| field.address - self.address + field.registers();
        self.fields.iter().map(|(_, field)| end(field)).max().unwrap_or(0)
    }

    fn place(&self, field: &Field) -> usize {
        usize::from(field.address - self.address)
    }

    /// Most bits or registers in one read of `most_bytes` of data; one at least.
    fn most(&self, most_bytes: usize) -> u16 {
        let is_bits = matches!(self.table, Table::Coil | Table::DiscreteInput);
        let (most, fits) =
            if is_bits { (READ_BITS_MAX, most_bytes.saturating_mul(8)) } else { (READ_REGISTERS_MAX, most_bytes / 2) };
        u16::try_from(fits).unwrap_or(most).clamp(1, most)
    }

    fn takes(&self, field: &Field, most_bytes: usize) -> bool {
        // Fields come sorted: the next table begins at any address.
        if self.table != field.table {
            return false;
        }
        let next = self.address.checked_add(self.count());
        let with = (field.address - self.address).saturating_add(field.registers()).max(self.count());
        next.is_some_and(|next| field.address <= next) && with <= self.most(most_bytes)
    }
}

/// Group fields into as few reads as possible without reading an address that the map does not name, none of more than
/// `most_bytes` of data.
pub(super) fn spans(map: &RegisterMap, most_bytes: usize, wanted: impl Fn(Role) -> bool) -> Vec<Span> {
    let mut fields: Vec<(Role, &Field)> =
        map.fields.iter().filter(|(role, _)| wanted(**role)).map(|(role, field)| (*role, field)).collect();
    fields.sort_by_key(|(_, field)| (field.table, field.address));
    let mut spans: Vec<Span> = Vec::new();
    for (role, field) in fields {
        match spans.last_mut() {
            Some(span) if span.takes(field, most_bytes) => span.fields.push((role, *field)),
            _ => spans.push(Span { table: field.table, address: field.address, fields: vec![(role, *field)] }),
        }
    }
    spans
}

/// What is asked behind values that must be proven: the identity, with its neighbour where there is one, so that the
/// answer looks like few others.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Challenge {
    pub(super) request: Request,
    /// Place of the identity in the answer.
    pub(super) at: usize,
    pub(super) expected: u16,
}

impl Challenge {
    fn of(map: &RegisterMap) -> Option<Self> {
        let identity = map.field(Role::Identity)?;
        let expected = identity.expect?;
        let (table, address) = (identity.table, identity.address);
        let mapped = |address: u16| map.fields.values().any(|field| field.covers(table, address));
        let (first, count) = match (address.checked_add(1), address.checked_sub(1)) {
            (Some(next), _) if mapped(next) => (address, 2),
            (_, Some(before)) if mapped(before) => (before, 2),
            _ => (address, 1),
        };
        let request = Request::Read { table, address: first, count };
        Some(Self { request, at: usize::from(address - first), expected })
    }
}

/// See the module's documentation.
pub(super) struct Unit {
    /// `link/unit`, for records.
    pub(super) name: String,
    /// host:port.
    pub(super) address: String,
    pub(super) unit: u8,
    /// Most bytes of data in one read.
    most_bytes: usize,
    pub(super) map: RegisterMap,
    pub(super) kind: UnitKind,
    pub(super) polls: Vec<Span>,
    pub(super) slot: Option<Arc<StopSlot>>,
    /// The right device has answered here in this session and no wrong one since.
    pub(super) known: AtomicBool,
    /// Wall time of the last `alive(true)`, ns; 0: withheld.
    pub(super) alive_ns: AtomicU64,
    pub(super) setting_writes: AtomicU64,
    pub(super) challenge: Option<Challenge>,
    /// Registers of command bits as last wanted.
    bits: BitImages,
    /// Writes of fields with a budget.
    spent: Mutex<BTreeMap<Role, u32>>,
    beats: AtomicU16,
}

/// A write with its read-back.
#[derive(Debug, Clone)]
pub(super) struct ReadBack {
    pub(super) record: CommandRecord,
    pub(super) wrote: u64,
    pub(super) read: u64,
}

/// What a record keeps: commands are one register.
pub(super) fn low_word(raw: u64) -> u16 {
    raw as u16
}

impl Unit {
    /// A device that has not been heard yet.
    pub(super) fn new(link: &Link, unit: u8, map: RegisterMap, kind: UnitKind, slot: Option<Arc<StopSlot>>) -> Self {
        let most_bytes = link.serial.map_or(usize::MAX, |line| line.most_data_bytes());
        let polls = match kind {
            UnitKind::Starter(_) => spans(&map, most_bytes, |role| POLLED_OF_A_STARTER.contains(&role)),
            UnitKind::Bench => spans(&map, most_bytes, |_| true),
            UnitKind::Watched => spans(&map, most_bytes, |role| Role::VALUES.contains(&role)),
        };
        let challenge = Challenge::of(&map);
        Self {
            name: format!("{}/{unit}", link.id),
            address: link.address.clone(),
            most_bytes,
            unit,
            map,
            kind,
            polls,
            slot,
            known: AtomicBool::new(false),
            alive_ns: AtomicU64::new(0),
            setting_writes: AtomicU64::new(0),
            challenge,
            bits: BitImages::default(),
            spent: Mutex::new(BTreeMap::new()),
            beats: AtomicU16::new(0),
        }
    }

    /// The port's error for what went wrong on the line.
    pub(super) fn port_error(&self, error: LinkError) -> PortError {
        let (address, unit) = (self.address.clone(), self.unit);
        match error {
            LinkError::Timeout { timeout_ms } => PortError::Timeout { address, unit, timeout_ms },
            LinkError::Frame(super::frame::FrameError::Exception { code }) => {
                PortError::Refused { address, unit, code, meaning: exception_name(code).to_owned() }
            }
            LinkError::Overtaken => PortError::Overtaken { address, unit },
            LinkError::Down { reason } => PortError::LinkDown { address, reason },
            doubt => PortError::LinkDown { address, reason: doubt.to_string() },
        }
    }

    pub(super) fn overtaken(&self) -> PortError {
        PortError::Overtaken { address: self.address.clone(), unit: self.unit }
    }

    pub(super) fn field(&self, role: Role) -> Result<&Field, PortError> {
        self.map.field(role).ok_or_else(|| PortError::NoField { map: self.map.name.clone(), role: role_name(role) })
    }

    /// Prove what was read since the last proof.
    pub(super) fn prove(&self, wire: &mut dyn Wire) -> Result<(), PortError> {
        wire.prove().map_err(|error| self.port_error(error))
    }

    /// Read one field; to be proven.
    pub(super) fn read(&self, wire: &mut dyn Wire, role: Role) -> Result<u64, PortError> {
        let field = *self.field(role)?;
        let span = Span { table: field.table, address: field.address, fields: vec![(role, field)] };
        let mut values = BTreeMap::new();
        self.read_span(wire, &span, &mut values)?;
        values.remove(&role).ok_or_else(|| self.port_error(LinkError::Down { reason: "empty answer".into() }))
    }

    /// Read a span and add what it holds to `into`.
    pub(super) fn read_span(
        &self,
        wire: &mut dyn Wire,
        span: &Span,
        into: &mut BTreeMap<Role, u64>,
    ) -> Result<(), PortError> {
        let request = Request::Read { table: span.table, address: span.address, count: span.count() };
        let measured = span.fields.iter().filter(|(role, _)| is_measured(*role));
        let measured: Vec<_> = measured.map(|(_, field)| Measured { at: span.place(field), field: *field }).collect();
        let values = match wire.transact(&request, &measured) {
            Ok(Answer::Values(values)) => values,
            Ok(Answer::Written) => Vec::new(),
            Err(error) => return Err(self.port_error(error)),
        };
        let raw = |(role, field): &(Role, Field)| {
            let own = values.get(span.place(field)..span.place(field) + usize::from(field.registers()))?;
            Some((*role, field.gather(own)))
        };
        into.extend(span.fields.iter().filter_map(raw));
        Ok(())
    }

    /// Read several fields in as few transactions as possible and prove them; fields the map lacks are left out.
    pub(super) fn read_all(&self, wire: &mut dyn Wire, roles: &[Role]) -> Result<BTreeMap<Role, u64>, PortError> {
        let mut values = BTreeMap::new();
        for span in spans(&self.map, self.most_bytes, |role| roles.contains(&role)) {
            self.read_span(wire, &span, &mut values)?;
        }
        self.prove(wire)?;
        Ok(values)
    }

    fn write_request(&self, role: Role, raw: u64) -> Result<Request, PortError> {
        let field = self.field(role)?;
        if !self.map.knows(role, raw) {
            return Err(PortError::OutOfRange { role: role_name(role), value: field.to_si(raw) });
        }
        match (field.table, &field.spread(raw)[..]) {
            (Table::Coil, _) if field.writable => Ok(Request::WriteCoil { address: field.address, on: raw != 0 }),
            (Table::Holding, [value]) if field.writable => {
                Ok(Request::WriteRegister { address: field.address, value: *value })
            }
            (Table::Holding, values) if field.writable => {
                Ok(Request::WriteRegisters { address: field.address, values: values.to_vec() })
            }
            _ => Err(PortError::NoField { map: self.map.name.clone(), role: format!("writing {}", role_name(role)) }),
        }
    }

    /// The bit of a register that a write of `role` changes; `None`: it takes a coil or whole registers.
    fn bit_write(&self, role: Role, raw: u64) -> Option<(BitWrite, bool)> {
        let field = self.map.field(role).filter(|field| field.table == Table::Holding && field.writable)?;
        let (address, bit) = (field.address, field.bit?);
        let bits = self.map.fields.values().filter(|other| other.writable && other.covers(Table::Holding, address));
        let ours = bits.filter_map(|other| other.bit).fold(0, |ours, bit| ours | 1 << bit);
        Some((BitWrite { address, bit, on: raw != 0, ours }, field.mask_write))
    }

    /// A register as it stands, proven.
    fn read_register(&self, wire: &mut dyn Wire, address: u16) -> Result<u16, PortError> {
        let request = Request::Read { table: Table::Holding, address, count: 1 };
        let answer = wire.transact(&request, &[]).map_err(|error| self.port_error(error))?;
        self.prove(wire)?;
        match answer {
            Answer::Values(values) if values.len() == 1 => Ok(values[0]),
            _ => Err(self.port_error(LinkError::Down { reason: "empty answer".into() })),
        }
    }

    /// Write one field, without reading back.
    pub(super) fn write(&self, wire: &mut dyn Wire, role: Role, raw: u64) -> Result<(), PortError> {
        self.write_with(wire, (role, raw), false)
    }

    /// As [`Self::write`], without waiting for a reading where the register of the bit is known: stops.
    pub(super) fn write_at_once(&self, wire: &mut dyn Wire, role: Role, raw: u64) -> Result<(), PortError> {
        self.write_with(wire, (role, raw), true)
    }

    fn write_with(&self, wire: &mut dyn Wire, (role, raw): (Role, u64), at_once: bool) -> Result<(), PortError> {
        let request = match self.bit_write(role, raw) {
            None => self.write_request(role, raw)?,
            Some((bit, true)) => {
                Request::MaskWrite { address: bit.address, and: !bit.mask(), or: if bit.on { bit.mask() } else { 0 } }
            }
            Some((bit, false)) => {
                let value = match at_once.then(|| self.bits.at_once(bit)).flatten() {
                    Some(value) => value,
                    None => {
                        let read = self.read_register(wire, bit.address)?;
                        self.bits.after_reading(bit, read)
                    }
                };
                Request::WriteRegister { address: bit.address, value }
            }
        };
        wire.transact(&request, &[]).map(drop).map_err(|error| self.port_error(error))
    }

    /// Write one field and read it back; whether the two agree is the caller's to ask.
    pub(super) fn write_and_read(&self, wire: &mut dyn Wire, role: Role, raw: u64) -> Result<ReadBack, PortError> {
        let sent_wall_ns = wire.now_ns();
        let read = self.write(wire, role, raw).and_then(|()| self.read(wire, role));
        let record = |what, read: Option<u64>| CommandRecord {
            sent_wall_ns,
            answered_wall_ns: read.map(|_| wire.now_ns()),
            what,
            wrote: low_word(raw),
            read_back: read.map(low_word),
        };
        match read {
            Ok(read) => Ok(ReadBack { record: record(self.says(role, raw), Some(read)), wrote: raw, read }),
            // Nothing was sent.
            Err(error @ (PortError::OutOfRange { .. } | PortError::NoField { .. })) => Err(error),
            Err(error) => {
                self.file(record(format!("{}: {error}", self.says(role, raw)), None));
                Err(error)
            }
        }
    }

    /// Keep a record that no caller takes: settings, and what was cut short or answered otherwise. A starter's lie with its stop
    /// records.
    pub(super) fn file(&self, record: CommandRecord) {
        if let Some(slot) = &self.slot {
            slot.record(record);
        }
    }

    /// A read-back that differs is an error.
    pub(super) fn agreeing(&self, role: Role, wrote: u64, read: u64) -> Result<(), PortError> {
        if wrote == read {
            return Ok(());
        }
        let (address, unit, role) = (self.address.clone(), self.unit, role_name(role));
        Err(PortError::ReadBack { address, unit, role, wrote, read })
    }

    /// The record of a read-back that agrees.
    pub(super) fn agreed(&self, role: Role, back: ReadBack) -> Result<CommandRecord, PortError> {
        match self.agreeing(role, back.wrote, back.read) {
            Ok(()) => Ok(back.record),
            Err(error) => {
                self.file(back.record);
                Err(error)
            }
        }
    }

    /// `bench/2 run=1`, with the value's name where the map has one.
    pub(super) fn says(&self, role: Role, raw: u64) -> String {
        let word = self.map.word(role, raw).map_or(String::new(), |word| format!(" {word:?}"));
        match role {
            Role::ControlWord => format!("{} {}={raw:#06x}{word}", self.name, role_name(role)),
            _ => format!("{} {}={raw}{word}", self.name, role_name(role)),
        }
    }

    /// Writes of fields with a budget so far, `bench/2 ramp_down`.
    pub(super) fn stored_writes(&self) -> Vec<(String, u32)> {
        let spent = self.spent.lock().unwrap_or_else(PoisonError::into_inner);
        spent.iter().map(|(role, count)| (self.stored_name(*role), *count)).collect()
    }

    /// Earlier processes have written so often.
    pub(super) fn remember_stored_writes(&self, counts: &BTreeMap<String, u32>) {
        let mut spent = self.spent.lock().unwrap_or_else(PoisonError::into_inner);
        for (role, _) in self.map.fields.iter().filter(|(_, field)| field.write_budget.is_some()) {
            if let Some(earlier) = counts.get(&self.stored_name(*role)) {
                let count = spent.entry(*role).or_insert(0);
                *count = (*count).max(*earlier);
            }
        }
    }

    fn stored_name(&self, role: Role) -> String {
        format!("{} {}", self.name, role.name())
    }

    /// Count a write against the field's budget.
    pub(super) fn spend(&self, role: Role) -> Result<(), PortError> {
        let Some(budget) = self.field(role)?.write_budget else { return Ok(()) };
        let mut spent = self.spent.lock().unwrap_or_else(PoisonError::into_inner);
        let count = spent.entry(role).or_insert(0);
        if *count >= budget {
            let (address, unit, role) = (self.address.clone(), self.unit, role_name(role));
            return Err(PortError::WornOut { address, unit, role, budget });
        }
        *count += 1;
        Ok(())
    }

    /// Ask who is there. Any doubt ends the right to write.
    pub(super) fn identify(&self, wire: &mut dyn Wire) -> Result<DeviceIdentity, PortError> {
        let signature = self.read_expected(wire, Role::Identity)?;
        let firmware = match self.map.field(Role::Firmware) {
            Some(_) => Some(self.read_expected(wire, Role::Firmware)?),
            None => None,
        };
        let is_virtual = self.map.field(Role::VirtualMark).is_some()
            && match self.read(wire, Role::VirtualMark) {
                Ok(mark) => mark == u64::from(VIRTUAL_MARK),
                Err(PortError::Refused { .. }) => false,
                Err(error) => return Err(error),
            };
        self.prove(wire)?;
        self.known.store(true, SeqCst);
        Ok(DeviceIdentity { signature, firmware, is_virtual })
    }

    fn read_expected(&self, wire: &mut dyn Wire, role: Role) -> Result<u16, PortError> {
        let found = low_word(self.read(wire, role)?);
        match self.field(role)?.expect {
            Some(expected) if expected != found => {
                self.known.store(false, SeqCst);
                Err(PortError::WrongDevice { address: self.address.clone(), unit: self.unit, found, expected })
            }
            _ => Ok(found),
        }
    }

    /// One beat.
    pub(super) fn beat(&self, wire: &mut dyn Wire) -> Result<(), PortError> {
        if self.map.field(Role::Heartbeat).is_none() {
            return Ok(());
        }
        let number = self.beats.fetch_add(1, SeqCst).wrapping_add(1);
        self.write(wire, Role::Heartbeat, u64::from(number))
    }

    /// Polled values as the executor sees them.
    pub(super) fn status(&self, at_wall_ns: u64, values: &BTreeMap<Role, u64>) -> StatusReading {
        let raw = |role| values.get(&role).copied();
        let si = |role| Some(self.map.field(role)?.to_si(raw(role)?));
        let word = raw(Role::StatusWord).map(|word| Status::decode(low_word(word)));
        let state = word.and_then(|word| word.state);
        // A word that matches no state is never taken for a stopped drive.
        let driving = word.is_some() && state.is_none_or(DriveState::output_on);
        let in_operation = state == Some(DriveState::OperationEnabled);
        let faulted = matches!(state, Some(DriveState::Fault | DriveState::FaultReactionActive));
        StatusReading {
            at_wall_ns,
            running: raw(Role::Running).map_or(driving, |bit| bit != 0),
            at_speed: raw(Role::AtSpeed)
                .map_or(in_operation && word.is_some_and(|word| word.target_reached), |bit| bit != 0),
            fault: raw(Role::Fault).map(low_word).unwrap_or(if faulted { FAULT_WITHOUT_CODE } else { 0 }),
            current_a: si(Role::Current),
            speed_actual: si(Role::SpeedActual),
            start_count: raw(Role::StartCount).map(low_word),
            // A map's own register speaks before the word, for drives that do not serve bit 9.
            remote: raw(Role::Remote).map(|bit| bit != 0).or(word.map(|word| word.remote)),
            emergency_stop_ok: raw(Role::EmergencyStopOk).map(|bit| bit != 0),
        }
    }
}

/// True for what changes by itself from one look to the next.
fn is_measured(role: Role) -> bool {
    matches!(role, Role::Current | Role::SpeedActual | Role::ShaftSpeed | Role::TimeScale)
        || Role::VALUES.contains(&role)
}

/// Name of a role as the map files spell it.
pub(super) fn role_name(role: Role) -> String {
    match serde_json::to_value(role) {
        Ok(serde_json::Value::String(name)) => name,
        _ => format!("{role:?}"),
    }
}
