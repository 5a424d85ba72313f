//! The serial bus against a device that behaves, misbehaves and is pulled out.
//!
//! A busy computer is late too. Where a time-out is what a test is about, a read that was refused is asked again (what it
//! must never be is wrong); everywhere else the time-out is so long that nobody waits for it.

use super::device::{PATIENCE, Seen};
use super::rtu_device::{Lots, RtuDevice, at_once, frame};
use super::{CONTACTOR, DRIVE, SOFT, rig};
use ramprig::clock::{SystemClock, WallClock};
use ramprig::fieldbus::{self, Fieldbus};
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::Role;
use ramprig::sequence::ports::{LinkState, PortError, StarterOrder};
use ramprig::starters::{Settings, StopKind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Ramp-up of the soft starter as the device holds it: 7.0 s.
const RAMP_UP_RAW: u16 = 70;
const RAMP_UP_S: f64 = 7.0;
/// Of tests that are about time-outs.
const TIMEOUT: Duration = Duration::from_millis(100);
/// Of tests that wait for none.
const NEVER: Duration = Duration::from_secs(5);
/// Nothing is decided by it.
const LONG: Duration = Duration::from_secs(100);

struct Stand {
    port: RtuDevice,
    fieldbus: Fieldbus,
    rig: Rig,
}

fn stand() -> Stand {
    stand_with(NEVER)
}

fn impatient() -> Stand {
    stand_with(TIMEOUT)
}

fn stand_with(timeout: Duration) -> Stand {
    let mut rig = rig();
    let port = RtuDevice::for_rig(&mut rig);
    rig.links[0].timeout_s = timeout.as_secs_f64();
    port.device.set(rig.starters[SOFT].unit, Role::RampUp, RAMP_UP_RAW);
    let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
    fieldbus.wait_up(PATIENCE).unwrap();
    Stand { port, fieldbus, rig }
}

impl Stand {
    fn unit(&self, starter: usize) -> u8 {
        self.rig.starters[starter].unit
    }

    /// As the first read that is not refused has it.
    fn ramp_up_s(&self) -> Option<f64> {
        let mut found = None;
        until("a read that is believed", || {
            found = self.fieldbus.starter(SOFT).read_settings().ok();
            found.is_some()
        });
        found.unwrap().ramp_up_s
    }

    /// Lie once, in the next answer to a read of the soft starter's ramp time; what is read then.
    fn lie_once(&self, mut lie: impl FnMut(&Seen, &[u8]) -> Lots + Send + 'static) -> Option<f64> {
        let field = *self.rig.starters[SOFT].map.field(Role::RampUp).unwrap();
        let unit = self.unit(SOFT);
        let mut lied = false;
        self.port.script(move |seen, honest| {
            if lied || seen.unit != unit || !seen.reads(&field) {
                return at_once(honest.to_vec());
            }
            lied = true;
            lie(seen, honest)
        });
        self.ramp_up_s()
    }

    fn figures(&self) -> fieldbus::LinkStatistics {
        self.fieldbus.statistics()[0].clone()
    }
}

fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let begun_ns = SystemClock.now_ns();
    while !holds() {
        assert!(SystemClock.now_ns() - begun_ns < LONG.as_nanos() as u64, "never: {what}");
        ramprig::clock::sleep_wall(Duration::from_millis(2));
    }
}

fn later(times: u32, bytes: &[u8]) -> (Duration, Vec<u8>) {
    (TIMEOUT * times + TIMEOUT / 3, bytes.to_vec())
}

#[test]
fn identifies_commands_polls_and_stops_every_unit_of_a_serial_bus() {
    let stand = stand();
    stand.port.device.set(stand.unit(SOFT), Role::Current, 123);
    for starter in [CONTACTOR, SOFT, DRIVE] {
        let mut port = stand.fieldbus.starter(starter);
        let expected = stand.rig.starters[starter].map.field(Role::Identity).unwrap().expect;
        assert_eq!(Some(port.identify().unwrap().signature), expected);
        let record = port.order(StarterOrder::Start).unwrap();
        assert_eq!(Some(record.wrote), record.read_back);
        until("running", || {
            port.alive(true);
            port.status().is_some_and(|status| status.running)
        });
        let line = port.stop_line();
        line.stop(StopKind::Coast, "test");
        let mut records = Vec::new();
        until("a confirmed stop", || {
            records.extend(line.take_records());
            records.iter().any(|record| record.answered_wall_ns.is_some())
        });
        until("stopped", || port.status().is_some_and(|status| !status.running));
    }
    until("the current", || stand.fieldbus.starter(SOFT).status().and_then(|s| s.current_a) == Some(12.3));
    assert_eq!(stand.ramp_up_s(), Some(RAMP_UP_S));
    let wanted = Settings { ramp_up_s: Some(4.0), ..Settings::default() };
    assert_eq!(stand.fieldbus.starter(SOFT).apply_settings(&wanted).unwrap().ramp_up_s, Some(4.0));
    let figures = stand.figures();
    assert_eq!((figures.crc_errors, figures.exceptions), (0, 0), "{figures:?}");
    assert_eq!(stand.fieldbus.shutdown(PATIENCE), Vec::<String>::new());
}

#[test]
fn splits_polls_so_that_none_holds_the_line_longer_than_allowed() {
    let mut rig = rig();
    let port = RtuDevice::for_rig(&mut rig);
    let mut line = rig.links[0].serial.unwrap();
    line.rate_baud = 9600;
    line.max_hold_s = line.read_hold_s(4);
    rig.links[0].serial = Some(line);
    let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
    fieldbus.wait_up(PATIENCE).unwrap();
    until("a status of each", || (0..3).all(|starter| fieldbus.starter(starter).status().is_some()));
    let longest = port.device.log().into_iter().filter_map(|seen| seen.read()).map(|(table, _, count)| {
        let is_bits = matches!(table, ramprig::rig::register_map::Table::Coil)
            || matches!(table, ramprig::rig::register_map::Table::DiscreteInput);
        if is_bits { usize::from(count.div_ceil(8)) } else { 2 * usize::from(count) }
    });
    assert_eq!(longest.max(), Some(4), "bytes of the longest answer");
}

#[test]
fn rejects_a_late_answer_to_another_request() {
    let stand = impatient();
    for late_by in [1, 2, 3] {
        // The old value comes while other requests are out, and again.
        let read = stand.lie_once(move |_, honest| vec![later(late_by, honest), later(late_by + 1, honest)]);
        assert_eq!(read, Some(RAMP_UP_S));
        stand.port.device.set(stand.unit(SOFT), Role::RampUp, 10);
        for _ in 0..30 {
            assert_eq!(stand.ramp_up_s(), Some(1.0), "late by {late_by} time-outs");
        }
        stand.port.device.set(stand.unit(SOFT), Role::RampUp, RAMP_UP_RAW);
    }
    let figures = stand.figures();
    assert!(figures.timeouts >= 3, "{figures:?}");
    // A late answer costs trust, not the port: that is opened anew after sixteen requests without a byte.
    assert!(figures.reopens <= figures.timeouts / 16, "{figures:?}");
}

/// The same without a clock: the answer that was owed comes before the honest one to one of the requests that follow, or
/// instead of it.
#[test]
fn rejects_an_owed_answer_whichever_request_it_comes_after() {
    let stand = impatient();
    let (unit, field) = (stand.unit(SOFT), *stand.rig.starters[SOFT].map.field(Role::RampUp).unwrap());
    for (behind, instead) in (1..=5_u32).flat_map(|behind| [(behind, false), (behind, true)]) {
        stand.port.device.set(unit, Role::RampUp, RAMP_UP_RAW);
        let device = Arc::clone(&stand.port.device);
        let (mut owed, mut since) = (None::<Vec<u8>>, 0);
        stand.port.script(move |seen, honest| {
            if since > 0 || owed.is_some() {
                since += 1;
                let lots = (since == behind).then(|| owed.take()).flatten().map_or_else(Lots::new, at_once);
                let honest = if lots.is_empty() || !instead { at_once(honest.to_vec()) } else { Lots::new() };
                return [lots, honest].concat();
            }
            if seen.unit == unit && seen.reads(&field) {
                // Made when it read 7 s; from now on it reads 1 s.
                owed = Some(honest.to_vec());
                device.set(unit, Role::RampUp, 10);
                return Lots::new();
            }
            at_once(honest.to_vec())
        });
        for _ in 0..10 {
            assert_eq!(
                stand.ramp_up_s(),
                Some(1.0),
                "owed over {behind} requests, instead of the honest one: {instead}"
            );
        }
    }
}

#[test]
fn believes_nothing_after_a_time_out_until_the_identity_answered() {
    let stand = impatient();
    let unit = stand.unit(SOFT);
    stand.lie_once(|_, _| Vec::new());
    let log: Vec<Seen> = stand.port.device.log().into_iter().filter(|seen| seen.unit == unit).collect();
    let (ramp, identity) = (Role::RampUp, Role::Identity);
    let field = |role| *stand.rig.starters[SOFT].map.field(role).unwrap();
    let lost = log.iter().position(|seen| seen.reads(&field(ramp))).unwrap();
    assert!(log[lost + 1].reads(&field(identity)), "asked next: {:?}", log[lost + 1]);
    let again = log.iter().skip(lost + 1).position(|seen| seen.reads(&field(ramp)));
    assert!(again.is_some(), "a read is asked again");
}

#[test]
fn rejects_an_answer_with_anything_wrong_in_it() {
    type Lie = fn(&Seen, &[u8]) -> Vec<u8>;
    let lies: [(&str, Lie); 9] = [
        ("another unit", |_, honest| frame(honest[0] + 1, &honest[1..honest.len() - 2])),
        ("another function", |_, honest| frame(honest[0], &[&[4], &honest[2..honest.len() - 2]].concat())),
        ("byte count", |_, honest| frame(honest[0], &[&[3, honest[2] - 2], &honest[3..honest.len() - 2]].concat())),
        ("check sum", |_, honest| [&honest[..honest.len() - 1], &[honest[honest.len() - 1] ^ 1]].concat()),
        ("a flipped bit", |_, honest| {
            let mut bytes = honest.to_vec();
            bytes[4] ^= 0x10;
            bytes
        }),
        ("too short", |_, honest| frame(honest[0], &honest[1..honest.len() - 4])),
        ("too long", |_, honest| frame(honest[0], &[&honest[1..honest.len() - 2], &[0, 1]].concat())),
        ("twice", |_, honest| [honest, honest].concat()),
        ("noise", |_, _| vec![0xA5; 40]),
    ];
    for (what, lie) in lies {
        let stand = impatient();
        let read = stand.lie_once(move |seen, honest| at_once(lie(seen, honest)));
        assert_eq!(read, Some(RAMP_UP_S), "{what}");
        let figures = stand.figures();
        assert!(figures.disbelieved + figures.timeouts > 0 && figures.retries > 0, "{what}: {figures:?}");
    }
}

#[test]
fn rejects_the_answers_of_a_device_that_is_one_behind() {
    let stand = impatient();
    // From its first answer about the ramp time on, the device gives to each request the answer to the one before.
    let field = *stand.rig.starters[SOFT].map.field(Role::RampUp).unwrap();
    let unit = stand.unit(SOFT);
    let mut owed: Option<Vec<u8>> = None;
    let old = frame(unit, &[3, 8, 0, 55, 0, 55, 0, 55, 0, 55]);
    stand.port.script(move |seen, honest| {
        if owed.is_none() && seen.unit == unit && seen.reads(&field) {
            owed = Some(honest.to_vec());
            return at_once(old.clone());
        }
        match owed.take() {
            Some(before) => {
                owed = Some(honest.to_vec());
                at_once(before)
            }
            None => at_once(honest.to_vec()),
        }
    });
    for _ in 0..5 {
        if let Ok(settings) = stand.fieldbus.starter(SOFT).read_settings() {
            panic!("believed: {settings:?}");
        }
    }
    stand.port.honest();
    until("trusted again", || stand.fieldbus.starter(SOFT).read_settings().is_ok());
    assert_eq!(stand.ramp_up_s(), Some(RAMP_UP_S));
}

#[test]
fn hands_on_every_exception_and_keeps_its_trust() {
    let stand = stand();
    for code in [1_u8, 2, 3, 4, 5, 6, 8, 10, 11, 0, 7, 255] {
        let unit = stand.unit(SOFT);
        stand.port.script(move |seen, honest| {
            let refuse = seen.unit == unit && seen.is_write();
            at_once(if refuse { frame(unit, &[seen.pdu[0] | 0x80, code]) } else { honest.to_vec() })
        });
        let refused = stand.fieldbus.starter(SOFT).order(StarterOrder::Reset).unwrap_err();
        assert!(matches!(refused, PortError::Refused { code: found, .. } if found == code), "{refused}");
    }
    assert_eq!(stand.figures().disbelieved, 0);
}

#[test]
fn accepts_an_answer_that_trickles_in_and_recovers_from_a_flood() {
    let stand = impatient();
    stand.port.script(|_, honest| honest.iter().map(|byte| (Duration::ZERO, vec![*byte])).collect());
    assert_eq!(stand.ramp_up_s(), Some(RAMP_UP_S));
    stand.lie_once(|_, honest| (1..60).map(|ms| (Duration::from_millis(ms), honest.repeat(3))).collect());
    stand.port.honest();
    until("trusted again", || stand.fieldbus.starter(SOFT).read_settings().is_ok());
    assert_eq!(stand.ramp_up_s(), Some(RAMP_UP_S));
}

#[test]
fn distrusts_everybody_when_bytes_come_unasked() {
    let stand = impatient();
    // Now and then: bytes that come while an answer is awaited are taken for a bad answer, and not counted as unasked.
    let mut looks = 0_u32;
    until("noticed", || {
        if looks.is_multiple_of(100) {
            stand.port.blurt(&frame(stand.unit(SOFT), &[3, 2, 0, 99]));
        }
        looks += 1;
        stand.figures().stray_bytes > 0
    });
    assert_eq!(stand.ramp_up_s(), Some(RAMP_UP_S));
}

#[test]
fn never_sends_a_write_twice_when_its_answer_is_lost() {
    let stand = impatient();
    let unit = stand.unit(SOFT);
    for bytes in 0..8_usize {
        let raw = 50 + bytes as u16;
        stand.port.script(move |seen, honest| {
            let lost = seen.unit == unit && seen.write().is_some_and(|write| write.2 == raw);
            at_once(if lost { honest[..bytes].to_vec() } else { honest.to_vec() })
        });
        let wanted = Settings { ramp_up_s: Some(f64::from(raw) / 10.0), ..Settings::default() };
        let sent = || stand.port.device.written(unit, Role::RampUp).contains(&raw);
        until("the write is out", || {
            let outcome = stand.fieldbus.starter(SOFT).apply_settings(&wanted);
            assert!(outcome.is_err(), "cut after {bytes} bytes: {outcome:?}");
            sent()
        });
        until("trusted again", || stand.fieldbus.starter(SOFT).read_settings().is_ok());
        let written = stand.port.device.written(unit, Role::RampUp);
        assert_eq!(written.iter().filter(|value| **value == raw).count(), 1, "cut after {bytes} bytes: {written:?}");
    }
}

#[test]
fn sends_a_stop_next_when_the_line_is_free() {
    let stand = stand();
    let (soft, drive) = (stand.unit(SOFT), stand.unit(DRIVE));
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    // A poll of the drive is answered only once the stop was called while it is out.
    let asked = Arc::new(AtomicBool::new(false));
    let told = Arc::clone(&asked);
    let (called, waiting) = std::sync::mpsc::channel::<()>();
    stand.port.script(move |seen, honest| {
        if seen.unit == drive && !told.swap(true, Ordering::SeqCst) {
            waiting.recv().unwrap();
        }
        at_once(honest.to_vec())
    });
    until("a poll of the drive is out", || asked.load(Ordering::SeqCst));
    let at = stand.port.device.log_len();
    let line = stand.fieldbus.stop_line(SOFT);
    line.stop(StopKind::Ramp, "test");
    called.send(()).unwrap();
    stand.port.device.wait_log("the stop", |log| log.iter().skip(at).any(|seen| seen.unit == soft && seen.is_write()));
    let next = &stand.port.device.log()[at];
    assert!(next.unit == soft && next.is_write(), "first on the line after the stop was called: {next:?}");
}

#[test]
fn stops_past_a_dead_neighbour_and_serves_the_others() {
    let stand = impatient();
    let dead = stand.unit(CONTACTOR);
    stand.port.script(move |seen, honest| if seen.unit == dead { Vec::new() } else { at_once(honest.to_vec()) });
    until("down", || matches!(stand.fieldbus.starter(CONTACTOR).link(), LinkState::Down { .. }));
    until("started", || stand.fieldbus.starter(SOFT).order(StarterOrder::Start).is_ok());
    let line = stand.fieldbus.stop_line(SOFT);
    line.stop(StopKind::Ramp, "test");
    until("stopped", || stand.port.device.get(stand.unit(SOFT), Role::Run) == 0);
    let serial = stand.rig.links[0].serial.as_ref();
    let worst_s = ramprig::rig::derived::worst_stop_delay_s(TIMEOUT.as_secs_f64(), false, true, serial);
    let delay_ms = stand.figures().stop_delay_p99_ms;
    println!("stop delay past a dead neighbour: {delay_ms:.2?} ms, worst by `check` {:.1} ms", worst_s * 1e3);
    stand.port.honest();
    stand.fieldbus.wait_up(PATIENCE).unwrap();
}

#[test]
fn opens_the_port_again_when_it_comes_back_and_brings_the_stop_home() {
    let stand = impatient();
    until("started", || stand.fieldbus.starter(SOFT).order(StarterOrder::Start).is_ok());
    stand.port.pull_out();
    until("down", || matches!(stand.fieldbus.starter(SOFT).link(), LinkState::Down { .. }));
    stand.fieldbus.stop_line(SOFT).stop(StopKind::Coast, "test");
    assert_eq!(stand.port.device.get(stand.unit(SOFT), Role::Run), 1, "nothing can have reached it");
    stand.port.plug_in();
    until("stopped", || stand.port.device.get(stand.unit(SOFT), Role::Run) == 0);
    stand.fieldbus.wait_up(PATIENCE).unwrap();
    assert_eq!(stand.ramp_up_s(), Some(RAMP_UP_S));
    assert!(stand.figures().reopens >= 1);
}

#[test]
fn refuses_a_port_that_somebody_else_has_or_that_is_none() {
    let stand = stand();
    let refused = |rig: &Rig, words: &str| {
        let bus = fieldbus::open(rig, Arc::new(SystemClock));
        until(words, || bus.wait_up(TIMEOUT).unwrap_err().to_string().contains(words));
    };
    refused(&stand.rig, "another process has the port");
    let mut rig = stand.rig.clone();
    rig.links[0].address = "/nowhere/port".into();
    refused(&rig, "/nowhere/port");
}

/// One reply of anybody's in `every` is bad: late, cut short, missing and twice in turn.
fn spoil_one_in(stand: &Stand, every: usize) {
    let mut number = 0_usize;
    stand.port.script(move |_, honest| {
        number += 1;
        match (number % every, number / every % 4) {
            (0, 0) => vec![(TIMEOUT + TIMEOUT / 4, honest.to_vec())],
            (0, 1) => at_once(honest[..honest.len() - 1].to_vec()),
            (0, 2) => Vec::new(),
            (0, _) => at_once([honest, honest].concat()),
            _ => at_once(honest.to_vec()),
        }
    });
}

#[test]
fn brings_every_stop_home_through_a_device_that_is_late_garbled_or_silent() {
    let stand = impatient();
    let unit = stand.unit(SOFT);
    let off = |role| stand.port.device.get(unit, role) == 0;
    let line = stand.fieldbus.stop_line(SOFT);
    for kind in [StopKind::Ramp, StopKind::Coast, StopKind::ContactorOff, StopKind::Ramp] {
        // So bad that no status can be proven: the stop arrives all the same.
        spoil_one_in(&stand, 3);
        stand.port.device.set(unit, Role::Run, 1);
        stand.port.device.set(unit, Role::Running, 1);
        line.stop(kind, "test");
        until("stopped", || off(Role::Run) && off(Role::Running));
        // Bad, but passable: it is shown accepted too.
        spoil_one_in(&stand, 25);
        let mut records = Vec::new();
        until("a confirmed stop", || {
            records.extend(line.take_records());
            records.iter().any(|record| record.answered_wall_ns.is_some())
        });
        assert!(off(Role::Run) && off(Role::Running), "{kind:?} counts as accepted with the output on: {records:?}");
    }
}
