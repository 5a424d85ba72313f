//! The whole program as a user runs it: real processes on real sockets, asked by witnesses that share nothing with it.
//!
//! Nothing here waits for a time: every wait is for an event, with a deadline far beyond what a busy computer needs.

pub mod bench;
pub mod browser;
pub mod peers;
pub mod processes;
pub mod program;
pub mod relay;
pub mod sequences;
pub mod svg_screen;
pub mod tmux;
pub mod view;
pub mod witness;

use std::time::Duration;

/// An event that does not come within this wall time has failed.
pub const DEADLINE: Duration = Duration::from_secs(120);
/// Between two looks at something that gives no sign by itself.
pub const LOOK_EVERY: Duration = Duration::from_millis(5);

/// Look until `event` is there.
pub fn wait_until(what: &str, mut event: impl FnMut() -> bool) {
    let begun = std::time::Instant::now();
    while !event() {
        assert!(begun.elapsed() < DEADLINE, "not within {DEADLINE:?}: {what}");
        std::thread::sleep(LOOK_EVERY);
    }
}
