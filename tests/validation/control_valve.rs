//! The pump control valve on the shipped station and beside closed forms.

use ramprig::hydraulics::plant::{Plant, ShaftDriver};
use ramprig::hydraulics::spec::{ElementKind, GridOptions, Place};
use ramprig::prediction::bands::{BandOptions, band};
use ramprig::prediction::{EventKind, Prediction, Segment, predict, rehearse};
use ramprig::rig::model::Rig;
use ramprig::sequence::marks::Phase;
use ramprig::sequence::script::{Script, shipped};
use ramprig::starters::control_valve::{ControlValve, ControlValveSpec, Stroke};
use ramprig::starters::ramp_shape::RampShape;

const BAR: f64 = 1e5;
/// Level of the station's reservoir, m.
const RESERVOIR_M: f64 = 62.0;

fn station(edits: &[(&str, &str)]) -> Rig {
    let mut text = ramprig::rig::shipped("controlled-main").unwrap().to_owned();
    for (old, new) in edits {
        assert!(text.contains(old), "the station no longer says {old:?}");
        text = text.replacen(old, new, 1);
    }
    ramprig::rig::parse(&text, "controlled-main.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

fn predicted(rig: &Rig, how: &str) -> Prediction {
    let cycle = shipped("one-cycle").unwrap();
    let text = cycle.replacen("do = \"stop\"\n", &format!("do = \"stop\"\n{how}\n"), 1);
    let script = Script::parse(&text, "one-cycle.toml", rig, 0).unwrap_or_else(|problems| panic!("{problems}"));
    predict(rig, &script, 0).unwrap()
}

fn phase(prediction: &Prediction, phase: Phase) -> &Segment {
    prediction.segments.iter().find(|segment| segment.phase == phase).unwrap()
}

/// A series from the mark on: (s after the mark, value).
fn after_mark<'a>(segment: &'a Segment, series: &'a [f32]) -> impl Iterator<Item = (f64, f64)> + 'a {
    let at = |(index, value): (usize, &f32)| (segment.t0_s + index as f64 * segment.dt_s, f64::from(*value));
    series.iter().enumerate().map(at).filter(|(time_s, _)| *time_s >= 0.0)
}

fn channel<'a>(rig: &Rig, segment: &'a Segment, id: &str) -> &'a [f32] {
    &segment.series[rig.channel_index(id).unwrap()]
}

fn event_s(prediction: &Prediction, of: Phase, kind: EventKind) -> f64 {
    let found = prediction.events.iter().find(|event| event.phase == of && event.kind == kind);
    found.unwrap_or_else(|| panic!("no {kind:?} in {:?}", prediction.events)).after_mark_s
}

/// Lowest at the high point and highest at the foot of the main after the stop, Pa.
fn after_stop(rig: &Rig, prediction: &Prediction) -> (f64, f64) {
    let segment = phase(prediction, Phase::Stop);
    let low = after_mark(segment, channel(rig, segment, "p_high_point")).fold(f64::INFINITY, |a, (_, b)| a.min(b));
    let high = after_mark(segment, channel(rig, segment, "p_discharge")).fold(0.0_f64, |a, (_, b)| a.max(b));
    (low, high)
}

#[test]
fn law_a_pump_started_against_its_shut_valve_moves_no_water_at_shut_off_head_and_power() {
    /// Of shut-off head; the curve is the pump's own there.
    const HEAD_SHARE: f64 = 2e-3;
    let rig = station(&[]);
    let made = predicted(&rig, "");
    let start = phase(&made, Phase::Start);
    let opens_s = event_s(&made, Phase::Start, EventKind::ControlValveOpens);
    let open_s = event_s(&made, Phase::Start, EventKind::ControlValveOpen);
    let flows = after_mark(start, &start.flow_m3_s).take_while(|(time_s, _)| *time_s < opens_s);
    let most = flows.map(|(_, flow)| flow.abs()).fold(0.0, f64::max);
    println!(
        "valve opens {opens_s:.2} s after the start, fully open at {open_s:.2} s; flow until then {most:.1e} m3/s"
    );
    assert!(most < 1e-9, "expected no flow, got {most} m3/s");
    let at = |id: &str, time_s: f64| {
        after_mark(start, channel(&rig, start, id)).find(|(at_s, _)| *at_s >= time_s).unwrap().1
    };
    let speed = at("n_shaft", opens_s - 0.1);
    let shut_off_m = ramprig::rig::derived::shut_off_head_m(&rig.network, speed);
    let expected_pa = rig.liquid.density_kg_m3 * rig.liquid.gravity_m_s2 * (2.0 + shut_off_m);
    let got_pa = at("p_pump", opens_s - 0.1);
    println!(
        "at the pump {:.4} bar, suction and shut-off head at {speed:.2} rad/s {:.4} bar",
        got_pa / BAR,
        expected_pa / BAR
    );
    assert!(
        (got_pa - expected_pa).abs() < HEAD_SHARE * expected_pa,
        "expected {expected_pa} Pa, got {got_pa} Pa, tolerance {HEAD_SHARE} of it; source: the pump's curve"
    );
    let (idle_a, running_a) = (at("i_line", opens_s - 0.1), at("i_line", open_s + 10.0));
    println!("line current against the shut valve {idle_a:.1} A, running {running_a:.1} A");
    assert!(idle_a < 0.8 * running_a, "shut-off power is below running power: {idle_a} A, {running_a} A");
    assert!(open_s - opens_s > 39.9 && open_s - opens_s < 40.1, "the stroke takes its 40 s");
}

#[test]
fn law_a_stop_closes_the_valve_first_and_its_limit_switch_cuts_the_motor() {
    let rig = station(&[]);
    let made = predicted(&rig, "");
    let cut_s = event_s(&made, Phase::Stop, EventKind::LimitSwitch);
    let shut_s = event_s(&made, Phase::Stop, EventKind::ControlValveShut);
    let expected_s = rig.control_valve.as_ref().unwrap().spec.stop_s();
    println!("limit switch {cut_s:.2} s after the stop (computed {expected_s:.2} s), shut at {shut_s:.2} s");
    assert!((cut_s - expected_s).abs() < 0.02, "expected {expected_s} s, got {cut_s} s, tolerance 0.02 s");
    let stop = phase(&made, Phase::Stop);
    let current =
        |time_s: f64| after_mark(stop, channel(&rig, stop, "i_line")).find(|(at_s, _)| *at_s >= time_s).unwrap().1;
    assert!(current(cut_s - 0.1) > 20.0, "the motor is on until the limit switch");
    assert!(current(cut_s + 0.3) < 1.0, "and off behind it");
}

#[test]
fn law_closing_first_is_gentler_than_cutting_the_motor_and_closing_too_quickly_is_not() {
    let slow = station(&[]);
    let hasty = station(&[("closing_time = \"60 s\"", "closing_time = \"3 s\"")]);
    let rows = [
        ("valve first, 60 s in two stages", after_stop(&slow, &predicted(&slow, ""))),
        ("motor cut at once", after_stop(&slow, &predicted(&slow, "how = \"contactor-off\""))),
        ("valve first, in 3 s", after_stop(&hasty, &predicted(&hasty, ""))),
    ];
    println!("after the stop: lowest at the high point, highest at the foot, bar:");
    rows.iter().for_each(|(name, (low, high))| println!("  {name:32} {:7.3} {:7.3}", low / BAR, high / BAR));
    let [(_, first), (_, cut), (_, quick)] = rows;
    assert!(first.0 > cut.0 + 0.5 * BAR && first.1 < cut.1 - 0.5 * BAR, "closing first spares the main");
    assert!(quick.0 < first.0 - 0.5 * BAR && quick.1 > first.1 + 0.5 * BAR, "too quick a valve does not");
}

#[test]
fn law_without_supply_a_valve_that_stays_lets_the_pump_spin_back_and_one_that_closes_ends_it() {
    let closes = station(&[]);
    let stays = station(&[("on_loss_of_supply = \"closes\"", "on_loss_of_supply = \"stays\"")]);
    for (rig, shuts) in [(&closes, true), (&stays, false)] {
        let made = predicted(rig, "");
        let (loss, stop) = (made.loss_of_supply.unwrap(), made.emergency_stop.unwrap());
        let shut = |events: &[ramprig::prediction::PredictedEvent]| {
            events.iter().any(|event| event.kind == EventKind::ControlValveShut)
        };
        println!(
            "closes {shuts}: loss of supply backspin {:.1} rad/s, emergency stop {:.1} rad/s",
            loss.backspin_rad_s, stop.backspin_rad_s
        );
        assert_eq!(shut(&loss.events), shuts);
        assert!(shut(&stop.events), "an emergency stop closes it either way");
        assert_eq!((loss.motor_off_after_s, stop.motor_off_after_s), (0.0, 0.015));
        if !shuts {
            assert!(loss.backspin_rad_s > 1.1 * stop.backspin_rad_s, "with the valve open it spins back faster");
        }
    }
}

#[test]
fn law_a_band_moves_the_valve_of_every_member() {
    let rig = station(&[]);
    let script = Script::parse(shipped("one-cycle").unwrap(), "one-cycle.toml", &rig, 0).unwrap();
    let nominal = rehearse(&rig, &script, 0).unwrap();
    let made = band(&rig, &script, &nominal, BandOptions { members: 2, seed: 1, threads: 2 });
    assert_eq!((made.in_lanes, made.failed), (Some(0), 0), "lanes do not move valves: every member runs alone");
    let steady = channel(&rig, phase(&nominal.prediction, Phase::Start), "p_discharge").last().copied().unwrap();
    let index = rig.channel_index("p_discharge").unwrap();
    let lowest = made.segments[0].lower[index].last().copied().unwrap();
    assert!(f64::from(steady - lowest) < 0.5 * BAR, "a member without flow: {lowest} Pa beside {steady} Pa");
}

/// A held speed with a control valve.
struct Held {
    speed_rad_s: f64,
    element: usize,
    valve: ControlValve,
}

impl ShaftDriver for Held {
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        (1e5 * (self.speed_rad_s - speed_rad_s), -1e5)
    }

    fn advance(&mut self, dt_s: f64, _speed_rad_s: f64) {
        self.valve.advance(dt_s, true);
    }

    fn current_a(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn power_w(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn valve(&self) -> Option<(usize, f64)> {
        Some((self.element, self.valve.opening()))
    }
}

struct Closure {
    /// Velocity before, m/s.
    from_m_s: f64,
    /// Head at the foot before, m.
    from_m: f64,
    /// Largest fall of head at the foot, m.
    fall_m: f64,
    /// Steepest fall of the main's velocity, m/s2.
    steepest_m_s2: f64,
}

/// The station's main, laid level, at a speed at which little flows, with its valve closing in `time_s`.
fn closure(time_s: f64) -> Closure {
    let mut rig = station(&[]);
    rig.network.nodes.iter_mut().filter(|node| node.name == "high_point").for_each(|node| node.elevation_m = 0.0);
    let (network, shaft, _) = rig.plant_parts(0);
    let network = rig.running(&network);
    let described = rig.control_valve.as_ref().unwrap();
    let closing = Stroke { time_s, law: RampShape::Linear };
    let mut valve = ControlValve::open(ControlValveSpec { closing, ..described.spec.clone() });
    valve.stop();
    let speed_rad_s = 134.0;
    let driver = Held { speed_rad_s, element: described.element, valve };
    let mut plant =
        Plant::started_at(&network, &shaft, driver, &GridOptions { dt_max_s: 5e-3, ..rig.grid() }, speed_rad_s)
            .unwrap();
    let foot = network.nodes.iter().position(|node| node.name == "main_foot").unwrap();
    let main = network.elements.iter().position(|element| element.name == "lower_main").unwrap();
    let ElementKind::Pipe(pipe) = &network.elements[main].kind else { panic!("lower_main is a pipe") };
    let area_m2 = std::f64::consts::FRAC_PI_4 * pipe.bore_m * pipe.bore_m;
    let velocity = |plant: &Plant<Held>| plant.flow_m3_s(Place::Pipe { element: main, share: 0.0 }) / area_m2;
    let (from_m_s, from_m) = (velocity(&plant), plant.head_m(Place::Node(foot)));
    let (mut fall_m, mut steepest_m_s2, mut before) = (0.0_f64, 0.0_f64, from_m_s);
    while plant.time_s() < time_s + 2.0 {
        plant.advance().unwrap();
        fall_m = fall_m.max(from_m - plant.head_m(Place::Node(foot)));
        let now = velocity(&plant);
        steepest_m_s2 = steepest_m_s2.max((before - now) / plant.dt_s());
        before = now;
    }
    Closure { from_m_s, from_m, fall_m, steepest_m_s2 }
}

#[test]
fn law_a_closure_within_the_reflection_time_gives_joukowsky_and_a_slow_one_the_rigid_column() {
    /// Of a V/g: friction of the running main recovers a little behind the wave.
    const JOUKOWSKY_SHARE: f64 = 0.02;
    /// Of L (dV/dt)/g + the friction that goes with the flow: elasticity in a closure of twelve reflection times.
    const RIGID_SHARE: f64 = 0.15;
    let rig = station(&[]);
    let g = rig.liquid.gravity_m_s2;
    let pipes: Vec<_> = rig
        .network
        .elements
        .iter()
        .filter_map(|element| match &element.kind {
            ElementKind::Pipe(pipe) => Some(*pipe),
            _ => None,
        })
        .collect();
    let length_m: f64 = pipes.iter().map(|pipe| pipe.length_m).sum();
    let quick = closure(0.2);
    let joukowsky_m = pipes[0].wave_speed_m_s * quick.from_m_s / g;
    println!("in 0.2 s from {:.4} m/s: fall {:.3} m, a V/g {joukowsky_m:.3} m", quick.from_m_s, quick.fall_m);
    assert!(
        (quick.fall_m / joukowsky_m - 1.0).abs() < JOUKOWSKY_SHARE,
        "expected {joukowsky_m} m, got {} m, tolerance {JOUKOWSKY_SHARE} of it; source: Joukowsky 1898, dH = a dV/g",
        quick.fall_m
    );
    let slow = closure(40.0);
    let rigid_m = length_m * slow.steepest_m_s2 / g;
    let friction_m = slow.from_m - RESERVOIR_M;
    println!(
        "in 40 s: fall {:.3} m; rigid column L (dV/dt)/g {rigid_m:.3} m, friction before {friction_m:.3} m; a V/g {joukowsky_m:.3} m",
        slow.fall_m
    );
    assert!(slow.fall_m < joukowsky_m, "no closure gives more than Joukowsky");
    assert!(
        slow.fall_m <= (1.0 + RIGID_SHARE) * (rigid_m + friction_m) && slow.fall_m >= (1.0 - RIGID_SHARE) * rigid_m,
        "expected {rigid_m} to {} m, got {} m; source: rigid column, dH = L (dV/dt)/g",
        rigid_m + friction_m,
        slow.fall_m
    );
}
