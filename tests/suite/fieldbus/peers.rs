//! A starter played by other people's libraries (pymodbus, libmodbus) over TCP and a serial line: ours identifies it,
//! writes settings, starts, polls, stops and reads back; and tshark, which takes our bytes apart.

use super::device::PATIENCE;
use super::rtu_device::{Cable, LINE};
use super::{SOFT, rig};
use ramprig::clock::SystemClock;
use ramprig::fieldbus::frame::Request;
use ramprig::fieldbus::{self, rtu};
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::{RegisterMap, Role, Table};
use ramprig::sequence::ports::{StarterOrder, StarterPort};
use ramprig::starters::StopKind;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Lines, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::{Arc, Mutex};

/// Python with the pinned peers.
///
/// # Panics
/// When it is not there: a peer test never passes without its peer.
pub fn python() -> PathBuf {
    let of_the_tree = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/peers-venv/bin/python");
    let python = std::env::var_os("RAMPRIG_PEERS_PYTHON").map_or(of_the_tree, PathBuf::from);
    assert!(python.exists(), "no {}: run tests/peers/install, or set RAMPRIG_PEERS_PYTHON", python.display());
    python
}

struct Peer {
    child: Child,
    input: Option<ChildStdin>,
    lines: Lines<BufReader<ChildStdout>>,
}

impl Peer {
    fn start(script: &str, task: &Value) -> Self {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/peers").join(script);
        let mut child = Command::new(python())
            .arg(path)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap_or_else(|error| panic!("cannot run {script}: {error}; run tests/peers/install"));
        let mut input = child.stdin.take().unwrap();
        writeln!(input, "{task}").unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        Self { child, input: Some(input), lines }
    }

    fn line(&mut self) -> Value {
        let line = self.lines.next().expect("the peer ended").unwrap();
        serde_json::from_str(&line).unwrap()
    }

    /// The next write that reached the peer, heartbeats passed over.
    fn write(&mut self) -> (String, u64) {
        loop {
            let line = self.line();
            let role = line["role"].as_str().unwrap().to_owned();
            if role != "heartbeat" {
                return (role, line["value"].as_u64().unwrap());
            }
        }
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        // The end of its input ends it.
        self.input.take();
        let _ = self.child.wait();
    }
}

fn task(unit: u8, map: &RegisterMap) -> Value {
    let field = |(role, field): (&Role, &ramprig::rig::register_map::Field)| {
        let name = serde_json::to_value(role).unwrap().as_str().unwrap().to_owned();
        (name, json!({ "table": field.table, "address": field.address, "value": field.expect.unwrap_or(0) }))
    };
    json!({ "unit": unit, "fields": map.fields.iter().map(field).collect::<serde_json::Map<_, _>>() })
}

fn wait_status(port: &dyn StarterPort, what: &str, running: bool) {
    let begun_ns = ramprig::clock::WallClock::now_ns(&SystemClock);
    while port.status().is_none_or(|status| status.running != running) {
        let waited_ns = ramprig::clock::WallClock::now_ns(&SystemClock) - begun_ns;
        assert!(waited_ns < PATIENCE.as_nanos() as u64, "never: {what}; newest {:?}", port.status());
        std::thread::yield_now();
    }
}

/// The whole dialogue with a starter that somebody else's library plays; `written` gives the next write that reached it,
/// heartbeats passed over.
fn command_a_starter(rig: &Rig, mut written: impl FnMut() -> (String, u64)) {
    let starter = &rig.starters[0];
    let fieldbus = fieldbus::open(rig, Arc::new(SystemClock));
    fieldbus.wait_up(PATIENCE).unwrap();
    let mut port = fieldbus.starter(0);
    let expected = starter.map.field(Role::Identity).unwrap().expect;
    assert_eq!(Some(port.identify().unwrap().signature), expected);

    let in_force = port.apply_settings(&starter.settings).unwrap();
    assert_eq!((in_force.ramp_up_s, in_force.ramp_down_s), (Some(3.0), Some(3.0)));
    // By the map's scales: 3 s x 10, 0.4 x 1000, 1 s x 1000.
    let expected = [("ramp_up", 30), ("ramp_down", 30), ("initial_voltage", 400), ("comm_timeout", 1000)];
    for (role, raw) in expected {
        assert_eq!(written(), (role.to_owned(), raw));
    }

    wait_status(&*port, "a first status", false);
    let record = port.order(StarterOrder::Start).unwrap();
    assert_eq!((record.wrote, record.read_back), (1, Some(1)));
    assert_eq!(written(), ("run".to_owned(), 1));
    wait_status(&*port, "running", true);

    let line = port.stop_line();
    line.stop(StopKind::Ramp, "test");
    assert_eq!(written(), ("run".to_owned(), 0));
    wait_status(&*port, "stopped", false);
    let records = line.take_records();
    // The settings have rows of their own before it.
    assert_eq!(records.len(), expected.len() + 1, "{records:?}");
    let stop = &records[expected.len()];
    assert_eq!((stop.wrote, stop.read_back), (0, Some(0)), "{records:?}");
    assert!(stop.answered_wall_ns.is_some(), "{records:?}");
    assert_eq!(fieldbus.shutdown(PATIENCE), Vec::<String>::new());
}

/// The soft starter alone. A slow interpreter on a busy machine: time-outs are tested elsewhere.
fn soft_alone() -> Rig {
    let mut rig = rig();
    rig.starters = vec![rig.starters[SOFT].clone()];
    rig.transfer = None;
    rig.links[0].timeout_s = 5.0;
    rig
}

fn on_a_port(rig: &mut Rig, path: &str) {
    rig.links[0].address = path.to_owned();
    rig.links[0].serial = Some(LINE);
    rig.links[0].second_stop_connection = false;
}

#[test]
fn agrees_with_pymodbus_standing_in_for_a_starter() {
    let mut rig = soft_alone();
    let mut peer = Peer::start("starter_server.py", &task(rig.starters[0].unit, &rig.starters[0].map));
    rig.links[0].address = format!("127.0.0.1:{}", peer.line()["port"]);
    command_a_starter(&rig, || peer.write());
}

#[test]
fn agrees_with_pymodbus_on_a_serial_line() {
    let (mut rig, cable) = (soft_alone(), Cable::new());
    on_a_port(&mut rig, &cable.one);
    let mut task = task(rig.starters[0].unit, &rig.starters[0].map);
    task["serial"] = json!(cable.two);
    let mut peer = Peer::start("starter_server.py", &task);
    assert_eq!(peer.line()["port"], 0);
    command_a_starter(&rig, || peer.write());
}

/// The starter played by libmodbus, built here from its source.
struct LibmodbusStarter {
    child: Child,
    input: Option<ChildStdin>,
    lines: Lines<BufReader<ChildStdout>>,
    port: u16,
    roles: Vec<(u64, u64, String)>,
}

impl LibmodbusStarter {
    fn start(rig: &Rig, serial: Option<&str>) -> Self {
        let source = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/peers/starter_server.c");
        // One program a test: two of them may be built at once.
        let kind = serial.map_or("tcp", |_| "rtu");
        let program = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("starter_server_{kind}"));
        let compiler = std::env::var("CC").unwrap_or_else(|_| "cc".to_owned());
        let mut compile = Command::new(compiler);
        compile.args(["-O2", "-Wall", "-o"]).arg(&program).arg(source).args(["-lmodbus", "-lpthread"]);
        let made = compile.status().expect("a C compiler");
        assert!(made.success(), "the libmodbus peer does not build: run tests/peers/install");
        let (unit, map) = (rig.starters[0].unit, &rig.starters[0].map);
        let mut command = Command::new(program);
        command.args([kind, &unit.to_string()]).args(serial);
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut input = child.stdin.take().unwrap();
        let mut roles = Vec::new();
        for (role, field) in &map.fields {
            let (table, function) = match field.table {
                Table::Coil => (0, 5),
                Table::DiscreteInput => (1, 0),
                Table::Holding => (3, 6),
                Table::Input => (4, 0),
            };
            writeln!(input, "{table} {} {}", field.address, field.expect.unwrap_or(0)).unwrap();
            roles.push((function, u64::from(field.address), role.name().to_owned()));
        }
        writeln!(input).unwrap();
        input.flush().unwrap();
        let port = lines.next().expect("the peer ended").unwrap().parse().unwrap();
        assert_eq!(lines.next().expect("the peer ended").unwrap(), "ready");
        Self { child, input: Some(input), lines, port, roles }
    }

    fn write(&mut self) -> (String, u64) {
        loop {
            let line = self.lines.next().expect("the peer ended").unwrap();
            let numbers: Vec<u64> = line.split(' ').map(|number| number.parse().unwrap()).collect();
            let [function, address, value] = numbers[..] else { panic!("not a write: {line}") };
            let role = self.roles.iter().find(|(f, a, _)| (*f, *a) == (function, address)).unwrap().2.clone();
            if role != "heartbeat" {
                return (role, value);
            }
        }
    }
}

impl Drop for LibmodbusStarter {
    fn drop(&mut self) {
        self.input.take();
        let _ = self.child.wait();
    }
}

#[test]
fn agrees_with_libmodbus_standing_in_for_a_starter() {
    let mut rig = soft_alone();
    // libmodbus serves one connection at a time.
    rig.links[0].second_stop_connection = false;
    let mut peer = LibmodbusStarter::start(&rig, None);
    rig.links[0].address = format!("127.0.0.1:{}", peer.port);
    command_a_starter(&rig, || peer.write());
}

#[test]
fn agrees_with_libmodbus_on_a_serial_line() {
    let (mut rig, cable) = (soft_alone(), Cable::new());
    let mut peer = LibmodbusStarter::start(&rig, Some(&cable.two));
    on_a_port(&mut rig, &cable.one);
    command_a_starter(&rig, || peer.write());
}

/// Direction (`O` to the device, `I` from it) and bytes.
type Piece = (char, Vec<u8>);

/// Passes one connection on and keeps every piece with its direction.
fn tapped(upstream: String) -> (String, Arc<Mutex<Vec<Piece>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let log = Arc::new(Mutex::new(Vec::new()));
    let kept = Arc::clone(&log);
    std::thread::spawn(move || {
        let (client, _) = listener.accept().unwrap();
        let server = TcpStream::connect(upstream).unwrap();
        for (mark, mut from, mut to) in
            [('O', client.try_clone().unwrap(), server.try_clone().unwrap()), ('I', server, client)]
        {
            let log = Arc::clone(&kept);
            std::thread::spawn(move || {
                let mut bytes = [0_u8; 512];
                while let Ok(count @ 1..) = from.read(&mut bytes) {
                    log.lock().unwrap().push((mark, bytes[..count].to_vec()));
                    if to.write_all(&bytes[..count]).is_err() {
                        break;
                    }
                }
            });
        }
    });
    (address, log)
}

#[test]
fn agrees_with_tshark_which_finds_nothing_malformed_in_what_we_send() {
    let mut rig = soft_alone();
    rig.links[0].second_stop_connection = false;
    let device = super::device::Device::for_rig(&mut rig);
    let (address, log) = tapped(device.address.clone());
    rig.links[0].address = address;
    let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
    fieldbus.wait_up(PATIENCE).unwrap();
    let mut port = fieldbus.starter(0);
    port.apply_settings(&rig.starters[0].settings).unwrap();
    port.order(StarterOrder::Start).unwrap();
    port.stop_line().stop(StopKind::Coast, "test");
    wait_status(&*port, "stopped", false);
    fieldbus.shutdown(PATIENCE);
    let pieces = log.lock().unwrap().clone();
    let folder = tempfile::tempdir().unwrap();
    let (text, capture) = (folder.path().join("bytes.txt"), folder.path().join("bytes.pcap"));
    let lines: Vec<String> = pieces
        .iter()
        .map(|(mark, bytes)| {
            let hex: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
            format!("{mark}\n000000 {}\n", hex.join(" "))
        })
        .collect();
    std::fs::write(&text, lines.join("\n")).unwrap();
    run_peer(Command::new("text2pcap").args(["-q", "-D", "-T", "502,40000"]).arg(&text).arg(&capture));
    let fields = |filter: &str| {
        let mut tshark = Command::new("tshark");
        tshark.arg("-r").arg(&capture).args(["-d", "tcp.port==502,mbtcp", "-Y", filter]);
        tshark.args(["-T", "fields", "-e", "_ws.col.Protocol", "-e", "mbtcp.unit_id", "-e", "modbus.func_code"]);
        run_peer(&mut tshark)
    };
    assert_eq!(fields("_ws.malformed || _ws.expert.severity == 8388608"), "", "malformed or in error");
    let decoded = fields("mbtcp");
    let functions: Vec<&str> = decoded.lines().filter_map(|line| line.split('\t').nth(2)).collect();
    println!("tshark decoded {} frames of {} pieces", functions.len(), pieces.len());
    assert_eq!(functions.len(), pieces.len(), "{decoded}");
    for function in ["1", "2", "4", "5", "6"] {
        assert!(functions.contains(&function), "no function {function}:\n{decoded}");
    }
}

/// What tshark says of frames of a serial line, a frame a packet, by its dissector of Modbus RTU.
fn tshark_on_serial_frames(frames: &[Vec<u8>], filter: &str) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let (text, capture) = (folder.path().join("bytes.txt"), folder.path().join("bytes.pcap"));
    let line = |frame: &Vec<u8>| {
        let hex: Vec<String> = frame.iter().map(|byte| format!("{byte:02x}")).collect();
        format!("000000 {}\n", hex.join(" "))
    };
    std::fs::write(&text, frames.iter().map(line).collect::<Vec<_>>().join("\n")).unwrap();
    run_peer(Command::new("text2pcap").args(["-q", "-l", "147"]).arg(&text).arg(&capture));
    let mut tshark = Command::new("tshark");
    tshark.arg("-r").arg(&capture).args(["-o", "mbrtu.crc_verification:TRUE", "-Y", filter]);
    tshark.args(["-o", "uat:user_dlts:\"User 0 (DLT=147)\",\"mbrtu\",\"0\",\"\",\"0\",\"\""]);
    tshark.args(["-T", "fields", "-e", "mbrtu.unit_id", "-e", "modbus.func_code", "-e", "mbrtu.crc16.status"]);
    run_peer(&mut tshark).lines().map(str::to_owned).collect()
}

#[test]
fn agrees_with_tshark_on_every_function_of_a_serial_line() {
    let read = |table| Request::Read { table, address: 0x0102, count: 3 };
    let requests = [
        read(Table::Coil),
        read(Table::DiscreteInput),
        read(Table::Holding),
        read(Table::Input),
        Request::WriteCoil { address: 7, on: true },
        Request::WriteRegister { address: 8, value: 0xBEEF },
        Request::WriteCoils { address: 9, values: vec![true, false, true, true, false, true, true, false, true] },
        Request::WriteRegisters { address: 10, values: vec![1, 0xFFFF, 0x1234] },
    ];
    let frames: Vec<Vec<u8>> = requests.iter().map(|request| rtu::wrap(17, &request.pdu().unwrap())).collect();
    let decoded = tshark_on_serial_frames(&frames, "mbrtu");
    let functions: Vec<String> = [1, 2, 3, 4, 5, 6, 15, 16].map(|function| format!("17\t{function}\t1")).to_vec();
    assert_eq!(decoded, functions, "unit, function, check sum right");
    assert_eq!(
        tshark_on_serial_frames(&frames, "_ws.malformed || _ws.expert.severity == 8388608"),
        Vec::<String>::new()
    );
    // The witness can tell: one changed bit is a wrong check sum to it.
    let mut spoiled = frames[2].clone();
    spoiled[3] ^= 1;
    assert_eq!(tshark_on_serial_frames(&[spoiled], "mbrtu"), ["17\t3\t0"]);
}

fn run_peer(command: &mut Command) -> String {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}; run tests/peers/install"));
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}
