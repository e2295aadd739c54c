//! Tables that run over pages: the head is drawn again on each, as an artifact.

use crate::layout::{BLACK, Flow, MARGIN, Node, Op, Pen, Rgb, Role, rectangle, stroke};
use crate::text::Line;

const SIZE: f32 = 7.6;
const LINE: f32 = SIZE * 1.3;
const PAD: f32 = 2.2;
const GAP: f32 = 5.0;
const GREY: Rgb = (150, 150, 150);

/// A column.
#[derive(Clone, Debug)]
pub struct Column {
    /// What stands over it.
    pub head: String,
    /// Its share of the width.
    pub share: f32,
    /// Figures stand at the right.
    pub figures: bool,
}

/// A column of text.
pub fn column(head: impl Into<String>, share: f32) -> Column {
    Column { head: head.into(), share, figures: false }
}

/// A column of figures.
pub fn figures(head: impl Into<String>, share: f32) -> Column {
    Column { head: head.into(), share, figures: true }
}

struct Grid {
    lefts: Vec<f32>,
    widths: Vec<f32>,
}

/// An empty cell is drawn as a dash: a cell without a mark would not be one of the table's structure.
fn shown(text: &str) -> String {
    if text.trim().is_empty() { "–".into() } else { text.to_owned() }
}

/// A table with its rows; the first cell of a row is its head. The last row is set apart where it is
/// a sum.
pub struct Table {
    columns: Vec<Column>,
    grid: Grid,
    rows: Vec<Node>,
    count: usize,
}

impl Table {
    /// Begins a table: its head is drawn with the first row under it.
    pub fn begin(flow: &mut Flow<'_>, columns: Vec<Column>) -> Self {
        let all: f32 = columns.iter().map(|c| c.share).sum();
        let room = flow.width() - GAP * (columns.len().saturating_sub(1)) as f32;
        let widths: Vec<f32> = columns.iter().map(|c| c.share / all * room).collect();
        let mut x = MARGIN;
        let lefts = widths
            .iter()
            .map(|w| {
                let left = x;
                x += w + GAP;
                left
            })
            .collect();
        let mut table = Self { columns, grid: Grid { lefts, widths }, rows: vec![], count: 0 };
        let (lines, height) = table.head(flow);
        flow.room(height + 3.0 * LINE);
        let cells = table.draw(flow, &lines, height, BLACK);
        let roles = cells.into_iter().map(|leaves| Node::Part(Role::ColumnHead, leaves));
        let row = Node::Part(Role::Row, roles.collect());
        table.rows.push(row);
        table.rule(flow, 0.8);
        table
    }

    fn head(&self, flow: &Flow<'_>) -> (Vec<Vec<Line>>, f32) {
        let texts: Vec<(String, bool)> = self.columns.iter().map(|c| (c.head.clone(), true)).collect();
        self.lines(flow, &texts)
    }

    fn lines(&self, flow: &Flow<'_>, texts: &[(String, bool)]) -> (Vec<Vec<Line>>, f32) {
        let lines: Vec<Vec<Line>> = texts
            .iter()
            .zip(&self.grid.widths)
            .map(|((text, bold), width)| flow.fonts.lines(text, *bold, SIZE, *width))
            .collect();
        let most = lines.iter().map(Vec::len).max().unwrap_or(0).max(1);
        (lines, most as f32 * LINE + 2.0 * PAD)
    }

    fn ops(&self, flow: &Flow<'_>, lines: &[Vec<Line>], colour: Rgb) -> Vec<Vec<Op>> {
        let cell = |(at, lines): (usize, &Vec<Line>)| {
            let (left, width) = (self.grid.lefts[at], self.grid.widths[at]);
            let line = |(n, line): (usize, &Line)| {
                let over = if self.columns[at].figures { width - line.width * SIZE } else { 0.0 };
                let y = flow.y + PAD + SIZE + n as f32 * LINE;
                Op::Text { line: line.clone(), x: left + over, y, size: SIZE, colour }
            };
            lines.iter().enumerate().map(line).collect()
        };
        lines.iter().enumerate().map(cell).collect()
    }

    fn draw(&self, flow: &mut Flow<'_>, lines: &[Vec<Line>], height: f32, colour: Rgb) -> Vec<Vec<Node>> {
        let cells = self.ops(flow, lines, colour);
        let leaves =
            cells.into_iter().map(|ops| ops.into_iter().map(|op| flow.mark(vec![op])).collect()).collect();
        flow.y += height;
        leaves
    }

    fn rule(&self, flow: &mut Flow<'_>, width: f32) {
        let (from, to) = ((MARGIN, flow.y), (MARGIN + flow.width(), flow.y));
        let pen = Some(Pen { colour: GREY, width, dash: None });
        flow.artifact(vec![Op::Shape { segs: stroke(from, to), fill: None, pen }]);
    }

    fn turned(&self, flow: &mut Flow<'_>) {
        let (lines, height) = self.head(flow);
        let ops = self.ops(flow, &lines, BLACK).into_iter().flatten().collect();
        flow.artifact(ops);
        flow.y += height;
        self.rule(flow, 0.8);
    }

    /// A row of as many cells as there are columns.
    pub fn row(&mut self, flow: &mut Flow<'_>, cells: &[String]) {
        self.any_row(flow, cells, false);
    }

    /// A row set apart: a sum.
    pub fn sum(&mut self, flow: &mut Flow<'_>, cells: &[String]) {
        self.rule(flow, 0.8);
        self.any_row(flow, cells, true);
    }

    fn any_row(&mut self, flow: &mut Flow<'_>, cells: &[String], bold: bool) {
        let texts: Vec<(String, bool)> =
            cells.iter().enumerate().map(|(i, t)| (shown(t), bold || i == 0)).collect();
        let (lines, height) = self.lines(flow, &texts);
        if flow.room(height) {
            self.turned(flow);
        }
        if self.count % 2 == 1 && !bold {
            let segs = rectangle(MARGIN - 2.0, flow.y, flow.width() + 4.0, height);
            flow.artifact(vec![Op::Shape { segs, fill: Some((242, 242, 242)), pen: None }]);
        }
        self.count += 1;
        let cells = self.draw(flow, &lines, height, BLACK);
        let role = |(i, leaves)| Node::Part(if i == 0 { Role::RowHead } else { Role::Cell }, leaves);
        self.rows.push(Node::Part(Role::Row, cells.into_iter().enumerate().map(role).collect()));
    }

    /// Ends it.
    pub fn end(self, flow: &mut Flow<'_>) {
        self.rule(flow, 0.8);
        flow.nodes.push(Node::Part(Role::Table, self.rows));
        flow.y += 6.0;
    }
}
