//! Findings: what the checks say, as data. Merging is total; whatever is wrong becomes one of these.

use serde::Serialize;

use crate::ids::{FindingId, PersonId, RecordId, Sha256Hash, TreeId};
use crate::quantity::UtcMs;
use crate::view::CrewDay;

mod codes;
mod names;

pub use codes::Code;
pub use names::{Named, resolve, resolved};

/// How grave a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// The day cannot be signed off until it is settled.
    Stop,
    /// The office should look at it.
    Review,
    /// Good to know.
    Note,
}

/// How a finding can be settled by a ruling.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Ruled {
    /// Explained and accepted.
    Accepted,
    /// A violation of label or law cannot be accepted: it is confirmed, with what was done and reported.
    Confirmed,
}

/// What settled a finding.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Nobody has ruled on it.
    Open,
    /// Ruled, on the facts as they are now.
    Settled {
        /// When it was ruled on.
        at: UtcMs,
        /// Who ruled, if that was said.
        #[serde(skip_serializing_if = "Option::is_none")]
        by: Option<PersonId>,
        /// `accept` or `confirm_violation`.
        decision: &'static str,
        /// Of a violation confirmed: what was done about it.
        #[serde(skip_serializing_if = "Option::is_none")]
        done: Option<String>,
        /// Its reason.
        reason: String,
        /// Of a violation confirmed: the report the law asks for, and to whom it went.
        #[serde(skip_serializing_if = "Option::is_none")]
        reported: Option<String>,
        /// The ruling.
        ruling: RecordId,
    },
    /// Ruled before its facts changed, or in a way this finding is not open to: open again.
    Reopened {
        /// The earlier ruling.
        ruling: RecordId,
    },
}

/// One finding. Its members stand in the order of their names, as they are written in exports.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// What it is about.
    #[serde(serialize_with = "code_name")]
    pub code: Code,
    /// The crew-days it concerns, ascending.
    #[serde(serialize_with = "crew_days")]
    pub crew_days: Vec<CrewDay>,
    /// What speaks for one explanation or another, the likeliest first. Not part of the facts: it can
    /// change with what is logged elsewhere, and reopens no ruling.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub evidence: Vec<String>,
    /// Digest of the facts it stands on; a ruling names it.
    pub facts: Sha256Hash,
    /// The same at every recomputation.
    pub id: FindingId,
    /// What was found, with the numbers in it.
    pub message: String,
    /// What to do.
    pub next: &'static str,
    /// The records involved, ascending.
    pub records: Vec<RecordId>,
    /// How grave it is.
    pub severity: Severity,
    /// Where the rule comes from.
    pub source: &'static str,
    /// Whether it is settled.
    pub state: State,
    /// The tree it concerns.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tree: Option<TreeId>,
}

impl Finding {
    /// A finding on stable subjects. Its identity comes from code and subjects, the digest of its
    /// facts from `message` and the records' ids: an amendment is another id, so a ruling reopens.
    /// Names of crews, kits, lots and labels stand in the message as [`Named`]: they are put in at the
    /// end ([`resolve`]), so that a new name reopens nothing.
    pub fn new(code: Code, subjects: &[&str], message: String, mut records: Vec<RecordId>) -> Self {
        records.sort_unstable();
        records.dedup();
        let facts = Sha256Hash::of_lines(&message, &records);
        Self {
            id: FindingId::derive(std::iter::once(code.name()).chain(subjects.iter().copied())),
            code,
            severity: code.severity(),
            message,
            evidence: vec![],
            next: code.next(),
            source: code.source(),
            records,
            tree: None,
            crew_days: vec![],
            facts,
            state: State::Open,
        }
    }

    /// A finding whose facts are its records alone: for one whose figures move with every record
    /// of others, such as a comparison with peers, so that a ruling on it stands.
    pub fn on_records(code: Code, subjects: &[&str], message: String, records: Vec<RecordId>) -> Self {
        let basis = Self::new(code, subjects, String::new(), records);
        Self { message, ..basis }
    }

    /// The same, about a tree.
    #[must_use]
    pub fn about(mut self, tree: TreeId) -> Self {
        self.tree = Some(tree);
        self
    }

    /// The same, with what speaks for its explanations.
    #[must_use]
    pub fn with_evidence(mut self, lines: impl IntoIterator<Item = String>) -> Self {
        self.evidence.extend(lines);
        self
    }

    /// The same, counting to these crew-days.
    #[must_use]
    pub fn on(mut self, days: impl IntoIterator<Item = CrewDay>) -> Self {
        self.crew_days.extend(days);
        self.crew_days.sort_unstable();
        self.crew_days.dedup();
        self
    }

    /// Whether it still keeps its days from being signed off.
    pub fn blocks(&self) -> bool {
        self.severity == Severity::Stop && !matches!(self.state, State::Settled { .. })
    }

    /// Whether nobody has settled it.
    pub fn open(&self) -> bool {
        !matches!(self.state, State::Settled { .. })
    }
}

fn code_name<S: serde::Serializer>(code: &Code, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(code.name())
}

fn crew_days<S: serde::Serializer>(days: &[CrewDay], serializer: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct Shown {
        crew: crate::ids::CrewId,
        day: crate::day::Day,
    }
    serializer.collect_seq(days.iter().map(|d| Shown { crew: d.crew, day: d.day }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn its_members_are_written_in_the_order_of_their_names() {
        let id = RecordId::new(1, [1; 10]);
        let day = CrewDay { crew: id, day: "2026-09-14".parse().unwrap() };
        let found = Finding::new(Code::HoleSpacing, &["a"], "b".into(), vec![id]);
        let mut found = found.about(id).on([day]).with_evidence(["c".to_owned()]);
        let ruled = State::Settled {
            at: UtcMs(1),
            by: Some(id),
            decision: "confirm_violation",
            done: Some("d".into()),
            reason: "e".into(),
            reported: Some("f".into()),
            ruling: id,
        };
        for state in [State::Open, State::Reopened { ruling: id }, ruled] {
            found.state = state;
            let sorted = serde_json::to_value(&found).unwrap().to_string();
            assert_eq!(serde_json::to_string(&found).unwrap(), sorted);
        }
    }
}
