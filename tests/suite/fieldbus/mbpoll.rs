//! `mbpoll` (libmodbus, a C library of other people's) as a client: run it, take its printed values apart.

use ramprig::rig::register_map::Table;
use std::process::Command;

/// Read `count` values from protocol address `address` (from 0) of `unit` at `host:port`.
///
/// # Panics
/// When `mbpoll` is missing (names the script that installs it) or does not read.
pub fn read(address_of_server: &str, unit: u8, table: Table, address: u16, count: u16) -> Vec<u16> {
    let (host, port) = address_of_server.rsplit_once(':').unwrap();
    poll(&["-m", "tcp", "-p", port], host, unit, table, address, count)
}

/// The same over a serial port at `path`, 38 400 bit/s, even parity.
///
/// # Panics
/// As [`read`].
pub fn read_serial(path: &str, unit: u8, table: Table, address: u16, count: u16) -> Vec<u16> {
    poll(&["-m", "rtu", "-b", "38400", "-P", "even"], path, unit, table, address, count)
}

fn poll(mode: &[&str], place: &str, unit: u8, table: Table, address: u16, count: u16) -> Vec<u16> {
    let kind = match table {
        Table::Coil => "0",
        Table::DiscreteInput => "1",
        Table::Input => "3",
        Table::Holding => "4",
    };
    let numbers = [unit.to_string(), address.to_string(), count.to_string()];
    let output = Command::new("mbpoll")
        .args(mode)
        .args(["-a", &numbers[0], "-t", kind, "-0", "-r", &numbers[1], "-c", &numbers[2]])
        .args(["-1", "-q", place])
        .output()
        .unwrap_or_else(|error| panic!("cannot run mbpoll ({error}): run tests/peers/install"));
    let text = String::from_utf8_lossy(&output.stdout);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "mbpoll failed: {text}{errors}");
    let values = values(&text);
    assert_eq!(values.len(), usize::from(count), "mbpoll printed: {text}{errors}");
    values
}

/// Values of lines such as `[10]: 16945` or `[10]: 65535 (-1)`, with a tab after the colon.
fn values(text: &str) -> Vec<u16> {
    let value = |line: &str| {
        let (place, value) = line.trim().split_once("]:")?;
        place.starts_with('[').then_some(())?;
        value.split_whitespace().next()?.parse().ok()
    };
    text.lines().filter_map(value).collect()
}

#[test]
fn accepts_the_lines_that_mbpoll_prints() {
    let text = "-- Polling slave 1...\n[10]: \t16945\n[11]: \t65535 (-1)\n[12]: \t0\n\n";
    assert_eq!(values(text), [16945, 65535, 0]);
}

#[test]
fn agrees_with_mbpoll_on_the_test_device() {
    let stand = super::Stand::up(|_, _| {});
    let identity = stand.rig.starters[super::SOFT].map.field(ramprig::rig::register_map::Role::Identity).unwrap();
    let unit = stand.unit(super::SOFT);
    let read = read(&stand.device.address, unit, identity.table, identity.address, 1);
    let ours = stand.fieldbus.starter(super::SOFT).identify().unwrap().signature;
    assert_eq!(read, [ours], "libmodbus and we read the identity of unit {unit}");
}
