//! The map: trees near here, drawn from the data alone, so that it is there without signal. The list
//! beside it says the same to whoever cannot see or point.

use bolebook_core::geo;
use bolebook_core::record::stand::Position;
use bolebook_core::view::TreeState;

use super::Scene;
use super::find::away;
use crate::figures;
use crate::page::Page;
use crate::summary::{Summary, TreeLine};

/// Most trees drawn: more are no picture on a phone.
const MOST: usize = 150;
/// The picture's side, in its own units.
const SIDE: f64 = 360.0;
/// What is free at its edges, so that a tag can stand there.
const EDGE: f64 = 24.0;

/// East and north of a place in metres.
fn offset(from: &Position, to: &Position) -> (f64, f64) {
    let east = Position { lon_ndeg: to.lon_ndeg, ..*from };
    let north = Position { lat_ndeg: to.lat_ndeg, ..*from };
    let signed = |metres: f64, forward: bool| if forward { metres } else { -metres };
    (
        signed(geo::distance_m(from, &east), to.lon_ndeg >= from.lon_ndeg),
        signed(geo::distance_m(from, &north), to.lat_ndeg >= from.lat_ndeg),
    )
}

pub(super) fn map(p: &mut Page, scene: &Scene<'_>, summary: &Summary) {
    let mut placed: Vec<(&TreeLine, Position, f64)> =
        summary.trees.iter().filter_map(|t| Some((t, t.position?, away(scene, t).unwrap_or(0.0)))).collect();
    if placed.is_empty() {
        p.say("lead", &scene.say("no-places"));
        p.button("big", "go:find", &scene.say("as-list"));
        return;
    }
    placed.sort_by(|a, b| a.2.total_cmp(&b.2));
    let hidden = placed.len().saturating_sub(MOST);
    placed.truncate(MOST);
    let here = scene.state.fix.map(|f| f.position);
    let middle = here.unwrap_or(placed[0].1);
    let spots: Vec<(&TreeLine, f64, f64)> = placed
        .iter()
        .map(|(tree, place, _)| {
            let (east, north) = offset(&middle, place);
            (*tree, east, north)
        })
        .collect();
    let reach = spots.iter().map(|(_, e, n)| e.abs().max(n.abs())).fold(5.0, f64::max);
    let scale = (SIDE / 2.0 - EDGE) / reach;
    let at = |east: f64, north: f64| (SIDE / 2.0 + east * scale, SIDE / 2.0 - north * scale);
    let title =
        scene.words.count("map-title", spots.len(), &[("reach", &figures::distance(reach, scene.units()))]);
    p.tag(
        "svg",
        &[("class", "map"), ("viewBox", "0 0 360 360"), ("role", "img"), ("aria-label", &title)],
        |p| {
            blocks(p, summary, &middle, &at);
            // What is left is drawn last, so that it lies on top.
            for left in [false, true] {
                for (tree, east, north) in
                    spots.iter().filter(|(t, _, _)| (t.state == TreeState::Left) == left)
                {
                    mark(p, scene, tree, at(*east, *north), spots.len() <= 40);
                }
            }
            if here.is_some() {
                p.tag("circle", &[("class", "here"), ("cx", "180"), ("cy", "180"), ("r", "7")], |_| {});
            }
            p.tag("text", &[("x", "180"), ("y", "14"), ("class", "north"), ("text-anchor", "middle")], |p| {
                p.text(&scene.say("north"));
            });
        },
    );
    p.say("hint", &title);
    if hidden > 0 {
        p.say("hint", &scene.words.count("more-trees", hidden, &[]));
    }
    p.tag("ul", &[("class", "key")], |p| {
        for (class, id) in [("left", "state-left"), ("treated", "state-treated"), ("not", "state-not")] {
            p.tag("li", &[("class", class)], |p| p.text(&scene.say(id)));
        }
    });
    p.button("big", "go:find", &scene.say("as-list"));
}

/// The blocks' boundaries; the picture's edge cuts off what lies beyond.
fn blocks(p: &mut Page, summary: &Summary, middle: &Position, at: &impl Fn(f64, f64) -> (f64, f64)) {
    for (id, boundary) in &summary.boundaries {
        let corners: Vec<(f64, f64)> = boundary
            .iter()
            .map(|c| {
                let place = Position { lat_ndeg: c.lat_ndeg, lon_ndeg: c.lon_ndeg, ..*middle };
                let (east, north) = offset(middle, &place);
                at(east, north)
            })
            .collect();
        let points: Vec<String> = corners.iter().map(|(x, y)| format!("{x:.0},{y:.0}")).collect();
        p.tag("polygon", &[("class", "block"), ("points", &points.join(" "))], |_| {});
        // Its name stands at the part of its north edge that is in the picture.
        let inside = |v: f64| v.clamp(EDGE, SIDE - EDGE);
        let Some((x, y)) = corners.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1)) else { continue };
        let (x, y) = (format!("{:.0}", inside(x)), format!("{:.0}", inside(y + 12.0)));
        let name = summary.blocks.get(id).map_or("", String::as_str);
        p.tag("text", &[("class", "block"), ("x", &x), ("y", &y), ("text-anchor", "middle")], |p| {
            p.text(name)
        });
    }
}

/// A tree: a ring when it is left, filled when treated, a cross when decided against; colour repeats it.
fn mark(p: &mut Page, scene: &Scene<'_>, tree: &TreeLine, (x, y): (f64, f64), tagged: bool) {
    let open = scene.state.open.iter().any(|being| being.tree == tree.id);
    let class = match tree.state {
        _ if open => "tree open",
        TreeState::Treated => "tree treated",
        TreeState::NotTreated(_) => "tree not",
        TreeState::Left => "tree left",
    };
    let act = format!("tree:{}", tree.id);
    let (x_text, y_text) = (format!("{x:.0}"), format!("{y:.0}"));
    p.tag("g", &[("class", class), ("data-act", &act)], |p| {
        // A finger's width may be hit, whatever the mark's own size.
        p.tag("circle", &[("class", "hit"), ("cx", &x_text), ("cy", &y_text), ("r", "14")], |_| {});
        if matches!(tree.state, TreeState::NotTreated(_)) && !open {
            let d = format!("M{} {}l10 10m0 -10l-10 10", (x - 5.0).round(), (y - 5.0).round());
            p.tag("path", &[("d", &d)], |_| {});
        } else {
            p.tag("circle", &[("cx", &x_text), ("cy", &y_text), ("r", "6")], |_| {});
        }
        if tagged {
            let above = format!("{:.0}", y - 9.0);
            p.tag("text", &[("x", &x_text), ("y", &above), ("text-anchor", "middle")], |p| p.text(&tree.tag));
        }
    });
}
