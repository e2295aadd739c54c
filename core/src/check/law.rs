//! What the record scheme of a job asks for and is not there: elements of the law, of the office's
//! own list, photos, and the cautions' acknowledgement.
//!
//! Each element is traced to the field that holds it. Names, addresses and licence numbers stand in
//! the register outside the books; here only the reference to them can be looked at.

use std::collections::BTreeSet;

use crate::check::work::{Done, Together, Work};
use crate::day::Day;
use crate::finding::{Code, Finding, Named};
use crate::ids::RecordId;
use crate::record::office::{Element, Scheme};
use crate::record::{Body, Kind};
use crate::view::View;

/// An element of a record scheme, where it is held, and how to see that it is missing.
pub struct LegalElement {
    /// Its scheme.
    pub scheme: Scheme,
    /// The element in the law's words, shortened.
    pub name: &'static str,
    /// The field that holds it.
    pub held_in: &'static str,
    missing: fn(&View<'_>, &Done<'_>) -> bool,
}

fn never(_: &View<'_>, _: &Done<'_>) -> bool {
    false
}

fn no_site(view: &View<'_>, done: &Done<'_>) -> bool {
    view.job.site.trim().is_empty() && done.listed.and_then(|t| t.position).is_none()
}

/// The area treated: the block with its boundary. A tree is one site, so its position will do.
fn no_area(view: &View<'_>, done: &Done<'_>) -> bool {
    let tree = done.listed;
    let block = tree.and_then(|t| t.block).and_then(|b| view.facts.standing_fact(b));
    let drawn = block
        .is_some_and(|f| matches!(&view.facts.shown(f).record.body, Body::Block(b) if b.boundary.len() > 2));
    !drawn && tree.and_then(|t| t.position).is_none()
}

fn no_species(_: &View<'_>, done: &Done<'_>) -> bool {
    done.listed.and_then(|t| t.species.as_deref()).is_none_or(|s| s.trim().is_empty())
}

fn no_label(_: &View<'_>, done: &Done<'_>) -> bool {
    done.label.is_none_or(|l| l.name.trim().is_empty())
}

fn no_registration(_: &View<'_>, done: &Done<'_>) -> bool {
    done.label.is_none_or(|l| l.registration.trim().is_empty())
}

fn no_amount(_: &View<'_>, done: &Done<'_>) -> bool {
    done.body.holes.is_empty()
}

fn no_client(view: &View<'_>, _: &Done<'_>) -> bool {
    view.job.client.unix_ms() == 0
}

fn no_certified(view: &View<'_>, done: &Done<'_>) -> bool {
    let people = [Some(done.body.applicator), done.body.supervisor];
    let certified = |person: RecordId| {
        view.yard.facts.in_force(Kind::Licence).any(|f| {
            matches!(&view.yard.facts.shown(f).record.body,
                Body::Licence(l) if l.person == person && l.certified)
        })
    };
    !people.into_iter().flatten().any(certified)
}

fn no_applicator(view: &View<'_>, done: &Done<'_>) -> bool {
    view.yard.facts.standing_fact(done.body.applicator).is_none_or(|f| f.kind != Kind::Person)
}

fn no_purpose(_: &View<'_>, done: &Done<'_>) -> bool {
    done.body.purpose.trim().is_empty()
}

/// BBCH stage where relevant: what is held is the bloom, the one stage that a trunk injection turns on.
fn no_stage(view: &View<'_>, done: &Done<'_>) -> bool {
    done.label.is_some_and(|l| l.conditions.not_in_bloom) && !logged(view, done, |c| c.bloom.is_some())
}

fn logged(view: &View<'_>, done: &Done<'_>, has: impl Fn(&crate::record::stand::Condition) -> bool) -> bool {
    done.of
        .conditions
        .iter()
        .any(|i| matches!(&view.facts.shown(view.fact(*i)).record.body, Body::Condition(c) if has(c)))
}

macro_rules! elements {
    ($($scheme:ident: $name:literal, $held:literal, $missing:ident;)*) => {
        /// The elements of every scheme, as far as a book can hold them.
        pub const ELEMENTS: &[LegalElement] =
            &[$(LegalElement { scheme: Scheme::$scheme, name: $name, held_in: $held, missing: $missing },)*];
    };
}

elements! {
    Us171303: "name and address of the person served", "job: client; the register", no_client;
    Us171303: "location of the application", "job: site; tree: position", no_site;
    Us171303: "size of the area treated", "block: boundary; tree: position", no_area;
    Us171303: "crop, commodity, stored product or site", "tree: species; job: site", no_species;
    Us171303: "year, month, day and time", "application: started_at", never;
    Us171303: "product name", "label: name", no_label;
    Us171303: "EPA registration number", "label: registration", no_registration;
    Us171303: "total amount per location per application", "application: holes", no_amount;
    Us171303: "certified applicator's name and number", "licence; the register", no_certified;
    Us171303: "noncertified applicator's name", "application: applicator; the register", no_applicator;
    Eu2023564: "type of use", "application: purpose", no_purpose;
    Eu2023564: "product name and authorisation number", "label: name, registration", no_registration;
    Eu2023564: "date, and start hour where relevant", "application: started_at", never;
    Eu2023564: "dose", "application: holes", no_amount;
    Eu2023564: "location", "job: site; tree: position", no_site;
    Eu2023564: "size of the area", "block: boundary; tree: position", no_area;
    Eu2023564: "crop or situation by EPPO code", "tree: species", no_species;
    Eu2023564: "BBCH stage where relevant", "condition: bloom", no_stage;
}

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let (mut missing, mut photos) = (Together::default(), Together::default());
    let asked: Vec<&LegalElement> =
        ELEMENTS.iter().filter(|e| work.asks.schemes.contains(&e.scheme)).collect();
    for done in work.done.iter().filter(|d| d.first) {
        let Some(day) = done.day else { continue };
        for element in asked.iter().filter(|e| (e.missing)(view, done)) {
            let what = (element.name, Some((scheme(element.scheme), element.held_in)));
            missing.add(day, what, done.called(), done.version.id());
        }
        for element in &work.asks.elements {
            if own_missing(view, *element, done) {
                missing.add(day, (own_name(*element), None), done.called(), done.version.id());
            }
        }
        if work.asks.photo && done.of.photos.is_empty() {
            photos.add(day, "", done.called(), done.version.id());
        }
    }
    missing.findings(
        Code::ElementMissing,
        |(name, by_law)| match by_law {
            Some((scheme, held_in)) => format!("{name} ({scheme}; held in {held_in})"),
            None => format!("{name} (the office's list)"),
        },
        |day, what, trees| format!("Crew {} on {}: {what} is missing for {trees}.", Named(day.crew), day.day),
        findings,
    );
    photos.findings(
        Code::PhotoMissing,
        |nothing| (*nothing).to_owned(),
        |day, _, trees| format!("Crew {} on {}: no photo of {trees}.", Named(day.crew), day.day),
        findings,
    );
    if work.asks.cautions {
        acknowledged(view, work, findings);
    }
}

const fn scheme(scheme: Scheme) -> &'static str {
    match scheme {
        Scheme::Us171303 => "40 CFR 171.303(b)(7)(vi)",
        Scheme::Eu2023564 => "EU 2023/564",
    }
}

pub(crate) const fn own_name(element: Element) -> &'static str {
    match element {
        Element::Pest => "the pest",
        Element::CrewPosition => "where the crew stood",
        Element::Pressure => "the pressure",
        Element::CanopyLoss => "the canopy loss",
        Element::AirTemperature => "the air's temperature",
        Element::SoilMoisture => "the soil's moisture",
        Element::ContainerOff => "when each container came off",
        Element::Bark => "the bark's thickness",
    }
}

fn own_missing(view: &View<'_>, element: Element, done: &Done<'_>) -> bool {
    match element {
        Element::Pest => !logged(view, done, |c| c.pest.is_some()),
        Element::CrewPosition => done.body.position.is_none(),
        Element::Pressure => done.body.pressure_pa.is_none(),
        Element::CanopyLoss => !logged(view, done, |c| c.canopy_loss.is_some()),
        Element::AirTemperature => !logged(view, done, |c| c.air_mc.is_some()),
        Element::SoilMoisture => !logged(view, done, |c| c.soil.is_some()),
        Element::ContainerOff => done.body.holes.iter().any(|h| h.removed_at.is_none()),
        Element::Bark => view.diameters(done.of, done.body.stem).all(|(_, d)| d.bark_um.is_none()),
    }
}

/// Who said, of which label version and for which day, that every caution was read, of the days `wanted`.
fn read_by(view: &View<'_>, wanted: impl Fn(Day) -> bool) -> BTreeSet<(RecordId, RecordId, Day)> {
    let mut read = BTreeSet::new();
    for fact in view.facts.in_force(Kind::Acknowledgement) {
        let Body::Acknowledgement(said) = &view.facts.shown(fact).record.body else { continue };
        if !wanted(said.day) {
            continue;
        }
        let all = view.yard.label(said.label).is_some_and(|label| {
            label.cautions.iter().all(|c| said.cautions.iter().any(|s| s.trim() == c.trim()))
        });
        if all {
            read.insert((said.person, said.label, said.day));
        }
    }
    read
}

/// Whether a person has said, for that day and label version, that every caution was read.
pub(crate) fn cautions_read(view: &View<'_>, person: RecordId, label: RecordId, day: Day) -> bool {
    read_by(view, |of| of == day).contains(&(person, label, day))
}

/// Who applied without having said, for that day and label version, that every caution was read.
fn acknowledged(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let days: BTreeSet<Day> = work.by_day.keys().map(|of| of.day).collect();
    let read = read_by(view, |day| days.contains(&day));
    let mut together = Together::default();
    for done in work.done.iter().filter(|d| d.first) {
        let Some(day) = done.day else { continue };
        if !read.contains(&(done.body.applicator, done.body.label, day.day)) {
            let what = (done.body.applicator, done.body.label);
            together.add(day, what, done.called(), done.version.id());
        }
    }
    together.findings(
        Code::CautionUnread,
        |(person, label)| {
            format!("person {person} has not said to have read the cautions of label {}", Named(*label))
        },
        |day, what, trees| format!("Crew {} on {}: {what}, and treated {trees}.", Named(day.crew), day.day),
        findings,
    );
}
