//! The links by which a job's client reads it: made, shown once, withdrawn.

use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::{Html, Redirect};
use bolebook_core::ids::BookId;
use bolebook_core::quantity::UtcMs;
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::forms::{Posted, unwritable};
use crate::desk::page::{Desk, Page, moment, shown, text};
use crate::error::ApiError;
use crate::portal::links::{self, Link, New};
use crate::portal::words::LANGUAGES;
use crate::snapshot::JobState;

const DAY_MS: i64 = 86_400_000;
/// Days a link may last.
const LASTS: [(i64, &str); 4] = [(30, "30 days"), (92, "three months"), (366, "a year"), (732, "two years")];

fn state(link: &Link, now: UtcMs) -> &'static str {
    match (link.withdrawn_at, now > link.expires_at) {
        (Some(_), _) => "withdrawn",
        (None, true) => "over",
        (None, false) => "open",
    }
}

fn page(desk: &Desk, job: &JobState, made: Option<&str>) -> Result<Page, ApiError> {
    let view = &job.view;
    let book = view.book;
    let all = desk.app.read(|db| links::of_job(db, book))?;
    let client = desk.snapshot.names.named(view.job.client);
    let signed = view.signed_off.len();
    let body = html! {
        h1 { "Client links" }
        @if let Some(url) = made {
            div.made role="status" {
                p { strong { "The link, shown this once:" } }
                p { input.wide aria-label="The link" readonly value=(url); }
                p.small { "Whoever has it can read this job until it is over or withdrawn. Send it to the client alone." }
            }
        }
        p { "A link lets " (text(&client)) " read this job without an account: the days you have signed off (" (signed) " now), what was done to each tree, cautions, map and data. It shows nothing else and changes nothing." }
        (form(desk, book))
        @if !all.is_empty() { (list_of(desk, job, &all)) }
    };
    Ok(Page { title: format!("Client links, {}", view.title), job: Some((book, "links")), body })
}

fn form(desk: &Desk, book: BookId) -> Markup {
    html! {
        form.row method="post" action=(format!("/jobs/{book}/links")) {
            (desk.token_field())
            div { label for="note" { "For whom" } input id="note" name="note" required maxlength="200" placeholder="e.g. park manager"; }
            div { label for="lasts" { "Lasts" } select id="lasts" name="days" { @for (days, name) in LASTS { option value=(days) selected[days == 366] { (name) } } } }
            div { label for="language" { "Language" } select id="language" name="language" { @for (code, name) in LANGUAGES { option value=(code) { (name) } } } }
            button.main { "Make a link" }
        }
    }
}

fn list_of(desk: &Desk, job: &JobState, all: &[Link]) -> Markup {
    let view = &job.view;
    html! {
        table.cards {
            thead { tr { th scope="col" { "For" } th scope="col" { "Made" } th scope="col" { "Until" } th scope="col" { "Last opened" } th scope="col" { "State" } } }
            tbody { @for link in all { tr {
                th scope="row" { (text(&link.note)) " " span.muted { (link.language) } }
                td data-label="Made" { (moment(view, link.made_at)) " by " (text(&link.made_by)) }
                td data-label="Until" { (moment(view, link.expires_at)) }
                td data-label="Last opened" { (link.used_at.map_or_else(|| "never".into(), |at| moment(view, at))) }
                td data-label="State" {
                    @let state = state(link, desk.now());
                    @if state == "open" {
                        span.tag.settled { "open" } " "
                        form.inline method="post" action=(format!("/jobs/{}/links/{}/withdraw", view.book, link.id)) { (desk.token_field()) button { "Withdraw" span.unseen { " the link for " (text(&link.note)) } } }
                    } @else { span.tag { (state) } }
                }
            } } }
        }
    }
}

/// The links of a job.
pub async fn list(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| page(desk, desk.job(book)?, None)).await
}

/// Makes a link and shows it, this once: only its digest is kept.
pub async fn issue(
    Id(book): Id<BookId>,
    Posted { desk, fields }: Posted,
) -> Result<(StatusCode, Html<String>), ApiError> {
    let html = shown(desk, move |desk| {
        let job = desk.job(book)?;
        let note = fields.needed("note", "for whom the link is")?;
        let days: i64 = fields.text("days").parse().ok().filter(|d| (1..=732).contains(d)).unwrap_or(366);
        let language =
            LANGUAGES.iter().map(|(code, _)| *code).find(|c| *c == fields.text("language")).unwrap_or("en");
        let token: [u8; 32] = desk.app.random()?;
        let now = desk.now();
        let expires = UtcMs(now.0 + days * DAY_MS);
        let new = New { token, book, note: &note, language, by: &desk.user.name, now, expires };
        desk.app.write(|tx| links::add(tx, &new))?;
        let base = desk.app.config.portal_url.clone().unwrap_or_else(|| "http://127.0.0.1:8644".into());
        let url = format!("{}/p/{}", base.trim_end_matches('/'), hex::encode(token));
        page(desk, job, Some(&url))
    });
    Ok((StatusCode::CREATED, html.await?))
}

/// Withdraws a link.
pub async fn withdraw(
    Path((book, link)): Path<(String, String)>,
    Posted { desk, .. }: Posted,
) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |app| {
        let book: BookId = book.parse().map_err(|_| ApiError::not_found("no such job"))?;
        let link: i64 = link.parse().map_err(|_| ApiError::not_found("no such link"))?;
        if !app.write(|tx| links::withdraw(tx, link, book, app.now()))? {
            return Err(unwritable("there is no such link of this job, or it was withdrawn before"));
        }
        Ok(Redirect::to(&format!("/jobs/{book}/links?done=withdrawn")))
    })
    .await
}
