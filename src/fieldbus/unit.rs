//! One device on a bus: what it is, and the plain dialogues with it (identify, read, write and read back, settings).
//! The starting and stopping dialogues are in `orders`. All of them speak through [`Wire`], so that a stop can cut in
//! wherever they wait.

use super::LinkError;
use super::frame::{Answer, READ_BITS_MAX, READ_REGISTERS_MAX, Request, exception_name};
use super::stop::StopSlot;
use crate::rig::model::Link;
use crate::rig::register_map::{Field, RegisterMap, Role, Table};
use crate::sequence::ports::{CommandRecord, DeviceIdentity, PortError, StatusReading};
use crate::starters::state::{DriveState, Status};
use crate::starters::{Settings, StopKind};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU16, AtomicU64, Ordering::SeqCst};
use std::time::Duration;

/// Value of [`Role::VirtualMark`] in a virtual device ("VR").
pub const VIRTUAL_MARK: u16 = 0x5652;
/// Fault code of a drive that has no fault register but shows the fault bit.
pub const FAULT_WITHOUT_CODE: u16 = u16::MAX;

const POLLED_OF_A_STARTER: [Role; 7] =
    [Role::Running, Role::AtSpeed, Role::Fault, Role::Current, Role::SpeedActual, Role::StartCount, Role::StatusWord];

/// A bus as the dialogues see it. A stop may be sent inside any call.
pub(super) trait Wire {
    /// Ask and wait for the checked answer. A read may be asked twice, a write never. `measured`: places of measured
    /// values in the answer, which may change from one look to the next.
    fn transact(&mut self, request: &Request, measured: &[usize]) -> Result<Answer, LinkError>;
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
}

/// Neighbouring fields of one table, read in one transaction.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Span {
    table: Table,
    address: u16,
    roles: Vec<(Role, u16)>,
}

impl Span {
    fn count(&self) -> u16 {
        self.roles.iter().map(|(_, address)| address - self.address + 1).max().unwrap_or(0)
    }

    /// Most bits or registers in one read of `most_bytes` of data; one at least.
    fn most(&self, most_bytes: usize) -> u16 {
        let is_bits = matches!(self.table, Table::Coil | Table::DiscreteInput);
        let (most, fits) =
            if is_bits { (READ_BITS_MAX, most_bytes.saturating_mul(8)) } else { (READ_REGISTERS_MAX, most_bytes / 2) };
        u16::try_from(fits).unwrap_or(most).clamp(1, most)
    }

    fn takes(&self, field: &Field, most_bytes: usize) -> bool {
        let next = self.address.checked_add(self.count());
        self.table == field.table
            && next.is_some_and(|next| field.address <= next)
            && self.count() < self.most(most_bytes)
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
            Some(span) if span.takes(field, most_bytes) => span.roles.push((role, field.address)),
            _ => spans.push(Span { table: field.table, address: field.address, roles: vec![(role, field.address)] }),
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
        let mapped = |address: u16| map.fields.values().any(|field| (field.table, field.address) == (table, address));
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
    beats: AtomicU16,
}

impl Unit {
    /// A device that has not been heard yet.
    pub(super) fn new(link: &Link, unit: u8, map: RegisterMap, kind: UnitKind, slot: Option<Arc<StopSlot>>) -> Self {
        let most_bytes = link.serial.map_or(usize::MAX, |line| line.most_data_bytes());
        let polls = match kind {
            UnitKind::Starter(_) => spans(&map, most_bytes, |role| POLLED_OF_A_STARTER.contains(&role)),
            UnitKind::Bench => spans(&map, most_bytes, |_| true),
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

    /// Read one field, raw; to be proven.
    pub(super) fn read(&self, wire: &mut dyn Wire, role: Role) -> Result<u16, PortError> {
        let field = self.field(role)?;
        let request = Request::Read { table: field.table, address: field.address, count: 1 };
        let values = self.values(wire, &request, if is_measured(role) { &[0] } else { &[] })?;
        values.first().copied().ok_or_else(|| self.port_error(LinkError::Down { reason: "empty answer".into() }))
    }

    fn values(&self, wire: &mut dyn Wire, request: &Request, measured: &[usize]) -> Result<Vec<u16>, PortError> {
        match wire.transact(request, measured) {
            Ok(Answer::Values(values)) => Ok(values),
            Ok(Answer::Written) => Ok(Vec::new()),
            Err(error) => Err(self.port_error(error)),
        }
    }

    /// Read a span and add what it holds to `into`.
    pub(super) fn read_span(
        &self,
        wire: &mut dyn Wire,
        span: &Span,
        into: &mut BTreeMap<Role, u16>,
    ) -> Result<(), PortError> {
        let request = Request::Read { table: span.table, address: span.address, count: span.count() };
        let measured = span.roles.iter().filter(|(role, _)| is_measured(*role));
        let places: Vec<usize> = measured.map(|(_, address)| usize::from(address - span.address)).collect();
        let values = self.values(wire, &request, &places)?;
        let value_of = |address: u16| values.get(usize::from(address - span.address)).copied();
        into.extend(span.roles.iter().filter_map(|(role, address)| Some((*role, value_of(*address)?))));
        Ok(())
    }

    /// Read several fields in as few transactions as possible and prove them; fields the map lacks are left out.
    pub(super) fn read_all(&self, wire: &mut dyn Wire, roles: &[Role]) -> Result<BTreeMap<Role, u16>, PortError> {
        let mut values = BTreeMap::new();
        for span in spans(&self.map, self.most_bytes, |role| roles.contains(&role)) {
            self.read_span(wire, &span, &mut values)?;
        }
        self.prove(wire)?;
        Ok(values)
    }

    fn write_request(&self, role: Role, raw: u16) -> Result<Request, PortError> {
        let field = self.field(role)?;
        match field.table {
            Table::Coil if field.writable => Ok(Request::WriteCoil { address: field.address, on: raw != 0 }),
            Table::Holding if field.writable => Ok(Request::WriteRegister { address: field.address, value: raw }),
            _ => Err(PortError::NoField { map: self.map.name.clone(), role: format!("writing {}", role_name(role)) }),
        }
    }

    /// Write one field, without reading back.
    pub(super) fn write(&self, wire: &mut dyn Wire, role: Role, raw: u16) -> Result<(), PortError> {
        let request = self.write_request(role, raw)?;
        wire.transact(&request, &[]).map(drop).map_err(|error| self.port_error(error))
    }

    /// Write one field and read it back; whether the two agree is in the record.
    pub(super) fn write_and_read(&self, wire: &mut dyn Wire, role: Role, raw: u16) -> Result<CommandRecord, PortError> {
        let sent_wall_ns = wire.now_ns();
        self.write(wire, role, raw)?;
        let read = self.read(wire, role)?;
        Ok(CommandRecord {
            sent_wall_ns,
            answered_wall_ns: Some(wire.now_ns()),
            what: self.says(role, raw),
            wrote: raw,
            read_back: Some(read),
        })
    }

    /// A record whose read-back differs is an error.
    pub(super) fn agreeing(&self, role: Role, record: CommandRecord) -> Result<CommandRecord, PortError> {
        match record.read_back {
            Some(read) if read != record.wrote => Err(PortError::ReadBack {
                address: self.address.clone(),
                unit: self.unit,
                role: role_name(role),
                wrote: record.wrote,
                read,
            }),
            _ => Ok(record),
        }
    }

    /// `bench/2 run=1`.
    pub(super) fn says(&self, role: Role, raw: u16) -> String {
        match role {
            Role::ControlWord => format!("{} {}={raw:#06x}", self.name, role_name(role)),
            _ => format!("{} {}={raw}", self.name, role_name(role)),
        }
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
                Ok(mark) => mark == VIRTUAL_MARK,
                Err(PortError::Refused { .. }) => false,
                Err(error) => return Err(error),
            };
        self.prove(wire)?;
        self.known.store(true, SeqCst);
        Ok(DeviceIdentity { signature, firmware, is_virtual })
    }

    fn read_expected(&self, wire: &mut dyn Wire, role: Role) -> Result<u16, PortError> {
        let found = self.read(wire, role)?;
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
        self.write(wire, Role::Heartbeat, number)
    }

    /// Polled values as the executor sees them.
    pub(super) fn status(&self, at_wall_ns: u64, values: &BTreeMap<Role, u16>) -> StatusReading {
        let raw = |role| values.get(&role).copied();
        let si = |role| Some(self.map.field(role)?.to_si(raw(role)?));
        let word = raw(Role::StatusWord).map(Status::decode);
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
            fault: raw(Role::Fault).unwrap_or(if faulted { FAULT_WITHOUT_CODE } else { 0 }),
            current_a: si(Role::Current),
            speed_actual: si(Role::SpeedActual),
            start_count: raw(Role::StartCount),
        }
    }
}

/// True for what changes by itself from one look to the next.
fn is_measured(role: Role) -> bool {
    matches!(role, Role::Current | Role::SpeedActual | Role::ShaftSpeed | Role::TimeScale)
}

/// Name of a role as the map files spell it.
pub(super) fn role_name(role: Role) -> String {
    match serde_json::to_value(role) {
        Ok(serde_json::Value::String(name)) => name,
        _ => format!("{role:?}"),
    }
}
