//! The day's end: counts and volumes, the measurement that closes it, what is unsent; and an incident.

use bolebook_core::dosing::caution::UNDER_THE_SKIN;
use bolebook_core::quantity::Ul;

use super::Scene;
use super::kit::mixes;
use crate::changed::Change;
use crate::page::Page;
use crate::plan;
use crate::summary::Summary;

pub(super) fn close(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let Some(crew) = plan::crew(scene.state, summary) else {
        p.say("stopped", &scene.say("missing-crew"));
        return;
    };
    let today = scene.today(summary);
    if summary.closed.contains(&(crew, today)) {
        p.say("lead", &scene.say("already-closed"));
    }
    let treated: usize =
        summary.trees.iter().filter(|t| t.treated.iter().any(|d| (d.crew, d.day) == (crew, today))).count();
    let not_treated = summary.not_treated.get(&(crew, today)).copied().unwrap_or(0);
    let volumes = summary.volumes.get(&(crew, today)).copied().unwrap_or_default();
    let content: i64 = summary.kits.iter().filter(|k| k.kit.crew == Some(crew)).map(|k| k.content_ul).sum();
    p.tag("table", &[("class", "sums")], |p| {
        p.line("caption", &[], &scene.say("today-sums"));
        p.tag("tbody", &[], |p| {
            let mut row = |id: &str, value: String| {
                p.tag("tr", &[], |p| {
                    p.line("th", &[("scope", "row")], &scene.say(id));
                    p.line("td", &[], &value);
                });
            };
            row("sum-treated", treated.to_string());
            row("sum-not", not_treated.to_string());
            let ml = |v: i64| format!("{} mL", Ul(v).ml());
            row("sum-filled", ml(volumes.filled));
            row("sum-put-in", ml(volumes.put_in));
            row("sum-leaked", ml(volumes.leaked));
            row("sum-primed", ml(volumes.primed));
            row("sum-returned", ml(volumes.returned));
            row("sum-spilled", ml(volumes.spilled));
            row("sum-disposed", ml(volumes.disposed));
            row("sum-should", ml(content));
        });
    });
    let own = || summary.kits.iter().filter(|k| k.kit.crew == Some(crew) && k.filled.is_some());
    let labels = || own().filter_map(|line| summary.label_in(line));
    if labels().any(|label| label.mix.is_some()) {
        p.say("hint", &scene.say("sums-of-product"));
    }
    if !scene.state.open.is_empty() {
        p.say("stopped", &scene.say("close-open"));
        p.button("big", "go:board", &scene.say("way-board"));
        return;
    }
    mixes(p, scene, labels());
    for line in own() {
        let name = format!("kit-{}", line.id);
        let label = scene.words.with("measured-in-kit", &[("kit", &line.kit.name)]);
        p.field(&name, &label, "", "decimal", &scene.say("measured-hint"));
    }
    p.choices("none-out", &scene.say("containers-out"), &[("yes", scene.say("none-out"))], None);
    p.button("big", "close", &scene.say("close-day"));
}

pub(super) fn unsent(p: &mut Page, scene: &Scene<'_>) {
    let state = scene.state;
    let (unsent, since) = state.unsent();
    let text = match since {
        Some(at) => scene.words.count("unsent", unsent, &[("since", &scene.time(at))]),
        None => scene.say("all-sent"),
    };
    p.say("lead", &text);
    p.tag("div", &[("id", "part-photos")], |p| photos(p, scene));
    if let Some(at) = state.server.as_ref().and_then(|s| s.exchanged) {
        p.say("hint", &scene.words.with("exchanged-at", &[("at", &scene.time(at))]));
    }
    if let Some(why) = &state.no_exchange {
        if state.message.is_none() {
            p.core("p", "alert", &scene.core(why));
        }
        p.say("hint", &scene.say("kept-here"));
    }
    if state.exchanging {
        p.say("lead", &scene.say("exchanging"));
    } else {
        p.button("big", "exchange", &scene.say("exchange-now"));
    }
    p.line(
        "button",
        &[("type", "button"), ("class", "wide"), ("data-do", "bundle")],
        &scene.say("share-bundle"),
    );
    p.say("hint", &scene.say("bundle-hint"));
    p.button("wide", "go:close", &scene.say("way-close"));
    if let Ok(summary) = &scene.summary {
        changed(p, scene, summary);
    }
}

/// How far the photos are, or why they wait.
pub(super) fn photos(p: &mut Page, scene: &Scene<'_>) {
    let state = scene.state;
    if let Some(sending) = state.sending.filter(|s| s.of > 0) {
        let numbers =
            [("number", sending.number as u64), ("of", sending.of as u64), ("percent", sending.percent)];
        p.say("lead", &scene.words.numbers("photo-progress", &numbers, &[]));
    } else if state.photos > 0 {
        p.say("lead", &scene.words.count("photos-wait", state.photos, &[]));
        if let Some(why) = state.photos_wait {
            p.say("hint", &scene.say(why.message()));
        }
    }
}

/// What the office made of this crew's entries, so that nobody learns it a week later.
fn changed(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let crew = plan::crew(scene.state, summary);
    let own: Vec<_> = summary.changed.iter().filter(|c| Some(c.crew) == crew).take(12).collect();
    if own.is_empty() {
        return;
    }
    p.card("", &scene.say("office-changed"), |p| {
        p.tag("ul", &[], |p| {
            for line in own {
                let (kind, tag) = line.entry.clone().unwrap_or_default();
                let what = if kind.is_empty() { String::new() } else { scene.say(&kind) };
                let mut texts = vec![("what", what.as_str()), ("tag", tag.as_str())];
                let day;
                let said = match &line.change {
                    Change::Struck(reason) => {
                        texts.push(("reason", reason));
                        scene.words.with("office-struck", &texts)
                    }
                    Change::Amended => scene.words.with("office-amended", &texts),
                    Change::SignedOff(of) => {
                        day = of.to_string();
                        scene.words.with("office-signed", &[("day", &day)])
                    }
                };
                p.line("li", &[], &format!("{} · {said}", scene.time(line.at)));
            }
        });
    });
}

pub(super) fn incident(p: &mut Page, scene: &Scene<'_>, _: &Summary) {
    p.core("p", "stopped", &scene.core(UNDER_THE_SKIN));
    p.say("hint", &scene.say("help-first"));
    let options = ["exposure", "injury", "spill", "bystander", "damage"]
        .map(|w| (w, scene.say(&format!("incident-{w}"))));
    p.choices("what", &scene.say("what-happened"), &options, None);
    p.field("text", &scene.say("incident-text"), "", "text", &scene.say("incident-hint"));
    p.field("done", &scene.say("incident-done"), "", "text", "");
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("more"));
        p.field("told", &scene.say("incident-told"), "", "text", "");
        p.field("tree", &scene.say("incident-tree"), "", "text", "");
    });
    p.button("big", "incident", &scene.say("log-incident"));
}
