//! What other servers write into the same database: pages open here hear of it, and findings are
//! computed anew. One query every second; nothing of it where the database is this server's alone.

use std::collections::BTreeMap;
use std::time::Duration;

use bolebook_core::ids::{BookId, Sha256Hash};

use crate::error::ApiError;
use crate::state::{App, Inner};

/// How often it is looked. Findings and open pages here are at most so far behind the other servers;
/// exchanges and exports always read the database itself.
const EVERY: Duration = Duration::from_secs(1);

/// Where the books ended when it was last looked.
type Ends = BTreeMap<BookId, Sha256Hash>;

/// Looks until the server stops.
pub async fn follow(app: App) {
    if !app.is_shared() {
        return;
    }
    let mut known: Option<Ends> = None;
    loop {
        tokio::time::sleep(EVERY).await;
        // A database that is away is asked again the next time.
        let Ok(now) = app.blocking(ends).await else { continue };
        if let Some(known) = &known {
            for book in changed(known, &now) {
                app.findings.changed(book, app.identity.yard);
            }
        }
        known = Some(now);
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
}
