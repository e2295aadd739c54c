//! A server's or hub's answer to an exchange, without HTTP: the steps of the shipped handler
//! (`sync-server/src/handlers/exchange.rs`, `rescue.rs`, `receipt.rs`) over the shipped log. Tokens, limits and
//! compression are for the tests that run the real server.

use std::collections::BTreeMap;

use bolebook_core::authority::verify_genesis;
use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::{
    AnswerStart, BookAnswer, BookRequest, EXCHANGE_VERSION, Entry, LogLine, Problem, RequestLine,
    RequestStart, code,
};
use bolebook_core::gate::{Refusal, genesis_of};
use bolebook_core::ids::{ActorId, BookId, DeviceId, RecordId};
use bolebook_core::quantity::{Ms, UtcMs};
use bolebook_core::record::book_kinds::Receipt;
use bolebook_core::record::{Envelope, Record};
use bolebook_core::signing::{HeadSignature, PublicKey, SecretKey};
use bolebook_db::{Connection, Transaction, TransactionBehavior};
use bolebook_log::serve::{CursorCheck, arrived, check_cursor, hand_out};
use bolebook_log::{Appended, LogError, Page, Rescuer, append, basis, rescue};

use crate::sim::dice::Dice;
use crate::sim::{Sabotage, cast};

/// Who answers, and how.
pub struct Serving<'a> {
    /// Its key.
    pub key: &'a SecretKey,
    /// Its clock.
    pub now: UtcMs,
    /// How much it hands out at once.
    pub page: Page,
    /// The keys of certified devices.
    pub keys: &'a BTreeMap<DeviceId, PublicKey>,
    /// What is broken on purpose.
    pub sabotage: Option<Sabotage>,
}

/// How an exchange ended for the server.
pub enum Ended {
    /// 2xx, with the body and the lines it acknowledges.
    Answered(String, Vec<(BookId, Vec<LogLine>)>),
    /// Refused, nothing changed.
    Refused(Box<Problem>),
    /// The power went at the commit.
    PowerCut(LogError),
}

enum Stop {
    Problem(Box<Problem>),
    Log(LogError),
}

/// The lines appended to each book.
type PerBook = Vec<(BookId, Vec<LogLine>)>;

impl From<LogError> for Stop {
    fn from(error: LogError) -> Self {
        Self::Log(error)
    }
}

impl From<bolebook_db::Error> for Stop {
    fn from(error: bolebook_db::Error) -> Self {
        Self::Log(error.into())
    }
}

fn ended(done: Result<(String, PerBook), Stop>) -> Ended {
    match done {
        Ok((text, acknowledged)) => Ended::Answered(text, acknowledged),
        Err(Stop::Problem(problem)) => Ended::Refused(problem),
        Err(Stop::Log(LogError::Refused { book, line, hash, refusal })) => {
            let conflict = matches!(
                *refusal,
                Refusal::UnknownDependency(_) | Refusal::Fork { .. } | Refusal::Sequence { .. }
            );
            Ended::Refused(Box::new(Problem {
                status: if conflict { 409 } else { 422 },
                code: refusal.code().into(),
                detail: refusal.to_string(),
                book: Some(book),
                line: Some(line as u64),
                hash: Some(hash),
                ..Problem::default()
            }))
        }
        Err(Stop::Log(error @ LogError::Database(_))) => Ended::PowerCut(error),
        Err(Stop::Log(error)) => panic!("a server's own log failed: {error}"),
    }
}

fn problem(status: u16, code: &str, detail: String, book: Option<BookId>) -> Stop {
    Stop::Problem(Box::new(Problem { status, code: code.into(), detail, book, ..Problem::default() }))
}

type Asked = (RequestStart, Vec<(BookRequest, Vec<LogLine>)>);

impl Serving<'_> {
    /// Takes in what a request offers and hands out what its sender lacks.
    pub fn answer(&self, db: &mut Connection, dice: &mut Dice, by: DeviceId, body: &[u8]) -> Ended {
        ended(self.exchange(db, dice, by, body))
    }

    /// Puts back what the log could not take in because an actor forked.
    pub fn rescue(&self, db: &mut Connection, dice: &mut Dice, by: DeviceId, body: &[u8]) -> Ended {
        ended(self.put_back(db, dice, by, body))
    }

    fn put_back(
        &self,
        db: &mut Connection,
        dice: &mut Dice,
        by: DeviceId,
        body: &[u8],
    ) -> Result<(String, PerBook), Stop> {
        let (start, asked) = read_body(body)?;
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        for (request, lines) in &asked {
            let book = request.book;
            let Some(before) = bolebook_log::book(&tx, book)? else {
                return Err(problem(404, "not-found", "the server has no such book".into(), Some(book)));
            };
            let actor = ActorId::new(self.key.device(), dice.bytes());
            let key_of = |device: DeviceId| self.keys.get(&device).cloned();
            let rescuer =
                Rescuer { key: self.key, actor, now: self.now, seed: dice.bytes(), key_of: &key_of };
            let done = rescue(&tx, book, lines, &rescuer)?;
            let appended = Appended { before: before.end, end: before.end, new: done.new, known: done.known };
            self.receipt(&tx, dice, book, &appended, lines, (by, start.now))?;
        }
        if self.sabotage == Some(Sabotage::RescueNothing) {
            tx.rollback()?;
        } else {
            tx.commit()?;
        }
        // Evidence stands in the log by its records: no line of it is acknowledged as a line.
        Ok((String::new(), vec![]))
    }

    fn exchange(
        &self,
        db: &mut Connection,
        dice: &mut Dice,
        by: DeviceId,
        body: &[u8],
    ) -> Result<(String, PerBook), Stop> {
        let (start, asked) = read_body(body)?;
        let server = self.key.device();
        let mut text = json_line(&AnswerStart { exchange: EXCHANGE_VERSION, server, now: self.now });
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut counts = vec![];
        for (request, lines) in &asked {
            cursor(&tx, server, request)?;
            if !lines.is_empty() && bolebook_log::book(&tx, request.book)?.is_none() {
                may_open(request.book, lines)?;
            }
            self.refuse_on_purpose(request.book, lines)?;
            let appended = append(&tx, request.book, lines)?;
            self.receipt(&tx, dice, request.book, &appended, lines, (by, start.now))?;
            counts.push((appended.new.len() as u64, appended.known));
        }
        let mut room = self.page;
        for ((request, lines), (appended, known)) in asked.iter().zip(counts) {
            let out = hand_out(&tx, request, lines, room)?;
            let head = BookAnswer { appended, known, ..out.head };
            room.lines =
                room.lines.saturating_sub(usize::try_from(head.end - head.from).unwrap_or(usize::MAX));
            text.push_str(&json_line(&head));
            text.push_str(&out.body);
        }
        if self.sabotage == Some(Sabotage::AcknowledgeBeforeCommit) && dice.chance(50) {
            tx.rollback()?;
        } else {
            tx.commit()?;
        }
        Ok((text, asked.into_iter().map(|(request, lines)| (request.book, lines)).collect()))
    }

    /// A server that judges content: what must never be.
    fn refuse_on_purpose(&self, book: BookId, lines: &[LogLine]) -> Result<(), Stop> {
        let unreadable = |line: &LogLine| match line.entry() {
            Entry::Commit(commit) => commit.records().iter().any(|text| Record::read(text).is_err()),
            Entry::Signature(_) => false,
        };
        if self.sabotage == Some(Sabotage::RefuseContent) && lines.iter().any(unreadable) {
            return Err(problem(422, "record-unreadable", "sabotage".into(), Some(book)));
        }
        Ok(())
    }

    fn receipt(
        &self,
        tx: &Transaction<'_>,
        dice: &mut Dice,
        book: BookId,
        appended: &Appended,
        offered: &[LogLine],
        (delivered_by, device_now): (DeviceId, UtcMs),
    ) -> Result<(), Stop> {
        let through = arrived(appended, offered);
        if through.is_empty() {
            return Ok(());
        }
        let receipt = Receipt {
            delivered_by,
            arrived_at: self.now,
            clock_offset_ms: Ms(device_now.0.saturating_sub(self.now.0)),
            through,
        };
        let id = RecordId::new(self.now.0, dice.bytes());
        let device = self.key.device();
        let envelope = Envelope { id, at: self.now, device, by: None, replaces: vec![] };
        let records = vec![Record { envelope, body: receipt.into() }.to_canonical().unwrap()];
        let actor = ActorId::new(device, dice.bytes());
        let on = basis(tx, book, actor)?;
        let draft =
            Draft { actor, seq: on.seq, start_op: on.start_op, time: self.now, deps: on.deps, records };
        let commit = Commit::author(draft).unwrap();
        let signed = HeadSignature::sign(self.key, book, actor, commit.seq(), commit.hash());
        append(tx, book, &[commit.into(), signed.into()])?;
        Ok(())
    }
}

fn read_body(body: &[u8]) -> Result<Asked, Stop> {
    let bad = |code: &str, detail: String| problem(400, code, detail, None);
    if body.last() != Some(&b'\n') {
        return Err(bad("body-cut", "the last line has no end".into()));
    }
    let text = std::str::from_utf8(body).map_err(|e| bad("not-utf-8", e.to_string()))?;
    let (mut start, mut books): (Option<RequestStart>, Vec<(BookRequest, Vec<LogLine>)>) = (None, vec![]);
    for line in text.lines() {
        let line = RequestLine::parse(line).map_err(|e| bad(e.code(), e.to_string()))?;
        match (line, start) {
            (RequestLine::Start(first), None) => start = Some(first),
            (RequestLine::Book(book), Some(_)) => books.push((book, vec![])),
            (RequestLine::Log(line), Some(_)) => match books.last_mut() {
                Some((_, lines)) => lines.push(line),
                None => return Err(bad("line-order", "a line of no book".into())),
            },
            _ => return Err(bad("line-order", "no opening line".into())),
        }
    }
    let start = start.ok_or_else(|| bad("line-order", "no opening line".into()))?;
    Ok((start, books))
}

fn cursor(db: &Connection, server: DeviceId, request: &BookRequest) -> Result<(), Stop> {
    match check_cursor(db, server, request)? {
        CursorCheck::Holds => Ok(()),
        CursorCheck::OtherServer => {
            Err(problem(409, code::OTHER_SERVER, "another server's cursor".into(), Some(request.book)))
        }
        CursorCheck::Mismatch { .. } => {
            Err(problem(409, code::CHAIN_MISMATCH, "not of this log".into(), Some(request.book)))
        }
    }
}

fn may_open(book: BookId, lines: &[LogLine]) -> Result<(), Stop> {
    let refused = |detail: &str| problem(422, "not-genesis", detail.into(), Some(book));
    let Some(Entry::Commit(commit)) = lines.first().map(LogLine::entry) else {
        return Err(refused("a new book begins with its genesis"));
    };
    if !commit.deps().is_empty() {
        return Err(problem(409, code::UNKNOWN_DEPENDENCY, "send the book whole".into(), Some(book)));
    }
    let genesis = genesis_of(commit, book).map_err(|e| refused(&e.to_string()))?;
    let signatures = lines.iter().filter_map(|line| match line.entry() {
        Entry::Signature(signed) => Some(signed),
        Entry::Commit(_) => None,
    });
    verify_genesis(&genesis, commit, signatures, &cast::root_key())
        .map_err(|e| problem(422, "genesis-unproven", e.to_string(), Some(book)))
}

fn json_line(value: &impl serde::Serialize) -> String {
    let mut line = serde_json::to_string(value).unwrap();
    line.push('\n');
    line
}
