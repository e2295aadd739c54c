//! The map of a job: vector, drawn from the books alone, so that it needs nothing from elsewhere.
//!
//! States are told by shape and label as well as colour; colours are Okabe and Ito's set, which
//! people with the usual colour vision deficiencies can tell apart (M. Okabe and K. Ito, Color
//! Universal Design, 2002/2008). Pan and zoom are links, so they work without scripts.

use std::collections::{BTreeMap, BTreeSet};

use axum::http::header;
use axum::response::{Html, IntoResponse as _, Response};
use bolebook_core::finding::Severity;
use bolebook_core::geo;
use bolebook_core::ids::{BookId, TreeId};
use bolebook_core::record::work::NotTreatedReason;
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{TreeState, TreeView, View};
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::page::{Desk, Page, clean, shown};
use crate::error::ApiError;
use crate::snapshot::JobState;

/// Trees drawn one by one; more are counted in cells.
const MOST_SINGLE: usize = 1_200;
/// Trees that carry their tag in writing.
const MOST_LABELLED: usize = 120;
const CELLS: i64 = 20;
/// Width and height of the drawing.
const SIZE: f64 = 1_000.0;

const GREEN: &str = "#009E73";
const VERMILLION: &str = "#D55E00";
const BLUE: &str = "#0072B2";
const SKY: &str = "#56B4E9";
const PURPLE: &str = "#CC79A7";

/// A tree on the ground, in metres east and north of the map's origin.
struct Placed {
    id: TreeId,
    east: f64,
    north: f64,
    state: TreeState,
}

/// What is looked at: a square of ground.
#[derive(Clone, Copy, Debug)]
struct Window {
    east: f64,
    north: f64,
    half: f64,
}

impl Window {
    fn x(&self, east: f64) -> f64 {
        (east - self.east + self.half) / (2.0 * self.half) * SIZE
    }

    fn y(&self, north: f64) -> f64 {
        (self.north + self.half - north) / (2.0 * self.half) * SIZE
    }

    fn holds(&self, east: f64, north: f64) -> bool {
        (east - self.east).abs() <= self.half && (north - self.north).abs() <= self.half
    }
}

/// A job's map, ready to be drawn.
pub struct Map {
    trees: Vec<Placed>,
    blocks: Vec<(String, Vec<(f64, f64)>)>,
    stops: BTreeSet<TreeId>,
    unplaced: usize,
    /// Treated, not treated, left.
    counts: [usize; 3],
    all: Window,
}

impl Map {
    /// Lays a job out. `stops` are trees to be marked; a tree without a state is left out.
    pub fn of(
        view: &View<'_>,
        stops: BTreeSet<TreeId>,
        state: impl Fn(TreeId, &TreeView) -> Option<TreeState>,
    ) -> Self {
        let mut origin = None;
        let mut at = |lat: i64, lon: i64| {
            let from = *origin.get_or_insert((lat, lon));
            geo::offset_m(from, (lat, lon))
        };
        let (mut trees, mut unplaced, mut counts) = (Vec::<Placed>::new(), 0, [0; 3]);
        for (id, tree) in &view.trees {
            let Some(state) = state(*id, tree) else { continue };
            counts[kind(state)] += 1;
            match view.tree(*id).and_then(|t| t.position) {
                Some(p) => {
                    let (east, north) = at(p.lat_ndeg, p.lon_ndeg);
                    trees.push(Placed { id: *id, east, north, state });
                }
                None => unplaced += 1,
            }
        }
        let mut blocks: Vec<(String, Vec<(f64, f64)>)> = vec![];
        for fact in view.facts.in_force(Kind::Block) {
            if let Body::Block(b) = &view.facts.shown(fact).record.body
                && b.boundary.len() > 2
            {
                blocks
                    .push((b.name.clone(), b.boundary.iter().map(|c| at(c.lat_ndeg, c.lon_ndeg)).collect()));
            }
        }
        let points =
            || trees.iter().map(|t| (t.east, t.north)).chain(blocks.iter().flat_map(|(_, b)| b.clone()));
        let span = |of: fn((f64, f64)) -> f64| {
            let low = points().map(of).fold(f64::INFINITY, f64::min);
            let high = points().map(of).fold(f64::NEG_INFINITY, f64::max);
            if low.is_finite() { ((low + high) / 2.0, (high - low) / 2.0) } else { (0.0, 0.0) }
        };
        let ((east, wide), (north, tall)) = (span(|p| p.0), span(|p| p.1));
        let half = wide.max(tall).max(5.0) * 1.06;
        Self { trees, blocks, stops, unplaced, counts, all: Window { east, north, half } }
    }

    fn inside(&self, window: &Window) -> Vec<&Placed> {
        self.trees.iter().filter(|t| window.holds(t.east, t.north)).collect()
    }
}

fn kind(state: TreeState) -> usize {
    match state {
        TreeState::Treated => 0,
        TreeState::NotTreated(_) => 1,
        TreeState::Left => 2,
    }
}

fn px(v: f64) -> String {
    format!("{v:.1}")
}

/// A tree's sign, whose shape alone says its state.
fn sign(x: f64, y: f64, r: f64, state: TreeState, stop: bool) -> Markup {
    html! {
        @match state {
            TreeState::Treated => { circle cx=(px(x)) cy=(px(y)) r=(px(r)) fill=(GREEN) stroke="#000" stroke-width="1.5" {} }
            TreeState::NotTreated(_) => {
                path d=(format!("M{} {}l{d} {d}m0 -{d}l-{d} {d}", px(x - r), px(y - r), d = px(2.0 * r))) stroke=(VERMILLION) stroke-width="4" fill="none" {}
            }
            TreeState::Left => { circle cx=(px(x)) cy=(px(y)) r=(px(r - 0.5)) fill="#fff" stroke="#000" stroke-width="2" {} }
        }
        @if stop {
            path d=(format!("M{} {}l{h} {h}l-{h} {h}l-{h} -{h}z", px(x), px(y - r * 2.0), h = px(r * 2.0))) fill="none" stroke=(PURPLE) stroke-width="4" {}
        }
    }
}

/// A round length for the scale bar, a quarter of the width at most.
fn scale_bar(half: f64) -> f64 {
    let most = half / 2.0;
    let mut length = 1.0;
    for step in [2.0, 2.5, 2.0].into_iter().cycle().take(24) {
        if length * step > most {
            break;
        }
        length *= step;
    }
    length
}

/// How trees and cells are linked; nothing in the portal and in the picture alone.
type Link<'l> = &'l dyn Fn(TreeId) -> Option<String>;
type Zoom<'l> = &'l dyn Fn(f64, f64, f64) -> Option<String>;

/// What is drawn, and how it is told.
struct Drawing<'d> {
    map: &'d Map,
    view: &'d View<'d>,
    window: Window,
    marked: Option<TreeId>,
    link: Link<'d>,
    zoom: Zoom<'d>,
    said: [&'d str; 5],
    label: &'d str,
}

fn drawing(d: &Drawing<'_>) -> Markup {
    let Drawing { map, window, zoom, said, .. } = *d;
    let inside = map.inside(&window);
    let single = inside.len() <= MOST_SINGLE;
    let r = (140.0 / (inside.len().max(1) as f64).sqrt()).clamp(5.0, 11.0);
    let bar = scale_bar(window.half);
    let bar_px = bar / (2.0 * window.half) * SIZE;
    html! {
        svg.map xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1000 1000" role="group" aria-label=(d.label) font-family="sans-serif" {
            rect width="1000" height="1000" fill="#fff" {}
            @for (name, boundary) in &map.blocks {
                @let corners: Vec<String> = boundary.iter().map(|(e, n)| format!("{},{}", px(window.x(*e)), px(window.y(*n)))).collect();
                polygon points=(corners.join(" ")) fill=(SKY) fill-opacity="0.15" stroke=(BLUE) stroke-width="3" stroke-dasharray="12 6" {}
                @if let Some((e, n)) = boundary.iter().max_by(|a, b| a.1.total_cmp(&b.1)) {
                    text x=(px(window.x(*e).clamp(20.0, 900.0))) y=(px((window.y(*n) + 28.0).clamp(30.0, 980.0))) font-size="24" font-weight="bold" fill=(BLUE) { (clean(name)) }
                }
            }
            @if single { @for tree in &inside { (tree_sign(d, tree, r, inside.len() <= MOST_LABELLED)) } }
            @else { (cells(&inside, &window, zoom, said)) }
            rect x="28" y="962" width=(px(bar_px)) height="8" fill="#000" {}
            text x="28" y="954" font-size="22" fill="#000" paint-order="stroke" stroke="#fff" stroke-width="5" { (bar) " m" }
            text x="952" y="46" font-size="30" font-weight="bold" text-anchor="middle" fill="#000" { "N" }
            path d="M952 54l-12 30l12 -8l12 8z" fill="#000" {}
        }
    }
}

fn tree_sign(d: &Drawing<'_>, tree: &Placed, r: f64, labelled: bool) -> Markup {
    let Drawing { map, view, window, marked, link, said, .. } = *d;
    let (x, y) = (window.x(tree.east), window.y(tree.north));
    let (tag, stop) = (clean(&view.tag(tree.id)), map.stops.contains(&tree.id));
    let inner = html! {
        title { (tag) ", " (said[kind(tree.state)]) @if stop { ", " (said[3]) } }
        @if marked == Some(tree.id) { circle cx=(px(x)) cy=(px(y)) r=(px(r * 3.0)) fill="none" stroke="#000" stroke-width="3" stroke-dasharray="5 5" {} }
        (sign(x, y, r, tree.state, stop))
        @if labelled || marked == Some(tree.id) { text x=(px(x + r + 4.0)) y=(px(y + 6.0)) font-size="18" fill="#000" paint-order="stroke" stroke="#fff" stroke-width="4" { (tag) } }
    };
    html! {
        @match link(tree.id) {
            Some(href) => { a href=(href) { (inner) } }
            None => { g { (inner) } }
        }
    }
}

/// Counts in cells, for more trees than can be told apart.
fn cells(inside: &[&Placed], window: &Window, zoom: Zoom<'_>, said: [&str; 5]) -> Markup {
    let mut cells: BTreeMap<(i64, i64), [usize; 3]> = BTreeMap::new();
    let size = 2.0 * window.half / CELLS as f64;
    for tree in inside {
        let cell = |v: f64, from: f64| (((v - from) / size) as i64).clamp(0, CELLS - 1);
        let key = (cell(tree.east, window.east - window.half), cell(tree.north, window.north - window.half));
        cells.entry(key).or_default()[kind(tree.state)] += 1;
    }
    let most = cells.values().map(|c| c.iter().sum::<usize>()).max().unwrap_or(1) as f64;
    html! {
        @for ((i, j), counts) in &cells {
            @let all: usize = counts.iter().sum();
            @let (e, n) = (window.east - window.half + (*i as f64 + 0.5) * size, window.north - window.half + (*j as f64 + 0.5) * size);
            @let (x, y) = (window.x(e), window.y(n));
            @let half = SIZE / CELLS as f64 / 2.0 - 1.5;
            @let done = (counts[0] as f64 / all as f64) * 2.0 * half;
            @let inner = html! {
                title { (all) ": " (said[0]) " " (counts[0]) ", " (said[1]) " " (counts[1]) ", " (said[2]) " " (counts[2]) }
                rect x=(px(x - half)) y=(px(y - half)) width=(px(2.0 * half)) height=(px(2.0 * half)) fill="#fff" stroke="#000" stroke-width=(px(1.0 + 2.0 * all as f64 / most)) {}
                rect x=(px(x - half)) y=(px(y + half - done)) width=(px(2.0 * half)) height=(px(done)) fill=(GREEN) fill-opacity="0.55" {}
                text x=(px(x)) y=(px(y + 6.0)) font-size="18" text-anchor="middle" fill="#000" { (all) }
            };
            @match zoom(e, n, size * 1.5) { Some(href) => { a href=(href) { (inner) } } None => { g { (inner) } } }
        }
    }
}

/// What the signs mean, with their counts, in the words given: treated, not treated, left, a stop,
/// without a place.
pub fn legend(map: &Map, said: [&str; 5]) -> Markup {
    let one = |state: TreeState, stop: bool| html! { svg.sign viewBox="0 0 40 40" aria-hidden="true" { (sign(20.0, 20.0, 9.0, state, stop)) } };
    let not = TreeState::NotTreated(NotTreatedReason::Other);
    let states = [TreeState::Treated, not, TreeState::Left];
    html! {
        ul.legend {
            @for (i, state) in states.into_iter().enumerate() { li { (one(state, false)) (said[i]) ": " (map.counts[i]) } }
            @if !map.stops.is_empty() { li { (one(TreeState::Treated, true)) (said[3]) ": " (map.stops.len()) } }
            @if map.unplaced > 0 { li { (said[4]) ": " (map.unplaced) } }
        }
    }
}

/// The words of the desk's legend.
const LABEL: &str = "Map of the job's trees; the list of trees says the same in words";
const SAID: [&str; 5] = ["treated", "not treated", "left", "a stop to settle", "without a place"];

/// A whole map without links, as a picture of its own.
pub fn still(map: &Map, view: &View<'_>, said: [&str; 5], label: &str) -> Markup {
    let (link, zoom): (Link<'_>, Zoom<'_>) = (&|_| None, &|_, _, _| None);
    drawing(&Drawing { map, view, window: map.all, marked: None, link, zoom, said, label })
}

fn stops(desk: &Desk, job: &JobState) -> BTreeSet<TreeId> {
    let findings = desk.snapshot.findings(job);
    let open = findings.iter().filter(|f| f.open() && f.severity == Severity::Stop);
    open.filter_map(|f| f.tree).map(|t| job.view.stays(t)).collect()
}

/// The window an address asks for, else the whole job or the tree marked.
fn asked(desk: &Desk, map: &Map, marked: Option<TreeId>) -> Window {
    let number =
        |name: &str| desk.query.text(name).parse::<f64>().ok().filter(|v| v.is_finite() && v.abs() < 1e7);
    if let (Some(east), Some(north), Some(half)) = (number("e"), number("n"), number("h")) {
        return Window { east, north, half: half.clamp(2.0, map.all.half.max(2.0)) };
    }
    let tree = marked.and_then(|id| map.trees.iter().find(|t| t.id == id));
    tree.map_or(map.all, |t| Window { east: t.east, north: t.north, half: 30f64.min(map.all.half) })
}

/// The map of a job.
pub async fn page(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        let view = &job.view;
        let map = Map::of(view, stops(desk, job), |_, tree| Some(view.state(tree)));
        let marked: Option<TreeId> = desk.query.text("tree").parse().ok().map(|id| view.stays(id));
        let w = asked(desk, &map, marked);
        let whole = w.half >= map.all.half * 0.999;
        let to = |e: f64, n: f64, h: f64| format!("/jobs/{book}/map?e={e:.1}&n={n:.1}&h={h:.1}");
        let moved = |e: f64, n: f64| to(w.east + e * w.half, w.north + n * w.half, w.half);
        let link = |id: TreeId| Some(format!("/jobs/{book}/trees/{id}"));
        let zoom = |e: f64, n: f64, h: f64| Some(to(e, n, h));
        let body = html! {
            h1 { "Map" }
            @if map.trees.is_empty() && map.blocks.is_empty() { p { "No tree of this job has a place yet." } }
            @else {
                nav.mapkeys aria-label="Move the map" {
                    a href=(to(w.east, w.north, w.half / 2.0)) { "Closer" }
                    @if !whole { a href=(to(w.east, w.north, w.half * 2.0)) { "Further" } a href=(format!("/jobs/{book}/map")) { "Whole job" } }
                    a href=(moved(0.0, 0.7)) { "North" } a href=(moved(0.0, -0.7)) { "South" } a href=(moved(-0.7, 0.0)) { "West" } a href=(moved(0.7, 0.0)) { "East" }
                    a href=(format!("/jobs/{book}/map.svg")) { "As a picture" }
                }
                div.mapframe { (drawing(&Drawing { map: &map, view, window: w, marked, link: &link, zoom: &zoom, said: SAID, label: LABEL })) }
                (legend(&map, SAID))
                p.small { "Drawn from the books; satellite fixes are as good as their receivers. Colours: Okabe and Ito's set. " a href=(format!("/jobs/{book}/trees")) { "The trees as a list" } }
            }
        };
        Ok(Page { title: format!("Map, {}", view.title), job: Some((book, "map")), body })
    })
    .await
}

/// The whole map as a picture.
pub async fn picture(desk: Desk, Id(book): Id<BookId>) -> Result<Response, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let job = desk.job(book)?;
        let map = Map::of(&job.view, stops(&desk, job), |_, tree| Some(job.view.state(tree)));
        let drawn = still(&map, &job.view, SAID, LABEL).into_string();
        Ok(([(header::CONTENT_TYPE, "image/svg+xml; charset=utf-8")], drawn).into_response())
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::scale_bar;

    #[test]
    fn the_scale_bar_is_a_round_length_that_fits() {
        for (half, bar) in [(5.0, 2.0), (30.0, 10.0), (300.0, 100.0), (5_000.0, 2_000.0)] {
            assert!((scale_bar(half) - bar).abs() < 1e-9, "{half}: {}", scale_bar(half));
        }
    }
}
