//! The office's decisions: rulings, joins, sign-offs, questions.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::ids::{CommitHash, CrewId, FindingId, RecordId, Sha256Hash, TreeId};
use crate::quantity::PerMille;

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

/// What a job asks of every record: by law, by contract, by the office's own rule. The last one in
/// force counts. What is left out is not asked for.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Requirements {
    /// The record schemes whose elements must be there.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub schemes: Vec<Scheme>,
    /// What the office asks for beyond them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub elements: Vec<Element>,
    /// A photo of every treated tree.
    #[serde(default, skip_serializing_if = "is_false")]
    pub photo: bool,
    /// The condition of every tree before it is treated.
    #[serde(default, skip_serializing_if = "is_false")]
    pub condition: bool,
    /// Every applicator's word that the label's cautions were read, each day.
    #[serde(default, skip_serializing_if = "is_false")]
    pub cautions: bool,
    /// A notice before the work begins.
    #[serde(default, skip_serializing_if = "is_false")]
    pub notice: bool,
    /// The categories of licence that count here, as the authority names them; empty for any.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub licence_categories: Vec<String>,
    /// The authorities or schemes whose licences count here; empty for any.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub licence_schemes: Vec<String>,
    /// The most stems a crew can treat in an hour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stems_per_hour: Option<i64>,
    /// The share of what is discharged at a stem that may leak without being asked about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub leak_share: Option<PerMille>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde's skip_serializing_if passes a reference")]
fn is_false(value: &bool) -> bool {
    !*value
}

/// A record scheme of the law.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Scheme {
    /// 40 CFR 171.303(b)(7)(vi): commercial applicators of the United States.
    #[serde(rename = "us_40_cfr_171_303")]
    Us171303,
    /// Commission Implementing Regulation (EU) 2023/564.
    #[serde(rename = "eu_2023_564")]
    Eu2023564,
}

/// Something an office can ask for beyond a scheme.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Element {
    /// The pest seen.
    Pest,
    /// Where the crew stood.
    CrewPosition,
    /// The reservoir's pressure.
    Pressure,
    /// The canopy loss.
    CanopyLoss,
    /// The air's temperature.
    AirTemperature,
    /// The soil's moisture.
    SoilMoisture,
    /// When each container came off.
    ContainerOff,
    /// The bark's thickness where holes are drilled.
    Bark,
}
