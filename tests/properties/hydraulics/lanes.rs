//! The half grid, and many scenarios in lanes against one at a time.

use super::bench::{SHAFT, pipe, whole_liquid};
use ramprig::hydraulics::plant::Plant;
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{
    ElementKind, ElementSpec, GridOptions, NetworkSpec, NodeSpec, Place, Terminal, ValveSpec,
};

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
