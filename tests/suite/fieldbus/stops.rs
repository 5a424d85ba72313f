//! Stops: they overtake, they are repeated, they win against starts.

use super::device::{Act, PATIENCE, Seen};
use super::{CONTACTOR, DRIVE, SOFT, Stand, eventually};
use ramprig::clock::{SystemClock, WallClock};
use ramprig::rig::register_map::{Role, Table};
use ramprig::sequence::ports::{CommandRecord, LinkState, PortError, StarterOrder, StopLine};
use ramprig::starters::StopKind;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Long enough that no test waits for it.
const LONG_TIMEOUT_S: f64 = 30.0;

fn is_stop(seen: &Seen, unit: u8) -> bool {
    seen.unit == unit && matches!(seen.write(), Some((Table::Coil, 0, 0) | (Table::Coil, 1, 1)))
}

fn wait_stop(stand: &Stand, starter: usize) -> Seen {
    let unit = stand.unit(starter);
    stand.device.wait_log("the stop", |log| log.iter().any(|seen| is_stop(seen, unit)));
    stand.device.log().into_iter().find(|seen| is_stop(seen, unit)).unwrap()
}

/// Records until one is confirmed.
fn confirmed(stand: &Stand, line: &dyn StopLine) -> Vec<CommandRecord> {
    let mut records = Vec::new();
    eventually(stand, "a confirmed stop", || {
        records.extend(line.take_records());
        records.iter().any(|record| record.answered_wall_ns.is_some())
    });
    records
}

fn running(stand: &Stand, starter: usize) -> bool {
    stand.device.get(stand.unit(starter), Role::Running) == 1
}

#[test]
fn stops_at_once_and_leaves_a_record_with_the_read_back() {
    let stand = Stand::up(|_, _| {});
    for starter in [CONTACTOR, SOFT] {
        stand.fieldbus.starter(starter).order(StarterOrder::Start).unwrap();
        assert!(running(&stand, starter));
        let line = stand.fieldbus.stop_line(starter);
        line.stop(StopKind::Ramp, "a person");
        let records = confirmed(&stand, &*line);
        assert_eq!((records[0].wrote, records[0].read_back), (0, Some(0)));
        let expected = format!("bench/{} run=0 (stop by ramp, a person)", stand.unit(starter));
        assert_eq!(records[0].what, expected);
        assert!(!running(&stand, starter));
        assert_eq!(line.take_records(), [], "taken once");
    }
}

#[test]
fn cuts_and_takes_the_run_bit_back_too() {
    let stand = Stand::up(|_, _| {});
    for kind in [StopKind::Coast, StopKind::ContactorOff] {
        stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
        let line = stand.fieldbus.stop_line(SOFT);
        line.stop(kind, "trip");
        let records = confirmed(&stand, &*line);
        let wrote: Vec<u16> = records.iter().map(|record| record.wrote).collect();
        assert_eq!(wrote[..2], [1, 0], "cut, then run");
        let unit = stand.unit(SOFT);
        assert_eq!((stand.device.get(unit, Role::Cut), stand.device.get(unit, Role::Run)), (1, 0));
    }
}

#[test]
fn stops_while_the_main_connection_is_blocked() {
    let stand = Stand::up(|rig, _| rig.links[0].timeout_s = LONG_TIMEOUT_S);
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    stand.hold_main();
    stand.fieldbus.stop_line(SOFT).stop(StopKind::Ramp, "test");
    let stop = wait_stop(&stand, SOFT);
    let held = stand.unit(DRIVE);
    let polls = stand.device.log().into_iter().rfind(|seen| seen.unit == held).unwrap();
    assert_ne!(stop.connection, polls.connection, "on the second connection");
    stand.device.honest();
    stand.device.release();
    confirmed(&stand, &*stand.fieldbus.stop_line(SOFT));
    assert!(!running(&stand, SOFT));
}

#[test]
fn stops_on_the_main_connection_past_a_blocked_request_when_there_is_no_second() {
    let stand = Stand::up(|rig, _| {
        rig.links[0].timeout_s = LONG_TIMEOUT_S;
        rig.links[0].second_stop_connection = false;
    });
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    stand.hold_main();
    stand.fieldbus.stop_line(SOFT).stop(StopKind::Coast, "test");
    let stop = wait_stop(&stand, SOFT);
    let connections = stand.device.log().iter().map(|seen| seen.connection).max().unwrap();
    assert_eq!(stop.connection, connections, "the only connection");
    stand.device.honest();
    stand.device.release();
    confirmed(&stand, &*stand.fieldbus.stop_line(SOFT));
    assert!(!running(&stand, SOFT));
}

#[test]
fn stops_on_the_main_connection_when_the_second_is_mute() {
    let stand = Stand::up(|rig, _| rig.links[0].timeout_s = LONG_TIMEOUT_S);
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    // The drive's status is read by the main connection only: what is not the main one falls silent.
    let drive = stand.unit(DRIVE);
    let main = stand.device.log().into_iter().rfind(|seen| seen.unit == drive && seen.pdu[0] == 4).unwrap().connection;
    stand.device.script(move |seen, _| if seen.connection == main { Act::Honest } else { Act::Silent });
    stand.fieldbus.stop_line(SOFT).stop(StopKind::Ramp, "test");
    let unit = stand.unit(SOFT);
    stand.device.wait_log("the stop on the main connection", |log| {
        log.iter().any(|seen| is_stop(seen, unit) && seen.connection == main)
    });
    confirmed(&stand, &*stand.fieldbus.stop_line(SOFT));
}

/// Wall time; a thread of that name panics once when it looks at it.
struct Breaks {
    thread: &'static str,
    armed: Arc<AtomicBool>,
}

impl WallClock for Breaks {
    fn now_ns(&self) -> u64 {
        let is_it = std::thread::current().name() == Some(self.thread);
        assert!(!(is_it && self.armed.swap(false, Ordering::SeqCst)), "on purpose");
        SystemClock.now_ns()
    }
}

/// A stand with the soft starter on, and a thread of its link that has just panicked.
fn broken(thread: &'static str) -> Stand {
    let armed = Arc::new(AtomicBool::new(false));
    let clock = Breaks { thread, armed: Arc::clone(&armed) };
    let stand = Stand::with_clock(Arc::new(clock), |_, _| {});
    stand.fieldbus.wait_up(PATIENCE).unwrap();
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    armed.store(true, Ordering::SeqCst);
    eventually(&stand, "the thread panics", || !armed.load(Ordering::SeqCst));
    stand
}

#[test]
fn stops_on_the_second_connection_when_the_bus_thread_panics() {
    let stand = broken("bus bench");
    eventually(&stand, "told as a lost link", || {
        let link = stand.fieldbus.starter(SOFT).link();
        matches!(link, LinkState::Down { reason, .. } if reason.contains("panic"))
    });
    stand.fieldbus.stop_line(SOFT).stop(StopKind::Ramp, "test");
    confirmed(&stand, &*stand.fieldbus.stop_line(SOFT));
    assert!(!running(&stand, SOFT));
}

#[test]
fn stops_on_the_main_connection_when_the_thread_of_the_second_panics() {
    let stand = broken("stops bench");
    stand.fieldbus.stop_line(SOFT).stop(StopKind::Coast, "test");
    confirmed(&stand, &*stand.fieldbus.stop_line(SOFT));
    assert!(!running(&stand, SOFT));
    assert_eq!(stand.fieldbus.starter(SOFT).link(), LinkState::Up, "the bus goes on");
}

#[test]
fn stops_when_every_connection_was_just_lost() {
    let stand = Stand::up(|_, _| {});
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    stand.device.cut_connections(true);
    let line = stand.fieldbus.stop_line(SOFT);
    line.stop(StopKind::Ramp, "test");
    confirmed(&stand, &*line);
    assert!(!running(&stand, SOFT));
}

#[test]
fn stops_as_soon_as_a_lost_device_is_back() {
    let stand = Stand::up(|_, _| {});
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    stand.device.cut_connections(false);
    let line = stand.fieldbus.stop_line(SOFT);
    line.stop(StopKind::Ramp, "test");
    let down = stand.fieldbus.starter(SOFT);
    eventually(&stand, "down", || matches!(down.link(), LinkState::Down { .. }));
    assert!(running(&stand, SOFT));
    assert!(line.take_records().iter().all(|record| record.answered_wall_ns.is_none()), "nothing can be confirmed");
    stand.device.cut_connections(true);
    confirmed(&stand, &*line);
    assert!(!running(&stand, SOFT));
}

#[test]
fn repeats_a_stop_until_the_status_shows_it() {
    let stand = Stand::up(|_, _| {});
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    let before = stand.device.written(stand.unit(SOFT), Role::Run).len();
    stand.device.deaf_stops(3);
    let line = stand.fieldbus.stop_line(SOFT);
    line.stop(StopKind::Ramp, "test");
    eventually(&stand, "stopped at last", || !running(&stand, SOFT));
    let written = stand.device.written(stand.unit(SOFT), Role::Run)[before..].to_vec();
    // The main connection joins in when the second has not brought it home in time, so there may be more.
    assert!(written.len() >= 4 && written.iter().all(|raw| *raw == 0), "three had no effect: {written:?}");
    eventually(&stand, "a start is possible again", || stand.fieldbus.starter(SOFT).order(StarterOrder::Start).is_ok());
}

#[test]
fn replaces_a_ramp_by_a_cut_at_once_but_never_the_other_way() {
    let stand = Stand::up(|_, _| {});
    let unit = stand.unit(SOFT);
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    stand.device.deaf_stops(u32::MAX);
    let line = stand.fieldbus.stop_line(SOFT);
    line.stop(StopKind::Ramp, "first");
    stand.device.wait_log("the ramp", |log| log.iter().any(|seen| is_stop(seen, unit)));
    line.stop(StopKind::ContactorOff, "second");
    eventually(&stand, "the cut", || stand.device.written(unit, Role::Cut) == [1]);
    line.stop(StopKind::Ramp, "third");
    let cuts = stand.device.written(unit, Role::Cut).len();
    eventually(&stand, "the cut is repeated", || stand.device.written(unit, Role::Cut).len() > cuts + 1);
    stand.device.deaf_stops(0);
    eventually(&stand, "stopped", || !running(&stand, SOFT));
}

#[test]
fn rejects_a_start_that_a_stop_overtook() {
    let stand = Stand::up(|rig, _| rig.links[0].timeout_s = LONG_TIMEOUT_S);
    stand.hold_main();
    let line = stand.fieldbus.stop_line(SOFT);
    let mut port = stand.fieldbus.starter(SOFT);
    let seen_before = stand.device.log_len();
    // The start waits in the queue behind the held request; the stop comes while it waits.
    let start = std::thread::spawn(move || port.order(StarterOrder::Start));
    line.stop(StopKind::Ramp, "test");
    wait_stop(&stand, SOFT);
    stand.device.honest();
    stand.device.release();
    let outcome = start.join().unwrap();
    let started_after: Vec<u16> = stand.device.written(stand.unit(SOFT), Role::Run);
    match outcome {
        Err(PortError::Overtaken { .. }) => assert!(!started_after.contains(&1), "{started_after:?}"),
        // The thread was slow: the start was ordered after the stop had been accepted.
        Ok(_) => assert_eq!(started_after.last(), Some(&1)),
        Err(error) => panic!("{error}; log from {seen_before}"),
    }
}

#[test]
fn wins_against_a_start_whose_answer_is_still_out() {
    let stand = Stand::up(|rig, _| rig.links[0].timeout_s = LONG_TIMEOUT_S);
    let unit = stand.unit(SOFT);
    stand.device.script(move |seen, _| {
        let is_start = seen.unit == unit && seen.write() == Some((Table::Coil, 0, 1));
        if is_start { Act::Hold } else { Act::Honest }
    });
    let mut port = stand.fieldbus.starter(SOFT);
    let line = stand.fieldbus.stop_line(SOFT);
    let start = std::thread::spawn(move || port.order(StarterOrder::Start));
    stand.device.wait_held();
    line.stop(StopKind::Ramp, "test");
    let stop = wait_stop(&stand, SOFT);
    let first = stand.device.wait_log("the read-back of the stop", |log| {
        let at = log.iter().position(|seen| is_stop(seen, unit)).unwrap();
        log[at + 1..].iter().filter(|seen| seen.connection == stop.connection).count() >= 2
    });
    // As if the device had worked on the start only now, after the stop.
    stand.device.set(unit, Role::Run, 1);
    stand.device.set(unit, Role::Running, 1);
    stand.device.release();
    assert!(matches!(start.join().unwrap(), Err(PortError::Overtaken { .. })));
    stand.device.wait_log("the stop again, after the start", |log| log[first..].iter().any(|seen| is_stop(seen, unit)));
    eventually(&stand, "stopped in the end", || !running(&stand, SOFT));
    assert_eq!(stand.device.written(unit, Role::Run).last(), Some(&0));
}

#[test]
fn stops_after_a_start_that_nobody_answered() {
    let stand = Stand::up(|rig, _| rig.links[0].timeout_s = 0.2);
    let unit = stand.unit(SOFT);
    stand.device.script(move |seen, _| {
        let is_start = seen.unit == unit && seen.write() == Some((Table::Coil, 0, 1));
        if is_start { Act::Silent } else { Act::Honest }
    });
    let refused = stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap_err();
    assert!(matches!(refused, PortError::Timeout { timeout_ms: 200, .. }), "{refused}");
    eventually(&stand, "stopped", || !running(&stand, SOFT));
    let records = confirmed(&stand, &*stand.fieldbus.stop_line(SOFT));
    assert!(records[0].what.contains("run=1: ") && records[0].answered_wall_ns.is_none(), "the start: {records:?}");
    assert!(records[1].what.contains("start not confirmed"), "{records:?}");
    assert_eq!(stand.device.written(unit, Role::Run).iter().filter(|raw| **raw == 1).count(), 1);
}

#[test]
fn stops_a_drive_by_ramp_and_then_by_cutting_when_the_ramp_takes_too_long() {
    let stand = Stand::up(|_, _| {});
    let unit = stand.unit(DRIVE);
    let mut port = stand.fieldbus.starter(DRIVE);
    port.order(StarterOrder::Start).unwrap();
    let line = port.stop_line();
    line.stop(StopKind::Ramp, "test");
    confirmed(&stand, &*line);
    assert_eq!(stand.device.get(unit, Role::StatusWord), 0x17, "quick stop active: it ramps");
    line.stop(StopKind::Coast, "deadline");
    eventually(&stand, "output off", || stand.device.get(unit, Role::StatusWord) == 0x50);
    let words = stand.device.written(unit, Role::ControlWord);
    assert!(words.ends_with(&[0x02, 0x00]), "{words:02x?}");
}

#[test]
fn never_blocks_the_caller_and_takes_any_number_of_calls() {
    let stand = Stand::up(|rig, _| rig.links[0].timeout_s = LONG_TIMEOUT_S);
    stand.device.script(|_, _| Act::Hold);
    let line = stand.fieldbus.stop_line(SOFT);
    // Ten thousand calls with nobody answering: a call that waited for an answer would wait 30 s.
    for call in 0..10_000 {
        line.stop(StopKind::Coast, &format!("call {call}"));
    }
    stand.device.honest();
    stand.device.release();
    confirmed(&stand, &*line);
}

#[test]
fn names_the_threads_that_still_bring_a_stop_home() {
    let stand = Stand::up(|_, _| {});
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    stand.device.deaf_stops(u32::MAX);
    stand.fieldbus.stop_line(SOFT).stop(StopKind::Ramp, "test");
    let running = stand.fieldbus.shutdown(Duration::from_millis(1));
    assert_eq!(running, ["bus bench", "stops bench"]);
    stand.device.deaf_stops(0);
    assert_eq!(stand.fieldbus.shutdown(PATIENCE), Vec::<String>::new());
    assert_eq!(stand.device.get(stand.unit(SOFT), Role::Running), 0);
}
