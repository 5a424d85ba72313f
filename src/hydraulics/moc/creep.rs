//! The slow give of a hose's wall.

use crate::hydraulics::spec::CreepSpec;

/// One delayed element beside the elastic wall (a standard linear solid), at every grid point of a pipe.
///
/// Equation: with s the delayed give as a head, `ds/dt = r = (share H - s) / tau`, and continuity stores `H + s` where an
/// elastic wall stores H: along both characteristics r joins `dH/dt` with factor one. Both are taken by the trapezoidal
/// rule: over the way dt of a characteristic by its two ends, and over the time T between two looks at one point (dt on
/// the full grid, 2 dt on the half grid, where a point is met at every other half step). With `h = T / (2 tau)`,
/// `q = 2 h / (1 + h)`, `e = q dt / (2 T)` and the memory `m = (1 - h) s + h share H` of the level before, a point's
/// `d = share H - m` gives `(dt/2) r = e d` and the next `m + q d`. So the head of a point with the elastic head E is
/// `(E + e m) / (1 + e share)`, its flow stays as it is, and what it hands on either way is less by `e d`.
/// share, tau -> [`CreepSpec`]; H -> head, m.
/// Range: share 0..10, tau > 0. Steady states do not change. Second order in dt, on either grid.
/// Accuracy: `agrees_with_closed_form_decay_of_a_creeping_line`, `law_creep_converges_with_second_order`.
/// Derivation: generalised Kelvin-Voigt wall with one element (the relation of stress and strain of any textbook of linear
/// viscoelasticity), put into the characteristics by the two trapezoidal rules above.
#[derive(Debug, Clone)]
pub(super) struct Creep {
    share: f64,
    /// e of the equation.
    drop: f64,
    /// q of the equation.
    gain: f64,
    /// `1 / (1 + e share)`.
    soft: f64,
    /// m of the equation, m.
    memory_m: Vec<f64>,
    /// On the half grid, m of the points midway.
    midway_m: Option<Vec<f64>>,
}

impl Creep {
    /// At rest under the heads given; `step_s` from a point to the same point of the next level.
    pub(super) fn new(spec: &CreepSpec, step_s: f64, head_m: &[f64], halved: bool) -> Self {
        let h = 0.5 * step_s / spec.time_s;
        let gain = 2.0 * h / (1.0 + h);
        let drop = gain * if halved { 0.25 } else { 0.5 };
        let mut creep = Self {
            share: spec.share,
            drop,
            gain,
            soft: 1.0 / (1.0 + drop * spec.share),
            memory_m: vec![0.0; head_m.len()],
            midway_m: halved.then(|| vec![0.0; head_m.len() - 1]),
        };
        creep.settle(head_m);
        creep
    }

    /// As if the heads given had stood for long.
    pub(super) fn settle(&mut self, head_m: &[f64]) {
        self.memory_m.iter_mut().zip(head_m).for_each(|(memory, head)| *memory = self.share * head);
        if let Some(midway_m) = &mut self.midway_m {
            let between = head_m.iter().zip(&head_m[1..]).map(|(left, right)| 0.5 * (left + right));
            midway_m.iter_mut().zip(between).for_each(|(memory, head)| *memory = self.share * head);
        }
    }

    /// Memories of all points, m; those midway between.
    pub(super) fn remember(&mut self, memory_m: &[f64]) {
        self.memory_m.copy_from_slice(memory_m);
        if let Some(midway_m) = &mut self.midway_m {
            let between = memory_m.iter().zip(&memory_m[1..]).map(|(left, right)| 0.5 * (left + right));
            midway_m.iter_mut().zip(between).for_each(|(memory, between)| *memory = between);
        }
    }

    /// Share, drop and gain of the equation.
    pub(super) fn parts(&self) -> (f64, f64, f64) {
        (self.share, self.drop, self.gain)
    }

    /// Take over the heads of the level that was solved, and lessen what they hand on.
    #[inline(always)]
    pub(super) fn follow(&mut self, head_m: &[f64], forwards_m: &mut [f64], backwards_m: &mut [f64]) {
        let (share, drop, gain) = (self.share, self.drop, self.gain);
        let offers = forwards_m.iter_mut().zip(backwards_m);
        for ((memory, head), (forwards, backwards)) in self.memory_m.iter_mut().zip(head_m).zip(offers) {
            let d = share * head - *memory;
            *memory += gain * d;
            *forwards -= drop * d;
            *backwards -= drop * d;
        }
    }

    /// As [`Creep::follow`] for the points midway, which come with what an elastic wall would hand on.
    #[inline(always)]
    pub(super) fn follow_midway(&mut self, forwards_m: &mut [f64], backwards_m: &mut [f64]) {
        let Some(midway_m) = &mut self.midway_m else { return };
        let (share, drop, gain, soft) = (self.share, self.drop, self.gain, self.soft);
        for (memory, (forwards, backwards)) in midway_m.iter_mut().zip(forwards_m.iter_mut().zip(backwards_m)) {
            let elastic_m = 0.5 * (*forwards + *backwards);
            let d = soft * (share * elastic_m - *memory);
            *memory += gain * d;
            *forwards -= 2.0 * drop * d;
            *backwards -= 2.0 * drop * d;
        }
    }

    /// Delayed give of the whole pipe in cells, m: at the points with half weight at the ends; on the half grid the mean
    /// of both colours, those midway carried on to the present level. So the volume balances to rounding.
    pub(super) fn given_m(&self, head_m: &[f64]) -> f64 {
        let at = |i: usize| self.memory_m[i] + 0.5 * self.gain * (self.share * head_m[i] - self.memory_m[i]);
        let last = head_m.len() - 1;
        let whole = (0..=last).map(at).sum::<f64>() - 0.5 * (at(0) + at(last));
        self.midway_m.as_ref().map_or(whole, |midway_m| 0.5 * (whole + midway_m.iter().sum::<f64>()))
    }

    /// Head at a point from the head it would have with an elastic wall, m.
    pub(super) fn head_m(&self, point: usize, elastic_m: f64) -> f64 {
        (elastic_m + self.drop * self.memory_m[point]) * self.soft
    }

    /// As [`Creep::head_m`] for all inner points of a pipe, in place.
    #[inline(always)]
    pub(super) fn soften_inner(&self, head_m: &mut [f64]) {
        let last = head_m.len() - 1;
        let (drop, soft) = (self.drop, self.soft);
        for (head, memory) in head_m[1..last].iter_mut().zip(&self.memory_m[1..last]) {
            *head = (*head + drop * memory) * soft;
        }
    }

    /// Impedance of an end whose wall creeps, s/m2.
    pub(super) fn softened(&self, impedance_s_m2: f64) -> f64 {
        impedance_s_m2 * self.soft
    }
}
