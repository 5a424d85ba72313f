//! Modbus TCP, one connection, one transaction at a time, as many registers on both sides. Ours is what a bus thread does
//! in service: it polls a starter as fast as it goes, checks every answer, decodes and publishes it. Theirs is
//! `modbus_read_input_registers` in a loop in C. The server is libmodbus for both.

use super::peers::{Peer, compared, source};
use ramprig::clock::SystemClock;
use ramprig::fieldbus::{self, Fieldbus};
use ramprig::rig::register_map::{Field, RegisterMap, Role, Table};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

const ROUNDS: usize = 9;
const ROUND: Duration = Duration::from_millis(700);
const UNIT: u8 = 1;
const SIGNATURE: u16 = 0x4231;
const PATIENCE: Duration = Duration::from_secs(20);

fn built() -> PathBuf {
    let out = Path::new(env!("CARGO_TARGET_TMPDIR")).join("modbus_peer");
    let compiler = std::env::var("CC").unwrap_or_else(|_| "cc".to_owned());
    let mut compile = Command::new(compiler);
    compile.args(["-O3", "-march=native", "-o"]).arg(&out).arg(source("modbus_peer.c")).arg("-lmodbus");
    let made = compile.status().expect("a C compiler");
    assert!(made.success(), "the libmodbus peer does not build; try: tests/peers/install");
    out
}

/// Neighbouring input registers, all of them polled: one transaction a poll.
fn map() -> RegisterMap {
    let plain = |address| Field::plain(Table::Input, address);
    let bit = |bit| Field { bit: Some(bit), ..plain(10) };
    let fields = BTreeMap::from([
        (Role::Identity, Field { expect: Some(SIGNATURE), ..plain(0) }),
        (Role::Running, bit(0)),
        (Role::AtSpeed, bit(1)),
        (Role::Fault, plain(11)),
        (Role::Current, plain(12)),
        (Role::SpeedActual, plain(13)),
        (Role::StartCount, plain(14)),
    ]);
    RegisterMap { name: "bench".into(), about: String::new(), cia402: false, fields, words: BTreeMap::new() }
}

fn open(port: u16) -> Fieldbus {
    let text = ramprig::rig::shipped("terrace-bench").unwrap();
    let mut rig = ramprig::rig::parse(text, "terrace-bench.toml").unwrap();
    rig.starters.truncate(1);
    rig.starters[0].map = map();
    rig.starters[0].unit = UNIT;
    rig.transfer = None;
    rig.links[0].address = format!("127.0.0.1:{port}");
    rig.links[0].poll_s = 0.0;
    rig.links[0].second_stop_connection = false;
    let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
    fieldbus.wait_up(PATIENCE).unwrap();
    fieldbus
}

/// Transactions a second in one round.
fn ours(port: u16) -> f64 {
    let fieldbus = open(port);
    let answered = |fieldbus: &Fieldbus| fieldbus.statistics()[0].answered;
    let (begun, before) = (Instant::now(), answered(&fieldbus));
    std::thread::sleep(ROUND);
    let rate = (answered(&fieldbus) - before) as f64 / begun.elapsed().as_secs_f64();
    let figures = &fieldbus.statistics()[0];
    assert_eq!((figures.timeouts, figures.disbelieved, figures.exceptions), (0, 0, 0), "{figures:?}");
    assert_eq!(fieldbus.shutdown(PATIENCE), Vec::<String>::new());
    rate
}

pub fn report() {
    let program = built();
    let mut server = Peer::start(&program, &["serve".to_owned()]);
    let port = server.ask(&SIGNATURE.to_string())[0] as u16;
    let mut pairs = Vec::new();
    for _ in 0..ROUNDS {
        let mut client = Peer::start(&program, &["ask".to_owned(), port.to_string()]);
        let theirs = client.ask(&format!("{}", ROUND.as_secs_f64()))[0];
        drop(client);
        pairs.push((ours(port), theirs));
    }
    let (ratio, ours, theirs) = compared(&pairs);
    println!(
        "# Modbus TCP, 5 input registers, one transaction at a time, same libmodbus server, median of {ROUNDS} pairs"
    );
    println!("ratio modbus_vs_libmodbus {ratio:.3}");
    println!("abs modbus_tcp_transactions {ours:.0} {theirs:.0} 1/s");
}
