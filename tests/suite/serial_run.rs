//! A cycle by way of a serial line: the program commands the soft starter of the virtual rig over a pseudo-terminal.

use crate::fieldbus::mbpoll;
use crate::stand::bench::Bench;
use crate::stand::sequences::Cycle;
use ramprig::recording::{read, read_wire_log};
use ramprig::rig::register_map::Role;

const SOFT: usize = 1;

/// Reads by pymodbus: script, path, unit, table, address, count; numbers on standard output.
fn pymodbus_reads(path: &str, unit: u8, table: &str, address: u16, count: u16) -> Vec<u16> {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/peers/serial_client.py");
    let numbers = [unit.to_string(), address.to_string(), count.to_string()];
    let mut command = std::process::Command::new(crate::fieldbus::peers::python());
    let output = command.args([script, path, &numbers[0], table, &numbers[1], &numbers[2]]).output().unwrap();
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
        let by_pymodbus = pymodbus_reads(&port, soft.unit, field.table.name(), field.address, 1);
        let tcp = bench.ready.modbus.to_string();
        let by_tcp = mbpoll::read(&tcp, soft.unit, field.table, field.address, 1);
        assert_eq!((&by_mbpoll, &by_pymodbus), (&by_tcp, &by_tcp), "{role:?}");
    }
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
    let commands = read_wire_log(&closed).unwrap().commands;
    assert!(commands.iter().any(|(_, record)| record.what.starts_with("field/2 run=1")));
    bench.end();
}
