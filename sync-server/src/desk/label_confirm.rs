//! The second licensed person: rates, mix and three worked doses entered again from the paper,
//! without the first entry being shown.

use axum::response::{Html, Response};
use bolebook_core::entering::label::{agrees, may_confirm};
use bolebook_core::ids::RecordId;
use bolebook_core::record::label::{Label, LabelConfirmation};
use maud::{Markup, html};
use serde_json::{Map, Value};

use crate::body::Id;
use crate::desk::entry::{Answer, Form, Problems, Typed, answered, dom};
use crate::desk::forms::Posted;
use crate::desk::label_edit::{rows, shown_field};
use crate::desk::label_fields::{SECTIONS, units};
use crate::desk::label_form::{self, put, with_unit};
use crate::desk::page::{Desk, Page, clean, shown, text};
use crate::desk::write::{Staged, write};
use crate::error::ApiError;

const LISTS: [(&str, usize); 2] = [("rates", 1), ("worked", 3)];
const WORKED: [(&str, &str); 2] = [("diameter", "Diameter"), ("dose", "Dose at the usual rate")];

fn label_of(desk: &Desk, id: RecordId) -> Result<&Label, ApiError> {
    desk.snapshot.yard.label(id).ok_or_else(|| ApiError::not_found("the yard has no such label version"))
}

/// The form, with nothing of the entry but its name and purposes.
pub async fn page(desk: Desk, Id(id): Id<RecordId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let label = label_of(desk, id)?;
        Ok(form_page(desk, id, label, &Typed::default(), &Problems::default()))
    })
    .await
}

/// Adds and takes away rows, and confirms.
pub async fn post(Id(id): Id<RecordId>, Posted { desk, fields }: Posted) -> Result<Response, ApiError> {
    answered(desk, move |desk| {
        let label = label_of(desk, id)?;
        let mut typed = Typed::of(&fields);
        if typed.edited(fields.text("do"), &LISTS) {
            return Ok(Answer::Page(form_page(desk, id, label, &typed, &Problems::default())));
        }
        let (again, mut problems) = read(id, &typed);
        if let Err(why) = may_confirm(&desk.snapshot.yard, id, desk.user.person, desk.now()) {
            problems.wrong("", why.to_string());
        }
        if let Some(again) = &again
            && problems.none()
            && let Err(why) = agrees(label, again)
        {
            why.into_iter().for_each(|why| problems.wrong("", why));
        }
        let Some(again) = again.filter(|_| problems.none()) else {
            return Ok(Answer::Refused(form_page(desk, id, label, &typed, &problems)));
        };
        let yard = &desk.snapshot.yard;
        write(desk, yard.book, vec![Staged::new(again)], Some(&yard.heads))?;
        Ok(Answer::Went(format!("/labels/{id}?done=label-confirmed")))
    })
    .await
}

/// What was entered again, and everything wrong with it.
fn read(id: RecordId, typed: &Typed) -> (Option<LabelConfirmation>, Problems) {
    let mut problems = Problems::default();
    let mut form = Value::Object(Map::new());
    label_form::rows(typed, &["rates"], &mut form, &mut problems);
    label_form::mix(typed, &mut form, &mut problems);
    put(&mut form, "worked", Value::Array(vec![]));
    for row in 0..typed.rows("worked", 3) {
        let path = |name: &str| format!("worked.{row}.{name}");
        match typed.some(&path("purpose")) {
            Some(purpose) => put(&mut form, &path("purpose"), purpose.into()),
            None => problems.wrong(path("purpose"), "say which purpose the dose was worked for"),
        }
        for (name, label) in WORKED {
            match typed.some(&path(name)) {
                Some(text) => put(&mut form, &path(name), with_unit(typed, &path(name), text).into()),
                None => problems.wrong(path(name), format!("{label}: work the dose by hand from the paper")),
            }
        }
    }
    put(&mut form, "label", id.to_string().into());
    let Some((form, _)) = label_form::taken(form, &mut problems) else { return (None, problems) };
    if !problems.none() {
        return (None, problems);
    }
    match serde_json::from_value(form) {
        Ok(again) => (Some(again), problems),
        Err(error) => {
            problems.wrong("", error.to_string());
            (None, problems)
        }
    }
}

fn form_page(desk: &Desk, id: RecordId, label: &Label, typed: &Typed, problems: &Problems) -> Page {
    let form = Form { typed, problems };
    let may = may_confirm(&desk.snapshot.yard, id, desk.user.person, desk.now());
    let confirmed = desk.snapshot.yard.confirmed(id).is_some();
    let mut purposes: Vec<&str> = label.rates.iter().map(|r| r.purpose.as_str()).collect();
    purposes.sort_unstable();
    purposes.dedup();
    let body = html! {
        p { a href="/labels" { "← Labels" } }
        h1 { "Confirm a label: " (text(&label.name)) }
        p.lead { "Registration " (text(&label.registration)) }
        p { "Enter its rates again from the paper, and work three doses by hand at three different diameters, at least one for each purpose. The first entry is not shown here: take the figures from the paper, not from it." }
        @if confirmed { p { "This version is confirmed already." } }
        (problems.summary())
        @match may {
            Err(why) => { @if problems.none() { p.wrong { (sentence(&why.to_string())) " Let a second licensed person sign in and do it." } } }
            Ok(()) => {
                form.paper method="post" action=(format!("/labels/{id}/confirm")) novalidate {
                    (desk.token_field())
                    datalist id="purposes" { @for purpose in &purposes { option value=(clean(purpose)) {} } }
                    p { button.main name="do" value="confirm" disabled[desk.read_only.is_some()] { "Compare and confirm" } }
                    (rows(form, 1, "Rates"))
                    section aria-labelledby="mix" {
                        h2 id="mix" { (SECTIONS[6].0) }
                        div.entries { @for field in SECTIONS[6].1 { (shown_field(form, field.path, field)) } }
                    }
                    section aria-labelledby="worked" {
                        h2 id="worked" { "Doses worked by hand" }
                        p { "Rate times diameter at the usual rate, to the microlitre, rounded down." }
                        @for row in 0..typed.rows("worked", 3) { (worked(form, row)) }
                        (form.add("worked", "a dose"))
                    }
                    p { button.main name="do" value="confirm" disabled[desk.read_only.is_some()] { "Compare and confirm" } }
                }
            }
        }
    };
    Page { title: format!("Confirm {}", label.name), job: None, body }
}

fn sentence(why: &str) -> String {
    let mut signs = why.chars();
    let first = signs.next().map(|c| c.to_uppercase().collect::<String>()).unwrap_or_default();
    format!("{first}{}.", signs.as_str())
}

fn worked(form: Form<'_>, row: usize) -> Markup {
    let path = |name: &str| format!("worked.{row}.{name}");
    html! {
        fieldset.entryrow id=(dom(&path("row"))) {
            legend { "Dose " (row + 1) }
            div.entries {
                (form.offered(&path("purpose"), "Purpose", "As in the rate above.", "purposes"))
                @for (name, label) in WORKED { (form.figure(&path(name), label, "", true, &units(&path(name)))) }
            }
            @if form.typed.rows("worked", 3) > 3 { (form.remove("worked", row, "dose")) }
        }
    }
}
