//! Reading an answer: believed only when every chain comes out.

use std::collections::BTreeMap;
use std::io::BufRead;

use bolebook_core::exchange::{
    AnswerLine, BookAnswer, Cursor, EXCHANGE_VERSION, LogLine, MAX_LINE_BYTES, chain_after,
};
use bolebook_core::ids::{BookId, DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;

use super::{ClientError, Request};

/// An answer, checked against its request and its own chain.
pub(super) struct Parsed {
    pub now: UtcMs,
    pub books: BTreeMap<BookId, Part>,
}

pub(super) struct Part {
    pub head: BookAnswer,
    at: Cursor,
    pub lines: Vec<LogLine>,
    pub hashes: Vec<Sha256Hash>,
}

impl Part {
    fn take(&mut self, hash: Sha256Hash) {
        self.at = Cursor { position: self.at.position + 1, chain: chain_after(self.at.chain, hash) };
        self.hashes.push(hash);
    }
}

impl Parsed {
    pub fn read(mut answer: impl BufRead, server: DeviceId, request: &Request) -> Result<Self, ClientError> {
        let wrong = |why: &str| ClientError::Answer(why.to_owned());
        let mut books: BTreeMap<BookId, Part> = BTreeMap::new();
        let (mut now, mut open, mut number) = (None, None, 0);
        while let Some(text) = next_line(&mut answer)? {
            number += 1;
            let line = AnswerLine::parse(&text).map_err(|source| ClientError::Line { number, source })?;
            match (line, now.is_some()) {
                (AnswerLine::Start(start), false) => {
                    if start.exchange != EXCHANGE_VERSION || start.server != server {
                        return Err(wrong("another version, or another server"));
                    }
                    now = Some(start.now);
                }
                (AnswerLine::Book(head), true) => {
                    let sent = request.sent.get(&head.book).ok_or_else(|| wrong("a book not asked for"))?;
                    if head.from != sent.cursor.position {
                        return Err(wrong("it starts at another position"));
                    }
                    // Or lines that never arrived would count as shared, and never be offered again.
                    if head.appended.checked_add(head.known) != Some(sent.offered.len() as u64) {
                        return Err(wrong("it speaks of another number of offered lines"));
                    }
                    let part = Part { head, at: sent.cursor, lines: vec![], hashes: vec![] };
                    if books.insert(head.book, part).is_some() {
                        return Err(wrong("a book twice"));
                    }
                    open = Some(head.book);
                }
                (AnswerLine::Log(line), true) => {
                    let part =
                        open.and_then(|b| books.get_mut(&b)).ok_or_else(|| wrong("a line of no book"))?;
                    part.take(line.hash());
                    part.lines.push(line);
                }
                (AnswerLine::Yours(run), true) => {
                    let book = open.ok_or_else(|| wrong("a line of no book"))?;
                    let part = books.get_mut(&book).ok_or_else(|| wrong("a line of no book"))?;
                    for hash in offered(request, book, run.yours).ok_or_else(|| wrong("lines not offered"))? {
                        part.take(*hash);
                    }
                }
                _ => return Err(wrong("its first line is not the only opening line")),
            }
        }
        let whole = books.len() == request.sent.len()
            && books.values().all(|p| p.at == Cursor { position: p.head.end, chain: p.head.chain });
        match now {
            Some(now) if whole => Ok(Self { now, books }),
            _ => Err(wrong("a book is missing or its chain does not come out")),
        }
    }
}

fn offered(request: &Request, book: BookId, [first, last]: [u64; 2]) -> Option<&[Sha256Hash]> {
    let range = usize::try_from(first).ok()?..=usize::try_from(last).ok().filter(|l| *l < usize::MAX)?;
    request.sent.get(&book)?.offered.get(range)
}

fn next_line(answer: &mut impl BufRead) -> Result<Option<String>, std::io::Error> {
    use std::io::Read as _;
    let mut line = Vec::new();
    let most = MAX_LINE_BYTES as u64 + 1;
    if answer.by_ref().take(most).read_until(b'\n', &mut line)? == 0 {
        return Ok(None);
    }
    if line.pop() != Some(b'\n') {
        return Err(std::io::Error::new(std::io::ErrorKind::UnexpectedEof, "a line without an end"));
    }
    String::from_utf8(line).map(Some).map_err(|e| std::io::Error::new(std::io::ErrorKind::InvalidData, e))
}
