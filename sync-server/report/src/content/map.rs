//! The map: blocks and trees to scale, north up. States are told by shape and label as well as
//! colour; colours are Okabe and Ito's set (M. Okabe and K. Ito, Color Universal Design, 2002/2008).

use bolebook_core::geo;
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::TreeState;

use super::Writer;
use crate::clean;
use crate::layout::{BLACK, BODY, MARGIN, Node, Op, Pen, Rgb, Role, SMALL, Seg, circle, rectangle, stroke};

/// Trees that carry their tag in writing.
const MOST_LABELLED: usize = 160;
const HEIGHT: f32 = 430.0;
const GREEN: Rgb = (0x00, 0x9e, 0x73);
const VERMILLION: Rgb = (0xd5, 0x5e, 0x00);
const BLUE: Rgb = (0x00, 0x72, 0xb2);
const SKY: Rgb = (0xe6, 0xf3, 0xfb);
const WHITE: Rgb = (255, 255, 255);

fn pen(colour: Rgb, width: f32) -> Option<Pen> {
    Some(Pen { colour, width, dash: None })
}

/// A tree's sign: a full circle, a cross, an empty circle.
fn sign(x: f32, y: f32, r: f32, state: TreeState) -> Vec<Op> {
    let shape = |segs, fill, pen| Op::Shape { segs, fill, pen };
    match state {
        TreeState::Treated => vec![shape(circle(x, y, r), Some(GREEN), pen(BLACK, 0.4))],
        TreeState::NotTreated(_) => vec![
            shape(stroke((x - r, y - r), (x + r, y + r)), None, pen(VERMILLION, 1.4)),
            shape(stroke((x + r, y - r), (x - r, y + r)), None, pen(VERMILLION, 1.4)),
        ],
        TreeState::Left => vec![shape(circle(x, y, r), Some(WHITE), pen(BLACK, 0.8))],
    }
}

/// A round length for the scale bar, a quarter of the width at most.
fn scale_bar(width_m: f64) -> f64 {
    let mut length = 0.5;
    for step in [2.0, 2.0, 2.5].into_iter().cycle().take(30) {
        if length * step > width_m / 4.0 {
            break;
        }
        length *= step;
    }
    length
}

struct Ground {
    trees: Vec<(f64, f64, TreeState, String)>,
    blocks: Vec<(String, Vec<(f64, f64)>)>,
    unplaced: usize,
}

fn ground(w: &Writer<'_, '_, '_>) -> Ground {
    let view = w.asked.view;
    let mut origin = None;
    let mut at = |lat: i64, lon: i64| geo::offset_m(*origin.get_or_insert((lat, lon)), (lat, lon));
    let mut found = Ground { trees: vec![], blocks: vec![], unplaced: 0 };
    for shown in &w.seen.trees {
        match view.tree(shown.id).and_then(|t| t.position) {
            Some(p) => {
                let (east, north) = at(p.lat_ndeg, p.lon_ndeg);
                found.trees.push((east, north, shown.state, view.tag(shown.id)));
            }
            None => found.unplaced += 1,
        }
    }
    for fact in view.facts.in_force(Kind::Block) {
        if let Body::Block(b) = &view.facts.shown(fact).record.body
            && b.boundary.len() > 2
        {
            let corners = b.boundary.iter().map(|c| at(c.lat_ndeg, c.lon_ndeg)).collect();
            found.blocks.push((b.name.clone(), corners));
        }
    }
    found
}

/// The section.
pub fn section(w: &mut Writer<'_, '_, '_>) {
    let ground = ground(w);
    w.flow.turn();
    w.section("map");
    let corners = || {
        let trees = ground.trees.iter().map(|t| (t.0, t.1));
        trees.chain(ground.blocks.iter().flat_map(|(_, b)| b.iter().copied()))
    };
    if corners().next().is_none() {
        w.flow.paragraph(&w.say("report-no-map"), BODY);
        return;
    }
    let span = |of: fn((f64, f64)) -> f64| {
        let low = corners().map(of).fold(f64::INFINITY, f64::min);
        let high = corners().map(of).fold(f64::NEG_INFINITY, f64::max);
        ((low + high) / 2.0, (high - low).max(10.0) * 1.06)
    };
    let ((east, wide), (north, tall)) = (span(|p| p.0), span(|p| p.1));
    let width = w.flow.width();
    w.flow.room(HEIGHT);
    let scale = (f64::from(width) / wide).min(f64::from(HEIGHT) / tall);
    let top = w.flow.y;
    let x = |e: f64| MARGIN + width / 2.0 + ((e - east) * scale) as f32;
    let y = |n: f64| top + HEIGHT / 2.0 - ((n - north) * scale) as f32;
    let frame = rectangle(MARGIN, top, width, HEIGHT);
    let mut ops = vec![Op::Shape { segs: frame, fill: Some(WHITE), pen: pen((120, 120, 120), 0.6) }];
    blocks(w, &ground, &mut ops, (&x, &y));
    let r = (60.0 / (ground.trees.len().max(1) as f32).sqrt()).clamp(1.2, 4.0);
    for (e, n, state, tag) in &ground.trees {
        ops.extend(sign(x(*e), y(*n), r, *state));
        if ground.trees.len() <= MOST_LABELLED {
            let line = w.flow.fonts.line(&clean(tag), false);
            ops.push(Op::Text { line, x: x(*e) + r + 1.5, y: y(*n) + 2.0, size: 5.5, colour: BLACK });
        }
    }
    ops.extend(bar(w, f64::from(width) / scale, scale, (MARGIN + 8.0, top + HEIGHT - 8.0)));
    let (nx, ny) = (MARGIN + width - 16.0, top + 12.0);
    let arrow = vec![
        Seg::Move(nx, ny),
        Seg::Line(nx - 5.0, ny + 14.0),
        Seg::Line(nx, ny + 10.0),
        Seg::Line(nx + 5.0, ny + 14.0),
        Seg::Close,
    ];
    ops.push(Op::Shape { segs: arrow, fill: Some(BLACK), pen: None });
    let line = w.flow.fonts.line("N", true);
    ops.push(Op::Text { line, x: nx - 3.0, y: ny + 24.0, size: 9.0, colour: BLACK });
    let words = w.with("report-map-words", &[("count", ground.trees.len().to_string())]);
    let leaf = w.flow.mark(ops);
    w.flow.nodes.push(Node::Part(Role::Figure(words), vec![leaf]));
    w.flow.y = top + HEIGHT + 6.0;
    legend(w, ground.unplaced);
}

fn blocks(
    w: &Writer<'_, '_, '_>,
    ground: &Ground,
    ops: &mut Vec<Op>,
    (x, y): (&dyn Fn(f64) -> f32, &dyn Fn(f64) -> f32),
) {
    for (name, boundary) in &ground.blocks {
        let corner = |(at, (e, n)): (usize, &(f64, f64))| {
            if at == 0 { Seg::Move(x(*e), y(*n)) } else { Seg::Line(x(*e), y(*n)) }
        };
        let mut segs: Vec<Seg> = boundary.iter().enumerate().map(corner).collect();
        segs.push(Seg::Close);
        let edge = Some(Pen { colour: BLUE, width: 1.2, dash: Some([5.0, 2.5]) });
        ops.push(Op::Shape { segs, fill: Some(SKY), pen: edge });
        if let Some((e, n)) = boundary.iter().max_by(|a, b| a.1.total_cmp(&b.1)) {
            let line = w.flow.fonts.line(&clean(name), true);
            ops.push(Op::Text { line, x: x(*e), y: y(*n) + 10.0, size: 7.5, colour: BLUE });
        }
    }
}

fn bar(w: &Writer<'_, '_, '_>, wide_m: f64, scale: f64, (x, y): (f32, f32)) -> Vec<Op> {
    let metres = scale_bar(wide_m);
    let length = (metres * scale) as f32;
    let line = w.flow.fonts.line(&format!("{metres} m"), false);
    vec![
        Op::Shape { segs: rectangle(x, y - 3.0, length, 3.0), fill: Some(BLACK), pen: None },
        Op::Text { line, x, y: y - 6.0, size: 7.5, colour: BLACK },
    ]
}

/// What the signs mean, with their counts.
fn legend(w: &mut Writer<'_, '_, '_>, unplaced: usize) {
    let not = TreeState::NotTreated(bolebook_core::record::work::NotTreatedReason::Other);
    let mut items = vec![];
    for state in [TreeState::Treated, not, TreeState::Left] {
        let same = |s: &TreeState| std::mem::discriminant(s) == std::mem::discriminant(&state);
        let count = w.seen.trees.iter().filter(|t| same(&t.state)).count();
        let name = match state {
            TreeState::Treated => w.say("treated"),
            TreeState::NotTreated(_) => w.say("not-treated"),
            TreeState::Left => w.left(),
        };
        let (x, y) = (MARGIN + 5.0, w.flow.y + 6.0);
        w.flow.artifact(sign(x, y, 3.6, state));
        let leaves = w.flow.text(&format!("{name}: {count}"), BODY, MARGIN + 14.0, 300.0);
        items.push(Node::Part(Role::Item, vec![Node::Part(Role::ItemBody, leaves)]));
    }
    w.flow.nodes.push(Node::Part(Role::List, items));
    if unplaced > 0 {
        let text = format!("{}: {unplaced}", w.say("without-place"));
        w.flow.paragraph(&text, BODY);
    }
    w.flow.paragraph(&w.say("report-map-note"), SMALL);
}

#[cfg(test)]
mod tests {
    use super::scale_bar;

    #[test]
    fn the_scale_bar_is_a_round_length_that_fits() {
        for (width, bar) in [(10.0, 2.0), (60.0, 10.0), (200.0, 50.0), (3_000.0, 500.0)] {
            assert!((scale_bar(width) - bar).abs() < 1e-9, "{width}: {}", scale_bar(width));
        }
    }
}
