//! A smooth function of the Reynolds number in cubic pieces.

/// Pieces in one doubling of the Reynolds number, as a power of two.
const PIECES_BITS: u32 = 2;
/// Reynolds number where the pieces begin, as a power of two; below it flow is laminar.
const FIRST_OCTAVE: u32 = 10;
/// Reynolds number where they end, as a power of two: beyond any flow of water in a pipe.
const LAST_OCTAVE: u32 = 31;
/// Pieces in all.
const COUNT: usize = ((LAST_OCTAVE - FIRST_OCTAVE) << PIECES_BITS) as usize;
/// Bits of the mantissa of an f64.
const MANTISSA_BITS: u32 = 52;
/// Exponent bias of an f64.
const EXPONENT_BIAS: u64 = 1023;

/// A function of Re: four cubics a doubling from 2^10 to 2^31, constant beyond both ends.
///
/// Each goes through the function at both ends and at a quarter from either (so that the whole has no steps); the piece is
/// read from the exponent and the upper bits of the mantissa, which costs no logarithm. A piece is wide, so that many
/// flows share one.
/// Accuracy: for functions close to powers of Re, under 6e-6 relative.
#[derive(Debug, Clone)]
pub(crate) struct RePieces(Box<[[f64; 4]]>);

/// Bits of an f64 below those that tell its piece; what these are in the first piece; the number of the last.
pub(crate) const SHIFT: u32 = MANTISSA_BITS - PIECES_BITS;
pub(crate) const FIRST: i64 = (EXPONENT_BIAS as i64 + FIRST_OCTAVE as i64) << PIECES_BITS;
pub(crate) const LAST: i64 = COUNT as i64 - 1;

/// Where Re lies: its piece, and the share of it below Re.
#[inline(always)]
pub(crate) fn place(re: f64) -> (usize, f64) {
    let bits = re.to_bits();
    let index = (bits >> SHIFT) as i64 - FIRST;
    let rest = (bits & ((1 << SHIFT) - 1)) as f64 * (1.0 / (1_u64 << SHIFT) as f64);
    let rest = if index < 0 { 0.0 } else { rest };
    let rest = if index > LAST { 1.0 } else { rest };
    (index.clamp(0, LAST) as usize, rest)
}

/// Re where a piece begins; that of the piece after the last is where the last ends.
pub(crate) fn begins_at(piece: usize) -> f64 {
    let (octave, part) = (piece >> PIECES_BITS, piece & ((1 << PIECES_BITS) - 1));
    f64::from(1_u32 << (FIRST_OCTAVE + octave as u32)) * (1.0 + part as f64 / f64::from(1_u32 << PIECES_BITS))
}

/// A cubic of [`RePieces`] at a share of its piece.
#[inline(always)]
pub(crate) fn cubic(piece: &[f64; 4], rest: f64) -> f64 {
    piece[0] + rest * (piece[1] + rest * (piece[2] + rest * piece[3]))
}

impl RePieces {
    pub(crate) fn of(function: impl Fn(f64) -> f64) -> Self {
        let mut start = function(begins_at(0));
        let piece = |index: usize| {
            let (from, to) = (begins_at(index), begins_at(index + 1));
            let at = |share: f64| function(from + share * (to - from));
            let end = at(1.0);
            let through = through(start, at(0.25), at(0.75), end);
            start = end;
            through
        };
        Self((0..COUNT).map(piece).collect())
    }

    /// Coefficients of all pieces over the share of the piece.
    pub(crate) fn pieces(&self) -> &[[f64; 4]] {
        &self.0
    }

    /// The function at Re >= 0.
    #[inline]
    pub(crate) fn at(&self, re: f64) -> f64 {
        let (piece, rest) = place(re);
        cubic(&self.0[piece], rest)
    }
}

/// The cubic through values at 0, 1/4, 3/4 and 1, by divided differences.
fn through(start: f64, quarter: f64, three_quarters: f64, end: f64) -> [f64; 4] {
    let firsts = [4.0 * (quarter - start), 2.0 * (three_quarters - quarter), 4.0 * (end - three_quarters)];
    let seconds = [(firsts[1] - firsts[0]) / 0.75, (firsts[2] - firsts[1]) / 0.75];
    let third = seconds[1] - seconds[0];
    [start, firsts[0] - 0.25 * seconds[0] + 0.1875 * third, seconds[0] - third, third]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hydraulics::friction::darcy_f;

    /// Relative error allowed in turbulent flow.
    const TOLERANCE: f64 = 6.0e-6;

    fn loss(roughness: f64) -> RePieces {
        RePieces::of(|re| re * darcy_f(re, roughness))
    }

    #[test]
    fn law_pieces_follow_the_friction_factor() {
        let mut worst = 0.0_f64;
        for roughness in [0.0, 1.0e-4, 1.0e-2] {
            let pieces = loss(roughness);
            let mut re = 5200.0;
            while re < 1.0e9 {
                let (expected, got) = (re * darcy_f(re, roughness), pieces.at(re));
                let error = (got / expected - 1.0).abs();
                worst = worst.max(error);
                assert!(error < TOLERANCE, "Re {re}: expected {expected}, got {got}, error {error:e}");
                re *= 1.0137;
            }
        }
        println!("worst {worst:e}");
        assert!(worst > 1.0e-9, "the comparison sees the pieces' own error: {worst:e}");
    }

    #[test]
    fn law_laminar_loss_does_not_depend_on_flow() {
        let pieces = loss(0.0);
        for re in [0.0, 1.0e-300, 1.0, 100.0, 1023.0, 1024.0, 1500.0] {
            assert!((pieces.at(re) - 64.0).abs() < 1.0e-9, "Re {re}: {}", pieces.at(re));
        }
    }

    #[test]
    fn law_pieces_join_without_a_step_and_hold_beyond_the_end() {
        let pieces = loss(1.0e-3);
        for piece in 1..COUNT {
            let re = begins_at(piece);
            let (below, above) = (pieces.at(re * (1.0 - 1.0e-15)), pieces.at(re));
            assert!((below / above - 1.0).abs() < 1.0e-12, "Re {re}: {below} and {above}");
        }
        assert!((pieces.at(1.0e12) / pieces.at(2.1e9) - 1.0).abs() < 0.03);
    }
}
