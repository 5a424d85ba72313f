//! The slow give of walls, in lanes.

use crate::hydraulics::moc::interior::PipeGrid;

/// Creeping walls of one pipe in `W` scenarios.
///
/// Equation: that of `moc::creep` on the half grid, with heads over the impedance B as the reach stores them: `f + g` for H,
/// memory `m / B`. What a point hands on is less by `e d / 2B` in f and g each. A point of the whole level keeps its true
/// head until the next step begins; one midway is at once what it hands on.
#[derive(Debug)]
pub(super) struct Walls<const W: usize> {
    share: [f64; W],
    /// e of the equation.
    drop: [f64; W],
    /// q of the equation.
    gain: [f64; W],
    /// `1 / (1 + e share)`: what is left of an elastic head and of an impedance.
    soft: [f64; W],
    whole: Vec<f64>,
    midway: Vec<f64>,
}

impl<const W: usize> Walls<W> {
    /// Walls at rest; walls that do not creep have the share 0.
    pub(super) fn new(pipes: &[&PipeGrid; W]) -> Self {
        let cells = pipes[0].cells();
        let zeros = |points: usize| vec![0.0; points * W];
        let mut walls = Self {
            share: [0.0; W],
            drop: [0.0; W],
            gain: [0.0; W],
            soft: [1.0; W],
            whole: zeros(cells + 1),
            midway: zeros(cells),
        };
        for (lane, pipe) in pipes.iter().enumerate() {
            let Some((share, drop, gain)) = pipe.creep() else { continue };
            (walls.share[lane], walls.drop[lane], walls.gain[lane]) = (share, drop, gain);
            walls.soft[lane] = 1.0 / (1.0 + drop * share);
            let per_head = share / pipe.impedance_s_m2;
            for point in 0..=cells {
                walls.whole[point * W + lane] = per_head * pipe.head_m[point];
            }
            for cell in 0..cells {
                walls.midway[cell * W + lane] = 0.5 * per_head * (pipe.head_m[cell] + pipe.head_m[cell + 1]);
            }
        }
        walls
    }

    /// Share, e, q and what is left.
    pub(super) fn numbers(&self) -> [&[f64; W]; 4] {
        [&self.share, &self.drop, &self.gain, &self.soft]
    }

    /// Memories of the points of the whole level and of those midway.
    pub(super) fn memories(&mut self) -> (&mut [f64], &mut [f64]) {
        (&mut self.whole, &mut self.midway)
    }

    /// What an end is offered, halved as f and g are, through a wall that gives; and what is left of its impedance.
    #[inline(always)]
    pub(super) fn soften(&self, offered: &mut [f64; W], at_to: bool) -> [f64; W] {
        let point = if at_to { self.whole.len() - W } else { 0 };
        let memory = &self.whole[point..][..W];
        for l in 0..W {
            offered[l] = self.soft[l] * (offered[l] + 0.5 * self.drop[l] * memory[l]);
        }
        self.soft
    }

    /// A point of the whole level, before it hands on.
    #[inline(always)]
    pub(super) fn follow(&mut self, (f, g): (&mut [f64], &mut [f64]), point: usize) {
        let (f, g, memory) = (&mut f[..W], &mut g[..W], &mut self.whole[point * W..][..W]);
        for l in 0..W {
            let d = self.share[l] * (f[l] + g[l]) - memory[l];
            memory[l] += self.gain[l] * d;
            f[l] -= 0.5 * self.drop[l] * d;
            g[l] -= 0.5 * self.drop[l] * d;
        }
    }

    /// A point midway, which comes as with an elastic wall.
    #[inline(always)]
    pub(super) fn give_midway(&mut self, (f, g): (&mut [f64], &mut [f64]), point: usize) {
        let (f, g, memory) = (&mut f[..W], &mut g[..W], &mut self.midway[point * W..][..W]);
        for l in 0..W {
            let d = self.soft[l] * (self.share[l] * (f[l] + g[l]) - memory[l]);
            memory[l] += self.gain[l] * d;
            f[l] -= self.drop[l] * d;
            g[l] -= self.drop[l] * d;
        }
    }

    /// A point of the whole level, which comes as with an elastic wall; its memory waits for the next step.
    #[inline(always)]
    pub(super) fn give(&self, (f, g): (&mut [f64], &mut [f64]), point: usize) {
        let (f, g, memory) = (&mut f[..W], &mut g[..W], &self.whole[point * W..][..W]);
        for l in 0..W {
            let d = self.soft[l] * (self.share[l] * (f[l] + g[l]) - memory[l]);
            f[l] -= 0.5 * self.drop[l] * d;
            g[l] -= 0.5 * self.drop[l] * d;
        }
    }
}
