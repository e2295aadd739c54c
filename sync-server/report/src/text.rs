//! Text as glyphs: shaped by HarfBuzz's rules, measured, broken into lines.
//!
//! A line runs from left to right; a stretch of Hebrew or Arabic within it runs the other way and is
//! not broken. What the font has no sign for is shown as U+FFFD, so that nothing vanishes unseen.

use std::ops::Range;
use std::rc::Rc;

use krilla::text::{Font, GlyphId, KrillaGlyph};
use rustybuzz::{Direction, UnicodeBuffer};

use crate::{ReportError, clean};

/// The longest text drawn in one piece, in characters; the data files hold the whole.
const LONGEST: usize = 1_500;

/// A font to draw with.
pub struct Face {
    /// For the document.
    pub font: Font,
    shaper: rustybuzz::Face<'static>,
    per_em: f32,
}

impl Face {
    fn of(bytes: &'static [u8]) -> Result<Self, ReportError> {
        let font = Font::new(bytes.into(), 0).ok_or(ReportError::Font)?;
        let shaper = rustybuzz::Face::from_slice(bytes, 0).ok_or(ReportError::Font)?;
        let per_em = font.units_per_em();
        Ok(Self { font, shaper, per_em })
    }
}

/// The fonts of the report.
pub struct Fonts {
    regular: Face,
    bold: Face,
}

/// Text ready to be drawn: its signs as glyphs, in the order they are drawn.
#[derive(Debug)]
pub struct Shaped {
    /// What is written.
    pub text: String,
    /// Its glyphs; lengths are in parts of the font's size.
    pub glyphs: Vec<KrillaGlyph>,
    /// Whether a line may end after the glyph: a space, or a sign of a left-to-right stretch.
    ends: Vec<End>,
    /// With the bold font.
    pub bold: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum End {
    Space,
    Anywhere,
    Never,
}

/// Some glyphs of a shaped text, on one line.
#[derive(Clone, Debug)]
pub struct Line {
    /// The text.
    pub shaped: Rc<Shaped>,
    /// Which glyphs.
    pub glyphs: Range<usize>,
    /// How wide, in parts of the font's size, without a space at its end.
    pub width: f32,
}

fn right_to_left(c: char) -> bool {
    matches!(c, '\u{590}'..='\u{8ff}' | '\u{fb1d}'..='\u{fdff}' | '\u{fe70}'..='\u{fefc}')
}

/// Stretches of one direction: byte ranges and whether they run from right to left.
fn stretches(text: &str) -> Vec<(Range<usize>, bool)> {
    let mut found: Vec<(Range<usize>, bool)> = vec![];
    for (at, c) in text.char_indices() {
        let end = at + c.len_utf8();
        let weak = !c.is_alphanumeric() && !right_to_left(c);
        match found.last_mut() {
            Some((range, back)) if right_to_left(c) == *back || (weak && *back) => range.end = end,
            _ => found.push((at..end, right_to_left(c))),
        }
    }
    found
}

impl Fonts {
    /// The fonts that come with the program.
    ///
    /// # Errors
    /// [`ReportError::Font`] when one cannot be read.
    pub fn load() -> Result<Self, ReportError> {
        Ok(Self {
            regular: Face::of(dejavu::sans_condensed::regular())?,
            bold: Face::of(dejavu::sans_condensed::bold())?,
        })
    }

    /// One of them.
    pub fn face(&self, bold: bool) -> &Face {
        if bold { &self.bold } else { &self.regular }
    }

    /// What can be drawn of a text from outside.
    fn drawable(&self, text: &str, bold: bool) -> String {
        let face = &self.face(bold).shaper;
        let mut signs = text.chars();
        let mut out: String = signs.by_ref().take(LONGEST).collect();
        if signs.next().is_some() {
            out.push('…');
        }
        let out: String = clean(&out).chars().map(|c| if c.is_whitespace() { ' ' } else { c }).collect();
        out.chars().map(|c| if face.glyph_index(c).is_some() { c } else { '\u{fffd}' }).collect()
    }

    /// A text as glyphs.
    pub fn shape(&self, text: &str, bold: bool) -> Rc<Shaped> {
        let text = self.drawable(text, bold);
        let face = self.face(bold);
        let (mut glyphs, mut ends) = (vec![], vec![]);
        for (range, back) in stretches(&text) {
            let part = text.get(range.clone()).unwrap_or_default();
            let mut buffer = UnicodeBuffer::new();
            buffer.push_str(part);
            buffer.guess_segment_properties();
            buffer.set_direction(if back { Direction::RightToLeft } else { Direction::LeftToRight });
            let out = rustybuzz::shape(&face.shaper, &[], buffer);
            let mut starts: Vec<usize> = out.glyph_infos().iter().map(|i| i.cluster as usize).collect();
            starts.sort_unstable();
            starts.dedup();
            for (info, place) in out.glyph_infos().iter().zip(out.glyph_positions()) {
                let start = info.cluster as usize;
                let next = starts.partition_point(|s| *s <= start);
                let end = starts.get(next).copied().unwrap_or(part.len());
                let em = |units: i32| units as f32 / face.per_em;
                glyphs.push(KrillaGlyph::new(
                    GlyphId::new(info.glyph_id),
                    em(place.x_advance),
                    em(place.x_offset),
                    em(place.y_offset),
                    em(place.y_advance),
                    range.start + start..range.start + end,
                    None,
                ));
                let space = part.get(start..end) == Some(" ");
                ends.push(match (back, space) {
                    (true, _) => End::Never,
                    (false, true) => End::Space,
                    (false, false) => End::Anywhere,
                });
            }
        }
        // A mark drawn over its letter belongs to it: no line ends between the two.
        for at in 1..glyphs.len() {
            if glyphs[at].x_advance == 0.0 || glyphs[at].text_range == glyphs[at - 1].text_range {
                ends[at - 1] = End::Never;
            }
        }
        Rc::new(Shaped { text, glyphs, ends, bold })
    }

    /// A text on lines of a width, both in points; at least one line unless it is empty.
    pub fn lines(&self, text: &str, bold: bool, size: f32, width: f32) -> Vec<Line> {
        let shaped = self.shape(text, bold);
        let most = width / size;
        let mut lines = vec![];
        let (mut from, mut at, mut run, mut space) = (0, 0, 0.0f32, None);
        while at < shaped.glyphs.len() {
            let glyph = &shaped.glyphs[at];
            let blank = shaped.ends[at] == End::Space;
            if run + glyph.x_advance > most && !blank && at > from {
                // Back to the last space; a word wider than the line is cut where it must be.
                let cut = space.unwrap_or(at);
                let cut =
                    if shaped.ends[cut - 1] == End::Never && space.is_none() { at.max(cut) } else { cut };
                lines.push(line(&shaped, from..cut));
                from = cut;
                at = cut;
                run = 0.0;
                space = None;
                continue;
            }
            run += glyph.x_advance;
            at += 1;
            if blank {
                space = Some(at);
            }
        }
        if from < shaped.glyphs.len() {
            lines.push(line(&shaped, from..shaped.glyphs.len()));
        }
        lines
    }

    /// A text on one line, whatever its width.
    pub fn line(&self, text: &str, bold: bool) -> Line {
        let shaped = self.shape(text, bold);
        let all = 0..shaped.glyphs.len();
        line(&shaped, all)
    }
}

fn line(shaped: &Rc<Shaped>, glyphs: Range<usize>) -> Line {
    let shown = shaped.glyphs.get(glyphs.clone()).unwrap_or_default();
    let mut width: f32 = shown.iter().map(|g| g.x_advance).sum();
    if glyphs.end > 0 && shaped.ends.get(glyphs.end - 1) == Some(&End::Space) {
        width -= shown.last().map_or(0.0, |g| g.x_advance);
    }
    Line { shaped: shaped.clone(), glyphs, width }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(lines: &[Line]) -> Vec<String> {
        let of = |line: &Line| {
            let glyphs = &line.shaped.glyphs[line.glyphs.clone()];
            let from = glyphs.iter().map(|g| g.text_range.start).min().unwrap();
            let to = glyphs.iter().map(|g| g.text_range.end).max().unwrap();
            line.shaped.text[from..to].to_owned()
        };
        lines.iter().map(of).collect()
    }

    #[test]
    fn lines_end_at_spaces_and_hold_every_sign() {
        let fonts = Fonts::load().unwrap();
        let text = "one two three four five six seven eight nine ten";
        let lines = fonts.lines(text, false, 10.0, 80.0);
        assert!(lines.len() > 2 && lines.iter().all(|l| l.width * 10.0 <= 80.0));
        assert_eq!(written(&lines).concat(), text);
        assert!(written(&lines)[..lines.len() - 1].iter().all(|l| l.ends_with(' ')));
    }

    #[test]
    fn a_word_wider_than_the_line_is_cut_and_loses_nothing() {
        let fonts = Fonts::load().unwrap();
        let word = "0123456789abcdef".repeat(4);
        let lines = fonts.lines(&word, true, 8.0, 60.0);
        assert!(lines.len() > 3 && lines.iter().all(|l| l.width * 8.0 <= 60.0));
        assert_eq!(written(&lines).concat(), word);
    }

    #[test]
    fn what_the_font_lacks_or_what_steers_text_is_shown_as_a_replacement() {
        let fonts = Fonts::load().unwrap();
        assert_eq!(fonts.shape("a\u{202e}b\u{0}樹\n", false).text, "a\u{fffd}b\u{fffd}\u{fffd} ");
        assert!(
            fonts
                .shape("Ürgroßmutters Eiche, chêne, encina, עץ, شجرة", false)
                .glyphs
                .iter()
                .all(|g| g.glyph_id.to_u32() != 0)
        );
        let long = fonts.shape(&"x".repeat(100_000), false);
        assert!(long.text.ends_with('…') && long.text.chars().count() == LONGEST + 1);
    }

    /// A letter and its mark are one cluster, drawn at one place.
    #[test]
    fn a_combining_mark_stays_on_its_letter() {
        let fonts = Fonts::load().unwrap();
        let (two, one) = (fonts.line("e\u{301}", false), fonts.line("é", false));
        assert!((two.width - one.width).abs() < 1e-6);
        assert!(fonts.lines("", false, 10.0, 50.0).is_empty());
    }
}
