//! Vapour cavities at the points of a pipe and at nodes: water parts where its pressure would fall below that of its
//! vapour, and joins again when the gap has filled.
//!
//! Equation: at a point, with `H+` the head that unbroken water would have there, G the sum of the two pipe sides'
//! conductances, V the cavity and `H_v` the boiling head, the new level obeys
//! `V1 = V0 + dt G (H - H+)`, `H >= H_v`, `V1 >= 0`, and one of the last two is an equality. Either the cavity stays
//! (`H = H_v`) or it fills within the step, whose head then follows from `V1 = 0`. So no volume is cut off when a cavity
//! closes, which is where the plain closure (full water at once, whatever was left) loses it.
//! V -> m3, H -> m, G -> m2/s.
//! Range: one cavity a grid point, vapour only, no gas comes out of the water; wave speed as of full water between.
//! Accuracy: volume closes to rounding (`law_cavities_conserve_volume`); opening, size and collapse as `cavity-*`. First
//! order in dt.
//! Derivation: discrete cavities (WS93 chapter 8) with the flow of the new level only (weight one) and the filling step
//! solved instead of cut off.

/// Cavities at the inner points of one pipe.
#[derive(Debug, Clone)]
pub(super) struct Cavities {
    dt_s: f64,
    volume_m3: Vec<f64>,
    /// Flow away from a point's downstream side less that into its upstream side, m3/s.
    gap_m3_s: Vec<f64>,
    /// Points with a volume or a gap.
    active: usize,
}

/// The two sides of a point at the new level.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sides {
    /// Impedances of the upstream and downstream side, s/m2.
    pub(super) impedance_s_m2: (f64, f64),
    /// By how much the wall's creep makes the point give more, 1 or above.
    pub(super) softening: f64,
}

impl Cavities {
    pub(super) fn new(points: usize, dt_s: f64) -> Self {
        Self { dt_s, volume_m3: vec![0.0; points], gap_m3_s: vec![0.0; points], active: 0 }
    }

    /// True where nothing is parted: the pipe needs no further look unless a head is below boiling.
    pub(super) fn none(&self) -> bool {
        self.active == 0
    }

    pub(super) fn volume_m3(&self) -> f64 {
        if self.active == 0 { 0.0 } else { self.volume_m3.iter().sum() }
    }

    /// Flow away from a point's downstream side less that into its upstream side, m3/s; 0 where the water is whole.
    pub(super) fn gap_m3_s(&self, point: usize) -> f64 {
        self.gap_m3_s[point]
    }

    /// Share of the length at which the largest one is.
    pub(super) fn largest_share(&self) -> f64 {
        let points = self.volume_m3.iter().enumerate();
        let largest = points.max_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |(point, _)| point);
        largest as f64 / (self.volume_m3.len() - 1) as f64
    }

    /// Volume at the point nearest to a share of the length, m3.
    pub(super) fn at_share_m3(&self, share: f64) -> f64 {
        let last = (self.volume_m3.len() - 1) as f64;
        self.volume_m3[(share.clamp(0.0, 1.0) * last).round() as usize]
    }

    /// What the grid's own store of water counts too much, m3: the cavities, less the half step by which their weight
    /// differs from that of the grid.
    pub(super) fn missing_m3(&self) -> f64 {
        let gaps: f64 = self.gap_m3_s.iter().sum();
        self.volume_m3() - 0.5 * self.dt_s * gaps
    }

    /// Carry the parted flows along: each side of a cavity sends its own flow.
    pub(super) fn part(&self, impedance_s_m2: f64, forwards_m: &mut [f64], backwards_m: &mut [f64]) {
        for ((forwards, backwards), gap) in forwards_m.iter_mut().zip(backwards_m).zip(&self.gap_m3_s) {
            *forwards += 0.5 * impedance_s_m2 * gap;
            *backwards += 0.5 * impedance_s_m2 * gap;
        }
    }

    /// Settle every inner point: heads and mean flows as of unbroken water come in, those of the true state go out.
    pub(super) fn settle(
        &mut self,
        boiling_m: &[f64],
        head_m: &mut [f64],
        flow_m3_s: &mut [f64],
        sides: impl Fn(usize) -> Sides,
    ) {
        self.active = 0;
        for i in 1..head_m.len() - 1 {
            let before_m3 = self.volume_m3[i];
            self.gap_m3_s[i] = 0.0;
            if before_m3 <= 0.0 && head_m[i] >= boiling_m[i] {
                continue;
            }
            let Sides { impedance_s_m2: (up, down), softening } = sides(i);
            let conductance = softening * (1.0 / up + 1.0 / down);
            let filled_m = head_m[i] - before_m3 / (self.dt_s * conductance);
            let new_m = filled_m.max(boiling_m[i]);
            let rise_m = softening * (new_m - head_m[i]);
            self.gap_m3_s[i] = conductance * (new_m - head_m[i]);
            flow_m3_s[i] += 0.5 * rise_m * (1.0 / down - 1.0 / up);
            self.volume_m3[i] =
                if filled_m >= boiling_m[i] { 0.0 } else { (before_m3 + self.dt_s * self.gap_m3_s[i]).max(0.0) };
            head_m[i] = new_m;
            self.active += 1;
        }
    }
}

/// A cavity at a node.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct NodeCavity {
    pub(crate) volume_m3: f64,
    inflow_m3_s: f64,
}

impl NodeCavity {
    /// Inflow that would fill it within one step, m3/s.
    pub(crate) fn filling_m3_s(&self, dt_s: f64) -> f64 {
        self.volume_m3 / dt_s
    }

    /// True while it holds vapour, and for one step after.
    pub(crate) fn is_active(&self) -> bool {
        self.volume_m3 > 0.0 || self.inflow_m3_s != 0.0
    }

    /// Take the solved inflow; `parted` where the node stood at its boiling head.
    pub(crate) fn end(&mut self, inflow_m3_s: f64, parted: bool, dt_s: f64) {
        let active = parted || self.volume_m3 > 0.0;
        self.volume_m3 = if parted { (self.volume_m3 - dt_s * inflow_m3_s).max(0.0) } else { 0.0 };
        self.inflow_m3_s = if active { inflow_m3_s } else { 0.0 };
    }

    /// What the grid's store of water counts too much, m3.
    pub(crate) fn missing_m3(&self, dt_s: f64) -> f64 {
        self.volume_m3 + 0.5 * dt_s * self.inflow_m3_s
    }
}
