//! Golden bytes: lines written by format 1 are read, hashed and written the same for ever.
//!
//! `tests/data/golden/format-1.ndjson` was written once and is never written again. If a test here
//! fails, the code is wrong, or a dependency has changed what it computes; the file is right.

use std::io::Write as _;
use std::process::{Command, Stdio};

use bolebook_core::book::Book;
use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::{CHAIN_START, Entry, LogLine, chain_after};
use bolebook_core::ids::{BookId, CommitHash, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::{Body, Record};
use bolebook_core::signing::SecretKey;
use bolebook_tests::crowd::{Crowd, Step, accepted_examples};
use bolebook_tests::root;

fn lines() -> Vec<String> {
    let text = std::fs::read_to_string(root().join("tests/data/golden/format-1.ndjson")).unwrap();
    text.lines().map(str::to_owned).collect()
}

fn commits() -> Vec<Commit> {
    let parsed = lines().into_iter().map(|line| LogLine::parse(&line).unwrap().into_entry());
    parsed.filter_map(|entry| if let Entry::Commit(commit) = entry { Some(commit) } else { None }).collect()
}

fn book_id(genesis: &Commit) -> BookId {
    match Record::read(&genesis.records()[0]).unwrap().body {
        Body::Genesis(genesis) => genesis.book,
        _ => panic!("the first golden commit is a genesis"),
    }
}

#[test]
fn golden_commits_are_read_hashed_and_written_to_the_same_bytes() {
    let lines = lines();
    for line in lines.iter().filter(|line| line.contains("\"records\"")) {
        let read = Commit::parse(line).unwrap();
        assert_eq!(&read.line(), line);
        let again = Commit::author(Draft {
            actor: read.actor(),
            seq: read.seq(),
            start_op: read.start_op(),
            time: read.time(),
            deps: read.deps().to_vec(),
            records: read.records().to_vec(),
        });
        assert_eq!(again, Ok(read));
    }
}

#[test]
fn golden_hashes_are_these() {
    let hashes: Vec<String> = commits().iter().map(|c| c.hash().to_string()).collect();
    assert_eq!(hashes, HASHES);
}

/// The Automerge binary format: a chunk is the magic bytes 85 6f 4a 83, four bytes of checksum,
/// then what the SHA-256 is over; the checksum is the first four bytes of it.
#[test]
fn a_commit_hash_is_that_of_the_automerge_change_chunk() {
    for commit in commits() {
        let change = commit.to_change();
        let bytes = change.raw_bytes();
        assert_eq!(bytes[..4], [0x85, 0x6f, 0x4a, 0x83]);
        let digest = Sha256Hash::of(&bytes[8..]);
        assert_eq!(CommitHash(digest.0), commit.hash());
        assert_eq!(bytes[4..8], digest.0[..4]);
    }
}

#[test]
fn golden_lines_make_a_book_whose_heads_chain_and_document_are_these() {
    let mut book = Book::new(book_id(&commits()[0]));
    let mut chain = CHAIN_START;
    for line in lines() {
        let line = LogLine::parse(&line).unwrap();
        chain = chain_after(chain, line.hash());
        match line.into_entry() {
            Entry::Commit(commit) => drop(book.take(commit).unwrap()),
            Entry::Signature(signed) => book.take_signature(signed),
        }
    }
    assert_eq!(chain.to_string(), CHAIN);
    assert_eq!(book.heads().iter().map(ToString::to_string).collect::<Vec<_>>(), [HASHES[HASHES.len() - 1]]);
    let mut heads: Vec<String> =
        book.document().unwrap().get_heads().iter().map(ToString::to_string).collect();
    heads.sort();
    assert_eq!(heads, [HASHES[HASHES.len() - 1]]);
}

/// The keys are those of the example records: seeds of 32 bytes 1 (root), 2 (office) and 3 (crew).
#[test]
fn golden_signatures_hold_and_ed25519_gives_them_again() {
    let book = book_id(&commits()[0]);
    let mut checked = 0;
    for line in lines() {
        let Entry::Signature(signed) = LogLine::parse(&line).unwrap().into_entry() else { continue };
        let key = (1..=3)
            .map(|n| SecretKey::from_seed([n; 32]))
            .find(|key| key.device() == signed.actor.device())
            .unwrap();
        signed.verify(book, &key.public()).unwrap();
        let message =
            bolebook_core::signing::HeadSignature::message(book, signed.actor, signed.seq, signed.hash);
        assert_eq!(message.len(), 15 + 16 + 32 + 8 + 32);
        assert_eq!(key.sign(&message), signed.signature);
        checked += 1;
    }
    assert_eq!(checked, 3);
}

/// A second implementation, in Python with nothing but its standard library, written from the format
/// page and the published Automerge binary format.
fn hashes_by_python(lines: &[String]) -> Vec<String> {
    let python = xtask::setup::python().unwrap();
    let mut child = Command::new(python)
        .arg(root().join("tests/reference/commit_hash.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all((lines.join("\n") + "\n").as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success());
    String::from_utf8(output.stdout).unwrap().lines().map(str::to_owned).collect()
}

#[test]
fn python_computes_the_golden_hashes_and_the_golden_chain() {
    let found = hashes_by_python(&lines());
    let commits: Vec<&str> = found.iter().map(String::as_str).filter(|hash| HASHES.contains(hash)).collect();
    assert_eq!(commits, HASHES);
    assert_eq!(found.last().map(String::as_str), Some(CHAIN));
}

#[test]
fn python_computes_the_hash_of_every_commit_of_a_crowd() {
    let steps: Vec<Step> = (0u16..300)
        .map(|n| Step { device: (n * 7 % 4) as u8, act: (n * 11 % 5) as u8, pick: n.wrapping_mul(2_654) })
        .collect();
    let mut book = Crowd::play(&steps).all();
    book.write(book.commits()[0].actor(), UtcMs(-5), &accepted_examples()).unwrap();
    let lines: Vec<String> = book.commits().iter().map(Commit::line).collect();
    assert!(lines.len() > 200 && book.commits().iter().any(|c| c.deps().len() > 2));
    let expected: Vec<String> = book.commits().iter().map(|c| c.hash().to_string()).collect();
    let mut found = hashes_by_python(&lines);
    found.pop();
    assert_eq!(found, expected);
}

const CHAIN: &str = "9de7d38ff5db6e366214bef5b4a3b72439a08a56039e39b0ef55cab1b5ad24ff";
const HASHES: [&str; 4] = [
    "b236c74aa5ffc6ce7d61df40e14b636bd6b52b3e4f7d397d8f3294397e5ed569",
    "d29fc05e17e9aa2d90c05bdfb837b66f263577e371047a040c9abb721bb340ad",
    "b8d9662afaa0df9b0dc7dda55e69d5de5930e52e7090762a4ec531b3262a9ba8",
    "1a3a38b91e0aa6fd6b68a395501b5e0f1d6aff40665c4f749d1a59edbe210950",
];
