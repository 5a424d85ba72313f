//! A cycle by way of a serial line: the program commands the soft starter of the virtual rig over a pseudo-terminal.

use crate::stand::bench::Bench;
use crate::stand::sequences::Cycle;
use ramprig::recording::{read, read_wire_log};

const SOFT: usize = 1;

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
