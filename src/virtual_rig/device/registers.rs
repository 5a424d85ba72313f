//! The registers of one device: addresses and spans from the register map, raw values in memory.

use crate::rig::register_map::{Field, RegisterMap, Role, Table};
use std::collections::BTreeMap;

/// Why a device refuses a request: the exception codes of the MODBUS Application Protocol Specification V1.1b3, sec. 7,
/// that this rig uses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// 01: the device does not know the function.
    #[error("illegal function")]
    Function,
    /// 02: no such address, or a write to an address that can only be read.
    #[error("illegal data address")]
    Address,
    /// 03: value outside the allowed span, or a count outside the specification.
    #[error("illegal data value")]
    Value,
    /// 04: the device will not do it in its present state (local, fault, emergency stop pressed).
    #[error("server device failure")]
    State,
    /// 0x0B: nothing answers under this unit number.
    #[error("gateway target device failed to respond")]
    NoSuchUnit,
}

/// One register or bit.
#[derive(Debug, Clone)]
struct Cell {
    role: Role,
    field: Field,
    raw: u16,
}

/// Registers of one device, keyed by table and address as on the wire.
#[derive(Debug, Clone, Default)]
pub struct Registers {
    cells: BTreeMap<(Table, u16), Cell>,
    addresses: BTreeMap<Role, (Table, u16)>,
}

impl Registers {
    /// All fields of `map`, zero except those with an expected constant.
    pub fn from_map(map: &RegisterMap) -> Self {
        let mut registers = Self::default();
        for (role, field) in &map.fields {
            let key = (field.table, field.address);
            let raw = field.expect.unwrap_or(0);
            registers.cells.insert(key, Cell { role: *role, field: *field, raw });
            registers.addresses.insert(*role, key);
        }
        registers
    }

    /// True when the map has the role.
    pub fn has(&self, role: Role) -> bool {
        self.addresses.contains_key(&role)
    }

    /// Raw value of a role, `None` when the map lacks it.
    pub fn raw(&self, role: Role) -> Option<u16> {
        self.cell(role).map(|cell| cell.raw)
    }

    /// SI value of a role.
    pub fn si(&self, role: Role) -> Option<f64> {
        self.cell(role).map(|cell| cell.field.to_si(cell.raw))
    }

    /// The field of a role.
    pub fn field(&self, role: Role) -> Option<&Field> {
        self.cell(role).map(|cell| &cell.field)
    }

    /// The device's own write: read-only fields too, no span check. Without effect when the map lacks the role.
    pub fn put(&mut self, role: Role, raw: u16) {
        if let Some(cell) = self.addresses.get(&role).and_then(|key| self.cells.get_mut(key)) {
            cell.raw = raw;
        }
    }

    /// The device's own write of a bit.
    pub fn put_bit(&mut self, role: Role, on: bool) {
        self.put(role, u16::from(on));
    }

    /// The device's own write of an SI value; one that does not fit is held at the end of the 16-bit range.
    pub fn put_si(&mut self, role: Role, value: f64) {
        let Some(field) = self.field(role) else { return };
        let number = ((value - field.offset) / field.scale).round();
        let raw = if field.signed {
            (number.clamp(-32768.0, 32767.0) as i16).cast_unsigned()
        } else {
            number.clamp(0.0, 65535.0) as u16
        };
        self.put(role, raw);
    }

    /// Read `quantity` neighbours from `address`; a hole in the range refuses the whole request.
    pub fn read(&self, table: Table, address: u16, quantity: u16) -> Result<Vec<u16>, Refusal> {
        let most = if is_bit(table) { 2000 } else { 125 };
        if quantity == 0 || quantity > most {
            return Err(Refusal::Value);
        }
        let keys = span(address, quantity)?;
        keys.map(|at| self.cells.get(&(table, at)).map(|cell| cell.raw).ok_or(Refusal::Address)).collect()
    }

    /// What a write would do, as (role, raw) in address order. Nothing is changed: the device decides.
    pub fn plan_write(&self, table: Table, address: u16, raws: &[u16]) -> Result<Vec<(Role, u16)>, Refusal> {
        let most = if is_bit(table) { 1968 } else { 123 };
        if raws.is_empty() || raws.len() > most {
            return Err(Refusal::Value);
        }
        let quantity = u16::try_from(raws.len()).map_err(|_| Refusal::Value)?;
        span(address, quantity)?.zip(raws).map(|(at, raw)| self.plan_one(table, at, *raw)).collect()
    }

    fn plan_one(&self, table: Table, address: u16, raw: u16) -> Result<(Role, u16), Refusal> {
        let cell = self.cells.get(&(table, address)).ok_or(Refusal::Address)?;
        if !cell.field.writable {
            return Err(Refusal::Address);
        }
        let number = if cell.field.signed { i32::from(raw.cast_signed()) } else { i32::from(raw) };
        match cell.field.allowed {
            Some((low, high)) if number < low || number > high => Err(Refusal::Value),
            _ => Ok((cell.role, raw)),
        }
    }

    fn cell(&self, role: Role) -> Option<&Cell> {
        self.addresses.get(&role).and_then(|key| self.cells.get(key))
    }
}

/// True for the two tables of bits.
pub fn is_bit(table: Table) -> bool {
    matches!(table, Table::Coil | Table::DiscreteInput)
}

fn span(address: u16, quantity: u16) -> Result<std::ops::RangeInclusive<u16>, Refusal> {
    let last = address.checked_add(quantity - 1).ok_or(Refusal::Address)?;
    Ok(address..=last)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn field(table: Table, address: u16, writable: bool, allowed: Option<(i32, i32)>) -> Field {
        Field { table, address, signed: false, scale: 0.1, offset: 0.0, allowed, writable, expect: None }
    }

    fn registers() -> Registers {
        let fields = BTreeMap::from([
            (Role::RampUp, field(Table::Holding, 10, true, Some((5, 600)))),
            (Role::RampDown, field(Table::Holding, 11, true, Some((5, 600)))),
            (Role::Current, field(Table::Input, 0, false, None)),
            (Role::SpeedActual, field(Table::Holding, 12, false, None)),
        ]);
        Registers::from_map(&RegisterMap { name: "t".into(), about: String::new(), cia402: false, fields })
    }

    #[test]
    fn rejects_addresses_that_the_map_does_not_have() {
        let registers = registers();
        assert_eq!(registers.read(Table::Holding, 9, 1), Err(Refusal::Address));
        assert_eq!(registers.read(Table::Holding, 10, 4), Err(Refusal::Address), "one hole refuses all");
        assert_eq!(registers.read(Table::Holding, 65535, 2), Err(Refusal::Address), "past the last address");
        assert_eq!(registers.read(Table::Coil, 10, 1), Err(Refusal::Address), "right address, wrong table");
        assert_eq!(registers.read(Table::Holding, 10, 3), Ok(vec![0, 0, 0]));
    }

    #[test]
    fn rejects_counts_outside_the_specification() {
        let registers = registers();
        assert_eq!(registers.read(Table::Holding, 10, 0), Err(Refusal::Value));
        assert_eq!(registers.read(Table::Holding, 10, 126), Err(Refusal::Value));
        assert_eq!(registers.read(Table::Coil, 10, 2001), Err(Refusal::Value));
        assert_eq!(registers.plan_write(Table::Holding, 10, &[]), Err(Refusal::Value));
    }

    #[test]
    fn rejects_writes_outside_the_allowed_span_and_to_read_only_registers() {
        let registers = registers();
        assert_eq!(registers.plan_write(Table::Holding, 10, &[4]), Err(Refusal::Value));
        assert_eq!(registers.plan_write(Table::Holding, 10, &[601]), Err(Refusal::Value));
        assert_eq!(registers.plan_write(Table::Holding, 12, &[5]), Err(Refusal::Address));
        assert_eq!(registers.plan_write(Table::Input, 0, &[5]), Err(Refusal::Address));
        assert_eq!(
            registers.plan_write(Table::Holding, 10, &[5, 600]),
            Ok(vec![(Role::RampUp, 5), (Role::RampDown, 600)])
        );
    }
}
