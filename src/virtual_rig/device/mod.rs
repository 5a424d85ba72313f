//! The devices on the bus, as one rack: every unit's registers, the selector and the emergency-stop circuit they share,
//! and the witness that counts outputs. Driven by the same register maps as the controller, with rules of its own.

mod bench_unit;
mod drive_profile;
mod registers;
mod starter;
#[cfg(test)]
mod tests;

pub use bench_unit::Witness;
pub use registers::{Refusal, is_bit};
pub use starter::FAULT_COMMUNICATION;

use super::bench::Bench;
use super::truth::DeviceTruth;
use super::{VIRTUAL_MARK, VirtualRigError};
use crate::rig::model::{Rig, Starter, Transfer};
use crate::rig::register_map::Table;
use bench_unit::BenchUnit;
use registers::Registers;
use starter::StarterDevice;

/// What holds for all devices at a moment.
#[derive(Debug, Clone, Copy)]
pub struct Circumstances {
    /// Host's monotonic clock, ns.
    pub wall_ns: u64,
    /// Rig time since the last scan, s (0 for a bus request).
    pub dt_rig_s: f64,
    /// Rig seconds per wall second.
    pub time_scale: f64,
    /// Selector at remote.
    pub remote: bool,
    /// Emergency-stop circuit closed.
    pub emergency_stop_ok: bool,
}

#[derive(Debug, Clone)]
enum Unit {
    Bench(BenchUnit),
    Starter(StarterDevice),
}

/// All devices, by unit number.
#[derive(Debug, Clone)]
pub struct Rack {
    units: Vec<(u8, Unit)>,
    remote: bool,
    emergency_stop_ok: bool,
    refuse_writes: bool,
    time_scale: f64,
    witness: Witness,
}

impl Rack {
    /// The devices of a rig. Two devices under one unit number are refused: the virtual rig has one port.
    pub fn new(rig: &Rig, truth: &DeviceTruth) -> Result<Self, VirtualRigError> {
        if let Some(device) = rig.devices.first() {
            return Err(VirtualRigError::NotPlayed { device: device.id.clone() });
        }
        Self::of(&rig.starters, rig.transfer.as_ref(), truth)
    }

    pub(super) fn of(
        starters: &[Starter],
        transfer: Option<&Transfer>,
        truth: &DeviceTruth,
    ) -> Result<Self, VirtualRigError> {
        let mut units = Vec::new();
        if let Some(transfer) = transfer {
            let positions = starters.iter().filter_map(|starter| starter.transfer_position).collect();
            let unit = BenchUnit::new(transfer, positions, truth.transfer_travel_s, VIRTUAL_MARK);
            units.push((transfer.unit, Unit::Bench(unit)));
        }
        let valve = truth.control_valve.is_some();
        for (index, starter) in starters.iter().enumerate() {
            let delay_s = truth.closing_delay_s.get(index).copied().unwrap_or(0.0);
            units.push((
                starter.unit,
                Unit::Starter(StarterDevice::new(index, starter, delay_s, VIRTUAL_MARK).tied(valve)),
            ));
        }
        for (at, (unit, _)) in units.iter().enumerate() {
            if units.iter().skip(at + 1).any(|(other, _)| other == unit) {
                return Err(VirtualRigError::UnitTaken { unit: *unit });
            }
        }
        Ok(Self {
            units,
            remote: true,
            emergency_stop_ok: true,
            refuse_writes: false,
            time_scale: 1.0,
            witness: Witness::default(),
        })
    }

    /// Read from the bus.
    pub fn read(&self, unit: u8, table: Table, address: u16, quantity: u16) -> Result<Vec<u16>, Refusal> {
        self.registers(unit)?.read(table, address, quantity)
    }

    /// Write from the bus at wall time `wall_ns`.
    pub fn write(&mut self, unit: u8, table: Table, address: u16, raws: &[u16], wall_ns: u64) -> Result<(), Refusal> {
        let fields = self.registers(unit)?.plan_write(table, address, raws)?;
        if self.refuse_writes {
            return Err(Refusal::State);
        }
        let now = self.circumstances(wall_ns, 0.0);
        match self.units.iter_mut().find(|(number, _)| *number == unit) {
            Some((_, Unit::Bench(device))) => device.write(&fields, &now),
            Some((_, Unit::Starter(device))) => device.write(&fields, &now),
            None => Err(Refusal::NoSuchUnit),
        }
    }

    /// One scan of all devices against the physics.
    pub fn scan(&mut self, bench: &mut dyn Bench, wall_ns: u64, dt_rig_s: f64, time_scale: f64) {
        self.time_scale = time_scale;
        let now = self.circumstances(wall_ns, dt_rig_s);
        for (_, unit) in &mut self.units {
            if let Unit::Bench(device) = unit {
                device.travel(dt_rig_s);
            }
        }
        let selected = self.selected();
        for (_, unit) in &mut self.units {
            if let Unit::Starter(device) = unit {
                device.scan(bench, &now, selected);
            }
        }
        self.look();
        for (_, unit) in &mut self.units {
            if let Unit::Bench(device) = unit {
                device.publish(bench, &now, self.witness);
            }
        }
    }

    /// Turn the selector to remote or local.
    pub fn set_remote(&mut self, remote: bool) {
        let left = self.remote && !remote;
        self.remote = remote;
        if left {
            self.starters_mut().for_each(StarterDevice::left_remote);
        }
    }

    /// Press or release the emergency stop. Releasing starts nothing.
    pub fn set_emergency_stop(&mut self, pressed: bool) {
        self.emergency_stop_ok = !pressed;
        if pressed {
            self.starters_mut().for_each(StarterDevice::cut);
        }
    }

    /// Refuse every write with exception 04 (a fault for tests), or take writes again.
    pub fn set_refuse_writes(&mut self, refuse: bool) {
        self.refuse_writes = refuse;
    }

    /// What the witness has seen.
    pub fn witness(&self) -> Witness {
        self.witness
    }

    fn circumstances(&self, wall_ns: u64, dt_rig_s: f64) -> Circumstances {
        Circumstances {
            wall_ns,
            dt_rig_s,
            time_scale: self.time_scale,
            remote: self.remote,
            emergency_stop_ok: self.emergency_stop_ok,
        }
    }

    fn look(&mut self) {
        let mut outputs_on = 0_u16;
        for device in self.starters_mut().filter(|device| device.output_on()) {
            let bit = u32::from(device.position().saturating_sub(1)).min(15);
            outputs_on |= 1 << bit;
        }
        let on = u16::try_from(outputs_on.count_ones()).unwrap_or(u16::MAX);
        self.witness = Witness { outputs_on, most_on: self.witness.most_on.max(on) };
    }

    fn selected(&self) -> Option<u16> {
        self.units.iter().find_map(|(_, unit)| match unit {
            Unit::Bench(device) => device.position(),
            Unit::Starter(_) => None,
        })
    }

    fn registers(&self, unit: u8) -> Result<&Registers, Refusal> {
        match self.units.iter().find(|(number, _)| *number == unit) {
            Some((_, Unit::Bench(device))) => Ok(device.registers()),
            Some((_, Unit::Starter(device))) => Ok(device.registers()),
            None => Err(Refusal::NoSuchUnit),
        }
    }

    fn starters_mut(&mut self) -> impl Iterator<Item = &mut StarterDevice> {
        self.units.iter_mut().filter_map(|(_, unit)| match unit {
            Unit::Starter(device) => Some(device),
            Unit::Bench(_) => None,
        })
    }
}
