//! What the office made of a crew's entries, shown after an exchange: struck, amended, signed off.

use bolebook_core::day::Day;
use bolebook_core::ids::{CrewId, TreeId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{View, tree_named};

/// Most changes kept: older ones were read long ago.
const MOST: usize = 40;

/// What was done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Change {
    /// An entry was struck, for this reason.
    Struck(String),
    /// An entry was amended.
    Amended,
    /// A day was signed off.
    SignedOff(Day),
}

/// A change by the office.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChangedLine {
    /// When.
    pub at: UtcMs,
    /// Whose entry or day.
    pub crew: CrewId,
    /// What was done.
    pub change: Change,
    /// The message that names the kind of entry, and the tree's tag.
    pub entry: Option<(String, String)>,
}

/// The message that names a kind of entry.
fn named(kind: Kind) -> &'static str {
    match kind {
        Kind::Application => "kind-application",
        Kind::Diameter => "kind-diameter",
        Kind::Condition => "kind-condition",
        Kind::NotTreated => "kind-not-treated",
        _ => "kind-tree",
    }
}

/// The changes, newest first.
pub fn changes(view: &View<'_>) -> Vec<ChangedLine> {
    let facts = &view.facts;
    let mut found = vec![];
    for kind in [Kind::Application, Kind::Diameter, Kind::Condition, Kind::NotTreated, Kind::Tree] {
        for fact in facts.of_kind(kind) {
            let Some(first) = fact.history.first().and_then(|v| facts.versions.get(*v)) else { continue };
            let own = first.role != Some(Role::Office);
            let Some(crew) = view.crew_day(first).map(|d| d.crew).filter(|_| own) else { continue };
            let tree: TreeId = tree_named(&first.record.body).unwrap_or(fact.id);
            let entry = Some((named(kind).to_owned(), view.tag(tree)));
            let shown = facts.shown(fact);
            let strike = fact.struck_by.and_then(|id| facts.fact_of(id)).map(|f| facts.shown(f));
            let (version, change) = match strike.map(|v| (v, &v.record.body)) {
                Some((version, Body::Strike(strike))) => (version, Change::Struck(strike.reason.clone())),
                Some(_) => continue,
                None if shown.id() != first.id() => (shown, Change::Amended),
                None => continue,
            };
            if version.role == Some(Role::Office) {
                found.push(ChangedLine { at: version.record.envelope.at, crew, change, entry });
            }
        }
    }
    for (day, sign_off) in &view.signed_off {
        let Some(fact) = facts.fact_of(*sign_off) else { continue };
        let at = facts.shown(fact).record.envelope.at;
        found.push(ChangedLine { at, crew: day.crew, change: Change::SignedOff(day.day), entry: None });
    }
    found.sort_by_key(|c| std::cmp::Reverse(c.at));
    found.truncate(MOST);
    found
}
