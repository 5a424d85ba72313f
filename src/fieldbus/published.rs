//! What the bus threads have found out, for everybody else to read; waiting for a link to come up; figures.

use super::LinkError;
use super::frame::FrameError;
use crate::rig::register_map::Role;
use crate::sequence::ports::{DeviceIdentity, LinkState, LinkStatistics, PortError, StatusReading};
use std::collections::VecDeque;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

const LATENCIES_KEPT: usize = 4096;

/// The newest of one unit.
#[derive(Debug, Clone)]
pub(super) struct UnitNews {
    pub(super) state: LinkState,
    /// Why it is down, as a port error.
    pub(super) fault: Option<PortError>,
    pub(super) identity: Option<DeviceIdentity>,
    pub(super) status: Option<StatusReading>,
    pub(super) values: Option<(u64, Vec<(Role, u16)>)>,
    /// Measured values of a device that is only looked at: when they were asked for, ns, and bit patterns.
    pub(super) slow: Option<(u64, Vec<(Role, u64)>)>,
}

/// The newest of one link.
#[derive(Debug, Default)]
pub(super) struct News {
    pub(super) units: Vec<UnitNews>,
    pub(super) answered: u64,
    pub(super) timeouts: u64,
    pub(super) opened: u64,
    pub(super) exceptions: u64,
    pub(super) disbelieved: u64,
    pub(super) crc_errors: u64,
    pub(super) stray_bytes: u64,
    pub(super) retries: u64,
    pub(super) stops_sent: u64,
    latencies_ns: VecDeque<u64>,
    stop_delays_ns: VecDeque<u64>,
}

impl News {
    pub(super) fn latency(&mut self, ns: u64) {
        self.answered += 1;
        keep(&mut self.latencies_ns, ns);
    }

    pub(super) fn stop_delay(&mut self, ns: u64) {
        keep(&mut self.stop_delays_ns, ns);
    }

    pub(super) fn count_fault(&mut self, error: &LinkError) {
        match error {
            LinkError::Timeout { .. } => self.timeouts += 1,
            LinkError::Frame(frame) if frame.costs_connection() => {
                self.disbelieved += 1;
                self.crc_errors += u64::from(matches!(frame, FrameError::Sum { .. }));
            }
            LinkError::Frame(_) => self.exceptions += 1,
            LinkError::Unproven { .. } | LinkError::Unsteady => self.disbelieved += 1,
            LinkError::Down { .. } | LinkError::Distrusted | LinkError::Overtaken => {}
        }
    }

    pub(super) fn statistics(&self, link: &str) -> LinkStatistics {
        LinkStatistics {
            link: link.to_owned(),
            answered: self.answered,
            latency_p50_ms: percentile_ms(&self.latencies_ns, 0.5),
            latency_p99_ms: percentile_ms(&self.latencies_ns, 0.99),
            timeouts: self.timeouts,
            reopens: self.opened.saturating_sub(1),
            exceptions: self.exceptions,
            disbelieved: self.disbelieved,
            crc_errors: self.crc_errors,
            stray_bytes: self.stray_bytes,
            retries: self.retries,
            stops_sent: self.stops_sent,
            stop_delay_p99_ms: percentile_ms(&self.stop_delays_ns, 0.99),
            ..LinkStatistics::default()
        }
    }
}

fn keep(values: &mut VecDeque<u64>, ns: u64) {
    if values.len() >= LATENCIES_KEPT {
        values.pop_front();
    }
    values.push_back(ns);
}

/// Smallest value that at least `share` of the values do not exceed, ms.
fn percentile_ms(values: &VecDeque<u64>, share: f64) -> Option<f64> {
    let mut sorted: Vec<u64> = values.iter().copied().collect();
    sorted.sort_unstable();
    let rank = (share * sorted.len() as f64).ceil().max(1.0) as usize;
    sorted.get(rank - 1).map(|ns| *ns as f64 / 1e6)
}

/// See the module's documentation.
pub(super) struct Board {
    news: Mutex<News>,
    changed: Condvar,
}

impl Board {
    pub(super) fn new(units: usize, since_wall_ns: u64) -> Self {
        let unit = UnitNews {
            state: LinkState::Down { since_wall_ns, reason: "not connected yet".into() },
            fault: None,
            identity: None,
            status: None,
            values: None,
            slow: None,
        };
        Self { news: Mutex::new(News { units: vec![unit; units], ..News::default() }), changed: Condvar::new() }
    }

    /// Read or change, then wake whoever waits.
    pub(super) fn with<T>(&self, act: impl FnOnce(&mut News) -> T) -> T {
        let outcome = act(&mut self.lock());
        self.changed.notify_all();
        outcome
    }

    /// Look without waking anybody.
    pub(super) fn look<T>(&self, act: impl FnOnce(&News) -> T) -> T {
        act(&self.lock())
    }

    fn lock(&self) -> MutexGuard<'_, News> {
        self.news.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Wait until `holds`, at most so long; whether it holds.
    pub(super) fn wait_until(&self, timeout: Duration, mut holds: impl FnMut(&News) -> bool) -> bool {
        let waited = self.changed.wait_timeout_while(self.lock(), timeout, |news| !holds(news));
        !waited.unwrap_or_else(PoisonError::into_inner).1.timed_out()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whole milliseconds divide exactly; this is rounding of the division only.
    const EXACT_MS: f64 = 1e-12;

    #[test]
    fn law_percentile_is_the_smallest_value_that_covers_the_share() {
        let values: VecDeque<u64> = (1..=100).rev().map(|ms| ms * 1_000_000).collect();
        for (share, expected_ms) in [(0.5, 50.0), (0.99, 99.0), (1.0, 100.0)] {
            let got_ms = percentile_ms(&values, share).unwrap();
            let error_ms = (got_ms - expected_ms).abs();
            assert!(error_ms < EXACT_MS, "share {share}: expected {expected_ms} ms, got {got_ms} ms (by counting)");
        }
        assert_eq!(percentile_ms(&VecDeque::new(), 0.5), None);
    }
}
