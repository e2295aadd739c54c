//! When the client's copy of each crew-day's records is due, and whether it was given.
//!
//! That it was given stands in this server's database, without anybody's name.

use std::collections::BTreeMap;

use axum::response::{Html, Redirect};
use bolebook_core::day::Day;
use bolebook_core::export::{COPY_DAYS, copy_due};
use bolebook_core::ids::{BookId, CrewId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::view::{CrewDay, View};
use bolebook_db::{Connection, params};
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::forms::{Posted, unwritable};
use crate::desk::page::{Desk, Page, moment, shown, text};
use crate::error::ApiError;

/// The table.
pub const CREATE: &str = "CREATE TABLE IF NOT EXISTS client_copies (book TEXT NOT NULL, crew TEXT NOT NULL,
    day TEXT NOT NULL, how TEXT NOT NULL, at INTEGER NOT NULL, PRIMARY KEY (book, crew, day));";
const GIVE: &str = "INSERT INTO client_copies VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT DO NOTHING";
/// Days before the last one from which a copy is called due soon: a working week (common practice, no source).
const SOON: i64 = 7;
/// How a copy can be given.
const WAYS: [&str; 3] = ["on paper", "by e-mail", "by client link"];

/// A copy that was given: how and when.
type Given = BTreeMap<(String, String), (String, UtcMs)>;

fn given(db: &Connection, book: BookId) -> Result<Given, ApiError> {
    let mut statement = db.prepare("SELECT crew, day, how, at FROM client_copies WHERE book = ?1")?;
    let rows = statement.query_map([book.to_string()], |row| {
        Ok(((row.get(0)?, row.get(1)?), (row.get(2)?, UtcMs(row.get(3)?))))
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// How a copy stands on a day.
fn standing(due: Day, today: Day, given_on: Option<Day>) -> &'static str {
    match (given_on, today.days_until(due)) {
        (Some(on), _) if on.days_until(due) < 0 => "given late",
        (Some(_), _) => "given",
        (None, left) if left < 0 => "overdue",
        (None, left) if left <= SOON => "due soon",
        (None, _) => "due",
    }
}

/// Copies not given that are due within a week or overdue: for the job's overview.
///
/// # Errors
/// The database's.
pub fn pressing(desk: &Desk, view: &View<'_>) -> Result<usize, ApiError> {
    let given = desk.app.read(|db| given(db, view.book))?;
    let today = Day::of(desk.now(), &view.job.zone);
    let open = copy_due(view).into_iter().filter(|(day, due)| {
        !given.contains_key(&(day.crew.to_string(), day.day.to_string())) && today.days_until(*due) <= SOON
    });
    Ok(open.count())
}

fn rows(desk: &Desk, view: &View<'_>, given: &Given) -> Markup {
    let today = Day::of(desk.now(), &view.job.zone);
    let mut all: Vec<(CrewDay, Day)> = copy_due(view).into_iter().collect();
    all.sort_by_key(|(day, due)| (*due, day.crew));
    html! {
        table.cards {
            thead { tr { th scope="col" { "Day" } th scope="col" { "Crew" } th scope="col" { "Copy due by" } th scope="col" { "State" } th scope="col" { "Given" } } }
            tbody { @for (day, due) in &all {
                @let kept = given.get(&(day.crew.to_string(), day.day.to_string()));
                @let on = kept.map(|(_, at)| Day::of(*at, &view.job.zone));
                @let name = view.yard.crew_name(day.crew);
                tr {
                    th scope="row" { (day.day) }
                    td data-label="Crew" { (text(&name)) }
                    td data-label="Copy due by" { (due) }
                    td data-label="State" { span.tag { (standing(*due, today, on)) } }
                    td data-label="Given" {
                        @match kept {
                            Some((how, at)) => { (how) ", " (moment(view, *at)) }
                            None => {
                                form.inline method="post" action=(format!("/jobs/{}/copies", view.book)) {
                                    (desk.token_field())
                                    input type="hidden" name="crew" value=(day.crew); input type="hidden" name="day" value=(day.day);
                                    select name="how" aria-label=(format!("How the copy of {} was given", day.day)) { @for way in WAYS { option { (way) } } }
                                    button { "Given" span.unseen { " the copy of " (day.day) ", crew " (text(&name)) } }
                                }
                            }
                        }
                    }
                }
            } }
        }
    }
}

/// The page.
pub async fn page(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let view = &desk.job(book)?.view;
        let given = desk.app.read(|db| given(db, book))?;
        let body = html! {
            h1 { "Client copies" }
            p { "A commercial applicator gives the person served a copy of the record of a restricted-use pesticide within " (COPY_DAYS) " days of the application (7 U.S.C. 136i-1(a)). A State or a contract may give you less time; the licensed applicator answers for it." }
            @if copy_due(view).is_empty() { p { "Nothing was applied yet." } } @else { (rows(desk, view, &given)) }
            p.small { "The files to give are on the page " a href=(format!("/jobs/{book}/exports")) { "Exports" } "; a " a href=(format!("/jobs/{book}/links")) { "client link" } " shows signed-off days only. That a copy was given is noted on this server, not in the books." }
        };
        Ok(Page { title: format!("Client copies, {}", view.title), job: Some((book, "copies")), body })
    })
    .await
}

/// Notes that a copy was given.
pub async fn give(Id(book): Id<BookId>, Posted { desk, fields }: Posted) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |app| {
        let view = &desk.job(book)?.view;
        let crew: CrewId = fields.id("crew")?;
        let day =
            copy_due(view).into_keys().find(|d| d.crew == crew && d.day.to_string() == fields.text("day"));
        let Some(day) = day else {
            return Err(unwritable("no product was applied by that crew on that day: load the page again"));
        };
        let way = WAYS.into_iter().find(|w| *w == fields.text("how"));
        let Some(how) = way else { return Err(unwritable("say how the copy was given: go back and choose")) };
        let put = params![book.to_string(), day.crew.to_string(), day.day.to_string(), how, desk.now().0];
        app.write(|tx| Ok(tx.execute(GIVE, put)?))?;
        Ok(Redirect::to(&format!("/jobs/{book}/copies?done=given")))
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 30 days after 1 June is 1 July: a copy given then is in time, the day after it is late.
    #[test]
    fn a_copy_is_due_soon_in_its_last_week_and_overdue_the_day_after() {
        let day = |month, day| Day::from_ymd(2026, month, day).unwrap();
        let due = day(7, 1);
        assert_eq!(standing(due, day(6, 23), None), "due");
        assert_eq!(standing(due, day(6, 24), None), "due soon");
        assert_eq!(standing(due, due, None), "due soon");
        assert_eq!(standing(due, day(7, 2), None), "overdue");
        assert_eq!(standing(due, day(8, 1), Some(due)), "given");
        assert_eq!(standing(due, day(8, 1), Some(day(7, 2))), "given late");
    }
}
