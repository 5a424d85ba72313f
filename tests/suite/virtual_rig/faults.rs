//! What the devices do when things go wrong.

use super::stand::{BENCH, CONTACTOR, DEADLINE, DRIVE, SOFT, STARTERS, Stand};
use ramprig::rig::register_map::Role;
use ramprig::virtual_rig::faults::Fault;
use std::time::{Duration, Instant};
use tokio_modbus::ExceptionCode;
use tokio_modbus::prelude::Request;

const REFUSED: Result<(), ExceptionCode> = Err(ExceptionCode::ServerDeviceFailure);

#[test]
fn stops_by_itself_when_the_heartbeat_is_withheld_and_inhibits_a_restart() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    for (unit, position) in STARTERS.into_iter().zip(1..) {
        bus.select(position);
        bus.put_si(unit, Role::CommTimeout, 0.3);
        bus.start(unit);
        bus.beat_until("running with current", |bus| bus.running(unit) && bus.get_si(unit, Role::Current) > 0.5);
        bus.wait_until("it stops by itself", |bus| !bus.running(unit) && bus.get(unit, Role::Fault) == 1);
        bus.beat_until("the motor draws nothing", |bus| bus.get_si(unit, Role::Current) < 0.1);
        if unit == DRIVE {
            bus.put(unit, Role::ControlWord, 0x000F).unwrap();
            assert_eq!(bus.get(unit, Role::StatusWord) & 0x4F, 0x08, "fault stays latched");
            bus.put(unit, Role::ControlWord, 0x0080).unwrap();
            assert_eq!(bus.get(unit, Role::StatusWord) & 0x4F, 0x40, "a reset starts nothing");
        } else {
            assert_eq!(bus.get(unit, Role::Run), 0, "the run bit was cleared");
            assert_eq!(bus.put(unit, Role::Run, 1), REFUSED, "latched fault");
            bus.put(unit, Role::Reset, 1).unwrap();
            assert!(!bus.running(unit), "a reset starts nothing");
        }
        assert_eq!(bus.get(unit, Role::Fault), 0);
        bus.start(unit);
        bus.beat_until("runs again after a fresh edge", |bus| bus.running(unit));
        bus.stop(unit);
        bus.beat_until("off", |bus| !bus.running(unit));
    }
}

#[test]
fn rejects_a_start_while_local_and_stops_at_the_take_over() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    bus.start(CONTACTOR);
    bus.beat_until("running", |bus| bus.running(CONTACTOR));
    stand.controls.send(Fault::Remote(false)).unwrap();
    bus.beat_until("local, and off", |bus| bus.get(BENCH, Role::Remote) == 0 && !bus.running(CONTACTOR));
    assert_eq!(bus.put(CONTACTOR, Role::Run, 1), REFUSED);
    assert_eq!(bus.put(SOFT, Role::RampUp, 50), REFUSED);
    assert_eq!(bus.put(CONTACTOR, Role::Cut, 1), Ok(()), "a stop is never refused");
    stand.controls.send(Fault::Remote(true)).unwrap();
    bus.beat_until("remote", |bus| bus.get(BENCH, Role::Remote) == 1);
    assert!(!bus.running(CONTACTOR), "back to remote starts nothing");
}

#[test]
fn cuts_everything_at_the_emergency_stop() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    bus.start(CONTACTOR);
    bus.start(SOFT);
    bus.beat_until("both on", |bus| bus.get(BENCH, Role::OutputsOn) == 0b011);
    stand.controls.send(Fault::EmergencyStop { pressed: true }).unwrap();
    bus.beat_until("all off", |bus| bus.get(BENCH, Role::OutputsOn) == 0);
    assert_eq!(bus.get(BENCH, Role::EmergencyStopOk), 0);
    assert_eq!(bus.put(CONTACTOR, Role::Run, 1), REFUSED);
    stand.controls.send(Fault::EmergencyStop { pressed: false }).unwrap();
    bus.beat_until("circuit closed", |bus| bus.get(BENCH, Role::EmergencyStopOk) == 1);
    assert_eq!(bus.get(BENCH, Role::OutputsOn), 0, "its release starts nothing");
}

#[test]
fn refuses_every_write_when_told_to_and_then_stops_for_want_of_a_heartbeat() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    bus.put_si(CONTACTOR, Role::CommTimeout, 0.3);
    bus.start(CONTACTOR);
    bus.beat_until("running", |bus| bus.running(CONTACTOR));
    stand.controls.send(Fault::RefuseWrites(true)).unwrap();
    bus.wait_until("refused", |bus| bus.put(CONTACTOR, Role::Run, 1) == REFUSED);
    assert_eq!(bus.put(CONTACTOR, Role::Run, 0), REFUSED, "stops too: this is the fault that is practised");
    bus.wait_until("it stops by itself", |bus| !bus.running(CONTACTOR));
}

#[test]
fn stalls_the_bus_and_answers_afterwards() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    let stall = Duration::from_millis(400);
    stand.controls.send(Fault::StallBus(stall)).unwrap();
    bus.wait_until("an answer that had to wait", |bus| {
        let asked = Instant::now();
        bus.get(CONTACTOR, Role::Identity);
        asked.elapsed() > stall / 2
    });
}

#[test]
fn drops_the_bus_and_takes_new_connections() {
    let stand = Stand::real_time();
    let mut bus = stand.bus();
    // Answered, so taken in: a connection that still waits to be accepted is not one that can be dropped.
    assert_eq!(bus.get(CONTACTOR, Role::VirtualMark), 0x5652);
    stand.controls.send(Fault::DropBus(Duration::ZERO)).unwrap();
    let begun = Instant::now();
    while bus.call(CONTACTOR, Request::ReadCoils(0, 1)).is_ok() {
        assert!(begun.elapsed() < DEADLINE, "the connection was never closed");
        std::thread::sleep(Duration::from_millis(5));
    }
    assert_eq!(stand.bus().get(CONTACTOR, Role::VirtualMark), 0x5652);
}
