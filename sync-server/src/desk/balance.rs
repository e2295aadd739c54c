//! Where the product went: by lot over all jobs, and by crew and day.

use axum::response::Html;
use bolebook_core::balance::causes::causes;
use bolebook_core::balance::{Balance, CrewDayBalance, KitBalance, LotBalance, Span};
use bolebook_core::check::volume::said;
use bolebook_core::finding::resolved;
use bolebook_core::ids::BookId;
use bolebook_core::view::{CrewDay, View};
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::page::{Desk, Page, page_number_of, pages_of, shown, text};
use crate::error::ApiError;
use crate::snapshot::JobState;

/// Rows of a list on one page.
const PAGE: usize = 100;

/// The rows of the page of a list that is asked for, and links to its others.
fn part<'a, T>(desk: &Desk, field: &str, rows: &'a [T]) -> (&'a [T], Markup) {
    let number = page_number_of(desk, field).min(rows.len().div_ceil(PAGE).max(1));
    let from = (number - 1) * PAGE;
    let some = rows.get(from..(from + PAGE).min(rows.len())).unwrap_or_default();
    (some, pages_of(desk, field, rows.len(), PAGE, number))
}

/// Unexplained product, told in words as well.
fn gap(span: Option<Span>, tolerance: bolebook_core::quantity::Ul) -> Markup {
    html! {
        @match span {
            None => { span.muted { "kits not yet measured" } }
            Some(span) if span.within(tolerance) => { (span.ml()) " mL " span.muted { "within ± " (tolerance.ml()) } }
            Some(span) => { span.warn { (span.ml()) " mL" } " " span.muted { "beyond ± " (tolerance.ml()) } }
        }
    }
}

fn lot(desk: &Desk, row: &LotBalance) -> Markup {
    let yard = &desk.snapshot.yard;
    let known = yard.lot(row.lot);
    let label = known.and_then(|l| yard.label(l.label));
    let lines = [
        ("Received", row.received_ul, ""),
        (
            "On hand",
            row.on_hand_ul,
            if row.counted_at.is_some() { "counted" } else { "never counted: derived" },
        ),
        ("Drawn from stock", row.drawn_ul, ""),
        ("Into trees", row.spent.into_trees_ul, ""),
        ("Leaked at holes", row.spent.leaked_ul, "counts toward limits"),
        ("Primed and tested", row.spent.primed_tested_ul, ""),
        ("Returned and kept apart", row.spent.returned_ul, ""),
        ("Spilled", row.spent.spilled_ul, ""),
        ("Disposed of", row.spent.disposed_ul, ""),
        ("In kits, measured", row.in_kits_ul, ""),
        ("Not yet measured", row.not_yet_measured_ul, "since a kit was last measured"),
    ];
    html! {
        section.lot aria-labelledby=(format!("lot-{}", row.lot)) {
            h2 id=(format!("lot-{}", row.lot)) { "Lot " (text(&yard.lot_number(row.lot))) }
            p.small {
                @match known {
                    Some(l) => { (text(&label.map_or_else(|| "label unknown".into(), |l| l.name.clone()))) ", last day " (l.expires) @if let Some(why) = &l.recalled { " " span.warn { "recalled: " (text(why)) } } }
                    None => { span.warn { "not in the yard's list" } }
                }
            }
            table.plain {
                tbody {
                    @for (name, span, note) in lines { tr { th scope="row" { (name) @if !note.is_empty() { " " span.small.muted { (note) } } } td.num { (span.ml()) " mL" } } }
                    tr.total { th scope="row" { "Unexplained" } td.num { (gap(Some(row.unexplained_ul), row.tolerance_ul)) } }
                }
            }
            @if !row.used_on.is_empty() {
                p.small { "Used on: " @for (i, book) in row.used_on.iter().enumerate() {
                    @if i > 0 { ", " }
                    @match desk.snapshot.jobs.get(book) { Some(job) => { a href=(format!("/jobs/{book}")) { (text(&job.view.title)) } } None => { (book) } }
                } }
            }
        }
    }
}

/// The rows of a balance by crew and day that are taken.
pub fn crew_day_rows(desk: &Desk, takes: impl Fn(&CrewDayBalance) -> bool) -> Markup {
    let yard = &desk.snapshot.yard;
    let balance: &Balance = desk.snapshot.balance();
    let takes = |r: &&CrewDayBalance| takes(r);
    let mut rows: Vec<_> = balance.crew_days.iter().filter(takes).collect();
    rows.sort_by_key(|r| (std::cmp::Reverse(r.day), r.crew, r.lot));
    let (some, links) = part(desk, "days", &rows);
    html! {
        @if rows.is_empty() { p.muted { "No kit was measured." } }
        @else {
            table.cards {
                thead { tr { th scope="col" { "Day" } th scope="col" { "Crew" } th scope="col" { "Lot" } th.num scope="col" { "In kits before" } th.num scope="col" { "Filled" } th.num scope="col" { "Into trees" } th.num scope="col" { "Other" } th.num scope="col" { "In kits after" } th.num scope="col" { "Unexplained" } } }
                tbody {
                    @for r in some {
                        @let total = r.spent.total();
                        @let trees = r.spent.into_trees_ul;
                        @let other = Span { low: total.low - trees.low, high: total.high - trees.high };
                        tr {
                            th.nowrap scope="row" { (r.day) }
                            td data-label="Crew" { (text(&yard.crew_name(r.crew))) }
                            td data-label="Lot" { (text(&yard.lot_number(r.lot))) }
                            td.num data-label="In kits before" { (r.opening_ul.ml()) }
                            td.num data-label="Filled" { (r.filled_ul.ml()) }
                            td.num data-label="Into trees" { (trees.ml()) }
                            td.num data-label="Other" { (other.ml()) }
                            td.num data-label="In kits after" { (r.closing_ul.ml()) }
                            td.num data-label="Unexplained" { (gap(r.unexplained_ul, r.tolerance_ul)) }
                        }
                    }
                }
            }
            (links)
            p.small.muted { "In millilitres of product. A range stands where records contradict each other." }
            (unexplained(desk, some))
        }
    }
}

/// What may have happened to the product that rows cannot explain, the likeliest first.
fn unexplained(desk: &Desk, rows: &[&CrewDayBalance]) -> Markup {
    let (yard, balance) = (&desk.snapshot.yard, desk.snapshot.balance());
    let views: Vec<&View<'_>> = desk.snapshot.jobs.values().map(|j| &j.view as &View<'_>).collect();
    let out = rows.iter().filter(|r| r.unexplained_ul.is_some_and(|u| !u.within(r.tolerance_ul)));
    html! {
        @for row in out.take(50) {
            @let causes = causes(row, balance, yard, &views);
            h3 { (text(&yard.crew_name(row.crew))) " on " (row.day) ", lot " (text(&yard.lot_number(row.lot))) ": " (row.unexplained_ul.map(Span::ml).unwrap_or_default()) " mL unexplained" }
            @if causes.is_empty() { p { "Nothing in the books comes near it: measure kit and stock again." } }
            @else {
                p.small { "What to ask first. None is proof, and none changes a figure." }
                ol.causes { @for cause in &causes { li { (text(&resolved(yard, &said(cause)))) } } }
            }
        }
    }
}

/// The balance by kit, from measurement to measurement: all, or those of a job's crews' days.
fn kit_rows(desk: &Desk, takes: impl Fn(&KitBalance) -> bool) -> Markup {
    let yard = &desk.snapshot.yard;
    let mut rows: Vec<_> = desk.snapshot.balance().kits.iter().filter(|r| takes(r)).collect();
    rows.sort_by_key(|r| (std::cmp::Reverse(r.measured_at), r.kit, r.lot));
    let (some, links) = part(desk, "kits", &rows);
    html! {
        @if rows.is_empty() { p.muted { "No kit was measured." } }
        @else {
            table.cards {
                thead { tr { th scope="col" { "Measured" } th scope="col" { "Kit" } th scope="col" { "Lot" } th scope="col" { "Crew" } th.num scope="col" { "Before" } th.num scope="col" { "Filled" } th.num scope="col" { "Charges" } th.num scope="col" { "Used" } th.num scope="col" { "After" } th.num scope="col" { "Unexplained" } } }
                tbody {
                    @for r in some {
                        tr {
                            th.nowrap scope="row" { (r.day.map_or_else(|| "?".into(), |d| d.to_string())) }
                            td data-label="Kit" { (text(&yard.kit(r.kit).map_or_else(|| "unknown kit".into(), |k| k.name.clone()))) }
                            td data-label="Lot" { (text(&yard.lot_number(r.lot))) }
                            td data-label="Crew" { (text(&r.crew.map_or_else(|| "not named".into(), |c| yard.crew_name(c)))) }
                            td.num data-label="Before" { (r.opening_ul.ml()) }
                            td.num data-label="Filled" { (r.filled_ul.ml()) }
                            td.num data-label="Charges" { (r.charges) }
                            td.num data-label="Used" { (r.spent.total().ml()) }
                            td.num data-label="After" { (r.closing_ul.ml()) }
                            td.num data-label="Unexplained" { (gap(Some(r.unexplained_ul), r.tolerance_ul)) }
                        }
                    }
                }
            }
            (links)
        }
    }
}

/// What every balance page says first.
fn intro() -> Markup {
    html! { p { "Received = on hand + drawn. Drawn = into trees + leaked + in kits + primed and tested + returned + spilled + disposed of + not yet measured + unexplained. On hand is counted, not derived; what is unexplained is shown, never absorbed." } }
}

/// The balance of the yard.
pub async fn of_yard(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| {
        let balance = desk.snapshot.balance();
        let body = html! {
            h1 { "Product" }
            (intro())
            div.lots { @for row in &balance.lots { (lot(desk, row)) } }
            @if balance.lots.is_empty() { p { "No product has been received yet." } }
            section aria-labelledby="crew-days" { h2 id="crew-days" { "By crew and day" } (crew_day_rows(desk, |_| true)) }
            section aria-labelledby="kits" { h2 id="kits" { "By kit" } (kit_rows(desk, |_| true)) }
        };
        Ok(Page { title: "Product".into(), job: None, body })
    })
    .await
}

/// Whether a kit was measured on a day that its crew worked in a job.
fn of_job(job: &JobState, row: &KitBalance) -> bool {
    row.crew.zip(row.day).is_some_and(|(crew, day)| job.view.crew_days.contains(&CrewDay { crew, day }))
}

/// The lots used on a job.
pub async fn for_job(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        let balance = desk.snapshot.balance();
        let lots: Vec<_> = balance.lots.iter().filter(|l| l.used_on.contains(&book)).collect();
        let body = html! {
            h1 { "Balance" }
            (intro())
            p.small { "Lots used on this job, with what other jobs took from them too: a lot adds up only as a whole." }
            div.lots { @for row in &lots { (lot(desk, row)) } }
            @if lots.is_empty() { p { "No product was used on this job yet." } }
            section aria-labelledby="crew-days" { h2 id="crew-days" { "By crew and day" } (crew_day_rows(desk, |r| r.worked_on.contains(&book))) }
            section aria-labelledby="kits" { h2 id="kits" { "By kit" } (kit_rows(desk, |r| of_job(job, r))) }
        };
        Ok(Page { title: format!("Balance, {}", job.view.title), job: Some((book, "balance")), body })
    })
    .await
}
