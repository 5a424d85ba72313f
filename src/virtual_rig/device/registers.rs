//! The registers of one device: addresses and spans from the register map, raw values in memory.

use crate::rig::number_form::NumberForm;
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

/// Registers of one device, as they lie on the wire, and the fields in them.
#[derive(Debug, Clone, Default)]
pub struct Registers {
    words: BTreeMap<(Table, u16), u16>,
    fields: BTreeMap<Role, Field>,
}

impl Registers {
    /// All fields of `map`, zero except those with an expected constant.
    pub fn from_map(map: &RegisterMap) -> Self {
        let mut registers = Self { words: BTreeMap::new(), fields: map.fields.clone() };
        for field in map.fields.values() {
            for place in 0..field.registers() {
                registers.words.entry((field.table, field.address.saturating_add(place))).or_insert(0);
            }
        }
        for (role, field) in &map.fields {
            if let Some(expected) = field.expect {
                registers.put(*role, expected);
            }
        }
        registers
    }

    /// True when the map has the role.
    pub fn has(&self, role: Role) -> bool {
        self.fields.contains_key(&role)
    }

    /// Bit pattern of a role, `None` when the map lacks it.
    pub fn raw(&self, role: Role) -> Option<u64> {
        self.fields.get(&role).map(|field| field.gather(&self.words_of(field)))
    }

    /// SI value of a role.
    pub fn si(&self, role: Role) -> Option<f64> {
        Some(self.fields.get(&role)?.to_si(self.raw(role)?))
    }

    /// The field of a role.
    pub fn field(&self, role: Role) -> Option<&Field> {
        self.fields.get(&role)
    }

    fn words_of(&self, field: &Field) -> Vec<u16> {
        let word = |place| self.words.get(&(field.table, field.address.saturating_add(place))).copied().unwrap_or(0);
        (0..field.registers()).map(word).collect()
    }

    /// The device's own write: read-only fields too, no span check. Without effect when the map lacks the role.
    pub fn put(&mut self, role: Role, raw: impl Into<u64>) {
        let Some(field) = self.fields.get(&role).copied() else { return };
        let others = field.bit.map_or(0, |bit| !(1_u16 << bit));
        for (place, word) in (0..).zip(field.spread(raw.into())) {
            if let Some(cell) = self.words.get_mut(&(field.table, field.address.saturating_add(place))) {
                *cell = *cell & others | word;
            }
        }
    }

    /// The device's own write of a bit.
    pub fn put_bit(&mut self, role: Role, on: bool) {
        self.put(role, u16::from(on));
    }

    /// The device's own write of an SI value; one that does not fit a 16-bit register is held at the end of its range, a
    /// wider one is left as it is.
    pub fn put_si(&mut self, role: Role, value: f64) {
        let Some(field) = self.field(role) else { return };
        let number = (value - field.offset) / field.scale;
        let held = match field.form {
            NumberForm::U16 => number.clamp(0.0, 65535.0),
            NumberForm::I16 => number.clamp(-32768.0, 32767.0),
            _ => number,
        };
        if let Some(raw) = field.form.pattern(held) {
            self.put(role, raw);
        }
    }

    /// Read `quantity` neighbours from `address`; a hole in the range refuses the whole request.
    pub fn read(&self, table: Table, address: u16, quantity: u16) -> Result<Vec<u16>, Refusal> {
        let most = if is_bit(table) { 2000 } else { 125 };
        if quantity == 0 || quantity > most {
            return Err(Refusal::Value);
        }
        let keys = span(address, quantity)?;
        keys.map(|at| self.words.get(&(table, at)).copied().ok_or(Refusal::Address)).collect()
    }

    /// What a write would do, as (role, bit pattern) in address order. Nothing is changed: the device decides. A number
    /// of several registers is written whole or not at all.
    pub fn plan_write(&self, table: Table, address: u16, raws: &[u16]) -> Result<Vec<(Role, u64)>, Refusal> {
        let most = if is_bit(table) { 1968 } else { 123 };
        if raws.is_empty() || raws.len() > most {
            return Err(Refusal::Value);
        }
        span(address, u16::try_from(raws.len()).map_err(|_| Refusal::Value)?)?;
        let (mut at, mut rest, mut plan) = (address, raws, Vec::new());
        while !rest.is_empty() {
            let (role, field) = self.writable_at(table, at).ok_or(Refusal::Address)?;
            if field.bit.is_some() {
                plan.extend(self.bits_at(table, at).map(|(role, bit)| (role, bit.gather(rest))));
                rest = &rest[1..];
                at = at.wrapping_add(1);
                continue;
            }
            let own = rest.get(..usize::from(field.registers())).ok_or(Refusal::Address)?;
            let raw = field.gather(own);
            if !field.allows(raw) {
                return Err(Refusal::Value);
            }
            plan.push((role, raw));
            rest = &rest[own.len()..];
            at = at.wrapping_add(field.registers());
        }
        Ok(plan)
    }

    /// Every writable bit of a register.
    fn bits_at(&self, table: Table, address: u16) -> impl Iterator<Item = (Role, &Field)> {
        let here = move |field: &Field| (field.table, field.address) == (table, address) && field.writable;
        self.fields.iter().filter(move |(_, field)| here(field)).map(|(role, field)| (*role, field))
    }

    fn writable_at(&self, table: Table, address: u16) -> Option<(Role, &Field)> {
        let begins = |(_, field): &(&Role, &Field)| (field.table, field.address) == (table, address) && field.writable;
        self.fields.iter().find(begins).map(|(role, field)| (*role, field))
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
    use crate::rig::number_form::WordOrder;

    fn field(table: Table, address: u16, writable: bool, allowed: Option<(i64, i64)>) -> Field {
        Field { scale: 0.1, allowed, writable, ..Field::plain(table, address) }
    }

    fn registers() -> Registers {
        let fields = BTreeMap::from([
            (Role::RampUp, field(Table::Holding, 10, true, Some((5, 600)))),
            (Role::RampDown, field(Table::Holding, 11, true, Some((5, 600)))),
            (Role::Current, field(Table::Input, 0, false, None)),
            (Role::SpeedActual, field(Table::Holding, 12, false, None)),
        ]);
        Registers::from_map(&RegisterMap {
            name: "t".into(),
            about: String::new(),
            cia402: false,
            fields,
            words: BTreeMap::new(),
        })
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

    #[test]
    fn keeps_wide_numbers_whole_and_bits_of_a_register_apart() {
        let wide = Field {
            form: NumberForm::F32,
            order: WordOrder::LowFirst,
            writable: true,
            ..Field::plain(Table::Holding, 20)
        };
        let bit = |bit| Field { bit: Some(bit), ..Field::plain(Table::Input, 5) };
        let fields = BTreeMap::from([(Role::RampUp, wide), (Role::Running, bit(0)), (Role::AtSpeed, bit(3))]);
        let map = RegisterMap { name: "t".into(), about: String::new(), cia402: false, fields, words: BTreeMap::new() };
        let mut registers = Registers::from_map(&map);
        registers.put_si(Role::RampUp, 2.5);
        assert_eq!(registers.read(Table::Holding, 20, 2), Ok(vec![0, 0x4020]), "2.5 is 0x40200000");
        assert_eq!(registers.plan_write(Table::Holding, 20, &[0, 0x4060]), Ok(vec![(Role::RampUp, 0x4060_0000)]));
        assert_eq!(registers.plan_write(Table::Holding, 20, &[0]), Err(Refusal::Address), "half a number");
        assert_eq!(registers.plan_write(Table::Holding, 21, &[0]), Err(Refusal::Address), "the other half");
        registers.put_bit(Role::AtSpeed, true);
        registers.put_bit(Role::Running, true);
        registers.put_bit(Role::AtSpeed, false);
        assert_eq!(registers.read(Table::Input, 5, 1), Ok(vec![1]));
        assert_eq!((registers.raw(Role::Running), registers.raw(Role::AtSpeed)), (Some(1), Some(0)));
    }
}
