//! Which vector instructions there are, found at run time.

/// A set of instructions the lanes are compiled for.
pub(super) trait Isa: Copy {
    /// A fused multiply-add is one instruction; without it `f64::mul_add` would be a call into the mathematics library.
    const FUSED: bool;
    /// Vectors of eight, with the kernels written for them.
    const EIGHT: bool;
}

/// Any processor.
#[derive(Debug, Clone, Copy)]
pub(super) struct Plain;
/// AVX2 and FMA.
#[derive(Debug, Clone, Copy)]
pub(super) struct Four;
/// AVX-512.
#[derive(Debug, Clone, Copy)]
pub(super) struct Eight;

impl Isa for Plain {
    const FUSED: bool = false;
    const EIGHT: bool = false;
}

impl Isa for Four {
    const FUSED: bool = true;
    const EIGHT: bool = false;
}

impl Isa for Eight {
    const FUSED: bool = true;
    const EIGHT: bool = true;
}

/// `a b + c`.
#[inline(always)]
pub(super) fn fused<I: Isa>(a: f64, b: f64, c: f64) -> f64 {
    if I::FUSED { a.mul_add(b, c) } else { a * b + c }
}

/// Vector instructions that the lanes use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Vectors {
    /// Whatever every processor has.
    Plain,
    /// AVX2 with fused multiply-add.
    Avx2,
    /// AVX-512.
    Avx512,
}

impl Vectors {
    /// The widest this processor has.
    #[must_use]
    pub fn widest() -> Self {
        #[cfg(target_arch = "x86_64")]
        {
            let four = std::is_x86_feature_detected!("avx2") && std::is_x86_feature_detected!("fma");
            let eight = std::is_x86_feature_detected!("avx512f")
                && std::is_x86_feature_detected!("avx512dq")
                && std::is_x86_feature_detected!("avx512vl");
            match (four, four && eight) {
                (_, true) => return Self::Avx512,
                (true, false) => return Self::Avx2,
                _ => {}
            }
        }
        Self::Plain
    }
}
