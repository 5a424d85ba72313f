//! The slow give of walls, in lanes.

use crate::hydraulics::moc::interior::PipeGrid;

/// Creeping walls of one pipe in `W` scenarios.
///
/// Equation: that of `moc::creep` on the half grid, with heads over the impedance B as the reach stores them: `f + g` for H.
/// With the memory scaled to `n = e soft m / B`, `soft = 1 / (1 + e share)`, a point that comes with the elastic sum S takes
/// `c = e share soft S - n` and leaves `n + q soft c`; its head is `S - c`, and what it hands on is less by c in f and in g.
/// So points hold what they hand on, and their head is had back from `c = (e share soft (f + g) - n) / (1 - 2 e share soft -
/// q soft)` with the memory left (`agrees_with_one_at_a_time_where_walls_creep_and_meters_answer`).
#[derive(Debug, Clone)]
pub(super) struct Walls<const W: usize> {
    /// `e share soft`.
    give: [f64; W],
    /// `q soft`.
    gain: [f64; W],
    /// What is left of an elastic head and of an impedance.
    soft: [f64; W],
    /// `1 / (1 - 2 e share soft - q soft)`.
    back: [f64; W],
    whole: Vec<f64>,
    midway: Vec<f64>,
}

impl<const W: usize> Walls<W> {
    /// Walls at rest; walls that do not creep have the share 0.
    pub(super) fn new(pipes: &[&PipeGrid; W]) -> Self {
        let cells = pipes[0].cells();
        let zeros = |points: usize| vec![0.0; points * W];
        let mut walls = Self {
            give: [0.0; W],
            gain: [0.0; W],
            soft: [1.0; W],
            back: [1.0; W],
            whole: zeros(cells + 1),
            midway: zeros(cells),
        };
        for (lane, pipe) in pipes.iter().enumerate() {
            let Some((share, drop, gain)) = pipe.creep() else { continue };
            let soft = 1.0 / (1.0 + drop * share);
            (walls.give[lane], walls.gain[lane], walls.soft[lane]) = (drop * share * soft, gain * soft, soft);
            walls.back[lane] = 1.0 / (1.0 - 2.0 * walls.give[lane] - walls.gain[lane]);
            let per_head = walls.give[lane] / pipe.impedance_s_m2;
            for point in 0..=cells {
                walls.whole[point * W + lane] = per_head * pipe.head_m[point];
            }
            for cell in 0..cells {
                walls.midway[cell * W + lane] = 0.5 * per_head * (pipe.head_m[cell] + pipe.head_m[cell + 1]);
            }
        }
        walls
    }

    /// `e share soft` and `q soft`.
    pub(super) fn numbers(&self) -> [&[f64; W]; 2] {
        [&self.give, &self.gain]
    }

    /// Memories of the points of the whole level and of those midway.
    pub(super) fn memories(&mut self) -> (&mut [f64], &mut [f64]) {
        (&mut self.whole, &mut self.midway)
    }

    /// What the sum of a whole point (number `at` of all lanes) lacks of its head.
    #[inline(always)]
    pub(super) fn taken(&self, lane: usize, at: usize, sum: f64) -> f64 {
        (self.give[lane] * sum - self.whole[at]) * self.back[lane]
    }

    /// What an end is offered, halved as f and g are, through a wall that gives; and what is left of its impedance.
    #[inline(always)]
    pub(super) fn soften(&self, offered: &mut [f64; W], at_to: bool) -> [f64; W] {
        let point = if at_to { self.whole.len() - W } else { 0 };
        let memory = &self.whole[point..][..W];
        for l in 0..W {
            offered[l] = self.soft[l] * offered[l] + 0.5 * memory[l];
        }
        self.soft
    }

    /// A point at an end, whose head is known, begins to hand on.
    #[inline(always)]
    pub(super) fn follow(&mut self, f: &mut [f64; W], g: &mut [f64; W], point: usize) {
        let memory = &mut self.whole[point * W..][..W];
        for l in 0..W {
            let c = (self.give[l] * (f[l] + g[l]) - memory[l]) / self.soft[l];
            memory[l] += self.gain[l] * c;
            f[l] -= 0.5 * c;
            g[l] -= 0.5 * c;
        }
    }

    /// A point midway, which comes as with an elastic wall.
    #[inline(always)]
    pub(super) fn give_midway(&mut self, points: (&mut [f64], &mut [f64]), point: usize) {
        let memory = &mut self.midway[point * W..][..W];
        give((&self.give, &self.gain), points, memory);
    }

    /// A point of the whole level, which comes as with an elastic wall; what its sum then lacks of its head.
    #[inline(always)]
    pub(super) fn give_whole(&mut self, points: (&mut [f64], &mut [f64]), point: usize) -> [f64; W] {
        let memory = &mut self.whole[point * W..][..W];
        give((&self.give, &self.gain), points, memory)
    }
}

#[inline(always)]
fn give<const W: usize>(
    (share, gain): (&[f64; W], &[f64; W]),
    (f, g): (&mut [f64], &mut [f64]),
    memory: &mut [f64],
) -> [f64; W] {
    let (f, g, memory, mut taken) = (&mut f[..W], &mut g[..W], &mut memory[..W], [0.0; W]);
    for l in 0..W {
        taken[l] = share[l] * (f[l] + g[l]) - memory[l];
        memory[l] += gain[l] * taken[l];
        f[l] -= taken[l];
        g[l] -= taken[l];
    }
    taken
}
