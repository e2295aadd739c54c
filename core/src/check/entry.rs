//! Figures no tree, tape, clock or container can give.
//!
//! One set of limits serves twice: the tools refuse such a figure at entry ([`refuse`]), and the
//! same figure arriving from another device is kept and flagged ([`check`]).

use std::fmt::Display;

use crate::check::record::label_of;
use crate::check::rules::Case;
use crate::facts::{Fact, Facts};
use crate::finding::{Code, Finding};
use crate::quantity::{PerMille, Ul, Um, UtcMs};
use crate::record::stand::Position;
use crate::record::work::Hole;
use crate::record::{Body, Record};
use crate::view::View;

/// A clock may run this far ahead of the one that judges it.
pub const CLOCK_TOLERANCE_MS: i64 = 10 * 60 * 1_000;
/// Nothing was logged before 2020-01-01: a phone whose clock was never set says 1970.
const EARLIEST: i64 = 1_577_836_800_000;
/// No stem is thicker: the thickest broadleaved stems that are injected stay under 2.5 m (common
/// practice, no source); above it a girth was most likely entered as a diameter.
pub const MAX_DIAMETER_UM: i64 = 2_500_000;
const MAX_VOLUME_UL: i64 = 1_000_000_000;
const MAX_CHARGE_UL: i64 = 1_000_000;
const MAX_HOLES: usize = 400;
const MAX_TEXT: usize = 4_000;

/// Everything in a record that cannot be, in plain words; empty when nothing is wrong. `now` is the
/// clock that judges whether a time lies in the future.
pub fn refuse(record: &Record, now: UtcMs) -> Vec<String> {
    let mut wrong = implausible(record);
    for (what, at) in times(record) {
        if at.0 > now.0.saturating_add(CLOCK_TOLERANCE_MS) {
            wrong.push(format!("{what} lies in the future: check the date, or the clock of this device"));
        }
    }
    wrong
}

/// Findings of this rule.
pub fn check(case: &Case<'_, '_, '_>, findings: &mut Vec<Finding>) {
    let view = case.view;
    match case.facts {
        None => view.facts.facts.iter().for_each(|fact| of_fact(view, &view.facts, fact, findings)),
        Some(some) => some.iter().for_each(|i| of_fact(view, &view.facts, view.fact(*i), findings)),
    }
}

/// The same of the yard's book.
pub fn check_yard(view: &View<'_>, findings: &mut Vec<Finding>) {
    let facts = &view.yard.facts;
    facts.facts.iter().for_each(|fact| of_fact(view, facts, fact, findings));
}

/// Whether a fact in force says what cannot be.
pub(super) fn is_odd(view: &View<'_>, fact: &Fact) -> bool {
    fact.in_force() && view.facts.current(fact).any(|version| !implausible(&version.record).is_empty())
}

fn of_fact(view: &View<'_>, facts: &Facts, fact: &Fact, findings: &mut Vec<Finding>) {
    for version in facts.current(fact) {
        let wrong = implausible(&version.record);
        if wrong.is_empty() || !fact.in_force() {
            continue;
        }
        let kind = label_of(fact.kind);
        let tree = crate::view::tree_named(&version.record.body).map(|t| view.stays(t));
        let wrong = wrong.join("; ");
        let message = match tree {
            Some(tree) => format!("The {kind} of tree {} cannot be so: {wrong}.", view.tag(tree)),
            None => format!("The {kind} cannot be so: {wrong}."),
        };
        let id = version.id();
        let finding = Finding::new(Code::Implausible, &[&id.to_string()], message, vec![id]);
        findings.push(Finding { tree, ..finding.on(view.crew_day(version)) });
    }
}

/// Records dated after a server had them.
pub fn check_ahead(view: &View<'_>, findings: &mut Vec<Finding>) {
    for (index, arrived_at) in &view.ahead {
        let version = &view.facts.versions[*index];
        let message = format!(
            "The {} {} is dated {}, but had arrived at the server by {}.",
            label_of(version.record.kind()),
            version.id(),
            view.local_time(version.record.envelope.at),
            view.local_time(*arrived_at),
        );
        findings.push(
            Finding::new(Code::ClockAhead, &[&version.id().to_string()], message, vec![version.id()])
                .on(view.crew_day(version)),
        );
    }
}

fn times(record: &Record) -> impl Iterator<Item = (&'static str, UtcMs)> {
    let (first, second) = match &record.body {
        Body::Application(b) => (Some(("the start", b.started_at)), Some(("the end", b.ended_at))),
        Body::Incident(b) => (Some(("the time of the incident", b.happened_at)), None),
        Body::Photo(b) => (Some(("the time of the photo", b.taken_at)), None),
        Body::Notice(b) => (Some(("the time of the notice", b.given_at)), None),
        _ => (None, None),
    };
    std::iter::once(("the time of the record", record.envelope.at)).chain(first).chain(second)
}

fn implausible(record: &Record) -> Vec<String> {
    let mut wrong = vec![];
    for (what, at) in times(record) {
        if at.0 < EARLIEST {
            wrong.push(format!("{what} lies before 2020: the device's clock was not set"));
        }
    }
    let w = &mut wrong;
    match &record.body {
        Body::Tree(b) => {
            text(w, "the tag", &b.tag, 64);
            integer(w, "the number of stems", b.stems, 1, 64);
            b.position.iter().for_each(|p| position(w, p));
        }
        Body::Diameter(b) => {
            length(w, "the diameter", b.diameter_um, 1_000, MAX_DIAMETER_UM);
            length(w, "the height of measurement", b.height_um, 0, 3_000_000);
            integer(w, "the stem", b.stem, 1, 64);
            for girth in [b.band_low_girth_um, b.band_high_girth_um].into_iter().flatten() {
                length(w, "the girth in the band", girth, 3_000, 4 * MAX_DIAMETER_UM);
            }
            b.bark_um.iter().for_each(|bark| length(w, "the bark thickness", *bark, 0, 300_000));
        }
        Body::Condition(b) => {
            b.canopy_loss.iter().for_each(|v| share(w, "the canopy loss", *v));
            for (what, t) in [("the air temperature", b.air_mc), ("the soil temperature", b.soil_mc)] {
                if let Some(t) = t {
                    integer(w, what, t.0, -60_000, 60_000);
                }
            }
        }
        Body::Inspection(b) => b.canopy_loss.iter().for_each(|v| share(w, "the canopy loss", *v)),
        Body::Dose(b) => {
            volume(w, "the target", b.target_ul, MAX_VOLUME_UL);
            b.charges_ul.iter().for_each(|c| volume(w, "a charge", *c, MAX_CHARGE_UL));
        }
        Body::Application(b) => {
            integer(w, "the stem", b.stem, 1, 64);
            if b.holes.len() > MAX_HOLES {
                w.push(format!("{} holes in one stem; at most {MAX_HOLES}", b.holes.len()));
            }
            if b.ended_at < b.started_at {
                w.push("it ends before it starts".into());
            }
            if b.ended_at.0.saturating_sub(b.started_at.0) > 24 * 3_600_000 {
                w.push("it lasts longer than a day".into());
            }
            if let Some(p) = b.pressure_pa {
                integer(w, "the pressure", p.0, 0, 10_000_000);
            }
            b.holes.iter().enumerate().for_each(|(i, h)| hole(w, i + 1, h));
            b.position.iter().for_each(|p| position(w, p));
        }
        Body::Movement(b) => volume(w, "the amount", b.amount_ul, MAX_VOLUME_UL),
        Body::Fill(b) => volume(w, "the amount", b.amount_ul, MAX_VOLUME_UL),
        Body::DayClosing(b) => {
            integer(w, "the containers still out", b.containers_out, 0, 10_000);
            b.kits.iter().for_each(|k| volume(w, "a kit's content", k.content_ul, MAX_VOLUME_UL));
        }
        Body::Photo(b) => integer(w, "the photo's size", b.bytes, 1, 64 * 1024 * 1024),
        Body::Note(b) => text(w, "the note", &b.text, MAX_TEXT),
        Body::Incident(b) => {
            text(w, "what happened", &b.text, MAX_TEXT);
            text(w, "what was done", &b.done, MAX_TEXT);
        }
        Body::Strike(b) => text(w, "the reason", &b.reason, MAX_TEXT),
        Body::Ruling(b) => text(w, "the reason", &b.reason, MAX_TEXT),
        Body::Join(b) => text(w, "the reason", &b.reason, MAX_TEXT),
        Body::Admission(b) => text(w, "the reason", &b.reason, MAX_TEXT),
        Body::Reopening(b) => text(w, "the reason", &b.reason, MAX_TEXT),
        Body::Block(b) => text(w, "the name", &b.name, 200),
        _ => {}
    }
    wrong
}

fn hole(wrong: &mut Vec<String>, number: usize, hole: &Hole) {
    // Written out only of a figure that is wrong: a job has hundreds of thousands of holes.
    volume(wrong, format_args!("hole {number}: the product put in"), hole.put_in_ul, MAX_CHARGE_UL);
    volume(wrong, format_args!("hole {number}: the product leaked"), hole.leaked_ul, MAX_CHARGE_UL);
    length(wrong, format_args!("hole {number}: the arc"), hole.arc_um, 0, 4 * MAX_DIAMETER_UM);
    length(wrong, format_args!("hole {number}: the height"), hole.height_um, 0, 3_000_000);
    length(wrong, format_args!("hole {number}: the depth"), hole.depth_um, 0, 300_000);
}

fn integer(wrong: &mut Vec<String>, what: &str, value: i64, least: i64, most: i64) {
    if value < least || value > most {
        wrong.push(format!("{what} is {value}, which must lie between {least} and {most}"));
    }
}

fn length(wrong: &mut Vec<String>, what: impl Display, value: Um, least: i64, most: i64) {
    if value.0 < least || value.0 > most {
        wrong.push(format!(
            "{what} is {} cm, which must lie between {} and {} cm",
            value.cm(),
            Um(least).cm(),
            Um(most).cm()
        ));
    }
}

fn volume(wrong: &mut Vec<String>, what: impl Display, value: Ul, most: i64) {
    if value.0 < 0 || value.0 > most {
        wrong.push(format!("{what} is {} mL, which must lie between 0 and {} mL", value.ml(), Ul(most).ml()));
    }
}

fn share(wrong: &mut Vec<String>, what: &str, value: PerMille) {
    integer(wrong, what, value.0, 0, 1_000);
}

fn text(wrong: &mut Vec<String>, what: &str, value: &str, most: usize) {
    let length = value.chars().count();
    if value.trim().is_empty() {
        wrong.push(format!("{what} is empty"));
    } else if length > most {
        wrong.push(format!("{what} has {length} characters; at most {most}"));
    }
}

fn position(wrong: &mut Vec<String>, p: &Position) {
    integer(wrong, "the latitude", p.lat_ndeg, -90_000_000_000, 90_000_000_000);
    integer(wrong, "the longitude", p.lon_ndeg, -180_000_000_000, 180_000_000_000);
}
