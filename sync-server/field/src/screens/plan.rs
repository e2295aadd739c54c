//! Dose, charges and layout of a stem; what stops it, and what to read, before the first hole.

use bolebook_core::dosing::advice::{Advice, Plan};
use bolebook_core::dosing::conditions::Caution;
use bolebook_core::ids::{RecordId, TreeId};
use bolebook_core::quantity::Ul;

use super::Scene;
use super::kit::of_mix;
use super::kits;
use crate::figures;
use crate::page::Page;
use crate::plan::{self as ask, Together, Tools};
use crate::summary::Summary;

pub(super) fn plan(
    p: &mut Page,
    scene: &Scene<'_>,
    summary: &Summary,
    (tree, stem): (TreeId, i64),
    continues: Option<RecordId>,
) {
    let state = scene.state;
    if state.open.iter().any(|being| (being.tree, being.stem) == (tree, stem)) {
        p.button("big", "go:board", &scene.say("state-open"));
        return;
    }
    let tools = match ask::tools(state, summary) {
        Ok(tools) => tools,
        Err(missing) => {
            p.say("stopped", &scene.say(missing.message()));
            let act = if missing == ask::Missing::Fill { "go:fill" } else { "go:who" };
            p.button("big", act, &scene.say(&format!("next-{}", missing.message())));
            return;
        }
    };
    match ask::ask(state, &tools, (tree, stem), continues, scene.now) {
        Ok(advice) => {
            kits::which(p, scene, summary, tools.kit);
            answer(p, scene, summary, &tools, &advice, continues);
        }
        Err(error) => p.core("p", "alert", &scene.core(&error.to_string())),
    }
}

fn answer(
    p: &mut Page,
    scene: &Scene<'_>,
    summary: &Summary,
    tools: &Tools,
    advice: &Advice,
    continues: Option<RecordId>,
) {
    let (tree, stem) = (advice.tree, advice.stem);
    if let Some(mark) = &advice.invented {
        p.core("p", "invented", &scene.core(mark));
    }
    if !advice.stops.is_empty() {
        p.card("stopped", &scene.say("do-not-treat"), |p| cautions(p, scene, &advice.stops));
        p.tag("div", &[("class", "grid")], |p| {
            p.button("wide", &format!("see:{tree}"), &scene.say("look-at"));
            p.button("wide", &format!("measure:{tree}:{stem}"), &scene.say("measure-again"));
            p.button("wide", "go:kit", &scene.say("title-kit"));
            p.button("wide", &format!("not:{tree}"), &scene.say("not-treat"));
        });
    }
    let asked = Together { tools, stem: (tree, stem), continues, now: scene.now };
    let apart =
        advice.plan.as_ref().map(|found| ask::apart(scene.state, summary, &asked, &ask::by_hole(found)));
    let apart = apart.unwrap_or_default();
    if !apart.is_empty() {
        p.card("stopped", &scene.say("do-not-treat"), |p| {
            for (kit, why) in &apart {
                kits::apart(p, scene, summary, *kit, tools.label, why);
            }
        });
    }
    if let Some(found) = advice.plan.as_ref().filter(|_| apart.is_empty()) {
        dose(p, scene, advice, found);
    }
    if !advice.cautions.is_empty() {
        p.card("caution", &scene.say("read-before"), |p| cautions(p, scene, &advice.cautions));
    }
    let today = scene.today(summary).to_string();
    let read = scene.state.choices.read.iter().any(|(l, d)| *l == tools.label && *d == today);
    if advice.plan.is_some() && apart.is_empty() {
        if read {
            let act = match continues {
                Some(application) => format!("begin:{tree}:{stem}:{application}"),
                None => format!("begin:{tree}:{stem}"),
            };
            p.button("big", &act, &scene.say("begin"));
        } else {
            p.card("caution", &scene.say("label-says"), |p| {
                list(p, &advice.label_cautions);
                p.line("h3", &[], &scene.say("first-aid"));
                list(p, &advice.first_aid);
                p.button("big", &format!("read:{}", tools.label), &scene.say("have-read"));
            });
        }
        p.say("hint", &scene.say("label-decides"));
        table(p, scene, advice);
        p.tag("details", &[], |p| {
            p.line("summary", &[], &scene.say("handling"));
            minded(p, scene, "", &advice.handling);
            list(p, &advice.label_cautions);
        });
    }
}

fn list(p: &mut Page, lines: &[String]) {
    p.tag("ul", &[], |p| lines.iter().for_each(|line| p.line("li", &[], line)));
}

/// A list of what the core says at an act.
pub(super) fn minded(p: &mut Page, scene: &Scene<'_>, class: &str, lines: &[&str]) {
    let attributes = [("class", class)];
    p.tag("ul", if class.is_empty() { &[] } else { &attributes }, |p| {
        lines.iter().for_each(|line| p.core("li", "", &scene.core(line)));
    });
}

pub(super) fn cautions(p: &mut Page, scene: &Scene<'_>, cautions: &[Caution]) {
    p.tag("ul", &[("class", "cautions")], |p| {
        for caution in cautions {
            p.tag("li", &[], |p| {
                p.core("span", "", &scene.core(&caution.text));
                p.core("span", "source", &scene.core(&caution.source));
            });
        }
    });
}

fn dose(p: &mut Page, scene: &Scene<'_>, advice: &Advice, found: &Plan) {
    if let Some(reading) = &advice.reading {
        p.core("p", "where", &scene.core(reading));
    }
    p.tag("div", &[("class", "dose")], |p| {
        p.tag("p", &[("class", "figure")], |p| {
            for (index, fill) in found.charges.fills.iter().enumerate() {
                if index > 0 {
                    p.text(" + ");
                }
                p.text(&held(scene, fill.count, fill.charge_ul, fill.mix_ul));
            }
        });
        let (total, usual) = (found.charges.total_ul.ml_exact(), found.dose.target_ul.ml_exact());
        let (least, most) = (found.dose.min_ul.ml_exact(), found.dose.max_ul.ml_exact());
        let texts = [
            ("total", total.as_str()),
            ("usual", usual.as_str()),
            ("least", least.as_str()),
            ("most", most.as_str()),
        ];
        p.say("", &scene.words.with("dose-is", &texts));
        if found.mix_by_hole_ul.is_some() {
            p.say("", &scene.say("volumes-of-product"));
        }
        p.core("p", "", &scene.core(&found.charges.note));
    });
    let stem = advice.stem.to_string();
    let title = scene.words.with("picture-title", &[("tag", &advice.tag), ("stem", &stem)]);
    let scale = figures::scale(scene.units());
    p.core("p", "lead", &scene.core(&format!("{}.", found.layout.instruction_in(scale))));
    p.core("p", "hint", &scene.core(&format!("{}.", found.layout.depth_text(scale))));
    p.layout(&found.layout, scale, &title, scene.words);
}

/// `14 × 10.0 mL`, and that it is of the mix.
pub(super) fn held(scene: &Scene<'_>, count: usize, charge: Ul, mix: Option<Ul>) -> String {
    of_mix(scene, format!("{count} × {} mL", mix.unwrap_or(charge).ml_exact()), mix.is_some())
}

fn table(p: &mut Page, scene: &Scene<'_>, advice: &Advice) {
    let Some(found) = &advice.plan else { return };
    let scale = figures::scale(scene.units());
    let unit = scale.name();
    p.tag("table", &[], |p| {
        p.line("caption", &[], &scene.say("holes"));
        p.tag("thead", &[], |p| {
            p.tag("tr", &[], |p| {
                for text in [
                    scene.say("hole"),
                    format!("{} ({unit})", scene.say("arc")),
                    format!("{} ({unit})", scene.say("height")),
                    of_mix(scene, "mL".to_owned(), found.mix_by_hole_ul.is_some()),
                ] {
                    p.line("th", &[("scope", "col")], &text);
                }
            });
        });
        p.tag("tbody", &[], |p| {
            let charges = found.mix_by_hole_ul.as_ref().unwrap_or(&found.by_hole_ul);
            let places = found.layout.places(scale);
            for ((hole, (arc, height)), charges) in found.layout.holes.iter().zip(places).zip(charges) {
                p.tag("tr", &[], |p| {
                    p.line("th", &[("scope", "row")], &hole.number.to_string());
                    p.line("td", &[], &arc);
                    p.line("td", &[], &height);
                    let each: Vec<String> = charges.iter().map(|c| c.ml_exact()).collect();
                    p.line("td", &[], &each.join(" + "));
                });
            }
        });
    });
}
