//! The bench unit: transfer device with its travel time, selector, emergency-stop circuit, witness and identity.
//!
//! The transfer device moves whenever it is told to, with outputs on too: the virtual bench has no mechanical interlock,
//! so that a controller that relies on one is found out by the witness. Position 0 is between positions: selecting it
//! parks the device there, with no starter on the motor.

use super::Circumstances;
use super::registers::{Refusal, Registers};
use crate::rig::model::Transfer;
use crate::rig::register_map::Role;
use crate::virtual_rig::bench::Bench;

/// What the witness has seen of all starter outputs.
#[derive(Debug, Clone, Copy, Default)]
pub struct Witness {
    /// One bit an output that is on, bit 0 = position 1.
    pub outputs_on: u16,
    /// Most outputs ever on at one moment.
    pub most_on: u16,
}

/// The bench unit.
#[derive(Debug, Clone)]
pub struct BenchUnit {
    registers: Registers,
    positions: Vec<u16>,
    position: u16,
    travel_to: u16,
    travel_left_s: f64,
    travel_s: f64,
}

impl BenchUnit {
    /// A bench unit that stands at the first of `positions`.
    pub fn new(transfer: &Transfer, positions: Vec<u16>, travel_s: f64, virtual_mark: u16) -> Self {
        let mut registers = Registers::from_map(&transfer.map);
        let first = positions.first().copied().unwrap_or(0);
        registers.put(Role::VirtualMark, virtual_mark);
        registers.put(Role::TransferSelect, first);
        registers.put(Role::TransferPosition, first);
        Self { registers, positions, position: first, travel_to: first, travel_left_s: 0.0, travel_s }
    }

    /// Its registers.
    pub fn registers(&self) -> &Registers {
        &self.registers
    }

    /// Position that stands on the motor; `None` while it travels.
    pub fn position(&self) -> Option<u16> {
        (self.position != 0).then_some(self.position)
    }

    /// A write from the bus, already checked for address and span; all fields or none take effect.
    pub fn write(&mut self, fields: &[(Role, u64)], now: &Circumstances) -> Result<(), Refusal> {
        for (role, raw) in fields {
            match role {
                Role::Heartbeat => {}
                _ if !now.remote => return Err(Refusal::State),
                Role::TransferSelect
                    if *raw != 0 && !self.positions.iter().any(|position| u64::from(*position) == *raw) =>
                {
                    return Err(Refusal::Value);
                }
                _ => {}
            }
        }
        for (role, raw) in fields {
            self.registers.put(*role, *raw);
            if *role == Role::TransferSelect {
                self.select(*raw as u16);
            }
        }
        Ok(())
    }

    fn select(&mut self, wanted: u16) {
        if wanted == self.travel_to {
            return;
        }
        self.travel_to = wanted;
        self.travel_left_s = self.travel_s;
        self.position = 0;
        self.registers.put(Role::TransferPosition, 0_u16);
    }

    /// Let the transfer device travel.
    pub fn travel(&mut self, dt_rig_s: f64) {
        if self.position == 0 && self.travel_to != 0 {
            self.travel_left_s -= dt_rig_s;
            if self.travel_left_s <= 0.0 {
                self.position = self.travel_to;
            }
        }
    }

    /// Refresh the status registers.
    pub fn publish(&mut self, bench: &dyn Bench, now: &Circumstances, (witness, line_up): (Witness, u16)) {
        self.registers.put(Role::LineUp, line_up);
        self.registers.put(Role::TransferPosition, self.position);
        self.registers.put_bit(Role::Remote, now.remote);
        self.registers.put_bit(Role::EmergencyStopOk, now.emergency_stop_ok);
        self.registers.put(Role::OutputsOn, witness.outputs_on);
        self.registers.put(Role::MostOutputsOn, witness.most_on);
        self.registers.put_si(Role::ShaftSpeed, bench.speed_rad_s());
        self.registers.put_si(Role::Current, bench.current_a());
        self.registers.put_si(Role::TimeScale, now.time_scale);
    }
}
