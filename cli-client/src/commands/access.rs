//! `device access`: which jobs a crew's device may have from a server.

use std::collections::BTreeSet;

use bolebook_core::authority::BookAccess;
use bolebook_core::ids::{BookId, DeviceId};
use bolebook_core::record::people::{self, Role};

use crate::app;
use crate::desk::Desk;
use crate::error::CliError;
use crate::local_store::Store;

/// Says which jobs a crew's device may have from a server. The list replaces the one before it.
///
/// A device without a list may have every job. It counts at the server with the next exchange here.
/// What the device has already stays on it.
#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("which").required(true)))]
pub struct Access {
    /// The device, by name or the end of its id.
    device: String,
    /// The jobs, by title or id, with commas between them.
    #[arg(long, value_name = "JOBS", value_delimiter = ',', group = "which")]
    books: Vec<String>,
    /// Every job, those of later as well.
    #[arg(long, group = "which")]
    all: bool,
    /// No job: the yard's book alone.
    #[arg(long, group = "which")]
    none: bool,
}

impl Access {
    /// Stages the record.
    ///
    /// # Errors
    /// [`CliError`] for a device that is unknown or no crew's, and for a job that is unknown.
    pub fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let (device, name) = super::device::find(desk, &self.device)?;
        if desk.devices.role_of(device) != Some(Role::Crew) {
            return Err(CliError::Refused(vec![format!(
                "{name} is no crew's device: the office and servers have every job"
            )]));
        }
        let jobs = app::jobs(desk.store)?;
        let found = self.books.iter().map(|named| app::find_job(&jobs, named));
        let chosen: BTreeSet<BookId> = found.collect::<Result<_, _>>()?;
        let books = (!self.all).then(|| chosen.iter().copied().collect());
        let what = if self.all { "every job".to_owned() } else { titles(desk.store, &chosen)? };
        let id = desk.log_in_yard(people::Access { device, books }, desk.now)?;
        desk.logged(format_args!("{name} may have {what}"), id);
        Ok(())
    }
}

/// The lists in force, as the yard's book here says.
///
/// # Errors
/// [`CliError`] when the book cannot be read.
pub fn in_force(desk: &Desk<'_>) -> Result<BookAccess, CliError> {
    Ok(BookAccess::read(&desk.store.book(desk.yard.book)?, desk.devices))
}

/// Jobs by their titles; one that is not here by its id.
///
/// # Errors
/// [`CliError`] when the store cannot be read.
pub fn titles(store: &Store, books: &BTreeSet<BookId>) -> Result<String, CliError> {
    let jobs = app::jobs(store)?;
    let title = |book: &BookId| {
        jobs.iter().find(|(id, _)| id == book).map_or_else(|| book.to_string(), |(_, g)| g.title.clone())
    };
    Ok(if books.is_empty() {
        "no job".into()
    } else {
        books.iter().map(title).collect::<Vec<_>>().join(", ")
    })
}

/// A line for a device with a list.
///
/// # Errors
/// As [`titles`].
pub fn line(
    desk: &Desk<'_>,
    access: &BookAccess,
    device: DeviceId,
    name: &str,
) -> Result<Option<String>, CliError> {
    let books = access.books_of(device).map(|books| titles(desk.store, books)).transpose()?;
    Ok(books.map(|books| format!("{name} may have {books}.")))
}
