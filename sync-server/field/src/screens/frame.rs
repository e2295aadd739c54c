//! What stands around every screen: where one is, what is unsent, what was said, the way elsewhere.

use super::Scene;
use crate::page::Page;
use crate::state::{Look, Screen};

pub(super) fn around(p: &mut Page, scene: &Scene<'_>, inside: impl FnOnce(&mut Page)) {
    let look = match scene.state.choices.look {
        Look::Day => "day",
        Look::Night => "night",
        Look::Sun => "sun",
    };
    let language = scene.words.language().tag();
    let speak = if scene.state.choices.speak { "yes" } else { "no" };
    p.tag("div", &[("class", "app"), ("data-look", look), ("data-speak", speak), ("lang", language)], |p| {
        header(p, scene);
        p.tag("main", &[("id", "main")], |p| {
            message(p, scene);
            behind(p, scene);
            inside(p);
        });
        if scene.state.member.is_some() {
            ways(p, scene);
        }
    });
}

fn title(scene: &Scene<'_>) -> String {
    let tag = |tree| {
        let summary = scene.summary.as_ref().ok();
        summary.and_then(|s| s.tree(tree)).map(|t| t.tag.clone()).unwrap_or_default()
    };
    let id = match &scene.state.screen {
        Screen::Join => "title-join",
        Screen::Who => "title-who",
        Screen::Today => "title-today",
        Screen::Find { .. } => "title-find",
        Screen::Map => "title-map",
        Screen::Amend(_) => "title-amend",
        Screen::Calibrate => "title-calibrate",
        Screen::NewTree => "title-new",
        Screen::Tree(t) => return scene.words.with("title-tree", &[("tag", &tag(*t))]),
        Screen::Measure(t, _) => return scene.words.with("title-measure", &[("tag", &tag(*t))]),
        Screen::Condition(t) => return scene.words.with("title-look", &[("tag", &tag(*t))]),
        Screen::NotTreated(t) => return scene.words.with("title-not", &[("tag", &tag(*t))]),
        Screen::Plan(t, ..) => return scene.words.with("title-plan", &[("tag", &tag(*t))]),
        Screen::Finish(t, _) | Screen::Hole(t, _, _) => {
            return scene.words.with("title-finish", &[("tag", &tag(*t))]);
        }
        Screen::Kits(t, _) => return scene.words.with("title-kits", &[("tag", &tag(*t))]),
        Screen::Board => "title-board",
        Screen::Kit => "title-kit",
        Screen::Fill => "title-fill",
        Screen::Move => "title-move",
        Screen::Close => "title-close",
        Screen::Unsent => "title-unsent",
        Screen::Incident => "title-incident",
        Screen::Label => "title-label",
        Screen::Settings => "title-settings",
    };
    scene.say(id)
}

fn header(p: &mut Page, scene: &Scene<'_>) {
    p.tag("header", &[("class", "top")], |p| {
        let home = matches!(scene.state.screen, Screen::Join | Screen::Today);
        if !home {
            p.tag(
                "button",
                &[
                    ("type", "button"),
                    ("class", "back"),
                    ("data-act", "back"),
                    ("aria-label", &scene.say("back")),
                ],
                |p| p.line("span", &[("aria-hidden", "true")], "‹"),
            );
        }
        p.line("h1", &[("id", "title"), ("tabindex", "-1")], &title(scene));
        if scene.state.member.is_some() {
            let (unsent, since) = scene.state.unsent();
            let class = if unsent > 0 { "sent some" } else { "sent" };
            let text = match since {
                Some(at) => scene.words.count("unsent-short", unsent, &[("since", &scene.time(at))]),
                None => scene.say("all-sent-short"),
            };
            p.button(class, "go:unsent", &text);
        }
    });
}

fn message(p: &mut Page, scene: &Scene<'_>) {
    // The live region is always there, so that a screen reader hears what changes in it.
    p.tag("div", &[("id", "said"), ("role", "status"), ("aria-live", "polite")], |p| {
        let Some(message) = &scene.state.message else { return };
        let class = if message.bad { "said bad" } else { "said" };
        p.tag("div", &[("class", class)], |p| {
            p.core("p", "", &message.said);
            if let Some(record) = message.undo {
                p.button("small", &format!("undo:{record}"), &scene.say("undo"));
            }
        });
    });
}

/// What was logged before the books were read stands on no screen yet; the page asks for the screen again once
/// it does. A plan is not shown before, so that nothing is begun meanwhile.
fn behind(p: &mut Page, scene: &Scene<'_>) {
    if !scene.state.behind() {
        return;
    }
    let (class, id) = match scene.state.screen {
        Screen::Plan(..) => ("lead busy", "plan-behind"),
        _ => ("hint", "behind"),
    };
    p.line("p", &[("class", class), ("id", "behind")], &scene.say(id));
}

fn ways(p: &mut Page, scene: &Scene<'_>) {
    let here = match scene.state.screen {
        Screen::Find { .. }
        | Screen::Map
        | Screen::Amend(_)
        | Screen::NewTree
        | Screen::Tree(_)
        | Screen::Measure(..)
        | Screen::Condition(_)
        | Screen::NotTreated(_)
        | Screen::Plan(..) => "find",
        Screen::Board | Screen::Finish(..) | Screen::Hole(..) | Screen::Kits(..) => "board",
        Screen::Kit | Screen::Fill | Screen::Move | Screen::Label | Screen::Calibrate => "kit",
        Screen::Close => "close",
        _ => "today",
    };
    let open = scene.state.open.len();
    let late = scene.state.open.iter().any(|o| o.overdue(scene.now));
    p.tag("nav", &[("class", "ways"), ("aria-label", &scene.say("ways"))], |p| {
        for (name, id) in [
            ("today", "way-today"),
            ("find", "way-find"),
            ("board", "way-board"),
            ("kit", "way-kit"),
            ("close", "way-close"),
        ] {
            let act = format!("go:{name}");
            let mut attributes = vec![("type", "button"), ("data-act", act.as_str())];
            if name == here {
                attributes.push(("aria-current", "page"));
            }
            if name == "board" && late {
                attributes.push(("class", "late"));
            }
            p.tag("button", &attributes, |p| {
                p.text(&scene.say(id));
                if name == "board" && open > 0 {
                    p.line("span", &[("class", "count")], &open.to_string());
                }
            });
        }
    });
}
