//! What settles findings: rulings, strikes, questions, joins. Each is a record of the signed-in person.

use axum::extract::Path;
use axum::response::Redirect;
use bolebook_core::check;
use bolebook_core::finding::{Code, Finding};
use bolebook_core::ids::{BookId, FindingId, RecordId, TreeId};
use bolebook_core::record::Kind;
use bolebook_core::record::book_kinds::Strike;
use bolebook_core::record::office::{Decision, Join, Question, Ruling};
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::evidence::{self, words};
use crate::desk::findings::ruling;
use crate::desk::forms::{Fields, Posted, unwritable};
use crate::desk::page::{Desk, text};
use crate::desk::write::{Staged, write};
use crate::error::ApiError;
use crate::snapshot::{JobState, short};

/// The forms of a finding's own page.
pub fn forms(desk: &Desk, job: &JobState, finding: &Finding) -> Markup {
    let book = job.view.book;
    let action = |what: &str| format!("/jobs/{book}/findings/{}/{what}", finding.id);
    html! {
        div.acts {
            @if finding.open() {
                section aria-labelledby="rule" { h2 id="rule" { "Rule on it" } (ruling(desk, book, finding, "", None)) }
            }
            section aria-labelledby="ask" {
                h2 id="ask" { "Ask a crew" }
                form.stacked method="post" action=(action("ask")) {
                    (desk.token_field())
                    label for="crew" { "Crew" }
                    select id="crew" name="crew" {
                        @for crew in crews(desk, finding) { option value=(crew) { (super::page::clean(&job.view.yard.crew_name(crew))) } }
                    }
                    label for="question" { "Question" }
                    textarea id="question" name="text" required maxlength="4000" rows="3" {}
                    button { "Ask" }
                }
            }
            (strike_form(desk, job, finding, &action("strike")))
            @if matches!(finding.code, Code::MayBeSame | Code::SameTag) { (join_form(desk, job, finding)) }
        }
    }
}

/// The crews of a finding's days first, then the others.
fn crews(desk: &Desk, finding: &Finding) -> Vec<RecordId> {
    let mut crews: Vec<RecordId> = finding.crew_days.iter().map(|d| d.crew).collect();
    crews.extend(desk.snapshot.yard.facts.in_force(Kind::Crew).map(|f| f.id));
    let mut seen = std::collections::BTreeSet::new();
    crews.retain(|c| seen.insert(*c));
    crews
}

fn strikable(job: &JobState, finding: &Finding) -> Vec<RecordId> {
    let facts = &job.view.facts;
    let mut ids: Vec<RecordId> = finding
        .records
        .iter()
        .filter_map(|id| facts.fact_of(*id))
        .filter(|f| f.struck_by.is_none() && f.kind != Kind::Genesis)
        .map(|f| f.id)
        .collect();
    ids.sort_unstable();
    ids.dedup();
    ids
}

fn strike_form(desk: &Desk, job: &JobState, finding: &Finding, action: &str) -> Markup {
    let ids = strikable(job, finding);
    html! {
        @if !ids.is_empty() {
            section aria-labelledby="strike" {
                h2 id="strike" { "Strike a record" }
                form.stacked method="post" action=(action) {
                    (desk.token_field())
                    p.small { "Struck records stay readable. What a struck application put in becomes unexplained, until a movement says where it went." }
                    fieldset {
                        legend { "Records to strike" }
                        @for id in &ids {
                            @let fact = job.view.facts.fact_of(*id);
                            label.tick {
                                input type="checkbox" name="record" value=(id);
                                " " @if let Some(fact) = fact { (text(&words(desk, job).headline(job.view.facts.shown(fact)))) } " " span.muted { (short(*id)) }
                            }
                        }
                    }
                    label for="strike-reason" { "Reason" }
                    input id="strike-reason" name="reason" required maxlength="2000";
                    button.danger { "Strike" }
                }
            }
        }
    }
}

/// The listed trees a finding names.
pub fn trees_of(job: &JobState, finding: &Finding) -> Vec<TreeId> {
    let facts = &job.view.facts;
    let named = finding.records.iter().filter_map(|id| facts.fact_of(*id));
    let mut trees: Vec<TreeId> = named
        .filter_map(|fact| evidence::tree_of(job, fact, facts))
        .chain(finding.tree.map(|t| job.view.stays(t)))
        .collect();
    trees.sort_unstable();
    trees.dedup();
    trees
}

/// The form that joins the trees of a finding.
pub fn join_form(desk: &Desk, job: &JobState, finding: &Finding) -> Markup {
    let trees = trees_of(job, finding);
    let id = short(finding.id);
    html! {
        @if trees.len() > 1 {
            section.join aria-labelledby=(format!("join-{id}")) {
                h2 id=(format!("join-{id}")) { "Join: they are one tree" }
                form.stacked method="post" action=(format!("/jobs/{}/join", job.view.book)) {
                    (desk.token_field())
                    input type="hidden" name="finding" value=(finding.id);
                    @for tree in &trees { input type="hidden" name="tree" value=(tree); }
                    fieldset {
                        legend { "The tree that stays" }
                        @for (place, tree) in trees.iter().enumerate() {
                            label.tick { input type="radio" name="keep" value=(tree) checked[place == 0]; " " (text(&job.view.tag(*tree))) }
                        }
                    }
                    label for=(format!("join-reason-{id}")) { "Reason" }
                    input id=(format!("join-reason-{id}")) name="reason" required maxlength="2000" placeholder="e.g. same trunk, listed again without its tag";
                    button { "Join" }
                }
            }
        }
    }
}

/// The finding named in an address, as it is now.
fn found<'f>(findings: &'f [Finding], id: &str) -> Result<&'f Finding, ApiError> {
    let gone =
        "there is no such finding now: what it stood on was amended or has arrived. Load the queue again";
    findings.iter().find(|f| f.id.to_string() == id).ok_or_else(|| ApiError::not_found(gone))
}

fn decision(fields: &Fields) -> Result<Decision, ApiError> {
    Ok(match fields.text("decision") {
        "confirm" => Decision::ConfirmViolation {
            done: fields.needed("done", "what was done about it")?,
            reported: fields.needed("reported", "the report the law asks for, and to whom it went,")?,
        },
        _ => Decision::Accept,
    })
}

/// A ruling on a finding as it was shown; never on facts that have changed since.
fn rule_on(finding: &Finding, facts: &str, decision: Decision, reason: &str) -> Result<Staged, ApiError> {
    if finding.facts.to_string() != facts {
        let why =
            "the facts of this finding have changed since the page was made: look at it again before ruling";
        return Err(ApiError::new(axum::http::StatusCode::CONFLICT, "facts", why));
    }
    if !check::allowed(finding.code, &decision) {
        return Err(unwritable(format!(
            "'{}' is a violation of label or law and cannot be accepted: amend what was logged wrong, or confirm the violation with what was done and reported",
            super::words::code_name(finding.code)
        )));
    }
    Ok(Staged::new(Ruling { finding: finding.id, facts: finding.facts, decision, reason: reason.to_owned() }))
}

/// Back to the queue as it was narrowed, at the finding that comes next.
fn to_queue(book: BookId, fields: &Fields, done: &str) -> Redirect {
    // Read and written anew, so that nothing but a query can come of it.
    let mut query = form_urlencoded::Serializer::new(String::new());
    for (k, v) in Fields::read(fields.text("back").as_bytes()).iter() {
        query.append_pair(k, v);
    }
    query.append_pair("done", done);
    let next: Option<FindingId> = fields.text("next").parse().ok();
    let place = next.map(|id| format!("#f-{id}")).unwrap_or_default();
    Redirect::to(&format!("/jobs/{book}/findings?{}{place}", query.finish()))
}

fn job_id(text: &str) -> Result<BookId, ApiError> {
    text.parse().map_err(|_| ApiError::not_found("no such job"))
}

/// Rules on one finding.
pub async fn rule(
    Path((book, finding)): Path<(String, String)>,
    Posted { desk, fields }: Posted,
) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let book = job_id(&book)?;
        let job = desk.job(book)?;
        let findings = desk.snapshot.findings(job);
        let finding = found(&findings, &finding)?;
        let reason = fields.needed("reason", "the reason")?;
        let staged = rule_on(finding, fields.text("facts"), decision(&fields)?, &reason)?;
        write(&desk, book, vec![staged], None)?;
        Ok(to_queue(book, &fields, "ruled"))
    })
    .await
}

/// Rules on several findings for one reason, all or none.
pub async fn many(Id(book): Id<BookId>, Posted { desk, fields }: Posted) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let job = desk.job(book)?;
        let findings = desk.snapshot.findings(job);
        let reason = fields.needed("reason", "the reason")?;
        let decision = decision(&fields)?;
        let mut staged = vec![];
        for ticked in fields.all("finding") {
            let (id, facts) = ticked.split_once(':').unwrap_or((ticked, ""));
            staged.push(rule_on(found(&findings, id)?, facts, decision.clone(), &reason)?);
        }
        if staged.is_empty() {
            return Err(unwritable("no finding was ticked"));
        }
        write(&desk, book, staged, None)?;
        Ok(to_queue(book, &fields, "ruled"))
    })
    .await
}

/// Strikes records of a finding.
pub async fn strike(
    Path((book, finding)): Path<(String, String)>,
    Posted { desk, fields }: Posted,
) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let book = job_id(&book)?;
        let job = desk.job(book)?;
        let findings = desk.snapshot.findings(job);
        let may = strikable(job, found(&findings, &finding)?);
        let records: Vec<RecordId> = fields.all("record").filter_map(|t| t.parse().ok()).collect();
        if records.is_empty() {
            return Err(unwritable("no record was ticked"));
        }
        if records.iter().any(|id| !may.contains(id)) {
            return Err(unwritable("a ticked record is not one of this finding, or is struck already"));
        }
        let reason = fields.needed("reason", "the reason")?;
        write(&desk, book, vec![Staged::new(Strike { records, reason })], None)?;
        Ok(to_queue(book, &fields, "struck"))
    })
    .await
}

/// Asks a crew about a finding.
pub async fn ask(
    Path((book, finding)): Path<(String, String)>,
    Posted { desk, fields }: Posted,
) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let book = job_id(&book)?;
        let job = desk.job(book)?;
        let findings = desk.snapshot.findings(job);
        let finding = found(&findings, &finding)?;
        let crew = fields.id("crew")?;
        if desk.snapshot.yard.crew(crew).is_none() {
            return Err(unwritable("that crew is not in the yard book"));
        }
        let text = fields.needed("text", "the question")?;
        let question = Question { crew, finding: Some(finding.id), records: finding.records.clone(), text };
        write(&desk, book, vec![Staged::new(question)], None)?;
        Ok(Redirect::to(&format!("/jobs/{book}/findings/{}?done=asked", finding.id)))
    })
    .await
}

/// Joins trees that are one.
pub async fn join(Id(book): Id<BookId>, Posted { desk, fields }: Posted) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let job = desk.job(book)?;
        let keep: TreeId = fields.id("keep")?;
        let mut joined: Vec<TreeId> =
            fields.all("tree").filter_map(|t| t.parse().ok()).filter(|t| *t != keep).collect();
        joined.sort_unstable();
        joined.dedup();
        if joined.is_empty() || joined.iter().chain([&keep]).any(|t| !job.view.trees.contains_key(t)) {
            return Err(unwritable("join at least two listed trees that were not joined before"));
        }
        let reason = fields.needed("reason", "the reason")?;
        write(&desk, book, vec![Staged::new(Join { keep, joined, reason })], None)?;
        Ok(Redirect::to(&format!("/jobs/{book}/trees/{keep}?done=joined")))
    })
    .await
}
