//! The picture of a drive as SVG: the ground strip from above in rows, with plants, sprayed
//! patches, and the placement error of every edge below each row.
//!
//! Colours are from the palette that Okabe and Ito made to be told apart by colour-blind readers
//! (Color Universal Design, 2008); outcomes differ by shape too, so that it survives grey print.

use std::fmt::Write as _;

use ground_truth::{Edge, EdgeKind, Outcome, Report};

use crate::scene::Scene;
use crate::summary::Summary;

pub(crate) const BLUE: &str = "#0072B2";
pub(crate) const SKY: &str = "#A9D3EE";
pub(crate) const GREEN: &str = "#007A5A";
pub(crate) const ORANGE: &str = "#E69F00";
pub(crate) const VERMILION: &str = "#D55E00";
pub(crate) const INK: &str = "#222222";
pub(crate) const GREY: &str = "#767676";
const SOIL: &str = "#F4EFE6";

const WIDTH: f64 = 1440.0;
const LEFT: f64 = 84.0;
const RIGHT: f64 = 24.0;
const TOP: f64 = 148.0;
/// Ground of one row, m.
const ROW_M: f64 = 60.0;
/// Height of one nozzle's lane in the picture.
const LANE: f64 = 13.0;
/// Height of the error panel.
const PANEL: f64 = 56.0;
/// Most rows: the picture of a long drive shows its first part and says so.
const MOST_ROWS: usize = 12;
/// On paper rows are narrower and show less ground each, so that letters stay readable.
const PAPER: (f64, f64) = (800.0, 30.0);

/// Draws the strip; the result is a whole SVG file.
pub fn draw(scene: &Scene, report: &Report, summary: &Summary, edge_tolerance_m: f64) -> String {
    let (from, to) = scene.judged_m;
    let all_rows = (((to - from) / ROW_M).ceil() as usize).max(1);
    let rows = all_rows.min(MOST_ROWS);
    let strip_height = LANE * scene.nozzles.len() as f64;
    let row_height = strip_height + PANEL + 62.0;
    let height = TOP + row_height * rows as f64 + 24.0;
    let mut svg = String::new();
    let mut put = |text: String| {
        svg.push_str(&text);
        svg.push('\n');
    };
    put(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height:.0}\" viewBox=\"0 0 {WIDTH} {height:.0}\" font-family=\"sans-serif\" font-size=\"13\" fill=\"{INK}\" role=\"img\">"
    ));
    put(format!(
        "<title>{}: sprayed patches, plants and placement errors</title>",
        escape(&summary.name)
    ));
    put(format!(
        "<rect width=\"{WIDTH}\" height=\"{height:.0}\" fill=\"#FFFFFF\"/>"
    ));
    put(heading(summary, scene, edge_tolerance_m, all_rows > rows));
    let scale = Scale {
        error_m: error_range(report, edge_tolerance_m),
        tolerance_m: edge_tolerance_m,
    };
    for row in 0..rows {
        let start = from + row as f64 * ROW_M;
        let end = (start + ROW_M).min(to);
        let frame = Frame {
            start,
            end,
            top: TOP + row as f64 * row_height,
            strip_height,
            width: WIDTH,
            row_m: ROW_M,
        };
        put(ground(&frame, scene, report));
        put(errors(&frame, scene, report, &scale));
    }
    put("</svg>".into());
    svg
}

/// The rows for paper, each an SVG of its own that a page can begin with; and how much of the
/// ground they show, m.
pub fn rows(scene: &Scene, report: &Report, edge_tolerance_m: f64) -> (Vec<String>, f64) {
    let (from, to) = scene.judged_m;
    let (width, row_m) = PAPER;
    let most = MOST_ROWS as f64 * ROW_M / row_m;
    let count = ((to - from) / row_m).ceil().clamp(1.0, most) as usize;
    let strip_height = LANE * scene.nozzles.len() as f64;
    let height = strip_height + PANEL + 52.0;
    let scale = Scale {
        error_m: error_range(report, edge_tolerance_m),
        tolerance_m: edge_tolerance_m,
    };
    let drawn = (0..count).map(|row| {
        let start = from + row as f64 * row_m;
        let frame = Frame {
            start,
            end: (start + row_m).min(to),
            top: 4.0,
            strip_height,
            width,
            row_m,
        };
        format!(
            "<svg viewBox=\"0 0 {width} {height:.0}\" font-family=\"sans-serif\" font-size=\"13\" fill=\"{INK}\" role=\"img\" aria-label=\"Ground from {:.0} m to {:.0} m\">{}{}</svg>",
            frame.start,
            frame.end,
            ground(&frame, scene, report),
            errors(&frame, scene, report, &scale)
        )
    });
    (drawn.collect(), (row_m * count as f64).min(to - from))
}

/// One row of the picture.
struct Frame {
    start: f64,
    end: f64,
    top: f64,
    strip_height: f64,
    width: f64,
    row_m: f64,
}

/// The scale of the error panels.
struct Scale {
    error_m: f64,
    tolerance_m: f64,
}

impl Frame {
    fn x(&self, ground_m: f64) -> f64 {
        LEFT + (ground_m - self.start) * self.pixels_m()
    }

    fn pixels_m(&self) -> f64 {
        (self.width - LEFT - RIGHT) / self.row_m
    }

    fn shows(&self, from: f64, to: f64) -> bool {
        to > self.start && from < self.end
    }
}

/// The error at the panel's border: a round number above the tolerance and nearly all errors.
fn error_range(report: &Report, tolerance_m: f64) -> f64 {
    let wanted = report
        .start
        .p99_9
        .max(report.stop.p99_9)
        .max(tolerance_m * 1.2);
    [0.005, 0.01, 0.02, 0.03, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0]
        .into_iter()
        .find(|&m| m >= wanted)
        .unwrap_or(2.0)
}

fn heading(summary: &Summary, scene: &Scene, tolerance_m: f64, cut: bool) -> String {
    let mut out = String::new();
    let t = summary.targets;
    let (from, to) = scene.judged_m;
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "<text x=\"{LEFT}\" y=\"34\" font-size=\"20\" font-weight=\"bold\">{}: {} of {} plants got a full dose, {:.1} % of the ground was sprayed</text>",
        escape(&summary.name),
        t.full,
        t.total,
        summary.sprayed_fraction * 100.0
    );
    let shown = if cut {
        format!("; the first {:.0} m are shown", ROW_M * MOST_ROWS as f64)
    } else {
        String::new()
    };
    let _ = writeln!(
        out,
        "<text x=\"{LEFT}\" y=\"58\">Ground from {from:.1} m to {to:.1} m, travel to the right, {} nozzles, left one on top{shown}. Basis: {}. Verdict: {}.</text>",
        scene.nozzles.len(),
        summary.basis,
        summary.verdict
    );
    let y = 88.0;
    let items: [(f64, String, &str); 5] = [
        (
            190.0,
            format!(
                "<rect x=\"0\" y=\"-9\" width=\"26\" height=\"11\" fill=\"{SKY}\" stroke=\"{BLUE}\"/>"
            ),
            "sprayed (half flow)",
        ),
        (
            170.0,
            plant_mark(13.0, -4.0, 4.0, 4.0, Outcome::Full),
            "plant, full dose",
        ),
        (
            200.0,
            plant_mark(13.0, -4.0, 4.0, 4.0, Outcome::Partial),
            "plant, sprayed in part",
        ),
        (150.0, missed_mark(13.0, -4.0), "plant, missed"),
        (
            200.0,
            plant_mark(13.0, -4.0, 4.0, 4.0, Outcome::Outside),
            "plant, not judged",
        ),
    ];
    let mut x = LEFT;
    for (width, mark, text) in items {
        let _ = writeln!(
            out,
            "<g transform=\"translate({x:.0} {y:.0})\">{mark}<text x=\"36\">{text}</text></g>"
        );
        x += width + 20.0;
    }
    let y = 114.0;
    let items: [(f64, String, String); 3] = [
        (
            250.0,
            edge_mark(13.0, -4.0, EdgeKind::Start),
            "error where spraying began".into(),
        ),
        (
            250.0,
            edge_mark(13.0, -4.0, EdgeKind::Stop),
            "error where spraying ended".into(),
        ),
        (
            330.0,
            "<rect x=\"0\" y=\"-10\" width=\"26\" height=\"13\" fill=\"#E6E6E6\"/>".to_string(),
            format!(
                "within the tolerance of {:.0} mm; up is too late",
                tolerance_m * 1e3
            ),
        ),
    ];
    let mut x = LEFT;
    for (width, mark, text) in items {
        let _ = writeln!(
            out,
            "<g transform=\"translate({x:.0} {y:.0})\">{mark}<text x=\"36\">{text}</text></g>"
        );
        x += width + 20.0;
    }
    out
}

/// Lanes from above: sprayed stretches and plants.
fn ground(frame: &Frame, scene: &Scene, report: &Report) -> String {
    let mut out = String::new();
    let (x0, x1) = (frame.x(frame.start), frame.x(frame.end));
    let _ = writeln!(
        out,
        "<rect x=\"{x0:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"{SOIL}\"/>",
        frame.top,
        x1 - x0,
        frame.strip_height
    );
    for (n, strips) in report.strips.iter().enumerate() {
        let y = frame.top + n as f64 * LANE;
        if n > 0 {
            let _ = writeln!(
                out,
                "<line x1=\"{x0:.1}\" y1=\"{y:.1}\" x2=\"{x1:.1}\" y2=\"{y:.1}\" stroke=\"#DDD3C2\" stroke-width=\"0.6\"/>"
            );
        }
        for &(from, to) in strips.iter().filter(|s| frame.shows(s.0, s.1)) {
            let (a, b) = (frame.x(from.max(frame.start)), frame.x(to.min(frame.end)));
            let _ = writeln!(
                out,
                "<rect x=\"{a:.2}\" y=\"{:.2}\" width=\"{:.2}\" height=\"{:.2}\" fill=\"{SKY}\" stroke=\"{BLUE}\" stroke-width=\"0.7\"/>",
                y + 1.0,
                (b - a).max(0.3),
                LANE - 2.0
            );
        }
    }
    for (plant, &outcome) in scene.plants.iter().zip(&report.outcomes) {
        if !frame.shows(plant.near(), plant.far()) {
            continue;
        }
        let Some(y) = across(scene, plant.y) else {
            continue;
        };
        let x = frame.x(plant.x);
        let y = frame.top + y * LANE;
        let rx = (plant.length / 2.0 * frame.pixels_m()).max(1.4);
        let ry = (plant.width / 2.0 * lane_scale(scene)).max(1.4);
        out.push_str(&match outcome {
            Outcome::Missed(_) => missed_mark(x, y),
            _ => plant_mark(x, y, rx, ry, outcome),
        });
        out.push('\n');
    }
    let label = frame.top + frame.strip_height / 2.0;
    let _ = writeln!(
        out,
        "<text x=\"{:.0}\" y=\"{label:.1}\" font-size=\"11\" fill=\"{GREY}\" text-anchor=\"end\">nozzles</text>",
        LEFT - 8.0
    );
    out
}

/// Lanes per metre times the lane height: the picture's scale across travel.
fn lane_scale(scene: &Scene) -> f64 {
    match (scene.nozzles.first(), scene.nozzles.last()) {
        (Some(first), Some(last)) if scene.nozzles.len() > 1 => {
            LANE * (scene.nozzles.len() - 1) as f64 / (last.y - first.y)
        }
        (Some(only), _) => LANE / only.lane_width_m,
        _ => LANE,
    }
}

/// Place across in lanes from the top of the strip; none beside it. Between nozzles the scale is
/// drawn straight, so that uneven booms fit the rows of even height.
pub(crate) fn across(scene: &Scene, y: f64) -> Option<f64> {
    let n = &scene.nozzles;
    let after = n.partition_point(|nozzle| nozzle.y <= y);
    let place = match (after.checked_sub(1).and_then(|i| n.get(i)), n.get(after)) {
        (Some(a), Some(b)) => after as f64 - 0.5 + (y - a.y) / (b.y - a.y),
        (Some(a), None) => after as f64 - 0.5 + (y - a.y) / a.lane_width_m,
        (None, Some(b)) => 0.5 - (b.y - y) / b.lane_width_m,
        (None, None) => return None,
    };
    (0.0..=n.len() as f64).contains(&place).then_some(place)
}

fn plant_mark(x: f64, y: f64, rx: f64, ry: f64, outcome: Outcome) -> String {
    let (fill, stroke) = match outcome {
        Outcome::Full => (GREEN, GREEN),
        Outcome::Partial => (ORANGE, INK),
        Outcome::Missed(_) => (VERMILION, INK),
        Outcome::Outside => ("none", GREY),
    };
    if outcome == Outcome::Partial {
        let r = rx.max(ry).max(3.5);
        return format!(
            "<path d=\"M{:.2} {y:.2} L{x:.2} {:.2} L{:.2} {y:.2} L{x:.2} {:.2} Z\" fill=\"{fill}\" stroke=\"{stroke}\" stroke-width=\"0.7\"/>",
            x - r,
            y - r,
            x + r,
            y + r
        );
    }
    format!(
        "<ellipse cx=\"{x:.2}\" cy=\"{y:.2}\" rx=\"{rx:.2}\" ry=\"{ry:.2}\" fill=\"{fill}\" stroke=\"{stroke}\" stroke-width=\"0.7\"/>"
    )
}

fn missed_mark(x: f64, y: f64) -> String {
    format!(
        "<path d=\"M{:.2} {:.2} l9 9 m0 -9 l-9 9\" fill=\"none\" stroke=\"{VERMILION}\" stroke-width=\"2.4\"/>",
        x - 4.5,
        y - 4.5
    )
}

/// A filled dot where spraying began, an open square where it ended.
fn edge_mark(x: f64, y: f64, kind: EdgeKind) -> String {
    match kind {
        EdgeKind::Start => {
            format!("<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"2.4\" fill=\"{BLUE}\"/>")
        }
        EdgeKind::Stop => format!(
            "<rect x=\"{:.2}\" y=\"{:.2}\" width=\"4.4\" height=\"4.4\" fill=\"#FFFFFF\" stroke=\"{VERMILION}\" stroke-width=\"1.1\"/>",
            x - 2.2,
            y - 2.2
        ),
    }
}

/// The error panel below a row, and the axis in metres.
fn errors(frame: &Frame, scene: &Scene, report: &Report, scale: &Scale) -> String {
    let mut out = String::new();
    let top = frame.top + frame.strip_height + 8.0;
    let middle = top + PANEL / 2.0;
    let (x0, x1) = (frame.x(frame.start), frame.x(frame.end));
    let y = |error_m: f64| middle - (error_m / scale.error_m).clamp(-1.0, 1.0) * PANEL / 2.0;
    let band = y(-scale.tolerance_m) - y(scale.tolerance_m);
    let _ = writeln!(
        out,
        "<rect x=\"{x0:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{band:.1}\" fill=\"#E6E6E6\"/>\n<line x1=\"{x0:.1}\" y1=\"{middle:.1}\" x2=\"{x1:.1}\" y2=\"{middle:.1}\" stroke=\"{GREY}\" stroke-width=\"0.8\"/>",
        y(scale.tolerance_m),
        x1 - x0
    );
    for error_m in [scale.error_m, 0.0, -scale.error_m] {
        let sign = if error_m > 0.0 { "+" } else { "" };
        let _ = writeln!(
            out,
            "<text x=\"{:.0}\" y=\"{:.1}\" font-size=\"11\" text-anchor=\"end\" fill=\"{GREY}\">{sign}{:.0}{}</text>",
            LEFT - 8.0,
            y(error_m) + 4.0,
            error_m * 1e3,
            if error_m == 0.0 { " mm" } else { "" }
        );
    }
    let shown = |e: &&Edge| e.wanted_x >= frame.start && e.wanted_x < frame.end;
    for edge in report.edges.iter().filter(shown) {
        let _ = writeln!(
            out,
            "{}",
            edge_mark(frame.x(edge.wanted_x), y(edge.error()), edge.kind)
        );
    }
    let axis = top + PANEL + 4.0;
    let _ = writeln!(
        out,
        "<line x1=\"{x0:.1}\" y1=\"{axis:.1}\" x2=\"{x1:.1}\" y2=\"{axis:.1}\" stroke=\"{INK}\"/>"
    );
    let mut tick = (frame.start / 5.0).ceil() * 5.0;
    while tick <= frame.end {
        let x = frame.x(tick);
        let _ = writeln!(
            out,
            "<line x1=\"{x:.1}\" y1=\"{axis:.1}\" x2=\"{x:.1}\" y2=\"{:.1}\" stroke=\"{INK}\"/><text x=\"{x:.1}\" y=\"{:.1}\" font-size=\"11\" text-anchor=\"middle\">{tick:.0} m</text>",
            axis + 5.0,
            axis + 17.0
        );
        tick += 5.0;
    }
    out.push_str(&speed_note(frame, scene, axis + 32.0));
    out
}

/// Speed of the boom at a few places of the row.
fn speed_note(frame: &Frame, scene: &Scene, y: f64) -> String {
    let mut out = String::new();
    let mut at = (frame.start / 10.0).ceil() * 10.0;
    while at <= frame.end {
        if let Some(t) = scene.ground.time_at(at) {
            let _ = writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{y:.1}\" font-size=\"11\" text-anchor=\"middle\" fill=\"{GREY}\">{:.1} m/s</text>",
                frame.x(at),
                scene.ground.speed(t)
            );
        }
        at += 10.0;
    }
    out
}

pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}
