//! A smooth function of the Reynolds number in cubic pieces.

use std::sync::Arc;

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
pub(crate) struct RePieces(Arc<[[f64; 4]]>);

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

/// Numbers looked at together, where most of a pipe lies in one piece and where it does not. A loop over slices becomes
/// vectors, one over as few as [`BLOCK`] numbers does not.
const MANY: usize = 64;
const BLOCK: usize = 8;

/// Factors of [`RePieces::fill`]: of a number's size for Re, of the function, and of the size beside it.
pub(crate) struct PerFlow {
    pub(crate) re: f64,
    pub(crate) value: f64,
    pub(crate) size: f64,
}

/// One piece, from where it begins to where it ends.
struct Held {
    begins: f64,
    ends: f64,
    per_width: f64,
    cubic: [f64; 4],
}

impl Held {
    /// All lie in it (a number that is none passes, and is read as none).
    #[inline(always)]
    fn holds(&self, per: &PerFlow, from: &[f64]) -> bool {
        let outside = |x: &f64| (per.re * x.abs() < self.begins) | (per.re * x.abs() >= self.ends);
        from.iter().fold(0_u64, |n, x| n + u64::from(outside(x))) == 0
    }

    #[inline(always)]
    fn read(&self, per: &PerFlow, from: &[f64], out: &mut [f64]) {
        for (out, x) in out.iter_mut().zip(from) {
            let size = x.abs();
            let rest = (per.re * size - self.begins) * self.per_width;
            *out = per.value * cubic(&self.cubic, rest) + per.size * size;
        }
    }
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

    /// `per.value f(per.re |x|) + per.size |x|` of every x of `from`, into `out`: as [`RePieces::at`] but for rounding.
    ///
    /// Many at a time where they lie in one piece, as those of a pipe mostly do, else eight.
    #[inline(always)]
    pub(crate) fn fill(&self, per: &PerFlow, from: &[f64], out: &mut [f64]) {
        let mut held = Held { begins: 0.0, ends: 0.0, per_width: 0.0, cubic: [0.0; 4] };
        let whole = from.len() - from.len() % BLOCK;
        let ((blocks, rest), (into, last)) = (from.split_at(whole), out.split_at_mut(whole));
        for (many, out) in blocks.chunks(MANY).zip(into.chunks_mut(MANY)) {
            if self.hold(&mut held, per, many) {
                held.read(per, many, out);
                continue;
            }
            for (block, out) in many.chunks(BLOCK).zip(out.chunks_mut(BLOCK)) {
                if self.hold(&mut held, per, block) {
                    held.read(per, block, out);
                } else {
                    self.fill_singly(per, block, out);
                }
            }
        }
        self.fill_singly(per, rest, last);
    }

    /// True where all lie in the piece at hand, or in that of the first of them, which is then at hand.
    #[inline(always)]
    fn hold(&self, held: &mut Held, per: &PerFlow, from: &[f64]) -> bool {
        if held.holds(per, from) {
            return true;
        }
        *held = self.held(per.re * from[0].abs());
        held.holds(per, from)
    }

    fn fill_singly(&self, per: &PerFlow, from: &[f64], out: &mut [f64]) {
        for (out, x) in out.iter_mut().zip(from) {
            *out = per.value * self.at(per.re * x.abs()) + per.size * x.abs();
        }
    }

    /// The piece that Re lies in, or the laminar flow below the first; beyond the last, the last.
    fn held(&self, re: f64) -> Held {
        if re < begins_at(0) {
            let cubic = [self.0[0][0], 0.0, 0.0, 0.0];
            return Held { begins: 0.0, ends: begins_at(0), per_width: 0.0, cubic };
        }
        let (piece, _) = place(re);
        let (begins, ends) = (begins_at(piece), begins_at(piece + 1));
        Held { begins, ends, per_width: 1.0 / (ends - begins), cubic: self.0[piece] }
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
    fn agrees_with_one_at_a_time_when_many_are_read_at_once() {
        let pieces = loss(1.0e-3);
        let per = PerFlow { re: 2.0e7, value: 0.3, size: 5.0 };
        // At rest, laminar, across the ends of pieces, and beyond the last.
        for (first, step) in
            [(0.0, 0.0), (1.0e-6, 1.0e-7), (6.0e-5, 4.0e-6), (-2.0e-3, 1.3e-4), (4.0e-3, 1.0e-9), (200.0, 1.0)]
        {
            let flows: Vec<f64> = (0..37).map(|i| first + step * f64::from(i)).collect();
            let mut out = vec![0.0; flows.len()];
            pieces.fill(&per, &flows, &mut out);
            for (flow, got) in flows.iter().zip(out) {
                let size = flow.abs();
                let expected = per.value * pieces.at(per.re * size) + per.size * size;
                assert!((got / expected - 1.0).abs() < 4.0e-15, "flow {flow}: expected {expected}, got {got}");
            }
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
