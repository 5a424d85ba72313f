//! The half grid of one pipe: points midway between those of the whole level, at half a step.

use super::creep::Creep;
use crate::hydraulics::pipe::Resistance;

/// Points midway, one a cell.
///
/// Equation: as for a point of [`super::interior::Line`], with half a cell on either side, so that two such steps bring
/// every whole point to the same head and flow as two steps of the full grid of half cells would: the other colour of the
/// checkerboard never meets this one inside a pipe. Only what a point hands on is kept: `H + B Q`, `H - B Q` and the
/// resistance of half a cell at its flow.
/// Accuracy: as the full grid of half cells to rounding, where tanks, shafts and elements have no memory
/// (`agrees_with_the_full_grid_inside_pipes`).
#[derive(Debug, Clone)]
pub(super) struct Midway {
    forwards_m: Vec<f64>,
    backwards_m: Vec<f64>,
    per_flow: Vec<f64>,
    flow_m3_s: Vec<f64>,
}

impl Midway {
    pub(super) fn new(cells: usize) -> Self {
        let zeros = || vec![0.0; cells];
        Self { forwards_m: zeros(), backwards_m: zeros(), per_flow: zeros(), flow_m3_s: zeros() }
    }

    /// From the old level (its offers forwards and backwards, its resistances) to the points midway; `share` of the
    /// pipe is half a cell.
    #[inline(always)]
    pub(super) fn advance(
        &mut self,
        impedance_s_m2: f64,
        (forwards_m, backwards_m, per_flow): (&[f64], &[f64], &[f64]),
        resistance: &Resistance,
        share: f64,
    ) {
        let (left, right) = (forwards_m.iter().zip(per_flow), backwards_m[1..].iter().zip(&per_flow[1..]));
        let kept = self.forwards_m.iter_mut().zip(&mut self.backwards_m).zip(&mut self.flow_m3_s);
        for (((forwards, backwards), flow), ((cp, s_a), (cm, s_b))) in kept.zip(left.zip(right)) {
            let new = (cp - cm) / (2.0 * impedance_s_m2 + (s_a + s_b));
            *flow = new;
            *forwards = cp - s_a * new;
            *backwards = cm + s_b * new;
        }
        resistance.fill_per_flow(share, &self.flow_m3_s, &mut self.per_flow);
    }

    /// Let the wall at the points midway give.
    #[inline(always)]
    pub(super) fn creep(&mut self, creep: &mut Creep) {
        creep.follow_midway(&mut self.forwards_m, &mut self.backwards_m);
    }

    /// From the points midway to the inner points of the new level.
    #[inline(always)]
    pub(super) fn advance_inner(&self, impedance_s_m2: f64, head_m: &mut [f64], flow_m3_s: &mut [f64]) {
        let left = self.forwards_m.iter().zip(&self.per_flow);
        let right = self.backwards_m[1..].iter().zip(&self.per_flow[1..]);
        for ((head, flow), ((cp, s_a), (cm, s_b))) in head_m.iter_mut().zip(flow_m3_s).zip(left.zip(right)) {
            let new = (cp - cm) / (2.0 * impedance_s_m2 + (s_a + s_b));
            *flow = new;
            *head = cp - (impedance_s_m2 + s_a) * new;
        }
    }

    /// Resistances on the way to an inner point of the whole level from its two sides, s/m2.
    pub(super) fn resistances(&self, point: usize) -> (f64, f64) {
        (self.per_flow[point - 1], self.per_flow[point])
    }

    /// What the `to` end (true) or the `from` end is offered, and the resistance on the way, s/m2.
    pub(super) fn end(&self, at_to: bool) -> (f64, f64) {
        let last = self.per_flow.len() - 1;
        if at_to { (self.forwards_m[last], self.per_flow[last]) } else { (self.backwards_m[0], self.per_flow[0]) }
    }
}
