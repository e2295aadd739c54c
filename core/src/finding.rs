//! Findings: what the checks say, as data. Merging is total; whatever is wrong becomes one of these.

use serde::Serialize;

use crate::ids::{FindingId, RecordId, Sha256Hash, TreeId};
use crate::view::CrewDay;

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

macro_rules! codes {
    ($($(#[$doc:meta])* $variant:ident = $name:literal, $severity:ident, $ruled:ident, $next:literal, $source:literal;)*) => {
        /// What a finding is about. Each has one severity, one next step and one source.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Code {
            $($(#[$doc])* $variant,)*
        }

        impl Code {
            /// Every code.
            pub const ALL: &[Code] = &[$(Code::$variant,)*];

            /// Its stable name.
            pub const fn name(self) -> &'static str {
                match self { $(Code::$variant => $name,)* }
            }

            /// How grave it is.
            pub const fn severity(self) -> Severity {
                match self { $(Code::$variant => Severity::$severity,)* }
            }

            /// How it can be settled by ruling.
            pub const fn ruled(self) -> Ruled {
                match self { $(Code::$variant => Ruled::$ruled,)* }
            }

            /// What to do.
            pub const fn next(self) -> &'static str {
                match self { $(Code::$variant => $next,)* }
            }

            /// Where the rule comes from.
            pub const fn source(self) -> &'static str {
                match self { $(Code::$variant => $source,)* }
            }
        }
    };
}

/// How a finding can be settled by a ruling.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Ruled {
    /// Explained and accepted.
    Accepted,
    /// A violation of label or law cannot be accepted: it is confirmed, with what was done and reported.
    Confirmed,
}

codes! {
    /// More product discharged than the label allows for the stem.
    DoseOverLabel = "dose.over_label", Stop, Confirmed,
        "Check the holes and the diameter with the crew; amend what was logged wrong, or confirm the violation and report it as the law asks.",
        "the label's rate row";
    /// Less product taken up than the label's least rate.
    DoseUnderLabel = "dose.under_label", Review, Accepted,
        "Ask why: no uptake, too few holes that fit, or a hole not logged. Never add product without a new plan within the label.",
        "the label's rate row";
    /// The diameter has no rate row, or lies below the label's smallest.
    DoseBelowSmallest = "dose.below_smallest_diameter", Stop, Confirmed,
        "Measure again; amend the diameter, or confirm the violation and report it as the law asks.",
        "the label's smallest diameter";
    /// No rate could be worked out for what was applied.
    DoseNoRate = "dose.no_rate", Stop, Confirmed,
        "Check purpose, species and diameter against the label; amend what was logged wrong, or confirm the violation.",
        "the label's rate table";
    /// The label's limit for a tree and season is passed.
    DoseSeasonLimit = "dose.season_limit", Stop, Confirmed,
        "No further treatment this season. Amend what was logged wrong, or confirm the violation and report it as the law asks.",
        "the label's limit per tree and season";
    /// Treated again before the label's interval was over.
    DoseTooSoon = "dose.too_soon", Stop, Confirmed,
        "Check the dates and which tree it was; amend what was logged wrong, or confirm the violation.",
        "the label's shortest interval between treatments";
    /// The species is not one the label allows.
    DoseSpecies = "dose.species_not_on_label", Stop, Confirmed,
        "Check the species; amend it, or confirm the violation and report it as the law asks.",
        "the label's list of species";
    /// The label is unknown, not confirmed by a second person, or past its last day.
    LabelNotUsable = "label.not_usable", Stop, Confirmed,
        "Have a second licensed person confirm the label, or amend which label was used.",
        "design rule: a label is usable after a second licensed person re-entered it";
    /// Two applications to one stem that do not belong together.
    TreatedTwice = "tree.treated_twice", Stop, Accepted,
        "Ask both crews. If one finished the other's work, amend it to continue that application; if the tree was mistaken, amend the tree; both applications stay on record.",
        "common practice, no source: a tree is treated once";
    /// One tag on two trees.
    SameTag = "tree.same_tag", Review, Accepted,
        "Look at both on the map; amend the tag that was read wrong, or join the trees if they are one.",
        "common practice, no source: a tag names one tree";
    /// Two listed trees that may be one.
    MayBeSame = "tree.may_be_same", Review, Accepted,
        "Compare position, species, diameter and photos; join them if they are one tree, accept if they are two.",
        "position, species and diameter agree within their tolerances";
    /// Diameters of one stem that disagree beyond the tape's tolerance.
    DiametersDisagree = "diameter.disagree", Review, Accepted,
        "Measure again or ask which is right, and strike or amend the other.",
        "tape tolerance ±0.1 in per 20 in of diameter (plot protocol built on USDA FIA Phase 2, second hand)";
    /// A figure no tree, tape or container can give.
    Implausible = "entry.implausible", Stop, Accepted,
        "Ask the crew what was meant and have it amended.",
        "limits of the entry check (docs/record-format.md)";
    /// Dated after it had already arrived.
    ClockAhead = "entry.in_future", Review, Accepted,
        "Set the device's clock; amend the time if it matters for an interval.",
        "the server's signed receipt";
    /// A record about a tree no one has listed.
    UnknownTree = "tree.unknown", Stop, Accepted,
        "The tree's own record is missing, struck or held: exchange with the crew that listed it, or amend the reference.",
        "design rule: every application names a listed tree";
    /// A lot that is not in the yard's list.
    LotUnknown = "lot.unknown", Stop, Accepted,
        "Read the lot off the container, enter it, or amend the application.",
        "40 CFR 171.303(b)(7)(vi): product and registration number are recorded";
    /// A lot past its last day.
    LotExpired = "lot.expired", Stop, Confirmed,
        "Check the lot number; amend it if it was read wrong, or confirm the violation. Take the lot out of use.",
        "the lot's expiry date";
    /// A lot taken out of use by its maker or the office.
    LotRecalled = "lot.recalled", Stop, Confirmed,
        "Stop using the lot; confirm what was done and follow the recall notice.",
        "the lot's recall";
    /// A lot that belongs to another label than the application names.
    LotOfOtherLabel = "lot.other_label", Stop, Accepted,
        "Find out which product was in the kit; amend label or lot.",
        "design rule: a dose is worked from the label of the product used";
    /// No licence that lets this person apply on that day, alone or supervised.
    LicenceMissing = "licence.not_valid", Stop, Confirmed,
        "Enter the licence if it exists, amend who applied, or confirm the violation and report it as the law asks.",
        "40 CFR 171.303: application by or under a certified applicator";
    /// A text that cannot be read as a record.
    Unreadable = "record.unreadable", Review, Accepted,
        "Update this Bolebook if a newer one wrote it; otherwise ask the device's crew what it was.",
        "record format";
    /// One id with different texts.
    Conflicting = "record.conflicting", Stop, Accepted,
        "None of the texts wins. Have the device looked at, and amend the record naming what is true.",
        "design rule: same id, different bytes";
    /// Two amendments made apart.
    AmendedTwoWays = "record.amended_two_ways", Review, Accepted,
        "Decide which is right and amend once more, replacing both.",
        "design rule: no amendment silently wins";
    /// Struck by someone who did not know its amendment.
    AmendedAndStruck = "record.amended_and_struck", Review, Accepted,
        "The fact still counts. Strike it again knowing the amendment, or leave it and accept.",
        "design rule: no strike silently wins";
    /// A record that names another device than its author.
    WrongAuthor = "record.wrong_author", Stop, Accepted,
        "Held. Find out which device wrote it before admitting it.",
        "design rule: attribution follows the signature";
    /// A record held: not vouched for, revoked, or without certificate.
    Held = "record.held", Stop, Accepted,
        "Not in force. Admit it with a reason if the work was really done, or accept that it stays out.",
        "design rule: authorship is proven by signature and certificate";
    /// A change without authority.
    Proposal = "record.proposal", Review, Accepted,
        "Shown, without effect. Make the change from the office if it is right, or accept that it stays out.",
        "design rule: who may amend, strike and rule";
    /// A reference without effect.
    BadReference = "record.bad_reference", Review, Accepted,
        "The record stands by itself, so nothing is hidden. Strike or amend it if it was meant otherwise.",
        "design rule: amendments and strikes act on records in their past";
    /// Work that arrived after its day was signed off.
    AfterSignOff = "record.after_sign_off", Review, Accepted,
        "Re-open the day if it changes the record, or accept it as late.",
        "design rule: what arrives late is visible as such";
    /// A photo's record came long ago, and its bytes did not.
    PhotoNotReceived = "photo.not_received", Review, Accepted,
        "Exchange with the device that took it, while it still has the bytes. If they are lost, accept with a reason: the record stays, and says so.",
        "design rule: a photo's bytes are the server's word, 12 hours after its record (common practice, no source)";
    /// Containers still on trees at the day's closing.
    ContainersOut = "day.containers_out", Stop, Accepted,
        "Do not leave: a container that has not emptied is under pressure. Remove as label and kit manual say, log it, close the day again.",
        "common practice, no source: nothing stays on a tree unattended";
    /// A crew worked but did not close its day.
    NotClosed = "day.not_closed", Review, Accepted,
        "Have the crew measure its kits and close the day.",
        "design rule: on hand and in the kit are measured, not derived";
    /// A crew's day whose product does not add up.
    DayUnexplained = "balance.day_unexplained", Review, Accepted,
        "Look for a fill, hole or spill that was not logged, or a kit read wrong; log it, or accept with a reason.",
        "conservation of volume, tolerance from charge uncertainty (JCGM 100)";
    /// A lot whose stock does not add up.
    StockUnexplained = "balance.stock_unexplained", Review, Accepted,
        "Look for a fill or delivery that was not logged, or count the stock again; log it, or accept with a reason.",
        "conservation of volume";
}

/// What settled a finding.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Nobody has ruled on it.
    Open,
    /// Ruled, on the facts as they are now.
    Settled {
        /// The ruling.
        ruling: RecordId,
        /// `accept` or `confirm_violation`.
        decision: &'static str,
        /// Its reason.
        reason: String,
    },
    /// Ruled before its facts changed, or in a way this finding is not open to: open again.
    Reopened {
        /// The earlier ruling.
        ruling: RecordId,
    },
}

/// One finding.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// The same at every recomputation.
    pub id: FindingId,
    /// What it is about.
    #[serde(serialize_with = "code_name")]
    pub code: Code,
    /// How grave it is.
    pub severity: Severity,
    /// What was found, with the numbers in it.
    pub message: String,
    /// What to do.
    pub next: &'static str,
    /// Where the rule comes from.
    pub source: &'static str,
    /// The records involved, ascending.
    pub records: Vec<RecordId>,
    /// The tree it concerns.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tree: Option<TreeId>,
    /// The crew-days it concerns, ascending.
    #[serde(serialize_with = "crew_days")]
    pub crew_days: Vec<CrewDay>,
    /// Digest of the facts it stands on; a ruling names it.
    pub facts: Sha256Hash,
    /// Whether it is settled.
    pub state: State,
}

impl Finding {
    /// A finding on stable subjects. Its identity comes from code and subjects, the digest of its
    /// facts from `message` and the records' ids: an amendment is another id, so a ruling reopens.
    pub fn new(code: Code, subjects: &[&str], message: String, mut records: Vec<RecordId>) -> Self {
        records.sort_unstable();
        records.dedup();
        let mut basis = message.clone();
        for id in &records {
            basis.push('\n');
            basis.push_str(&id.to_string());
        }
        Self {
            id: FindingId::derive(std::iter::once(code.name()).chain(subjects.iter().copied())),
            code,
            severity: code.severity(),
            message,
            next: code.next(),
            source: code.source(),
            records,
            tree: None,
            crew_days: vec![],
            facts: Sha256Hash::of(basis.as_bytes()),
            state: State::Open,
        }
    }

    /// The same, about a tree.
    #[must_use]
    pub fn about(mut self, tree: TreeId) -> Self {
        self.tree = Some(tree);
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
