//! The stems being treated now, and closing one: what was done, confirmed, never assumed.

use bolebook_core::dosing::caution::{Act, cautions};
use bolebook_core::ids::TreeId;
use bolebook_core::quantity::Ul;

use super::Scene;
use super::kits;
use super::plan::{held, minded};
use crate::field::clock;
use crate::figures;
use crate::open_stem::{Differs, OpenStem, SealingRule};
use crate::page::Page;
use crate::state::Units;
use crate::summary::Summary;

pub(super) fn board(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let mut open: Vec<&OpenStem> = scene.state.open.iter().collect();
    if open.is_empty() {
        p.say("lead", &scene.say("board-empty"));
        p.button("big", "go:find", &scene.say("next-find"));
        return;
    }
    // What has waited longest stands first.
    open.sort_by_key(|o| (o.on_at.is_none(), o.on_at.map_or(o.started_at, |at| at)));
    for stem in open {
        card(p, scene, summary, stem);
    }
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("mind"));
        minded(p, scene, "", &[Act::Charge, Act::Uptake, Act::TakeOff].map(cautions).concat());
    });
}

/// How many containers of which charge: `14 × 10.0 mL + 1 × 5.0 mL`.
fn charges(scene: &Scene<'_>, stem: &OpenStem) -> String {
    let mut counted: Vec<(Ul, Option<Ul>, usize)> = vec![];
    for hole in &stem.holes {
        match counted.iter_mut().find(|(charge, ..)| *charge == hole.charge_ul) {
            Some((.., count)) => *count += 1,
            None => counted.push((hole.charge_ul, hole.mix_ul, 1)),
        }
    }
    let parts = counted.into_iter().map(|(charge, mix, count)| held(scene, count, charge, mix));
    parts.collect::<Vec<_>>().join(" + ")
}

fn card(p: &mut Page, scene: &Scene<'_>, summary: &Summary, stem: &OpenStem) {
    let (tree, number) = (stem.tree, stem.stem);
    let late = stem.overdue(scene.now);
    p.card(if late { "open late" } else { "open" }, "", |p| {
        p.tag("div", &[("class", "cardhead")], |p| {
            p.line("h2", &[], &stem.tag);
            if let Some(at) = stem.on_at {
                let since = at.0.to_string();
                let limit = stem.uptake_limit_s.map(|s| (s * 1_000).to_string()).unwrap_or_default();
                let aloud = scene.words.with("say-over", &[("tag", &stem.tag)]);
                let mut attributes =
                    vec![("class", "timer"), ("data-since", since.as_str()), ("data-say", aloud.as_str())];
                if !limit.is_empty() {
                    attributes.push(("data-limit", &limit));
                }
                p.line("span", &attributes, &clock(stem.waiting_ms(scene.now).unwrap_or(0)));
            }
        });
        p.say("", &charges(scene, stem));
        kits::of_stem(p, scene, summary, stem);
        match stem.on_at {
            None => {
                let at = scene.time(stem.started_at);
                p.say("hint", &scene.words.with("begun-at", &[("at", &at)]));
                let unit = if scene.units() == Units::Us { "psi" } else { "bar" };
                let name = format!("pressure-{tree}-{number}");
                let label = format!("{} ({unit})", scene.say("pressure"));
                p.field(&name, &label, "", "decimal", &scene.say("pressure-hint"));
                let act = format!("on:{tree}:{number}");
                p.button("big", &act, &scene.words.count("containers-on", stem.holes.len(), &[]));
                p.button("wide", &format!("cancel:{tree}:{number}"), &scene.say("not-begun"));
            }
            Some(at) => {
                let on = scene.time(at);
                let limit = stem.uptake_limit_s.map(|s| s.max(0).unsigned_abs() / 60);
                let text = match limit {
                    Some(m) => scene.words.numbers("on-since-limit", &[("minutes", m)], &[("at", &on)]),
                    None => scene.words.with("on-since", &[("at", &on)]),
                };
                let hold = stem.hold_after_s.map(|s| s.max(0).unsigned_abs());
                let hold = hold.map(|s| scene.words.numbers("hold-after", &[("seconds", s)], &[]));
                p.say("hint", &format!("{text} {}", hold.unwrap_or_default()));
                if late {
                    p.say("stopped", &scene.say("uptake-over"));
                    for line in cautions(Act::Uptake) {
                        p.core("p", "stopped", &scene.core(line));
                    }
                }
                p.button("big", &format!("finish:{tree}:{number}"), &scene.say("finish"));
                p.button("link", &format!("off:{tree}:{number}"), &scene.say("not-on-yet"));
            }
        }
    });
}

fn open<'s>(p: &mut Page, scene: &Scene<'s>, tree: TreeId, stem: i64) -> Option<&'s OpenStem> {
    let found = scene.state.open.iter().find(|being| (being.tree, being.stem) == (tree, stem));
    if found.is_none() {
        p.say("lead", &scene.say("not-open"));
    }
    found
}

pub(super) fn finish(p: &mut Page, scene: &Scene<'_>, summary: &Summary, (tree, stem): (TreeId, i64)) {
    let Some(open) = open(p, scene, tree, stem) else { return };
    minded(p, scene, "cautions brief", cautions(Act::TakeOff));
    if open.on_at.is_none() {
        p.say("stopped", &scene.say("not-on"));
        p.button(
            "big",
            &format!("on:{tree}:{stem}"),
            &scene.words.count("containers-on", open.holes.len(), &[]),
        );
        return;
    }
    let (all, differ) = (open.holes.len(), open.differing());
    p.say("lead", &scene.say("which-differ"));
    p.tag("div", &[("class", "holes"), ("role", "group"), ("aria-label", &scene.say("holes"))], |p| {
        for (index, hole) in open.holes.iter().enumerate() {
            let number = (index + 1).to_string();
            let act = format!("hole:{tree}:{stem}:{index}");
            let (class, text) = match &hole.differs {
                None => ("hole", scene.say("as-planned")),
                Some(differs) => ("hole differs", said(scene, differs, hole.mix_ul.is_some())),
            };
            let label = format!("{} {number}: {text}", scene.say("hole"));
            p.tag(
                "button",
                &[("type", "button"), ("class", class), ("data-act", &act), ("aria-label", &label)],
                |p| p.text(&number),
            );
        }
    });
    if differ > 0 {
        p.tag("ul", &[], |p| {
            for (index, hole) in open.holes.iter().enumerate() {
                if let Some(differs) = &hole.differs {
                    let number = (index + 1).to_string();
                    p.line(
                        "li",
                        &[],
                        &format!(
                            "{} {number}: {}",
                            scene.say("hole"),
                            said(scene, differs, hole.mix_ul.is_some())
                        ),
                    );
                }
            }
        });
    }
    kits::of_stem(p, scene, summary, open);
    let text = |id: &str| {
        let id = if differ > 0 { format!("{id}-others") } else { id.to_owned() };
        scene.words.count(&id, all - differ, &[("differ", &differ.to_string())])
    };
    if open.sealing != SealingRule::Forbidden {
        p.button("big done", &format!("done:{tree}:{stem}:sealed"), &text("all-full-sealed"));
    }
    if open.sealing != SealingRule::Required {
        let class = if open.sealing == SealingRule::Optional { "big plain" } else { "big done" };
        p.button(class, &format!("done:{tree}:{stem}:open"), &text("all-full-open"));
    }
    p.say("hint", &scene.say("finish-hint"));
}

fn said(scene: &Scene<'_>, differs: &Differs, mixed: bool) -> String {
    let (put_in, leaked) = (differs.put_in_ul.ml_exact(), differs.leaked_ul.ml_exact());
    let sealed = scene.say(if differs.sealed { "was-sealed" } else { "was-left-open" });
    let texts = [("putin", put_in.as_str()), ("leaked", leaked.as_str()), ("sealed", sealed.as_str())];
    let mut said =
        scene.words.with(if differs.leaked_ul.0 > 0 { "hole-leaked" } else { "hole-took" }, &texts);
    if mixed {
        said.push_str(&scene.say("in-brackets-product"));
    }
    if differs.reseated {
        said.push_str("; ");
        said.push_str(&scene.say("was-reseated"));
    }
    said
}

pub(super) fn hole(
    p: &mut Page,
    scene: &Scene<'_>,
    summary: &Summary,
    (tree, stem): (TreeId, i64),
    index: usize,
) {
    let Some(open) = open(p, scene, tree, stem) else { return };
    let Some(hole) = open.holes.get(index) else { return };
    let number = (index + 1).to_string();
    let (charge, arc) = (hole.held_ul().ml_exact(), figures::trunk(hole.arc_um, scene.units()));
    let texts = [("hole", number.as_str()), ("charge", charge.as_str()), ("arc", arc.as_str())];
    p.say("lead", &scene.words.with("hole-planned", &texts));
    let options = [
        ("part", scene.say("took-part")),
        ("nothing", scene.say("took-nothing")),
        ("leaked", scene.say("it-leaked")),
        ("full", scene.say("took-all")),
    ];
    p.choices("what", &scene.say("what-differs"), &options, None);
    if hole.mix_ul.is_some() {
        p.say("mind", &scene.say("volumes-of-mix"));
    }
    p.field("amount", &scene.say("differs-amount"), "", "decimal", &scene.say("differs-hint"));
    let options = [("yes", scene.say("sealed")), ("no", scene.say("left-open"))];
    p.choices("sealed", &scene.say("hole-closed"), &options, None);
    let options = ["no", "yes"].map(|word| (word, scene.say(word)));
    p.choices("reseated", &scene.say("reseated"), &options, None);
    kits::of_hole(p, scene, summary, open, hole);
    p.button("big", &format!("differs:{tree}:{stem}:{index}"), &scene.say("mark-hole"));
    if hole.differs.is_some() {
        p.button("wide", &format!("same:{tree}:{stem}:{index}"), &scene.say("as-planned-after-all"));
    }
}
