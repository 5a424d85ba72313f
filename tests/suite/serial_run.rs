//! A cycle by way of a serial line: the program commands the soft starter of the virtual rig over a pseudo-terminal.

use crate::fieldbus::mbpoll;
use crate::stand::bench::Bench;
use crate::stand::sequences::Cycle;
use ramprig::recording::{read, read_wire_log};
use ramprig::rig::register_map::{Role, Table};

const SOFT: usize = 1;

/// Reads by pymodbus, having written first: a path or host:port; numbers on standard output.
fn pymodbus(path: &str, unit: u8, (table, address, count): (&str, u16, u16), writes: &[u16]) -> Vec<u16> {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/peers/reading_client.py");
    let numbers = [unit.to_string(), address.to_string(), count.to_string()];
    let mut command = std::process::Command::new(crate::fieldbus::peers::python());
    command.args([script, path, &numbers[0], table, &numbers[1], &numbers[2]]).args(writes.iter().map(u16::to_string));
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).split_whitespace().map(|number| number.parse().unwrap()).collect()
}

#[test]
fn agrees_with_mbpoll_and_pymodbus_which_read_the_virtual_rig_on_its_serial_line() {
    let bench = Bench::serial();
    let soft = &bench.rig.starters[SOFT];
    let port = bench.ready.ports["field"].display().to_string();
    for role in [Role::Identity, Role::VirtualMark, Role::RampUp, Role::CommTimeout, Role::Running] {
        let field = soft.map.field(role).unwrap();
        let by_mbpoll = mbpoll::read_serial(&port, soft.unit, field.table, field.address, 1);
        let by_pymodbus = pymodbus(&port, soft.unit, (field.table.name(), field.address, 1), &[]);
        let tcp = bench.ready.modbus.to_string();
        let by_tcp = mbpoll::read(&tcp, soft.unit, field.table, field.address, 1);
        assert_eq!((&by_mbpoll, &by_pymodbus), (&by_tcp, &by_tcp), "{role:?}");
    }
    bench.end();
}

#[test]
fn agrees_with_pymodbus_which_reads_and_writes_the_virtual_rig_by_tcp() {
    let bench = Bench::real_time();
    let soft = &bench.rig.starters[SOFT];
    let tcp = bench.ready.modbus.to_string();
    let read = |role: Role, writes: &[u16]| {
        let field = soft.map.field(role).unwrap();
        pymodbus(&tcp, soft.unit, (field.table.name(), field.address, 1), writes)
    };
    for role in [Role::Identity, Role::VirtualMark, Role::RampUp, Role::CommTimeout, Role::Running, Role::Run] {
        let field = soft.map.field(role).unwrap();
        assert_eq!(read(role, &[]), mbpoll::read(&tcp, soft.unit, field.table, field.address, 1), "{role:?}");
    }
    let (up, down) = (soft.map.field(Role::RampUp).unwrap(), soft.map.field(Role::RampDown).unwrap());
    assert_eq!(down.address, up.address + 1, "the shipped map has the two ramps side by side");
    assert_eq!(read(Role::RampUp, &[21]), [21], "function 6");
    assert_eq!(pymodbus(&tcp, soft.unit, ("holding", up.address, 2), &[22, 33]), [22, 33], "function 16");
    let reset = soft.map.field(Role::Reset).unwrap();
    assert_eq!(reset.table, Table::Coil);
    assert_eq!(pymodbus(&tcp, soft.unit, ("coil", reset.address, 1), &[0]), [0], "function 15");
    bench.end();
}

#[test]
fn runs_a_cycle_over_a_serial_line_with_the_stop_confirmed() {
    let bench = Bench::serial();
    let run = bench.run(&Cycle::brief_ramps().text(), "soft").end();
    let object = run.expect(0).object();
    assert_eq!(object["stop_outcome"], "confirmed", "{object}");
    let witness = bench.witness();
    witness.assert_all_off();
    assert_eq!(witness.starts(SOFT), 1, "starts that the starter counted itself");
    let closed = bench.recordings(".h5").pop().unwrap();
    let recorded = read(&closed).unwrap();
    let line = recorded.events.iter().find(|event| event.text.starts_with("link field: ")).unwrap();
    println!("{}", line.text);
    let links: Vec<&str> = recorded.links.iter().map(|link| link.link.as_str()).collect();
    assert!(links.contains(&"field") && recorded.links.iter().all(|link| link.answered > 0), "{:?}", recorded.links);
    let bench_unit: Vec<&str> =
        recorded.events.iter().map(|e| e.text.as_str()).filter(|text| text.starts_with("bench unit: ")).collect();
    let said = |what: &str| bench_unit.iter().any(|text| text.contains(what));
    assert!(said("remote 1") && said("emergency_stop_ok 1"), "{bench_unit:?}");
    assert!(said("outputs_on 2") && said("outputs_on 0"), "the soft starter at position 2, on and off: {bench_unit:?}");
    let commands = read_wire_log(&closed).unwrap().commands;
    assert!(commands.iter().any(|(_, record)| record.what.starts_with("field/2 run=1")));
    bench.end();
}
