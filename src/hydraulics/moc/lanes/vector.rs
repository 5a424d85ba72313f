//! Eight lanes in one register.

use std::arch::x86_64::*;

/// Lanes in a register.
pub(super) const V: usize = 8;

/// Eight lanes from `from` on.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) fn part<const W: usize>(values: &[f64; W], from: usize) -> __m512d {
    let values = &values[from..from + V];
    // SAFETY: the slice holds eight numbers.
    unsafe { _mm512_loadu_pd(values.as_ptr()) }
}

/// Put eight lanes back.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) fn keep<const W: usize>(values: &mut [f64; W], from: usize, new: __m512d) {
    let values = &mut values[from..from + V];
    // SAFETY: the slice holds eight numbers.
    unsafe { _mm512_storeu_pd(values.as_mut_ptr(), new) }
}

/// One number in all lanes.
#[inline]
#[target_feature(enable = "avx512f")]
pub(super) fn all(value: f64) -> __m512d {
    _mm512_set1_pd(value)
}
