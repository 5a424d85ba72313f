//! One pipe in lanes: what its points hand on, and the two half steps.
#![allow(unsafe_code, reason = "kernels in vector instructions; see the SAFETY lines")]

mod stations;
mod tables;
#[cfg(target_arch = "x86_64")]
mod tables_eight;
mod walls;

use super::isa::{Eight, Isa, Plain, fused};
use crate::hydraulics::moc::interior::PipeGrid;
use crate::hydraulics::pipe::Parts;
use stations::StationLanes;
use tables::{Near, Tables};
use walls::Walls;

/// Sums of two sigmas up to which friction's share of the flow's quotient is taken by terms of its series; what is left out
/// changes friction by no more than 3e-11 of itself.
const TWO_TERMS: f64 = 3.0e-4;
const THREE_TERMS: f64 = 2.3e-3;
/// Steps after which the extent of the numbers is looked at afresh, at the latest and at the soonest.
const TIGHTENED_EVERY: u32 = 4096;
const TIGHTENED_AFTER: u32 = 64;
/// Share of the largest flow by which the extent may have drifted until then.
const DRIFT_SHARE: f64 = 0.1;
/// Friction so small that it leaves no trace, in place of none: the kernels scale by it.
const NO_FRICTION: f64 = 1.0e-120;
/// Numbers before the first point, so that a vector may begin there.
const BEFORE: usize = 16;
/// Numbers after the last point.
const AFTER: usize = 32;
/// Bytes to which points are aligned.
const ALIGNMENT: usize = 64;

/// Many pipes of equal cell count, point by point, `W` scenarios beside each other.
///
/// Equation: with `f = (H + B Q)/(2B)` and `g = (H - B Q)/(2B)`, `sigma = s/(2B)` (s -> resistance of half a cell), a point
/// between its neighbours A and B takes `Q = (f_A - g_B) / (1 + sigma_A + sigma_B)` and hands on `f = f_A - sigma_A Q`,
/// `g = g_B + sigma_B Q`: the scheme of [`super::super::interior::Line`], with friction looked at once a point. With a
/// fixed friction factor sigma is `c |Q|`; there f and g are stored times c, and no constant is left in the kernel.
/// In place: points of one colour overwrite those of the other.
#[derive(Debug)]
#[repr(C, align(64))]
pub(super) struct Reach<const W: usize> {
    /// Head of 1 of f + g, m: B / K, K the scale of the stored numbers.
    head_m: [f64; W],
    /// Flow of 1 of f - g, m3/s.
    flow_m3_s: [f64; W],
    per_head: [f64; W],
    per_flow: [f64; W],
    impedance_s_m2: [f64; W],
    boiling: Boiling<W>,
    /// What the ends are offered: `H + B Q` and `B + s` towards the `from` and the `to` end.
    pub(super) offers: [Offer<W>; 2],
    extent: Extent<W>,
    /// The extent is to be looked at afresh once the ends are set.
    stale: bool,
    pub(super) element: usize,
    pub(super) cells: usize,
    pub(super) forwards: Vec<f64>,
    pub(super) backwards: Vec<f64>,
    /// Sizes of the flows f - g, where kernels keep them.
    sizes: Vec<f64>,
    start: (usize, usize, usize),
    friction: Friction<W>,
}

/// What an end is offered at the new level.
#[derive(Debug, Clone, Copy)]
#[repr(C, align(64))]
pub(super) struct Offer<const W: usize> {
    pub(super) head_m: [f64; W],
    pub(super) impedance_s_m2: [f64; W],
}

/// Terms of the series of `1 / (1 + x)` after the first that a kernel takes; or the quotient itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Terms {
    Two,
    Three,
    All,
}

/// How a kernel is to go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct How {
    terms: Terms,
    /// Whether a point may come below boiling, so that each is looked at.
    looks: bool,
    /// No flow can be below 0.
    forwards: bool,
}

/// Lowest and highest f and g in a reach with fixed friction, lane by lane.
///
/// A bound of all that is to come without a look at it. Derivation: `f = f_A - sigma_A Q` is off f_A by no more than the
/// square of the largest |Q| (fixed friction: sigma = |Q| in the stored scale), g likewise; and |Q| is no more than the
/// largest difference of an f and a g. So the extent drifts by twice that square a step, and otherwise only the ends
/// widen it. A number that is none can only come in by the ends, where the nodes are looked at every step.
#[derive(Debug, Clone, Copy)]
#[repr(C, align(64))]
struct Extent<const W: usize> {
    /// Lowest f, highest f, lowest g, highest g.
    values: [[f64; W]; 4],
    drift: [f64; W],
    steps: u32,
}

impl<const W: usize> Extent<W> {
    const NONE: Self = Self {
        values: [[f64::INFINITY; W], [f64::NEG_INFINITY; W], [f64::INFINITY; W], [f64::NEG_INFINITY; W]],
        drift: [0.0; W],
        steps: 0,
    };

    /// Take in one point of all lanes.
    #[inline(always)]
    fn widen(&mut self, f: &[f64; W], g: &[f64; W]) {
        for l in 0..W {
            self.values[0][l] = if f[l] < self.values[0][l] { f[l] } else { self.values[0][l] };
            self.values[1][l] = if f[l] > self.values[1][l] { f[l] } else { self.values[1][l] };
            self.values[2][l] = if g[l] < self.values[2][l] { g[l] } else { self.values[2][l] };
            self.values[3][l] = if g[l] > self.values[3][l] { g[l] } else { self.values[3][l] };
        }
    }

    /// One step on: whether two and three terms suffice, whether points must be looked at, whether the extent has drifted
    /// far, and whether no flow can be below 0.
    #[inline(always)]
    fn seen(&mut self, boiling: &Boiling<W>) -> [bool; 5] {
        let [f_low, f_high, g_low, g_high] = &self.values;
        let (mut two, mut three, mut looks, mut far, mut along) = (true, true, false, false, true);
        for l in 0..W {
            let (forwards, backwards) = (f_high[l] - g_low[l], g_high[l] - f_low[l]);
            let apart = if forwards > backwards { forwards } else { backwards };
            let flow = apart + 2.0 * self.drift[l];
            let drift = self.drift[l] + 2.1 * flow * flow;
            self.drift[l] = drift;
            let flow = apart + 2.0 * drift;
            two &= 2.0 * flow <= TWO_TERMS;
            three &= 2.0 * flow <= THREE_TERMS;
            looks |= !(f_low[l] + g_low[l] - 2.0 * drift >= boiling.highest[l]);
            far |= drift > DRIFT_SHARE * apart;
            along &= f_low[l] - g_high[l] - 2.0 * drift >= 0.0;
        }
        [two, three, looks, far, along]
    }

    /// How the kernel must go, and whether the extent must be looked at afresh.
    #[inline(always)]
    fn step(&mut self, [two, three, looks, far, forwards]: [bool; 5]) -> (How, bool) {
        self.steps += 1;
        let terms = match (two, three) {
            (true, _) => Terms::Two,
            (false, true) => Terms::Three,
            _ => Terms::All,
        };
        let stale = self.steps >= TIGHTENED_EVERY || (far && self.steps >= TIGHTENED_AFTER);
        (How { terms, looks, forwards }, stale)
    }
}

#[derive(Debug)]
enum Friction<const W: usize> {
    Fixed,
    Tabulated(Box<Rough<W>>),
}

/// Friction by table, with walls that may give.
#[derive(Debug)]
struct Rough<const W: usize> {
    tables: Tables<W>,
    walls: Walls<W>,
    near: Near<W>,
    /// In place of points of f and g, where friction is gathered.
    stations: Option<Box<StationLanes<W>>>,
}

impl<const W: usize> Reach<W> {
    /// From the same pipe of `W` scenarios.
    pub(super) fn new(pipes: &[&PipeGrid; W]) -> Self {
        let cells = pipes[0].cells();
        let numbers = BEFORE + (cells + 1) * W + AFTER + ALIGNMENT / 8;
        // Half a page apart: arrays whose addresses differ by whole pages disturb each other in the cache.
        let (forwards, backwards, sizes) = (vec![0.0; numbers], vec![0.0; numbers + 256], vec![0.0; numbers + 128]);
        let aligned = |values: &[f64], skip: usize| {
            let whole = ALIGNMENT / 8;
            skip + values[skip..].as_ptr().align_offset(ALIGNMENT).min(whole - 1)
        };
        let start = (aligned(&forwards, BEFORE), aligned(&backwards, BEFORE), aligned(&sizes, BEFORE));
        let mut reach = Self {
            element: pipes[0].element,
            cells,
            start,
            forwards,
            backwards,
            sizes,
            friction: friction(pipes),
            head_m: [0.0; W],
            flow_m3_s: [0.0; W],
            per_head: [0.0; W],
            per_flow: [0.0; W],
            impedance_s_m2: [0.0; W],
            boiling: Boiling { at_from: [0.0; W], by_point: [0.0; W], highest: [0.0; W] },
            extent: Extent::NONE,
            stale: false,
            offers: [Offer { head_m: [0.0; W], impedance_s_m2: [1.0; W] }; 2],
        };
        for (lane, pipe) in pipes.iter().enumerate() {
            reach.fill(lane, pipe);
        }
        reach.tighten();
        reach
    }

    fn fill(&mut self, lane: usize, pipe: &PipeGrid) {
        let impedance = pipe.impedance_s_m2;
        let scale = match pipe.resistance.parts() {
            Parts::Fixed { per_flow } => (per_flow / (4.0 * self.cells as f64 * impedance)).max(NO_FRICTION),
            Parts::Tabulated { .. } => 1.0,
        };
        (self.head_m[lane], self.per_head[lane]) = (impedance / scale, scale / impedance);
        (self.flow_m3_s[lane], self.per_flow[lane]) = (1.0 / scale, scale);
        self.impedance_s_m2[lane] = impedance;
        let (first, last) = (pipe.boiling_m[0], pipe.boiling_m[self.cells]);
        self.boiling.at_from[lane] = first * scale / impedance;
        self.boiling.by_point[lane] = (last - first) * scale / impedance / self.cells as f64;
        self.boiling.highest[lane] = first.max(last) * scale / impedance;
        for point in 0..=self.cells {
            self.set(lane, point, pipe.head_m[point], pipe.flow_m3_s[point]);
        }
    }

    /// Look at all numbers afresh.
    #[inline(never)]
    fn tighten(&mut self) {
        let mut extent = Extent::NONE;
        let points = self.forwards[self.start.0..].as_chunks::<W>().0.iter();
        let points = points.zip(self.backwards[self.start.1..].as_chunks::<W>().0);
        points.take(self.cells + 1).for_each(|(f, g)| extent.widen(f, g));
        (self.extent, self.stale) = (extent, false);
    }

    /// Set one point of one lane.
    fn set(&mut self, lane: usize, point: usize, head_m: f64, flow_m3_s: f64) {
        let (sum, difference) = (head_m / self.head_m[lane], flow_m3_s / self.flow_m3_s[lane]);
        let at = point * W + lane;
        self.forwards[self.start.0 + at] = 0.5 * (sum + difference);
        self.backwards[self.start.1 + at] = 0.5 * (sum - difference);
        self.sizes[self.start.2 + at] = difference.abs();
        if let Friction::Tabulated(rough) = &mut self.friction {
            rough.tables.set(lane, point, flow_m3_s);
        }
    }

    #[inline(always)]
    fn stations(&self) -> Option<&StationLanes<W>> {
        match &self.friction {
            Friction::Tabulated(rough) => rough.stations.as_deref(),
            Friction::Fixed => None,
        }
    }

    /// Head (m) and flow (m3/s) at a point of the whole level.
    pub(super) fn at(&self, lane: usize, point: usize) -> (f64, f64) {
        if let Some(stations) = self.stations() {
            let (head_m, flow_m3_s) = stations.point(point);
            return (head_m[lane], flow_m3_s[lane]);
        }
        let at = point * W + lane;
        let (f, g) = (self.forwards[self.start.0 + at], self.backwards[self.start.1 + at]);
        (self.head_m[lane] * self.sum(lane, at, f + g), self.flow_m3_s[lane] * (f - g))
    }

    /// f + g of a point as its head has it, from what it hands on.
    #[inline(always)]
    fn sum(&self, lane: usize, at: usize, handed_on: f64) -> f64 {
        match &self.friction {
            Friction::Fixed => handed_on,
            Friction::Tabulated(rough) => handed_on + rough.walls.taken(lane, at, handed_on),
        }
    }

    /// Heads of all lanes between a point and the next, m.
    #[inline(always)]
    pub(super) fn heads_m(&self, low: usize, rest: f64) -> [f64; W] {
        if let Some(stations) = self.stations() {
            let mut here = stations.head_m(low);
            if rest == 0.0 {
                return here;
            }
            let next = stations.head_m(low + 1);
            for l in 0..W {
                here[l] += rest * (next[l] - here[l]);
            }
            return here;
        }
        let at = low * W;
        let (f, g) = (&self.forwards[self.start.0 + at..][..2 * W], &self.backwards[self.start.1 + at..][..2 * W]);
        std::array::from_fn(|l| {
            let here = self.sum(l, at + l, f[l] + g[l]);
            let next = self.sum(l, at + W + l, f[W + l] + g[W + l]);
            self.head_m[l] * (here + rest * (next - here))
        })
    }

    /// Head and flow at a share 0..1 of the length, as the plant reads them.
    pub(super) fn at_share(&self, lane: usize, share: f64) -> (f64, f64) {
        let place = share.clamp(0.0, 1.0) * self.cells as f64;
        let low = (place as usize).min(self.cells - 1);
        let (left, right) = (self.at(lane, low), self.at(lane, low + 1));
        let rest = place - low as f64;
        (left.0 + (right.0 - left.0) * rest, left.1 + (right.1 - left.1) * rest)
    }

    /// Set the points at one end to the heads solved there and to what then runs into the node.
    #[inline(always)]
    pub(super) fn set_end<I: Isa>(&mut self, at_to: bool, head_m: &[f64; W], inflow_m3_s: &[f64; W]) {
        if let Friction::Tabulated(rough) = &mut self.friction
            && let Some(stations) = &mut rough.stations
        {
            stations.set_end(at_to, head_m, inflow_m3_s);
            return;
        }
        let point = if at_to { self.cells * W } else { 0 };
        let sign = if at_to { 1.0 } else { -1.0 };
        let (mut f, mut g) = ([0.0; W], [0.0; W]);
        if I::EIGHT && W > 1 && eight::suits(W) && matches!(self.friction, Friction::Fixed) {
            let (f, g) = (&mut self.forwards[self.start.0 + point..], &mut self.backwards[self.start.1 + point..]);
            let Some((f, g)) = f.first_chunk_mut().zip(g.first_chunk_mut()) else { return };
            let Some(sizes) = self.sizes[self.start.2 + point..].first_chunk_mut() else { return };
            let (points, scales) = ((f, g, sizes), (&self.per_head, &self.per_flow));
            // SAFETY: the caller stands where AVX-512 was found.
            unsafe { eight::set_end(points, &mut self.extent, scales, (head_m, inflow_m3_s, sign)) };
            return;
        }
        for l in 0..W {
            let (sum, difference) = (head_m[l] * self.per_head[l], sign * inflow_m3_s[l] * self.per_flow[l]);
            f[l] = 0.5 * (sum + difference);
            g[l] = 0.5 * (sum - difference);
        }
        match &mut self.friction {
            Friction::Tabulated(rough) => {
                // The kernel in vectors of eight reads sigma from the flow.
                if !(I::EIGHT && tables_eight::suits(W)) {
                    rough.tables.set_end(point / W, inflow_m3_s);
                }
                rough.walls.follow(&mut f, &mut g, point / W);
            }
            Friction::Fixed => self.extent.widen(&f, &g),
        }
        self.forwards[self.start.0 + point..][..W].copy_from_slice(&f);
        self.backwards[self.start.1 + point..][..W].copy_from_slice(&g);
    }

    /// Two half steps for all inner points, and the ends' offers; marks lanes where a point came below boiling or is no
    /// number.
    #[inline(always)]
    pub(super) fn advance<I: Isa>(&mut self, unsound: &mut [bool; W]) {
        let (n, start) = (self.cells, self.start);
        if self.stations().is_some() {
            self.advance_stations::<I>(unsound);
            return;
        }
        if I::EIGHT && eight::suits(W) && matches!(self.friction, Friction::Fixed) {
            self.advance_eight(unsound);
            return;
        }
        if I::EIGHT && tables_eight::suits(W) {
            self.advance_rough_eight(unsound);
            return;
        }
        let (f, g) = (&mut self.forwards[start.0..], &mut self.backwards[start.1..]);
        match &mut self.friction {
            Friction::Fixed => midway::<W>(f, g, n),
            Friction::Tabulated(rough) => rough.tables.midway::<I>((f, g), n, &mut rough.walls),
        }
        self.ready_offers();
        let (f, g) = (&mut self.forwards[start.0..], &mut self.backwards[start.1..]);
        match &mut self.friction {
            Friction::Fixed => whole::<I, W>(f, g, n, &self.boiling, unsound),
            Friction::Tabulated(rough) => {
                rough.tables.whole::<I>((f, g), n, &mut rough.walls, (&self.boiling, unsound));
            }
        }
    }

    #[inline(always)]
    fn advance_stations<I: Isa>(&mut self, unsound: &mut [bool; W]) {
        if !self.stations().is_some_and(|stations| stations.is_above(&self.boiling)) {
            self.look_closely(unsound);
        }
        if let Friction::Tabulated(rough) = &mut self.friction
            && let Some(stations) = &mut rough.stations
        {
            stations.advance::<I>(&rough.tables, &mut self.offers);
        }
    }

    #[inline(always)]
    fn advance_eight(&mut self, unsound: &mut [bool; W]) {
        if self.stale {
            self.tighten();
        }
        let seen = if W > 1 {
            // SAFETY: the caller stands where AVX-512 was found.
            unsafe { eight::seen(&mut self.extent, &self.boiling) }
        } else {
            self.extent.seen(&self.boiling)
        };
        let (how, stale) = self.extent.step(seen);
        let (f, g) = (&mut self.forwards[self.start.0..], &mut self.backwards[self.start.1..]);
        let arrays = (f.as_mut_ptr(), g.as_mut_ptr(), self.sizes[self.start.2..].as_mut_ptr());
        let (mut ends, how) = ([([0.0; W], [0.0; W]); 2], (&self.boiling, how));
        // SAFETY: the caller stands where AVX-512 was found; the arrays hold at least `AFTER` numbers behind their
        // (n + 1) W points.
        let sound = unsafe { eight::both::<W>(arrays, self.cells, how, &mut ends) };
        if !sound {
            self.look_closely(unsound);
        }
        for end in 0..2 {
            self.offer::<Eight>(end, &ends[end].0, &ends[end].1);
        }
        self.stale = stale;
    }

    /// Mark lanes where an inner point is below boiling or no number.
    #[inline(never)]
    fn look_closely(&self, unsound: &mut [bool; W]) {
        for point in 1..self.cells {
            if let Some(stations) = self.stations() {
                let (heads_m, _) = stations.point(point);
                let sums: [f64; W] = std::array::from_fn(|l| heads_m[l] * self.per_head[l]);
                note_unsound::<Plain, W>(&sums, point, &self.boiling, unsound);
                continue;
            }
            let at = point * W;
            let (f, g) = (&self.forwards[self.start.0 + at..][..W], &self.backwards[self.start.1 + at..][..W]);
            let sums: [f64; W] = std::array::from_fn(|l| self.sum(l, at + l, f[l] + g[l]));
            note_unsound::<Plain, W>(&sums, point, &self.boiling, unsound);
        }
    }

    #[inline(always)]
    fn offer<I: Isa>(&mut self, end: usize, offered: &[f64; W], sigma: &[f64; W]) {
        let offer = &mut self.offers[end];
        if I::EIGHT && W > 1 && eight::suits(W) {
            // SAFETY: the caller stands where AVX-512 was found.
            unsafe { eight::offer(offer, (&self.head_m, &self.impedance_s_m2), (offered, sigma)) };
            return;
        }
        for l in 0..W {
            offer.head_m[l] = 2.0 * self.head_m[l] * offered[l];
            offer.impedance_s_m2[l] = self.impedance_s_m2[l] * (1.0 + 2.0 * sigma[l]);
        }
    }

    #[inline(always)]
    fn offer_softened(&mut self, end: usize, offered: &mut [f64; W], sigma: &[f64; W]) {
        let Friction::Tabulated(rough) = &self.friction else { return self.offer::<Plain>(end, offered, sigma) };
        let soft = rough.walls.soften(offered, end == 1);
        self.offer::<Plain>(end, offered, sigma);
        for l in 0..W {
            self.offers[end].impedance_s_m2[l] *= soft[l];
        }
    }

    /// Friction by table, where AVX-512 is.
    #[inline(always)]
    fn advance_rough_eight(&mut self, unsound: &mut [bool; W]) {
        let (n, start) = (self.cells, self.start);
        let Friction::Tabulated(rough) = &mut self.friction else { return };
        let (f, g) = (&mut self.forwards[start.0..], &mut self.backwards[start.1..]);
        let middle = n / 2 * W;
        let mut flow = [0.0; W];
        for l in 0..W {
            flow[l] = f[middle + l] - g[middle + l];
        }
        rough.near.aim(&rough.tables, &flow);
        let mut ends = [([0.0; W], [0.0; W]); 2];
        // SAFETY: the caller stands where AVX-512 was found.
        let sound = unsafe { tables_eight::both((f, g), n, (&mut **rough, &self.boiling), &mut ends) };
        if !sound {
            self.look_closely(unsound);
        }
        for (end, (offered, sigma)) in ends.iter_mut().enumerate() {
            self.offer_softened(end, offered, sigma);
        }
    }

    #[inline(always)]
    fn ready_offers(&mut self) {
        let last = (self.cells - 1) * W;
        for (end, at) in [(0, 0), (1, last)] {
            let (f, g) = (&self.forwards[self.start.0 + at..][..W], &self.backwards[self.start.1 + at..][..W]);
            let mut sigma = [0.0; W];
            match &self.friction {
                Friction::Fixed => {
                    for l in 0..W {
                        sigma[l] = (f[l] - g[l]).abs();
                    }
                }
                Friction::Tabulated(rough) => sigma = rough.tables.sigma_at(at / W),
            }
            let mut offered = [0.0; W];
            offered.copy_from_slice(if end == 1 { f } else { g });
            self.offer_softened(end, &mut offered, &sigma);
        }
    }
}

fn friction<const W: usize>(pipes: &[&PipeGrid; W]) -> Friction<W> {
    let rough = Tables::new(pipes).map(|tables| {
        let stations = StationLanes::new(pipes, &tables).map(Box::new);
        Rough { tables, walls: Walls::new(pipes), near: Near::NONE, stations }
    });
    rough.map_or(Friction::Fixed, |rough| Friction::Tabulated(Box::new(rough)))
}

/// Boiling heads along a pipe as sums f + g.
#[derive(Debug)]
#[repr(C, align(64))]
struct Boiling<const W: usize> {
    at_from: [f64; W],
    by_point: [f64; W],
    /// The highest of a pipe.
    highest: [f64; W],
}

#[inline(always)]
fn note_unsound<I: Isa, const W: usize>(sums: &[f64; W], point: usize, boiling: &Boiling<W>, unsound: &mut [bool; W]) {
    for l in 0..W {
        let limit = fused::<I>(boiling.by_point[l], point as f64, boiling.at_from[l]);
        // A sum that is no number fails this too.
        unsound[l] |= !(sums[l] >= limit);
    }
}

/// Whole points to points midway, fixed friction.
#[inline(always)]
fn midway<const W: usize>(f: &mut [f64], g: &mut [f64], n: usize) {
    let (f, g) = (&mut f[..(n + 1) * W], &mut g[..(n + 1) * W]);
    for j in 0..n * W {
        let (f_a, g_b) = (f[j], g[j + W]);
        let (s_a, s_b) = ((f_a - g[j]).abs(), (f[j + W] - g_b).abs());
        let flow = (f_a - g_b) / (1.0 + s_a + s_b);
        f[j] = f_a - s_a * flow;
        g[j] = g_b + s_b * flow;
    }
}

/// Points midway to inner whole points, fixed friction.
#[inline(always)]
fn whole<I: Isa, const W: usize>(
    f: &mut [f64],
    g: &mut [f64],
    n: usize,
    boiling: &Boiling<W>,
    unsound: &mut [bool; W],
) {
    for point in (1..n).rev() {
        let (a, b) = ((point - 1) * W, point * W);
        for l in 0..W {
            let (f_a, g_b) = (f[a + l], g[b + l]);
            let (s_a, s_b) = ((f_a - g[a + l]).abs(), (f[b + l] - g_b).abs());
            let flow = (f_a - g_b) / (1.0 + s_a + s_b);
            f[b + l] = f_a - s_a * flow;
            g[b + l] = g_b + s_b * flow;
        }
        let sums: [f64; W] = std::array::from_fn(|l| f[b + l] + g[b + l]);
        note_unsound::<I, W>(&sums, point, boiling, unsound);
    }
}

#[cfg(not(target_arch = "x86_64"))]
mod tables_eight {
    use super::{Boiling, Rough};

    pub(super) fn suits(_lanes: usize) -> bool {
        false
    }

    pub(super) type Ends<const W: usize> = [([f64; W], [f64; W]); 2];

    pub(super) unsafe fn both<const W: usize>(
        _points: (&mut [f64], &mut [f64]),
        _n: usize,
        _how: (&mut Rough<W>, &Boiling<W>),
        _ends: &mut Ends<W>,
    ) -> bool {
        true
    }
}

#[cfg(not(target_arch = "x86_64"))]
mod eight {
    use super::{Boiling, Extent, How, Offer};

    pub(super) fn suits(_lanes: usize) -> bool {
        false
    }

    pub(super) type Ends<const W: usize> = [([f64; W], [f64; W]); 2];

    pub(super) unsafe fn both<const W: usize>(
        _arrays: (*mut f64, *mut f64, *mut f64),
        _n: usize,
        _how: (&Boiling<W>, How),
        _ends: &mut Ends<W>,
    ) -> bool {
        true
    }

    pub(super) unsafe fn offer<const W: usize>(
        _offer: &mut Offer<W>,
        _scales: (&[f64; W], &[f64; W]),
        _offered: (&[f64; W], &[f64; W]),
    ) {
    }

    pub(super) unsafe fn set_end<const W: usize>(
        _points: (&mut [f64; W], &mut [f64; W], &mut [f64; W]),
        _extent: &mut Extent<W>,
        _scales: (&[f64; W], &[f64; W]),
        _end: (&[f64; W], &[f64; W], f64),
    ) {
    }

    pub(super) unsafe fn seen<const W: usize>(extent: &mut Extent<W>, boiling: &Boiling<W>) -> [bool; 5] {
        extent.seen(boiling)
    }
}

/// The fixed-friction kernels in AVX-512: one scenario with points side by side, or sixteen side by side.
#[cfg(target_arch = "x86_64")]
mod eight;
