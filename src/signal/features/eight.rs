//! Smallest and largest in AVX-512.
#![allow(unsafe_code, reason = "a kernel in vector instructions; see the SAFETY lines")]

use std::arch::x86_64::*;

/// Samples in a register, and registers side by side: a comparison waits for the one before it.
const V: usize = 8;
const PARTS: usize = 4;
/// Samples are fetched so far ahead, bytes: the processor's own look ahead ends at each page.
const AHEAD: usize = 8192;

/// As [`super::min_max`], where the processor has the instructions.
pub(super) fn min_max(values: &[f64], width: usize) -> Option<Vec<Option<(f64, f64)>>> {
    // SAFETY: the instructions were found.
    std::is_x86_feature_detected!("avx512f").then(|| unsafe { by_groups(values, width) })
}

#[target_feature(enable = "avx512f")]
fn by_groups(values: &[f64], width: usize) -> Vec<Option<(f64, f64)>> {
    let mut found = Vec::with_capacity(values.len().div_ceil(width));
    for group in values.chunks(width) {
        let (low, high) = ends(group);
        found.push((low <= high).then_some((low, high)));
    }
    found
}

/// Each comparison with a missing sample gives its second: what was known stays.
#[inline]
#[target_feature(enable = "avx512f")]
fn ends(values: &[f64]) -> (f64, f64) {
    let mut low = [_mm512_set1_pd(f64::INFINITY); PARTS];
    let mut high = [_mm512_set1_pd(f64::NEG_INFINITY); PARTS];
    let (rows, rest) = values.as_chunks::<V>();
    let (fours, single) = rows.as_chunks::<PARTS>();
    for four in fours {
        for row in four {
            // An address only: beyond the end nothing is read.
            _mm_prefetch::<_MM_HINT_T1>(row.as_ptr().cast::<i8>().wrapping_add(AHEAD));
        }
        for (k, row) in four.iter().enumerate() {
            let row = read(row);
            (low[k], high[k]) = (_mm512_min_pd(row, low[k]), _mm512_max_pd(row, high[k]));
        }
    }
    for (k, row) in single.iter().enumerate() {
        let row = read(row);
        (low[k], high[k]) = (_mm512_min_pd(row, low[k]), _mm512_max_pd(row, high[k]));
    }
    let last = PARTS - 1;
    if !rest.is_empty() {
        let mask = u8::MAX >> (V - rest.len());
        // SAFETY: the mask lets through as many as there are.
        let row = unsafe { _mm512_mask_loadu_pd(_mm512_set1_pd(f64::NAN), mask, rest.as_ptr()) };
        (low[last], high[last]) = (_mm512_min_pd(row, low[last]), _mm512_max_pd(row, high[last]));
    }
    let low = _mm512_min_pd(_mm512_min_pd(low[0], low[1]), _mm512_min_pd(low[2], low[3]));
    let high = _mm512_max_pd(_mm512_max_pd(high[0], high[1]), _mm512_max_pd(high[2], high[3]));
    (_mm512_reduce_min_pd(low), _mm512_reduce_max_pd(high))
}

#[inline]
#[target_feature(enable = "avx512f")]
fn read(row: &[f64; V]) -> __m512d {
    // SAFETY: as many numbers.
    unsafe { _mm512_loadu_pd(row.as_ptr()) }
}
