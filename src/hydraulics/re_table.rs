//! A function of the Reynolds number as a table that is read without a logarithm.

/// Intervals of the table in one doubling of the Reynolds number, as a power of two.
const INTERVALS_BITS: u32 = 6;
/// Reynolds number where the table begins, as a power of two; below it flow is laminar.
const FIRST_OCTAVE: u32 = 10;
/// Reynolds number where it ends, as a power of two: beyond any flow of water in a pipe.
const LAST_OCTAVE: u32 = 31;
/// Bits of the mantissa of an f64.
const MANTISSA_BITS: u32 = 52;
/// Exponent bias of an f64.
const EXPONENT_BIAS: u64 = 1023;

/// A tabulated function of Re: 64 straight pieces a doubling from 2^10 to 2^31, constant beyond both ends.
///
/// The index is read from the exponent and the upper bits of the mantissa, which costs no logarithm.
/// Accuracy: for functions close to powers of Re below one, under 6e-6 relative.
#[derive(Debug, Clone)]
pub(crate) struct ReTable(Box<[f64]>);

impl ReTable {
    pub(crate) fn of(function: impl Fn(f64) -> f64) -> Self {
        let intervals = 1_usize << INTERVALS_BITS;
        let octaves = (LAST_OCTAVE - FIRST_OCTAVE) as usize;
        let re = |i: usize| {
            let start = f64::from(1_u32 << (FIRST_OCTAVE + (i / intervals) as u32));
            start * (1.0 + (i % intervals) as f64 / intervals as f64)
        };
        Self((0..=octaves * intervals).map(|i| function(re(i))).collect())
    }

    /// The function at Re >= 0.
    #[inline]
    pub(crate) fn at(&self, re: f64) -> f64 {
        const SHIFT: u32 = MANTISSA_BITS - INTERVALS_BITS;
        const FIRST: u64 = (EXPONENT_BIAS + FIRST_OCTAVE as u64) << INTERVALS_BITS;
        let bits = re.to_bits();
        let index = (bits >> SHIFT).wrapping_sub(FIRST) as usize;
        if index < self.0.len() - 1 {
            let rest = (bits & ((1 << SHIFT) - 1)) as f64 * (1.0 / (1_u64 << SHIFT) as f64);
            return self.0[index] + rest * (self.0[index + 1] - self.0[index]);
        }
        self.end(re)
    }

    #[cold]
    fn end(&self, re: f64) -> f64 {
        if re < f64::from(1_u32 << FIRST_OCTAVE) { self.0[0] } else { self.0[self.0.len() - 1] }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hydraulics::friction::darcy_f;

    /// Relative error of the table allowed in turbulent flow.
    const TABLE_TOLERANCE: f64 = 6.0e-6;

    fn loss(roughness: f64) -> ReTable {
        ReTable::of(|re| re * darcy_f(re, roughness))
    }

    #[test]
    fn law_table_follows_the_friction_factor() {
        let mut worst = 0.0_f64;
        for roughness in [0.0, 1.0e-4, 1.0e-2] {
            let table = loss(roughness);
            let mut re = 4500.0;
            while re < 1.0e9 {
                let (expected, got) = (re * darcy_f(re, roughness), table.at(re));
                let error = (got / expected - 1.0).abs();
                worst = worst.max(error);
                assert!(error < TABLE_TOLERANCE, "Re {re}: expected {expected}, got {got}, error {error:e}");
                re *= 1.0137;
            }
        }
        assert!(worst > 1.0e-8, "the comparison sees the table's own error: {worst:e}");
    }

    #[test]
    fn law_laminar_loss_does_not_depend_on_flow() {
        let table = loss(0.0);
        for re in [0.0, 1.0e-300, 1.0, 100.0, 1023.0, 1024.0, 1500.0] {
            assert!((table.at(re) - 64.0).abs() < 1.0e-9, "Re {re}: {}", table.at(re));
        }
    }

    #[test]
    fn law_the_table_holds_beyond_its_end() {
        let table = loss(1.0e-3);
        assert!((table.at(1.0e12) / table.at(2.1e9) - 1.0).abs() < 0.03);
    }
}
