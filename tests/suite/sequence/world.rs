//! A bench behind mock ports: one shared world that moves a few milliseconds each time somebody waits for samples. Every
//! call that matters is written to one log, in order.

mod people;

use people::{Book, Person};
use ramprig::clock::{ManualClock, RigClock, WallClock};
use ramprig::prediction::Prediction;
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::Role;
use ramprig::sequence::duty::DutyLedger;
use ramprig::sequence::executor::{ExecutorInput, execute};
use ramprig::sequence::marks::Mark;
use ramprig::sequence::ports::*;
use ramprig::sequence::script::{Script, shipped};
use ramprig::starters::{Settings, StopKind};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

/// Wall time of one wait, ns.
const TICK_NS: u64 = 5_000_000;
/// Statuses are polled this often, wall ns.
const POLL_NS: u64 = 20_000_000;
/// A run that is not over after so many ticks never ends.
const MOST_TICKS: u64 = 400_000;
/// Speed of the running pump, rad/s.
const FULL_RAD_S: f64 = 150.0;

pub struct MockStarter {
    pub id: String,
    pub identity: Result<DeviceIdentity, PortError>,
    pub settings: Settings,
    pub on: bool,
    /// Its output obeys stops of these kinds.
    pub obeys: Vec<StopKind>,
    /// Its output obeys a start.
    pub starts: bool,
    pub reaches_speed: bool,
    pub fault: u16,
    pub link: LinkState,
    pub start_count: u16,
    pub order_error: Option<PortError>,
    /// Status says off though current flows (a welded contact).
    pub welded: bool,
    pub tells_current: bool,
    /// Its own selector and emergency-stop input, where it tells.
    pub remote: Option<bool>,
    pub emergency_stop_ok: Option<bool>,
    /// A run order of an earlier session is still there.
    pub run_left: bool,
    ramping_down: bool,
    status: Option<StatusReading>,
    records: Vec<CommandRecord>,
    pub well: bool,
}

pub struct Injection {
    when: Box<dyn Fn(&World) -> bool + Send>,
    what: Box<dyn FnOnce(&mut World) + Send>,
}

pub struct World {
    pub log: Vec<String>,
    pub starters: Vec<MockStarter>,
    pub bench: Vec<(Role, u16)>,
    pub bench_link: LinkState,
    pub bench_virtual: bool,
    pub transfer_moves: bool,
    pub speed_rad_s: f64,
    pub lost: Option<String>,
    pub fast_current: bool,
    pub fast_speed: bool,
    pub quiet: bool,
    pub scale: f64,
    pub step: String,
    pub cycle: u32,
    pub orders: Vec<OperatorOrder>,
    pub answers: bool,
    pub journal_fails: Option<&'static str>,
    pub marks: Vec<Mark>,
    pub settings: Vec<SettingsRecord>,
    pub outcomes: Vec<(u32, StopOutcome)>,
    pub armed: Vec<usize>,
    pub trips: Vec<TripEvent>,
    pub header: Option<RunHeader>,
    pub sends: usize,
    pub slow: usize,
    /// Links stay up and nothing is polled any more.
    pub polls_frozen: bool,
    /// Wall time of the newest values of the bench unit, where it has stopped, ns.
    pub bench_frozen_ns: Option<u64>,
    /// The bench has a warning output.
    pub warns: bool,
    /// Settings are refused so.
    pub settings_error: Option<PortError>,
    /// Channel that reads a failure.
    pub failed_channel: Option<String>,
    /// The tachometer stands at zero whatever turns.
    pub dead_tachometer: bool,
    /// No water comes to the pump: its discharge shows none.
    pub dry: bool,
    /// The channel of the line current reads none whatever flows.
    pub dead_current: bool,
    /// Another sequence than the shipped one.
    pub sequence: Option<String>,
    /// Where changed settings are noted.
    pub settings_note: Option<std::path::PathBuf>,
    /// Where proofs of loss of communication are kept.
    pub link_proofs: Option<std::path::PathBuf>,
    /// Presence check of the rig file, s.
    pub presence_check_s: Option<f64>,
    injections: Vec<Injection>,
    wall: ManualClock,
    rig_clock: RigClock,
    pub rig: Rig,
    ticks: u64,
    lines: Vec<Arc<Line>>,
}

#[derive(Clone)]
pub struct Bench(pub Arc<Mutex<World>>);

impl Bench {
    /// The shipped rig, at rest, everything well.
    pub fn new() -> Self {
        let rig = terrace();
        let starters = rig.starters.iter().map(|starter| MockStarter::new(&starter.id)).collect();
        let bench = vec![(Role::Remote, 1), (Role::EmergencyStopOk, 1), (Role::TransferPosition, 0)];
        Self(Arc::new(Mutex::new(World {
            log: Vec::new(),
            starters,
            bench,
            bench_link: LinkState::Up,
            bench_virtual: false,
            transfer_moves: true,
            speed_rad_s: 0.0,
            lost: None,
            fast_current: true,
            fast_speed: true,
            quiet: true,
            scale: 1.0,
            step: String::new(),
            cycle: 0,
            orders: Vec::new(),
            answers: true,
            journal_fails: None,
            marks: Vec::new(),
            settings: Vec::new(),
            outcomes: Vec::new(),
            armed: Vec::new(),
            trips: Vec::new(),
            header: None,
            sends: 0,
            slow: 0,
            polls_frozen: false,
            bench_frozen_ns: None,
            warns: false,
            settings_error: None,
            failed_channel: None,
            dead_tachometer: false,
            dead_current: false,
            dry: false,
            sequence: None,
            settings_note: None,
            link_proofs: None,
            presence_check_s: None,
            injections: Vec::new(),
            wall: ManualClock::at(1_000_000_000),
            rig_clock: RigClock::default(),
            rig,
            ticks: 0,
            lines: Vec::new(),
        })))
    }

    pub fn lock(&self) -> MutexGuard<'_, World> {
        self.0.lock().unwrap()
    }

    pub fn set(self, change: impl FnOnce(&mut World)) -> Self {
        change(&mut self.lock());
        self
    }

    /// Once `when` holds, `what` happens.
    pub fn inject(
        self,
        when: impl Fn(&World) -> bool + Send + 'static,
        what: impl FnOnce(&mut World) + Send + 'static,
    ) -> Self {
        self.lock().injections.push(Injection { when: Box::new(when), what: Box::new(what) });
        self
    }

    /// The shipped sequence through a starter.
    pub fn run(&self, starter: &str) -> RunEnd {
        self.run_as(starter, "A. Tester", Some("A. Tester"))
    }

    pub fn run_as(&self, starter: &str, attending: &str, confirmed_by: Option<&str>) -> RunEnd {
        let duty = Arc::new(Mutex::new(DutyLedger::rested()));
        self.run_with(starter, attending, confirmed_by, duty)
    }

    pub fn run_with(
        &self,
        starter: &str,
        attending: &str,
        confirmed_by: Option<&str>,
        duty: Arc<Mutex<DutyLedger>>,
    ) -> RunEnd {
        let mut rig = terrace();
        rig.presence_check_s = self.lock().presence_check_s;
        let sequence = self.lock().sequence.clone();
        let sequence = sequence.as_deref().unwrap_or(shipped("three-starters").unwrap());
        let script = Script::parse(sequence, "s.toml", &rig, rig.starter_index(starter).unwrap());
        let script = script.unwrap_or_else(|problems| panic!("{problems}"));
        let count = rig.starters.len();
        let lines: Vec<_> = (0..count).map(|index| Arc::new(Line { bench: self.clone(), index })).collect();
        {
            let mut world = self.lock();
            world.lines = lines.clone();
            world.ticks = 0;
        }
        let mut starters: Vec<Box<dyn StarterPort>> =
            lines.iter().map(|line| Box::new(Port(Arc::clone(line))) as Box<dyn StarterPort>).collect();
        let (wall, rig_clock) = {
            let world = self.lock();
            (world.wall.clone(), world.rig_clock.clone())
        };
        let settings_note = self.lock().settings_note.clone();
        let link_proofs = self.lock().link_proofs.clone();
        let end = execute(ExecutorInput {
            rig: &rig,
            script: &script,
            // Of nothing: these runs look at none.
            prediction: &Prediction::default(),
            starters: &mut starters,
            bench: Some(&mut BenchUnit(self.clone())),
            samples: &Samples(self.clone()),
            journal: &mut Book(self.clone()),
            operator: &mut Person(self.clone()),
            wall: &wall,
            rig_clock,
            attending: attending.to_owned(),
            confirmed_by: confirmed_by.map(str::to_owned),
            duty,
            duty_file: None,
            settings_note,
            link_proofs,
        });
        self.lock().lines.clear();
        end
    }

    pub fn log(&self) -> Vec<String> {
        self.lock().log.clone()
    }
}

pub fn terrace() -> Rig {
    ramprig::rig::parse(ramprig::rig::shipped("terrace-bench").unwrap(), "terrace-bench.toml")
        .unwrap_or_else(|problems| panic!("{problems}"))
}

impl MockStarter {
    fn new(id: &str) -> Self {
        Self {
            id: id.to_owned(),
            identity: Ok(DeviceIdentity { signature: 1, firmware: None, is_virtual: false }),
            settings: Settings {
                ramp_up_s: Some(11.0),
                ramp_down_s: Some(12.0),
                initial_voltage: Some(0.3),
                current_limit: None,
                speed: Some(0.5),
                set_point: None,
                comm_timeout_s: Some(5.0),
            },
            on: false,
            obeys: vec![StopKind::Ramp, StopKind::Coast, StopKind::ContactorOff],
            starts: true,
            reaches_speed: true,
            fault: 0,
            link: LinkState::Up,
            start_count: 0,
            order_error: None,
            welded: false,
            tells_current: true,
            remote: None,
            emergency_stop_ok: None,
            run_left: false,
            ramping_down: false,
            status: None,
            records: Vec::new(),
            well: false,
        }
    }

    fn ramp_s(&self, down: bool) -> f64 {
        if self.id == "contactor" || (down && !self.ramping_down) {
            return 0.5;
        }
        let ramp_s = if down { self.settings.ramp_down_s } else { self.settings.ramp_up_s };
        ramp_s.unwrap_or(0.5).max(0.1)
    }
}

impl World {
    pub fn now_s(&self) -> f64 {
        self.rig_clock.now_ns() as f64 * 1e-9
    }

    pub fn wall_ns(&self) -> u64 {
        self.wall.now_ns()
    }

    pub fn note(&mut self, line: impl Into<String>) {
        self.log.push(line.into());
    }

    pub fn on(&self) -> Option<usize> {
        self.starters.iter().position(|starter| starter.on)
    }

    pub fn order_stop(&mut self) {
        self.orders.push(OperatorOrder::Stop { by: "A. Tester".into() });
    }

    pub fn starter(&mut self, id: &str) -> &mut MockStarter {
        self.starters.iter_mut().find(|starter| starter.id == id).unwrap()
    }

    pub fn set_bench(&mut self, role: Role, value: u16) {
        self.bench.iter_mut().find(|(known, _)| *known == role).unwrap().1 = value;
    }

    fn send(&mut self, line: String) {
        self.sends += 1;
        self.note(line);
    }

    fn tick(&mut self) {
        self.ticks += 1;
        assert!(
            self.ticks < MOST_TICKS,
            "the run does not end; last lines: {:#?}",
            self.log.iter().rev().take(12).collect::<Vec<_>>()
        );
        self.wall.advance_ns(TICK_NS);
        if self.lost.is_none() {
            let step_ns = (TICK_NS as f64 * self.scale) as u64;
            self.rig_clock.publish_ns(self.rig_clock.now_ns() + step_ns);
        }
        self.turn_shaft(TICK_NS as f64 * 1e-9 * self.scale);
        if self.wall.now_ns() % POLL_NS < TICK_NS && !self.polls_frozen {
            self.poll();
        }
        let mut left = Vec::new();
        for injection in std::mem::take(&mut self.injections) {
            if (injection.when)(self) { (injection.what)(self) } else { left.push(injection) }
        }
        self.injections.extend(left);
    }

    fn turn_shaft(&mut self, dt_s: f64) {
        let running = self.starters.iter_mut().find(|starter| starter.on || starter.ramping_down);
        match running {
            Some(starter) if starter.on && !starter.ramping_down => {
                let most = if starter.reaches_speed { FULL_RAD_S } else { 0.6 * FULL_RAD_S };
                self.speed_rad_s = (self.speed_rad_s + FULL_RAD_S * dt_s / starter.ramp_s(false)).min(most);
            }
            Some(starter) => {
                self.speed_rad_s -= FULL_RAD_S * dt_s / starter.ramp_s(true);
                if self.speed_rad_s <= 0.0 {
                    starter.on = false;
                    starter.ramping_down = false;
                }
            }
            None => self.speed_rad_s -= FULL_RAD_S * dt_s / 0.5,
        }
        self.speed_rad_s = self.speed_rad_s.max(0.0);
    }

    fn poll(&mut self) {
        let (at_wall_ns, speed) = (self.wall.now_ns(), self.speed_rad_s);
        for starter in &mut self.starters {
            if starter.link != LinkState::Up {
                continue;
            }
            let flows = starter.on || starter.welded;
            starter.status = Some(StatusReading {
                at_wall_ns,
                running: starter.on && !starter.welded,
                at_speed: starter.on && !starter.ramping_down && speed >= FULL_RAD_S,
                fault: starter.fault,
                current_a: starter.tells_current.then_some(if flows { 7.0 } else { 0.0 }),
                speed_actual: None,
                start_count: Some(starter.start_count),
                remote: starter.remote,
                emergency_stop_ok: starter.emergency_stop_ok,
            });
        }
    }

    fn view(&self) -> SampleView {
        let flows = self.starters.iter().any(|starter| starter.on || starter.welded);
        let mean = self.rig.channels.iter().map(|channel| match channel.id.0.as_str() {
            "i_line" if self.fast_current => {
                if flows && !self.dead_current {
                    7.0
                } else {
                    0.05
                }
            }
            "n_shaft" if self.dead_tachometer => 0.0,
            "n_shaft" if self.fast_speed => self.speed_rad_s,
            "p_suction" => -24_000.0,
            "p_discharge" if self.dry || self.speed_rad_s <= 0.0 => 0.0,
            id if id.starts_with('p') => 60_000.0,
            _ => f64::NAN,
        });
        let span = if self.quiet { 1_000.0 } else { 90_000.0 };
        SampleView {
            newest_rig_ns: self.rig_clock.now_ns(),
            age_wall_ns: 0,
            mean: mean.collect(),
            unbelievable: self
                .rig
                .channels
                .iter()
                .map(|c| self.failed_channel.as_deref() == Some(c.id.0.as_str()))
                .collect(),
            span_1s: vec![span; self.rig.channels.len()],
            frames: 1,
            frames_missing: 0,
            lost: self.lost.clone(),
        }
    }
}

struct Line {
    bench: Bench,
    index: usize,
}

impl StopLine for Line {
    fn stop(&self, kind: StopKind, cause: &str) {
        let mut world = self.bench.lock();
        let sent_wall_ns = world.wall.now_ns();
        let starter = &mut world.starters[self.index];
        let line = format!("stop {} {kind:?} ({cause})", starter.id);
        starter.records.push(CommandRecord {
            sent_wall_ns,
            answered_wall_ns: Some(sent_wall_ns + 1),
            what: line.clone(),
            wrote: 0,
            read_back: Some(0),
        });
        if starter.link == LinkState::Up && starter.obeys.contains(&kind) && starter.on {
            if kind == StopKind::Ramp {
                starter.ramping_down = true;
            } else {
                starter.on = false;
                starter.ramping_down = false;
            }
        }
        world.send(line);
    }

    fn take_records(&self) -> Vec<CommandRecord> {
        std::mem::take(&mut self.bench.lock().starters[self.index].records)
    }

    fn let_go(&self) {
        let mut world = self.bench.lock();
        let line = format!("let go {}", world.starters[self.index].id);
        world.note(line);
    }
}

struct Port(Arc<Line>);

impl Port {
    fn with<T>(&self, act: impl FnOnce(&mut World, usize) -> T) -> T {
        act(&mut self.0.bench.lock(), self.0.index)
    }
}

impl StarterPort for Port {
    fn identify(&mut self) -> Result<DeviceIdentity, PortError> {
        self.with(|world, index| {
            let line = format!("identify {}", world.starters[index].id);
            world.note(line);
            world.starters[index].identity.clone()
        })
    }

    fn read_settings(&mut self) -> Result<Settings, PortError> {
        self.with(|world, index| {
            let line = format!("read settings {}", world.starters[index].id);
            world.note(line);
            Ok(world.starters[index].settings)
        })
    }

    fn apply_settings(&mut self, wanted: &Settings) -> Result<Settings, PortError> {
        self.with(|world, index| {
            let line = format!("write settings {}", world.starters[index].id);
            world.send(line);
            if let Some(error) = world.settings_error.clone() {
                return Err(error);
            }
            let settings = &mut world.starters[index].settings;
            settings.ramp_up_s = wanted.ramp_up_s.or(settings.ramp_up_s);
            settings.ramp_down_s = wanted.ramp_down_s.or(settings.ramp_down_s);
            settings.initial_voltage = wanted.initial_voltage.or(settings.initial_voltage);
            settings.speed = wanted.speed.or(settings.speed);
            settings.comm_timeout_s = wanted.comm_timeout_s.or(settings.comm_timeout_s);
            Ok(*settings)
        })
    }

    fn order(&mut self, order: StarterOrder) -> Result<CommandRecord, PortError> {
        self.with(|world, index| {
            let sent_wall_ns = world.wall.now_ns();
            let line = format!("{order:?} {}", world.starters[index].id).to_lowercase();
            world.send(line.clone());
            let others_on = world
                .starters
                .iter()
                .enumerate()
                .any(|(other, starter)| other != index && (starter.on || starter.welded));
            let starter = &mut world.starters[index];
            match order {
                StarterOrder::Start => {
                    starter.start_count += 1;
                    if starter.starts {
                        starter.on = true;
                        starter.ramping_down = false;
                    }
                    assert!(!others_on, "two starters on at once");
                }
                StarterOrder::Reset => starter.fault = 0,
            }
            if let Some(error) = starter.order_error.clone() {
                return Err(error);
            }
            let record = CommandRecord {
                sent_wall_ns,
                answered_wall_ns: Some(sent_wall_ns + 2_000_000),
                what: line,
                wrote: 1,
                read_back: Some(1),
            };
            Ok(record)
        })
    }

    fn status(&self) -> Option<StatusReading> {
        self.with(|world, index| world.starters[index].status)
    }

    fn link(&self) -> LinkState {
        self.with(|world, index| world.starters[index].link.clone())
    }

    fn stop_line(&self) -> Arc<dyn StopLine> {
        Arc::clone(&self.0) as Arc<dyn StopLine>
    }

    fn clear_run(&mut self) -> Result<Option<CommandRecord>, PortError> {
        self.with(|world, index| {
            if !std::mem::take(&mut world.starters[index].run_left) {
                return Ok(None);
            }
            let line = format!("clear run {}", world.starters[index].id);
            world.send(line.clone());
            let at_ns = world.wall.now_ns();
            let record = CommandRecord {
                sent_wall_ns: at_ns,
                answered_wall_ns: Some(at_ns),
                what: line,
                wrote: 0,
                read_back: Some(0),
            };
            Ok(Some(record))
        })
    }

    /// A heartbeat is a write too.
    fn alive(&self, well: bool) {
        self.with(|world, index| {
            if well && !std::mem::replace(&mut world.starters[index].well, well) {
                let line = format!("heartbeat {}", world.starters[index].id);
                world.send(line);
            }
            world.starters[index].well = well;
        });
    }
}

struct BenchUnit(Bench);

impl BenchPort for BenchUnit {
    fn identify(&mut self) -> Result<DeviceIdentity, PortError> {
        let mut world = self.0.lock();
        world.note("identify bench");
        Ok(DeviceIdentity { signature: 2, firmware: None, is_virtual: world.bench_virtual })
    }

    fn set_line_up(&mut self, number: u16) -> Result<Option<CommandRecord>, PortError> {
        let virtual_bench = self.0.lock().bench_virtual;
        assert!(virtual_bench, "line-up {number}: nobody but a person sets the valves of a real bench");
        Ok(None)
    }

    fn warn(&mut self, on: bool) -> Result<Option<CommandRecord>, PortError> {
        let mut world = self.0.lock();
        if !world.warns {
            return Ok(None);
        }
        let line = format!("warn {} at {:.3} s", if on { "on" } else { "off" }, world.wall_ns() as f64 * 1e-9);
        world.send(line.clone());
        let (sent_wall_ns, wrote) = (world.wall_ns(), u16::from(on));
        Ok(Some(CommandRecord {
            sent_wall_ns,
            answered_wall_ns: Some(sent_wall_ns),
            what: line,
            wrote,
            read_back: Some(wrote),
        }))
    }

    fn select(&mut self, position: u16) -> Result<CommandRecord, PortError> {
        let mut world = self.0.lock();
        assert!(world.on().is_none(), "the transfer device was moved while a starter was on");
        assert!(
            !world.starters.iter().any(|starter| starter.welded),
            "the transfer device was moved under a welded contact"
        );
        let rest_rad_s = world.rig.rest_speed_rad_s;
        assert!(world.speed_rad_s < rest_rad_s, "the transfer device was moved while the shaft turned");
        world.send(format!("select {position}"));
        if world.transfer_moves {
            world.set_bench(Role::TransferPosition, position);
        }
        let at_ns = world.wall.now_ns();
        Ok(CommandRecord {
            sent_wall_ns: at_ns,
            answered_wall_ns: Some(at_ns),
            what: "select".into(),
            wrote: position,
            read_back: Some(position),
        })
    }

    fn values(&self) -> Option<(u64, Vec<(Role, u16)>)> {
        let world = self.0.lock();
        Some((world.bench_frozen_ns.unwrap_or(world.wall.now_ns()), world.bench.clone()))
    }

    fn link(&self) -> LinkState {
        self.0.lock().bench_link.clone()
    }
}

struct Samples(Bench);

impl SamplePort for Samples {
    fn view(&self) -> SampleView {
        self.0.lock().view()
    }

    fn arm(&self, trips: Vec<ArmedTrip>) {
        let mut world = self.0.lock();
        world.armed = trips.iter().map(|trip| trip.trip).collect();
        let line = format!("arm {}", trips.len());
        world.note(line);
    }

    fn take_trips(&self) -> Vec<TripEvent> {
        std::mem::take(&mut self.0.lock().trips)
    }

    fn wait_newer(&self, _after_rig_ns: u64, timeout: Duration) -> SampleView {
        assert!(timeout <= Duration::from_millis(20), "a long wait delays the stop key");
        let mut world = self.0.lock();
        world.tick();
        world.view()
    }
}
