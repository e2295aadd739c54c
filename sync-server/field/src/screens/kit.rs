//! The kit: check lists in the order of the work, the fill, what moved, and the label.

use bolebook_core::dosing::caution::{Act, cautions};
use bolebook_core::quantity::{Pa, Ul};
use bolebook_core::record::label::Label;

use super::Scene;
use super::plan::minded;
use crate::figures;
use crate::page::Page;
use crate::plan;
use crate::sentences::Said;
use crate::state::Units;
use crate::summary::{KitLine, Summary};

/// Steps before the first tree, each with the act whose cautions belong to it. The order is common
/// practice, no source; the kit's manual comes first.
const MORNING: [(&str, Option<Act>); 8] = [
    ("inspected", None),
    ("read-off", Some(Act::Fill)),
    ("under-limit", Some(Act::Fill)),
    ("valves-closed", None),
    ("air-set", Some(Act::Pressurise)),
    ("disconnected", None),
    ("purged", None),
    ("leak-checked", Some(Act::LeakCheck)),
];
const EVENING: [(&str, Option<Act>); 5] = [
    ("pressure-off", Some(Act::Leave)),
    ("drained", None),
    ("cleaned", None),
    ("rinsate", None),
    ("empties", None),
];

pub(super) fn kit(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let Some(line) = plan::kit(scene.state, summary).and_then(|k| summary.kit(k)) else {
        p.say("stopped", &scene.say("missing-kit"));
        p.button("big", "go:who", &scene.say("next-missing-kit"));
        return;
    };
    super::kits::which(p, scene, summary, line.id);
    facts(p, scene, summary, line);
    p.button("big", "go:fill", &scene.say("fill-kit"));
    p.tag("div", &[("class", "grid")], |p| {
        p.button("wide", "go:move", &scene.say("log-movement"));
        p.button("wide", "go:label", &scene.say("first-aid"));
    });
    gauge(p, scene, line);
    purposes(p, scene, summary);
    list(p, scene, summary, line, ("list-morning", &MORNING));
    list(p, scene, summary, line, ("list-evening", &EVENING));
    p.say("hint", &scene.say("lists-hint"));
}

fn facts(p: &mut Page, scene: &Scene<'_>, summary: &Summary, line: &KitLine) {
    let kit = &line.kit;
    p.card("", &kit.name, |p| {
        p.tag("dl", &[("class", "facts")], |p| {
            let mut pair = |id: &str, value: String| {
                p.line("dt", &[], &scene.say(id));
                p.line("dd", &[], &value);
            };
            let lot = line.filled.and_then(|(_, lot)| summary.lot(lot));
            pair("lot", lot.map_or_else(|| scene.say("nothing-filled"), |l| l.number.clone()));
            pair("in-kit", content(scene, summary, line));
            pair("fill-limit", format!("{} mL", kit.reservoir.fill_limit_ul.ml()));
            let limit = kit.reservoir.rating_pa.0.min(kit.hose_rating_pa.0).min(kit.fittings_rating_pa.0);
            pair("pressure-limit", figures::gauge(Pa(limit), scene.units()));
            let at = |pa| figures::gauge(pa, scene.units());
            let band = format!("{} – {}", at(kit.work_low_pa), at(kit.work_high_pa));
            pair("pressure-band", band);
            pair("inspection-due", kit.inspection_due.to_string());
            pair("relief-due", kit.reservoir.relief_due.to_string());
        });
    });
}

/// The gauge: charges until air is needed, and the second look that shows a leak.
fn gauge(p: &mut Page, scene: &Scene<'_>, line: &KitLine) {
    let choices = &scene.state.choices;
    let unit = if scene.units() == Units::Us { "psi" } else { "bar" };
    let degrees = if scene.units() == Units::Us { "°F" } else { "°C" };
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("gauge"));
        if let Some(at) = choices.aired_at {
            p.say("hint", &scene.words.with("air-on-at", &[("at", &scene.time(at))]));
        }
        if let Some(first) = choices.gauge {
            let (at, pressure) = (scene.time(first.at), figures::gauge(first.pa, scene.units()));
            p.say("hint", &scene.words.with("gauge-first", &[("at", &at), ("gauge", &pressure)]));
        }
        p.button("wide", "aired", &scene.say("air-put-on"));
        p.field("gauge", &format!("{} ({unit})", scene.say("gauge")), "", "decimal", "");
        p.field("air", &format!("{} ({degrees})", scene.say("air")), "", "decimal", "");
        p.button("wide", "gauge", &scene.say("gauge-look"));
        p.say("hint", &scene.say("gauge-hint"));
        if !line.kit.containers.is_empty() {
            p.button("wide", "calibrate", &scene.say("title-calibrate"));
        }
    });
}

pub(super) fn calibrate(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let Some(line) = plan::kit(scene.state, summary).and_then(|k| summary.kit(k)) else {
        return p.say("stopped", &scene.say("missing-kit"));
    };
    p.say("lead", &scene.say("calibrate-lead"));
    let options: Vec<(&str, String)> =
        line.kit.containers.iter().map(|c| (c.name.as_str(), c.name.clone())).collect();
    p.choices("container", &scene.say("container"), &options, None);
    p.field("charges", &scene.say("charges-found"), "", "text", &scene.say("charges-found-hint"));
    let unit = if scene.units() == Units::Us { "psi" } else { "bar" };
    p.field("gauge", &format!("{} ({unit})", scene.say("pressure")), "", "decimal", "");
    p.button("big", "calibrated", &scene.say("log-it"));
}

fn purposes(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    for (_, label) in &summary.labels {
        let there = plan::purposes(label);
        if there.len() < 2 {
            continue;
        }
        p.card("", &scene.words.with("which-purpose", &[("label", &label.name)]), |p| {
            p.tag("div", &[("class", "options")], |p| {
                for purpose in &there {
                    let chosen = scene.state.choices.purpose.as_ref() == Some(purpose);
                    let (class, pressed) =
                        if chosen { ("option chosen", "true") } else { ("option", "false") };
                    let act = format!("purpose:{purpose}");
                    p.line(
                        "button",
                        &[
                            ("type", "button"),
                            ("class", class),
                            ("data-act", &act),
                            ("aria-pressed", pressed),
                        ],
                        purpose,
                    );
                }
            });
        });
    }
}

/// A check list with its heading; what is ticked is ticked of this kit.
fn list(
    p: &mut Page,
    scene: &Scene<'_>,
    summary: &Summary,
    line: &KitLine,
    (heading, steps): (&str, &[(&str, Option<Act>)]),
) {
    let today = scene.today(summary).to_string();
    let mut said: Vec<&str> = vec![];
    p.card("steps", &scene.say(heading), |p| {
        p.tag("ol", &[], |p| {
            for (step, act) in steps {
                let of_kit = format!("{step}:{}", line.id);
                let ticked = scene.state.choices.ticked.iter().any(|(d, s)| *d == today && *s == of_kit);
                p.tag("li", &[], |p| {
                    let act_name = format!("tick:{of_kit}");
                    let (class, pressed) = if ticked { ("step ticked", "true") } else { ("step", "false") };
                    p.line(
                        "button",
                        &[
                            ("type", "button"),
                            ("class", class),
                            ("data-act", &act_name),
                            ("aria-pressed", pressed),
                        ],
                        &scene.say(&format!("step-{step}")),
                    );
                    let lines = act.map(cautions).unwrap_or_default();
                    for line in lines.iter().filter(|l| !ticked && !said.contains(l)) {
                        p.core("p", "mind", &scene.core(line));
                    }
                    said.extend(lines);
                });
            }
        });
    });
}

/// What a kit's reservoir should show: the product, or the mix it is in, less what is in containers on
/// trees. Not known while the view lacks what was logged last.
pub(super) fn content(scene: &Scene<'_>, summary: &Summary, line: &KitLine) -> String {
    if scene.state.behind() {
        return "…".into();
    }
    let mix = summary.label_in(line).and_then(|label| label.mix.as_ref());
    let content_ul = line.content_ul.saturating_sub(scene.state.out_of(line.id));
    let content = mix.map_or(Ul(content_ul), |_| summary.liquid_of(line, content_ul));
    of_mix(scene, format!("{} mL", content.ml()), mix.is_some())
}

/// How many charges of its largest container are left in a kit; nothing while that is not known.
pub(super) fn charges_left(scene: &Scene<'_>, summary: &Summary, line: &KitLine) -> Option<usize> {
    if scene.state.behind() {
        return None;
    }
    let charge = line.kit.containers.iter().map(|c| c.charge_ul.0).max().filter(|c| *c > 0)?;
    let content_ul = line.content_ul.saturating_sub(scene.state.out_of(line.id));
    let liquid = summary.liquid_of(line, content_ul).0;
    usize::try_from(liquid / charge).ok()
}

/// A volume, and that it is of the mix.
pub(super) fn of_mix(scene: &Scene<'_>, mut text: String, mixed: bool) -> String {
    if mixed {
        text.push(' ');
        text.push_str(&scene.say("of-the-mix"));
    }
    text
}

/// What is typed of a vessel's content, where labels have the product mixed.
pub(super) fn mixes<'a>(p: &mut Page, scene: &Scene<'_>, labels: impl Iterator<Item = &'a Label>) {
    for label in labels {
        if let Some(mix) = &label.mix {
            let words = scene.core(&mix.in_words());
            let text = format!("{}: {}. {}", label.name, words.text, scene.say("volumes-of-mix"));
            p.core("p", "mind", &Said { text, ..words });
        }
    }
}

pub(super) fn fill(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let line = plan::kit(scene.state, summary).and_then(|k| summary.kit(k));
    minded(p, scene, "cautions", cautions(Act::Fill));
    if let Some(line) = line {
        let limit = line.kit.reservoir.fill_limit_ul.ml();
        let texts = [("kit", line.kit.name.as_str()), ("limit", limit.as_str())];
        p.say("lead", &scene.words.with("fill-lead", &texts));
    }
    // Typed off the container each time, never offered: that is the check.
    p.field("lot", &scene.say("lot-read"), "", "text", &scene.say("read-off-hint"));
    p.scan("lot", &scene.say("scan-lot"), scene.words);
    p.field("registration", &scene.say("registration-read"), "", "text", "");
    // The lot is typed on this very screen, so that any label of the yard may be meant.
    mixes(p, scene, summary.labels.iter().map(|(_, label)| label));
    p.field("amount", &scene.say("fill-amount"), "", "decimal", "");
    p.button("big", "fill", &scene.say("log-fill"));
}

pub(super) fn moved(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let options = ["primed_or_tested", "returned", "spilled", "disposed", "in_kit"]
        .map(|w| (w, scene.say(&format!("moved-{}", w.replace('_', "-")))));
    p.choices("what", &scene.say("what-moved"), &options, None);
    let line = plan::kit(scene.state, summary).and_then(|k| summary.kit(k));
    mixes(p, scene, line.and_then(|line| summary.label_in(line)).into_iter());
    p.field("amount", &scene.say("amount-ml"), "", "decimal", "");
    let options = [("measured", scene.say("found-measured")), ("estimated", scene.say("found-estimated"))];
    p.choices("found", &scene.say("how-found"), &options, None);
    p.field("note", &scene.say("note"), "", "text", "");
    p.button("big", "moved", &scene.say("log-movement"));
}

pub(super) fn label(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    p.core("p", "stopped", &scene.core(bolebook_core::dosing::caution::UNDER_THE_SKIN));
    for (_, label) in &summary.labels {
        p.card("", &label.name, |p| {
            if let Some(mark) = &label.invented {
                p.core("p", "invented", &scene.core(mark));
            }
            p.line("h3", &[], &scene.say("first-aid"));
            p.tag("ul", &[], |p| label.first_aid.iter().for_each(|line| p.line("li", &[], line)));
            p.line("h3", &[], &scene.say("cautions"));
            p.tag("ul", &[], |p| label.cautions.iter().for_each(|line| p.line("li", &[], line)));
            p.tag("dl", &[("class", "facts")], |p| {
                let mut pair = |id: &str, value: &str| {
                    p.line("dt", &[], &scene.say(id));
                    p.line("dd", &[], value);
                };
                pair("registration", &label.registration);
                let active: Vec<&str> = label.active_ingredients.iter().map(|a| a.name.as_str()).collect();
                pair("active", &active.join(", "));
                pair("species", &label.species.join(", "));
            });
        });
    }
    p.button("wide danger", "go:incident", &scene.say("log-incident"));
}
