//! Which books this device may have, as far as it knows: what comes by file is asked about here, as
//! an exchange is at the server.

use std::collections::BTreeSet;

use bolebook_core::authority::{BookAccess, Directory};
use bolebook_core::ids::BookId;
use bolebook_core::record::people::Role;

use crate::error::CliError;
use crate::local_store::Store;

/// The books this device may have, by the office's list as the yard book here has it.
pub struct Reach(Option<BTreeSet<BookId>>);

impl Reach {
    /// Whether a job's book is one of them.
    pub fn has(&self, book: BookId) -> bool {
        self.0.as_ref().is_none_or(|books| books.contains(&book))
    }
}

/// Which job books this device may have: every one for the office, and for a crew without a list.
///
/// # Errors
/// [`CliError`].
pub fn of(store: &Store) -> Result<Reach, CliError> {
    if bolebook_log::book(store.db(), store.yard()?)?.is_none() {
        return Ok(Reach(None));
    }
    let (yard, device) = (store.book(store.yard()?)?, store.device_key()?.device());
    let directory = Directory::read(&yard, &store.root_pin()?)?;
    let crew = directory.certificate(device).is_some_and(|c| c.role == Role::Crew);
    let access = BookAccess::read(&yard, &directory);
    Ok(Reach(access.books_of(device).filter(|_| crew).cloned()))
}
