//! People, their crews, and their licences with the days they end.

use axum::response::Html;
use bolebook_core::day::Day;
use bolebook_core::ids::{PersonId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::{Zone, ZoneOffset};
use bolebook_core::record::people::Licence;
use bolebook_core::record::{Body, Kind};
use maud::{Markup, html};

use crate::desk::accounts;
use crate::desk::page::{Desk, Page, shown, text};
use crate::desk::words::spelled;
use crate::error::ApiError;

/// A licence that ends within so many days is pointed out (common practice, no source).
const SOON_DAYS: i64 = 60;

/// Today, in the zone of the newest job; in UTC without one.
pub fn today(desk: &Desk) -> Day {
    day(desk, desk.now())
}

fn day(desk: &Desk, at: UtcMs) -> Day {
    let utc = Zone { name: "UTC".into(), offsets: vec![ZoneOffset { from: UtcMs(0), offset_s: 0 }] };
    let zone =
        desk.snapshot.jobs.values().max_by_key(|j| &j.view.job.season).map_or(&utc, |j| &j.view.job.zone);
    Day::of(at, zone)
}

/// When and why a name was erased, for the place where it stood.
pub fn erased(desk: &Desk, id: RecordId) -> Markup {
    html! {
        @if let Some(erasure) = desk.snapshot.names.erased(id) {
            p.muted { "Name and details erased on " (day(desk, erasure.at)) ": " (text(&erasure.reason)) ". What was done stays on record." }
        }
    }
}

/// How long something still holds, in words.
pub fn until(today: Day, last: Day) -> Markup {
    let left = today.days_until(last);
    html! {
        span.nowrap { (last) } " "
        @if left < 0 { span.tag.open { "over since " (-left) " days" } }
        @else if left <= SOON_DAYS { span.tag.warn { "ends in " (left) " days" } }
        @else { span.muted { "holds" } }
    }
}

fn licences(desk: &Desk, person: PersonId) -> Vec<(&Licence, bolebook_core::ids::RecordId)> {
    let facts = &desk.snapshot.yard.facts;
    let mut all: Vec<_> = facts
        .in_force(Kind::Licence)
        .filter_map(|f| match &facts.shown(f).record.body {
            Body::Licence(l) if l.person == person => Some((&**l, f.id)),
            _ => None,
        })
        .collect();
    all.sort_by_key(|(l, _)| std::cmp::Reverse(l.valid_to));
    all
}

/// The people.
pub async fn list(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| {
        let snapshot = &desk.snapshot;
        let facts = &snapshot.yard.facts;
        let users = desk.app.read(accounts::users)?;
        let today = today(desk);
        let people: Vec<_> = facts.in_force(Kind::Person).collect();
        let crews = |person: PersonId| {
            let crews = facts.in_force(Kind::Crew).filter_map(move |f| match &facts.shown(f).record.body {
                Body::Crew(c) if c.members.contains(&person) || c.lead == person => Some((c.name.clone(), c.lead == person)),
                _ => None,
            });
            crews.collect::<Vec<_>>()
        };
        let body = html! {
            h1 { "People" }
            p.small { "Names and numbers stand in the register, outside the books, where they can be erased. Add people and licences with " code { "bolebook person add" } " and " code { "bolebook licence add" } "." }
            table.cards {
                thead { tr { th scope="col" { "Name" } th scope="col" { "Work" } th scope="col" { "Crew" } th scope="col" { "Licences" } th scope="col" { "Account here" } } }
                tbody {
                    @for fact in people {
                        @let work = match &facts.shown(fact).record.body { Body::Person(p) => spelled(p.work), _ => String::new() };
                        @let held = licences(desk, fact.id);
                        tr {
                            th scope="row" { (text(&snapshot.names.named(fact.id))) (erased(desk, fact.id)) }
                            td data-label="Work" { (work) }
                            td data-label="Crew" { @for (name, leads) in crews(fact.id) { p { (text(&name)) @if leads { " (leads)" } } } }
                            td data-label="Licences" {
                                @if held.is_empty() { span.muted { "none" } }
                                @for (l, _) in held {
                                    p { (text(&l.category)) ", " (text(&l.scheme)) @if l.certified { ", certified" } ": " (until(today, l.valid_to)) }
                                }
                                @if let Some(number) = snapshot.names.field(fact.id, "licence_number") { p.muted { "no. " (text(&number)) } }
                            }
                            td data-label="Account here" {
                                @for user in users.iter().filter(|u| u.person == fact.id) { p { (text(&user.name)) @if user.totp.is_some() { " " span.muted { "with code" } } } }
                            }
                        }
                    }
                }
            }
            p.small { "Accounts of this desk: " code { "bolebook-server user add NAME --person PERSON" } ", on the server." }
        };
        Ok(Page { title: "People".into(), job: None, body })
    })
    .await
}
