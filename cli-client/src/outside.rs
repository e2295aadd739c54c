//! What the command takes from outside itself: the clock, random bits, the default folder.
//!
//! Nothing else in this crate reads them, so a test that fixes them here has fixed them everywhere.

use std::cell::{Cell, RefCell};
use std::path::PathBuf;

use bolebook_core::ids::{RecordId, Sha256Hash};
use bolebook_core::quantity::UtcMs;

/// The system could not give what was asked of it.
#[derive(Debug, thiserror::Error)]
pub enum OutsideError {
    /// No random bits.
    #[error("the system gave no random bits: {0}")]
    Random(String),
    /// No folder to keep the store in.
    #[error("neither XDG_DATA_HOME nor HOME is set, so there is no default folder for the store")]
    Folder,
    /// The fixed time is not one.
    #[error("BOLEBOOK_NOW is '{0}': write milliseconds since 1970 or a time like 2026-09-14T08:10:00Z")]
    Now(String),
}

/// The clock and the random source of one process.
#[derive(Debug)]
pub struct Outside {
    fixed: Option<UtcMs>,
    seed: RefCell<Option<String>>,
    draws: Cell<u64>,
    last_id: Cell<(i64, u16)>,
}

impl Outside {
    /// The real clock and random source, or fixed ones for sealed tests and the demo.
    ///
    /// # Errors
    /// [`OutsideError::Now`] when the fixed time cannot be read.
    pub fn new(now: Option<&str>, seed: Option<&str>) -> Result<Self, OutsideError> {
        let fixed = now.map(|text| fixed_time(text).ok_or_else(|| OutsideError::Now(text.to_owned())));
        Ok(Self {
            fixed: fixed.transpose()?,
            seed: RefCell::new(seed.map(str::to_owned)),
            draws: Cell::new(0),
            last_id: Cell::new((i64::MIN, 0)),
        })
    }

    /// Whether random bits come from a seed: then every opening of a store needs a number of its own.
    pub fn seeded(&self) -> bool {
        self.seed.borrow().is_some()
    }

    /// Makes the seed that of one opening, so that two processes never draw the same bits.
    pub fn begin_opening(&self, number: u64) {
        if let Some(seed) = self.seed.borrow_mut().as_mut() {
            *seed = format!("{seed}/{number}");
        }
    }

    /// Now.
    #[allow(clippy::disallowed_methods, reason = "the one place this crate reads the clock")]
    pub fn now(&self) -> UtcMs {
        self.fixed.unwrap_or_else(|| {
            let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
            UtcMs(since.map_or(0, |d| i64::try_from(d.as_millis()).unwrap_or(i64::MAX)))
        })
    }

    /// Random bytes.
    ///
    /// # Errors
    /// [`OutsideError::Random`].
    pub fn random<const N: usize>(&self) -> Result<[u8; N], OutsideError> {
        let mut bytes = [0; N];
        match self.seed.borrow().as_deref() {
            None => getrandom::fill(&mut bytes).map_err(|e| OutsideError::Random(e.to_string()))?,
            Some(seed) => {
                for chunk in bytes.chunks_mut(32) {
                    self.draws.set(self.draws.get() + 1);
                    let digest = Sha256Hash::of(format!("{seed}:{}", self.draws.get()).as_bytes());
                    chunk.copy_from_slice(&digest.0[..chunk.len()]);
                }
            }
        }
        Ok(bytes)
    }

    /// A new record id, later than every other this process made: the twelve bits after the time
    /// count up (RFC 9562 §6.2, method 1).
    ///
    /// # Errors
    /// [`OutsideError::Random`].
    pub fn record_id(&self) -> Result<RecordId, OutsideError> {
        let (last, count) = self.last_id.get();
        let now = self.now().0;
        let (ms, count) = match (now > last, count < 0x0fff) {
            (true, _) => (now, 0),
            (false, true) => (last, count + 1),
            (false, false) => (last + 1, 0),
        };
        self.last_id.set((ms, count));
        let mut random: [u8; 10] = self.random()?;
        random[..2].copy_from_slice(&count.to_be_bytes());
        Ok(RecordId::new(ms, random))
    }
}

fn fixed_time(text: &str) -> Option<UtcMs> {
    if let Ok(ms) = text.parse::<i64>() {
        return Some(UtcMs(ms));
    }
    text.parse::<jiff::Timestamp>().ok().map(|t| UtcMs(t.as_millisecond()))
}

/// Where the store is kept when nobody says otherwise.
///
/// # Errors
/// [`OutsideError::Folder`].
pub fn default_folder() -> Result<PathBuf, OutsideError> {
    let set = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    set("XDG_DATA_HOME")
        .or_else(|| set("HOME").map(|home| home.join(".local/share")))
        .map(|base| base.join("bolebook"))
        .ok_or(OutsideError::Folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_of_one_moment_still_ascend() {
        let outside = Outside::new(Some("2026-09-14T08:10:00Z"), Some("x")).unwrap();
        let ids: Vec<_> = (0..10_000).map(|_| outside.record_id().unwrap()).collect();
        assert!(ids.is_sorted_by(|a, b| a < b));
        assert_eq!(ids[0].unix_ms(), outside.now().0);
    }

    #[test]
    fn two_openings_of_one_seed_draw_different_bits() {
        let draw = |number| {
            let outside = Outside::new(Some("0"), Some("seed")).unwrap();
            outside.begin_opening(number);
            outside.random::<16>().unwrap()
        };
        assert_eq!(draw(1), draw(1));
        assert_ne!(draw(1), draw(2));
    }
}
