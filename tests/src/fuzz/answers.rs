//! Targets that take what a hostile server answers, and requests in the short form.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use bolebook_core::exchange::short::{ShortLine, ShortReader, shorten};
use bolebook_core::exchange::{
    AnswerError, AnswerReader, Asked, Cursor, Entry, LogLine, RequestLine, chain_after,
};
use bolebook_core::ids::{BookId, DeviceId};
use bolebook_core::signing::{HeadSignature, SecretKey};
use serde_json::{Value, json};

use crate::fuzz::books::{BOOK, changed_commit};
use crate::fuzz::{Ended, mutate};
use crate::sim::dice::Dice;

const SERVER: DeviceId = DeviceId([9; 16]);

/// Two commits that the device offers.
static OWN: LazyLock<Vec<LogLine>> = LazyLock::new(|| {
    let mut dice = Dice::new(1);
    let lines = std::iter::repeat_with(|| LogLine::parse(&changed_commit(&mut dice)));
    lines.filter_map(Result::ok).take(2).collect()
});
/// What it asked: one book from its beginning.
static ASKED: LazyLock<BTreeMap<BookId, Asked>> = LazyLock::new(|| {
    let offered = OWN.iter().map(LogLine::hash).collect();
    let asked = Asked { cursor: Cursor::START, offered, sent_to: 0, looked_to: 2 };
    [(BOOK.id(), asked)].into()
});
static KEY: LazyLock<SecretKey> = LazyLock::new(|| SecretKey::from_seed([41; 32]));

fn signature_on(line: &str) -> Option<String> {
    match LogLine::parse(line).ok()?.into_entry() {
        Entry::Commit(c) => Some(HeadSignature::sign(&KEY, BOOK.id(), c.actor(), c.seq(), c.hash()).line()),
        Entry::Signature(_) => None,
    }
}

/// Makes an answer whose chain comes out, then changes it in a place or two more often than not.
pub fn make_answer(dice: &mut Dice) -> Vec<u8> {
    let (mut lines, mut chain, mut end) = (vec![], Cursor::START.chain, 0u64);
    let own_first = dice.chance(500);
    for step in 0..=dice.below(3) {
        if step == 0 && own_first {
            lines.push(json!({ "yours": [0, 1] }).to_string());
            for line in &*OWN {
                (chain, end) = (chain_after(chain, line.hash()), end + 1);
            }
            continue;
        }
        let commit = changed_commit(dice);
        let signed = signature_on(&commit).filter(|_| dice.chance(200));
        for text in [Some(commit), signed].into_iter().flatten() {
            if let Ok(line) = LogLine::parse(&text) {
                (chain, end) = (chain_after(chain, line.hash()), end + 1);
            }
            lines.push(text);
        }
    }
    let new = dice.below(3);
    let mut head = json!({ "book": BOOK.id(), "from": 0, "appended": new, "known": 2 - new, "end": end,
        "chain": chain, "more": dice.chance(200), "findings_to": null });
    let mut start = json!({ "exchange": 1, "server": SERVER, "now": 1_780_315_200_000i64 });
    for value in [&mut start, &mut head] {
        if dice.chance(150) {
            mutate::value(dice, value);
        }
    }
    lines.splice(0..0, [start.to_string(), head.to_string()]);
    if dice.chance(300) {
        let (at, other) = (dice.below(lines.len()), dice.below(lines.len()));
        match dice.below(3) {
            0 => drop(lines.remove(at)),
            1 => lines.swap(at, other),
            _ => lines
                .insert(at, json!({ "yours": [dice.below(4), dice.number() >> dice.below(64)] }).to_string()),
        }
    }
    let mut body = lines.join("\n").into_bytes();
    if dice.chance(150) {
        mutate::bytes(dice, &mut body);
    }
    body
}

/// Reads an answer as every client does. What it lets pass fits the request: its lines, the device's
/// own among them, come out at the chain and position that it names, and it speaks of every line offered.
pub fn answer(bytes: &[u8]) -> Ended {
    let Ok(text) = std::str::from_utf8(bytes) else { return Ended::early("not UTF-8") };
    let mut reader = AnswerReader::new(SERVER, &ASKED);
    let read = text.lines().try_for_each(|line| reader.line(line)).and_then(|()| reader.end());
    let answer = match read {
        Err(AnswerError::Line { .. }) => return Ended::early("a line is none"),
        Err(AnswerError::Misfit(why)) => return Ended::passed(why),
        Ok(answer) => answer,
    };
    let (mut own, mut brought) = (0, 0);
    for (book, part) in &answer.books {
        let asked = &ASKED[book];
        let chain = part.hashes.iter().fold(asked.cursor.chain, |chain, hash| chain_after(chain, *hash));
        assert_eq!((chain, part.hashes.len() as u64), (part.head.chain, part.head.end - part.head.from));
        assert_eq!(part.head.appended + part.head.known, asked.offered.len() as u64);
        let mut lines = part.lines.iter().map(LogLine::hash).peekable();
        for hash in &part.hashes {
            if lines.next_if_eq(hash).is_some() {
                brought += 1;
            } else {
                assert!(asked.offered.contains(hash), "a hash of no line");
                own += 1;
            }
        }
        assert!(lines.next().is_none(), "a line beside the chain");
    }
    Ended::passed(format!("believed, {brought} brought, {own} own"))
}

/// Makes a request in either form, of lines that are some; the short one changed in a line now and then.
pub fn make_short(dice: &mut Dice) -> Vec<u8> {
    let zero = "0".repeat(64);
    let mut lines = vec![
        json!({ "exchange": 1, "now": dice.between(0, 2_000_000_000_000) }).to_string(),
        json!({ "book": BOOK.id(), "server": null, "position": 0, "chain": zero }).to_string(),
    ];
    for _ in 0..=dice.below(3) {
        let commit = changed_commit(dice);
        if LogLine::parse(&commit).is_ok() {
            let signed = signature_on(&commit).filter(|_| dice.chance(300));
            lines.push(commit);
            lines.extend(signed);
        }
    }
    let long = lines.join("\n") + "\n";
    let Some(short) = shorten(&long).filter(|_| dice.chance(800)) else { return long.into_bytes() };
    let mut lines: Vec<String> = short.lines().map(str::to_owned).collect();
    if dice.chance(400) {
        let at = dice.below(lines.len());
        if let Ok(mut value) = serde_json::from_str::<Value>(&lines[at]) {
            mutate::once(dice, &mut value);
            lines[at] = value.to_string();
        }
    }
    if dice.chance(150) {
        let (at, other) = (dice.below(lines.len()), dice.below(lines.len()));
        lines.swap(at, other);
    }
    let mut body = lines.join("\n").into_bytes();
    if dice.chance(100) {
        mutate::bytes(dice, &mut body);
    }
    body
}

/// The log lines of a body, and whether each book's check holds; nothing when a line is none.
fn read_short(text: &str) -> Option<(Vec<LogLine>, bool)> {
    let (mut lines, mut holds) = (vec![], true);
    let mut reader = ShortReader::default();
    for line in text.lines() {
        match RequestLine::parse(line) {
            Ok(RequestLine::Start(_)) => {}
            Ok(RequestLine::Book(_)) => reader = ShortReader::default(),
            _ => match reader.read(line).ok()? {
                ShortLine::Log(log) => lines.push(log),
                ShortLine::Checked(right) => holds &= right,
            },
        }
    }
    Some((lines, holds))
}

/// Reads a request in the short form. Every line that comes out is a line of the log, and written short
/// again it is read as the same with its check holding.
pub fn short(bytes: &[u8]) -> Ended {
    let Ok(text) = std::str::from_utf8(bytes) else { return Ended::early("not UTF-8") };
    let Some((lines, holds)) = read_short(text) else { return Ended::early("a line is none") };
    let head = json!({ "book": BOOK.id(), "server": null, "position": 0, "chain": "0".repeat(64) });
    let mut long = format!("{}\n{head}\n", json!({ "exchange": 1, "now": 1 }));
    for line in &lines {
        assert_eq!(LogLine::parse(line.text()).as_ref(), Ok(line), "a line that no log takes");
        long.push_str(line.text());
        long.push('\n');
    }
    let again = shorten(&long);
    if let Some(short) = &again {
        assert_eq!(read_short(short), Some((lines.clone(), true)), "shortened, it is read otherwise");
    }
    let check = if holds { "the check holds" } else { "the check does not hold" };
    Ended::passed(format!("{} lines, {check}{}", lines.len(), if again.is_some() { ", shorter" } else { "" }))
}
