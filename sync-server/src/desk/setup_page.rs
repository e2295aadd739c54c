//! The page on which a job is set up.

use bolebook_core::ids::Sha256Hash;
use bolebook_core::record::office::{Element, Scheme};
use bolebook_core::record::{Body, Kind};
use maud::{Markup, html};

use crate::desk::entry::{Form, Problems, Typed, words};
use crate::desk::page::{Desk, Page, clean, moment, text};
use crate::desk::papers::held;
use crate::desk::people::{today, until};
use crate::desk::setup::said_of_trees;
use crate::snapshot::JobState;

/// The record schemes, their names in forms, and in words.
pub const SCHEMES: [(Scheme, &str, &str); 2] = [
    (Scheme::Us171303, "us", "40 CFR 171.303(b)(7)(vi), commercial applicators of the United States"),
    (Scheme::Eu2023564, "eu", "Implementing Regulation (EU) 2023/564"),
];

/// What can be asked for beyond them.
pub const ELEMENTS: [(Element, &str, &str); 8] = [
    (Element::Pest, "pest", "The pest seen"),
    (Element::CrewPosition, "position", "Where the crew stood"),
    (Element::Pressure, "pressure", "The reservoir's pressure"),
    (Element::CanopyLoss, "canopy", "The canopy loss"),
    (Element::AirTemperature, "air", "The air's temperature"),
    (Element::SoilMoisture, "soil", "The soil's moisture"),
    (Element::ContainerOff, "off", "When each container came off"),
    (Element::Bark, "bark", "The bark's thickness where holes are drilled"),
];

/// The page, with what was typed and what is wrong with it.
pub fn page_of(desk: &Desk, job: &JobState, typed: &Typed, problems: &Problems) -> Page {
    let form = Form { typed, problems };
    let book = job.view.book;
    let body = html! {
        h1 { "Set-up" }
        p { "What must be settled before a crew comes. Each entry goes into the job's book under your name; a wrong one is amended or struck." }
        (problems.summary())
        ul.links {
            li { a href="#leave" { "The client's leave" } } li { a href="#notices" { "Notices and neighbours" } }
            li { a href="#trees" { "Food, water, felling, metal" } } li { a href="#asked" { "What is asked of every record" } }
            li { a href="#who" { "Who may supervise" } }
            li { a href=(format!("/jobs/{book}/blocks")) { "Blocks" } } li { a href=(format!("/jobs/{book}/stand")) { "The stand" } }
        }
        (leave(desk, job, form))
        (notices(desk, job, form))
        (trees(desk, job, form))
        (asked(desk, job, form))
        (supervisors(desk, job))
    };
    Page { title: format!("Set-up, {}", job.view.title), job: Some((book, "setup")), body }
}

/// A form of the page: one button says what it is.
fn part(desk: &Desk, job: &JobState, what: &str, button: &str, fields: &Markup) -> Markup {
    html! {
        form method="post" action=(format!("/jobs/{}/setup", job.view.book)) novalidate {
            (desk.token_field())
            (fields)
            button.main name="do" value=(what) disabled[desk.read_only.is_some()] { (button) }
        }
    }
}

fn leave(desk: &Desk, job: &JobState, form: Form<'_>) -> Markup {
    let facts = &job.view.facts;
    let fields = html! {
        div.entries {
            (form.text("authorise.covers", "What it covers", "", true, "text"))
            (form.text("authorise.given", "The day it was given", "", true, "date"))
            (form.text("authorise.document", "Digest (SHA-256) of the signed paper", "Send the paper first and it is filled in; the paper itself stays outside the books.", false, "text"))
        }
    };
    html! {
        section aria-labelledby="leave" {
            h2 id="leave" { "The client's leave" }
            ul.records {
                @for fact in facts.in_force(Kind::Authorisation) {
                    @if let Body::Authorisation(a) = &facts.shown(fact).record.body {
                        li { (a.given) ": " (text(&a.covers)) @if let Some(paper) = a.document { " " (paper_of(desk, job, paper)) } " " (amend(job, fact.id)) }
                    }
                }
            }
            @if facts.in_force(Kind::Authorisation).next().is_none() { p.warn { "None yet. Work before it is a finding." } }
            form.stacked method="post" action=(format!("/jobs/{}/papers", job.view.book)) enctype="multipart/form-data" {
                (desk.token_field())
                label for="paper" { "Signed paper, as PDF or picture" }
                input id="paper" type="file" name="file" required accept=".pdf,application/pdf,image/*";
                button { "Send the paper and fill in its digest" }
            }
            (part(desk, job, "authorise", "Log the client's leave", &fields))
        }
    }
}

/// A link to a paper that this server holds, and what removes it.
fn paper_of(desk: &Desk, job: &JobState, paper: Sha256Hash) -> Markup {
    let at = format!("/jobs/{}/papers/{paper}", job.view.book);
    html! {
        @if held(&desk.app, paper) {
            a href=(at) { "the signed paper" }
            " "
            details {
                summary { "Remove the paper" }
                p { "It is deleted from this server for good; copies in backups are not reached. The record keeps its digest." }
                form method="post" action=(format!("{at}/remove")) { (desk.token_field()) button { "Delete the file" } }
            }
        } @else { span.muted { "(the paper is kept elsewhere)" } }
    }
}

fn amend(job: &JobState, record: bolebook_core::ids::RecordId) -> Markup {
    html! { a href=(format!("/jobs/{}/records/{record}/amend", job.view.book)) { "amend" span.unseen { " this record" } } }
}

fn notices(desk: &Desk, job: &JobState, form: Form<'_>) -> Markup {
    let facts = &job.view.facts;
    let fields = html! {
        div.entries {
            (form.text("notice.to", "To whom", "Without personal details: 'the houses east of the park'.", true, "text"))
            (form.text("notice.how", "How", "", true, "text"))
            (form.text("notice.day", "Day", "", true, "date"))
            (form.text("notice.time", "Time", "In the job's time, HH:MM.", true, "time"))
            (form.lines("notice.text", "What was said", "", true))
        }
    };
    html! {
        section aria-labelledby="notices" {
            h2 id="notices" { "Notices and neighbours" }
            ul.records {
                @for fact in facts.in_force(Kind::Notice) {
                    @if let Body::Notice(n) = &facts.shown(fact).record.body {
                        li { span.nowrap { (moment(&job.view, n.given_at)) } " to " (text(&n.to)) ", " (text(&n.how)) ": " (text(&n.text)) " " (amend(job, fact.id)) }
                    }
                }
            }
            (part(desk, job, "notice", "Log a notice", &fields))
        }
    }
}

fn trees(desk: &Desk, job: &JobState, form: Form<'_>) -> Markup {
    let facts = &job.view.facts;
    let mut which = words(&[("all", "every tree of the job"), ("tags", "the trees with the tags below")]);
    which.extend(facts.in_force(Kind::Block).filter_map(|f| match &facts.shown(f).record.body {
        Body::Block(block) => Some((f.id.to_string(), format!("block {}", clean(&block.name)))),
        _ => None,
    }));
    let fields = html! {
        div.entries {
            (form.choice("trees.which", "Which trees", "", true, &which))
            (form.lines("trees.tags", "Tags", "One on each line, or with commas between.", false))
            (form.choice("trees.food", "Is sap tapped, or are fruit, nuts or leaves eaten?", "", false, &words(&[("yes", "yes"), ("no", "no")])))
            (form.figure("trees.water", "Distance to the nearest well or open water", "Of the tree that stands nearest.", false, &["m", "ft"]))
            (form.text("trees.felling", "Day of planned felling", "", false, "date"))
            (form.text("trees.metal", "Metal in the wood", "What and where: whoever drills there reads it first. It adds to what is known, and nothing takes it back but a strike.", false, "text"))
            (form.text("trees.note", "Anything to add", "", false, "text"))
        }
    };
    html! {
        section aria-labelledby="trees" {
            h2 id="trees" { "Food, water, felling and metal" }
            p { "Said once here, it counts at every dose for these trees as if a crew had seen it. What a crew sees later replaces it; metal only ever adds up." }
            p.small { @for (what, n) in said_of_trees(job) { span.nowrap { (n) " " (what) } ". " } }
            (part(desk, job, "trees", "Log it for these trees", &fields))
        }
    }
}

fn asked(desk: &Desk, job: &JobState, form: Form<'_>) -> Markup {
    let fields = html! {
        fieldset { legend { "Record schemes whose elements must be there" }
            @for (_, name, label) in SCHEMES { (form.tick(&format!("require.scheme.{name}"), label)) } }
        fieldset { legend { "Beyond them" }
            div.entries {
                @for (_, name, label) in ELEMENTS { (form.tick(&format!("require.element.{name}"), label)) }
                (form.tick("require.photo", "A photo of every treated tree"))
                (form.tick("require.condition", "The condition of every tree before it is treated"))
                (form.tick("require.cautions", "Every applicator's word, each day, that the cautions were read"))
                (form.tick("require.notice", "A notice before the work begins"))
            }
        }
        div.entries {
            (form.lines("require.categories", "Categories of licence that count here", "One on each line, as the authority names them; empty for any.", false))
            (form.lines("require.schemes", "Authorities or schemes whose licences count here", "One on each line; empty for any.", false))
            (form.text("require.stems", "Most stems a crew can treat in an hour", "A whole number.", false, "text"))
            (form.text("require.leak", "Share that may leak at a stem without being asked about, %", "", false, "text"))
        }
    };
    html! {
        section aria-labelledby="asked" {
            h2 id="asked" { "What is asked of every record" }
            p { "It replaces what was asked before." }
            (part(desk, job, "require", "Ask for this", &fields))
        }
    }
}

fn supervisors(desk: &Desk, job: &JobState) -> Markup {
    let yard = &desk.snapshot.yard;
    let asks = job.view.requirements();
    let today = today(desk);
    let among = |wanted: &[String], text: &str| {
        wanted.is_empty() || wanted.iter().any(|w| w.trim().eq_ignore_ascii_case(text.trim()))
    };
    let licences: Vec<_> = yard
        .facts
        .in_force(Kind::Licence)
        .filter_map(|f| match &yard.facts.shown(f).record.body {
            Body::Licence(l)
                if l.certified
                    && among(&asks.licence_categories, &l.category)
                    && among(&asks.licence_schemes, &l.scheme) =>
            {
                Some(l)
            }
            _ => None,
        })
        .collect();
    html! {
        section aria-labelledby="who" {
            h2 id="who" { "Who may supervise" }
            p { "The supervising applicator is named with each application by the crew. These hold a certifying licence that counts in this job:" }
            ul.records { @for l in &licences { li { (text(&desk.snapshot.names.named(l.person))) ", " (text(&l.category)) " of " (text(&l.scheme)) ": " (until(today, l.valid_to)) } } }
            @if licences.is_empty() { p.warn { "Nobody." } }
        }
    }
}
