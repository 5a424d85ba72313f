//! Friction by table, in lanes.

use super::walls::Walls;
use super::{Boiling, note_unsound};
use crate::hydraulics::moc::interior::PipeGrid;
use crate::hydraulics::moc::lanes::isa::{Isa, fused};
use crate::hydraulics::pipe::Parts;
use crate::hydraulics::re_pieces::{begins_at, cubic, place};

/// Most eights of lanes.
const EIGHTHS: usize = 2;

/// Friction by table: a copy of each different table, and where each lane's is.
#[derive(Debug)]
pub(super) struct Tables<const W: usize> {
    sigma: Vec<f64>,
    pub(super) values: Vec<[f64; 4]>,
    pub(super) at: [usize; W],
    pub(super) re_per_flow: [f64; W],
    pub(super) by_table: [f64; W],
    pub(super) by_flow: [f64; W],
}

/// A cubic in |Q| with the flows that it is good for, m3/s.
pub(super) struct Cubic {
    pub(super) of_flow: [f64; 4],
    pub(super) from_m3_s: f64,
    pub(super) to_m3_s: f64,
}

/// Two cubics in |Q| about the flow in the middle of a pipe, lane by lane: the second from `knot` on, both good from `low`
/// to `high`.
///
/// Resistance grows with flow, so that no sum of two sigmas of flows up to `high` is more than `sum`.
#[derive(Debug)]
pub(super) struct Near<const W: usize> {
    pub(super) cubics: [[[f64; W]; 4]; 2],
    pub(super) low: [f64; W],
    pub(super) knot: [f64; W],
    pub(super) high: [f64; W],
    /// Flows in the middle between which they stay the nearest.
    kept: [[f64; W]; 2],
    pub(super) sum: f64,
    /// The largest sigma of flows beyond `high` in the step before.
    pub(super) beyond: f64,
    /// Steps for which eight lanes read from both cubics.
    pub(super) both_for: [u32; EIGHTHS],
}

impl<const W: usize> Near<W> {
    pub(super) const NONE: Self = Self {
        cubics: [[[0.0; W]; 4]; 2],
        low: [0.0; W],
        knot: [0.0; W],
        high: [0.0; W],
        kept: [[0.0; W]; 2],
        sum: f64::INFINITY,
        beyond: 0.0,
        both_for: [0; EIGHTHS],
    };

    /// Keep or choose by the flows in the middle.
    #[inline(always)]
    pub(super) fn aim(&mut self, tables: &Tables<W>, flow_m3_s: &[f64; W]) {
        let mut strays = false;
        for l in 0..W {
            let size = flow_m3_s[l].abs();
            strays |= !(size >= self.kept[0][l] && size < self.kept[1][l]);
        }
        if strays {
            (0..W).for_each(|lane| self.choose(tables, lane, flow_m3_s[lane].abs()));
            let most = |lane: usize| 2.0 * tables.sigma_of(lane, self.high[lane]);
            self.sum = (0..W).map(most).fold(0.0, f64::max);
        }
    }

    fn choose(&mut self, tables: &Tables<W>, lane: usize, size_m3_s: f64) {
        let [lower, upper] = tables.near(lane, size_m3_s);
        for k in 0..4 {
            (self.cubics[0][k][lane], self.cubics[1][k][lane]) = (lower.of_flow[k], upper.of_flow[k]);
        }
        (self.low[lane], self.knot[lane], self.high[lane]) = (lower.from_m3_s, upper.from_m3_s, upper.to_m3_s);
        let from = if lower.from_m3_s > 0.0 { 0.5 * (lower.from_m3_s + lower.to_m3_s) } else { 0.0 };
        (self.kept[0][lane], self.kept[1][lane]) = (from, 0.5 * (upper.from_m3_s + upper.to_m3_s));
    }
}

impl<const W: usize> Tables<W> {
    /// Tables of one pipe in `W` scenarios; none where friction is fixed.
    pub(super) fn new(pipes: &[&PipeGrid; W]) -> Option<Self> {
        let points = pipes[0].cells() + 1;
        let mut tables = Self {
            sigma: vec![0.0; points * W],
            values: Vec::new(),
            at: [0; W],
            re_per_flow: [0.0; W],
            by_table: [0.0; W],
            by_flow: [0.0; W],
        };
        for (lane, pipe) in pipes.iter().enumerate() {
            let Parts::Tabulated { re_per_flow, per_f_re, minor_per_flow, table } = pipe.resistance.parts() else {
                return None;
            };
            let share = 1.0 / (4.0 * pipe.cells() as f64 * pipe.impedance_s_m2);
            tables.re_per_flow[lane] = re_per_flow;
            tables.by_table[lane] = per_f_re * share;
            tables.by_flow[lane] = minor_per_flow * share;
            tables.at[lane] = tables.values.len();
            tables.values.extend_from_slice(table.pieces());
        }
        Some(tables)
    }

    pub(super) fn set(&mut self, lane: usize, point: usize, flow_m3_s: f64) {
        self.sigma[point * W + lane] = self.sigma_of(lane, flow_m3_s.abs());
    }

    pub(super) fn set_end(&mut self, point: usize, flow_m3_s: &[f64; W]) {
        let mut sigma = [0.0; W];
        self.sigmas(flow_m3_s, &mut sigma);
        self.sigma[point * W..][..W].copy_from_slice(&sigma);
    }

    /// sigma at a point of the level last computed.
    pub(super) fn sigma_at(&self, point: usize) -> [f64; W] {
        std::array::from_fn(|l| self.sigma[point * W + l])
    }

    pub(super) fn sigma_of(&self, lane: usize, size_m3_s: f64) -> f64 {
        let (piece, rest) = place(self.re_per_flow[lane] * size_m3_s);
        self.by_table[lane] * cubic(&self.values[self.at[lane] + piece], rest) + self.by_flow[lane] * size_m3_s
    }

    /// sigma at the flows of all lanes.
    #[inline(always)]
    fn sigmas(&self, flow_m3_s: &[f64; W], sigma: &mut [f64; W]) {
        for l in 0..W {
            sigma[l] = self.sigma_of(l, flow_m3_s[l].abs());
        }
    }

    /// The cubic about a flow, or its neighbour below or above, whichever the flow is nearer to; the lower first.
    pub(super) fn near(&self, lane: usize, size_m3_s: f64) -> [Cubic; 2] {
        let re = self.re_per_flow[lane] * size_m3_s;
        let (piece, rest) = place(re);
        let pieces = self.values.len() / W;
        if re < begins_at(0) || (piece == 0 && rest < 0.5) {
            return [self.constant(lane), self.cubic(lane, 0)];
        }
        let lower = if rest < 0.5 { piece - 1 } else { piece.min(pieces - 2) };
        [self.cubic(lane, lower), self.cubic(lane, lower + 1)]
    }

    /// The cubic about a flow.
    pub(super) fn about(&self, lane: usize, size_m3_s: f64) -> Cubic {
        let re = self.re_per_flow[lane] * size_m3_s;
        if re < begins_at(0) { self.constant(lane) } else { self.cubic(lane, place(re).0) }
    }

    /// Below the first piece.
    fn constant(&self, lane: usize) -> Cubic {
        let of_flow = [self.by_table[lane] * self.values[self.at[lane]][0], self.by_flow[lane], 0.0, 0.0];
        Cubic { of_flow, from_m3_s: 0.0, to_m3_s: begins_at(0) / self.re_per_flow[lane] }
    }

    /// Equation: `c(t)` with `t = a |Q| + b`, multiplied out.
    fn cubic(&self, lane: usize, piece: usize) -> Cubic {
        let (from, to) = (begins_at(piece), begins_at(piece + 1));
        let (a, b) = (self.re_per_flow[lane] / (to - from), -from / (to - from));
        let c = self.values[self.at[lane] + piece].map(|c| c * self.by_table[lane]);
        let of_flow = [
            c[0] + b * (c[1] + b * (c[2] + b * c[3])),
            a * (c[1] + b * (2.0 * c[2] + 3.0 * b * c[3])) + self.by_flow[lane],
            a * a * (c[2] + 3.0 * b * c[3]),
            a * a * a * c[3],
        ];
        let per_flow = self.re_per_flow[lane];
        Cubic { of_flow, from_m3_s: from / per_flow, to_m3_s: to / per_flow }
    }

    /// Whole points to points midway.
    #[inline(always)]
    pub(super) fn midway<I: Isa>(&mut self, (f, g): (&mut [f64], &mut [f64]), n: usize, walls: &mut Walls<W>) {
        for point in 0..n {
            let (a, b) = (point * W, point * W + W);
            self.point::<I>((f, g), a, b, a);
            walls.give_midway((&mut f[a..], &mut g[a..]), point);
        }
    }

    /// Points midway to the inner points of the whole level.
    #[inline(always)]
    pub(super) fn whole<I: Isa>(
        &mut self,
        (f, g): (&mut [f64], &mut [f64]),
        n: usize,
        walls: &mut Walls<W>,
        (boiling, unsound): (&Boiling<W>, &mut [bool; W]),
    ) {
        for point in (1..n).rev() {
            self.point::<I>((f, g), (point - 1) * W, point * W, point * W);
            let (f, g) = (&mut f[point * W..][..W], &mut g[point * W..][..W]);
            let mut sums = walls.give_whole((&mut *f, &mut *g), point);
            for l in 0..W {
                sums[l] += f[l] + g[l];
            }
            note_unsound::<I, W>(&sums, point, boiling, unsound);
        }
    }

    /// One point from its neighbours at `a` and `b`, stored at `to`.
    #[inline(always)]
    fn point<I: Isa>(&mut self, (f, g): (&mut [f64], &mut [f64]), a: usize, b: usize, to: usize) {
        let (mut flow, mut sigma) = ([0.0; W], [0.0; W]);
        {
            let (f_a, g_b) = (&f[a..][..W], &g[b..][..W]);
            let (s_a, s_b) = (&self.sigma[a..][..W], &self.sigma[b..][..W]);
            for l in 0..W {
                flow[l] = (f_a[l] - g_b[l]) / (1.0 + s_a[l] + s_b[l]);
            }
        }
        self.sigmas(&flow, &mut sigma);
        for l in 0..W {
            let (f_a, g_b) = (f[a + l], g[b + l]);
            let (s_a, s_b) = (self.sigma[a + l], self.sigma[b + l]);
            f[to + l] = fused::<I>(-s_a, flow[l], f_a);
            g[to + l] = fused::<I>(s_b, flow[l], g_b);
            self.sigma[to + l] = sigma[l];
        }
    }
}
