//! Pages as marks on paper: what is drawn where, and what each mark means.
//!
//! Everything drawn is either part of the text, and then a leaf of its structure, or an artifact of
//! the page. Lengths are points, y grows downwards.

use krilla::image::Image;

use crate::text::{Fonts, Line};

/// A4, upright (ISO 216).
pub const PAGE: (f32, f32) = (595.28, 841.89);
/// White on every side.
pub const MARGIN: f32 = 46.0;
/// Top of the text, below the running head.
const TOP: f32 = 64.0;
/// Bottom of the text, above the running foot.
const BOTTOM: f32 = 58.0;

/// A colour: red, green, blue.
pub type Rgb = (u8, u8, u8);
/// Black.
pub const BLACK: Rgb = (0, 0, 0);

/// A piece of an outline.
#[derive(Clone, Copy, Debug)]
pub enum Seg {
    /// Goes there without drawing.
    Move(f32, f32),
    /// A straight line there.
    Line(f32, f32),
    /// A cubic curve: two handles and its end.
    Curve(f32, f32, f32, f32, f32, f32),
    /// Back to where it began.
    Close,
}

/// A line's colour, width and dashes.
#[derive(Clone, Debug)]
pub struct Pen {
    /// Colour.
    pub colour: Rgb,
    /// Width.
    pub width: f32,
    /// Lengths of dash and gap; none for a whole line.
    pub dash: Option<[f32; 2]>,
}

/// Something drawn.
#[derive(Clone, Debug)]
pub enum Op {
    /// A line of text from its left end on the base line.
    Text {
        /// The text.
        line: Line,
        /// Left end.
        x: f32,
        /// Base line.
        y: f32,
        /// Size.
        size: f32,
        /// Colour.
        colour: Rgb,
    },
    /// An outline.
    Shape {
        /// Its pieces.
        segs: Vec<Seg>,
        /// What fills it.
        fill: Option<Rgb>,
        /// What draws its edge.
        pen: Option<Pen>,
    },
    /// A picture: bytes of a JPEG, by its number in the document.
    Picture {
        /// Which.
        index: usize,
        /// Left, top, width, height.
        place: (f32, f32, f32, f32),
    },
}

/// What stands at one place of a page.
#[derive(Clone, Debug)]
pub struct Mark {
    /// What is drawn.
    pub ops: Vec<Op>,
    /// Its number in the structure; none for an artifact.
    pub leaf: Option<usize>,
}

/// What a part of the document is (ISO 32000-1 §14.8.4).
#[derive(Clone, Debug)]
pub enum Role {
    /// A heading of a level.
    Heading(u16, String),
    /// A paragraph.
    Paragraph,
    /// A list.
    List,
    /// One of its items.
    Item,
    /// What an item says.
    ItemBody,
    /// A table.
    Table,
    /// A row.
    Row,
    /// A heading cell of a column.
    ColumnHead,
    /// A heading cell of a row.
    RowHead,
    /// A cell.
    Cell,
    /// A picture with what it shows in words.
    Figure(String),
}

/// The document's structure.
#[derive(Clone, Debug)]
pub enum Node {
    /// A part with its parts.
    Part(Role, Vec<Node>),
    /// A mark on a page.
    Leaf(usize),
}

/// A place the outline leads to.
#[derive(Clone, Debug)]
pub struct Entry {
    /// The heading.
    pub text: String,
    /// The page, from 0.
    pub page: usize,
    /// How far down.
    pub y: f32,
}

/// A document being laid out.
pub struct Flow<'f> {
    /// The fonts.
    pub fonts: &'f Fonts,
    /// The pages so far.
    pub pages: Vec<Vec<Mark>>,
    /// The structure so far.
    pub nodes: Vec<Node>,
    /// Headings of the first level.
    pub entries: Vec<Entry>,
    /// The pictures.
    pub pictures: Vec<Image>,
    /// How many leaves there are.
    pub leaves: usize,
    /// Where the next thing goes.
    pub y: f32,
}

/// How a paragraph looks.
#[derive(Clone, Copy, Debug)]
pub struct Style {
    /// Size.
    pub size: f32,
    /// Bold.
    pub bold: bool,
    /// Colour.
    pub colour: Rgb,
}

/// Plain text.
pub const BODY: Style = Style { size: 9.5, bold: false, colour: BLACK };
/// Notes.
pub const SMALL: Style = Style { size: 8.0, bold: false, colour: (60, 60, 60) };

impl<'f> Flow<'f> {
    /// An empty document.
    pub fn new(fonts: &'f Fonts) -> Self {
        let (pages, nodes, entries, pictures) = (vec![vec![]], vec![], vec![], vec![]);
        Self { fonts, pages, nodes, entries, pictures, leaves: 0, y: TOP }
    }

    /// Width of the text.
    pub fn width(&self) -> f32 {
        PAGE.0 - 2.0 * MARGIN
    }

    /// Begins a page.
    pub fn turn(&mut self) {
        self.pages.push(vec![]);
        self.y = TOP;
    }

    /// Whether a height fits on the page.
    pub fn fits(&self, height: f32) -> bool {
        self.y + height <= PAGE.1 - BOTTOM
    }

    /// Begins a page unless a height fits; whether it did.
    pub fn room(&mut self, height: f32) -> bool {
        let turned = !self.fits(height) && self.y > TOP;
        if turned {
            self.turn();
        }
        turned
    }

    /// Draws a part of the text and gives its leaf.
    pub fn mark(&mut self, ops: Vec<Op>) -> Node {
        let leaf = self.leaves;
        self.leaves += 1;
        self.put(Mark { ops, leaf: Some(leaf) });
        Node::Leaf(leaf)
    }

    /// Draws what belongs to the page alone.
    pub fn artifact(&mut self, ops: Vec<Op>) {
        self.put(Mark { ops, leaf: None });
    }

    fn put(&mut self, mark: Mark) {
        if let Some(page) = self.pages.last_mut() {
            page.push(mark);
        }
    }

    /// Lines of text from here on, at a left edge and of a width.
    pub fn text(&mut self, text: &str, style: Style, x: f32, width: f32) -> Vec<Node> {
        let height = style.size * 1.38;
        let mut leaves = vec![];
        for line in self.fonts.lines(text, style.bold, style.size, width) {
            self.room(height);
            let y = self.y + style.size;
            leaves.push(self.mark(vec![Op::Text { line, x, y, size: style.size, colour: style.colour }]));
            self.y += height;
        }
        leaves
    }

    /// A heading: 1 for a section, 2 within it.
    pub fn heading(&mut self, level: u16, text: &str) {
        let size = if level == 1 { 15.0 } else { 11.0 };
        self.y += if level == 1 { 12.0 } else { 6.0 };
        self.room(size * 5.0);
        if level == 1 {
            let entry = Entry { text: text.to_owned(), page: self.pages.len() - 1, y: self.y };
            self.entries.push(entry);
        }
        let leaves = self.text(text, Style { size, bold: true, colour: BLACK }, MARGIN, self.width());
        self.nodes.push(Node::Part(Role::Heading(level, text.to_owned()), leaves));
        self.y += 3.0;
    }

    /// A paragraph.
    pub fn paragraph(&mut self, text: &str, style: Style) {
        let leaves = self.text(text, style, MARGIN, self.width());
        if !leaves.is_empty() {
            self.nodes.push(Node::Part(Role::Paragraph, leaves));
        }
        self.y += 3.0;
    }

    /// A list.
    pub fn list<'t>(&mut self, items: impl IntoIterator<Item = &'t str>, style: Style) {
        let mut all = vec![];
        for item in items {
            self.room(style.size * 1.4);
            let r = 1.4;
            let (x, y) = (MARGIN + 6.0, self.y + style.size * 0.68);
            let dot = Op::Shape { segs: circle(x, y, r), fill: Some(style.colour), pen: None };
            self.artifact(vec![dot]);
            let leaves = self.text(item, style, MARGIN + 14.0, self.width() - 14.0);
            let body = Node::Part(Role::ItemBody, leaves);
            all.push(Node::Part(Role::Item, vec![body]));
            self.y += 2.0;
        }
        if !all.is_empty() {
            self.nodes.push(Node::Part(Role::List, all));
        }
        self.y += 2.0;
    }
}

/// A circle of four curves; 0.5523 is the handle's share of the radius for a quarter of a circle
/// (common practice: 4/3 × (√2 − 1)).
pub fn circle(x: f32, y: f32, r: f32) -> Vec<Seg> {
    let k = r * 0.552_284_8;
    vec![
        Seg::Move(x + r, y),
        Seg::Curve(x + r, y + k, x + k, y + r, x, y + r),
        Seg::Curve(x - k, y + r, x - r, y + k, x - r, y),
        Seg::Curve(x - r, y - k, x - k, y - r, x, y - r),
        Seg::Curve(x + k, y - r, x + r, y - k, x + r, y),
        Seg::Close,
    ]
}

/// A rectangle.
pub fn rectangle(x: f32, y: f32, w: f32, h: f32) -> Vec<Seg> {
    vec![Seg::Move(x, y), Seg::Line(x + w, y), Seg::Line(x + w, y + h), Seg::Line(x, y + h), Seg::Close]
}

/// A straight line.
pub fn stroke(from: (f32, f32), to: (f32, f32)) -> Vec<Seg> {
    vec![Seg::Move(from.0, from.1), Seg::Line(to.0, to.1)]
}
