//! Which books a caller may have: the office's lists in the yard book, asked before anything else is
//! said of a book, so that a refusal is the same whether the book is here or not.

use std::collections::BTreeSet;

use bolebook_core::authority::may_matter;
use bolebook_core::exchange::{LogLine, code};
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::record::people::Role;
use bolebook_db::Connection;

use crate::auth::Caller;
use crate::error::ApiError;
use crate::photos::held;
use crate::state::{Inner, YardNow};

/// The books a caller may have.
#[derive(Clone, Debug)]
pub struct Reach {
    yard: BookId,
    /// Job books; nothing for a caller who may have every one.
    books: Option<BTreeSet<BookId>>,
    /// Whether the answer hangs on the yard's book.
    bound: bool,
    waiting: bool,
}

impl Caller {
    /// The books this caller may have, as the log says in this transaction. Called before anything is
    /// written in it, as [`Inner::directory`] is.
    ///
    /// # Errors
    /// The database's; a damaged yard book.
    pub fn reach(self, app: &Inner, db: &Connection) -> Result<Reach, ApiError> {
        Ok(self.of(app, if self.bound() { app.yard_now(db)? } else { None }))
    }

    /// The same after the transaction has written into the yard book.
    ///
    /// # Errors
    /// As [`Caller::reach`].
    pub fn reach_anew(self, app: &Inner, db: &Connection) -> Result<Reach, ApiError> {
        Ok(self.of(app, if self.bound() { app.yard_read(db)? } else { None }))
    }

    /// Whether the caller may have a book: the yard's always, a job's as the office says.
    ///
    /// # Errors
    /// 403, the same for a book that is here and one that is not; the database's.
    pub fn may_read(self, app: &Inner, db: &Connection, book: BookId) -> Result<(), ApiError> {
        self.reach(app, db)?.may_read(book)
    }

    /// Whether the caller may have, or bring, a photo: a record of a book it may have names it.
    ///
    /// # Errors
    /// 403, the same for a photo that is here and one that is not; the database's.
    pub fn may_see(self, app: &Inner, db: &Connection, photo: Sha256Hash) -> Result<(), ApiError> {
        let reach = self.reach(app, db)?;
        if reach.books.is_none() || held::records(db, photo)?.iter().any(|(book, _)| reach.has(*book)) {
            return Ok(());
        }
        Err(refused("no record of a book that the office has opened to this device names this photo"))
    }

    /// The office has every book, and servers pass every one on, each asking the same of its own callers.
    const fn bound(self) -> bool {
        match self.role {
            Role::Office | Role::Server => false,
            Role::Crew => true,
        }
    }

    fn of(self, app: &Inner, now: Option<YardNow>) -> Reach {
        let books = now.as_ref().and_then(|now| now.access.books_of(self.device).cloned());
        let waiting = now.is_some_and(|now| now.waiting());
        Reach { yard: app.identity.yard, books, bound: self.bound(), waiting }
    }
}

impl Reach {
    /// Whether the book is one of them.
    pub fn has(&self, book: BookId) -> bool {
        book == self.yard || self.books.as_ref().is_none_or(|books| books.contains(&book))
    }

    /// Whether the caller may have a book.
    ///
    /// # Errors
    /// 403, the same for a book that is here and one that is not.
    pub fn may_read(&self, book: BookId) -> Result<(), ApiError> {
        if self.has(book) {
            return Ok(());
        }
        let detail = "the office has not opened this book to this device, or there is none; what is logged stays on the device";
        Err(refused(detail).at(book, None))
    }

    /// Whether lines that came into a book may have changed what the caller may have.
    pub fn is_old_after<'a>(&self, book: BookId, mut new: impl Iterator<Item = &'a LogLine>) -> bool {
        self.bound && book == self.yard && new.any(|line| self.waiting || may_matter(line.text()))
    }
}

fn refused(detail: &str) -> ApiError {
    ApiError::forbidden(code::BOOK_REFUSED, detail)
}
