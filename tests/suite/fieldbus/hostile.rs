//! A far side that lies, dawdles, floods, hangs up. Every test ends with right values on the same link.

use super::device::{Act, PATIENCE, Seen, adu};
use super::{CONTACTOR, DRIVE, SOFT, Stand, eventually};
use crate::stand::wait_until;
use ramprig::clock::{SystemClock, WallClock};
use ramprig::fieldbus::frame::exception_name;
use ramprig::rig::register_map::Role;
use ramprig::sequence::ports::{LinkState, PortError, StarterOrder};
use ramprig::starters::{Settings, StopKind};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// Ramp-up of the soft starter as the device holds it: 7.0 s.
const RAMP_UP_RAW: u16 = 70;
const RAMP_UP_S: f64 = 7.0;

/// Time-outs of tests that are about them.
const SHORT_S: f64 = 0.2;
/// Of tests that wait for none: a busy computer decides nothing.
const NEVER_S: f64 = 10.0;

fn stand() -> Stand {
    stand_with(SHORT_S)
}

fn stand_with(timeout_s: f64) -> Stand {
    Stand::up(|rig, device| {
        rig.links[0].timeout_s = timeout_s;
        device.set(rig.starters[SOFT].unit, Role::RampUp, RAMP_UP_RAW);
    })
}

/// Lie once, in the next answer to a read of the soft starter's ramp time; then read the settings through the port.
fn lie_once(stand: &Stand, mut lie: impl FnMut(&Seen, &[u8]) -> Act + Send + 'static) -> Settings {
    let field = *stand.rig.starters[SOFT].map.field(Role::RampUp).unwrap();
    let unit = stand.unit(SOFT);
    let mut lied = false;
    stand.device.script(move |seen, honest| {
        if lied || seen.unit != unit || !seen.reads(&field) {
            return Act::Honest;
        }
        lied = true;
        lie(seen, honest)
    });
    // A busy computer is late too: what is refused is asked again, what is believed must be right.
    let mut settings = None;
    wait_until("a read that is believed", || {
        settings = stand.fieldbus.starter(SOFT).read_settings().ok();
        settings.is_some()
    });
    settings.unwrap()
}

fn with(honest: &[u8], at: usize, byte: u8) -> Vec<u8> {
    let mut bytes = honest.to_vec();
    bytes[at] = byte;
    bytes
}

#[test]
fn identifies_and_polls_every_unit() {
    let stand = Stand::up(|rig, device| {
        device.set(rig.starters[DRIVE].unit, Role::SpeedActual, 5000);
        device.set(rig.starters[SOFT].unit, Role::Current, 123);
        device.set(rig.starters[SOFT].unit, Role::Fault, 1);
        device.set(rig.transfer.as_ref().unwrap().unit, Role::Remote, 1);
    });
    for starter in [CONTACTOR, SOFT, DRIVE] {
        let mut port = stand.fieldbus.starter(starter);
        let expected = stand.rig.starters[starter].map.field(Role::Identity).unwrap().expect;
        let identity = port.identify().unwrap();
        assert_eq!((Some(identity.signature), identity.is_virtual), (expected, false));
        eventually(&stand, "a first status", || port.status().is_some());
        assert_eq!(port.link(), LinkState::Up);
    }
    let status = stand.fieldbus.starter(SOFT).status().unwrap();
    assert_eq!((status.running, status.fault), (false, 1));
    let current_a = status.current_a.unwrap();
    assert!((current_a - 12.3).abs() < 1e-9, "expected 12.3 A (123 x 0.1), got {current_a} A");
    let speed = stand.fieldbus.starter(DRIVE).status().unwrap().speed_actual.unwrap();
    assert!((speed - 0.5).abs() < 1e-9, "expected 0.5 of rated (5000 x 0.0001), got {speed}");
    let bench = stand.fieldbus.bench().unwrap();
    eventually(&stand, "values of the bench unit", || bench.values().is_some());
    assert!(bench.values().unwrap().1.contains(&(Role::Remote, 1)));
}

#[test]
fn says_virtual_only_of_a_device_that_says_so() {
    let stand = Stand::up(|rig, device| device.set(rig.starters[SOFT].unit, Role::VirtualMark, 0x5652));
    assert!(stand.fieldbus.starter(SOFT).identify().unwrap().is_virtual);
    assert!(!stand.fieldbus.starter(DRIVE).identify().unwrap().is_virtual);
}

#[test]
fn rejects_an_answer_that_comes_after_the_time_out() {
    let stand = stand();
    let settings = lie_once(&stand, |_, _| Act::Hold);
    assert_eq!(settings.ramp_up_s, Some(RAMP_UP_S), "asked again on a new connection");
    stand.device.set(stand.unit(SOFT), Role::RampUp, 10);
    // The late answer leaves now, with the old value, while other requests are out.
    stand.device.release();
    for _ in 0..20 {
        assert_eq!(stand.fieldbus.starter(SOFT).read_settings().unwrap().ramp_up_s, Some(1.0));
    }
    let figures = &stand.fieldbus.statistics()[0];
    assert!(figures.timeouts >= 1 && figures.reopens >= 1, "{figures:?}");
}

#[test]
fn rejects_an_answer_with_any_wrong_field() {
    let stand = stand();
    type Lie = fn(&Seen, &[u8]) -> Vec<u8>;
    let lies: [(&str, Lie); 9] = [
        ("transaction", |_, honest| with(honest, 1, honest[1].wrapping_add(1))),
        ("transaction of the request before", |_, honest| with(honest, 1, honest[1].wrapping_sub(1))),
        ("protocol", |_, honest| with(honest, 3, 1)),
        ("length of one", |_, honest| with(honest, 5, 1)),
        ("unit", |_, honest| with(honest, 6, 1)),
        ("function", |_, honest| with(honest, 7, 4)),
        ("byte count", |_, honest| with(honest, 8, honest[8] + 2)),
        ("a register too many", |seen, honest| {
            let mut pdu = honest[7..].to_vec();
            pdu.extend([0, 1]);
            pdu[1] += 2;
            adu(seen.transaction, seen.unit, &pdu)
        }),
        ("length too short", |_, honest| with(honest, 5, honest[5] - 2)),
    ];
    for (what, lie) in lies {
        let before = stand.fieldbus.statistics()[0].disbelieved;
        let settings = lie_once(&stand, move |seen, honest| Act::Send(lie(seen, honest)));
        assert_eq!(settings.ramp_up_s, Some(RAMP_UP_S), "{what}");
        let after = stand.fieldbus.statistics()[0].disbelieved;
        assert!(after > before, "{what}: the connection was not given up");
    }
}

#[test]
fn rejects_a_second_answer_to_one_request() {
    let stand = stand_with(NEVER_S);
    let twice = |_: &Seen, honest: &[u8]| Act::Send([honest, honest].concat());
    let before = stand.fieldbus.statistics()[0].reopens;
    assert_eq!(lie_once(&stand, twice).ramp_up_s, Some(RAMP_UP_S));
    eventually(&stand, "reopened after a duplicate", || stand.fieldbus.statistics()[0].reopens > before);
    assert_eq!(stand.fieldbus.starter(SOFT).read_settings().unwrap().ramp_up_s, Some(RAMP_UP_S));
}

#[test]
fn accepts_an_answer_that_trickles_in() {
    let stand = stand_with(NEVER_S);
    stand.device.script(|_, honest| Act::Trickle(honest.to_vec()));
    assert_eq!(stand.fieldbus.starter(SOFT).read_settings().unwrap().ramp_up_s, Some(RAMP_UP_S));
}

#[test]
fn recovers_from_a_flood() {
    let stand = stand();
    let before = stand.fieldbus.statistics()[0].disbelieved;
    let settings = lie_once(&stand, |_, honest| Act::Flood(honest.repeat(50)));
    assert_eq!(settings.ramp_up_s, Some(RAMP_UP_S));
    let noise = lie_once(&stand, |_, _| Act::Flood(vec![0xA5; 4096]));
    assert_eq!(noise.ramp_up_s, Some(RAMP_UP_S));
    eventually(&stand, "disbelieved", || stand.fieldbus.statistics()[0].disbelieved > before);
}

#[test]
fn recovers_when_the_connection_ends_at_any_byte_of_an_answer() {
    let stand = stand_with(NEVER_S);
    // Four registers: 7 header bytes, function, byte count, 8 data bytes.
    for bytes in 0..17 {
        let settings = lie_once(&stand, move |_, honest| Act::SendAndClose(honest[..bytes].to_vec()));
        assert_eq!(settings.ramp_up_s, Some(RAMP_UP_S), "cut after {bytes} bytes");
    }
}

#[test]
fn recovers_when_the_connection_is_reset_at_any_byte_of_an_answer() {
    let stand = stand_with(NEVER_S);
    let before = stand.fieldbus.statistics()[0].reopens;
    for bytes in 0..17 {
        let settings = lie_once(&stand, move |_, honest| Act::SendAndReset(honest[..bytes].to_vec()));
        assert_eq!(settings.ramp_up_s, Some(RAMP_UP_S), "reset after {bytes} bytes");
    }
    assert!(stand.fieldbus.statistics()[0].reopens >= before + 17, "{:?}", stand.fieldbus.statistics()[0]);
}

/// One answer of anybody's in `every` is bad: late, cut short with the connection, missing, twice, garbled and reset in turn.
fn spoil_one_in(stand: &Stand, every: usize) {
    let mut number = 0_usize;
    let late = Duration::from_millis(250);
    stand.device.script(move |_, honest| {
        number += 1;
        match (number % every, number / every % 6) {
            (0, 0) => Act::Late(vec![(late, honest.to_vec())]),
            (0, 1) => Act::SendAndClose(honest[..honest.len() - 1].to_vec()),
            (0, 2) => Act::Silent,
            (0, 3) => Act::Send([honest, honest].concat()),
            (0, 4) => Act::Send(with(honest, 7, honest[7] ^ 0x11)),
            (0, _) => Act::SendAndReset(honest[..3].to_vec()),
            _ => Act::Honest,
        }
    });
}

#[test]
fn brings_every_stop_home_through_a_device_that_is_late_garbled_reset_or_silent() {
    let stand = stand();
    let unit = stand.unit(SOFT);
    let off = |role| stand.device.get(unit, role) == 0;
    let line = stand.fieldbus.stop_line(SOFT);
    for kind in [StopKind::Ramp, StopKind::Coast, StopKind::ContactorOff, StopKind::Ramp] {
        spoil_one_in(&stand, 3);
        stand.device.set(unit, Role::Run, 1);
        stand.device.set(unit, Role::Running, 1);
        line.stop(kind, "test");
        wait_until("stopped", || off(Role::Run) && off(Role::Running));
        // Bad, but passable: it is shown accepted too.
        spoil_one_in(&stand, 25);
        let mut records = Vec::new();
        wait_until("a confirmed stop", || {
            records.extend(line.take_records());
            records.iter().any(|record| record.answered_wall_ns.is_some())
        });
        assert!(off(Role::Run) && off(Role::Running), "{kind:?} counts as accepted with the output on: {records:?}");
    }
}

#[test]
fn never_sends_a_write_twice_when_its_answer_is_lost() {
    let stand = stand_with(NEVER_S);
    let unit = stand.unit(SOFT);
    for (number, bytes) in (0..12).enumerate() {
        let raw = 50 + number as u16;
        stand.device.script(move |seen, honest| {
            let lost = seen.unit == unit && seen.write().is_some_and(|write| write.2 == raw);
            if lost { Act::SendAndClose(honest[..bytes].to_vec()) } else { Act::Honest }
        });
        let wanted = Settings { ramp_up_s: Some(f64::from(raw) / 10.0), ..Settings::default() };
        let outcome = stand.fieldbus.starter(SOFT).apply_settings(&wanted);
        assert!(matches!(outcome, Err(PortError::LinkDown { .. })), "cut after {bytes} bytes: {outcome:?}");
        stand.fieldbus.wait_up(PATIENCE).unwrap();
        let written = stand.device.written(unit, Role::RampUp);
        assert_eq!(written.iter().filter(|value| **value == raw).count(), 1, "cut after {bytes} bytes: {written:?}");
    }
}

#[test]
fn hands_on_every_exception_and_keeps_the_connection() {
    let stand = stand_with(NEVER_S);
    let reopens = stand.fieldbus.statistics()[0].reopens;
    for code in [1_u8, 2, 3, 4, 5, 6, 8, 10, 11, 0, 7, 255] {
        let unit = stand.unit(SOFT);
        stand.device.script(move |seen, honest| {
            if seen.unit != unit || !seen.is_write() {
                return Act::Honest;
            }
            Act::Send(adu(seen.transaction, seen.unit, &[honest[7] | 0x80, code]))
        });
        let refused = stand.fieldbus.starter(SOFT).order(StarterOrder::Reset).unwrap_err();
        let PortError::Refused { code: found, meaning, .. } = refused else { panic!("{refused}") };
        assert_eq!((found, meaning.as_str()), (code, exception_name(code)));
    }
    assert_eq!(stand.fieldbus.statistics()[0].reopens, reopens, "an exception is an answer");
}

#[test]
fn refuses_orders_while_nobody_listens() {
    // A port that was free a moment ago.
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let address = free.clone();
    let stand = Stand::begin(move |rig, _| rig.links[0].address = address);
    let down = stand.fieldbus.wait_up(Duration::from_millis(200)).unwrap_err();
    assert!(down.to_string().contains(&free), "{down}");
    let refused = stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap_err();
    assert!(matches!(&refused, PortError::LinkDown { address, .. } if *address == free), "{refused}");
    assert!(matches!(stand.fieldbus.starter(SOFT).link(), LinkState::Down { .. }));
    assert_eq!(stand.fieldbus.shutdown(PATIENCE), Vec::<String>::new());
}

#[test]
fn reports_a_lost_link_and_believes_nothing_until_the_identity_answered() {
    let stand = stand();
    stand.device.cut_connections(false);
    let port = stand.fieldbus.starter(SOFT);
    eventually(&stand, "down", || matches!(port.link(), LinkState::Down { .. }));
    let lost_at = stand.device.log_len();
    stand.device.cut_connections(true);
    stand.fieldbus.wait_up(PATIENCE).unwrap();
    stand.device.wait_log("polls again", |log| log.len() > lost_at + 60);
    let log = stand.device.log();
    let (before, after) = log.split_at(lost_at);
    // What came in on an old connection just before it was cut may be noted after it.
    let old = before.iter().map(|seen| seen.connection).max();
    let log: Vec<Seen> = after.iter().filter(|seen| Some(seen.connection) > old).cloned().collect();
    for starter in &stand.rig.starters {
        let identity = starter.map.field(Role::Identity).unwrap();
        let first = log.iter().find(|seen| seen.unit == starter.unit).unwrap();
        assert!(first.reads(identity), "unit {}: first request after the loss was {first:?}", starter.unit);
    }
}

#[test]
fn rejects_every_write_to_a_device_that_is_not_the_one_of_the_map() {
    let stand = Stand::begin(|rig, device| device.set(rig.starters[SOFT].unit, Role::Identity, 0x1234));
    let mut port = stand.fieldbus.starter(SOFT);
    eventually(&stand, "wrong device seen", || {
        matches!(port.identify(), Err(PortError::WrongDevice { found: 0x1234, .. }))
    });
    let wanted = Settings { ramp_up_s: Some(2.0), ..Settings::default() };
    assert!(matches!(port.apply_settings(&wanted), Err(PortError::WrongDevice { .. })));
    assert!(matches!(port.order(StarterOrder::Reset), Err(PortError::WrongDevice { .. })));
    assert!(matches!(port.order(StarterOrder::Start), Err(PortError::WrongDevice { .. })));
    port.alive(true);
    port.stop_line().stop(StopKind::Coast, "test");
    let seen = stand.device.log_len();
    stand.device.wait_log("more polls of the neighbours", |log| log.len() > seen + 60);
    let writes: Vec<Seen> = stand.device.writes().into_iter().filter(|seen| seen.unit == stand.unit(SOFT)).collect();
    assert_eq!(writes, [], "nothing may be written to a stranger");
}

#[test]
fn rejects_a_device_that_was_exchanged_during_an_interruption() {
    let stand = stand();
    stand.device.cut_connections(false);
    stand.device.set(stand.unit(SOFT), Role::Identity, 0x1234);
    stand.device.cut_connections(true);
    let mut port = stand.fieldbus.starter(SOFT);
    eventually(&stand, "wrong device seen", || matches!(port.identify(), Err(PortError::WrongDevice { .. })));
    assert!(matches!(port.order(StarterOrder::Start), Err(PortError::WrongDevice { .. })));
    let writes = stand.device.writes();
    assert!(writes.iter().all(|seen| seen.unit != stand.unit(SOFT)), "{writes:?}");
}

#[test]
fn serves_the_neighbours_of_a_dead_unit() {
    let stand = stand();
    let dead = stand.unit(SOFT);
    stand.device.script(move |seen, _| if seen.unit == dead { Act::Silent } else { Act::Honest });
    let port = stand.fieldbus.starter(SOFT);
    eventually(&stand, "dead unit down", || matches!(port.link(), LinkState::Down { .. }));
    let mut drive = stand.fieldbus.starter(DRIVE);
    eventually(&stand, "neighbour answers", || drive.identify().is_ok());
    let last_ns = drive.status().map_or(0, |status| status.at_wall_ns);
    eventually(&stand, "neighbour is polled", || drive.status().is_some_and(|status| status.at_wall_ns > last_ns));
    stand.device.honest();
    stand.fieldbus.wait_up(PATIENCE).unwrap();
}

/// The host's clock, shifted forward by hand.
#[derive(Default)]
struct ShiftedClock(AtomicU64);

impl WallClock for ShiftedClock {
    fn now_ns(&self) -> u64 {
        SystemClock.now_ns() + self.0.load(Ordering::SeqCst)
    }
}

fn beats(stand: &Stand) -> usize {
    stand.device.written(stand.unit(SOFT), Role::Heartbeat).len()
}

#[test]
fn withholds_the_heartbeat_when_nobody_says_alive() {
    let clock = Arc::new(ShiftedClock::default());
    let stand = Stand::with_clock(Arc::clone(&clock) as Arc<dyn WallClock>, |rig, _| {
        rig.links[0].heartbeat_s = 0.001;
        // The jump of the clock is not to time out a request.
        rig.links[0].timeout_s = 30.0;
    });
    stand.fieldbus.wait_up(PATIENCE).unwrap();
    let port = stand.fieldbus.starter(SOFT);
    assert_eq!(beats(&stand), 0, "no heartbeat before anybody says alive");
    eventually(&stand, "beats", || {
        port.alive(true);
        beats(&stand) > 20
    });
    let numbers = stand.device.written(stand.unit(SOFT), Role::Heartbeat);
    assert!(numbers.windows(2).all(|pair| pair[1] == pair[0].wrapping_add(1)), "{numbers:?}");
    // Half a second and one millisecond after the last call, by the clock that the port reads.
    clock.0.fetch_add(501_000_000, Ordering::SeqCst);
    let mut starter = stand.fieldbus.starter(SOFT);
    starter.identify().unwrap();
    let at_expiry = beats(&stand);
    for _ in 0..50 {
        starter.identify().unwrap();
    }
    assert_eq!(beats(&stand), at_expiry, "a beat went out although nobody said alive");
    eventually(&stand, "beats again", || {
        port.alive(true);
        beats(&stand) > at_expiry
    });
    port.alive(false);
    starter.identify().unwrap();
    let at_withholding = beats(&stand);
    (0..50).for_each(|_| drop(starter.identify()));
    assert_eq!(beats(&stand), at_withholding, "alive(false) withholds");
}
