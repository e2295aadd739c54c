//! The portal's one page: what was done, cautions, map, list, data.

use std::collections::{BTreeMap, BTreeSet};

use axum::http::header;
use axum::response::{Html, IntoResponse as _, Response};
use bolebook_core::facts::Version;
use bolebook_core::ids::{LabelId, RecordId, Sha256Hash};
use bolebook_core::quantity::{Ul, decimal};
use bolebook_core::record::label::Label;
use bolebook_core::record::work::{Application, NotTreated};
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{TreeState, View};
use maud::{DOCTYPE, Markup, html};

use crate::desk::{map_of, text};
use crate::error::ApiError;
use crate::portal::canopies;
use crate::portal::photos;
use crate::portal::words::{LANGUAGES, Words};
use crate::portal::{EU_RECORDS, MAP, PACKAGE, RECORDS, Signed, Visit, digest};
use crate::snapshot::{JobState, short};

const PAGE: usize = 200;

/// The frame of every page of the portal.
pub fn framed(words: Words, title: &str, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang=(words.code()) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="robots" content="noindex, nofollow";
                meta name="referrer" content="no-referrer";
                title { (title) }
                link rel="stylesheet" href="/portal.css";
            }
            body { main { (body) } }
        }
    }
}

/// What is shown for a link that no longer opens.
pub fn over(words: Words) -> Markup {
    let title = words.say("over-title");
    framed(words, &title, &html! { h1 { (title) } p { (words.say("over-text")) } })
}

/// A job's signed work, read once.
struct Work<'v> {
    treated: Vec<(&'v Version, &'v Application)>,
    not_treated: Vec<(&'v Version, &'v NotTreated)>,
    labels: BTreeMap<LabelId, &'v Label>,
}

fn work<'v>(view: &'v View<'static>) -> Work<'v> {
    let signed = Signed::of(view);
    let (mut treated, mut not_treated, mut labels) = (vec![], vec![], BTreeMap::new());
    for kind in [Kind::Application, Kind::NotTreated] {
        for version in
            view.facts.in_force(kind).flat_map(|f| view.facts.current(f)).filter(|v| signed.takes(v))
        {
            match &version.record.body {
                Body::Application(a) => {
                    treated.push((version, &**a));
                    if let Some(label) = view.yard.label(a.label) {
                        labels.insert(a.label, label);
                    }
                }
                Body::NotTreated(n) => not_treated.push((version, &**n)),
                _ => {}
            }
        }
    }
    treated.sort_by_key(|(v, a)| (a.started_at, v.id()));
    not_treated.sort_by_key(|(v, _)| (v.record.envelope.at, v.id()));
    Work { treated, not_treated, labels }
}

/// The record of a job for its client.
pub async fn record(visit: Visit) -> Result<Html<String>, ApiError> {
    let app = visit.app.clone();
    app.blocking(move |_| {
        let job = visit.job()?;
        let title = visit.words.say("title");
        let body = body(&visit, job)?;
        Ok(Html(framed(visit.words, &title, &body).into_string()))
    })
    .await
}

fn body(visit: &Visit, job: &JobState) -> Result<Markup, ApiError> {
    let (w, view) = (visit.words, &job.view);
    let company = view.yard.company.clone();
    let client = match visit.snapshot.names.called(view.job.client) {
        Some(_) => who(visit, view.job.client),
        None => String::new(),
    };
    let work = work(view);
    let signed = view.signed_off.len();
    Ok(html! {
        header {
            (languages(visit))
            h1 { (w.say("title")) }
            p.lead { (text(&view.title)) ", " (text(&view.job.site)) br; (w.with("season", &[("season", view.job.season.clone())])) @if !client.is_empty() { ". " (w.with("for-client", &[("client", client)])) } }
            p { (w.with("only-signed", &[("company", company.clone())])) }
        }
        @if signed == 0 { p.big { (w.say("nothing-yet")) } }
        @else {
            section {
                h2 { (w.say("done")) }
                (totals(visit, view, &work))
            }
        }
        (cautions(w, &company, &work))
        (provisional(visit, view))
        @if signed > 0 {
            (map(visit, view))
            (list(visit, view, &work))
            (not_treated(visit, view, &work))
            (canopies::section(visit, view))
            (photos::section(visit, view, &company)?)
            (data(visit, job, &company)?)
        }
        footer { p { (w.with("link-until", &[("day", view.local_time(visit.link.expires_at).get(..10).unwrap_or_default().to_owned())])) } }
    })
}

/// What someone is called, or in the reader's language that the name was erased.
fn who(visit: &Visit, id: RecordId) -> String {
    let names = &visit.snapshot.names;
    match names.erased(id) {
        // Without the marks that set a value apart: it goes into other messages as a value itself.
        Some(_) => visit
            .words
            .with("name-erased", &[("id", format!("…{}", short(id)))])
            .replace(['\u{2068}', '\u{2069}'], ""),
        None => names.named(id),
    }
}

fn languages(visit: &Visit) -> Markup {
    html! {
        nav.languages aria-label=(visit.words.say("language")) {
            @for (code, name) in LANGUAGES {
                @if code == visit.words.code() { strong lang=(code) { (name) } }
                @else { a lang=(code) hreflang=(code) href=(format!("/p/{}?lang={code}", visit.token)) { (name) } }
            }
        }
    }
}

fn totals(visit: &Visit, view: &View<'static>, work: &Work<'_>) -> Markup {
    let w = visit.words;
    let trees: BTreeSet<_> =
        work.treated.iter().filter(|(_, a)| a.put_in_ul() > Ul(0)).map(|(_, a)| view.stays(a.tree)).collect();
    let not: BTreeSet<_> =
        work.not_treated.iter().map(|(_, n)| view.stays(n.tree)).filter(|t| !trees.contains(t)).collect();
    let volume: Ul = work.treated.iter().map(|(_, a)| a.put_in_ul()).sum();
    let count = |n: usize| [("count", n.to_string())];
    html! {
        ul.totals {
            li { (w.with("trees-treated", &count(trees.len()))) }
            @if !not.is_empty() { li { (w.with("trees-not", &count(not.len()))) } }
            li { (w.with("days-signed", &count(view.signed_off.len()))) }
            li { (w.with("product-in", &[("litres", decimal(volume.0, 1_000_000, 2))])) }
        }
    }
}

fn cautions(w: Words, company: &str, work: &Work<'_>) -> Markup {
    let at = |id: &str, product: &str| {
        w.with(id, &[("product", product.to_owned()), ("company", company.to_owned())])
    };
    html! {
        section.cautions {
            h2 { (w.say("cautions")) }
            ul {
                li { strong { (at("caution-first", "")) } }
                li { (w.say("caution-person")) }
                @if !work.labels.is_empty() { li { (w.say("caution-holes")) } li { (at("caution-wood", "")) } }
                @for label in work.labels.values() {
                    li { @if label.conditions.not_for_food { (at("caution-harvest-never", &label.name)) } @else { (at("caution-harvest-ask", &label.name)) } }
                    @if label.conditions.not_in_bloom { li { (at("caution-bees", &label.name)) } }
                    @if let Some(days) = label.conditions.days_before_felling {
                        li { (w.with("caution-felling", &[("product", label.name.clone()), ("days", days.to_string())])) }
                    }
                }
            }
            @for label in work.labels.values() { (product(w, label)) }
        }
    }
}

fn product(w: Words, label: &Label) -> Markup {
    html! {
        h3 { (text(&label.name)) }
        p { (w.with("registration", &[("number", label.registration.clone())])) @if let Some(invented) = &label.invented { " " strong { (text(invented)) } } }
        p { (w.say("ingredients")) ": " @for (i, a) in label.active_ingredients.iter().enumerate() { @if i > 0 { ", " } (text(&a.name)) } }
        @if !label.cautions.is_empty() { p { (w.say("label-says")) ":" } ul { @for c in &label.cautions { li { (text(c)) } } } }
        @if !label.first_aid.is_empty() { p { (w.say("first-aid")) ":" } ul { @for c in &label.first_aid { li { (text(c)) } } } }
    }
}

/// Work of days not signed off, in as few words as a doctor or the law needs.
fn provisional(visit: &Visit, view: &View<'static>) -> Markup {
    let w = visit.words;
    let signed = Signed::of(view);
    let mut rows = BTreeSet::new();
    let mut labels = BTreeMap::new();
    for version in view
        .facts
        .in_force(Kind::Application)
        .flat_map(|f| view.facts.current(f))
        .filter(|v| !signed.takes(v))
    {
        let (Some(day), Body::Application(a)) = (view.crew_day(version), &version.record.body) else {
            continue;
        };
        let label = view.yard.label(a.label);
        rows.insert((day.day, day.crew, label.map(|l| (l.name.clone(), l.registration.clone()))));
        labels.extend(label.map(|l| (a.label, l)));
    }
    html! {
        @if !rows.is_empty() {
            section.provisional {
                h2 { (w.say("provisional")) }
                p { (w.say("provisional-text")) }
                ul { @for (day, crew, label) in rows.iter().rev().take(60) {
                    @let (name, number) = label.clone().unwrap_or_else(|| (w.say("unknown"), "?".into()));
                    li { (w.with("provisional-day", &[("day", day.to_string()), ("crew", view.yard.crew_name(*crew)), ("product", name), ("number", number)])) }
                } }
                @for label in labels.values() { @if !label.first_aid.is_empty() { p { strong { (text(&label.name)) } ". " (w.say("first-aid")) ":" } ul { @for c in &label.first_aid { li { (text(c)) } } } } }
            }
        }
    }
}

/// The map of signed work alone.
fn drawn(visit: &Visit, view: &View<'static>) -> (Markup, Markup) {
    let w = visit.words;
    let signed = Signed::of(view);
    let state = |_, tree: &bolebook_core::view::TreeView| {
        if view.applications(tree).any(|(_, v, a)| signed.takes(v) && a.put_in_ul() > Ul(0)) {
            return Some(TreeState::Treated);
        }
        let decided =
            tree.not_treated.iter().map(|i| view.facts.shown(view.fact(*i))).rfind(|v| signed.takes(v));
        Some(match decided.map(|v| &v.record.body) {
            Some(Body::NotTreated(n)) => TreeState::NotTreated(n.reason),
            _ => TreeState::Left,
        })
    };
    let said = ["treated", "not-treated", "left", "stop", "without-place"].map(|id| w.say(id));
    map_of(view, state, [&said[0], &said[1], &said[2], &said[3], &said[4]], &w.say("map"))
}

fn map(visit: &Visit, view: &View<'static>) -> Markup {
    let w = visit.words;
    let (_, legend) = drawn(visit, view);
    html! {
        section {
            h2 { (w.say("map")) }
            img.map src=(visit.href("/map.svg")) alt=(w.say("map-words")) width="1000" height="1000";
            (legend)
        }
    }
}

/// The map as a picture.
pub async fn picture(visit: Visit) -> Result<Response, ApiError> {
    let app = visit.app.clone();
    app.blocking(move |_| {
        let (svg, _) = drawn(&visit, &visit.job()?.view);
        Ok(([(header::CONTENT_TYPE, "image/svg+xml; charset=utf-8")], svg.into_string()).into_response())
    })
    .await
}

fn list(visit: &Visit, view: &View<'static>, work: &Work<'_>) -> Markup {
    let (w, names) = (visit.words, &visit.snapshot.names);
    let all = work.treated.len();
    let pages = all.div_ceil(PAGE).max(1);
    let page = visit.page.min(pages);
    let columns = ["tag", "species", "diameter", "day", "product", "amount", "by"].map(|id| w.say(id));
    html! {
        section {
            h2 { (w.say("list")) }
            table.cards {
                thead { tr { @for (i, c) in columns.iter().enumerate() { th.num[i == 2 || i == 5] scope="col" { (c) } } } }
                tbody {
                    @for (version, a) in work.treated.iter().skip((page - 1) * PAGE).take(PAGE) {
                        @let tree = view.trees.get(&view.stays(a.tree));
                        @let label = view.yard.label(a.label);
                        tr {
                            th scope="row" { (text(&view.tag(a.tree))) }
                            td data-label=(columns[1]) { (text(view.tree(a.tree).and_then(|t| t.species.as_deref()).unwrap_or(&w.say("unknown")))) }
                            td.num data-label=(columns[2]) { @if let Some((_, d)) = tree.and_then(|t| view.dosed_from(t, a)) { (d.cm()) " cm" } }
                            td.nowrap data-label=(columns[3]) { @if let Some(d) = view.crew_day(version) { (d.day) } br; span.small { (text(&view.yard.crew_name(a.crew))) } }
                            td data-label=(columns[4]) { (text(&label.map_or_else(|| w.say("unknown"), |l| l.name.clone()))) br; span.small { (w.say("lot")) " " (text(&view.yard.lot_number(a.lot))) } }
                            td.num data-label=(columns[5]) { (a.put_in_ul().ml()) " mL" }
                            td data-label=(columns[6]) {
                                (text(&who(visit, a.applicator)))
                                @if let Some(s) = a.supervisor { br; span.small { (w.with("supervised", &[("name", who(visit, s))])) } }
                                @if let Some(n) = names.field(a.supervisor.unwrap_or(a.applicator), "licence_number") { br; span.small { (w.with("licence", &[("number", n)])) } }
                            }
                        }
                    }
                }
            }
            @if pages > 1 {
                nav.pages {
                    @if page > 1 { a href=(visit.href(&format!("?page={}", page - 1))) { (w.say("previous")) } }
                    span { (w.with("page-of", &[("page", page.to_string()), ("pages", pages.to_string())])) }
                    @if page < pages { a href=(visit.href(&format!("?page={}", page + 1))) { (w.say("next")) } }
                }
            }
        }
    }
}

fn not_treated(visit: &Visit, view: &View<'static>, work: &Work<'_>) -> Markup {
    let w = visit.words;
    html! {
        @if !work.not_treated.is_empty() {
            section {
                h2 { (w.say("not-treated-list")) }
                ul { @for (version, n) in work.not_treated.iter().take(500) {
                    @let reason = serde_json::to_value(n.reason).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default();
                    li { (text(&view.tag(n.tree))) ": " (w.say(&format!("reason-{reason}"))) @if let Some(d) = view.crew_day(version) { " (" (d.day) ")" } }
                } }
            }
        }
    }
}

fn data(visit: &Visit, job: &JobState, company: &str) -> Result<Markup, ApiError> {
    let (w, view) = (visit.words, &job.view);
    let picture = Sha256Hash::of(drawn(visit, view).0.into_string().as_bytes());
    let of = |name| digest(&visit.app, &visit.snapshot, job, name);
    let files = [
        ("/application-records.csv", w.say("file-records"), of(RECORDS)?),
        ("/application-records-eu.csv", w.say("file-records-eu"), of(EU_RECORDS)?),
        ("/trees.geojson", w.say("file-map"), of(MAP)?),
        ("/data-package.zip", w.say("file-package"), of(PACKAGE)?),
        ("/map.svg", w.say("file-picture"), picture),
    ];
    Ok(html! {
        section {
            h2 { (w.say("data")) }
            p { (w.say("data-text")) }
            ul { @for (below, name, digest) in &files { li { a href=(visit.href(below)) { (name) } br; code.digest { "SHA-256 " (digest) } } } }
            p { a href=(visit.href("/report.pdf")) { (w.say("file-report")) } }
            h3 { (w.say("verify")) }
            p { (w.with("verify-text", &[("company", company.to_owned())])) }
            dl {
                dt { (w.say("state")) } dd { code.digest { (view.state_digest()) } }
                dt { (w.say("job-heads")) } dd { @for h in &view.heads { code.digest { (h) } br; } }
                dt { (w.say("yard-heads")) } dd { @for h in &view.yard.heads { code.digest { (h) } br; } }
            }
        }
    })
}
