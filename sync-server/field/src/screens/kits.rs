//! Several kits on the truck: which is in the hand, which is used with it, and which hole got its charge
//! from which.

use bolebook_core::ids::{KitId, LabelId, TreeId};

use super::Scene;
use super::kit::{charges_left, content};
use super::plan::cautions;
use super::settings::option;
use crate::open_stem::{OpenHole, OpenStem};
use crate::page::Page;
use crate::plan::{self, Apart};
use crate::summary::{KitLine, Summary};

/// A kit, its lot and what is left in it: `Kit 1 · L-2601 · 612.0 mL · 61 charges`.
pub(super) fn named(scene: &Scene<'_>, summary: &Summary, line: &KitLine) -> String {
    let lot = line.filled.and_then(|(_, lot)| summary.lot(lot)).map(|l| l.number.clone());
    let mut parts = vec![line.kit.name.clone()];
    parts.extend(lot);
    parts.push(content(scene, summary, line));
    parts.extend(charges_left(scene, summary, line).map(|n| scene.words.count("kit-charges", n, &[])));
    parts.join(" · ")
}

fn name(summary: &Summary, kit: KitId) -> String {
    summary.kit(kit).map_or_else(String::new, |k| k.kit.name.clone())
}

/// Which kit is in the hand and which are used with it, where there are several.
pub(super) fn which(p: &mut Page, scene: &Scene<'_>, summary: &Summary, chosen: KitId) {
    let kits = plan::kits(scene.state, summary);
    let lines: Vec<&KitLine> = kits.iter().filter_map(|k| summary.kit(*k)).collect();
    if lines.len() < 2 {
        return;
    }
    p.card("", &scene.say("which-kit"), |p| {
        p.tag("div", &[("class", "options")], |p| {
            for line in &lines {
                option(p, &format!("kit:{}", line.id), &named(scene, summary, line), line.id == chosen);
            }
        });
        p.line("h3", &[], &scene.say("also-in-use"));
        p.tag("div", &[("class", "options")], |p| {
            for line in lines.iter().filter(|l| l.id != chosen) {
                let also = scene.state.choices.also.contains(&line.id);
                option(p, &format!("also:{}", line.id), &line.kit.name, also);
            }
        });
        p.say("hint", &scene.say("also-hint"));
    });
}

/// Why a kit may not be used with another.
pub(super) fn apart(
    p: &mut Page,
    scene: &Scene<'_>,
    summary: &Summary,
    kit: KitId,
    wanted: LabelId,
    why: &Apart,
) {
    let kit = name(summary, kit);
    let label = |id: LabelId| summary.label(id).map_or_else(|| id.to_string(), |l| l.name.clone());
    match why {
        Apart::Empty => p.say("", &scene.words.with("apart-empty", &[("kit", &kit)])),
        Apart::Product(holds) => {
            let texts = [("kit", kit.as_str()), ("holds", &label(*holds)), ("wanted", &label(wanted))];
            p.say("", &scene.words.with("apart-product", &texts));
        }
        Apart::Charges => p.say("", &scene.words.with("apart-charges", &[("kit", &kit)])),
        Apart::Stops(stops) => {
            p.say("", &scene.words.with("apart-stops", &[("kit", &kit)]));
            cautions(p, scene, stops);
        }
    }
}

/// Which holes of an open stem got their charge from which kit, and the way to say so.
pub(super) fn of_stem(p: &mut Page, scene: &Scene<'_>, summary: &Summary, stem: &OpenStem) {
    let several = plan::kits(scene.state, summary).len() > 1;
    if !several && stem.others.is_empty() {
        return;
    }
    p.tag("ul", &[("class", "lines")], |p| {
        for (kit, holes) in stem.by_kit() {
            let numbers: Vec<String> = holes.iter().map(usize::to_string).collect();
            let texts = [("kit", name(summary, kit)), ("holes", numbers.join(", "))];
            let texts: Vec<(&str, &str)> = texts.iter().map(|(k, v)| (*k, v.as_str())).collect();
            p.line("li", &[], &scene.words.count("holes-from", holes.len(), &texts));
        }
    });
    p.button("wide", &format!("kits:{}:{}", stem.tree, stem.stem), &scene.say("another-kit"));
}

/// From which kit the charge of a hole came.
pub(super) fn of_hole(p: &mut Page, scene: &Scene<'_>, summary: &Summary, stem: &OpenStem, hole: &OpenHole) {
    let mut kits = plan::kits(scene.state, summary);
    if !kits.contains(&stem.kit) {
        kits.push(stem.kit);
    }
    if kits.len() < 2 {
        return;
    }
    let options = kits.iter().map(|k| (k.to_string(), name(summary, *k))).collect();
    pick(p, "from-kit", &scene.say("kit-of-hole"), options, &stem.kit_of(hole).to_string());
}

/// Choices of which one is taken; the one chosen already, if any.
fn pick(p: &mut Page, name: &str, legend: &str, options: Vec<(String, String)>, chosen: &str) {
    let options: Vec<(&str, String)> = options.iter().map(|(id, text)| (id.as_str(), text.clone())).collect();
    p.choices(name, legend, &options, Some(chosen));
}

/// Going on with another kit in mid-tree.
pub(super) fn kits(p: &mut Page, scene: &Scene<'_>, summary: &Summary, (tree, stem): (TreeId, i64)) {
    let found = scene.state.open.iter().find(|being| (being.tree, being.stem) == (tree, stem));
    let Some(open) = found else { return p.say("lead", &scene.say("not-open")) };
    p.say("lead", &scene.say("kits-lead"));
    let mut can: Vec<&KitLine> = summary.kit(open.kit).into_iter().collect();
    for line in plan::kits(scene.state, summary).iter().filter_map(|k| summary.kit(*k)) {
        if line.id == open.kit {
            continue;
        }
        match plan::apart_from_open(scene.state, summary, open, line.id, scene.now) {
            None => can.push(line),
            Some(why) => {
                p.card("stopped", &scene.say("kit-not-now"), |p| {
                    apart(p, scene, summary, line.id, open.label, &why);
                });
            }
        }
    }
    if can.len() < 2 {
        return;
    }
    let options = can.iter().map(|line| (line.id.to_string(), named(scene, summary, line))).collect();
    pick(p, "kit", &scene.say("which-kit"), options, "");
    let options = (1..=open.holes.len()).map(|n| (n.to_string(), n.to_string())).collect();
    pick(p, "hole", &scene.say("from-hole"), options, "");
    p.say("hint", &scene.say("kits-hint"));
    p.button("big", &format!("from:{tree}:{stem}"), &scene.say("set-kit"));
}
