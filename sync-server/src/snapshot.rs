//! What the books say now, read once and kept until a book or the register changes.
//!
//! Pages, findings and exports all come from here. Views are kept by the chains of their two books,
//! so that a ruling on one job does not read the others again. A cache, thrown away at any time.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, OnceLock, PoisonError, Weak};

use bolebook_core::authority::Directory;
use bolebook_core::balance::{Balance, balance};
use bolebook_core::check::check_among;
use bolebook_core::check::kept::{Kept, Touched};
use bolebook_core::export::{ExportError, Names};
use bolebook_core::finding::Finding;
use bolebook_core::ids::{BookId, ClientId, PersonId, RecordId, Sha256Hash};
use bolebook_core::keeping::Erasure;
use bolebook_core::service::RegisterEntry;
use bolebook_core::view::{View, Yard, YardRef};
use bolebook_db::Connection;
use bolebook_log::{BookInfo, BookKind};

use crate::error::ApiError;
use crate::grown::{Books, Fresh};
use crate::state::Inner;
use crate::store;

/// A job as it stands in the log.
#[derive(Debug)]
pub struct JobState {
    /// Up to which position of its log.
    pub position: u64,
    /// The job.
    pub view: View<'static>,
    chain: Sha256Hash,
    /// The state it grew out of, and the facts new since.
    grown: Option<(Weak<JobState>, Vec<usize>)>,
}

/// Everything computed from one state of the books and the register.
#[derive(Debug)]
pub struct Snapshot {
    /// The yard.
    pub yard: Arc<Yard>,
    /// Its devices.
    pub directory: Arc<Directory>,
    /// Every job that can be read.
    pub jobs: BTreeMap<BookId, Arc<JobState>>,
    /// Jobs that cannot be read, and why: said, never hidden.
    pub unreadable: Vec<(BookId, String)>,
    /// Names of people and clients.
    pub names: RegisterNames,
    state: Sha256Hash,
    yard_chain: Sha256Hash,
    balance: OnceLock<Balance>,
    /// What was found of each job last, with the state it was found in: handed on to the next snapshot,
    /// which checks again only what differs.
    checked: Arc<Mutex<BTreeMap<BookId, Checked>>>,
    findings: Mutex<BTreeMap<BookId, Arc<Vec<Finding>>>>,
    texts: Mutex<BTreeMap<(BookId, &'static str), Arc<String>>>,
}

/// A job's findings with what it takes to bring them up to a change, and the state they stand on.
#[derive(Debug)]
struct Checked {
    job: Arc<JobState>,
    kept: Kept,
    /// When it was last asked for, in turns.
    turn: u64,
}

/// For so many jobs it is kept: those asked for last. It is about as large as the job's view.
const KEPT_JOBS: usize = 4;

impl JobState {
    /// A job that is kept, as the log is now, when nothing that came since reaches back to what stood.
    fn grow(
        old: &Arc<Self>,
        db: &Connection,
        info: &BookInfo,
        (books, fresh): (&mut Books, &Fresh),
        (directory, yard): (&Directory, &Arc<Yard>),
    ) -> Result<Option<Self>, ApiError> {
        let (position, chain) = (info.end.position, info.end.chain);
        let same_yard = matches!(&old.view.yard, YardRef::Shared(of) if Arc::ptr_eq(of, yard));
        let rebound = if same_yard { None } else { Some(old.view.with_yard(yard.clone())) };
        let before = Arc::downgrade(old);
        if old.chain == chain {
            let view = rebound.unwrap_or_else(|| old.view.clone());
            return Ok(Some(Self { position, view, chain, grown: Some((before, vec![])) }));
        }
        // The chain tells whether it is still the same log: a hub's may have been laid out anew.
        if bolebook_log::chain_at(db, info.book, old.position)? != Some(old.chain) {
            return Ok(None);
        }
        let book = books.now(db, info, fresh)?;
        let grown = rebound.as_ref().unwrap_or(&old.view).grown(book, &directory.for_book(book));
        Ok(grown.map(|(view, new)| Self { position, view, chain, grown: Some((before, new)) }))
    }

    fn touched_since(&self, before: &Arc<Self>) -> Touched {
        match &self.grown {
            Some((of, new)) if Weak::ptr_eq(of, &Arc::downgrade(before)) => {
                Touched::grown(&before.view, &self.view, new)
            }
            _ => Touched::between(&before.view, &self.view),
        }
    }
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Snapshot {
    /// A job.
    ///
    /// # Errors
    /// 404 for one the server does not have; an internal error for one that cannot be read.
    pub fn job(&self, book: BookId) -> Result<&Arc<JobState>, ApiError> {
        if let Some((_, why)) = self.unreadable.iter().find(|(b, _)| *b == book) {
            return Err(ApiError::internal(why));
        }
        self.jobs.get(&book).ok_or_else(|| ApiError::not_found("the server has no such job book"))
    }

    /// The balance over every job.
    pub fn balance(&self) -> &Balance {
        self.balance.get_or_init(|| {
            let views: Vec<&View<'static>> = self.jobs.values().map(|j| &j.view).collect();
            balance(&self.yard, &views)
        })
    }

    /// What the checks say of a job.
    pub fn findings(&self, job: &JobState) -> Arc<Vec<Finding>> {
        let balance = self.balance();
        let all: Vec<&View<'_>> = self.jobs.values().map(|j| &j.view as &View<'_>).collect();
        let mut found = lock(&self.findings);
        if let Some(found) = found.get(&job.view.book) {
            return found.clone();
        }
        let fresh = self.check(job, &all, balance);
        found.insert(job.view.book, fresh.clone());
        fresh
    }

    /// Checks what differs from the state that was checked last, else everything.
    fn check(&self, job: &JobState, all: &[&View<'_>], balance: &Balance) -> Arc<Vec<Finding>> {
        let Some(job) = self.jobs.get(&job.view.book).filter(|own| std::ptr::eq(Arc::as_ptr(own), job))
        else {
            return Arc::new(check_among(&job.view, all, balance));
        };
        let mut checked = lock(&self.checked);
        let turn = checked.values().map(|c| c.turn).max().unwrap_or(0) + 1;
        // Taken out: what a panic leaves half done is not looked at again.
        let kept = match checked.remove(&job.view.book) {
            Some(Checked { job: before, mut kept, .. }) => {
                kept.update(&job.view, all, balance, &job.touched_since(&before));
                kept
            }
            None => Kept::of(&job.view, all, balance),
        };
        let found = kept.findings().clone();
        checked.insert(job.view.book, Checked { job: job.clone(), kept, turn });
        while checked.len() > KEPT_JOBS {
            let oldest = checked.iter().min_by_key(|(_, c)| c.turn).map(|(book, _)| *book);
            oldest.and_then(|book| checked.remove(&book));
        }
        found
    }

    /// A text made from a job, made once.
    ///
    /// # Errors
    /// An internal error when it cannot be written.
    pub fn text(
        &self,
        book: BookId,
        name: &'static str,
        make: impl FnOnce() -> Result<String, ExportError>,
    ) -> Result<Arc<String>, ApiError> {
        if let Some(text) = lock(&self.texts).get(&(book, name)) {
            return Ok(text.clone());
        }
        let text = Arc::new(make().map_err(|e| ApiError::internal(&e))?);
        lock(&self.texts).insert((book, name), text.clone());
        Ok(text)
    }

    /// A digest of the books and the register as they are here.
    pub fn state(&self) -> Sha256Hash {
        self.state
    }
}

/// The newest snapshot, and the books it was made from.
#[derive(Debug, Default)]
pub struct Snapshots(Mutex<Newest>);

#[derive(Debug, Default)]
struct Newest {
    snapshot: Option<Arc<Snapshot>>,
    books: Books,
}

/// Forgets what was computed, so that no erased name stays in it.
pub fn forget(app: &Inner) {
    *lock(&app.snapshots.0) = Newest::default();
    app.fresh.forget();
}

/// The books as the log is now.
///
/// # Errors
/// 404 before the yard's genesis came; the database's.
pub fn now(app: &Inner) -> Result<Arc<Snapshot>, ApiError> {
    // Whoever comes while it is being made waits for it, so that it is made once.
    let mut newest = lock(&app.snapshots.0);
    let Newest { snapshot: kept, books: grown } = &mut *newest;
    app.read(|db| {
        let books = bolebook_log::books(db)?;
        let register = store::register(db)?;
        let state = state_of(&books, &register);
        if let Some(snapshot) = kept
            && snapshot.state == state
        {
            return Ok(snapshot.clone());
        }
        let made = Arc::new(make(app, db, (&books, grown), register, state, kept.as_deref())?);
        *kept = Some(made.clone());
        Ok(made)
    })
}

/// Names everything a computation stands on: every book's end, and the register.
fn state_of(books: &[BookInfo], register: &[RegisterEntry]) -> Sha256Hash {
    let mut text = String::new();
    for book in books {
        text.push_str(&book.end.chain.to_string());
    }
    for entry in register {
        // Whole: an erasure or a hold can have the time of the state before it.
        text.push_str(&serde_json::to_string(entry).unwrap_or_default());
    }
    Sha256Hash::of(text.as_bytes())
}

fn make(
    app: &Inner,
    db: &Connection,
    (books, grown): (&[BookInfo], &mut Books),
    register: Vec<RegisterEntry>,
    state: Sha256Hash,
    before: Option<&Snapshot>,
) -> Result<Snapshot, ApiError> {
    let none =
        || ApiError::not_found("the server has no yard book yet: exchange with it from the office first");
    let directory = app.directory(db)?.ok_or_else(none)?;
    let fresh = &app.fresh;
    let of_yard = books.iter().find(|b| b.book == app.identity.yard).ok_or_else(none)?;
    let yard_chain = of_yard.end.chain;
    let same_yard = before.filter(|b| b.yard_chain == yard_chain);
    let same_directory = before.filter(|b| b.directory == directory);
    let yard = match same_yard {
        Some(before) => before.yard.clone(),
        None => {
            let book = grown.now(db, of_yard, fresh)?;
            Arc::new(Yard::read(book, &directory.for_book(book)).map_err(|e| ApiError::internal(&e))?)
        }
    };
    let (mut jobs, mut unreadable) = (BTreeMap::new(), vec![]);
    for info in books.iter().filter(|b| b.kind == BookKind::Job) {
        let kept = same_yard.and_then(|b| b.jobs.get(&info.book)).filter(|j| j.chain == info.end.chain);
        if let Some(kept) = kept {
            jobs.insert(info.book, kept.clone());
            continue;
        }
        let known = same_directory.and_then(|b| b.jobs.get(&info.book));
        let grew = match known {
            Some(old) => JobState::grow(old, db, info, (grown, fresh), (&directory, &yard))?,
            None => None,
        };
        if let Some(job) = grew {
            jobs.insert(info.book, Arc::new(job));
            continue;
        }
        let book = grown.now(db, info, fresh)?;
        match View::read(book, yard.clone(), &directory.for_book(book)) {
            Ok(view) => {
                let (position, chain) = (info.end.position, info.end.chain);
                jobs.insert(info.book, Arc::new(JobState { position, view, chain, grown: None }));
            }
            Err(e) => unreadable.push((info.book, e.to_string())),
        }
    }
    Ok(Snapshot {
        yard,
        directory,
        jobs,
        unreadable,
        names: RegisterNames(register.into_iter().map(|e| (e.id, e)).collect()),
        state,
        yard_chain,
        balance: OnceLock::new(),
        checked: before.map(|b| b.checked.clone()).unwrap_or_default(),
        findings: Mutex::default(),
        texts: Mutex::default(),
    })
}

/// What the register says of people and clients.
#[derive(Debug)]
pub struct RegisterNames(BTreeMap<RecordId, RegisterEntry>);

impl RegisterNames {
    /// A field of an entry, unless it was erased.
    pub fn field(&self, id: RecordId, field: &str) -> Option<String> {
        self.0.get(&id)?.text(field)
    }

    /// What someone is called: the name, or that it was erased.
    pub fn called(&self, id: RecordId) -> Option<String> {
        self.0.get(&id)?.called()
    }

    /// That an entry was erased, if it was.
    pub fn erased(&self, id: RecordId) -> Option<&Erasure> {
        self.0.get(&id)?.erased.as_ref()
    }

    /// What someone is called, else the end of the id.
    pub fn named(&self, id: RecordId) -> String {
        self.called(id).unwrap_or_else(|| short(id))
    }
}

/// The last eight digits of an id: enough to tell records of one page apart.
pub fn short(id: impl ToString) -> String {
    let text = id.to_string();
    text.get(text.len().saturating_sub(8)..).unwrap_or(&text).to_owned()
}

impl Names for RegisterNames {
    fn person(&self, id: PersonId) -> Option<String> {
        self.called(id)
    }

    fn licence_number(&self, id: PersonId) -> Option<String> {
        self.field(id, "licence_number")
    }

    fn client(&self, id: ClientId) -> (Option<String>, Option<String>) {
        (self.called(id), self.field(id, "address"))
    }
}
