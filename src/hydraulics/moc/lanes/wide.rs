//! The widest vectors for what lies beside each other in one pipe.
#![allow(unsafe_code, reason = "the call of code compiled for instructions found at run time; see the SAFETY lines")]

use super::isa::Vectors;

/// Something done at many points alike. `go` and what it calls are compiled for each kind of vectors where they are
/// inlined into it always.
pub(crate) trait Wide {
    /// Do it.
    fn go(self);
}

/// Do `work` with the widest vectors that this processor has. Nothing is fused, so that every processor gets the same
/// numbers.
#[inline]
pub(crate) fn widely(work: impl Wide) {
    match Vectors::widest() {
        #[cfg(target_arch = "x86_64")]
        // SAFETY: the instructions were found.
        Vectors::Avx512 => unsafe { eight(work) },
        #[cfg(target_arch = "x86_64")]
        // SAFETY: as above.
        Vectors::Avx2 => unsafe { four(work) },
        _ => work.go(),
    }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f,avx512dq,avx512vl,avx2")]
fn eight(work: impl Wide) {
    work.go();
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn four(work: impl Wide) {
    work.go();
}
