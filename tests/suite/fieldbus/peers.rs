//! A starter played by pymodbus: ours identifies it, writes settings, starts, polls, stops and reads back.

use super::device::PATIENCE;
use super::{SOFT, rig};
use ramprig::clock::SystemClock;
use ramprig::fieldbus;
use ramprig::rig::register_map::{RegisterMap, Role};
use ramprig::sequence::ports::{StarterOrder, StarterPort};
use ramprig::starters::StopKind;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Lines, Write};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::Arc;

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

#[test]
fn agrees_with_pymodbus_standing_in_for_a_starter() {
    let mut rig = rig();
    rig.starters = vec![rig.starters[SOFT].clone()];
    rig.transfer = None;
    let starter = rig.starters[0].clone();
    let mut peer = Peer::start("starter_server.py", &task(starter.unit, &starter.map));
    rig.links[0].address = format!("127.0.0.1:{}", peer.line()["port"]);
    // A slow interpreter on a busy machine: time-outs are tested elsewhere.
    rig.links[0].timeout_s = 5.0;
    let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
    fieldbus.wait_up(PATIENCE).unwrap();
    let mut port = fieldbus.starter(0);
    let expected = starter.map.field(Role::Identity).unwrap().expect;
    assert_eq!(Some(port.identify().unwrap().signature), expected);

    let in_force = port.apply_settings(&starter.settings).unwrap();
    assert_eq!((in_force.ramp_up_s, in_force.ramp_down_s), (Some(3.0), Some(3.0)));
    // By the map's scales: 3 s x 10, 0.4 x 1000, 1 s x 1000.
    let expected = [("ramp_up", 30), ("ramp_down", 30), ("initial_voltage", 400), ("comm_timeout", 1000)];
    for (role, raw) in expected {
        assert_eq!(peer.write(), (role.to_owned(), raw));
    }

    wait_status(&*port, "a first status", false);
    let record = port.order(StarterOrder::Start).unwrap();
    assert_eq!((record.wrote, record.read_back), (1, Some(1)));
    assert_eq!(peer.write(), ("run".to_owned(), 1));
    wait_status(&*port, "running", true);

    let line = port.stop_line();
    line.stop(StopKind::Ramp, "test");
    assert_eq!(peer.write(), ("run".to_owned(), 0));
    wait_status(&*port, "stopped", false);
    let records = line.take_records();
    assert_eq!((records[0].wrote, records[0].read_back), (0, Some(0)), "{records:?}");
    assert!(records[0].answered_wall_ns.is_some(), "{records:?}");
    assert_eq!(fieldbus.shutdown(PATIENCE), Vec::<String>::new());
}
