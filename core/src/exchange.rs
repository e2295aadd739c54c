//! Exchange: what one round trip between two logs carries (`docs/exchange-protocol.md`).
//!
//! FROZEN with exchange version 1. Both bodies are lines of JSON. A request opens with
//! [`RequestStart`]; each book follows as a [`BookRequest`] and the log lines its sender offers.
//! An answer opens with [`AnswerStart`]; each book follows as a [`BookAnswer`] and the log lines
//! after the cursor, those the sender itself just offered named by [`Yours`] instead of echoed.

mod answer;
pub mod short;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::commit::{Commit, CommitError};
use crate::ids::{BookId, CommitHash, DeviceId, Sha256Hash};
use crate::quantity::UtcMs;
use crate::signing::HeadSignature;

pub use answer::{Answer, AnswerError, AnswerReader, Asked, Part};

/// The version spoken here.
pub const EXCHANGE_VERSION: u64 = 1;
/// The version of a request whose lines may leave out what follows from them ([`short`]).
pub const SHORT_VERSION: u64 = 2;
/// Longest line of a body, in bytes: the longest commit line.
pub const MAX_LINE_BYTES: usize = crate::commit::MAX_COMMIT_BYTES;
/// Longest line that opens a body or a book, in bytes.
pub const MAX_HEADER_BYTES: usize = 4 * 1024;
/// Most lines of a request's body.
pub const MAX_LINES: usize = 50_000;
/// Most bytes of a request's body as it travels, compressed or not.
pub const MAX_BODY_BYTES: usize = 16 * 1024 * 1024;
/// Most bytes of a request's body once decompressed.
pub const MAX_UNPACKED_BYTES: usize = 64 * 1024 * 1024;
/// Most books of one request.
pub const MAX_BOOKS: usize = 500;
/// The media type of both bodies.
pub const MEDIA_TYPE: &str = "application/x-ndjson";

/// The chain before the first line of a book's log: 32 zero bytes.
pub const CHAIN_START: Sha256Hash = Sha256Hash([0; 32]);

/// The chain after one more line: SHA-256 of the chain before it and the line's entry hash.
pub fn chain_after(chain: Sha256Hash, entry: Sha256Hash) -> Sha256Hash {
    let mut hasher = Sha256::new();
    hasher.update(chain.0);
    hasher.update(entry.0);
    Sha256Hash(hasher.finalize().into())
}

/// How far a reader has come in one server's log of a book.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cursor {
    /// The last position taken in; 0 before the first.
    pub position: u64,
    /// The chain there.
    pub chain: Sha256Hash,
}

impl Cursor {
    /// Before the first line.
    pub const START: Self = Self { position: 0, chain: CHAIN_START };
}

/// A line is none of those an exchange can carry.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LineError {
    /// A commit that is wrong in itself.
    #[error(transparent)]
    Commit(#[from] CommitError),
    /// A head signature that is not spelled the one way it can be.
    #[error(
        "not a head signature: fields actor, hash, seq, signature in this order, without spaces, the signature 128 lower-case hexadecimal digits"
    )]
    Signature,
    /// The opening line of a body or a book that is not one.
    #[error("not a line of an exchange: {0}")]
    Header(String),
}

impl LineError {
    /// A stable code for programs.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Commit(CommitError::Hash { .. }) => "hash-mismatch",
            Self::Commit(CommitError::Size { .. }) => "commit-too-large",
            Self::Commit(_) => "commit-malformed",
            Self::Signature => "signature-malformed",
            Self::Header(_) => "line-malformed",
        }
    }
}

/// What a line of a log states.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Entry {
    /// A commit.
    Commit(Commit),
    /// A device's word for the end of one of its chains.
    Signature(HeadSignature),
}

/// A line of a log, in the one spelling it can have.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogLine {
    text: String,
    entry: Entry,
}

impl From<Commit> for LogLine {
    fn from(commit: Commit) -> Self {
        Self { text: commit.line(), entry: Entry::Commit(commit) }
    }
}

impl From<HeadSignature> for LogLine {
    fn from(signed: HeadSignature) -> Self {
        Self { text: signed.line(), entry: Entry::Signature(signed) }
    }
}

impl LogLine {
    /// Reads a line from outside; a commit's hash is computed and compared.
    ///
    /// # Errors
    /// [`LineError`] with the first rule broken. Never panics, whatever the text.
    pub fn parse(text: &str) -> Result<Self, LineError> {
        let entry = match line_type(text) {
            LineType::Commit => Entry::Commit(Commit::parse(text)?),
            LineType::Signature => Entry::Signature(parse_signature(text)?),
            LineType::Header => {
                return Err(LineError::Header("expected a commit or a head signature".into()));
            }
        };
        Ok(Self { text: text.to_owned(), entry })
    }

    /// Reads a line this device has already checked and stored; hashes are not computed again.
    ///
    /// # Errors
    /// [`LineError`] when the stored line is not one: the store is damaged.
    pub fn parse_stored(text: &str) -> Result<Self, LineError> {
        match line_type(text) {
            LineType::Commit => {
                Ok(Self { text: text.to_owned(), entry: Entry::Commit(Commit::parse_stored(text)?) })
            }
            _ => Self::parse(text),
        }
    }

    /// Its text, without the line end.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// What it states.
    pub fn entry(&self) -> &Entry {
        &self.entry
    }

    /// What it states, the text dropped.
    pub fn into_entry(self) -> Entry {
        self.entry
    }

    /// What the chain runs over: a commit's own hash, or the SHA-256 of a signature's line.
    pub fn hash(&self) -> Sha256Hash {
        match &self.entry {
            Entry::Commit(commit) => Sha256Hash(commit.hash().0),
            Entry::Signature(_) => Sha256Hash::of(self.text.as_bytes()),
        }
    }
}

enum LineType {
    Commit,
    Signature,
    Header,
}

/// Log lines have one spelling, so their beginning tells them apart without reading them whole.
fn line_type(text: &str) -> LineType {
    const ACTOR: &str = r#"{"actor":"#;
    match text.strip_prefix(ACTOR) {
        Some(rest) => match rest.get(66..73) {
            Some(r#","hash""#) => LineType::Signature,
            _ => LineType::Commit,
        },
        None => LineType::Header,
    }
}

fn parse_signature(text: &str) -> Result<HeadSignature, LineError> {
    if text.len() > MAX_HEADER_BYTES {
        return Err(LineError::Signature);
    }
    let signed: HeadSignature = serde_json::from_str(text).map_err(|_| LineError::Signature)?;
    let digits = &signed.signature.0;
    let hexadecimal = digits.len() == 128 && digits.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    if hexadecimal && signed.line() == text { Ok(signed) } else { Err(LineError::Signature) }
}

/// The first line of a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RequestStart {
    /// The version spoken, [`EXCHANGE_VERSION`].
    pub exchange: u64,
    /// The sender's clock.
    pub now: UtcMs,
}

/// Opens a book in a request. The log lines the sender offers follow it, in causal order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BookRequest {
    /// The book.
    pub book: BookId,
    /// Whose cursor this is; null with position 0 at first contact.
    pub server: Option<DeviceId>,
    /// The last position taken in from that server; 0 before the first.
    pub position: u64,
    /// The chain there.
    pub chain: Sha256Hash,
}

/// The first line of an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AnswerStart {
    /// The version spoken, [`EXCHANGE_VERSION`].
    pub exchange: u64,
    /// The answering server's device.
    pub server: DeviceId,
    /// Its clock.
    pub now: UtcMs,
}

/// Opens a book in an answer. What stands at positions `from` + 1 to `end` follows it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BookAnswer {
    /// The book.
    pub book: BookId,
    /// The position the request gave.
    pub from: u64,
    /// How many of the offered lines were new.
    pub appended: u64,
    /// How many of the offered lines the log had already.
    pub known: u64,
    /// The last position this answer carries: the new cursor's.
    pub end: u64,
    /// The chain there.
    pub chain: Sha256Hash,
    /// Whether the log goes on after `end`: ask again from there.
    pub more: bool,
    /// Up to which position the server's findings stand; null when it has none yet.
    pub findings_to: Option<u64>,
}

/// A run of log lines the requester itself just offered: the offered lines of this book from the
/// first to the last index (counted from 0), at as many following positions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Yours {
    /// First and last index.
    pub yours: [u64; 2],
}

/// A line of a request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RequestLine {
    /// Opens the request.
    Start(RequestStart),
    /// Opens a book.
    Book(BookRequest),
    /// Offers a line of the open book's log.
    Log(LogLine),
}

impl RequestLine {
    /// Reads a line of a request.
    ///
    /// # Errors
    /// [`LineError`] with the first rule broken.
    pub fn parse(text: &str) -> Result<Self, LineError> {
        match line_type(text) {
            LineType::Header => {
                let value = header(text)?;
                if value.get("book").is_some() {
                    Ok(Self::Book(typed(value)?))
                } else {
                    Ok(Self::Start(typed(value)?))
                }
            }
            _ => Ok(Self::Log(LogLine::parse(text)?)),
        }
    }
}

/// A line of an answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum AnswerLine {
    /// Opens the answer.
    Start(AnswerStart),
    /// Opens a book.
    Book(BookAnswer),
    /// A line of the open book's log.
    Log(LogLine),
    /// Lines the requester has.
    Yours(Yours),
}

impl AnswerLine {
    /// Reads a line of an answer; the receiver believes no hash it has not computed.
    ///
    /// # Errors
    /// [`LineError`] with the first rule broken.
    pub fn parse(text: &str) -> Result<Self, LineError> {
        match line_type(text) {
            LineType::Header => {
                let value = header(text)?;
                if value.get("book").is_some() {
                    Ok(Self::Book(typed(value)?))
                } else if value.get("yours").is_some() {
                    Ok(Self::Yours(typed(value)?))
                } else {
                    Ok(Self::Start(typed(value)?))
                }
            }
            _ => Ok(Self::Log(LogLine::parse(text)?)),
        }
    }
}

fn header(text: &str) -> Result<serde_json::Value, LineError> {
    if text.len() > MAX_HEADER_BYTES {
        return Err(LineError::Header(format!("{} bytes; at most {MAX_HEADER_BYTES}", text.len())));
    }
    serde_json::from_str(text).map_err(|e| LineError::Header(e.to_string()))
}

fn typed<T: serde::de::DeserializeOwned>(value: serde_json::Value) -> Result<T, LineError> {
    serde_json::from_value(value).map_err(|e| LineError::Header(e.to_string()))
}

/// An error as a server says it (RFC 9457 problem details, with this protocol's members).
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Problem {
    /// `urn:bolebook:problem:` and the code.
    #[serde(rename = "type")]
    pub type_uri: String,
    /// What kind of thing went wrong, in a few words.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// What went wrong here and what to do about it.
    pub detail: String,
    /// A stable code for programs.
    pub code: String,
    /// The request, for the server's own log.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub request_id: Option<String>,
    /// The book concerned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub book: Option<BookId>,
    /// The index, from 0, of the refused line among those offered for the book.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<u64>,
    /// The commit concerned: the refused one, or for `unknown-dependency` the one that is missing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hash: Option<CommitHash>,
    /// For `chain-mismatch`: the last position of the server's log.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<u64>,
    /// For `chain-mismatch`: the chain there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chain: Option<Sha256Hash>,
}

/// Codes a client acts on; the others are for people.
pub mod code {
    /// The cursor is not of this log: the server was restored. Pull from 0, then push what it lacks.
    pub const CHAIN_MISMATCH: &str = "chain-mismatch";
    /// A commit depends on one the log lacks: do the same.
    pub const UNKNOWN_DEPENDENCY: &str = "unknown-dependency";
    /// The log has another commit of this actor and number: lay the local log out anew, and have
    /// the branch that does not fit rescued.
    pub const ACTOR_FORKED: &str = "actor-forked";
    /// The actor's chain goes on otherwise: the same.
    pub const SEQUENCE_GAP: &str = "sequence-gap";
    /// A line is wrong in itself: set it and what depends on it aside, and go on.
    pub const OF_A_LINE: &[&str] = &[
        "hash-mismatch",
        "commit-malformed",
        "commit-too-large",
        "operation-numbers",
        "not-genesis",
        "signature-target",
        "signature-malformed",
        "signature-invalid",
        "line-malformed",
        "not-utf-8",
    ];
    /// The cursor is of another server's log.
    pub const OTHER_SERVER: &str = "other-server";
    /// The access token is none, or no longer valid: get another.
    pub const TOKEN: &str = "token-invalid";
    /// The short form was not understood, or was damaged on its way: send the same in version 1.
    pub const SEND_LONG: &[&str] = &["exchange-version", "lines-mismatch"];
    /// The office has not opened the book to this device: leave it, and go on with the others.
    pub const BOOK_REFUSED: &str = "book-refused";
    /// An author has added as much as an hour allows: wait as `Retry-After` says, and send it again.
    pub const QUOTA: &str = "quota";
    /// Too many requests: wait as `Retry-After` says.
    pub const RATE: &str = "too-many-requests";
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::commit::Draft;
    use crate::ids::{ActorId, RecordId};
    use crate::signing::SecretKey;

    fn commit() -> Commit {
        let actor = ActorId::new(SecretKey::from_seed([7; 32]).device(), [1; 16]);
        let id = RecordId::new(1, [2; 10]);
        let records = vec![format!(r#"{{"id":"{id}"}}"#)];
        Commit::author(Draft { actor, seq: 1, start_op: 1, time: UtcMs(1), deps: vec![], records }).unwrap()
    }

    fn signature() -> HeadSignature {
        let commit = commit();
        let key = SecretKey::from_seed([7; 32]);
        HeadSignature::sign(&key, BookId::new(1, [3; 10]), commit.actor(), 1, commit.hash())
    }

    #[test]
    fn a_line_is_what_its_beginning_says_and_comes_back_the_same() {
        for line in [LogLine::from(commit()), LogLine::from(signature())] {
            assert_eq!(LogLine::parse(line.text()), Ok(line.clone()));
            assert_eq!(LogLine::parse_stored(line.text()), Ok(line.clone()));
            assert_eq!(RequestLine::parse(line.text()), Ok(RequestLine::Log(line)));
        }
    }

    #[test]
    fn a_signature_line_has_one_spelling() {
        let line = signature().line();
        for bad in [
            line.replace(r#","seq""#, r#", "seq""#),
            line.replace(r#""seq":1"#, r#""seq":1.0"#),
            line.to_uppercase(),
            line.replace(&signature().signature.0, "00"),
            format!("{line} "),
        ] {
            assert!(LogLine::parse(&bad).is_err(), "{bad}");
        }
    }

    /// SHA-256 of 64 zero bytes, computed with Python's hashlib.
    #[test]
    fn the_chain_is_sha_256_over_chain_and_entry() {
        assert_eq!(
            chain_after(CHAIN_START, Sha256Hash([0; 32])).to_string(),
            "f5a5fd42d16a20302798ef6ed309979b43003d2320d9f0e8ea9831a92759fb4b"
        );
    }

    #[test]
    fn refuses_what_is_no_line_of_an_exchange() {
        let long = format!(r#"{{"book":"{}"}}"#, "x".repeat(MAX_HEADER_BYTES));
        let deep = "[".repeat(3_000);
        for bad in
            ["", "{", "null", "[]", r#"{"actor":"é"#, r#"{"yours":[0]}"#, r#"{"exchange":1}"#, &long, &deep]
        {
            assert!(RequestLine::parse(bad).is_err(), "{bad}");
            assert!(AnswerLine::parse(bad).is_err(), "{bad}");
        }
    }
}
