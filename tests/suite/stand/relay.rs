//! Things that stand between the program and the rig on a wire, and keep a log of what passes.

use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::{Duration, Instant};

/// What passed at an instant.
#[derive(Debug, Clone, Copy)]
pub struct Sent {
    pub at: Instant,
    /// Frames since the first of the stream, this packet's included.
    pub frames: u64,
}

/// A write request on the bus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wrote {
    pub at: Instant,
    pub unit: u8,
    pub function: u8,
    pub address: u16,
    /// Value of a single write; the first value of a multiple one is not looked at.
    pub value: u16,
}

/// Line current in the samples that passed, or were held back.
#[derive(Debug, Clone, Copy, Default)]
struct Current {
    /// The newest packet that showed some.
    flowed: Option<Instant>,
    newest: Option<Instant>,
}

struct Shared {
    cut: AtomicBool,
    held: AtomicBool,
    spoilt: AtomicBool,
    current: Mutex<Current>,
    sockets: Mutex<Vec<TcpStream>>,
}

impl Shared {
    fn keep(&self, sockets: [&TcpStream; 2]) {
        let mut kept = self.sockets.lock().unwrap();
        kept.extend(sockets.map(|socket| socket.try_clone().unwrap()));
    }

    fn see_current<'a>(&self, frames: impl Iterator<Item = &'a [u8]>) {
        /// Input 6 of the bench: 100 A are 8 000 000 counts; 0.8 A count as none (`sequence::interlock`).
        const NONE: i32 = 64_000;
        let counts = |frame: &[u8]| i32::from_be_bytes([frame[18], frame[19], frame[20], 0]) >> 8;
        let (flows, now) = (frames.map(counts).any(|counts| counts > NONE), Instant::now());
        let mut current = self.current.lock().unwrap();
        current.newest = Some(now);
        current.flowed = if flows { Some(now) } else { current.flowed };
    }

    fn cut(&self) {
        self.cut.store(true, Ordering::SeqCst);
        for socket in self.sockets.lock().unwrap().drain(..) {
            let _ = socket.shutdown(Shutdown::Both);
        }
    }
}

/// Listens on a port of its own and passes every connection on to the rig.
pub struct Relay<T> {
    pub address: SocketAddr,
    log: Arc<Mutex<Vec<T>>>,
    shared: Arc<Shared>,
}

impl<T> Drop for Relay<T> {
    fn drop(&mut self) {
        self.cut();
    }
}

/// Passes one connection: client, rig, log.
type Serve<T> = fn(TcpStream, TcpStream, Arc<Mutex<Vec<T>>>, Arc<Shared>);

impl<T> Relay<T> {
    fn new(rig: SocketAddr, serve: Serve<T>) -> Self
    where
        T: Send + 'static,
    {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let log = Arc::new(Mutex::new(Vec::new()));
        let shared = Arc::new(Shared {
            cut: AtomicBool::new(false),
            held: AtomicBool::new(false),
            spoilt: AtomicBool::new(false),
            current: Mutex::default(),
            sockets: Mutex::new(Vec::new()),
        });
        let (kept, inside) = (Arc::clone(&log), Arc::clone(&shared));
        std::thread::spawn(move || {
            for client in listener.incoming() {
                let Ok(client) = client else { continue };
                // A relay that is cut takes connections and closes them: a cable that is out, seen from the program.
                if inside.cut.load(Ordering::SeqCst) {
                    continue;
                }
                let Ok(upstream) = TcpStream::connect(rig) else { continue };
                inside.keep([&client, &upstream]);
                let (log, shared) = (Arc::clone(&kept), Arc::clone(&inside));
                std::thread::spawn(move || serve(client, upstream, log, shared));
            }
        });
        Self { address, log, shared }
    }

    /// Close everything and pass nothing on any more.
    pub fn cut(&self) {
        self.shared.cut();
    }

    /// Take connections again.
    pub fn restore(&self) {
        self.shared.cut.store(false, Ordering::SeqCst);
    }

    /// From now on the shaft's speed reads the end of its range.
    pub fn spoil_speed(&self) {
        self.shared.spoilt.store(true, Ordering::SeqCst);
    }

    /// Keep everything open and pass no samples on any more.
    pub fn hold_back(&self) {
        self.shared.held.store(true, Ordering::SeqCst);
    }

    pub fn log(&self) -> MutexGuard<'_, Vec<T>> {
        self.log.lock().unwrap()
    }
}

/// A sample wire.
pub fn samples(rig: SocketAddr) -> Relay<Sent> {
    Relay::new(rig, pass_samples)
}

/// A viewer of the rig's samples that waits behind the program's and is served when that one has gone.
pub fn behind(rig: SocketAddr) -> Relay<Sent> {
    let relay = samples(rig);
    let mut viewer = TcpStream::connect(relay.address).unwrap();
    std::thread::spawn(move || std::io::copy(&mut viewer, &mut std::io::sink()));
    relay
}

/// Wait until a packet has shown line current.
pub fn wait_current(stream: &Relay<Sent>) {
    super::wait_until("line current flows", || stream.shared.current.lock().unwrap().flowed.is_some());
}

/// The newest packet with line current, once there was none for [`QUIET`], from whichever stream had it.
pub fn current_ended(streams: [&Relay<Sent>; 2], deadline: Instant) -> Option<Instant> {
    /// Twenty packets.
    const QUIET: Duration = Duration::from_millis(100);
    while Instant::now() < deadline {
        let currents = streams.map(|stream| *stream.shared.current.lock().unwrap());
        let flowed = currents.iter().filter_map(|current| current.flowed).max()?;
        if currents.iter().filter_map(|current| current.newest).any(|newest| newest >= flowed + QUIET) {
            return Some(flowed);
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    None
}

/// A bus.
pub fn bus(rig: SocketAddr) -> Relay<Wrote> {
    Relay::new(rig, pass_bus)
}

/// RFC 4571 framing, RFC 3550 header: the RTP clock counts frames.
fn pass_samples(mut client: TcpStream, mut rig: TcpStream, log: Arc<Mutex<Vec<Sent>>>, shared: Arc<Shared>) {
    const HEADER: usize = 12;
    /// Eight inputs of three bytes.
    const FRAME: usize = 24;
    /// Input 7.
    const SPEED: std::ops::Range<usize> = 21..24;
    let mut first = None;
    loop {
        let mut length = [0; 2];
        if rig.read_exact(&mut length).is_err() {
            break;
        }
        let mut packet = vec![0; usize::from(u16::from_be_bytes(length))];
        if rig.read_exact(&mut packet).is_err() {
            break;
        }
        let timestamp = u32::from_be_bytes(packet[4..8].try_into().unwrap());
        let first = *first.get_or_insert(timestamp);
        let frames = u64::from(timestamp.wrapping_sub(first)) + ((packet.len() - HEADER) / FRAME) as u64;
        shared.see_current(packet[HEADER..].chunks_exact(FRAME));
        if shared.spoilt.load(Ordering::SeqCst) {
            packet[HEADER..]
                .chunks_exact_mut(FRAME)
                .for_each(|frame| frame[SPEED].copy_from_slice(&[0x7F, 0xFF, 0xFF]));
        }
        let whole = [&length[..], &packet].concat();
        if shared.held.load(Ordering::SeqCst) {
            continue;
        }
        if client.write_all(&whole).is_err() {
            break;
        }
        log.lock().unwrap().push(Sent { at: Instant::now(), frames });
    }
    let _ = client.shutdown(Shutdown::Both);
    let _ = rig.shutdown(Shutdown::Both);
}

/// Modbus TCP: requests are read whole and noted when they write; answers pass as bytes.
fn pass_bus(mut client: TcpStream, mut rig: TcpStream, log: Arc<Mutex<Vec<Wrote>>>, _: Arc<Shared>) {
    let (mut answers, mut to_client) = (rig.try_clone().unwrap(), client.try_clone().unwrap());
    std::thread::spawn(move || {
        let _ = std::io::copy(&mut answers, &mut to_client);
        let _ = to_client.shutdown(Shutdown::Both);
    });
    loop {
        let mut head = [0; 7];
        if client.read_exact(&mut head).is_err() {
            break;
        }
        let mut body = vec![0; usize::from(u16::from_be_bytes([head[4], head[5]])) - 1];
        if client.read_exact(&mut body).is_err() {
            break;
        }
        let word = |at: usize| body.get(at..at + 2).map_or(0, |two| u16::from_be_bytes([two[0], two[1]]));
        // 5, 6: single writes; 15, 16: multiple; 22, 23: masked, and read with write.
        if matches!(body[0], 5 | 6 | 15 | 16 | 22 | 23) {
            let write =
                Wrote { at: Instant::now(), unit: head[6], function: body[0], address: word(1), value: word(3) };
            log.lock().unwrap().push(write);
        }
        if rig.write_all(&[&head[..], &body].concat()).is_err() {
            break;
        }
    }
    let _ = client.shutdown(Shutdown::Both);
    let _ = rig.shutdown(Shutdown::Both);
}
