//! Long campaigns: full counts by `.ci/campaign`, a twentieth in the gate, the seed always printed.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// How many of `full` to run now; at least one.
pub fn count(full: u32) -> u32 {
    match std::env::var("RAMPRIG_CAMPAIGN").as_deref() {
        Ok("full") => full,
        _ => full.div_ceil(20),
    }
}

/// A generator whose seed is printed and can be given back by `RAMPRIG_SEED`.
pub fn generator(name: &str) -> ChaCha8Rng {
    let seed = std::env::var("RAMPRIG_SEED").ok().and_then(|text| text.parse().ok());
    let seed = seed.unwrap_or_else(|| rand::rng().random::<u64>());
    eprintln!("{name}: RAMPRIG_SEED={seed}");
    ChaCha8Rng::seed_from_u64(seed)
}
