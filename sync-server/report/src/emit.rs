//! From marks on paper to a document: pages, structure, outline, what it says of itself.

use std::num::NonZeroU16;

use bolebook_core::export::{state_time, utc_text};
use krilla::color::rgb;
use krilla::configure::{Accessibility, Archival, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::geom::{Path, PathBuilder, Point, Size, Transform};
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::tagging::{Artifact, Node as Tagged};
use krilla::tagging::{
    ArtifactType, ContentTag, Identifier, ListNumbering, SpanTag, TableHeaderScope, Tag, TagGroup, TagKind,
    TagTree,
};
use krilla::{Document, SerializeSettings};

use crate::layout::{Flow, MARGIN, Mark, Node, Op, PAGE, Rgb, Role, Seg};
use crate::{Asked, ReportError};

/// Writes the document.
///
/// # Errors
/// [`ReportError::Document`].
pub fn document(asked: &Asked<'_>, flow: &Flow<'_>, held: bool) -> Result<Vec<u8>, ReportError> {
    let mut settings =
        SerializeSettings { enable_tagging: true, xmp_metadata: true, ..SerializeSettings::default() };
    settings.no_device_cs = true;
    if held {
        let built = ConfigurationBuilder::new()
            .with_archival_validator(Archival::A2_A)
            .with_accessibility_validator(Accessibility::UA1)
            .finish();
        settings.configuration = built.map_err(|e| ReportError::Document(format!("{e:?}")))?;
    }
    let mut document = Document::new_with(settings);
    let mut leaves: Vec<Option<Identifier>> = vec![None; flow.leaves];
    let size = PageSettings::from_wh(PAGE.0, PAGE.1)
        .ok_or_else(|| ReportError::Document("no page of this size".into()))?;
    for (number, marks) in flow.pages.iter().enumerate() {
        let mut page = document.start_page_with(size.clone());
        let mut surface = page.surface();
        for mark in marks {
            let made = draw(flow, &mut surface, mark);
            if let (Some(leaf), Some(place)) = (mark.leaf, made) {
                leaves[leaf] = Some(place);
            }
        }
        running(asked, flow, &mut surface, number);
        surface.finish();
        page.finish();
    }
    document.set_tag_tree(tree(asked, flow, &mut leaves));
    document.set_outline(outline(flow));
    document.set_metadata(about(asked));
    document.finish().map_err(|e| ReportError::Document(format!("{e:?}")))
}

/// Draws a mark; of a part of the text, its place in the structure.
fn draw(flow: &Flow<'_>, surface: &mut Surface<'_>, mark: &Mark) -> Option<Identifier> {
    let words = matches!(mark.ops.first(), Some(Op::Text { .. }));
    let place = match mark.leaf {
        None => {
            surface.start_tagged(ContentTag::Artifact(Artifact::with_kind(ArtifactType::Layout)));
            None
        }
        Some(_) if words => Some(surface.start_tagged(ContentTag::Span(SpanTag::empty()))),
        Some(_) => Some(surface.start_tagged(ContentTag::Other)),
    };
    for op in &mark.ops {
        one(flow, surface, op);
    }
    surface.end_tagged();
    place
}

fn one(flow: &Flow<'_>, surface: &mut Surface<'_>, op: &Op) {
    match op {
        Op::Text { line, x, y, size, colour } => {
            surface.set_stroke(None);
            surface.set_fill(Some(fill(*colour)));
            let glyphs = line.shaped.glyphs.get(line.glyphs.clone()).unwrap_or_default();
            let font = flow.fonts.face(line.shaped.bold).font.clone();
            surface.draw_glyphs(Point::from_xy(*x, *y), glyphs, font, &line.shaped.text, *size, false);
        }
        Op::Shape { segs, fill: inside, pen } => {
            let Some(path) = path(segs) else { return };
            surface.set_fill(inside.map(fill));
            surface.set_stroke(pen.as_ref().map(|pen| Stroke {
                paint: colour(pen.colour).into(),
                width: pen.width,
                dash: pen.dash.map(|d| StrokeDash { array: d.to_vec(), offset: 0.0 }),
                ..Stroke::default()
            }));
            surface.draw_path(&path);
        }
        Op::Picture { index, place: (x, y, w, h) } => {
            if let (Some(image), Some(size)) = (flow.pictures.get(*index), Size::from_wh(*w, *h)) {
                surface.push_transform(&Transform::from_translate(*x, *y));
                surface.draw_image(image.clone(), size);
                surface.pop();
            }
        }
    }
}

fn colour((r, g, b): Rgb) -> rgb::Color {
    rgb::Color::new(r, g, b)
}

fn fill(of: Rgb) -> Fill {
    Fill { paint: colour(of).into(), opacity: NormalizedF32::ONE, ..Fill::default() }
}

fn path(segs: &[Seg]) -> Option<Path> {
    let mut path = PathBuilder::new();
    for seg in segs {
        match *seg {
            Seg::Move(x, y) => path.move_to(x, y),
            Seg::Line(x, y) => path.line_to(x, y),
            Seg::Curve(a, b, c, d, x, y) => path.cubic_to(a, b, c, d, x, y),
            Seg::Close => path.close(),
        }
    }
    path.finish()
}

/// The running head and foot.
fn running(asked: &Asked<'_>, flow: &Flow<'_>, surface: &mut Surface<'_>, number: usize) {
    let grey = (70, 70, 70);
    let pages = [("page", (number + 1).to_string()), ("pages", flow.pages.len().to_string())];
    let said = asked.words.plain("page-of", &pages);
    let state: String = asked.view.state_digest().to_string().chars().take(16).collect();
    let state = asked.words.plain("report-foot-state", &[("state", state)]);
    let head = crate::content::mark(asked);
    for (text, y, right, bold) in
        [(head, 34.0, false, true), (said, PAGE.1 - 30.0, true, false), (state, PAGE.1 - 30.0, false, false)]
    {
        let kind = if y < 100.0 { ArtifactType::Header } else { ArtifactType::Footer };
        surface.start_tagged(ContentTag::Artifact(Artifact::with_kind(kind)));
        let line = flow.fonts.line(&text, bold);
        let x = if right { PAGE.0 - MARGIN - line.width * 8.0 } else { MARGIN };
        one(flow, surface, &Op::Text { line, x, y, size: 8.0, colour: grey });
        surface.end_tagged();
    }
}

fn tree(asked: &Asked<'_>, flow: &Flow<'_>, leaves: &mut [Option<Identifier>]) -> TagTree {
    let mut tree = TagTree::new().with_lang(Some(asked.words.code().to_owned()));
    for node in &flow.nodes {
        if let Some(tagged) = tagged(node, leaves) {
            tree.push(tagged);
        }
    }
    tree
}

/// A part with its parts; each leaf is used once.
fn tagged(node: &Node, leaves: &mut [Option<Identifier>]) -> Option<Tagged> {
    match node {
        Node::Leaf(leaf) => leaves.get_mut(*leaf).and_then(Option::take).map(Tagged::Leaf),
        Node::Part(role, parts) => {
            let mut group = TagGroup::new(kind(role));
            for part in parts {
                if let Some(tagged) = tagged(part, leaves) {
                    group.push(tagged);
                }
            }
            Some(Tagged::Group(group))
        }
    }
}

fn kind(role: &Role) -> TagKind {
    match role {
        Role::Heading(level, text) => {
            let level = NonZeroU16::new(*level).unwrap_or(NonZeroU16::MIN);
            Tag::Hn(level, Some(crate::clean(text))).into()
        }
        Role::Paragraph => Tag::P.into(),
        Role::List => Tag::L(ListNumbering::Disc).into(),
        Role::Item => Tag::LI.into(),
        Role::ItemBody => Tag::LBody.into(),
        Role::Table => Tag::Table.into(),
        Role::Row => Tag::TR.into(),
        Role::ColumnHead => Tag::TH(TableHeaderScope::Column).into(),
        Role::RowHead => Tag::TH(TableHeaderScope::Row).into(),
        Role::Cell => Tag::TD.into(),
        Role::Figure(words) => Tag::Figure(Some(crate::clean(words))).into(),
    }
}

fn outline(flow: &Flow<'_>) -> Outline {
    let mut outline = Outline::new();
    for entry in &flow.entries {
        let place = XyzDestination::new(entry.page, Point::from_xy(MARGIN, entry.y));
        outline.push_child(OutlineNode::new(crate::clean(&entry.text), place));
    }
    outline
}

/// What the document says of itself: dated by the newest record, never by the clock.
fn about(asked: &Asked<'_>) -> Metadata {
    let view = asked.view;
    let time = utc_text(state_time(view));
    let part = |from: usize, to: usize| time.get(from..to).and_then(|t| t.parse::<u16>().ok()).unwrap_or(1);
    let small = |from: usize, to: usize| u8::try_from(part(from, to)).unwrap_or(1);
    let date = DateTime::new(part(0, 4))
        .month(small(5, 7))
        .day(small(8, 10))
        .hour(small(11, 13))
        .minute(small(14, 16))
        .second(small(17, 19))
        .utc_offset_hour(0)
        .utc_offset_minute(0);
    Metadata::new()
        .title(format!("{}: {}", asked.words.plain("report-title", &[]), crate::clean(&view.title)))
        .description(format!("State {}", view.state_digest()))
        .authors(vec![crate::clean(&view.yard.company)])
        .language(asked.words.code().to_owned())
        .creator("Bolebook".into())
        .producer("Bolebook".into())
        .creation_date(date)
        .document_id(format!("{}-{}", view.book, view.state_digest()))
}
