//! Plain charts as SVG: lines and marks with intervals, and bars. Shapes differ beside colours.

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
        let plot = Plot {
            xs,
            ys,
            left: LEFT,
            top: TOP,
            width: width - LEFT - RIGHT,
            height: height - TOP - BOTTOM,
        };
        let mut out = String::new();
        // Writing to a String cannot fail.
        let _ = writeln!(
            out,
            "<text x=\"{LEFT}\" y=\"18\" font-size=\"14\" font-weight=\"bold\">{}</text>",
            escape(&self.title)
        );
        plot.axes(&mut out, &self.x, &self.y);
        for (index, series) in self.series.iter().enumerate() {
            plot.series(&mut out, series, COLOURS[index % COLOURS.len()]);
        }
        if self.series.len() > 1 {
            self.legend(&mut out, &plot);
        }
        out
    }

    /// In the corner where the fewest points are.
    fn legend(&self, out: &mut String, plot: &Plot) {
        let places: Vec<(f64, f64)> = self
            .series
            .iter()
            .flat_map(|s| s.points.iter())
            .map(|p| {
                let part = |x: f64, (low, high): (f64, f64)| (x - low) / (high - low);
                (part(p.0, plot.xs), part(p.1, plot.ys))
            })
            .collect();
        let crowd = |right: bool, top: bool| {
            let near = |x: f64, far: bool| if far { x > 0.5 } else { x < 0.5 };
            let all = places.iter();
            all.filter(|p| near(p.0, right) && near(p.1, top)).count()
        };
        let corners = [(true, true), (true, false), (false, true), (false, false)];
        let (right, top) = corners
            .into_iter()
            .min_by_key(|&(right, top)| crowd(right, top))
            .unwrap_or((true, true));
        let lines = self.series.len() as f64;
        for (index, series) in self.series.iter().enumerate() {
            let colour = COLOURS[index % COLOURS.len()];
            let y = if top {
                plot.top + 14.0
            } else {
                plot.top + plot.height - 17.0 * lines
            } + 17.0 * index as f64;
            // The mark, and the text on its inner side.
            let (x, text, anchor) = if right {
                let x = plot.left + plot.width - 18.0;
                (x, x - 18.0, "end")
            } else {
                let x = plot.left + 22.0;
                (x, x + 18.0, "start")
            };
            let _ = writeln!(
                out,
                "<text x=\"{text:.0}\" y=\"{:.0}\" text-anchor=\"{anchor}\" stroke=\"#FFFFFF\" stroke-width=\"4\" paint-order=\"stroke\" fill=\"{INK}\">{}</text>",
                y + 4.0,
                escape(&series.name)
            );
            if matches!(series.look, Look::Line | Look::Dashed | Look::Squares) {
                let ends = [(x - 11.0, y), (x + 11.0, y)];
                line(out, &ends, colour, series.look == Look::Dashed);
            }
            if !matches!(series.look, Look::Line | Look::Dashed) {
                mark(out, series.look, x, y, colour);
            }
        }
    }
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
        let by = 0.5 * low.abs().max(1e-3);
        return (low - by, high + by);
    }
    (low, high)
}

/// Round numbers between two ends, some five of them, and their decimals.
pub fn ticks((low, high): (f64, f64)) -> (Vec<f64>, usize) {
    let rough = (high - low) / 5.0;
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
}

impl Plot {
    fn x(&self, x: f64) -> f64 {
        self.left + (x - self.xs.0) / (self.xs.1 - self.xs.0) * self.width
    }

    fn y(&self, y: f64) -> f64 {
        let part = ((y - self.ys.0) / (self.ys.1 - self.ys.0)).clamp(-0.02, 1.02);
        self.top + (1.0 - part) * self.height
    }

    fn axes(&self, out: &mut String, x_name: &str, y_name: &str) {
        let (x0, x1) = (self.left, self.left + self.width);
        let (y0, y1) = (self.top + self.height, self.top);
        let (all, decimals) = ticks(self.xs);
        for tick in all {
            let x = self.x(tick);
            let _ = writeln!(
                out,
                "<line x1=\"{x:.1}\" y1=\"{y0:.1}\" x2=\"{x:.1}\" y2=\"{y1:.1}\" stroke=\"#E2E2E2\"/><text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{tick:.decimals$}</text>",
                y0 + 16.0
            );
        }
        let (all, decimals) = ticks(self.ys);
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
            let wide = bar_width(&series.points);
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
        Look::Squares | Look::Bars => writeln!(
            out,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"7\" height=\"7\" fill=\"{colour}\"/>",
            x - 3.5,
            y - 3.5
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
