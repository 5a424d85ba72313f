//! The bus against devices that behave, misbehave and die. `device` is a server on plain sockets; `peers` are programs
//! of other people's libraries.

pub mod device;
mod hostile;
mod late;
mod left_over;
pub mod mbpoll;
mod orders;
pub mod peers;
mod rtu;
pub mod rtu_device;
mod stops;
mod typed;
mod virtual_rig;
mod wire;

use device::{Act, Device, PATIENCE};
use ramprig::clock::{SystemClock, WallClock};
use ramprig::fieldbus::{self, Fieldbus};
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::Role;
use std::sync::Arc;

pub const CONTACTOR: usize = 0;
pub const SOFT: usize = 1;
pub const DRIVE: usize = 2;

/// A rig, a device that plays all its units, and the buses to it.
pub struct Stand {
    pub device: Device,
    pub fieldbus: Fieldbus,
    pub rig: Rig,
}

pub fn rig() -> Rig {
    let mut rig = ramprig::rig::parse(ramprig::rig::shipped("terrace-bench").unwrap(), "terrace-bench.toml").unwrap();
    rig.links[0].poll_s = 0.01;
    rig
}

impl Stand {
    /// Not yet up.
    pub fn begin(change: impl FnOnce(&mut Rig, &Device)) -> Self {
        Self::with_clock(Arc::new(SystemClock), change)
    }

    pub fn with_clock(clock: Arc<dyn WallClock>, change: impl FnOnce(&mut Rig, &Device)) -> Self {
        let mut rig = rig();
        let device = Device::for_rig(&mut rig);
        change(&mut rig, &device);
        let fieldbus = fieldbus::open(&rig, clock);
        Self { device, fieldbus, rig }
    }

    /// Up: every unit identified, the second connection answering.
    pub fn up(change: impl FnOnce(&mut Rig, &Device)) -> Self {
        let stand = Self::begin(change);
        stand.fieldbus.wait_up(PATIENCE).unwrap();
        stand
    }

    /// Block the main connection: a poll of the drive (the second connection never polls) waits for its answer.
    pub fn hold_main(&self) {
        let (unit, field) = (self.unit(DRIVE), *self.rig.starters[DRIVE].map.field(Role::StatusWord).unwrap());
        self.device
            .script(move |seen, _| if seen.unit == unit && seen.reads(&field) { Act::Hold } else { Act::Honest });
        self.device.wait_held();
    }

    pub fn unit(&self, starter: usize) -> u8 {
        self.rig.starters[starter].unit
    }
}

/// Wait for something that other threads bring about; every look costs a round trip on the bus of `stand`, no sleep.
pub fn eventually(stand: &Stand, what: &str, mut holds: impl FnMut() -> bool) {
    let begun_ns = SystemClock.now_ns();
    while !holds() {
        assert!(SystemClock.now_ns() - begun_ns < PATIENCE.as_nanos() as u64, "never: {what}");
        let _ = stand.fieldbus.starter(CONTACTOR).identify();
    }
}
