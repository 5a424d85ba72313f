//! Devices on the bus.

use super::stand::{BENCH, CONTACTOR, DRIVE, Drain, SOFT, STARTERS, Stand};
use ramprig::rig::register_map::{Role, Table};
use std::process::Command;
use tokio_modbus::ExceptionCode;
use tokio_modbus::prelude::Request;

/// Current that only a turning motor draws, A (full load of the bench's motor is 8.4 A).
const RUNNING_CURRENT_MIN_A: f64 = 2.0;
/// Shaft speed reached by every starter, rad/s (rated: 150.8).
const RUNNING_SPEED_MIN_RAD_S: f64 = 140.0;

#[test]
fn answers_identity_and_virtual_mark_on_every_unit() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    for unit in [CONTACTOR, SOFT, DRIVE, BENCH] {
        let expected = bus.field(unit, Role::Identity).expect;
        assert_eq!(Some(bus.get(unit, Role::Identity)), expected, "identity of unit {unit}");
        assert_eq!(bus.get(unit, Role::VirtualMark), 0x5652, "virtual mark of unit {unit}");
    }
    assert_eq!((bus.get(BENCH, Role::Remote), bus.get(BENCH, Role::EmergencyStopOk)), (1, 1));
}

#[test]
fn rejects_what_the_devices_do_not_have() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    assert_eq!(bus.try_read(CONTACTOR, Table::Holding, 9999, 1), Err(ExceptionCode::IllegalDataAddress));
    assert_eq!(bus.try_read(99, Table::Holding, 0, 1), Err(ExceptionCode::GatewayTargetDevice));
    assert_eq!(bus.put(SOFT, Role::RampUp, 65535), Err(ExceptionCode::IllegalDataValue));
    assert_eq!(bus.put(BENCH, Role::TransferSelect, 9), Err(ExceptionCode::IllegalDataValue));
    let unknown = bus.call(SOFT, Request::Custom(0x64, (&[1_u8, 2][..]).into())).unwrap();
    assert_eq!(unknown, Err(ExceptionCode::IllegalFunction));
    let mask = bus.call(SOFT, Request::MaskWriteRegister(10, 0, 0)).unwrap();
    assert_eq!(mask, Err(ExceptionCode::IllegalFunction), "function 22 is not one of the device's");
    let many = bus.call(SOFT, Request::ReadHoldingRegisters(0, 126)).unwrap();
    assert_eq!(many, Err(ExceptionCode::IllegalDataValue), "126 registers do not fit in a PDU");
}

#[test]
fn writes_all_of_a_block_or_none() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    let (up, down) = (bus.field(SOFT, Role::RampUp), bus.field(SOFT, Role::RampDown));
    assert_eq!(down.address, up.address + 1, "the shipped map has the two ramps side by side");
    let before = bus.get(SOFT, Role::RampUp);
    let block = |raws: &'static [u16]| Request::WriteMultipleRegisters(up.address, raws.into());
    assert_eq!(bus.call(SOFT, block(&[20, 60000])).unwrap(), Err(ExceptionCode::IllegalDataValue));
    assert_eq!(bus.get(SOFT, Role::RampUp), before, "the good half was not taken either");
    bus.call(SOFT, block(&[20, 30])).unwrap().unwrap();
    assert_eq!((bus.get(SOFT, Role::RampUp), bus.get(SOFT, Role::RampDown)), (20, 30));
}

#[test]
fn turns_the_motor_through_each_starter_and_stops_it() {
    let stand = Stand::fast();
    let drain = Drain::of(&stand);
    let mut bus = stand.bus();
    for (unit, position) in STARTERS.into_iter().zip(1..) {
        bus.select(position);
        bus.start(unit);
        bus.beat_until("full speed", |_| drain.value(&stand, "n_shaft") > RUNNING_SPEED_MIN_RAD_S);
        bus.beat_until("running", |bus| bus.running(unit));
        bus.beat_until("current on the fast channel", |_| drain.value(&stand, "i_line") > RUNNING_CURRENT_MIN_A);
        let current_a = bus.get_si(unit, Role::Current);
        assert!(current_a > RUNNING_CURRENT_MIN_A, "unit {unit}: {current_a} A in the register");
        assert_eq!(bus.get(BENCH, Role::OutputsOn), 1 << (position - 1), "unit {unit}");
        bus.stop(unit);
        bus.beat_until("output off", |bus| !bus.running(unit));
        bus.beat_until("no current", |_| drain.value(&stand, "i_line") < RUNNING_CURRENT_MIN_A);
        bus.beat_until("shaft at rest", |bus| bus.get_si(BENCH, Role::ShaftSpeed).abs() < 1.0);
        assert_eq!(bus.get(unit, Role::StartCount), 1, "unit {unit}");
    }
    assert_eq!(bus.get(BENCH, Role::MostOutputsOn), 1, "never two outputs on");
}

#[test]
fn raises_the_discharge_pressure_when_the_pump_runs() {
    let stand = Stand::fast();
    let drain = Drain::of(&stand);
    let mut bus = stand.bus();
    bus.beat_until("a first frame", |_| drain.value(&stand, "p_discharge").is_finite());
    let still_pa = drain.value(&stand, "p_discharge");
    bus.start(CONTACTOR);
    bus.beat_until("pressure rises", |_| drain.value(&stand, "p_discharge") > still_pa + 2.0e4);
    bus.stop(CONTACTOR);
}

#[test]
fn walks_the_drive_by_iec_61800_7_201_words() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    bus.select(3);
    // Status word patterns of IEC 61800-7-201 (from memory).
    let walk = [(0x0000, 0x4F, 0x40), (0x0006, 0x6F, 0x21), (0x0007, 0x6F, 0x23), (0x000F, 0x6F, 0x27)];
    for (word, mask, pattern) in walk {
        bus.put(DRIVE, Role::ControlWord, word).unwrap();
        assert_eq!(bus.get(DRIVE, Role::StatusWord) & mask, pattern, "after control word {word:#06x}");
    }
    bus.beat_until("voltage on the motor", |bus| bus.get_si(DRIVE, Role::SpeedActual) > 0.0);
    bus.put(DRIVE, Role::ControlWord, 0x0002).unwrap();
    let stopping = bus.get(DRIVE, Role::StatusWord);
    assert!(stopping & 0x6F == 0x07 || stopping & 0x4F == 0x40, "quick stop, or its end: {stopping:#06x}");
    bus.beat_until("switch-on disabled", |bus| bus.get(DRIVE, Role::StatusWord) & 0x4F == 0x40);
}

#[test]
fn sees_two_outputs_on_at_once() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    bus.start(CONTACTOR);
    bus.start(SOFT);
    bus.beat_until("both on", |bus| bus.running(CONTACTOR) && bus.running(SOFT));
    bus.beat_until("witness", |bus| bus.get(BENCH, Role::OutputsOn) == 0b011);
    assert_eq!(bus.get_si(SOFT, Role::Current), 0.0, "it does not stand on the motor");
    bus.stop(CONTACTOR);
    bus.stop(SOFT);
    bus.beat_until("both off", |bus| bus.get(BENCH, Role::OutputsOn) == 0);
    assert_eq!(bus.get(BENCH, Role::MostOutputsOn), 2, "not forgotten");
}

#[test]
fn serves_two_connections_at_once() {
    let stand = Stand::real_time();
    let (mut one, mut other) = (stand.bus(), stand.bus());
    one.start(CONTACTOR);
    one.beat_until("running", |bus| bus.running(CONTACTOR));
    other.put(CONTACTOR, Role::Cut, 1).unwrap();
    assert!(!one.running(CONTACTOR), "a stop on the second connection acts on the same device");
}

#[test]
fn agrees_with_libmodbus_on_identity_and_status_of_every_unit() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    for unit in [CONTACTOR, SOFT, DRIVE, BENCH] {
        for role in [Role::Identity, Role::VirtualMark] {
            let field = bus.field(unit, role);
            let expected = bus.get(unit, role);
            assert_eq!(mbpoll(&stand, unit, field.table, field.address), expected, "unit {unit} {role:?}");
        }
    }
    for (unit, role) in [(CONTACTOR, Role::Running), (SOFT, Role::Running), (BENCH, Role::Remote)] {
        let field = bus.field(unit, role);
        assert_eq!(mbpoll(&stand, unit, field.table, field.address), bus.get(unit, role), "unit {unit} {role:?}");
    }
    let field = bus.field(DRIVE, Role::StatusWord);
    assert_eq!(mbpoll(&stand, DRIVE, field.table, field.address) & 0x4F, 0x40, "switch-on disabled");
}

/// One value read by `mbpoll` (libmodbus), an implementation in C that shares nothing with ours.
fn mbpoll(stand: &Stand, unit: u8, table: Table, address: u16) -> u16 {
    let kind = match table {
        Table::Coil => "0",
        Table::DiscreteInput => "1",
        Table::Input => "3:hex",
        Table::Holding => "4:hex",
    };
    let output = Command::new("mbpoll")
        .args(["-0", "-1", "-q", "-m", "tcp", "-o", "5", "-c", "1", "-t", kind])
        .args(["-a", &unit.to_string(), "-r", &address.to_string(), "-p", &stand.ready.modbus.port().to_string()])
        .arg("127.0.0.1")
        .output()
        .expect("mbpoll (Debian package mbpoll) is needed");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let shown = text.lines().find_map(|line| line.strip_prefix(&format!("[{address}]:")).map(str::trim));
    let shown = shown.unwrap_or_else(|| panic!("mbpoll said: {text} {}", String::from_utf8_lossy(&output.stderr)));
    match shown.strip_prefix("0x") {
        Some(hex) => u16::from_str_radix(hex, 16).unwrap(),
        None => shown.parse().unwrap(),
    }
}
