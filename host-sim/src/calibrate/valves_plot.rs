//! The plot of `calibrate valves`: a row a nozzle, delays over the run at the left, how often each
//! comes at the right; opening and closing side by side.

use std::fmt::Write as _;

use calibration::Estimate;
use calibration::valves::{Measured, Side};

/// Colours that colour-blind readers tell apart, as in the ground strip.
const BLUE: &str = "#0072B2";
const VERMILION: &str = "#D55E00";
const INK: &str = "#222222";
const GREY: &str = "#BBBBBB";

const WIDTH: f64 = 1200.0;
const LEFT: f64 = 56.0;
const TOP: f64 = 72.0;
const ROW: f64 = 120.0;
const PLOT: f64 = 88.0;
const RUN: f64 = 380.0;
const BINS: usize = 40;
const BARS: f64 = 120.0;
const GAP: f64 = 40.0;

/// Draws the measurement; the result is a whole SVG file.
pub fn draw(found: &Measured) -> String {
    let height = TOP + ROW * found.nozzles.len() as f64 + 30.0;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height:.0}\" viewBox=\"0 0 {WIDTH} {height:.0}\" font-family=\"sans-serif\" font-size=\"12\" fill=\"{INK}\" role=\"img\">\n<title>Valve delays over the run, and how often each comes</title>\n<rect width=\"{WIDTH}\" height=\"{height:.0}\" fill=\"#FFFFFF\"/>\n"
    );
    let columns = [LEFT, LEFT + RUN + BARS + GAP + 20.0];
    for (x, name, colour) in [
        (columns[0], "opens after, ms", BLUE),
        (columns[1], "closes after, ms", VERMILION),
    ] {
        let _infallible = writeln!(
            svg,
            "<text x=\"{x}\" y=\"28\" font-size=\"15\" fill=\"{colour}\">{name}</text><text x=\"{x}\" y=\"46\">over the run of {:.1} s; dashed: mean; on the border: beyond it; bars: how often</text>",
            found.run_s
        );
    }
    for (row, nozzle) in found.nozzles.iter().enumerate() {
        let top = TOP + ROW * row as f64;
        let _infallible = writeln!(
            svg,
            "<text x=\"{LEFT}\" y=\"{:.1}\" font-weight=\"bold\">nozzle {}</text>",
            top - 5.0,
            nozzle.nozzle
        );
        panel(&mut svg, (columns[0], top), &nozzle.open, found.run_s, BLUE);
        panel(
            &mut svg,
            (columns[1], top),
            &nozzle.close,
            found.run_s,
            VERMILION,
        );
    }
    svg.push_str("</svg>\n");
    svg
}

/// One direction of one nozzle.
fn panel(svg: &mut String, (left, top): (f64, f64), side: &Side, run_s: f64, colour: &str) {
    let _infallible = writeln!(
        svg,
        "<rect x=\"{left}\" y=\"{top:.1}\" width=\"{RUN}\" height=\"{PLOT}\" fill=\"none\" stroke=\"{GREY}\"/>"
    );
    let Some((low, high)) = range(side) else {
        let _infallible = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\">no delay</text>",
            left + 8.0,
            top + 0.5 * PLOT
        );
        return;
    };
    let y = |ms: f64| top + PLOT * (high - ms.clamp(low, high)) / (high - low);
    for ms in [low, high] {
        let _infallible = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{ms:.1}</text>",
            left - 4.0,
            y(ms) + 4.0
        );
    }
    if let Some(Estimate { value, .. }) = side.delay {
        let _infallible = writeln!(
            svg,
            "<path d=\"M{left} {:.1}h{RUN}\" stroke=\"{INK}\" stroke-dasharray=\"4 3\"/>",
            y(value)
        );
    }
    let mut dots = String::new();
    let mut bins = [0usize; BINS];
    for point in &side.points {
        let ms = 1e3 * point.delay_s;
        let x = left + RUN * (point.at_s / run_s.max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
        let _infallible = write!(dots, "M{x:.1} {:.1}h0", y(ms));
        let bin = (BINS as f64 * (ms - low) / (high - low)) as usize;
        if let Some(count) = bins.get_mut(bin.min(BINS - 1)) {
            *count += 1;
        }
    }
    let _infallible = writeln!(
        svg,
        "<path d=\"{dots}\" stroke=\"{colour}\" stroke-width=\"2.4\" stroke-linecap=\"round\" fill=\"none\"/>"
    );
    // Over the dots, on a white ground.
    if let Some(Estimate { value, .. }) = side.delay {
        let _infallible = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" stroke=\"#FFFFFF\" stroke-width=\"4\" paint-order=\"stroke\">{value:.2} ms</text>",
            left + RUN - 4.0,
            y(value) - 4.0
        );
    }
    let most = bins.iter().copied().max().unwrap_or(1).max(1) as f64;
    let step = PLOT / BINS as f64;
    for (k, &count) in bins.iter().enumerate().filter(|b| *b.1 > 0) {
        let (wide, from) = (
            BARS * count as f64 / most,
            top + PLOT - step * (k + 1) as f64,
        );
        let _infallible = writeln!(
            svg,
            "<rect x=\"{:.1}\" y=\"{from:.1}\" width=\"{wide:.1}\" height=\"{:.1}\" fill=\"{colour}\"/>",
            left + RUN + 8.0,
            step - 0.4
        );
    }
}

/// What the panel shows, ms: all that counted and some room; outliers beyond lie on its border.
fn range(side: &Side) -> Option<(f64, f64)> {
    let delay = side.delay?.value;
    let sd = side.spread.map_or(0.0, |s| s.value);
    let room = (8.0 * sd).max(1.0);
    Some(((delay - room).max(0.0).min(delay), delay + room))
}

#[cfg(test)]
mod tests {
    use super::*;
    use calibration::valves::{Delay, NozzleDelays};

    #[test]
    fn every_delay_that_is_kept_is_a_dot_and_counted_in_a_bar() {
        let point = |at_s, delay_s| Delay {
            at_s,
            delay_s,
            supply: None,
        };
        let side = Side {
            delay: Estimate::mean(&[20.0, 20.5], "ms"),
            spread: None,
            drift: None,
            per_volt: None,
            outliers: 0,
            named: vec![],
            points: vec![point(0.1, 0.02), point(0.5, 0.0205), point(0.9, 0.3)],
        };
        let none = Side {
            delay: None,
            points: vec![],
            ..side.clone()
        };
        let nozzle = NozzleDelays {
            nozzle: 3,
            open: side,
            close: none,
            opens: 3,
            closes: 3,
            missed_opens: 0,
            missed_closes: 0,
            twice: 0,
            unasked: 0,
            spikes: 0,
            times: vec![],
        };
        let svg = draw(&Measured {
            nozzles: vec![nozzle],
            faults: vec![],
            run_s: 1.0,
            step_s: 1e-5,
            changes: 12,
        });
        assert_eq!(svg.matches("h0").count(), 3, "{svg}");
        assert!(svg.contains("nozzle 3") && svg.contains("no delay") && svg.ends_with("</svg>\n"));
        // 20 and 20.5 ms in bars of their own, the far one in the border's.
        assert_eq!(svg.matches("height=\"1.8\"").count(), 3, "{svg}");
    }
}
