//! Runs that are hard on the solver: direct starts, sudden valves, trips, no check valve, poor grids. It must answer with
//! finite numbers or with an error that names place and time, and in all of these it must answer.

use super::bench::{Bench, SHAFT, Straight};
use proptest::prelude::*;
use ramprig::hydraulics::HydraulicsError;
use ramprig::hydraulics::plant::{Plant, ShaftDriver};
use ramprig::hydraulics::spec::{GridOptions, Place, ShaftSpec};

/// Sane bounds of what a bench of 23 m shut-off head can show, m.
const HEAD_LIMIT_M: f64 = 3000.0;

#[derive(Debug, Clone, Copy)]
enum Act {
    Switch(bool),
    Speed(f64),
    Opening(f64),
}

fn acts() -> impl Strategy<Value = Vec<(u32, Act)>> {
    let act = prop_oneof![
        any::<bool>().prop_map(Act::Switch),
        (-0.5..1.3).prop_map(Act::Speed),
        prop_oneof![Just(0.0), Just(1.0), 0.0..1.0_f64, Just(1.0e-7)].prop_map(Act::Opening),
    ];
    proptest::collection::vec((1..700_u32, act), 1..12)
}

proptest! {
    #![proptest_config(super::bench::cases(40))]

    #[test]
    fn survives_any_sequence_of_switching_and_valves(
        acts in acts(), check_valve: bool, unsteady_friction: bool, lift_m in -5.0..16.0_f64,
        inertia_kg_m2 in 0.005..0.3_f64, slope_n_m_s in 0.1..1.0e4_f64, tank_area_m2 in 0.02..5.0_f64,
    ) {
        let bench = Bench { check_valve, lift_m, tank_area_m2, hose_m: 15.0, hose_wave_m_s: 150.0, opening: 1.0 };
        let shaft = ShaftSpec { inertia_kg_m2, ..SHAFT };
        let grid = GridOptions { dt_max_s: 1.0e-3, unsteady_friction, ..GridOptions::default() };
        let driver = Straight { slope_n_m_s, ..Straight::off() };
        let mut plant = Plant::started_at(&bench.network(), &shaft, driver, &grid, 0.0).unwrap();
        let valve = plant.network().elements.iter().position(|element| element.name == "throttle").unwrap();
        let nodes = plant.network().nodes.len();
        for (steps, act) in acts {
            match act {
                Act::Switch(on) => plant.driver_mut().on = on,
                Act::Speed(share) => plant.driver_mut().speed_rad_s = share * super::bench::RATED_RAD_S,
                Act::Opening(opening) => plant.set_opening(valve, opening).unwrap(),
            }
            for _ in 0..steps {
                if let Err(error) = plant.advance() {
                    return Err(TestCaseError::fail(error.to_string()));
                }
            }
            for node in 0..nodes {
                let head_m = plant.head_m(Place::Node(node));
                prop_assert!(head_m.abs() < HEAD_LIMIT_M, "{head_m} m at node {node}");
            }
        }
    }
}

/// A drive that breaks.
struct Broken(f64);

impl ShaftDriver for Broken {
    fn torque_n_m(&self, _speed_rad_s: f64) -> (f64, f64) {
        (self.0, 0.0)
    }

    fn advance(&mut self, _dt_s: f64, _speed_rad_s: f64) {
        self.0 = f64::NAN;
    }

    fn current_a(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn power_w(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }
}

#[test]
fn rejects_a_torque_that_is_no_number_with_place_and_time() {
    let mut plant = Plant::new(&Bench::default().network(), &SHAFT, Broken(10.0), &GridOptions::default()).unwrap();
    let error = plant.advance().unwrap_err();
    assert!(
        matches!(&error, HydraulicsError::NotFinite { place, time_s } if place == "pump" && *time_s > 0.0),
        "{error}"
    );
}
