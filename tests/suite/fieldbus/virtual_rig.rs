//! The buses against the virtual rig over real sockets, in real time.

use super::device::PATIENCE;
use super::{CONTACTOR, DRIVE, SOFT};
use ramprig::clock::{SystemClock, WallClock};
use ramprig::fieldbus::{self, Fieldbus};
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::Role;
use ramprig::sequence::ports::{CommandRecord, StarterOrder, StarterPort, StatusReading, StopLine};
use ramprig::starters::{Settings, StopKind};
use ramprig::virtual_rig::{Options, run};
use std::net::TcpListener;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

struct Bench {
    rig: Rig,
    fieldbus: Fieldbus,
    told: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Bench {
    fn open() -> Self {
        let mut rig = super::rig();
        // A busy test machine: time-outs are tested elsewhere.
        rig.links[0].timeout_s = 5.0;
        let told = Arc::new(AtomicBool::new(false));
        let options = Options {
            rig: rig.clone(),
            line_up: 0,
            modbus_listener: TcpListener::bind("127.0.0.1:0").unwrap(),
            sample_listener: TcpListener::bind("127.0.0.1:0").unwrap(),
            ports: Default::default(),
            seed: Some(20_261_125),
            fast: None,
            truth_file: None,
            controls: None,
        };
        let (announce, announced) = crossbeam_channel::bounded(1);
        let inside = Arc::clone(&told);
        let thread = std::thread::spawn(move || {
            run(options, inside, |ready| announce.send(ready.clone()).unwrap()).unwrap();
        });
        rig.links[0].address = announced.recv_timeout(PATIENCE).unwrap().modbus.to_string();
        let fieldbus = fieldbus::open(&rig, Arc::new(SystemClock));
        fieldbus.wait_up(PATIENCE).unwrap();
        Self { rig, fieldbus, told, thread: Some(thread) }
    }

    /// Put a starter on the motor and wait until the transfer device stands there.
    fn transfer(&self, starter: usize) {
        let position = self.rig.starters[starter].transfer_position.unwrap();
        let mut bench = self.fieldbus.bench().unwrap();
        bench.identify().unwrap();
        bench.select(position).unwrap();
        until("the transfer device in position", || {
            bench.values().is_some_and(|(_, values)| values.contains(&(Role::TransferPosition, position)))
        });
    }

    fn witness(&self, role: Role) -> u16 {
        let values = self.fieldbus.bench().unwrap().values().unwrap().1;
        values.into_iter().find(|(found, _)| *found == role).unwrap().1
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.told.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let begun_ns = SystemClock.now_ns();
    while !holds() {
        assert!(SystemClock.now_ns() - begun_ns < PATIENCE.as_nanos() as u64, "never: {what}");
        ramprig::clock::sleep_wall(Duration::from_millis(2));
    }
}

/// Alive until the status satisfies `holds`.
fn until_status(port: &dyn StarterPort, what: &str, holds: impl Fn(&StatusReading) -> bool) {
    until(what, || {
        port.alive(true);
        port.status().is_some_and(|status| holds(&status))
    });
}

fn confirmed(line: &dyn StopLine) -> Vec<CommandRecord> {
    let mut records = Vec::new();
    until("a confirmed stop", || {
        records.extend(line.take_records());
        records.iter().any(|record| record.answered_wall_ns.is_some())
    });
    records
}

#[test]
fn starts_and_stops_each_starter_of_the_virtual_rig() {
    let bench = Bench::open();
    let short = Settings { ramp_up_s: Some(0.5), ramp_down_s: Some(0.5), ..Settings::default() };
    let way = [
        (CONTACTOR, Settings::default(), StopKind::ContactorOff),
        (SOFT, short, StopKind::Ramp),
        (DRIVE, short, StopKind::Ramp),
    ];
    for (starter, settings, stop) in way {
        bench.transfer(starter);
        let mut port = bench.fieldbus.starter(starter);
        assert!(port.identify().unwrap().is_virtual);
        port.apply_settings(&settings).unwrap();
        let record = port.order(StarterOrder::Start).unwrap();
        assert_eq!(Some(record.wrote), record.read_back);
        until_status(&*port, "at speed", |status| status.running && status.at_speed);
        until("the witness sees one output", || bench.witness(Role::OutputsOn).count_ones() == 1);
        let line = port.stop_line();
        line.stop(stop, "test");
        let records = confirmed(&*line);
        assert_eq!(records[0].wrote, records[0].read_back.unwrap(), "{records:?}");
        until_status(&*port, "output off", |status| !status.running && status.fault == 0);
        assert_eq!(port.status().unwrap().start_count, Some(1));
    }
    assert_eq!(bench.witness(Role::MostOutputsOn), 1, "never two starters at once");
    assert_eq!(bench.fieldbus.shutdown(PATIENCE), Vec::<String>::new());
}

#[test]
fn stops_by_the_starters_own_timer_when_the_heartbeat_is_withheld_and_starts_again_after_a_reset() {
    let bench = Bench::open();
    bench.transfer(DRIVE);
    let mut port = bench.fieldbus.starter(DRIVE);
    let short = Settings { ramp_up_s: Some(0.5), ramp_down_s: Some(0.5), ..Settings::default() };
    port.apply_settings(&short).unwrap();
    port.order(StarterOrder::Start).unwrap();
    until_status(&*port, "running", |status| status.running);
    port.alive(false);
    until("stopped by its own timer", || port.status().is_some_and(|status| !status.running && status.fault == 1));
    assert!(port.order(StarterOrder::Start).is_err(), "a latched fault bars the start");
    confirmed(&*port.stop_line());
    until("the stop after it is over", || port.order(StarterOrder::Reset).is_ok());
    until_status(&*port, "fault cleared", |status| status.fault == 0 && !status.running);
    port.order(StarterOrder::Start).unwrap();
    until_status(&*port, "running again", |status| status.running);
    let line = port.stop_line();
    line.stop(StopKind::Coast, "test");
    confirmed(&*line);
    until_status(&*port, "output off", |status| !status.running);
}
