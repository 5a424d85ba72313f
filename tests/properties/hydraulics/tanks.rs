//! Tanks that run dry: told once, no water made, refused when air has filled the line, filled up again.

use super::bench::{assert_near, pipe, whole_liquid};
use super::fittings::{grid, network, tank, valve};
use proptest::prelude::*;
use ramprig::hydraulics::HydraulicsError;
use ramprig::hydraulics::plant::{Plant, PlantEventKind};
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{ElementKind, NetworkSpec, PipeSpec, ShaftSpec, Terminal};

const STILL: ShaftSpec = ShaftSpec { inertia_kg_m2: 0.05, friction_n_m: 0.3 };
/// Volume that rounding may make or lose, m3.
const VOLUME_M3: f64 = 1.0e-9;
/// What 30 m of pipe give elastically under the few metres of such a swing, m3.
const ELASTIC_M3: f64 = 5.0e-6;
const BOTTOM_M: f64 = 3.0;
const VALVE: usize = 1;

/// A small tank, a pipe, a valve, a pipe, a tank below that may be raised.
fn fall(level_m: f64, area_m2: f64, below: Terminal, darcy_f: f64) -> NetworkSpec {
    let upper = Terminal::Tank { level_m, area_m2, overflow_m: level_m + 1.0 };
    let line = |length_m| {
        ElementKind::Pipe(PipeSpec { minor_loss_k: 25.0 * darcy_f, ..pipe(length_m, 1000.0, Some(darcy_f)) })
    };
    let elements = vec![(0, 1, line(20.0)), (1, 2, valve(40.0)), (2, 3, line(10.0))];
    let mut spec = network(vec![upper, Terminal::None, Terminal::None, below], elements);
    spec.nodes[0].elevation_m = BOTTOM_M;
    // cavities have their own law of volume
    spec.liquid = whole_liquid();
    spec
}

fn started(spec: &NetworkSpec) -> Plant<NoDrive> {
    Plant::started_at(spec, &STILL, NoDrive, &grid(2.0e-3), 0.0).unwrap()
}

fn dry_events(plant: &mut Plant<NoDrive>) -> Vec<(f64, f64, f64)> {
    let dry = |kind| match kind {
        PlantEventKind::TankRunsDry { node: 0, level_m, drawn_m3_s } => Some((level_m, drawn_m3_s)),
        _ => None,
    };
    let events = plant.take_events().into_iter();
    events.filter_map(|event| dry(event.kind).map(|(level_m, drawn)| (event.time_s, level_m, drawn))).collect()
}

/// The level stops at the bottom, is told once with time and flow, and the run ends when air has filled the first pipe: by
/// then the water that ran on is what the tank and that pipe held.
#[test]
fn rejects_a_run_beyond_the_air_that_the_line_of_a_dry_tank_can_hold() {
    let spec = fall(3.5, 0.1, tank(0.0), 0.02);
    let mut plant = started(&spec);
    let error = loop {
        assert!(plant.time_s() < 60.0, "never dry");
        let end = plant.advance();
        assert!(plant.level_m(0) >= BOTTOM_M, "level {} m", plant.level_m(0));
        assert_near("volume made or lost", 0.0, plant.volume_error_m3(), VOLUME_M3, "m3");
        if let Err(error) = end {
            break error;
        }
    };
    let events = dry_events(&mut plant);
    let [(told_s, level_m, drawn_m3_s)] = events[..] else { panic!("told {} times", events.len()) };
    let HydraulicsError::TankDry { node, dry_at_s, time_s, air_l, line_l, .. } = &error else { panic!("{error}") };
    assert_eq!((node.as_str(), *dry_at_s, level_m), ("node 0", told_s, BOTTOM_M), "{error}");
    // 20 m of 75 mm bore
    assert_near("volume of the line", 88.357, *line_l, 1.0e-3, "l");
    assert!(drawn_m3_s > 1.0e-3 && (*line_l..*line_l + 0.1).contains(air_l), "{drawn_m3_s} m3/s, {air_l} l");
    assert!(time_s > dry_at_s && error.to_string().contains("what runs on would be air"), "{error}");
}

/// What runs back meets the air first and then raises the level: nothing lost, and the tank stands where a wet one does.
#[test]
fn law_a_dry_tank_fills_again_without_loss() {
    let below = Terminal::Tank { level_m: 2.5, area_m2: 0.02, overflow_m: 9.0 };
    let mut spec = fall(3.04, 0.3, below, 0.02);
    spec.nodes[3].elevation_m = -2.0;
    let mut plant = started(&spec);
    let mut lowest_m = f64::INFINITY;
    for _ in 0..60_000 {
        plant.advance().unwrap();
        lowest_m = lowest_m.min(plant.level_m(0));
        assert_near("volume made or lost", 0.0, plant.volume_error_m3(), VOLUME_M3, "m3");
    }
    // What one gave the other has, but for what the pipes give elastically.
    let (given_m3, had_m3) = (0.3 * (3.04 - plant.level_m(0)), 0.02 * (plant.level_m(3) - 2.5));
    assert_near("volume given and had", given_m3, had_m3, ELASTIC_M3, "m3");
    assert_eq!(dry_events(&mut plant).len(), 1, "told once");
    assert!(plant.level_m(0) > BOTTOM_M + 1.0e-3, "filled again: {} m", plant.level_m(0));
    assert!(lowest_m >= BOTTOM_M, "{lowest_m} m");
}

proptest! {
    #![proptest_config(super::bench::cases(24))]

    /// Pipes without friction, which in a sudden closure leaves a residual of its own (a few hundred-thousandths of what was
    /// moved, see the runs): here only the tanks are at fault.
    #[test]
    fn law_no_tank_falls_below_its_bottom_and_no_water_is_made(
        level_m in 3.001..3.6_f64, area_m2 in 0.01..2.0_f64, below_m in -2.0..4.0_f64, below_area_m2 in 0.01..1.0_f64,
        moves in prop::collection::vec((1..400_u32, 0.0..1.0_f64), 1..10),
    ) {
        let below = Terminal::Tank { level_m: below_m, area_m2: below_area_m2, overflow_m: below_m + 2.0 };
        let mut spec = fall(level_m, area_m2, below, 0.0);
        spec.nodes[3].elevation_m = -2.5;
        let mut plant = started(&spec);
        'run: for (steps, opening) in moves {
            plant.set_opening(VALVE, opening).unwrap();
            for _ in 0..steps {
                let end = plant.advance();
                prop_assert!(plant.level_m(0) >= BOTTOM_M, "level {} m", plant.level_m(0));
                prop_assert!(plant.volume_error_m3().abs() < VOLUME_M3, "{} m3", plant.volume_error_m3());
                match end {
                    Ok(()) => {}
                    Err(HydraulicsError::TankDry { air_l, line_l, .. }) => {
                        prop_assert!(air_l > line_l);
                        break 'run;
                    }
                    Err(other) => return Err(TestCaseError::fail(other.to_string())),
                }
            }
        }
    }
}
