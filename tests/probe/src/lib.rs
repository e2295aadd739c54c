//! The core's answers to a list of questions, as text: the same on every platform, or a test fails.

use std::error::Error;

use bolebook_core::balance::balance;
use bolebook_core::book::Book;
use bolebook_core::check::check;
use bolebook_core::commit::{Commit, Draft};
use bolebook_core::dosing::charges::choose;
use bolebook_core::dosing::dose::dose_for;
use bolebook_core::export::{
    NoNames, applications_csv, balance_json, findings_json, summary_json, trees_csv, trees_geojson,
};
use bolebook_core::facts::{Authority, HeldReason};
use bolebook_core::ids::{ActorId, BookId, CommitHash, CrewId, DeviceId, Sha256Hash};
use bolebook_core::quantity::{Um, UtcMs};
use bolebook_core::record::people::Role;
use bolebook_core::record::{Body, Kind, Record, record_schema};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_core::view::{View, Yard};
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
    /// Dose and charges of a stem under a label.
    Dose {
        /// The text of the label's record.
        label: String,
        /// The text of the kit's record.
        kit: String,
        /// The diameter, in micrometres.
        diameter_um: i64,
    },
    /// Everything that is computed from the books of a yard and a job, given as commit lines.
    Books {
        /// The yard's.
        yard: Vec<String>,
        /// The job's.
        job: Vec<String>,
    },
}

/// Trusts everyone as the office: for questions that are not about authority.
pub struct Everyone;

impl Authority for Everyone {
    fn role(&self, _: DeviceId) -> Option<Role> {
        Some(Role::Office)
    }

    fn crew(&self, _: DeviceId) -> Option<CrewId> {
        None
    }

    fn hold(&self, _: &Book, _: &Commit) -> Option<HeldReason> {
        None
    }
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
        Ok(Question::Dose { label, kit, diameter_um }) => shown(dose(&label, &kit, Um(diameter_um))),
        Ok(Question::Books { yard, job }) => shown(books(&yard, &job)),
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

fn dose(label: &str, kit: &str, diameter: Um) -> Result<String, Box<dyn Error>> {
    let (Body::Label(label), Body::Kit(kit)) = (Record::read(label)?.body, Record::read(kit)?.body) else {
        return Err("a label and a kit are asked for".into());
    };
    let dose = dose_for(&label, &label.rates.first().ok_or("a label without rates")?.purpose, diameter)?;
    let charges = choose(&dose, &label.charges, &kit.containers);
    Ok(format!("dose {dose:?} {charges:?}"))
}

fn books(yard: &[String], job: &[String]) -> Result<String, Box<dyn Error>> {
    let (yard, job) = (book(yard)?, book(job)?);
    let yard = Yard::read(&yard, &Everyone)?;
    let view = View::read(&job, &yard, &Everyone)?;
    let balance = balance(&yard, &[&view]);
    let findings = check(&view, &balance);
    let mut answer = format!("{} trees, {} findings", view.trees.len(), findings.len());
    for export in [
        trees_csv(&view, &findings)?,
        applications_csv(&view, &findings, &NoNames)?,
        trees_geojson(&view, &findings)?,
        findings_json(&view, &findings)?,
        balance_json(&view, &balance)?,
        summary_json(&view, &findings, &balance)?,
    ] {
        answer += &format!(", {} bytes {}", export.len(), Sha256Hash::of(export.as_bytes()));
    }
    Ok(answer)
}

fn book(lines: &[String]) -> Result<Book, Box<dyn Error>> {
    let commits = lines.iter().map(|line| Commit::parse(line)).collect::<Result<Vec<_>, _>>()?;
    let genesis = commits.first().and_then(|c| c.records().first()).ok_or("a book without commits")?;
    let Body::Genesis(genesis) = Record::read(genesis)?.body else { return Err("not a genesis".into()) };
    let mut book = Book::new(genesis.book);
    for commit in commits {
        book.take(commit)?;
    }
    Ok(book)
}

fn shown<T: std::fmt::Display, E: std::fmt::Display>(outcome: Result<T, E>) -> String {
    match outcome {
        Ok(value) => value.to_string(),
        Err(error) => format!("error {error}"),
    }
}
