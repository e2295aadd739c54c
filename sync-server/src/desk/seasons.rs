//! A job's seasons: its canopies then and now, and from when each tree may be treated again.

use axum::response::Html;
use bolebook_core::ids::BookId;
use bolebook_core::quantity::decimal;
use bolebook_core::seasons::{Change, Due, Season, canopies, change, due, earlier, losses};
use bolebook_core::view::View;
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::page::{Desk, Page, page_number, pages, shown, text};
use crate::error::ApiError;

/// Trees on one page of what is due.
const PAGE: usize = 200;

fn percents((low, high): (i64, i64)) -> String {
    format!("{} to {} %", decimal(low, 10, 1), decimal(high, 10, 1))
}

/// The canopy table: seasons side by side, one row a class.
fn classes(seasons: &[Season]) -> Markup {
    let rows = seasons.first().map_or(0, |s| s.classes.len());
    html! {
        table.plain tabindex="0" aria-labelledby="canopies" {
            thead { tr { th scope="col" { "Canopy lost" } @for s in seasons { th.num scope="col" { (text(&s.season)) br; span.small.muted { (s.assessed) " of " (s.trees) " assessed" } } } } }
            tbody {
                @for row in 0..rows {
                    tr {
                        th scope="row" { @if let Some(c) = seasons.first().and_then(|s| s.classes.get(row)) { (c.over / 10) "–" (c.up_to / 10) " %" } }
                        @for class in seasons.iter().filter_map(|s| s.classes.get(row)) {
                            td.num { (class.trees) @if let Some(share) = class.share { br; span.small.muted { (percents(share)) } } }
                        }
                    }
                }
            }
        }
    }
}

fn changed(changes: &[Change]) -> Markup {
    html! {
        table.cards {
            thead { tr { th scope="col" { "From, to" } th scope="col" { "Trees" } th.num scope="col" { "Better" } th.num scope="col" { "Same class" } th.num scope="col" { "Worse" } th.num scope="col" { "Not worse, 95 %" } } }
            tbody {
                @for c in changes {
                    @for (name, moved) in [("treated then", c.treated), ("not treated then", c.untreated)] {
                        tr {
                            th scope="row" { (text(&c.then)) " to " (text(&c.now)) }
                            td data-label="Trees" { (name) }
                            td.num data-label="Better" { (moved.better) }
                            td.num data-label="Same class" { (moved.same) }
                            td.num data-label="Worse" { (moved.worse) }
                            td.num data-label="Not worse, 95 %" { (moved.held.map_or_else(|| "no tree".into(), percents)) }
                        }
                    }
                    @if c.not_again > 0 { tr { td colspan="6" { (c.not_again) " assessed in " (text(&c.then)) " and not in " (text(&c.now)) ": removed, dead or not looked at again. They are in no share." } } }
                }
            }
        }
    }
}

/// What the page shows, which takes a walk over every season.
struct Figures {
    missing: bool,
    seasons: Vec<Season>,
    changes: Vec<Change>,
    due: Vec<Due>,
}

impl Figures {
    fn of(view: &View<'_>, all: &[&View<'_>]) -> Self {
        let before = earlier(view, all);
        let missing = before.last().map_or(view, |v| v).job.previous.is_some();
        let books: Vec<&View<'_>> = before.iter().rev().copied().chain([view]).collect();
        let assessed: Vec<_> = books.iter().map(|v| losses(v, |_| true)).collect();
        let seasons = books.iter().zip(&assessed).map(|(v, of)| canopies(v, of)).collect();
        let pairs: Vec<_> = books.iter().copied().zip(&assessed).collect();
        let changes = pairs.windows(2).map(|pair| change(pair[0], pair[1])).collect();
        Self { missing, seasons, changes, due: due(view, &before) }
    }
}

/// The seasons of a job, the oldest at hand first.
pub async fn page(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let view: &View<'_> = &desk.job(book)?.view;
        let all: Vec<&View<'_>> = desk.snapshot.jobs.values().map(|j| &j.view as &View<'_>).collect();
        let figures = desk.app.desk.figures.of(&desk.snapshot, book, || Figures::of(view, &all));
        let Figures { missing, seasons, changes, due } = &*figures;
        let number = page_number(desk);
        let body = html! {
            h1 { "Seasons" }
            @if *missing { p.warn { "An earlier season's book is not on this server: its years are blank, and intervals that begin in it are not judged." } }
            section aria-labelledby="canopies" {
                h2 id="canopies" { "Canopies, then and now" }
                (classes(seasons))
                p.small.muted { "Trees by the last assessment of each season, and the share's 95 % score interval (Wilson 1927). Neighbouring trees are alike, so no less than this is unknown." }
            }
            @if !changes.is_empty() {
                section aria-labelledby="change" {
                    h2 id="change" { "Which way they went" }
                    (changed(changes))
                    p.small.muted { "Over the trees assessed in both seasons. Which trees were treated was chosen by their state, so this is no trial." }
                }
            }
            section aria-labelledby="due" {
                h2 id="due" { "The label's interval is over on" }
                @if due.is_empty() { p { "No tree was treated yet." } }
                @else {
                    table.cards {
                        thead { tr { th scope="col" { "Tree" } th scope="col" { "Last treated" } th scope="col" { "Label" } th.num scope="col" { "Interval" } th scope="col" { "Over on" } } }
                        tbody {
                            @for row in due.iter().skip((number - 1) * PAGE).take(PAGE) {
                                tr {
                                    th scope="row" { a href=(format!("/jobs/{book}/trees/{}", row.tree)) { (text(&row.tag)) } }
                                    td.nowrap data-label="Last treated" { (row.last) }
                                    td data-label="Label" { (text(&view.yard.label(row.label).map_or_else(|| "unknown".into(), |l| l.name.clone()))) }
                                    td.num data-label="Interval" { @match row.interval_days { Some(days) => { (days) " days" } None => { "none stated" } } }
                                    td.nowrap data-label="Over on" { @match row.from { Some(day) => { (day) } None => { "ask the licensed applicator" } } }
                                }
                            }
                        }
                    }
                    (pages(desk, due.len(), PAGE, number))
                    p.small { "The label decides; that an interval is over does not say that a tree needs treating." }
                }
            }
        };
        Ok(Page { title: format!("Seasons, {}", view.title), job: Some((book, "seasons")), body })
    })
    .await
}
