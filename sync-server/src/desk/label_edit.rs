//! Entering a label from the paper, figure by figure; or a new version of one.

use axum::response::{Html, Response};
use bolebook_core::dosing::label::paper::Taken;
use bolebook_core::entering::label::{may_amend, said};
use bolebook_core::ids::RecordId;
use bolebook_core::record::label::Label;
use maud::{Markup, html};

use crate::desk::entry::{Answer, Form, Problems, Typed, answered, words};
use crate::desk::forms::Posted;
use crate::desk::label_fields::{Field, LISTS, Of, SECTIONS, SOILS, TIMES, called, units};
use crate::desk::label_form::{self, typed_of};
use crate::desk::label_preview::{containers, table};
use crate::desk::page::{Desk, Page, shown, text};
use crate::desk::people::today;
use crate::desk::write::{Staged, write};
use crate::error::ApiError;

const HERE: &str = "/labels/new";

/// The form, empty or with what a label version says.
pub async fn page(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| {
        let mut typed = Typed::default();
        if let Some(from) = desk.query.some("from") {
            let none = || ApiError::not_found("the yard has no such label version");
            let id: RecordId = from.parse().map_err(|_| none())?;
            let label = desk.snapshot.yard.label(id).ok_or_else(none)?;
            typed = typed_of(label);
            typed.put("amends", id.to_string());
        }
        Ok(form_page(desk, &typed, &Problems::default(), None))
    })
    .await
}

/// Adds and takes away rows, checks, and enters.
pub async fn post(Posted { desk, fields }: Posted) -> Result<Response, ApiError> {
    answered(desk, move |desk| {
        let mut typed = Typed::of(&fields);
        let lists = LISTS.map(|(list, least, ..)| (list, least));
        if typed.edited(fields.text("do"), &lists) {
            return Ok(Answer::Page(form_page(desk, &typed, &Problems::default(), None)));
        }
        let (read, mut problems) = label_form::read(&typed);
        let amended = amended(desk, &typed)?;
        if let (Some((label, _)), Some((version, replaces))) = (&read, &amended)
            && problems.none()
        {
            if let Err(why) = may_amend(&desk.snapshot.yard, *version, label) {
                why.into_iter().for_each(|why| problems.wrong("mix.diluent", why));
            }
            let unchanged = replaces.len() == 1 && desk.snapshot.yard.label(replaces[0]) == Some(label);
            if unchanged {
                problems.wrong("", "nothing is changed");
            }
        }
        let enter = fields.text("do") == "enter";
        if enter && problems.none() {
            if typed.text("checked") != typed.digest() {
                problems.wrong("", "the form was changed after it was checked: look at what it says now");
            } else if typed.some("looked").is_none() {
                problems.wrong(
                    "looked",
                    "look for each figure that is taken as not stated on the paper, and tick that you did",
                );
            }
        }
        let Some((label, figures)) = read.filter(|_| problems.none()) else {
            return Ok(Answer::Refused(form_page(desk, &typed, &problems, None)));
        };
        if !enter {
            return Ok(Answer::Page(form_page(desk, &typed, &problems, Some((&label, &figures)))));
        }
        let replaces = amended.map(|(_, replaces)| replaces).unwrap_or_default();
        let heads = &desk.snapshot.yard.heads;
        let book = desk.snapshot.yard.book;
        let ids = write(desk, book, vec![Staged::replacing(label, replaces)], Some(heads))?;
        let id = ids.first().map(ToString::to_string).unwrap_or_default();
        Ok(Answer::Went(format!("/labels/{id}?done=label-entered")))
    })
    .await
}

/// The label version a form is a new version of, and every value in force that it replaces.
fn amended(desk: &Desk, typed: &Typed) -> Result<Option<(RecordId, Vec<RecordId>)>, ApiError> {
    let Some(id) = typed.some("amends") else { return Ok(None) };
    let none = || ApiError::not_found("the yard has no such label version");
    let id: RecordId = id.parse().map_err(|_| none())?;
    let facts = &desk.snapshot.yard.facts;
    let fact = facts.standing_fact(id).ok_or_else(none)?;
    desk.snapshot.yard.label(id).ok_or_else(none)?;
    Ok(Some((id, fact.current.iter().map(|v| facts.versions[*v].id()).collect())))
}

fn form_page(desk: &Desk, typed: &Typed, problems: &Problems, checked: Option<(&Label, &[Taken])>) -> Page {
    let form = Form { typed, problems };
    let amends = typed.some("amends");
    let title = if amends.is_some() { "A new version of a label" } else { "Enter a label" };
    // Rows are shown again after an edit without anything being wrong with them yet.
    let body = html! {
        p { a href="/labels" { "← Labels" } }
        h1 { (title) }
        p { "Every figure comes from the paper label, in the unit printed there; Bolebook ships none. What stays empty is taken as not stated. A second licensed person then enters the rates again from the paper." }
        (problems.summary())
        @if checked.is_some() { p.done role="status" { "Nothing contradicts itself. " a href="#result" { "Read below what it says" } ", with the paper in hand, then enter it." } }
        form.paper method="post" action=(HERE) novalidate {
            (desk.token_field())
            @if let Some(id) = amends { input type="hidden" name="amends" value=(id); }
            p { button.main name="do" value="check" { "Check" } }
            @for (at, (heading, fields)) in SECTIONS.iter().enumerate() {
                (section(form, at, heading, fields))
                @if at == 0 { (rows(form, 0, "Active ingredients")) (rows(form, 1, "Rates")) }
                @if at == 4 { (soils(form)) (rows(form, 2, "Closed seasons")) }
            }
            @if let Some((label, figures)) = checked { (result(desk, form, label, figures)) }
            p { button.main name="do" value="check" { "Check" } }
        }
    };
    Page { title: title.into(), job: None, body }
}

/// A field with the part it takes.
pub fn shown_field(form: Form<'_>, path: &str, field: &Field) -> Markup {
    match field.of {
        Of::Text | Of::Codes | Of::Count | Of::Percent => {
            form.text(path, field.label, field.hint, field.needed, "text")
        }
        Of::Date => form.text(path, field.label, field.hint, field.needed, "date"),
        Of::Lines => form.lines(path, field.label, field.hint, field.needed),
        Of::Figure => form.figure(path, field.label, field.hint, field.needed, &units(path)),
        Of::Time => form.figure(path, field.label, field.hint, field.needed, &TIMES.map(|(name, _)| name)),
        Of::Choice(list) => form.choice(path, field.label, field.hint, field.needed, &words(list)),
        Of::YesNo => {
            form.choice(path, field.label, field.hint, field.needed, &words(&[("yes", "yes"), ("no", "no")]))
        }
        Of::Tick => form.tick(path, field.label),
    }
}

fn section(form: Form<'_>, at: usize, heading: &str, fields: &[Field]) -> Markup {
    html! {
        section aria-labelledby=(format!("s-{at}")) {
            h2 id=(format!("s-{at}")) { (heading) }
            div.entries { @for field in fields { (shown_field(form, field.path, field)) } }
        }
    }
}

/// The rows of a list, each with its fields and a button that takes it away.
pub fn rows(form: Form<'_>, list: usize, heading: &str) -> Markup {
    let (name, least, what, fields) = &LISTS[list];
    html! {
        section aria-labelledby=(format!("l-{list}")) {
            h2 id=(format!("l-{list}")) { (heading) }
            @for row in 0..form.typed.rows(name, *least) {
                fieldset.entryrow {
                    legend { (capital(what)) " " (row + 1) }
                    div.entries { @for field in *fields { (shown_field(form, &format!("{name}.{row}.{}", field.path), field)) } }
                    (form.remove(name, row, what))
                }
            }
            (form.add(name, &format!("a {what}").replace("a i", "an i")))
        }
    }
}

fn capital(word: &str) -> String {
    let mut signs = word.chars();
    signs.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + signs.as_str())
}

fn soils(form: Form<'_>) -> Markup {
    html! {
        fieldset {
            legend { "Soil moistures it may be used at; none ticked where the label says nothing" }
            @for soil in SOILS { (form.tick(&format!("conditions.soil.{soil}"), soil)) }
        }
    }
}

/// What the entry is taken to say, and the way to enter it.
fn result(desk: &Desk, form: Form<'_>, label: &Label, figures: &[Taken]) -> Markup {
    let said = said(label, figures);
    html! {
        section.result aria-labelledby="result" {
            h2 id="result" tabindex="-1" { "What it says, to be held against the paper" }
            h3 { "Rates" }
            ul { @for line in &said.rates { li { (text(line)) } } }
            @if !said.traps.is_empty() { ul { @for line in &said.traps { li { (text(line)) } } } }
            @if let Some(mix) = &said.mix { p { (text(mix)) } }
            @if !form.problems.notes().is_empty() {
                h3 { "What it cannot do" }
                ul { @for note in form.problems.notes() { li { (text(note)) } } }
            }
            h3 { "Doses worked from it" }
            (table(label, &containers(desk, label, None), today(desk)))
            @if !said.not_stated.is_empty() {
                h3 { "Taken as NOT STATED on the label" }
                p { "A limit left out by mistake is no limit at all. Look for each on the paper:" }
                ul.columns { @for name in &said.not_stated { li { (called(name)) } } }
            }
            @if said.earlier.is_some() { p { "No offset from earlier seasons' holes is given, so the spacing is kept from them too; a stem drilled all around has no place left the next season." } }
            input type="hidden" name="checked" value=(form.typed.digest());
            (form.tick("looked", "I have looked on the paper for each figure that is taken as not stated"))
            p { button.main name="do" value="enter" disabled[desk.read_only.is_some()] { "Enter this label" } }
        }
    }
}
