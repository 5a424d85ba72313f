//! The kernel for tabulated friction and creeping walls in AVX-512.
//!
//! Both half steps of a point in one walk, eight scenarios at a time, so that points midway never leave the registers.
//! The friction of a pipe's points is read from two neighbouring cubics of its table that stay in registers: those about
//! the flow in the middle; from one of them, chosen lane by lane, where a few flows looked at beforehand all lie in it. A
//! point whose flow lies outside is read from the table. The quotient of the flow is taken by the first terms of its
//! series, as in the kernel for fixed friction.

use super::super::vector::{V, part};
use super::tables::{Near, Tables};
use super::walls::Walls;
use super::{Boiling, Rough, THREE_TERMS, TWO_TERMS};
use crate::hydraulics::re_pieces::{FIRST, LAST, SHIFT};
use std::arch::x86_64::*;
use std::cell::Cell;

/// Points of a pipe that tell beforehand whether one cubic does.
const LOOKED_AT: usize = 5;
/// Share of a pipe's points that may lie outside one cubic before two are taken, and for how many steps.
const STRAYS_SHARE: u32 = 32;
const BOTH_FOR: u32 = 64;

/// What the ends are offered by the points midway: `(f or g, sigma)`.
pub(super) type Ends<const W: usize> = [([f64; W], [f64; W]); 2];

/// True for the numbers of lanes there is a kernel for.
#[inline(always)]
pub(super) fn suits(lanes: usize) -> bool {
    lanes > 1 && lanes.is_multiple_of(V)
}

/// [`Near`] in registers, for eight lanes, with the numbers of the walls.
#[derive(Clone, Copy)]
struct Held {
    cubics: [[__m512d; 4]; 2],
    knot: __m512d,
    low: __m512d,
    high: __m512d,
    give: __m512d,
    gain: __m512d,
}

/// Flows outside: the tables they are read from, how many vectors, and the largest sigma.
struct Outside<'a, const W: usize> {
    tables: &'a Tables<W>,
    eighth: usize,
    strays: Cell<u32>,
    beyond: Cell<__m512d>,
}

impl Held {
    /// sigma at flows; with `ONE`, by the first cubic alone.
    #[inline]
    #[target_feature(enable = "avx512f")]
    fn sigma<const ONE: bool, const W: usize>(&self, outside: &Outside<'_, W>, flow: __m512d) -> __m512d {
        let size = _mm512_abs_pd(flow);
        let inside = _mm512_cmp_pd_mask::<_CMP_GE_OQ>(size, self.low);
        let inside = _mm512_mask_cmp_pd_mask::<_CMP_LT_OQ>(inside, size, self.high);
        let [first, second] = &self.cubics;
        let mut cubic = *first;
        if !ONE {
            let above = _mm512_cmp_pd_mask::<_CMP_GE_OQ>(size, self.knot);
            for k in 0..4 {
                cubic[k] = _mm512_mask_blend_pd(above, first[k], second[k]);
            }
        }
        let sigma = _mm512_fmadd_pd(cubic[3], size, cubic[2]);
        let sigma = _mm512_fmadd_pd(sigma, size, cubic[1]);
        let sigma = _mm512_fmadd_pd(sigma, size, cubic[0]);
        if inside == 0xff { sigma } else { outside.sigma((size, sigma), inside) }
    }

    /// Narrow to the cubic in which the flows given all lie, lane by lane; false where they do not.
    #[inline]
    #[target_feature(enable = "avx512f")]
    fn narrow(&mut self, flows: &[__m512d; LOOKED_AT]) -> bool {
        let first = _mm512_cmp_pd_mask::<_CMP_GE_OQ>(_mm512_abs_pd(flows[0]), self.knot);
        let (mut inside, mut same): (__mmask8, __mmask8) = (!0, !0);
        for flow in flows {
            let size = _mm512_abs_pd(*flow);
            same &= !(first ^ _mm512_cmp_pd_mask::<_CMP_GE_OQ>(size, self.knot));
            inside &= _mm512_cmp_pd_mask::<_CMP_GE_OQ>(size, self.low);
            inside &= _mm512_cmp_pd_mask::<_CMP_LT_OQ>(size, self.high);
        }
        if inside & same != !0 {
            return false;
        }
        for k in 0..4 {
            self.cubics[0][k] = _mm512_mask_blend_pd(first, self.cubics[0][k], self.cubics[1][k]);
        }
        self.low = _mm512_mask_blend_pd(first, self.low, self.knot);
        self.high = _mm512_mask_blend_pd(first, self.knot, self.high);
        true
    }
}

impl<const W: usize> Outside<'_, W> {
    /// sigma by the table for the lanes whose flow is not `inside`, read as `re_pieces::place` has it.
    #[inline(never)]
    #[target_feature(enable = "avx512f")]
    fn sigma(&self, (size, sigma): (__m512d, __m512d), inside: __mmask8) -> __m512d {
        let (tables, from) = (self.tables, self.eighth * V);
        let re = _mm512_mul_pd(part(&tables.re_per_flow, from), size);
        let bits = _mm512_castpd_si512(re);
        let raw = _mm512_sub_epi64(_mm512_srli_epi64::<SHIFT>(bits), _mm512_set1_epi64(FIRST));
        let (zero, last) = (_mm512_setzero_si512(), _mm512_set1_epi64(LAST));
        // The share of the piece: its bits as those behind a one.
        let low = _mm512_and_si512(bits, _mm512_set1_epi64((1 << SHIFT) - 1));
        let one = _mm512_set1_pd(1.0);
        let behind = _mm512_or_si512(_mm512_slli_epi64::<{ 52 - SHIFT }>(low), _mm512_castpd_si512(one));
        let rest = _mm512_sub_pd(_mm512_castsi512_pd(behind), one);
        let rest = _mm512_maskz_mov_pd(_mm512_cmpge_epi64_mask(raw, zero), rest);
        let rest = _mm512_mask_mov_pd(rest, _mm512_cmpgt_epi64_mask(raw, last), one);
        let piece = _mm512_min_epi64(_mm512_max_epi64(raw, zero), last);
        let at = &tables.at[from..from + V];
        let values = tables.values.as_ptr().cast::<f64>();
        // SAFETY: eight numbers; each lane's table has `LAST + 1` rows of four from its first on.
        let cubic = unsafe {
            let row = _mm512_add_epi64(_mm512_loadu_si512(at.as_ptr().cast()), piece);
            let row = _mm512_slli_epi64::<2>(row);
            let c_3 = _mm512_i64gather_pd::<8>(row, values.add(3));
            let c_2 = _mm512_i64gather_pd::<8>(row, values.add(2));
            let c_1 = _mm512_i64gather_pd::<8>(row, values.add(1));
            let c_0 = _mm512_i64gather_pd::<8>(row, values);
            _mm512_fmadd_pd(_mm512_fmadd_pd(_mm512_fmadd_pd(c_3, rest, c_2), rest, c_1), rest, c_0)
        };
        let by_flow = _mm512_mul_pd(part(&tables.by_flow, from), size);
        let read = _mm512_fmadd_pd(part(&tables.by_table, from), cubic, by_flow);
        self.beyond.set(_mm512_max_pd(self.beyond.get(), _mm512_maskz_mov_pd(!inside, read)));
        self.strays.set(self.strays.get() + 1);
        _mm512_mask_blend_pd(inside, read, sigma)
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn at<const W: usize>(values: &[f64; W], eighth: usize) -> __m512d {
    // SAFETY: within the numbers, as `suits` asks.
    unsafe { _mm512_loadu_pd(values.as_ptr().add(eighth * V)) }
}

/// Flow from what drives it and the sum x of the sigmas: `D / (1 + x)`, by `TERMS` of its series or (0) itself.
#[inline]
#[target_feature(enable = "avx512f")]
fn flow_between<const TERMS: usize>(f_a: __m512d, g_b: __m512d, x: __m512d) -> __m512d {
    let driving = _mm512_sub_pd(f_a, g_b);
    if TERMS == 0 {
        return _mm512_div_pd(driving, _mm512_add_pd(_mm512_set1_pd(1.0), x));
    }
    let mut flow = driving;
    for _ in 0..TERMS {
        flow = _mm512_fnmadd_pd(x, flow, driving);
    }
    flow
}

/// Both half steps of all inner points; what is at the end points is read and stays. False where a point came below the
/// highest boiling head of the pipe.
///
/// # Safety
/// AVX-512F is there.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) unsafe fn both<const W: usize>(
    (f, g): (&mut [f64], &mut [f64]),
    n: usize,
    (rough, boiling): (&mut Rough<W>, &Boiling<W>),
    ends: &mut Ends<W>,
) -> bool {
    let Rough { tables, walls, near, .. } = rough;
    let (f, g) = (&mut f[..(n + 1) * W], &mut g[..(n + 1) * W]);
    let sum = near.sum.max(2.0 * near.beyond);
    near.beyond = 0.0;
    let mut sound = true;
    for eighth in 0..W / V {
        // SAFETY: as promised to this function; the slices hold n + 1 points.
        sound &= unsafe {
            if sum <= TWO_TERMS {
                step::<2, W>((f, g), n, (tables, walls, near), (boiling, eighth), ends)
            } else if sum <= THREE_TERMS {
                step::<3, W>((f, g), n, (tables, walls, near), (boiling, eighth), ends)
            } else {
                step::<0, W>((f, g), n, (tables, walls, near), (boiling, eighth), ends)
            }
        };
    }
    sound
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn step<const TERMS: usize, const W: usize>(
    (f, g): (&mut [f64], &mut [f64]),
    n: usize,
    (tables, walls, near): (&Tables<W>, &mut Walls<W>, &mut Near<W>),
    (boiling, eighth): (&Boiling<W>, usize),
    ends: &mut Ends<W>,
) -> bool {
    // SAFETY: points 0 to n of W numbers each; `eighth` counts eights of them.
    unsafe {
        // No closures: they would not be compiled for the instructions at hand.
        let [give, gain] = walls.numbers();
        let (give, gain) = (at(give, eighth), at(gain, eighth));
        let mut cubics = [[_mm512_setzero_pd(); 4]; 2];
        for c in 0..2 {
            for k in 0..4 {
                cubics[c][k] = at(&near.cubics[c][k], eighth);
            }
        }
        let mut held = Held {
            cubics,
            knot: at(&near.knot, eighth),
            low: at(&near.low, eighth),
            high: at(&near.high, eighth),
            give,
            gain,
        };
        let outside = Outside { tables, eighth, strays: Cell::new(0), beyond: Cell::new(_mm512_setzero_pd()) };
        let mut flows = [_mm512_setzero_pd(); LOOKED_AT];
        for i in 0..LOOKED_AT {
            let at = n * i / (LOOKED_AT - 1) * W + eighth * V;
            flows[i] = _mm512_sub_pd(_mm512_loadu_pd(f.as_ptr().add(at)), _mm512_loadu_pd(g.as_ptr().add(at)));
        }
        let both_for = &mut near.both_for[eighth];
        *both_for = both_for.saturating_sub(1);
        let one = *both_for == 0 && held.narrow(&flows);
        let lowest = if one {
            walk::<true, TERMS, W>((f, g), n, (&outside, walls, &held), ends)
        } else {
            walk::<false, TERMS, W>((f, g), n, (&outside, walls, &held), ends)
        };
        if one && outside.strays.get() * STRAYS_SHARE > n as u32 {
            *both_for = BOTH_FOR;
        }
        near.beyond = near.beyond.max(_mm512_reduce_max_pd(outside.beyond.get()));
        _mm512_cmp_pd_mask::<_CMP_GE_OQ>(lowest, at(&boiling.highest, eighth)) == 0xff
    }
}

/// The walk along a pipe; returns the lowest sums f + g of inner points.
#[inline(never)]
#[target_feature(enable = "avx512f")]
unsafe fn walk<const ONE: bool, const TERMS: usize, const W: usize>(
    (f, g): (&mut [f64], &mut [f64]),
    n: usize,
    (outside, walls, held): (&Outside<'_, W>, &mut Walls<W>, &Held),
    ends: &mut Ends<W>,
) -> __m512d {
    let held = *held;
    let (f, g) = (f.as_mut_ptr(), g.as_mut_ptr());
    let (whole, midway) = walls.memories();
    assert!(suits(W) && whole.len() >= (n + 1) * W && midway.len() >= n * W);
    let (whole, midway) = (whole.as_mut_ptr(), midway.as_mut_ptr());
    let first = outside.eighth * V;
    let mut lowest = _mm512_set1_pd(f64::INFINITY);
    let zero = _mm512_setzero_pd();
    let (mut f_before, mut sigma_before) = (zero, zero);
    // SAFETY: points 0 to n of W numbers each; `eighth` counts eights of them.
    unsafe {
        let mut f_a = _mm512_loadu_pd(f.add(first));
        let mut sigma_a = held.sigma::<ONE, W>(outside, _mm512_sub_pd(f_a, _mm512_loadu_pd(g.add(first))));
        for j in 0..n {
            let here = first + j * W;
            let (f_b, g_b) = (_mm512_loadu_pd(f.add(here + W)), _mm512_loadu_pd(g.add(here + W)));
            let sigma_b = held.sigma::<ONE, W>(outside, _mm512_sub_pd(f_b, g_b));
            // The point midway.
            let flow = flow_between::<TERMS>(f_a, g_b, _mm512_add_pd(sigma_a, sigma_b));
            let (f_m, g_m) = (_mm512_fnmadd_pd(sigma_a, flow, f_a), _mm512_fmadd_pd(sigma_b, flow, g_b));
            let memory = _mm512_loadu_pd(midway.add(here));
            let c = _mm512_fmsub_pd(held.give, _mm512_add_pd(f_m, g_m), memory);
            _mm512_storeu_pd(midway.add(here), _mm512_fmadd_pd(held.gain, c, memory));
            let (f_m, g_m) = (_mm512_sub_pd(f_m, c), _mm512_sub_pd(g_m, c));
            let sigma_m = held.sigma::<ONE, W>(outside, flow);
            if j == 0 {
                _mm512_storeu_pd(ends[0].0.as_mut_ptr().add(first), g_m);
                _mm512_storeu_pd(ends[0].1.as_mut_ptr().add(first), sigma_m);
            } else {
                // The point of the whole level before it.
                let flow = flow_between::<TERMS>(f_before, g_m, _mm512_add_pd(sigma_before, sigma_m));
                let (f_w, g_w) = (_mm512_fnmadd_pd(sigma_before, flow, f_before), _mm512_fmadd_pd(sigma_m, flow, g_m));
                let memory = _mm512_loadu_pd(whole.add(here));
                let sum = _mm512_add_pd(f_w, g_w);
                let c = _mm512_fmsub_pd(held.give, sum, memory);
                _mm512_storeu_pd(whole.add(here), _mm512_fmadd_pd(held.gain, c, memory));
                lowest = _mm512_min_pd(lowest, _mm512_sub_pd(sum, c));
                _mm512_storeu_pd(f.add(here), _mm512_sub_pd(f_w, c));
                _mm512_storeu_pd(g.add(here), _mm512_sub_pd(g_w, c));
            }
            (f_before, sigma_before) = (f_m, sigma_m);
            (f_a, sigma_a) = (f_b, sigma_b);
        }
        _mm512_storeu_pd(ends[1].0.as_mut_ptr().add(first), f_before);
        _mm512_storeu_pd(ends[1].1.as_mut_ptr().add(first), sigma_before);
    }
    lowest
}
