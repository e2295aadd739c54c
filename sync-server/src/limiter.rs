//! How often an address may try something, and how much an author may add.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};

use bolebook_core::ids::DeviceId;
use bolebook_core::quantity::UtcMs;

const HOUR_MS: i64 = 3_600_000;
const WINDOW_MS: i64 = 60_000;
const MOST_ADDRESSES: usize = 10_000;

/// Counts attempts per address, or per device, in windows of a minute.
#[derive(Debug)]
pub struct Limiter<Who = IpAddr> {
    most: u32,
    seen: Mutex<BTreeMap<Who, (i64, u32)>>,
}

impl<Who: Ord + Copy> Limiter<Who> {
    /// Allows `most` attempts of each and minute.
    pub fn new(most: u32) -> Self {
        Self { most, seen: Mutex::new(BTreeMap::new()) }
    }

    /// Counts an attempt at `now`.
    ///
    /// # Errors
    /// The seconds to wait, when there were too many.
    pub fn attempt(&self, from: Who, now: UtcMs) -> Result<(), u64> {
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        if seen.len() >= MOST_ADDRESSES {
            seen.retain(|_, (start, _)| now.0.saturating_sub(*start) < WINDOW_MS);
        }
        if seen.len() >= MOST_ADDRESSES && !seen.contains_key(&from) {
            // Nobody new is remembered until the minute of some is over, so that the memory is bounded.
            return Err(WINDOW_MS.unsigned_abs() / 1_000);
        }
        let (start, count) = seen.entry(from).or_insert((now.0, 0));
        if now.0.saturating_sub(*start) >= WINDOW_MS || now.0 < *start {
            (*start, *count) = (now.0, 0);
        }
        *count = count.saturating_add(1);
        if *count <= self.most {
            return Ok(());
        }
        let wait_ms = WINDOW_MS - now.0.saturating_sub(*start);
        Err(u64::try_from(wait_ms / 1_000 + 1).unwrap_or(1))
    }
}

/// Counts what each device adds to the books, in windows of an hour.
#[derive(Debug)]
pub struct Quota {
    most: u64,
    added: Mutex<BTreeMap<DeviceId, (i64, u64)>>,
}

impl Quota {
    /// Allows `most` bytes per device and hour; what comes first in an hour is always taken.
    pub fn new(most: u64) -> Self {
        Self { most, added: Mutex::new(BTreeMap::new()) }
    }

    /// Counts bytes that a device adds at `now`.
    ///
    /// # Errors
    /// The seconds to wait, when it has added enough; the bytes are then not counted.
    pub fn add(&self, device: DeviceId, bytes: u64, now: UtcMs) -> Result<(), u64> {
        let mut added = self.added.lock().unwrap_or_else(PoisonError::into_inner);
        added.retain(|_, (start, _)| (0..HOUR_MS).contains(&now.0.saturating_sub(*start)));
        let (start, sum) = added.entry(device).or_insert((now.0, 0));
        if *sum == 0 || sum.saturating_add(bytes) <= self.most {
            *sum = sum.saturating_add(bytes);
            return Ok(());
        }
        let wait_ms = HOUR_MS - now.0.saturating_sub(*start);
        Err(u64::try_from(wait_ms / 1_000 + 1).unwrap_or(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_of_addresses_is_not_remembered_without_end() {
        let limiter = Limiter::new(2);
        let address = |n: u32| IpAddr::from(std::net::Ipv4Addr::from(n));
        let most = u32::try_from(MOST_ADDRESSES).unwrap();
        for n in 0..most {
            assert_eq!(limiter.attempt(address(n), UtcMs(0)), Ok(()));
        }
        for n in most..most + 100 {
            assert_eq!(limiter.attempt(address(n), UtcMs(1)), Err(60));
        }
        assert_eq!(limiter.seen.lock().unwrap().len(), MOST_ADDRESSES);
        assert_eq!(limiter.attempt(address(0), UtcMs(1)), Ok(()));
        assert_eq!(limiter.attempt(address(most), UtcMs(60_000)), Ok(()));
    }

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
