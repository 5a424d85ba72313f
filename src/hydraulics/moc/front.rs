//! A pipe that is not full: one rigid column from its `from` end to a vertical front, air ahead of it.

use super::interior::PipeEnd;
use crate::hydraulics::pipe::{Resistance, bore_area_m2};
use crate::hydraulics::spec::{NetworkSpec, PipeSpec};

/// Shortest column that carries inertia: one millimetre keeps an end that water has just reached from being stiff.
const LEAST_COLUMN_M: f64 = 1.0e-3;
/// What the dry end of a pipe lets pass, as an impedance, s/m2: nothing that counts (1e-11 m3/s under 10 m).
const DRY_END_S_M2: f64 = 1.0e12;

/// The column in a pipe that fills or drains.
///
/// Equation: `w/(g A) dQ/dt = H - z(w) - h_a - s(|Q|) (w/L) Q`, `dw/dt = Q/A`, the new Q taken with the old resistance
/// and the old w (w -> length that is full, H -> head at the `from` end, z -> elevation of the front, h_a -> gauge pressure
/// of the air there as a head, s -> resistance of the whole pipe, L -> its length). Solved together with the node at the
/// `from` end, as the straight relation between head and inflow that a full pipe offers, too.
/// Range: the front stays whole (it does not run ahead down a slope); the column is stiff. First order in the time step.
/// Accuracy: `agrees_with_rigid_column_law_while_filling`. Derivation: unsteady Bernoulli equation of a rigid column.
#[derive(Debug, Clone)]
pub(crate) struct Front {
    pub(crate) wet_m: f64,
    pub(crate) flow_m3_s: f64,
    /// Gauge pressure of the air ahead, as a head of water, m.
    pub(crate) air_m: f64,
    pub(crate) area_m2: f64,
    pub(crate) length_m: f64,
    gravity_m_s2: f64,
    pub(crate) dt_s: f64,
    /// Elevation of the `from` and `to` ends, m.
    ends_m: (f64, f64),
}

impl Front {
    pub(crate) fn new(spec: &NetworkSpec, element: usize, pipe: &PipeSpec, wet_m: f64, dt_s: f64) -> Self {
        let described = &spec.elements[element];
        let elevation_m = |node: usize| spec.nodes[node].elevation_m;
        Self {
            wet_m,
            flow_m3_s: 0.0,
            air_m: 0.0,
            area_m2: bore_area_m2(pipe),
            length_m: pipe.length_m,
            gravity_m_s2: spec.liquid.gravity_m_s2,
            dt_s,
            ends_m: (elevation_m(described.from), elevation_m(described.to)),
        }
    }

    /// Elevation at a place along the pipe, m.
    pub(crate) fn elevation_m(&self, along_m: f64) -> f64 {
        self.ends_m.0 + (self.ends_m.1 - self.ends_m.0) * (along_m / self.length_m).clamp(0.0, 1.0)
    }

    /// Head of the water at the front, m.
    pub(crate) fn head_m(&self) -> f64 {
        self.elevation_m(self.wet_m) + self.air_m
    }

    pub(crate) fn is_dry(&self) -> bool {
        self.wet_m <= 0.0
    }

    pub(crate) fn is_full(&self) -> bool {
        self.wet_m >= self.length_m
    }

    /// Volume of the air ahead, m3.
    pub(crate) fn air_m3(&self) -> f64 {
        self.area_m2 * (self.length_m - self.wet_m).max(0.0)
    }

    pub(crate) fn end(&self, at_to: bool, resistance: &Resistance) -> PipeEnd {
        if at_to {
            return PipeEnd { offer_m: self.ends_m.1 + self.air_m, impedance_s_m2: DRY_END_S_M2 };
        }
        let column_m = self.wet_m.max(LEAST_COLUMN_M);
        let inertia_s_m2 = column_m / (self.gravity_m_s2 * self.area_m2 * self.dt_s);
        let loss_s_m2 = resistance.per_flow(self.flow_m3_s) * column_m / self.length_m;
        PipeEnd { offer_m: self.head_m() - inertia_s_m2 * self.flow_m3_s, impedance_s_m2: inertia_s_m2 + loss_s_m2 }
    }

    /// Take the flow solved for the new level; a dry pipe that gives air stays dry.
    pub(crate) fn take(&mut self, flow_m3_s: f64) {
        let moved_m3 = 0.5 * self.dt_s * (self.flow_m3_s + flow_m3_s);
        self.wet_m = (self.wet_m + moved_m3 / self.area_m2).clamp(0.0, self.length_m);
        self.flow_m3_s = flow_m3_s;
    }

    /// Heads and flows at evenly spaced points, for whoever looks into the pipe.
    pub(crate) fn show(&self, head_at_from_m: f64, head_m: &mut [f64], flow_m3_s: &mut [f64]) {
        let (cell_m, front_m) = (self.length_m / (head_m.len() - 1) as f64, self.head_m());
        let per_metre = if self.wet_m > 0.0 { (front_m - head_at_from_m) / self.wet_m } else { 0.0 };
        let fall_per_m = (self.ends_m.1 - self.ends_m.0) / self.length_m;
        for (i, (head, flow)) in head_m.iter_mut().zip(&mut *flow_m3_s).enumerate() {
            let along_m = cell_m * i as f64;
            let (water_m, air_m) =
                (head_at_from_m + along_m * per_metre, self.ends_m.0 + along_m * fall_per_m + self.air_m);
            let wet = along_m < self.wet_m;
            *head = if wet { water_m } else { air_m };
            *flow = if wet { self.flow_m3_s } else { 0.0 };
        }
        flow_m3_s[0] = self.flow_m3_s;
    }
}
