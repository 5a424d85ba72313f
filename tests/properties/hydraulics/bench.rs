//! An invented training bench and small drivers for it.

use proptest::prelude::ProptestConfig;
use ramprig::hydraulics::plant::ShaftDriver;
use ramprig::hydraulics::spec::{
    CheckValveSpec, ElementKind, ElementSpec, LiquidSpec, NetworkSpec, NodeSpec, PipeSpec, PumpSpec, ShaftSpec,
    Terminal, ValveSpec,
};

pub const SHAFT: ShaftSpec = ShaftSpec { inertia_kg_m2: 0.05, friction_n_m: 0.3 };
/// Rated speed of the bench's pump, rad/s.
pub const RATED_RAD_S: f64 = 151.8;

pub fn liquid() -> LiquidSpec {
    LiquidSpec {
        density_kg_m3: 998.2,
        viscosity_m2_s: 1.0e-6,
        bulk_modulus_pa: 2.19e9,
        vapour_pa: 2339.0,
        atmosphere_pa: 101_325.0,
        gravity_m_s2: 9.806_65,
    }
}

/// Water under so much air that no wave of a test makes it boil: laws of whole water.
pub fn whole_liquid() -> LiquidSpec {
    LiquidSpec { atmosphere_pa: 1.0e7, ..liquid() }
}

pub fn pump() -> PumpSpec {
    PumpSpec {
        rated_speed_rad_s: RATED_RAD_S,
        rated_flow_m3_s: 8.0e-3,
        rated_head_m: 18.0,
        rated_efficiency: 0.6,
        curve: vec![(0.0, 23.0), (8.0e-3, 18.0), (14.0e-3, 9.0)],
        efficiency: vec![(0.0, 0.0), (4.0e-3, 0.45), (8.0e-3, 0.6), (12.0e-3, 0.5)],
        npsh_required_m: 2.0,
        condition: Default::default(),
    }
}

pub fn pipe(length_m: f64, wave_speed_m_s: f64, fixed_darcy_f: Option<f64>) -> PipeSpec {
    PipeSpec {
        length_m,
        bore_m: 0.075,
        roughness_m: 1.0e-5,
        wave_speed_m_s,
        minor_loss_k: 0.5,
        fixed_darcy_f,
        creep: None,
        lay_flat: None,
    }
}

/// What a bench may vary.
#[derive(Debug, Clone, Copy)]
pub struct Bench {
    pub lift_m: f64,
    pub hose_m: f64,
    pub hose_wave_m_s: f64,
    pub opening: f64,
    pub check_valve: bool,
    pub tank_area_m2: f64,
}

impl Default for Bench {
    fn default() -> Self {
        Self { lift_m: 12.0, hose_m: 40.0, hose_wave_m_s: 120.0, opening: 0.8, check_valve: true, tank_area_m2: 2.0 }
    }
}

/// Node of the pump's discharge.
pub const DISCHARGE: usize = 2;

impl Bench {
    /// Sump, suction pipe, pump, (check valve,) riser, throttle valve, hose, terrace tank.
    pub fn network(&self) -> NetworkSpec {
        let valve = ValveSpec { kv_open_m3_h: 60.0, curve: vec![], opening: self.opening };
        let check = CheckValveSpec { kv_m3_h: 80.0, cracking_head_m: 0.2 };
        let mut elements = vec![("suction", ElementKind::Pipe(pipe(5.0, 1200.0, None)))];
        elements.push(("pump", ElementKind::Pump(pump())));
        if self.check_valve {
            elements.push(("check", ElementKind::CheckValve(check)));
        }
        elements.push(("riser", ElementKind::Pipe(pipe(12.0, 1100.0, None))));
        elements.push(("throttle", ElementKind::Valve(valve)));
        elements.push(("hose", ElementKind::Pipe(pipe(self.hose_m, self.hose_wave_m_s, None))));
        self.lay(elements)
    }

    fn lay(&self, elements: Vec<(&str, ElementKind)>) -> NetworkSpec {
        let last = elements.len();
        let tank = |level_m| Terminal::Tank { level_m, area_m2: self.tank_area_m2, overflow_m: level_m + 0.5 };
        let node = |i: usize| match i {
            0 => NodeSpec { name: "sump".into(), elevation_m: -1.0, terminal: tank(0.0) },
            i if i == last => {
                NodeSpec { name: "terrace".into(), elevation_m: self.lift_m - 0.5, terminal: tank(self.lift_m) }
            }
            i => NodeSpec { name: format!("node {i}"), elevation_m: 1.0 + 0.5 * i as f64, terminal: Terminal::None },
        };
        let element = |(i, (name, kind)): (usize, (&str, ElementKind))| ElementSpec {
            name: name.into(),
            from: i,
            to: i + 1,
            kind,
        };
        NetworkSpec {
            liquid: liquid(),
            nodes: (0..=last).map(node).collect(),
            elements: elements.into_iter().enumerate().map(element).collect(),
        }
    }
}

/// A drive with a straight torque-speed line, a torque limit and a switch.
#[derive(Debug, Clone, Copy)]
pub struct Straight {
    pub on: bool,
    pub speed_rad_s: f64,
    pub slope_n_m_s: f64,
    pub limit_n_m: f64,
}

impl Straight {
    pub fn off() -> Self {
        Self { on: false, speed_rad_s: RATED_RAD_S, slope_n_m_s: 3.0, limit_n_m: 60.0 }
    }
}

impl ShaftDriver for Straight {
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        if !self.on {
            return (0.0, 0.0);
        }
        let torque_n_m = self.slope_n_m_s * (self.speed_rad_s - speed_rad_s);
        if torque_n_m.abs() < self.limit_n_m {
            (torque_n_m, -self.slope_n_m_s)
        } else {
            (self.limit_n_m.copysign(torque_n_m), 0.0)
        }
    }

    fn advance(&mut self, _dt_s: f64, _speed_rad_s: f64) {}

    fn current_a(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn power_w(&self, speed_rad_s: f64) -> f64 {
        self.torque_n_m(speed_rad_s).0 * speed_rad_s
    }
}

/// So many generated cases, or as many as `PROPTEST_CASES` says.
pub fn cases(usual: u32) -> ProptestConfig {
    let wanted = std::env::var("PROPTEST_CASES").ok().and_then(|count| count.parse().ok());
    ProptestConfig { cases: wanted.unwrap_or(usual), ..ProptestConfig::default() }
}

/// Fails with expected, got, error, tolerance and unit unless they agree.
#[track_caller]
pub fn assert_near(what: &str, expected: f64, got: f64, tolerance: f64, unit: &str) {
    let error = (got - expected).abs();
    assert!(
        error <= tolerance,
        "{what}: expected {expected} {unit}, got {got}, error {error:.3e}, tolerance {tolerance:.3e}"
    );
}
