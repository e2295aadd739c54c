//! Charts as SVG, by the `plotters` library.
//!
//! Series are told apart by shape and shade as well as by colour; the colours are those of Okabe and
//! Ito ('Color universal design', 2008), which people of every kind of colour sight tell apart.

use bolebook_core::dosing::picture::escape;
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

type Area<'s> = DrawingArea<SVGBackend<'s>, Shift>;
type Drawn<'a, 's> = ChartContext<'a, SVGBackend<'s>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// How a chart shows its series.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Groups of bars.
    Bars,
    /// Lines with marks; a missing value leaves a gap.
    Lines,
}

/// One series: a value for each place across, where there is one.
#[derive(Clone, Debug)]
pub struct Series {
    /// What it is.
    pub name: String,
    /// Its values, in the chart's unit.
    pub values: Vec<Option<f64>>,
}

/// A chart and its table.
#[derive(Clone, Debug)]
pub struct Chart {
    /// Its name on the page.
    pub id: &'static str,
    /// Its heading.
    pub title: &'static str,
    /// The unit of every value.
    pub unit: &'static str,
    /// Decimals shown.
    pub decimals: usize,
    /// How it is drawn.
    pub kind: Kind,
    /// What stands across.
    pub head: &'static str,
    /// The places across.
    pub across: Vec<String>,
    /// The series.
    pub series: Vec<Series>,
    /// What to know to read it.
    pub note: &'static str,
}

const SIZE: (u32, u32) = (960, 380);
/// Blue, orange, green, black, purple.
const COLOURS: [RGBColor; 5] = [
    RGBColor(0, 114, 178),
    RGBColor(230, 159, 0),
    RGBColor(0, 158, 115),
    RGBColor(0, 0, 0),
    RGBColor(204, 121, 167),
];
/// Names under the axis that have room beside each other.
const NAMES: usize = 9;
/// Places an axis has room for at the least: one day's bar does not fill the picture.
const FEWEST: usize = 6;
/// Room above the highest value, for what the series are called.
const HEAD_ROOM: f64 = 1.3;
const FONT: (&str, u32) = ("sans-serif", 17);

fn colour(series: usize) -> RGBColor {
    COLOURS.get(series % COLOURS.len()).copied().unwrap_or(BLACK)
}

/// Where the axis ends: three to five steps of 1, 2 or 5 times a power of ten, at or above the most.
fn top(most: f64) -> f64 {
    let mut step = 1.0;
    for factor in [2.0, 2.5, 2.0].into_iter().cycle().take(60) {
        if step * 5.0 >= most {
            break;
        }
        step *= factor;
    }
    (most / step).ceil().max(if step > 1.0 { 3.0 } else { 5.0 }) * step
}

impl Chart {
    /// A value as the table shows it.
    pub fn figure(&self, series: &Series, row: usize) -> String {
        match series.values.get(row).copied().flatten() {
            Some(value) => format!("{value:.*}", self.decimals),
            None => "–".into(),
        }
    }

    fn most(&self) -> Option<f64> {
        let values = self.series.iter().flat_map(|s| s.values.iter().copied().flatten());
        values.filter(|v| v.is_finite()).reduce(f64::max)
    }

    /// The chart as an SVG; nothing when there is no value.
    ///
    /// # Errors
    /// What the drawing library says, in words.
    pub fn svg(&self) -> Result<Option<String>, String> {
        let Some(most) = self.most() else { return Ok(None) };
        let mut svg = String::new();
        self.draw(&mut svg, top(most)).map_err(|e| format!("chart {}: {e}", self.id))?;
        // The library names no picture: readers of the page hear its heading, and find the figures below.
        let named = format!(
            "<svg role=\"img\" aria-label=\"{}: the figures stand in the table below\" viewBox=\"0 0 {} {}\" ",
            escape(self.title),
            SIZE.0,
            SIZE.1
        );
        Ok(Some(match svg.split_once("<svg width") {
            Some((_, rest)) => match rest.split_once("xmlns") {
                Some((_, rest)) => format!("{named}xmlns{rest}"),
                None => return Err(format!("chart {}: not the SVG it should be", self.id)),
            },
            None => return Err(format!("chart {}: not an SVG", self.id)),
        }))
    }

    fn draw(&self, svg: &mut String, top: f64) -> Result<(), Box<dyn std::error::Error>> {
        let area = SVGBackend::with_string(svg, SIZE).into_drawing_area();
        area.fill(&WHITE)?;
        let mut chart = ChartBuilder::on(&area)
            .margin(12)
            .x_label_area_size(34)
            .y_label_area_size(72)
            .build_cartesian_2d(0.0..self.across.len().max(FEWEST) as f64, 0.0..top * HEAD_ROOM)?;
        chart
            .configure_mesh()
            .disable_x_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(BLACK.mix(0.25))
            .x_labels(0)
            .y_labels(6)
            .y_label_formatter(&|v| format!("{v:.0}"))
            .y_desc(self.unit)
            .label_style(FONT)
            .axis_style(BLACK)
            .draw()?;
        self.names(&area, &chart)?;
        for (index, series) in self.series.iter().enumerate() {
            match self.kind {
                Kind::Bars => self.bars(&mut chart, index, series)?,
                Kind::Lines => line(&mut chart, index, series)?,
            }
        }
        chart
            .configure_series_labels()
            .position(SeriesLabelPosition::UpperLeft)
            .background_style(WHITE.mix(0.85))
            .border_style(BLACK.mix(0.4))
            .label_font(FONT)
            .draw()?;
        area.present()?;
        Ok(())
    }

    /// The names under the axis, in the middle of their places; of many, some.
    fn names(&self, area: &Area<'_>, chart: &Drawn<'_, '_>) -> Result<(), Box<dyn std::error::Error>> {
        let every = self.across.len().div_ceil(NAMES).max(1);
        let middle = TextStyle::from(FONT).pos(Pos::new(HPos::Center, VPos::Top));
        for (place, name) in self.across.iter().enumerate().step_by(every) {
            let (x, y) = chart.backend_coord(&(place as f64 + 0.5, 0.0));
            area.draw(&Text::new(name.clone(), (x, y + 8), middle.clone()))?;
        }
        Ok(())
    }

    /// Bars of one series: its shade and whether it is filled tell it apart from its neighbours.
    fn bars(
        &self,
        chart: &mut Drawn<'_, '_>,
        index: usize,
        series: &Series,
    ) -> Result<(), Box<dyn std::error::Error>> {
        let width = 0.8 / self.series.len().max(1) as f64;
        let filled = colour(index).filled();
        let bar = move |place: usize, value: f64| {
            let left = place as f64 + 0.1 + width * index as f64;
            [(left, 0.0), (left + width * 0.92, value)]
        };
        let values: Vec<(usize, f64)> =
            series.values.iter().enumerate().filter_map(|(place, v)| v.map(|v| (place, v))).collect();
        let drawn = values.iter().map(|(place, value)| Rectangle::new(bar(*place, *value), filled));
        chart
            .draw_series(drawn)?
            .label(series.name.clone())
            .legend(move |(x, y)| Rectangle::new([(x, y - 7), (x + 18, y + 7)], filled));
        let edged =
            values.iter().map(|(place, value)| Rectangle::new(bar(*place, *value), BLACK.stroke_width(1)));
        chart.draw_series(edged)?;
        Ok(())
    }
}

/// A line with a mark at each value; where one is missing the line is broken.
fn line(chart: &mut Drawn<'_, '_>, index: usize, series: &Series) -> Result<(), Box<dyn std::error::Error>> {
    let style = colour(index).stroke_width(if index == 0 { 4 } else { 2 });
    let points: Vec<Option<(f64, f64)>> =
        series.values.iter().enumerate().map(|(place, v)| v.map(|v| (place as f64 + 0.5, v))).collect();
    for run in points.split(Option::is_none) {
        chart.draw_series(LineSeries::new(run.iter().copied().flatten(), style))?;
    }
    let marked = points.iter().copied().flatten();
    match index % 2 {
        0 => {
            let mark = move |at| Circle::new(at, 6, colour(index).filled());
            chart
                .draw_series(marked.map(mark))?
                .label(series.name.clone())
                .legend(move |(x, y)| Circle::new((x + 9, y), 6, colour(index).filled()));
        }
        _ => {
            let mark = move |at| TriangleMarker::new(at, 8, colour(index).filled());
            chart
                .draw_series(marked.map(mark))?
                .label(series.name.clone())
                .legend(move |(x, y)| TriangleMarker::new((x + 9, y), 8, colour(index).filled()));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chart(kind: Kind, values: Vec<Option<f64>>) -> Chart {
        Chart {
            id: "one",
            title: "Invented <one>",
            unit: "mL",
            decimals: 1,
            kind,
            head: "Day",
            across: (0..values.len()).map(|n| format!("<day {n}>")).collect(),
            series: vec![Series { name: "<script>".into(), values }],
            note: "",
        }
    }

    #[test]
    fn an_axis_ends_at_a_round_figure_at_or_above_the_most() {
        assert_eq!(
            [0.0, 1.0, 4.9, 5.1, 23.0, 99.0, 101.0].map(top),
            [5.0, 5.0, 5.0, 6.0, 25.0, 100.0, 150.0]
        );
    }

    #[test]
    fn words_from_outside_stay_words_and_nothing_comes_from_elsewhere() {
        for kind in [Kind::Bars, Kind::Lines] {
            let svg = chart(kind, vec![Some(1.0), None, Some(3.0)]).svg().unwrap().unwrap();
            assert!(
                !svg.contains("<script") && !svg.contains("<day") && svg.contains("&lt;day 0&gt;"),
                "{svg}"
            );
            assert!(!svg.contains("style=") && !svg.contains("href"), "{svg}");
            assert!(svg.starts_with("<svg role=\"img\" aria-label=\"Invented &lt;one&gt;"), "{svg}");
        }
        assert_eq!(chart(Kind::Bars, vec![None]).svg(), Ok(None));
    }

    #[test]
    fn a_bar_twice_as_large_is_drawn_twice_as_high() {
        let svg = chart(Kind::Bars, vec![Some(20.0), Some(10.0)]).svg().unwrap().unwrap();
        let heights: Vec<f64> = svg
            .split("<rect ")
            .skip(1)
            .filter(|r| r.contains("fill=\"#0072B2\""))
            .filter_map(|r| r.split("height=\"").nth(1)?.split('"').next()?.parse().ok())
            .collect();
        assert!((heights[0] - 2.0 * heights[1]).abs() <= 2.0, "{heights:?}");
    }
}
