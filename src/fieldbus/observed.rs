//! Buses that are only watched. A serial line is listened to: its port is opened for reading alone, so that not even a
//! mistake could send. A TCP device is read, never written, and only where its link says `reads_allowed = true` and a
//! connection is to spare. One OS thread a link; what they find lies on one board of fixed size (the registers that the
//! rig's maps name).

use super::frame::{Answer, Request};
use super::listen::{Heard, HeardValue, Listener};
use super::reactor::{Handle, Reactor, Woken};
use super::tcp::TcpConnection;
use super::{LinkError, nanoseconds};
use crate::clock::WallClock;
use crate::rig::model::{Device, Link, Rig};
use crate::rig::register_map::{Field, Role, Table};
use crate::sequence::ports::SlowValues;
use crate::starters::state::DriveState;
use std::collections::BTreeMap;
use std::os::fd::OwnedFd;
use std::sync::atomic::{AtomicBool, Ordering::SeqCst};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;
use tokio::sync::Notify;

/// Longest wait of a listening thread, so that it sees the end.
const LOOK: Duration = Duration::from_millis(200);
/// Rest before a lost link is opened again.
const BACK_OFF: Duration = Duration::from_secs(2);
/// What is read of a device that may be read.
const WANTED: [Role; 21] = [
    Role::Identity,
    Role::VirtualMark,
    Role::Running,
    Role::AtSpeed,
    Role::Fault,
    Role::Current,
    Role::SpeedActual,
    Role::StatusWord,
    Role::StartCount,
    Role::Remote,
    Role::EmergencyStopOk,
    Role::TransferPosition,
    Role::ShaftSpeed,
    Role::Value1,
    Role::Value2,
    Role::Value3,
    Role::Value4,
    Role::Value5,
    Role::Value6,
    Role::Value7,
    Role::Value8,
];

/// How a link is watched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Manner {
    /// Serial: listened to, nothing is ever sent.
    Listened,
    /// TCP: read, with permission.
    Read,
    /// TCP: not touched, with the reason.
    Untouched(String),
}

type Place = (usize, u8, Table, u16);

/// What the threads have found.
#[derive(Debug, Default)]
struct Board {
    values: Mutex<BTreeMap<Place, (u16, u64)>>,
    /// Counts, and the newest fault of each link.
    links: Mutex<Vec<(Heard, Option<String>)>>,
}

/// Devices that are only looked at, in the rig's order.
struct Slow {
    devices: Vec<Device>,
    board: Arc<Board>,
}

impl SlowValues for Slow {
    fn newest(&self, device: usize, role: Role) -> Option<(i32, u64)> {
        let device = self.devices.get(device)?;
        let (raw, at_ns) = self.board.value(device, role)?;
        Some((super::ports::whole(device.map.field(role)?, raw), at_ns))
    }
}

impl Board {
    fn value(&self, device: &Device, role: Role) -> Option<(u64, u64)> {
        let (raw, at_ns) = self.raw(device, device.map.field(role)?)?;
        if let Some(identity) = device.map.field(Role::Identity)
            && let Some((found, _)) = self.raw(device, identity)
            && identity.expect.is_some_and(|expected| found != u64::from(expected))
        {
            return None;
        }
        Some((raw, at_ns))
    }

    fn raw(&self, device: &Device, field: &Field) -> Option<(u64, u64)> {
        let values = self.values.lock().unwrap_or_else(PoisonError::into_inner);
        let words: Option<Vec<(u16, u64)>> =
            places(device, std::iter::once(field)).map(|place| values.get(&place).copied()).collect();
        let words = words?;
        let registers: Vec<u16> = words.iter().map(|word| word.0).collect();
        Some((field.gather(&registers), words.iter().map(|word| word.1).min()?))
    }

    fn keep(&self, place: Place, value: (u16, u64), wanted: &[Place]) {
        if wanted.binary_search(&place).is_ok() {
            self.values.lock().unwrap_or_else(PoisonError::into_inner).insert(place, value);
        }
    }

    fn link(&self, index: usize, tell: impl FnOnce(&mut (Heard, Option<String>))) {
        if let Some(entry) = self.links.lock().unwrap_or_else(PoisonError::into_inner).get_mut(index) {
            tell(entry);
        }
    }
}

/// Watching in progress.
#[derive(Debug)]
pub struct Observed {
    devices: Vec<Device>,
    /// So many at the end are only looked at, by the rig file too.
    only_watched: usize,
    manners: Vec<(String, Manner)>,
    board: Arc<Board>,
    closing: Arc<AtomicBool>,
    call: Arc<Notify>,
    threads: Vec<JoinHandle<()>>,
}

/// Why a TCP link is left alone; `None`: it may be read.
fn why_untouched(link: &Link) -> Option<String> {
    if !link.reads_allowed {
        return Some("reads_allowed is not true".to_owned());
    }
    let limit = link.connection_limit?;
    (link.connections_used >= limit).then(|| {
        format!("the device serves {limit} connections and the station's own masters use {}", link.connections_used)
    })
}

/// How each link of a rig would be watched.
pub fn manners(rig: &Rig) -> Vec<(String, Manner)> {
    let of = |link: &Link| match (&link.serial, why_untouched(link)) {
        (Some(_), _) => Manner::Listened,
        (None, None) => Manner::Read,
        (None, Some(why)) => Manner::Untouched(why),
    };
    rig.links.iter().map(|link| (link.id.clone(), of(link))).collect()
}

/// Watch the links of a rig. Ports and sockets open in the background and are opened again when they are lost.
pub fn observe(rig: &Rig, clock: &Arc<dyn WallClock>) -> std::io::Result<Observed> {
    let devices = rig.watched();
    let board = Arc::new(Board::default());
    *board.links.lock().unwrap_or_else(PoisonError::into_inner) = vec![(Heard::default(), None); rig.links.len()];
    let mut observed = Observed {
        manners: manners(rig),
        board,
        closing: Arc::new(AtomicBool::new(false)),
        call: Arc::new(Notify::new()),
        threads: Vec::new(),
        only_watched: rig.devices.len(),
        devices,
    };
    for (index, link) in rig.links.iter().enumerate() {
        observed.start(index, link, clock)?;
    }
    Ok(observed)
}

impl Observed {
    fn start(&mut self, index: usize, link: &Link, clock: &Arc<dyn WallClock>) -> std::io::Result<()> {
        let own: Vec<Device> = self.devices.iter().filter(|device| device.link == index).cloned().collect();
        let mut wanted: Vec<Place> = own.iter().flat_map(|device| places(device, device.map.fields.values())).collect();
        wanted.sort_unstable();
        let eye = Eye {
            index,
            link: link.clone(),
            devices: own,
            wanted,
            board: Arc::clone(&self.board),
            clock: Arc::clone(clock),
            closing: Arc::clone(&self.closing),
            call: Arc::clone(&self.call),
        };
        let work: fn(&Eye) = match self.manners[index].1 {
            Manner::Listened => Eye::listen,
            Manner::Read => Eye::read,
            Manner::Untouched(_) => return Ok(()),
        };
        let named = std::thread::Builder::new().name(format!("watch {}", link.id));
        self.threads.push(named.spawn(move || work(&eye))?);
        Ok(())
    }

    /// How each link is watched.
    pub fn manners(&self) -> &[(String, Manner)] {
        &self.manners
    }

    /// Devices in the rig's order.
    pub fn devices(&self) -> &[Device] {
        &self.devices
    }

    /// Counts and newest fault of each link.
    pub fn links(&self) -> Vec<(Heard, Option<String>)> {
        self.board.links.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Newest bit pattern of a field and when it came, ns of the wall clock; `None` until all of it was seen, from a device
    /// that has not contradicted its identity.
    pub fn value(&self, device: usize, role: Role) -> Option<(u64, u64)> {
        self.board.value(self.devices.get(device)?, role)
    }

    /// What the devices that are only looked at measure.
    pub fn slow_values(&self) -> Arc<dyn SlowValues> {
        let devices = self.devices[self.devices.len() - self.only_watched..].to_vec();
        Arc::new(Slow { devices, board: Arc::clone(&self.board) })
    }

    /// Does the device drive its motor; `None`: not known.
    pub fn is_running(&self, device: usize) -> Option<bool> {
        if let Some((raw, _)) = self.value(device, Role::Running) {
            return Some(raw != 0);
        }
        let (word, _) = self.value(device, Role::StatusWord)?;
        DriveState::decode(u16::try_from(word).ok()?).map(DriveState::output_on)
    }

    /// Some device said that it is virtual.
    pub fn is_virtual(&self) -> bool {
        (0..self.devices.len()).any(|device| {
            self.value(device, Role::VirtualMark).is_some_and(|(raw, _)| raw == u64::from(super::VIRTUAL_MARK))
        })
    }
}

impl Drop for Observed {
    fn drop(&mut self) {
        self.closing.store(true, SeqCst);
        for _ in &self.threads {
            self.call.notify_one();
        }
        for thread in self.threads.drain(..) {
            if thread.join().is_err() {
                tracing::error!("a watching thread ended by a panic");
            }
        }
    }
}

fn places<'a>(device: &'a Device, fields: impl Iterator<Item = &'a Field> + 'a) -> impl Iterator<Item = Place> + 'a {
    fields.flat_map(move |field| {
        (0..field.registers()).map(move |k| (device.link, device.unit, field.table, field.address.wrapping_add(k)))
    })
}

/// A thread's own.
struct Eye {
    index: usize,
    link: Link,
    devices: Vec<Device>,
    wanted: Vec<Place>,
    board: Arc<Board>,
    clock: Arc<dyn WallClock>,
    closing: Arc<AtomicBool>,
    call: Arc<Notify>,
}

impl Eye {
    fn ends(&self) -> bool {
        self.closing.load(SeqCst)
    }

    fn fault(&self, why: Option<&LinkError>) {
        let text = why.map(|why| format!("link {} ({}): {why}", self.link.id, self.link.address));
        if let Some(text) = &text {
            tracing::info!("{text}");
        }
        self.board.link(self.index, |entry| entry.1 = text);
    }

    /// Serial: bytes in, never out.
    fn listen(&self) {
        let Ok(reactor) = Reactor::new() else { return };
        let Some(line) = self.link.serial else { return };
        let mut listener = Listener::new(&line);
        while !self.ends() {
            let lost = match reactor.open_port_to_listen(&self.link.address, &line) {
                Ok(port) => {
                    self.fault(None);
                    self.listen_to(&reactor, &port, &mut listener)
                }
                Err(error) => Some(LinkError::down(error)),
            };
            if let Some(why) = lost {
                self.fault(Some(&why));
                reactor.wait(None, &self.call, BACK_OFF);
            }
        }
    }

    fn listen_to(&self, reactor: &Reactor, port: &AsyncFd<OwnedFd>, listener: &mut Listener) -> Option<LinkError> {
        let mut chunk = [0_u8; 1024];
        while !self.ends() {
            if reactor.wait(Some(Handle::Serial(port)), &self.call, LOOK) != Woken::Ready {
                continue;
            }
            let read = |port: &OwnedFd| rustix::io::read(port, &mut chunk).map_err(std::io::Error::from);
            match port.try_io(Interest::READABLE, read) {
                Ok(0) => return Some(LinkError::Down { reason: "the port is closed".into() }),
                Ok(count) => {
                    listener.take(&chunk[..count], self.clock.now_ns(), |value| self.heard(value));
                    self.board.link(self.index, |entry| entry.0 = listener.heard());
                }
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {}
                Err(error) => return Some(LinkError::down(error)),
            }
        }
        None
    }

    fn heard(&self, value: HeardValue) {
        let place = (self.index, value.unit, value.table, value.address);
        self.board.keep(place, (value.raw, value.at_wall_ns), &self.wanted);
    }

    /// TCP: reads only. One connection, one request at a time.
    fn read(&self) {
        let Ok(reactor) = Reactor::new() else { return };
        while !self.ends() {
            let timeout = Duration::from_nanos(nanoseconds(self.link.timeout_s));
            let lost = TcpConnection::open(&reactor, &self.link.address, timeout)
                .and_then(|mut connection| self.read_from(&reactor, &mut connection));
            if let Err(why) = lost {
                self.fault(Some(&why));
                reactor.wait(None, &self.call, BACK_OFF);
            }
        }
    }

    fn read_from(&self, reactor: &Reactor, connection: &mut TcpConnection) -> Result<(), LinkError> {
        self.fault(None);
        while !self.ends() {
            for device in &self.devices {
                for field in WANTED.iter().filter_map(|role| device.map.field(*role)) {
                    self.read_field(reactor, connection, device, field)?;
                }
            }
            reactor.wait(None, &self.call, Duration::from_nanos(nanoseconds(self.link.poll_s)));
        }
        Ok(())
    }

    fn read_field(
        &self,
        reactor: &Reactor,
        connection: &mut TcpConnection,
        device: &Device,
        field: &Field,
    ) -> Result<(), LinkError> {
        let request = Request::Read { table: field.table, address: field.address, count: field.registers() };
        let transaction = connection.send(device.unit, &request)?;
        let until_ns = self.clock.now_ns().saturating_add(nanoseconds(self.link.timeout_s));
        loop {
            if let Some(answer) = connection.take(transaction) {
                self.board.link(self.index, |entry| entry.0.requests += 1);
                return self.answered(device, field, answer.map_err(LinkError::Frame));
            }
            let left_ns = until_ns.saturating_sub(self.clock.now_ns());
            if left_ns == 0 || self.ends() {
                return Err(LinkError::Timeout { timeout_ms: (self.link.timeout_s * 1e3) as u64 });
            }
            if reactor.wait(Some(connection.handle()), &self.call, Duration::from_nanos(left_ns)) == Woken::Ready {
                connection.receive()?;
            }
        }
    }

    fn answered(&self, device: &Device, field: &Field, answer: Result<Answer, LinkError>) -> Result<(), LinkError> {
        match answer {
            Ok(Answer::Values(values)) => {
                self.board.link(self.index, |entry| entry.0.answers += 1);
                let at_ns = self.clock.now_ns();
                for (place, raw) in places(device, std::iter::once(field)).zip(values) {
                    self.board.keep(place, (raw, at_ns), &self.wanted);
                }
                Ok(())
            }
            Ok(Answer::Written) => Ok(()),
            // The device does not have this register, or will not say.
            Err(error) if !error.costs_connection() => Ok(()),
            Err(error) => Err(error),
        }
    }
}
