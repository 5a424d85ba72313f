//! The fixed-friction kernels in AVX-512.
//!
//! Both half steps of a point in one walk, so that points midway never leave the registers. The quotient of the flow is
//! taken by the first terms of its series, as many as [`Terms`] asks for: a division there would take twice the time of
//! all the rest. Plain loops and indices throughout: what is passed to an iterator's closure would go through memory.

use super::super::vector::{V, all, keep, part};
use super::{Boiling, DRIFT_SHARE, Extent, How, Offer, THREE_TERMS, TWO_TERMS, Terms};
use std::arch::x86_64::*;

/// True for the numbers of lanes there is a kernel for.
#[inline(always)]
pub(super) fn suits(lanes: usize) -> bool {
    lanes == 1 || lanes.is_multiple_of(V)
}

/// What the two ends are offered: `(f or g, sigma)` of the first and of the last point midway.
pub(super) type Ends<const W: usize> = [([f64; W], [f64; W]); 2];

/// Vectors taken together. The processor can wait for no more than about five chains of one point's operations; so each
/// operation is written for all vectors of a batch before the next.
const BATCH: usize = 4;

/// f, g and, of scenarios beside each other, the sizes of flows, which then need not be found again.
pub(super) type Arrays = (*mut f64, *mut f64, *mut f64);

/// Some vectors of points and the sizes of their flows.
#[derive(Clone, Copy)]
struct Points<const N: usize> {
    f: [__m512d; N],
    g: [__m512d; N],
    s: [__m512d; N],
}

#[inline]
#[target_feature(enable = "avx512f")]
fn zero<const N: usize>() -> Points<N> {
    let zero = [_mm512_setzero_pd(); N];
    Points { f: zero, g: zero, s: zero }
}

/// Size of a flow; with `FORWARDS` no flow is below 0.
#[inline]
#[target_feature(enable = "avx512f")]
fn size<const FORWARDS: bool>(flow: __m512d) -> __m512d {
    if FORWARDS { flow } else { _mm512_abs_pd(flow) }
}

/// `N` vectors from `at` on, one after the other.
#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn load<const FORWARDS: bool, const N: usize>(f: *const f64, g: *const f64, at: usize) -> Points<N> {
    let mut points = zero::<N>();
    for k in 0..N {
        // SAFETY: the caller stays within its arrays.
        unsafe {
            points.f[k] = _mm512_loadu_pd(f.add(at + k * V));
            points.g[k] = _mm512_loadu_pd(g.add(at + k * V));
        }
    }
    for k in 0..N {
        points.s[k] = size::<FORWARDS>(_mm512_sub_pd(points.f[k], points.g[k]));
    }
    points
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn store<const N: usize>(f: *mut f64, g: *mut f64, at: usize, points: &Points<N>) {
    for k in 0..N {
        // SAFETY: the caller stays within its arrays.
        unsafe {
            _mm512_storeu_pd(f.add(at + k * V), points.f[k]);
            _mm512_storeu_pd(g.add(at + k * V), points.g[k]);
        }
    }
}

/// As above where the sizes of flows are kept, too: `P` vectors from `at` on, as many `stride` numbers further, and so on.
#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn load_rows<const P: usize, const N: usize>((f, g, s): Arrays, at: usize, stride: usize) -> Points<N> {
    let mut points = zero::<N>();
    for k in 0..N {
        // SAFETY: the caller stays within its arrays.
        unsafe {
            points.f[k] = _mm512_loadu_pd(f.add(at + k / P * stride + k % P * V));
            points.g[k] = _mm512_loadu_pd(g.add(at + k / P * stride + k % P * V));
            points.s[k] = _mm512_loadu_pd(s.add(at + k / P * stride + k % P * V));
        }
    }
    points
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn store_rows<const P: usize, const N: usize>((f, g, s): Arrays, at: usize, stride: usize, points: &Points<N>) {
    for k in 0..N {
        // SAFETY: the caller stays within its arrays.
        unsafe {
            _mm512_storeu_pd(f.add(at + k / P * stride + k % P * V), points.f[k]);
            _mm512_storeu_pd(g.add(at + k / P * stride + k % P * V), points.g[k]);
            _mm512_storeu_pd(s.add(at + k / P * stride + k % P * V), points.s[k]);
        }
    }
}

/// The points between `left` (its f and s are used) and `right` (its g and s).
///
/// Equation: `Q = D / (1 + x)`, `D = f_A - g_B`, `x = s_A + s_B`; by the series `Q = D - x (D - x (D - ...))`.
#[inline]
#[target_feature(enable = "avx512f")]
fn between<const FORWARDS: bool, const TERMS: usize, const N: usize>(left: &Points<N>, right: &Points<N>) -> Points<N> {
    let mut driving = [_mm512_setzero_pd(); N];
    let mut x = driving;
    for k in 0..N {
        driving[k] = _mm512_sub_pd(left.f[k], right.g[k]);
    }
    for k in 0..N {
        x[k] = _mm512_add_pd(left.s[k], right.s[k]);
    }
    let mut flow = driving;
    if TERMS == 0 {
        for k in 0..N {
            flow[k] = _mm512_div_pd(driving[k], _mm512_add_pd(_mm512_set1_pd(1.0), x[k]));
        }
    }
    for _ in 0..TERMS {
        for k in 0..N {
            flow[k] = _mm512_fnmadd_pd(x[k], flow[k], driving[k]);
        }
    }
    let mut new = zero::<N>();
    for k in 0..N {
        new.g[k] = _mm512_fmadd_pd(right.s[k], flow[k], right.g[k]);
    }
    for k in 0..N {
        new.f[k] = _mm512_fnmadd_pd(left.s[k], flow[k], left.f[k]);
    }
    for k in 0..N {
        new.s[k] = size::<FORWARDS>(flow[k]);
    }
    new
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

/// Both half steps. The slots of the two end points hold anything afterwards. Where `how.looks`, false if a point of some
/// lane came below the highest boiling head of the pipe or is no number.
///
/// # Safety
/// AVX-512F is there; `W` suits; the arrays reach from their first point to 24 numbers behind their `(n + 1) W` points.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) unsafe fn both<const W: usize>(
    arrays: Arrays,
    n: usize,
    (boiling, how): (&Boiling<W>, How),
    ends: &mut Ends<W>,
) -> bool {
    // SAFETY: whole vectors of `n W` points are overwritten, at most 7 numbers beyond; 8 more are read.
    unsafe {
        match (how.terms, how.looks, how.forwards) {
            (Terms::Two, false, true) => walk::<W, true, 2, false>(arrays, n, boiling, ends),
            (Terms::Three, false, true) => walk::<W, true, 3, false>(arrays, n, boiling, ends),
            (Terms::Two, true, _) => walk::<W, false, 2, true>(arrays, n, boiling, ends),
            (Terms::Two, false, _) => walk::<W, false, 2, false>(arrays, n, boiling, ends),
            (Terms::Three, true, _) => walk::<W, false, 3, true>(arrays, n, boiling, ends),
            (Terms::Three, false, _) => walk::<W, false, 3, false>(arrays, n, boiling, ends),
            (Terms::All, true, _) => walk::<W, false, 0, true>(arrays, n, boiling, ends),
            (Terms::All, false, _) => walk::<W, false, 0, false>(arrays, n, boiling, ends),
        }
    }
}

#[inline(never)]
#[target_feature(enable = "avx512f")]
unsafe fn walk<const W: usize, const FORWARDS: bool, const TERMS: usize, const LOOKS: bool>(
    arrays: Arrays,
    n: usize,
    boiling: &Boiling<W>,
    ends: &mut Ends<W>,
) -> bool {
    // SAFETY: as in `both`.
    unsafe {
        if W == 1 {
            along::<W, FORWARDS, TERMS, LOOKS>(arrays.0, arrays.1, n, boiling, ends)
        } else if W == V {
            beside::<W, 1, FORWARDS, TERMS, LOOKS>(arrays, n, (boiling, 0), ends)
        } else {
            let mut sound = true;
            for from in (0..W).step_by(2 * V) {
                sound &= beside::<W, 2, FORWARDS, TERMS, LOOKS>(arrays, n, (boiling, from), ends);
            }
            sound
        }
    }
}

/// A walk up a pipe whose points stand side by side.
struct Along {
    f: *mut f64,
    g: *mut f64,
    limit: __m512d,
    /// The old points of the next block, and the points midway of the block before.
    low: Points<1>,
    midway: Points<1>,
    sound: __mmask8,
}

impl Along {
    /// `N` blocks of eight points from `block` on, of which those in `inner` count.
    #[inline]
    #[target_feature(enable = "avx512f")]
    unsafe fn blocks<const FORWARDS: bool, const TERMS: usize, const LOOKS: bool, const N: usize>(
        &mut self,
        block: usize,
        inner: __mmask8,
    ) {
        let at = block * V;
        // SAFETY: as in `both`.
        let high = unsafe { load::<FORWARDS, N>(self.f, self.g, at + V) };
        let (mut left, mut right) = (zero::<N>(), zero::<N>());
        for k in 0..N {
            left.f[k] = if k == 0 { self.low.f[0] } else { high.f[k - 1] };
            left.g[k] = if k == 0 { self.low.g[0] } else { high.g[k - 1] };
            left.s[k] = if k == 0 { self.low.s[0] } else { high.s[k - 1] };
        }
        for k in 0..N {
            // SAFETY: as in `both`. Read from memory: the registers' shuffles are what the walk waits for.
            right.g[k] = unsafe { _mm512_loadu_pd(self.g.add(at + k * V + 1)) };
            right.s[k] = one_up(left.s[k], high.s[k]);
        }
        let new = between::<FORWARDS, TERMS, N>(&left, &right);
        for k in 0..N {
            left.f[k] = one_down(if k == 0 { self.midway.f[0] } else { new.f[k - 1] }, new.f[k]);
            left.s[k] = one_down(if k == 0 { self.midway.s[0] } else { new.s[k - 1] }, new.s[k]);
        }
        let whole = between::<FORWARDS, TERMS, N>(&left, &new);
        // SAFETY: as in `both`.
        unsafe {
            store(self.f, self.g, at, &whole);
        }
        if LOOKS {
            let mut sums = [self.limit; N];
            for k in 0..N {
                sums[k] = _mm512_add_pd(whole.f[k], whole.g[k]);
            }
            for k in 0..N {
                // A sum that is no number is below as well.
                self.sound &= _mm512_cmp_pd_mask::<_CMP_GE_OQ>(sums[k], self.limit) | !inner;
            }
        }
        self.low = Points { f: [high.f[N - 1]], g: [high.g[N - 1]], s: [high.s[N - 1]] };
        self.midway = Points { f: [new.f[N - 1]], g: [new.g[N - 1]], s: [new.s[N - 1]] };
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn along<const W: usize, const FORWARDS: bool, const TERMS: usize, const LOOKS: bool>(
    f: *mut f64,
    g: *mut f64,
    n: usize,
    boiling: &Boiling<W>,
    ends: &mut Ends<W>,
) -> bool {
    let (last, inner) = ((n - 1) / V, 0xff_u8 >> ((V - n % V) % V));
    let limit = _mm512_set1_pd(boiling.highest[0]);
    // SAFETY: as in `both`.
    unsafe {
        let mut walk = Along { f, g, limit, low: load::<FORWARDS, 1>(f, g, 0), midway: zero(), sound: !0 };
        walk.blocks::<FORWARDS, TERMS, LOOKS, 1>(0, if last == 0 { inner & 0xfe } else { 0xfe });
        (ends[0].0[0], ends[0].1[0]) = (_mm512_cvtsd_f64(walk.midway.g[0]), _mm512_cvtsd_f64(walk.midway.s[0]));
        let mut block = 1;
        while block + BATCH <= last {
            walk.blocks::<FORWARDS, TERMS, LOOKS, BATCH>(block, 0xff);
            block += BATCH;
        }
        while block <= last {
            walk.blocks::<FORWARDS, TERMS, LOOKS, 1>(block, if block == last { inner } else { 0xff });
            block += 1;
        }
        let mut values = [[0.0; V]; 2];
        _mm512_storeu_pd(values[0].as_mut_ptr(), walk.midway.f[0]);
        _mm512_storeu_pd(values[1].as_mut_ptr(), walk.midway.s[0]);
        (ends[1].0[0], ends[1].1[0]) = (values[0][(n - 1) % V], values[1][(n - 1) % V]);
        walk.sound == !0
    }
}

/// A walk up `P` times eight pipes beside each other, of the many that lie `stride` numbers apart from point to point.
struct Beside<const P: usize> {
    arrays: Arrays,
    stride: usize,
    limit: [__m512d; P],
    /// The old point next to the points midway to come, and the last points midway.
    left: Points<P>,
    midway: Points<P>,
    sound: [__mmask8; P],
}

impl<const P: usize> Beside<P> {
    /// `N / P` points from `point` on (at least the second).
    #[inline]
    #[target_feature(enable = "avx512f")]
    unsafe fn points<const FORWARDS: bool, const TERMS: usize, const LOOKS: bool, const N: usize>(
        &mut self,
        point: usize,
    ) {
        let at = point * self.stride;
        // SAFETY: as in `both`.
        let right = unsafe { load_rows::<P, N>(self.arrays, at + self.stride, self.stride) };
        let mut left = zero::<N>();
        for k in 0..N {
            left.f[k] = if k < P { self.left.f[k] } else { right.f[k - P] };
            left.s[k] = if k < P { self.left.s[k] } else { right.s[k - P] };
        }
        let new = between::<FORWARDS, TERMS, N>(&left, &right);
        for k in 0..N {
            left.f[k] = if k < P { self.midway.f[k] } else { new.f[k - P] };
            left.s[k] = if k < P { self.midway.s[k] } else { new.s[k - P] };
        }
        let whole = between::<FORWARDS, TERMS, N>(&left, &new);
        // SAFETY: as in `both`.
        unsafe {
            store_rows::<P, N>(self.arrays, at, self.stride, &whole);
        }
        if LOOKS {
            let mut sums = [self.limit[0]; N];
            for k in 0..N {
                sums[k] = _mm512_add_pd(whole.f[k], whole.g[k]);
            }
            for k in 0..N {
                // A sum that is no number is below as well.
                let (sound, limit) = (&mut self.sound[k % P], self.limit[k % P]);
                *sound = _mm512_mask_cmp_pd_mask::<_CMP_GE_OQ>(*sound, sums[k], limit);
            }
        }
        for k in 0..P {
            let from = N - P + k;
            (self.left.f[k], self.left.g[k], self.left.s[k]) = (right.f[from], right.g[from], right.s[from]);
            (self.midway.f[k], self.midway.g[k], self.midway.s[k]) = (new.f[from], new.g[from], new.s[from]);
        }
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
unsafe fn beside<const W: usize, const P: usize, const FORWARDS: bool, const TERMS: usize, const LOOKS: bool>(
    (f, g, s): Arrays,
    n: usize,
    (boiling, from): (&Boiling<W>, usize),
    ends: &mut Ends<W>,
) -> bool {
    let mut limit = [_mm512_setzero_pd(); P];
    for k in 0..P {
        limit[k] = part(&boiling.highest, from + k * V);
    }
    // SAFETY: as in `both`.
    unsafe {
        let arrays = (f.add(from), g.add(from), s.add(from));
        let (first, left) = (load_rows::<P, P>(arrays, 0, W), load_rows::<P, P>(arrays, W, W));
        let midway = between::<FORWARDS, TERMS, P>(&first, &left);
        for k in 0..P {
            keep(&mut ends[0].0, from + k * V, midway.g[k]);
            keep(&mut ends[0].1, from + k * V, midway.s[k]);
        }
        let mut walk = Beside { arrays, stride: W, limit, left, midway, sound: [!0; P] };
        let mut point = 1;
        while point + BATCH / P <= n {
            walk.points::<FORWARDS, TERMS, LOOKS, BATCH>(point);
            point += BATCH / P;
        }
        while point < n {
            walk.points::<FORWARDS, TERMS, LOOKS, P>(point);
            point += 1;
        }
        let mut sound = !0;
        for k in 0..P {
            keep(&mut ends[1].0, from + k * V, walk.midway.f[k]);
            keep(&mut ends[1].1, from + k * V, walk.midway.s[k]);
            sound &= walk.sound[k];
        }
        sound == !0
    }
}

/// As `Reach::offer`.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) fn offer<const W: usize>(
    offer: &mut Offer<W>,
    (head_m, impedance_s_m2): (&[f64; W], &[f64; W]),
    (offered, sigma): (&[f64; W], &[f64; W]),
) {
    for from in (0..W).step_by(V) {
        let (sum, sigma) = (part(offered, from), part(sigma, from));
        let impedance = part(impedance_s_m2, from);
        keep(&mut offer.head_m, from, _mm512_mul_pd(part(head_m, from), _mm512_add_pd(sum, sum)));
        let more = _mm512_mul_pd(_mm512_add_pd(sigma, sigma), impedance);
        keep(&mut offer.impedance_s_m2, from, _mm512_add_pd(impedance, more));
    }
}

/// As `Reach::set_end`.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) fn set_end<const W: usize>(
    (f, g, s): (&mut [f64; W], &mut [f64; W], &mut [f64; W]),
    extent: &mut Extent<W>,
    (per_head, per_flow): (&[f64; W], &[f64; W]),
    (head_m, inflow_m3_s, sign): (&[f64; W], &[f64; W], f64),
) {
    for from in (0..W).step_by(V) {
        let sum = _mm512_mul_pd(all(0.5), _mm512_mul_pd(part(head_m, from), part(per_head, from)));
        let along = _mm512_mul_pd(all(0.5 * sign), _mm512_mul_pd(part(inflow_m3_s, from), part(per_flow, from)));
        let (new_f, new_g) = (_mm512_add_pd(sum, along), _mm512_sub_pd(sum, along));
        keep(f, from, new_f);
        keep(g, from, new_g);
        keep(s, from, _mm512_abs_pd(_mm512_add_pd(along, along)));
        // The second of two is taken where the first is no number.
        let [f_low, f_high, g_low, g_high] = &mut extent.values;
        keep(f_low, from, _mm512_min_pd(new_f, part(f_low, from)));
        keep(f_high, from, _mm512_max_pd(new_f, part(f_high, from)));
        keep(g_low, from, _mm512_min_pd(new_g, part(g_low, from)));
        keep(g_high, from, _mm512_max_pd(new_g, part(g_high, from)));
    }
}

/// As `Extent::seen`.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) fn seen<const W: usize>(extent: &mut Extent<W>, boiling: &Boiling<W>) -> [bool; 5] {
    let (mut two, mut three, mut above, mut near): (__mmask8, __mmask8, __mmask8, __mmask8) = (!0, !0, !0, !0);
    let mut forwards: __mmask8 = !0;
    for from in (0..W).step_by(V) {
        let (f_low, f_high) = (part(&extent.values[0], from), part(&extent.values[1], from));
        let (g_low, g_high) = (part(&extent.values[2], from), part(&extent.values[3], from));
        let apart = _mm512_max_pd(_mm512_sub_pd(f_high, g_low), _mm512_sub_pd(g_high, f_low));
        let drift = part(&extent.drift, from);
        let flow = _mm512_fmadd_pd(all(2.0), drift, apart);
        let drift = _mm512_fmadd_pd(_mm512_mul_pd(all(2.1), flow), flow, drift);
        keep(&mut extent.drift, from, drift);
        let sums = _mm512_mul_pd(all(2.0), _mm512_fmadd_pd(all(2.0), drift, apart));
        two &= _mm512_cmp_pd_mask::<_CMP_LE_OQ>(sums, all(TWO_TERMS));
        three &= _mm512_cmp_pd_mask::<_CMP_LE_OQ>(sums, all(THREE_TERMS));
        let lowest = _mm512_fnmadd_pd(all(2.0), drift, _mm512_add_pd(f_low, g_low));
        above &= _mm512_cmp_pd_mask::<_CMP_GE_OQ>(lowest, part(&boiling.highest, from));
        let least = _mm512_fnmadd_pd(all(2.0), drift, _mm512_sub_pd(f_low, g_high));
        forwards &= _mm512_cmp_pd_mask::<_CMP_GE_OQ>(least, _mm512_setzero_pd());
        near &= _mm512_cmp_pd_mask::<_CMP_LE_OQ>(drift, _mm512_mul_pd(all(DRIFT_SHARE), apart));
    }
    [two == !0, three == !0, above != !0, near != !0, forwards == !0]
}
