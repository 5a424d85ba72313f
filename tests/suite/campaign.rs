//! Long campaigns: full counts by `.ci/campaign`, a twentieth in the gate, the seed always printed.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::sync::Mutex;

/// Are the full counts asked for?
pub fn is_full() -> bool {
    std::env::var("RAMPRIG_CAMPAIGN").as_deref() == Ok("full")
}

/// How many of `full` to run now; at least one.
pub fn count(full: u32) -> u32 {
    if is_full() { full } else { full.div_ceil(20) }
}

/// A generator whose seed is printed and can be given back by `RAMPRIG_SEED`.
pub fn generator(name: &str) -> ChaCha8Rng {
    let seed = std::env::var("RAMPRIG_SEED").ok().and_then(|text| text.parse().ok());
    let seed = seed.unwrap_or_else(|| rand::rng().random::<u64>());
    eprintln!("{name}: RAMPRIG_SEED={seed}");
    ChaCha8Rng::seed_from_u64(seed)
}

/// Run every trial, several at a time, each begun in their order; what came of each, in the order in which they ended. A
/// trial that fails ends the campaign once the others that run have ended.
pub fn side_by_side<T: Send, R: Send>(
    at_once: usize,
    trials: Vec<T>,
    run: impl Fn(usize, &T) -> R + Sync,
) -> Vec<(T, R)> {
    let (waiting, ended) = (Mutex::new(trials.into_iter().enumerate()), Mutex::new(Vec::new()));
    let next = || waiting.lock().unwrap().next();
    std::thread::scope(|scope| {
        for _ in 0..at_once {
            scope.spawn(|| {
                while let Some((number, trial)) = next() {
                    let outcome = run(number, &trial);
                    ended.lock().unwrap().push((trial, outcome));
                }
            });
        }
    });
    ended.into_inner().unwrap()
}
