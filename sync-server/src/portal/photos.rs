//! The photos a client sees: of signed-off days alone, without what the camera wrote beside them and
//! without the crew's captions, which are notes among the office and its crews.

use std::collections::BTreeMap;

use axum::extract::Path;
use axum::response::{Html, Response};
use bolebook_core::ids::{Sha256Hash, TreeId};
use bolebook_core::record::Body;
use bolebook_core::view::{CrewDay, View};
use maud::{Markup, html};

use crate::desk::{clean, text};
use crate::error::ApiError;
use crate::photos::{self, clean::can_clean, thumbnail};
use crate::portal::page::framed;
use crate::portal::words::Words;
use crate::portal::{Signed, Visit};

/// Photos on the record's own page, and on a page of their own.
const FIRST: usize = 12;
const PAGE: usize = 60;

/// A photo of signed work.
struct Shown {
    sha256: Sha256Hash,
    tree: TreeId,
    day: Option<CrewDay>,
    media_type: String,
}

/// The digests that a link opens, with the tree and the day, in order of time. Photos of no tree, of
/// an incident or a kit, are not for clients.
fn signed(view: &View<'static>) -> Vec<(Sha256Hash, TreeId, Option<CrewDay>)> {
    let takes = Signed::of(view);
    let mut all = BTreeMap::new();
    for (id, tree) in &view.trees {
        for version in tree.photos.iter().flat_map(|i| view.facts.current(view.fact(*i))) {
            if let Body::Photo(photo) = &version.record.body
                && takes.takes(version)
            {
                all.insert((photo.taken_at, version.id()), (photo.sha256, *id, view.crew_day(version)));
            }
        }
    }
    all.into_values().collect()
}

/// What can be shown of them, and how many cannot.
fn shown(visit: &Visit, view: &View<'static>) -> Result<(Vec<Shown>, usize), ApiError> {
    let (mut can, mut cannot) = (vec![], 0);
    for (sha256, tree, day) in signed(view) {
        match photos::known(&visit.app, sha256)? {
            Some(photo) if can_clean(&photo.media_type) => {
                can.push(Shown { sha256, tree, day, media_type: photo.media_type });
            }
            _ => cannot += 1,
        }
    }
    Ok((can, cannot))
}

fn figures(visit: &Visit, view: &View<'static>, some: &[Shown]) -> Markup {
    let w = visit.words;
    html! {
        div.photos {
            @for photo in some {
                @let href = format!("/photos/{}", photo.sha256);
                @let tag = view.tag(photo.tree);
                @let day = photo.day.map_or_else(String::new, |d| d.day.to_string());
                @let source = if thumbnail::is_made_of(&photo.media_type) { format!("{href}/thumbnail") } else { href.clone() };
                figure {
                    a href=(visit.href(&href)) { img src=(visit.href(&source)) loading="lazy" alt=(w.with("photo-of", &[("tree", clean(&tag)), ("day", day.clone())])); }
                    figcaption { (text(&tag)) ", " (day) }
                }
            }
        }
    }
}

/// How many photos a client cannot see here, and whom to ask.
fn not_shown(w: Words, cannot: usize, company: &str) -> Markup {
    html! {
        @if cannot > 0 {
            p.small { (w.with("photos-not", &[("count", cannot.to_string()), ("company", company.to_owned())])) }
        }
    }
}

/// The section of the record's page: the first few, and the way to all.
///
/// # Errors
/// The disk's.
pub fn section(visit: &Visit, view: &View<'static>, company: &str) -> Result<Markup, ApiError> {
    let w = visit.words;
    let (can, cannot) = shown(visit, view)?;
    let count = |n: usize| ("count", n.to_string());
    Ok(html! {
        @if !can.is_empty() || cannot > 0 {
            section {
                h2 { (w.say("photos")) }
                p.small { (w.say("photos-text")) }
                (figures(visit, view, can.get(..FIRST.min(can.len())).unwrap_or_default()))
                @if can.len() > FIRST { p { a href=(visit.href("/photos")) { (w.with("photos-all", &[count(can.len())])) } } }
                (not_shown(w, cannot, company))
            }
        }
    })
}

/// All of them, page by page.
pub async fn page(visit: Visit) -> Result<Html<String>, ApiError> {
    let app = visit.app.clone();
    app.blocking(move |_| {
        let (w, view) = (visit.words, &visit.job()?.view);
        let (can, cannot) = shown(&visit, view)?;
        let pages = can.len().div_ceil(PAGE).max(1);
        let page = visit.page.min(pages);
        let from = (page - 1) * PAGE;
        let some = can.get(from..(from + PAGE).min(can.len())).unwrap_or_default();
        let numbers = [("page", page.to_string()), ("pages", pages.to_string())];
        let body = html! {
            header {
                h1 { (w.say("photos")) }
                p.lead { (text(&view.title)) ", " (text(&view.job.site)) }
                p { a href=(visit.href("")) { (w.say("title")) } }
                p.small { (w.say("photos-text")) }
            }
            @if can.is_empty() && cannot == 0 { p { (w.say("photos-none")) } }
            (figures(&visit, view, some))
            (not_shown(w, cannot, &view.yard.company))
            @if pages > 1 {
                nav.pages {
                    @if page > 1 { a href=(visit.href(&format!("/photos?page={}", page - 1))) { (w.say("previous")) } }
                    span { (w.with("page-of", &numbers)) }
                    @if page < pages { a href=(visit.href(&format!("/photos?page={}", page + 1))) { (w.say("next")) } }
                }
            }
        };
        Ok(Html(framed(w, &w.say("photos"), &body).into_string()))
    })
    .await
}

type Places = Path<BTreeMap<String, String>>;

fn asked(visit: &Visit, places: &BTreeMap<String, String>) -> Result<Sha256Hash, ApiError> {
    let none = || ApiError::not_found("there is no such photo");
    let hash: Sha256Hash = places.get("sha256").and_then(|h| h.parse().ok()).ok_or_else(none)?;
    let opens = signed(&visit.job()?.view).iter().any(|(sha256, ..)| *sha256 == hash);
    if opens { Ok(hash) } else { Err(none()) }
}

/// A photo without what the camera wrote beside it.
pub async fn cleaned(visit: Visit, Path(places): Places) -> Result<Response, ApiError> {
    let app = visit.app.clone();
    app.blocking(move |app| {
        let (media_type, bytes) = photos::cleaned(app, asked(&visit, &places)?)?;
        Ok(photos::picture(&media_type, bytes))
    })
    .await
}

/// A photo small and upright.
pub async fn small(visit: Visit, Path(places): Places) -> Result<Response, ApiError> {
    let app = visit.app.clone();
    let hash = app.blocking(move |_| asked(&visit, &places)).await?;
    photos::small_picture(&app, hash).await
}
