//! Nothing is sent: not a byte on a serial line, not a connection to a device that may not be read, and reads alone to one
//! that may.

use crate::fieldbus::rtu_device::{LINE, frame};
use crate::stand::wait_until;
use ramprig::clock::{SystemClock, WallClock};
use ramprig::fieldbus::observed::{Manner, manners, observe};
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::{Field, Role, Table};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};

fn bench() -> Rig {
    let text = ramprig::rig::shipped("terrace-bench").unwrap();
    ramprig::rig::parse(text, "terrace-bench.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

fn clock() -> Arc<dyn WallClock> {
    Arc::new(SystemClock)
}

/// A serial line: our end, which never blocks, and the path of the other.
pub(super) fn serial_line() -> (std::fs::File, String) {
    let controller = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
    rustix::io::ioctl_fionbio(&controller, true).unwrap();
    grantpt(&controller).unwrap();
    unlockpt(&controller).unwrap();
    let path = ptsname(&controller, Vec::new()).unwrap().into_string().unwrap();
    // As an adapter is before anybody opens it: no echo of its own.
    let mut termios = tcgetattr(&controller).unwrap();
    termios.make_raw();
    tcsetattr(&controller, OptionalActions::Now, &termios).unwrap();
    (std::fs::File::from(controller), path)
}

/// Request and answer of another master that reads one register, or one bit, of a unit.
pub(super) fn exchange(unit: u8, field: &Field, raw: u16) -> [Vec<u8>; 2] {
    let [high, low] = field.address.to_be_bytes();
    let (function, data) = match field.table {
        Table::Coil => (1, vec![1, raw as u8]),
        Table::DiscreteInput => (2, vec![1, raw as u8]),
        Table::Holding => (3, [vec![2], raw.to_be_bytes().to_vec()].concat()),
        Table::Input => (4, [vec![2], raw.to_be_bytes().to_vec()].concat()),
    };
    let count = field.registers() as u8;
    [frame(unit, &[function, high, low, 0, count]), frame(unit, &[vec![function], data].concat())]
}

#[test]
fn sends_not_a_single_byte_on_a_serial_line_and_hears_what_passes() {
    let mut rig = bench();
    let (mut line, path) = serial_line();
    rig.links[0].address = path;
    rig.links[0].serial = Some(LINE);
    assert_eq!(manners(&rig)[0].1, Manner::Listened);
    let soft = rig.starter_index("soft").unwrap();
    let (unit, map) = (rig.starters[soft].unit, rig.starters[soft].map.clone());
    let running = *map.field(Role::Running).unwrap();
    let identity = *map.field(Role::Identity).unwrap();
    let observed = observe(&rig, &clock()).unwrap();
    let mut raw = 1;
    let mut came_back = Vec::new();
    let mut talk = |raw: u16, expected: u16| {
        for bytes in exchange(unit, &identity, expected).into_iter().chain(exchange(unit, &running, raw)) {
            line.write_all(&bytes).unwrap();
        }
        let mut chunk = [0; 256];
        while let Ok(count @ 1..) = line.read(&mut chunk) {
            came_back.extend_from_slice(&chunk[..count]);
        }
    };
    // The port opens in the background: other masters talk all the while.
    wait_until("the running bit is heard", || {
        talk(raw, identity.expect.unwrap());
        observed.is_running(soft) == Some(true)
    });
    raw = 0;
    wait_until("it is heard to fall", || {
        talk(raw, identity.expect.unwrap());
        observed.is_running(soft) == Some(false)
    });
    wait_until("another device in its place is not believed", || {
        talk(raw, identity.expect.unwrap() ^ 0x55);
        observed.is_running(soft).is_none()
    });
    let (heard, fault) = observed.links()[0].clone();
    assert!(heard.answers >= 6 && fault.is_none(), "{heard:?} {fault:?}");
    drop(observed);
    let mut chunk = [0; 256];
    let after = line.read(&mut chunk).unwrap_or(0);
    assert_eq!((came_back.len(), after), (0, 0), "bytes sent on the serial line: {came_back:02x?}");
}

/// A device on TCP that answers reads with zeros and keeps every request.
struct TcpDevice {
    address: String,
    requests: Arc<Mutex<Vec<Vec<u8>>>>,
    connections: Arc<Mutex<u32>>,
}

impl TcpDevice {
    fn new() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let device = Self { address, requests: Arc::default(), connections: Arc::default() };
        let (kept, counted) = (Arc::clone(&device.requests), Arc::clone(&device.connections));
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                *counted.lock().unwrap() += 1;
                let kept = Arc::clone(&kept);
                std::thread::spawn(move || serve(stream.unwrap(), &kept));
            }
        });
        device
    }

    fn asked(&self) -> usize {
        self.requests.lock().unwrap().len()
    }

    fn connected(&self) -> u32 {
        *self.connections.lock().unwrap()
    }
}

fn serve(mut stream: TcpStream, kept: &Mutex<Vec<Vec<u8>>>) {
    let mut request = [0; 12];
    while stream.read_exact(&mut request).is_ok() {
        kept.lock().unwrap().push(request.to_vec());
        let count = usize::from(u16::from_be_bytes([request[10], request[11]]));
        let data = if request[7] <= 2 { count.div_ceil(8) } else { 2 * count };
        let mut answer = request[..4].to_vec();
        answer.extend((3 + data as u16).to_be_bytes());
        answer.extend([request[6], request[7], data as u8]);
        answer.extend(vec![0; data]);
        if stream.write_all(&answer).is_err() {
            return;
        }
    }
}

#[test]
fn touches_no_device_without_permission_or_without_a_connection_to_spare() {
    let (device, second) = (TcpDevice::new(), TcpDevice::new());
    let watched = |change: &dyn Fn(&mut Rig)| {
        let mut rig = bench();
        rig.links[0].address.clone_from(&device.address);
        // A second link that may be read shows when the threads have had their time.
        let mut other = rig.links[0].clone();
        other.address.clone_from(&second.address);
        other.id = "other".into();
        (other.reads_allowed, other.connection_limit) = (true, None);
        rig.links.push(other);
        rig.starters[1].link = 1;
        change(&mut rig);
        let manner = manners(&rig)[0].1.clone();
        let before = second.asked();
        let observed = observe(&rig, &clock()).unwrap();
        wait_until("the link that may be read is read", || second.asked() > before + 8);
        drop(observed);
        manner
    };
    let Manner::Untouched(why) = watched(&|_| {}) else { panic!("no permission was given") };
    assert_eq!(why, "reads_allowed is not true");
    let Manner::Untouched(why) = watched(&|rig| {
        let link = &mut rig.links[0];
        (link.reads_allowed, link.connection_limit, link.connections_used) = (true, Some(2), 2);
    }) else {
        panic!("no connection is to spare")
    };
    assert!(why.contains("serves 2 connections"), "{why}");
    assert_eq!((device.connected(), device.asked()), (0, 0), "not even a connection");
}

#[test]
fn reads_and_never_writes_where_it_may_over_one_connection() {
    let device = TcpDevice::new();
    let mut rig = bench();
    rig.links[0].address.clone_from(&device.address);
    (rig.links[0].reads_allowed, rig.links[0].connection_limit) = (true, Some(2));
    assert_eq!(manners(&rig)[0].1, Manner::Read);
    let observed = observe(&rig, &clock()).unwrap();
    wait_until("a few rounds have passed", || device.asked() > 120);
    drop(observed);
    let requests = device.requests.lock().unwrap();
    let functions: std::collections::BTreeSet<u8> = requests.iter().map(|request| request[7]).collect();
    assert!(functions.iter().all(|function| (1..=4).contains(function)), "reads alone: {functions:?}");
    assert_eq!(device.connected(), 1);
}
