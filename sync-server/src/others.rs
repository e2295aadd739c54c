//! What other servers write into the same database: pages open here hear of it, and findings are
//! computed anew. One query every second; nothing of it where the database is this server's alone.
//!
//! Whoever took lines in brings the findings up to them at once. The others wait until a book has stood
//! still for a while, or somebody asks: else every server would do the work of all of them, in an evening
//! when all come in. A server that dies in between leaves nothing behind: the book has moved for the others
//! whoever moved it, what a server has worked out is in its memory alone, and one that starts knows none.

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
/// And so many it waits at most: one that never stands still is brought up all the same.
const LONGEST: u32 = 120;

/// Where the books ended when it was last looked.
type Ends = BTreeMap<BookId, Sha256Hash>;

/// Looks until the server stops.
pub async fn follow(app: App) {
    if !app.is_shared() {
        return;
    }
    // At once: what moves before the first look is not seen to move. Nothing is worked out yet then, so a
    // book that is not told stands nowhere here; whoever asks for it has it from the database.
    let mut known: Option<Ends> = app.blocking(ends).await.ok();
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
            if changed.contains(&app.identity.yard) {
                // What was worked out stands on the yard as it was.
                app.findings.forget();
            }
            for book in moved.still_after(changed) {
                app.findings.changed(book, app.identity.yard);
            }
        }
        known = Some(now);
    }
}

/// Books that moved: since how many looks they stand still, and how many they wait.
#[derive(Default)]
struct Moved(BTreeMap<BookId, (u32, u32)>);

impl Moved {
    /// Those that have stood still, or waited, for long enough, told once.
    fn still_after(&mut self, changed: Vec<BookId>) -> Vec<BookId> {
        for (still, waited) in self.0.values_mut() {
            (*still, *waited) = (*still + 1, *waited + 1);
        }
        for book in changed {
            self.0.entry(book).or_default().0 = 0;
        }
        let due = |(still, waited): (u32, u32)| still >= STILL || waited >= LONGEST;
        let told = self.0.iter().filter(|(_, looks)| due(**looks)).map(|(book, _)| *book).collect();
        self.0.retain(|_, looks| !due(*looks));
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

    #[test]
    fn a_book_that_never_stands_still_is_told_all_the_same() {
        let (book, mut moved) = (BookId::new(1, [1; 10]), Moved::default());
        let looks = 0..=2 * LONGEST + 1;
        let told: Vec<u32> = looks.filter(|_| !moved.still_after(vec![book]).is_empty()).collect();
        assert_eq!(told, [LONGEST, 2 * LONGEST + 1]);
    }
}
