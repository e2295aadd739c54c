//! What the desk writes into the books: records of the signed-in person, authored by the desk's own
//! device, which the office certified like any other.

use std::sync::{Arc, PoisonError};

use bolebook_core::check::entry;
use bolebook_core::commit::{Commit, Draft, MAX_RECORDS};
use bolebook_core::facts::HeldReason;
use bolebook_core::ids::{ActorId, BookId, CommitHash, PersonId, RecordId};
use bolebook_core::record::people::Role;
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::signing::HeadSignature;
use bolebook_db::Transaction;
use bolebook_log::{Basis, append, basis, record_positions};

use crate::desk::forms::unwritable;
use crate::desk::page::Desk;
use crate::error::ApiError;
use crate::identity::{Identity, IdentityError};
use crate::snapshot::Snapshot;
use crate::state::Inner;

/// Name of the desk's identity in the data folder.
pub const FILE: &str = "desk.json";

/// Why the desk cannot write.
#[derive(Debug, thiserror::Error)]
pub enum ReadOnly {
    /// No certificate.
    #[error("this server holds no office certificate for its desk")]
    None,
    /// A damaged file.
    #[error("the desk's certificate cannot be read: {0}")]
    Damaged(IdentityError),
    /// Of another yard.
    #[error("the desk's certificate is of another yard or root key than this server's")]
    OtherYard,
    /// Taken back or over.
    #[error("{0}")]
    NotAdmitted(&'static str),
}

/// The desk's device, if it may write now.
///
/// # Errors
/// [`ReadOnly`] with the reason.
pub fn desk_key(app: &Inner, snapshot: &Snapshot) -> Result<Arc<Identity>, ReadOnly> {
    let mut kept = app.desk.key.lock().unwrap_or_else(PoisonError::into_inner);
    let key = match &*kept {
        Some(key) => key.clone(),
        // Looked for again each time, so that a certificate given to a running server counts at once.
        None => {
            let path = app.config.data.join(FILE);
            if !path.exists() {
                return Err(ReadOnly::None);
            }
            let key = Arc::new(Identity::load_from(&path).map_err(ReadOnly::Damaged)?);
            *kept = Some(key.clone());
            key
        }
    };
    if key.yard != app.identity.yard || key.root != app.identity.root {
        return Err(ReadOnly::OtherYard);
    }
    let over = ReadOnly::NotAdmitted("the desk's certificate does not hold now: give the server a new one");
    match snapshot.directory.admits(key.device(), app.now()) {
        Ok(Role::Office) => Ok(key),
        Ok(_) => Err(ReadOnly::NotAdmitted("the desk's certificate is not the office's")),
        // It goes into the yard book with the first record.
        Err(HeldReason::NoCertificate) if app.now() <= key.certificate.not_after => Ok(key),
        Err(HeldReason::Revoked) => {
            Err(ReadOnly::NotAdmitted("the office has revoked the desk's certificate"))
        }
        Err(_) => Err(over),
    }
}

/// A record about to be written.
pub struct Staged {
    /// What it says.
    pub body: Body,
    /// What it replaces.
    pub replaces: Vec<RecordId>,
    /// Its id, where another record of the same writing names it.
    pub id: Option<RecordId>,
}

impl Staged {
    /// A new fact.
    pub fn new(body: impl Into<Body>) -> Self {
        Self { body: body.into(), replaces: vec![], id: None }
    }

    /// A new version of what stands in force of a fact.
    pub fn replacing(body: impl Into<Body>, replaces: Vec<RecordId>) -> Self {
        Self { body: body.into(), replaces, id: None }
    }

    /// A new fact that others of the same writing name.
    pub fn named(id: RecordId, body: impl Into<Body>) -> Self {
        Self { body: body.into(), replaces: vec![], id: Some(id) }
    }
}

/// Writes records into a book under the signed-in person's name, all or none.
///
/// `seen` are the heads of the book that the person was shown: when given, nothing is written if
/// the book has moved on since, so that nobody vouches for what they did not see.
///
/// # Errors
/// 409 when the desk is read-only or the book moved on; 422 for a record that cannot be true.
pub fn write(
    desk: &Desk,
    book: BookId,
    records: Vec<Staged>,
    seen: Option<&[CommitHash]>,
) -> Result<Vec<RecordId>, ApiError> {
    let conflict = |why: String| ApiError::new(axum::http::StatusCode::CONFLICT, "desk", why);
    let app: &Inner = &desk.app;
    let key =
        desk_key(app, &desk.snapshot).map_err(|e| conflict(format!("the desk can only be read: {e}")))?;
    let by = person(desk)?;
    let now = app.now();
    let (mut texts, mut ids) = (vec![], vec![]);
    for Staged { body, replaces, id } in records {
        let id = id.map_or_else(|| fresh(desk), Ok)?;
        let envelope = Envelope { id, at: now, device: key.device(), by: Some(by), replaces };
        let record = Record { envelope, body };
        let wrong = entry::refuse(&record, now);
        if !wrong.is_empty() {
            return Err(unwritable(wrong.join("; ")));
        }
        texts.push(record.to_canonical().map_err(|e| unwritable(e.to_string()))?);
        ids.push(id);
    }
    app.write(|tx| {
        if let Some(seen) = seen
            && bolebook_log::book(tx, book)?.is_none_or(|info| info.heads != seen)
        {
            return Err(conflict(
                "something arrived in this job since the page was made: go back, load it again and look at what is new".into(),
            ));
        }
        certify(app, tx, &key)?;
        commit(app, tx, &key, book, &texts)
    })?;
    app.findings.changed(book, desk.snapshot.yard.book);
    Ok(ids)
}

/// An id for a record about to be written.
///
/// # Errors
/// The random source's.
pub fn fresh(desk: &Desk) -> Result<RecordId, ApiError> {
    Ok(RecordId::new(desk.app.now().0, desk.app.random()?))
}

/// The signed-in person, still one of the yard's.
fn person(desk: &Desk) -> Result<PersonId, ApiError> {
    let person = desk.user.person;
    if desk.snapshot.yard.facts.standing_fact(person).is_none() {
        let why =
            "the person of your account no longer stands in the yard book: ask whoever keeps the accounts";
        return Err(ApiError::forbidden("person", why));
    }
    Ok(person)
}

/// Puts the desk's certificate into the yard book once: it proves itself by its signatures.
fn certify(app: &Inner, tx: &Transaction<'_>, key: &Identity) -> Result<(), ApiError> {
    if record_positions(tx, key.yard, key.certificate_record)?.is_empty() {
        let text = key.certificate_text().map_err(|e| ApiError::internal(&e))?;
        commit(app, tx, key, key.yard, &[text])?;
        app.findings.changed(key.yard, key.yard);
    }
    Ok(())
}

fn commit(
    app: &Inner,
    tx: &Transaction<'_>,
    key: &Identity,
    book: BookId,
    texts: &[String],
) -> Result<(), ApiError> {
    // A fresh actor each time: nobody can slip a commit into a chain whose end is about to be signed.
    let actor = ActorId::new(key.device(), app.random()?);
    let mut stands_on = basis(tx, book, actor)?;
    let mut lines = vec![];
    for records in texts.chunks(MAX_RECORDS) {
        let Basis { deps, seq, start_op } = stands_on;
        let draft = Draft { actor, seq, start_op, time: app.now(), deps, records: records.to_vec() };
        let commit = Commit::author(draft).map_err(|e| unwritable(e.to_string()))?;
        stands_on =
            Basis { deps: vec![commit.hash()], seq: commit.seq() + 1, start_op: commit.last_op() + 1 };
        let signed = HeadSignature::sign(&key.key, book, actor, commit.seq(), commit.hash());
        lines.extend([commit.into(), signed.into()]);
    }
    append(tx, book, &lines)?;
    Ok(())
}
