//! The blocks of a job: entered by hand, or taken out of a map file, all of its areas or none.

use axum::response::{Html, Response};
use bolebook_core::entering::{block_name, boundary::boundary};
use bolebook_core::figures::corner;
use bolebook_core::geo::area_m2;
use bolebook_core::ids::{BookId, RecordId};
use bolebook_core::quantity::decimal;
use bolebook_core::record::stand::{Block, Corner};
use bolebook_core::record::{Body, Kind};
use maud::html;

use crate::body::Id;
use crate::desk::entry::{Answer, Form, Problems, Typed, answered};
use crate::desk::forms::{Posted, unwritable};
use crate::desk::geo_files::{self, Feature};
use crate::desk::page::{Desk, Page, shown, text};
use crate::desk::upload::{MAX_FILE_BYTES, Upload};
use crate::desk::waiting::{self, Purpose};
use crate::desk::write::{Staged, write};
use crate::error::ApiError;
use crate::snapshot::JobState;

/// Names of a property that most likely names the block.
const LIKELY: [&str; 5] = ["name", "block", "block_name", "label", "id"];

/// The blocks there are, and the ways to add some.
pub async fn page(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| Ok(blocks_page(desk, desk.job(book)?, &Typed::default(), &Problems::default())))
        .await
}

fn hectares(corners: &[Corner]) -> String {
    format!("{} ha", decimal(area_m2(corners).floor() as i64, 10_000, 2))
}

fn blocks(job: &JobState) -> impl Iterator<Item = (RecordId, &Block)> {
    let facts = &job.view.facts;
    facts.in_force(Kind::Block).filter_map(|f| match &facts.shown(f).record.body {
        Body::Block(block) => Some((f.id, &**block)),
        _ => None,
    })
}

fn blocks_page(desk: &Desk, job: &JobState, typed: &Typed, problems: &Problems) -> Page {
    let book = job.view.book;
    let form = Form { typed, problems };
    let body = html! {
        h1 { "Blocks" }
        (problems.summary())
        table.cards {
            thead { tr { th scope="col" { "Block" } th.num scope="col" { "Trees" } th.num scope="col" { "Corners" } th.num scope="col" { "Area" } } }
            tbody { @for (id, block) in blocks(job) { tr {
                th scope="row" { (text(&block.name)) }
                td.num data-label="Trees" { (job.view.trees.keys().filter(|t| job.view.tree(**t).is_some_and(|t| t.block == Some(id))).count()) }
                td.num data-label="Corners" { @if block.boundary.is_empty() { "not drawn" } @else { (block.boundary.len()) } }
                td.num data-label="Area" { @if !block.boundary.is_empty() { (hectares(&block.boundary)) } }
            } } }
        }
        section aria-labelledby="import" {
            h2 id="import" { "Take boundaries out of a map file" }
            p { "GeoJSON (RFC 7946), KML or KMZ, GeoPackage, or a shapefile (.shp, .dbf and .prj in one archive), in degrees of WGS 84, at most " (MAX_FILE_BYTES / 1024 / 1024) " MB. You see what would be added first; then all of it is added, or nothing." }
            form.stacked method="post" action=(format!("/jobs/{book}/blocks/file")) enctype="multipart/form-data" {
                (desk.token_field())
                label for="file" { "Map file" }
                input id="file" type="file" name="file" required accept=".geojson,.json,.kml,.kmz,.gpkg,.zip,application/geo+json,application/geopackage+sqlite3,application/zip";
                button { "Read the file" }
            }
        }
        section aria-labelledby="by-hand" {
            h2 id="by-hand" { "Enter one by hand" }
            form method="post" action=(format!("/jobs/{book}/blocks")) novalidate {
                (desk.token_field())
                div.entries {
                    (form.text("block.name", "Name", "", true, "text"))
                    (form.lines("block.corners", "Corners", "LAT,LON in degrees, one on each line, around the block; empty when not yet drawn.", false))
                }
                button.main disabled[desk.read_only.is_some()] { "Add the block" }
            }
        }
    };
    Page { title: format!("Blocks, {}", job.view.title), job: Some((book, "setup")), body }
}

/// Adds a block entered by hand.
pub async fn add(Id(book): Id<BookId>, Posted { desk, fields }: Posted) -> Result<Response, ApiError> {
    answered(desk, move |desk| {
        let job = desk.job(book)?;
        let typed = Typed::of(&fields);
        let mut problems = Problems::default();
        let name = typed.text("block.name").to_owned();
        if name.is_empty() {
            problems.wrong("block.name", "a block needs a name");
        } else if let Err(why) = block_name(&job.view, &name) {
            problems.wrong("block.name", why);
        }
        let lines = typed.text("block.corners").lines().filter(|l| !l.trim().is_empty());
        let corners: Result<Vec<Corner>, String> =
            lines.map(|l| corner(l).map_err(|e| e.to_string())).collect();
        let drawn = corners.and_then(|corners| match corners.is_empty() {
            true => Ok(corners),
            false => boundary(corners).map_err(|e| e.to_string()),
        });
        let drawn =
            drawn.map_err(|why| problems.wrong("block.corners", why)).ok().filter(|_| problems.none());
        let Some(boundary) = drawn else {
            return Ok(Answer::Refused(blocks_page(desk, job, &typed, &problems)));
        };
        write(desk, book, vec![Staged::new(Block { name, boundary })], Some(&job.view.heads))?;
        Ok(Answer::Went(format!("/jobs/{book}/blocks?done=added")))
    })
    .await
}

/// Reads a map file.
pub async fn file(Id(book): Id<BookId>, upload: Upload) -> Result<Response, ApiError> {
    let Upload { desk, name, bytes, .. } = upload;
    answered(desk, move |desk| {
        desk.job(book)?;
        features(&name, &bytes)?;
        waiting::keep(desk, book, Purpose::Blocks, &name, &bytes)?;
        Ok(Answer::Went(format!("/jobs/{book}/blocks/match")))
    })
    .await
}

/// What an area would become.
struct Taken {
    name: String,
    block: Result<(Block, Vec<RecordId>), String>,
}

/// What each area would become when a property names it.
fn taken(job: &JobState, features: &[Feature], property: &str) -> Vec<Taken> {
    let mut seen: Vec<String> = vec![];
    let one = |feature: &Feature| {
        let name = feature.says.get(property).map(|n| n.trim().to_owned()).unwrap_or_default();
        let again = seen.iter().any(|s| s.eq_ignore_ascii_case(&name));
        seen.push(name.clone());
        let block = match (&feature.ring, name.is_empty(), again) {
            (_, true, _) => Err(format!("it has no '{property}' to be named by")),
            (_, _, true) => Err(format!("an area before it is called '{name}' too")),
            (Err(why), ..) => Err(why.clone()),
            (Ok(ring), ..) => boundary(ring.clone())
                .map_err(|e| e.to_string())
                .and_then(|boundary| Ok((Block { name: name.clone(), boundary }, replaced(job, &name)?))),
        };
        Taken { name, block }
    };
    features.iter().map(one).collect()
}

/// The block of a name that was entered but not drawn, whose boundary this is.
fn replaced(job: &JobState, name: &str) -> Result<Vec<RecordId>, String> {
    let undrawn =
        blocks(job).find(|(_, b)| b.name.trim().eq_ignore_ascii_case(name) && b.boundary.is_empty());
    match undrawn.and_then(|(id, _)| job.view.facts.standing_fact(id)) {
        Some(fact) => Ok(fact.current.iter().map(|v| job.view.facts.versions[*v].id()).collect()),
        None => block_name(&job.view, name).map(|()| vec![]),
    }
}

fn features(name: &str, bytes: &[u8]) -> Result<Vec<Feature>, ApiError> {
    geo_files::read(bytes).map_err(|e| unwritable(format!("{name}: {e}")))
}

fn waits(desk: &Desk, book: BookId) -> Result<(String, Vec<Feature>), ApiError> {
    let Some((name, bytes)) = waiting::of(desk, book, Purpose::Blocks)? else {
        return Err(ApiError::not_found(
            "no map file waits here: it is forgotten after half an hour. Choose it again",
        ));
    };
    let features = features(&name, &bytes)?;
    Ok((name, features))
}

/// What the file holds, and which of its properties names the blocks.
pub async fn match_page(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let (file, features) = waits(desk, book)?;
        let property = properties(&features).into_iter().next().unwrap_or_default();
        Ok(preview(desk, desk.job(book)?, &file, &features, &property))
    })
    .await
}

/// The properties of a file, the likeliest name first.
fn properties(features: &[Feature]) -> Vec<String> {
    let all: std::collections::BTreeSet<&String> = features.iter().flat_map(|f| f.says.keys()).collect();
    let mut all: Vec<String> = all.into_iter().take(50).cloned().collect();
    let rank = |p: &String| LIKELY.iter().position(|l| p.eq_ignore_ascii_case(l)).unwrap_or(LIKELY.len());
    all.sort_by_key(rank);
    all
}

fn preview(desk: &Desk, job: &JobState, file: &str, features: &[Feature], property: &str) -> Page {
    let book = job.view.book;
    let all = taken(job, features, property);
    let wrong = all.iter().filter(|t| t.block.is_err()).count();
    let body = html! {
        p { a href=(format!("/jobs/{book}/blocks")) { "← Blocks" } }
        h1 { "Blocks of " (text(file)) }
        @if wrong > 0 { section.wrong role="alert" aria-labelledby="to-correct" { h2 id="to-correct" { (wrong) " of " (all.len()) " areas cannot be taken" } p { "Nothing is added while one of them is wrong. Correct the file in your map program, or choose another property, and read it again." } } }
        form method="post" action=(format!("/jobs/{book}/blocks/match")) {
            (desk.token_field())
            input type="hidden" name="looked" value=(super::page::clean(property));
            div.row {
                label for="property" { "Property that names the block" }
                select id="property" name="property" { @for p in properties(features) { option value=(super::page::clean(&p)) selected[p == property] { (super::page::clean(&p)) } } }
                button name="do" value="look" { "Look again" }
                @if wrong == 0 { button.main name="do" value="add" disabled[desk.read_only.is_some()] { "Add all " (all.len()) } }
                button name="do" value="discard" { "Discard the file" }
            }
        }
        table.cards {
            thead { tr { th scope="col" { "Area" } th scope="col" { "Block" } th scope="col" { "What would be added" } } }
            tbody { @for (at, one) in all.iter().enumerate() { tr {
                th scope="row" { (at + 1) }
                td data-label="Block" { (text(&one.name)) }
                td data-label="What would be added" { @match &one.block {
                    Ok((block, replaces)) => { (block.boundary.len()) " corners, " (hectares(&block.boundary)) @if !replaces.is_empty() { ", the boundary of the block entered before" } }
                    Err(why) => { span.fault { (text(why)) } }
                } }
            } } }
        }
    };
    Page { title: "Blocks of a map file".into(), job: Some((book, "setup")), body }
}

/// Looks again, adds all, or discards.
pub async fn matched(Id(book): Id<BookId>, Posted { desk, fields }: Posted) -> Result<Response, ApiError> {
    answered(desk, move |desk| {
        let job = desk.job(book)?;
        if fields.text("do") == "discard" {
            waiting::forget(desk)?;
            return Ok(Answer::Went(format!("/jobs/{book}/blocks")));
        }
        let (file, features) = waits(desk, book)?;
        let property = fields.text("property").to_owned();
        let all = taken(job, &features, &property);
        // Another property than the one looked at gives other names: they are shown first.
        if fields.text("do") != "add" || fields.text("looked") != property {
            return Ok(Answer::Page(preview(desk, job, &file, &features, &property)));
        }
        let records: Option<Vec<Staged>> = all
            .into_iter()
            .map(|t| t.block.ok().map(|(block, replaces)| Staged::replacing(block, replaces)))
            .collect();
        let Some(records) = records else {
            return Ok(Answer::Refused(preview(desk, job, &file, &features, &property)));
        };
        write(desk, book, records, Some(&job.view.heads))?;
        waiting::forget_added(desk);
        Ok(Answer::Went(format!("/jobs/{book}/blocks?done=imported")))
    })
    .await
}

/// The blocks of a job, as a form offers them.
pub fn choices(job: &JobState) -> Vec<(String, String)> {
    blocks(job).map(|(id, b)| (id.to_string(), b.name.clone())).collect()
}
