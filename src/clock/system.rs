//! The one reader of the operating system's clock.

use super::WallClock;
use serde::{Deserialize, Serialize};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// The host's monotonic clock; its origin is the first use in this process.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

static ORIGIN: OnceLock<Instant> = OnceLock::new();

impl WallClock for SystemClock {
    #[allow(clippy::disallowed_methods, reason = "this is the one reader of the OS clock")]
    fn now_ns(&self) -> u64 {
        let now = Instant::now();
        let origin = *ORIGIN.get_or_init(|| now);
        u64::try_from(now.saturating_duration_since(origin).as_nanos()).unwrap_or(u64::MAX)
    }
}

/// Civil time in UTC, RFC 3339 with milliseconds, for names and records; never for measuring.
pub fn utc_now_rfc3339() -> String {
    jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%S%.3fZ").to_string()
}

/// A moment counted from when the computer was switched on, sleep included: no setting of the date moves it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Uptime {
    /// Which switching-on; empty where the system does not say.
    pub boot: String,
    /// Since then, s.
    pub since_boot_s: f64,
}

/// Now. By `/proc` (Linux); elsewhere nothing is known.
pub fn uptime() -> Uptime {
    let read = |path: &str| std::fs::read_to_string(path).ok();
    let seconds = read("/proc/uptime").and_then(|text| text.split_whitespace().next()?.parse().ok());
    match (read("/proc/sys/kernel/random/boot_id"), seconds) {
        (Some(boot), Some(since_boot_s)) => Uptime { boot: boot.trim().to_owned(), since_boot_s },
        _ => Uptime::default(),
    }
}

/// Let wall time pass on this thread: pacing of the virtual rig and back-off only, never to wait for an event.
#[allow(clippy::disallowed_methods, reason = "the one sleep of the project")]
pub fn sleep_wall(duration: Duration) {
    std::thread::sleep(duration);
}
