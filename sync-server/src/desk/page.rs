//! The frame of every page: who is signed in, where they are, and what they may do.

use std::sync::Arc;

use axum::extract::FromRequestParts;
use axum::http::Method;
use axum::http::request::Parts;
use axum::response::{Html, IntoResponse as _, Redirect, Response};
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::view::View;
pub use bolebook_report::clean;
use maud::{DOCTYPE, Markup, html};

use crate::desk::accounts::{self, User};
use crate::desk::forms::Fields;
use crate::desk::session;
use crate::desk::write;
use crate::error::ApiError;
use crate::snapshot::{self, JobState, Snapshot};
use crate::state::App;

/// A session is noted as used again after this long.
const TOUCH_MS: i64 = 60_000;

/// A signed-in person before the books as they are.
pub struct Desk {
    /// The server.
    pub app: App,
    /// Who is signed in.
    pub user: User,
    /// The books.
    pub snapshot: Arc<Snapshot>,
    /// What was asked in the address.
    pub query: Fields,
    /// The address without its query.
    pub path: String,
    /// Why the desk can only be read, if it can.
    pub read_only: Option<String>,
    /// The session's id.
    pub session: [u8; 32],
}

impl Desk {
    /// The person of a request's session.
    ///
    /// # Errors
    /// A way to the sign-in page, or a refusal.
    pub async fn of(parts: &mut Parts, app: &App) -> Result<Self, Response> {
        let query = Fields::read(parts.uri.query().unwrap_or("").as_bytes());
        let path = parts.uri.path().to_owned();
        let Some(id) = session::cookie(&parts.headers, &app.config) else {
            return Err(sign_in_first(parts));
        };
        let found = app
            .blocking(move |app| {
                let now = app.now();
                let Some((user, used)) = app.read(|db| accounts::session(db, &id, now))? else {
                    return Ok(None);
                };
                if now.0 - used.0 > TOUCH_MS {
                    app.write(|tx| accounts::touch(tx, &id, now))?;
                }
                let snapshot = snapshot::now(app)?;
                let read_only = write::desk_key(app, &snapshot).err().map(|e| e.to_string());
                Ok(Some((user, snapshot, read_only)))
            })
            .await
            .map_err(ApiError::into_response)?;
        let Some((user, snapshot, read_only)) = found else { return Err(sign_in_first(parts)) };
        Ok(Self { app: app.clone(), user, snapshot, query, path, read_only, session: id })
    }

    /// The session's token for forms: derived from the session's id, which no page ever shows.
    pub fn token(&self) -> String {
        Sha256Hash::of(&[b"bolebook/form-token/1".as_slice(), &self.session].concat()).to_string()
    }

    /// Whether a form's token is this session's.
    pub fn holds(&self, token: &str) -> bool {
        // Compared by digest, so that no time taken tells how much of it was right.
        Sha256Hash::of(token.as_bytes()) == Sha256Hash::of(self.token().as_bytes())
    }

    /// A job.
    ///
    /// # Errors
    /// 404.
    pub fn job(&self, book: BookId) -> Result<&Arc<JobState>, ApiError> {
        self.snapshot.job(book)
    }

    /// Now.
    pub fn now(&self) -> UtcMs {
        self.app.now()
    }

    /// The hidden field that every form carries.
    pub fn token_field(&self) -> Markup {
        html! { input type="hidden" name="token" value=(self.token()); }
    }
}

fn sign_in_first(parts: &Parts) -> Response {
    if parts.method != Method::GET {
        let why = "your session is over: sign in again, then send the form once more (what you wrote is still in the page before)";
        return ApiError::forbidden("signed-out", why).into_response();
    }
    let wanted = parts.uri.path_and_query().map_or("/", |p| p.as_str());
    let next: String = form_urlencoded::byte_serialize(wanted.as_bytes()).collect();
    Redirect::to(&format!("/sign-in?next={next}")).into_response()
}

impl FromRequestParts<App> for Desk {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Response> {
        Self::of(parts, app).await
    }
}

/// A page's own part.
pub struct Page {
    /// Its title.
    pub title: String,
    /// The job it belongs to, and which of the job's tabs.
    pub job: Option<(BookId, &'static str)>,
    /// What stands on it.
    pub body: Markup,
}

/// Makes a page away from the threads that answer, for a large job takes its time.
///
/// # Errors
/// The work's own.
pub async fn shown(
    desk: Desk,
    work: impl FnOnce(&Desk) -> Result<Page, ApiError> + Send + 'static,
) -> Result<Html<String>, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let page = work(&desk)?;
        Ok(Html(framed(&desk, &page)?.into_string()))
    })
    .await
}

/// A page in its frame.
///
/// # Errors
/// 404 for a job that is not there.
pub fn whole(desk: &Desk, page: &Page) -> Result<Html<String>, ApiError> {
    Ok(Html(framed(desk, page)?.into_string()))
}

const TABS: [(&str, &str); 14] = [
    ("", "Overview"),
    ("setup", "Set-up"),
    ("findings", "Findings"),
    ("pairs", "Pairs"),
    ("trees", "Trees"),
    ("map", "Map"),
    ("balance", "Balance"),
    ("rulings", "Rulings"),
    ("charts", "Charts"),
    ("seasons", "Seasons"),
    ("exports", "Exports"),
    ("billing", "Billing"),
    ("copies", "Client copies"),
    ("links", "Client links"),
];

fn framed(desk: &Desk, page: &Page) -> Result<Markup, ApiError> {
    let company = &desk.snapshot.yard.company;
    let job = page.job.map(|(book, tab)| desk.job(book).map(|j| (j, tab))).transpose()?;
    Ok(html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="robots" content="noindex";
                title { (clean(&page.title)) " – Bolebook" }
                link rel="stylesheet" href="/desk.css";
                script src="/desk.js" defer {}
            }
            body data-live=(*desk.app.findings.news().borrow()) {
                a.skip href="#main" { "To the content" }
                header.top {
                    p.brand { a href="/" { "Bolebook" } " " span.company { (text(company)) } }
                    nav aria-label="Office" {
                        ul {
                            @for (href, name) in [
                                ("/", "Jobs"), ("/balance", "Product"), ("/people", "People"), ("/devices", "Devices"),
                                ("/labels", "Labels"), ("/kits", "Kits"), ("/lots", "Lots"),
                            ] {
                                li { a href=(href) aria-current=[(desk.path == href).then_some("page")] { (name) } }
                            }
                        }
                    }
                    form.search role="search" action="/search" {
                        label.unseen for="search" { "Search trees, tags, people, lots, notes" }
                        input id="search" type="search" name="q" value=(clean(desk.query.text("q"))) placeholder="Search";
                        button { "Search" }
                    }
                    form.who method="post" action="/sign-out" {
                        (desk.token_field())
                        a href="/account" { (text(&desk.user.name)) }
                        button.quiet { "Sign out" }
                    }
                }
                @if let Some((job, tab)) = job { (tabs(desk, job, tab)) }
                main id="main" tabindex="-1" {
                    p.live hidden role="status" { "Something new has arrived. " a href=(desk.path) { "Load the page again" } " to see it." }
                    @if let Some(done) = done(desk.query.text("done")) { p.done role="status" { (done) } }
                    @if let Some(why) = &desk.read_only { div.readonly role="note" { (read_only(desk, why)) } }
                    (page.body)
                }
                footer { p { "Bolebook is not the label, the law or a licensed applicator: they come first. Times are the job's own." } }
            }
        }
    })
}

fn tabs(desk: &Desk, job: &JobState, current: &str) -> Markup {
    let book = job.view.book;
    let open = desk.snapshot.findings(job).iter().filter(|f| f.open()).count();
    html! {
        nav.tabs aria-label="Job" {
            p { (text(&job.view.title)) " " span.muted { (text(&job.view.job.season)) } }
            ul {
                @for (tab, name) in TABS {
                    @let href = if tab.is_empty() { format!("/jobs/{book}") } else { format!("/jobs/{book}/{tab}") };
                    li { a href=(href) aria-current=[(tab == current).then_some("page")] {
                        (name)
                        @if tab == "findings" && open > 0 { " " span.count { (open) span.unseen { " open" } } }
                    } }
                }
            }
        }
    }
}

/// What a form said it did, from a fixed list: an address can put no words of its own into a page.
fn done(code: &str) -> Option<&'static str> {
    Some(match code {
        "ruled" => "Ruled.",
        "struck" => "Struck. The record stays readable.",
        "asked" => "The question goes to the crew at its next exchange.",
        "joined" => "Joined. Both histories are kept.",
        "signed" => "The day is signed off.",
        "reopened" => "The day is open again.",
        "amended" => "Amended. The old version stays readable.",
        "label-entered" => {
            "The label is entered. It is usable once a second licensed person has confirmed it."
        }
        "label-confirmed" => "The label is confirmed.",
        "set-up" => "Noted in the job's book.",
        "paper-removed" => "The paper's file is deleted. The record keeps its digest.",
        "imported" => "Everything in the file was added.",
        "added" => "Added.",
        "recalled" => "The lot is taken out of use.",
        "kept" => "The rates are kept.",
        "given" => "Noted that the copy was given.",
        "withdrawn" => "The link is withdrawn.",
        "password" => "The password is changed; other sessions are ended.",
        "code-on" => "Signing in now asks for a code too.",
        "code-off" => "Signing in no longer asks for a code.",
        _ => return None,
    })
}

fn read_only(desk: &Desk, why: &str) -> Markup {
    html! {
        p { strong { "The desk can be read, not written: " } (clean(why)) "." }
        @if why.contains("certificate") {
            details {
                summary { "What to run" }
                p { "On the device that holds the yard's root key:" }
                pre { "bolebook device invite \"office desk\" --role office --out desk.json" }
                p { "Then on this server:" }
                pre { "bolebook-server desk --data " (desk.app.config.data.display()) " --invitation desk.json" }
                p { "The server can then write what the office writes. Who runs it must be trusted as the office is." }
            }
        }
    }
}

/// Text from outside, alone in its direction, with signs that steer text made visible.
pub fn text(text: &str) -> Markup {
    html! { bdi { (clean(text)) } }
}

/// A moment in a job's own time: `2026-06-01 08:30`.
pub fn moment(view: &View<'_>, at: UtcMs) -> String {
    minute(&view.local_time(at))
}

/// `2026-06-01T08:30:00-04:00` as `2026-06-01 08:30`.
pub fn minute(rfc3339: &str) -> String {
    rfc3339.get(..16).unwrap_or(rfc3339).replace('T', " ")
}

/// Links to the other pages of a long list.
pub fn pages(desk: &Desk, all: usize, size: usize, current: usize) -> Markup {
    pages_of(desk, "page", all, size, current)
}

/// The same where a page has more than one long list: the field of the address that this one's number is in.
pub fn pages_of(desk: &Desk, field: &str, all: usize, size: usize, current: usize) -> Markup {
    let last = all.div_ceil(size).max(1);
    let link = |number: usize| {
        let mut query = form_urlencoded::Serializer::new(String::new());
        for (k, v) in desk.query.iter().filter(|(k, _)| *k != field && *k != "done") {
            query.append_pair(k, v);
        }
        query.append_pair(field, &number.to_string());
        format!("{}?{}", desk.path, query.finish())
    };
    html! {
        @if last > 1 {
            nav.pages aria-label=(if field == "page" { "Pages".to_owned() } else { format!("Pages of {field}") }) {
                @if current > 1 { a rel="prev" href=(link(current - 1)) { "Previous" } }
                span { "Page " (current) " of " (last) }
                @if current < last { a rel="next" href=(link(current + 1)) { "Next" } }
            }
        }
    }
}

/// Which page of a list is asked for, from 1.
pub fn page_number(desk: &Desk) -> usize {
    page_number_of(desk, "page")
}

/// The same of a list whose number is in another field.
pub fn page_number_of(desk: &Desk, field: &str) -> usize {
    desk.query.text(field).parse().unwrap_or(1).clamp(1, 1_000_000)
}
