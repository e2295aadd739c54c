//! Tables (RFC 4180): one row a tree, one row an application.

use std::fmt::Write;

use crate::dosing::dose::dose_for;
use crate::export::out::{Table, whole};
use crate::export::standing::{DayStates, Violations, standing, versions};
use crate::export::{ExportError, Names, inert, short};
use crate::finding::Finding;
use crate::ids::RecordId;
use crate::quantity::decimal;
use crate::record::Body;
use crate::record::work::Application;
use crate::view::{TreeState, TreeView, View};

/// The columns of `trees.csv`. Diameters in centimetres, volumes in millilitres, positions in degrees (WGS 84).
pub const TREE_COLUMNS: &[&str] = &[
    "tree",
    "tag",
    "other_tags",
    "species",
    "block",
    "lat",
    "lon",
    "stems",
    "diameter_cm",
    "canopy_loss_pct",
    "state",
    "reason",
    "applications",
    "put_in_ml",
    "discharged_ml",
    "first_day",
    "violations",
    "book_state",
];

/// The columns of `applications.csv`.
pub const APPLICATION_COLUMNS: &[&str] = &[
    "application",
    "standing",
    "tree",
    "tag",
    "stem",
    "crew",
    "day",
    "started_at",
    "ended_at",
    "applicator",
    "applicator_licence",
    "supervisor",
    "product",
    "registration",
    "label_version",
    "purpose",
    "lot",
    "kit",
    "diameter_cm",
    "dose_min_ml",
    "dose_usual_ml",
    "dose_max_ml",
    "holes",
    "put_in_ml",
    "leaked_ml",
    "discharged_ml",
    "pressure_kpa",
    "continues",
    "day_state",
    "violations",
    "book_state",
];

/// Every listed tree, ascending by id, with the violations that the office confirmed.
///
/// # Errors
/// [`ExportError`] when the table cannot be written.
pub fn trees_csv(view: &View<'_>, findings: &[Finding]) -> Result<String, ExportError> {
    whole(|out| write_trees_csv(out, view, findings))
}

/// The same in parts.
///
/// # Errors
/// As [`trees_csv`]; [`ExportError::Taken`] when `out` takes no more.
pub fn write_trees_csv(
    out: &mut dyn Write,
    view: &View<'_>,
    findings: &[Finding],
) -> Result<(), ExportError> {
    let violations = Violations::of(view, findings);
    let state = short(view.state_digest());
    let mut out = Table::new(out, TREE_COLUMNS)?;
    for (id, tree) in &view.trees {
        let listed = view.tree(*id);
        let (what, reason) = state_name(view.state(tree));
        let position = listed.and_then(|t| t.position);
        let put_in = total(view, tree, Application::put_in_ul);
        let discharged = total(view, tree, Application::discharged_ul);
        let days = view.applications(tree).filter_map(|(_, v, _)| view.crew_day(v)).map(|d| d.day);
        let loss = latest_canopy_loss(view, tree);
        out.row([
            id.to_string(),
            inert(&view.tag(*id)),
            inert(&other_tags(view, *id, tree).join(" ")),
            listed.and_then(|t| t.species.as_deref()).map(inert).unwrap_or_default(),
            listed.and_then(|t| t.block).map(|b| inert(&block_name(view, b))).unwrap_or_default(),
            position.map(|p| degrees(p.lat_ndeg)).unwrap_or_default(),
            position.map(|p| degrees(p.lon_ndeg)).unwrap_or_default(),
            listed.map(|t| t.stems.to_string()).unwrap_or_default(),
            view.diameter(tree, 1).map(|d| d.cm()).unwrap_or_default(),
            loss.map(|l| decimal(l, 10, 1)).unwrap_or_default(),
            what.into(),
            reason,
            tree.applications.len().to_string(),
            ml(put_in),
            ml(discharged),
            days.min().map(|d| d.to_string()).unwrap_or_default(),
            inert(&violations.of_tree(view, *id, tree).join(" | ")),
            state.clone(),
        ])?;
    }
    out.end()
}

/// Every application, ascending by id, struck and held ones included and marked. Until its day is
/// signed off a row says `provisional`; what arrived after the sign-off says so; a violation the
/// office confirmed stays with it.
///
/// # Errors
/// [`ExportError`] when the table cannot be written.
pub fn applications_csv(
    view: &View<'_>,
    findings: &[Finding],
    names: &impl Names,
) -> Result<String, ExportError> {
    whole(|out| write_applications_csv(out, view, findings, names))
}

/// The same in parts.
///
/// # Errors
/// As [`applications_csv`]; [`ExportError::Taken`] when `out` takes no more.
pub fn write_applications_csv(
    out: &mut dyn Write,
    view: &View<'_>,
    findings: &[Finding],
    names: &impl Names,
) -> Result<(), ExportError> {
    let (days, violations) = (DayStates::of(view), Violations::of(view, findings));
    let state = short(view.state_digest());
    let mut out = Table::new(out, APPLICATION_COLUMNS)?;
    for fact in view.facts.of_kind(crate::record::Kind::Application) {
        for version in versions(view, fact) {
            let Body::Application(a) = &version.record.body else { continue };
            let label = view.yard.label(a.label);
            let tree = view.trees.get(&view.stays(a.tree));
            let diameter = tree.and_then(|t| view.dosed_from(t, a)).map(|(_, d)| d);
            let dose = label.zip(diameter).and_then(|(l, d)| dose_for(l, &a.purpose, d).ok());
            let person = |id| names.person(id).unwrap_or_else(|| RecordId::to_string(&id));
            let volume = |v: Option<crate::quantity::Ul>| v.map(|v| ml(v.0)).unwrap_or_default();
            out.row([
                fact.id.to_string(),
                standing(fact).into(),
                view.stays(a.tree).to_string(),
                inert(&view.tag(a.tree)),
                a.stem.to_string(),
                inert(&view.yard.crew_name(a.crew)),
                view.crew_day(version).map(|d| d.day.to_string()).unwrap_or_default(),
                view.local_time(a.started_at),
                view.local_time(a.ended_at),
                inert(&person(a.applicator)),
                names
                    .licence_number(a.supervisor.unwrap_or(a.applicator))
                    .map(|n| inert(&n))
                    .unwrap_or_default(),
                a.supervisor.map(|s| inert(&person(s))).unwrap_or_default(),
                label.map(|l| inert(&l.name)).unwrap_or_default(),
                label.map(|l| inert(&l.registration)).unwrap_or_default(),
                a.label.to_string(),
                inert(&a.purpose),
                inert(&view.yard.lot_number(a.lot)),
                view.yard.kit(a.kit).map_or_else(|| a.kit.to_string(), |k| inert(&k.name)),
                diameter.map(|d| d.cm()).unwrap_or_default(),
                volume(dose.as_ref().map(|d| d.min_ul)),
                volume(dose.as_ref().map(|d| d.target_ul)),
                volume(dose.as_ref().map(|d| d.max_ul)),
                a.holes.len().to_string(),
                ml(a.put_in_ul().0),
                ml(a.leaked_ul().0),
                ml(a.discharged_ul().0),
                a.pressure_pa.map(|p| decimal(p.0, 1_000, 1)).unwrap_or_default(),
                a.continues.map(|c| c.to_string()).unwrap_or_default(),
                days.state(version).into(),
                inert(&violations.of_application(fact, version).join(" | ")),
                state.clone(),
            ])?;
        }
    }
    out.end()
}

/// Millilitres to the microlitre.
pub(super) fn ml(volume_ul: i64) -> String {
    decimal(volume_ul, 1_000, 3)
}

fn degrees(ndeg: i64) -> String {
    decimal(ndeg, 1_000_000_000, 7)
}

/// A tree's total over its applications in force; of a contested one the larger value.
pub(super) fn total(
    view: &View<'_>,
    tree: &TreeView,
    volume: impl Fn(&Application) -> crate::quantity::Ul,
) -> i64 {
    let mut by_fact = std::collections::BTreeMap::new();
    for (fact, _, application) in view.applications(tree) {
        let v = volume(application).0;
        by_fact.entry(fact.id).and_modify(|known: &mut i64| *known = (*known).max(v)).or_insert(v);
    }
    by_fact.into_values().fold(0, i64::saturating_add)
}

/// The tags of trees joined to this one.
pub(super) fn other_tags(view: &View<'_>, id: RecordId, tree: &TreeView) -> Vec<String> {
    tree.listed_as
        .iter()
        .map(|i| view.fact(*i))
        .filter(|f| f.id != id)
        .filter_map(|f| match &view.facts.shown(f).record.body {
            Body::Tree(t) => Some(t.tag.clone()),
            _ => None,
        })
        .collect()
}

pub(super) fn state_name(state: TreeState) -> (&'static str, String) {
    match state {
        TreeState::Treated => ("treated", String::new()),
        TreeState::NotTreated(reason) => {
            let name = serde_json::to_value(reason).ok().and_then(|v| v.as_str().map(str::to_owned));
            ("not treated", name.unwrap_or_default().replace('_', " "))
        }
        TreeState::Left => ("left", String::new()),
    }
}

fn latest_canopy_loss(view: &View<'_>, tree: &TreeView) -> Option<i64> {
    tree.conditions
        .iter()
        .map(|i| view.facts.shown(view.fact(*i)))
        .filter_map(|v| match &v.record.body {
            Body::Condition(c) => c.canopy_loss.map(|l| (v.record.envelope.at, v.id(), l.0)),
            _ => None,
        })
        .max()
        .map(|(_, _, loss)| loss)
}

fn block_name(view: &View<'_>, id: RecordId) -> String {
    let name = view.facts.standing_fact(id).and_then(|f| match &view.facts.shown(f).record.body {
        Body::Block(b) => Some(b.name.clone()),
        _ => None,
    });
    name.unwrap_or_else(|| id.to_string())
}
