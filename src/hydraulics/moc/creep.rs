//! The slow give of a hose's wall.

use crate::hydraulics::spec::CreepSpec;

/// One delayed element beside the elastic wall (a standard linear solid), at every grid point of a pipe.
///
/// Equation: with s the delayed give as a head, `ds/dt = (share H - s) / tau`, and continuity stores `H + s` where an
/// elastic wall stores H: along both characteristics `ds/dt` joins `dH/dt` with factor one. Taken at the new level,
/// `dt ds/dt = k (share H - s_old)` with `k = dt / (tau + dt)`, so that the flow of a point stays as it is and its head
/// becomes `(H + k s_old) / (1 + k share)`.
/// share, tau -> [`CreepSpec`]; H -> head, m.
/// Range: share 0..10, tau > 0. Steady states do not change. First order in dt.
/// Accuracy: `agrees_with_closed_form_decay_of_a_creeping_line`.
/// Derivation: as viscoelastic pipes are commonly put into characteristics (generalised Kelvin-Voigt wall; from memory).
#[derive(Debug, Clone)]
pub(super) struct Creep {
    share: f64,
    /// k of the equation.
    step: f64,
    /// Delayed give at the old level, m.
    given_m: Vec<f64>,
}

impl Creep {
    /// At rest under the heads given.
    pub(super) fn new(spec: &CreepSpec, dt_s: f64, head_m: &[f64]) -> Self {
        let given_m = head_m.iter().map(|head| spec.share * head).collect();
        Self { share: spec.share, step: dt_s / (spec.time_s + dt_s), given_m }
    }

    /// As if the heads given had stood for long.
    pub(super) fn settle(&mut self, head_m: &[f64]) {
        self.given_m.iter_mut().zip(head_m).for_each(|(given, head)| *given = self.share * head);
    }

    /// Take over the heads of the level that was solved.
    pub(super) fn follow(&mut self, head_m: &[f64]) {
        let (share, step) = (self.share, self.step);
        self.given_m.iter_mut().zip(head_m).for_each(|(given, head)| *given += step * (share * head - *given));
    }

    /// Delayed give at a point once it has followed the head there, m.
    pub(super) fn followed_m(&self, point: usize, head_m: f64) -> f64 {
        self.given_m[point] + self.step * (self.share * head_m - self.given_m[point])
    }

    /// Head at a point from the head it would have with an elastic wall, m.
    pub(super) fn head_m(&self, point: usize, elastic_m: f64) -> f64 {
        (elastic_m + self.step * self.given_m[point]) / (1.0 + self.step * self.share)
    }

    /// Impedance of an end whose wall creeps, s/m2.
    pub(super) fn softened(&self, impedance_s_m2: f64) -> f64 {
        impedance_s_m2 / (1.0 + self.step * self.share)
    }
}
