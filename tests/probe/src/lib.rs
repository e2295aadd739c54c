//! The core's answers to a list of questions, as text: the same on every platform, or a test fails.

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::ids::{ActorId, BookId, CommitHash, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::{Kind, Record, record_schema};
use bolebook_core::signing::{HeadSignature, SecretKey};
use serde::{Deserialize, Serialize};

/// A question to the core.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "snake_case", deny_unknown_fields)]
pub enum Question {
    /// Read a record's text and write it back.
    Record {
        /// The text.
        text: String,
    },
    /// Put texts into a commit, sign it, write its line and change, and read the line back.
    Commit {
        /// Seed byte of the author's key.
        seed: u8,
        /// Its place in the chain.
        seq: u64,
        /// The records' texts.
        records: Vec<String>,
    },
    /// Read a commit line.
    Line {
        /// The line.
        text: String,
    },
    /// Every kind's schema.
    Schemas,
}

/// Answers questions, one JSON line each, with one line each.
pub fn answers(questions: &str) -> String {
    questions.lines().map(|line| answer(line) + "\n").collect()
}

fn answer(line: &str) -> String {
    match serde_json::from_str::<Question>(line) {
        Ok(Question::Record { text }) => match Record::read(&text) {
            Ok(record) => format!("record {}", shown(record.to_canonical())),
            Err(error) => format!("refused {error}"),
        },
        Ok(Question::Commit { seed, seq, records }) => commit(seed, seq, records),
        Ok(Question::Line { text }) => match Commit::parse(&text) {
            Ok(commit) => format!("commit {} {}", commit.hash(), commit.last_op()),
            Err(error) => format!("refused {error}"),
        },
        Ok(Question::Schemas) => {
            let all: String = Kind::ALL.iter().map(|kind| record_schema(*kind).to_string()).collect();
            format!("schemas {}", Sha256Hash::of(all.as_bytes()))
        }
        Err(error) => format!("not a question: {error}"),
    }
}

fn commit(seed: u8, seq: u64, records: Vec<String>) -> String {
    let key = SecretKey::from_seed([seed; 32]);
    let actor = ActorId::new(key.device(), [seed; 16]);
    let time = UtcMs(1_789_387_200_000);
    let deps = vec![CommitHash([seed; 32])];
    let commit = match Commit::author(Draft { actor, seq, start_op: seq, time, deps, records }) {
        Ok(commit) => commit,
        Err(error) => return format!("refused {error}"),
    };
    let book = BookId::new(time.0, [seed; 10]);
    let signed = HeadSignature::sign(&key, book, actor, seq, commit.hash());
    let holds = signed.verify(book, &key.public()).is_ok();
    let change = Sha256Hash::of(commit.to_change().raw_bytes());
    let again = Commit::parse(&commit.line()).is_ok_and(|read| read == commit);
    format!("commit {} change {change} head {} holds {holds} again {again}", commit.hash(), signed.line())
}

fn shown<T: std::fmt::Display, E: std::fmt::Display>(outcome: Result<T, E>) -> String {
    match outcome {
        Ok(value) => value.to_string(),
        Err(error) => format!("error {error}"),
    }
}
