//! Pairs of trees that may be one, side by side, with a map of the two.

use axum::response::Html;
use bolebook_core::finding::{Code, Finding};
use bolebook_core::geo;
use bolebook_core::ids::{BookId, TreeId};
use bolebook_core::record::Body;
use bolebook_core::record::stand::Position;
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::evidence::by;
use crate::desk::findings::ruling;
use crate::desk::page::{Desk, Page, moment, page_number, pages, shown, text};
use crate::desk::settle::{join_form, trees_of};
use crate::desk::words::state_mark;
use crate::error::ApiError;
use crate::snapshot::JobState;

const PAGE: usize = 10;

/// The pairs nobody has ruled on.
pub async fn list(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        let findings = desk.snapshot.findings(job);
        let open: Vec<&Finding> = findings
            .iter()
            .filter(|f| f.open() && matches!(f.code, Code::MayBeSame | Code::SameTag) && trees_of(job, f).len() > 1)
            .collect();
        let number = page_number(desk);
        let body = html! {
            h1 { "Trees that may be one" }
            p { "Join them if they are one tree: their histories stay and what went into them is summed. Accept if they are two." }
            @if open.is_empty() { p.big { "No pair waits." } }
            @for finding in open.iter().skip((number - 1) * PAGE).take(PAGE) { (pair(desk, job, finding)) }
            (pages(desk, open.len(), PAGE, number))
        };
        Ok(Page { title: format!("Pairs, {}", job.view.title), job: Some((book, "pairs")), body })
    })
    .await
}

fn pair(desk: &Desk, job: &JobState, finding: &Finding) -> Markup {
    let trees = trees_of(job, finding);
    let back = "";
    html! {
        article.pair aria-labelledby=(format!("p-{}", finding.id)) {
            h2 id=(format!("p-{}", finding.id)) { (text(&finding.message)) }
            div.side {
                @for tree in trees.iter().take(4) { (one(desk, job, *tree)) }
                (plan(job, &trees))
            }
            @if desk.read_only.is_none() {
                div.acts {
                    (join_form(desk, job, finding))
                    section { h2 { "They are two trees" } (ruling(desk, job.view.book, finding, back, None)) }
                }
            }
        }
    }
}

fn one(desk: &Desk, job: &JobState, id: TreeId) -> Markup {
    let view = &job.view;
    let (Some(tree), Some(listed)) = (view.trees.get(&id), view.tree(id)) else { return html! {} };
    let first = view.facts.fact_of(id).and_then(|f| f.history.first()).map(|v| &view.facts.versions[*v]);
    let damage = tree.conditions.iter().filter(|i| {
        matches!(&view.facts.shown(view.fact(**i)).record.body, Body::Condition(c) if !c.damage.is_empty())
    });
    html! {
        section.tree {
            h3 { a href=(format!("/jobs/{}/trees/{id}", view.book)) { (text(&listed.tag)) } " " (state_mark(view.state(tree))) }
            dl.facts {
                dt { "Species" } dd { (text(listed.species.as_deref().unwrap_or("unknown"))) }
                dt { "Diameter" } dd { @if let Some(d) = view.diameter(tree, 1) { (d.cm()) " cm" } @else { "not measured" } }
                dt { "Stems" } dd { (listed.stems) }
                dt { "Product put in" } dd { (super::trees::put_in(view, tree).ml()) " mL in " (tree.applications.len()) " applications" }
                dt { "Place" } dd { @match listed.position { Some(p) => { (super::words::spelled(p.source)) @if let Some(a) = p.accuracy_um { " ± " (a.m()) " m" } } None => { "none" } } }
                dt { "Photos" } dd { (tree.photos.len()) }
                dt { "Trunk damage noted" } dd { (damage.count()) }
                @if let Some(v) = first { dt { "Listed" } dd { (moment(view, v.record.envelope.at)) ", " (text(&by(desk, v))) } }
            }
        }
    }
}

fn offset(from: &Position, to: &Position) -> (f64, f64) {
    geo::offset_m((from.lat_ndeg, from.lon_ndeg), (to.lat_ndeg, to.lon_ndeg))
}

/// The trees on a square of ground, with the circles that hold the true place 68 % of the time.
fn plan(job: &JobState, trees: &[TreeId]) -> Markup {
    let placed: Vec<(TreeId, Position)> =
        trees.iter().filter_map(|id| Some((*id, job.view.tree(*id)?.position?))).collect();
    let [(_, origin), _, ..] = &placed[..] else { return html! { p.muted { "Not both have a place." } } };
    let local: Vec<_> = placed.iter().map(|(id, p)| (*id, offset(origin, p), p.accuracy_um)).collect();
    let reach = local
        .iter()
        .map(|(_, (e, n), a)| e.abs().max(n.abs()) + a.map_or(0.0, |a| a.0 as f64 / 1e6))
        .fold(2.0f64, f64::max);
    let scale = 130.0 / reach;
    let apart = local.last().map_or(0.0, |(_, (e, n), _)| (e * e + n * n).sqrt());
    let px = |v: f64| format!("{v:.1}");
    html! {
        figure.plan {
            svg viewBox="-150 -150 300 300" role="img" aria-label=(format!("The trees are {apart:.1} m apart")) {
                rect.ground x="-149" y="-149" width="298" height="298" {}
                @for (i, (_, (e, n), accuracy)) in local.iter().enumerate() {
                    @if let Some(a) = accuracy { circle.fix cx=(px(e * scale)) cy=(px(-n * scale)) r=(px(a.0 as f64 / 1e6 * scale)) {} }
                    @if i == 0 { circle.stem cx=(px(e * scale)) cy=(px(-n * scale)) r="7" {} }
                    @else { rect.stem x=(px(e * scale - 6.0)) y=(px(-n * scale - 6.0)) width="12" height="12" {} }
                    text.label x=(px(e * scale + 11.0)) y=(px(-n * scale - 8.0 + 22.0 * i as f64)) { (super::page::clean(&job.view.tag(local[i].0))) }
                }
                text.label x="-143" y="-132" { "N ↑" }
            }
            figcaption { (format!("{apart:.1}")) " m apart. Circles hold the true place 68 % of the time." }
        }
    }
}
