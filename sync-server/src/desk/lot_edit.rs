//! Entering a lot, read off its container, and taking one out of use.

use axum::response::{Redirect, Response};
use bolebook_core::day::Day;
use bolebook_core::entering::lot_number;
use bolebook_core::ids::{LabelId, RecordId};
use bolebook_core::record::product::Lot;
use bolebook_core::record::{Body, Kind};
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::entry::{Answer, Form, Problems, Typed, answered};
use crate::desk::forms::{Posted, unwritable};
use crate::desk::page::Desk;
use crate::desk::write::{Staged, write};
use crate::desk::yard::lots_page;
use crate::error::ApiError;

/// The labels a lot can be used under: each in the version that holds now.
fn labels(desk: &Desk) -> Vec<(String, String)> {
    let facts = &desk.snapshot.yard.facts;
    let of = facts.in_force(Kind::Label).filter_map(|fact| {
        let version = facts.shown(fact);
        match &version.record.body {
            Body::Label(label) => {
                Some((version.id().to_string(), format!("{} ({})", label.name, label.registration)))
            }
            _ => None,
        }
    });
    of.collect()
}

/// The form of a new lot.
pub fn form(desk: &Desk, typed: &Typed, problems: &Problems) -> Markup {
    let form = Form { typed, problems };
    html! {
        section aria-labelledby="new-lot" {
            h2 id="new-lot" { "Enter a lot" }
            form method="post" action="/lots" novalidate {
                (desk.token_field())
                div.entries {
                    (form.text("lot.number", "Lot number", "As it stands on the container.", true, "text"))
                    (form.choice("lot.label", "The label it is used under", "Hold its registration number against the container's.", true, &labels(desk)))
                    (form.text("lot.expires", "Last day it may be used", "", true, "date"))
                }
                button.main disabled[desk.read_only.is_some()] { "Enter the lot" }
            }
        }
    }
}

/// The form that takes a lot out of use.
pub fn recall_form(desk: &Desk, id: RecordId, lot: &Lot) -> Markup {
    html! {
        details {
            summary { "Take out of use" span.unseen { ": lot " (super::page::clean(&lot.number)) } }
            form.stacked method="post" action=(format!("/lots/{id}/recall")) {
                (desk.token_field())
                label for=(format!("why-{id}")) { "Why" }
                input id=(format!("why-{id}")) name="reason" required maxlength="2000";
                button.danger disabled[desk.read_only.is_some()] { "Take it out of use" }
            }
        }
    }
}

/// Enters a lot.
pub async fn add(Posted { desk, fields }: Posted) -> Result<Response, ApiError> {
    answered(desk, move |desk| {
        let yard = &desk.snapshot.yard;
        let typed = Typed::of(&fields);
        let mut problems = Problems::default();
        let number = typed.text("lot.number").to_owned();
        if let Err(why) = lot_number(yard, &number) {
            problems.wrong("lot.number", why);
        }
        let known = labels(desk).into_iter().any(|(id, _)| id == typed.text("lot.label"));
        let label: Option<LabelId> = typed.text("lot.label").parse().ok().filter(|_| known);
        if label.is_none() {
            problems.wrong("lot.label", "choose the label it is used under");
        }
        let expires = typed.text("lot.expires").parse::<Day>();
        let expires = expires.map_err(|e| problems.wrong("lot.expires", e.to_string())).ok();
        let (Some(label), Some(expires), true) = (label, expires, problems.none()) else {
            return Ok(Answer::Refused(lots_page(desk, &typed, &problems)));
        };
        let lot = Lot { label, number, expires, recalled: None };
        write(desk, yard.book, vec![Staged::new(lot)], Some(&yard.heads))?;
        Ok(Answer::Went("/lots?done=added".into()))
    })
    .await
}

/// Takes a lot out of use.
pub async fn recall(Id(id): Id<RecordId>, Posted { desk, fields }: Posted) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let yard = &desk.snapshot.yard;
        let none = || ApiError::not_found("the yard has no such lot");
        let fact = yard.facts.standing_fact(id).filter(|f| f.kind == Kind::Lot).ok_or_else(none)?;
        let lot = yard.lot(id).ok_or_else(none)?;
        if lot.recalled.is_some() {
            return Err(unwritable("this lot is out of use already"));
        }
        let reason = fields.needed("reason", "the reason")?;
        let replaces = fact.current.iter().map(|v| yard.facts.versions[*v].id()).collect();
        let body = Lot { recalled: Some(reason), ..lot.clone() };
        write(&desk, yard.book, vec![Staged::replacing(body, replaces)], Some(&yard.heads))?;
        Ok(Redirect::to("/lots?done=recalled"))
    })
    .await
}
