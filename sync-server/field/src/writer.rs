//! From a tap to a durable line: records are made, put into commits, signed, stored in one
//! transaction, and only then shown.

use std::collections::BTreeMap;

use bolebook_core::check::entry;
use bolebook_core::commit::{Commit, CommitError};
use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{ActorId, BookId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::{Body, Envelope, Record, RecordError};
use bolebook_core::signing::HeadSignature;

use crate::field::Field;
use crate::outside::{Outside, Put, Trouble, first};
use crate::state::State;

/// A record about to be written.
#[derive(Clone, Debug)]
pub struct Staged {
    /// Its book.
    pub book: BookId,
    /// What it states.
    pub body: Body,
    /// When it was logged.
    pub at: UtcMs,
    /// What it replaces.
    pub replaces: Vec<RecordId>,
    /// Whether it is an application that continues the first record staged with it.
    pub continues_first: bool,
}

impl Staged {
    /// A new fact, logged now.
    pub fn new(book: BookId, body: impl Into<Body>, at: UtcMs) -> Self {
        Self { book, body: body.into(), at, replaces: vec![], continues_first: false }
    }
}

/// Nothing was written.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum WriteError {
    /// The device has not joined.
    #[error("this device has not joined a yard")]
    NotJoined,
    /// Nobody was chosen who is using the device.
    #[error("choose first who is using this device")]
    Nobody,
    /// A figure that cannot be.
    #[error("{}", .0.join("; "))]
    Refused(Vec<String>),
    /// A record that cannot be written.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// A commit that cannot be made.
    #[error("a commit could not be made: {0}")]
    Commit(#[from] CommitError),
    /// The book has not begun here.
    #[error("the book is not here yet: exchange first")]
    NoBook,
    /// The device failed.
    #[error(transparent)]
    Trouble(#[from] Trouble),
}

impl<D: Outside> Field<D> {
    /// Writes records and changes what is kept beside them, all in one transaction; gives the
    /// records' ids. On an error nothing has changed.
    ///
    /// # Errors
    /// [`WriteError`].
    pub async fn write(
        &self,
        staged: Vec<Staged>,
        change: impl FnOnce(&mut State, &[RecordId]),
        settings: &[&'static str],
    ) -> Result<Vec<RecordId>, WriteError> {
        let _turn = self.turns.take().await;
        let records = self.records(&staged)?;
        let ids: Vec<RecordId> = records.iter().map(|(_, r)| r.envelope.id).collect();
        let mut texts: BTreeMap<BookId, Vec<String>> = BTreeMap::new();
        for (book, record) in &records {
            texts.entry(*book).or_default().push(record.to_canonical()?);
        }
        let mut lines: Vec<(BookId, Vec<LogLine>)> = vec![];
        for (book, texts) in texts {
            lines.push((book, self.commit(book, texts).await?));
        }
        self.keep(lines, |state| change(state, &ids), settings).await?;
        Ok(ids)
    }

    /// Changes what is kept, without a record.
    ///
    /// # Errors
    /// [`Trouble`]; nothing has then changed.
    pub async fn set(
        &self,
        change: impl FnOnce(&mut State),
        settings: &[&'static str],
    ) -> Result<(), Trouble> {
        let _turn = self.turns.take().await;
        self.keep(vec![], change, settings).await
    }

    fn records(&self, staged: &[Staged]) -> Result<Vec<(BookId, Record)>, WriteError> {
        let state = self.state();
        let member = state.member.as_ref().ok_or(WriteError::NotJoined)?;
        let now = self.outside.now();
        let mut records: Vec<(BookId, Record)> = vec![];
        for part in staged {
            let by = match part.body {
                // The device speaks for itself here.
                Body::Certificate(_) => None,
                _ => Some(state.choices.person.ok_or(WriteError::Nobody)?),
            };
            let id = match (&part.body, member.pending) {
                (Body::Certificate(_), Some(id)) => id,
                _ => RecordId::new(now.0, first(self.outside.random()?)),
            };
            let replaces = part.replaces.clone();
            let envelope = Envelope { id, at: part.at, device: member.device, by, replaces };
            let mut body = part.body.clone();
            if let (true, Body::Application(of), Some((_, first))) =
                (part.continues_first, &mut body, records.first())
            {
                of.continues = Some(first.envelope.id);
            }
            let record = Record { envelope, body };
            let wrong = entry::refuse(&record, now);
            if !wrong.is_empty() {
                return Err(WriteError::Refused(wrong));
            }
            records.push((part.book, record));
        }
        Ok(records)
    }

    /// A commit of these records and the signature of its chain's end.
    async fn commit(&self, book: BookId, texts: Vec<String>) -> Result<Vec<LogLine>, WriteError> {
        let (commit, message) = {
            let random = self.outside.random()?;
            let now = self.outside.now();
            let mut state = self.state_mut();
            let device = state.member.as_ref().ok_or(WriteError::NotJoined)?.device;
            // A fresh actor at each opening: a store put back from a copy never forks a chain.
            let actor = *state.actor.get_or_insert_with(|| ActorId::new(device, first(random)));
            let draft = match state.books_open {
                true => {
                    let log = state.logs.get(&book).filter(|l| l.book().genesis().is_some());
                    log.map(|log| log.book().draft(actor, now, texts))
                }
                false => state.tips.get(&book).and_then(|tip| tip.draft(actor, now, texts)),
            };
            let commit = Commit::author(draft.ok_or(WriteError::NoBook)?)?;
            let message = HeadSignature::message(book, actor, commit.seq(), commit.hash());
            (commit, message)
        };
        let signature = self.outside.sign(&message).await?;
        let (actor, hash, seq) = (commit.actor(), commit.hash(), commit.seq());
        Ok(vec![commit.into(), HeadSignature { actor, hash, seq, signature }.into()])
    }

    /// Stores lines and settings, then takes them in. The caller holds the turn.
    pub(crate) async fn keep(
        &self,
        lines: Vec<(BookId, Vec<LogLine>)>,
        change: impl FnOnce(&mut State),
        settings: &[&'static str],
    ) -> Result<(), Trouble> {
        let (puts, before) = {
            let mut state = self.state_mut();
            let before = Kept::of(&state);
            change(&mut state);
            let mut puts: Vec<Put> = vec![];
            for (book, lines) in &lines {
                let end = state.end_of(*book);
                puts.extend(lines.iter().zip(end + 1..).map(|(line, position)| Put::Line {
                    book: *book,
                    position,
                    text: line.text().to_owned(),
                }));
            }
            puts.extend(settings.iter().map(|name| state.put(name)));
            (puts, before)
        };
        let stored = self.outside.store(&puts).await;
        let mut state = self.state_mut();
        if let Err(trouble) = stored {
            before.put_back(&mut state);
            // Whatever became of the transaction, its sequence numbers are not used again.
            state.actor = None;
            return Err(trouble);
        }
        for (book, lines) in lines {
            if !state.books_open {
                lines.into_iter().for_each(|line| state.took_early(book, line));
                continue;
            }
            let log = state.logs.entry(book).or_insert_with(|| crate::log::Log::new(book));
            lines.into_iter().for_each(|line| log.take(line));
            let yard = state.member.as_ref().is_some_and(|m| m.yard == book);
            state.forget_view(yard);
        }
        Ok(())
    }
}

/// What a failed transaction puts back.
struct Kept {
    member: Option<crate::state::Member>,
    server: Option<crate::state::Server>,
    peers: crate::exchange::Peers,
    choices: crate::state::Choices,
    open: Vec<crate::open_stem::OpenStem>,
}

impl Kept {
    fn of(state: &State) -> Self {
        Self {
            member: state.member.clone(),
            server: state.server.clone(),
            peers: state.peers.clone(),
            choices: state.choices.clone(),
            open: state.open.clone(),
        }
    }

    fn put_back(self, state: &mut State) {
        let Self { member, server, peers, choices, open } = self;
        (state.member, state.server, state.peers) = (member, server, peers);
        (state.choices, state.open) = (choices, open);
    }
}
