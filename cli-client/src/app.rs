//! One run of the command: opens the store, hands a [`Desk`] to the command, and writes what it
//! staged in one transaction.

use std::path::PathBuf;

use bolebook_core::authority::{BookAuthority, Directory};
use bolebook_core::balance::{Balance, balance};
use bolebook_core::book::Book;
use bolebook_core::check;
use bolebook_core::exchange::Entry;
use bolebook_core::finding::{Code, Finding};
use bolebook_core::ids::{BookId, RecordId};
use bolebook_core::record::book_kinds::Genesis;
use bolebook_core::view::{View, Yard};

use crate::desk::{Defaults, Desk, Parts, Shelf};
use crate::error::CliError;
use crate::local_store::{Store, setting};
use crate::names::NameError;
use crate::output::Answer;
use crate::outside::Outside;
use crate::writer;

/// Which books a command works on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Need {
    /// The yard only.
    Yard,
    /// The yard, and the job when it is clear which.
    MayJob,
    /// The yard and a job.
    Job,
}

/// What holds for the whole run.
#[derive(Debug)]
pub struct App {
    /// Clock and random source.
    pub outside: Outside,
    /// Where the store is.
    pub folder: PathBuf,
    /// The job named, if any.
    pub job: Option<String>,
    /// Who is using the device, if named.
    pub by: Option<String>,
}

impl App {
    /// Opens the store.
    ///
    /// # Errors
    /// [`CliError::Store`].
    pub fn store(&self) -> Result<Store, CliError> {
        let store = Store::open(&self.folder)?;
        self.opened(&store)?;
        Ok(store)
    }

    /// Makes a new store.
    ///
    /// # Errors
    /// [`CliError::Store`].
    pub fn new_store(&self) -> Result<Store, CliError> {
        let store = Store::create(&self.folder)?;
        self.opened(&store)?;
        Ok(store)
    }

    fn opened(&self, store: &Store) -> Result<(), CliError> {
        if self.outside.seeded() {
            self.outside.begin_opening(store.count_opening()?);
        }
        Ok(())
    }

    /// Lets a command read.
    ///
    /// # Errors
    /// The command's, or the store's.
    pub fn read<T>(
        &self,
        need: Need,
        command: impl FnOnce(&mut Desk<'_>) -> Result<T, CliError>,
    ) -> Result<T, CliError> {
        let store = self.store()?;
        let books = self.books(&store, need)?;
        let yard = books.yard()?;
        let (view, shelf) = (books.view(&yard)?, Shelf::default());
        command(&mut self.desk(&store, &books, &yard, view.as_ref(), &shelf)?)
    }

    /// Lets a command read and stage records, and writes them: all of them, or none.
    ///
    /// The store is locked from the first read on, so what the command saw is what it writes on.
    ///
    /// # Errors
    /// The command's, or the store's; nothing is then written.
    pub fn write(
        &self,
        need: Need,
        command: impl FnOnce(&mut Desk<'_>) -> Result<(), CliError>,
    ) -> Result<Answer, CliError> {
        let store = self.store()?;
        self.write_to(&store, need, command)
    }

    /// The same for a command that rules on the job's findings.
    ///
    /// # Errors
    /// As [`App::write`].
    pub fn write_all(
        &self,
        command: impl FnOnce(&mut Desk<'_>, &[Finding]) -> Result<(), CliError>,
    ) -> Result<Answer, CliError> {
        let store = self.store()?;
        self.write_to(&store, Need::Job, |desk| {
            let view = desk.view()?;
            let mut others = vec![];
            for id in store.jobs()?.into_iter().filter(|id| *id != view.book) {
                let book = store.book(id)?;
                desk.devices.check_job(&book)?;
                others.push(View::read(&book, desk.yard, &desk.devices.for_book(&book))?);
            }
            let all: Vec<&View<'_>> = std::iter::once(view).chain(&others).collect();
            let findings = check::check_among(view, &all, &balance(desk.yard, &all));
            command(desk, &findings)
        })
    }

    fn write_to(
        &self,
        store: &Store,
        need: Need,
        command: impl FnOnce(&mut Desk<'_>) -> Result<(), CliError>,
    ) -> Result<Answer, CliError> {
        let tx = store.begin()?;
        let mut books = self.books(store, need)?;
        let (written, mut answer) = {
            let yard = books.yard()?;
            let (view, shelf) = (books.view(&yard)?, Shelf::default());
            let mut desk = self.desk(store, &books, &yard, view.as_ref(), &shelf)?;
            command(&mut desk)?;
            let Parts { staged, register, answer } = desk.into_parts();
            for entry in &register {
                store.register_put(entry, false)?;
            }
            (writer::write(&tx, store, &self.outside, &staged)?, answer)
        };
        tx.commit()?;
        let ids: Vec<RecordId> = written.records.iter().map(|r| r.id).collect();
        answer.json.insert("written".into(), serde_json::to_value(&written.records).unwrap_or_default());
        for (book, lines) in written.lines {
            let into = if book == books.yard.id() { Some(&mut books.yard) } else { books.job.as_mut() };
            let Some(into) = into else { continue };
            for line in lines {
                match line.into_entry() {
                    Entry::Commit(commit) => into.take_stored(commit),
                    Entry::Signature(signature) => into.take_signature(signature),
                }
            }
        }
        if let Err(error) = findings_of(&books, &ids, &mut answer) {
            // It is written: an error here would make people log it twice.
            answer.warnings.push(format!("logged, but it could not be checked: {error}"));
        }
        Ok(answer)
    }

    /// Reads every job, and hands views, balance and the chosen job's index to the command.
    ///
    /// # Errors
    /// The command's, or the store's.
    pub fn read_all<T>(
        &self,
        need: Need,
        command: impl FnOnce(&mut Desk<'_>, &[View<'_>], &Balance) -> Result<T, CliError>,
    ) -> Result<T, CliError> {
        let store = self.store()?;
        let books = self.books(&store, need)?;
        let yard = books.yard()?;
        let chosen = books.job.as_ref().map(Book::id);
        let mut views = vec![];
        views.extend(books.view(&yard)?);
        for id in store.jobs()?.into_iter().filter(|id| Some(*id) != chosen) {
            let book = store.book(id)?;
            books.directory.check_job(&book)?;
            views.push(View::read(&book, &yard, &books.of(&book))?);
        }
        let all: Vec<&View<'_>> = views.iter().collect();
        let balance = balance(&yard, &all);
        let view = views.first().filter(|_| chosen.is_some());
        let shelf = Shelf::default();
        command(&mut self.desk(&store, &books, &yard, view, &shelf)?, &views, &balance)
    }

    fn desk<'a>(
        &'a self,
        store: &'a Store,
        books: &'a Books,
        yard: &'a Yard,
        view: Option<&'a View<'a>>,
        shelf: &'a Shelf,
    ) -> Result<Desk<'a>, CliError> {
        let device = store.device_key()?.device();
        let defaults = store.setting::<Defaults>(setting::DEFAULTS)?.unwrap_or_default();
        let register = store.register()?;
        let kept = (books, shelf);
        let mut desk =
            Desk::new(store, &self.outside, &books.directory, yard, view, register, defaults, device, kept);
        desk.used_by(self.by.as_deref())?;
        Ok(desk)
    }

    fn books(&self, store: &Store, need: Need) -> Result<Books, CliError> {
        let yard = store.book(store.yard()?)?;
        let directory = Directory::read(&yard, &store.root_pin()?)?;
        let job = match need {
            Need::Yard => None,
            Need::Job => Some(self.job_id(store)?),
            Need::MayJob if self.job.is_some() => Some(self.job_id(store)?),
            Need::MayJob => self.job_id(store).ok(),
        };
        let job = job.map(|id| store.book(id)).transpose()?;
        if let Some(book) = &job {
            directory.check_job(book)?;
        }
        Ok(Books { yard, job, directory })
    }

    /// The job named, the job in use, or the only job there is.
    fn job_id(&self, store: &Store) -> Result<BookId, CliError> {
        let jobs = jobs(store)?;
        if let Some(name) = &self.job {
            return find_job(&jobs, name);
        }
        let defaults = store.setting::<Defaults>(setting::DEFAULTS)?.unwrap_or_default();
        if let Some(id) = defaults.job.filter(|id| jobs.iter().any(|(known, _)| known == id)) {
            return Ok(id);
        }
        match &jobs[..] {
            [(id, _)] => Ok(*id),
            [] => Err(NameError::Unsaid {
                what: "job",
                why: "this store has none yet".into(),
                option: "'bolebook job new', or fetch one with 'bolebook exchange'",
            }
            .into()),
            _ => {
                let titles: Vec<_> = jobs.iter().map(|(_, g)| g.title.clone()).collect();
                let why = format!("there are {}: {}", titles.len(), titles.join(", "));
                Err(NameError::Unsaid {
                    what: "job",
                    why,
                    option: "--job NAME, or 'bolebook use --job NAME'",
                }
                .into())
            }
        }
    }
}

/// The books a command works on.
pub struct Books {
    yard: Book,
    job: Option<Book>,
    directory: Directory,
}

impl Books {
    /// The yard's book.
    pub fn yard_book(&self) -> &Book {
        &self.yard
    }

    /// The job's book, when the command has one.
    pub fn job(&self) -> Option<&Book> {
        self.job.as_ref()
    }

    fn of(&self, book: &Book) -> BookAuthority<'_> {
        self.directory.for_book(book)
    }

    fn yard(&self) -> Result<Yard, CliError> {
        Ok(Yard::read(&self.yard, &self.of(&self.yard))?)
    }

    fn view<'y>(&self, yard: &'y Yard) -> Result<Option<View<'y>>, CliError> {
        Ok(self.job.as_ref().map(|job| View::read(job, yard, &self.of(job))).transpose()?)
    }
}

/// The jobs of a store with their geneses.
///
/// # Errors
/// [`CliError::Store`].
pub fn jobs(store: &Store) -> Result<Vec<(BookId, Genesis)>, CliError> {
    let ids = store.jobs()?;
    ids.into_iter().map(|id| Ok((id, bolebook_log::genesis(store.db(), id)?))).collect()
}

/// The job a text names: its title, its id or the end of it.
///
/// # Errors
/// [`NameError`].
pub fn find_job(jobs: &[(BookId, Genesis)], name: &str) -> Result<BookId, CliError> {
    let wanted = name.trim().to_lowercase();
    let title = |(_, g): &&(BookId, Genesis)| g.title.to_lowercase() == wanted;
    let mut hits: Vec<_> = jobs.iter().filter(title).collect();
    if hits.is_empty() && wanted.len() >= 6 {
        hits = jobs.iter().filter(|(id, _)| id.to_string().ends_with(&wanted)).collect();
    }
    match hits[..] {
        [(id, _)] => Ok(*id),
        [] => {
            let there = jobs.iter().map(|(_, g)| g.title.clone()).collect();
            Err(NameError::Unknown { what: "job", name: name.to_owned(), there }.into())
        }
        _ => {
            let shown = |(id, g): &&(BookId, Genesis)| format!("{} [{}]", g.title, crate::output::short(id));
            let there = hits.iter().map(shown).collect();
            Err(NameError::Ambiguous { what: "job", name: name.to_owned(), there }.into())
        }
    }
}

/// Whether a finding depends on what other jobs used, which a single job cannot judge.
fn needs_all_jobs(finding: &Finding) -> bool {
    matches!(finding.code, Code::DayUnexplained | Code::StockUnexplained)
}

/// Checks what was just written, with the same rules every receiver will check it by.
fn findings_of(books: &Books, written: &[RecordId], answer: &mut Answer) -> Result<(), CliError> {
    if written.is_empty() {
        return Ok(());
    }
    let yard = books.yard()?;
    let Some(view) = books.view(&yard)? else { return Ok(()) };
    let balance = balance(&yard, &[&view]);
    let mut findings = check::check(&view, &balance);
    findings.retain(|f| f.open() && !needs_all_jobs(f) && f.records.iter().any(|id| written.contains(id)));
    for finding in &findings {
        let severity = format!("{:?}", finding.severity).to_lowercase();
        answer.warnings.push(format!("{severity}: {} {}", finding.message, finding.next));
    }
    answer.json.insert("findings".into(), serde_json::to_value(&findings).unwrap_or_default());
    Ok(())
}
