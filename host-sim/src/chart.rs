//! Plain charts as SVG: lines and marks with intervals, and bars. Shapes differ beside colours.
//! [`sheet`] puts several of them into one file.

pub mod sheet;

use std::fmt::Write as _;

use crate::strip::{BLUE, GREEN, GREY, INK, ORANGE, VERMILION, escape};

/// How the points of a series look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// A line through them.
    Line,
    /// A dashed line.
    Dashed,
    /// Dots.
    Dots,
    /// Squares with a line through them.
    Squares,
    /// Squares alone.
    Boxes,
    /// Crosses.
    Crosses,
    /// A large ring.
    Ring,
    /// Bars from 0, as wide as from one point to the next.
    Bars,
}

/// One point: x, y, and the ends of its interval along y.
pub type Point = (f64, f64, Option<(f64, f64)>);

/// Points under a name.
#[derive(Debug, Clone)]
pub struct Series {
    /// Shown in the legend.
    pub name: String,
    /// How they look.
    pub look: Look,
    /// The points, by x where a line goes through them.
    pub points: Vec<Point>,
}

/// One chart.
#[derive(Debug, Clone)]
pub struct Chart {
    /// Above it.
    pub title: String,
    /// What it shows, for those who do not see it.
    pub told: String,
    /// Along x, with the unit.
    pub x: String,
    /// Along y, with the unit.
    pub y: String,
    /// Ends of the y axis; none: those of the points.
    pub y_range: Option<(f64, f64)>,
    /// What is drawn.
    pub series: Vec<Series>,
}

const LEFT: f64 = 66.0;
/// Width of a letter, and height of a row of the legend.
const LETTER: f64 = 7.0;
const ROW: f64 = 18.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 30.0;
const BOTTOM: f64 = 44.0;
const COLOURS: [&str; 5] = [BLUE, VERMILION, GREEN, ORANGE, INK];

impl Chart {
    /// A whole SVG file.
    pub fn svg(&self, width: f64, height: f64) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" font-family=\"sans-serif\" font-size=\"12\" fill=\"{INK}\" role=\"img\" aria-label=\"{}\">\n<title>{}</title><desc>{}</desc>\n<rect width=\"{width}\" height=\"{height}\" fill=\"#FFFFFF\"/>\n{}</svg>\n",
            escape(&format!("{}. {}", self.title, self.told)),
            escape(&self.title),
            escape(&self.told),
            self.group(width, height)
        )
    }

    /// What is drawn, without the file around it.
    pub fn group(&self, width: f64, height: f64) -> String {
        let points = || self.series.iter().flat_map(|s| s.points.iter());
        let bars = self.series.iter().find(|s| s.look == Look::Bars);
        let mut xs = ends(points().map(|p| p.0));
        // Bars stand whole in the picture, and marks off its edges.
        let room = match bars {
            Some(series) => 0.5 * bar_width(&series.points),
            None => 0.02 * (xs.1 - xs.0),
        };
        xs = (xs.0 - room, xs.1 + room);
        let ys = self.y_range.unwrap_or_else(|| {
            let all = points().flat_map(|p| {
                let (low, high) = p.2.unwrap_or((p.1, p.1));
                [p.1, low, high]
            });
            let (low, high) = ends(all.chain(bars.is_some().then_some(0.0)));
            let room = 0.04 * (high - low);
            match bars {
                Some(_) if low >= 0.0 => (low, high + room),
                _ => (low - room, high + room),
            }
        });
        // Between two nozzles there is no nozzle.
        let whole = self.whole_x();
        let left = left(ys);
        let (legend, rows) = self.legend(left, width - RIGHT);
        let top = TOP + ROW * rows;
        let plot = Plot {
            xs,
            ys,
            left,
            top,
            width: width - left - RIGHT,
            height: height - top - BOTTOM,
            whole,
        };
        let mut out = String::new();
        // Writing to a String cannot fail.
        let _ = writeln!(
            out,
            "<text x=\"{left:.0}\" y=\"18\" font-size=\"14\" font-weight=\"bold\">{}</text>",
            escape(&self.title)
        );
        out.push_str(&legend);
        let counts = bars.is_some_and(|s| s.points.iter().all(|p| p.1.fract() == 0.0));
        plot.axes(&mut out, &self.x, &self.y, counts);
        for series in &self.series {
            plot.series(&mut out, series, self.colour(&series.name));
        }
        out
    }

    /// Names of the series in their order; those that share a name are one, and share a colour.
    fn names(&self) -> Vec<&Series> {
        let mut all: Vec<&Series> = Vec::new();
        for series in &self.series {
            if all.iter().all(|s| s.name != series.name) {
                all.push(series);
            }
        }
        all
    }

    fn colour(&self, name: &str) -> &'static str {
        let place = self.names().iter().position(|s| s.name == name);
        COLOURS[place.unwrap_or(0) % COLOURS.len()]
    }

    /// Marks and bars stand at whole numbers, or close by where several share one.
    fn whole_x(&self) -> bool {
        let lines = |s: &&Series| matches!(s.look, Look::Line | Look::Dashed);
        let marks = self.series.iter().filter(|s| !lines(s));
        let mut all = marks.flat_map(|s| s.points.iter()).map(|p| p.0).peekable();
        let Some(&first) = all.peek() else {
            return false;
        };
        let (mut low, mut high, mut whole) = (first, first, true);
        for x in all {
            (low, high) = (low.min(x), high.max(x));
            whole &= (x - x.round()).abs() < 0.15;
        }
        whole && high - low >= 0.8
    }

    /// Under the title, where it covers nothing: the legend and how many rows it takes.
    fn legend(&self, left: f64, right: f64) -> (String, f64) {
        let names = self.names();
        let mut out = String::new();
        if names.len() < 2 {
            return (out, 0.0);
        }
        let (mut x, mut row) = (left, 0.0);
        for series in names {
            let wide = 30.0 + LETTER * series.name.chars().count() as f64;
            if x > left && x + wide > right {
                (x, row) = (left, row + 1.0);
            }
            let (y, colour) = (35.0 + ROW * row, self.colour(&series.name));
            if matches!(series.look, Look::Line | Look::Dashed | Look::Squares) {
                let ends = [(x, y), (x + 22.0, y)];
                line(&mut out, &ends, colour, series.look == Look::Dashed);
            }
            if !matches!(series.look, Look::Line | Look::Dashed) {
                mark(&mut out, series.look, x + 11.0, y, colour);
            }
            let _ = writeln!(
                out,
                "<text x=\"{:.0}\" y=\"{:.0}\">{}</text>",
                x + 28.0,
                y + 4.0,
                escape(&series.name)
            );
            x += wide + 14.0;
        }
        (out, row + 1.0)
    }
}

/// Room at the left for the widest number of the y axis and the axis' name.
fn left(ys: (f64, f64)) -> f64 {
    let (all, decimals) = ticks(ys);
    let letters = all
        .iter()
        .map(|t| format!("{t:.decimals$}").chars().count());
    LEFT.max(34.0 + LETTER * letters.max().unwrap_or(0) as f64)
}

/// How wide bars at these places are.
fn bar_width(points: &[Point]) -> f64 {
    let apart = points.windows(2).map(|w| w[1].0 - w[0].0);
    let least = apart.fold(f64::INFINITY, f64::min);
    if least.is_finite() && least > 0.0 {
        least
    } else {
        1.0
    }
}

/// Lowest and highest, a little apart where they are one.
fn ends(all: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) = all
        .filter(|x| x.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| {
            (l.min(x), h.max(x))
        });
    if low > high {
        return (0.0, 1.0);
    }
    if high - low < 1e-12 * high.abs().max(1e-12) {
        let by = 0.02 * low.abs().max(0.05);
        return (low - by, high + by);
    }
    (low, high)
}

/// Round numbers between two ends, some five of them, and their decimals.
pub fn ticks(ends: (f64, f64)) -> (Vec<f64>, usize) {
    ticks_apart(ends, 0.0)
}

/// The same, at least so far apart.
fn ticks_apart((low, high): (f64, f64), least: f64) -> (Vec<f64>, usize) {
    let rough = ((high - low) / 5.0).max(least);
    let power = 10.0_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|s| s * power)
        .find(|s| *s >= rough * 0.999)
        .unwrap_or(power);
    let decimals = (-step.log10().floor()).clamp(0.0, 9.0) as usize;
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    ((first..=last).map(|i| i as f64 * step).collect(), decimals)
}

struct Plot {
    xs: (f64, f64),
    ys: (f64, f64),
    left: f64,
    top: f64,
    width: f64,
    height: f64,
    whole: bool,
}

impl Plot {
    fn x(&self, x: f64) -> f64 {
        self.left + (x - self.xs.0) / (self.xs.1 - self.xs.0) * self.width
    }

    fn y(&self, y: f64) -> f64 {
        let part = ((y - self.ys.0) / (self.ys.1 - self.ys.0)).clamp(-0.02, 1.02);
        self.top + (1.0 - part) * self.height
    }

    fn axes(&self, out: &mut String, x_name: &str, y_name: &str, counts: bool) {
        let (x0, x1) = (self.left, self.left + self.width);
        let (y0, y1) = (self.top + self.height, self.top);
        let (all, decimals) = ticks_apart(self.xs, if self.whole { 1.0 } else { 0.0 });
        for tick in all {
            let x = self.x(tick);
            let _ = writeln!(
                out,
                "<line x1=\"{x:.1}\" y1=\"{y0:.1}\" x2=\"{x:.1}\" y2=\"{y1:.1}\" stroke=\"#E2E2E2\"/><text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{tick:.decimals$}</text>",
                y0 + 16.0
            );
        }
        let (all, decimals) = ticks_apart(self.ys, if counts { 1.0 } else { 0.0 });
        for tick in all {
            let y = self.y(tick);
            let _ = writeln!(
                out,
                "<line x1=\"{x0:.1}\" y1=\"{y:.1}\" x2=\"{x1:.1}\" y2=\"{y:.1}\" stroke=\"#E2E2E2\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{tick:.decimals$}</text>",
                x0 - 6.0,
                y + 4.0
            );
        }
        let _ = writeln!(
            out,
            "<path d=\"M{x0:.1} {y1:.1} V{y0:.1} H{x1:.1}\" fill=\"none\" stroke=\"{GREY}\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text><text transform=\"translate(16 {:.1}) rotate(-90)\" text-anchor=\"middle\">{}</text>",
            0.5 * (x0 + x1),
            y0 + 36.0,
            escape(x_name),
            0.5 * (y0 + y1),
            escape(y_name)
        );
    }

    fn series(&self, out: &mut String, series: &Series, colour: &str) {
        let points = || {
            series
                .points
                .iter()
                .filter(|p| p.0.is_finite() && p.1.is_finite())
        };
        if series.look == Look::Bars {
            // Those of things stand apart, bins of a measure side by side.
            let wide = bar_width(&series.points) * if self.whole { 0.8 } else { 1.0 };
            for p in points() {
                let (a, b) = (self.x(p.0 - 0.5 * wide), self.x(p.0 + 0.5 * wide));
                let (a, b) = (a.max(self.left), b.min(self.left + self.width));
                let (top, zero) = (self.y(p.1.max(0.0)), self.y(p.1.min(0.0).max(self.ys.0)));
                let _ = writeln!(
                    out,
                    "<rect x=\"{a:.2}\" y=\"{top:.2}\" width=\"{:.2}\" height=\"{:.2}\" fill=\"{colour}\" fill-opacity=\"0.55\" stroke=\"{colour}\" stroke-width=\"0.6\"/>",
                    (b - a).max(0.2),
                    (zero - top).max(0.0)
                );
            }
            return;
        }
        if matches!(series.look, Look::Line | Look::Dashed | Look::Squares) {
            let way: Vec<(f64, f64)> = points().map(|p| (self.x(p.0), self.y(p.1))).collect();
            line(out, &way, colour, series.look == Look::Dashed);
        }
        for p in points() {
            let (x, y) = (self.x(p.0), self.y(p.1));
            if let Some((low, high)) = p.2 {
                let _ = writeln!(
                    out,
                    "<path d=\"M{x:.1} {:.1} V{:.1}\" stroke=\"{colour}\" stroke-width=\"1.4\"/>",
                    self.y(low),
                    self.y(high)
                );
            }
            if !matches!(series.look, Look::Line | Look::Dashed) {
                mark(out, series.look, x, y, colour);
            }
        }
    }
}

fn line(out: &mut String, way: &[(f64, f64)], colour: &str, dashed: bool) {
    let places: Vec<String> = way.iter().map(|(x, y)| format!("{x:.1} {y:.1}")).collect();
    if places.len() > 1 {
        let dash = if dashed {
            " stroke-dasharray=\"6 4\""
        } else {
            ""
        };
        let _ = writeln!(
            out,
            "<path d=\"M{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"1.6\"{dash}/>",
            places.join(" L")
        );
    }
}

fn mark(out: &mut String, look: Look, x: f64, y: f64, colour: &str) {
    let _ = match look {
        Look::Ring => writeln!(
            out,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"7\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2.4\"/>"
        ),
        Look::Squares | Look::Boxes | Look::Bars => writeln!(
            out,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"7\" height=\"7\" fill=\"{colour}\"/>",
            x - 3.5,
            y - 3.5
        ),
        Look::Crosses => writeln!(
            out,
            "<path d=\"M{:.1} {:.1}l10 10m0 -10l-10 10\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2.4\"/>",
            x - 5.0,
            y - 5.0
        ),
        _ => writeln!(
            out,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3.4\" fill=\"{colour}\"/>"
        ),
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(
            ticks((0.0, 1.0)),
            (vec![0.0, 0.2, 0.4, 0.6000000000000001, 0.8, 1.0], 1)
        );
        let (all, decimals) = ticks((-0.013, 0.027));
        assert_eq!((all.len(), decimals), (4, 2));
        assert_eq!(ticks((0.0, 5000.0)).0.len(), 6);
        assert_eq!(ticks_apart((-0.5, 1.5), 1.0), (vec![0.0, 1.0], 0));
    }

    /// Names that are shared stand in the legend once, and in one colour; the legend lies above
    /// what is drawn, in as many rows as it takes.
    #[test]
    fn the_legend_covers_nothing() {
        let series = |name: &str, look, y: f64| Series {
            name: name.into(),
            look,
            points: vec![(0.0, y, None), (3.0, y, None)],
        };
        let mut chart = Chart {
            title: "t".into(),
            told: "t".into(),
            x: "nozzle".into(),
            y: "y".into(),
            y_range: None,
            series: vec![
                series("the first of them", Look::Line, 1.0),
                series("a limit", Look::Dashed, 2.0),
                series("a limit", Look::Dashed, 3.0),
            ],
        };
        let svg = chart.svg(600.0, 200.0);
        assert_eq!(svg.matches(">a limit<").count(), 1, "{svg}");
        // Two limits and their key.
        assert_eq!(svg.matches(&format!("stroke=\"{VERMILION}\"")).count(), 3);
        assert_eq!(chart.legend(66.0, 586.0).1, 1.0);
        assert_eq!(chart.legend(66.0, 250.0).1, 2.0);
        chart.series.truncate(1);
        assert_eq!(chart.legend(66.0, 586.0).1, 0.0);
        // Wide numbers keep clear of the axis' name.
        assert!(left((97.165, 97.181)) > left((0.0, 1.0)));
    }

    #[test]
    fn nothing_and_nan_are_drawn_as_well() {
        let mut chart = Chart {
            title: "a < b".into(),
            told: "nothing".into(),
            x: "x".into(),
            y: "y".into(),
            y_range: None,
            series: Vec::new(),
        };
        assert!(chart.svg(300.0, 200.0).contains("a &lt; b"));
        let points = vec![(1.0, f64::NAN, None), (1.0, 2.0, Some((1.0, 3.0)))];
        for look in [Look::Line, Look::Bars, Look::Ring] {
            chart.series = vec![Series {
                name: "n".into(),
                look,
                points: points.clone(),
            }];
            let svg = chart.svg(300.0, 200.0);
            assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
        }
    }
}
