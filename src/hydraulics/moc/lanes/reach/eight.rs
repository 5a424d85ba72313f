//! The fixed-friction kernels in AVX-512.
//!
//! The quotient is taken by the reciprocal estimate (14 bits), one Newton step on it and one correction of the quotient,
//! right to the last bit or two: a true division would take twice the time of all the rest.

use super::Boiling;
use std::arch::x86_64::*;

/// Numbers in a vector.
const V: usize = 8;

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

/// The point between a left and a right neighbour.
#[inline]
#[target_feature(enable = "avx512f")]
fn between(f_a: __m512d, s_a: __m512d, g_b: __m512d, s_b: __m512d) -> Points {
    let one = _mm512_set1_pd(1.0);
    let divisor = _mm512_add_pd(_mm512_add_pd(one, s_a), s_b);
    let dividend = _mm512_sub_pd(f_a, g_b);
    let estimate = _mm512_rcp14_pd(divisor);
    let error = _mm512_fnmadd_pd(divisor, estimate, one);
    let reciprocal = _mm512_fmadd_pd(estimate, error, estimate);
    let quotient = _mm512_mul_pd(dividend, reciprocal);
    let rest = _mm512_fnmadd_pd(divisor, quotient, dividend);
    let flow = _mm512_fmadd_pd(rest, reciprocal, quotient);
    Points { f: _mm512_fnmadd_pd(s_a, flow, f_a), g: _mm512_fmadd_pd(s_b, flow, g_b) }
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

/// Whole points to points midway, from the first on.
///
/// # Safety
/// AVX-512F is there; `f` and `g` reach from 8 numbers before to 24 after their `(n + 1) W` points.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) unsafe fn midway<const W: usize>(f: *mut f64, g: *mut f64, n: usize) {
    // SAFETY: `n W` points are overwritten, whole vectors of them: at most 7 numbers beyond; 8 more are read.
    unsafe {
        if W == 1 {
            midway_along(f, g, n);
        } else {
            midway_beside(f, g, n);
        }
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn midway_along(f: *mut f64, g: *mut f64, n: usize) {
    // SAFETY: as in `midway`.
    unsafe {
        let mut low = load(f, g, 0);
        let mut s_low = sigma(low);
        for block in 0..n.div_ceil(V) as isize {
            let at = block * V as isize;
            let high = load(f, g, at + V as isize);
            let s_high = sigma(high);
            let points = between(low.f, s_low, one_up(low.g, high.g), one_up(s_low, s_high));
            store(f, g, at, points);
            (low, s_low) = (high, s_high);
        }
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn midway_beside(f: *mut f64, g: *mut f64, n: usize) {
    const STRIDE: isize = 2 * V as isize;
    // SAFETY: as in `midway`.
    unsafe {
        let mut left = [load(f, g, 0), load(f, g, V as isize)];
        let mut s_left = [sigma(left[0]), sigma(left[1])];
        for point in 0..n as isize {
            for half in 0..2 {
                let at = point * STRIDE + half as isize * V as isize;
                let right = load(f, g, at + STRIDE);
                let s_right = sigma(right);
                store(f, g, at, between(left[half].f, s_left[half], right.g, s_right));
                (left[half], s_left[half]) = (right, s_right);
            }
        }
    }
}

/// Points midway to inner whole points, from the last on; the slots of the two end points hold anything afterwards.
///
/// # Safety
/// As for [`midway`].
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) unsafe fn whole<const W: usize>(
    f: *mut f64,
    g: *mut f64,
    n: usize,
    boiling: &Boiling<'_, W>,
    unsound: &mut [bool; W],
) {
    // SAFETY: as in `midway`; 8 numbers before the first point are read.
    unsafe {
        if W == 1 {
            unsound[0] |= whole_along(f, g, n, boiling.at_from[0], boiling.by_point[0]);
        } else {
            whole_beside(f, g, n, boiling, unsound);
        }
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn whole_along(f: *mut f64, g: *mut f64, n: usize, boiling: f64, by_point: f64) -> bool {
    let mut below: __mmask8 = 0;
    let count = _mm512_set_pd(7.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0, 0.0);
    let (first, slope) = (_mm512_set1_pd(boiling), _mm512_set1_pd(by_point));
    let top = (n - 1) / V;
    // SAFETY: as in `midway`.
    unsafe {
        let mut high = load(f, g, (top * V) as isize);
        let mut s_high = sigma(high);
        for block in (0..=top).rev() {
            let at = (block * V) as isize;
            let low = load(f, g, at - V as isize);
            let s_low = sigma(low);
            let points = between(one_down(low.f, high.f), one_down(s_low, s_high), high.g, s_high);
            store(f, g, at, points);
            let place = _mm512_add_pd(_mm512_set1_pd(at as f64), count);
            let limit = _mm512_fmadd_pd(slope, place, first);
            let inner = if block == 0 { 0xfe } else { 0xff };
            let inner = if block == top { inner & (0xff_u8 >> ((V - n % V) % V)) } else { inner };
            let sum = _mm512_add_pd(points.f, points.g);
            below |= _mm512_mask_cmp_pd_mask::<_CMP_NGE_UQ>(inner, sum, limit);
            (high, s_high) = (low, s_low);
        }
    }
    below != 0
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn whole_beside<const W: usize>(
    f: *mut f64,
    g: *mut f64,
    n: usize,
    boiling: &Boiling<'_, W>,
    unsound: &mut [bool; W],
) {
    const STRIDE: isize = 2 * V as isize;
    let mut below = [0 as __mmask8; 2];
    // SAFETY: as in `midway`; boiling heads are those of sixteen lanes, as `suits` asks.
    unsafe {
        let read = |values: &[f64; W], half: usize| _mm512_loadu_pd(values.as_ptr().add(half * V));
        let first = [read(boiling.at_from, 0), read(boiling.at_from, 1)];
        let slope = [read(boiling.by_point, 0), read(boiling.by_point, 1)];
        let top = (n - 1) as isize * STRIDE;
        let mut right = [load(f, g, top), load(f, g, top + V as isize)];
        let mut s_right = [sigma(right[0]), sigma(right[1])];
        for point in (1..n as isize).rev() {
            let place = _mm512_set1_pd(point as f64);
            for half in 0..2 {
                let at = point * STRIDE + half as isize * V as isize;
                let left = load(f, g, at - STRIDE);
                let s_left = sigma(left);
                let points = between(left.f, s_left, right[half].g, s_right[half]);
                store(f, g, at, points);
                let limit = _mm512_fmadd_pd(slope[half], place, first[half]);
                below[half] |= _mm512_cmp_pd_mask::<_CMP_NGE_UQ>(_mm512_add_pd(points.f, points.g), limit);
                (right[half], s_right[half]) = (left, s_left);
            }
        }
    }
    for (lane, unsound) in unsound.iter_mut().enumerate() {
        *unsound |= below[lane / V] >> (lane % V) & 1 != 0;
    }
}
