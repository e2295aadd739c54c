//! The photos of a tree: small and upright, with what the record says of time and place and what the
//! camera wrote. The camera decides nothing; where the two differ, both are shown.

use axum::extract::Path;
use axum::response::Response;
use bolebook_core::facts::Version;
use bolebook_core::geo::distance_m;
use bolebook_core::ids::{BookId, Sha256Hash, TreeId};
use bolebook_core::quantity::{UtcMs, decimal};
use bolebook_core::record::Body;
use bolebook_core::record::stand::Position;
use bolebook_core::record::work::Photo;
use bolebook_core::view::{TreeView, View};
use maud::{Markup, html};

use crate::desk::evidence;
use crate::desk::page::{Desk, moment, text};
use crate::error::ApiError;
use crate::photos::exif::{self, Camera};
use crate::photos::{self, Bytes};
use crate::snapshot::JobState;

/// A camera's time this far from the record's is pointed out, in milliseconds: a clock set by hand is
/// easily some minutes off (common practice, no source).
const LATE_MS: i64 = 15 * 60_000;
/// A camera this far from the tree is pointed out, in metres: a phone under trees is easily tens of
/// metres off (common practice, no source).
const FAR_M: f64 = 100.0;

/// The photos that stand for a tree.
fn of_tree<'v>(view: &'v View<'static>, tree: &TreeView) -> Vec<(&'v Version, &'v Photo)> {
    let mut all: Vec<_> = tree
        .photos
        .iter()
        .flat_map(|i| view.facts.current(view.fact(*i)))
        .filter_map(|version| match &version.record.body {
            Body::Photo(photo) => Some((version, &**photo)),
            _ => None,
        })
        .collect();
    all.sort_by_key(|(version, photo)| (photo.taken_at, version.id()));
    all
}

/// The section of a tree's page.
///
/// # Errors
/// The disk's, or the database's.
pub fn section(desk: &Desk, job: &JobState, id: TreeId, tree: &TreeView) -> Result<Markup, ApiError> {
    let view = &job.view;
    let mut shown = vec![];
    for (version, photo) in of_tree(view, tree) {
        shown.push(one(desk, job, id, version, photo)?);
    }
    Ok(html! {
        @if !shown.is_empty() {
            section aria-labelledby="photos" {
                h2 id="photos" { "Photos" }
                p.small { "Time and place are the record's. A camera's clock and place may be wrong: what it wrote stands beside them and decides nothing." }
                div.pictures { @for figure in &shown { (figure) } }
            }
        }
    })
}

fn one(
    desk: &Desk,
    job: &JobState,
    id: TreeId,
    version: &Version,
    photo: &Photo,
) -> Result<Markup, ApiError> {
    let view = &job.view;
    let tag = view.tag(id);
    let alt = format!("Photo of tree {} taken {}", super::clean(&tag), moment(view, photo.taken_at));
    let href = format!("/jobs/{}/photos/{}", view.book, photo.sha256);
    let bytes = photos::whether(&desk.app, photo.sha256)?;
    let camera = match bytes {
        Bytes::Here(_) => exif::of_photo(&desk.app.objects, photo.sha256),
        _ => None,
    };
    Ok(html! {
        figure.photo {
            @match &bytes {
                Bytes::Here(stored) => {
                    a href=(href) {
                        @if photos::thumbnail::is_made_of(&stored.media_type) { img src=(format!("{href}/thumbnail")) alt=(alt) loading="lazy"; }
                        @else { "Photo of type " (stored.media_type) ", shown whole only" }
                    }
                }
                Bytes::Removed(at) => { p.warn { "Its bytes were removed on " (moment(view, *at)) "; the record stays." } }
                Bytes::NotHere => { p.warn { "Its bytes have not come to this server yet: they are on the device that took it." } }
            }
            figcaption {
                @if let Some(caption) = photo.caption.as_deref() { p { (text(caption)) } }
                p { (moment(view, photo.taken_at)) ", " (text(&evidence::by(desk, version))) }
                @if let Some(p) = view.tree(id).and_then(|t| t.position) { p { "Tree at " (place(&p)) } }
                @if let Some(camera) = &camera { (said(view, id, photo.taken_at, camera)) }
            }
        }
    })
}

fn place(p: &Position) -> String {
    format!("{}, {}", decimal(p.lat_ndeg, 1_000_000_000, 6), decimal(p.lon_ndeg, 1_000_000_000, 6))
}

/// What the camera wrote, against the record.
fn said(view: &View<'static>, id: TreeId, taken_at: UtcMs, camera: &Camera) -> Markup {
    let time = camera.taken(&view.job.zone);
    let off = time.map(|at| at.0.saturating_sub(taken_at.0)).filter(|ms| ms.saturating_abs() > LATE_MS);
    let logged = view.tree(id).and_then(|t| t.position);
    let camera_place = camera.place.map(|p| (p.lat_ndeg, p.lon_ndeg));
    let away = logged.zip(camera_place).map(|(logged, (lat_ndeg, lon_ndeg))| {
        distance_m(&logged, &Position { lat_ndeg, lon_ndeg, ..logged })
    });
    html! {
        @if time.is_some() || camera_place.is_some() {
            p {
                "Camera: "
                @if let Some(at) = time { (moment(view, at)) }
                @if let Some((lat, lon)) = camera_place {
                    @if time.is_some() { ", " }
                    (decimal(lat, 1_000_000_000, 6)) ", " (decimal(lon, 1_000_000_000, 6))
                    @if let Some(away) = away { ", " (away.round()) " m from the tree" }
                }
            }
        }
        @if let Some(ms) = off { p.warn { "The camera's time is " (ms.saturating_abs() / 60_000) " minutes " @if ms > 0 { "later" } @else { "earlier" } " than the record's." } }
        @if away.is_some_and(|m| m > FAR_M) { p.warn { "The camera was far from the tree: is it the right tree?" } }
    }
}

/// Whether a job's book has a photo's record: one in force or not, for what was struck stays readable.
fn names(view: &View<'static>, hash: Sha256Hash) -> bool {
    view.facts.versions.iter().any(|v| matches!(&v.record.body, Body::Photo(p) if p.sha256 == hash))
}

fn asked(desk: &Desk, book: &str, hash: &str) -> Result<Sha256Hash, ApiError> {
    let none = || ApiError::not_found("the job has no such photo");
    let book: BookId = book.parse().map_err(|_| none())?;
    let hash = hash.parse().map_err(|_| none())?;
    if names(&desk.job(book)?.view, hash) { Ok(hash) } else { Err(none()) }
}

/// A photo as it came.
pub async fn original(desk: Desk, Path((book, hash)): Path<(String, String)>) -> Result<Response, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |app| {
        let (photo, bytes) = photos::bytes(app, asked(&desk, &book, &hash)?)?;
        Ok(photos::picture(&photo.media_type, bytes))
    })
    .await
}

/// A photo small and upright.
pub async fn small(desk: Desk, Path((book, hash)): Path<(String, String)>) -> Result<Response, ApiError> {
    let app = desk.app.clone();
    let hash = app.blocking(move |_| asked(&desk, &book, &hash)).await?;
    photos::small_picture(&app, hash).await
}
