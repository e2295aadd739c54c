//! The trees of a job, and one tree with everything ever written about it.

use axum::extract::Path;
use axum::http::header;
use axum::response::{Html, IntoResponse as _, Response};
use bolebook_core::dosing::layout::scale::Scale;
use bolebook_core::dosing::layout::{Depth, ExcludedArc, Layout, PlannedHole};
use bolebook_core::dosing::picture::svg;
use bolebook_core::dosing::stem::girth_of_diameter;
use bolebook_core::ids::{BookId, RecordId, TreeId};
use bolebook_core::quantity::{Ul, Um, decimal};
use bolebook_core::record::Body;
use bolebook_core::record::work::Application;
use bolebook_core::view::{TreeView, View};
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::evidence;
use crate::desk::page::{Desk, Page, moment, page_number, pages, shown, text};
use crate::desk::photos;
use crate::desk::words::{severity_mark, state_mark, state_name};
use crate::error::ApiError;
use crate::snapshot::JobState;

const PAGE: usize = 100;

/// What went into a tree, contested records at their larger value.
pub fn put_in(view: &View<'_>, tree: &TreeView) -> Ul {
    let mut by_fact = std::collections::BTreeMap::new();
    for (fact, _, a) in view.applications(tree) {
        let volume: &mut i64 = by_fact.entry(fact.id).or_default();
        *volume = (*volume).max(a.put_in_ul().0);
    }
    by_fact.into_values().map(Ul).sum()
}

fn takes(desk: &Desk, view: &View<'_>, id: TreeId, tree: &TreeView) -> bool {
    let state = match desk.query.text("state") {
        "treated" => state_name(view.state(tree)) == "treated",
        "not" => state_name(view.state(tree)).starts_with("not treated"),
        "left" => state_name(view.state(tree)) == "left",
        _ => true,
    };
    let words = desk.query.some("words").is_none_or(|words| {
        let listed = view.tree(id);
        let species = listed.and_then(|t| t.species.as_deref()).unwrap_or("");
        let all = format!("{} {species} {id}", view.tag(id)).to_lowercase();
        words.to_lowercase().split_whitespace().all(|w| all.contains(w))
    });
    words && state
}

/// The trees of a job.
pub async fn list(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        let view = &job.view;
        let mut all: Vec<_> = view.trees.iter().filter(|(id, t)| takes(desk, view, **id, t)).collect();
        all.sort_by_cached_key(|(id, _)| (natural(&view.tag(**id)), **id));
        let number = page_number(desk);
        let states = [("", "all"), ("treated", "treated"), ("not", "not treated"), ("left", "left")];
        let body = html! {
            h1 { "Trees" }
            form.filter role="search" aria-label="Narrow the trees" {
                div { label for="by-state" { "State" } select id="by-state" name="state" { @for (v, n) in states { option value=(v) selected[desk.query.text("state") == v] { (n) } } } }
                div { label for="by-words" { "Words" } input id="by-words" name="words" type="search" value=(super::page::clean(desk.query.text("words"))) placeholder="tag, species or id"; }
                button { "Show" }
            }
            p role="status" { (all.len()) " of " (view.trees.len()) " trees" }
            table.cards {
                thead { tr { th scope="col" { "Tag" } th scope="col" { "Species" } th.num scope="col" { "Diameter" } th scope="col" { "State" } th.num scope="col" { "Product put in" } } }
                tbody {
                    @for (id, tree) in all.iter().skip((number - 1) * PAGE).take(PAGE) {
                        tr {
                            th scope="row" { a href=(format!("/jobs/{book}/trees/{id}")) { (text(&view.tag(**id))) } }
                            td data-label="Species" { (text(view.tree(**id).and_then(|t| t.species.as_deref()).unwrap_or("unknown"))) }
                            td.num data-label="Diameter" { @if let Some(d) = view.diameter(tree, 1) { (d.cm()) " cm" } @else { "not measured" } }
                            td data-label="State" { (state_mark(view.state(tree))) }
                            td.num data-label="Product put in" { (put_in(view, tree).ml()) " mL" }
                        }
                    }
                }
            }
            (pages(desk, all.len(), PAGE, number))
        };
        Ok(Page { title: format!("Trees, {}", view.title), job: Some((book, "trees")), body })
    })
    .await
}

/// A key that puts `P-9` before `P-10`: numbers by value, the rest as written.
fn natural(tag: &str) -> Vec<(u8, u64, String)> {
    let mut parts: Vec<(u8, u64, String)> = vec![];
    for c in tag.chars() {
        let digit = c.to_digit(10).map(u64::from);
        match (digit, parts.last_mut()) {
            (Some(d), Some((0, value, _))) => *value = value.saturating_mul(10).saturating_add(d),
            (Some(d), _) => parts.push((0, d, String::new())),
            (None, Some((1, _, text))) => text.push(c),
            (None, _) => parts.push((1, 0, c.to_string())),
        }
    }
    parts
}

/// One tree.
pub async fn one(desk: Desk, Path((book, tree)): Path<(String, String)>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let book: BookId = book.parse().map_err(|_| ApiError::not_found("no such job"))?;
        let job = desk.job(book)?;
        let view = &job.view;
        let none = || ApiError::not_found("the job has no such tree");
        let asked: TreeId = tree.parse().map_err(|_| none())?;
        let id = view.stays(asked);
        let tree = view.trees.get(&id).ok_or_else(none)?;
        let findings = desk.snapshot.findings(job);
        let about: Vec<_> = findings.iter().filter(|f| f.tree.is_some_and(|t| view.stays(t) == id)).collect();
        let body = html! {
            h1 { "Tree " (text(&view.tag(id))) " " (state_mark(view.state(tree))) }
            @if asked != id { p.warn { "This tree was joined to " (text(&view.tag(id))) "; both histories stand here." } }
            (summary(desk, job, id, tree))
            @if !about.is_empty() {
                section aria-labelledby="found" {
                    h2 id="found" { "Findings" }
                    ul.records {
                        @for f in &about {
                            li { (severity_mark(f.severity)) " " a href=(format!("/jobs/{book}/findings/{}", f.id)) { (text(&f.message)) } " " (evidence::finding_state(job, f)) }
                        }
                    }
                }
            }
            (photos::section(desk, job, id, tree)?)
            (pictures(job, tree))
            section aria-labelledby="history" {
                h2 id="history" { "History" }
                p.small { "Oldest first. Nothing is ever deleted: what was amended or struck stays readable under what replaced it." }
                ul.history { @for i in view.history(id, tree) { (evidence::history(desk, job, &view.facts, view.fact(i), true)) } }
            }
        };
        Ok(Page { title: format!("Tree {}", view.tag(id)), job: Some((book, "trees")), body })
    })
    .await
}

fn summary(desk: &Desk, job: &JobState, id: TreeId, tree: &TreeView) -> Markup {
    let view = &job.view;
    let Some(listed) = view.tree(id) else { return html! {} };
    let block = listed.block.and_then(|b| view.facts.standing_fact(b)).map(|f| view.facts.shown(f));
    let days: Vec<_> = view.applications(tree).filter_map(|(_, v, _)| view.crew_day(v)).collect();
    html! {
        dl.facts {
            dt { "Species" } dd { (text(listed.species.as_deref().unwrap_or("unknown"))) }
            dt { "Diameter" } dd {
                @for stem in 1..=listed.stems.clamp(1, 64) {
                    p { @if listed.stems > 1 { "stem " (stem) ": " } @if let Some(d) = view.diameter(tree, stem) { (d.cm()) " cm, girth " (girth_of_diameter(d).cm()) " cm" } @else { "not measured" } }
                }
            }
            @if let Some(version) = block { @if let Body::Block(b) = &version.record.body { dt { "Block" } dd { (text(&b.name)) } } }
            @if let Some(p) = listed.position {
                dt { "Place" } dd { (decimal(p.lat_ndeg, 1_000_000_000, 6)) ", " (decimal(p.lon_ndeg, 1_000_000_000, 6))
                    @if let Some(a) = p.accuracy_um { " ± " (a.m()) " m" } " (" (super::words::spelled(p.source)) ") "
                    a href=(format!("/jobs/{}/map?tree={id}", view.book)) { "on the map" } }
            }
            dt { "Product put in" } dd { (put_in(view, tree).ml()) " mL" @if !days.is_empty() { " on " (evidence::days(desk, job, &days)) } }
            dt { "Tree" } dd { code { (id) } }
        }
    }
}

fn pictures(job: &JobState, tree: &TreeView) -> Markup {
    let view = &job.view;
    let drilled: Vec<_> = view.applications(tree).filter(|(_, _, a)| !a.holes.is_empty()).collect();
    html! {
        @if !drilled.is_empty() {
            section aria-labelledby="holes" {
                h2 id="holes" { "Holes as drilled" }
                div.pictures {
                    @for (_, version, a) in &drilled {
                        figure {
                            img src=(format!("/jobs/{}/records/{}/holes.svg", view.book, version.id())) width="560"
                                alt=(format!("{} holes of stem {} on the unrolled trunk; the table below says the same", a.holes.len(), a.stem));
                            figcaption { (moment(view, a.started_at)) ", stem " (a.stem) ", " (a.put_in_ul().ml()) " mL" }
                            (hole_table(a))
                        }
                    }
                }
            }
        }
    }
}

fn hole_table(a: &Application) -> Markup {
    html! {
        details {
            summary { "Hole by hole" }
            table.plain tabindex="0" aria-label="Holes" {
                thead { tr { th scope="col" { "Hole" } th.num scope="col" { "Arc from the mark" } th.num scope="col" { "Height" } th.num scope="col" { "Depth in sapwood" } th.num scope="col" { "Taken up" } th.num scope="col" { "Leaked" } th scope="col" { "Closed" } } }
                tbody {
                    @for (i, h) in a.holes.iter().enumerate() {
                        tr { th scope="row" { (i + 1) } td.num { (h.arc_um.cm()) " cm" } td.num { (h.height_um.cm()) " cm" } td.num { (h.depth_um.mm()) " mm" } td.num { (h.put_in_ul.ml_exact()) " mL" } td.num { (h.leaked_ul.ml_exact()) " mL" } td { @if h.sealed { "yes" } @else { "no" } @if h.reseated { ", put on again" } } }
                    }
                }
            }
        }
    }
}

/// The holes of an application as a picture.
pub async fn holes(desk: Desk, Path((book, record)): Path<(String, String)>) -> Result<Response, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let book: BookId = book.parse().map_err(|_| ApiError::not_found("no such job"))?;
        let none = || ApiError::not_found("the job has no such application");
        let id: RecordId = record.parse().map_err(|_| none())?;
        let view = &desk.job(book)?.view;
        let fact = view.facts.fact_of(id).ok_or_else(none)?;
        let version = fact.history.iter().map(|v| &view.facts.versions[*v]).find(|v| v.id() == id);
        let Some(Body::Application(a)) = version.map(|v| &v.record.body) else { return Err(none()) };
        let drawn = drilled(view, a).ok_or_else(none)?;
        let title = format!("Tree {}, stem {}", super::page::clean(&view.tag(a.tree)), a.stem);
        Ok((
            [(header::CONTENT_TYPE, "image/svg+xml; charset=utf-8")],
            svg(&drawn, Scale::Cm, &title, &drawn.instruction),
        )
            .into_response())
    })
    .await
}

/// A layout that says where the holes truly are, to be drawn as planned ones are.
fn drilled(view: &View<'_>, a: &Application) -> Option<Layout> {
    let tree = view.trees.get(&view.stays(a.tree))?;
    let listed = view.tree(a.tree);
    let diameter = view.dosed_from(tree, a).map(|(_, d)| d).unwrap_or(Um(300_000));
    let widest = a.holes.iter().map(|h| h.arc_um.0).max()?;
    let girth = girth_of_diameter(diameter).0.max(widest + 1).max(1);
    let mut order: Vec<usize> = (0..a.holes.len()).collect();
    order.sort_by_key(|i| (a.holes[*i].arc_um, *i));
    let holes: Vec<PlannedHole> = (0..a.holes.len())
        .map(|i| {
            let h = &a.holes[i];
            let arc = h.arc_um.0.rem_euclid(girth);
            PlannedHole {
                number: i + 1,
                arc_um: Um(arc),
                height_um: h.height_um,
                angle_mdeg: arc.saturating_mul(360_000) / girth,
            }
        })
        .collect();
    let mut arcs: Vec<i64> = holes.iter().map(|h| h.arc_um.0).collect();
    arcs.sort_unstable();
    let around = arcs.windows(2).map(|w| w[1] - w[0]).chain([girth - arcs.last()? + arcs.first()?]);
    let offset = around.min().unwrap_or(girth);
    let label = view.yard.label(a.label);
    let depths = || a.holes.iter().map(|h| h.depth_um);
    let heights = || a.holes.iter().map(|h| h.height_um);
    let band = heights().min()?..=heights().max()?;
    let damage = tree.conditions.iter().flat_map(|i| match &view.facts.shown(view.fact(*i)).record.body {
        Body::Condition(c) => c.damage.clone(),
        _ => vec![],
    });
    let excluded = damage
        .filter(|d| d.stem == a.stem)
        .map(|d| ExcludedArc {
            from_um: d.from_um,
            to_um: if d.to_um < d.from_um { Um(d.to_um.0 + girth) } else { d.to_um },
            why: d.what,
        })
        .collect();
    let spacing = label.map_or(Um(offset), |l| l.holes.spacing_um);
    let closer = if Um(offset) < spacing {
        format!(", closer than the label's {} cm", spacing.cm())
    } else {
        String::new()
    };
    Some(Layout {
        wanted: holes.len(),
        fits: holes.len(),
        offset_um: Um(offset),
        spacing_um: spacing,
        girth_um: Um(girth),
        girth_low_um: Um(girth),
        girth_high_um: Um(girth),
        band_low_um: *band.start(),
        band_high_um: *band.end(),
        depth: Depth {
            bark_um: None,
            sapwood_min_um: depths().min()?,
            sapwood_max_um: depths().max()?,
            bit_um: view.yard.kit(a.kit).map_or(Um(0), |k| k.bit_um),
        },
        excluded,
        mark: listed.and_then(|t| t.mark),
        instruction: format!(
            "As drilled on {}: {} holes, least offset {} cm{closer}",
            moment(view, a.started_at).get(..10).unwrap_or_default(),
            holes.len(),
            Um(offset).cm()
        ),
        holes,
    })
}

#[cfg(test)]
mod tests {
    use super::natural;

    #[test]
    fn tags_are_put_in_the_order_people_count_in() {
        let mut tags = ["P-10", "P-9", "A", "P-9b", "12", "2"];
        tags.sort_by_key(|t| natural(t));
        assert_eq!(tags, ["2", "12", "A", "P-9", "P-9b", "P-10"]);
    }
}
