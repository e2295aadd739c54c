//! The ready-made view as bytes: numbers of as many bytes as they need, texts with their length, one value
//! after another without names. It is written and read by the same program on the same device, so nothing
//! here is an exchanged format. A phone reads it in a fraction of what the same takes as JSON.

use std::collections::BTreeMap;

use bolebook_core::day::Day;
use bolebook_core::ids::{BookId, CommitHash, RecordId};
use bolebook_core::quantity::{Ul, Um, UtcMs};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// What can be kept as bytes. What was not written by [`Pack::pack`] is read as nothing, or as another
/// value of the type, and never panics.
pub(crate) trait Pack: Sized {
    /// Writes it behind what is there.
    fn pack(&self, to: &mut Vec<u8>);
    /// Reads it off the beginning.
    fn unpack(from: &mut &[u8]) -> Option<Self>;
}

fn take<'a>(from: &mut &'a [u8], count: usize) -> Option<&'a [u8]> {
    let (taken, rest) = from.split_at_checked(count)?;
    *from = rest;
    Some(taken)
}

impl Pack for u64 {
    /// Seven bits a byte, the lowest first; the eighth says that more follow.
    fn pack(&self, to: &mut Vec<u8>) {
        let mut left = *self;
        while left >= 0x80 {
            to.push(left as u8 | 0x80);
            left >>= 7;
        }
        to.push(left as u8);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        let mut number = 0;
        for place in 0..10 {
            let (byte, rest) = from.split_first()?;
            *from = rest;
            number |= u64::from(byte & 0x7f) << (7 * place);
            if byte & 0x80 == 0 {
                return Some(number);
            }
        }
        None
    }
}

impl Pack for i64 {
    /// The sign as the lowest bit, so that small numbers below nought are short too.
    fn pack(&self, to: &mut Vec<u8>) {
        ((self << 1) ^ (self >> 63)).cast_unsigned().pack(to);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        let number = u64::unpack(from)?;
        Some((number >> 1).cast_signed() ^ -(number & 1).cast_signed())
    }
}

impl Pack for usize {
    fn pack(&self, to: &mut Vec<u8>) {
        (*self as u64).pack(to);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        Self::try_from(u64::unpack(from)?).ok()
    }
}

impl Pack for bool {
    fn pack(&self, to: &mut Vec<u8>) {
        to.push(u8::from(*self));
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        Some(take(from, 1)? == [1])
    }
}

impl Pack for String {
    fn pack(&self, to: &mut Vec<u8>) {
        self.len().pack(to);
        to.extend_from_slice(self.as_bytes());
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        let length = usize::unpack(from)?;
        Self::from_utf8(take(from, length)?.to_vec()).ok()
    }
}

impl<T: Pack> Pack for Option<T> {
    fn pack(&self, to: &mut Vec<u8>) {
        self.is_some().pack(to);
        if let Some(value) = self {
            value.pack(to);
        }
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        if bool::unpack(from)? { T::unpack(from).map(Some) } else { Some(None) }
    }
}

impl<A: Pack, B: Pack> Pack for (A, B) {
    fn pack(&self, to: &mut Vec<u8>) {
        self.0.pack(to);
        self.1.pack(to);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        Some((A::unpack(from)?, B::unpack(from)?))
    }
}

impl<T: Pack> Pack for Vec<T> {
    fn pack(&self, to: &mut Vec<u8>) {
        self.len().pack(to);
        self.iter().for_each(|value| value.pack(to));
    }

    /// Grows as it is read: a length that is none runs out of bytes before it runs out of memory.
    fn unpack(from: &mut &[u8]) -> Option<Self> {
        (0..usize::unpack(from)?).map(|_| T::unpack(from)).collect()
    }
}

impl<K: Pack + Ord, V: Pack> Pack for BTreeMap<K, V> {
    fn pack(&self, to: &mut Vec<u8>) {
        self.len().pack(to);
        for (key, value) in self {
            key.pack(to);
            value.pack(to);
        }
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        (0..usize::unpack(from)?).map(|_| <(K, V)>::unpack(from)).collect()
    }
}

macro_rules! ids {
    ($($id:ident),*) => {$(
        impl Pack for $id {
            fn pack(&self, to: &mut Vec<u8>) {
                to.extend_from_slice(self.as_bytes());
            }

            fn unpack(from: &mut &[u8]) -> Option<Self> {
                let bytes = take(from, 16)?;
                // Made again of its time and what was drawn: the form's own bits fall into their places.
                let ms = bytes[..6].iter().fold(0, |ms, byte| (ms << 8) | i64::from(*byte));
                Some(Self::new(ms, bytes[6..].try_into().ok()?))
            }
        }
    )*};
}
ids!(RecordId, BookId);

impl Pack for CommitHash {
    fn pack(&self, to: &mut Vec<u8>) {
        to.extend_from_slice(&self.0);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        take(from, 32)?.try_into().ok().map(Self)
    }
}

macro_rules! quantities {
    ($($quantity:ident),*) => {$(
        impl Pack for $quantity {
            fn pack(&self, to: &mut Vec<u8>) {
                self.0.pack(to);
            }

            fn unpack(from: &mut &[u8]) -> Option<Self> {
                i64::unpack(from).map(Self)
            }
        }
    )*};
}
quantities!(UtcMs, Um, Ul);

impl Pack for Day {
    fn pack(&self, to: &mut Vec<u8>) {
        let (year, month, day) = self.ymd();
        (i64::from(year) * 512 + i64::from(month) * 32 + i64::from(day)).pack(to);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        let number = i64::unpack(from)?;
        let year = i32::try_from(number >> 9).ok()?;
        Self::from_ymd(year, (number >> 5) as u32 & 15, number as u32 & 31)
    }
}

/// What has a form of its own in records is kept in it, by way of a JSON value both ways, as the core reads
/// and writes records: any other way would put a second reader and a second writer of each into the app.
pub(crate) fn form<T: Serialize>(what: &T) -> String {
    // Records' own bodies, which were read out of such values: writing them cannot fail.
    serde_json::to_value(what).unwrap_or_default().to_string()
}

/// Reads what [`form`] wrote.
pub(crate) fn formed<T: DeserializeOwned>(text: &str) -> Option<T> {
    let value: Value = serde_json::from_str(text).ok()?;
    T::deserialize(&value).ok()
}

/// Structs, by their fields in order.
macro_rules! packed {
    ($($name:ident { $($field:ident),* $(,)? } $(skipped $skipped:ident)?),* $(,)?) => {$(
        impl $crate::pack::Pack for $name {
            fn pack(&self, to: &mut Vec<u8>) {
                $($crate::pack::Pack::pack(&self.$field, to);)*
            }

            fn unpack(from: &mut &[u8]) -> Option<Self> {
                Some(Self {
                    $($field: $crate::pack::Pack::unpack(from)?,)*
                    $($skipped: Default::default(),)?
                })
            }
        }
    )*};
}

/// Words of a list, by their place in it.
macro_rules! packed_words {
    ($name:ident: $($word:expr),* $(,)?) => {
        impl $crate::pack::Pack for $name {
            fn pack(&self, to: &mut Vec<u8>) {
                let place = [$($word),*].iter().position(|word| word == self);
                $crate::pack::Pack::pack(&place.unwrap_or(usize::MAX), to);
            }

            fn unpack(from: &mut &[u8]) -> Option<Self> {
                [$($word),*].get(<usize as $crate::pack::Pack>::unpack(from)?).copied()
            }
        }
    };
}

pub(crate) use {packed, packed_words};

#[cfg(test)]
mod tests {
    use super::*;

    fn there_and_back<T: Pack + PartialEq + std::fmt::Debug>(value: T) {
        let mut bytes = vec![];
        value.pack(&mut bytes);
        let mut rest = &bytes[..];
        assert_eq!(T::unpack(&mut rest).as_ref(), Some(&value));
        assert!(rest.is_empty());
        // Cut anywhere it is nothing, for each value says where it ends.
        for cut in 0..bytes.len() {
            assert_eq!(T::unpack(&mut &bytes[..cut]), None, "{value:?} cut at {cut}");
        }
    }

    #[test]
    fn what_is_packed_comes_out_the_same_and_cut_it_is_nothing() {
        for number in [0, 1, -1, 63, -64, 64, 300, -300, i64::MAX, i64::MIN] {
            there_and_back(number);
            there_and_back(Um(number));
        }
        [0, 127, 128, u64::MAX].into_iter().for_each(there_and_back);
        there_and_back("Å-1 \u{1f333}".to_owned());
        there_and_back(Some(vec![(true, UtcMs(-5)), (false, UtcMs(1_781_074_800_000))]));
        there_and_back(RecordId::new(1_781_074_800_000, [0xfe; 10]));
        there_and_back(CommitHash([7; 32]));
        for day in ["0001-01-01", "1969-12-31", "2026-06-10", "9999-12-31"] {
            there_and_back(day.parse::<Day>().unwrap());
        }
        there_and_back(BTreeMap::from([(1_u64, "a".to_owned()), (2, String::new())]));
    }

    #[test]
    fn lengths_and_days_that_are_none_are_nothing() {
        let mut bytes = vec![];
        u64::MAX.pack(&mut bytes);
        assert_eq!(String::unpack(&mut &bytes[..]), None);
        assert_eq!(Vec::<u64>::unpack(&mut &bytes[..]), None);
        bytes.clear();
        i64::MAX.pack(&mut bytes);
        assert_eq!(Day::unpack(&mut &bytes[..]), None);
        assert_eq!(u64::unpack(&mut &[0xff; 11][..]), None);
    }
}
