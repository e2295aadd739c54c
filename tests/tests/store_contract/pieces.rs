//! An answer read piece by piece says what the same answer says that is read at once.

use bolebook_core::exchange::{AnswerLine, BookRequest, CHAIN_START, Cursor, LogLine, chain_after};
use bolebook_core::ids::{ActorId, Sha256Hash};
use bolebook_core::signing::SecretKey;
use bolebook_db::Connection;
use bolebook_log::serve::{Own, extent, hand_out, piece};
use bolebook_log::{LogError, Page};

use crate::Fresh;
use crate::contract::{commit, lines, put};
use crate::support::{fresh as number, yard};

/// Every line's hash, own ones by what was offered: two bodies may name the same run in one line or in two.
fn said(body: &str, offered: &[LogLine]) -> Vec<Sha256Hash> {
    let mut hashes = vec![];
    for line in body.lines() {
        match AnswerLine::parse(line).unwrap() {
            AnswerLine::Log(line) => hashes.push(line.hash()),
            AnswerLine::Yours(run) => {
                let [first, last] = run.yours.map(|at| usize::try_from(at).unwrap());
                hashes.extend(offered[first..=last].iter().map(LogLine::hash));
            }
            other => panic!("{other:?}"),
        }
    }
    hashes
}

fn in_pieces(db: &Connection, from: Cursor, to: u64, page: Page, own: &Own) -> Result<String, LogError> {
    let (mut body, mut at) = (String::new(), from);
    while at.position < to {
        let (text, end) = piece(db, yard(), (at, to), page, own)?;
        assert!(end.position > at.position && end.position <= to);
        body.push_str(&text);
        at = end;
    }
    Ok(body)
}

pub fn an_answer_in_pieces_says_the_same_as_one_that_is_read_at_once(fresh: Fresh<'_>) {
    let db = fresh().lay_out().unwrap();
    let all = lines(30, "note");
    put(&db, yard(), &all).unwrap();
    // One that lies in several rows of a shared database, as text: nothing packs it.
    let key = SecretKey::from_seed([3; 32]);
    let noise =
        |n: u32| (0..900_u32).map(|i| Sha256Hash::of(&(n * 1_000 + i).to_be_bytes()).to_string()).collect();
    let texts: Vec<String> = (0..20).map(noise).collect();
    put(&db, yard(), &commit(&db, &key, ActorId::new(key.device(), number()), &texts)).unwrap();
    let three =
        Cursor { position: 3, chain: all[..3].iter().fold(CHAIN_START, |c, l| chain_after(c, l.hash())) };
    let scattered = [&all[10..14], &all[20..21], &all[15..17]].concat();
    for from in [Cursor::START, three] {
        let request = BookRequest { book: yard(), server: None, position: from.position, chain: from.chain };
        for offered in [&[][..], &scattered] {
            let own = Own::of(offered);
            for room in [
                Page::ALL,
                Page { lines: 7, bytes: usize::MAX },
                Page { lines: 0, bytes: usize::MAX },
                Page { lines: 100, bytes: 2_000 },
                Page { lines: 100, bytes: 60_000 },
                Page { lines: 100, bytes: 1 },
            ] {
                let whole = hand_out(&db, &request, offered, room).unwrap();
                let (head, bytes) = extent(&db, &request, &own, room).unwrap();
                assert_eq!(head, whole.head, "{room:?}");
                let sent: usize =
                    whole.body.lines().filter(|l| !l.starts_with(r#"{"yours""#)).map(str::len).sum();
                assert_eq!(bytes, sent, "{room:?}");
                for page in
                    [Page::ALL, Page { lines: 4, bytes: usize::MAX }, Page { lines: 100, bytes: 1_500 }]
                {
                    let body = in_pieces(&db, from, head.end, page, &own).unwrap();
                    assert_eq!(said(&body, offered), said(&whole.body, offered), "{room:?} {page:?}");
                    if offered.is_empty() {
                        assert_eq!(body, whole.body);
                    }
                }
            }
        }
    }
    // From a place that was never there, and beyond the end.
    let other = Cursor { position: 3, chain: CHAIN_START };
    assert!(matches!(in_pieces(&db, other, 9, Page::ALL, &Own::default()), Err(LogError::Damaged { .. })));
    let end = bolebook_log::book(&db, yard()).unwrap().unwrap().end;
    let beyond = piece(&db, yard(), (end, end.position + 1), Page::ALL, &Own::default());
    assert!(matches!(beyond, Err(LogError::Damaged { .. })));
}
