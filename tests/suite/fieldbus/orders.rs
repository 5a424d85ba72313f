//! Settings, start, reset, transfer; the walk of a drive.

use super::device::{Act, PATIENCE, Seen};
use super::{CONTACTOR, DRIVE, SOFT, Stand, eventually};
use ramprig::rig::register_map::Role;
use ramprig::sequence::ports::{PortError, StarterOrder};
use ramprig::starters::{Settings, StopKind};

fn apply(stand: &Stand, starter: usize) -> Settings {
    let wanted = stand.rig.starters[starter].settings;
    stand.fieldbus.starter(starter).apply_settings(&wanted).unwrap()
}

#[test]
fn writes_settings_in_the_registers_units_and_reads_them_back() {
    let stand = Stand::up(|_, _| {});
    let wanted = stand.rig.starters[SOFT].settings;
    let in_force = apply(&stand, SOFT);
    assert_eq!(in_force.ramp_up_s, wanted.ramp_up_s);
    let unit = stand.unit(SOFT);
    // 3 s x 10, 0.4 x 1000 and 1 s x 1000 by the map's scales.
    let raws = [Role::RampUp, Role::RampDown, Role::InitialVoltage, Role::CommTimeout]
        .map(|role| stand.device.get(unit, role));
    assert_eq!(raws, [30, 30, 400, 1000]);
    let writes = stand.device.writes().len();
    apply(&stand, SOFT);
    assert_eq!(stand.device.writes().len(), writes, "what stands there already is not written again");
    assert_eq!(stand.fieldbus.statistics()[0].setting_writes, 4);
}

#[test]
fn rejects_settings_outside_the_rigs_span_before_writing_any() {
    let stand = Stand::up(|_, _| {});
    let mut port = stand.fieldbus.starter(SOFT);
    for wanted in [21.0, 0.4, f64::NAN, f64::INFINITY] {
        let settings = Settings { ramp_down_s: Some(5.0), ramp_up_s: Some(wanted), ..Settings::default() };
        let refused = port.apply_settings(&settings).unwrap_err();
        assert!(matches!(&refused, PortError::OutOfRange { role, .. } if role == "ramp_up"), "{wanted}: {refused}");
    }
    let unknown = Settings { speed: Some(0.5), ..Settings::default() };
    assert!(matches!(port.apply_settings(&unknown), Err(PortError::NoField { .. })));
    assert_eq!(stand.device.writes(), [], "nothing may be written when a part is refused");
}

#[test]
fn rejects_a_setting_that_reads_back_differently() {
    let stand = Stand::up(|_, _| {});
    let (unit, field) = (stand.unit(SOFT), *stand.rig.starters[SOFT].map.field(Role::RampUp).unwrap());
    stand.device.script(move |seen: &Seen, honest| {
        let mut bytes = honest.to_vec();
        if seen.unit == unit && seen.reads(&field) {
            // A device that clamps in silence: 2.9 s instead of 3 s.
            bytes[10] = 29;
        }
        Act::Send(bytes)
    });
    let wanted = Settings { ramp_up_s: Some(3.0), ..Settings::default() };
    let refused = stand.fieldbus.starter(SOFT).apply_settings(&wanted).unwrap_err();
    assert!(matches!(&refused, PortError::ReadBack { wrote: 30, read: 29, .. }), "{refused}");
}

#[test]
fn starts_by_a_fresh_edge_with_a_beat_before_it() {
    let stand = Stand::up(|rig, device| {
        device.set(rig.starters[CONTACTOR].unit, Role::Cut, 1);
        device.set(rig.starters[CONTACTOR].unit, Role::Run, 1);
    });
    let unit = stand.unit(CONTACTOR);
    let mut port = stand.fieldbus.starter(CONTACTOR);
    let record = port.order(StarterOrder::Start).unwrap();
    assert_eq!((record.wrote, record.read_back, record.what.as_str()), (1, Some(1), "bench/1 run=1"));
    assert!(record.answered_wall_ns.unwrap() >= record.sent_wall_ns);
    assert_eq!(stand.device.written(unit, Role::Run), [0, 1]);
    assert_eq!(stand.device.written(unit, Role::Cut), [0]);
    let beats = stand.device.written(unit, Role::Heartbeat);
    assert!(beats.len() >= 2 && beats[0] != beats[1], "a change of the heartbeat, whatever stood there: {beats:?}");
    eventually(&stand, "status shows it", || port.status().is_some_and(|status| status.running && status.at_speed));
}

#[test]
fn rejects_a_start_of_a_starter_that_does_not_watch_its_master() {
    for raw in [0, 1001, 10_000] {
        let stand = Stand::up(|rig, device| device.set(rig.starters[SOFT].unit, Role::CommTimeout, raw));
        let refused = stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap_err();
        assert!(matches!(&refused, PortError::ReadBack { role, .. } if role == "comm_timeout"), "{raw}: {refused}");
        assert!(stand.device.written(stand.unit(SOFT), Role::Run).is_empty());
    }
}

#[test]
fn resets_with_the_run_bit_cleared_and_starts_nothing() {
    let stand = Stand::up(|rig, device| device.set(rig.starters[SOFT].unit, Role::Run, 1));
    let record = stand.fieldbus.starter(SOFT).order(StarterOrder::Reset).unwrap();
    assert_eq!((record.wrote, record.read_back), (1, Some(1)));
    let unit = stand.unit(SOFT);
    assert_eq!(stand.device.written(unit, Role::Run), [0]);
    assert_eq!(stand.device.written(unit, Role::Reset), [1, 0], "ready for the next edge");
    assert_eq!(stand.device.get(unit, Role::Running), 0);
}

#[test]
fn walks_a_drive_to_operation_and_stops_it_each_way() {
    let stand = Stand::up(|_, _| {});
    let unit = stand.unit(DRIVE);
    // IEC 61800-7-201 control words, from memory: quick stop 0x0002, disable voltage 0x0000.
    for (kind, word) in [(StopKind::Ramp, 0x02), (StopKind::Coast, 0x00), (StopKind::ContactorOff, 0x00)] {
        let before = stand.device.written(unit, Role::ControlWord).len();
        let mut port = stand.fieldbus.starter(DRIVE);
        let record = port.order(StarterOrder::Start).unwrap();
        assert_eq!((record.wrote, record.read_back), (0x0F, Some(0x0F)));
        let walk = stand.device.written(unit, Role::ControlWord)[before..].to_vec();
        assert!(walk.ends_with(&[0x06, 0x07, 0x0F]), "shutdown, switch on, enable operation; sent was {walk:02x?}");
        eventually(&stand, "running", || port.status().is_some_and(|status| status.running && status.at_speed));
        let line = port.stop_line();
        line.stop(kind, "test");
        let mut records = Vec::new();
        eventually(&stand, "stop recorded", || {
            records.extend(line.take_records());
            records.iter().any(|record| record.answered_wall_ns.is_some())
        });
        assert_eq!(records[0].wrote, word, "{kind:?}: {records:?}");
    }
}

#[test]
fn clears_a_drives_fault_by_an_edge_of_bit_seven() {
    let stand = Stand::up(|rig, device| device.set(rig.starters[DRIVE].unit, Role::StatusWord, 0x18));
    let unit = stand.unit(DRIVE);
    let mut port = stand.fieldbus.starter(DRIVE);
    let refused = port.order(StarterOrder::Start).unwrap_err();
    assert!(matches!(&refused, PortError::ReadBack { role, read: 0x18, .. } if role == "status_word"), "{refused}");
    let line = port.stop_line();
    eventually(&stand, "the stop after the refused start", || !line.take_records().is_empty());
    let words_before = stand.device.written(unit, Role::ControlWord).len();
    port.order(StarterOrder::Reset).unwrap();
    let words = stand.device.written(unit, Role::ControlWord)[words_before..].to_vec();
    assert!(words.windows(3).any(|three| three == [0, 0x80, 0]), "{words:02x?}");
    assert_eq!(stand.device.get(unit, Role::StatusWord), 0x50, "switch on disabled, voltage enabled");
    assert!(!words.contains(&0x0F), "a reset starts nothing");
}

#[test]
fn selects_a_position_of_the_transfer_device() {
    let stand = Stand::up(|_, _| {});
    let unit = stand.rig.transfer.as_ref().unwrap().unit;
    let mut bench = stand.fieldbus.bench().unwrap();
    let record = bench.select(2).unwrap();
    assert_eq!((record.wrote, record.read_back), (2, Some(2)));
    assert_eq!(stand.device.written(unit, Role::TransferSelect), [2]);
    let in_place = |values: Option<(u64, Vec<(Role, u16)>)>| {
        values.is_some_and(|(_, values)| values.contains(&(Role::TransferPosition, 2)))
    };
    eventually(&stand, "position polled", || in_place(bench.values()));
    assert!(matches!(bench.select(4), Err(PortError::OutOfRange { .. })), "the map allows 0 to 3");
    assert_eq!(stand.device.written(unit, Role::TransferSelect), [2]);
}

#[test]
fn withdraws_an_order_that_did_not_get_its_turn() {
    let stand = Stand::up(|rig, _| rig.links[0].timeout_s = 30.0);
    stand.hold_main();
    let refused = stand.fieldbus.starter(SOFT).order(StarterOrder::Start).unwrap_err();
    assert!(matches!(&refused, PortError::LinkDown { .. }), "{refused}");
    stand.device.honest();
    stand.device.release();
    stand.fieldbus.starter(SOFT).identify().unwrap();
    let runs = stand.device.written(stand.unit(SOFT), Role::Run);
    assert!(runs.is_empty(), "an order that was refused must not be done later");
    assert_eq!(stand.fieldbus.shutdown(PATIENCE), Vec::<String>::new());
}

#[test]
fn rejects_a_start_of_a_drive_that_may_start_by_itself() {
    for role in Role::BEFORE_A_START {
        let stand = Stand::up(|_, _| {});
        apply(&stand, DRIVE);
        stand.device.set(stand.unit(DRIVE), role, 1);
        let words = |stand: &Stand| stand.device.written(stand.unit(DRIVE), Role::ControlWord);
        let before = words(&stand);
        let refused = stand.fieldbus.starter(DRIVE).order(StarterOrder::Start).unwrap_err();
        let told = format!("{} reads 1, must be 0: the starter may start by itself", role.name());
        assert!(refused.to_string().contains(&told), "{refused}");
        assert_eq!(words(&stand), before, "no order was written, heartbeats at most");
        stand.device.set(stand.unit(DRIVE), role, 0);
        stand.fieldbus.starter(DRIVE).order(StarterOrder::Start).unwrap();
    }
}
