//! The fixed-friction kernels in AVX-512.
//!
//! The quotient of the flow is taken by the first terms of its series where that is exact to rounding, which is nearly
//! always: friction over half a cell is small beside the pipe's impedance. A division there would take twice the time of
//! all the rest.

use super::Boiling;
use std::arch::x86_64::*;

/// Numbers in a vector.
const V: usize = 8;
/// Vectors taken together where points stand side by side.
const UNROLL: usize = 4;
/// Numbers from one point to the next where scenarios stand beside each other.
const STRIDE: isize = 2 * V as isize;

/// True for the numbers of lanes there is a kernel for.
#[inline(always)]
pub(super) fn suits(lanes: usize) -> bool {
    lanes == 1 || lanes == 2 * V
}

/// f and g of eight points, and what friction does to |flow|.
#[derive(Clone, Copy)]
struct Points {
    f: __m512d,
    g: __m512d,
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn load(f: *const f64, g: *const f64, at: isize) -> Points {
    // SAFETY: the caller stays within its arrays.
    unsafe { Points { f: _mm512_loadu_pd(f.offset(at)), g: _mm512_loadu_pd(g.offset(at)) } }
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn store(f: *mut f64, g: *mut f64, at: isize, points: Points) {
    // SAFETY: the caller stays within its arrays.
    unsafe {
        _mm512_storeu_pd(f.offset(at), points.f);
        _mm512_storeu_pd(g.offset(at), points.g);
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
fn sigma(points: Points) -> __m512d {
    _mm512_abs_pd(_mm512_sub_pd(points.f, points.g))
}

/// Sum of sigmas below which the first terms of the reciprocal are exact to rounding: `x^4 < 1e-16`.
const SMALL: f64 = 1.0e-4;

/// Left and right neighbours of eight points: what comes from the left with its sigma, and from the right.
#[derive(Clone, Copy)]
struct Sides {
    f_a: __m512d,
    s_a: __m512d,
    g_b: __m512d,
    s_b: __m512d,
}

/// The points between their neighbours, and the sizes of their flows.
///
/// Equation: `1 / (1 + x) = (1 - x)(1 + x^2) + O(x^4)`; where an x is larger, all are divided.
#[inline]
#[target_feature(enable = "avx512f")]
fn between<const U: usize>(sides: &[Sides; U]) -> [(Points, __m512d); U] {
    let zero = _mm512_setzero_pd();
    let mut largest = zero;
    for side in sides {
        largest = _mm512_max_pd(largest, _mm512_add_pd(side.s_a, side.s_b));
    }
    let small = _mm512_cmp_pd_mask::<_CMP_NLE_UQ>(largest, _mm512_set1_pd(SMALL)) == 0;
    let mut points = [(Points { f: zero, g: zero }, zero); U];
    for (point, side) in points.iter_mut().zip(sides) {
        let x = _mm512_add_pd(side.s_a, side.s_b);
        let dividend = _mm512_sub_pd(side.f_a, side.g_b);
        let flow = if small {
            let first = _mm512_fnmadd_pd(dividend, x, dividend);
            _mm512_fmadd_pd(first, _mm512_mul_pd(x, x), first)
        } else {
            _mm512_div_pd(dividend, _mm512_add_pd(_mm512_set1_pd(1.0), x))
        };
        let handed_on =
            Points { f: _mm512_fnmadd_pd(side.s_a, flow, side.f_a), g: _mm512_fmadd_pd(side.s_b, flow, side.g_b) };
        *point = (handed_on, _mm512_abs_pd(flow));
    }
    points
}

/// The eight numbers that begin one after the first of `low`.
#[inline]
#[target_feature(enable = "avx512f")]
fn one_up(low: __m512d, high: __m512d) -> __m512d {
    let (low, high) = (_mm512_castpd_si512(low), _mm512_castpd_si512(high));
    _mm512_castsi512_pd(_mm512_alignr_epi64::<1>(high, low))
}

/// The eight numbers that end one before the last of `high`.
#[inline]
#[target_feature(enable = "avx512f")]
fn one_down(low: __m512d, high: __m512d) -> __m512d {
    let (low, high) = (_mm512_castpd_si512(low), _mm512_castpd_si512(high));
    _mm512_castsi512_pd(_mm512_alignr_epi64::<7>(high, low))
}

/// What the two ends are offered: `(f or g, sigma)` of the first and of the last point midway.
pub(super) type Ends<const W: usize> = [([f64; W], [f64; W]); 2];

/// Both half steps in one walk: the points midway stay in registers. The slots of the two end points hold anything
/// afterwards.
///
/// # Safety
/// AVX-512F is there; `f` and `g` reach from their first point to 24 numbers behind their `(n + 1) W` points.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) unsafe fn both<const W: usize>(
    f: *mut f64,
    g: *mut f64,
    n: usize,
    boiling: &Boiling<'_, W>,
    (ends, unsound): (&mut Ends<W>, &mut [bool; W]),
) {
    // SAFETY: whole vectors of `n W` points are overwritten, at most 7 numbers beyond; 8 more are read.
    unsafe {
        if W == 1 {
            along(f, g, n, boiling, (ends, unsound));
        } else {
            beside(f, g, n, boiling, (ends, unsound));
        }
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn along<const W: usize>(
    f: *mut f64,
    g: *mut f64,
    n: usize,
    boiling: &Boiling<'_, W>,
    (ends, unsound): (&mut Ends<W>, &mut [bool; W]),
) {
    let (from, by_point) = (_mm512_set1_pd(boiling.at_from[0]), _mm512_set1_pd(boiling.by_point[0]));
    let count = _mm512_set_pd(7.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0, 0.0);
    let (last, inner) = ((n - 1) / V, 0xff_u8 >> ((V - n % V) % V));
    // SAFETY: as in `both`.
    unsafe {
        let low = load(f, g, 0);
        let zero = _mm512_setzero_pd();
        let mut walk = Walk {
            low,
            s_low: sigma(low),
            midway: Points { f: zero, g: zero },
            s_midway: zero,
            limit: _mm512_fmadd_pd(by_point, count, from),
            by_block: _mm512_mul_pd(by_point, _mm512_set1_pd(V as f64)),
            sound: !0,
        };
        walk.blocks::<1>(f, g, 0, if last == 0 { inner & 0xfe } else { 0xfe });
        ends[0].0[0] = first(walk.midway.g);
        ends[0].1[0] = first(walk.s_midway);
        let mut block = 1;
        while block + UNROLL <= last {
            walk.blocks::<UNROLL>(f, g, block, 0xff);
            block += UNROLL;
        }
        while block <= last {
            walk.blocks::<1>(f, g, block, if block == last { inner } else { 0xff });
            block += 1;
        }
        let mut values = [[0.0; V]; 2];
        _mm512_storeu_pd(values[0].as_mut_ptr(), walk.midway.f);
        _mm512_storeu_pd(values[1].as_mut_ptr(), walk.s_midway);
        ends[1].0[0] = values[0][(n - 1) % V];
        ends[1].1[0] = values[1][(n - 1) % V];
        unsound[0] |= walk.sound != !0;
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
fn first(values: __m512d) -> f64 {
    _mm512_cvtsd_f64(values)
}

/// A walk up a pipe whose points stand side by side.
struct Walk {
    /// The old points of the next block, and their sigmas.
    low: Points,
    s_low: __m512d,
    /// The points midway of the block before.
    midway: Points,
    s_midway: __m512d,
    limit: __m512d,
    by_block: __m512d,
    sound: __mmask8,
}

impl Walk {
    /// `U` blocks of eight points from `block` on; `inner` tells which points of each are.
    #[inline]
    #[target_feature(enable = "avx512f")]
    unsafe fn blocks<const U: usize>(&mut self, f: *mut f64, g: *mut f64, block: usize, inner: __mmask8) {
        let at = |k: usize| ((block + k) * V) as isize;
        // SAFETY: as in `both`.
        unsafe {
            let mut sides = [Sides { f_a: self.low.f, s_a: self.s_low, g_b: self.low.g, s_b: self.s_low }; U];
            for (k, side) in sides.iter_mut().enumerate() {
                let high = load(f, g, at(k + 1));
                let s_high = sigma(high);
                let (g_b, s_b) = (one_up(self.low.g, high.g), one_up(self.s_low, s_high));
                *side = Sides { f_a: self.low.f, s_a: self.s_low, g_b, s_b };
                (self.low, self.s_low) = (high, s_high);
            }
            let midway = between(&sides);
            for (side, (points, s)) in sides.iter_mut().zip(&midway) {
                let (f_a, s_a) = (one_down(self.midway.f, points.f), one_down(self.s_midway, *s));
                *side = Sides { f_a, s_a, g_b: points.g, s_b: *s };
                (self.midway, self.s_midway) = (*points, *s);
            }
            for (k, (points, _)) in between(&sides).iter().enumerate() {
                store(f, g, at(k), *points);
                let sum = _mm512_add_pd(points.f, points.g);
                // A sum that is no number is below as well.
                let sound = _mm512_mask_cmp_pd_mask::<_CMP_GE_OQ>(self.sound, sum, self.limit);
                self.sound = if inner == 0xff { sound } else { sound | (self.sound & !inner) };
                self.limit = _mm512_add_pd(self.limit, self.by_block);
            }
        }
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn beside<const W: usize>(
    f: *mut f64,
    g: *mut f64,
    n: usize,
    boiling: &Boiling<'_, W>,
    (ends, unsound): (&mut Ends<W>, &mut [bool; W]),
) {
    let mut sound = [!0 as __mmask8; 2];
    // SAFETY: as in `both`; boiling heads and ends are those of sixteen lanes, as `suits` asks.
    unsafe {
        let read = |values: &[f64; W], half: usize| _mm512_loadu_pd(values.as_ptr().add(half * V));
        let by_point = [read(boiling.by_point, 0), read(boiling.by_point, 1)];
        let mut limit = [read(boiling.at_from, 0), read(boiling.at_from, 1)];
        let both_at = |at: isize| [load(f, g, at), load(f, g, at + V as isize)];
        let sides = |left: &[Points; 2], s_left: &[__m512d; 2], right: &[Points; 2], s_right: &[__m512d; 2]| {
            let side = |k: usize| Sides { f_a: left[k].f, s_a: s_left[k], g_b: right[k].g, s_b: s_right[k] };
            [side(0), side(1)]
        };
        let mut left = both_at(0);
        let mut s_left = [sigma(left[0]), sigma(left[1])];
        let mut before = left;
        let mut s_before = s_left;
        for point in 0..n as isize {
            let at = point * STRIDE;
            let right = both_at(at + STRIDE);
            let s_right = [sigma(right[0]), sigma(right[1])];
            let [(m_0, s_0), (m_1, s_1)] = between(&sides(&left, &s_left, &right, &s_right));
            let (midway, s_midway) = ([m_0, m_1], [s_0, s_1]);
            (left, s_left) = (right, s_right);
            if point == 0 {
                for half in 0..2 {
                    _mm512_storeu_pd(ends[0].0.as_mut_ptr().add(half * V), midway[half].g);
                    _mm512_storeu_pd(ends[0].1.as_mut_ptr().add(half * V), s_midway[half]);
                }
            } else {
                let [(p_0, _), (p_1, _)] = between(&sides(&before, &s_before, &midway, &s_midway));
                for (half, points) in [p_0, p_1].into_iter().enumerate() {
                    store(f, g, at + half as isize * V as isize, points);
                    limit[half] = _mm512_add_pd(limit[half], by_point[half]);
                    let sum = _mm512_add_pd(points.f, points.g);
                    sound[half] = _mm512_mask_cmp_pd_mask::<_CMP_GE_OQ>(sound[half], sum, limit[half]);
                }
            }
            (before, s_before) = (midway, s_midway);
        }
        for half in 0..2 {
            _mm512_storeu_pd(ends[1].0.as_mut_ptr().add(half * V), before[half].f);
            _mm512_storeu_pd(ends[1].1.as_mut_ptr().add(half * V), s_before[half]);
        }
    }
    for (lane, unsound) in unsound.iter_mut().enumerate() {
        *unsound |= sound[lane / V] >> (lane % V) & 1 == 0;
    }
}
