//! Lines that start empty: filling, priming, draining back.

use super::bench::{SHAFT, Straight, assert_near, liquid, pump};
use ramprig::hydraulics::plant::{LinesAtStart, Plant, PlantEvent, PlantEventKind, SelfPriming, ShaftDriver};
use ramprig::hydraulics::priming::{self, AirHandling, Readiness};
use ramprig::hydraulics::shaft::FixedSpeed;
use ramprig::hydraulics::spec::{
    CheckValveSpec, ElementKind, ElementSpec, GridOptions, NetworkSpec, NodeSpec, PipeSpec, Place, PumpSpec, Terminal,
    ValveSpec,
};
use ramprig::hydraulics::wave_speed::joukowsky_m;

const DRAINED: LinesAtStart = LinesAtStart { discharge_drained: true, suction_drained: false, self_priming: None };
const SELF_PRIMING: SelfPriming = SelfPriming {
    air: AirHandling { free_air_m3_s: 3.0e-3, vacuum_max_pa: 75.0e3 },
    casing_air_m3: 0.004,
    leak_m3_s: 0.0,
};
const ALL_DRAINED: LinesAtStart =
    LinesAtStart { discharge_drained: true, suction_drained: true, self_priming: Some(SELF_PRIMING) };

const GRID: GridOptions = GridOptions {
    dt_max_s: 2.0e-3,
    wave_speed_adjustment_max: 0.15,
    unsteady_friction: false,
    lump_short_pipes: true,
    half_grid: false,
    first_order_friction: false,
    station_cells: 0,
};

/// Elements between the sump and a free outlet, each ending at the elevation given.
fn chain(sump_m: f64, level_m: f64, elements: Vec<(&str, f64, ElementKind)>) -> NetworkSpec {
    let last = elements.len();
    let tank = Terminal::Tank { level_m, area_m2: f64::INFINITY, overflow_m: f64::INFINITY };
    let mut nodes = vec![NodeSpec { name: "sump".into(), elevation_m: sump_m, terminal: tank }];
    let mut list = Vec::new();
    for (i, (name, elevation_m, kind)) in elements.into_iter().enumerate() {
        let terminal = if i + 1 == last { Terminal::FreeOutlet } else { Terminal::None };
        nodes.push(NodeSpec { name: format!("after {name}"), elevation_m, terminal });
        list.push(ElementSpec { name: name.into(), from: i, to: i + 1, kind });
    }
    NetworkSpec { liquid: liquid(), nodes, elements: list }
}

fn pipe(length_m: f64, bore_m: f64, wave_speed_m_s: f64) -> PipeSpec {
    PipeSpec {
        length_m,
        bore_m,
        roughness_m: 2.0e-5,
        wave_speed_m_s,
        minor_loss_k: 1.0,
        fixed_darcy_f: None,
        creep: None,
        lay_flat: None,
    }
}

fn valve(kv_open_m3_h: f64) -> ElementKind {
    ElementKind::Valve(ValveSpec { kv_open_m3_h, curve: vec![], opening: 1.0 })
}

/// A pump on a lift (or flooded), a riser, a throttle valve, a hose and a nozzle.
fn bench(level_m: f64, check_valve: bool, nozzle_kv: f64) -> NetworkSpec {
    let mut elements = vec![("suction", 2.5, ElementKind::Pipe(pipe(6.0, 0.08, 1000.0)))];
    elements.push(("pump", 2.5, ElementKind::Pump(pump())));
    if check_valve {
        elements.push(("check", 2.5, ElementKind::CheckValve(CheckValveSpec { kv_m3_h: 95.0, cracking_head_m: 0.1 })));
    }
    elements.push(("riser", 6.0, ElementKind::Pipe(pipe(8.0, 0.065, 1200.0))));
    elements.push(("throttle", 6.0, valve(70.0)));
    elements.push(("hose", 8.0, ElementKind::Pipe(pipe(40.0, 0.065, 150.0))));
    elements.push(("nozzle", 8.0, valve(nozzle_kv)));
    chain(level_m - 0.5, level_m, elements)
}

fn element(network: &NetworkSpec, name: &str) -> usize {
    network.elements.iter().position(|element| element.name == name).unwrap()
}

struct Run<D: ShaftDriver> {
    plant: Plant<D>,
    events: Vec<PlantEvent>,
}

impl<D: ShaftDriver> Run<D> {
    fn new(network: &NetworkSpec, driver: D, lines: &LinesAtStart) -> Self {
        let plant = Plant::with_lines(network, &SHAFT, driver, &GRID, lines).unwrap();
        Self { plant, events: Vec::new() }
    }

    fn to(&mut self, time_s: f64, mut look: impl FnMut(&Plant<D>)) {
        while self.plant.time_s() < time_s {
            self.plant.advance().unwrap();
            look(&self.plant);
        }
        self.events.extend(self.plant.take_events());
    }

    fn time_s(&self, kind: PlantEventKind) -> Option<f64> {
        self.events.iter().find(|event| event.kind == kind).map(|event| event.time_s)
    }
}

/// Values by scipy 1.17.1:
/// `solve_ivp(lambda t, y: [y[1]/A, (1+20-1000*y[1]-9*y[0]/60-r(y[0])*y[1]*abs(y[1]))/(y[0]/(g*A)+2/(g*As))], (0, 200),
/// [60/9, 0], rtol=1e-11, atol=1e-13, method='DOP853', events=lambda t, y: y[0]-60)`, with
/// `r(w) = (0.022/0.065+1.2/60)*w/(2*g*A**2) + 0.02*2/0.08/(2*g*As**2)`, A of 65 mm, As of 80 mm, g = 9.80665.
#[test]
fn agrees_with_rigid_column_law_while_filling() {
    const FULL_S: f64 = 17.371_298_480_860_97;
    const FLOW_AT_FULL_M3_S: f64 = 0.007_193_772_256_438_88;
    const WET_AT_5_S_M: f64 = 26.526_262_6;
    const TOLERANCE: f64 = 3.0e-3;
    let line =
        |length_m, bore_m, f| PipeSpec { fixed_darcy_f: Some(f), minor_loss_k: 0.0, ..pipe(length_m, bore_m, 1200.0) };
    let linear = PumpSpec {
        rated_flow_m3_s: 0.01,
        rated_head_m: 10.0,
        curve: vec![(0.0, 20.0), (0.01, 10.0), (0.02, 0.0)],
        efficiency: vec![],
        ..pump()
    };
    let riser = PipeSpec { minor_loss_k: 1.2, ..line(60.0, 0.065, 0.022) };
    let speed_rad_s = linear.rated_speed_rad_s;
    let elements = vec![
        ("suction", 0.0, ElementKind::Pipe(line(2.0, 0.08, 0.02))),
        ("pump", 0.0, ElementKind::Pump(linear)),
        ("riser", 9.0, ElementKind::Pipe(riser)),
    ];
    let network = chain(0.0, 1.0, elements);
    let mut run = Run::new(&network, FixedSpeed::new(speed_rad_s), &DRAINED);
    run.to(5.0, |_| {});
    assert_near(
        "length full after 5 s",
        WET_AT_5_S_M,
        run.plant.wet_length_m(2).unwrap(),
        TOLERANCE * WET_AT_5_S_M,
        "m",
    );
    let mut flow_m3_s = 0.0;
    run.to(17.5, |plant| {
        if plant.wet_length_m(2).unwrap() < 60.0 {
            flow_m3_s = plant.flow_m3_s(Place::Pipe { element: 2, share: 0.5 });
        }
    });
    let full_s = run.time_s(PlantEventKind::LineFull).expect("the line fills");
    assert_near("time to fill", FULL_S, full_s, TOLERANCE * FULL_S, "s");
    assert_near("flow when full", FLOW_AT_FULL_M3_S, flow_m3_s, TOLERANCE * FLOW_AT_FULL_M3_S, "m3/s");
}

#[test]
fn law_volume_balances_while_a_line_fills_and_drains_back() {
    let network = bench(4.0, false, 12.0);
    let mut run = Run::new(&network, Straight { on: true, ..Straight::off() }, &DRAINED);
    let volume_m3 = 0.155;
    run.to(30.0, |_| {});
    assert!(run.time_s(PlantEventKind::LineFull).is_some(), "{:?}", run.events);
    // what the rigid column does not store elastically is the one difference
    assert_near("volume error when full", 0.0, run.plant.volume_error_m3(), 0.01 * volume_m3, "m3");
    let before_m3 = run.plant.volume_error_m3();
    run.plant.driver_mut().on = false;
    run.to(90.0, |_| {});
    assert!(run.events.iter().any(|event| matches!(event.kind, PlantEventKind::Draining { .. })), "{:?}", run.events);
    let made_m3 = run.plant.volume_error_m3() - before_m3;
    assert_near("volume error of draining", 0.0, made_m3, 0.01 * volume_m3, "m3");
}

#[test]
fn law_a_flooded_line_drains_back_to_the_level_of_its_sump_and_backspins() {
    let network = bench(4.0, false, 30.0);
    let (riser, hose) = (element(&network, "riser"), element(&network, "hose"));
    let mut run = Run::new(&network, Straight { on: true, ..Straight::off() }, &DRAINED);
    run.to(25.0, |_| {});
    run.plant.driver_mut().on = false;
    let mut backspin_rad_s = 0.0_f64;
    run.to(120.0, |plant| backspin_rad_s = backspin_rad_s.min(plant.speed_rad_s()));
    assert!(backspin_rad_s < -5.0, "backspin {backspin_rad_s} rad/s");
    assert!(run.time_s(PlantEventKind::FlowReversed { forwards: false }).is_some());
    assert_near("hose after draining", 0.0, run.plant.wet_length_m(hose).unwrap(), 0.05, "m");
    // riser from 2.5 to 6 m, sump at 4 m
    let expected_m = 8.0 * 1.5 / 3.5;
    assert_near("riser after draining", expected_m, run.plant.wet_length_m(riser).unwrap(), 0.05, "m");
    assert!(run.time_s(PlantEventKind::PrimeLost).is_none(), "a flooded pump keeps its water");
}

#[test]
fn law_priming_in_the_plant_agrees_with_priming_by_itself() {
    let network = bench(0.0, true, 30.0);
    let mut run = Run::new(&network, FixedSpeed::new(pump().rated_speed_rad_s), &ALL_DRAINED);
    let (leg, described) = run.plant.suction_leg().unwrap();
    let ready = Readiness { casing_charged: true, vent_open: run.plant.vent_open() };
    let alone = priming::prime(&leg, &described.air, &liquid(), 1.0, ready, 100.0).unwrap();
    run.to(30.0, |_| {});
    let reached_s = run.time_s(PlantEventKind::WaterAtPump).expect("water gets to the pump");
    // the column's own inertia and friction, which priming by itself leaves out
    assert_near("water at the pump", alone.time_s, reached_s, 0.05 * alone.time_s, "s");
    let primed_s = run.time_s(PlantEventKind::Primed).expect("primes");
    let full_s = run.time_s(PlantEventKind::LineFull).expect("fills");
    assert!(reached_s < primed_s && primed_s < full_s, "{reached_s} {primed_s} {full_s}");
    assert!(run.plant.pump_flow_m3_s() > 4.0e-3, "flow {} m3/s", run.plant.pump_flow_m3_s());
}

#[test]
fn law_a_lift_without_check_valve_loses_its_suction_leg_after_the_stop_and_with_one_holds_it() {
    for check_valve in [false, true] {
        let network = bench(0.0, check_valve, 30.0);
        let suction = element(&network, "suction");
        let mut run = Run::new(&network, Straight { on: true, ..Straight::off() }, &ALL_DRAINED);
        run.to(30.0, |_| {});
        assert!(run.time_s(PlantEventKind::LineFull).is_some(), "{:?}", run.events);
        run.plant.driver_mut().on = false;
        run.to(90.0, |_| {});
        let lost = run.time_s(PlantEventKind::PrimeLost).is_some();
        assert_eq!(lost, !check_valve, "check valve {check_valve}: {:?}", run.events);
        let expected_m = if check_valve { 6.0 } else { 1.0 };
        // an emptied leg still swings about the level of the sump
        assert_near("suction leg", expected_m, run.plant.wet_length_m(suction).unwrap(), 0.5, "m");
    }
}

/// A strainer and a foot valve between the sump and the suction pipe, no check valve behind the pump.
#[test]
fn law_a_foot_valve_lets_the_leg_be_drawn_full_and_holds_it_after_the_stop() {
    const SUMP_M: f64 = -0.5;
    let plain = bench(0.0, false, 30.0);
    let foot = ElementKind::CheckValve(CheckValveSpec { kv_m3_h: 120.0, cracking_head_m: 0.05 });
    let elements = plain.elements.iter().map(|element| {
        let end_m = plain.nodes[element.to].elevation_m;
        (element.name.as_str(), end_m, element.kind.clone())
    });
    let fittings = [("strainer", SUMP_M, valve(200.0)), ("foot", SUMP_M, foot)];
    let network = chain(SUMP_M, 0.0, fittings.into_iter().chain(elements).collect());
    let suction = element(&network, "suction");
    let mut reached_s = Vec::new();
    for network in [&plain, &network] {
        let mut run = Run::new(network, FixedSpeed::new(pump().rated_speed_rad_s), &ALL_DRAINED);
        run.to(30.0, |_| {});
        reached_s.push(run.time_s(PlantEventKind::WaterAtPump).expect("water gets to the pump"));
    }
    // The foot valve's 50 mm of head and both losses hold the rising column back by little.
    assert_near("water at the pump", reached_s[0], reached_s[1], 0.1 * reached_s[0], "s");
    let mut run = Run::new(&network, Straight { on: true, ..Straight::off() }, &ALL_DRAINED);
    run.to(60.0, |_| {});
    assert!(run.time_s(PlantEventKind::LineFull).is_some(), "{:?}", run.events);
    run.plant.driver_mut().on = false;
    run.to(120.0, |_| {});
    assert!(run.time_s(PlantEventKind::PrimeLost).is_none(), "{:?}", run.events);
    assert_near("suction leg", 6.0, run.plant.wet_length_m(suction).unwrap(), 1.0e-9, "m");
}

#[test]
fn law_a_pump_that_cannot_draw_that_high_gives_no_water() {
    let network = bench(0.0, true, 30.0);
    let weak = SelfPriming { air: AirHandling { vacuum_max_pa: 15.0e3, ..SELF_PRIMING.air }, ..SELF_PRIMING };
    let lines = LinesAtStart { self_priming: Some(weak), ..ALL_DRAINED };
    let mut run = Run::new(&network, FixedSpeed::new(pump().rated_speed_rad_s), &lines);
    run.to(60.0, |_| {});
    assert!(run.time_s(PlantEventKind::WaterAtPump).is_none());
    let reach_m = 15.0e3 / (liquid().density_kg_m3 * liquid().gravity_m_s2);
    let suction = element(&network, "suction");
    let expected_m = 6.0 * (0.5 + reach_m) / 3.0;
    assert_near("length drawn full", expected_m, run.plant.wet_length_m(suction).unwrap(), 0.02 * expected_m, "m");
    assert_near("flow", 0.0, run.plant.pump_flow_m3_s(), 1.0e-9, "m3/s");
}

#[test]
fn law_a_line_emptied_again_at_rest_fills_again_in_the_same_time() {
    let network = bench(4.0, true, 30.0);
    let mut run = Run::new(&network, Straight { on: true, ..Straight::off() }, &DRAINED);
    run.to(20.0, |_| {});
    let first_s = run.time_s(PlantEventKind::LineFull).expect("fills");
    assert!(!run.plant.empty_discharge(), "nobody empties a running line");
    run.plant.driver_mut().on = false;
    run.to(80.0, |_| {});
    assert!(run.plant.empty_discharge(), "at rest: {} rad/s", run.plant.speed_rad_s());
    run.events.clear();
    run.plant.driver_mut().on = true;
    run.to(100.0, |_| {});
    let second_s = run.time_s(PlantEventKind::LineFull).expect("fills again") - 80.0;
    assert_near("second fill", first_s, second_s, 0.01 * first_s, "s");
}

/// The front meets a nozzle: the column is cut to what the nozzle lets pass, by a wave of the hose.
#[test]
fn law_line_fill_surge_is_what_the_nozzle_takes_from_the_column() {
    let network = bench(4.0, true, 6.0);
    let hose = element(&network, "hose");
    let end = Place::Pipe { element: hose, share: 1.0 };
    let mut run = Run::new(&network, FixedSpeed::new(pump().rated_speed_rad_s), &DRAINED);
    let (mut before_m3_s, mut peak_m, mut after_m3_s) = (0.0, f64::MIN, 0.0);
    run.to(20.0, |plant| {
        if plant.wet_length_m(hose).unwrap() < 40.0 {
            before_m3_s = plant.flow_m3_s(Place::Pipe { element: hose, share: 0.0 });
        } else if plant.head_m(end) > peak_m {
            (peak_m, after_m3_s) = (plant.head_m(end), plant.flow_m3_s(end));
        }
    });
    let full_s = run.time_s(PlantEventKind::LineFull).expect("fills");
    assert!(full_s < 19.0 && before_m3_s > 3.0e-3, "full at {full_s} s with {before_m3_s} m3/s");
    let area_m2 = std::f64::consts::FRAC_PI_4 * 0.065 * 0.065;
    let rise_m = joukowsky_m(150.0, (before_m3_s - after_m3_s) / area_m2, liquid().gravity_m_s2);
    // friction packs the line a little further after the first rise
    assert!(peak_m - 8.0 > 0.9 * rise_m, "peak {peak_m} m, first rise {rise_m} m");
    let steady_m = run.plant.head_m(end);
    assert!(peak_m > steady_m + 1.0, "peak {peak_m} m over steady {steady_m} m");
}

#[test]
fn rejects_a_drained_line_that_a_tank_would_run_back_into() {
    let mut network = bench(0.0, true, 30.0);
    let last = network.nodes.len() - 1;
    network.nodes[last].terminal = Terminal::Tank { level_m: 9.0, area_m2: 2.0, overflow_m: 9.0 };
    let refused = Plant::with_lines(&network, &SHAFT, Straight::off(), &GRID, &DRAINED);
    let text = refused.unwrap_err().to_string();
    assert_eq!(
        text,
        "`after nozzle`: the line cannot be followed as drained: its level is above the end of the line, which it would \
         run back into"
    );
}
