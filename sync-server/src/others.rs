//! What other servers write into the same database: pages open here hear of it, and findings are
//! computed anew. One query every second; nothing of it where the database is this server's alone.
//!
//! Whoever took lines in brings the findings up to them at once. The others wait until a book has stood
//! still for a while, or somebody asks: else every server would do the work of all of them, in an evening
//! when all come in.

use std::collections::BTreeMap;
use std::time::Duration;

use bolebook_core::ids::{BookId, Sha256Hash};

use crate::error::ApiError;
use crate::state::{App, Inner};

/// How often it is looked. Open pages here are at most so far behind the other servers; exchanges, exports,
/// and findings that are asked for always read the database itself.
const EVERY: Duration = Duration::from_secs(1);
/// So many looks a book stands still before its findings are brought up unasked.
const STILL: u32 = 20;

/// Where the books ended when it was last looked.
type Ends = BTreeMap<BookId, Sha256Hash>;

/// Looks until the server stops.
pub async fn follow(app: App) {
    if !app.is_shared() {
        return;
    }
    let mut known: Option<Ends> = None;
    let mut moved = Moved::default();
    loop {
        tokio::time::sleep(EVERY).await;
        // A database that is away is asked again the next time.
        let Ok(now) = app.blocking(ends).await else { continue };
        if let Some(known) = &known {
            let changed = changed(known, &now);
            if !changed.is_empty() {
                app.findings.heard();
            }
            for book in moved.still_after(changed) {
                app.findings.changed(book, app.identity.yard);
            }
        }
        known = Some(now);
    }
}

/// Books that moved, and since how many looks they stand still.
#[derive(Default)]
struct Moved(BTreeMap<BookId, u32>);

impl Moved {
    /// Those that have stood still for long enough, told once.
    fn still_after(&mut self, changed: Vec<BookId>) -> Vec<BookId> {
        self.0.values_mut().for_each(|looks| *looks += 1);
        self.0.extend(changed.into_iter().map(|book| (book, 0)));
        let still = |looks: u32| looks >= STILL;
        let told = self.0.iter().filter(|(_, looks)| still(**looks)).map(|(book, _)| *book).collect();
        self.0.retain(|_, looks| !still(*looks));
        told
    }
}

fn ends(app: &Inner) -> Result<Ends, ApiError> {
    app.read(|db| Ok(bolebook_log::books(db)?.into_iter().map(|b| (b.book, b.end.chain)).collect()))
}

fn changed(before: &Ends, now: &Ends) -> Vec<BookId> {
    now.iter().filter(|(book, chain)| before.get(book) != Some(chain)).map(|(book, _)| *book).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn books_that_grew_and_new_ones_have_changed() {
        let (book, chain) = (|n| BookId::new(1, [n; 10]), |n| Sha256Hash([n; 32]));
        let before = Ends::from([(book(1), chain(1)), (book(2), chain(2))]);
        let now = Ends::from([(book(1), chain(1)), (book(2), chain(3)), (book(3), chain(4))]);
        assert_eq!(changed(&before, &now), [book(2), book(3)]);
        assert!(changed(&now, &now).is_empty());
    }

    #[test]
    fn a_book_is_told_once_when_it_stands_still() {
        let (one, other) = (BookId::new(1, [1; 10]), BookId::new(1, [2; 10]));
        let mut moved = Moved::default();
        assert!(moved.still_after(vec![one]).is_empty());
        let mut told = vec![];
        for look in 0..3 * STILL {
            let changed = if look < STILL { vec![other] } else { vec![] };
            told.extend(moved.still_after(changed).into_iter().map(|book| (look, book)));
        }
        assert_eq!(told, [(STILL - 1, one), (2 * STILL - 1, other)]);
    }
}
