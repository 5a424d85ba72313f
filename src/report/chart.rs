//! Line charts as SVG text: measured solid, predicted dashed, so that a black-and-white print still tells them apart.
//! The band about a prediction is a grey area behind both.
//! Colours: Okabe and Ito's set for colour-blind readers (2008).

use plotters::prelude::*;

/// One line.
#[derive(Debug, Clone)]
pub struct Line {
    /// Name in the legend.
    pub name: String,
    /// Points, x rising; [`POINTS_ENOUGH`] are enough.
    pub points: Vec<(f64, f64)>,
    /// Which colour of the set, from 0.
    pub colour: usize,
    /// Dashed (predictions).
    pub dashed: bool,
}

/// A grey area between two lines, behind all others.
#[derive(Debug, Clone)]
pub struct Shade {
    /// Name in the legend.
    pub name: String,
    /// (x, lower, upper), x rising.
    pub ends: Vec<(f64, f64, f64)>,
}

/// A chart.
#[derive(Debug, Clone)]
pub struct Chart {
    /// Text above.
    pub title: String,
    /// Text of the horizontal axis, with unit.
    pub x_label: String,
    /// Text of the vertical axis, with unit.
    pub y_label: String,
    /// Lines.
    pub lines: Vec<Line>,
    /// Area behind them.
    pub shade: Option<Shade>,
}

/// Why a chart cannot be drawn.
#[derive(Debug, thiserror::Error)]
#[error("chart `{title}`: {reason}")]
pub struct ChartError {
    /// Title of the chart.
    pub title: String,
    /// What the drawing library said.
    pub reason: String,
}

const SIZE: (u32, u32) = (900, 360);
/// Share of width and height that a legend covers, about.
const LEGEND: (f64, f64) = (0.33, 0.36);
/// Size of the letters. On paper, where a picture may be set at seven tenths of the width, they stay above 6.3 pt.
const LETTERS: u32 = 18;
/// Prints lighter than any line.
const SHADE: RGBColor = RGBColor(214, 214, 214);
const COLOURS: [RGBColor; 6] = [
    RGBColor(0, 114, 178),
    RGBColor(213, 94, 0),
    RGBColor(0, 158, 115),
    RGBColor(204, 121, 167),
    RGBColor(86, 180, 233),
    RGBColor(40, 40, 40),
];
/// Points of a line that are enough: two a pixel column show every extreme.
pub const POINTS_ENOUGH: usize = 1800;

fn span(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.filter(|v| v.is_finite()).fold(None, |span, v| match span {
        None => Some((v, v)),
        Some((low, high)) => Some((f64::min(low, v), f64::max(high, v))),
    })
}

impl Chart {
    fn ranges(&self) -> ((f64, f64), (f64, f64)) {
        let all = || self.lines.iter().flat_map(|line| line.points.iter());
        let x = span(all().map(|p| p.0)).unwrap_or((0.0, 1.0));
        let ends = self.shade.iter().flat_map(|shade| &shade.ends).filter(|p| p.0 >= x.0 && p.0 <= x.1);
        let (low, high) = span(all().map(|p| p.1).chain(ends.flat_map(|p| [p.1, p.2]))).unwrap_or((0.0, 1.0));
        let margin = (0.06 * (high - low)).max(1e-6 * high.abs()).max(1e-9);
        (x, (low - margin, high + margin))
    }

    /// Where a legend hides least of the lines.
    fn emptiest_corner(&self, (x0, x1): (f64, f64), (y0, y1): (f64, f64)) -> SeriesLabelPosition {
        let hidden = |right: bool, upper: bool| {
            let inside = |p: &&(f64, f64)| {
                let (x, y) = ((p.0 - x0) / (x1 - x0), (p.1 - y0) / (y1 - y0));
                let across = if right { (1.0 - LEGEND.0..=1.0).contains(&x) } else { (0.0..=LEGEND.0).contains(&x) };
                across && if upper { y > 1.0 - LEGEND.1 } else { y < LEGEND.1 }
            };
            // A line counts as much whether it has many points or few.
            let share =
                |line: &Line| line.points.iter().filter(inside).count() as f64 / line.points.len().max(1) as f64;
            self.lines.iter().map(share).sum::<f64>()
        };
        let corners = [
            (SeriesLabelPosition::UpperRight, hidden(true, true)),
            (SeriesLabelPosition::LowerRight, hidden(true, false)),
            (SeriesLabelPosition::UpperLeft, hidden(false, true)),
            (SeriesLabelPosition::LowerLeft, hidden(false, false)),
        ];
        corners
            .into_iter()
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map_or(SeriesLabelPosition::UpperRight, |corner| corner.0)
    }

    /// SVG text with a `viewBox`, so that it scales to any page; `alt` becomes its title for screen readers.
    pub fn to_svg(&self, alt: &str) -> Result<String, ChartError> {
        let mut svg = String::new();
        self.paint(&mut svg).map_err(|reason| ChartError { title: self.title.clone(), reason })?;
        // The drawing library puts a `viewBox` of its own.
        let sized = format!("<svg width=\"{}\" height=\"{}\"", SIZE.0, SIZE.1);
        Ok(svg.replacen(&sized, &format!("<svg role=\"img\" aria-label=\"{}\"", escape(alt)), 1))
    }

    fn paint(&self, svg: &mut String) -> Result<(), String> {
        let root = SVGBackend::with_string(svg, SIZE).into_drawing_area();
        root.fill(&WHITE).map_err(|e| e.to_string())?;
        let ((x0, x1), (y0, y1)) = self.ranges();
        let mut plot = ChartBuilder::on(&root)
            .caption(&self.title, ("sans-serif", 20))
            .margin(8)
            .margin_right(16)
            .x_label_area_size(48)
            .y_label_area_size(76)
            .build_cartesian_2d(x0..x1, y0..y1)
            .map_err(|e| e.to_string())?;
        plot.configure_mesh()
            .x_desc(&self.x_label)
            .y_desc(&self.y_label)
            .label_style(("sans-serif", LETTERS))
            .axis_desc_style(("sans-serif", LETTERS))
            .light_line_style(RGBColor(245, 245, 245))
            .draw()
            .map_err(|e| e.to_string())?;
        if let Some(shade) = &self.shade {
            draw_shade(&mut plot, shade, (x0, x1))?;
        }
        for line in &self.lines {
            draw_line(&mut plot, line)?;
        }
        plot.configure_series_labels()
            .position(self.emptiest_corner((x0, x1), (y0, y1)))
            .background_style(WHITE.mix(0.85))
            .border_style(RGBColor(200, 200, 200))
            .label_font(("sans-serif", LETTERS))
            .draw()
            .map_err(|e| e.to_string())?;
        root.present().map_err(|e| e.to_string())
    }
}

type Plot<'a, 'b> = ChartContext<
    'a,
    SVGBackend<'b>,
    Cartesian2d<plotters::coord::types::RangedCoordf64, plotters::coord::types::RangedCoordf64>,
>;

fn draw_shade(plot: &mut Plot<'_, '_>, shade: &Shade, (x0, x1): (f64, f64)) -> Result<(), String> {
    let known = |p: &&(f64, f64, f64)| p.0 >= x0 && p.0 <= x1 && p.1.is_finite() && p.2.is_finite();
    let ends: Vec<(f64, f64, f64)> = shade.ends.iter().filter(known).copied().collect();
    let upper = ends.iter().map(|p| (p.0, p.2));
    let lower = ends.iter().rev().map(|p| (p.0, p.1));
    let area = Polygon::new(upper.chain(lower).collect::<Vec<_>>(), SHADE.filled());
    let entry = plot.draw_series(std::iter::once(area)).map_err(|e| e.to_string())?;
    entry.label(shade.name.clone()).legend(|(x, y)| Rectangle::new([(x, y - 5), (x + 20, y + 5)], SHADE.filled()));
    Ok(())
}

fn draw_line(plot: &mut Plot<'_, '_>, line: &Line) -> Result<(), String> {
    let colour = COLOURS[line.colour % COLOURS.len()];
    let style = colour.stroke_width(if line.dashed { 2 } else { 1 });
    let points = line.points.iter().copied();
    let entry = if line.dashed {
        plot.draw_series(DashedLineSeries::new(points, 7, 5, style)).map_err(|e| e.to_string())?
    } else {
        plot.draw_series(LineSeries::new(points, style)).map_err(|e| e.to_string())?
    };
    let dashed = line.dashed;
    entry.label(line.name.clone()).legend(move |(x, y)| {
        let ends = if dashed { vec![(x, y), (x + 8, y)] } else { vec![(x, y), (x + 20, y)] };
        PathElement::new(ends, colour.stroke_width(3))
    });
    Ok(())
}

/// Text safe inside HTML and SVG, attributes included.
pub fn escape(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '&' => "&amp;".to_owned(),
            '<' => "&lt;".to_owned(),
            '>' => "&gt;".to_owned(),
            '"' => "&quot;".to_owned(),
            '\'' => "&#39;".to_owned(),
            other => other.to_string(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lays_the_legend_where_it_hides_no_line() {
        let line = |points: Vec<(f64, f64)>| Line { name: "a".into(), points, colour: 0, dashed: false };
        let corner = |points: &[(f64, f64)]| {
            let chart = Chart {
                title: String::new(),
                x_label: String::new(),
                y_label: String::new(),
                lines: vec![line(points.to_vec())],
                shade: None,
            };
            format!("{:?}", chart.emptiest_corner((0.0, 1.0), (0.0, 1.0)))
        };
        let (upper_right, lower_right, upper_left) = ((0.9, 0.9), (0.9, 0.1), (0.1, 0.9));
        assert_eq!(corner(&[]), "UpperRight");
        assert_eq!(corner(&[upper_right]), "LowerRight");
        assert_eq!(corner(&[upper_right, lower_right]), "UpperLeft");
        assert_eq!(corner(&[upper_right, lower_right, upper_left]), "LowerLeft");
    }

    #[test]
    fn accepts_empty_and_gappy_lines() {
        let line = |points| Line { name: "a<b".into(), points, colour: 0, dashed: true };
        for points in [vec![], vec![(0.0, f64::NAN)], vec![(0.0, 1.0), (1.0, f64::NAN), (2.0, 1.0)]] {
            let chart = Chart {
                title: "t".into(),
                x_label: "time, s".into(),
                y_label: "pressure, bar".into(),
                lines: vec![line(points)],
                shade: Some(Shade { name: "band".into(), ends: vec![(0.0, 0.5, 1.5), (1.0, f64::NAN, 2.0)] }),
            };
            let svg = chart.to_svg("a \"picture\"").unwrap();
            assert_eq!(svg.matches("viewBox").count(), 1, "an attribute twice is no XML: {}", &svg[..200]);
            assert!(
                svg.starts_with("<svg role=\"img\" aria-label=\"a &quot;picture&quot;\" viewBox"),
                "{}",
                &svg[..80]
            );
        }
    }
}
