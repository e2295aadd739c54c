//! The day sheet: what a crew did on a day, what was found and what was decided, for one page.

use serde::Serialize;

use crate::day::Day;
use crate::export::Names;
use crate::export::standing::{DayStates, Violations, standing, versions};
use crate::finding::Finding;
use crate::ids::{CrewId, RecordId, Sha256Hash, TreeId};
use crate::quantity::{Ul, Um, UtcMs};
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
    /// When it ended, in the job's local time.
    pub ended_at: String,
    /// The diameter it was dosed from, if one was logged.
    pub diameter_um: Option<Um>,
    /// The rate row's purpose.
    pub purpose: String,
    /// The kit's name, or its id.
    pub kit: String,
    /// Whether it finishes another application.
    pub continues: bool,
    /// Taken up.
    pub put_in_ul: Ul,
    /// Lost beside it.
    pub leaked_ul: Ul,
    /// How many holes.
    pub holes: usize,
    /// How it stands: `in force`, `struck`, `held`, or `contested` with every value a row. It stays on
    /// the sheet whatever it is.
    pub standing: &'static str,
    /// Whether the sign-off covers it: `provisional`, `signed off` or `arrived after sign-off`.
    pub day_state: &'static str,
    /// Violations that the office confirmed, with what was done and which report.
    pub violations: Vec<String>,
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
    /// The labels' cautions, each once.
    pub cautions: Vec<String>,
    /// The labels' first aid, each once.
    pub first_aid: Vec<String>,
    /// What was found on this day, with its rulings.
    pub findings: Vec<Finding>,
    /// Sign-offs taken back: when, and why.
    pub reopened: Vec<(UtcMs, String)>,
    /// The state of the books.
    pub state: Sha256Hash,
}

fn once<'t>(texts: impl Iterator<Item = &'t String>, seen: &mut Vec<String>) {
    for text in texts {
        if !seen.contains(text) {
            seen.push(text.clone());
        }
    }
}

/// The sheet of a crew's day; struck applications stay on it, marked.
pub fn day_sheet(view: &View<'_>, findings: &[Finding], day: CrewDay, names: &impl Names) -> DaySheet {
    let (mut rows, mut cautions, mut first_aid) = (vec![], vec![], vec![]);
    let (days, violations) = (DayStates::of(view), Violations::of(view, findings));
    let all = view.facts.of_kind(Kind::Application);
    for (fact, version) in all.flat_map(|fact| versions(view, fact).into_iter().map(move |v| (fact, v))) {
        let Body::Application(a) = &version.record.body else { continue };
        if view.crew_day(version) != Some(day) {
            continue;
        }
        let label = view.yard.label(a.label);
        once(label.iter().flat_map(|l| l.cautions.iter()), &mut cautions);
        once(label.iter().flat_map(|l| l.first_aid.iter()), &mut first_aid);
        let tree = view.trees.get(&view.stays(a.tree));
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
            standing: standing(fact),
            day_state: days.state(version),
            violations: violations.of_application(fact, version).to_vec(),
            ended_at: view.local_time(a.ended_at),
            diameter_um: tree.and_then(|t| view.dosed_from(t, a)).map(|(_, d)| d),
            purpose: a.purpose.clone(),
            kit: view.yard.kit(a.kit).map_or_else(|| a.kit.to_string(), |k| k.name.clone()),
            continues: a.continues.is_some(),
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
        first_aid,
        findings: findings.iter().filter(|f| f.crew_days.contains(&day)).cloned().collect(),
        reopened: reopened.collect(),
        state: view.state_digest(),
    }
}
