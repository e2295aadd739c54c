//! The exchange: one round trip, several books, all or nothing.

use std::collections::{BTreeMap, BTreeSet};

use axum::extract::{Request, State};
use axum::http::StatusCode;
use axum::response::Response;
use bolebook_core::authority::verify_genesis;
use bolebook_core::exchange::{
    AnswerStart, BookAnswer, BookRequest, Cursor, EXCHANGE_VERSION, Entry, LogLine, MAX_BODY_BYTES,
    MEDIA_TYPE, code,
};
use bolebook_core::gate::genesis_of;
use bolebook_core::ids::{BookId, DeviceId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::BookContent;
use bolebook_core::record::people::Role;
use bolebook_db::{Connection, Transaction};
use bolebook_log::serve::{CursorCheck, Own, check_cursor, extent, hand_out};
use bolebook_log::{Appended, Page, append};

use crate::answer::{self, Offered, Part};
use crate::auth::Caller;
use crate::body::{self, Encoding, ExchangeBody, json_line};
use crate::error::ApiError;
use crate::grown::Run;
use crate::photos::held;
use crate::receipt::{self, Delivery};
use crate::state::{App, Inner};

/// Takes in what the client offers and hands out what it lacks. The answer comes after the
/// transaction is on the disk.
#[utoipa::path(post, path = "/v1/exchange", tag = "exchange", security(("token" = [])),
    request_body(content = String, content_type = "application/x-ndjson",
        description = "Lines of JSON as docs/exchange-protocol.md says; content-encoding zstd, gzip or identity"),
    responses((status = 200, description = "Lines of JSON", body = String, content_type = "application/x-ndjson"),
        (status = 403, description = "book-refused: the office has not opened a book of the request to the device, or there is none; nothing was changed", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 409, description = "chain-mismatch, unknown-dependency, actor-forked, sequence-gap, other-server: nothing was changed", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 413, description = "Too large, packed or unpacked: nothing was changed", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 429, description = "quota: an author has added as much as an hour allows; nothing was changed", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 422, description = "A line the gate refuses: nothing was changed", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn exchange(
    State(app): State<App>,
    caller: Caller,
    request: Request,
) -> Result<Response, ApiError> {
    body::content_type(request.headers(), MEDIA_TYPE)?;
    let encoding = Encoding::of_body(request.headers())?;
    let answer_encoding = Encoding::of_answer(request.headers());
    let packed = body::whole(request.into_body(), MAX_BODY_BYTES).await?;
    let room = app.room.clone().acquire_owned().await.map_err(|e| ApiError::internal(&e))?;
    let work = app.blocking(move |app| {
        let _room = room;
        let asked = body::read_exchange(&packed, encoding)?;
        drop(packed);
        let now = app.now();
        let start = AnswerStart { exchange: EXCHANGE_VERSION, server: app.identity.device(), now };
        let mut start = json_line(&start)?;
        Ok(match answer(app, caller, asked, now)? {
            Answer::Whole(text) => {
                start.push_str(&text);
                Ready::Whole(body::lines(start, answer_encoding)?)
            }
            Answer::InParts(parts) => Ready::InParts(start, parts),
        })
    });
    Ok(match work.await? {
        Ready::Whole(response) => response,
        Ready::InParts(start, parts) => answer::send(app, start, parts, answer_encoding),
    })
}

/// What there is to say, all that was offered being on the disk.
enum Answer {
    /// The lines after the opening one.
    Whole(String),
    /// More than is made at once.
    InParts(Vec<Part>),
}

/// The same, the short one packed.
enum Ready {
    Whole(Response),
    InParts(String, Vec<Part>),
}

fn answer(app: &Inner, caller: Caller, asked: ExchangeBody, now: UtcMs) -> Result<Answer, ApiError> {
    if asked.books.iter().all(|(_, lines)| lines.is_empty()) {
        // Nothing to take in: a reader's snapshot does, and does not wait for writers.
        return app.read(|db| {
            let reach = caller.reach(app, db)?;
            for (request, _) in &asked.books {
                reach.may_read(request.book)?;
                cursor(app, db, request)?;
            }
            hand_out_all(app, db, &asked, &[])
        });
    }
    let delivery = Delivery { by: caller.device, at: now, device_now: asked.start.now };
    let mut counted = BTreeSet::new();
    // What is written belongs to the books that lines are offered for; what is only read (who may have which
    // book, what the others brought) was true at some moment of this request, as it would be without them.
    let into: Vec<BookId> =
        asked.books.iter().filter(|(_, lines)| !lines.is_empty()).map(|(b, _)| b.book).collect();
    let (answer, taken) = app.write_into(&into, |tx| {
        let taken = take_in(app, tx, &asked, (caller, &mut counted), delivery)?;
        let yard = asked.books.iter().zip(&taken).find(|((b, _), _)| b.book == app.identity.yard);
        if yard.is_some_and(|(_, taken)| !taken.appended.new.is_empty()) {
            app.findings.forget();
        }
        let answer = hand_out_all(app, tx, &asked, &taken)?;
        if app.is_shared() {
            // Another server may have closed a book and written into it since it was looked at.
            let reach = caller.reach(app, tx)?;
            asked.books.iter().try_for_each(|(request, _)| reach.may_read(request.book))?;
        }
        Ok((answer, taken))
    })?;
    app.metrics.took(taken.iter().map(|taken| taken.counts().0).sum());
    let brought = asked.books.into_iter().zip(taken);
    let mut with_photos = vec![];
    for ((BookRequest { book, .. }, lines), taken) in brought.filter(|(_, t)| !t.appended.new.is_empty()) {
        with_photos.extend(lines.iter().any(|line| held::may_name(line.text())).then_some(book));
        app.fresh.put(Run::of(book, &taken.appended, lines));
        taken.receipt.into_iter().for_each(|run| app.fresh.put(run));
        app.findings.changed(book, app.identity.yard);
    }
    // Last: a database in trouble holds nobody's findings back.
    held::tell_what_came_meanwhile(app, with_photos.into_iter());
    Ok(answer)
}

/// What became of a book's lines.
struct Taken {
    appended: Appended,
    receipt: Vec<Run>,
}

impl Taken {
    /// How many were new, and how many known.
    fn counts(&self) -> (u64, u64) {
        (self.appended.new.len() as u64, self.appended.known)
    }
}

/// Appends every book's lines and the server's receipts.
fn take_in(
    app: &Inner,
    tx: &Transaction<'_>,
    asked: &ExchangeBody,
    (caller, counted): (Caller, &mut BTreeSet<BookId>),
    delivery: Delivery,
) -> Result<Vec<Taken>, ApiError> {
    // Read before anything is written, for it is kept beyond this transaction.
    app.directory(tx)?;
    let mut reach = caller.reach(app, tx)?;
    let mut taken = vec![];
    for (request, lines) in &asked.books {
        reach.may_read(request.book)?;
        cursor(app, tx, request)?;
        if !lines.is_empty() && bolebook_log::book(tx, request.book)?.is_none() {
            may_open(app, tx, request.book, lines)?;
        }
        let appended = append(tx, request.book, lines)?;
        let new = || appended.new.iter().filter_map(|i| lines.get(*i));
        // Counted once, however often the database asks for it again.
        if !counted.contains(&request.book) {
            count(app, caller, new(), delivery.at)?;
            counted.insert(request.book);
        }
        if reach.is_old_after(request.book, new()) {
            reach = caller.reach_anew(app, tx)?;
        }
        let receipt = receipt::write(app, tx, request.book, &appended, lines, delivery)?;
        taken.push(Taken { appended, receipt });
    }
    // What came with this request may have closed a book that stands before the yard's in it.
    asked.books.iter().try_for_each(|(request, _)| reach.may_read(request.book))?;
    Ok(taken)
}

/// Counts what was added against its authors' quotas. What a crew's device brings counts as its own,
/// whatever author it names: nobody can use another's quota up. Office and servers pass others' on.
pub fn count<'a>(
    app: &Inner,
    caller: Caller,
    added: impl Iterator<Item = &'a LogLine>,
    now: UtcMs,
) -> Result<(), ApiError> {
    let mut bytes: BTreeMap<DeviceId, u64> = BTreeMap::new();
    for line in added {
        let author = match line.entry() {
            Entry::Commit(commit) if caller.role != Role::Crew => commit.actor().device(),
            _ => caller.device,
        };
        *bytes.entry(author).or_default() += line.text().len() as u64;
    }
    for (device, sum) in bytes {
        app.quota.add(device, sum, now).map_err(|wait| ApiError::over_quota(device, wait))?;
    }
    Ok(())
}

fn cursor(app: &Inner, db: &Connection, request: &BookRequest) -> Result<(), ApiError> {
    let conflict =
        |code: &str, detail: &str| ApiError::new(StatusCode::CONFLICT, code, detail).at(request.book, None);
    match check_cursor(db, app.identity.device(), request)? {
        CursorCheck::Holds => Ok(()),
        CursorCheck::OtherServer => Err(conflict(
            code::OTHER_SERVER,
            "the cursor is of another server: use the one kept for this server",
        )),
        CursorCheck::Mismatch { end } => {
            let detail = "this log never had that chain there: it was restored from an older state. Pull from position 0, then push what it lacks";
            Err(conflict(code::CHAIN_MISMATCH, detail).with(|problem| {
                problem.end = Some(end.position);
                problem.chain = Some(end.chain);
            }))
        }
    }
}

/// A new book is opened by a genesis that carries the pinned root key's signature: the office's own
/// word, whoever brings it. So a crew or a hub can bring a book back to a restored server.
fn may_open(app: &Inner, tx: &Transaction<'_>, book: BookId, lines: &[LogLine]) -> Result<(), ApiError> {
    let refused = |code: &str, detail: String| {
        ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, code, detail).at(book, Some(0))
    };
    let Some(Entry::Commit(commit)) = lines.first().map(LogLine::entry) else {
        return Err(refused("not-genesis", "a new book begins with its genesis commit".into()));
    };
    // A commit in the middle of a book this server lost: the client starts again and sends it whole.
    if let Some(missing) = commit.deps().first() {
        let detail = "this server does not have the book: send it from its genesis on";
        let error = ApiError::new(StatusCode::CONFLICT, code::UNKNOWN_DEPENDENCY, detail).at(book, Some(0));
        return Err(error.with(|problem| problem.hash = Some(*missing)));
    }
    let genesis = genesis_of(commit, book).map_err(|e| refused(e.code(), e.to_string()))?;
    let signatures = lines.iter().filter_map(|line| match line.entry() {
        Entry::Signature(signed) => Some(signed),
        Entry::Commit(_) => None,
    });
    verify_genesis(&genesis, commit, signatures, &app.identity.root)
        .map_err(|e| refused("genesis-unproven", e.to_string()))?;
    let yard = app.identity.yard;
    match &genesis.content {
        BookContent::Yard { .. } if book != yard => {
            return Err(refused("other-yard", format!("this server serves yard {yard}")));
        }
        BookContent::Job(job) if job.yard != yard => {
            return Err(refused("other-yard", format!("this server serves yard {yard}")));
        }
        BookContent::Job(_) if bolebook_log::book(tx, yard)?.is_none() => {
            let detail = "the yard book comes first";
            return Err(ApiError::new(StatusCode::CONFLICT, "yard-first", detail).at(book, None));
        }
        _ => {}
    }
    Ok(())
}

/// What comes after each cursor: at once where it is short, else how far it goes. Either way the answer ends
/// where the log ends now.
fn hand_out_all(
    app: &Inner,
    db: &Connection,
    asked: &ExchangeBody,
    taken: &[Taken],
) -> Result<Answer, ApiError> {
    if let Some(text) = whole(app, db, asked, taken)? {
        return Ok(Answer::Whole(text));
    }
    let mut parts = vec![];
    let mut room: Page = app.config.page;
    for (index, (request, lines)) in asked.books.iter().enumerate() {
        let own = Own::of(lines);
        let after = Cursor { position: request.position, chain: request.chain };
        let appended = taken.get(index).map(|taken| &taken.appended);
        // As far as pieces are there that have none of the asker's own lines.
        let others = match appended {
            Some(appended) if appended.known > 0 => 0,
            Some(appended) if !appended.new.is_empty() => appended.before.position,
            _ => u64::MAX,
        };
        let (from, there) = app.answers.lead(db, request.book, (after, others), room)?;
        let (head, bytes) = goes_to(db, request, from, &own, (room, there))?;
        take_room(&mut room, &head, bytes);
        let offered = match appended {
            Some(appended) if appended.known > 0 => Offered::Scattered(own),
            Some(appended) => Offered::Run { before: appended.before, end: appended.end },
            None => Offered::Run { before: Cursor::START, end: Cursor::START },
        };
        parts.push(Part { head: counted(app, head, taken.get(index)), after, offered });
    }
    Ok(Answer::InParts(parts))
}

/// How far an answer goes in a book, and with how many bytes: up to a place its bytes are known, from there on
/// they are measured.
fn goes_to(
    db: &Connection,
    request: &BookRequest,
    from: Cursor,
    own: &Own,
    (room, there): (Page, usize),
) -> Result<(BookAnswer, usize), ApiError> {
    let rest = BookRequest { position: from.position, chain: from.chain, ..*request };
    let lines = usize::try_from(from.position - request.position).unwrap_or(usize::MAX);
    let left = Page { lines: room.lines.saturating_sub(lines), bytes: room.bytes.saturating_sub(there) };
    let (mut head, mut bytes) = extent(db, &rest, own, left)?;
    if bytes > left.bytes && lines > 0 {
        // One line is given however long it is, but it is not the first here.
        (head, bytes) = extent(db, &rest, own, Page { lines: 0, bytes: 0 })?;
    }
    Ok((BookAnswer { from: request.position, ..head }, there + bytes))
}

/// The same in one text; nothing where it is too long for that.
fn whole(
    app: &Inner,
    db: &Connection,
    asked: &ExchangeBody,
    taken: &[Taken],
) -> Result<Option<String>, ApiError> {
    let mut others = 0;
    for (index, (request, lines)) in asked.books.iter().enumerate() {
        let end = bolebook_log::book(db, request.book)?.map_or(0, |book| book.end.position);
        // Of those that it offered itself none is sent, wherever they stand.
        let own = lines.len().max(taken.get(index).map_or(0, |taken| taken.appended.new.len()));
        others += end.saturating_sub(request.position).saturating_sub(own as u64);
    }
    if others > answer::PIECE.lines as u64 {
        return Ok(None);
    }
    let mut text = String::new();
    let (mut room, mut left) = (app.config.page, answer::PIECE.bytes);
    for (index, (request, lines)) in asked.books.iter().enumerate() {
        let page = Page { bytes: room.bytes.min(left), ..room };
        let out = hand_out(db, request, lines, page)?;
        let beyond = out.head.more || out.body.len() > page.bytes;
        if beyond && page.bytes < room.bytes {
            return Ok(None);
        }
        take_room(&mut room, &out.head, out.body.len());
        left = left.saturating_sub(out.body.len());
        text.push_str(&json_line(&counted(app, out.head, taken.get(index)))?);
        text.push_str(&out.body);
    }
    Ok(Some(text))
}

/// The head of a book's part with what became of what was offered.
fn counted(app: &Inner, head: BookAnswer, taken: Option<&Taken>) -> BookAnswer {
    let (appended, known) = taken.map(Taken::counts).unwrap_or_default();
    BookAnswer { appended, known, findings_to: app.findings.position(head.book), ..head }
}

fn take_room(room: &mut Page, head: &BookAnswer, bytes: usize) {
    room.lines = room.lines.saturating_sub(usize::try_from(head.end - head.from).unwrap_or(usize::MAX));
    room.bytes = room.bytes.saturating_sub(bytes);
    if room.bytes == 0 {
        room.lines = 0;
    }
}
