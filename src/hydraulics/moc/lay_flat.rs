//! A lay-flat hose on the grid: at every point it holds what its tube law says, whatever the pressure.
#![allow(clippy::needless_range_loop, reason = "loops over points become vectors as they stand")]

use crate::hydraulics::pipe::bore_area_m2;
use crate::hydraulics::spec::{NetworkSpec, PipeSpec, Terminal};
use crate::hydraulics::tube_law::TubeLaw;
use std::f64::consts::FRAC_1_SQRT_2;

/// Most Newton steps at a point.
const STEPS_MAX: usize = 60;
/// Change of head at which a point counts as solved, m.
const HEAD_TOLERANCE_M: f64 = 1.0e-10;
/// Roundness below which a hose counts as flat somewhere, and above which it counts as round again everywhere.
const FLAT: (f64, f64) = (0.25, FRAC_1_SQRT_2);

/// What the tube law adds to a pipe with the wave speed it has under high pressure.
///
/// Equation: at an inner point, with H+ the head that a hose without this store would have there, G the conductances of
/// its two sides and V(H) the tube law over one cell, `V(H1) = V0 - dt G (H1 - H+)`: as at a vapour cavity, but with a
/// smooth law near zero gauge. One Newton step where the law is straight enough, safeguarded iteration elsewhere; what a
/// single step leaves over goes into the next, since V0 is counted by the flows. V rises with H, so there is one solution,
/// and no step size makes it unstable.
/// A cell's resistance is the mean of what its two ends say, each increased as the hose flattens. The characteristics
/// take it with the new flow of one end each, so that a cell whose ends differ in flow makes `dt s (Q_from - Q_to) / (2B)`
/// of water, which for a flat hose (`s` far above `B`) is all that its wall stores. The two ends give that back, each
/// against the flow `(Cp - Cm) / (2B + s)` midway and with its own new flow: at inner points inside the balance above, which
/// gets steeper by it; the share of an end goes to the point next to it.
/// Range: two cells or more (with one, volume is not given back); waves long against a cell, since the store is lumped at
/// points: a front of a wave is spread over some cells.
/// The water's inertia is that of the round bore. Steps whole (no half grid), friction quasi-steady.
/// Accuracy: first order in dt; volume to rounding (`law_a_lay_flat_hose_keeps_its_volume`), wave speed at two base
/// pressures to 2 % at 200 cells (`agrees_with_tube_law_wave_speed_at_two_base_pressures`).
/// Derivation: discrete stores at grid points, as free gas is commonly put into characteristics (from memory).
#[derive(Debug, Clone)]
pub(super) struct LayFlat {
    law: TubeLaw,
    weight_n_m3: f64,
    dt_s: f64,
    elevation_m: Vec<f64>,
    /// Round volume of the cell round each point, m3; 0 at the ends, whose share is at the node or the next point.
    round_m3: Vec<f64>,
    /// Held beyond the grid's store, m3.
    held_m3: Vec<f64>,
    /// Head of the level before, m, and what the law says there: the volume beyond the grid's store as a share of the round
    /// one, and its slope, 1/Pa.
    before_m: Vec<f64>,
    beyond: Vec<f64>,
    slope_per_pa: Vec<f64>,
    /// Flow away from a point's downstream side less that into its upstream side, m3/s.
    gap_m3_s: Vec<f64>,
    /// Resistance of what lies about each point, and of the cell that begins at it, s/m2.
    point_s_m2: Vec<f64>,
    cell_s_m2: Vec<f64>,
    /// Conductance of that cell with the pipe's impedance, m2/s.
    side_m2_s: Vec<f64>,
    /// Flow midway, half a step on, of the cell that begins at each point, m3/s.
    cell_m3_s: Vec<f64>,
    /// Head of the new level, m; how much less water a metre more leaves to the store, m2.
    new_m: Vec<f64>,
    give_m2: Vec<f64>,
    /// Some point has less water than its law gives out above boiling.
    vapour: bool,
    /// Cell of the kink, its loss per flow squared, s2/m5, and the pressure that halves it, Pa.
    kink: Option<(usize, f64, f64)>,
    flat: bool,
}

/// Whether a node holds the end cells of lay-flat hoses: one without terminal part does.
pub(crate) fn holds_hose_ends(spec: &NetworkSpec, node: usize) -> bool {
    spec.nodes[node].terminal == Terminal::None
}

/// Volume that each point stands for; the half cell of an end that no node holds goes to the point next to it.
fn round_volumes(cells: usize, cell_m3: f64, held: [bool; 2]) -> Vec<f64> {
    let mut volumes = vec![cell_m3; cells + 1];
    (volumes[0], volumes[cells]) = (0.0, 0.0);
    if cells > 1 {
        volumes[1] += if held[0] { 0.0 } else { 0.5 * cell_m3 };
        volumes[cells - 1] += if held[1] { 0.0 } else { 0.5 * cell_m3 };
    }
    volumes
}

/// What the law says at every point under its head, and the resistance there, increased as the hose flattens.
#[inline(always)]
fn look_up(
    law: &TubeLaw,
    weight_n_m3: f64,
    (head_m, elevation_m, per_flow): (&[f64], &[f64], &[f64]),
    (beyond, slope_per_pa, point_s_m2): (&mut [f64], &mut [f64], &mut [f64]),
) {
    let count = head_m.len();
    let (law, elevation_m, per_flow) = (*law, &elevation_m[..count], &per_flow[..count]);
    let (beyond, slope_per_pa) = (&mut beyond[..count], &mut slope_per_pa[..count]);
    let point_s_m2 = &mut point_s_m2[..count];
    for i in 0..count {
        let held = law.held(weight_n_m3 * (head_m[i] - elevation_m[i]));
        beyond[i] = held.beyond;
        slope_per_pa[i] = held.slope_per_pa;
        point_s_m2[i] = per_flow[i] * TubeLaw::choking(held.roundness);
    }
}

/// Smallest of `a - b`, several at a time: one after the other each comparison would wait for the one before.
fn least_difference(a: &[f64], b: &[f64]) -> f64 {
    const BLOCK: usize = 8;
    let mut least = [f64::INFINITY; BLOCK];
    let ((blocks, rest), (others, last)) = (a.as_chunks::<BLOCK>(), b.as_chunks::<BLOCK>());
    for (a, b) in blocks.iter().zip(others) {
        for l in 0..BLOCK {
            let difference = a[l] - b[l];
            least[l] = if difference < least[l] { difference } else { least[l] };
        }
    }
    let over = rest.iter().zip(last).map(|(a, b)| a - b);
    least.into_iter().chain(over).fold(f64::INFINITY, f64::min)
}

impl LayFlat {
    /// The hose `pipe` of an element, under the heads given.
    pub(super) fn new(
        spec: &NetworkSpec,
        (element, pipe): (usize, &PipeSpec),
        wave_speed_m_s: f64,
        dt_s: f64,
        head_m: &[f64],
    ) -> Option<Self> {
        let flat = pipe.lay_flat?;
        let (cells, liquid, described) = (head_m.len() - 1, &spec.liquid, &spec.elements[element]);
        let ends_m = (spec.nodes[described.from].elevation_m, spec.nodes[described.to].elevation_m);
        let cell_m3 = bore_area_m2(pipe) * pipe.length_m / cells as f64;
        let velocity_head = 1.0 / (2.0 * liquid.gravity_m_s2 * bore_area_m2(pipe).powi(2));
        let kink = flat.kink.map(|kink| {
            let cell = ((kink.share * cells as f64) as usize).min(cells - 1);
            (cell, kink.loss_k * velocity_head, kink.opens_pa)
        });
        let mut hose = Self {
            law: TubeLaw::new(&flat, wave_speed_m_s, liquid),
            weight_n_m3: liquid.density_kg_m3 * liquid.gravity_m_s2,
            dt_s,
            elevation_m: (0..=cells).map(|i| ends_m.0 + (ends_m.1 - ends_m.0) * i as f64 / cells as f64).collect(),
            round_m3: round_volumes(
                cells,
                cell_m3,
                [described.from, described.to].map(|node| holds_hose_ends(spec, node)),
            ),
            held_m3: vec![0.0; cells + 1],
            before_m: head_m.to_vec(),
            beyond: vec![0.0; cells + 1],
            slope_per_pa: vec![0.0; cells + 1],
            gap_m3_s: vec![0.0; cells + 1],
            point_s_m2: vec![0.0; cells + 1],
            cell_s_m2: vec![0.0; cells],
            side_m2_s: vec![0.0; cells],
            cell_m3_s: vec![0.0; cells],
            new_m: vec![0.0; cells + 1],
            give_m2: vec![0.0; cells + 1],
            vapour: true,
            kink,
            flat: false,
        };
        hose.settle(head_m);
        hose.flat = hose.least_roundness() < FLAT.0;
        Some(hose)
    }

    pub(super) fn law(&self) -> &TubeLaw {
        &self.law
    }

    fn gauge_pa(&self, point: usize, head_m: f64) -> f64 {
        self.weight_n_m3 * (head_m - self.elevation_m[point])
    }

    /// As if it had been filled under the heads given.
    pub(super) fn settle(&mut self, head_m: &[f64]) {
        for (i, head) in head_m.iter().enumerate() {
            self.held_m3[i] = self.round_m3[i] * self.law.beyond(self.gauge_pa(i, *head)).0;
        }
        self.before_m.copy_from_slice(head_m);
        self.gap_m3_s.fill(0.0);
        self.vapour = true;
    }

    /// Before a step: remember the level, carry the parted flows along, and make resistances of cells from those of points.
    #[inline(always)]
    pub(super) fn begin(
        &mut self,
        impedance_s_m2: f64,
        (head_m, flow_m3_s): (&[f64], &[f64]),
        per_flow: &[f64],
        (forwards_m, backwards_m): (&mut [f64], &mut [f64]),
    ) {
        self.before_m.copy_from_slice(head_m);
        for ((forwards, backwards), gap) in forwards_m.iter_mut().zip(&mut *backwards_m).zip(&self.gap_m3_s) {
            *forwards += 0.5 * impedance_s_m2 * gap;
            *backwards += 0.5 * impedance_s_m2 * gap;
        }
        let known = (&mut self.beyond[..], &mut self.slope_per_pa[..], &mut self.point_s_m2[..]);
        look_up(&self.law, self.weight_n_m3, (head_m, &self.elevation_m, per_flow), known);
        let ends = self.point_s_m2.iter().zip(&self.point_s_m2[1..]);
        self.cell_s_m2.iter_mut().zip(ends).for_each(|(cell, (near, far))| *cell = 0.5 * (near + far));
        if let Some((cell, loss_s2_m5, opens_pa)) = self.kink {
            let share = self.gauge_pa(cell, head_m[cell]).max(0.0) / opens_pa;
            self.cell_s_m2[cell] += loss_s2_m5 * flow_m3_s[cell].abs() / (1.0 + share * share);
        }
        let cells = self.cell_m3_s.iter_mut().zip(&mut self.side_m2_s).zip(&self.cell_s_m2);
        for (((flow, side), loss), (forwards, backwards)) in cells.zip(forwards_m.iter().zip(&backwards_m[1..])) {
            let (whole, half) = (2.0 * impedance_s_m2 + loss, impedance_s_m2 + loss);
            let both = 1.0 / (whole * half);
            *flow = (forwards - backwards) * (half * both);
            *side = whole * both;
        }
    }

    /// Resistance of the cell at the `to` end (true) or the `from` end.
    pub(super) fn end_s_m2(&self, at_to: bool) -> f64 {
        self.cell_s_m2[if at_to { self.cell_s_m2.len() - 1 } else { 0 }]
    }

    /// Inner points as if the hose had no store of its own.
    #[inline(always)]
    pub(super) fn advance_inner(
        &self,
        impedance_s_m2: f64,
        (forwards_m, backwards_m): (&[f64], &[f64]),
        head_m: &mut [f64],
        flow_m3_s: &mut [f64],
    ) {
        let last = head_m.len() - 1;
        let inner = head_m[1..last].iter_mut().zip(&mut flow_m3_s[1..last]);
        let sides = self.cell_s_m2[..last - 1].iter().zip(&self.cell_s_m2[1..]);
        let offers = forwards_m[..last - 1].iter().zip(&backwards_m[2..]);
        for ((head, flow), ((before, after), (forwards, backwards))) in inner.zip(sides.zip(offers)) {
            let up = impedance_s_m2 + before;
            let new = (forwards - backwards) / (up + (impedance_s_m2 + after));
            *flow = new;
            *head = forwards - up * new;
        }
    }

    /// Settle every inner point with its store.
    #[inline(always)]
    pub(super) fn settle_inner(
        &mut self,
        impedance_s_m2: f64,
        softening: f64,
        head_m: &mut [f64],
        flow_m3_s: &mut [f64],
    ) {
        let bent = self.step_inner(impedance_s_m2, softening, (head_m, flow_m3_s));
        if bent > 0 {
            self.close_in_where_bent(head_m);
        }
        let last = head_m.len() - 1;
        let (least_share, mut boiling) = (self.law.boiling_share(), 0_u64);
        let sides = self.side_m2_s[..last - 1].iter().zip(&self.side_m2_s[1..]);
        let held = self.held_m3[1..last].iter_mut().zip(&mut self.gap_m3_s[1..last]);
        let level = head_m[1..last].iter_mut().zip(&mut flow_m3_s[1..last]);
        let found = self.new_m[1..last].iter().zip(&self.give_m2[1..last]).zip(&self.round_m3[1..last]);
        for (((held, gap), (head, flow)), (((new, give), round), (up, down))) in held.zip(level).zip(found.zip(sides)) {
            let rise_m = new - *head;
            *gap = softening * (up + down) * rise_m;
            *held -= give * rise_m;
            *flow += 0.5 * softening * rise_m * (down - up);
            *head = *new;
            boiling += u64::from(*held < least_share * round);
        }
        self.vapour = boiling > 0;
    }

    /// One Newton step at every inner point, from the level before: its head into `new_m`, and the water that friction makes
    /// taken off what it holds. Returns at how many the law bends too much for one step.
    ///
    /// What the friction of the cells beside a point makes there: by its flow without a store `free`, and `slope` for each
    /// metre above its head without one.
    #[inline(always)]
    fn step_inner(&mut self, impedance_s_m2: f64, softening: f64, (head_m, flow_m3_s): (&[f64], &[f64])) -> u64 {
        let (count, weight) = (head_m.len() - 2, self.weight_n_m3);
        let (dt_s, half_m2) = (self.dt_s, 0.5 * self.dt_s / impedance_s_m2);
        let law = self.law;
        let (s_before, s_after) = (&self.cell_s_m2[..count], &self.cell_s_m2[1..][..count]);
        let (g_before, g_after) = (&self.side_m2_s[..count], &self.side_m2_s[1..][..count]);
        let (q_before, q_after) = (&self.cell_m3_s[..count], &self.cell_m3_s[1..][..count]);
        let (head_m, flow_m3_s) = (&head_m[1..][..count], &flow_m3_s[1..][..count]);
        let (before_m, elevation_m) = (&self.before_m[1..][..count], &self.elevation_m[1..][..count]);
        let (beyond, slope_per_pa) = (&self.beyond[1..][..count], &self.slope_per_pa[1..][..count]);
        let round_m3 = &self.round_m3[1..][..count];
        let held_m3 = &mut self.held_m3[1..][..count];
        let (new_m, give_m2) = (&mut self.new_m[1..][..count], &mut self.give_m2[1..][..count]);
        let mut bent = 0;
        for i in 0..count {
            let (lost_before, lost_after) = (s_before[i], s_after[i]);
            let into_m = lost_before * (flow_m3_s[i] - q_before[i]);
            let out_m = lost_after * (flow_m3_s[i] - q_after[i]);
            let slope_m2 = half_m2 * softening * (lost_before * g_before[i] + lost_after * g_after[i]);
            let give = dt_s * softening * (g_before[i] + g_after[i]) + slope_m2;
            let held = held_m3[i] - half_m2 * (out_m - into_m);
            let excess_m3 = round_m3[i] * beyond[i] - held + give * (before_m[i] - head_m[i]);
            let step_m = -excess_m3 / (round_m3[i] * slope_per_pa[i] * weight + give);
            let straight_pa = law.straight_within_pa(weight * (before_m[i] - elevation_m[i]));
            bent += u64::from(step_m.abs() * weight > straight_pa);
            held_m3[i] = held;
            give_m2[i] = give;
            new_m[i] = before_m[i] + step_m;
        }
        bent
    }

    /// As [`LayFlat::step_inner`], point by point, where one step is not enough.
    #[inline(never)]
    fn close_in_where_bent(&mut self, head_m: &[f64]) {
        for (i, free_m) in head_m.iter().enumerate().take(head_m.len() - 1).skip(1) {
            let straight_pa = self.law.straight_within_pa(self.gauge_pa(i, self.before_m[i]));
            if (self.new_m[i] - self.before_m[i]).abs() * self.weight_n_m3 > straight_pa {
                self.new_m[i] = self.solved_m(i, *free_m, self.give_m2[i]);
            }
        }
    }

    /// Give back, next to an end, what the friction of its cell made by the flow just solved there.
    pub(super) fn take_end(&mut self, at_to: bool, impedance_s_m2: f64, flow_m3_s: f64) {
        let cells = self.cell_s_m2.len();
        if cells < 2 {
            return;
        }
        let (cell, point, sign) = if at_to { (cells - 1, cells - 1, -1.0) } else { (0, 1, 1.0) };
        let lost_m = sign * self.cell_s_m2[cell] * (flow_m3_s - self.cell_m3_s[cell]);
        self.held_m3[point] -= 0.5 * self.dt_s / impedance_s_m2 * lost_m;
        self.vapour |= self.held_m3[point] < self.law.boiling_share() * self.round_m3[point];
    }

    /// Head of a point whose head without a store would be `free_m`.
    fn solved_m(&self, i: usize, free_m: f64, give_m2: f64) -> f64 {
        let excess = |head_m: f64| {
            let (beyond, slope_per_pa) = self.law.beyond(self.gauge_pa(i, head_m));
            let excess_m3 = self.round_m3[i] * beyond - self.held_m3[i] + give_m2 * (head_m - free_m);
            (excess_m3, self.round_m3[i] * slope_per_pa * self.weight_n_m3 + give_m2)
        };
        let start_m = self.before_m[i];
        let (excess_m3, slope_m2) = excess(start_m);
        let step_m = -excess_m3 / slope_m2;
        let straight_pa = self.law.straight_within_pa(self.gauge_pa(i, start_m));
        if step_m.abs() * self.weight_n_m3 <= straight_pa {
            return start_m + step_m;
        }
        // the head lies between that without a store and that at which the store alone would balance
        let (mut low_m, mut high_m) = (f64::NEG_INFINITY, f64::INFINITY);
        if excess_m3 > 0.0 {
            high_m = start_m
        } else {
            low_m = start_m
        }
        let mut head_m = self.within((start_m + step_m, start_m), (low_m, high_m), i);
        for _ in 0..STEPS_MAX {
            let (excess_m3, slope_m2) = excess(head_m);
            if excess_m3 > 0.0 {
                high_m = head_m
            } else {
                low_m = head_m
            }
            let next_m = self.within((head_m - excess_m3 / slope_m2, head_m), (low_m, high_m), i);
            let moved_m = (next_m - head_m).abs();
            head_m = next_m;
            if moved_m <= HEAD_TOLERANCE_M {
                break;
            }
        }
        head_m
    }

    /// A Newton step held between its bounds, and not past zero gauge at once, where the law bends.
    fn within(&self, (next_m, from_m): (f64, f64), (low_m, high_m): (f64, f64), point: usize) -> f64 {
        let edge_m = self.elevation_m[point];
        let passes = (next_m - edge_m) * (from_m - edge_m) < 0.0 && (from_m - edge_m).abs() > HEAD_TOLERANCE_M;
        let wanted_m = if passes { edge_m } else { next_m };
        if wanted_m > low_m && wanted_m < high_m {
            wanted_m
        } else if low_m.is_finite() && high_m.is_finite() {
            0.5 * (low_m + high_m)
        } else {
            next_m
        }
    }

    /// Held beyond the grid's store and beyond round, less the half step by which weights differ, m3.
    pub(super) fn stored_m3(&self) -> f64 {
        let held_m3: f64 = self.held_m3.iter().sum::<f64>() - self.round_m3.iter().sum::<f64>();
        held_m3 + 0.5 * self.dt_s * self.gap_m3_s.iter().sum::<f64>()
    }

    /// Vapour, m3, which a hose holds only when there is no water left to hand out.
    pub(super) fn vapour_m3(&self) -> f64 {
        if !self.vapour {
            return 0.0;
        }
        let points = self.held_m3.iter().zip(&self.round_m3).filter(|(_, round_m3)| **round_m3 > 0.0);
        points.map(|(held_m3, round_m3)| round_m3 * self.law.vapour_share(held_m3 / round_m3)).sum()
    }

    /// Roundness at the flattest inner point.
    pub(super) fn least_roundness(&self) -> f64 {
        let last = self.before_m.len() - 1;
        let above_m = least_difference(&self.before_m[1..last], &self.elevation_m[1..last]);
        self.law.roundness(self.weight_n_m3 * above_m)
    }

    pub(super) fn is_flat(&self) -> bool {
        self.flat
    }

    /// True while it lies flat somewhere; it counts as round again well above.
    pub(super) fn lies_flat(&mut self) -> bool {
        let least = self.least_roundness();
        self.flat = if self.flat { least < FLAT.1 } else { least < FLAT.0 };
        self.flat
    }
}
