//! A crew's day sheet, and its sign-off.

use axum::extract::Path;
use axum::response::{Html, Redirect};
use bolebook_core::check::blocking;
use bolebook_core::day::Day;
use bolebook_core::export::{DaySheet, SheetRow, day_sheet};
use bolebook_core::facts::Version;
use bolebook_core::ids::{BookId, CrewId, RecordId};
use bolebook_core::quantity::Ul;
use bolebook_core::record::office::{Question, Reopening, SignOff};
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{CrewDay, View};
use maud::{Markup, html};

use crate::desk::balance::crew_day_rows;
use crate::desk::evidence::{self, by};
use crate::desk::forms::{Posted, unwritable};
use crate::desk::jobs::{day_state, questions};
use crate::desk::page::{Desk, Page, moment, page_number, pages, shown, text};
use crate::desk::words::{Words, code_name, severity_mark, spelled};
use crate::desk::write::{Staged, write};
use crate::error::ApiError;
use crate::snapshot::JobState;

/// Rows of a list on one page: a crew can treat 400 trees in a day.
const PAGE: usize = 100;

type Place = Path<(String, String, String)>;

fn place((book, crew, day): (String, String, String)) -> Result<(BookId, CrewDay), ApiError> {
    let none = || ApiError::not_found("there is no such crew-day");
    let crew: CrewId = crew.parse().map_err(|_| none())?;
    let day: Day = day.parse().map_err(|_| none())?;
    Ok((book.parse().map_err(|_| none())?, CrewDay { crew, day }))
}

/// The versions of a kind in force that count to a day, by time.
fn of_day<'v>(view: &'v View<'static>, kind: Kind, day: CrewDay) -> Vec<&'v Version> {
    let facts = view.facts.in_force(kind).flat_map(|f| view.facts.current(f));
    let mut versions: Vec<_> = facts.filter(|v| view.crew_day(v) == Some(day)).collect();
    versions.sort_by_key(|v| (v.record.envelope.at, v.id()));
    versions
}

/// The day sheet.
pub async fn sheet(desk: Desk, Path(path): Place) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let (book, day) = place(path)?;
        let job = desk.job(book)?;
        let view = &job.view;
        if !view.crew_days.contains(&day) {
            return Err(ApiError::not_found("that crew has no work on that day"));
        }
        let crew = view.yard.crew_name(day.crew);
        let sheet = day_sheet(view, &desk.snapshot.findings(job), day, &desk.snapshot.names);
        let body = html! {
            h1 { "Day sheet: " (text(&crew)) ", " (day.day) }
            p.lead { (text(&view.title)) ", " (text(&view.job.site)) ". " (day_state(desk, job, day)) }
            @if sheet.provisional { p { strong { "Provisional" } ": not signed off, it may still change." } }
            (signing(desk, job, day, &sheet))
            (findings(desk, job, day))
            (applications(desk, view, &sheet))
            (others(desk, view, day))
            section aria-labelledby="product" { h2 id="product" { "Product" } (crew_day_rows(desk, |r| r.crew == day.crew && r.day == day.day)) }
            (asking(desk, job, day))
            p.small { "State " code { (sheet.state) } }
        };
        Ok(Page { title: format!("{crew}, {}", day.day), job: Some((book, "")), body })
    })
    .await
}

fn signing(desk: &Desk, job: &JobState, day: CrewDay, sheet: &DaySheet) -> Markup {
    let view = &job.view;
    let findings = desk.snapshot.findings(job);
    let stops = blocking(&findings, day).count();
    let open = findings.iter().filter(|f| f.open() && f.crew_days.contains(&day)).count();
    let action = format!("/jobs/{}/days/{}/{}", view.book, day.crew, day.day);
    let signed =
        view.signed_off.get(&day).and_then(|id| view.facts.fact_of(*id)).map(|f| view.facts.shown(f));
    html! {
        section.sign aria-labelledby="sign" {
            h2 id="sign" { "Sign-off" }
            @for (at, why) in &sheet.reopened { p { "Opened again " (moment(view, *at)) ": " (text(why)) } }
            @if let Some(version) = signed {
                p { "Signed off " (moment(view, version.record.envelope.at)) " by " (text(&by(desk, version))) "." }
                @if desk.read_only.is_none() {
                    form.row method="post" action=(format!("{action}/reopen")) {
                        (desk.token_field())
                        label for="reopen" { "Open it again, because" }
                        input id="reopen" name="reason" required maxlength="2000";
                        button { "Open again" }
                    }
                }
            } @else if stops > 0 {
                p { strong { (stops) } " stop " @if stops == 1 { "finding keeps" } @else { "findings keep" } " this day from being signed off: "
                    a href=(format!("/jobs/{}/findings?severity=stop&crew={}&day={}", view.book, day.crew, day.day)) { "settle them" } "." }
            } @else {
                @if open > 0 { p { (open) " findings of this day are still open for review. They do not keep it from being signed off." } }
                @if desk.read_only.is_none() {
                    form.row method="post" action=(format!("{action}/sign-off")) {
                        (desk.token_field())
                        input type="hidden" name="state" value=(view.state_digest());
                        button.main { "Sign the day off" }
                        span.small.muted { "on the state " (view.state_digest().to_string().get(..12).unwrap_or_default()) "… that this page shows" }
                    }
                }
            }
        }
    }
}

fn findings(desk: &Desk, job: &JobState, day: CrewDay) -> Markup {
    let findings = desk.snapshot.findings(job);
    let of_day: Vec<_> = findings.iter().filter(|f| f.crew_days.contains(&day)).collect();
    html! {
        @if !of_day.is_empty() {
            section aria-labelledby="found" {
                h2 id="found" { "Findings" }
                ul.records {
                    @for f in of_day.iter().take(PAGE) {
                        li { (severity_mark(f.severity)) " " a href=(format!("/jobs/{}/findings/{}", job.view.book, f.id)) { (code_name(f.code)) } ": " (text(&f.message)) " " (evidence::finding_state(job, f)) }
                    }
                }
                @if of_day.len() > PAGE {
                    p { (of_day.len() - PAGE) " more: " a href=(format!("/jobs/{}/findings?state=all&crew={}&day={}", job.view.book, day.crew, day.day)) { "all findings of this day" } "." }
                }
            }
        }
    }
}

fn applications(desk: &Desk, view: &View<'static>, sheet: &DaySheet) -> Markup {
    // Whoever prints the sheet asks for all of it.
    let whole = desk.query.text("rows") == "all";
    let number = page_number(desk).min(sheet.rows.len().div_ceil(PAGE).max(1));
    let (skipped, taken) = if whole { (0, usize::MAX) } else { ((number - 1) * PAGE, PAGE) };
    let clock = |at: &str| at.get(11..16).unwrap_or(at).to_owned();
    let counts = |r: &&SheetRow| r.standing == "in force" || r.standing == "contested";
    let sum: Ul = sheet.rows.iter().filter(counts).map(|r| r.put_in_ul).sum();
    html! {
        section aria-labelledby="treated" {
            h2 id="treated" { "Treated: " (sheet.rows.iter().filter(counts).count()) }
            @if !sheet.rows.is_empty() {
                table.cards {
                    thead { tr { th scope="col" { "Time" } th scope="col" { "Tree" } th.num scope="col" { "Diameter" } th.num scope="col" { "Holes" } th.num scope="col" { "Product put in" } th scope="col" { "Label" } th scope="col" { "Lot, kit" } th scope="col" { "Applied by" } } }
                    tbody {
                        @for row in sheet.rows.iter().skip(skipped).take(taken) {
                            tr {
                                td.nowrap data-label="Time" { (clock(&row.started_at)) "–" (clock(&row.ended_at)) }
                                th scope="row" {
                                    a href=(format!("/jobs/{}/trees/{}", view.book, row.tree)) { (text(&row.tag)) }
                                    @if row.stem > 1 { " stem " (row.stem) }
                                    @if row.continues { " " span.muted { "continued" } }
                                    @if row.standing != "in force" { " " span.tag.open { (row.standing) } }
                                    @if row.day_state == "arrived after sign-off" { " " span.tag.open { (row.day_state) } }
                                    @for violation in &row.violations { br; span.warn { "Violation: " (text(violation)) } }
                                }
                                td.num data-label="Diameter" { (row.diameter_um.map_or_else(|| "?".into(), |d| format!("{} cm", d.cm()))) }
                                td.num data-label="Holes" { (row.holes) }
                                td.num data-label="Product put in" { (row.put_in_ul.ml()) " mL" @if row.leaked_ul.0 > 0 { br; span.warn { (row.leaked_ul.ml()) " mL leaked" } } }
                                td data-label="Label" { (text(if row.product.is_empty() { "unknown" } else { &row.product })) br; span.muted { (text(&row.registration)) ", " (text(&row.purpose)) } }
                                td data-label="Lot, kit" { (text(&row.lot)) ", " (text(&row.kit)) }
                                td data-label="Applied by" { (text(&row.applicator)) @if let Some(s) = &row.supervisor { br; span.muted { "supervised by " (text(s)) } } }
                            }
                        }
                    }
                    tfoot { tr { th scope="row" colspan="4" { "Together, the whole day, without what is struck" } td.num data-label="Together" { (sum.ml()) " mL" } td colspan="3" {} } }
                }
                @if !whole && sheet.rows.len() > PAGE {
                    (pages(desk, sheet.rows.len(), PAGE, number))
                    p { a href=(format!("{}?rows=all", desk.path)) { "All " (sheet.rows.len()) " rows on one page, to print" } }
                }
            }
        }
        @for (id, title, lines) in [("cautions", "Cautions", &sheet.cautions), ("first-aid", "First aid", &sheet.first_aid)] {
            @if !lines.is_empty() {
                section aria-labelledby=(id) { h2 id=(id) { (title) ", in the labels' own words" } ul { @for line in lines { li { (text(line)) } } } }
            }
        }
    }
}

/// The crew's questions and answers, and a form to ask it one about this day.
fn asking(desk: &Desk, job: &JobState, day: CrewDay) -> Markup {
    let action = format!("/jobs/{}/days/{}/{}/ask", job.view.book, day.crew, day.day);
    html! {
        (questions(desk, job, Some(day.crew)))
        @if desk.read_only.is_none() {
            section aria-labelledby="ask" {
                h2 id="ask" { "Ask the crew" }
                form.stacked method="post" action=(action) {
                    (desk.token_field())
                    label for="question" { "Question about this day" }
                    textarea id="question" name="text" required maxlength="4000" rows="2" {}
                    button { "Ask" }
                }
            }
        }
    }
}

fn others(desk: &Desk, view: &View<'static>, day: CrewDay) -> Markup {
    let words = Words { yard: &desk.snapshot.yard, view: Some(view), names: &desk.snapshot.names };
    let sections = [
        (Kind::NotTreated, "Not treated"),
        (Kind::Incident, "Incidents"),
        (Kind::Note, "Notes"),
        (Kind::Photo, "Photos"),
        (Kind::DayClosing, "Closing"),
    ];
    let list = |kind| of_day(view, kind, day);
    html! {
        @for (kind, title) in sections {
            @let all = list(kind);
            @if !all.is_empty() {
                section aria-labelledby=(kind.name()) {
                    h2 id=(kind.name()) { (title) ": " (all.len()) }
                    ul.records {
                        @for version in all.iter().take(PAGE) {
                            li {
                                (text(&words.headline(version))) " " span.muted { (moment(view, version.record.envelope.at)) ", " (text(&by(desk, version))) }
                                @if let Body::DayClosing(c) = &version.record.body {
                                    @for k in &c.kits { br; (text(&view.yard.kit(k.kit).map_or_else(|| "unknown kit".into(), |k| k.name.clone()))) ": " (k.content_ul.ml()) " mL left of lot " (text(&view.yard.lot_number(k.lot))) }
                                }
                                @if let Body::NotTreated(n) = &version.record.body { " " span.unseen { (spelled(n.reason)) } }
                            }
                        }
                    }
                    @if all.len() > PAGE { p { (all.len() - PAGE) " more: what is about a tree stands on its page, and search finds notes and incidents." } }
                }
            }
        }
    }
}

/// Signs the day off on the state that was shown.
pub async fn sign_off(Path(path): Place, Posted { desk, fields }: Posted) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let (book, day) = place(path)?;
        let job = desk.job(book)?;
        let view = &job.view;
        if !view.crew_days.contains(&day) {
            return Err(unwritable("that crew has no work on that day"));
        }
        if view.signed_off.contains_key(&day) {
            return Err(unwritable("the day is signed off already"));
        }
        let conflict = |why: &str| ApiError::new(axum::http::StatusCode::CONFLICT, "state", why);
        if view.state_digest().to_string() != fields.text("state") {
            return Err(conflict(
                "something arrived since the page was made: load the day sheet again and look at what is new",
            ));
        }
        let findings = desk.snapshot.findings(job);
        let stops = blocking(&findings, day).count();
        if stops > 0 {
            return Err(conflict(&format!(
                "{stops} stop findings of this day are not settled: settle them first"
            )));
        }
        let body = SignOff {
            crew: day.crew,
            day: day.day,
            job_heads: view.heads.clone(),
            yard_heads: view.yard.heads.clone(),
        };
        write(&desk, book, vec![Staged::new(body)], Some(&view.heads))?;
        Ok(Redirect::to(&format!("/jobs/{book}/days/{}/{}?done=signed", day.crew, day.day)))
    })
    .await
}

/// Asks the crew about its day.
pub async fn ask(Path(path): Place, Posted { desk, fields }: Posted) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let (book, day) = place(path)?;
        if !desk.job(book)?.view.crew_days.contains(&day) {
            return Err(unwritable("that crew has no work on that day"));
        }
        let text = format!("{}: {}", day.day, fields.needed("text", "the question")?);
        let question = Question { crew: day.crew, finding: None, records: vec![], text };
        write(&desk, book, vec![Staged::new(question)], None)?;
        Ok(Redirect::to(&format!("/jobs/{book}/days/{}/{}?done=asked", day.crew, day.day)))
    })
    .await
}

/// Opens a signed-off day again.
pub async fn reopen(Path(path): Place, Posted { desk, fields }: Posted) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let (book, day) = place(path)?;
        let job = desk.job(book)?;
        let facts = &job.view.facts;
        let reason = fields.needed("reason", "the reason")?;
        let of_day =
            facts.signed_off.iter().map(|i| &facts.versions[*i]).filter(
                |v| matches!(&v.record.body, Body::SignOff(b) if b.crew == day.crew && b.day == day.day),
            );
        let sign_offs: Vec<RecordId> = of_day.map(Version::id).collect();
        if sign_offs.is_empty() {
            return Err(unwritable("the day is not signed off"));
        }
        let staged =
            sign_offs.into_iter().map(|sign_off| Staged::new(Reopening { sign_off, reason: reason.clone() }));
        write(&desk, book, staged.collect(), None)?;
        Ok(Redirect::to(&format!("/jobs/{book}/days/{}/{}?done=reopened", day.crew, day.day)))
    })
    .await
}
