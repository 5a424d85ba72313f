//! What an earlier session or a lost link left: run orders, stops that were given up; and what a record keeps of it.

use super::device::{Act, Device};
use super::{CONTACTOR, DRIVE, SOFT, Stand, eventually};
use ramprig::clock::{ManualClock, WallClock};
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::{Field, Role, Table};
use ramprig::sequence::ports::{PortError, StarterOrder};
use ramprig::starters::StopKind;
use std::sync::Arc;

#[test]
fn takes_back_a_run_order_only_where_the_output_is_off() {
    let stand = Stand::up(|rig, device| device.set(rig.starters[SOFT].unit, Role::Run, 1));
    let unit = stand.unit(SOFT);
    let mut port = stand.fieldbus.starter(SOFT);
    let record = port.clear_run().unwrap().expect("a run order was left");
    assert_eq!((record.wrote, record.read_back, record.what.as_str()), (0, Some(0), "bench/2 run=0"));
    assert_eq!(port.clear_run(), Ok(None), "nothing more to do");
    assert_eq!(stand.device.written(unit, Role::Run), [0]);
    // Somebody else's motor is on: not ours to stop.
    stand.device.set(unit, Role::Run, 1);
    stand.device.set(unit, Role::Running, 1);
    assert_eq!(port.clear_run(), Ok(None));
    assert_eq!(stand.device.written(unit, Role::Run), [0]);
    // IEC 61800-7-201 words, from memory: 0x0F enable operation, 0x02 quick stop, status 0x18 a fault with voltage on.
    let unit = stand.unit(DRIVE);
    let mut port = stand.fieldbus.starter(DRIVE);
    stand.device.set(unit, Role::ControlWord, 0x02);
    assert_eq!(port.clear_run(), Ok(None), "a quick stop orders nothing on");
    stand.device.set(unit, Role::ControlWord, 0x0F);
    stand.device.set(unit, Role::StatusWord, 0x18);
    assert_eq!(port.clear_run().unwrap().map(|record| record.wrote), Some(0));
    assert_eq!(stand.device.written(unit, Role::ControlWord), [0]);
}

/// The link stays away for longer than a stop is repeated; the starter has no timer of its own, say, and still runs. Then it
/// comes back, and the selector of the bench unit stands so.
fn given_up(remote: u16) -> (Stand, ManualClock, u8) {
    let clock = ManualClock::at(1_000_000_000);
    let selector = |rig: &mut Rig, device: &Device| device.set(rig.transfer.as_ref().unwrap().unit, Role::Remote, 1);
    let stand = Stand::with_clock(Arc::new(clock.clone()) as Arc<dyn WallClock>, selector);
    eventually(&stand, "up", || {
        clock.advance_ns(STEP_NS);
        stand.fieldbus.wait_up(std::time::Duration::from_millis(50)).is_ok()
    });
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    let unit = stand.unit(SOFT);
    stand.device.cut_connections(false);
    let line = stand.fieldbus.stop_line(SOFT);
    line.stop(StopKind::Coast, "test");
    let mut records = Vec::new();
    eventually(&stand, "the stop is given up", || {
        clock.advance_ns(STEP_NS);
        records.extend(line.take_records());
        records.iter().any(|record| record.what.contains("stop given up"))
    });
    assert_eq!(stand.device.get(unit, Role::Running), 1, "nothing reached it");
    stand.device.set(stand.rig.transfer.as_ref().unwrap().unit, Role::Remote, remote);
    stand.device.cut_connections(true);
    (stand, clock, unit)
}

/// Time passes in such steps.
const STEP_NS: u64 = 100_000_000;

#[test]
fn sends_a_stop_that_was_given_up_as_soon_as_the_device_answers_again() {
    let (stand, clock, unit) = given_up(1);
    eventually(&stand, "stopped after all", || {
        clock.advance_ns(STEP_NS);
        stand.device.get(unit, Role::Running) == 0
    });
    assert_eq!(stand.device.get(unit, Role::Run), 0, "no run order survives a lost link");
}

#[test]
fn sends_no_stop_that_was_given_up_where_the_bench_stands_at_local_meanwhile() {
    let (stand, clock, unit) = given_up(0);
    let stops = |stand: &Stand| stand.device.written(unit, Role::Run).iter().filter(|value| **value == 0).count();
    let before = stops(&stand);
    let polls = |stand: &Stand| stand.device.log().iter().filter(|seen| seen.unit == unit && seen.pdu[0] == 4).count();
    let polled = polls(&stand);
    eventually(&stand, "it is polled again, for some rounds", || {
        clock.advance_ns(STEP_NS);
        polls(&stand) > polled + 20
    });
    assert_eq!(stops(&stand), before, "somebody runs the motor at local");
    assert_eq!(stand.device.get(unit, Role::Running), 1);
}

#[test]
fn repeats_no_stop_once_it_has_let_go() {
    let stand = Stand::up(|_, _| {});
    stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap();
    stand.device.deaf_stops(u32::MAX);
    let line = stand.fieldbus.stop_line(SOFT);
    line.stop(StopKind::Ramp, "test");
    let unit = stand.unit(SOFT);
    let begun = stand.device.written(unit, Role::Run).len();
    eventually(&stand, "it is repeated", || stand.device.written(unit, Role::Run).len() > begun + 1);
    line.let_go();
    // What was under way when it let go ends; both connections have then been through several rounds.
    let polls = |stand: &Stand| stand.device.log().iter().filter(|seen| seen.unit == unit && seen.pdu[0] == 4).count();
    let rounds = |more: usize| {
        let before = polls(&stand);
        eventually(&stand, "polls go on", || polls(&stand) > before + more);
    };
    rounds(20);
    let sent = stand.device.written(unit, Role::Run).len();
    rounds(50);
    assert_eq!(stand.device.written(unit, Role::Run).len(), sent, "somebody else has the motor");
    stand.device.deaf_stops(0);
}

#[test]
fn leaves_a_row_for_every_setting_written_and_for_a_start_that_failed() {
    let stand = Stand::up(|_, _| {});
    let mut port = stand.fieldbus.starter(SOFT);
    port.apply_settings(&stand.rig.starters[SOFT].settings).unwrap();
    let records = port.stop_line().take_records();
    let rows: Vec<_> = records.iter().map(|row| (row.what.as_str(), row.wrote, row.read_back)).collect();
    // 3 s x 10, 0.4 x 1000 and 1 s x 1000 by the map's scales.
    let expected = [
        ("bench/2 ramp_up=30", 30, Some(30)),
        ("bench/2 ramp_down=30", 30, Some(30)),
        ("bench/2 initial_voltage=400", 400, Some(400)),
        ("bench/2 comm_timeout=1000", 1000, Some(1000)),
    ];
    assert_eq!(rows, expected);
    let unit = stand.unit(CONTACTOR);
    let (address, run) = (stand.rig.starters[CONTACTOR].map.field(Role::Run).unwrap().address, (5_u8, 0xFF_u8));
    stand.device.script(move |seen, honest| {
        let is_run = seen.unit == unit && seen.pdu[0] == run.0 && seen.pdu[1..3] == address.to_be_bytes();
        if !(is_run && seen.pdu[3] == run.1) {
            return Act::Honest;
        }
        // Exception 04 in the place of the answer: length 3, function with its highest bit.
        let mut refusal = honest[..7].to_vec();
        (refusal[4], refusal[5]) = (0, 3);
        refusal.extend([0x85, 0x04]);
        Act::Send(refusal)
    });
    let mut port = stand.fieldbus.starter(CONTACTOR);
    let refused = port.order(StarterOrder::Start).unwrap_err();
    assert!(matches!(refused, PortError::Refused { code: 4, .. }), "{refused}");
    let rows = port.stop_line().take_records();
    let start = rows.iter().find(|row| row.what.starts_with("bench/1 run=1: ")).unwrap_or_else(|| panic!("{rows:?}"));
    assert_eq!((start.wrote, start.answered_wall_ns, start.read_back), (1, None, None), "unconfirmed: {start:?}");
}

/// Contactor off is more than the starter's own cut where a line contactor is described, and a start closes it again first.
#[test]
fn opens_the_line_contactor_beside_the_cut_and_closes_it_before_a_start() {
    const LINE: u16 = 3;
    let stand = Stand::up(|rig, device| {
        let field = Field { writable: true, ..Field::plain(Table::Coil, LINE) };
        rig.starters[SOFT].map.fields.insert(Role::LineOff, field);
        device.set_register(rig.starters[SOFT].unit, Table::Coil, LINE, 0);
    });
    let unit = stand.unit(SOFT);
    let line_writes = || {
        let of = |seen: &super::device::Seen| {
            seen.write().filter(|w| seen.unit == unit && (w.0, w.1) == (Table::Coil, LINE))
        };
        stand.device.log().iter().filter_map(of).map(|write| write.2).collect::<Vec<_>>()
    };
    let mut port = stand.fieldbus.starter(SOFT);
    for (kind, expected) in [(StopKind::Coast, vec![]), (StopKind::ContactorOff, vec![1])] {
        port.order(StarterOrder::Start).unwrap();
        port.stop_line().stop(kind, "test");
        eventually(&stand, "stopped", || stand.device.get(unit, Role::Running) == 0 && line_writes() == expected);
        eventually(&stand, "settled", || {
            port.stop_line().take_records().iter().any(|row| row.answered_wall_ns.is_some())
        });
    }
    eventually(&stand, "a start is possible again", || port.order(StarterOrder::Start).is_ok());
    assert_eq!(line_writes(), [1, 0], "closed before the start");
}

/// A line contactor that does not read open is asked again: its stage is the last there is.
#[test]
fn repeats_contactor_off_until_the_line_contactor_reads_open() {
    const LINE: u16 = 3;
    const LIES: usize = 3;
    let stand = Stand::up(|rig, device| {
        let field = Field { writable: true, ..Field::plain(Table::Coil, LINE) };
        rig.starters[SOFT].map.fields.insert(Role::LineOff, field);
        device.set_register(rig.starters[SOFT].unit, Table::Coil, LINE, 0);
    });
    let unit = stand.unit(SOFT);
    let mut port = stand.fieldbus.starter(SOFT);
    port.order(StarterOrder::Start).unwrap();
    let (mut wrote, mut lies) = (false, LIES);
    stand.device.script(move |seen, honest| {
        wrote |= seen.unit == unit && seen.write() == Some((Table::Coil, LINE, 1));
        match seen.read() {
            Some((Table::Coil, first, count)) if wrote && lies > 0 && (first..first + count).contains(&LINE) => {
                lies -= 1;
                let mut answer = honest.to_vec();
                // Behind header, function and count of bytes.
                answer[9 + usize::from((LINE - first) / 8)] &= !(1 << ((LINE - first) % 8));
                Act::Send(answer)
            }
            _ => Act::Honest,
        }
    });
    port.stop_line().stop(StopKind::ContactorOff, "test");
    eventually(&stand, "brought home at last", || {
        port.stop_line()
            .take_records()
            .iter()
            .any(|row| row.answered_wall_ns.is_some() && row.what.contains("line_off"))
    });
    let writes = stand.device.log().iter().filter(|seen| seen.write() == Some((Table::Coil, LINE, 1))).count();
    assert!(writes > LIES, "once for every reading that said closed: {writes}");
    eventually(&stand, "a start is possible again", || port.order(StarterOrder::Start).is_ok());
}

#[test]
fn rejects_a_start_of_a_drive_whose_stop_by_ramp_takes_another_ramp() {
    let stand = Stand::up(|_, _| {});
    let unit = stand.unit(DRIVE);
    // IEC 61800-7-201 object 605Ah, from memory: 1 slow down on the slow down ramp, 2 on the quick stop ramp.
    stand.device.set(unit, Role::QuickStopOption, 2);
    let refused = stand.fieldbus.starter(DRIVE).order(StarterOrder::Start).unwrap_err();
    let words = "quick_stop_option reads 2, must be 1: a stop by ramp would take another ramp";
    assert!(refused.to_string().contains(words), "{refused}");
    assert!(stand.device.written(unit, Role::ControlWord).is_empty(), "no order was written");
    stand.device.set(unit, Role::QuickStopOption, 1);
    stand.fieldbus.starter(DRIVE).order(StarterOrder::Start).unwrap();
}
