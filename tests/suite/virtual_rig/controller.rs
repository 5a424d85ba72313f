//! The project's own bus master and sampler against the virtual rig: both sides of both wires, one process.

use super::stand::{DEADLINE, Stand};
use ramprig::acquisition;
use ramprig::clock::{RigClock, SystemClock};
use ramprig::fieldbus;
use ramprig::rig::model::Rig;
use ramprig::sequence::ports::{BenchPort, SamplePort, StarterOrder, StarterPort};
use ramprig::starters::{Settings, StopKind};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Shaft speed reached by every starter, rad/s (rated: 150.8).
const RUNNING_SPEED_MIN_RAD_S: f64 = 140.0;

fn pointed_at(stand: &Stand) -> Rig {
    let mut rig = stand.rig.clone();
    rig.links.iter_mut().for_each(|link| link.address = stand.ready.modbus.to_string());
    rig.source.address = stand.ready.samples.to_string();
    rig
}

/// Everything that a running controller would touch, kept alive while something is awaited.
struct Controller {
    starter: Box<dyn StarterPort>,
    bench: Box<dyn BenchPort>,
    samples: Box<dyn SamplePort>,
}

impl Controller {
    fn until(&self, what: &str, event: impl Fn(&Self) -> bool) {
        let begun = Instant::now();
        while !event(self) {
            self.starter.alive(true);
            let link = self.starter.link();
            assert!(
                begun.elapsed() < DEADLINE,
                "within {DEADLINE:?}: {what}; link {link:?}, {:?}",
                self.starter.status()
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }
    fn speed_rad_s(&self, rig: &Rig) -> f64 {
        self.samples.view().mean[rig.channel_index("n_shaft").unwrap()]
    }
    fn running(&self) -> bool {
        self.starter.status().is_some_and(|status| status.running)
    }
}

#[test]
fn is_started_and_stopped_through_every_starter_by_the_projects_own_master() {
    let stand = Stand::fast();
    let rig = pointed_at(&stand);
    let bus = fieldbus::open(&rig, Arc::new(SystemClock));
    bus.wait_up(DEADLINE).unwrap();
    let clock: Arc<SystemClock> = Arc::new(SystemClock);
    let sampler = acquisition::start(Arc::new(rig.clone()), clock, RigClock::default()).unwrap();
    for (index, starter) in rig.starters.iter().enumerate() {
        let mut controller =
            Controller { starter: bus.starter(index), bench: bus.bench().unwrap(), samples: sampler.port() };
        assert!(controller.starter.identify().unwrap().is_virtual);
        assert!(controller.bench.identify().unwrap().is_virtual);
        controller.bench.select(starter.transfer_position.unwrap()).unwrap();
        let position = starter.transfer_position.unwrap();
        controller.until("transfer position", |c| {
            let values = c.bench.values();
            let role = ramprig::rig::register_map::Role::TransferPosition;
            values.is_some_and(|(_, values)| values.contains(&(role, position)))
        });
        let ramps = |settings: &Settings| Settings {
            ramp_up_s: settings.ramp_up_s.map(|_| 1.0),
            ramp_down_s: settings.ramp_down_s.map(|_| 1.0),
            ..*settings
        };
        let wanted = ramps(&starter.settings);
        let in_force = controller.starter.apply_settings(&wanted).unwrap();
        assert_eq!(in_force.ramp_up_s, wanted.ramp_up_s, "{}", starter.id);
        controller.starter.alive(true);
        controller.starter.order(StarterOrder::Start).unwrap();
        controller.until("running at speed", |c| c.running() && c.speed_rad_s(&rig) > RUNNING_SPEED_MIN_RAD_S);
        let stop = if starter.stop == StopKind::ContactorOff { StopKind::ContactorOff } else { StopKind::Ramp };
        controller.starter.stop_line().stop(stop, "test");
        controller.until("stopped, at rest", |c| !c.running() && c.speed_rad_s(&rig).abs() < 1.0);
        let records = controller.starter.stop_line().take_records();
        assert!(records.iter().any(|record| record.answered_wall_ns.is_some()), "{}: {records:?}", starter.id);
    }
    let view = sampler.port().view();
    assert_eq!(view.frames_missing, 0, "of {} frames", view.frames);
    sampler.shutdown(DEADLINE).unwrap();
    bus.shutdown(DEADLINE);
}

#[test]
fn stops_by_itself_when_the_controller_is_no_longer_well() {
    let stand = Stand::real_time();
    let rig = pointed_at(&stand);
    let bus = fieldbus::open(&rig, Arc::new(SystemClock));
    bus.wait_up(DEADLINE).unwrap();
    let mut starter = bus.starter(0);
    starter.identify().unwrap();
    starter.apply_settings(&Settings::default()).unwrap();
    starter.alive(true);
    starter.order(StarterOrder::Start).unwrap();
    let begun = Instant::now();
    let status = |fault: u16, running: bool| {
        starter.status().is_some_and(|status| status.fault == fault && status.running == running)
    };
    while !status(0, true) {
        starter.alive(true);
        assert!(begun.elapsed() < DEADLINE, "running: {:?}", starter.status());
        std::thread::sleep(Duration::from_millis(10));
    }
    while !status(1, false) {
        assert!(begun.elapsed() < DEADLINE, "stopped by itself with fault 1: {:?}", starter.status());
        std::thread::sleep(Duration::from_millis(10));
    }
    bus.shutdown(DEADLINE);
}
