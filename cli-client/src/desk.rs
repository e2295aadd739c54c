//! What a command works with: the books as they are, names to ids, and the records it stages.

mod lookup;
mod seasons;
mod staged_view;

use std::cell::OnceCell;

use bolebook_core::authority::Directory;
use bolebook_core::check::entry;
use bolebook_core::day::Day;
use bolebook_core::facts::office_only;
use bolebook_core::ids::{BookId, CrewId, DeviceId, KitId, PersonId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::{Zone, ZoneOffset};
use bolebook_core::record::people::Role;
use bolebook_core::record::{Body, Envelope, Kind, Record};
use bolebook_core::service::RegisterEntry;
use bolebook_core::view::{View, Yard};

use crate::app::Books;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::local_store::{self, Store};
use crate::names::NameError;
use crate::output::{Answer, short};
use crate::outside::Outside;
use crate::stand_index::StandIndex;
use crate::writer::Staged;

pub use seasons::Seasons;
pub use staged_view::{Ahead, Shelf};

/// What commands assume when an option is left out (`bolebook use`).
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Defaults {
    /// The job.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub job: Option<BookId>,
    /// Who is using the device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub person: Option<PersonId>,
    /// The crew.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub crew: Option<CrewId>,
    /// The kit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kit: Option<KitId>,
    /// The purpose of treatment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub purpose: Option<String>,
}

/// What a command staged.
pub struct Parts {
    /// Records, in order.
    pub staged: Vec<Staged>,
    /// Register entries.
    pub register: Vec<RegisterEntry>,
    /// What to answer.
    pub answer: Answer,
}

/// The desk a command works at.
pub struct Desk<'a> {
    /// The store.
    pub store: &'a Store,
    /// Clock and random source.
    pub outside: &'a Outside,
    /// The yard's devices.
    pub devices: &'a Directory,
    /// Now, the same for the whole command.
    pub now: UtcMs,
    /// The yard.
    pub yard: &'a Yard,
    /// Names and numbers of people and clients.
    pub register: Vec<RegisterEntry>,
    /// What is assumed.
    pub defaults: Defaults,
    /// This device.
    pub device: DeviceId,
    /// What this device may do.
    pub role: Option<Role>,
    /// What the command answers.
    pub answer: Answer,
    view: Option<&'a View<'a>>,
    books: &'a Books,
    shelf: &'a Shelf,
    ahead: Option<Ahead<'a>>,
    seasons: OnceCell<Seasons>,
    device_crew: Option<CrewId>,
    by: Option<PersonId>,
    staged: Vec<Staged>,
    new_register: Vec<RegisterEntry>,
    stand: Option<StandIndex>,
}

impl<'a> Desk<'a> {
    #[expect(clippy::too_many_arguments, reason = "called in one place, which has them all")]
    pub(crate) fn new(
        store: &'a Store,
        outside: &'a Outside,
        devices: &'a Directory,
        yard: &'a Yard,
        view: Option<&'a View<'a>>,
        register: Vec<RegisterEntry>,
        defaults: Defaults,
        device: DeviceId,
        (books, shelf): (&'a Books, &'a Shelf),
    ) -> Self {
        Self {
            role: devices.role_of(device),
            device_crew: devices.certificate(device).and_then(|c| c.crew),
            store,
            outside,
            devices,
            now: outside.now(),
            yard,
            register,
            defaults,
            device,
            answer: Answer::default(),
            view,
            books,
            shelf,
            ahead: None,
            seasons: OnceCell::new(),
            by: None,
            staged: vec![],
            new_register: vec![],
            stand: None,
        }
    }

    pub(crate) fn into_parts(self) -> Parts {
        Parts { staged: self.staged, register: self.new_register, answer: self.answer }
    }

    /// Takes who is using the device from `--by`, else from what is assumed.
    ///
    /// # Errors
    /// [`NameError`].
    pub(crate) fn used_by(&mut self, by: Option<&str>) -> Result<(), CliError> {
        self.by = match by {
            Some(name) => Some(self.person(name)?),
            None => self.defaults.person,
        };
        Ok(())
    }

    /// Who is using the device.
    ///
    /// # Errors
    /// [`NameError::Unsaid`].
    pub fn user(&self) -> Result<PersonId, CliError> {
        let why = "this device does not know who is using it".into();
        let option = "--by NAME, or once with 'bolebook use --person NAME'";
        self.by.ok_or_else(|| NameError::Unsaid { what: "person", why, option }.into())
    }

    /// The job.
    ///
    /// # Errors
    /// [`NameError::Unsaid`] when the command was not told which.
    pub fn view(&self) -> Result<&'a View<'a>, CliError> {
        let why = "this entry belongs to a job".into();
        self.view.ok_or_else(|| NameError::Unsaid { what: "job", why, option: "--job NAME" }.into())
    }

    /// The job, if there is one.
    pub fn view_if_any(&self) -> Option<&'a View<'a>> {
        self.view
    }

    /// The job's zone; UTC without a job.
    pub fn zone(&self) -> Zone {
        self.view.map_or_else(
            || Zone { name: "UTC".into(), offsets: vec![ZoneOffset { from: UtcMs(0), offset_s: 0 }] },
            |v| v.job.zone.clone(),
        )
    }

    /// A moment as typed, else now.
    ///
    /// # Errors
    /// [`figures::FigureError`].
    pub fn moment(&self, text: Option<&Typed>) -> Result<UtcMs, CliError> {
        match text {
            None => Ok(self.now),
            Some(text) => Ok(figures::moment(text.text(), &self.zone(), self.now)?),
        }
    }

    /// A day as typed, else today.
    ///
    /// # Errors
    /// [`figures::FigureError`].
    pub fn day(&self, text: Option<&Typed>) -> Result<Day, CliError> {
        Ok(figures::day(text.map_or("today", Typed::text), &self.zone(), self.now)?)
    }

    /// Stages a record of the job.
    ///
    /// # Errors
    /// [`CliError::Refused`] when it cannot be true, [`CliError::NotAllowed`] when only the office may write it.
    pub fn log_in_job(&mut self, body: impl Into<Body>, at: UtcMs) -> Result<RecordId, CliError> {
        let book = self.view()?.book;
        self.stage(book, body.into(), at, vec![])
    }

    /// Stages a record of the yard.
    ///
    /// # Errors
    /// As [`Desk::log_in_job`].
    pub fn log_in_yard(&mut self, body: impl Into<Body>, at: UtcMs) -> Result<RecordId, CliError> {
        self.stage(self.yard.book, body.into(), at, vec![])
    }

    /// Stages a record of any book, perhaps one that replaces others.
    ///
    /// # Errors
    /// As [`Desk::log_in_job`].
    pub fn stage(
        &mut self,
        book: BookId,
        body: Body,
        at: UtcMs,
        replaces: Vec<RecordId>,
    ) -> Result<RecordId, CliError> {
        let id = self.outside.record_id()?;
        self.stage_as(id, book, body, at, replaces)
    }

    /// Stages a tree or block of an earlier season under the id it has.
    ///
    /// # Errors
    /// As [`Desk::log_in_job`].
    pub fn carry(&mut self, id: RecordId, body: Body) -> Result<RecordId, CliError> {
        let (book, now) = (self.view()?.book, self.now);
        self.stage_as(id, book, body, now, vec![])
    }

    fn stage_as(
        &mut self,
        id: RecordId,
        book: BookId,
        body: Body,
        at: UtcMs,
        replaces: Vec<RecordId>,
    ) -> Result<RecordId, CliError> {
        let kind = body.kind();
        if office_only(kind) && self.role != Some(Role::Office) {
            return Err(CliError::NotAllowed {
                message: format!("only the office writes a {}", kind.name().replace('_', " ")),
                hint: "ask the office; from this device it would have no effect".into(),
            });
        }
        let founding = kind == Kind::Person && self.yard.facts.in_force(Kind::Person).next().is_none();
        let by = if founding { self.by } else { Some(self.user()?) };
        let record = Record { envelope: Envelope { id, at, device: self.device, by, replaces }, body };
        let wrong = entry::refuse(&record, self.now);
        if !wrong.is_empty() {
            return Err(CliError::Refused(wrong));
        }
        if let Some(stand) = &mut self.stand {
            stand.add(&record);
        } else if matches!(record.kind(), Kind::Tree | Kind::Diameter) && self.view.is_some() {
            self.stand()?.add(&record);
        }
        self.staged.push(Staged { book, record });
        Ok(id)
    }

    /// Keeps a name or number in the register, outside all books, with any details.
    pub fn keep_in_register(&mut self, id: RecordId, kind: &str, name: &str, details: &[(String, String)]) {
        let mut entry = local_store::register_entry(id, kind, name, self.now);
        entry.fields.extend(details.iter().map(|(k, v)| (k.clone(), v.clone().into())));
        self.put_in_register(entry);
    }

    /// Puts a newer state of an entry into the register.
    pub fn put_in_register(&mut self, mut entry: RegisterEntry) {
        // Made on what is here, so it comes after it, whatever this device's clock says.
        let before = self.register.iter().filter(|e| e.id == entry.id).map(|e| e.updated_at.0).max();
        if entry.erased.is_none()
            && let Some(before) = before
        {
            entry.updated_at = UtcMs(entry.updated_at.0.max(before.saturating_add(1)));
        }
        self.register.push(entry.clone());
        self.new_register.push(entry);
    }

    /// Refuses a command that only the office may run.
    ///
    /// # Errors
    /// [`CliError::NotAllowed`].
    pub fn office_only(&self, what: &str) -> Result<(), CliError> {
        if self.role == Some(Role::Office) {
            return Ok(());
        }
        Err(CliError::NotAllowed {
            message: format!("only the office may {what}"),
            hint: "run it on an office device".into(),
        })
    }

    /// Shows a caution, once.
    pub fn caution(&mut self, caution: String) {
        if !self.answer.cautions.contains(&caution) {
            self.answer.cautions.push(caution);
        }
    }

    /// Says that something was written, with its id's end.
    pub fn logged(&mut self, what: impl std::fmt::Display, id: RecordId) {
        self.answer.say(format!("{what} [{}]", short(id)));
    }
}
