//! The ground strip to zoom into: metres along x, so that the script changes nothing but the view.

use std::fmt::Write as _;

use ground_truth::{Outcome, Report};

use crate::scene::Scene;
use crate::strip::{BLUE, GREEN, GREY, INK, ORANGE, SKY, VERMILION, across, escape};

/// Height of one lane.
const LANE: f64 = 16.0;
/// Most sprays and plants drawn: beyond it only the first part of the drive is.
const MOST_SHAPES: usize = 60_000;

/// The strip, its axis, buttons and key.
pub fn zoomable(scene: &Scene, report: &Report, told: &str) -> String {
    let (from, end) = scene.judged_m;
    let shapes = scene.plants.len() + report.strips.iter().map(Vec::len).sum::<usize>();
    let part = MOST_SHAPES as f64 / shapes.max(1) as f64;
    let to = from + (end - from) * part.min(1.0);
    let lanes = scene.nozzles.len() as f64;
    let high = LANE * lanes;
    let pixels = (high * 1.4).clamp(120.0, 620.0);
    let still = "vector-effect=\"non-scaling-stroke\"";
    let mut out = String::new();
    // Writing to a String cannot fail.
    if to < end {
        let _ = writeln!(
            out,
            "<p>The first {:.0} m of {:.0} m are drawn; the tables tell of all.</p>",
            to - from,
            end - from
        );
    }
    let _ = writeln!(
        out,
        "<div class=\"screen\"><div class=\"tools\"><button data-act=\"nearer\" type=\"button\">Zoom in (+)</button><button data-act=\"farther\" type=\"button\">Zoom out (-)</button><button data-act=\"back\" type=\"button\">Back</button><button data-act=\"on\" type=\"button\">On</button><button data-act=\"all\" type=\"button\">Whole drive</button><span class=\"said\" role=\"status\"></span></div>"
    );
    let _ = writeln!(
        out,
        "<div class=\"ground\" tabindex=\"0\" role=\"group\" aria-label=\"Ground strip. Arrow keys shift it, plus and minus zoom, Home shows all\" data-from=\"{from}\" data-to=\"{to}\"><svg height=\"{pixels:.0}\" viewBox=\"{from} 0 {} {high}\" preserveAspectRatio=\"none\" role=\"img\" aria-label=\"{}\">",
        to - from,
        escape(told)
    );
    for n in 1..scene.nozzles.len() {
        let y = LANE * n as f64;
        let _ = writeln!(
            out,
            "<path d=\"M{from} {y} H{to}\" stroke=\"#DDD3C2\" {still}/>"
        );
    }
    let _ = writeln!(
        out,
        "<g fill=\"{SKY}\" stroke=\"{BLUE}\" stroke-width=\".8\">"
    );
    for (n, strips) in report.strips.iter().enumerate() {
        for &(a, b) in strips.iter().filter(|s| s.1 > from && s.0 < to) {
            let _ = writeln!(
                out,
                "<rect x=\"{a:.4}\" y=\"{:.1}\" width=\"{:.4}\" height=\"{:.1}\" {still}/>",
                LANE * n as f64 + 1.0,
                b - a,
                LANE - 2.0
            );
        }
    }
    out.push_str("</g>\n");
    let lane_m = match (scene.nozzles.first(), scene.nozzles.last()) {
        (Some(a), Some(b)) if scene.nozzles.len() > 1 => (b.y - a.y) / (lanes - 1.0),
        (Some(only), _) => only.lane_width_m,
        _ => 1.0,
    };
    for (plant, &outcome) in scene.plants.iter().zip(&report.outcomes) {
        let Some(y) = across(scene, plant.y).map(|p| p * LANE) else {
            continue;
        };
        if plant.far() < from || plant.near() > to {
            continue;
        }
        let (fill, line, mark) = match outcome {
            Outcome::Full => (GREEN, GREEN, None),
            Outcome::Partial => (ORANGE, INK, Some(("4 3", ORANGE))),
            Outcome::Missed(_) => (VERMILION, INK, Some(("none", VERMILION))),
            Outcome::Outside => ("none", GREY, None),
        };
        if let Some((dash, colour)) = mark {
            let _ = writeln!(
                out,
                "<path d=\"M{0:.4} 0 V{high}\" stroke=\"{colour}\" stroke-width=\"1.6\" stroke-dasharray=\"{dash}\" {still}/>",
                plant.x
            );
        }
        let _ = writeln!(
            out,
            "<ellipse cx=\"{:.4}\" cy=\"{y:.2}\" rx=\"{:.4}\" ry=\"{:.2}\" fill=\"{fill}\" stroke=\"{line}\" stroke-width=\"1.2\" {still}><title>{:.2} m, {:+.2} m aside: {}</title></ellipse>",
            plant.x,
            plant.length / 2.0,
            (plant.width / 2.0 / lane_m * LANE).max(1.2),
            plant.x,
            plant.y,
            word(outcome)
        );
    }
    out.push_str("</svg></div>\n<svg class=\"axis\" viewBox=\"0 0 1140 26\" font-size=\"13\" font-family=\"sans-serif\" aria-hidden=\"true\"></svg>\n");
    let swatch =
        |inner: &str| format!("<svg width=\"26\" height=\"14\" aria-hidden=\"true\">{inner}</svg>");
    let _ = writeln!(
        out,
        "<ul class=\"key\"><li>{}sprayed (half flow)</li><li>{}full dose</li><li>{}in part: with a dashed line</li><li>{}missed: with a line</li><li>{}not judged</li></ul></div>",
        swatch(&format!(
            "<rect x=\"1\" y=\"2\" width=\"24\" height=\"10\" fill=\"{SKY}\" stroke=\"{BLUE}\"/>"
        )),
        swatch(&format!(
            "<circle cx=\"13\" cy=\"7\" r=\"5\" fill=\"{GREEN}\"/>"
        )),
        swatch(&format!(
            "<path d=\"M13 0 V14\" stroke=\"{ORANGE}\" stroke-width=\"2\" stroke-dasharray=\"4 3\"/><circle cx=\"13\" cy=\"7\" r=\"5\" fill=\"{ORANGE}\" stroke=\"{INK}\"/>"
        )),
        swatch(&format!(
            "<path d=\"M13 0 V14\" stroke=\"{VERMILION}\" stroke-width=\"2\"/><circle cx=\"13\" cy=\"7\" r=\"5\" fill=\"{VERMILION}\" stroke=\"{INK}\"/>"
        )),
        swatch(&format!(
            "<circle cx=\"13\" cy=\"7\" r=\"5\" fill=\"none\" stroke=\"{GREY}\"/>"
        ))
    );
    out
}

/// The word for an outcome.
pub fn word(outcome: Outcome) -> String {
    match outcome {
        Outcome::Full => "full dose".into(),
        Outcome::Partial => "in part".into(),
        Outcome::Missed(why) => format!("missed, {}", why_word(why)),
        Outcome::Outside => "not judged".into(),
    }
}

/// The word for why a plant was missed.
pub fn why_word(why: ground_truth::WhyMissed) -> &'static str {
    use ground_truth::WhyMissed as W;
    match why {
        W::NotSeen => "not seen",
        W::Late => "late",
        W::TooShort => "too short",
        W::Beside => "beside",
        W::Withheld => "withheld",
        W::Refused => "refused",
        W::Valve => "valve",
        W::Dose => "dose",
    }
}
