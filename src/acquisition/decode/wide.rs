//! Eight samples at a time by AVX2, where the processor has it.
#![allow(unsafe_code, reason = "vector loads and stores, and calls of functions for processors that have them")]

use super::LANES;
use crate::rig::model::SampleCode;
use std::arch::x86_64::{
    __m128i, __m256i, _mm_loadu_si128, _mm_setr_epi8, _mm_shuffle_epi8, _mm256_castsi128_si256, _mm256_cmpgt_epi32,
    _mm256_cvtepi16_epi32, _mm256_inserti128_si256, _mm256_loadu_si256, _mm256_or_si256, _mm256_setr_epi8,
    _mm256_setzero_si256, _mm256_shuffle_epi8, _mm256_srai_epi32, _mm256_storeu_si256, _mm256_testz_si256,
};

/// Append as many samples as whole vectors hold; how many bytes of `payload` they took.
pub(super) fn append(code: SampleCode, payload: &[u8], counts: &mut Vec<i32>) -> usize {
    if !is_x86_feature_detected!("avx2") {
        return 0;
    }
    match code {
        // SAFETY: the processor has AVX2.
        SampleCode::L24 => unsafe { append_l24(payload, counts) },
        // SAFETY: the processor has AVX2.
        SampleCode::L16 => unsafe { append_l16(payload, counts) },
        SampleCode::S16Le | SampleCode::S24Le | SampleCode::S32Le => 0,
    }
}

/// As [`super::within_singly`]; `None` without AVX2.
pub(super) fn within(counts: &[i32], over: &[i32], under: &[i32]) -> Option<bool> {
    // SAFETY: the processor has AVX2.
    is_x86_feature_detected!("avx2").then(|| unsafe { within_avx2(counts, over, under) })
}

/// The bounds are a whole number of vectors long. One answer at the end: nothing is outside nearly always.
#[target_feature(enable = "avx2")]
fn within_avx2(counts: &[i32], over: &[i32], under: &[i32]) -> bool {
    if let ([over], []) = over.as_chunks::<LANES>()
        && let ([under], []) = under.as_chunks::<LANES>()
    {
        return within_one_vector(counts, over, under);
    }
    let mut outside = _mm256_setzero_si256();
    for part in counts.chunks(over.len()) {
        for ((part, over), under) in
            part.as_chunks::<LANES>().0.iter().zip(over.as_chunks::<LANES>().0).zip(under.as_chunks::<LANES>().0)
        {
            outside = _mm256_or_si256(outside, beyond(vector(part), vector(over), vector(under)));
        }
    }
    // Bounds of the last samples, which fill no vector.
    let rest = counts.len() - counts.len() % LANES;
    let from = rest % over.len();
    _mm256_testz_si256(outside, outside) == 1 && super::within_singly(&counts[rest..], &over[from..], &under[from..])
}

/// As above where one vector holds the bounds of all channels.
#[target_feature(enable = "avx2")]
fn within_one_vector(counts: &[i32], over: &[i32; LANES], under: &[i32; LANES]) -> bool {
    let (most, least, mut outside) = (vector(over), vector(under), _mm256_setzero_si256());
    let (whole, rest) = counts.as_chunks::<LANES>();
    for part in whole {
        outside = _mm256_or_si256(outside, beyond(vector(part), most, least));
    }
    _mm256_testz_si256(outside, outside) == 1 && super::within_singly(rest, over, under)
}

#[inline]
#[target_feature(enable = "avx2")]
fn beyond(counts: __m256i, over: __m256i, under: __m256i) -> __m256i {
    _mm256_or_si256(_mm256_cmpgt_epi32(counts, over), _mm256_cmpgt_epi32(under, counts))
}

#[inline]
#[target_feature(enable = "avx2")]
fn vector(values: &[i32; LANES]) -> __m256i {
    // SAFETY: as many bytes as are read.
    unsafe { _mm256_loadu_si256(values.as_ptr().cast::<__m256i>()) }
}

/// Where the bytes of big-endian samples of three bytes go: to the top of each word, so that the arithmetic shift brings
/// the sign down with it. The upper half is loaded four bytes early, so that nothing behind 24 bytes is touched.
#[target_feature(enable = "avx2")]
fn l24_places() -> __m256i {
    _mm256_setr_epi8(
        -1, 2, 1, 0, -1, 5, 4, 3, -1, 8, 7, 6, -1, 11, 10, 9, -1, 6, 5, 4, -1, 9, 8, 7, -1, 12, 11, 10, -1, 15, 14, 13,
    )
}

#[target_feature(enable = "avx2")]
fn append_l24(payload: &[u8], counts: &mut Vec<i32>) -> usize {
    const BYTES: usize = 3 * LANES;
    let vectors = payload.len() / BYTES;
    counts.reserve(vectors * LANES);
    let places = l24_places();
    let (mut from, mut to) = (payload.as_ptr(), counts.spare_capacity_mut().as_mut_ptr().cast::<i32>());
    for _ in 0..vectors {
        // SAFETY: 24 bytes are left to read and room for eight counts is left to write, by the number of vectors.
        unsafe {
            let low = _mm_loadu_si128(from.cast::<__m128i>());
            let high = _mm_loadu_si128(from.add(8).cast::<__m128i>());
            let both = _mm256_inserti128_si256::<1>(_mm256_castsi128_si256(low), high);
            let words = _mm256_srai_epi32::<8>(_mm256_shuffle_epi8(both, places));
            _mm256_storeu_si256(to.cast::<__m256i>(), words);
            (from, to) = (from.add(BYTES), to.add(LANES));
        }
    }
    // SAFETY: so many counts were written behind the old ones.
    unsafe { counts.set_len(counts.len() + vectors * LANES) };
    vectors * BYTES
}

#[target_feature(enable = "avx2")]
fn append_l16(payload: &[u8], counts: &mut Vec<i32>) -> usize {
    const BYTES: usize = 2 * LANES;
    let vectors = payload.len() / BYTES;
    counts.reserve(vectors * LANES);
    let swapped = _mm_setr_epi8(1, 0, 3, 2, 5, 4, 7, 6, 9, 8, 11, 10, 13, 12, 15, 14);
    let (mut from, mut to) = (payload.as_ptr(), counts.spare_capacity_mut().as_mut_ptr().cast::<i32>());
    for _ in 0..vectors {
        // SAFETY: 16 bytes are left to read and room for eight counts is left to write, by the number of vectors.
        unsafe {
            let halves = _mm_shuffle_epi8(_mm_loadu_si128(from.cast::<__m128i>()), swapped);
            _mm256_storeu_si256(to.cast::<__m256i>(), _mm256_cvtepi16_epi32(halves));
            (from, to) = (from.add(BYTES), to.add(LANES));
        }
    }
    // SAFETY: so many counts were written behind the old ones.
    unsafe { counts.set_len(counts.len() + vectors * LANES) };
    vectors * BYTES
}
