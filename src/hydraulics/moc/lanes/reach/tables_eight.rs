//! The kernel for tabulated friction and creeping walls in AVX-512.
//!
//! Both half steps of a point in one walk, eight scenarios at a time, so that points midway never leave the registers.
//! The friction of a pipe's points is read from two neighbouring cubics of its table that stay in registers: those about
//! the flow in the middle. A point whose flow lies outside both is read from the table. The quotient of the flow is taken
//! by three terms of its series, which is exact to 1e-12 up to [`SERIES_UP_TO`]; beyond, all are divided.

use super::tables::{Near, Tables};
use super::walls::Walls;
use super::{Boiling, Rough};
use std::arch::x86_64::*;

/// Numbers in a vector.
const V: usize = 8;
/// Sum of two sigmas up to which the series is taken.
const SERIES_UP_TO: f64 = 1.0e-3;

/// What the ends are offered by the points midway: `(f or g, sigma)`.
pub(super) type Ends<const W: usize> = [([f64; W], [f64; W]); 2];

/// True for the numbers of lanes there is a kernel for.
#[inline(always)]
pub(super) fn suits(lanes: usize) -> bool {
    lanes == 2 * V
}

/// [`Near`] in registers, for eight lanes, with the numbers of the walls.
struct Held {
    cubics: [[__m512d; 4]; 2],
    knot: __m512d,
    low: __m512d,
    high: __m512d,
    share: __m512d,
    drop: __m512d,
    half_drop: __m512d,
    gain: __m512d,
    soft: __m512d,
    soft_share: __m512d,
    half: usize,
}

impl Held {
    /// sigma at flows.
    #[inline]
    #[target_feature(enable = "avx512f")]
    fn sigma<const W: usize>(&self, tables: &Tables<W>, flow: __m512d) -> __m512d {
        let size = _mm512_abs_pd(flow);
        let above = _mm512_cmp_pd_mask::<_CMP_GE_OQ>(size, self.knot);
        let pick = |k: usize| _mm512_mask_blend_pd(above, self.cubics[0][k], self.cubics[1][k]);
        let inside = _mm512_cmp_pd_mask::<_CMP_GE_OQ>(size, self.low);
        let inside = _mm512_mask_cmp_pd_mask::<_CMP_LT_OQ>(inside, size, self.high);
        let sigma = _mm512_fmadd_pd(pick(3), size, pick(2));
        let sigma = _mm512_fmadd_pd(sigma, size, pick(1));
        let sigma = _mm512_fmadd_pd(sigma, size, pick(0));
        if inside == 0xff { sigma } else { outside(tables, self.half, (size, sigma), inside) }
    }

    /// What of a wall's answer is over its share of the head: `d` of a point that comes as with an elastic wall.
    #[inline]
    #[target_feature(enable = "avx512f")]
    fn elastic(&self, f: __m512d, g: __m512d, memory: __m512d) -> __m512d {
        _mm512_fmsub_pd(self.soft_share, _mm512_add_pd(f, g), _mm512_mul_pd(self.soft, memory))
    }
}

/// sigma by the table for the lanes whose flow is not `inside`.
#[cold]
#[inline(never)]
#[target_feature(enable = "avx512f")]
fn outside<const W: usize>(
    tables: &Tables<W>,
    half: usize,
    (size, sigma): (__m512d, __m512d),
    inside: __mmask8,
) -> __m512d {
    let (mut sizes, mut sigmas) = ([0.0; V], [0.0; V]);
    // SAFETY: both arrays hold eight numbers.
    unsafe {
        _mm512_storeu_pd(sizes.as_mut_ptr(), size);
        _mm512_storeu_pd(sigmas.as_mut_ptr(), sigma);
    }
    for lane in (0..V).filter(|lane| inside & (1 << lane) == 0) {
        sigmas[lane] = tables.sigma_of(half * V + lane, sizes[lane]);
    }
    // SAFETY: as above.
    unsafe { _mm512_loadu_pd(sigmas.as_ptr()) }
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn at<const W: usize>(values: &[f64; W], half: usize) -> __m512d {
    // SAFETY: half 0 or 1 of sixteen numbers.
    unsafe { _mm512_loadu_pd(values.as_ptr().add(half * V)) }
}

#[inline]
#[target_feature(enable = "avx512f")]
fn flow_between<const DIVIDES: bool>(f_a: __m512d, g_b: __m512d, x: __m512d) -> __m512d {
    let driving = _mm512_sub_pd(f_a, g_b);
    if DIVIDES {
        return _mm512_div_pd(driving, _mm512_add_pd(_mm512_set1_pd(1.0), x));
    }
    let once = _mm512_fnmadd_pd(x, driving, driving);
    let twice = _mm512_fnmadd_pd(x, once, driving);
    _mm512_fnmadd_pd(x, twice, driving)
}

/// Both half steps of all inner points; the slots of the end points hold anything afterwards.
///
/// # Safety
/// AVX-512F is there.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) unsafe fn both<const W: usize>(
    (f, g): (&mut [f64], &mut [f64]),
    n: usize,
    (rough, boiling): (&mut Rough<W>, &Boiling<W>),
    (ends, unsound): (&mut Ends<W>, &mut [bool; W]),
) {
    let Rough { tables, walls, near } = rough;
    let (f, g) = (&mut f[..(n + 1) * W], &mut g[..(n + 1) * W]);
    let mut largest = 0.0_f64;
    for half in 0..2 {
        // SAFETY: as promised to this function; the slices hold n + 1 points.
        let (largest_here, below) = unsafe {
            if near.divides {
                walk::<true, W>((f, g), n, (tables, walls, near), (boiling, half), ends)
            } else {
                walk::<false, W>((f, g), n, (tables, walls, near), (boiling, half), ends)
            }
        };
        largest = largest.max(largest_here);
        for lane in 0..V {
            unsound[half * V + lane] |= below & (1 << lane) != 0;
        }
    }
    near.divides = !(largest <= SERIES_UP_TO);
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn walk<const DIVIDES: bool, const W: usize>(
    (f, g): (&mut [f64], &mut [f64]),
    n: usize,
    (tables, walls, near): (&Tables<W>, &mut Walls<W>, &Near<W>),
    (boiling, half): (&Boiling<W>, usize),
    ends: &mut Ends<W>,
) -> (f64, __mmask8) {
    let (f, g) = (f.as_mut_ptr(), g.as_mut_ptr());
    let (whole, midway) = walls.memories();
    assert!(suits(W) && whole.len() >= (n + 1) * W && midway.len() >= n * W);
    let (whole, midway) = (whole.as_mut_ptr(), midway.as_mut_ptr());
    // SAFETY: points 0 to n of W numbers each; `half` is 0 or 1.
    unsafe {
        let [share, drop, gain, soft] = walls.numbers().map(|number| at(number, half));
        let held = Held {
            cubics: [0, 1].map(|c: usize| [0, 1, 2, 3].map(|k: usize| at(&near.cubics[c][k], half))),
            knot: at(&near.knot, half),
            low: at(&near.low, half),
            high: at(&near.high, half),
            share,
            drop,
            half_drop: _mm512_mul_pd(_mm512_set1_pd(0.5), drop),
            gain,
            soft,
            soft_share: _mm512_mul_pd(soft, share),
            half,
        };
        let (by_point, mut limit) = (at(&boiling.by_point, half), at(&boiling.at_from, half));
        let (mut below, mut largest): (__mmask8, _) = (0, _mm512_setzero_pd());
        let first = half * V;
        let follow = |at: usize| {
            let (f, g, memory) =
                (_mm512_loadu_pd(f.add(at)), _mm512_loadu_pd(g.add(at)), _mm512_loadu_pd(whole.add(at)));
            let d = _mm512_fmsub_pd(held.share, _mm512_add_pd(f, g), memory);
            let memory = _mm512_fmadd_pd(held.gain, d, memory);
            _mm512_storeu_pd(whole.add(at), memory);
            let (new_f, new_g) = (_mm512_fnmadd_pd(held.half_drop, d, f), _mm512_fnmadd_pd(held.half_drop, d, g));
            (new_f, new_g, memory, held.sigma(tables, _mm512_sub_pd(f, g)))
        };
        let (mut f_a, _, mut memory_a, mut sigma_a) = follow(first);
        let zero = _mm512_setzero_pd();
        let (mut f_before, mut sigma_before) = (zero, zero);
        for j in 0..n {
            let here = first + j * W;
            let (f_b, g_b, memory_b, sigma_b) = follow(here + W);
            // The point midway.
            let x = _mm512_add_pd(sigma_a, sigma_b);
            largest = _mm512_max_pd(largest, x);
            let flow = flow_between::<DIVIDES>(f_a, g_b, x);
            let (f_m, g_m) = (_mm512_fnmadd_pd(sigma_a, flow, f_a), _mm512_fmadd_pd(sigma_b, flow, g_b));
            let memory = _mm512_loadu_pd(midway.add(here));
            let d = held.elastic(f_m, g_m, memory);
            _mm512_storeu_pd(midway.add(here), _mm512_fmadd_pd(held.gain, d, memory));
            let (f_m, g_m) = (_mm512_fnmadd_pd(held.drop, d, f_m), _mm512_fnmadd_pd(held.drop, d, g_m));
            let sigma_m = held.sigma(tables, flow);
            if j == 0 {
                _mm512_storeu_pd(ends[0].0.as_mut_ptr().add(first), g_m);
                _mm512_storeu_pd(ends[0].1.as_mut_ptr().add(first), sigma_m);
            } else {
                // The point of the whole level before it.
                let flow = flow_between::<DIVIDES>(f_before, g_m, _mm512_add_pd(sigma_before, sigma_m));
                let f_w = _mm512_fnmadd_pd(sigma_before, flow, f_before);
                let g_w = _mm512_fmadd_pd(sigma_m, flow, g_m);
                let d = held.elastic(f_w, g_w, memory_a);
                let (f_w, g_w) = (_mm512_fnmadd_pd(held.half_drop, d, f_w), _mm512_fnmadd_pd(held.half_drop, d, g_w));
                limit = _mm512_add_pd(limit, by_point);
                below |= _mm512_cmp_pd_mask::<_CMP_NGE_UQ>(_mm512_add_pd(f_w, g_w), limit);
                _mm512_storeu_pd(f.add(here), f_w);
                _mm512_storeu_pd(g.add(here), g_w);
            }
            (f_before, sigma_before) = (f_m, sigma_m);
            (f_a, memory_a, sigma_a) = (f_b, memory_b, sigma_b);
        }
        _mm512_storeu_pd(ends[1].0.as_mut_ptr().add(first), f_before);
        _mm512_storeu_pd(ends[1].1.as_mut_ptr().add(first), sigma_before);
        (_mm512_reduce_max_pd(largest), below)
    }
}
