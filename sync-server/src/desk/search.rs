//! Search over everything the desk shows.

use axum::response::Html;
use bolebook_core::record::{Body, Kind};
use maud::{Markup, html};

use crate::desk::page::{Desk, Page, shown, text};
use crate::desk::words::{Words, code_name, state_mark};
use crate::error::ApiError;
use crate::snapshot::JobState;

/// Most hits of a sort.
const MOST: usize = 30;

struct Wanted(Vec<String>);

impl Wanted {
    fn is_in(&self, text: &str) -> bool {
        let text = text.to_lowercase();
        self.0.iter().all(|w| text.contains(w))
    }
}

fn hits(title: &str, hits: &[Markup]) -> Markup {
    html! {
        @if !hits.is_empty() {
            section { h2 { (title) } ul.records { @for hit in hits { li { (hit) } } } @if hits.len() == MOST { p.small.muted { "The first " (MOST) "; write more to narrow it." } } }
        }
    }
}

fn in_job(desk: &Desk, job: &JobState, wanted: &Wanted) -> [Vec<Markup>; 3] {
    let view = &job.view;
    let book = view.book;
    let words = Words { yard: &desk.snapshot.yard, view: Some(view), names: &desk.snapshot.names };
    let trees = view.trees.iter().filter(|(id, t)| {
        let others = t.listed_as.iter().map(|i| view.fact(*i)).filter(|f| f.id != **id);
        let tags: String = others
            .filter_map(|f| {
                if let Body::Tree(t) = &view.facts.shown(f).record.body {
                    Some(t.tag.clone() + " ")
                } else {
                    None
                }
            })
            .collect();
        let species = view.tree(**id).and_then(|t| t.species.clone()).unwrap_or_default();
        wanted.is_in(&format!("{} {tags}{species} {id}", view.tag(**id)))
    });
    let trees = trees.take(MOST).map(|(id, t)| html! { a href=(format!("/jobs/{book}/trees/{id}")) { "Tree " (text(&view.tag(*id))) } " " (state_mark(view.state(t))) " " span.muted { (text(&view.title)) } });
    let findings = desk.snapshot.findings(job);
    let found = findings
        .iter()
        .filter(|f| wanted.is_in(&format!("{} {} {}", f.message, f.id, code_name(f.code))))
        .take(MOST);
    let found = found.map(|f| html! { a href=(format!("/jobs/{book}/findings/{}", f.id)) { (code_name(f.code)) } ": " (text(&f.message)) });
    let kinds = [
        Kind::Note,
        Kind::Incident,
        Kind::Question,
        Kind::Answer,
        Kind::Inspection,
        Kind::Ruling,
        Kind::Block,
    ];
    let written = kinds.into_iter().flat_map(|k| view.facts.of_kind(k)).filter_map(|f| {
        let line = words.headline(view.facts.shown(f));
        (wanted.is_in(&line) || wanted.is_in(&f.id.to_string())).then(|| html! { a href=(format!("/jobs/{book}/records/{}/amend", f.id)) { (text(&line)) } " " span.muted { (text(&view.title)) } })
    });
    [trees.collect(), found.collect(), written.take(MOST).collect()]
}

/// What was asked for, wherever it stands.
pub async fn search(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| {
        let asked = desk.query.text("q").to_owned();
        let wanted = Wanted(asked.to_lowercase().split_whitespace().map(str::to_owned).collect());
        let mut all: [Vec<Markup>; 3] = Default::default();
        let (mut jobs, mut yard) = (vec![], vec![]);
        if !wanted.0.is_empty() {
            for job in desk.snapshot.jobs.values() {
                let client = desk.snapshot.names.named(job.view.job.client);
                if wanted.is_in(&format!("{} {} {} {client}", job.view.title, job.view.job.site, job.view.job.season)) {
                    jobs.push(html! { a href=(format!("/jobs/{}", job.view.book)) { (text(&job.view.title)) } });
                }
                for (into, more) in all.iter_mut().zip(in_job(desk, job, &wanted)) {
                    into.extend(more);
                    into.truncate(MOST);
                }
            }
            let words = Words { yard: &desk.snapshot.yard, view: None, names: &desk.snapshot.names };
            let facts = &desk.snapshot.yard.facts;
            for (kind, href) in [(Kind::Person, "/people"), (Kind::Crew, "/people"), (Kind::Lot, "/lots"), (Kind::Kit, "/kits"), (Kind::Label, "/labels"), (Kind::Certificate, "/devices")] {
                for fact in facts.in_force(kind) {
                    let line = words.headline(facts.shown(fact));
                    if wanted.is_in(&line) && yard.len() < MOST {
                        yard.push(html! { a href=(href) { (text(&line)) } });
                    }
                }
            }
        }
        let none = jobs.is_empty() && yard.is_empty() && all.iter().all(Vec::is_empty);
        let body = html! {
            h1 { "Search" }
            @if wanted.0.is_empty() { p { "Write a tag, a species, a lot, a name, words of a note or the end of an id." } }
            @else if none { p role="status" { "Nothing has all of these words: " (text(&asked)) } }
            (hits("Jobs", &jobs)) (hits("Trees", &all[0])) (hits("Findings", &all[1])) (hits("People, lots, kits, labels, devices", &yard)) (hits("Written", &all[2]))
        };
        Ok(Page { title: "Search".into(), job: None, body })
    })
    .await
}
