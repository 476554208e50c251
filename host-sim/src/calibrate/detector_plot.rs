//! The plot of `calibrate detector`: how far markers lie off, from above, with the mount mended, with
//! yaw and scale too, and as any plane; and stamps and ages of strobed images over the test.

use std::fmt::Write as _;

use calibration::homography::{Pair, Similarity};
use calibration::markers::{Marker, View};
use calibration::strobe::{Clock, Flash};

use crate::chart::sheet::{Sheet, remark};
use crate::chart::{Chart, Look, Series};
use crate::strip::{BLUE, GREY, INK, VERMILION, escape};

/// One detector's markers and what they tell.
pub struct Grid {
    /// Which, from 0.
    pub number: usize,
    /// Its markers.
    pub markers: Vec<Marker>,
    /// What they tell.
    pub view: View,
}

/// What strobed images tell.
pub struct Strobe {
    /// Each flash.
    pub flashes: Vec<Flash>,
    /// What they tell.
    pub clock: Clock,
}

/// Draws the measurements; the result is a whole SVG file.
pub fn draw(grids: &[Grid], strobe: Option<&Strobe>) -> String {
    let mut told = Vec::new();
    for grid in grids {
        let [mount, similar, plane] = grid.view.left_mm;
        told.push(format!(
            "Detector {}: a coordinate is {mount:.1} mm off with x_m and y_m right, {similar:.1} mm with yaw and scale mended too, {plane:.1} mm as any plane.",
            grid.number
        ));
    }
    if let Some(Strobe { clock, .. }) = strobe {
        told.push(format!(
            "Stamps lie {} late in the middle of the test.",
            clock.offset
        ));
    }
    let mut sheet = Sheet::new("Detector: grid and strobe", &told.join(" "));
    for grid in grids {
        for (what, off) in ways(grid) {
            let wide = Sheet::share(3);
            let title = format!("Detector {}: {what}", grid.number);
            let (drawn, words, high) = from_above(grid, &title, &off, wide);
            sheet.picture((wide, high), &words, &drawn);
        }
        sheet.next_row();
    }
    if let Some(strobe) = strobe {
        let half = (Sheet::share(2), 320.0);
        sheet.chart(&stamps(strobe), half);
        if let Some(chart) = ages(strobe) {
            sheet.chart(&chart, half);
        }
    }
    sheet.svg()
}

/// The three ways to mend a detector, and where each puts the markers, forward and right, m.
fn ways(grid: &Grid) -> Vec<(&'static str, Vec<(f64, f64)>)> {
    let mount = (grid.view.mount.0.value, grid.view.mount.1.value);
    let used: Vec<Pair> = (grid.markers.iter().filter(|m| !left_out(grid, m)))
        .map(|m| m.pair)
        .collect();
    let places = |of: &dyn Fn((f64, f64)) -> (f64, f64)| {
        grid.markers.iter().map(|m| of(m.pair.seen)).collect()
    };
    let mut all = vec![(
        "x_m and y_m right",
        places(&|p| (p.0 + mount.0, p.1 + mount.1)),
    )];
    if let Some(similar) = Similarity::fit(&used) {
        all.push(("yaw and scale mended too", places(&|p| similar.map(p))));
    }
    all.push(("as any plane", places(&|p| grid.view.homography.map(p))));
    all
}

fn left_out(grid: &Grid, marker: &Marker) -> bool {
    grid.view
        .left_out
        .iter()
        .any(|(_, line, _)| *line == marker.line)
}

/// Markers from above, travel upward, each with a line to where the detector puts it, enlarged.
fn from_above(grid: &Grid, title: &str, put: &[(f64, f64)], wide: f64) -> (String, String, f64) {
    let ends = |of: fn(&Marker) -> f64| {
        let all = grid.markers.iter().map(of);
        all.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| {
            (l.min(x), h.max(x))
        })
    };
    let (x, y) = (ends(|m| m.pair.ground.0), ends(|m| m.pair.ground.1));
    let (left, top, room) = (44.0, 52.0, 26.0);
    let plot = wide - left - 12.0;
    // One scale both ways, and no picture higher than wide.
    let scale = ((plot - 2.0 * room) / (y.1 - y.0).max(0.05))
        .min((plot - 2.0 * room) / (x.1 - x.0).max(0.05));
    let high = scale * (x.1 - x.0) + 2.0 * room;
    let at = |p: (f64, f64)| {
        let across = left + 0.5 * plot + scale * (p.1 - 0.5 * (y.0 + y.1));
        (across, top + room + scale * (x.1 - p.0))
    };
    let offs: Vec<(f64, f64)> = grid
        .markers
        .iter()
        .zip(put)
        .map(|(m, p)| (p.0 - m.pair.ground.0, p.1 - m.pair.ground.1))
        .collect();
    let kept = || (grid.markers.iter().zip(&offs)).filter(|(m, _)| !left_out(grid, m));
    let far = kept().map(|(_, o)| o.0.hypot(o.1)).fold(1e-4, f64::max);
    // So many times enlarged that the longest is easy to see, by a round number.
    let wanted = 34.0 / (scale * far);
    let times = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0]
        .into_iter()
        .rfind(|t| *t <= wanted)
        .unwrap_or(1.0);
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "<text x=\"0\" y=\"18\" font-size=\"14\" font-weight=\"bold\">{}</text><rect x=\"{left}\" y=\"{top}\" width=\"{plot:.1}\" height=\"{high:.1}\" fill=\"none\" stroke=\"{GREY}\"/>",
        escape(title)
    );
    remark(
        &mut out,
        (0.0, 38.0),
        &format!("line: where it is put, {times:.0} times as far off; cross: left out"),
    );
    for (marker, off) in grid.markers.iter().zip(&offs) {
        let (px, py) = at(marker.pair.ground);
        if left_out(grid, marker) {
            let _ = writeln!(
                out,
                "<path class=\"left-out\" d=\"M{:.1} {:.1}l10 10m0 -10l-10 10\" fill=\"none\" stroke=\"{VERMILION}\" stroke-width=\"2.4\"/>",
                px - 5.0,
                py - 5.0
            );
        } else {
            let _ = writeln!(
                out,
                "<path d=\"M{px:.1} {py:.1}l{:.1} {:.1}\" stroke=\"{BLUE}\" stroke-width=\"2\"/><circle class=\"marker\" cx=\"{px:.1}\" cy=\"{py:.1}\" r=\"3\" fill=\"{INK}\"/>",
                scale * times * off.1,
                -scale * times * off.0
            );
        }
        let _ = writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" font-size=\"11\" fill=\"{GREY}\">{}</text>",
            px + 6.0,
            py + 14.0,
            escape(&marker.name)
        );
    }
    // The measures of the grid: how far ahead of the boom, and to which side.
    for (value, px, py, anchor) in [
        (x.1, left - 5.0, at((x.1, y.0)).1 + 4.0, "end"),
        (x.0, left - 5.0, at((x.0, y.0)).1 + 4.0, "end"),
        (y.0, at((x.0, y.0)).0, top + high + 15.0, "middle"),
        (y.1, at((x.0, y.1)).0, top + high + 15.0, "middle"),
    ] {
        let _ = writeln!(
            out,
            "<text x=\"{px:.1}\" y=\"{py:.1}\" text-anchor=\"{anchor}\">{value:.2}</text>"
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">m to the right of the boom's middle</text><text transform=\"translate(12 {:.1}) rotate(-90)\" text-anchor=\"middle\">m ahead</text>",
        left + 0.5 * plot,
        top + high + 32.0,
        top + 0.5 * high
    );
    let words: Vec<String> = kept()
        .map(|(m, o)| {
            format!(
                "{}: {:+.1} mm ahead, {:+.1} mm right",
                m.name,
                1e3 * o.0,
                1e3 * o.1
            )
        })
        .collect();
    (
        out,
        format!("{title}. {}", words.join("; ")),
        top + high + 40.0,
    )
}

fn stamps(strobe: &Strobe) -> Chart {
    let Strobe { flashes, clock } = strobe;
    let first = flashes.first().map_or(0.0, |f| f.flash_us);
    let last = flashes.last().map_or(0.0, |f| f.flash_us);
    let s = |us: f64| (us - first) * 1e-6;
    let middle = 0.5 * s(last);
    // 1000 ppm are 1 ms a second.
    let drift = clock.drift.map_or(0.0, |d| d.value * 1e-3);
    let line = |t: f64| (t, clock.offset.value + drift * (t - middle), None);
    Chart {
        title: "Stamp of the image less the flash".into(),
        told: match clock.drift {
            Some(drift) => format!("{} in the middle of the test, {drift} fast", clock.offset),
            None => format!("{} in the middle of the test", clock.offset),
        },
        x: "time of the test, s".into(),
        y: "ms; up is stamped too late".into(),
        y_range: None,
        series: vec![
            Series {
                name: "each flash".into(),
                look: Look::Dots,
                points: (flashes.iter())
                    .map(|f| (s(f.flash_us), (f.captured_us - f.flash_us) * 1e-3, None))
                    .collect(),
            },
            Series {
                name: "offset and drift".into(),
                look: Look::Line,
                points: vec![line(0.0), line(s(last))],
            },
        ],
    }
}

fn ages(strobe: &Strobe) -> Option<Chart> {
    let (mean, sd, longest) = strobe.clock.delay?;
    let first = strobe.flashes.first()?.flash_us;
    let last = strobe.flashes.last()?.flash_us;
    let s = |us: f64| (us - first) * 1e-6;
    let points = strobe.flashes.iter();
    let points =
        points.filter_map(|f| Some((s(f.flash_us), (f.arrived_us? - f.flash_us) * 1e-3, None)));
    Some(Chart {
        title: "Age of the message when it comes in".into(),
        told: format!("mean {mean}, standard deviation {sd:.2} ms, longest {longest:.1} ms"),
        x: "time of the test, s".into(),
        y: "ms after the flash".into(),
        y_range: None,
        series: vec![
            Series {
                name: "each message".into(),
                look: Look::Dots,
                points: points.collect(),
            },
            Series {
                name: "mean".into(),
                look: Look::Dashed,
                points: vec![(0.0, mean.value, None), (s(last), mean.value, None)],
            },
        ],
    })
}
