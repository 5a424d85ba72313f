//! A virtual rig playing the shipped bench in this process, and a bus client that speaks in roles.

use super::stream::View;
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::{Field, RegisterMap, Role, Table};
use ramprig::virtual_rig::faults::Fault;
use ramprig::virtual_rig::{Options, Ready, run};
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio_modbus::client::{Context, tcp};
use tokio_modbus::prelude::{Client, Reader, Request, Response, SlaveContext, Writer};
use tokio_modbus::{ExceptionCode, Slave};

/// An event that does not come within this wall time has failed.
pub const DEADLINE: Duration = Duration::from_secs(60);
/// Units of the shipped bench.
pub const CONTACTOR: u8 = 1;
pub const SOFT: u8 = 2;
pub const DRIVE: u8 = 3;
pub const BENCH: u8 = 10;
pub const STARTERS: [u8; 3] = [CONTACTOR, SOFT, DRIVE];

pub fn terrace_bench() -> Rig {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("rig-configs/terrace-bench.toml");
    ramprig::rig::load(&path).unwrap_or_else(|problems| panic!("{problems:?}"))
}

pub struct Stand {
    pub rig: Rig,
    pub ready: Ready,
    pub controls: crossbeam_channel::Sender<Fault>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Stand {
    pub fn real_time() -> Self {
        Self::with(|_| {})
    }

    /// As fast as this machine goes while a viewer takes the stream.
    pub fn fast() -> Self {
        Self::with(|options| options.fast = Some(50.0))
    }

    pub fn with_seed(seed: u64, truth_file: Option<PathBuf>) -> Self {
        Self::with(|options| {
            options.seed = Some(seed);
            options.truth_file = truth_file;
        })
    }

    fn with(change: impl FnOnce(&mut Options)) -> Self {
        let rig = terrace_bench();
        let (controls, lines) = crossbeam_channel::bounded(8);
        let mut options = Options {
            rig: rig.clone(),
            line_up: 0,
            modbus_listener: TcpListener::bind("127.0.0.1:0").unwrap(),
            sample_listener: TcpListener::bind("127.0.0.1:0").unwrap(),
            ports: Default::default(),
            seed: Some(20_261_124),
            fast: None,
            truth_file: None,
            controls: Some(lines),
        };
        change(&mut options);
        let stop = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&stop);
        let (announce, announced) = crossbeam_channel::bounded(1);
        let thread = std::thread::spawn(move || {
            run(options, told, |ready| announce.send(ready.clone()).unwrap()).unwrap();
        });
        let ready = announced.recv_timeout(DEADLINE).unwrap();
        Self { rig, ready, controls, stop, thread: Some(thread) }
    }

    pub fn bus(&self) -> Bus {
        Bus::to(self.ready.modbus, &self.rig)
    }

    pub fn view(&self) -> View {
        View::of(self.ready.samples, self.rig.channels.len())
    }
}

impl Drop for Stand {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // A failure in it has failed the test already, in `on_ready` or on the wire.
            let _ = thread.join();
        }
    }
}

/// What a device answered: raw values or an exception.
pub type Answer<T> = Result<T, ExceptionCode>;

/// A bus master of its own runtime.
pub struct Bus {
    runtime: tokio::runtime::Runtime,
    context: Context,
    maps: Vec<(u8, RegisterMap)>,
    beat: u16,
}

impl Bus {
    pub fn to(address: SocketAddr, rig: &Rig) -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let context = runtime.block_on(tcp::connect(address)).unwrap();
        let mut maps: Vec<(u8, RegisterMap)> =
            rig.starters.iter().map(|starter| (starter.unit, starter.map.clone())).collect();
        let transfer = rig.transfer.as_ref().unwrap();
        maps.push((transfer.unit, transfer.map.clone()));
        Self { runtime, context, maps, beat: 0 }
    }

    pub fn field(&self, unit: u8, role: Role) -> Field {
        let (_, map) = self.maps.iter().find(|(number, _)| *number == unit).unwrap();
        *map.field(role).unwrap_or_else(|| panic!("unit {unit} has no {role:?}"))
    }

    pub fn roles(&self, unit: u8) -> Vec<Role> {
        let (_, map) = self.maps.iter().find(|(number, _)| *number == unit).unwrap();
        map.fields.keys().copied().collect()
    }

    pub fn try_read(&mut self, unit: u8, table: Table, address: u16, quantity: u16) -> Answer<Vec<u16>> {
        self.context.set_slave(Slave(unit));
        let context = &mut self.context;
        let bits = |bits: Vec<bool>| bits.into_iter().map(u16::from).collect();
        self.runtime
            .block_on(async {
                match table {
                    Table::Coil => context.read_coils(address, quantity).await.map(|answer| answer.map(bits)),
                    Table::DiscreteInput => {
                        context.read_discrete_inputs(address, quantity).await.map(|answer| answer.map(bits))
                    }
                    Table::Holding => context.read_holding_registers(address, quantity).await,
                    Table::Input => context.read_input_registers(address, quantity).await,
                }
            })
            .unwrap()
    }

    pub fn try_write(&mut self, unit: u8, table: Table, address: u16, raw: u16) -> Answer<()> {
        self.context.set_slave(Slave(unit));
        let context = &mut self.context;
        self.runtime
            .block_on(async {
                match table {
                    Table::Coil | Table::DiscreteInput => context.write_single_coil(address, raw != 0).await,
                    Table::Holding | Table::Input => context.write_single_register(address, raw).await,
                }
            })
            .unwrap()
    }

    /// Any request as it stands; `Err` when the connection is gone.
    pub fn call(&mut self, unit: u8, request: Request<'_>) -> Result<Answer<Response>, tokio_modbus::Error> {
        self.context.set_slave(Slave(unit));
        self.runtime.block_on(self.context.call(request))
    }

    pub fn get(&mut self, unit: u8, role: Role) -> u16 {
        let field = self.field(unit, role);
        self.try_read(unit, field.table, field.address, 1).unwrap()[0]
    }

    pub fn get_si(&mut self, unit: u8, role: Role) -> f64 {
        let raw = self.get(unit, role);
        self.field(unit, role).to_si(raw)
    }

    pub fn put(&mut self, unit: u8, role: Role, raw: u16) -> Answer<()> {
        let field = self.field(unit, role);
        self.try_write(unit, field.table, field.address, raw)
    }

    pub fn put_si(&mut self, unit: u8, role: Role, value: f64) {
        let raw = self.field(unit, role).to_raw(value).unwrap();
        self.put(unit, role, u16::try_from(raw).unwrap()).unwrap();
    }

    /// A heartbeat for every starter.
    pub fn beat(&mut self) {
        self.beat = self.beat.wrapping_add(1);
        for unit in STARTERS {
            self.put(unit, Role::Heartbeat, self.beat).unwrap();
        }
    }

    /// Beat until `event` is true.
    pub fn beat_until(&mut self, what: &str, mut event: impl FnMut(&mut Self) -> bool) {
        let begun = Instant::now();
        while !event(self) {
            self.beat();
            assert!(begun.elapsed() < DEADLINE, "within {DEADLINE:?}: {what}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Wait without a heartbeat until `event` is true.
    pub fn wait_until(&mut self, what: &str, mut event: impl FnMut(&mut Self) -> bool) {
        let begun = Instant::now();
        while !event(self) {
            assert!(begun.elapsed() < DEADLINE, "within {DEADLINE:?}: {what}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Put a starter on the motor.
    pub fn select(&mut self, position: u16) {
        self.put(BENCH, Role::TransferSelect, position).unwrap();
        self.wait_until("transfer device arrives", |bus| bus.get(BENCH, Role::TransferPosition) == position);
    }

    /// Start by whatever the device understands, with short ramps.
    pub fn start(&mut self, unit: u8) {
        if self.roles(unit).contains(&Role::RampUp) {
            self.put_si(unit, Role::RampUp, 0.5);
            self.put_si(unit, Role::RampDown, 0.5);
        }
        if unit == DRIVE {
            self.put_si(unit, Role::SpeedSetpoint, 1.0);
            for word in [0x0006, 0x0007, 0x000F] {
                self.put(unit, Role::ControlWord, word).unwrap();
            }
        } else {
            self.put(unit, Role::Run, 1).unwrap();
        }
    }

    pub fn stop(&mut self, unit: u8) {
        if unit == DRIVE {
            self.put(unit, Role::ControlWord, 0x0002).unwrap();
        } else {
            self.put(unit, Role::Run, 0).unwrap();
        }
    }

    /// Output on, as the device's own status says.
    pub fn running(&mut self, unit: u8) -> bool {
        if unit == DRIVE {
            let word = self.get(unit, Role::StatusWord) & 0x6F;
            word == 0x27 || word == 0x07
        } else {
            self.get(unit, Role::Running) == 1
        }
    }
}

/// Takes the stream so that a fast rig runs, and keeps the newest frame in SI.
pub struct Drain {
    newest: Arc<Mutex<Vec<f64>>>,
    end: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Drain {
    pub fn of(stand: &Stand) -> Self {
        let mut view = stand.view();
        let scalings: Vec<_> = stand.rig.channels.iter().map(|channel| (channel.input, channel.scaling)).collect();
        let newest = Arc::new(Mutex::new(vec![f64::NAN; scalings.len()]));
        let end = Arc::new(AtomicBool::new(false));
        let (kept, told) = (Arc::clone(&newest), Arc::clone(&end));
        let thread = std::thread::spawn(move || {
            while !told.load(Ordering::Acquire) {
                let Ok(packet) = view.next() else { return };
                let Some(frame) = packet.frames().last() else { continue };
                let values = scalings.iter().map(|(input, scaling)| scaling.to_si(frame[*input])).collect();
                *kept.lock().unwrap() = values;
            }
        });
        Self { newest, end, thread: Some(thread) }
    }

    pub fn value(&self, stand: &Stand, id: &str) -> f64 {
        let channel = stand.rig.channels.iter().position(|channel| channel.id.0 == id).unwrap();
        self.newest.lock().unwrap()[channel]
    }
}

impl Drop for Drain {
    fn drop(&mut self) {
        self.end.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
