//! The short form of a request (exchange version 2): what the receiver computes anyway stays away.
//!
//! FROZEN with exchange version 2. A commit's hash is 32 random bytes, which no packing makes smaller,
//! and the receiver computes it from the content before it believes it. A request of version 2 may
//! leave it out, and with it whatever follows from the commit line before: the actor, the dependency
//! on it, the numbers that go on from its. Instead of a hash a line there is one check a book, over
//! what every line comes out as: a body damaged on its way is refused whole, and never taken for
//! another commit that happens to read well.
//!
//! The log, its lines, hashes and chains are the same in both versions, and so are answers.

use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

use crate::commit::{Commit, CommitError, Draft, MAX_COMMIT_BYTES};
use crate::exchange::{
    CHAIN_START, Entry, LineError, LogLine, RequestLine, RequestStart, SHORT_VERSION, chain_after, header,
    typed,
};
use crate::ids::{ActorId, CommitHash, Sha256Hash};
use crate::quantity::UtcMs;
use crate::signing::{HeadSignature, Signature};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ShortCommit<'a> {
    #[serde(borrow)]
    commit: Parts<'a>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Parts<'a> {
    actor: Option<ActorId>,
    deps: Option<Vec<CommitHash>>,
    #[serde(borrow)]
    records: Vec<&'a RawValue>,
    seq: Option<u64>,
    start_op: Option<u64>,
    time: UtcMs,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ShortSignature {
    signature: Signature,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Check {
    check: Sha256Hash,
}

/// The commit line before: what a short line goes on from.
#[derive(Clone, Copy, Debug)]
struct Last {
    actor: ActorId,
    hash: CommitHash,
    seq: u64,
    next_op: u64,
}

impl From<&Commit> for Last {
    fn from(commit: &Commit) -> Self {
        let (actor, hash, seq) = (commit.actor(), commit.hash(), commit.seq());
        Self { actor, hash, seq, next_op: commit.last_op() + 1 }
    }
}

/// A line of a book in a request of version 2.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ShortLine {
    /// A line of the log, as it stands there.
    Log(LogLine),
    /// The check that ends the book's lines, and whether they come out as their sender has them.
    Checked(bool),
}

/// Reads the lines of one book of a request of version 2.
#[derive(Clone, Debug)]
pub struct ShortReader {
    last: Option<Last>,
    chain: Sha256Hash,
}

impl Default for ShortReader {
    fn default() -> Self {
        Self { last: None, chain: CHAIN_START }
    }
}

impl ShortReader {
    /// Reads the next line, short or whole; whatever it leaves out is computed.
    ///
    /// # Errors
    /// [`LineError`] with the first rule broken. Never panics, whatever the text.
    pub fn read(&mut self, text: &str) -> Result<ShortLine, LineError> {
        let line = if text.starts_with("{\"check\":") {
            let Check { check } = typed(header(text)?)?;
            return Ok(ShortLine::Checked(check == self.chain));
        } else if text.starts_with("{\"commit\":") {
            let line = LogLine::from(self.commit(text)?);
            size(line.text())?;
            line
        } else if text.starts_with("{\"signature\":") {
            let ShortSignature { signature } = typed(header(text)?)?;
            let Last { actor, hash, seq, .. } = self.last.ok_or_else(nothing_before)?;
            // Through the reader of whole lines: a signature has one spelling.
            LogLine::parse(&HeadSignature { actor, hash, seq, signature }.line())?
        } else {
            LogLine::parse(text)?
        };
        self.went_by(&line);
        Ok(ShortLine::Log(line))
    }

    fn commit(&self, text: &str) -> Result<Commit, LineError> {
        size(text)?;
        let ShortCommit { commit: parts } =
            serde_json::from_str(text).map_err(|e| CommitError::Shape(e.to_string()))?;
        let before = || self.last.ok_or_else(nothing_before);
        let seq = match (parts.seq, parts.actor) {
            (Some(seq), _) => seq,
            (None, Some(_)) => 1,
            (None, None) => before()?.seq.saturating_add(1),
        };
        let draft = Draft {
            actor: parts.actor.map_or_else(|| before().map(|l| l.actor), Ok)?,
            seq,
            start_op: parts.start_op.map_or_else(|| before().map(|l| l.next_op), Ok)?,
            time: parts.time,
            deps: parts.deps.map_or_else(|| before().map(|l| vec![l.hash]), Ok)?,
            records: parts.records.into_iter().map(|r| r.get().to_owned()).collect(),
        };
        let deps = draft.deps.clone();
        let commit = Commit::author(draft)?;
        if commit.deps() != deps {
            return Err(CommitError::Deps.into());
        }
        Ok(commit)
    }

    fn went_by(&mut self, line: &LogLine) {
        self.chain = chain_after(self.chain, line.hash());
        if let Entry::Commit(commit) = line.entry() {
            self.last = Some(commit.into());
        }
    }

    fn shorten(&self, line: &LogLine) -> Option<String> {
        use std::fmt::Write as _;
        let commit = match line.entry() {
            Entry::Commit(commit) => commit,
            Entry::Signature(signed) => {
                let last = self.last?;
                let of_last = (last.actor, last.hash, last.seq) == (signed.actor, signed.hash, signed.seq);
                let short = ShortSignature { signature: signed.signature.clone() };
                return of_last.then(|| serde_json::to_string(&short).ok()).flatten();
            }
        };
        let last = self.last;
        let mut text = String::from("{\"commit\":{");
        let same_actor = last.is_some_and(|l| l.actor == commit.actor());
        if !same_actor {
            let _ = write!(text, r#""actor":"{}","#, commit.actor());
        }
        if last.is_none_or(|l| commit.deps() != [l.hash]) {
            let _ = write!(text, r#""deps":{},"#, serde_json::to_string(commit.deps()).ok()?);
        }
        let _ = write!(text, r#""records":[{}]"#, commit.records().join(","));
        let follows = if same_actor { last.map(|l| l.seq + 1) } else { Some(1) };
        if follows != Some(commit.seq()) {
            let _ = write!(text, r#","seq":{}"#, commit.seq());
        }
        if last.is_none_or(|l| l.next_op != commit.start_op()) {
            let _ = write!(text, r#","start_op":{}"#, commit.start_op());
        }
        let _ = write!(text, r#","time":{}}}}}"#, commit.time().0);
        Some(text)
    }
}

/// A commit's line has the same bound, short and whole.
fn size(text: &str) -> Result<(), CommitError> {
    match text.len() {
        bytes if bytes > MAX_COMMIT_BYTES => Err(CommitError::Size { bytes }),
        _ => Ok(()),
    }
}

fn nothing_before() -> LineError {
    LineError::Header("it goes on from the commit line before, and there is none".into())
}

/// The same request in version 2, or nothing when it offers no line that could be shorter.
///
/// A line that is damaged in the sender's store goes as it is: its hash is checked here, and the
/// receiver refuses it by the same code as in version 1.
pub fn shorten(body: &str) -> Option<String> {
    let mut text = String::with_capacity(body.len());
    let (mut reader, mut offered, mut shorter) = (ShortReader::default(), false, false);
    let end = |text: &mut String, reader: &ShortReader, offered: bool| {
        if offered {
            let check = serde_json::to_string(&Check { check: reader.chain }).unwrap_or_default();
            text.push_str(&check);
            text.push('\n');
        }
    };
    for line in body.lines() {
        match RequestLine::parse(line) {
            Ok(RequestLine::Start(start)) => {
                let start = RequestStart { exchange: SHORT_VERSION, ..start };
                text.push_str(&serde_json::to_string(&start).ok()?);
            }
            Ok(RequestLine::Book(_)) => {
                end(&mut text, &reader, offered);
                (reader, offered) = (ShortReader::default(), false);
                text.push_str(line);
            }
            Ok(RequestLine::Log(log)) => {
                let short = reader.shorten(&log);
                shorter |= short.is_some();
                text.push_str(short.as_deref().unwrap_or(line));
                reader.went_by(&log);
                offered = true;
            }
            Err(_) => {
                reader.last = None;
                text.push_str(line);
            }
        }
        text.push('\n');
    }
    end(&mut text, &reader, offered);
    shorter.then_some(text)
}

/// Sends a request in the short form, and whole to a server that does not know that form or got it
/// damaged. `send` makes one round trip; `code` is the code of a refusal, where an error is one.
///
/// # Errors
/// Those of `send`.
pub fn send<T, E>(
    body: &str,
    mut send: impl FnMut(&str) -> Result<T, E>,
    code: impl Fn(&E) -> Option<&str>,
) -> Result<T, E> {
    if let Some(shorter) = shorten(body) {
        match send(&shorter) {
            Err(error) if code(&error).is_some_and(|c| crate::exchange::code::SEND_LONG.contains(&c)) => {}
            other => return other,
        }
    }
    send(body)
}

#[cfg(test)]
mod tests;
