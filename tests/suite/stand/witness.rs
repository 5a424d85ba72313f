//! The virtual rig asked what is true, by an independent Modbus client and not by anything of the controller's.

use super::{DEADLINE, LOOK_EVERY};
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::{RegisterMap, Role, Table};
use std::net::SocketAddr;
use std::time::{Duration, Instant};
use tokio_modbus::Slave;
use tokio_modbus::client::tcp;
use tokio_modbus::prelude::{Reader, SlaveContext, Writer};

/// One question is given up after this, and asked again on a new connection.
const ANSWER: Duration = Duration::from_secs(5);

/// Asks each question on a connection of its own, again and again until it is answered: faults close connections.
pub struct Witness {
    runtime: tokio::runtime::Runtime,
    address: SocketAddr,
    bench: (u8, RegisterMap),
    starters: Vec<(u8, RegisterMap)>,
    rest_rad_s: f64,
}

impl Witness {
    pub fn of(address: SocketAddr, rig: &Rig) -> Self {
        let transfer = rig.transfer.as_ref().unwrap();
        Self {
            runtime: tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap(),
            address,
            bench: (transfer.unit, transfer.map.clone()),
            starters: rig.starters.iter().map(|starter| (starter.unit, starter.map.clone())).collect(),
            rest_rad_s: rig.rest_speed_rad_s,
        }
    }

    fn ask(&self, (unit, map): &(u8, RegisterMap), role: Role) -> f64 {
        let field = *map.field(role).unwrap_or_else(|| panic!("unit {unit} has no {role:?}"));
        let begun = Instant::now();
        loop {
            let question = async {
                let mut bus = tcp::connect(self.address).await.ok()?;
                bus.set_slave(Slave(*unit));
                match field.table {
                    Table::Input => bus.read_input_registers(field.address, 1).await.ok()?.ok()?.first().copied(),
                    Table::Holding => bus.read_holding_registers(field.address, 1).await.ok()?.ok()?.first().copied(),
                    Table::DiscreteInput => {
                        bus.read_discrete_inputs(field.address, 1).await.ok()?.ok()?.first().map(|bit| u16::from(*bit))
                    }
                    Table::Coil => {
                        bus.read_coils(field.address, 1).await.ok()?.ok()?.first().map(|bit| u16::from(*bit))
                    }
                }
            };
            if let Ok(Some(raw)) = self.runtime.block_on(async { tokio::time::timeout(ANSWER, question).await }) {
                return field.to_si(raw);
            }
            assert!(begun.elapsed() < DEADLINE, "the virtual rig does not answer: unit {unit} {role:?}");
            std::thread::sleep(LOOK_EVERY);
        }
    }

    /// Somebody else writes a register: of a starter, or of the bench unit (`None`). False: refused.
    pub fn foreign_hand(&self, starter: Option<usize>, role: Role, raw: u16) -> bool {
        let (unit, map) = starter.map_or(&self.bench, |starter| &self.starters[starter]);
        let address = map.field(role).unwrap_or_else(|| panic!("unit {unit} has no {role:?}")).address;
        let write = async {
            let mut bus = tcp::connect(self.address).await.ok()?;
            bus.set_slave(Slave(*unit));
            bus.write_single_register(address, raw).await.ok()?.ok()
        };
        self.runtime.block_on(async { tokio::time::timeout(ANSWER, write).await }).ok().flatten().is_some()
    }

    fn bench(&self, role: Role) -> f64 {
        self.ask(&self.bench, role)
    }

    /// One bit an output that is on, bit 0 = the first starter.
    pub fn outputs_on(&self) -> u16 {
        self.bench(Role::OutputsOn) as u16
    }

    /// Most outputs ever on at one moment.
    pub fn most_on(&self) -> u16 {
        self.bench(Role::MostOutputsOn) as u16
    }

    pub fn speed_rad_s(&self) -> f64 {
        self.bench(Role::ShaftSpeed)
    }

    pub fn at_rest(&self) -> bool {
        self.speed_rad_s().abs() < self.rest_rad_s
    }

    /// Starts that a starter has counted itself.
    pub fn starts(&self, starter: usize) -> u16 {
        self.ask(&self.starters[starter], Role::StartCount) as u16
    }

    /// What a register of a starter holds, SI.
    pub fn holds(&self, starter: usize, role: Role) -> f64 {
        self.ask(&self.starters[starter], role)
    }

    /// Fault code of a starter.
    pub fn fault(&self, starter: usize) -> u16 {
        self.ask(&self.starters[starter], Role::Fault) as u16
    }

    /// Nothing is on and nothing has ever been on beside another.
    #[track_caller]
    pub fn assert_all_off(&self) {
        assert_eq!(self.outputs_on(), 0, "outputs on, as the virtual rig says");
        assert!(self.most_on() <= 1, "{} outputs were on at once", self.most_on());
    }

    pub fn wait_until(&self, what: &str, mut event: impl FnMut(&Self) -> bool) {
        super::wait_until(what, || event(self));
    }

    pub fn wait_on(&self) {
        self.wait_until("an output is on", |witness| witness.outputs_on() != 0);
    }

    pub fn wait_off(&self) {
        self.wait_until("no output is on", |witness| witness.outputs_on() == 0);
    }
}
