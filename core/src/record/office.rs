//! The office's decisions: rulings, joins, sign-offs, questions.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::ids::{CommitHash, CrewId, FindingId, RecordId, Sha256Hash, TreeId};

/// A decision on a finding. It sticks to the finding's identity and to the facts it was made on:
/// when those change, the finding is open again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Ruling {
    /// The finding.
    pub finding: FindingId,
    /// Digest of the facts it stood on.
    pub facts: Sha256Hash,
    /// The decision.
    pub decision: Decision,
    /// Why. At least one character.
    pub reason: String,
}

/// What was decided.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "type", rename_all = "snake_case", deny_unknown_fields)]
pub enum Decision {
    /// Explained and accepted. Not open to a finding that is a violation of the label.
    Accept,
    /// A true violation, confirmed; it stays in every export.
    ConfirmViolation {
        /// What was done about it.
        done: String,
        /// The report the law asks for and to whom it went.
        reported: String,
    },
}

/// Trees found to be one: their histories are kept, their applications summed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Join {
    /// The tree that stays.
    pub keep: TreeId,
    /// The others.
    pub joined: Vec<TreeId>,
    /// Why.
    pub reason: String,
}

/// A crew's day, signed off on a stated state of the books.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SignOff {
    /// The crew.
    pub crew: CrewId,
    /// The day.
    pub day: Day,
    /// Heads of the job book the office saw.
    pub job_heads: Vec<CommitHash>,
    /// Heads of the yard book the office saw.
    pub yard_heads: Vec<CommitHash>,
}

/// A signed-off day opened again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Reopening {
    /// The sign-off taken back.
    pub sign_off: RecordId,
    /// Why.
    pub reason: String,
}

/// A question from the office to a crew.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Question {
    /// The crew.
    pub crew: CrewId,
    /// The finding it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finding: Option<FindingId>,
    /// The records it is about.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub records: Vec<RecordId>,
    /// The question.
    pub text: String,
}

/// A crew's answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Answer {
    /// The question.
    pub question: RecordId,
    /// The answer.
    pub text: String,
}
