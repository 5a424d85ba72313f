//! What goes wrong in the middle of a run: the motor stops, the run ends, the recording is kept, and the exit code is
//! what the virtual rig says was true.

use crate::stand::bench::Bench;
use crate::stand::peers;
use crate::stand::program::{Ended, Program, command};
use crate::stand::relay;
use crate::stand::sequences::Cycle;
use crate::stand::view::View;
use crate::stand::witness::Witness;
use ramprig::rig::register_map::Role;
use ramprig::virtual_rig::device::FAULT_COMMUNICATION;
use serde_json::Value;
use std::path::Path;

/// Index of the drive in the bench's rig file.
const DRIVE: usize = 2;

fn slow_ramp() -> String {
    Cycle { start: "ramp_up = \"6 s\"\nramp_down = \"2 s\"", ..Cycle::default() }.text()
}

fn long_hold() -> String {
    Cycle { start: "ramp_up = \"0.5 s\"\nramp_down = \"1 s\"", hold: "time = \"30 s\"", ..Cycle::default() }.text()
}

/// A run whose output is on.
fn on(bench: &Bench, mut program: Program) -> Program {
    let mut view = View::of_run(&mut program);
    if !view.reaches_step("hold") {
        panic!("the run ended before its hold; it said:\n{}", program.end().stderr);
    }
    bench.witness().wait_on();
    program
}

/// The end of a run that was cut short: 3 only if the virtual rig says that all is off, else 4; the recording is kept.
#[track_caller]
fn ended(bench: &Bench, program: Program) -> (Ended, Value) {
    let ended = program.end();
    let outputs_on = bench.witness().outputs_on();
    let object = ended.object();
    println!("exit code {:?}, outputs on then {outputs_on}: {}", ended.code, object["aborted"]);
    match ended.code {
        Some(3) => assert_eq!((outputs_on, &object["stop_outcome"]), (0, &"confirmed".into()), "{object}"),
        Some(4) => assert_ne!(object["stop_outcome"], "confirmed", "{object}"),
        code => panic!("exit code {code:?}; it said:\n{}", ended.stderr),
    }
    assert!(object["aborted"].is_string(), "{object}");
    let found = peers::h5py_reads(Path::new(object["recording"].as_str().unwrap()));
    let marks: Vec<&Value> = found["marks"].as_array().unwrap().iter().map(|mark| &mark[0]).collect();
    assert!(marks.contains(&&"start".into()) && marks.contains(&&"stop".into()), "{marks:?}");
    bench.witness().wait_off();
    bench.witness().assert_all_off();
    (ended, object)
}

#[test]
fn ends_confirmed_when_the_bus_is_lost_in_a_ramp_and_comes_back() {
    let mut bench = Bench::real_time();
    let program = on(&bench, bench.run(&slow_ramp(), "drive"));
    bench.control("drop-bus 5s");
    let (ended, object) = ended(&bench, program);
    ended.expect(3);
    assert!(object["aborted"].as_str().unwrap().contains("link"), "{object}");
    // The drive cannot be told anything while the bus is gone: it stopped by its own timer.
    assert_eq!(bench.witness().fault(DRIVE), FAULT_COMMUNICATION);
}

#[test]
fn ends_not_confirmed_when_the_bus_is_lost_in_a_ramp_for_good() {
    let bench = Bench::real_time();
    let bus = relay::bus(bench.ready.modbus);
    let wires = bench.wires_by(bus.address, bench.ready.samples);
    let program = on(&bench, bench.run_by(wires, &slow_ramp(), "drive"));
    bus.cut();
    let (ended, _) = ended(&bench, program);
    ended.expect(4).says("NOT confirmed").says("emergency stop");
    assert_eq!(bench.witness().fault(DRIVE), FAULT_COMMUNICATION);
}

#[test]
fn ends_by_itself_when_the_whole_rig_dies() {
    let mut bench = Bench::real_time();
    let program = on(&bench, bench.run(&long_hold(), "drive"));
    bench.program.kill();
    let ended = program.end();
    ended.expect(4).says("NOT confirmed");
    let object = ended.object();
    let found = peers::h5py_reads(Path::new(object["recording"].as_str().unwrap()));
    assert_eq!(found["stops"], serde_json::json!(["NOT confirmed"]));
}

/// A hold whose stop by ramp takes far longer than the starter waits for its master.
fn slow_stop() -> String {
    let start = "ramp_up = \"0.5 s\"\nramp_down = \"6 s\"";
    Cycle { start, hold: "time = \"30 s\"", ..Cycle::default() }.text()
}

/// Blind is not well: beside the stop that was ordered the heartbeat stays away, and the starter's own timer ends the ramp.
#[track_caller]
fn stopped_by_order_and_by_its_own_timer(bench: &Bench, object: &Value, starter: usize) {
    assert!(object["aborted"].as_str().unwrap().contains("stream"), "{object}");
    let path = object["recording"].as_str().unwrap();
    let wrote = ramprig::recording::read_wire_log(Path::new(path)).unwrap().commands;
    let ordered = wrote.iter().any(|(_, row)| row.what.contains("stop by ramp") && row.answered_wall_ns.is_some());
    assert!(ordered, "{wrote:?}");
    assert_eq!(bench.witness().fault(starter), FAULT_COMMUNICATION, "the heartbeat stayed away");
}

#[test]
fn trips_when_the_stream_is_closed() {
    let mut bench = Bench::real_time();
    let program = on(&bench, bench.run(&slow_stop(), "drive"));
    // From a low speed the ramp would be over before the drive misses its master.
    bench.witness().wait_until("full speed", |witness| witness.speed_rad_s() > 140.0);
    bench.control("drop-stream");
    let (_, object) = ended(&bench, program);
    stopped_by_order_and_by_its_own_timer(&bench, &object, DRIVE);
}

#[test]
fn trips_when_the_stream_goes_stale() {
    let bench = Bench::real_time();
    let samples = relay::samples(bench.ready.samples);
    let wires = bench.wires_by(bench.ready.modbus, samples.address);
    let program = on(&bench, bench.run_by(wires, &slow_stop(), "soft"));
    samples.hold_back();
    let (_, object) = ended(&bench, program);
    stopped_by_order_and_by_its_own_timer(&bench, &object, 1);
}

#[test]
fn counts_a_gap_in_the_stream_and_goes_on() {
    const GAP_FRAMES: u64 = 100;
    let mut bench = Bench::real_time();
    let hold = Cycle { hold: "time = \"2 s\"", ..Cycle::brief_ramps() };
    let program = on(&bench, bench.run(&hold.text(), "drive"));
    bench.control(&format!("gap {GAP_FRAMES}"));
    let ended = program.end();
    ended.expect(0);
    let recording = ended.object()["recording"].as_str().unwrap().to_owned();
    let compared = crate::stand::program::run(["compare", &recording, "--json"]);
    compared.expect(0);
    assert_eq!(compared.object()["runs"][0]["frames_missing"], GAP_FRAMES);
}

#[test]
fn lets_go_when_taken_over_locally_and_sends_nothing_more() {
    let mut bench = Bench::real_time();
    let bus = relay::bus(bench.ready.modbus);
    let wires = bench.wires_by(bus.address, bench.ready.samples);
    let mut program = on(&bench, bench.run_by(wires, &long_hold(), "drive"));
    let drive = &bench.rig.starters[DRIVE];
    let (unit, heartbeat) = (drive.unit, drive.map.field(Role::Heartbeat).unwrap().address);
    let is_order = move |write: &&relay::Wrote| write.unit == unit && write.address != heartbeat;
    let orders_before = bus.log().iter().filter(is_order).count();
    assert!(orders_before > 0, "the start passed the relay");
    bench.control("local");
    program.stderr.wait_for("taken over");
    let writes_until_told = bus.log().len();
    let ended = program.end();
    ended.expect(6);
    assert_eq!(ended.object()["taken_over"], true);
    let log = bus.log();
    // One round of heartbeats may have been on its way when the run let go; an order may not.
    let late = log.len() - writes_until_told;
    assert!(late <= bench.rig.starters.len(), "{late} writes after the take-over: {:?}", &log[writes_until_told..]);
    let orders: Vec<_> = log.iter().filter(is_order).skip(orders_before).collect();
    assert!(orders.is_empty(), "ordered after the selector stood at local: {orders:?}");
    // The virtual drive ramps down by itself: the selector left remote.
    bench.witness().wait_off();
    assert_eq!(bench.recordings(".h5").len(), 1);
}

#[test]
fn ends_when_the_emergency_stop_is_pressed() {
    let mut bench = Bench::real_time();
    let cycle = Cycle { hold: "time = \"30 s\"", ..Cycle::default() };
    let program = on(&bench, bench.run(&cycle.text(), "contactor"));
    bench.control("press-emergency-stop");
    let (ended, object) = ended(&bench, program);
    ended.expect(3);
    let why = object["aborted"].as_str().unwrap();
    assert!(why.starts_with("the emergency-stop circuit opened"), "{why}");
}

#[test]
fn ends_when_the_devices_refuse_every_write() {
    let mut bench = Bench::real_time();
    let program = on(&bench, bench.run(&long_hold(), "drive"));
    bench.control("refuse-writes");
    let (_, object) = ended(&bench, program);
    assert_eq!(bench.witness().fault(DRIVE), FAULT_COMMUNICATION, "{object}");
}

/// The coil is off, the status says so, and the motor turns on: only a person at the emergency stop ends that.
#[test]
fn says_not_confirmed_when_the_contact_is_welded() {
    let mut bench = Bench::real_time();
    bench.control("weld-contact");
    let program = on(&bench, bench.run(&Cycle { hold: "time = \"60 s\"", ..Cycle::default() }.text(), "contactor"));
    program.interrupt();
    let ended = program.end();
    ended.expect(4).says("NOT confirmed").says("emergency stop");
    assert_eq!(ended.object()["stop_outcome"], "NOT confirmed");
    let witness = bench.witness();
    assert_eq!(witness.outputs_on(), 0, "the coil is off");
    assert!(!witness.at_rest(), "the motor is not");
    bench.control("press-emergency-stop");
    witness.wait_until("the shaft is at rest", Witness::at_rest);
}

/// A file-size limit stands in for a full disk: writing fails in the middle of the run.
#[test]
fn stops_when_the_disk_is_full_and_keeps_what_was_written() {
    let bench = Bench::real_time();
    let mut args = bench.run_args(bench.wires(), &long_hold(), "soft");
    args.extend(["--confirmed-by".into(), "virtual rig".into()]);
    let plain = command(&args);
    let mut limited = std::process::Command::new("sh");
    // Blocks of 512 bytes (POSIX `ulimit -f`): about 10 MB, room for the prediction; the signal that would end the program is ignored.
    limited
        .args(["-c", "trap '' XFSZ; ulimit -f 20000; exec \"$@\"", "sh"])
        .arg(plain.get_program())
        .args(plain.get_args());
    let ended = Program::start(&mut limited).end();
    ended.expect(3);
    let object = ended.object();
    assert!(object["aborted"].as_str().unwrap().contains("recording"), "{object}");
    assert_eq!((&object["stop_outcome"], &object["recording_complete"]), (&"confirmed".into(), &false.into()));
    bench.witness().assert_all_off();
    let partial = bench.recordings(".partial");
    assert_eq!(partial.len(), 1, "{partial:?}; it said:\n{}", ended.stderr);
    let recovered = crate::stand::program::run([Path::new("recover"), &partial[0], Path::new("--json")]);
    recovered.expect(0);
    let path = recovered.object()["recovered"].as_str().unwrap().to_owned();
    assert!(peers::h5py_reads(Path::new(&path))["rows"][0].as_u64().unwrap() > 0);
}
