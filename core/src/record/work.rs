//! The crews' work: doses planned, applications hole by hole, what was not treated, incidents,
//! photos, notes, day closings.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::ids::{CrewId, KitId, LabelId, LotId, PersonId, RecordId, Sha256Hash, TreeId};
use crate::quantity::{Pa, PerMille, Ul, Um, UtcMs};
use crate::record::stand::Position;

/// The dose planned for a stem, and under which label version.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Dose {
    /// The charges chosen: one entry a hole.
    pub charges_ul: Vec<Ul>,
    /// The diameter record it was worked from.
    pub diameter: RecordId,
    /// The label version.
    pub label: LabelId,
    /// Most the label allows for this stem.
    pub max_ul: Ul,
    /// The rate row's purpose.
    pub purpose: String,
    /// Which stem, from 1.
    pub stem: i64,
    /// Usual rate × diameter.
    pub target_ul: Ul,
    /// The tree.
    pub tree: TreeId,
}

/// Product put into a stem: what truly went in, hole by hole.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Application {
    /// Who applied; supervised by `supervisor` when not certified.
    pub applicator: PersonId,
    /// The application this one finishes, when another crew began it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub continues: Option<RecordId>,
    /// The crew.
    pub crew: CrewId,
    /// The diameter record the dose was worked from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter: Option<RecordId>,
    /// Last container off.
    pub ended_at: UtcMs,
    /// Every hole.
    pub holes: Vec<Hole>,
    /// The kit.
    pub kit: KitId,
    /// The label version.
    pub label: LabelId,
    /// The lot.
    pub lot: LotId,
    /// Where the crew stood.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Reservoir pressure while charging, if read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pressure_pa: Option<Pa>,
    /// The rate row's purpose.
    pub purpose: String,
    /// First hole.
    pub started_at: UtcMs,
    /// Which stem, from 1.
    pub stem: i64,
    /// The certified applicator in charge, when another person.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supervisor: Option<PersonId>,
    /// The tree.
    pub tree: TreeId,
}

/// One hole and what became of its charge.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Hole {
    /// Clockwise arc from the reference mark, seen from above.
    pub arc_um: Um,
    /// Depth in sapwood.
    pub depth_um: Um,
    /// Height above ground.
    pub height_um: Um,
    /// Product that leaked out; still discharged, so it counts toward limits.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub leaked_ul: Ul,
    /// Product taken up by the tree.
    pub put_in_ul: Ul,
    /// When the container came off, if logged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub removed_at: Option<UtcMs>,
    /// Whether its container came loose or was taken off early, and was put on again at this hole.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub reseated: bool,
    /// Whether the hole was closed.
    pub sealed: bool,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde's skip_serializing_if passes a reference")]
fn is_zero(volume: &Ul) -> bool {
    volume.0 == 0
}

impl Hole {
    /// What left the container at this hole: into the tree or lost beside it.
    pub fn discharged_ul(&self) -> Ul {
        self.put_in_ul.saturating_add(self.leaked_ul)
    }
}

impl Application {
    /// What went into the stem.
    pub fn put_in_ul(&self) -> Ul {
        self.holes.iter().map(|h| h.put_in_ul).sum()
    }

    /// What leaked.
    pub fn leaked_ul(&self) -> Ul {
        self.holes.iter().map(|h| h.leaked_ul).sum()
    }

    /// What was discharged at this stem; counts toward every limit.
    pub fn discharged_ul(&self) -> Ul {
        self.holes.iter().map(Hole::discharged_ul).sum()
    }
}

/// A tree that was not treated, and why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NotTreated {
    /// The crew that decided.
    pub crew: CrewId,
    /// Anything to add.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// Why.
    pub reason: NotTreatedReason,
    /// The tree.
    pub tree: TreeId,
}

/// Why a tree was left alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum NotTreatedReason {
    /// Below the label's smallest diameter.
    TooSmall,
    /// Canopy too far gone.
    TooFarGone,
    /// Not a species the label allows.
    WrongSpecies,
    /// No uptake within the label's time.
    NoUptake,
    /// Trunk too damaged to drill.
    TrunkDamage,
    /// Could not be reached or found.
    NotReached,
    /// The owner said no.
    Refused,
    /// Weather or soil against it.
    Conditions,
    /// Something else: say it in the note.
    Other,
}

/// An exposure, injury, spill or damage.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Incident {
    /// What kind.
    pub what: IncidentKind,
    /// The crew.
    pub crew: CrewId,
    /// When it happened.
    pub happened_at: UtcMs,
    /// The tree it happened at, if any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tree: Option<TreeId>,
    /// What happened, without health details of a named person: those go to the register.
    pub text: String,
    /// What was done at once.
    pub done: String,
    /// Who was told.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub told: Vec<String>,
}

/// Kinds of incident.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum IncidentKind {
    /// Product on skin, in eyes, breathed in or swallowed.
    Exposure,
    /// An injury, product under the skin included: a hospital emergency even if painless.
    Injury,
    /// A spill.
    Spill,
    /// A bystander in the work area.
    Bystander,
    /// Damage to a tree, property or equipment.
    Damage,
}

/// A photo: its digest and what it shows. The bytes live outside the book.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Photo {
    /// The record it belongs to (tree, application, incident …).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub about: Option<RecordId>,
    /// Their number.
    pub bytes: i64,
    /// What it shows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caption: Option<String>,
    /// `image/jpeg`, `image/png` or `image/webp`.
    pub media_type: String,
    /// SHA-256 of the bytes.
    pub sha256: Sha256Hash,
    /// When it was taken.
    pub taken_at: UtcMs,
}

/// A note on a record or on the job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Note {
    /// The record it belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub about: Option<RecordId>,
    /// What it says.
    pub text: String,
}

/// A crew's closing of its day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DayClosing {
    /// The crew.
    pub crew: CrewId,
    /// The day.
    pub day: Day,
    /// Containers still on a tree; must be none.
    pub containers_out: i64,
    /// Product still in each kit, measured.
    pub kits: Vec<KitContent>,
}

/// Product still in a kit at day's end.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct KitContent {
    /// The kit.
    pub kit: KitId,
    /// The lot in it.
    pub lot: LotId,
    /// How much, measured.
    pub content_ul: Ul,
}

/// A look at a tree some time after treatment.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Inspection {
    /// The tree.
    pub tree: TreeId,
    /// Share of the canopy lost.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub canopy_loss: Option<PerMille>,
    /// Holes found closed over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub holes_closed: Option<i64>,
    /// What was seen.
    pub text: String,
}

/// A person's word that a label's cautions were read before the work.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Acknowledgement {
    /// Who read them.
    pub person: PersonId,
    /// The label version.
    pub label: LabelId,
    /// The day the work is done on.
    pub day: Day,
    /// The cautions as they were shown.
    pub cautions: Vec<String>,
}
