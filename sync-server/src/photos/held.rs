//! Which photos are held, which records name them, and what the books were told of it.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::ids::{BookId, DeviceId, RecordId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::PhotoReceived;
use bolebook_core::record::{Body, Record};
use bolebook_core::service::PhotoStored;
use bolebook_db::{Connection, Transaction, params};
use bolebook_log::{LogError, Page, StoredLine};
use bolebook_objects::{Area, Key, ObjectError, Objects};

use crate::error::ApiError;
use crate::photos::remove;
use crate::receipt;
use crate::state::Inner;

/// Lays the tables out. All but `photos` can be worked out again from the logs.
pub const CREATE: &str = "
    CREATE TABLE IF NOT EXISTS photos (
        sha256 TEXT PRIMARY KEY,
        bytes INTEGER NOT NULL,
        device TEXT NOT NULL,
        at INTEGER NOT NULL
    ) WITHOUT ROWID;
    CREATE TABLE IF NOT EXISTS photo_types (sha256 TEXT PRIMARY KEY, media_type TEXT NOT NULL) WITHOUT ROWID;
    CREATE INDEX IF NOT EXISTS photos_of_device ON photos (device, at);
    CREATE TABLE IF NOT EXISTS photo_records (
        sha256 TEXT NOT NULL,
        book TEXT NOT NULL,
        record TEXT NOT NULL,
        PRIMARY KEY (sha256, book, record)
    ) WITHOUT ROWID;
    CREATE INDEX IF NOT EXISTS photo_records_of_book ON photo_records (book);
    CREATE TABLE IF NOT EXISTS photo_index (book TEXT PRIMARY KEY, position INTEGER NOT NULL) WITHOUT ROWID;
    CREATE TABLE IF NOT EXISTS photo_passed_over (
        book TEXT NOT NULL,
        position INTEGER NOT NULL,
        PRIMARY KEY (book, position)
    ) WITHOUT ROWID;
    CREATE TABLE IF NOT EXISTS photos_told (
        book TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        PRIMARY KEY (book, sha256)
    ) WITHOUT ROWID;
";
const UNTOLD: &str = "
    SELECT DISTINCT p.sha256, p.device, p.at FROM photo_records r JOIN photos p ON p.sha256 = r.sha256
    WHERE r.book = ?1 AND NOT EXISTS (SELECT 1 FROM photos_told t WHERE t.book = r.book AND t.sha256 = r.sha256)
    AND NOT EXISTS (SELECT 1 FROM photos_removed g WHERE g.sha256 = r.sha256)
    ORDER BY p.at, p.sha256";
/// Books whose records name a photo and were not told of it.
const UNTOLD_OF: &str = "
    SELECT DISTINCT r.book FROM photo_records r WHERE r.sha256 = ?1
    AND NOT EXISTS (SELECT 1 FROM photos_told t WHERE t.book = r.book AND t.sha256 = r.sha256)
    AND NOT EXISTS (SELECT 1 FROM photos_removed g WHERE g.sha256 = r.sha256)";

/// Whether a log line may carry a photo's record: cheap, and never wrong about one that does.
pub fn may_name(line: &str) -> bool {
    line.contains(r#""kind":"photo""#)
}

/// The photos a stored line's records name. One that is no line may have named some: an error.
fn named(book: BookId, line: &StoredLine) -> Result<Vec<(RecordId, Sha256Hash)>, ApiError> {
    if !line.is_unreadable() && !may_name(&line.text) {
        return Ok(vec![]);
    }
    let read = LogLine::parse_stored(&line.text).map_err(|e| damaged(book, line, e.to_string()))?;
    Ok(photos_of(read))
}

/// The same for the index, which comes by once: a line that is another than was stored may have named some
/// too, however it reads now.
fn named_as_stored(book: BookId, line: &StoredLine) -> Result<Vec<(RecordId, Sha256Hash)>, ApiError> {
    let read = LogLine::parse(&line.text).map_err(|e| damaged(book, line, e.to_string()))?;
    if read.hash() != line.hash {
        return Err(damaged(book, line, "its hash is another's".into()).into());
    }
    Ok(photos_of(read))
}

const fn damaged(book: BookId, line: &StoredLine, why: String) -> LogError {
    LogError::Damaged { book, position: line.position, why }
}

fn photos_of(line: LogLine) -> Vec<(RecordId, Sha256Hash)> {
    let Entry::Commit(commit) = line.into_entry() else { return vec![] };
    // A record that cannot be read names nothing; readers find it as such.
    let records = commit.records().iter().filter_map(|text| Record::read(text).ok());
    let photos = records.filter_map(|record| match &record.body {
        Body::Photo(photo) => Some((record.envelope.id, photo.sha256)),
        _ => None,
    });
    photos.collect()
}

/// Reads a book's log on from where the index stands. A line that is not what was stored is passed over,
/// noted, and looked at again at each reading: it is taken in when it was mended.
///
/// Lines after `gated` came through the gate in this very transaction: they are what they are, and are not
/// hashed once more.
fn index(tx: &Transaction<'_>, book: BookId, gated: u64) -> Result<(), ApiError> {
    let name = book.to_string();
    take_in_mended(tx, book, &name)?;
    let at: Option<i64> = bolebook_db::OptionalExtension::optional(tx.query_row(
        "SELECT position FROM photo_index WHERE book = ?1",
        [&name],
        |row| row.get(0),
    ))?;
    let from = at.and_then(|p| u64::try_from(p).ok()).unwrap_or(0);
    let mut position = from;
    for line in bolebook_log::read(tx, book, position, Page::ALL)? {
        position = line.position;
        let photos = if position > gated { named(book, &line) } else { named_as_stored(book, &line) };
        match photos {
            Ok(photos) => add_records(tx, &name, photos)?,
            Err(error) => {
                tracing::error!(%error, "the photos that it names are not known until it is mended: 'bolebook-server verify' looks at every line");
                tx.execute(
                    "INSERT INTO photo_passed_over (book, position) VALUES (?1, ?2) ON CONFLICT DO NOTHING",
                    params![name, i64::try_from(position).unwrap_or(i64::MAX)],
                )?;
            }
        }
    }
    if at.is_none() || position != from {
        tx.execute(
            "INSERT INTO photo_index (book, position) VALUES (?1, ?2)
            ON CONFLICT (book) DO UPDATE SET position = excluded.position",
            params![name, i64::try_from(position).unwrap_or(i64::MAX)],
        )?;
    }
    Ok(())
}

fn add_records(
    tx: &Transaction<'_>,
    name: &str,
    photos: Vec<(RecordId, Sha256Hash)>,
) -> Result<(), ApiError> {
    for (record, sha256) in photos {
        tx.execute(
            "INSERT INTO photo_records (sha256, book, record) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
            params![sha256.to_string(), name, record.to_string()],
        )?;
    }
    Ok(())
}

fn take_in_mended(tx: &Transaction<'_>, book: BookId, name: &str) -> Result<(), ApiError> {
    for position in passed_over(tx, name)? {
        let before = Page { lines: 1, bytes: usize::MAX };
        let lines = bolebook_log::read(tx, book, position.saturating_sub(1), before)?;
        let Some(line) = lines.first().filter(|line| line.position == position) else { continue };
        let Ok(photos) = named_as_stored(book, line) else { continue };
        add_records(tx, name, photos)?;
        let position = i64::try_from(position).unwrap_or(i64::MAX);
        tx.execute(
            "DELETE FROM photo_passed_over WHERE book = ?1 AND position = ?2",
            params![name, position],
        )?;
    }
    Ok(())
}

/// Positions of a book that the index has passed over, because no line can be read there.
///
/// # Errors
/// The database's.
pub fn passed_over(db: &Connection, book: &str) -> Result<Vec<u64>, ApiError> {
    let mut query =
        db.prepare_cached("SELECT position FROM photo_passed_over WHERE book = ?1 ORDER BY position")?;
    let rows = query.query_map([book], |row| row.get::<_, i64>(0))?.collect::<Result<Vec<_>, _>>()?;
    Ok(rows.into_iter().filter_map(|position| u64::try_from(position).ok()).collect())
}

/// What a book was not told yet of the photos its records name, now taken as told: the caller writes
/// it into the book in the same transaction. Lines after `gated` came in it; `u64::MAX` where none did.
///
/// # Errors
/// The database's.
pub fn news(tx: &Transaction<'_>, book: BookId, gated: u64) -> Result<Vec<PhotoReceived>, ApiError> {
    index(tx, book, gated)?;
    let name = book.to_string();
    let mut query = tx.prepare_cached(UNTOLD)?;
    let rows = query.query_map([&name], |row| {
        Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?, row.get::<_, i64>(2)?))
    })?;
    let mut news = vec![];
    for row in rows {
        let (sha256, device, at) = row?;
        tx.execute("INSERT INTO photos_told (book, sha256) VALUES (?1, ?2)", params![name, sha256])?;
        news.push(PhotoReceived {
            sha256: sha256.parse().map_err(|e| ApiError::internal(&e))?,
            delivered_by: device.parse().map_err(|e| ApiError::internal(&e))?,
            arrived_at: UtcMs(at),
        });
    }
    Ok(news)
}

/// Notes that a photo is in its place, and tells every book whose records name it; `also` is written
/// in the same transaction.
///
/// # Errors
/// 410 for a photo whose bytes were removed meanwhile: they are removed again. The database's;
/// nothing was noted then, and the next start notes it.
pub fn note(
    app: &Inner,
    photo: &PhotoStored,
    by: DeviceId,
    also: impl Fn(&Transaction<'_>) -> Result<(), ApiError>,
) -> Result<(), ApiError> {
    remove::not_in_spite(app, photo.sha256)?;
    let told = app.write_idempotent(|tx| {
        also(tx)?;
        arrived(app, tx, photo, by)
    })?;
    // Removed between the look and the note: whoever removed it may have come before the file did.
    remove::not_in_spite(app, photo.sha256)?;
    said(app, told);
    match untold_of(app, photo.sha256) {
        Ok(books) => tell_what_came_meanwhile(app, books.into_iter()),
        Err(error) => late(&error),
    }
    Ok(())
}

/// On a shared database a record may come at one server while its photo comes at another, and neither sees
/// the other's before it has kept its own: so each looks once more after that, and whoever was later tells
/// the books. What a crash keeps from it is told at the next start, as all that a crash keeps from being told.
pub fn tell_what_came_meanwhile(app: &Inner, books: impl Iterator<Item = BookId>) {
    if !app.is_shared() {
        return;
    }
    for book in books {
        let waits = |db: &Connection| Ok(!texts(db, UNTOLD, &book.to_string())?.is_empty());
        let told = match app.read(waits) {
            Ok(true) => app.write(|tx| tell(app, tx, book)),
            Ok(false) => continue,
            Err(error) => Err(error),
        };
        match told {
            Ok(told) => said(app, told.into_iter().collect()),
            // What came is kept, and nothing of the request hangs on this.
            Err(error) => late(&error),
        }
    }
}

fn untold_of(app: &Inner, photo: Sha256Hash) -> Result<Vec<BookId>, ApiError> {
    if !app.is_shared() {
        return Ok(vec![]);
    }
    app.read(|db| texts(db, UNTOLD_OF, &photo.to_string())?.iter().map(|book| id(book)).collect())
}

fn late(error: &ApiError) {
    tracing::warn!(?error, "a book is told later that a photo came");
}

/// The first column, of what a statement with one text gives.
fn texts(db: &Connection, sql: &str, of: &str) -> Result<Vec<String>, ApiError> {
    let mut query = db.prepare_cached(sql)?;
    Ok(query.query_map([of], |row| row.get(0))?.collect::<Result<_, _>>()?)
}

fn id(text: &str) -> Result<BookId, ApiError> {
    text.parse().map_err(|e| ApiError::internal(&e))
}

/// Notes a photo that is in its place, unless that was done.
///
/// # Errors
/// As [`note`].
pub fn note_if_new(app: &Inner, photo: &PhotoStored, by: DeviceId) -> Result<(), ApiError> {
    if app.read(|db| noted(db, photo.sha256))?.is_some() {
        return Ok(());
    }
    note(app, photo, by, |_| Ok(()))
}

/// Lets findings be computed anew, after the transaction that told the books.
fn said(app: &Inner, told: Vec<BookId>) {
    told.into_iter().for_each(|book| app.findings.changed(book, app.identity.yard));
}

fn arrived(
    app: &Inner,
    tx: &Transaction<'_>,
    photo: &PhotoStored,
    by: DeviceId,
) -> Result<Vec<BookId>, ApiError> {
    let (hash, now) = (photo.sha256.to_string(), app.now());
    let bytes = i64::try_from(photo.bytes).unwrap_or(i64::MAX);
    tx.execute(
        "INSERT INTO photos (sha256, bytes, device, at) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING",
        params![hash, bytes, by.to_string(), now.0],
    )?;
    note_type(tx, photo)?;
    let mut told = vec![];
    for book in texts(tx, "SELECT DISTINCT book FROM photo_records WHERE sha256 = ?1 ORDER BY book", &hash)? {
        told.extend(tell(app, tx, id(&book)?)?);
    }
    Ok(told)
}

/// Tells a book what it was not told yet; gives the book if there was something.
fn tell(app: &Inner, tx: &Transaction<'_>, book: BookId) -> Result<Option<BookId>, ApiError> {
    let bodies: Vec<Body> = news(tx, book, u64::MAX)?.into_iter().map(Body::from).collect();
    if bodies.is_empty() {
        return Ok(None);
    }
    receipt::say(app, tx, book, app.now(), bodies)?;
    Ok(Some(book))
}

/// How many bytes of photos a device has brought since then.
///
/// # Errors
/// The database's.
pub fn brought(db: &Connection, device: DeviceId, since: i64) -> Result<u64, ApiError> {
    let sql = "SELECT CAST(coalesce(sum(bytes), 0) AS BIGINT) FROM photos WHERE device = ?1 AND at > ?2";
    let bytes: i64 = db.query_row(sql, params![device.to_string(), since], |row| row.get(0))?;
    Ok(u64::try_from(bytes).unwrap_or(0))
}

/// The records that name a photo, as far as the index has read.
///
/// # Errors
/// The database's.
pub fn records(db: &Connection, hash: Sha256Hash) -> Result<Vec<(BookId, RecordId)>, ApiError> {
    let mut query =
        db.prepare_cached("SELECT book, record FROM photo_records WHERE sha256 = ?1 ORDER BY book, record")?;
    let rows = query
        .query_map([hash.to_string()], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?)))?;
    let mut found = vec![];
    for row in rows {
        let (book, record) = row?;
        let book = book.parse().map_err(|e| ApiError::internal(&e))?;
        found.push((book, record.parse().map_err(|e| ApiError::internal(&e))?));
    }
    Ok(found)
}

/// What was noted of a photo when it came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Noted {
    /// Its length in bytes.
    pub bytes: u64,
    /// Its media type, unless it came before that was noted.
    pub media_type: Option<String>,
}

/// What was noted of a photo, if it came.
///
/// # Errors
/// The database's.
pub fn noted(db: &Connection, hash: Sha256Hash) -> Result<Option<Noted>, ApiError> {
    let mut query = db.prepare_cached(
        "SELECT p.bytes, t.media_type FROM photos p LEFT JOIN photo_types t ON t.sha256 = p.sha256
            WHERE p.sha256 = ?1",
    )?;
    let row = query.query_row([hash.to_string()], |row| Ok((row.get::<_, i64>(0)?, row.get(1)?)));
    let found = bolebook_db::OptionalExtension::optional(row)?;
    Ok(found.map(|(bytes, media_type)| Noted { bytes: u64::try_from(bytes).unwrap_or(0), media_type }))
}

fn note_type(tx: &Transaction<'_>, photo: &PhotoStored) -> Result<(), ApiError> {
    let sql = "INSERT INTO photo_types (sha256, media_type) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
    tx.execute(sql, params![photo.sha256.to_string(), photo.media_type])?;
    Ok(())
}

/// Photos that were noted without their media type.
///
/// # Errors
/// The database's.
pub fn without_type(db: &Connection) -> Result<BTreeSet<Sha256Hash>, ApiError> {
    let sql = "SELECT p.sha256 FROM photos p LEFT JOIN photo_types t ON t.sha256 = p.sha256
        WHERE t.sha256 IS NULL AND NOT EXISTS (SELECT 1 FROM photos_removed g WHERE g.sha256 = p.sha256)";
    let mut query = db.prepare(sql)?;
    let rows = query.query_map([], |row| row.get(0))?.collect::<Result<Vec<String>, _>>()?;
    rows.iter().map(|text| text.parse().map_err(|e| ApiError::internal(&e))).collect()
}

/// Notes the media types of photos.
///
/// # Errors
/// The database's.
pub fn note_types(app: &Inner, photos: &[PhotoStored]) -> Result<(), ApiError> {
    app.write_idempotent(|tx| photos.iter().try_for_each(|photo| note_type(tx, photo)))
}

/// At the start: notes photos whose arrival a crash kept from being noted, and tells the books.
///
/// # Errors
/// The database's, or the disk's.
pub fn recover(app: &Inner) -> Result<(), ApiError> {
    remove::again(app)?;
    note_found(app, &all(&app.objects)?)
}

/// Notes those of these photos that were not noted, and tells the books what they were not told.
///
/// # Errors
/// The database's.
pub fn note_found(app: &Inner, found: &BTreeMap<Sha256Hash, u64>) -> Result<(), ApiError> {
    let mut all = vec![];
    let told = app.write_idempotent(|tx| {
        let mut query = tx.prepare("SELECT sha256 FROM photos")?;
        let noted = query.query_map([], |row| row.get(0))?.collect::<Result<BTreeSet<String>, _>>()?;
        for (hash, bytes) in found.iter().filter(|(hash, _)| !noted.contains(&hash.to_string())) {
            let add = "INSERT INTO photos (sha256, bytes, device, at) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING";
            let bytes = i64::try_from(*bytes).unwrap_or(i64::MAX);
            // Who brought it is not known any more: the server says that it found it.
            let device = app.identity.device().to_string();
            tx.execute(add, params![hash.to_string(), bytes, device, app.now().0])?;
        }
        all = bolebook_log::books(tx)?.into_iter().map(|b| b.book).collect();
        let mut told = vec![];
        for book in &all {
            told.extend(tell(app, tx, *book)?);
        }
        Ok(told)
    })?;
    said(app, told);
    tell_what_came_meanwhile(app, all.into_iter());
    Ok(())
}

/// Every photo that lies there, with its size.
fn all(objects: &Objects) -> Result<BTreeMap<Sha256Hash, u64>, ApiError> {
    let mut photos = BTreeMap::new();
    objects.list(Area::Photos, &mut |listed| {
        photos.extend(listed.key.address().map(|hash| (hash, listed.bytes)));
        Ok(())
    })?;
    Ok(photos)
}

/// What a look at every photo and every record gives.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Census {
    /// Photos held.
    pub held: u64,
    /// Held, and no record names them; with their sizes.
    pub orphans: BTreeMap<Sha256Hash, u64>,
    /// Named by a record of these books, and not held.
    pub missing: BTreeMap<Sha256Hash, BTreeSet<BookId>>,
    /// Whose bytes no longer come to their name.
    pub damaged: BTreeSet<Sha256Hash>,
    /// Named by a record, and their bytes removed for good.
    pub removed: BTreeSet<Sha256Hash>,
}

/// Looks at everything; reads only.
///
/// # Errors
/// The database's, the disk's, or the object store's.
pub fn census(db: &Connection, objects: &Objects) -> Result<Census, ApiError> {
    let mut census = Census::default();
    let held = all(objects)?;
    let mut wanted: BTreeMap<Sha256Hash, BTreeSet<BookId>> = BTreeMap::new();
    for book in bolebook_log::books(db)? {
        for line in bolebook_log::read(db, book.book, 0, Page::ALL)? {
            for (_, hash) in named(book.book, &line)? {
                wanted.entry(hash).or_default().insert(book.book);
            }
        }
    }
    for (hash, bytes) in held {
        census.held += 1;
        let whole = match objects.get(&Key::photo(hash)) {
            Ok(bytes) => bytes.is_some_and(|bytes| Sha256Hash::of(&bytes) == hash),
            // A store's bytes were compared when they came.
            Err(ObjectError::Wrong { .. }) => false,
            Err(error) => return Err(error.into()),
        };
        if !whole {
            census.damaged.insert(hash);
        }
        if wanted.remove(&hash).is_none() {
            census.orphans.insert(hash, bytes);
        }
    }
    for hash in remove::all(db)? {
        if wanted.remove(&hash).is_some() {
            census.removed.insert(hash);
        }
    }
    census.missing = wanted;
    Ok(census)
}
