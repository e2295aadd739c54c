//! Records of applications with the elements of Implementing Regulation (EU) 2023/564, Annex,
//! surface areas, and of the office's own list; each row names what it lacks.
//!
//! The regulation's elements as read in an extract: type of use; product name and authorisation
//! number; date, and start hour where relevant; dose; location; size; crop or situation by EPPO code,
//! and BBCH stage where relevant. It asks for an electronic, machine-readable form: the table and the
//! Table Schema beside it in the data package. Member states add to it.

use std::fmt::Write;

use crate::check::law::own_name;
use crate::dosing::label::plant_code;
use crate::export::out::{Table, whole};
use crate::export::schema::{DAY_STATE, Field, STANDING, STATE, Type, VIOLATIONS, field, figure};
use crate::export::standing::{DayStates, Violations, standing, versions};
use crate::export::table::ml;
use crate::export::{ExportError, inert, short};
use crate::facts::{Fact, Version};
use crate::finding::Finding;
use crate::quantity::decimal;
use crate::record::office::Element;
use crate::record::stand::{Bloom, Condition, SoilMoisture};
use crate::record::work::Application;
use crate::record::{Body, Kind};
use crate::view::{TreeView, View};

/// The fields of `application-records-eu.csv`.
pub const EU_RECORDS: &[Field] = &[
    field("application", Type::Id, "the application"),
    field("type_of_use", Type::Text, "what it was done for: the rate row's purpose"),
    field("product", Type::Text, "the product's name"),
    field("authorisation_number", Type::Text, "the product's authorisation number"),
    field("date", Type::Date, "the day, in the job's time zone"),
    field("start_time", Type::Clock, "when it began, in the job's time zone"),
    figure("dose_ml", "mL", "product discharged at this stem: taken up and leaked"),
    field("dose_unit", Type::Text, "what the dose is given for"),
    field("location", Type::Text, "the site and the tree"),
    figure("lat", "degree", "latitude on WGS 84"),
    figure("lon", "degree", "longitude on WGS 84"),
    field("size", Type::Integer, "how many stems: a tree has no area"),
    figure("diameter_cm", "cm", "the stem's diameter at breast height"),
    field("crop_eppo", Type::Text, "the tree's species as an EPPO code"),
    field("species_as_logged", Type::Text, "the species as the crew logged it"),
    field(
        "stage",
        Type::Text,
        "bloom as logged, with the BBCH principal stage where it says one (6 is flowering)",
    ),
    STANDING,
    DAY_STATE,
    VIOLATIONS,
    field("missing", Type::Text, "elements of the scheme that could not be filled in, separated by '; '"),
    field("scheme", Type::Text, "the record scheme"),
    STATE,
];

/// The fields of `application-records-office.csv`.
pub const OFFICE_RECORDS: &[Field] = &[
    field("application", Type::Id, "the application"),
    field("tag", Type::Text, "the tag on the tree"),
    field("pest", Type::Text, "the pest seen, as an EPPO code where the crew gave one"),
    figure("crew_lat", "degree", "where the crew stood: latitude on WGS 84"),
    figure("crew_lon", "degree", "where the crew stood: longitude on WGS 84"),
    figure("pressure_kpa", "kPa", "reservoir pressure above the atmosphere"),
    figure("canopy_loss_pct", "%", "share of the canopy lost"),
    figure("air_c", "°C", "the air's temperature"),
    field("soil_moisture", Type::Text, "dry, moist or saturated"),
    field("containers_off", Type::Time, "when the last container came off"),
    figure("bark_mm", "mm", "the bark's thickness where holes are drilled"),
    field("photos", Type::Integer, "photos of the tree and its records"),
    STANDING,
    DAY_STATE,
    field("asked", Type::Text, "what the office asks for on this job, separated by '; '"),
    field("missing", Type::Text, "what it asks for and is not there, separated by '; '"),
    STATE,
];

/// What was last seen of a tree when the application ended, of what `has` picks; else the first
/// that was seen after it.
fn seen<'v, T>(
    view: &'v View<'_>,
    tree: Option<&'v TreeView>,
    a: &Application,
    has: impl Fn(&'v Condition) -> Option<T>,
) -> Option<T> {
    let mut all = vec![];
    for index in tree.into_iter().flat_map(|t| &t.conditions) {
        let version = view.facts.shown(view.fact(*index));
        if let Body::Condition(c) = &version.record.body
            && let Some(found) = has(c)
        {
            all.push(((version.record.envelope.at, version.id()), found));
        }
    }
    all.sort_by_key(|(at, _)| *at);
    let before = all.iter().rposition(|((at, _), _)| *at <= a.ended_at).unwrap_or(0);
    (!all.is_empty()).then(|| all.swap_remove(before).1)
}

fn degrees(ndeg: i64) -> String {
    decimal(ndeg, 1_000_000_000, 7)
}

/// Every application that is taken, ascending by id, struck ones marked, with the elements of the
/// regulation; `missing` names those that could not be filled in.
///
/// # Errors
/// [`ExportError`] when the table cannot be written.
pub fn eu_records_csv(
    view: &View<'_>,
    findings: &[Finding],
    takes: impl Fn(&Fact, &Version) -> bool,
) -> Result<String, ExportError> {
    whole(|out| write_eu_records_csv(out, view, findings, takes))
}

/// The same in parts.
///
/// # Errors
/// As [`eu_records_csv`]; [`ExportError::Taken`] when `out` takes no more.
pub fn write_eu_records_csv(
    out: &mut dyn Write,
    view: &View<'_>,
    findings: &[Finding],
    takes: impl Fn(&Fact, &Version) -> bool,
) -> Result<(), ExportError> {
    let state = short(view.state_digest());
    let (days, violations) = (DayStates::of(view), Violations::of(view, findings));
    let mut out = Table::of(out, EU_RECORDS)?;
    for fact in view.facts.of_kind(Kind::Application) {
        for version in versions(view, fact).into_iter().filter(|v| takes(fact, v)) {
            let Body::Application(a) = &version.record.body else { continue };
            let (cells, missing) = elements(view, a);
            let ends = [
                standing(fact).to_owned(),
                days.state(version).to_owned(),
                inert(&violations.of_application(fact, version).join(" | ")),
                missing.join("; "),
                "EU 2023/564".to_owned(),
                state.clone(),
            ];
            let first = std::iter::once(fact.id.to_string());
            let cells = cells.iter().zip(EU_RECORDS.iter().skip(1)).map(|(c, field)| field.cell(c));
            out.row(first.chain(cells).chain(ends))?;
        }
    }
    out.end()
}

/// The elements of one application, from `type_of_use` to `stage`, and the names of what is missing.
fn elements(view: &View<'_>, a: &Application) -> (Vec<String>, Vec<&'static str>) {
    let tree = view.trees.get(&view.stays(a.tree));
    let listed = view.tree(a.tree);
    let place = listed.and_then(|t| t.position).or(a.position);
    let diameter = tree.and_then(|t| view.dosed_from(t, a)).map(|(_, d)| d);
    let label = view.yard.label(a.label);
    let local = view.local_time(a.started_at);
    let species = listed.and_then(|t| t.species.clone()).unwrap_or_default();
    let code = if plant_code(&species) { species.clone() } else { String::new() };
    let relevant = label.is_some_and(|l| l.conditions.not_in_bloom);
    let stage = match seen(view, tree, a, |c| c.bloom) {
        None => "",
        Some(Bloom::None) => "not in bloom",
        Some(Bloom::Before) => "about to bloom",
        Some(Bloom::In) => "6 (in bloom)",
        Some(Bloom::After) => "bloom is over",
    };
    let name = label.map(|l| l.name.trim().to_owned()).unwrap_or_default();
    let number = label.map(|l| l.registration.trim().to_owned()).unwrap_or_default();
    let mut missing = vec![];
    let mut lacks = |yes: bool, what: &'static str| {
        if yes {
            missing.push(what);
        }
    };
    lacks(a.purpose.trim().is_empty(), "type of use");
    lacks(name.is_empty(), "product name");
    lacks(number.is_empty(), "authorisation number");
    lacks(a.holes.is_empty(), "dose");
    lacks(view.job.site.trim().is_empty() && place.is_none(), "location");
    lacks(diameter.is_none(), "size");
    lacks(code.is_empty(), "crop or situation by EPPO code");
    lacks(relevant && stage.is_empty(), "BBCH stage");
    let cells = vec![
        a.purpose.clone(),
        name,
        number,
        local.get(..10).unwrap_or_default().to_owned(),
        local.get(11..16).unwrap_or_default().to_owned(),
        ml(a.discharged_ul().0),
        "mL of product per stem".to_owned(),
        format!("{}, tree {}", view.job.site, view.tag(a.tree)),
        place.map(|p| degrees(p.lat_ndeg)).unwrap_or_default(),
        place.map(|p| degrees(p.lon_ndeg)).unwrap_or_default(),
        "1".to_owned(),
        diameter.map(|d| d.cm()).unwrap_or_default(),
        code,
        species,
        stage.to_owned(),
    ];
    (cells, missing)
}

/// Every application that is taken with what an office can ask for beyond a scheme; `missing` names
/// what this job's office asks for and is not there.
///
/// # Errors
/// [`ExportError`] when the table cannot be written.
pub fn office_records_csv(
    view: &View<'_>,
    takes: impl Fn(&Fact, &Version) -> bool,
) -> Result<String, ExportError> {
    whole(|out| write_office_records_csv(out, view, takes))
}

/// The same in parts.
///
/// # Errors
/// As [`office_records_csv`]; [`ExportError::Taken`] when `out` takes no more.
pub fn write_office_records_csv(
    out: &mut dyn Write,
    view: &View<'_>,
    takes: impl Fn(&Fact, &Version) -> bool,
) -> Result<(), ExportError> {
    let state = short(view.state_digest());
    let days = DayStates::of(view);
    let asks = view.requirements();
    let mut asked: Vec<&str> = asks.elements.iter().map(|e| own_name(*e)).collect();
    if asks.photo {
        asked.push("a photo");
    }
    let asked = asked.join("; ");
    let mut out = Table::of(out, OFFICE_RECORDS)?;
    for fact in view.facts.of_kind(Kind::Application) {
        for version in versions(view, fact).into_iter().filter(|v| takes(fact, v)) {
            let Body::Application(a) = &version.record.body else { continue };
            let tree = view.trees.get(&view.stays(a.tree));
            let photos = tree.map_or(0, |t| t.photos.len());
            let own = own(view, tree, a);
            let lacking = |e: &&Element| own.iter().any(|(of, text)| of == *e && text.is_empty());
            let mut missing: Vec<&str> = asks.elements.iter().filter(lacking).map(|e| own_name(*e)).collect();
            if asks.photo && photos == 0 {
                missing.push("a photo");
            }
            let mut cells = vec![fact.id.to_string(), inert(&view.tag(a.tree))];
            // A temperature below zero begins with a sign that a figure may have.
            let figure = |e: Element| matches!(e, Element::AirTemperature | Element::CrewPosition);
            cells.extend(own.iter().map(|(e, t)| if figure(*e) { t.clone() } else { inert(t) }));
            cells.push(photos.to_string());
            cells.extend([standing(fact).to_owned(), days.state(version).to_owned()]);
            cells.extend([asked.clone(), missing.join("; "), state.clone()]);
            out.row(cells)?;
        }
    }
    out.end()
}

/// What an application has of each element an office can ask for, in the order of the columns.
fn own(view: &View<'_>, tree: Option<&TreeView>, a: &Application) -> Vec<(Element, String)> {
    let stood = |of: fn(&crate::record::stand::Position) -> i64| {
        a.position.as_ref().map(|p| degrees(of(p))).unwrap_or_default()
    };
    let soil = match seen(view, tree, a, |c| c.soil) {
        None => "",
        Some(SoilMoisture::Dry) => "dry",
        Some(SoilMoisture::Moist) => "moist",
        Some(SoilMoisture::Saturated) => "saturated",
    };
    let all_off = a.holes.iter().map(|h| h.removed_at).collect::<Option<Vec<_>>>();
    let off = all_off.and_then(|times| times.into_iter().max());
    let bark = tree.and_then(|t| {
        let of_stem = view.diameters(t, a.stem).filter_map(|(v, d)| Some((v, d.bark_um?)));
        of_stem.max_by_key(|(v, _)| (v.record.envelope.at, v.id())).map(|(_, bark)| bark)
    });
    let pest = seen(view, tree, a, |c| c.pest.clone());
    let loss = seen(view, tree, a, |c| c.canopy_loss);
    let air = seen(view, tree, a, |c| c.air_mc);
    vec![
        (Element::Pest, pest.unwrap_or_default()),
        (Element::CrewPosition, stood(|p| p.lat_ndeg)),
        (Element::CrewPosition, stood(|p| p.lon_ndeg)),
        (Element::Pressure, a.pressure_pa.map(|p| decimal(p.0, 1_000, 1)).unwrap_or_default()),
        (Element::CanopyLoss, loss.map(|l| decimal(l.0, 10, 1)).unwrap_or_default()),
        (Element::AirTemperature, air.map(|t| decimal(t.0, 1_000, 1)).unwrap_or_default()),
        (Element::SoilMoisture, soil.to_owned()),
        (Element::ContainerOff, off.map(|at| view.local_time(at)).unwrap_or_default()),
        (Element::Bark, bark.map(|b| b.mm()).unwrap_or_default()),
    ]
}
