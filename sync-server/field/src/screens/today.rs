//! The day at a glance, and the one next thing to do.

use bolebook_core::view::TreeState;

use super::Scene;
use super::find::away;
use super::kit;
use super::kits;
use super::tree;
use crate::field::clock;
use crate::figures;
use crate::page::Page;
use crate::plan::{self, Missing};
use crate::summary::Summary;

pub(super) fn today(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let state = scene.state;
    let crew = plan::crew(state, summary).and_then(|c| summary.crews.get(&c)).cloned().unwrap_or_default();
    let person = state.choices.person.map(|id| state.person_name(id)).unwrap_or_default();
    let day = scene.today(summary).to_string();
    p.say("where", &format!("{day} · {}", summary.title));
    p.tag("p", &[("class", "where")], |p| {
        p.text(&format!("{crew} · {person} "));
        p.button("link", "go:who", &scene.say("change"));
    });
    next(p, scene, summary);
    counts(p, scene, summary);
    questions(p, scene, summary);
    p.tag("div", &[("class", "grid")], |p| {
        p.button("wide", "go:label", &scene.say("first-aid"));
        p.button("wide danger", "go:incident", &scene.say("log-incident"));
        p.button("wide", "go:unsent", &scene.say("exchange"));
        p.button("wide", "go:settings", &scene.say("title-settings"));
    });
}

/// The next thing to do: what cannot wait first.
fn next(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let state = scene.state;
    let (act, text, why, class) = if let Some(late) = state.open.iter().find(|o| o.overdue(scene.now)) {
        let text = scene.words.with("next-overdue", &[("tag", &late.tag)]);
        (format!("finish:{}:{}", late.tree, late.stem), text, scene.say("next-overdue-why"), "next late")
    } else if let Err(missing) = plan::tools(state, summary) {
        let act = match missing {
            Missing::Fill | Missing::Label => "go:fill",
            Missing::Purpose => "go:kit",
            Missing::Crew | Missing::Person | Missing::Kit => "go:who",
        };
        (
            act.to_owned(),
            scene.say(&format!("next-{}", missing.message())),
            scene.say(missing.message()),
            "next",
        )
    } else if let Some(open) = state.open.iter().min_by_key(|o| o.on_at.map_or(i64::MAX, |at| at.0)) {
        let id = if open.on_at.is_some() { "next-finish" } else { "next-charge" };
        let waited = open.waiting_ms(scene.now).map(clock).unwrap_or_default();
        let text = scene.words.with(id, &[("tag", &open.tag)]);
        ("go:board".to_owned(), text, waited, "next")
    } else if let Some((tree, metres)) = nearest_left(scene, summary) {
        let line = &summary.trees[tree];
        let text = scene.words.with("next-tree", &[("tag", &line.tag)]);
        let block = line.block.and_then(|b| summary.blocks.get(&b).cloned());
        let far = metres.map(|m| figures::distance(m, scene.units()));
        let far = [block, far].into_iter().flatten().collect::<Vec<_>>().join(" · ");
        (format!("tree:{}", line.id), text, far, "next")
    } else if summary.trees.is_empty() {
        ("go:new".to_owned(), scene.say("next-list"), String::new(), "next")
    } else {
        ("go:close".to_owned(), scene.say("next-close"), String::new(), "next")
    };
    p.tag("button", &[("type", "button"), ("class", class), ("data-act", &act)], |p| {
        p.line("span", &[("class", "label")], &scene.say("next"));
        p.line("strong", &[], &text);
        if !why.is_empty() {
            p.line("span", &[("class", "why")], &why);
        }
    });
}

/// The nearest tree neither treated nor left alone; the first by tag where no position is known.
fn nearest_left(scene: &Scene<'_>, summary: &Summary) -> Option<(usize, Option<f64>)> {
    let left = summary.trees.iter().enumerate().filter(|(_, t)| t.state == TreeState::Left);
    let mut left: Vec<(usize, Option<f64>)> = left.map(|(i, t)| (i, away(scene, t))).collect();
    left.sort_by(|a, b| {
        let far = |m: Option<f64>| m.unwrap_or(f64::INFINITY);
        far(a.1).total_cmp(&far(b.1)).then(a.0.cmp(&b.0))
    });
    left.first().copied()
}

fn counts(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let counts = summary.counts;
    let kits = plan::kits(scene.state, summary);
    let several = kits.len() > 1;
    p.tag("dl", &[("class", "counts")], |p| {
        let mut pair = |id: &str, value: String| {
            p.tag("div", &[], |p| {
                p.line("dt", &[], &scene.say(id));
                p.line("dd", &[], &value);
            });
        };
        pair("count-treated", counts.treated.to_string());
        pair("count-left", counts.left.to_string());
        pair("count-not", counts.not_treated.to_string());
        if let Some(air) = tree::of_today(scene, summary).and_then(|c| c.air_mc) {
            let units = scene.units();
            pair("air", format!("{} {}", tree::degrees(air, units), tree::degree_sign(units)));
        }
        if let Some(read) = scene.state.choices.gauge.filter(|r| scene.is_today(summary, r.at)) {
            pair("gauge", format!("{} · {}", figures::gauge(read.pa, scene.units()), scene.time(read.at)));
        }
        if let (Some(line), false) = (plan::kit(scene.state, summary).and_then(|k| summary.kit(k)), several) {
            pair("in-kit", kit::content(scene, summary, line));
            if let Some(charges) = kit::charges_left(scene, summary, line) {
                pair("charges-left", charges.to_string());
            }
        }
    });
    if several {
        p.card("", &scene.say("kits-on-truck"), |p| {
            p.tag("ul", &[("class", "lines")], |p| {
                for line in kits.iter().filter_map(|k| summary.kit(*k)) {
                    p.line("li", &[], &kits::named(scene, summary, line));
                }
            });
        });
    }
}

fn questions(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let crew = plan::crew(scene.state, summary);
    for (_, question) in summary.questions.iter().filter(|(c, _)| Some(*c) == crew) {
        p.card("question", &scene.say("office-asks"), |p| {
            p.say("lead", &question.text);
            let name = format!("answer-{}", question.record);
            p.field(&name, &scene.say("your-answer"), "", "text", "");
            p.button("wide", &format!("answer:{}", question.record), &scene.say("send-answer"));
        });
    }
}
