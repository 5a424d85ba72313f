//! Networks of the published cases, and reading of runs.

use ramprig::hydraulics::plant::{Plant, ShaftDriver};
use ramprig::hydraulics::shaft::NoDrive;
use ramprig::hydraulics::spec::{
    ElementKind, ElementSpec, GridOptions, LiquidSpec, NetworkSpec, NodeSpec, PipeSpec, Place, ShaftSpec, Terminal,
    ValveSpec,
};
use std::f64::consts::FRAC_PI_4;

/// A very large tank.
pub fn tank(level_m: f64) -> Terminal {
    Terminal::Tank { level_m, area_m2: f64::INFINITY, overflow_m: f64::INFINITY }
}

/// Water that the case does not describe further than by density and gravity; it never boils, as the cases have no
/// cavities.
pub fn liquid(density_kg_m3: f64, gravity_m_s2: f64) -> LiquidSpec {
    LiquidSpec {
        density_kg_m3,
        viscosity_m2_s: 1.0e-6,
        bulk_modulus_pa: 2.19e9,
        vapour_pa: 2.0e3,
        atmosphere_pa: 1.0e8,
        gravity_m_s2,
    }
}

/// A pipe with a given friction factor.
pub fn pipe(length_m: f64, bore_m: f64, wave_speed_m_s: f64, darcy_f: f64) -> PipeSpec {
    PipeSpec {
        length_m,
        bore_m,
        roughness_m: 0.0,
        wave_speed_m_s,
        minor_loss_k: 0.0,
        fixed_darcy_f: Some(darcy_f),
        creep: None,
        lay_flat: None,
    }
}

pub fn area_m2(bore_m: f64) -> f64 {
    FRAC_PI_4 * bore_m * bore_m
}

pub use ramprig::hydraulics::valve::kv_of_orifice_m3_h as kv_of_orifice;

pub fn valve(kv_open_m3_h: f64) -> ElementKind {
    ElementKind::Valve(ValveSpec { kv_open_m3_h, curve: vec![], opening: 1.0 })
}

/// Elements one after another, all nodes at the datum.
pub fn chain(liquid: LiquidSpec, terminals: Vec<Terminal>, kinds: Vec<ElementKind>) -> NetworkSpec {
    assert_eq!(terminals.len(), kinds.len() + 1);
    let node = |(i, terminal)| NodeSpec { name: format!("node {i}"), elevation_m: 0.0, terminal };
    let element = |(i, kind)| ElementSpec { name: format!("element {i}"), from: i, to: i + 1, kind };
    NetworkSpec {
        liquid,
        nodes: terminals.into_iter().enumerate().map(node).collect(),
        elements: kinds.into_iter().enumerate().map(element).collect(),
    }
}

/// Steps of this length, no wave speed changed by more than rounding.
pub fn exact_grid(dt_s: f64) -> GridOptions {
    GridOptions { dt_max_s: dt_s, wave_speed_adjustment_max: 1.0e-9, ..GridOptions::default() }
}

/// A plant without a pump in its steady state.
pub fn running(network: &NetworkSpec, dt_s: f64) -> Plant<NoDrive> {
    Plant::started_at(network, &ShaftSpec { inertia_kg_m2: 1.0, friction_n_m: 0.0 }, NoDrive, &exact_grid(dt_s), 0.0)
        .unwrap()
}

/// Head at a node, m.
pub fn head_m<D: ShaftDriver>(plant: &Plant<D>, node: usize) -> f64 {
    plant.head_m(Place::Node(node))
}

/// Flow through an element at its middle, m3/s.
pub fn flow_m3_s<D: ShaftDriver>(plant: &Plant<D>, element: usize) -> f64 {
    plant.flow_m3_s(Place::Pipe { element, share: 0.5 })
}

/// Straight between the points of an evenly spaced table, held at its ends.
pub fn table(values: &[f64], spacing: f64, at: f64) -> f64 {
    let place = (at / spacing).clamp(0.0, (values.len() - 1) as f64);
    let low = (place as usize).min(values.len() - 2);
    values[low] + (values[low + 1] - values[low]) * (place - low as f64)
}

/// Time at which a series crosses a value, straight between its samples.
pub fn crossing_s(before: (f64, f64), now: (f64, f64), value: f64) -> Option<f64> {
    let crosses = (before.1 - value) * (now.1 - value) <= 0.0 && before.1 != now.1;
    crosses.then(|| before.0 + (now.0 - before.0) * (value - before.1) / (now.1 - before.1))
}
