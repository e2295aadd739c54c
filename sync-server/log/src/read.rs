//! Handing lines out, and answering what stands in a log.

use bolebook_core::commit::MAX_DEPS;
use bolebook_core::exchange::{CHAIN_START, Cursor, Entry, LogLine};
use bolebook_core::gate::{Known, genesis_of};
use bolebook_core::ids::{ActorId, BookId, CommitHash, RecordId, Sha256Hash};
use bolebook_core::record::book_kinds::{BookContent, Genesis};
use bolebook_db::{Connection, OptionalExtension as _, Row, params};

use crate::error::LogError;
use crate::{sql, stored};

/// Which of the two kinds a book is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BookKind {
    /// The company's own book.
    Yard,
    /// A job's.
    Job,
}

impl BookKind {
    /// As its genesis says.
    pub fn of(content: &BookContent) -> Self {
        match content {
            BookContent::Yard { .. } => Self::Yard,
            BookContent::Job(_) => Self::Job,
        }
    }

    /// `yard` or `job`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Yard => "yard",
            Self::Job => "job",
        }
    }
}

/// Where a book stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BookInfo {
    /// The book.
    pub book: BookId,
    /// Its kind.
    pub kind: BookKind,
    /// Its last position and the chain there.
    pub end: Cursor,
    /// Commits nothing in the log depends on, ascending.
    pub heads: Vec<CommitHash>,
    /// The highest operation number.
    pub last_op: u64,
}

/// A line as it is stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredLine {
    /// Its position, from 1.
    pub position: u64,
    /// What the chain runs over.
    pub hash: Sha256Hash,
    /// The chain up to and with this line.
    pub chain: Sha256Hash,
    /// Its text, without the line end.
    pub text: String,
}

impl StoredLine {
    /// Whether what lies there is no line at all, such as a packed one that cannot be unpacked. Whoever looks
    /// for words in a text finds none in such a one, and must not take it for a line that says nothing.
    pub fn is_unreadable(&self) -> bool {
        // Every line is a JSON object without white space around it.
        !self.text.starts_with('{')
    }
}

/// How much to hand out at once. At least one line is given, however long.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Page {
    /// Most lines.
    pub lines: usize,
    /// Most bytes of text.
    pub bytes: usize,
}

/// So many lines are asked for at once where an answer is held in memory whole.
const AT_ONCE: usize = 256;
/// The same of rows that have no text.
const SIZES_AT_ONCE: usize = 4_096;

impl Page {
    /// Everything.
    pub const ALL: Self = Self { lines: i64::MAX as usize, bytes: usize::MAX };
}

/// What the next commit of an actor stands on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Basis {
    /// The book's heads and the actor's own last commit, ascending.
    pub deps: Vec<CommitHash>,
    /// The actor's next sequence number.
    pub seq: u64,
    /// The next operation number.
    pub start_op: u64,
}

pub(crate) fn to_sql(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

pub(crate) fn from_sql(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}

pub(crate) fn book_id(bytes: [u8; 16]) -> Option<BookId> {
    // The id type has one way in, its text form; the store keeps the sixteen bytes.
    let hex: String = bytes.iter().map(|b| format!("{b:02x}")).collect();
    let parts = [hex.get(..8)?, hex.get(8..12)?, hex.get(12..16)?, hex.get(16..20)?, hex.get(20..)?];
    parts.join("-").parse().ok()
}

fn book_row(row: &Row<'_>) -> bolebook_db::Result<BookInfo> {
    let wrong = bolebook_db::Error::column;
    let book = book_id(row.get(0)?).ok_or_else(|| wrong(0, "book_id"))?;
    let kind = match row.text(1)? {
        "yard" => BookKind::Yard,
        "job" => BookKind::Job,
        _ => return Err(wrong(1, "kind")),
    };
    let heads: Vec<u8> = row.get(4)?;
    let (heads, rest) = heads.as_chunks::<32>();
    if !rest.is_empty() {
        return Err(wrong(4, "heads"));
    }
    Ok(BookInfo {
        book,
        kind,
        end: Cursor { position: from_sql(row.get(2)?), chain: Sha256Hash(row.get(3)?) },
        heads: heads.iter().map(|h| CommitHash(*h)).collect(),
        last_op: from_sql(row.get(5)?),
    })
}

/// Every book, ascending by id.
///
/// # Errors
/// [`LogError::Database`].
pub fn books(db: &Connection) -> Result<Vec<BookInfo>, LogError> {
    let mut query = db.prepare_cached(sql::BOOKS)?;
    let rows = query.query_map([], book_row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Where a book stands, if the log has it.
///
/// # Errors
/// [`LogError::Database`].
pub fn book(db: &Connection, book: BookId) -> Result<Option<BookInfo>, LogError> {
    let mut query = db.prepare_cached(sql::BOOK)?;
    Ok(query.query_row([book.as_bytes()], book_row).optional()?)
}

/// The same for a transaction that is about to append: nobody else does before it ends.
pub(crate) fn book_taken(db: &Connection, book: BookId) -> Result<Option<BookInfo>, LogError> {
    let statement = if db.is_shared() { sql::BOOK_TAKEN } else { sql::BOOK };
    let mut query = db.prepare_cached(statement)?;
    Ok(query.query_row([book.as_bytes()], book_row).optional()?)
}

/// The lines after a position, in order, as many as the page holds.
///
/// # Errors
/// [`LogError::Database`].
pub fn read(db: &Connection, book: BookId, after: u64, page: Page) -> Result<Vec<StoredLine>, LogError> {
    read_but(db, book, after, page, |_| false)
}

/// The same without the texts of the lines that somebody has, of which only the place is asked.
pub(crate) fn read_but(
    db: &Connection,
    book: BookId,
    after: u64,
    page: Page,
    has: impl Fn(&Sha256Hash) -> bool,
) -> Result<Vec<StoredLine>, LogError> {
    let mut query = db.prepare_cached(stored::lines(db)?)?;
    let (mut lines, mut bytes) = (Vec::new(), 0usize);
    loop {
        // A file is read as far as it is asked; a server sends all that was asked for.
        let most = if db.is_shared() { AT_ONCE.min(page.lines - lines.len()) } else { page.lines };
        let limit = i64::try_from(most).unwrap_or(i64::MAX);
        let from = lines.last().map_or(after, |l: &StoredLine| l.position);
        let mut rows = query.query(params![book.as_bytes(), to_sql(from), limit])?;
        let mut came = 0;
        while let Some(row) = rows.next()? {
            let position: i64 = row.get(0)?;
            let hash = Sha256Hash(row.get(1)?);
            let text = if has(&hash) { String::new() } else { stored::text(db, (book, position), &row, 3)? };
            bytes = bytes.saturating_add(text.len());
            if bytes > page.bytes && !lines.is_empty() {
                return Ok(lines);
            }
            let chain = Sha256Hash(row.get(2)?);
            lines.push(StoredLine { position: from_sql(position), hash, chain, text });
            came += 1;
        }
        if came < most || !db.is_shared() || lines.len() >= page.lines {
            return Ok(lines);
        }
    }
}

/// Where [`read_but`] would end, and with how many bytes of text, without reading a text.
pub(crate) fn measure(
    db: &Connection,
    book: BookId,
    after: u64,
    page: Page,
    has: impl Fn(&Sha256Hash) -> bool,
) -> Result<(Option<Cursor>, usize), LogError> {
    let mut query = db.prepare_cached(stored::sizes(db)?)?;
    let (mut end, mut count, mut bytes) = (None, 0, 0usize);
    loop {
        let most = if db.is_shared() { SIZES_AT_ONCE.min(page.lines - count) } else { page.lines };
        let limit = i64::try_from(most).unwrap_or(i64::MAX);
        let from = end.map_or(after, |end: Cursor| end.position);
        let mut rows = query.query(params![book.as_bytes(), to_sql(from), limit])?;
        let mut came = 0;
        while let Some(row) = rows.next()? {
            let position: i64 = row.get(0)?;
            let own = has(&Sha256Hash(row.get(1)?));
            let size = if own { 0 } else { stored::size(db, (book, position), &row, 3)? };
            let with = bytes.saturating_add(size);
            if with > page.bytes && end.is_some() {
                return Ok((end, bytes));
            }
            bytes = with;
            end = Some(Cursor { position: from_sql(position), chain: Sha256Hash(row.get(2)?) });
            came += 1;
        }
        count += came;
        if came < most || !db.is_shared() || count >= page.lines {
            return Ok((end, bytes));
        }
    }
}

/// The chain at a position, if the log reaches it.
///
/// # Errors
/// [`LogError::Database`].
pub fn chain_at(db: &Connection, book: BookId, position: u64) -> Result<Option<Sha256Hash>, LogError> {
    if position == 0 {
        return Ok(Some(CHAIN_START));
    }
    let mut query = db.prepare_cached(sql::CHAIN_AT)?;
    let row = query.query_row(params![book.as_bytes(), to_sql(position)], |row| row.get(0));
    Ok(row.optional()?.map(Sha256Hash))
}

pub(crate) fn commit_row(
    db: &Connection,
    book: BookId,
    hash: CommitHash,
) -> Result<Option<(Known, u64)>, LogError> {
    let mut query = db.prepare_cached(sql::COMMIT)?;
    let row = query.query_row(params![book.as_bytes(), hash.0], |row| {
        let (seq, last_op) = (from_sql(row.get(1)?), from_sql(row.get(2)?));
        Ok((Known { actor: ActorId(row.get(0)?), seq, last_op }, from_sql(row.get(3)?)))
    });
    Ok(row.optional()?)
}

/// Where a commit stands, if the log has it.
///
/// # Errors
/// [`LogError::Database`].
pub fn commit_position(db: &Connection, book: BookId, hash: CommitHash) -> Result<Option<u64>, LogError> {
    Ok(commit_row(db, book, hash)?.map(|(_, position)| position))
}

pub(crate) fn chain_end(
    db: &Connection,
    book: BookId,
    actor: ActorId,
) -> Result<Option<(u64, CommitHash)>, LogError> {
    let mut query = db.prepare_cached(sql::ACTOR)?;
    let row = query.query_row(params![book.as_bytes(), actor.0], |row| {
        Ok((from_sql(row.get(0)?), CommitHash(row.get(1)?)))
    });
    Ok(row.optional()?)
}

/// Whether the log has this very line.
///
/// # Errors
/// [`LogError::Database`].
pub fn has_line(db: &Connection, book: BookId, line: &LogLine) -> Result<bool, LogError> {
    match line.entry() {
        Entry::Commit(commit) => Ok(commit_row(db, book, commit.hash())?.is_some()),
        Entry::Signature(_) => {
            let mut query = db.prepare_cached(sql::SIGNATURE)?;
            Ok(query.exists(params![book.as_bytes(), line.hash().0])?)
        }
    }
}

/// What the next commit of `actor` stands on; in a book the log does not have, on nothing.
///
/// Of more heads than a commit may depend on, the first are taken; the next commits take the rest.
///
/// # Errors
/// [`LogError::Database`].
pub fn basis(db: &Connection, id: BookId, actor: ActorId) -> Result<Basis, LogError> {
    let Some(info) = book(db, id)? else {
        return Ok(Basis { deps: vec![], seq: 1, start_op: 1 });
    };
    let own = chain_end(db, id, actor)?;
    let (mut deps, mut last_op) = (info.heads, info.last_op);
    if deps.len() >= MAX_DEPS {
        deps.truncate(MAX_DEPS - 1);
        last_op = 0;
        for hash in deps.iter().chain(own.iter().map(|(_, hash)| hash)) {
            last_op = last_op.max(commit_row(db, id, *hash)?.map_or(0, |(known, _)| known.last_op));
        }
    }
    let mut seq = 1;
    if let Some((last, hash)) = own {
        seq = last + 1;
        if let Err(place) = deps.binary_search(&hash) {
            deps.insert(place, hash);
        }
    }
    Ok(Basis { deps, seq, start_op: last_op + 1 })
}

/// Where a record id stands; more than once when commits repeat it.
///
/// # Errors
/// [`LogError::Database`].
pub fn record_positions(db: &Connection, book: BookId, record: RecordId) -> Result<Vec<u64>, LogError> {
    let mut query = db.prepare_cached(sql::RECORD)?;
    let rows =
        query.query_map(params![book.as_bytes(), record.as_bytes()], |row| row.get(0).map(from_sql))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// A book's genesis.
///
/// # Errors
/// [`LogError::NoBook`], or [`LogError::Damaged`] when position 1 is not its genesis.
pub fn genesis(db: &Connection, book: BookId) -> Result<Genesis, LogError> {
    let first = read(db, book, 0, Page { lines: 1, bytes: usize::MAX })?;
    let first = first.first().ok_or(LogError::NoBook(book))?;
    let damaged = |why: String| LogError::Damaged { book, position: 1, why };
    match LogLine::parse(&first.text).map_err(|e| damaged(e.to_string()))?.entry() {
        Entry::Commit(commit) => genesis_of(commit, book).map_err(|e| damaged(e.to_string())),
        Entry::Signature(_) => Err(damaged("a book begins with its genesis".into())),
    }
}
