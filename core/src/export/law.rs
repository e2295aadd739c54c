//! Records of applications with the elements a scheme of law asks for, and what each lacks.
//!
//! 40 CFR 171.303(b)(7)(vi) (United States, commercial applicators; kept two years at least): name
//! and address of the person served; location; size of area treated; crop, commodity, stored product
//! or site; date and time; product; registration number; total amount per location and application;
//! certified applicator's name and certification number, and any noncertified applicator's name.
//! A State may ask for more. Where the regulation says area, a tree has none: its diameter is given.

use std::fmt::Write;

use crate::export::out::{Table, whole};
use crate::export::schema::US_RECORDS;
use crate::export::standing::{DayStates, Violations, standing, versions};
use crate::export::table::ml;
use crate::export::{ExportError, Names, inert, short};
use crate::facts::{Fact, Version};
use crate::finding::Finding;
use crate::ids::PersonId;
use crate::quantity::decimal;
use crate::record::work::Application;
use crate::record::{Body, Kind};
use crate::view::View;

/// The columns of `application-records.csv`.
pub const RECORD_COLUMNS: &[&str] = &[
    "application",
    "person_served",
    "address_of_person_served",
    "location",
    "lat",
    "lon",
    "size_treated",
    "site",
    "date",
    "time",
    "product",
    "registration",
    "amount_ml",
    "certified_applicator",
    "certification_number",
    "noncertified_applicator",
    "standing",
    "day_state",
    "violations",
    "missing",
    "scheme",
    "book_state",
];

/// Whether someone may apply unsupervised on the day of a version.
fn certified(view: &View<'_>, person: PersonId, version: &Version) -> bool {
    let Some(day) = view.crew_day(version).map(|d| d.day) else { return false };
    let facts = &view.yard.facts;
    facts.in_force(Kind::Licence).any(|fact| match &facts.shown(fact).record.body {
        Body::Licence(l) => l.person == person && l.certified && l.valid_from <= day && day <= l.valid_to,
        _ => false,
    })
}

/// Every application that is taken, ascending by id, struck ones marked as such: the regulator sees
/// what was taken back as well. `day_state` says whether the day was signed off, so that the table
/// can be had the same day; `missing` names each element that could not be filled in, so that
/// nothing looks complete that is not.
///
/// # Errors
/// [`ExportError`] when the table cannot be written.
pub fn application_records_csv(
    view: &View<'_>,
    findings: &[Finding],
    names: &impl Names,
    takes: impl Fn(&Fact, &Version) -> bool,
) -> Result<String, ExportError> {
    whole(|out| write_application_records_csv(out, view, findings, names, takes))
}

/// The same in parts.
///
/// # Errors
/// As [`application_records_csv`]; [`ExportError::Taken`] when `out` takes no more.
pub fn write_application_records_csv(
    out: &mut dyn Write,
    view: &View<'_>,
    findings: &[Finding],
    names: &impl Names,
    takes: impl Fn(&Fact, &Version) -> bool,
) -> Result<(), ExportError> {
    let state = short(view.state_digest());
    let (days, violations) = (DayStates::of(view), Violations::of(view, findings));
    let (client, address) = names.client(view.job.client);
    let mut out = Table::new(out, RECORD_COLUMNS)?;
    for fact in view.facts.of_kind(Kind::Application) {
        for version in versions(view, fact).into_iter().filter(|v| takes(fact, v)) {
            let Body::Application(a) = &version.record.body else { continue };
            let row = row(view, names, version, a);
            let mut cells = vec![
                ("", fact.id.to_string()),
                ("name of the person served", client.clone().unwrap_or_default()),
                ("address of the person served", address.clone().unwrap_or_default()),
            ];
            cells.extend(row);
            let missing: Vec<&str> = cells
                .iter()
                .filter(|(name, text)| !name.is_empty() && text.is_empty())
                .map(|(n, _)| *n)
                .collect();
            let missing = missing.join("; ");
            let cells = cells.iter().zip(US_RECORDS).map(|((_, text), field)| field.cell(text));
            let ends = [
                standing(fact).to_owned(),
                days.state(version).to_owned(),
                inert(&violations.of_application(fact, version).join(" | ")),
                inert(&missing),
                "40 CFR 171.303(b)(7)(vi)".to_owned(),
                state.clone(),
            ];
            out.row(cells.chain(ends))?;
        }
    }
    out.end()
}

/// The elements of one application; a named one that is empty is missing.
fn row(
    view: &View<'_>,
    names: &impl Names,
    version: &Version,
    a: &Application,
) -> Vec<(&'static str, String)> {
    let tree = view.trees.get(&view.stays(a.tree));
    let listed = view.tree(a.tree);
    let place = listed.and_then(|t| t.position).or(a.position);
    let degrees = |v: i64| decimal(v, 1_000_000_000, 7);
    let diameter = tree.and_then(|t| view.dosed_from(t, a)).map(|(_, d)| d);
    let label = view.yard.label(a.label);
    let local = view.local_time(a.started_at);
    let supervisor = a.supervisor.filter(|s| *s != a.applicator);
    let responsible = supervisor.unwrap_or(a.applicator);
    let holds = certified(view, responsible, version);
    let name = |id| names.person(id).unwrap_or_default();
    vec![
        ("location", format!("{}, tree {}", view.job.site, view.tag(a.tree))),
        ("", place.map(|p| degrees(p.lat_ndeg)).unwrap_or_default()),
        ("", place.map(|p| degrees(p.lon_ndeg)).unwrap_or_default()),
        ("size treated", diameter.map(|d| format!("1 stem of {} cm", d.cm())).unwrap_or_default()),
        ("site", listed.and_then(|t| t.species.clone()).map(|s| format!("tree, {s}")).unwrap_or_default()),
        ("date", local.get(..10).unwrap_or_default().to_owned()),
        ("time", local.get(11..16).unwrap_or_default().to_owned()),
        ("product", label.map(|l| l.name.clone()).unwrap_or_default()),
        ("registration number", label.map(|l| l.registration.clone()).unwrap_or_default()),
        ("amount", ml(a.discharged_ul().0)),
        ("certified applicator", if holds { name(responsible) } else { String::new() }),
        (
            "certification number",
            if holds { names.licence_number(responsible).unwrap_or_default() } else { String::new() },
        ),
        ("", if holds && supervisor.is_none() { String::new() } else { name(a.applicator) }),
    ]
}
