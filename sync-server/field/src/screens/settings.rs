//! Joining, who works, and what is set once.

use bolebook_core::authority::CODE_DIGITS;
use bolebook_core::ids::PersonId;

use super::Scene;
use crate::join::fingerprint;
use crate::page::Page;
use crate::plan;
use crate::state::{Look, Units};
use crate::summary::Summary;
use crate::words::Language;

/// A button that is pressed when it names what is chosen.
pub(super) fn option(p: &mut Page, act: &str, label: &str, chosen: bool) {
    let pressed = if chosen { "true" } else { "false" };
    let class = if chosen { "option chosen" } else { "option" };
    p.line(
        "button",
        &[("type", "button"), ("class", class), ("data-act", act), ("aria-pressed", pressed)],
        label,
    );
}

pub(super) fn join(p: &mut Page, scene: &Scene<'_>) {
    p.say("lead", &scene.say("join-lead"));
    let digits = CODE_DIGITS.to_string();
    let hint = scene.words.with("join-hint", &[("digits", &digits)]);
    p.field("code", &scene.say("join-code"), "", "numeric", &hint);
    p.scan("code", &scene.say("scan-code"), scene.words);
    p.button("big", "join", &scene.say("join-button"));
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("join-other-server"));
        p.field("url", &scene.say("join-address"), "", "url", &scene.say("join-address-hint"));
    });
    p.say("hint", &scene.say("join-install"));
    languages(p, scene);
}

fn languages(p: &mut Page, scene: &Scene<'_>) {
    p.card("", &scene.say("language"), |p| {
        p.tag("div", &[("class", "options")], |p| {
            for language in Language::ALL {
                let act = format!("language:{}", language.tag());
                option(p, &act, language.name(), language == scene.words.language());
            }
        });
    });
}

pub(super) fn no_books(p: &mut Page, scene: &Scene<'_>) {
    // A second job came and neither was chosen: the books are here.
    if scene.state.jobs().len() > 1 {
        return jobs(p, scene);
    }
    p.say("lead", &scene.say("no-books"));
    p.button("big", "exchange", &scene.say("exchange-now"));
}

fn jobs(p: &mut Page, scene: &Scene<'_>) {
    let jobs = scene.state.jobs();
    if jobs.len() < 2 {
        return;
    }
    p.card("", &scene.say("which-job"), |p| {
        p.tag("div", &[("class", "options")], |p| {
            for (id, title) in &jobs {
                option(p, &format!("job:{id}"), title, scene.state.job() == Some(*id));
            }
        });
    });
}

pub(super) fn who(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let state = scene.state;
    if let Some(member) = &state.member {
        let texts = [("name", member.name.as_str()), ("company", summary.company.as_str())];
        p.say("lead", &scene.words.with("joined-as", &texts));
        let print = fingerprint(&member.root);
        p.say("hint", &scene.words.with("root-key", &[("print", &print)]));
    }
    jobs(p, scene);
    let crew = plan::crew(state, summary);
    let kits: Vec<_> = summary
        .kits
        .iter()
        .filter(|k| crew.is_none() || k.kit.crew.is_none() || k.kit.crew == crew)
        .collect();
    if kits.len() > 1 {
        p.card("", &scene.say("which-kit"), |p| {
            p.tag("div", &[("class", "options")], |p| {
                for line in &kits {
                    let chosen = plan::kit(state, summary) == Some(line.id);
                    option(p, &format!("kit:{}", line.id), &line.kit.name, chosen);
                }
            });
        });
    }
    // The crew's own people first; who helps out for a day is one tap further away.
    let members = crew.and_then(|c| summary.members.get(&c)).cloned().unwrap_or_default();
    let (own, others): (Vec<PersonId>, Vec<PersonId>) =
        summary.people.iter().copied().partition(|p| members.contains(p));
    let list = |p: &mut Page, people: &[PersonId]| {
        p.tag("div", &[("class", "options")], |p| {
            for person in people {
                let chosen = state.choices.person == Some(*person);
                option(p, &format!("person:{person}"), &state.person_name(*person), chosen);
            }
        });
    };
    p.card("", &scene.say("who-works"), |p| list(p, &own));
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("somebody-else"));
        list(p, &others);
    });
    in_charge(p, scene, summary);
}

/// The certified applicator in charge, for whoever may not apply alone.
fn in_charge(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let choices = &scene.state.choices;
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("supervisor"));
        p.tag("div", &[("class", "options")], |p| {
            option(p, "supervisor:none", &scene.say("supervisor-none"), choices.supervisor.is_none());
            for person in &summary.people {
                let chosen = choices.supervisor == Some(*person);
                option(p, &format!("supervisor:{person}"), &scene.state.person_name(*person), chosen);
            }
        });
    });
}

pub(super) fn settings(p: &mut Page, scene: &Scene<'_>) {
    let choices = &scene.state.choices;
    p.card("", &scene.say("look"), |p| {
        p.tag("div", &[("class", "options")], |p| {
            for (act, id, look) in [
                ("look:day", "look-day", Look::Day),
                ("look:sun", "look-sun", Look::Sun),
                ("look:night", "look-night", Look::Night),
            ] {
                option(p, act, &scene.say(id), choices.look == look);
            }
        });
    });
    p.card("", &scene.say("units"), |p| {
        p.tag("div", &[("class", "options")], |p| {
            option(p, "units:metric", &scene.say("units-metric"), choices.units == Units::Metric);
            option(p, "units:us", &scene.say("units-us"), choices.units == Units::Us);
        });
        p.say("hint", &scene.say("units-hint"));
    });
    p.card("", &scene.say("speech"), |p| {
        p.tag("div", &[("class", "options")], |p| {
            option(p, "speak:no", &scene.say("speech-off"), !choices.speak);
            option(p, "speak:yes", &scene.say("speech-on"), choices.speak);
        });
        p.say("hint", &scene.say("speech-hint"));
    });
    languages(p, scene);
    if scene.state.member.is_some() {
        p.button("wide", "go:who", &scene.say("change-who"));
    }
    p.tag("p", &[("class", "hint"), ("id", "update"), ("hidden", "")], |p| {
        p.text(&scene.say("update-waits"))
    });
    p.tag("p", &[("class", "hint"), ("id", "storage")], |p| p.text(&scene.say("storage-asking")));
}
