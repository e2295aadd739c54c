//! Pictures of the work, each with the table it is drawn from.

mod draw;

use axum::response::Html;
use bolebook_core::ids::BookId;
use bolebook_core::progress::{DayProgress, Progress, progress};
use bolebook_core::seasons::{Season, canopies, earlier, losses};
use bolebook_core::view::View;
use maud::{Markup, PreEscaped, html};

use crate::body::Id;
use crate::desk::page::{Desk, Page, shown, text};
use crate::error::ApiError;

use draw::{Chart, Kind, Series};

/// Trees settled so far, held against the trees listed.
fn against_plan(progress: &Progress) -> Chart {
    let of = |figure: fn(&DayProgress) -> f64| progress.days.iter().map(|d| Some(figure(d))).collect();
    Chart {
        id: "plan",
        title: "Trees settled, against the trees listed",
        unit: "trees",
        decimals: 0,
        kind: Kind::Lines,
        head: "Day",
        across: days(progress),
        series: vec![
            Series { name: "settled so far".into(), values: of(|d| d.settled as f64) },
            Series { name: "listed".into(), values: vec![Some(progress.listed as f64); progress.days.len()] },
        ],
        note: "Settled: treated, or decided against with a reason. Listed are the trees of the job as it stands now.",
    }
}

fn each_day(progress: &Progress) -> Chart {
    let of = |figure: fn(&DayProgress) -> f64| progress.days.iter().map(|d| Some(figure(d))).collect();
    Chart {
        id: "each-day",
        title: "Trees settled each day",
        unit: "trees",
        decimals: 0,
        kind: Kind::Bars,
        head: "Day",
        across: days(progress),
        series: vec![
            Series { name: "treated".into(), values: of(|d| d.treated as f64) },
            Series { name: "not treated".into(), values: of(|d| d.not_treated as f64) },
        ],
        note: "A tree counts on the day it first took up product.",
    }
}

fn product(progress: &Progress) -> Chart {
    let of = |figure: fn(&DayProgress) -> i64| {
        progress.days.iter().map(|d| Some(figure(d) as f64 / 1_000.0)).collect()
    };
    Chart {
        id: "product",
        title: "Product each day",
        unit: "mL",
        decimals: 1,
        kind: Kind::Bars,
        head: "Day",
        across: days(progress),
        series: vec![
            Series { name: "put into trees".into(), values: of(|d| d.put_in_ul.0) },
            Series { name: "leaked".into(), values: of(|d| d.leaked_ul.0) },
        ],
        note: "Of product, never of a mix. What leaked was discharged all the same.",
    }
}

fn minutes(progress: &Progress) -> Chart {
    Chart {
        id: "minutes",
        title: "Crew minutes a stem",
        unit: "min",
        decimals: 1,
        kind: Kind::Lines,
        head: "Day",
        across: days(progress),
        series: vec![
            Series {
                name: "crew time a stem, mean".into(),
                values: progress.days.iter().map(|d| d.minutes_a_stem).collect(),
            },
            Series {
                name: "uptake, median".into(),
                values: progress.days.iter().map(|d| d.uptake_minutes).collect(),
            },
        ],
        note: "Stems treated at once share the crew's time. Uptake: from the first hole until half the containers were off. Days without usable times have no mark.",
    }
}

fn uptake(progress: &Progress) -> Chart {
    let of = |quartile: usize| progress.uptake.iter().map(|u| u.minutes.get(quartile).copied()).collect();
    let name = |species: &Option<String>| species.clone().unwrap_or_else(|| "not noted".into());
    Chart {
        id: "uptake",
        title: "Uptake by species",
        unit: "min",
        decimals: 1,
        kind: Kind::Bars,
        head: "Species",
        across: progress.uptake.iter().map(|u| format!("{} ({})", name(&u.species), u.stems)).collect(),
        series: vec![
            Series { name: "a quarter within".into(), values: of(0) },
            Series { name: "half within".into(), values: of(1) },
            Series { name: "three quarters within".into(), values: of(2) },
        ],
        note: "In brackets how many stems. Slow uptake is a reason to look at hole, soil and tree, never for more pressure.",
    }
}

fn canopy(seasons: &[Season]) -> Chart {
    let classes = seasons.first().map(|s| &s.classes[..]).unwrap_or_default();
    Chart {
        id: "canopy",
        title: "Canopies by class",
        unit: "trees",
        decimals: 0,
        kind: Kind::Bars,
        head: "Canopy lost",
        across: classes.iter().map(|c| format!("{}–{} %", c.over / 10, c.up_to / 10)).collect(),
        series: seasons
            .iter()
            .map(|s| Series {
                name: s.season.clone(),
                values: s.classes.iter().map(|c| Some(c.trees as f64)).collect(),
            })
            .collect(),
        note: "By the last assessment of each season. Intervals stand under Seasons.",
    }
}

fn days(progress: &Progress) -> Vec<String> {
    progress.days.iter().map(|d| d.day.to_string()).collect()
}

/// A chart, and under it its table.
fn shown_with_table(chart: &Chart) -> Result<Markup, ApiError> {
    let picture = chart.svg().map_err(|e| ApiError::internal(&e))?;
    Ok(html! {
        section aria-labelledby=(chart.id) {
            h2 id=(chart.id) { (chart.title) }
            @match picture {
                Some(svg) => { figure.chart tabindex="0" aria-labelledby=(chart.id) { (PreEscaped(svg)) } }
                None => { p { "Nothing to draw yet." } }
            }
            p.small.muted { (chart.note) }
            @if !chart.across.is_empty() {
                details {
                    summary { "The figures" }
                    table.plain tabindex="0" aria-labelledby=(chart.id) {
                        thead { tr { th scope="col" { (chart.head) } @for s in &chart.series { th.num scope="col" { (text(&s.name)) ", " (chart.unit) } } } }
                        tbody {
                            @for (row, name) in chart.across.iter().enumerate() {
                                tr { th scope="row" { (text(name)) } @for s in &chart.series { td.num { (chart.figure(s, row)) } } }
                            }
                        }
                    }
                }
            }
        }
    })
}

/// The page.
pub async fn page(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let view: &View<'_> = &desk.job(book)?.view;
        let all: Vec<&View<'_>> = desk.snapshot.jobs.values().map(|j| &j.view as &View<'_>).collect();
        // Both take a walk over every season.
        let figures = desk.app.desk.figures.of(&desk.snapshot, book, || {
            let before = earlier(view, &all);
            let books = before.iter().rev().copied().chain([view]);
            (progress(view), books.map(|v| canopies(v, &losses(v, |_| true))).collect::<Vec<Season>>())
        });
        let (progress, seasons) = &*figures;
        let charts = [
            against_plan(progress),
            each_day(progress),
            product(progress),
            minutes(progress),
            uptake(progress),
            canopy(seasons),
        ];
        let shown = charts.iter().map(shown_with_table).collect::<Result<Vec<_>, _>>()?;
        let body = html! {
            h1 { "Charts" }
            @for chart in &shown { (chart) }
        };
        Ok(Page { title: format!("Charts, {}", view.title), job: Some((book, "charts")), body })
    })
    .await
}
