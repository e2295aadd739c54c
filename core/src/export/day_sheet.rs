//! The day sheet: what a crew did on a day, what was found and what was decided, for one page.

use serde::Serialize;

use crate::day::Day;
use crate::export::Names;
use crate::finding::Finding;
use crate::ids::{CrewId, RecordId, Sha256Hash, TreeId};
use crate::quantity::{Ul, UtcMs};
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View};

/// A stem's treatment on the sheet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SheetRow {
    /// The application.
    pub application: RecordId,
    /// The tree.
    pub tree: TreeId,
    /// Its tag.
    pub tag: String,
    /// Which stem, from 1.
    pub stem: i64,
    /// When it began, in the job's local time.
    pub started_at: String,
    /// Taken up.
    pub put_in_ul: Ul,
    /// Lost beside it.
    pub leaked_ul: Ul,
    /// How many holes.
    pub holes: usize,
    /// Whether it was struck: it stays on the sheet.
    pub struck: bool,
    /// The product.
    pub product: String,
    /// Its registration number.
    pub registration: String,
    /// The lot's number.
    pub lot: String,
    /// Who applied, or the id.
    pub applicator: String,
    /// Who was in charge, if another person.
    pub supervisor: Option<String>,
}

/// A day sheet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct DaySheet {
    /// The crew.
    pub crew: CrewId,
    /// Its name.
    pub crew_name: String,
    /// The day.
    pub day: Day,
    /// The sign-off in force.
    pub signed_off: Option<RecordId>,
    /// Whether the day can still change without being opened again: not signed off.
    pub provisional: bool,
    /// What was applied, by its beginning.
    pub rows: Vec<SheetRow>,
    /// Trees decided against: tag and reason.
    pub not_treated: Vec<(String, String)>,
    /// The labels' cautions and first aid, each once.
    pub cautions: Vec<String>,
    /// What was found on this day, with its rulings.
    pub findings: Vec<Finding>,
    /// Sign-offs taken back: when, and why.
    pub reopened: Vec<(UtcMs, String)>,
    /// The state of the books.
    pub state: Sha256Hash,
}

/// The sheet of a crew's day; struck applications stay on it, marked.
pub fn day_sheet(view: &View<'_>, findings: &[Finding], day: CrewDay, names: &impl Names) -> DaySheet {
    let (mut rows, mut cautions) = (vec![], vec![]);
    for fact in view.facts.of_kind(Kind::Application) {
        let version = view.facts.shown(fact);
        let Body::Application(a) = &version.record.body else { continue };
        if view.crew_day(version) != Some(day) {
            continue;
        }
        let label = view.yard.label(a.label);
        for caution in label.iter().flat_map(|l| l.cautions.iter()) {
            if !cautions.contains(caution) {
                cautions.push(caution.clone());
            }
        }
        let person = |id: RecordId| names.person(id).unwrap_or_else(|| id.to_string());
        let row = SheetRow {
            application: fact.id,
            tree: view.stays(a.tree),
            tag: view.tag(a.tree),
            stem: a.stem,
            started_at: view.local_time(a.started_at),
            put_in_ul: a.put_in_ul(),
            leaked_ul: a.leaked_ul(),
            holes: a.holes.len(),
            struck: fact.struck_by.is_some(),
            product: label.map(|l| l.name.clone()).unwrap_or_default(),
            registration: label.map(|l| l.registration.clone()).unwrap_or_default(),
            lot: view.yard.lot_number(a.lot),
            applicator: person(a.applicator),
            supervisor: a.supervisor.map(person),
        };
        rows.push((a.started_at, row));
    }
    rows.sort_by_key(|(at, row)| (*at, row.application));
    let not_treated = view.facts.in_force(Kind::NotTreated).filter_map(|fact| {
        let version = view.facts.shown(fact);
        let Body::NotTreated(b) = &version.record.body else { return None };
        let reason = serde_json::to_value(b.reason).ok()?.as_str()?.replace('_', " ");
        (view.crew_day(version) == Some(day)).then(|| (view.tag(b.tree), reason))
    });
    let reopened = view.facts.in_force(Kind::Reopening).filter_map(|fact| {
        let version = view.facts.shown(fact);
        let Body::Reopening(b) = &version.record.body else { return None };
        let of = view.facts.fact_of(b.sign_off)?;
        let Body::SignOff(signed) = &view.facts.shown(of).record.body else { return None };
        let ours = signed.crew == day.crew && signed.day == day.day;
        ours.then(|| (version.record.envelope.at, b.reason.clone()))
    });
    let signed_off = view.signed_off.get(&day).copied();
    DaySheet {
        crew: day.crew,
        crew_name: view.yard.crew_name(day.crew),
        day: day.day,
        signed_off,
        provisional: signed_off.is_none(),
        rows: rows.into_iter().map(|(_, row)| row).collect(),
        not_treated: not_treated.collect(),
        cautions,
        findings: findings.iter().filter(|f| f.crew_days.contains(&day)).cloned().collect(),
        reopened: reopened.collect(),
        state: view.state_digest(),
    }
}
