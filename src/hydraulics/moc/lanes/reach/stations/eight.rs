//! The inner stations in AVX-512, sixteen scenarios beside each other.

use super::{StationLanes, Tables};
use crate::hydraulics::moc::lanes::vector::{V, all, keep, part};
use std::arch::x86_64::*;

/// Registers of sixteen lanes.
const PARTS: usize = 2;

/// True for the numbers of lanes there is a kernel for.
#[inline(always)]
pub(super) fn suits(lanes: usize) -> bool {
    lanes == PARTS * V
}

/// As `StationLanes::step` for all inner stations; the lowest f and g they hand on.
#[inline(never)]
#[target_feature(enable = "avx512f")]
pub(super) fn inner<const W: usize>(of: &mut StationLanes<W>, tables: &Tables<W>) -> [[f64; W]; 2] {
    let mut low = [[all(f64::INFINITY); PARTS]; 2];
    for station in 1..of.plan.last() {
        let left = of.at(station - 1, of.plan.way(station - 1));
        let (right, at) = (of.at(station + 1, of.plan.way(station)), of.at(station, 0));
        for half in 0..PARTS {
            let from = half * V;
            let (f_a, g_b) = (part(&of.forwards[left], from), part(&of.backwards[right], from));
            let (driving, old) = (_mm512_sub_pd(f_a, g_b), part(&of.sigma[station], from));
            let nearly = _mm512_fnmadd_pd(old, driving, driving);
            let nearly = _mm512_fnmadd_pd(old, nearly, driving);
            let nearly = _mm512_fnmadd_pd(old, nearly, driving);
            let sigma = sigma(of, station, from, nearly, tables);
            let flow = _mm512_mul_pd(driving, per(_mm512_add_pd(all(1.0), sigma)));
            let memory = part(&of.memory[station], from);
            let taken = _mm512_fmsub_pd(part(&of.give[station], from), _mm512_add_pd(f_a, g_b), memory);
            let f = _mm512_add_pd(g_b, _mm512_sub_pd(flow, taken));
            let g = _mm512_sub_pd(f_a, _mm512_add_pd(flow, taken));
            let memory = _mm512_fmadd_pd(part(&of.gain[station], from), taken, memory);
            keep(&mut of.memory[station], from, memory);
            keep(&mut of.sigma[station], from, sigma);
            keep(&mut of.forwards[at], from, f);
            keep(&mut of.backwards[at], from, g);
            low[0][half] = _mm512_min_pd(low[0][half], f);
            low[1][half] = _mm512_min_pd(low[1][half], g);
        }
    }
    let mut lowest = [[0.0; W]; 2];
    for way in 0..2 {
        for half in 0..PARTS {
            keep(&mut lowest[way], half * V, low[way][half]);
        }
    }
    lowest
}

/// One over eight numbers about 1, by two steps of Newton from fourteen bits: within two bits of the quotient, at a third of
/// its time.
#[inline]
#[target_feature(enable = "avx512f")]
fn per(divisor: __m512d) -> __m512d {
    let first = _mm512_rcp14_pd(divisor);
    let second = _mm512_fmadd_pd(first, _mm512_fnmadd_pd(divisor, first, all(1.0)), first);
    _mm512_fmadd_pd(second, _mm512_fnmadd_pd(divisor, second, all(1.0)), second)
}

/// sigma of eight lanes at flows.
#[inline]
#[target_feature(enable = "avx512f")]
fn sigma<const W: usize>(
    of: &mut StationLanes<W>,
    station: usize,
    from: usize,
    flow: __m512d,
    tables: &Tables<W>,
) -> __m512d {
    let size = _mm512_abs_pd(flow);
    let cubic = &of.cubics[station];
    let inside = _mm512_cmp_pd_mask::<_CMP_GE_OQ>(size, part(&cubic.low, from))
        & _mm512_cmp_pd_mask::<_CMP_LT_OQ>(size, part(&cubic.high, from));
    if inside != 0xff {
        let mut sizes = [0.0; V];
        keep(&mut sizes, 0, size);
        of.aim(station, from, &sizes, tables);
    }
    let [c_0, c_1, c_2, c_3] = &of.cubics[station].of_flow;
    let high = _mm512_fmadd_pd(size, part(c_3, from), part(c_2, from));
    let low = _mm512_fmadd_pd(size, high, part(c_1, from));
    _mm512_fmadd_pd(size, low, part(c_0, from))
}
