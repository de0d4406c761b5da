//! One chart: points and lines over two axes, as SVG with real text.
//!
//! Drawn with fixed colours, each of which the page's style maps to one of its own: so that the
//! charts follow light, dark and print like everything else.

use super::axis::Axis;
use plotters::coord::Shift;
use plotters::prelude::*;

/// Size of a chart in its own units; the page scales it to the room there is.
pub const WIDTH: u32 = 440;
/// See [`WIDTH`].
pub const HEIGHT: u32 = 280;
/// Most points of a series that are drawn: more than the chart has columns shows nothing more.
const MOST_POINTS: usize = 800;

const TEXT: RGBColor = RGBColor(0x22, 0x22, 0x22);
const AXIS: RGBColor = RGBColor(0x88, 0x88, 0x88);
const GRID: RGBColor = RGBColor(0xDD, 0xDD, 0xDD);
/// Blue, orange, violet, green, rose: told apart by lightness too, and by their marks.
const SERIES: [RGBColor; 5] = [
    RGBColor(0x1F, 0x5F, 0xA8),
    RGBColor(0xC4, 0x63, 0x0A),
    RGBColor(0x7A, 0x4F, 0xB5),
    RGBColor(0x2A, 0x7F, 0x62),
    RGBColor(0xA2, 0x3B, 0x5C),
];

/// How a series is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// A filled circle per point.
    Dot,
    /// A triangle per point.
    Triangle,
    /// A cross per point.
    Cross,
    /// A thin line through the points.
    Line,
}

/// Points that belong together.
#[derive(Debug, Clone)]
pub struct Series {
    /// For the legend; empty: none.
    pub name: String,
    /// Number of the colour.
    pub colour: usize,
    /// How it is drawn.
    pub mark: Mark,
    /// x, y.
    pub points: Vec<[f64; 2]>,
}

/// How numbers stand at an axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Labels {
    /// As they are.
    Plain,
    /// With the other sign: the axis runs the other way.
    Reversed,
    /// Days, as a time of day.
    Clock,
}

/// A chart.
#[derive(Debug, Clone)]
pub struct Chart {
    /// Name of the x axis, with unit.
    pub x: String,
    /// Name of the y axis, with unit.
    pub y: String,
    /// A second y axis at the right: its name, and its units per unit of y.
    pub right: Option<(String, f64)>,
    /// Numbers at the x axis.
    pub x_labels: Labels,
    /// Length of a unit of x over that of a unit of y: for maps.
    pub aspect: Option<f64>,
    /// Least height of the y axis, so that noise does not fill it.
    pub least_y: f64,
    /// What is drawn, the last on top.
    pub series: Vec<Series>,
}

impl Chart {
    /// The SVG element; `None` where there is nothing to draw.
    pub fn svg(&self) -> Option<String> {
        let finite = |p: &&[f64; 2]| p[0].is_finite() && p[1].is_finite();
        let all: Vec<[f64; 2]> = self
            .series
            .iter()
            .flat_map(|s| s.points.iter().filter(finite).copied())
            .collect();
        if all.is_empty() {
            return None;
        }
        let mut x = range(all.iter().map(|p| p[0]), 0.0);
        let mut y = range(all.iter().map(|p| p[1]), self.least_y);
        let height = match self.aspect {
            Some(_) => WIDTH * 3 / 4,
            None => HEIGHT,
        };
        if let Some(aspect) = self.aspect {
            let plot = [f64::from(WIDTH) - 80.0, f64::from(height) - 60.0];
            equalise(&mut x, &mut y, aspect * plot[1] / plot[0]);
        }
        let mut svg = String::new();
        let root = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
        // Writing to a string fails only where there is no room for the axes, which there is.
        self.draw(&root, x, y).ok()?;
        root.present().ok()?;
        drop(root);
        Some(svg)
    }

    fn draw(
        &self,
        root: &DrawingArea<SVGBackend<'_>, Shift>,
        x: [f64; 2],
        y: [f64; 2],
    ) -> Result<(), DrawingAreaErrorKind<std::io::Error>> {
        let font = |size: u32| ("sans-serif", size).into_font().color(&TEXT);
        let right = self.right.as_ref();
        let mut chart = ChartBuilder::on(root)
            .margin_top(10)
            .margin_right(if right.is_some() { 4 } else { 16 })
            .margin_left(2)
            .margin_bottom(2)
            .x_label_area_size(44)
            .y_label_area_size(64)
            .right_y_label_area_size(if right.is_some() { 66 } else { 0 })
            .build_cartesian_2d(Axis::new(x, self.x_labels == Labels::Clock), y[0]..y[1])?
            .set_secondary_coord(
                x[0]..x[1],
                right.map_or(y[0]..y[1], |(_, k)| k * y[0]..k * y[1]),
            );
        let x_decimals = decimals(x);
        let (y_decimals, labels) = (decimals(y), self.x_labels);
        chart
            .configure_mesh()
            .x_labels(6)
            .y_labels(6)
            .x_label_formatter(&move |v| label(*v, labels, x_decimals))
            .y_label_formatter(&move |v| label(*v, Labels::Plain, y_decimals))
            .x_desc(self.x.as_str())
            .y_desc(self.y.as_str())
            .axis_style(AXIS)
            .bold_line_style(GRID)
            .light_line_style(TRANSPARENT)
            .label_style(font(15))
            .axis_desc_style(font(15))
            .draw()?;
        if let Some((name, k)) = right {
            let right_decimals = decimals([k * y[0], k * y[1]]);
            chart
                .configure_secondary_axes()
                .y_labels(6)
                .y_label_formatter(&move |v| label(*v, Labels::Plain, right_decimals))
                .y_desc(name.as_str())
                .axis_style(AXIS)
                .label_style(font(15))
                .axis_desc_style(font(15))
                .draw()?;
        }
        for series in &self.series {
            let marks = series.marks().into_iter();
            chart.draw_series(marks)?;
        }
        Ok(())
    }
}

impl Series {
    /// The line through its points, or a mark at each.
    fn marks<'a>(&self) -> Vec<DynElement<'static, SVGBackend<'a>, (f64, f64)>> {
        let colour = SERIES[self.colour % SERIES.len()];
        let points: Vec<(f64, f64)> = thinned(&self.points)
            .filter(|p| p[0].is_finite() && p[1].is_finite())
            .map(|p| (p[0], p[1]))
            .collect();
        if let Mark::Line = self.mark {
            return vec![PathElement::new(points, colour.stroke_width(1)).into_dyn()];
        }
        let size = if points.len() > 200 { 2 } else { 3 };
        let mark = |p| match self.mark {
            Mark::Triangle => TriangleMarker::new(p, size + 3, colour.filled()).into_dyn(),
            Mark::Cross => Cross::new(p, size + 3, colour.stroke_width(2)).into_dyn(),
            Mark::Dot | Mark::Line => Circle::new(p, size, colour.filled()).into_dyn(),
        };
        points.into_iter().map(mark).collect()
    }
}

/// Evenly spaced points where there are too many; the last is kept.
fn thinned(points: &[[f64; 2]]) -> impl Iterator<Item = &[f64; 2]> {
    let step = points.len().div_ceil(MOST_POINTS).max(1);
    points.iter().rev().step_by(step)
}

/// From the least to the greatest, with air on both sides.
fn range(values: impl Iterator<Item = f64>, least: f64) -> [f64; 2] {
    let [low, high] = values.fold([f64::INFINITY, f64::NEG_INFINITY], |[l, h], v| {
        [l.min(v), h.max(v)]
    });
    let middle = 0.5 * (low + high);
    // A range of zero has no axis.
    let smallest = least.max(1e-6 * middle.abs()).max(1e-9);
    let half = (0.54 * (high - low)).max(0.5 * smallest);
    [middle - half, middle + half]
}

/// Widens one of two ranges until a unit of x is as long as it should be. `ratio`: height of y
/// that belongs to a width of x of 1.
fn equalise(x: &mut [f64; 2], y: &mut [f64; 2], ratio: f64) {
    let [width, height] = [x[1] - x[0], y[1] - y[0]];
    let widen = |range: &mut [f64; 2], to: f64| {
        let middle = 0.5 * (range[0] + range[1]);
        *range = [middle - 0.5 * to, middle + 0.5 * to];
    };
    if height < width * ratio {
        widen(y, width * ratio);
    } else {
        widen(x, height / ratio);
    }
}

/// Decimals that keep neighbouring labels apart.
fn decimals(range: [f64; 2]) -> usize {
    let step = (range[1] - range[0]).abs() / 5.0;
    if step > 0.0 {
        (0.999 - step.log10().floor() - 1e-9).clamp(0.0, 7.0) as usize
    } else {
        2
    }
}

fn label(value: f64, labels: Labels, decimals: usize) -> String {
    match labels {
        Labels::Plain => super::text::number(value, decimals),
        Labels::Reversed => super::text::number(-value, decimals),
        Labels::Clock => {
            let minutes = (value.rem_euclid(1.0) * 1440.0).round() as u32 % 1440;
            format!("{:02}:{:02}", minutes / 60, minutes % 60)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chart(points: Vec<[f64; 2]>) -> Chart {
        Chart {
            x: "time <UTC>".into(),
            y: "RA & Dec".into(),
            right: Some(("px".into(), 12.0)),
            x_labels: Labels::Clock,
            aspect: None,
            least_y: 0.1,
            series: vec![Series {
                name: "a".into(),
                colour: 0,
                mark: Mark::Dot,
                points,
            }],
        }
    }

    #[test]
    fn text_is_text_and_escaped() {
        let svg = chart(vec![[0.1, 1.0], [0.2, 2.0], [f64::NAN, 1.0]])
            .svg()
            .unwrap();
        assert!(
            svg.contains("<text")
                && svg.contains("time &lt;UTC&gt;")
                && svg.contains("RA &amp; Dec")
        );
        assert_eq!(svg.matches("<circle").count(), 2);
        assert!(!svg.contains("NaN"));
    }

    #[test]
    fn nothing_one_point_and_many() {
        assert_eq!(chart(Vec::new()).svg(), None);
        assert!(chart(vec![[0.5, 3.0]]).svg().unwrap().contains("<circle"));
        let many = chart((0..5000).map(|i| [f64::from(i), 0.0]).collect())
            .svg()
            .unwrap();
        assert!(many.matches("<circle").count() <= MOST_POINTS);
    }
}
