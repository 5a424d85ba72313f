//! Friction and give gathered at stations, in lanes.

#[cfg(target_arch = "x86_64")]
mod eight;

use super::tables::Tables;
use super::{Boiling, Offer};
use crate::hydraulics::moc::interior::PipeGrid;
use crate::hydraulics::moc::lanes::isa::{Isa, fused};
use crate::hydraulics::moc::lanes::row::Row;
use crate::hydraulics::moc::stations::Plan;

/// Stations of one pipe in `W` scenarios.
///
/// Equation: that of `moc::stations` with `f = F / (2 B)`, `g = G / (2 B)`, `sigma = R / (2 B)`, and memories scaled as those
/// of [`super::walls::Walls`], e that of the station. Friction is read from one cubic a station and lane, looked up afresh
/// where the flow leaves the piece that it is good for.
#[derive(Debug)]
#[repr(C, align(64))]
pub(super) struct StationLanes<const W: usize> {
    /// sigma of a single cell about the flow in the middle of the pipe, where kernels read it once for all stations.
    common: StationCubic<W>,
    lowest: Lowest<W>,
    /// Head, flow and the flow before at either end.
    ends: [[[f64; W]; 3]; 2],
    impedance_s_m2: [f64; W],
    /// One over it; soft at either end, and one over that.
    per_impedance: [f64; W],
    soft: [[f64; W]; 2],
    per_soft: [[f64; W]; 2],
    plan: Plan,
    /// Handed on, one row of all stations a level.
    forwards: Vec<Row<W>>,
    backwards: Vec<Row<W>>,
    row: usize,
    /// One a station, as below.
    sigma: Vec<Row<W>>,
    memory: Vec<Row<W>>,
    /// Kind of each station: those alike in what follows, `e share soft` and `q soft`, are one.
    kind: Vec<usize>,
    give: Vec<Row<W>>,
    gain: Vec<Row<W>>,
    cubics: Vec<StationCubic<W>>,
}

/// sigma over |Q| from `low` to below `high`.
#[derive(Debug, Clone, Copy)]
#[repr(C, align(64))]
struct StationCubic<const W: usize> {
    of_flow: [[f64; W]; 4],
    low: [f64; W],
    high: [f64; W],
}

impl<const W: usize> StationCubic<W> {
    /// Look it up afresh, of so many cells, where the flow of a lane, from one on, has left it.
    #[inline(never)]
    fn aim(&mut self, cells: f64, from: usize, sizes: &[f64], tables: &Tables<W>) {
        for (l, size) in (from..).zip(sizes) {
            if *size >= self.low[l] && *size < self.high[l] {
                continue;
            }
            let found = tables.about(l, *size);
            (self.low[l], self.high[l]) = (found.from_m3_s, found.to_m3_s);
            for k in 0..4 {
                self.of_flow[k][l] = 2.0 * cells * found.of_flow[k];
            }
        }
    }
}

/// Lowest f and g handed on in the last levels: in two turns of as many levels as are kept, of which the older one ends.
#[derive(Debug)]
#[repr(C, align(64))]
struct Lowest<const W: usize> {
    turns: [[[f64; W]; 2]; 2],
    steps: usize,
}

impl<const W: usize> StationLanes<W> {
    /// From the same pipe of `W` scenarios; none where it has no stations.
    pub(super) fn new(pipes: &[&PipeGrid; W], tables: &Tables<W>) -> Option<Self> {
        let plan = pipes[0].plan()?.clone();
        let count = plan.at.len();
        let zeros = vec![Row::ZERO; count];
        let is_end = |station: usize| station == 0 || station == plan.last();
        let alike = |a: usize, b: usize| is_end(a) == is_end(b) && plan.cells[a].to_bits() == plan.cells[b].to_bits();
        let mut firsts: Vec<usize> = Vec::new();
        let kind = (0..count).map(|station| {
            let known = firsts.iter().position(|first| alike(*first, station));
            known.unwrap_or_else(|| {
                firsts.push(station);
                firsts.len() - 1
            })
        });
        let kind: Vec<usize> = kind.collect();
        let kinds = vec![Row::ZERO; firsts.len()];
        let nothing = StationCubic { of_flow: [[0.0; W]; 4], low: [f64::INFINITY; W], high: [0.0; W] };
        let mut lanes = Self {
            forwards: vec![Row::ZERO; count * plan.levels],
            backwards: vec![Row::ZERO; count * plan.levels],
            row: 0,
            sigma: zeros.clone(),
            memory: zeros,
            give: kinds.clone(),
            gain: kinds,
            kind,
            cubics: vec![nothing; count],
            common: nothing,
            ends: [[[0.0; W]; 3]; 2],
            impedance_s_m2: [0.0; W],
            per_impedance: [0.0; W],
            soft: [[0.0; W]; 2],
            per_soft: [[0.0; W]; 2],
            lowest: Lowest { turns: [[[f64::INFINITY; W]; 2]; 2], steps: 0 },
            plan,
        };
        for (lane, pipe) in pipes.iter().enumerate() {
            lanes.fill(lane, pipe, tables);
        }
        for number in 0..lanes.forwards.len() {
            lanes.lowest.take(&lanes.forwards[number], &lanes.backwards[number]);
        }
        Some(lanes)
    }

    fn fill(&mut self, lane: usize, pipe: &PipeGrid, tables: &Tables<W>) {
        let (share, _, gain) = pipe.creep().unwrap_or((0.0, 0.0, 0.0));
        let (impedance, last) = (pipe.impedance_s_m2, self.plan.last());
        let flow_m3_s = pipe.flow_m3_s[0];
        (self.impedance_s_m2[lane], self.per_impedance[lane]) = (impedance, 1.0 / impedance);
        let mut before = pipe.head_m[0] / impedance;
        for station in 0..=last {
            let sigma = 2.0 * self.plan.cells[station] * tables.sigma_of(lane, flow_m3_s.abs());
            let is_last = station == last;
            let to = pipe.head_m[pipe.cells()] / impedance;
            let after = if is_last { to } else { before - 2.0 * sigma * flow_m3_s };
            let middle = match station {
                0 => after,
                _ if is_last => before,
                _ => 0.5 * (before + after),
            };
            let half = if station == 0 || is_last { 1.0 } else { 0.5 };
            let drop = half * self.plan.cells[station] * gain;
            let soft = 1.0 / (1.0 + drop * share);
            let kind = self.kind[station];
            (self.give[kind][lane], self.gain[kind][lane]) = (drop * share * soft, gain * soft);
            if station == 0 || is_last {
                let end = usize::from(is_last);
                (self.soft[end][lane], self.per_soft[end][lane]) = (soft, 1.0 / soft);
            }
            self.memory[station][lane] = drop * soft * share * middle;
            self.sigma[station][lane] = sigma;
            for level in 0..self.plan.levels {
                let at = level * (last + 1) + station;
                self.forwards[at][lane] = 0.5 * (after + flow_m3_s);
                self.backwards[at][lane] = 0.5 * (before - flow_m3_s);
            }
            before = after;
        }
        for (end, head_m) in [pipe.head_m[0], pipe.head_m[pipe.cells()]].into_iter().enumerate() {
            for (number, value) in [head_m, flow_m3_s, flow_m3_s].into_iter().enumerate() {
                self.ends[end][number][lane] = value;
            }
        }
    }

    /// Number of what a station handed on some levels ago (0: the present).
    #[inline(always)]
    fn at(&self, station: usize, ago: usize) -> usize {
        let row = self.row + self.plan.levels - ago;
        let row = if row >= self.plan.levels { row - self.plan.levels } else { row };
        row * self.plan.at.len() + station
    }

    /// sigma of a station at flows.
    #[inline(always)]
    fn sigma_at<I: Isa>(&mut self, station: usize, flow: &[f64; W], tables: &Tables<W>) -> [f64; W] {
        let (mut size, mut inside) = ([0.0; W], true);
        let cubic = &self.cubics[station];
        for l in 0..W {
            size[l] = flow[l].abs();
        }
        for l in 0..W {
            inside &= (size[l] >= cubic.low[l]) & (size[l] < cubic.high[l]);
        }
        if !inside {
            self.cubics[station].aim(self.plan.cells[station], 0, &size, tables);
        }
        let (cubic, mut sigma) = (&self.cubics[station].of_flow, [0.0; W]);
        for l in 0..W {
            let high = fused::<I>(size[l], cubic[3][l], cubic[2][l]);
            let low = fused::<I>(size[l], high, cubic[1][l]);
            sigma[l] = fused::<I>(size[l], low, cubic[0][l]);
        }
        sigma
    }

    /// No point of the present level can be below boiling.
    #[inline(always)]
    pub(super) fn is_above(&self, boiling: &Boiling<W>) -> bool {
        self.lowest.is_above(boiling)
    }

    /// Step all inner stations to the new level, and tell what the ends are offered.
    #[inline(always)]
    pub(super) fn advance<I: Isa>(&mut self, tables: &Tables<W>, offers: &mut [Offer<W>; 2]) {
        self.row = if self.row + 1 == self.plan.levels { 0 } else { self.row + 1 };
        let lowest = self.inner::<I>(tables);
        for end in 0..2 {
            self.offer::<I>(end, tables, &mut offers[end]);
        }
        self.lowest.take(&lowest[0], &lowest[1]);
        self.lowest.turn(self.plan.levels);
    }

    #[inline(always)]
    fn inner<I: Isa>(&mut self, tables: &Tables<W>) -> [[f64; W]; 2] {
        #[cfg(target_arch = "x86_64")]
        if I::EIGHT && eight::suits(W) {
            // SAFETY: the caller stands where AVX-512 was found.
            return unsafe { eight::inner(self, tables) };
        }
        let mut lowest = [[f64::INFINITY; W]; 2];
        for station in 1..self.plan.last() {
            self.step::<I>(station, tables, &mut lowest);
        }
        lowest
    }

    #[inline(always)]
    fn step<I: Isa>(&mut self, station: usize, tables: &Tables<W>, lowest: &mut [[f64; W]; 2]) {
        let f_a = self.forwards[self.at(station - 1, self.plan.way(station - 1))];
        let g_b = self.backwards[self.at(station + 1, self.plan.way(station))];
        let (mut driving, mut nearly) = ([0.0; W], [0.0; W]);
        let old = &self.sigma[station];
        for l in 0..W {
            let d = f_a[l] - g_b[l];
            driving[l] = d;
            let inner = fused::<I>(-old[l], d, d);
            let inner = fused::<I>(-old[l], inner, d);
            nearly[l] = fused::<I>(-old[l], inner, d);
        }
        let sigma = self.sigma_at::<I>(station, &nearly, tables);
        let at = self.at(station, 0);
        let kind = self.kind[station];
        let (give, gain, memory) = (&self.give[kind], &self.gain[kind], &mut self.memory[station]);
        let (f, g) = (&mut self.forwards[at], &mut self.backwards[at]);
        for l in 0..W {
            let flow = driving[l] / (1.0 + sigma[l]);
            let taken = fused::<I>(give[l], f_a[l] + g_b[l], -memory[l]);
            memory[l] = fused::<I>(gain[l], taken, memory[l]);
            f[l] = g_b[l] + (flow - taken);
            g[l] = f_a[l] - (flow + taken);
            lowest[0][l] = if f[l] < lowest[0][l] { f[l] } else { lowest[0][l] };
            lowest[1][l] = if g[l] < lowest[1][l] { g[l] } else { lowest[1][l] };
        }
        *self.sigma[station] = sigma;
    }

    /// Station of an end, and where that lies which arrives there.
    #[inline(always)]
    fn end(&self, at_to: bool) -> (usize, usize) {
        let last = self.plan.last();
        if at_to { (last, self.at(last - 1, self.plan.way(last - 1))) } else { (0, self.at(1, self.plan.way(0))) }
    }

    #[inline(always)]
    fn offer<I: Isa>(&mut self, end: usize, tables: &Tables<W>, offer: &mut Offer<W>) {
        let (station, arriving) = self.end(end == 1);
        let [_, flow, before] = &self.ends[end];
        let mut ahead = [0.0; W];
        for l in 0..W {
            ahead[l] = 2.0 * flow[l] - before[l];
        }
        let sigma = self.sigma_at::<I>(station, &ahead, tables);
        let arriving = if end == 1 { &self.forwards[arriving] } else { &self.backwards[arriving] };
        let (soft, memory) = (&self.soft[end], &self.memory[station]);
        for l in 0..W {
            let impedance = self.impedance_s_m2[l];
            offer.head_m[l] = impedance * (2.0 * soft[l] * arriving[l] + memory[l]);
            offer.impedance_s_m2[l] = impedance * (soft[l] + 2.0 * sigma[l]);
        }
        *self.sigma[station] = sigma;
    }

    /// Take heads solved at an end, and what then runs into the node.
    #[inline(always)]
    pub(super) fn set_end(&mut self, at_to: bool, head_m: &[f64; W], inflow_m3_s: &[f64; W]) {
        let (station, _) = self.end(at_to);
        let at = self.at(station, 0);
        let (kind, end) = (self.kind[station], usize::from(at_to));
        let (sigma, memory, per_soft) = (&self.sigma[station], &self.memory[station], &self.per_soft[end]);
        let (give, gain, lowest) = (&self.give[kind], &self.gain[kind], &self.lowest.turns[0][end]);
        let sign = if at_to { 1.0 } else { -1.0 };
        // Copies: a loop over lanes becomes vectors where nothing it writes can be what it reads.
        let (mut kept, mut handed_on, mut least, mut through) = ([0.0; W], [0.0; W], [0.0; W], [0.0; W]);
        for l in 0..W {
            let into = -inflow_m3_s[l];
            let wall = head_m[l] * self.per_impedance[l] - 2.0 * sigma[l] * into;
            let c = (give[l] * wall - memory[l]) * per_soft[l];
            let sent = 0.5 * (wall + into - c);
            kept[l] = memory[l] + gain[l] * c;
            handed_on[l] = sent;
            least[l] = if sent < lowest[l] { sent } else { lowest[l] };
            through[l] = sign * inflow_m3_s[l];
        }
        *self.memory[station] = kept;
        self.lowest.turns[0][end] = least;
        let [head, flow, before] = &mut self.ends[end];
        (*head, *before, *flow) = (*head_m, *flow, through);
        let row = if at_to { &mut self.backwards[at] } else { &mut self.forwards[at] };
        **row = handed_on;
    }

    /// Head (m) and flow (m3/s) in the middle of a station.
    #[inline(always)]
    fn middle(&self, station: usize) -> ([f64; W], [f64; W]) {
        let last = self.plan.last();
        if station == 0 || station == last {
            let end = &self.ends[usize::from(station > 0)];
            return (end[0], end[1]);
        }
        let f_a = &self.forwards[self.at(station - 1, self.plan.way(station - 1))];
        let g_b = &self.backwards[self.at(station + 1, self.plan.way(station))];
        let (f, g) = (&self.forwards[self.at(station, 0)], &self.backwards[self.at(station, 0)]);
        let (mut head, mut flow) = ([0.0; W], [0.0; W]);
        for l in 0..W {
            head[l] = 0.5 * self.impedance_s_m2[l] * ((f_a[l] + g_b[l]) + (f[l] + g[l]));
            flow[l] = 0.5 * ((f_a[l] - g_b[l]) + (f[l] - g[l]));
        }
        (head, flow)
    }

    /// What is carried at some cells behind a station, as head and flow.
    #[inline(always)]
    fn carried(&self, station: usize, cells: usize) -> ([f64; W], [f64; W]) {
        let f = &self.forwards[self.at(station, cells)];
        let g = &self.backwards[self.at(station + 1, self.plan.way(station) - cells)];
        let (mut head, mut flow) = ([0.0; W], [0.0; W]);
        for l in 0..W {
            head[l] = self.impedance_s_m2[l] * (f[l] + g[l]);
            flow[l] = f[l] - g[l];
        }
        (head, flow)
    }

    /// Head in the middle of a station and that which is carried there, m.
    #[inline(always)]
    fn beside(&self, station: usize, (f, g): (&[f64; W], &[f64; W])) -> [f64; W] {
        let mut beside = [0.0; W];
        let last = self.plan.last();
        if station == 0 || station == last {
            let [head_m, ..] = &self.ends[usize::from(station > 0)];
            for l in 0..W {
                beside[l] = head_m[l] - self.impedance_s_m2[l] * (f[l] + g[l]);
            }
            return beside;
        }
        let f_a = &self.forwards[self.at(station - 1, self.plan.way(station - 1))];
        let g_b = &self.backwards[self.at(station + 1, self.plan.way(station))];
        let (f_0, g_0) = (&self.forwards[self.at(station, 0)], &self.backwards[self.at(station, 0)]);
        for l in 0..W {
            let middle = 0.5 * ((f_a[l] + g_b[l]) + (f_0[l] + g_0[l]));
            beside[l] = self.impedance_s_m2[l] * (middle - (f[l] + g[l]));
        }
        beside
    }

    /// Heads of all lanes at a point, m: as [`StationLanes::point`].
    #[inline(always)]
    pub(super) fn head_m(&self, point: usize) -> [f64; W] {
        let (station, cells) = self.plan.before(point);
        let way = self.plan.way(station);
        let share = cells as f64 / way as f64;
        let row = |cells: usize| {
            (&*self.forwards[self.at(station, cells)], &*self.backwards[self.at(station + 1, way - cells)])
        };
        let ((f, g), left, right) = (row(cells), self.beside(station, row(0)), self.beside(station + 1, row(way)));
        let mut head = [0.0; W];
        for l in 0..W {
            let carried = self.impedance_s_m2[l] * (f[l] + g[l]);
            head[l] = carried + ((1.0 - share) * left[l] + share * right[l]);
        }
        head
    }

    /// Heads (m) and flows (m3/s) of all lanes at a point.
    #[inline(always)]
    pub(super) fn point(&self, point: usize) -> ([f64; W], [f64; W]) {
        let (station, cells) = self.plan.before(point);
        let way = self.plan.way(station);
        let share = cells as f64 / way as f64;
        let (mut head, mut flow) = self.carried(station, cells);
        for (next, at, weight) in [(0, 0, 1.0 - share), (1, way, share)] {
            let (middle, carried) = (self.middle(station + next), self.carried(station, at));
            for l in 0..W {
                head[l] += weight * (middle.0[l] - carried.0[l]);
                flow[l] += weight * (middle.1[l] - carried.1[l]);
            }
        }
        (head, flow)
    }
}

impl<const W: usize> Lowest<W> {
    #[inline(always)]
    fn take(&mut self, f: &[f64; W], g: &[f64; W]) {
        let [low_f, low_g] = &mut self.turns[0];
        for l in 0..W {
            low_f[l] = if f[l] < low_f[l] { f[l] } else { low_f[l] };
            low_g[l] = if g[l] < low_g[l] { g[l] } else { low_g[l] };
        }
    }

    /// One level on.
    #[inline(always)]
    fn turn(&mut self, levels: usize) {
        self.steps += 1;
        if self.steps >= levels {
            (self.steps, self.turns[1]) = (0, self.turns[0]);
            self.turns[0] = [[f64::INFINITY; W]; 2];
        }
    }

    /// No sum of an f and a g on its way can be below boiling.
    #[inline(always)]
    fn is_above(&self, boiling: &Boiling<W>) -> bool {
        let ([f, g], [f_before, g_before]) = (&self.turns[0], &self.turns[1]);
        let mut above = true;
        for l in 0..W {
            let low_f = if f[l] < f_before[l] { f[l] } else { f_before[l] };
            let low_g = if g[l] < g_before[l] { g[l] } else { g_before[l] };
            above &= low_f + low_g >= boiling.highest[l];
        }
        above
    }
}
