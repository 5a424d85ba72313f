//! The devices on the bus, as one rack: every unit's registers, the selector and the emergency-stop circuit they share,
//! and the witness that counts outputs. Driven by the same register maps as the controller, with rules of its own.

mod bench_unit;
mod drive_profile;
mod hands;
mod registers;
mod starter;
#[cfg(test)]
mod tests;

pub use bench_unit::Witness;
pub use hands::Hands;
pub use registers::{Refusal, is_bit};
pub use starter::FAULT_COMMUNICATION;

use super::bench::Bench;
use super::truth::DeviceTruth;
use super::{VIRTUAL_MARK, VirtualRigError};
use crate::rig::model::{Rig, Starter, Transfer};
use crate::rig::register_map::{Role, Table};
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
    /// Only looked at: its registers, with what its sensors read.
    Watched(Registers),
}

/// All devices, by unit number.
#[derive(Debug, Clone)]
pub struct Rack {
    units: Vec<(u8, Unit)>,
    /// Units of the devices that are only looked at, in the rig's order.
    watched: Vec<u8>,
    remote: bool,
    emergency_stop_ok: bool,
    refuse_writes: bool,
    time_scale: f64,
    witness: Witness,
    hands: Hands,
    /// Nothing is on and the shaft stands, as of the last scan.
    at_rest: bool,
}

/// A shaft slower than this stands, rad/s.
const STANDS_RAD_S: f64 = 0.1;

impl Rack {
    /// The devices of a rig whose valves stand in a line-up. Two devices under one unit number are refused: the virtual rig
    /// has one port.
    pub fn new(rig: &Rig, truth: &DeviceTruth, line_up: usize) -> Result<Self, VirtualRigError> {
        let ids = rig.line_ups.iter().map(|line_up| line_up.id.clone()).collect();
        let mut rack =
            Self { hands: Hands::new(ids, line_up), ..Self::of(&rig.starters, rig.transfer.as_ref(), truth)? };
        for device in &rig.devices {
            if rack.units.iter().any(|(unit, _)| *unit == device.unit) {
                return Err(VirtualRigError::UnitTaken { unit: device.unit });
            }
            let mut registers = Registers::from_map(&device.map);
            registers.put(Role::VirtualMark, VIRTUAL_MARK);
            rack.units.push((device.unit, Unit::Watched(registers)));
            rack.watched.push(device.unit);
        }
        Ok(rack)
    }

    /// What a sensor of a device that is only looked at reads, as counts; held at the ends of its register.
    pub fn measure(&mut self, device: usize, role: Role, counts: i32) {
        let unit = self.watched.get(device).copied();
        let found = self.units.iter_mut().find(|(number, _)| Some(*number) == unit);
        if let Some((_, Unit::Watched(registers))) = found {
            registers.put_si(role, registers.field(role).map_or(0.0, |field| field.to_si_of(f64::from(counts))));
        }
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
            watched: Vec::new(),
            remote: true,
            emergency_stop_ok: true,
            refuse_writes: false,
            time_scale: 1.0,
            witness: Witness::default(),
            hands: Hands::new(vec!["only".to_owned()], 0),
            at_rest: true,
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
        for (_, number) in fields.iter().filter(|(role, _)| *role == Role::LineUpSelect) {
            self.hands.order(*number, self.witness.outputs_on == 0)?;
        }
        let now = self.circumstances(wall_ns, 0.0);
        match self.units.iter_mut().find(|(number, _)| *number == unit) {
            Some((_, Unit::Bench(device))) => device.write(&fields, &now),
            Some((_, Unit::Starter(device))) => device.write(&fields, &now),
            Some((_, Unit::Watched(_))) => Err(Refusal::State),
            None => Err(Refusal::NoSuchUnit),
        }
    }

    /// One scan of all devices against the physics.
    ///
    /// # Errors
    /// The bench cannot stand in the line-up that its valves were set to.
    pub fn scan(
        &mut self,
        bench: &mut dyn Bench,
        wall_ns: u64,
        dt_rig_s: f64,
        time_scale: f64,
    ) -> Result<(), VirtualRigError> {
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
        self.at_rest = self.witness.outputs_on == 0 && bench.speed_rad_s().abs() < STANDS_RAD_S;
        self.hands.work(bench, self.at_rest, dt_rig_s)?;
        let line_up = self.hands.stands();
        for (_, unit) in &mut self.units {
            if let Unit::Bench(device) = unit {
                device.publish(bench, &now, (self.witness, line_up));
            }
        }
        Ok(())
    }

    /// Have the valves set as in the line-up of this id, as by `line_up_select`; says why not.
    pub fn set_line_up(&mut self, id: &str) -> Result<(), String> {
        let number = self.hands.number(id).ok_or_else(|| format!("{id}: not a line-up of this rig"))?;
        let refused = |_| format!("{id}: valves are set at standstill only");
        self.hands.order(u64::from(number), self.witness.outputs_on == 0).map_err(refused)
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

    /// Somebody sets the loss-of-communication time of every starter at its panel, s.
    pub fn set_comm_timeout(&mut self, time_s: f64) {
        self.starters_mut().for_each(|device| device.set_comm_timeout(time_s));
    }

    /// Starters whose run order outlives whatever cuts their outputs (a fault for tests).
    pub fn keep_run(&mut self) {
        self.starters_mut().for_each(StarterDevice::keep_run);
    }

    /// Contacts that stick once they are closed, or open again (a fault for tests).
    pub fn weld(&mut self, welded: bool) {
        self.starters_mut().for_each(|device| device.weld(welded));
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
            Unit::Starter(_) | Unit::Watched(_) => None,
        })
    }

    fn registers(&self, unit: u8) -> Result<&Registers, Refusal> {
        match self.units.iter().find(|(number, _)| *number == unit) {
            Some((_, Unit::Bench(device))) => Ok(device.registers()),
            Some((_, Unit::Starter(device))) => Ok(device.registers()),
            Some((_, Unit::Watched(registers))) => Ok(registers),
            None => Err(Refusal::NoSuchUnit),
        }
    }

    fn starters_mut(&mut self) -> impl Iterator<Item = &mut StarterDevice> {
        self.units.iter_mut().filter_map(|(_, unit)| match unit {
            Unit::Starter(device) => Some(device),
            Unit::Bench(_) | Unit::Watched(_) => None,
        })
    }
}
