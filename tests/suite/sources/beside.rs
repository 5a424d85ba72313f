//! Channels that are polled and not sampled: held between two polls, lost when they are too old, and read from an analogue
//! module behind the starters of a bus.

use super::{Kind, Stand};
use crate::acquisition::wait_for;
use crate::fieldbus::device::{Act, Device, PATIENCE};
use crate::stand::wait_until;
use ramprig::acquisition::beside::{Beside, NO_VALUE, PolledInput};
use ramprig::clock::{ManualClock, SystemClock, WallClock};
use ramprig::fieldbus;
use ramprig::rig::model::{Rig, SampleCode, Trip, TripCause};
use ramprig::rig::register_map::Role;
use ramprig::sequence::ports::{ArmedTrip, CommandRecord, SlowValues, StopLine};
use ramprig::starters::StopKind;
use std::sync::{Arc, Mutex};

/// What the polled channel of the contract test reads.
pub const HELD: i32 = 4_711;

struct Always(Arc<dyn WallClock>);

impl SlowValues for Always {
    fn newest(&self, _: usize, _: Role) -> Option<(i32, u64)> {
        Some((HELD, self.0.now_ns()))
    }
}

fn input(max_age_s: u64) -> PolledInput {
    PolledInput { id: "level".to_owned(), device: 0, role: Role::Value1, max_age_ns: max_age_s * 1_000_000_000 }
}

/// A polled channel that always has a fresh value.
pub fn held(clock: &Arc<dyn WallClock>) -> Beside {
    Beside::new(vec![input(1)], Arc::new(Always(Arc::clone(clock))))
}

/// Values that a test sets.
#[derive(Default)]
struct Told(Mutex<Option<(i32, u64)>>);

impl Told {
    fn tell(&self, counts: i32, at_ns: u64) {
        *self.0.lock().unwrap() = Some((counts, at_ns));
    }
}

impl SlowValues for Told {
    fn newest(&self, device: usize, role: Role) -> Option<(i32, u64)> {
        assert_eq!((device, role), (0, Role::Value1));
        *self.0.lock().unwrap()
    }
}

#[derive(Default)]
struct Line(Mutex<Vec<String>>);

impl StopLine for Line {
    fn stop(&self, _: StopKind, cause: &str) {
        self.0.lock().unwrap().push(cause.to_owned());
    }
    fn take_records(&self) -> Vec<CommandRecord> {
        Vec::new()
    }
}

fn trip(cause: TripCause, above: Option<f64>) -> Trip {
    Trip {
        id: "t".to_owned(),
        cause,
        channel: above.map(|_| 1),
        above,
        below: None,
        debounce_s: 0.0,
        blanking_s: 0.0,
        stop: StopKind::Ramp,
        deadline_s: 5.0,
        later_s: 3.0,
        priming: None,
    }
}

/// A TCP stream of one channel with one polled value that the test sets, and an armed trip.
fn stand(trip: Trip) -> (Stand, ManualClock, Arc<Told>, Arc<Line>) {
    let clock = ManualClock::at(1_000_000_000);
    let told = Arc::new(Told::default());
    let beside = Beside::new(vec![input(1)], Arc::clone(&told) as Arc<dyn SlowValues>);
    let stand = Stand::beside(Kind::Tcp, SampleCode::L24, 1, Arc::new(clock.clone()), (beside, vec![trip]));
    let line = Arc::new(Line::default());
    let stop_line = Arc::clone(&line) as Arc<dyn StopLine>;
    stand.acquisition.port().arm(vec![ArmedTrip { trip: 0, from_rig_ns: 0, stop_line }]);
    (stand, clock, told, line)
}

#[test]
fn holds_a_polled_value_and_stops_the_motor_when_it_has_grown_too_old() {
    let (mut stand, clock, told, line) = stand(trip(TripCause::StreamLost, None));
    let port = stand.acquisition.port();
    stand.send(&[1; 10]);
    let view = wait_for(&*port, "ten frames", |view| view.frames == 10);
    assert_eq!(view.mean[1], f64::from(NO_VALUE), "nobody has polled yet");
    told.tell(55, clock.now_ns());
    stand.send(&[1; 2000]);
    let view = wait_for(&*port, "the first value", |view| view.frames == 2010);
    assert_eq!((view.mean[1], view.lost), (55.0, None));
    // The stream stays fresh while the value grows old.
    clock.advance_ns(400_000_000);
    stand.send(&[1; 10]);
    wait_for(&*port, "more frames", |view| view.frames == 2020);
    clock.advance_ns(400_000_000);
    stand.send(&[1; 10]);
    let view = wait_for(&*port, "more frames", |view| view.frames == 2030);
    assert_eq!((view.lost, line.0.lock().unwrap().len()), (None, 0), "0.8 s of 1 s");
    clock.advance_ns(300_000_000);
    stand.send(&[1; 10]);
    let view = wait_for(&*port, "the loss", |view| view.lost.is_some() && view.frames == 2040);
    assert_eq!(view.lost.as_deref(), Some("channel level: no new value for 1.10 s (limit 1 s)"));
    assert_eq!(*line.0.lock().unwrap(), ["trip t: channel level: no new value for 1.10 s (limit 1 s)"]);
    told.tell(56, clock.now_ns());
    stand.send(&[1; 10]);
    let view = wait_for(&*port, "a fresh value", |view| view.frames == 2050);
    assert_eq!(view.lost, None);
}

#[test]
fn stops_the_motor_at_a_limit_of_a_polled_channel() {
    let (mut stand, clock, told, line) = stand(trip(TripCause::Limit, Some(100.0)));
    let port = stand.acquisition.port();
    told.tell(99, clock.now_ns());
    stand.send(&[1; 10]);
    wait_for(&*port, "ten frames", |view| view.frames == 10);
    assert_eq!(line.0.lock().unwrap().len(), 0);
    told.tell(101, clock.now_ns());
    stand.send(&[1; 10]);
    wait_for(&*port, "twenty frames", |view| view.frames == 20);
    assert_eq!(line.0.lock().unwrap().len(), 1);
}

const MODULE: &str = "\n[[device]]\nid = \"module\"\nlink = \"bench\"\nunit = 40\nmap = \"analogue-module\"\n\
    [[channel]]\nid = \"p_tank\"\nquantity = \"gauge-pressure\"\nnode = \"NODE\"\ndevice = \"module\"\nfield = \"value_3\"\n\
    max_age = \"2 s\"\nrange = [\"0 barg\", \"1 barg\"]\ncounts = [0, 27648]\nbandwidth = \"1 Hz\"\nfilter_class = 0\n\
    calibration_uncertainty = \"5 mbar\"\n";

fn with_module(change: impl Fn(String) -> String) -> Result<Rig, String> {
    let shipped = ramprig::rig::shipped("terrace-bench").unwrap();
    let node = shipped.lines().find_map(|line| line.strip_prefix("node = ")).unwrap().split('"').nth(1).unwrap();
    let text = shipped.to_owned() + &change(MODULE.replace("NODE", node));
    ramprig::rig::parse(&text, "rig.toml").map_err(|problems| problems.to_string())
}

#[test]
fn reads_the_values_of_an_analogue_module_behind_the_starters_of_a_bus() {
    let mut rig = with_module(|module| module).unwrap();
    let channel = rig.channels.last().unwrap();
    assert_eq!((channel.id.0.as_str(), channel.input), ("p_tank", rig.channels.len() - 1), "behind the sampled ones");
    let polled = channel.chain.polled.unwrap();
    assert_eq!((polled.device, polled.role, polled.max_age_s), (0, Role::Value3, 2.0));
    rig.links[0].poll_s = 0.01;
    let device = Device::for_rig(&mut rig);
    device.set(40, Role::Value3, (-300_i16).cast_unsigned());
    let bus = fieldbus::open(&rig, Arc::new(SystemClock));
    bus.wait_up(PATIENCE).unwrap();
    let values = bus.slow_values();
    let newest = || values.newest(0, Role::Value3);
    wait_until("the first value", || newest().is_some());
    assert_eq!(newest().unwrap().0, -300, "counts with their sign");
    device.set(40, Role::Value3, 13_824);
    wait_until("the next value", || newest().unwrap().0 == 13_824);
    assert_eq!(rig.channels.last().unwrap().scaling.to_si(13_824), 0.5e5);
    assert_eq!(device.written(40, Role::Value3), Vec::<u16>::new());
    // A module that falls silent: its value keeps the age that it has.
    device.script(|seen, _| if seen.unit == 40 { Act::Silent } else { Act::Honest });
    let asked = device.log_len();
    wait_until("asked in vain", || device.log()[asked..].iter().any(|seen| seen.unit == 40));
    let at_ns = newest().unwrap().1;
    wait_until("others are served on", || device.log()[asked..].iter().filter(|seen| seen.unit != 40).count() > 20);
    assert_eq!(newest(), Some((13_824, at_ns)));
}

#[test]
fn rejects_polled_channels_that_cannot_be() {
    for (old, new, told) in [
        ("field = \"value_3\"", "field = \"value_9\"", "the unknown measured value \"value_9\""),
        ("device = \"module\"", "device = \"modul\"", "the unknown device \"modul\""),
        ("device = \"module\"", "device = \"module\"\ninput = 3", "an input beside a device"),
        ("counts = [0, 27648]\n", "", "nothing (the key is missing)"),
        ("bandwidth = \"1 Hz\"", "bandwidth = \"50 Hz\"", "half of the polls of link bench"),
        ("max_age = \"2 s\"", "max_age = \"60 ms\"", "at least two polls"),
        ("map = \"analogue-module\"", "map = \"bench-unit\"", "the unknown measured value"),
        ("unit = 40", "unit = 1", "unit 1 on link \"bench\" again"),
    ] {
        let said = with_module(|module| {
            assert!(module.contains(old), "{old}");
            module.replacen(old, new, 1)
        });
        let said = said.err().unwrap_or_default();
        assert!(said.contains(told), "{new}: {said}");
    }
}
