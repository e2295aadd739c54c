//! Where all chance comes from: one seed, so that a run can be played again to the byte.

use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

/// Random numbers of one seed.
pub struct Dice(ChaCha8Rng);

impl Dice {
    /// The dice of a seed.
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// Any number.
    pub fn number(&mut self) -> u64 {
        self.0.next_u64()
    }

    /// A number from 0 to `n` - 1; 0 when `n` is 0. The bias of the remainder does not matter here.
    pub fn below(&mut self, n: usize) -> usize {
        usize::try_from(self.number() % n.max(1) as u64).unwrap_or(0)
    }

    /// A number of a range, both ends included.
    pub fn between(&mut self, low: i64, high: i64) -> i64 {
        let span = high.saturating_sub(low).max(0).unsigned_abs() + 1;
        low.saturating_add((self.number() % span).cast_signed())
    }

    /// True this often in a thousand.
    pub fn chance(&mut self, per_mille: usize) -> bool {
        self.below(1_000) < per_mille
    }

    /// One of a list.
    pub fn pick<T: Copy>(&mut self, of: &[T]) -> Option<T> {
        if of.is_empty() { None } else { of.get(self.below(of.len())).copied() }
    }

    /// One of a list's last `most`: what was logged lately is what people work on.
    pub fn recent<T: Copy>(&mut self, of: &[T], most: usize) -> Option<T> {
        self.pick(of.get(of.len().saturating_sub(most)..).unwrap_or_default())
    }

    /// Random bytes, for ids.
    pub fn bytes<const N: usize>(&mut self) -> [u8; N] {
        let mut bytes = [0; N];
        self.0.fill_bytes(&mut bytes);
        bytes
    }
}
