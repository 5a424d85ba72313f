//! Floor 6: the virtual rig, a process of its own that plays the bench of a rig file on real wires: Modbus TCP for its
//! devices (and a pseudo-terminal with Modbus RTU for each serial link), RTP over TCP for its samples, with a hidden [`truth`] that differs from the rig file in number and in form.
//!
//! ```text
//!             plant thread (caller of `run`)                      wires thread (tokio, current thread)
//!   physics -> sensors -> packets -> bounded channel --+          Modbus server --- lock --> rack of devices
//!      ^                                               |          sample listener -- accepted sockets (1) --> plant
//!      +--- scan of the rack (lock), every 1 ms        +-> writer thread, one a viewer -> socket
//! ```
//!
//! - **Time.** Rig time starts at zero with the process and follows the wall clock. With `fast`, while a viewer takes the
//!   stream, rig time runs up to that many times faster and never ahead of the viewer by more than two packets and a
//!   send buffer of about 32 kB; without a viewer it runs at 1x. Loss-of-communication time-outs are wall time always.
//!   A viewer's own receive buffer lies behind the wire: it should ask for a small one.
//! - **Viewers.** One gets the stream, from the moment it connects; one more waits its turn; others are closed.
//! - **Devices.** [`device`] holds the rules; [`faults`] the control lines.
//! - **Secrets.** The seed comes on standard input or from the operating system, and is in no argument, log, register or
//!   environment. A truth file is written only where one is asked for.

mod bench;
pub mod device;
pub mod faults;
mod modbus_server;
mod pacing;
mod plant_bench;
mod play;
pub mod rtp;
mod rtu_server;
mod sample_server;
mod sensors;
mod stillness;
#[cfg(test)]
mod tests;
pub mod truth;

use crate::rig::model::Rig;
use bench::Bench;
use crossbeam_channel::{Receiver, bounded, never};
use device::Rack;
use faults::Fault;
use modbus_server::{BusFaults, SharedRack};
use plant_bench::PlantBench;
use play::{Player, StreamOptions, Wires};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rtu_server::{Port, Served};
use sensors::Sensors;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::PathBuf;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use truth::Truth;

/// What the virtual-mark register reads: "VR".
pub const VIRTUAL_MARK: u16 = 0x5652;
/// Ceiling on the time scale where `--fast` gives none.
pub const FAST_CEILING: f64 = 16.0;

/// What to play.
#[derive(Debug)]
pub struct Options {
    /// The checked rig.
    pub rig: Rig,
    /// How people have set its valves, tanks and lines when it begins: an index of the rig's line-ups.
    pub line_up: usize,
    /// Bound listener of the bus.
    pub modbus_listener: TcpListener,
    /// Bound listener of the sample stream.
    pub sample_listener: TcpListener,
    /// Name for the pseudo-terminal of a serial link, by link id; others get one in the folder for temporary files.
    pub ports: BTreeMap<String, PathBuf>,
    /// Seed of the hidden truth; `None`: drawn from the operating system and forgotten.
    pub seed: Option<u64>,
    /// Ceiling on rig seconds per wall second while a viewer takes the stream; `None`: real time.
    pub fast: Option<f64>,
    /// Where to write the truth; `None`: nowhere.
    pub truth_file: Option<PathBuf>,
    /// Faults to switch on while it runs (see [`faults::listen`]); `None`: none.
    pub controls: Option<Receiver<Fault>>,
}

/// What the virtual rig announces when it can be connected to, one JSON line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ready {
    /// Always true.
    pub ready: bool,
    /// Address of the bus.
    pub modbus: SocketAddr,
    /// Address of the sample stream.
    pub samples: SocketAddr,
    /// Pseudo-terminal of each serial link, by link id.
    #[serde(default)]
    pub ports: BTreeMap<String, PathBuf>,
    /// Always true.
    #[serde(rename = "virtual")]
    pub is_virtual: bool,
}

impl Ready {
    /// The line to print.
    pub fn announce(&self) -> String {
        serde_json::json!({
            "ready": self.ready, "modbus": self.modbus, "samples": self.samples, "ports": self.ports,
            "virtual": self.is_virtual
        })
        .to_string()
    }

    /// Read the line that a child printed.
    pub fn parse(line: &str) -> Result<Self, VirtualRigError> {
        serde_json::from_str(line.trim())
            .ok()
            .filter(|ready: &Self| ready.ready && ready.is_virtual)
            .ok_or_else(|| VirtualRigError::Announcement { line: line.trim().to_owned() })
    }
}

/// Why the virtual rig cannot be played.
#[derive(Debug, thiserror::Error)]
pub enum VirtualRigError {
    /// Two devices have one unit number.
    #[error("unit {unit} is given to two devices; the virtual rig serves all links on one port")]
    UnitTaken {
        /// Modbus unit.
        unit: u8,
    },
    /// A ceiling below real time.
    #[error("fast = {fast}: the ceiling on the time scale is 1 to 1000 rig seconds per wall second")]
    Fast {
        /// Asked for.
        fast: f64,
    },
    /// No seed.
    #[error("seed of the virtual rig: {0}")]
    NoSeed(String),
    /// A control line that means nothing.
    #[error("control line `{line}`: not known")]
    ControlLine {
        /// The line.
        line: String,
    },
    /// Not the announcement of a virtual rig.
    #[error("`{line}`: not the announcement of a virtual rig")]
    Announcement {
        /// The line.
        line: String,
    },
    /// The truth file cannot be written.
    #[error("truth file {}: {source}", path.display())]
    TruthFile {
        /// Path.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The physics cannot be set up, or found no solution any more.
    #[error("the virtual bench cannot go on: {0}")]
    Plant(String),
    /// A socket or a thread failed.
    #[error("virtual rig: {0}")]
    System(#[from] std::io::Error),
}

/// Play the rig until `stop` is set. Blocks: the calling thread becomes the plant's. `on_ready` is called once, when
/// both listeners are served.
///
/// # Errors
/// Before `on_ready`: a rig that cannot be played, a truth file that cannot be written, a socket or thread refused.
pub fn run(options: Options, stop: Arc<AtomicBool>, on_ready: impl FnOnce(&Ready)) -> Result<(), VirtualRigError> {
    if let Some(fast) = options.fast.filter(|fast| !(1.0..=1000.0).contains(fast)) {
        return Err(VirtualRigError::Fast { fast });
    }
    let mut generator = truth::generator(options.seed)?;
    let rig = &options.rig;
    let truth = Truth::draw(rig, options.line_up, &mut generator);
    if let Some(path) = &options.truth_file {
        truth.write(path)?;
    }
    let bench = PlantBench::new(rig, &truth, options.line_up)?;
    let noise = ChaCha8Rng::seed_from_u64(generator.random());
    let numbers = ChaCha8Rng::seed_from_u64(generator.random());
    let stage = Stage {
        rack: Rack::new(rig, &truth.devices, options.line_up)?,
        sensors: Sensors::new(&rig.channels, &truth.sensors, rig.source.rate_hz, noise)
            .on_supply(rig.motor.frequency_hz),
        stream: StreamOptions { payload_type: rig.source.payload_type, fast: options.fast, numbers },
        modbus: options.modbus_listener,
        samples: options.sample_listener,
        ports: serial_ports(rig, &options.ports),
        controls: options.controls.unwrap_or_else(never),
    };
    stage.play(bench, stop, on_ready)
}

/// Everything but the physics.
struct Stage {
    rack: Rack,
    sensors: Sensors,
    stream: StreamOptions,
    modbus: TcpListener,
    samples: TcpListener,
    ports: Vec<Port>,
    controls: Receiver<Fault>,
}

/// The serial links of a rig with the units on them and the names of their terminals.
fn serial_ports(rig: &Rig, names: &BTreeMap<String, PathBuf>) -> Vec<Port> {
    let stand_in = |link: &str| std::env::temp_dir().join(format!("ramprig-{}-{link}", std::process::id()));
    let mut ports = Vec::new();
    for (index, link) in rig.links.iter().enumerate() {
        let Some(line) = link.serial else { continue };
        let starters = rig.starters.iter().filter(|starter| starter.link == index).map(|starter| starter.unit);
        let transfer = rig.transfer.iter().filter(|transfer| transfer.link == index).map(|transfer| transfer.unit);
        let path = names.get(&link.id).cloned().unwrap_or_else(|| stand_in(&link.id));
        ports.push(Port { link: link.id.clone(), line, units: starters.chain(transfer).collect(), path });
    }
    ports
}

impl Stage {
    fn play<B: Bench>(
        self,
        bench: B,
        stop: Arc<AtomicBool>,
        on_ready: impl FnOnce(&Ready),
    ) -> Result<(), VirtualRigError> {
        let (modbus, samples) = (self.modbus.local_addr()?, self.samples.local_addr()?);
        let named = self.ports.iter().map(|port| (port.link.clone(), port.path.clone()));
        let ready = Ready { ready: true, modbus, samples, ports: named.collect(), is_virtual: true };
        let rack: SharedRack = Arc::new(Mutex::new(self.rack));
        let (connected, connections) = bounded(1);
        let (bus_drops, drops) = (0..=self.ports.len()).map(|_| mpsc::channel(4)).unzip();
        let bus_faults = BusFaults::default();
        let end = CancellationToken::new();
        let wires = WiresThread {
            modbus: self.modbus,
            samples: self.samples,
            ports: self.ports,
            rack: Arc::clone(&rack),
            faults: bus_faults.clone(),
            drops,
            connected,
            end: end.clone(),
        }
        .spawn()?;
        on_ready(&ready);
        let wired = Wires { rack, connections, controls: self.controls, bus_faults, bus_drops, stop };
        let played = Player::new(bench, self.sensors, wired, self.stream).run();
        end.cancel();
        wires.join().map_err(|_| std::io::Error::other("the wires thread panicked"))??;
        played
    }
}

/// The thread of the sockets.
struct WiresThread {
    modbus: TcpListener,
    samples: TcpListener,
    ports: Vec<Port>,
    rack: SharedRack,
    faults: BusFaults,
    /// Of the TCP bus, then of each port.
    drops: Vec<mpsc::Receiver<Duration>>,
    connected: crossbeam_channel::Sender<TcpStream>,
    end: CancellationToken,
}

impl WiresThread {
    fn spawn(self) -> std::io::Result<JoinHandle<std::io::Result<()>>> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let Self { modbus, samples, ports, rack, faults, drops, connected, end } = self;
        let buses = {
            let _inside = runtime.enter();
            ports.into_iter().map(Served::begin).collect::<std::io::Result<Vec<_>>>()?
        };
        let mut drops = drops.into_iter();
        let tcp_drops = drops.next().ok_or_else(|| std::io::Error::other("a bus without its drops"))?;
        std::thread::Builder::new().name("virtual-wires".into()).spawn(move || {
            runtime.block_on(async move {
                let serial = buses
                    .into_iter()
                    .zip(drops)
                    .map(|(bus, drops)| bus.serve(Arc::clone(&rack), faults.clone(), drops, end.clone()));
                let serial = futures_util::future::try_join_all(serial.collect::<Vec<_>>());
                let bus = modbus_server::serve(modbus, rack, faults, tcp_drops, end.clone());
                let samples = accept_viewers(samples, connected, end);
                let (bus, serial, samples) = tokio::join!(bus, serial, samples);
                bus.and(serial.map(drop)).and(samples)
            })
        })
    }
}

/// Pass accepted sample connections on; one may wait, more are closed.
async fn accept_viewers(
    listener: TcpListener,
    connected: crossbeam_channel::Sender<TcpStream>,
    end: CancellationToken,
) -> std::io::Result<()> {
    listener.set_nonblocking(true)?;
    let listener = tokio::net::TcpListener::from_std(listener)?;
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = end.cancelled() => return Ok(()),
        };
        match accepted.and_then(|(stream, peer)| Ok((stream.into_std()?, peer))) {
            Ok((stream, peer)) => {
                if connected.try_send(stream).is_err() {
                    tracing::warn!(%peer, "sample viewer closed: one is served and one waits");
                }
            }
            Err(error) => {
                tracing::warn!(%error, "sample listener");
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
}
