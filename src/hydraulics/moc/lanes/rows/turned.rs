//! Rows of lanes to rows of probes, in AVX-512.

use super::{Lanes, Row};
use crate::hydraulics::moc::lanes::vector::{V, part};
use std::arch::x86_64::*;

/// True for the numbers of lanes there is a kernel for.
#[inline(always)]
pub(super) fn suits(lanes: usize) -> bool {
    lanes > 1 && lanes.is_multiple_of(V)
}

/// As `Rows::put`: straight between two levels, and into the row of each lane that is due, which begins at `from`.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) fn put<const W: usize>(
    values: &mut [f64],
    (from, due): (&[usize; W], &[bool; W]),
    (before, now, share): (&[Row<W>], &[Row<W>], &Lanes<W>),
) {
    for half in (0..W).step_by(V) {
        let share = part(share, half);
        for (block, (before, now)) in before.chunks(V).zip(now.chunks(V)).enumerate() {
            let mut lines = [_mm512_setzero_pd(); V];
            for (line, (before, now)) in lines.iter_mut().zip(before.iter().zip(now)) {
                let (before, now) = (part(before, half), part(now, half));
                *line = _mm512_add_pd(before, _mm512_mul_pd(share, _mm512_sub_pd(now, before)));
            }
            let rows = turned(&lines);
            let probes = before.len();
            let mask = u8::MAX >> (V - probes);
            for (lane, row) in (half..).zip(rows) {
                if due[lane] {
                    let at = from[lane] + block * V;
                    let room = &mut values[at..at + probes];
                    // SAFETY: `room` has the places that the mask lets through.
                    unsafe { _mm512_mask_storeu_pd(room.as_mut_ptr(), mask, row) };
                }
            }
        }
    }
}

/// Columns of eight rows.
#[inline]
#[target_feature(enable = "avx512f")]
fn turned(lines: &[__m512d; V]) -> [__m512d; V] {
    let [a, b, c, d, e, f, g, h] = *lines;
    let even = quarters([
        _mm512_unpacklo_pd(a, b),
        _mm512_unpacklo_pd(c, d),
        _mm512_unpacklo_pd(e, f),
        _mm512_unpacklo_pd(g, h),
    ]);
    let odd = quarters([
        _mm512_unpackhi_pd(a, b),
        _mm512_unpackhi_pd(c, d),
        _mm512_unpackhi_pd(e, f),
        _mm512_unpackhi_pd(g, h),
    ]);
    [even[0], odd[0], even[1], odd[1], even[2], odd[2], even[3], odd[3]]
}

/// Columns of four rows of pairs.
#[inline]
#[target_feature(enable = "avx512f")]
fn quarters([a, b, c, d]: [__m512d; 4]) -> [__m512d; 4] {
    let (low_even, low_odd) = (_mm512_shuffle_f64x2::<0x88>(a, b), _mm512_shuffle_f64x2::<0xdd>(a, b));
    let (high_even, high_odd) = (_mm512_shuffle_f64x2::<0x88>(c, d), _mm512_shuffle_f64x2::<0xdd>(c, d));
    [
        _mm512_shuffle_f64x2::<0x88>(low_even, high_even),
        _mm512_shuffle_f64x2::<0x88>(low_odd, high_odd),
        _mm512_shuffle_f64x2::<0xdd>(low_even, high_even),
        _mm512_shuffle_f64x2::<0xdd>(low_odd, high_odd),
    ]
}
