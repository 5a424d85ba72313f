//! How often one address may ask: a bucket for each, filled at a steady rate.

use std::collections::HashMap;
use std::net::IpAddr;

/// Requests an address may make at once.
const BURST: f64 = 400.0;
/// Requests a second after that.
const A_SECOND: f64 = 400.0;
/// Addresses remembered; beyond that the full buckets go, which change nothing.
const ADDRESSES: usize = 1024;
/// Refusals written to the log one by one in ten seconds; the others are counted.
const LINES: u32 = 20;
const LINES_WITHIN_NS: u64 = 10_000_000_000;

/// The buckets.
#[derive(Debug, Default)]
pub(super) struct Rates(HashMap<IpAddr, Bucket>);

#[derive(Debug)]
struct Bucket {
    left: f64,
    at_ns: u64,
}

impl Bucket {
    fn fill(&mut self, now_ns: u64) {
        let passed_s = now_ns.saturating_sub(self.at_ns) as f64 * 1e-9;
        self.left = (self.left + passed_s * A_SECOND).min(BURST);
        self.at_ns = now_ns;
    }
}

impl Rates {
    /// May this address ask now?
    pub fn allows(&mut self, address: IpAddr, now_ns: u64) -> bool {
        if self.0.len() >= ADDRESSES && !self.0.contains_key(&address) {
            self.0.retain(|_, bucket| {
                bucket.fill(now_ns);
                bucket.left < BURST
            });
            if self.0.len() >= ADDRESSES {
                return false;
            }
        }
        let bucket = self.0.entry(address).or_insert(Bucket { left: BURST, at_ns: now_ns });
        bucket.fill(now_ns);
        let allowed = bucket.left >= 1.0;
        if allowed {
            bucket.left -= 1.0;
        }
        allowed
    }
}

/// Refusals for the log, so that nobody can fill a disk by being refused.
#[derive(Debug, Default)]
pub(super) struct Refusals {
    since_ns: u64,
    lines: u32,
    untold: u64,
}

impl Refusals {
    /// Log one.
    pub fn log(&mut self, from: IpAddr, what: &str, now_ns: u64) {
        if now_ns.saturating_sub(self.since_ns) > LINES_WITHIN_NS {
            if self.untold > 0 {
                tracing::warn!("refused {} more requests", self.untold);
            }
            *self = Self { since_ns: now_ns, ..Self::default() };
        }
        if self.lines < LINES {
            self.lines += 1;
            tracing::warn!("refused a request from {from}: {what}");
        } else {
            self.untold += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rejects_what_comes_too_often_from_one_address_and_no_other() {
        let (one, other) = ([192, 0, 2, 1].into(), [192, 0, 2, 2].into());
        let mut rates = Rates::default();
        let allowed = (0..1000).filter(|_| rates.allows(one, 5)).count();
        assert_eq!(allowed, BURST as usize);
        assert!(rates.allows(other, 5), "another address pays for it");
        let later = (0..1000).filter(|_| rates.allows(one, 500_000_005)).count();
        assert_eq!(later, (A_SECOND / 2.0) as usize);
    }

    #[test]
    fn remembers_a_bounded_number_of_addresses() {
        let mut rates = Rates::default();
        for number in 0..5000_u32 {
            rates.allows(IpAddr::from(number.to_be_bytes()), u64::from(number));
        }
        assert!(rates.0.len() <= ADDRESSES);
    }
}
