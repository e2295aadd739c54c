//! Rows out of the bytes of an SQLite file that SQLite itself can no longer open.
//!
//! Every page of the file, and of its write-ahead log, is looked at by itself: a page that
//! holds rows gives them, whatever became of the pages above it. Nothing
//! is believed here; whoever uses a row checks what it says.
//!
//! Source of the layout: the SQLite project's 'Database File Format' page, §1.2 to §1.6 (pages,
//! cells, varints, records, overflow) and §4 (write-ahead log).

use std::collections::BTreeMap;

/// A value of a row.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// Nothing, or a float: no table of Bolebook has one.
    Null,
    /// A whole number.
    Integer(i64),
    /// Text.
    Text(String),
    /// Bytes, or text that is not UTF-8.
    Blob(Vec<u8>),
}

/// The page size when the header does not say: SQLite's default, which Bolebook keeps.
const PAGE: usize = 4_096;
const MAGIC: &[u8; 16] = b"SQLite format 3\0";
/// Kinds of a b-tree page that hold rows: an index's inner page and leaf (also of a table without
/// row ids, whose rows lie in both), a table's leaf.
const INDEX_INNER: u8 = 0x02;
const INDEX_LEAF: u8 = 0x0a;
const TABLE_LEAF: u8 = 0x0d;
/// A row may spread over this many pages; above it the chain is taken for damaged.
const MOST_PAGES: usize = 4_096;
const MOST_COLUMNS: usize = 64;

type Pages<'a> = BTreeMap<u32, &'a [u8]>;

/// Every row that can still be read: first those of the file, then those of its write-ahead log,
/// which are newer. A row may come several times, and rows that were removed may come back.
pub fn rows(file: &[u8], wal: &[u8]) -> Vec<Vec<Value>> {
    let size = page_size(file, wal);
    let main: Pages<'_> = (1..).zip(file.chunks(size)).collect();
    let frames = frames(wal, size);
    let mut newest = main.clone();
    newest.extend(frames.iter().copied());
    let mut found = vec![];
    for (number, page) in &main {
        rows_of((*number, page), size, &main, &mut found);
        // A row of the file may go on in pages that only the write-ahead log has.
        if !frames.is_empty() {
            rows_of((*number, page), size, &newest, &mut found);
        }
    }
    for (number, page) in &frames {
        rows_of((*number, page), size, &newest, &mut found);
    }
    found
}

fn be16(bytes: &[u8], at: usize) -> Option<usize> {
    Some(usize::from(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?)))
}

fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
}

fn page_size(file: &[u8], wal: &[u8]) -> usize {
    let of_file = (file.get(..16) == Some(MAGIC)).then(|| be16(file, 16)).flatten();
    // 1 stands for 65,536, which two bytes do not hold.
    let of_file = of_file.map(|size| if size == 1 { 65_536 } else { size });
    let of_wal = be32(wal, 8).and_then(|size| usize::try_from(size).ok());
    let fits = |size: &usize| size.is_power_of_two() && (512..=65_536).contains(size);
    of_file.filter(fits).or(of_wal.filter(fits)).unwrap_or(PAGE)
}

/// The pages in a write-ahead log, oldest first. Frames left over from before its last reset carry
/// other salts and are passed over, unless its header is gone.
fn frames(wal: &[u8], size: usize) -> Vec<(u32, &[u8])> {
    let header = wal.get(..32).filter(|h| matches!(be32(h, 0), Some(0x377f_0682 | 0x377f_0683)));
    let salts = header.map(|h| &h[16..24]);
    let mut frames = vec![];
    for frame in wal.get(32..).unwrap_or_default().chunks_exact(24 + size) {
        let (head, page) = frame.split_at(24);
        if salts.is_none_or(|salts| &head[8..16] == salts)
            && let Some(number) = be32(head, 0)
        {
            frames.push((number, page));
        }
    }
    frames
}

/// A variable-length integer (§1.6) and how many bytes it takes.
fn varint(bytes: &[u8], at: usize) -> Option<(u64, usize)> {
    let mut value = 0u64;
    for i in 0..8 {
        let byte = *bytes.get(at + i)?;
        value = value << 7 | u64::from(byte & 0x7f);
        if byte & 0x80 == 0 {
            return Some((value, i + 1));
        }
    }
    Some((value << 8 | u64::from(*bytes.get(at + 8)?), 9))
}

/// Adds the rows of a page that holds some; of any other page, none.
fn rows_of((number, page): (u32, &[u8]), size: usize, pages: &Pages<'_>, found: &mut Vec<Vec<Value>>) {
    let start = if number == 1 { 100 } else { 0 };
    let Some(kind) = page.get(start).copied().filter(|k| matches!(*k, INDEX_INNER | INDEX_LEAF | TABLE_LEAF))
    else {
        return;
    };
    let Some(count) = be16(page, start + 3) else { return };
    // An inner page's header is longer by the page to the right, and its cells by the one to the left.
    let (header, skip) = if kind == INDEX_INNER { (12, 4) } else { (8, 0) };
    for cell in 0..count {
        let row = be16(page, start + header + 2 * cell)
            .and_then(|at| payload((page, at + skip), kind, size, pages))
            .and_then(|payload| record(&payload));
        found.extend(row);
    }
}

/// A cell's bytes, with those that lie on overflow pages (§1.5). What goes on elsewhere follows from the
/// file's page size, also on the last page of a file that was cut short.
fn payload((page, at): (&[u8], usize), kind: u8, usable: usize, pages: &Pages<'_>) -> Option<Vec<u8>> {
    let (length, mut read) = varint(page, at)?;
    if kind == TABLE_LEAF {
        read += varint(page, at + read)?.1;
    }
    let (length, start) = (usize::try_from(length).ok()?, at + read);
    // A page has 512 bytes at least ([`page_size`]), so that neither comes below nothing.
    let most = if kind == TABLE_LEAF { usable - 35 } else { (usable - 12) * 64 / 255 - 23 };
    if length <= most {
        return page.get(start..start + length).map(<[u8]>::to_vec);
    }
    let least = (usable - 12) * 32 / 255 - 23;
    let wanted = least + (length - least) % (usable - 4);
    let here = if wanted <= most { wanted } else { least };
    let mut bytes = page.get(start..start + here)?.to_vec();
    let mut next = be32(page, start + here)?;
    for _ in 0..MOST_PAGES {
        let over = pages.get(&next)?;
        let take = (length - bytes.len()).min(usable - 4);
        bytes.extend_from_slice(over.get(4..4 + take)?);
        if bytes.len() == length {
            return Some(bytes);
        }
        next = be32(over, 0)?;
    }
    None
}

/// The values of a record (§2.1).
fn record(payload: &[u8]) -> Option<Vec<Value>> {
    let (header, mut at) = varint(payload, 0)?;
    let header = usize::try_from(header).ok().filter(|h| *h <= payload.len())?;
    let mut body = header;
    let mut values = vec![];
    while at < header {
        let (kind, read) = varint(payload, at)?;
        at += read;
        let size = match kind {
            0 | 8 | 9 => 0,
            1..=4 => usize::try_from(kind).ok()?,
            5 => 6,
            6 | 7 => 8,
            10 | 11 => return None,
            _ => usize::try_from((kind - 12) / 2).ok()?,
        };
        let bytes = payload.get(body..body.checked_add(size)?)?;
        body += size;
        values.push(match kind {
            1..=6 => {
                let negative = bytes.first().is_some_and(|b| b & 0x80 != 0);
                let start = if negative { -1i64 } else { 0 };
                Value::Integer(bytes.iter().fold(start, |sum, b| sum << 8 | i64::from(*b)))
            }
            8 => Value::Integer(0),
            9 => Value::Integer(1),
            0 | 7 => Value::Null,
            _ if kind % 2 == 0 => Value::Blob(bytes.to_vec()),
            _ => match String::from_utf8(bytes.to_vec()) {
                Ok(text) => Value::Text(text),
                Err(e) => Value::Blob(e.into_bytes()),
            },
        });
        if values.len() > MOST_COLUMNS {
            return None;
        }
    }
    (at == header && body == payload.len()).then_some(values)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SQLite writes, this reads: every length around the limits of a page, in both kinds of table,
    /// from the write-ahead log, from the file, and with every upper page gone.
    #[test]
    fn outside_sqlite_writes_rows_of_any_length_and_all_are_read_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("any.sqlite");
        let db = rusqlite::Connection::open(&path).unwrap();
        let tables = "PRAGMA journal_mode = WAL; PRAGMA wal_autocheckpoint = 0;
             CREATE TABLE rows (a INTEGER, t TEXT, b BLOB);
             CREATE TABLE keyed (k TEXT PRIMARY KEY, v TEXT) WITHOUT ROWID;";
        db.execute_batch(tables).unwrap();
        let text = |n: usize| "é".repeat(n / 2) + &"x".repeat(n % 2);
        let lengths: Vec<usize> =
            (0..60).chain(970..1_010).chain(4_040..4_110).chain([9_000, 50_000]).collect();
        let number = |n: usize| (n as i64 - 1_000) * 1_000_000_007;
        for n in &lengths {
            let row = rusqlite::params![number(*n), text(*n), vec![7u8; 3]];
            db.execute("INSERT INTO rows VALUES (?1, ?2, ?3)", row).unwrap();
            db.execute("INSERT INTO keyed VALUES (?1, ?2)", [format!("key {n}"), text(*n)]).unwrap();
        }
        let check = |file: &[u8], wal: &[u8]| {
            let found = rows(file, wal);
            for n in &lengths {
                let row = vec![Value::Integer(number(*n)), Value::Text(text(*n)), Value::Blob(vec![7; 3])];
                assert!(found.contains(&row), "row of {n}");
                let row = vec![Value::Text(format!("key {n}")), Value::Text(text(*n))];
                assert!(found.contains(&row), "keyed row of {n}");
            }
        };
        let wal = std::fs::read(folder.path().join("any.sqlite-wal")).unwrap();
        check(&std::fs::read(&path).unwrap(), &wal);
        check(&[], &wal);
        db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
        let mut file = std::fs::read(&path).unwrap();
        check(&file, &[]);
        // The first page and every page that only leads to others.
        file[..4_096].fill(0xff);
        for page in file.chunks_mut(4_096).filter(|p| p[0] == 5) {
            page.fill(0);
        }
        check(&file, &[]);
    }

    #[test]
    fn i9_no_bytes_panic_the_reader_of_pages() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("any.sqlite");
        let db = rusqlite::Connection::open(&path).unwrap();
        db.execute_batch("CREATE TABLE t (a TEXT); INSERT INTO t VALUES (hex(zeroblob(9000)));").unwrap();
        let whole = std::fs::read(&path).unwrap();
        let mut state = 1u32;
        for round in 0..2_000 {
            let mut bytes = whole.clone();
            for _ in 0..=round % 40 {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let at = (state >> 8) as usize % bytes.len();
                bytes[at] = (state >> 3) as u8;
            }
            bytes.truncate(bytes.len() - (state >> 7) as usize % 3_000);
            rows(&bytes, &bytes);
        }
        for length in 0..200 {
            rows(&whole[..length], &whole[..length]);
        }
        // A file cut short in a page of an index, whose cells say that they go on elsewhere.
        for length in 0..120 {
            let mut file = vec![0; PAGE + length];
            let head = [INDEX_LEAF, 0, 0, 0, 1, 0, 0, 0, 0, 10, 50];
            file[PAGE..].iter_mut().zip(head).for_each(|(byte, of)| *byte = of);
            rows(&file, &[]);
        }
    }
}
