//! The devices' rules, on a toy bench: no plant, no sockets.

use super::*;
use crate::rig::model::{Duty, Starter, Transfer};
use crate::rig::register_map::{Field, RegisterMap, Role};
use crate::starters::{Settings, StarterKind, StopKind};
use crate::virtual_rig::bench::Motion;
use std::collections::BTreeMap;

/// Follows orders at once, but for ramps, which take their time.
#[derive(Default)]
struct Toy {
    running: Option<usize>,
    ramp_left_s: Option<f64>,
    orders: Vec<String>,
    lined_up: Vec<usize>,
}

impl Bench for Toy {
    fn frame(&mut self, _: f64, _: &mut [f64]) -> Result<(), VirtualRigError> {
        Ok(())
    }
    fn start(&mut self, starter: usize, settings: &Settings) {
        self.running = Some(starter);
        self.ramp_left_s = None;
        self.orders.push(format!("start {starter} ramp {:?}", settings.ramp_up_s));
    }
    fn stop(&mut self, starter: usize, kind: StopKind) {
        self.orders.push(format!("stop {starter} {kind:?}"));
        if kind == StopKind::Ramp {
            self.ramp_left_s = Some(0.05);
        } else {
            self.running = None;
        }
    }
    fn set_speed(&mut self, _: usize, _: f64) {}
    fn set_line_up(&mut self, line_up: usize) -> Result<(), VirtualRigError> {
        self.lined_up.push(line_up);
        Ok(())
    }
    fn motion(&self, starter: usize) -> Motion {
        let on = self.running == Some(starter);
        Motion { on, at_speed: on && self.ramp_left_s.is_none(), share: f64::from(on) }
    }
    fn current_a(&self) -> f64 {
        if self.running.is_some() { 8.0 } else { 0.0 }
    }
    fn speed_rad_s(&self) -> f64 {
        if self.running.is_some() { 150.0 } else { 0.0 }
    }
}

const CONTACTOR: u8 = 1;
const SOFT: u8 = 2;
const DRIVE: u8 = 3;
const BENCH: u8 = 10;
const DT_S: f64 = 1e-3;

struct Stand {
    rack: Rack,
    toy: Toy,
    wall_ns: u64,
    beat: u16,
}

impl Stand {
    fn new() -> Self {
        let truth = DeviceTruth { transfer_travel_s: 0.1, closing_delay_s: vec![0.01; 3], ..DeviceTruth::default() };
        let (starters, transfer) = devices();
        let mut stand = Self {
            rack: Rack::of(&starters, Some(&transfer), &truth).unwrap(),
            toy: Toy::default(),
            wall_ns: 0,
            beat: 0,
        };
        stand.pass(0.01);
        stand
    }
    /// Let both clocks run, with heartbeats to everyone.
    fn pass(&mut self, time_s: f64) {
        self.run(time_s, true);
    }
    /// Let both clocks run without heartbeats.
    fn pass_silently(&mut self, time_s: f64) {
        self.run(time_s, false);
    }
    fn run(&mut self, time_s: f64, beats: bool) {
        for _ in 0..(time_s / DT_S).round() as usize {
            if beats {
                self.beat = self.beat.wrapping_add(1);
                for unit in [CONTACTOR, SOFT, DRIVE] {
                    self.put(unit, Role::Heartbeat, self.beat).unwrap();
                }
            }
            self.wall_ns += 1_000_000;
            self.rack.scan(&mut self.toy, self.wall_ns, DT_S, 1.0).unwrap();
        }
    }
    fn put(&mut self, unit: u8, role: Role, raw: u16) -> Result<(), Refusal> {
        let (table, address) = place(role);
        self.rack.write(unit, table, address, &[raw], self.wall_ns)
    }
    fn get(&self, unit: u8, role: Role) -> u16 {
        let (table, address) = place(role);
        self.rack.read(unit, table, address, 1).unwrap()[0]
    }
    fn select(&mut self, position: u16) {
        self.put(BENCH, Role::TransferSelect, position).unwrap();
        self.pass(0.11);
        assert_eq!(self.get(BENCH, Role::TransferPosition), position);
    }
    fn enable_drive(&mut self) {
        for word in [0x0006, 0x0007, 0x000F] {
            self.put(DRIVE, Role::ControlWord, word).unwrap();
        }
        self.pass(0.02);
    }
}

/// One address a role for all test maps.
fn place(role: Role) -> (Table, u16) {
    let table = match role {
        Role::Run | Role::Cut | Role::Reset => Table::Coil,
        Role::Running | Role::AtSpeed | Role::Remote | Role::EmergencyStopOk => Table::DiscreteInput,
        Role::Heartbeat | Role::CommTimeout | Role::ControlWord | Role::TransferSelect => Table::Holding,
        Role::LineUpSelect => Table::Holding,
        Role::RampUp | Role::RampDown | Role::SpeedSetpoint => Table::Holding,
        _ => Table::Input,
    };
    (table, role as u16)
}

fn map(cia402: bool, roles: &[Role]) -> RegisterMap {
    let field = |role: Role| {
        let (table, address) = place(role);
        let scale = match role {
            Role::CommTimeout => 0.001,
            Role::RampUp | Role::RampDown | Role::Current => 0.1,
            _ => 1.0,
        };
        let allowed = (role == Role::RampUp).then_some((5, 300));
        let writable = matches!(table, Table::Coil | Table::Holding);
        Field { scale, allowed, writable, ..Field::plain(table, address) }
    };
    let fields: BTreeMap<Role, Field> = roles.iter().map(|role| (*role, field(*role))).collect();
    RegisterMap { name: "test".into(), about: String::new(), cia402, fields, words: BTreeMap::new() }
}

fn devices() -> (Vec<Starter>, Transfer) {
    let bits = [Role::Run, Role::Cut, Role::Reset, Role::Running, Role::AtSpeed, Role::Fault, Role::StartCount];
    let watch = [Role::Heartbeat, Role::CommTimeout, Role::Current, Role::VirtualMark];
    let ramps = [Role::RampUp, Role::RampDown];
    let words = [Role::ControlWord, Role::StatusWord, Role::Fault, Role::StartCount];
    let starter = |id: &str, kind, unit: u8, map: RegisterMap| Starter {
        id: id.into(),
        kind,
        link: 0,
        unit,
        map,
        settings: Settings::default(),
        panel: crate::starters::PanelSettings::default(),
        settings_min: Settings { ramp_up_s: Some(1.0), ramp_down_s: Some(1.0), ..Settings::default() },
        settings_max: Settings { ramp_up_s: Some(5.0), ramp_down_s: Some(5.0), ..Settings::default() },
        duty: Duty { starts: None, starts_per_hour: 60, rest_s: 1.0 },
        transfer_position: Some(u16::from(unit)),
        comm_timeout_s: 1.0,
        stop: StopKind::Ramp,
    };
    let starters = vec![
        starter("contactor", StarterKind::AcrossTheLine, CONTACTOR, map(false, &[&bits[..], &watch].concat())),
        starter("soft", StarterKind::SoftStarter, SOFT, map(false, &[&bits[..], &watch, &ramps].concat())),
        starter("drive", StarterKind::VariableSpeed, DRIVE, map(true, &[&words[..], &watch, &ramps].concat())),
    ];
    let bench = [
        Role::TransferSelect,
        Role::TransferPosition,
        Role::LineUpSelect,
        Role::LineUp,
        Role::Remote,
        Role::EmergencyStopOk,
        Role::OutputsOn,
        Role::MostOutputsOn,
        Role::VirtualMark,
        Role::ShaftSpeed,
    ];
    let transfer = Transfer {
        id: "bench".into(),
        link: 0,
        unit: BENCH,
        map: map(false, &bench),
        dead_time_s: 1.0,
        warn_lead_s: 3.0,
    };
    (starters, transfer)
}

#[test]
fn starts_and_stops_the_motor_by_the_run_bit() {
    let mut stand = Stand::new();
    stand.put(CONTACTOR, Role::Run, 1).unwrap();
    assert_eq!(stand.get(CONTACTOR, Role::Run), 1, "read back at once");
    assert_eq!(stand.get(CONTACTOR, Role::Running), 0, "the contactor has not closed yet");
    stand.pass(0.02);
    assert_eq!(stand.get(CONTACTOR, Role::Running), 1);
    assert_eq!(stand.get(CONTACTOR, Role::Current), 80, "8.0 A");
    assert_eq!(stand.get(CONTACTOR, Role::StartCount), 1);
    stand.put(CONTACTOR, Role::Run, 0).unwrap();
    assert_eq!(stand.get(CONTACTOR, Role::Running), 0, "status is never older than the command");
    stand.pass(0.005);
    assert_eq!(stand.get(CONTACTOR, Role::Current), 0);
    assert_eq!(stand.toy.orders, ["start 0 ramp None", "stop 0 ContactorOff"]);
}

#[test]
fn ramps_down_and_is_running_until_the_ramp_ends() {
    let mut stand = Stand::new();
    stand.select(2);
    stand.put(SOFT, Role::Run, 1).unwrap();
    stand.pass(0.02);
    stand.put(SOFT, Role::Run, 0).unwrap();
    stand.pass(0.02);
    assert_eq!((stand.get(SOFT, Role::Running), stand.get(SOFT, Role::AtSpeed)), (1, 0));
    stand.toy.running = None;
    stand.pass(0.002);
    assert_eq!(stand.get(SOFT, Role::Running), 0);
    assert_eq!(stand.toy.orders, ["start 1 ramp Some(3.0)", "stop 1 Ramp"]);
}

#[test]
fn cuts_during_a_ramp() {
    let mut stand = Stand::new();
    stand.select(2);
    stand.put(SOFT, Role::Run, 1).unwrap();
    stand.pass(0.02);
    stand.put(SOFT, Role::Run, 0).unwrap();
    stand.pass(0.002);
    stand.put(SOFT, Role::Cut, 1).unwrap();
    assert_eq!((stand.get(SOFT, Role::Running), stand.get(SOFT, Role::Cut)), (0, 1));
    stand.pass(0.002);
    assert_eq!(stand.toy.orders, ["start 1 ramp Some(3.0)", "stop 1 Ramp", "stop 1 Coast"]);
    stand.put(SOFT, Role::Run, 1).unwrap();
    assert_eq!(stand.get(SOFT, Role::Cut), 0, "the next start clears the cut order");
}

#[test]
fn stops_by_itself_without_heartbeat_and_stays_stopped_until_reset_and_a_fresh_edge() {
    for (unit, position) in [(CONTACTOR, 1), (SOFT, 2)] {
        let mut stand = Stand::new();
        stand.select(position);
        stand.put(unit, Role::Run, 1).unwrap();
        stand.pass(0.1);
        stand.pass_silently(0.9);
        assert_eq!(stand.get(unit, Role::Running), 1, "within the time-out of 1 s");
        stand.pass_silently(0.2);
        let state =
            |stand: &Stand| [Role::Running, Role::Run, Role::Fault, Role::Current].map(|role| stand.get(unit, role));
        assert_eq!(state(&stand), [0, 0, FAULT_COMMUNICATION, 0]);
        stand.pass(0.5);
        assert_eq!(state(&stand), [0, 0, FAULT_COMMUNICATION, 0], "a heartbeat that comes back starts nothing");
        assert_eq!(stand.put(unit, Role::Run, 1), Err(Refusal::State), "latched fault");
        stand.put(unit, Role::Reset, 1).unwrap();
        stand.pass(0.5);
        assert_eq!(state(&stand), [0, 0, 0, 0], "a reset starts nothing");
        stand.put(unit, Role::Run, 1).unwrap();
        stand.pass(0.02);
        assert_eq!(state(&stand), [1, 1, 0, 80]);
    }
}

#[test]
fn stops_the_drive_by_itself_and_needs_the_whole_way_back() {
    let mut stand = Stand::new();
    stand.select(3);
    stand.enable_drive();
    assert_eq!(stand.get(DRIVE, Role::StatusWord) & 0x6F, 0x27);
    stand.pass_silently(1.1);
    assert_eq!(stand.get(DRIVE, Role::StatusWord) & 0x4F, 0x08, "fault");
    assert_eq!(stand.toy.running, None);
    stand.put(DRIVE, Role::ControlWord, 0x000F).unwrap();
    stand.put(DRIVE, Role::ControlWord, 0x008F).unwrap();
    stand.put(DRIVE, Role::ControlWord, 0x000F).unwrap();
    stand.pass(0.05);
    assert_eq!(stand.get(DRIVE, Role::StatusWord) & 0x4F, 0x40, "switch-on disabled");
    assert_eq!((stand.toy.running, stand.get(DRIVE, Role::Fault)), (None, 0));
    stand.enable_drive();
    assert_eq!(stand.toy.running, Some(2));
}

#[test]
fn shows_the_end_of_a_quick_stop_and_of_a_shut_down() {
    let mut stand = Stand::new();
    stand.select(3);
    stand.enable_drive();
    stand.put(DRIVE, Role::ControlWord, 0x0002).unwrap();
    assert_eq!(stand.get(DRIVE, Role::StatusWord) & 0x6F, 0x07, "quick stop active");
    stand.pass(0.01);
    assert_eq!(stand.toy.running, Some(2), "still on its ramp");
    stand.toy.running = None;
    stand.pass(0.002);
    assert_eq!(stand.get(DRIVE, Role::StatusWord) & 0x4F, 0x40);
    stand.enable_drive();
    stand.put(DRIVE, Role::ControlWord, 0x0006).unwrap();
    stand.pass(0.002);
    assert_eq!(stand.get(DRIVE, Role::StatusWord) & 0x6F, 0x21, "ready to switch on");
    assert_eq!(stand.toy.orders.last().map(String::as_str), Some("stop 2 Coast"));
}

#[test]
fn rejects_starts_and_settings_while_local_but_obeys_stops() {
    let mut stand = Stand::new();
    stand.put(CONTACTOR, Role::Run, 1).unwrap();
    stand.pass(0.02);
    stand.rack.set_remote(false);
    stand.pass(0.005);
    assert_eq!(stand.toy.running, None, "the selector passed its off position");
    assert_eq!((stand.get(BENCH, Role::Remote), stand.get(CONTACTOR, Role::Run)), (0, 0));
    assert_eq!(stand.put(CONTACTOR, Role::Run, 1), Err(Refusal::State));
    assert_eq!(stand.put(SOFT, Role::RampUp, 50), Err(Refusal::State));
    assert_eq!(stand.put(BENCH, Role::TransferSelect, 2), Err(Refusal::State));
    assert_eq!(stand.put(DRIVE, Role::ControlWord, 0x000F), Err(Refusal::State));
    stand.put(CONTACTOR, Role::Run, 0).unwrap();
    stand.put(CONTACTOR, Role::Cut, 1).unwrap();
    stand.rack.set_remote(true);
    stand.pass(0.05);
    assert_eq!(stand.toy.running, None, "back to remote starts nothing");
    stand.put(CONTACTOR, Role::Run, 1).unwrap();
    stand.pass(0.02);
    assert_eq!(stand.toy.running, Some(0));
}

#[test]
fn ramps_a_drive_down_when_the_selector_leaves_remote() {
    let mut stand = Stand::new();
    stand.select(3);
    stand.enable_drive();
    stand.rack.set_remote(false);
    stand.pass(0.005);
    assert_eq!(stand.toy.orders.last().map(String::as_str), Some("stop 2 Ramp"));
    stand.toy.running = None;
    stand.pass(0.002);
    assert_eq!(stand.get(DRIVE, Role::StatusWord) & 0x024F, 0x0040, "switch-on disabled, remote bit clear");
}

#[test]
fn cuts_all_outputs_on_an_emergency_stop_and_starts_none_on_its_release() {
    let mut stand = Stand::new();
    stand.select(3);
    stand.enable_drive();
    stand.put(CONTACTOR, Role::Run, 1).unwrap();
    stand.pass(0.02);
    stand.rack.set_emergency_stop(true);
    stand.pass(0.002);
    assert_eq!((stand.toy.running, stand.get(BENCH, Role::OutputsOn)), (None, 0));
    assert_eq!(stand.get(BENCH, Role::EmergencyStopOk), 0);
    assert_eq!(stand.put(CONTACTOR, Role::Run, 1), Err(Refusal::State));
    assert_eq!(stand.put(DRIVE, Role::ControlWord, 0x000F), Err(Refusal::State));
    stand.rack.set_emergency_stop(false);
    stand.pass(0.05);
    assert_eq!((stand.toy.running, stand.get(BENCH, Role::OutputsOn)), (None, 0));
    assert_eq!(stand.get(DRIVE, Role::StatusWord) & 0x4F, 0x40);
}

#[test]
fn counts_two_outputs_on_though_only_one_reaches_the_motor() {
    let mut stand = Stand::new();
    stand.put(CONTACTOR, Role::Run, 1).unwrap();
    stand.pass(0.02);
    assert_eq!((stand.get(BENCH, Role::OutputsOn), stand.get(BENCH, Role::MostOutputsOn)), (0b001, 1));
    stand.put(SOFT, Role::Run, 1).unwrap();
    stand.pass(0.02);
    assert_eq!((stand.get(BENCH, Role::OutputsOn), stand.get(BENCH, Role::MostOutputsOn)), (0b011, 2));
    assert_eq!(stand.toy.orders, ["start 0 ramp None"], "the soft starter is not on the motor");
    assert_eq!(stand.get(SOFT, Role::Current), 0);
    stand.put(CONTACTOR, Role::Run, 0).unwrap();
    stand.put(SOFT, Role::Run, 0).unwrap();
    stand.pass(0.02);
    assert_eq!((stand.get(BENCH, Role::OutputsOn), stand.get(BENCH, Role::MostOutputsOn)), (0, 2), "never forgotten");
}

#[test]
fn takes_the_motor_away_when_the_transfer_device_moves_under_load() {
    let mut stand = Stand::new();
    stand.put(CONTACTOR, Role::Run, 1).unwrap();
    stand.pass(0.02);
    stand.put(BENCH, Role::TransferSelect, 2).unwrap();
    assert_eq!(stand.get(BENCH, Role::TransferPosition), 0, "between positions at once");
    stand.pass(0.002);
    assert_eq!(stand.toy.running, None);
    assert_eq!(stand.get(CONTACTOR, Role::Running), 1, "its output is still on");
    stand.pass(0.2);
    assert_eq!(stand.get(BENCH, Role::TransferPosition), 2);
}

#[test]
fn sets_the_valves_by_hand_at_standstill_only_and_says_so_when_they_stand() {
    let mut stand = Stand::new();
    stand.rack.hands = Hands::new(vec!["first".into(), "second".into()], 0);
    stand.pass(0.01);
    assert_eq!(stand.get(BENCH, Role::LineUp), 1);
    assert_eq!(stand.put(BENCH, Role::LineUpSelect, 0), Err(Refusal::Value));
    assert_eq!(stand.put(BENCH, Role::LineUpSelect, 3), Err(Refusal::Value));
    stand.put(BENCH, Role::LineUpSelect, 1).unwrap();
    stand.pass(0.002);
    assert_eq!((stand.get(BENCH, Role::LineUp), stand.toy.lined_up.as_slice()), (1, &[0][..]), "stands already");
    stand.put(BENCH, Role::LineUpSelect, 2).unwrap();
    stand.pass(1.0);
    assert_eq!((stand.get(BENCH, Role::LineUp), stand.toy.lined_up.len()), (0, 1), "a hand is at the valves");
    stand.pass(1.1);
    assert_eq!((stand.get(BENCH, Role::LineUp), stand.toy.lined_up.as_slice()), (2, &[0, 1][..]));
    stand.put(CONTACTOR, Role::Run, 1).unwrap();
    stand.pass(0.02);
    assert_eq!(stand.put(BENCH, Role::LineUpSelect, 1), Err(Refusal::State), "an output is on");
    assert!(stand.rack.set_line_up("first").unwrap_err().contains("standstill"));
    stand.put(CONTACTOR, Role::Run, 0).unwrap();
    stand.pass(0.02);
    assert!(stand.rack.set_line_up("third").unwrap_err().contains("not a line-up"));
    stand.rack.set_line_up("first").unwrap();
    stand.put(CONTACTOR, Role::Run, 1).unwrap();
    stand.pass(3.0);
    assert_eq!((stand.get(BENCH, Role::LineUp), stand.toy.lined_up.len()), (0, 2), "not while it is on");
    stand.put(CONTACTOR, Role::Run, 0).unwrap();
    stand.pass(0.02);
    assert_eq!((stand.get(BENCH, Role::LineUp), stand.toy.lined_up.as_slice()), (1, &[0, 1, 0][..]));
}

#[test]
fn rejects_unknown_units_positions_and_values() {
    let mut stand = Stand::new();
    assert_eq!(stand.rack.read(77, Table::Coil, 0, 1), Err(Refusal::NoSuchUnit));
    assert_eq!(stand.put(BENCH, Role::TransferSelect, 4), Err(Refusal::Value));
    assert_eq!(stand.put(SOFT, Role::RampUp, 4), Err(Refusal::Value));
    assert_eq!(stand.put(SOFT, Role::RampUp, 5), Ok(()));
    let (table, address) = place(Role::Current);
    assert_eq!(stand.rack.write(SOFT, table, address, &[1], 0), Err(Refusal::Address));
    stand.rack.set_refuse_writes(true);
    assert_eq!(stand.put(CONTACTOR, Role::Run, 0), Err(Refusal::State), "the fault refuses stops too");
}

#[test]
fn rejects_two_devices_under_one_unit() {
    let (mut starters, transfer) = devices();
    starters[1].unit = CONTACTOR;
    let truth = DeviceTruth { transfer_travel_s: 0.1, ..DeviceTruth::default() };
    let error = Rack::of(&starters, Some(&transfer), &truth).unwrap_err();
    assert!(matches!(error, VirtualRigError::UnitTaken { unit: CONTACTOR }), "{error}");
}

#[test]
fn says_that_it_is_virtual_on_every_unit() {
    let stand = Stand::new();
    for unit in [CONTACTOR, SOFT, DRIVE, BENCH] {
        assert_eq!(stand.get(unit, Role::VirtualMark), VIRTUAL_MARK, "unit {unit}");
    }
}

#[test]
fn lets_a_control_valve_close_before_its_output_goes_off_but_cuts_at_once() {
    let (starters, transfer) = devices();
    let mut stand = Stand::new();
    let straight = |time_s| crate::starters::control_valve::Stroke { time_s, law: Default::default() };
    let valve = crate::starters::ControlValveSpec {
        opens_after: crate::starters::control_valve::OpensAfter::AtSpeed,
        opening_delay_s: 0.0,
        opening: straight(1.0),
        closing: straight(1.0),
        limit_switch: 0.0,
        emergency: straight(1.0),
        on_loss_of_supply: crate::starters::control_valve::OnLossOfSupply::Closes,
    };
    let truth = DeviceTruth {
        transfer_travel_s: 0.1,
        closing_delay_s: vec![0.01; 3],
        control_valve: Some(valve),
        ..DeviceTruth::default()
    };
    stand.rack = Rack::of(&starters, Some(&transfer), &truth).unwrap();
    stand.pass(0.01);
    for cut in [false, true] {
        stand.select(1);
        stand.put(CONTACTOR, Role::Run, 1).unwrap();
        stand.pass(0.05);
        assert_eq!(stand.get(CONTACTOR, Role::Running), 1);
        let order = if cut { (Role::Cut, 1) } else { (Role::Run, 0) };
        stand.put(CONTACTOR, order.0, order.1).unwrap();
        stand.pass(0.01);
        let kind = if cut { "ContactorOff" } else { "Ramp" };
        assert_eq!(stand.toy.orders.last().unwrap(), &format!("stop 0 {kind}"));
        assert_eq!(stand.get(CONTACTOR, Role::Running), u16::from(!cut), "on until the limit switch, off at a cut");
        assert_eq!(stand.get(CONTACTOR, Role::AtSpeed), 0, "a stop that is under way shows");
        stand.toy.running = stand.toy.running.filter(|_| cut);
        stand.pass(0.1);
        assert_eq!(stand.get(CONTACTOR, Role::Running), 0);
        stand.put(CONTACTOR, Role::Run, 0).unwrap();
    }
}
