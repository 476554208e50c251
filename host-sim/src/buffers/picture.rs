//! The budget and the curve of hits against product as one SVG file.

use std::fmt::Write as _;

use super::report::{AtSpeed, Report};
use crate::chart::{Chart, Look, Series};
use crate::strip::{BLUE, GREY, INK, ORANGE, escape};

const WIDTH: f64 = 1180.0;
const BAR: f64 = 22.0;
const CHART: f64 = 420.0;

/// Draws it; the result is a whole SVG file.
pub fn draw(report: &Report) -> String {
    let shown: Vec<_> = report.causes.iter().filter(|c| c.sd_mm > 0.005).collect();
    let top = 96.0;
    let bars = top + BAR * shown.len() as f64 + 40.0;
    let height = bars + CHART + 50.0;
    let mut out = String::new();
    let p = &report.chosen;
    let title = format!(
        "{}: buffers for {} % hits",
        report.machine,
        100.0 * report.hits
    );
    let told = format!(
        "lead {:.0} mm and {:.1} ms, trail {:.0} mm and {:.1} ms; {}. The largest cause is {}.",
        1e3 * p.lead_m,
        p.lead_ms,
        1e3 * p.trail_m,
        p.trail_ms,
        report.verdict,
        shown.first().map_or("none", |c| c.key)
    );
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height:.0}\" viewBox=\"0 0 {WIDTH} {height:.0}\" font-family=\"sans-serif\" font-size=\"13\" fill=\"{INK}\" role=\"img\">\n<title>{}</title><desc>{}</desc>\n<rect width=\"{WIDTH}\" height=\"{height:.0}\" fill=\"#FFFFFF\"/>",
        escape(&title),
        escape(&told)
    );
    let _ = writeln!(
        out,
        "<text x=\"24\" y=\"32\" font-size=\"20\" font-weight=\"bold\">{}</text><text x=\"24\" y=\"56\">{}</text>",
        escape(&title),
        escape(&told)
    );
    let fast = report.speeds.last().map_or(0.0, |s| s.speed_m_s);
    let _ = writeln!(
        out,
        "<text x=\"236\" y=\"84\" font-size=\"12\" fill=\"{GREY}\">one standard deviation on the ground at {fast:.1} m/s, mm; ring: lead and trail get so much shorter for half of the cause, mm; pale: swings to and fro</text>"
    );
    let most = shown
        .iter()
        .map(|c| c.sd_mm.max(c.halved_shortens_mm))
        .fold(1e-9, f64::max);
    let scale = 560.0 / most;
    for (index, cause) in shown.iter().enumerate() {
        let y = top + BAR * index as f64;
        let middle = y + 0.5 * BAR;
        let _ = writeln!(
            out,
            "<text x=\"226\" y=\"{:.1}\" text-anchor=\"end\">{}</text><rect x=\"236\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"{BLUE}\" fill-opacity=\"{}\"/><circle cx=\"{:.1}\" cy=\"{middle:.1}\" r=\"5\" fill=\"none\" stroke=\"{ORANGE}\" stroke-width=\"2.6\"/><text x=\"{:.1}\" y=\"{:.1}\" font-size=\"12\">{:.1} mm, {:.0} % of all; half: {:.1} mm, {:.2} % less spray</text>",
            middle + 4.0,
            cause.key,
            y + 3.0,
            cause.sd_mm * scale,
            BAR - 6.0,
            if cause.swings { 0.45 } else { 1.0 },
            236.0 + cause.halved_shortens_mm * scale,
            250.0 + scale * cause.sd_mm.max(cause.halved_shortens_mm),
            middle + 4.0,
            cause.sd_mm,
            cause.share_percent,
            cause.halved_shortens_mm,
            cause.halved_saves_percent
        );
    }
    for (index, speed) in report.speeds.iter().enumerate() {
        let wide = 0.5 * WIDTH - 10.0;
        let _ = writeln!(
            out,
            "<g transform=\"translate({:.0} {bars:.0})\">{}</g>",
            index as f64 * (wide + 10.0),
            curve(speed, report.corrected_by.unwrap_or(1.0)).group(wide, CHART)
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"24\" y=\"{:.0}\" font-size=\"12\">{}</text>\n</svg>",
        height - 18.0,
        escape(&report.speeds.last().map_or(String::new(), |s| {
            super::report::practice(s, &report.field)
        }))
    );
    out
}

/// The curve at one speed: hits in percent against the product saved, and the buffers to use, so
/// many times those worked out.
pub fn curve(speed: &AtSpeed, times: f64) -> Chart {
    let share = |x: f64| 100.0 * x;
    let worked = speed
        .curve
        .iter()
        .map(|p| (share(p.saving()), share(p.worked_hits), None));
    // The same plants strewn at random save less, and fewer stand in their neighbours' spray.
    let strewn = speed.curve.iter().filter_map(|p| {
        p.worked_saving_in_patches?;
        Some((share(p.worked_saving), share(p.worked_hits_at_random), None))
    });
    let driven = speed.curve.iter().filter_map(|p| {
        let d = p.driven?;
        let interval = (share(d.hits_from), share(d.hits_to));
        Some((share(d.saving), share(d.hits), Some(interval)))
    });
    // Where they were corrected, the nearest point of the curve, as it was driven if it was.
    let near = speed
        .curve
        .iter()
        .min_by(|a, b| (a.times - times).abs().total_cmp(&(b.times - times).abs()));
    let chosen = near.map_or((0.0, 0.0, None), |p| match p.driven {
        Some(d) if times != 1.0 => (share(d.saving), share(d.hits), None),
        _ => (share(p.saving()), share(p.worked_hits), None),
    });
    let mut series = vec![
        Series {
            name: "worked out".into(),
            look: Look::Line,
            points: worked.collect(),
        },
        Series {
            name: "the same plants strewn at random".into(),
            look: Look::Dashed,
            points: strewn.collect(),
        },
        Series {
            name: "driven, with 95 % interval".into(),
            look: Look::Dots,
            points: driven.collect(),
        },
        Series {
            name: "the buffers to use".into(),
            look: Look::Ring,
            points: vec![chosen],
        },
    ];
    series.retain(|s| !s.points.is_empty());
    Chart {
        title: format!("Hits against product saved at {:.1} m/s", speed.speed_m_s),
        told: format!(
            "{:.1} % hits at {:.1} % saved",
            share(speed.worked_hits),
            share(speed.saving())
        ),
        x: "saved against spraying all, %".into(),
        y: "plants with their full dose, %".into(),
        y_range: None,
        series,
    }
}
