//! A device whose numbers take every form a map can describe.

use super::device::{Device, PATIENCE};
use super::rtu_device::RtuDevice;
use super::{SOFT, rig};
use crate::stand::wait_until;
use ramprig::clock::SystemClock;
use ramprig::fieldbus::{self, Fieldbus};
use ramprig::rig::maps::parse_map;
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::Table;
use ramprig::sequence::ports::{PortError, StarterOrder};
use ramprig::starters::{Settings, StopKind};
use std::collections::BTreeMap;
use std::sync::Arc;

/// One product of two f64.
const ROUNDING: f64 = 1e-12;

fn wide_rig() -> Rig {
    let text = include_str!("../../fixtures/rigs/maps/wide-starter.toml");
    let mut rig = rig();
    rig.starters = vec![rig.starters[SOFT].clone()];
    rig.starters[0].map = parse_map(text, "wide-starter.toml").unwrap_or_else(|problems| panic!("{problems}"));
    rig.starters[0].settings_max.current_limit = Some(7.0);
    rig.transfer = None;
    rig
}

fn holding(device: &Device, unit: u8, address: u16, count: u16) -> Vec<u16> {
    (address..address + count).map(|at| device.register(unit, Table::Holding, at)).collect()
}

fn settings_go_there_and_back(fieldbus: &Fieldbus, device: &Device, unit: u8) {
    let mut port = fieldbus.starter(0);
    let wanted = Settings {
        ramp_up_s: Some(2.5),
        ramp_down_s: Some(3.0),
        initial_voltage: Some(0.45),
        current_limit: Some(3.5),
        ..Settings::default()
    };
    let in_force = port.apply_settings(&wanted).unwrap();
    for (got, expected) in [
        (in_force.ramp_up_s, wanted.ramp_up_s),
        (in_force.ramp_down_s, wanted.ramp_down_s),
        (in_force.initial_voltage, wanted.initial_voltage),
        (in_force.current_limit, wanted.current_limit),
    ] {
        let (got, expected) = (got.unwrap(), expected.unwrap());
        let error = (got - expected).abs();
        assert!(
            error <= ROUNDING,
            "expected {expected}, got {got}, error {error}, tolerance {ROUNDING} (the map's scales)"
        );
    }
    // 2.5 is 0x40200000, bytes swapped; 3000 is 0x00000BB8; 450 000 is 0x6DDD0; 350 is 0x15E.
    assert_eq!(holding(device, unit, 10, 2), [0x2040, 0x0000]);
    assert_eq!(holding(device, unit, 12, 2), [0xB80B, 0x0000]);
    assert_eq!(holding(device, unit, 14, 4), [0, 0, 6, 0xDDD0]);
    assert_eq!(holding(device, unit, 18, 4), [0x015E, 0, 0, 0]);
    assert_eq!(holding(device, unit, 1, 2), [0, 1000], "time-out of 1 s in two registers");
    // The stored ramp down has been written once; once more is allowed, not twice.
    let change = |seconds| Settings { ramp_down_s: Some(seconds), ..Settings::default() };
    assert_eq!(port.apply_settings(&change(4.0)).unwrap().ramp_down_s, Some(4.0));
    let refused = port.apply_settings(&change(5.0)).unwrap_err();
    assert!(matches!(refused, PortError::WornOut { budget: 2, .. }), "{refused}");
    assert_eq!(holding(device, unit, 12, 2), [0xA00F, 0x0000], "still 4000");
}

fn status_is_read(fieldbus: &Fieldbus, device: &Device, unit: u8) {
    // 12.5 A is 0x41480000, lowest word first; bits 0 and 3 of the status register.
    device.set_register(unit, Table::Input, 4, 0x0000);
    device.set_register(unit, Table::Input, 5, 0x4148);
    device.set_register(unit, Table::Input, 2, 0b1001);
    let port = fieldbus.starter(0);
    let begun = std::time::Instant::now();
    while port.status().is_none_or(|status| !(status.running && status.at_speed && status.current_a == Some(12.5))) {
        assert!(begun.elapsed() < PATIENCE, "newest: {:?}", port.status());
        std::thread::yield_now();
    }
}

#[test]
fn commands_and_reads_wide_numbers_over_tcp() {
    let mut rig = wide_rig();
    let device = Device::for_rig(&mut rig);
    let unit = rig.starters[0].unit;
    let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
    fieldbus.wait_up(PATIENCE).unwrap();
    status_is_read(&fieldbus, &device, unit);
    settings_go_there_and_back(&fieldbus, &device, unit);
}

#[test]
fn commands_and_reads_wide_numbers_over_a_serial_line() {
    let mut rig = wide_rig();
    let port = RtuDevice::for_rig(&mut rig);
    let unit = rig.starters[0].unit;
    let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
    fieldbus.wait_up(PATIENCE).unwrap();
    status_is_read(&fieldbus, &port.device, unit);
    settings_go_there_and_back(&fieldbus, &port.device, unit);
}

#[test]
fn rejects_maps_whose_numbers_cannot_be() {
    let text = include_str!("../../fixtures/rigs/maps/wide-starter.toml");
    for (was, is, said) in [
        ("bit = 3", "bit = 0", "an address of its own"),
        ("address = 6 }", "address = 5 }", "where current lives"),
        ("bit = 0 }", "bit = 16 }", "from 0 to 15"),
        ("form = \"u32\"", "form = \"u33\"", "u33"),
        ("order = \"low-first\" } # A", "order = \"upside-down\" } # A", "upside-down"),
        (
            "start_count = { table = \"input\", address = 6",
            "start_count = { table = \"input\", address = 6, form = \"u32\"",
            "one register",
        ),
        ("address = 18,", "address = 65534,", "an end at 65535"),
        ("stored = true, ", "", "stored = true"),
        ("0 = \"none\"", "nought = \"none\"", "nought"),
        (
            "{ table = \"coil\", address = 0,",
            "{ table = \"coil\", address = 0, form = \"i16\",",
            "a number in a table of bits",
        ),
        (
            "table = \"input\", address = 2, bit = 0",
            "table = \"input\", address = 2, mask_write = true, bit = 0",
            "no writable bit",
        ),
    ] {
        let changed = text.replacen(was, is, 1);
        assert_ne!(changed, text, "{was}");
        let problems = parse_map(&changed, "wide-starter.toml").unwrap_err().to_string();
        assert!(problems.contains(said), "{is}: {problems}");
    }
}

#[test]
fn agrees_with_jsonschema_on_which_maps_are_right() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let schema = root.join("rig-configs/schema/register-map.schema.json");
    let text = include_str!("../../fixtures/rigs/maps/wide-starter.toml");
    let folder = tempfile::tempdir().unwrap();
    // Mistakes that a schema can see, one a file.
    let mistakes = [
        ("bit = 0 }", "bit = 16 }"),
        ("form = \"u32\"", "form = \"u33\""),
        ("order = \"low-first\" } # A", "order = \"upside-down\" } # A"),
        ("stored = true, ", ""),
        ("0 = \"none\"", "nought = \"none\""),
        ("{ table = \"coil\", address = 0,", "{ table = \"coil\", address = 0, form = \"i16\","),
        ("start_count", "starts_counted"),
        ("address = 6", "adress = 6"),
    ];
    let mut wrong = Vec::new();
    for (number, (was, is)) in mistakes.iter().enumerate() {
        let changed = text.replacen(was, is, 1);
        assert!(parse_map(&changed, "wide-starter.toml").is_err(), "{is} was accepted");
        let path = folder.path().join(format!("{number}.toml"));
        std::fs::write(&path, changed).unwrap();
        wrong.push(path);
    }
    let maps = ramprig::rig::maps::shipped_map_names().map(|name| root.join(format!("rig-configs/maps/{name}.toml")));
    let right: Vec<_> = maps.chain([root.join("tests/fixtures/rigs/maps/wide-starter.toml")]).collect();
    let mut check = std::process::Command::new(super::peers::python());
    let output =
        check.arg(root.join("tests/peers/schema_check.py")).arg(&schema).args(&right).args(&wrong).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let found: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let complaints = |path: &std::path::Path| found[path.to_str().unwrap()].as_array().unwrap().len();
    for path in &right {
        assert_eq!(complaints(path), 0, "{}: {}", path.display(), found[path.to_str().unwrap()]);
    }
    for (path, mistake) in wrong.iter().zip(mistakes) {
        assert!(complaints(path) > 0, "the schema lets {mistake:?} pass");
    }
}

/// A starter commanded by codes in a register, whose status is a code as well.
#[test]
fn commands_a_starter_by_codes_of_a_register_and_reads_its_status_from_one() {
    let mut rig = rig();
    rig.starters = vec![rig.starters[SOFT].clone()];
    rig.transfer = None;
    rig.links[0].poll_s = 0.01;
    let shipped = ramprig::rig::maps::shipped_map("soft-starter").unwrap();
    let line = |role: &str| shipped.lines().find(|line| line.starts_with(&format!("{role} = "))).unwrap();
    let text = shipped
        .replace(line("run"), "run = { table = \"holding\", address = 60, writable = true, on = 1151, off = 1148 }")
        .replace(line("running"), "running = { table = \"input\", address = 61, on = 1151 }");
    rig.starters[0].map = parse_map(&text, "codes.toml").unwrap_or_else(|problems| panic!("{problems}"));
    let unit = rig.starters[0].unit;
    let device = Device::for_rig(&mut rig);
    let bus = fieldbus::open(&rig, Arc::new(SystemClock));
    bus.wait_up(PATIENCE).unwrap();
    let mut port = bus.starter(0);
    port.apply_settings(&rig.starters[0].settings).unwrap();
    port.order(StarterOrder::Start).unwrap();
    assert_eq!(device.register(unit, Table::Holding, 60), 1151);
    wait_until("running", || port.status().is_some_and(|status| status.running));
    port.stop_line().stop(StopKind::Coast, "test");
    wait_until("off", || port.status().is_some_and(|status| !status.running));
    assert_eq!(device.register(unit, Table::Holding, 60), 1148);
    // A code that is neither: not on.
    device.set_register(unit, Table::Input, 61, 9);
    wait_until("the other code is read", || {
        device.log().iter().rev().take(20).any(|seen| seen.read() == Some((Table::Input, 61, 1)))
    });
    assert!(!port.status().unwrap().running);
}

#[test]
fn rejects_codes_where_a_number_or_a_bit_is_wanted() {
    let map = |field: &str| {
        let identity = "identity = { table = \"input\", address = 0, expect = 7 }";
        let told = parse_map(&format!("name = \"m\"\n[fields]\n{identity}\n{field}\n"), "m.toml");
        told.err().map(|problems| problems.to_string()).unwrap_or_default()
    };
    assert_eq!(map("running = { table = \"input\", address = 1, on = 5 }"), "");
    for (field, told) in [
        (
            "current = { table = \"input\", address = 1, on = 5 }",
            "codes for a field that is no register for yes and no",
        ),
        ("running = { table = \"input\", address = 1, bit = 2, on = 5 }", "codes for a field"),
        ("running = { table = \"discrete-input\", address = 1, on = 1 }", "codes for a field"),
        ("running = { table = \"input\", address = 1, on = 0 }", "0 for both"),
        ("running = { table = \"input\", address = 1, off = 3 }", "off without on"),
    ] {
        let said = map(field);
        assert!(said.contains(told), "{field}: {said}");
    }
}

#[test]
fn names_a_fault_as_its_map_does_and_says_when_it_cannot() {
    let mut rig = rig();
    let named = ramprig::sequence::interlock::Rules::of(&rig);
    assert_eq!(named.fault(SOFT, 1), "fault 1 (loss of communication)");
    assert_eq!(named.fault(SOFT, 77), "fault 77 (a code that its map does not know)");
    rig.starters[SOFT].map.words.clear();
    assert_eq!(ramprig::sequence::interlock::Rules::of(&rig).fault(SOFT, 77), "fault 77");
}

/// The budget of a stored register is one for all sessions.
#[test]
fn counts_stored_writes_on_from_an_earlier_session() {
    let change = |seconds| Settings { ramp_down_s: Some(seconds), ..Settings::default() };
    let session = |earlier: &BTreeMap<String, u32>| {
        let mut rig = wide_rig();
        let _device = Device::for_rig(&mut rig);
        let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
        fieldbus.wait_up(PATIENCE).unwrap();
        fieldbus.remember_stored_writes(earlier);
        let mut port = fieldbus.starter(0);
        let written = [2.0, 3.0, 4.0].into_iter().take_while(|s| port.apply_settings(&change(*s)).is_ok()).count();
        (written, fieldbus.stored_writes())
    };
    let (first, counts) = session(&BTreeMap::new());
    assert_eq!(first, 2, "the map allows two: {counts:?}");
    assert!(counts.iter().any(|(name, count)| name.ends_with(" ramp_down") && *count == 2), "{counts:?}");
    let one = counts.keys().map(|name| (name.clone(), 1)).collect();
    assert_eq!(session(&one).0, 1, "one of two was spent before");
    assert_eq!(session(&counts).0, 0, "both were");
}

/// The shipped soft starter with its commands in one register: run is bit 0, cut bit 1, reset bit 2.
fn bits_rig(mask_write: bool) -> Rig {
    let mut text = ramprig::rig::maps::shipped_map("soft-starter").unwrap().to_owned();
    for (bit, role) in ["run", "cut", "reset"].into_iter().enumerate() {
        let was = format!("{role} = {{ table = \"coil\", address = {bit}, writable = true }}");
        let masked = if mask_write { ", mask_write = true" } else { "" };
        assert!(text.contains(&was), "{was}");
        text = text.replace(
            &was,
            &format!("{role} = {{ table = \"holding\", address = 100, bit = {bit}, writable = true{masked} }}"),
        );
    }
    let mut rig = rig();
    rig.starters = vec![rig.starters[SOFT].clone()];
    rig.starters[0].map = parse_map(&text, "soft-bits.toml").unwrap_or_else(|problems| panic!("{problems}"));
    rig.transfer = None;
    rig.links[0].timeout_s = 10.0;
    rig
}

/// Somebody else's bit of the same register.
const THEIRS: u16 = 0x8000;
const COMMANDS: u16 = 100;

fn bits_are_commanded(fieldbus: &Fieldbus, device: &Device, unit: u8, mask_write: bool) {
    let mut port = fieldbus.starter(0);
    let register = || device.register(unit, Table::Holding, COMMANDS);
    for kind in [StopKind::Ramp, StopKind::Coast] {
        port.order(StarterOrder::Start).unwrap();
        assert_eq!(register(), THEIRS | 0b001, "run alone, and theirs as it was");
        let line = fieldbus.stop_line(0);
        line.stop(kind, "test");
        let mut records = Vec::new();
        wait_until("a confirmed stop", || {
            records.extend(line.take_records());
            records.iter().any(|record| record.answered_wall_ns.is_some())
        });
        let cut = if kind == StopKind::Ramp { 0b000 } else { 0b010 };
        assert_eq!(register(), THEIRS | cut, "{kind:?}");
    }
    port.order(StarterOrder::Reset).unwrap();
    assert_eq!(register() & !0b010, THEIRS, "the reset is an edge");
    let functions: Vec<u8> =
        device.writes().iter().filter(|seen| seen.pdu[1..3] == [0, 100]).map(|s| s.pdu[0]).collect();
    let expected = if mask_write { 22 } else { 6 };
    assert!(!functions.is_empty() && functions.iter().all(|function| *function == expected), "{functions:?}");
}

#[test]
fn commands_single_bits_of_a_register_on_tcp_and_on_a_serial_line() {
    for mask_write in [false, true] {
        let mut rig = bits_rig(mask_write);
        let unit = rig.starters[0].unit;
        let device = Device::for_rig(&mut rig);
        device.set_register(unit, Table::Holding, COMMANDS, THEIRS);
        let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
        fieldbus.wait_up(PATIENCE).unwrap();
        bits_are_commanded(&fieldbus, &device, unit, mask_write);
        let mut rig = bits_rig(mask_write);
        let port = RtuDevice::for_rig(&mut rig);
        port.device.set_register(unit, Table::Holding, COMMANDS, THEIRS);
        let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
        fieldbus.wait_up(PATIENCE).unwrap();
        bits_are_commanded(&fieldbus, &port.device, unit, mask_write);
    }
}
