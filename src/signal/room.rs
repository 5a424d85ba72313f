//! Room for a long series in large pages, where the system gives them when asked (Linux: `transparent_hugepage` at
//! `madvise` or `always`). A minute of eight channels is 38 MB: as 4 KiB pages it begins with 9 400 faults, and every pass
//! over it looks up as many addresses.
#![allow(unsafe_code, reason = "advice on memory has no safe interface; see the SAFETY lines")]

use rustix::mm::{Advice, madvise};

/// From here on large pages are worth asking for, bytes: two of them.
const LONG: usize = 4 << 20;
/// Advice is about whole pages, bytes; where pages are larger the system refuses it.
const PAGE: usize = 4096;

/// `count` samples, all `value`.
pub fn filled(count: usize, value: f64) -> Vec<f64> {
    // Untouched so far: the system gives this memory as zeros.
    let mut room = vec![0.0; count];
    ask_for_large_pages(&mut room);
    if value.to_bits() != 0 {
        room.fill(value);
    }
    room
}

/// What the system answers changes no number, so it is not looked at.
fn ask_for_large_pages(room: &mut [f64]) {
    let bytes = size_of_val(room);
    if bytes < LONG {
        return;
    }
    let start = room.as_mut_ptr().cast::<u8>();
    let before = start.align_offset(PAGE);
    let whole = bytes.saturating_sub(before) / PAGE * PAGE;
    // SAFETY: whole pages inside memory that is ours; this advice leaves what stands in it.
    let _answer = unsafe { madvise(start.wrapping_add(before).cast(), whole, Advice::LinuxHugepage) };
}

/// Asks for the memory that lies so many bytes before a place, where the processor can be asked. It changes nothing.
#[inline(always)]
pub(super) fn fetch_before<T>(place: &T, bytes: usize) {
    #[cfg(target_arch = "x86_64")]
    {
        use std::arch::x86_64::{_MM_HINT_T0, _mm_prefetch};
        let earlier = std::ptr::from_ref(place).cast::<i8>().wrapping_sub(bytes);
        // SAFETY: an address only, nothing is read from it. Every processor of this kind has the instruction.
        unsafe { _mm_prefetch::<_MM_HINT_T0>(earlier) };
    }
    #[cfg(not(target_arch = "x86_64"))]
    let _elsewhere = (place, bytes);
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    #[test]
    fn holds_the_value_everywhere_short_and_long() {
        for count in [0, 1, 511, LONG / 8 - 1, LONG / 8, LONG / 8 + 513] {
            assert!(filled(count, 0.0).iter().all(|value| *value == 0.0));
            let missing = filled(count, f64::NAN);
            assert_eq!(missing.len(), count);
            assert!(missing.iter().all(|value| value.is_nan()));
        }
    }
}
