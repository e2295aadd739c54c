//! How often an address may try something.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};

use bolebook_core::quantity::UtcMs;

const WINDOW_MS: i64 = 60_000;
const MOST_ADDRESSES: usize = 10_000;

/// Counts attempts per address in windows of a minute.
#[derive(Debug)]
pub struct Limiter {
    most: u32,
    seen: Mutex<BTreeMap<IpAddr, (i64, u32)>>,
}

impl Limiter {
    /// Allows `most` attempts per address and minute.
    pub fn new(most: u32) -> Self {
        Self { most, seen: Mutex::new(BTreeMap::new()) }
    }

    /// Counts an attempt at `now`.
    ///
    /// # Errors
    /// The seconds to wait, when there were too many.
    pub fn attempt(&self, from: IpAddr, now: UtcMs) -> Result<(), u64> {
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        if seen.len() >= MOST_ADDRESSES {
            seen.retain(|_, (start, _)| now.0.saturating_sub(*start) < WINDOW_MS);
        }
        let full = seen.len() >= MOST_ADDRESSES && !seen.contains_key(&from);
        let (start, count) = seen.entry(from).or_insert((now.0, 0));
        if now.0.saturating_sub(*start) >= WINDOW_MS || now.0 < *start {
            (*start, *count) = (now.0, 0);
        }
        *count = count.saturating_add(1);
        if *count <= self.most && !full {
            return Ok(());
        }
        let wait_ms = WINDOW_MS - now.0.saturating_sub(*start);
        Err(u64::try_from(wait_ms / 1_000 + 1).unwrap_or(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_waits_until_its_minute_is_over_and_others_do_not() {
        let limiter = Limiter::new(2);
        let (a, b) = (IpAddr::from([127, 0, 0, 1]), IpAddr::from([127, 0, 0, 2]));
        assert_eq!(limiter.attempt(a, UtcMs(0)), Ok(()));
        assert_eq!(limiter.attempt(a, UtcMs(1)), Ok(()));
        assert_eq!(limiter.attempt(a, UtcMs(30_000)), Err(31));
        assert_eq!(limiter.attempt(b, UtcMs(30_000)), Ok(()));
        assert_eq!(limiter.attempt(a, UtcMs(60_000)), Ok(()));
    }
}
