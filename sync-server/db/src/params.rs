//! A statement's parameters, as either engine takes them.

use rusqlite::types::ToSql;

/// What can be given as parameters: `[]`, an array of one type, or `params![…]`.
pub trait Params {
    /// Hands them over as a slice.
    fn with<R>(&self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R;
}

impl Params for &[&dyn ToSql] {
    fn with<R>(&self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R {
        work(self)
    }
}

/// None at all: a type of its own, so that `[]` can be written.
impl Params for [&(dyn ToSql + Send + Sync); 0] {
    fn with<R>(&self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R {
        work(&[])
    }
}

macro_rules! arrays {
    ($($n:literal)+) => { $(
        impl<T: ToSql> Params for [T; $n] {
            fn with<R>(&self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R {
                work(&self.each_ref().map(|value| value as &dyn ToSql))
            }
        }

        impl Params for &[&dyn ToSql; $n] {
            fn with<R>(&self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R {
                work(&self[..])
            }
        }
    )+ };
}

arrays!(1 2 3 4 5 6 7 8 9 10);
