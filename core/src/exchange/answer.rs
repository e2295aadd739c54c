//! Reading an answer: believed only when it fits its request and every chain comes out.
//!
//! One reader for every client, command line and browser alike: what it lets pass is what counts as
//! shared with a server, and a line wrongly counted as shared is lost.

use std::collections::BTreeMap;

use crate::exchange::{AnswerLine, BookAnswer, Cursor, EXCHANGE_VERSION, LineError, LogLine, chain_after};
use crate::ids::{BookId, DeviceId, Sha256Hash};
use crate::quantity::UtcMs;

/// What a request asked and offered of one book.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// From where the server's log was asked for.
    pub cursor: Cursor,
    /// The lines offered, in order.
    pub offered: Vec<Sha256Hash>,
    /// The local position up to which everything was shared before.
    pub sent_to: u64,
    /// The local position up to which lines were looked at for this request.
    pub looked_to: u64,
}

impl Asked {
    /// The local position up to which everything is shared once the answer is stored: `end` is the
    /// local log's end with what the answer brought, `grew` whether others wrote to it meanwhile.
    pub fn shared_to(&self, more: bool, grew: bool, end: u64) -> u64 {
        match grew {
            // What was offered stands beyond the new cursor. Were the server restored to a state in
            // between, the cursor would hold and nothing would say that the lines are gone.
            _ if more && !self.offered.is_empty() => self.sent_to,
            true => self.looked_to,
            false => end,
        }
    }
}

/// An answer cannot be believed; nothing of it is to be taken in.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AnswerError {
    /// A line of the answer is none.
    #[error("line {number} of the answer: {source}")]
    Line {
        /// Which, from 1.
        number: usize,
        /// Why.
        source: LineError,
    },
    /// The answer is not one to this request.
    #[error("the answer does not fit the request: {0}")]
    Misfit(&'static str),
}

/// An answer, checked against its request and its own chains.
#[derive(Clone, Debug)]
pub struct Answer {
    /// The server's clock.
    pub now: UtcMs,
    /// Per book asked for.
    pub books: BTreeMap<BookId, Part>,
}

/// What an answer says of one book.
#[derive(Clone, Debug)]
pub struct Part {
    /// Its head line.
    pub head: BookAnswer,
    /// The lines it brings.
    pub lines: Vec<LogLine>,
    /// The hashes of all lines up to the new cursor, the client's own among them.
    pub hashes: Vec<Sha256Hash>,
    at: Cursor,
}

impl Part {
    /// The server's end as the answer gives it.
    pub fn cursor(&self) -> Cursor {
        Cursor { position: self.head.end, chain: self.head.chain }
    }

    fn take(&mut self, hash: Sha256Hash) {
        self.at = Cursor { position: self.at.position + 1, chain: chain_after(self.at.chain, hash) };
        self.hashes.push(hash);
    }
}

/// Takes an answer line by line.
#[derive(Debug)]
pub struct AnswerReader<'a> {
    server: DeviceId,
    asked: &'a BTreeMap<BookId, Asked>,
    now: Option<UtcMs>,
    open: Option<BookId>,
    books: BTreeMap<BookId, Part>,
    number: usize,
}

impl<'a> AnswerReader<'a> {
    /// For the answer of `server` to a request that asked this.
    pub fn new(server: DeviceId, asked: &'a BTreeMap<BookId, Asked>) -> Self {
        Self { server, asked, now: None, open: None, books: BTreeMap::new(), number: 0 }
    }

    /// Takes the next line, without its end.
    ///
    /// # Errors
    /// [`AnswerError`].
    pub fn line(&mut self, text: &str) -> Result<(), AnswerError> {
        self.number += 1;
        let number = self.number;
        let line = AnswerLine::parse(text).map_err(|source| AnswerError::Line { number, source })?;
        match (line, self.now.is_some()) {
            (AnswerLine::Start(start), false) => {
                if start.exchange != EXCHANGE_VERSION || start.server != self.server {
                    return Err(AnswerError::Misfit("another version, or another server"));
                }
                self.now = Some(start.now);
            }
            (AnswerLine::Book(head), true) => self.book(head)?,
            (AnswerLine::Log(line), true) => {
                let part = self.part()?;
                part.take(line.hash());
                part.lines.push(line);
            }
            (AnswerLine::Yours(run), true) => {
                let offered = self.open.and_then(|book| self.asked.get(&book)).map(|a| a.offered.as_slice());
                let [first, last] = run.yours.map(|at| usize::try_from(at).unwrap_or(usize::MAX));
                let own = offered.filter(|_| last < usize::MAX).and_then(|o| o.get(first..=last));
                let own = own.ok_or(AnswerError::Misfit("lines not offered"))?;
                let part = self.part()?;
                own.iter().for_each(|hash| part.take(*hash));
            }
            _ => return Err(AnswerError::Misfit("its first line is not the only opening line")),
        }
        Ok(())
    }

    fn book(&mut self, head: BookAnswer) -> Result<(), AnswerError> {
        let asked = self.asked.get(&head.book).ok_or(AnswerError::Misfit("a book not asked for"))?;
        if head.from != asked.cursor.position {
            return Err(AnswerError::Misfit("it starts at another position"));
        }
        // Or lines that never arrived would count as shared, and never be offered again.
        if head.appended.checked_add(head.known) != Some(asked.offered.len() as u64) {
            return Err(AnswerError::Misfit("it speaks of another number of offered lines"));
        }
        let book = head.book;
        let part = Part { head, at: asked.cursor, lines: vec![], hashes: vec![] };
        if self.books.insert(book, part).is_some() {
            return Err(AnswerError::Misfit("a book twice"));
        }
        self.open = Some(book);
        Ok(())
    }

    fn part(&mut self) -> Result<&mut Part, AnswerError> {
        let open = self.open.and_then(|book| self.books.get_mut(&book));
        open.ok_or(AnswerError::Misfit("a line of no book"))
    }

    /// The answer, when nothing is missing of it.
    ///
    /// # Errors
    /// [`AnswerError::Misfit`].
    pub fn end(self) -> Result<Answer, AnswerError> {
        let whole = self.books.len() == self.asked.len() && self.books.values().all(|p| p.at == p.cursor());
        match self.now {
            Some(now) if whole => Ok(Answer { now, books: self.books }),
            _ => Err(AnswerError::Misfit("a book is missing or its chain does not come out")),
        }
    }
}
