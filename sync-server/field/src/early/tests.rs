//! A tip drafts what the book would, and is held against the lines once they are read.

use bolebook_core::commit::Commit;
use bolebook_core::ids::{DeviceId, RecordId};
use bolebook_core::signing::{HeadSignature, SecretKey};

use super::*;
use crate::pack::Pack as _;
use crate::ready::About;
use crate::summary::Summary;

const GENESIS: &str = include_str!("../../../../schemas/examples/accepted/genesis-yard.json");
/// The book that begins so.
const BOOK: &str = "01a09056-c5e8-77ae-84b7-c7678e3e2927";

fn actor(number: u8) -> ActorId {
    ActorId::new(DeviceId([1; 16]), [number; 16])
}

fn record(number: i64) -> Vec<String> {
    vec![format!(r#"{{"id":"{}"}}"#, RecordId::new(number, [9; 10]))]
}

fn commit(actor: ActorId, seq: u64, start_op: u64, deps: &[CommitHash], records: Vec<String>) -> Commit {
    Commit::author(Draft { actor, seq, start_op, time: UtcMs(5), deps: deps.to_vec(), records }).unwrap()
}

/// A book with so many heads, of different lengths, and a signature at its end.
fn log(heads: u8) -> Log {
    let book: BookId = BOOK.parse().unwrap();
    let mut log = Log::new(book);
    let genesis = commit(actor(0), 1, 1, &[], vec![GENESIS.trim().to_owned()]);
    let begun = genesis.hash();
    log.take(genesis.into());
    for head in 1..=heads {
        let first = commit(actor(head), 1, 2, &[begun], record(i64::from(head)));
        let mut last = first.hash();
        log.take(first.into());
        if head % 2 == 0 {
            let second = commit(actor(head), 2, 3, &[last], record(1_000 + i64::from(head)));
            last = second.hash();
            log.take(second.into());
        }
        if head == heads {
            let key = SecretKey::from_seed([7; 32]);
            log.take(HeadSignature::sign(&key, book, actor(head), 1, last).into());
        }
    }
    log
}

#[test]
fn what_is_drafted_on_a_tip_is_what_the_book_would_have_next_and_after_that() {
    for heads in [0, 1, 2, 7] {
        let mut log = log(heads);
        assert!(log.book().genesis().is_some());
        let mut bytes = vec![];
        Tip::of(&log).pack(&mut bytes);
        let mut tip = Tip::unpack(&mut &bytes[..]).unwrap();
        // The first of one opening of the store, its next, and one of another opening.
        for (writes, number) in [(100, 1), (100, 2), (101, 3)] {
            let records = record(5_000 + number);
            let here = tip.draft(actor(writes), UtcMs(77), records.clone());
            let there = log.book().draft(actor(writes), UtcMs(77), records);
            let (here, there) = (Commit::author(here.unwrap()).unwrap(), Commit::author(there).unwrap());
            assert_eq!(here.line(), there.line(), "{heads} heads, commit {number}");
            let line = LogLine::from(here);
            tip.take(&line);
            log.take(line);
            assert_eq!((tip.end, &tip.heads), (log.end(), &Tip::of(&log).heads));
        }
    }
}

#[test]
fn a_book_that_has_not_begun_is_not_written_into() {
    let empty = Tip::of(&Log::new(BOOK.parse().unwrap()));
    assert!(empty.draft(actor(1), UtcMs(0), record(1)).is_none());
}

/// A view that shows nothing: noughts all through.
fn nothing() -> Summary {
    Summary::unpack(&mut &[0; 64][..]).unwrap()
}

/// A state on the ready-made view of a log, in which one commit was written early.
fn written(log: &Log) -> (State, LogLine) {
    let book = log.book().id();
    let mut state = State {
        tips: [(book, Tip::of(log))].into(),
        summary: Some(std::rc::Rc::new(nothing())),
        about: Some(About::default()),
        ..State::default()
    };
    assert!(state.may_write_early() && !state.behind());
    let draft = state.tips[&book].draft(actor(100), UtcMs(77), record(5_000)).unwrap();
    let line = LogLine::from(Commit::author(draft).unwrap());
    state.took_early(book, line.clone());
    assert!(!state.may_write_early() && state.behind());
    assert_eq!(state.about.as_ref().unwrap().unsent, (1, Some(UtcMs(77))));
    assert_eq!(state.end_of(book), log.end() + 1);
    (state, line)
}

#[test]
fn what_was_written_early_stands_in_the_log_once_whether_or_not_it_was_read_with_it() {
    for read_with_it in [false, true] {
        let log = log(3);
        let (mut state, line) = written(&log);
        let mut read = log.clone();
        if read_with_it {
            read.take(line.clone());
        }
        let mut logs = Logs::from([(log.book().id(), read)]);
        state.settle(&mut logs).unwrap();
        let settled = &logs[&log.book().id()];
        assert_eq!(settled.end(), log.end() + 1);
        assert_eq!(settled.lines_after(log.end()).map(|(_, text)| text).collect::<Vec<_>>(), [line.text()]);
        assert!(state.summary.is_none() && !state.behind() && state.tips.is_empty());
    }
}

#[test]
fn a_log_that_is_not_what_was_written_on_is_damage_and_a_view_of_it_is_not_shown() {
    let (mut state, _) = written(&log(3));
    let mut other = Logs::from([(BOOK.parse().unwrap(), log(2))]);
    let said = state.settle(&mut other).unwrap_err().to_string();
    assert!(said.contains("the end of book") && said.contains("What is stored stays"), "{said}");
    assert!(state.behind(), "what was written is still known");

    let log = log(3);
    let mut state = State {
        tips: [(log.book().id(), Tip::of(&self::log(2)))].into(),
        summary: Some(std::rc::Rc::new(nothing())),
        ..State::default()
    };
    state.settle(&mut Logs::from([(log.book().id(), log)])).unwrap();
    assert!(state.summary.is_none(), "nothing was written: the books are shown");
}

/// An answer that had no room left names a book of which nothing has come yet.
#[test]
fn a_book_of_which_nothing_has_come_holds_nothing_up() {
    let log = log(2);
    let (mut state, _) = written(&log);
    let nothing_yet = BookId::new(9, [9; 10]);
    state.tips.insert(nothing_yet, Tip::of(&Log::new(nothing_yet)));
    let mut logs = Logs::from([(log.book().id(), log.clone())]);
    state.settle(&mut logs).unwrap();
    assert_eq!(logs[&log.book().id()].end(), log.end() + 1);
}
