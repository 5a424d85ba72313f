//! Floor 0: clocks. The only place that reads the operating system's clock.
//!
//! **Wall time** ([`WallClock`]) is the host's monotonic clock and is never scaled: I/O timeouts, heartbeats, flush
//! cadence, deadlines. **Rig time** ([`RigClock`]) follows the sample stream and may run faster on the virtual rig:
//! plant, sequence, sample stamps.

pub mod realtime;
mod system;

pub use system::{SystemClock, Uptime, sleep_wall, uptime, utc_now_rfc3339};

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Monotonic wall time, nanoseconds from an arbitrary origin.
pub trait WallClock: Send + Sync {
    /// Now, ns.
    fn now_ns(&self) -> u64;
}

/// A clock that a test moves by hand.
#[derive(Debug, Clone, Default)]
pub struct ManualClock(Arc<AtomicU64>);

impl ManualClock {
    /// A clock that stands at `now_ns`.
    pub fn at(now_ns: u64) -> Self {
        Self(Arc::new(AtomicU64::new(now_ns)))
    }
    /// Move forward.
    pub fn advance_ns(&self, by_ns: u64) {
        self.0.fetch_add(by_ns, Ordering::SeqCst);
    }
}

impl WallClock for ManualClock {
    fn now_ns(&self) -> u64 {
        self.0.load(Ordering::SeqCst)
    }
}

/// Rig time in ns since the stream's first frame, published by the sampling thread (newest frame seen) and read by
/// everybody else. Cloning shares the clock.
#[derive(Debug, Clone, Default)]
pub struct RigClock(Arc<AtomicU64>);

impl RigClock {
    /// Now, ns of rig time.
    pub fn now_ns(&self) -> u64 {
        self.0.load(Ordering::Acquire)
    }
    /// Publish a newer rig time; an older one is ignored.
    pub fn publish_ns(&self, now_ns: u64) {
        self.0.fetch_max(now_ns, Ordering::AcqRel);
    }
}
