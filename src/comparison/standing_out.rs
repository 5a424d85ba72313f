//! Which of several repeats, and which of several sets of them, stand out; with the level in words. What stands out is named and
//! counts all the same.

use crate::signal::outliers::{Extreme, Standing, cochran, grubbs};

fn level(of: &Extreme) -> Option<&'static str> {
    match of.standing() {
        Standing::Inside => None,
        Standing::Straggler => Some("5 % level"),
        Standing::Outlier => Some("1 % level"),
    }
}

/// The one of numbered values that stands out among them (Grubbs).
pub fn lone<T: Copy>(set: &[(T, f64)]) -> Option<(T, &'static str)> {
    let extreme = grubbs(&set.iter().map(|(_, value)| *value).collect::<Vec<_>>())?;
    Some((set.get(extreme.index)?.0, level(&extreme)?))
}

/// The set, from 0, that scatters more than the others (Cochran); none where they are of unequal size.
pub fn scattering(sets: &[Vec<f64>]) -> Option<(usize, &'static str)> {
    let sets: Vec<&[f64]> = sets.iter().map(Vec::as_slice).collect();
    let extreme = cochran(&sets)?;
    Some((extreme.index, level(&extreme)?))
}
