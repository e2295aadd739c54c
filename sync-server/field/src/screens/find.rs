//! Finding a tree by tag or by where one stands, and listing one that is new.

use bolebook_core::geo;
use bolebook_core::view::TreeState;

use super::Scene;
use crate::figures;
use crate::page::Page;
use crate::state::State;
use crate::summary::{Summary, TreeLine};

/// Most trees drawn at once: layout costs more than the search.
const MOST_ROWS: usize = 30;
/// A tree this near may be the one about to be listed, in metres beyond the fix's accuracy.
const NEAR_M: f64 = 4.0;

/// How far a tree is, in metres, when both places are known.
pub(super) fn away(scene: &Scene<'_>, tree: &TreeLine) -> Option<f64> {
    let here = scene.state.fix?;
    Some(geo::distance_m(&here.position, &tree.position?))
}

pub(super) fn find(p: &mut Page, scene: &Scene<'_>, summary: &Summary, text: &str) {
    p.tag("div", &[("class", "field")], |p| {
        p.line("label", &[("for", "f-text")], &scene.say("find-tag"));
        p.void(
            "input",
            &[
                ("id", "f-text"),
                ("name", "text"),
                ("type", "search"),
                ("autocomplete", "off"),
                ("autocapitalize", "characters"),
                ("data-live", "results"),
                ("value", text),
            ],
        );
    });
    p.tag("div", &[("class", "grid")], |p| {
        p.scan("text", &scene.say("scan-tag"), scene.words);
        p.button("wide", "go:map", &scene.say("title-map"));
    });
    p.button("big", "go:new", &scene.say("new-tree"));
    p.tag("div", &[("id", "part-results")], |p| results(p, scene, summary, text));
}

pub(super) fn results(p: &mut Page, scene: &Scene<'_>, summary: &Summary, text: &str) {
    let wanted = text.trim().to_lowercase();
    let mut rows: Vec<(&TreeLine, Option<f64>)> = summary
        .trees
        .iter()
        .filter(|t| wanted.is_empty() || t.tag.to_lowercase().contains(&wanted))
        .map(|t| (t, away(scene, t)))
        .collect();
    if wanted.is_empty() {
        // Nearest first; where no place is known, what is left first. The order by tag stays within.
        rows.sort_by(|a, b| {
            let far = |m: Option<f64>| m.unwrap_or(f64::INFINITY);
            let done = |t: &TreeLine| t.state != TreeState::Left;
            far(a.1).total_cmp(&far(b.1)).then(done(a.0).cmp(&done(b.0)))
        });
    } else {
        rows.sort_by_key(|(t, _)| {
            let tag = t.tag.to_lowercase();
            (tag != wanted, !tag.starts_with(&wanted))
        });
    }
    let place = match scene.state.fix {
        Some(fix) => {
            let metres = fix.position.accuracy_um.map_or(0.0, |a| a.0 as f64 / 1e6);
            scene.words.with("place-known", &[("accuracy", &figures::distance(metres, scene.units()))])
        }
        None => scene.say("place-unknown"),
    };
    p.say("hint", &place);
    p.tag("ul", &[("class", "rows")], |p| {
        for (tree, metres) in rows.iter().take(MOST_ROWS) {
            p.tag("li", &[], |p| row(p, scene, tree, *metres));
        }
    });
    if rows.len() > MOST_ROWS {
        p.say("hint", &scene.words.count("more-trees", rows.len() - MOST_ROWS, &[]));
    }
    if rows.is_empty() {
        p.say("lead", &scene.say("no-such-tree"));
    }
}

/// The word for what became of a tree.
pub(super) fn state_word(scene: &Scene<'_>, state: TreeState) -> (String, &'static str) {
    match state {
        TreeState::Treated => (scene.say("state-treated"), "treated"),
        TreeState::NotTreated(_) => (scene.say("state-not"), "not"),
        TreeState::Left => (scene.say("state-left"), "left"),
    }
}

fn row(p: &mut Page, scene: &Scene<'_>, tree: &TreeLine, metres: Option<f64>) {
    let act = format!("tree:{}", tree.id);
    let (word, class) = state_word(scene, tree.state);
    let open = scene.state.open.iter().any(|being| being.tree == tree.id);
    let class = format!("row {}", if open { "open" } else { class });
    p.tag("button", &[("type", "button"), ("class", &class), ("data-act", &act)], |p| {
        p.line("strong", &[], &tree.tag);
        let diameter = tree.diameters.first().and_then(Option::as_ref);
        let mut about: Vec<String> = vec![];
        about.extend(tree.species.clone());
        about.extend(diameter.map(|(_, d)| figures::trunk(*d, scene.units())));
        if open {
            about.push(scene.say("state-open"));
        } else if tree.state != TreeState::Left {
            about.push(word);
        }
        p.line("span", &[], &about.join(" · "));
        if let Some(metres) = metres {
            p.line("span", &[("class", "far")], &figures::distance(metres, scene.units()));
        }
    });
}

/// Species of the job and of the labels in use, the one last listed first.
fn species(scene: &Scene<'_>, summary: &Summary) -> Vec<String> {
    let mut all: Vec<String> = scene.state.choices.species.iter().cloned().collect();
    let listed = summary.trees.iter().filter_map(|t| t.species.clone());
    let labelled = summary.labels.iter().flat_map(|(_, l)| l.species.iter().cloned());
    for species in listed.chain(labelled) {
        if !all.contains(&species) {
            all.push(species);
        }
        if all.len() == 9 {
            break;
        }
    }
    all
}

/// The tag after the last one listed: `P-31` after `P-30`.
fn next_tag(summary: &Summary) -> String {
    let last = summary.trees.iter().max_by_key(|t| t.id).map(|t| t.tag.clone()).unwrap_or_default();
    let digits = last.bytes().rev().take_while(u8::is_ascii_digit).count();
    let (head, number) = last.split_at(last.len() - digits);
    let Ok(mut number) = number.parse::<u64>() else { return String::new() };
    // Never one that stands on a tree already.
    loop {
        number = number.saturating_add(1);
        let tag = format!("{head}{number:0digits$}");
        if number == u64::MAX || !summary.trees.iter().any(|t| t.tag.eq_ignore_ascii_case(&tag)) {
            return tag;
        }
    }
}

/// Trees listed where the device stands.
pub(crate) fn near<'s>(state: &'s State, summary: &'s Summary) -> impl Iterator<Item = &'s TreeLine> {
    let accuracy = state.fix.and_then(|f| f.position.accuracy_um).map_or(0.0, |a| a.0 as f64 / 1e6);
    let within = move |t: &&TreeLine| {
        let metres = state.fix.zip(t.position).map(|(here, there)| geo::distance_m(&here.position, &there));
        metres.is_some_and(|m| m <= NEAR_M + accuracy.min(15.0))
    };
    summary.trees.iter().filter(within)
}

pub(super) fn new_tree(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let known: Vec<&TreeLine> = near(scene.state, summary).take(3).collect();
    if !known.is_empty() {
        p.card("caution", &scene.say("may-be-listed"), |p| {
            p.tag("ul", &[("class", "rows")], |p| {
                for tree in known {
                    p.tag("li", &[], |p| row(p, scene, tree, away(scene, tree)));
                }
            });
            // Nothing is made twice unseen: another tree has to be said to be one.
            p.choices("another", &scene.say("which-is-it"), &[("yes", scene.say("another-tree"))], None);
        });
    }
    let options: Vec<(String, String)> =
        species(scene, summary).into_iter().map(|s| (s.clone(), s)).collect();
    let options: Vec<(&str, String)> = options.iter().map(|(v, l)| (v.as_str(), l.clone())).collect();
    p.choices("species", &scene.say("species"), &options, None);
    p.field("tag", &scene.say("tag"), &next_tag(summary), "text", &scene.say("tag-hint"));
    p.scan("tag", &scene.say("scan-tag"), scene.words);
    p.button("big", "list", &scene.say("list-tree"));
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("more"));
        p.field("other-species", &scene.say("other-species"), "", "text", &scene.say("other-species-hint"));
        p.field("stems", &scene.say("stems"), "1", "numeric", &scene.say("stems-hint"));
    });
}
