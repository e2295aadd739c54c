//! Holes as drilled: each stem's trunk unrolled, the holes where they are, clockwise from the mark.

use bolebook_core::dosing::stem::girth_of_diameter;
use bolebook_core::quantity::Um;
use bolebook_core::record::stand::ReferenceMark;

use super::{MOST_PICTURES, Writer, ml};
use crate::clean;
use crate::layout::{BLACK, Flow, MARGIN, Node, Op, Pen, Rgb, Role, SMALL, circle, rectangle, stroke};

const ACROSS: usize = 3;
const GAP: f32 = 12.0;
const TALL: f32 = 46.0;
const BLUE: Rgb = (0x00, 0x72, 0xb2);

/// A stem's picture: what it shows, and its holes as shares of the girth and of the band's height.
struct Picture {
    title: String,
    words: String,
    under: String,
    holes: Vec<(f32, f32)>,
}

/// The section.
pub fn section(w: &mut Writer<'_, '_, '_>) {
    w.section("report-holes-drilled");
    w.flow.paragraph(&w.say("report-holes-text"), SMALL);
    let all: Vec<Picture> = w
        .seen
        .in_force()
        .filter(|s| !s.body.holes.is_empty())
        .take(MOST_PICTURES)
        .map(|s| picture(w, s))
        .collect();
    let width = (w.flow.width() - GAP * (ACROSS - 1) as f32) / ACROSS as f32;
    for row in all.chunks(ACROSS) {
        let height = TALL + 34.0;
        w.flow.room(height);
        let top = w.flow.y;
        for (at, picture) in row.iter().enumerate() {
            w.flow.y = top;
            let left = MARGIN + at as f32 * (width + GAP);
            draw(&mut w.flow, picture, left, width);
        }
        w.flow.y = top + height;
    }
    let drilled = w.seen.in_force().filter(|s| !s.body.holes.is_empty()).count();
    w.cut(drilled, MOST_PICTURES);
}

fn picture(w: &Writer<'_, '_, '_>, s: &crate::select::Shown<'_>) -> Picture {
    let (view, a) = (w.asked.view, s.body);
    let tree = view.trees.get(&view.stays(a.tree));
    let diameter = tree.and_then(|t| view.dosed_from(t, a)).map(|(_, d)| d);
    let widest = a.holes.iter().map(|h| h.arc_um.0).max().unwrap_or(0);
    let girth = diameter.map_or(0, |d| girth_of_diameter(d).0).max(widest.saturating_add(1)).max(1);
    let low = a.holes.iter().map(|h| h.height_um.0).min().unwrap_or(0);
    let high = a.holes.iter().map(|h| h.height_um.0).max().unwrap_or(0);
    let tall = high.saturating_sub(low).max(1) as f32;
    let place = |h: &bolebook_core::record::work::Hole| {
        let up = if high > low { h.height_um.0.saturating_sub(low) as f32 / tall } else { 0.5 };
        (h.arc_um.0.rem_euclid(girth) as f32 / girth as f32, up)
    };
    let mark = match view.tree(a.tree).and_then(|t| t.mark) {
        Some(ReferenceMark::North) => w.say("report-mark-north"),
        Some(ReferenceMark::Tag) => w.say("report-mark-tag"),
        None => w.say("report-mark-none"),
    };
    let day = s.day.map(|d| d.day.to_string()).unwrap_or_default();
    let title = format!("{} / {}, {day}", clean(&view.tag(a.tree)), a.stem);
    let values = [
        ("count", a.holes.len().to_string()),
        ("girth", Um(girth).cm()),
        ("low", Um(low).cm()),
        ("high", Um(high).cm()),
        ("mark", mark),
        ("ml", ml(a.put_in_ul())),
    ];
    Picture {
        words: format!("{title}. {}", w.with("report-holes-words", &values)),
        under: w.with("report-holes-words", &values),
        title,
        holes: a.holes.iter().map(place).collect(),
    }
}

fn draw(flow: &mut Flow<'_>, picture: &Picture, left: f32, width: f32) {
    let top = flow.y + 11.0;
    let pen = |colour, width, dash| Some(Pen { colour, width, dash });
    let mut ops = vec![Op::Shape {
        segs: rectangle(left, top, width, TALL),
        fill: Some((250, 246, 238)),
        pen: pen(BLACK, 0.6, None),
    }];
    let segs = stroke((left, top), (left, top + TALL));
    ops.push(Op::Shape { segs, fill: None, pen: pen(BLUE, 1.6, None) });
    for (at, (x, up)) in picture.holes.iter().enumerate() {
        let (x, y) = (left + x * width, top + TALL - 8.0 - up * (TALL - 16.0));
        ops.push(Op::Shape { segs: circle(x, y, 2.0), fill: Some(BLACK), pen: None });
        let line = flow.fonts.line(&(at + 1).to_string(), false);
        ops.push(Op::Text { line, x: x + 2.6, y: y + 2.2, size: 5.0, colour: BLACK });
    }
    let title =
        flow.text(&picture.title, crate::layout::Style { size: 7.5, bold: true, colour: BLACK }, left, width);
    let leaf = flow.mark(ops);
    flow.y = top + TALL + 1.0;
    let small = crate::layout::Style { size: 6.2, bold: false, colour: (40, 40, 40) };
    let under = flow.text(&picture.under, small, left, width);
    flow.nodes.push(Node::Part(Role::Paragraph, title));
    flow.nodes.push(Node::Part(Role::Figure(picture.words.clone()), vec![leaf]));
    flow.nodes.push(Node::Part(Role::Paragraph, under));
}
