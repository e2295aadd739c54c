//! The findings queue: filtered, sorted, each with its evidence, its next step and its ruling.

use axum::extract::Path;
use axum::response::Html;
use bolebook_core::finding::{Code, Finding, Severity, State};
use bolebook_core::ids::{BookId, FindingId};
use bolebook_core::record::{Body, Kind};
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::evidence;
use crate::desk::page::{Desk, Page, page_number, pages, shown, text};
use crate::desk::words::{code_name, may_accept, severity_mark};
use crate::error::ApiError;
use crate::snapshot::JobState;

/// Findings on one page: with evidence and forms it stays under 200 KB.
const PAGE: usize = 50;
/// Records shown beside a finding; its own page shows all.
const EVIDENCE: usize = 4;

/// What the queue is narrowed to.
struct Asked<'d> {
    desk: &'d Desk,
}

impl Asked<'_> {
    fn is(&self, name: &str, value: &str) -> bool {
        self.desk.query.some(name).is_none_or(|wanted| wanted == value)
    }

    fn takes(&self, job: &JobState, finding: &Finding) -> bool {
        let query = &self.desk.query;
        let state = match query.text("state") {
            "settled" => !finding.open(),
            "all" => true,
            _ => finding.open(),
        };
        let severity = match finding.severity {
            Severity::Stop => "stop",
            Severity::Review => "review",
            Severity::Note => "note",
        };
        let days = &finding.crew_days;
        let crew = query.some("crew").is_none_or(|c| days.iter().any(|d| d.crew.to_string() == c));
        let day = query.some("day").is_none_or(|c| days.iter().any(|d| d.day.to_string() == c));
        let words = query.some("words").is_none_or(|words| {
            let tag = finding.tree.map(|t| job.view.tag(t)).unwrap_or_default();
            let all = format!("{} {tag} {}", finding.message, finding.id).to_lowercase();
            words.to_lowercase().split_whitespace().all(|w| all.contains(w))
        });
        state && crew && day && words && self.is("severity", severity) && self.is("code", finding.code.name())
    }
}

/// The findings of a job that were asked for, in the order asked for.
fn chosen<'f>(desk: &Desk, job: &JobState, findings: &'f [Finding]) -> Vec<&'f Finding> {
    let asked = Asked { desk };
    let mut chosen: Vec<&Finding> = findings.iter().filter(|f| asked.takes(job, f)).collect();
    match desk.query.text("sort") {
        "tree" => chosen.sort_by_key(|f| (f.tree.map(|t| job.view.tag(t)), f.severity, f.id)),
        "day" => chosen.sort_by_key(|f| (f.crew_days.first().map(|d| (d.day, d.crew)), f.severity, f.id)),
        "code" => chosen.sort_by_key(|f| (f.code.name(), f.id)),
        // The core gives them by severity, code and id.
        _ => {}
    }
    chosen
}

/// The query without what belongs to one visit, to come back to.
pub fn back(desk: &Desk) -> String {
    let mut query = form_urlencoded::Serializer::new(String::new());
    for (k, v) in desk.query.iter().filter(|(k, v)| *k != "done" && !v.is_empty()) {
        query.append_pair(k, v);
    }
    query.finish()
}

fn options(current: &str, all: &[(String, String)]) -> Markup {
    html! { @for (value, name) in all { option value=(value) selected[value == current] { (text(name)) } } }
}

fn filter(desk: &Desk, job: &JobState, findings: &[Finding]) -> Markup {
    let query = &desk.query;
    let mut codes: Vec<Code> = findings.iter().map(|f| f.code).collect();
    codes.sort_unstable_by_key(|c| c.name());
    codes.dedup();
    let mut days: Vec<_> = findings.iter().flat_map(|f| f.crew_days.clone()).collect();
    days.sort_unstable();
    let mut crews: Vec<_> = days.iter().map(|d| d.crew).collect();
    crews.dedup();
    let mut dates: Vec<_> = days.iter().map(|d| d.day).collect();
    dates.sort_unstable();
    dates.dedup();
    let pair = |v: &str, n: &str| (v.to_owned(), n.to_owned());
    let with_all = |first: &str, rest: Vec<(String, String)>| {
        let mut all = vec![pair("", first)];
        all.extend(rest);
        all
    };
    let severities = [("", "stop and review"), ("stop", "stop"), ("review", "review"), ("note", "note")];
    let states = [("", "open"), ("settled", "settled"), ("all", "open and settled")];
    let sorts = [("", "gravest first"), ("tree", "by tree"), ("day", "by day"), ("code", "by kind")];
    let named = |list: &[(&str, &str)]| list.iter().map(|(v, n)| pair(v, n)).collect::<Vec<_>>();
    let codes = codes.iter().map(|c| (c.name().to_owned(), code_name(*c))).collect();
    let crews = crews.iter().map(|c| (c.to_string(), job.view.yard.crew_name(*c))).collect();
    let dates = dates.iter().map(|d| (d.to_string(), d.to_string())).collect();
    let selects = [
        ("state", "State", named(&states)),
        ("severity", "Severity", named(&severities)),
        ("code", "Kind", with_all("all", codes)),
        ("crew", "Crew", with_all("all", crews)),
        ("day", "Day", with_all("all", dates)),
        ("sort", "Order", named(&sorts)),
    ];
    html! {
        form.filter role="search" aria-label="Narrow the findings" {
            @for (name, label, all) in &selects {
                div { label for=(format!("by-{name}")) { (label) } select id=(format!("by-{name}")) name=(name) { (options(query.text(name), all)) } }
            }
            div { label for="by-words" { "Words" } input id="by-words" name="words" type="search" value=(super::page::clean(query.text("words"))) placeholder="tag, text or id"; }
            button { "Show" }
        }
    }
}

/// Reasons given before on this job, newest first, so that nobody types one twice.
fn reasons(job: &JobState) -> Markup {
    let facts = &job.view.facts;
    let mut seen: Vec<&str> = vec![];
    for fact in facts.in_force(Kind::Ruling).collect::<Vec<_>>().into_iter().rev() {
        if let Body::Ruling(ruling) = &facts.shown(fact).record.body
            && !seen.contains(&ruling.reason.as_str())
            && seen.len() < 30
        {
            seen.push(&ruling.reason);
        }
    }
    html! { datalist id="reasons" { @for reason in seen { option value=(super::page::clean(reason)) {} } } }
}

/// The queue.
pub async fn queue(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        let findings = desk.snapshot.findings(job);
        let chosen = chosen(desk, job, &findings);
        let number = page_number(desk);
        let here: Vec<_> = chosen.iter().skip((number - 1) * PAGE).take(PAGE).copied().collect();
        let writable = desk.read_only.is_none();
        let body = html! {
            h1 { "Findings" }
            (filter(desk, job, &findings))
            p role="status" { (chosen.len()) @if chosen.len() == 1 { " finding" } @else { " findings" } }
            details.keys {
                summary { "Keys" }
                p { kbd { "j" } " next, " kbd { "k" } " previous, " kbd { "Enter" } " open, " kbd { "a" } " write the reason (then Enter rules), " kbd { "x" } " tick, " kbd { "b" } " rule on the ticked, " kbd { "/" } " search." }
            }
            (reasons(job))
            @if here.is_empty() { p.big { "Nothing to settle here." } }
            div.queue data-queue {
                @for (i, finding) in here.iter().enumerate() {
                    @let next = here.get(i + 1).or(i.checked_sub(1).and_then(|p| here.get(p))).map(|f| f.id);
                    (card(desk, job, finding, next))
                }
            }
            (pages(desk, chosen.len(), PAGE, number))
            @if writable && !here.is_empty() { (bulk(desk, book)) }
        };
        Ok(Page { title: format!("Findings, {}", job.view.title), job: Some((book, "findings")), body })
    })
    .await
}

/// What a finding may be told by: its id and the facts that were shown.
pub fn shown_as(finding: &Finding) -> String {
    format!("{}:{}", finding.id, finding.facts)
}

fn card(desk: &Desk, job: &JobState, finding: &Finding, next: Option<FindingId>) -> Markup {
    let book = job.view.book;
    let href = format!("/jobs/{book}/findings/{}", finding.id);
    let id = format!("f-{}", finding.id);
    html! {
        article.finding id=(id) tabindex="-1" aria-labelledby=(format!("{id}-h")) data-finding data-href=(href) {
            header {
                @if desk.read_only.is_none() && finding.open() {
                    input type="checkbox" name="finding" value=(shown_as(finding)) form="bulk" aria-label=(format!("Tick: {}", code_name(finding.code)));
                }
                (severity_mark(finding.severity))
                h2 id=(format!("{id}-h")) { a href=(href) { (code_name(finding.code)) } }
                p.where {
                    @if let Some(tree) = finding.tree { a href=(format!("/jobs/{book}/trees/{tree}")) { "tree " (text(&job.view.tag(tree))) } @if !finding.crew_days.is_empty() { " · " } }
                    (evidence::days(desk, job, &finding.crew_days))
                }
            }
            p.message { (text(&finding.message)) }
            (evidence::causes(finding))
            (evidence::records(desk, job, &finding.records, EVIDENCE))
            p.next { strong { "Next: " } (finding.next) }
            @if finding.state != State::Open { p { (evidence::finding_state(job, finding)) } }
            @if desk.read_only.is_none() && finding.open() {
                (ruling(desk, book, finding, &back(desk), next))
                p.small { a href=(href) { "Strike, ask the crew, join …" span.unseen { " for this finding" } } }
            }
        }
    }
}

/// The form that rules on one finding.
pub fn ruling(desk: &Desk, book: BookId, finding: &Finding, back: &str, next: Option<FindingId>) -> Markup {
    let id = finding.id;
    let hidden = html! {
        (desk.token_field())
        input type="hidden" name="facts" value=(finding.facts);
        input type="hidden" name="back" value=(back);
        @if let Some(next) = next { input type="hidden" name="next" value=(next); }
    };
    let action = format!("/jobs/{book}/findings/{id}/rule");
    html! {
        @if may_accept(finding.code) {
            form.rule method="post" action=(action) {
                (hidden)
                input type="hidden" name="decision" value="accept";
                label.unseen for=(format!("r-{id}")) { "Reason for accepting" }
                input id=(format!("r-{id}")) name="reason" required maxlength="2000" list="reasons" placeholder="Reason" data-reason autocomplete="off";
                button { "Accept" }
            }
        } @else {
            form.confirm method="post" action=(action) {
                (hidden)
                input type="hidden" name="decision" value="confirm";
                p.small { "A violation of label or law cannot be accepted. If the record is right, confirm it:" }
                div { label for=(format!("r-{id}")) { "What happened" } input id=(format!("r-{id}")) name="reason" required maxlength="2000" data-reason autocomplete="off"; }
                div { label for=(format!("d-{id}")) { "What was done about it" } input id=(format!("d-{id}")) name="done" required maxlength="2000" autocomplete="off"; }
                div { label for=(format!("p-{id}")) { "Report the law asks for, and to whom it went" } input id=(format!("p-{id}")) name="reported" required maxlength="2000" autocomplete="off"; }
                button { "Confirm the violation" }
            }
        }
    }
}

fn bulk(desk: &Desk, book: BookId) -> Markup {
    html! {
        form.bulk id="bulk" method="post" action=(format!("/jobs/{book}/findings/settle")) {
            (desk.token_field())
            input type="hidden" name="back" value=(back(desk));
            label for="bulk-reason" { "Rule on the ticked, for one reason" }
            input id="bulk-reason" name="reason" required maxlength="2000" list="reasons" autocomplete="off" data-bulk;
            button { "Accept the ticked" }
            details {
                summary { "They are violations" }
                div { label for="bulk-done" { "What was done about them" } input id="bulk-done" name="done" maxlength="2000" autocomplete="off"; }
                div { label for="bulk-reported" { "Report the law asks for, and to whom it went" } input id="bulk-reported" name="reported" maxlength="2000" autocomplete="off"; }
                button name="decision" value="confirm" { "Confirm the ticked violations" }
            }
        }
    }
}

/// One finding with everything that can be done about it.
pub async fn one(
    desk: Desk,
    Path((book, finding)): Path<(String, String)>,
) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let book: BookId = book.parse().map_err(|_| ApiError::not_found("no such job"))?;
        let job = desk.job(book)?;
        let findings = desk.snapshot.findings(job);
        let wanted = findings.iter().find(|f| f.id.to_string() == finding);
        let Some(finding) = wanted else {
            return Err(ApiError::not_found(
                "there is no such finding now: it was amended away, or its records arrived since. Rulings made on it stay in the book",
            ));
        };
        let body = html! {
            p { a href=(format!("/jobs/{book}/findings")) { "← Findings" } }
            h1 { (severity_mark(finding.severity)) " " (code_name(finding.code)) }
            p.lead { (text(&finding.message)) }
            (evidence::causes(finding))
            dl.facts {
                @if let Some(tree) = finding.tree { dt { "Tree" } dd { a href=(format!("/jobs/{book}/trees/{tree}")) { (text(&job.view.tag(tree))) } } }
                @if !finding.crew_days.is_empty() { dt { "Crew-days" } dd { (evidence::days(desk, job, &finding.crew_days)) } }
                dt { "Next step" } dd { (finding.next) }
                dt { "Rule from" } dd { (finding.source) }
                dt { "State" } dd { (evidence::finding_state(job, finding)) }
                dt { "Finding" } dd { code { (finding.id) } " " span.muted { (finding.code.name()) } }
            }
            section aria-labelledby="evidence" {
                h2 id="evidence" { "Evidence" }
                (evidence::records(desk, job, &finding.records, 200))
            }
            @if desk.read_only.is_none() { (super::settle::forms(desk, job, finding)) }
            (earlier(desk, job, finding))
        };
        Ok(Page { title: code_name(finding.code), job: Some((book, "findings")), body })
    })
    .await
}

/// Rulings, questions and their answers on this finding, oldest first.
fn earlier(desk: &Desk, job: &JobState, finding: &Finding) -> Markup {
    let facts = &job.view.facts;
    let mut all = vec![];
    for kind in [Kind::Ruling, Kind::Question] {
        for fact in facts.of_kind(kind) {
            let named = match &facts.shown(fact).record.body {
                Body::Ruling(b) => b.finding == finding.id,
                Body::Question(b) => b.finding == Some(finding.id),
                _ => false,
            };
            if named {
                all.push(fact.id);
            }
        }
    }
    let answers = facts.of_kind(Kind::Answer).filter(|fact| match &facts.shown(fact).record.body {
        Body::Answer(b) => all.contains(&b.question),
        _ => false,
    });
    let answers: Vec<_> = answers.map(|fact| fact.id).collect();
    all.extend(answers);
    all.sort_unstable();
    html! {
        @if !all.is_empty() {
            section aria-labelledby="earlier" { h2 id="earlier" { "Rulings, questions, answers" } (evidence::records(desk, job, &all, 200)) }
        }
    }
}
