//! One device on a bus: what it is, and the plain dialogues with it (identify, read, write and read back, settings).
//! The starting and stopping dialogues are in `orders`. All of them speak through [`Wire`], so that a stop can cut in
//! wherever they wait.

use super::LinkError;
use super::frame::{Answer, READ_BITS_MAX, READ_REGISTERS_MAX, Request, exception_name};
use super::stop::StopSlot;
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
    /// Ask and wait for the checked answer. A read may be asked twice, a write never.
    fn transact(&mut self, unit: u8, request: &Request) -> Result<Answer, LinkError>;
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

    fn most(&self) -> u16 {
        if matches!(self.table, Table::Coil | Table::DiscreteInput) { READ_BITS_MAX } else { READ_REGISTERS_MAX }
    }

    fn takes(&self, field: &Field) -> bool {
        let next = self.address.checked_add(self.count());
        self.table == field.table && next.is_some_and(|next| field.address <= next) && self.count() < self.most()
    }
}

/// Group fields into as few reads as possible without reading an address that the map does not name.
pub(super) fn spans(map: &RegisterMap, wanted: impl Fn(Role) -> bool) -> Vec<Span> {
    let mut fields: Vec<(Role, &Field)> =
        map.fields.iter().filter(|(role, _)| wanted(**role)).map(|(role, field)| (*role, field)).collect();
    fields.sort_by_key(|(_, field)| (field.table, field.address));
    let mut spans: Vec<Span> = Vec::new();
    for (role, field) in fields {
        match spans.last_mut() {
            Some(span) if span.takes(field) => span.roles.push((role, field.address)),
            _ => spans.push(Span { table: field.table, address: field.address, roles: vec![(role, field.address)] }),
        }
    }
    spans
}

/// See the module's documentation.
pub(super) struct Unit {
    /// `link/unit`, for records.
    pub(super) name: String,
    /// host:port.
    pub(super) address: String,
    pub(super) unit: u8,
    pub(super) map: RegisterMap,
    pub(super) kind: UnitKind,
    pub(super) polls: Vec<Span>,
    pub(super) slot: Option<Arc<StopSlot>>,
    /// The right device has answered here in this session and no wrong one since.
    pub(super) known: AtomicBool,
    /// Wall time of the last `alive(true)`, ns; 0: withheld.
    pub(super) alive_ns: AtomicU64,
    pub(super) setting_writes: AtomicU64,
    beats: AtomicU16,
}

impl Unit {
    /// A device that has not been heard yet.
    pub(super) fn new(
        link_id: &str,
        address: &str,
        unit: u8,
        map: RegisterMap,
        kind: UnitKind,
        slot: Option<Arc<StopSlot>>,
    ) -> Self {
        let polls = match kind {
            UnitKind::Starter(_) => spans(&map, |role| POLLED_OF_A_STARTER.contains(&role)),
            UnitKind::Bench => spans(&map, |_| true),
        };
        Self {
            name: format!("{link_id}/{unit}"),
            address: address.to_owned(),
            unit,
            map,
            kind,
            polls,
            slot,
            known: AtomicBool::new(false),
            alive_ns: AtomicU64::new(0),
            setting_writes: AtomicU64::new(0),
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
            LinkError::Down { reason } => PortError::LinkDown { address, reason },
            LinkError::Frame(frame) => PortError::LinkDown { address, reason: frame.to_string() },
        }
    }

    pub(super) fn overtaken(&self) -> PortError {
        PortError::Overtaken { address: self.address.clone(), unit: self.unit }
    }

    pub(super) fn field(&self, role: Role) -> Result<&Field, PortError> {
        self.map.field(role).ok_or_else(|| PortError::NoField { map: self.map.name.clone(), role: role_name(role) })
    }

    /// Read one field, raw.
    pub(super) fn read(&self, wire: &mut dyn Wire, role: Role) -> Result<u16, PortError> {
        let field = self.field(role)?;
        let request = Request::Read { table: field.table, address: field.address, count: 1 };
        let values = self.values(wire, &request)?;
        values.first().copied().ok_or_else(|| self.port_error(LinkError::Down { reason: "empty answer".into() }))
    }

    fn values(&self, wire: &mut dyn Wire, request: &Request) -> Result<Vec<u16>, PortError> {
        match wire.transact(self.unit, request) {
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
        let values = self.values(wire, &request)?;
        let value_of = |address: u16| values.get(usize::from(address - span.address)).copied();
        into.extend(span.roles.iter().filter_map(|(role, address)| Some((*role, value_of(*address)?))));
        Ok(())
    }

    /// Read several fields in as few transactions as possible; fields the map lacks are left out.
    pub(super) fn read_all(&self, wire: &mut dyn Wire, roles: &[Role]) -> Result<BTreeMap<Role, u16>, PortError> {
        let mut values = BTreeMap::new();
        for span in spans(&self.map, |role| roles.contains(&role)) {
            self.read_span(wire, &span, &mut values)?;
        }
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
        wire.transact(self.unit, &request).map(drop).map_err(|error| self.port_error(error))
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

/// Name of a role as the map files spell it.
pub(super) fn role_name(role: Role) -> String {
    match serde_json::to_value(role) {
        Ok(serde_json::Value::String(name)) => name,
        _ => format!("{role:?}"),
    }
}
