//! Pictures of a layout: an SVG and a terminal drawing of the unrolled trunk.
//!
//! Both are black on white, need nothing from outside, and split a trunk of many holes into strips
//! so that the numbers stay large. Coordinates are integers, so every device draws the same bytes.

use std::fmt::Write as _;

use crate::dosing::layout::scale::Scale;
use crate::dosing::layout::text::{damage_name, mark_name};
use crate::dosing::layout::{Layout, PlannedHole};
use crate::quantity::Um;

/// Width of the trunk in a picture, of 1000.
const WIDTH: i64 = 880;
const LEFT: i64 = 95;
const TOP: i64 = 165;
/// Height of the band in a strip, and of a strip with its scale.
const BAND: i64 = 150;
const STRIP: i64 = 290;
/// Most holes in a strip, so that a number has 44 of 1000 in width.
const HOLES_A_STRIP: usize = 20;
/// Signs of a legend line: 960 of 1000 in bold of size 22, at 14 a sign.
const LEGEND_SIGNS: usize = 68;
const LEGEND_LINE: i64 = 34;
const INSTRUCTION_SIGNS: usize = 50;
const INSTRUCTION_LINE: i64 = 36;

/// Text for an SVG: the five signs that mean something there, and control characters left out.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// A stretch of the unrolled trunk, on [`Layout::girth_um`].
struct Strip {
    from: i64,
    to: i64,
}

fn strips(layout: &Layout, holes_a_strip: usize) -> Vec<Strip> {
    let count = layout.holes.len().div_ceil(holes_a_strip).max(1) as i64;
    let girth = layout.girth_um.0.max(1);
    (0..count).map(|i| Strip { from: girth * i / count, to: girth * (i + 1) / count }).collect()
}

/// Where a hole stands on the thinnest girth.
fn place(layout: &Layout, hole: &PlannedHole) -> i64 {
    let turn = i128::from(layout.girth_um.0) * i128::from(hole.angle_mdeg) / 360_000;
    i64::try_from(turn).unwrap_or(0)
}

/// The holes of a strip with their places.
fn holes_in<'a>(layout: &'a Layout, strip: &Strip) -> Vec<(&'a PlannedHole, i64)> {
    let (from, to) = (strip.from, strip.to);
    let placed = layout.holes.iter().map(|h| (h, place(layout, h)));
    placed.filter(|(_, at)| (from..to).contains(at)).collect()
}

/// The parts of excluded arcs that lie in a strip: from, to, why.
fn left_out(layout: &Layout, strip: &Strip) -> Vec<(i64, i64, &'static str)> {
    let girth = layout.girth_um.0.max(1);
    let mut parts = vec![];
    for arc in &layout.excluded {
        for turn in [-girth, 0, girth] {
            let from = (arc.from_um.0 + turn).max(strip.from);
            let to = (arc.to_um.0 + turn).min(strip.to);
            if from < to {
                parts.push((from, to, damage_name(arc.why)));
            }
        }
    }
    parts
}

/// A step for scale marks: about ten to a strip, in whole centimetres or inches.
fn step(length: i64, scale: Scale) -> i64 {
    let steps = scale.steps();
    steps.into_iter().find(|s| length / s <= 12).unwrap_or(steps[5] * 2)
}

/// The picture as an SVG of its own: scale, legend, large numbers, no colours.
///
/// `title` and `instruction` are escaped: which tree and stem, and what to do there, as
/// [`Layout::instruction_in`] says it, or what was done.
pub fn svg(layout: &Layout, scale: Scale, title: &str, instruction: &str) -> String {
    svg_said(layout, scale, title, instruction, &str::to_owned)
}

/// The same with `said` for each text of the picture's own, sentence by sentence: for a crew that
/// reads another language.
pub fn svg_said(
    layout: &Layout,
    scale: Scale,
    title: &str,
    instruction: &str,
    said: &dyn Fn(&str) -> String,
) -> String {
    let lines = legend_lines(layout, scale, said);
    let table = layout.depth_and_table(scale, &[], "");
    let table: Vec<String> = table.lines().map(said).collect();
    let desc = format!("{instruction}.\n{}", table.join("\n"));
    let strips = strips(layout, HOLES_A_STRIP);
    let told = wrapped(&format!("{instruction}."), INSTRUCTION_SIGNS);
    // Room for two lines is always there; a longer instruction is never cut.
    let top = TOP + INSTRUCTION_LINE * (told.len() as i64 - 2).max(0);
    let legend = top + STRIP * strips.len() as i64;
    let height = legend + 72 + LEGEND_LINE * lines.len() as i64;
    let mut out = String::new();
    let w = &mut out;
    let _ = write!(
        w,
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1000 {height}" role="img" font-family="sans-serif" fill="#000" stroke="none">
<title>{title}</title>
<desc>{desc}</desc>
<defs><pattern id="out" width="10" height="10" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="10" height="10" fill="#fff"/><rect width="4" height="10" fill="#000"/></pattern></defs>
<rect width="1000" height="{height}" fill="#fff"/>
"##,
        title = escape(title),
        desc = escape(&desc),
    );
    text_at(w, 20, 46, 34, "start", title);
    for (i, line) in told.iter().enumerate() {
        text_at(w, 20, 88 + INSTRUCTION_LINE * i as i64, 32, "start", line);
    }
    for (i, strip) in strips.iter().enumerate() {
        strip_svg(w, layout, scale, strip, top + STRIP * i as i64, said);
    }
    legend_svg(w, layout, legend, &lines, said);
    out.push_str("</svg>\n");
    out
}

fn text_at(w: &mut String, x: i64, y: i64, size: i64, anchor: &str, text: &str) {
    let _ = writeln!(
        w,
        r#"<text x="{x}" y="{y}" font-size="{size}" font-weight="bold" text-anchor="{anchor}">{}</text>"#,
        escape(text)
    );
}

/// Words in lines of at most `width` signs.
pub(crate) fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = vec![];
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

fn strip_svg(
    w: &mut String,
    layout: &Layout,
    scale: Scale,
    strip: &Strip,
    top: i64,
    said: &dyn Fn(&str) -> String,
) {
    let length = (strip.to - strip.from).max(1);
    let x = |at: i64| LEFT + WIDTH * (at - strip.from) / length;
    let (low, high) = (layout.band_low_um.0, layout.band_high_um.0);
    let bottom = top + 30 + BAND;
    let y = |height: i64| bottom - if high > low { BAND * (height - low) / (high - low) } else { 0 };
    let _ = writeln!(
        w,
        r##"<rect x="{LEFT}" y="{top}" width="{WIDTH}" height="{}" fill="#fff" stroke="#000" stroke-width="3"/>"##,
        BAND + 60
    );
    for (from, to, why) in left_out(layout, strip) {
        let (a, b) = (x(from), x(to));
        let _ = writeln!(
            w,
            r##"<rect x="{a}" y="{top}" width="{}" height="{}" fill="url(#out)" stroke="#000" stroke-width="2"><title>{}</title></rect>"##,
            (b - a).max(2),
            BAND + 60,
            escape(&said(why))
        );
    }
    text_at(w, LEFT - 27, y(low) + 9, 26, "end", &scale.short(Um(low)));
    if high > low {
        text_at(w, LEFT - 27, y(high) + 9, 26, "end", &scale.short(Um(high)));
    }
    if strip.from == 0 {
        let _ = writeln!(
            w,
            r##"<rect x="{}" y="{}" width="8" height="{}" fill="#000"/>"##,
            LEFT - 4,
            top - 14,
            BAND + 88
        );
    }
    let step = step(length, scale);
    let mut at = (strip.from + step - 1) / step * step;
    while at <= strip.to {
        let _ = writeln!(
            w,
            r##"<rect x="{}" y="{}" width="2" height="12" fill="#000"/>"##,
            x(at) - 1,
            top + BAND + 60
        );
        text_at(w, x(at), top + BAND + 96, 22, "middle", &scale.short(Um(at)));
        at += step;
    }
    for (hole, at) in holes_in(layout, strip) {
        let (cx, cy) = (x(at), y(hole.height_um.0));
        // A line down to the scale shows the exact place where the sign covers what lies beside it.
        let foot = top + BAND + 60;
        let _ =
            writeln!(w, r##"<rect x="{}" y="{cy}" width="2" height="{}" fill="#000"/>"##, cx - 1, foot - cy);
        let _ = writeln!(
            w,
            r##"<circle cx="{cx}" cy="{cy}" r="21" fill="#fff" stroke="#000" stroke-width="4"/>"##
        );
        text_at(w, cx, cy + 10, 28, "middle", &hole.number.to_string());
    }
}

fn legend_svg(w: &mut String, layout: &Layout, top: i64, lines: &[String], said: &dyn Fn(&str) -> String) {
    let _ = writeln!(
        w,
        r##"<circle cx="40" cy="{}" r="17" fill="#fff" stroke="#000" stroke-width="4"/>"##,
        top + 14
    );
    text_at(w, 70, top + 23, 24, "start", &said("hole and its number"));
    if !layout.excluded.is_empty() {
        let _ = writeln!(
            w,
            r##"<rect x="340" y="{top}" width="44" height="28" fill="url(#out)" stroke="#000" stroke-width="2"/>"##
        );
        let mut whys: Vec<&str> = layout.excluded.iter().map(|e| damage_name(e.why)).collect();
        whys.sort_unstable();
        whys.dedup();
        text_at(w, 396, top + 23, 24, "start", &said(&format!("no hole: {}", whys.join(", "))));
    }
    for (i, line) in lines.iter().enumerate() {
        text_at(w, 20, top + 62 + LEGEND_LINE * i as i64, 22, "start", line);
    }
}

/// What the legend says below its signs, in lines that fit the picture's width.
fn legend_lines(layout: &Layout, scale: Scale, said: &dyn Fn(&str) -> String) -> Vec<String> {
    let mark = mark_name(layout.mark).split(" (").next().unwrap_or_default();
    let arcs = format!(
        "Thick line: {mark}. Arcs clockwise seen from above, heights above ground, in {}. Girth {}.",
        scale.name(),
        scale.short(layout.girth_um)
    );
    [arcs, format!("{}.", layout.depth_text(scale))]
        .iter()
        .flat_map(|text| wrapped(&said(text), LEGEND_SIGNS))
        .collect()
}

/// Columns of the trunk in a terminal drawing; with the heights before them it is 80 wide at most.
const COLUMNS: i64 = 72;
const LINES: i64 = 7;
/// Three columns a number.
const HOLES_A_DRAWING: usize = 24;

/// The picture for a terminal, at most 80 columns wide, in plain ASCII.
pub fn drawing(layout: &Layout, scale: Scale) -> String {
    let mut out = String::new();
    for strip in strips(layout, HOLES_A_DRAWING) {
        strip_drawing(&mut out, layout, scale, &strip);
    }
    let mark = mark_name(layout.mark).split(" (").next().unwrap_or_default().to_owned();
    let _ = writeln!(out, "Numbers: holes. 0: {mark}; arcs clockwise seen from above, in {}.", scale.name());
    if !layout.excluded.is_empty() {
        out.push_str("////: no hole there.\n");
    }
    out
}

fn strip_drawing(out: &mut String, layout: &Layout, scale: Scale, strip: &Strip) {
    let length = (strip.to - strip.from).max(1);
    let column = |at: i64| (COLUMNS * (at - strip.from) / length).clamp(0, COLUMNS - 1) as usize;
    let (low, high) = (layout.band_low_um.0, layout.band_high_um.0);
    let line_of = |height: i64| {
        let up =
            if high > low { ((LINES - 1) * (height - low) + (high - low) / 2) / (high - low) } else { 0 };
        (LINES - 1 - up).clamp(0, LINES - 1) as usize
    };
    let mut grid = vec![vec![b' '; COLUMNS as usize + 1]; LINES as usize];
    for (from, to, _) in left_out(layout, strip) {
        for line in &mut grid {
            line.get_mut(column(from)..=column(to - 1)).into_iter().flatten().for_each(|c| *c = b'/');
        }
    }
    for (hole, at) in holes_in(layout, strip) {
        let Some(line) = grid.get_mut(line_of(hole.height_um.0)) else { continue };
        for (i, digit) in hole.number.to_string().bytes().enumerate() {
            if let Some(c) = line.get_mut(column(at) + i) {
                *c = digit;
            }
        }
    }
    for (i, line) in grid.iter().enumerate() {
        let height = match i as i64 {
            0 if high > low => scale.short(Um(high)),
            i if i == LINES - 1 => scale.short(Um(low)),
            _ => String::new(),
        };
        let _ = writeln!(out, "{height:>5} |{}", String::from_utf8_lossy(line).trim_end());
    }
    let (mut ruler, mut figures) = (vec![b'-'; COLUMNS as usize], vec![b' '; COLUMNS as usize]);
    let step = step(length, scale);
    let mut at = (strip.from + step - 1) / step * step;
    while at < strip.to {
        if let Some(c) = ruler.get_mut(column(at)) {
            *c = b'+';
        }
        for (i, digit) in scale.short(Um(at)).bytes().enumerate() {
            if let Some(c) = figures.get_mut(column(at) + i) {
                *c = digit;
            }
        }
        at += step;
    }
    let _ = writeln!(out, "   {} +{}", scale.name(), String::from_utf8_lossy(&ruler));
    let _ = writeln!(out, "       {}", String::from_utf8_lossy(&figures).trim_end());
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::invented::ash_label;
    use crate::dosing::layout::{LayoutRequest, plan};
    use crate::record::stand::{Damage, DamageKind, ReferenceMark};

    fn layout(diameter: i64, holes: usize, damage: &[Damage]) -> Layout {
        let rules = ash_label().holes;
        plan(&LayoutRequest {
            rules: &rules,
            holes,
            diameter_um: Um(diameter),
            band_low_girth_um: None,
            band_high_girth_um: None,
            bark_um: None,
            mark: Some(ReferenceMark::Tag),
            damage,
            earlier: &[],
            clearance_um: rules.spacing_um,
            past_clearance_um: rules.spacing_um,
        })
        .unwrap()
    }

    fn wound() -> [Damage; 1] {
        [Damage { stem: 1, what: DamageKind::Wound, from_um: Um(900_000), to_um: Um(100_000) }]
    }

    #[test]
    fn the_drawing_shows_the_spiral_the_scale_and_what_is_left_out() {
        insta::assert_snapshot!(drawing(&layout(318_310, 6, &wound()), Scale::Cm));
    }

    #[test]
    fn no_line_of_a_drawing_is_wider_than_a_terminal() {
        for (diameter, holes) in [(110_000, 2), (593_000, 15), (2_400_000, 60)] {
            let drawn = drawing(&layout(diameter, holes, &[]), Scale::In);
            assert!(drawn.lines().all(|line| line.len() <= 80), "{drawn}");
            let drawn = drawing(&layout(diameter, holes, &[]), Scale::Cm);
            assert!(drawn.lines().all(|line| line.len() <= 80), "{drawn}");
            for number in 1..=holes {
                assert!(drawn.contains(&number.to_string()), "{number}: {drawn}");
            }
        }
    }

    #[test]
    fn every_hole_is_numbered_in_the_svg_and_nothing_comes_from_outside() {
        for (diameter, holes) in [(110_000, 2), (593_000, 15), (2_400_000, 60)] {
            let picture = svg(&layout(diameter, holes, &wound()[..0]), Scale::Cm, "Tree A-1", "where");
            assert_eq!(picture.matches("<circle").count(), holes + 1);
            for number in 1..=holes {
                assert!(picture.contains(&format!(">{number}</text>")), "{number}");
            }
            assert_eq!(picture.matches("http").count(), 1, "only the name space");
            assert!(!picture.contains("href") && !picture.contains("<script"));
        }
    }

    #[test]
    fn no_line_of_text_runs_out_of_the_svg() {
        let sizes = [(110_000, 2), (593_000, 15), (593_000, 40), (2_400_000, 60)];
        for ((diameter, holes), scale) in sizes.into_iter().flat_map(|s| [(s, Scale::Cm), (s, Scale::In)]) {
            let layout = layout(diameter, holes, &[]);
            let said = layout.instruction_in(scale);
            let picture = svg(&layout, scale, "Tree A-1, stem 1", &said);
            let (_, drawn) = picture.split_once("</defs>").unwrap();
            let last = said.rsplit(' ').next().unwrap().to_owned();
            assert!(drawn.contains(&format!("{last}.</text>")), "the instruction is cut: {drawn}");
            for text in picture.split("<text ").skip(1) {
                let part = |name: &str| {
                    text.split(&format!("{name}=\"")).nth(1).and_then(|t| t.split('"').next()).unwrap()
                };
                let (x, size): (usize, usize) =
                    (part("x").parse().unwrap(), part("font-size").parse().unwrap());
                let signs = text.split('>').nth(1).unwrap().split('<').next().unwrap().chars().count();
                // A bold sans-serif sign is six tenths of its size wide, taken over a line of words.
                assert!(part("text-anchor") != "start" || x + signs * size * 6 / 10 <= 1_000, "{text}");
            }
        }
    }

    #[test]
    fn text_in_a_picture_is_escaped() {
        let picture =
            svg(&layout(318_310, 3, &wound()), Scale::Cm, "<script>alert('&')</script>\u{0}\"", "where");
        assert!(!picture.contains("<script"));
        assert!(picture.contains("&lt;script&gt;alert(&#39;&amp;&#39;)&lt;/script&gt; &quot;"));
    }

    #[test]
    fn numbers_do_not_cover_each_other() {
        for (diameter, holes) in [(318_310, 8), (800_000, 20), (2_400_000, 60)] {
            let picture = svg(&layout(diameter, holes, &[]), Scale::Cm, "Tree", "where");
            let mut centres: Vec<(i64, i64)> = vec![];
            for circle in picture.split("<circle cx=\"").skip(1).take(holes) {
                let mut numbers = circle.split('"').filter_map(|s| s.parse::<i64>().ok());
                centres.push((numbers.next().unwrap(), numbers.next().unwrap()));
            }
            for (i, a) in centres.iter().enumerate() {
                for b in &centres[i + 1..] {
                    assert!((a.0 - b.0).abs() >= 40 || (a.1 - b.1).abs() >= 40, "{a:?} {b:?}");
                }
            }
        }
    }
}
