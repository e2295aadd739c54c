//! Packed lines: the frozen format, bytes that are none, both forms in one log, and the way there and back.

use bolebook_core::exchange::MAX_LINE_BYTES;
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_db::{Connection, TransactionBehavior};
use bolebook_log::packed::{DICTIONARY_1, PackedError, pack, unpack};
use bolebook_log::salvage::{Salvaged, keep, rows};
use bolebook_log::{Form, LogError, Page, open, read, repack, verify};

mod written;

use written::{book_of_notes, note, yard};

/// A commit's line as it was packed when the format was laid down, in hexadecimal.
const GOLDEN: &str = include_str!("golden/packed-1.hex");
/// Its text.
const GOLDEN_TEXT: &str = include_str!("golden/packed-1.json");
/// Lines of the old log.
const OLD_LINES: i64 = 10;
/// The dictionary's digest when the format was laid down.
const DICTIONARY_1_SHA256: &str = "ec96b6af647f115fb8e558dd60f5075bd41e5e8c1081b2b06cc8ab816b0255ca";

#[test]
fn the_dictionary_and_what_was_packed_with_it_are_frozen() {
    assert_eq!(Sha256Hash::of(DICTIONARY_1).to_string(), DICTIONARY_1_SHA256);
    let golden = hex::decode(GOLDEN.trim()).unwrap();
    assert_eq!(unpack(&golden).unwrap(), GOLDEN_TEXT.trim_end());
    assert!(golden.len() * 3 < GOLDEN_TEXT.len(), "{} of {}", golden.len(), GOLDEN_TEXT.len());
    // RFC 8878, §3.1.1: the magic number, and a header that names dictionary 1 and the content's size.
    assert_eq!(golden[..4], [0x28, 0xb5, 0x2f, 0xfd]);
    assert_eq!(
        (golden[4] & 0b11, golden[4] & 0b100, golden[5]),
        (1, 0, 1),
        "one byte of dictionary, no checksum"
    );
}

/// A frame by RFC 8878, §3.1.1: one segment, a dictionary's number in one byte, a size in eight, and blocks
/// that repeat one byte.
fn frame(dictionary: u8, size: u64, blocks: &[u32]) -> Vec<u8> {
    let mut bytes = vec![0x28, 0xb5, 0x2f, 0xfd, 0b1110_0001, dictionary];
    bytes.extend(size.to_le_bytes());
    for (n, length) in blocks.iter().enumerate() {
        let last = u32::from(n + 1 == blocks.len());
        bytes.extend(&(length << 3 | 1 << 1 | last).to_le_bytes()[..3]);
        bytes.push(b' ');
    }
    bytes
}

#[test]
fn i9_frames_that_are_no_packed_line_are_refused_in_bounded_memory() {
    const BLOCK: u32 = 128 << 10;
    let most = MAX_LINE_BYTES as u64;
    assert_eq!(unpack(&frame(1, 5, &[5])).unwrap(), "     ", "the maker of frames makes whole ones");
    // As long as a line may be, of a text that cannot be packed to nothing.
    let mut state = 1u64;
    let mut digit = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        char::from(b'0' + (state >> 33) as u8 % 64)
    };
    let longest: String = (0..MAX_LINE_BYTES).map(|_| digit()).collect();
    assert_eq!(unpack(&pack(&longest).unwrap()).unwrap(), longest);
    // A frame says at most 16 KiB and two hundred bytes for each of its own: 18 with one block.
    let most_of_one = (16 << 10) + 18 * 200;
    assert_eq!(frame(1, 5, &[5]).len(), 18);
    assert_eq!(unpack(&frame(1, most_of_one, &[most_of_one as u32])).unwrap().len() as u64, most_of_one);
    for (bytes, expected) in [
        // A size that no machine has, one a byte too long, and blocks beyond what was said.
        (frame(1, u64::MAX, &[BLOCK]), PackedError::Length),
        (frame(1, most_of_one + 1, &[most_of_one as u32 + 1]), PackedError::Length),
        (frame(1, most, &[BLOCK; 32]), PackedError::Length),
        (frame(1, most + 1, &[1; 21_000]), PackedError::Length),
        (frame(7, 5, &[5]), PackedError::Dictionary(7)),
        (zstd::encode_all(&b"without a dictionary"[..], 3).unwrap(), PackedError::Dictionary(0)),
        ([frame(1, 5, &[5]), frame(1, 5, &[5])].concat(), PackedError::Frame),
        ([frame(1, 5, &[5]), vec![0]].concat(), PackedError::Frame),
        (b"{\"actor\":\"\"}".to_vec(), PackedError::Frame),
        (vec![], PackedError::Frame),
    ] {
        assert_eq!(unpack(&bytes), Err(expected));
    }
    for (size, blocks) in [(5, vec![BLOCK; 4_000]), (most, vec![1; 21_000]), (6, vec![5]), (4, vec![5])] {
        assert!(matches!(unpack(&frame(1, size, &blocks)), Err(PackedError::Content(_))), "{size}");
    }
    // One that says nothing of its size, as a stream is packed.
    let mut stream = zstd::Encoder::with_dictionary(vec![], 3, DICTIONARY_1).unwrap();
    std::io::Write::write_all(&mut stream, &[b' '; 1_000]).unwrap();
    assert_eq!(unpack(&stream.finish().unwrap()), Err(PackedError::Length));
    // Not UTF-8.
    let mut packer = zstd::bulk::Compressor::with_dictionary(3, DICTIONARY_1).unwrap();
    assert_eq!(unpack(&packer.compress(&[0xff; 100]).unwrap()), Err(PackedError::Text));
}

fn forms(db: &Connection) -> (i64, i64) {
    let count = "SELECT count(*), sum(typeof(line) = 'blob') FROM lines";
    db.query_row(count, [], |row| Ok((row.get(0)?, row.get(1)?))).unwrap()
}

fn layout(db: &Connection) -> i64 {
    db.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap()
}

fn texts(db: &Connection, book: BookId) -> Vec<String> {
    read(db, book, 0, Page::ALL).unwrap().into_iter().map(|line| line.text).collect()
}

#[test]
fn a_new_log_is_packed_and_goes_to_text_and_back_with_every_line_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let mut db = open(&folder.path().join("log.sqlite")).unwrap();
    book_of_notes(&mut db, 40);
    let (lines, packed) = forms(&db);
    assert_eq!((layout(&db), lines, packed), (3, 82, 82));
    let (before, whole) = (texts(&db, yard()), verify(&db, yard()).unwrap());

    let done = repack::all(&db, Form::Text).unwrap();
    assert_eq!((done.lines, done.changed, done.damaged), (82, 82, 0));
    assert_eq!((layout(&db), forms(&db)), (2, (82, 0)));
    let lying: Vec<String> = {
        let mut query = db.prepare("SELECT line FROM lines ORDER BY position").unwrap();
        query.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap()
    };
    assert_eq!((&lying, &texts(&db, yard())), (&before, &before), "as a program of layout 2 reads them");
    // What comes while a log is of layout 2 is text; packed again, all is packed.
    note(&mut db, "as text");
    assert_eq!(forms(&db), (84, 0));
    let done = repack::all(&db, Form::Packed).unwrap();
    assert_eq!((layout(&db), forms(&db), done.changed), (3, (84, 84), 84));
    assert_eq!(texts(&db, yard())[..82], before);
    assert_eq!(verify(&db, yard()).unwrap().end.position, whole.end.position + 2);
    assert_eq!(repack::all(&db, Form::Packed).unwrap().changed, 0, "once is enough");
}

#[test]
fn a_log_in_which_both_forms_lie_is_read_written_and_verified() {
    let mut db = bolebook_log::open_in_memory().unwrap();
    repack::all(&db, Form::Text).unwrap();
    book_of_notes(&mut db, 300);
    let before = texts(&db, yard());
    // Cut off after its first step, as a crash would.
    let step = |db: &mut Connection, work: &dyn Fn(&bolebook_db::Transaction<'_>)| {
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate).unwrap();
        work(&tx);
        tx.commit().unwrap();
    };
    step(&mut db, &|tx| repack::begin(tx, Form::Packed).unwrap());
    step(&mut db, &|tx| {
        repack::some(tx, yard(), 0, Form::Packed, &mut repack::Repacked::default()).unwrap();
    });
    let (lines, packed) = forms(&db);
    assert!(packed > 0 && packed < lines, "{packed} of {lines}");
    assert_eq!((layout(&db), texts(&db, yard())), (3, before));
    verify(&db, yard()).unwrap();
    // The device goes on after its own signature, in whichever form that lies.
    note(&mut db, "goes on");
    assert_eq!(forms(&db), (lines + 2, packed + 2));
    // Turned back in the middle: what comes is text, and no older program starts before it has ended.
    step(&mut db, &|tx| repack::begin(tx, Form::Text).unwrap());
    note(&mut db, "on the way back");
    assert_eq!((layout(&db), forms(&db)), (4, (lines + 4, packed + 2)));
    let left = |tx: &bolebook_db::Transaction<'_>| repack::finish(tx, Form::Text).unwrap();
    step(&mut db, &|tx| assert_eq!(left(tx), Some((yard(), 1))));
    assert_eq!(layout(&db), 4);
    repack::all(&db, Form::Text).unwrap();
    assert_eq!((layout(&db), forms(&db)), (2, (lines + 4, 0)));
    verify(&db, yard()).unwrap();
}

/// A log that the last program before this one wrote is read and written as that program does, until
/// somebody packs it.
#[test]
fn a_log_of_layout_2_stays_one_until_it_is_packed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let old = rusqlite::Connection::open(&path).unwrap();
    old.execute_batch(include_str!("golden/layout-2.sql")).unwrap();
    drop(old);
    let db = open(&path).unwrap();
    let (lines, packed) = forms(&db);
    assert_eq!((layout(&db), lines, packed), (2, OLD_LINES, 0));
    let [book] = &bolebook_log::books(&db).unwrap()[..] else { panic!("one book") };
    let before = (verify(&db, book.book).unwrap(), texts(&db, book.book));
    let done = repack::all(&db, Form::Packed).unwrap();
    assert_eq!((layout(&db), forms(&db), done.changed), (3, (OLD_LINES, OLD_LINES), OLD_LINES as u64));
    assert_eq!((verify(&db, book.book).unwrap(), texts(&db, book.book)), before);
    repack::all(&db, Form::Text).unwrap();
    assert_eq!((layout(&db), forms(&db)), (2, (OLD_LINES, 0)));
    assert_eq!((verify(&db, book.book).unwrap(), texts(&db, book.book)), before);
}

#[test]
fn a_layout_that_is_not_known_is_neither_opened_nor_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let mut db = open(&path).unwrap();
    book_of_notes(&mut db, 1);
    let offered = written::lines(&db);
    db.execute_batch("PRAGMA user_version = 5").unwrap();
    assert!(matches!(open(&path), Err(LogError::Layout { found: 5, .. })));
    assert!(matches!(bolebook_log::look(&db), Err(LogError::Layout { found: 5, .. })));
    // No number of ours: nothing is laid out over what is there.
    let strange = folder.path().join("strange.sqlite");
    let other = rusqlite::Connection::open(&strange).unwrap();
    other.execute_batch("CREATE TABLE lines (x); PRAGMA user_version = -7").unwrap();
    assert!(matches!(open(&strange), Err(LogError::Layout { found: -7, .. })));
    let tables: i64 = other.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).unwrap();
    assert_eq!(tables, 1);
    // A program that was at work while a newer one changed it stops writing.
    let tx = db.transaction().unwrap();
    tx.execute_batch("DELETE FROM lines; DELETE FROM commits; DELETE FROM actors; DELETE FROM signatures; DELETE FROM books").unwrap();
    let refused = bolebook_log::append(&tx, yard(), &offered).unwrap_err();
    assert!(matches!(refused, LogError::Layout { found: 5, .. }), "{refused}");
}

/// Whatever byte of a packed line changes: it is found, or the text is what it was.
#[test]
fn a_packed_line_that_is_damaged_is_found_and_every_other_is_read() {
    let mut db = bolebook_log::open_in_memory().unwrap();
    book_of_notes(&mut db, 3);
    let before = texts(&db, yard());
    let whole: Vec<u8> =
        db.query_row("SELECT line FROM lines WHERE position = 5", [], |row| row.get(0)).unwrap();
    let (mut found, mut same) = (0, 0);
    for at in 0..whole.len() {
        for changed in [whole[at] ^ 1, whole[at] ^ 0x80, 0, 0xff] {
            let mut bytes = whole.clone();
            bytes[at] = changed;
            let tx = db.transaction().unwrap();
            tx.execute("UPDATE lines SET line = ?1 WHERE position = 5", [&bytes]).unwrap();
            let now = texts(&tx, yard());
            assert_eq!((&now[..4], &now[5..]), (&before[..4], &before[5..]));
            match verify(&tx, yard()) {
                Ok(_) => {
                    assert_eq!(now[4], before[4]);
                    same += usize::from(bytes != whole);
                }
                Err(LogError::Damaged { position: 5, .. }) => found += 1,
                Err(other) => panic!("{other}"),
            }
        }
    }
    assert!(found > whole.len() * 2 && same < 20, "{found} found, {same} the same");
    // Cut short: what is left is shown whole where the text would stand, and the way back stops there.
    db.execute("UPDATE lines SET line = substr(line, 1, 50) WHERE position = 5", []).unwrap();
    assert!(texts(&db, yard())[4].ends_with(&hex::encode(&whole[..50])));
    let stopped = repack::all(&db, Form::Text).unwrap_err();
    assert!(matches!(stopped, LogError::Damaged { position: 5, .. }), "{stopped}");
    assert_eq!((layout(&db), forms(&db).1), (4, 1));
    db.execute("UPDATE lines SET line = ?1 WHERE position = 5", [&whole]).unwrap();
    repack::all(&db, Form::Text).unwrap();
    assert_eq!(texts(&db, yard()), before);
    // A damaged text is not packed: nothing vouches for it anew.
    db.execute("UPDATE lines SET line = replace(line, 'note 1', 'note 7') WHERE position = 5", []).unwrap();
    assert_eq!(repack::all(&db, Form::Packed).unwrap().damaged, 1);
    assert!(matches!(verify(&db, yard()), Err(LogError::Damaged { position: 5, .. })));
}

#[test]
fn lines_of_both_forms_come_out_of_a_file_that_cannot_be_opened() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let mut db = open(&path).unwrap();
    repack::all(&db, Form::Text).unwrap();
    book_of_notes(&mut db, 30);
    // The first are text, the others packed.
    let tx = db.transaction().unwrap();
    repack::begin(&tx, Form::Packed).unwrap();
    tx.commit().unwrap();
    (0..30).for_each(|n| note(&mut db, &format!("packed {n}")));
    let (lines, packed) = forms(&db);
    assert_eq!((lines, packed), (122, 60));
    let before = texts(&db, yard());
    bolebook_log::empty_log(&db).unwrap();
    drop(db);
    let mut file = std::fs::read(&path).unwrap();
    file[..4_096].fill(0xff);
    let mut found = Salvaged::default();
    found.take(&rows(&file, &[]));
    assert_eq!((found.count(), found.unreadable), (122, 0));
    let mut new = bolebook_log::open_in_memory().unwrap();
    let tx = new.transaction().unwrap();
    assert_eq!(keep(&tx, &found).unwrap(), (122, 0));
    tx.commit().unwrap();
    let (mut sorted, mut expected) = (texts(&new, yard()), before);
    sorted.sort();
    expected.sort();
    assert_eq!(sorted, expected);
    assert_eq!(pack(&sorted[0]).and_then(|bytes| unpack(&bytes).ok()), Some(sorted[0].clone()));
}
