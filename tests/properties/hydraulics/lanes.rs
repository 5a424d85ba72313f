//! The half grid, and many scenarios in lanes against one at a time.

use super::bench::{Bench, DISCHARGE, RATED_RAD_S, SHAFT, Straight, pipe, pump, whole_liquid};
use super::several_pumps::{other, station};
use ramprig::hydraulics::lanes::{Meter, OpeningLaw, Probe, Report, Samples, Scenario, Sweep, Trace, Vectors};
use ramprig::hydraulics::motor_law::MotorLevel;
use ramprig::hydraulics::plant::{Plant, PlantEvent, PlantEventKind, ShaftDriver};
use ramprig::hydraulics::shaft::{FixedSpeed, NoDrive};
use ramprig::hydraulics::spec::{
    CreepSpec, ElementKind, ElementSpec, GridOptions, NetworkSpec, NodeSpec, PipeSpec, Place, ShaftSpec, Terminal,
    ValveSpec,
};
use ramprig::signal::response::Response;
use ramprig::starters::drive_train::DriveTrain;
use ramprig::starters::{MotorSpec, Mounting, PanelSettings, Settings, StarterKind, StarterSpec, StopKind};
use std::sync::Arc;

/// Head difference allowed between half and full grid, share of the largest head.
const GRID_TOLERANCE: f64 = 1.0e-10;

fn still(level_m: f64) -> Terminal {
    Terminal::Tank { level_m, area_m2: f64::INFINITY, overflow_m: f64::INFINITY }
}

/// Tank, 120 m of pipe, valve, 80 m of pipe, lower tank.
fn two_pipes(fixed_darcy_f: Option<f64>) -> NetworkSpec {
    let terminals = [still(30.0), Terminal::None, Terminal::None, still(12.0)];
    let nodes = terminals.iter().enumerate();
    let nodes = nodes.map(|(i, terminal)| NodeSpec { name: format!("n{i}"), elevation_m: 0.0, terminal: *terminal });
    let kinds = [
        ElementKind::Pipe(pipe(120.0, 1200.0, fixed_darcy_f)),
        ElementKind::Valve(ValveSpec { kv_open_m3_h: 40.0, curve: vec![], opening: 1.0 }),
        ElementKind::Pipe(pipe(80.0, 1000.0, fixed_darcy_f)),
    ];
    let elements = kinds.into_iter().enumerate();
    let elements = elements.map(|(i, kind)| ElementSpec { name: format!("e{i}"), from: i, to: i + 1, kind });
    NetworkSpec { liquid: whole_liquid(), nodes: nodes.collect(), elements: elements.collect() }
}

#[test]
fn agrees_with_the_full_grid_inside_pipes() {
    for fixed in [None, Some(0.02)] {
        let network = two_pipes(fixed);
        let full = GridOptions { dt_max_s: 1.0e-3, wave_speed_adjustment_max: 0.05, ..GridOptions::default() };
        let half = GridOptions { half_grid: true, ..full };
        let mut full = Plant::started_at(&network, &SHAFT, NoDrive, &full, 0.0).unwrap();
        let mut half = Plant::started_at(&network, &SHAFT, NoDrive, &half, 0.0).unwrap();
        assert!((half.dt_s() / full.dt_s() - 2.0).abs() < 1.0e-12, "{} {}", half.dt_s(), full.dt_s());
        assert_eq!(half.cells(), full.cells());
        let (mut worst, mut moved) = (0.0_f64, 0.0_f64);
        for step in 0..600 {
            let opening = (1.0 - f64::from(step) / 60.0).max(0.3);
            half.set_opening(1, opening).unwrap();
            full.set_opening(1, opening).unwrap();
            half.advance().unwrap();
            full.advance().unwrap();
            full.advance().unwrap();
            for (element, share) in [(0, 0.5), (0, 1.0), (2, 0.25), (2, 0.75)] {
                let place = Place::Pipe { element, share };
                worst = worst.max((half.head_m(place) - full.head_m(place)).abs());
                moved = moved.max((full.head_m(place) - 21.0).abs());
            }
        }
        assert!(moved > 20.0, "the closure must be felt: {moved} m");
        assert!(worst < GRID_TOLERANCE * moved, "expected one answer, differ by {worst:e} m of {moved} m");
    }
}

/// Difference allowed between lanes and one at a time, share of the largest value of a probe.
const LANES_TOLERANCE: f64 = 1.0e-10;
/// As above for runs in which valves or the shaft change their state.
const EVENTS_TOLERANCE: f64 = 1.0e-6;
/// A whole group of lanes, and some left over for a small one.
const MEMBERS: usize = 37;
/// Seconds run and between samples.
const TIMES_S: (f64, f64) = (4.0, 0.05);

fn probes() -> Vec<Probe> {
    vec![
        Probe::Head(Place::Node(1)),
        Probe::Head(Place::Pipe { element: 1, share: 0.37 }),
        Probe::Flow { element: 0, share: 0.0 },
        Probe::Flow { element: 1, share: 0.6 },
        Probe::Speed,
        Probe::PumpTorque,
        Probe::Level { node: 3 },
    ]
}

/// Tank, pump, pipe, valve, tank; each member a little different.
fn pumped(member: usize, fixed_darcy_f: Option<f64>, own_curve: bool) -> Scenario {
    let part = member as f64 / 40.0;
    let tank = |level_m| Terminal::Tank { level_m, area_m2: 3.0 + part, overflow_m: level_m + 2.0 };
    let terminals = [tank(2.0), Terminal::None, Terminal::None, tank(6.0 + part)];
    let nodes = terminals.iter().enumerate();
    let nodes = nodes.map(|(i, terminal)| NodeSpec { name: format!("n{i}"), elevation_m: 0.0, terminal: *terminal });
    let mut own = pump();
    own.rated_flow_m3_s *= 1.0 + 0.1 * part;
    if !own_curve {
        (own.curve, own.efficiency) = (vec![], vec![]);
    }
    let main = PipeSpec { wave_speed_m_s: 1000.0 * (1.0 + 0.002 * part), ..pipe(100.0, 1000.0, fixed_darcy_f) };
    let kinds = [
        ElementKind::Pump(own),
        ElementKind::Pipe(main),
        ElementKind::Valve(ValveSpec { kv_open_m3_h: 30.0 + part, curve: vec![], opening: 1.0 }),
    ];
    let elements = kinds.into_iter().enumerate();
    let elements = elements.map(|(i, kind)| ElementSpec { name: format!("e{i}"), from: i, to: i + 1, kind });
    Scenario {
        network: NetworkSpec { liquid: whole_liquid(), nodes: nodes.collect(), elements: elements.collect() },
        shaft: ShaftSpec { inertia_kg_m2: 0.05 + 0.01 * part, friction_n_m: 0.0 },
        driver: Arc::new(|| Box::new(FixedSpeed::new(RATED_RAD_S))),
        grid: GridOptions { dt_max_s: 1.0e-3, wave_speed_adjustment_max: 0.05, ..GridOptions::default() },
        speed_rad_s: Some(RATED_RAD_S),
        openings: vec![OpeningLaw { element: 2, points: vec![(0.5, 1.0), (1.0 + part, 0.2)] }],
    }
}

/// The training bench from rest, through a start and a trip, member by member.
fn started(member: usize) -> Scenario {
    let part = member as f64 / 40.0;
    let bench = Bench { lift_m: 10.0 + part, hose_wave_m_s: 150.0, ..Bench::default() };
    Scenario {
        network: bench.network(),
        shaft: SHAFT,
        driver: Arc::new(|| Box::new(StartAndTrip { drive: Straight::off(), time_s: 0.0 })),
        grid: GridOptions { dt_max_s: 1.0e-3, ..GridOptions::default() },
        speed_rad_s: None,
        openings: vec![],
    }
}

/// On at 0.2 s, off at 2 s.
struct StartAndTrip {
    drive: Straight,
    time_s: f64,
}

impl ShaftDriver for StartAndTrip {
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        self.drive.torque_n_m(speed_rad_s)
    }

    fn advance(&mut self, dt_s: f64, speed_rad_s: f64) {
        self.time_s += dt_s;
        self.drive.on = (0.2..2.0).contains(&self.time_s);
        self.drive.advance(dt_s, speed_rad_s);
    }

    fn current_a(&self, speed_rad_s: f64) -> f64 {
        self.drive.current_a(speed_rad_s)
    }

    fn power_w(&self, speed_rad_s: f64) -> f64 {
        self.drive.power_w(speed_rad_s)
    }
}

fn in_lanes(scenarios: &[Scenario], probes: &[Probe], vectors: Vectors, threads: usize) -> (Vec<Trace>, Report) {
    let sweep = Sweep::new(scenarios, probes).unwrap().with_at_most(vectors);
    let mut traces = Vec::new();
    let report = sweep.run(TIMES_S, threads, &mut |index: usize, trace: Trace| {
        assert_eq!(index, traces.len(), "traces come in order");
        traces.push(trace);
    });
    (traces, report)
}

/// One at a time by a plant on the half grid, written out here once more.
/// The scenario's own step, s.
fn step_s(scenario: &Scenario) -> f64 {
    let grid = GridOptions { half_grid: true, ..scenario.grid };
    Plant::new(&scenario.network, &scenario.shaft, NoDrive, &grid).map_or_else(
        |_| {
            let speed_rad_s = scenario.speed_rad_s.unwrap_or(0.0);
            Plant::started_at(&scenario.network, &scenario.shaft, NoDrive, &grid, speed_rad_s).unwrap().dt_s()
        },
        |plant| plant.dt_s(),
    )
}

fn one_at_a_time(scenario: &Scenario, probes: &[Probe]) -> (Vec<f64>, Vec<PlantEvent>) {
    metered_one_at_a_time(scenario, probes, &[])
}

fn metered_one_at_a_time(scenario: &Scenario, probes: &[Probe], meters: &[Meter]) -> (Vec<f64>, Vec<PlantEvent>) {
    let grid = GridOptions { half_grid: true, ..scenario.grid };
    let (network, shaft) = (&scenario.network, &scenario.shaft);
    let mut plant = match scenario.speed_rad_s {
        Some(speed) => Plant::started_at(network, shaft, (scenario.driver)(), &grid, speed).unwrap(),
        None => Plant::new(network, shaft, (scenario.driver)(), &grid).unwrap(),
    };
    let read = |plant: &Plant<Box<dyn ShaftDriver>>| -> Vec<f64> {
        let value = |probe: &Probe| match *probe {
            Probe::Head(place) => plant.head_m(place),
            Probe::Flow { element, share } => plant.flow_m3_s(Place::Pipe { element, share }),
            Probe::Speed => plant.speed_rad_s(),
            Probe::PumpTorque => plant.pump_torque_n_m(),
            Probe::Level { node } => plant.level_m(node),
            Probe::Current => plant.current_a(),
            Probe::Power => plant.power_w(),
            _ => unreachable!("not asked for"),
        };
        probes.iter().map(value).collect()
    };
    let (mut values, mut events, mut sample) = (read(&plant), Vec::new(), 1);
    let at_rest = |(meter, value): (&Meter, &f64)| Response::at_rest(meter.bandwidth_hz, plant.dt_s(), *value);
    let mut responses: Vec<Response> = meters.iter().zip(&values).map(at_rest).collect();
    let mut shown = values.clone();
    while plant.time_s() < TIMES_S.0 {
        let before = (plant.time_s(), shown);
        for law in &scenario.openings {
            plant.set_opening(law.element, law.at(plant.time_s() + plant.dt_s())).unwrap();
        }
        plant.advance().unwrap();
        events.extend(plant.take_events().into_iter().filter(|event| event.time_s <= TIMES_S.0));
        shown = read(&plant);
        for ((value, response), meter) in shown.iter_mut().zip(&mut responses).zip(meters) {
            *value = response.step(*value).clamp(meter.range.0, meter.range.1);
        }
        let after = (plant.time_s(), shown.clone());
        while f64::from(sample) * TIMES_S.1 <= after.0 && f64::from(sample) * TIMES_S.1 < TIMES_S.0 + 1.0e-9 {
            let share = (f64::from(sample) * TIMES_S.1 - before.0) / (after.0 - before.0);
            values.extend(before.1.iter().zip(&after.1).map(|(a, b)| a + share * (b - a)));
            sample += 1;
        }
    }
    (values, events)
}

/// Largest difference of any probe, share of its largest value in the run.
fn difference(expected: &[f64], got: &[f64], probes: usize) -> f64 {
    assert_eq!(expected.len(), got.len(), "as many samples");
    let mut worst = 0.0_f64;
    for probe in 0..probes {
        let series = |values: &[f64]| values.iter().skip(probe).step_by(probes).copied().collect::<Vec<f64>>();
        let (a, b) = (series(expected), series(got));
        let largest = a.iter().fold(1.0e-9_f64, |largest, value| largest.max(value.abs()));
        worst = a.iter().zip(&b).fold(worst, |worst, (a, b)| worst.max((a - b).abs() / largest));
    }
    worst
}

/// A tank that runs dry is followed alone from its bottom on, and told as a plant by itself tells it; the others stay in lanes.
#[test]
fn agrees_with_the_plant_where_a_tank_runs_dry() {
    let mut scenarios: Vec<Scenario> = (0..16).map(|member| pumped(member, Some(0.02), true)).collect();
    for small in [3, 11] {
        let Terminal::Tank { area_m2, .. } = &mut scenarios[small].network.nodes[0].terminal else { panic!("tank") };
        *area_m2 = 0.004;
    }
    let (traces, _) = in_lanes(&scenarios, &probes(), Vectors::widest(), 1);
    for (member, (trace, scenario)) in traces.iter().zip(&scenarios).enumerate() {
        assert_eq!(trace.alone, [3, 11].contains(&member), "member {member}");
        let grid = GridOptions { half_grid: true, ..scenario.grid };
        let mut plant =
            Plant::started_at(&scenario.network, &scenario.shaft, (scenario.driver)(), &grid, RATED_RAD_S).unwrap();
        let mut failed = None;
        while failed.is_none() && plant.time_s() < TIMES_S.0 {
            plant.set_opening(2, scenario.openings[0].at(plant.time_s() + plant.dt_s())).unwrap();
            failed = plant.advance().err();
        }
        // What sentence, time and litres say: the last bits of a litre differ.
        assert_eq!(trace.failed.as_ref().map(ToString::to_string), failed.as_ref().map(ToString::to_string));
        let dry = |event: &PlantEvent| matches!(event.kind, PlantEventKind::TankRunsDry { .. });
        let told: Vec<PlantEvent> = plant.take_events();
        assert_eq!(told.iter().any(dry), trace.alone, "member {member}: {told:?}");
        // air at the pump: it runs dry and the run goes on, alone as in a plant by itself
        let lost = |event: &PlantEvent| matches!(event.kind, PlantEventKind::RunsDry { .. });
        assert_eq!(told.iter().any(lost), trace.events.iter().any(lost), "member {member}: {told:?}");
    }
}

#[test]
fn agrees_with_one_at_a_time() {
    for (fixed, own_curve) in [(Some(0.02), false), (None, false), (None, true)] {
        let scenarios: Vec<Scenario> = (0..MEMBERS).map(|member| pumped(member, fixed, own_curve)).collect();
        for vectors in [Vectors::Plain, Vectors::Avx2, Vectors::Avx512] {
            let (traces, report) = in_lanes(&scenarios, &probes(), vectors, 1);
            assert_eq!((report.scenarios, report.alone, report.solved_alone), (MEMBERS, 0, 0), "{report:?}");
            for (scenario, trace) in scenarios.iter().zip(&traces) {
                let (expected, events) = one_at_a_time(scenario, &probes());
                let off = difference(&expected, &trace.values, trace.probes);
                assert!(off < LANES_TOLERANCE, "{vectors:?} fixed {fixed:?}: off by {off:e} of the largest value");
                assert_eq!(events, trace.events);
            }
        }
    }
}

#[test]
fn agrees_with_one_at_a_time_where_walls_creep_and_meters_answer() {
    let mut scenarios: Vec<Scenario> = (0..18).map(|member| pumped(member, None, true)).collect();
    for (member, scenario) in scenarios.iter_mut().enumerate() {
        if let ElementKind::Pipe(pipe) = &mut scenario.network.elements[1].kind {
            pipe.creep = Some(CreepSpec { share: 0.5 + 0.02 * member as f64, time_s: 0.1 });
        }
    }
    // Slow enough to lag behind, one without an answer of its own, and ranges that some values leave.
    let meter = |i: usize| Meter { bandwidth_hz: [20.0, 0.0, 300.0][i % 3], range: (0.005, 151.0 - i as f64) };
    let meters: Vec<Meter> = (0..probes().len()).map(meter).collect();
    for vectors in [Vectors::Plain, Vectors::Avx2, Vectors::Avx512] {
        let sweep = Sweep::new(&scenarios, &probes()).unwrap().with_at_most(vectors).with_meters(&meters);
        let take = |all: &mut Vec<(usize, Vec<f64>)>, samples: Samples<'_>| {
            for (lane, member) in samples.scenarios.iter().enumerate() {
                all.extend(member.zip(samples.of(lane).map(<[f64]>::to_vec)));
            }
        };
        let (report, traces) = sweep.fold(TIMES_S, 2, (Vec::new, take));
        assert_eq!((report.scenarios, report.alone, report.solved_alone), (18, 0, 0), "{report:?}");
        let traces: Vec<(usize, Vec<f64>)> = traces.into_iter().flatten().collect();
        assert_eq!(traces.len(), 18);
        for (member, values) in &traces {
            let (expected, _) = metered_one_at_a_time(&scenarios[*member], &probes(), &meters);
            let off = difference(&expected, values, probes().len());
            println!("{vectors:?}, member {member}: off by {off:e} of the largest value");
            assert!(off < LANES_TOLERANCE, "{vectors:?}: off by {off:e} of the largest value");
        }
    }
}

#[test]
fn agrees_with_one_at_a_time_where_points_stand_side_by_side() {
    for fixed in [Some(0.02), None] {
        for length_m in [2.0, 4.0, 30.0, 62.0, 100.0] {
            let mut scenario = pumped(0, fixed, false);
            if let ElementKind::Pipe(pipe) = &mut scenario.network.elements[1].kind {
                pipe.length_m = length_m;
            }
            let (expected, _) = one_at_a_time(&scenario, &probes());
            for vectors in [Vectors::Plain, Vectors::Avx2, Vectors::Avx512] {
                let (traces, report) = in_lanes(std::slice::from_ref(&scenario), &probes(), vectors, 1);
                assert_eq!(report.alone, 0, "{length_m} m");
                let off = difference(&expected, &traces[0].values, traces[0].probes);
                assert!(off < LANES_TOLERANCE, "{vectors:?}, {length_m} m, fixed {fixed:?}: off by {off:e}");
            }
        }
    }
}

#[test]
fn agrees_with_one_at_a_time_through_starts_trips_and_check_valves() {
    let scenarios: Vec<Scenario> = (0..6).map(started).collect();
    let probes = [Probe::Head(Place::Node(DISCHARGE)), Probe::Flow { element: 3, share: 0.5 }, Probe::Speed];
    for vectors in [Vectors::Plain, Vectors::Avx2, Vectors::Avx512] {
        meets_the_same_events(&scenarios, &probes, vectors, 11);
    }
}

/// A motor and one starter, on at 0.2 s and stopped in its own way at 2.5 s.
struct Motored {
    train: DriveTrain,
    time_s: f64,
    ordered: usize,
}

impl ShaftDriver for Motored {
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        self.train.torque_n_m(speed_rad_s)
    }

    fn advance(&mut self, dt_s: f64, speed_rad_s: f64) {
        if self.time_s >= 0.2 && self.ordered == 0 {
            self.train.start(0, Settings::default()).unwrap();
            self.ordered = 1;
        }
        if self.time_s >= 2.5 && self.ordered == 1 {
            self.train.stop(0, StopKind::Ramp).unwrap();
            self.ordered = 2;
        }
        self.train.advance(dt_s, speed_rad_s);
        self.time_s += dt_s;
    }

    fn current_a(&self, speed_rad_s: f64) -> f64 {
        self.train.current_a(speed_rad_s)
    }

    fn power_w(&self, speed_rad_s: f64) -> f64 {
        self.train.power_w(speed_rad_s)
    }

    fn motor_level(&self) -> Option<MotorLevel<'_>> {
        self.train.motor_level()
    }
}

/// The training bench from rest under a starter; each member's motor is a little different, and has a belt.
fn motored(member: usize, kind: StarterKind, (kloss, supply_dip): (bool, f64)) -> Scenario {
    let part = member as f64 / 40.0;
    let motor = MotorSpec {
        rated_power_w: 4000.0,
        voltage_v: 400.0,
        frequency_hz: 50.0,
        poles: 4,
        rated_speed_rad_s: 150.8,
        full_load_current_a: 8.2,
        locked_rotor_current: 7.0,
        locked_rotor_torque: 2.2 + part,
        pull_up_torque: 1.8,
        breakdown_torque: 2.8 + part,
        power_factor: 0.82,
        efficiency: 0.86,
        inertia_kg_m2: 0.012,
        kloss,
        mounting: Mounting { supply_dip, belt_ratio: 1.02 - part / 10.0, belt_efficiency: 0.95 },
    };
    let ramp_s = Some(1.0 + part);
    let settings = Settings { ramp_up_s: ramp_s, ramp_down_s: ramp_s, ..Settings::default() };
    let starter = StarterSpec { id: "only".to_owned(), kind, settings, panel: PanelSettings::default() };
    let train = DriveTrain::new(motor, vec![starter]).unwrap();
    let driver = move || Box::new(Motored { train: train.clone(), time_s: 0.0, ordered: 0 }) as Box<dyn ShaftDriver>;
    Scenario { driver: Arc::new(driver), ..started(member) }
}

#[test]
fn agrees_with_one_at_a_time_under_a_motor() {
    let kinds = [StarterKind::AcrossTheLine, StarterKind::SoftStarter, StarterKind::VariableSpeed];
    let probes = [Probe::Speed, Probe::Current, Probe::Power, Probe::Head(Place::Node(DISCHARGE))];
    for (kind, motor) in kinds.into_iter().zip([(false, 0.0), (true, 0.0), (false, 0.1)]) {
        let scenarios: Vec<Scenario> = (0..5).map(|member| motored(member, kind, motor)).collect();
        for vectors in [Vectors::Plain, Vectors::Avx2, Vectors::Avx512] {
            meets_the_same_events(&scenarios, &probes, vectors, scenarios.len());
        }
    }
    let dipped: Vec<Scenario> =
        (0..3).map(|member| motored(member, StarterKind::AcrossTheLine, (false, 0.1))).collect();
    meets_the_same_events(&dipped, &probes, Vectors::widest(), dipped.len());
}

fn meets_the_same_events(scenarios: &[Scenario], probes: &[Probe], vectors: Vectors, least: usize) {
    let (traces, report) = in_lanes(scenarios, probes, vectors, 1);
    println!("{vectors:?} {report:?}: {:.4} solved alone", report.solved_alone as f64 / report.lane_steps as f64);
    assert_eq!(report.alone, 0, "{report:?}");
    assert!(report.solved_alone > 0, "valves move");
    let mut moved = 0;
    for (member, (scenario, trace)) in scenarios.iter().zip(&traces).enumerate() {
        let (expected, events) = one_at_a_time(scenario, probes);
        let kinds = |events: &[PlantEvent]| events.iter().map(|event| event.kind).collect::<Vec<_>>();
        assert_eq!(kinds(&events), kinds(&trace.events), "member {member}");
        let step_s = step_s(scenario);
        for (a, b) in events.iter().zip(&trace.events) {
            let apart_s = (a.time_s - b.time_s).abs();
            assert!(
                apart_s <= step_s * (1.0 + 1e-9),
                "member {member}: {apart_s} s of a step of {step_s} s: {a:?} {b:?}"
            );
        }
        moved += events.len();
        let off = difference(&expected, &trace.values, trace.probes);
        assert!(off < EVENTS_TOLERANCE, "member {member}: off by {off:e} of the largest value");
    }
    assert!(moved >= least, "events are met: {moved}");
}

#[test]
fn law_answers_do_not_depend_on_threads() {
    let mut scenarios: Vec<Scenario> = (0..40).map(|member| pumped(member, Some(0.02), false)).collect();
    scenarios.push(started(0));
    let probes = [Probe::Head(Place::Node(1)), Probe::Speed];
    let (one, first) = in_lanes(&scenarios, &probes, Vectors::Avx512, 1);
    let (three, second) = in_lanes(&scenarios, &probes, Vectors::Avx512, 3);
    assert_eq!(one, three);
    assert_eq!(first, second);
}

/// A standby behind its shut check valve is left out in lanes; a run in which that valve lifts is run alone, with all of it.
#[test]
fn agrees_with_one_at_a_time_where_a_standby_stands_and_where_its_check_valve_lifts() {
    let probes = vec![Probe::Head(Place::Node(3)), Probe::Flow { element: 4, share: 0.4 }, Probe::Speed];
    let scenario = |trips: bool| Scenario {
        network: {
            let mut network = station(other(None));
            // So low a static head that the wave of the trip undercuts the sump.
            network.nodes[4].terminal = if trips { still(0.5) } else { network.nodes[4].terminal };
            network
        },
        shaft: SHAFT,
        driver: Arc::new(move || match trips {
            true => Box::new(StartAndTrip { drive: Straight::off(), time_s: 0.0 }),
            false => Box::new(Straight { on: true, ..Straight::off() }),
        }),
        grid: GridOptions { dt_max_s: 2.0e-3, ..GridOptions::default() },
        speed_rad_s: None,
        openings: vec![],
    };
    let scenarios = [scenario(false), scenario(true), scenario(false)];
    let (traces, report) = in_lanes(&scenarios, &probes, Vectors::widest(), 1);
    assert_eq!(traces.iter().map(|trace| trace.alone).collect::<Vec<_>>(), [false, true, false], "{report:?}");
    for (scenario, trace) in scenarios.iter().zip(&traces) {
        let (expected, events) = one_at_a_time(scenario, &probes);
        let off = difference(&expected, &trace.values, trace.probes);
        assert!(off < EVENTS_TOLERANCE, "off by {off:e} of the largest value");
        let lifts = |event: &&PlantEvent| event.kind == PlantEventKind::CheckValveOpened { element: 3 };
        assert_eq!(events.iter().any(|event| lifts(&event)), trace.alone, "{events:?}");
    }
}

#[test]
fn runs_a_scenario_that_the_lanes_do_not_know_by_itself() {
    let mut scenarios: Vec<Scenario> = (0..2).map(|member| pumped(member, Some(0.02), true)).collect();
    if let ElementKind::Pipe(pipe) = &mut scenarios[1].network.elements[1].kind {
        pipe.creep = Some(CreepSpec { share: 1.0, time_s: 0.3 });
    }
    let (traces, report) = in_lanes(&scenarios, &probes(), Vectors::Avx512, 1);
    assert!(report.alone >= 1, "{report:?}");
    for (scenario, trace) in scenarios.iter().zip(&traces) {
        let (expected, _) = one_at_a_time(scenario, &probes());
        assert!(difference(&expected, &trace.values, trace.probes) < LANES_TOLERANCE);
    }
}

/// As [`pumped`], with friction by table and a creeping wall, and stations eight cells apart.
fn gathered(member: usize, own_curve: bool) -> Scenario {
    let mut scenario = pumped(member, None, own_curve);
    if let ElementKind::Pipe(pipe) = &mut scenario.network.elements[1].kind {
        pipe.creep = (member % 2 == 1).then_some(CreepSpec { share: 0.5 + 0.1 * member as f64, time_s: 0.1 });
    }
    scenario.grid.station_cells = 8;
    scenario
}

#[test]
fn agrees_with_one_at_a_time_where_friction_is_gathered() {
    for own_curve in [false, true] {
        for members in [1, 5, 18] {
            let scenarios: Vec<Scenario> = (0..members).map(|member| gathered(member % 5 + 1, own_curve)).collect();
            for vectors in [Vectors::Plain, Vectors::Avx2, Vectors::Avx512] {
                let (traces, report) = in_lanes(&scenarios, &probes(), vectors, 1);
                assert_eq!(report.alone, 0, "{report:?}");
                for (scenario, trace) in scenarios.iter().zip(&traces) {
                    let (expected, _) = one_at_a_time(scenario, &probes());
                    let off = difference(&expected, &trace.values, trace.probes);
                    println!(
                        "{vectors:?}, {members} members, own curve {own_curve}: off by {off:e} of the largest value"
                    );
                    assert!(off < LANES_TOLERANCE, "{vectors:?}: off by {off:e} of the largest value");
                    let mut every = scenario.clone();
                    every.grid.station_cells = 0;
                    let far = difference(&one_at_a_time(&every, &probes()).0, &expected, trace.probes);
                    println!("against every point: {far:e}");
                    assert!(far > 1.0e-8 && far < 1.0e-3, "stations are there, and good: {far:e}");
                }
            }
        }
    }
}

/// The plant of a scenario on the half grid.
fn plant(scenario: &Scenario) -> Plant<Box<dyn ShaftDriver>> {
    let grid = GridOptions { half_grid: true, ..scenario.grid };
    let speed_rad_s = scenario.speed_rad_s.unwrap();
    Plant::started_at(&scenario.network, &scenario.shaft, (scenario.driver)(), &grid, speed_rad_s).unwrap()
}

/// A bore so narrow that friction matters to every wave.
fn narrow(station_cells: usize, creep: Option<CreepSpec>) -> Scenario {
    let mut scenario = gathered(2, false);
    if let ElementKind::Pipe(pipe) = &mut scenario.network.elements[1].kind {
        (pipe.bore_m, pipe.creep) = (0.06, creep);
    }
    scenario.grid.station_cells = station_cells;
    scenario
}

#[test]
fn law_stations_converge_with_second_order() {
    for creep in [None, Some(CreepSpec { share: 0.8, time_s: 0.05 })] {
        let heads = |station_cells: usize| {
            let mut scenario = narrow(station_cells, creep);
            scenario.grid.dt_max_s = 0.25e-3;
            let mut plant = plant(&scenario);
            let mut heads = Vec::new();
            while plant.time_s() < 2.0 {
                plant.set_opening(2, scenario.openings[0].at(plant.time_s() + plant.dt_s())).unwrap();
                plant.advance().unwrap();
                heads.push(plant.head_m(Place::Node(2)));
            }
            heads
        };
        let every = heads(0);
        let off = |cells: usize| every.iter().zip(heads(cells)).fold(0.0_f64, |most, (a, b)| most.max((a - b).abs()));
        let [coarse, middle, fine] = [40, 20, 10].map(off);
        println!("creep {creep:?}: off by {coarse:.2e}, {middle:.2e} and {fine:.2e} m at 40, 20 and 10 of 200 cells");
        for (order, of) in [((coarse / middle).log2(), "40 to 20"), ((middle / fine).log2(), "20 to 10")] {
            assert!((1.7..2.4).contains(&order), "creep {creep:?}: order {order:.2} from {of} cells, expected 2");
        }
    }
}

#[test]
fn law_stations_keep_a_steady_state_and_the_volume() {
    for creep in [None, Some(CreepSpec { share: 0.8, time_s: 0.05 })] {
        let scenario = narrow(8, creep);
        let mut still = scenario.clone();
        for node in &mut still.network.nodes {
            if let Terminal::Tank { area_m2, .. } = &mut node.terminal {
                *area_m2 = f64::INFINITY;
            }
        }
        // The shaft settles where its drive holds it; what stations add to that is none.
        let settled_m = |station_cells: usize| {
            let mut still = still.clone();
            still.grid.station_cells = station_cells;
            let mut steady = plant(&still);
            (0..1000).for_each(|_| steady.advance().unwrap());
            steady.head_m(Place::Node(2))
        };
        let drift_m = (settled_m(8) - settled_m(0)).abs();
        assert!(drift_m < 1.0e-6, "steady heads drift by {drift_m:e} m");
        let mut plant = plant(&scenario);
        let mut worst_m3 = 0.0_f64;
        while plant.time_s() < 2.0 {
            plant.set_opening(2, scenario.openings[0].at(plant.time_s() + plant.dt_s())).unwrap();
            plant.advance().unwrap();
            worst_m3 = worst_m3.max(plant.volume_error_m3().abs());
        }
        println!("creep {creep:?}: drift {drift_m:e} m, volume error {worst_m3:e} m3");
        assert!(worst_m3 < 1.0e-9, "creep {creep:?}: volume error {worst_m3:e} m3");
    }
}

#[test]
fn runs_on_point_by_point_once_water_parts() {
    let run = |station_cells: usize| {
        let mut scenario = narrow(station_cells, Some(CreepSpec { share: 0.3, time_s: 0.05 }));
        scenario.network.liquid.atmosphere_pa = 1.0e5;
        for node in &mut scenario.network.nodes[1..3] {
            node.elevation_m = 6.0;
        }
        let mut plant = plant(&scenario);
        let (mut opened_s, mut most_m3, mut worst_m3) = (None, 0.0_f64, 0.0_f64);
        while plant.time_s() < 2.0 {
            // The pump's valve side is shut at once: the water behind it pulls.
            plant.set_opening(2, if plant.time_s() < 0.1 { 1.0 } else { 0.0 }).unwrap();
            plant.advance().unwrap();
            if plant.cavities_m3() > 0.0 {
                opened_s = opened_s.or(Some(plant.time_s()));
            }
            most_m3 = most_m3.max(plant.cavities_m3());
            worst_m3 = worst_m3.max(plant.volume_error_m3().abs());
        }
        (opened_s, most_m3, worst_m3)
    };
    let (every, gathered) = (run(0), run(8));
    println!("every point {every:?}, gathered {gathered:?}");
    let (Some(first_s), Some(later_s)) = (every.0, gathered.0) else { panic!("water parts in both") };
    assert!((first_s - later_s).abs() < 5.0e-3, "{first_s} s, {later_s} s");
    assert!((every.1 / gathered.1 - 1.0).abs() < 0.2, "most vapour {:e} and {:e} m3", every.1, gathered.1);
    assert!(gathered.2 < 0.01 * gathered.1, "volume error {:e} m3 of {:e} m3 vapour", gathered.2, gathered.1);
}
