//! How well cycles repeat, within one session: the range below three, else standard deviation and 95 % interval.

use crate::signal::statistics::{Repeats, repeats};

/// Fewest repeats for statistics: with two, the 95 % interval is twelve times the standard deviation and says nothing.
pub const FEWEST: usize = 3;

/// Spread of repeats.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Spread {
    /// Nothing to compare with.
    Single,
    /// Two repeats: smallest and largest.
    Range {
        /// Smallest.
        low: f64,
        /// Largest.
        high: f64,
    },
    /// Three or more.
    Statistics(Repeats),
}

/// Spread of `values`; `None` of nothing.
pub fn spread(values: &[f64]) -> Option<Spread> {
    match values.len() {
        0 => None,
        1 => Some(Spread::Single),
        n if n < FEWEST => {
            let low = values.iter().copied().fold(f64::INFINITY, f64::min);
            let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            Some(Spread::Range { low, high })
        }
        _ => repeats(values).map(Spread::Statistics),
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "tests: exact by construction")]
mod tests {
    use super::*;

    #[test]
    fn gives_a_range_below_three_and_statistics_from_three_on() {
        assert_eq!(spread(&[]), None);
        assert_eq!(spread(&[1.0]), Some(Spread::Single));
        assert_eq!(spread(&[2.0, 1.0]), Some(Spread::Range { low: 1.0, high: 2.0 }));
        let Some(Spread::Statistics(of)) = spread(&[1.0, 2.0, 3.0]) else { panic!("no statistics of three") };
        assert_eq!((of.mean, of.s, of.n), (2.0, 1.0, 3));
    }
}
