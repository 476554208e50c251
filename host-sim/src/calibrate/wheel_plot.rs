//! The plot of `calibrate wheel`: periods over the first run, and how far each slot sits off.

use std::fmt::Write as _;

use calibration::wheel::{Offsets, Train};

const BLUE: &str = "#0072B2";
const ORANGE: &str = "#E69F00";
const INK: &str = "#222222";
const GREY: &str = "#BBBBBB";
const WIDTH: f64 = 1000.0;
const LEFT: f64 = 70.0;
const WIDE: f64 = 900.0;
const HIGH: f64 = 180.0;
/// Periods that are drawn.
const MOST: usize = 1500;

/// Draws the measurement; the result is a whole SVG file.
pub fn draw(trains: &[Train], slots: Option<(usize, &Offsets)>) -> String {
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"520\" viewBox=\"0 0 {WIDTH} 520\" font-family=\"sans-serif\" font-size=\"12\" fill=\"{INK}\" role=\"img\">\n<title>Periods of the wheel, and how far its slots sit off</title>\n<rect width=\"{WIDTH}\" height=\"520\" fill=\"#FFFFFF\"/>\n"
    );
    let logs = trains
        .first()
        .map_or(&[][..], |t| &t.logs[..t.logs.len().min(MOST)]);
    let top = 50.0;
    let _infallible = writeln!(
        svg,
        "<text x=\"{LEFT}\" y=\"32\" font-size=\"15\">periods of the first run's first {} pulses, each over the run's mean, %</text>",
        logs.len()
    );
    let percents: Vec<f64> = logs.iter().map(|x| 100.0 * x.exp_m1()).collect();
    // Standing starts are far off and would flatten the rest.
    let mut sizes: Vec<f64> = percents.iter().map(|x| x.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let most = sizes
        .get(sizes.len() * 95 / 100)
        .copied()
        .unwrap_or(1.0)
        .max(0.1)
        * 1.3;
    frame(&mut svg, top, most);
    let mut path = String::new();
    for (k, x) in percents.iter().enumerate() {
        let place = LEFT + WIDE * (k as f64 + 0.5) / percents.len() as f64;
        let _infallible = write!(
            path,
            "{}{place:.1} {:.1}",
            if k == 0 { "M" } else { "L" },
            y(top, most, *x)
        );
    }
    let _infallible = writeln!(svg, "<path d=\"{path}\" fill=\"none\" stroke=\"{BLUE}\"/>");
    along(
        &mut svg,
        top,
        percents.len(),
        "pulse of the run, from its first",
    );
    let top = 300.0;
    match slots {
        Some((count, offsets)) => {
            let _infallible = writeln!(
                svg,
                "<text x=\"{LEFT}\" y=\"282\" font-size=\"15\">{count} slots a turn: how late each one's pulse comes, % of a pulse</text>"
            );
            let most = offsets
                .shares
                .iter()
                .map(|x| 100.0 * x.abs())
                .fold(0.01, f64::max)
                * 1.2;
            frame(&mut svg, top, most);
            let step = WIDE / count as f64;
            for (k, share) in offsets.shares.iter().enumerate() {
                let (zero, end) = (y(top, most, 0.0), y(top, most, 100.0 * share));
                let _infallible = writeln!(
                    svg,
                    "<rect class=\"slot\" x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"{ORANGE}\"/>",
                    LEFT + step * (k as f64 + 0.1),
                    zero.min(end),
                    0.8 * step,
                    (zero - end).abs()
                );
            }
            along(
                &mut svg,
                top,
                count,
                "slot, from that of the run's first pulse",
            );
        }
        None => {
            let _infallible = writeln!(
                svg,
                "<text x=\"{LEFT}\" y=\"282\" font-size=\"15\">no number of slots stands out</text>"
            );
        }
    }
    svg.push_str("</svg>\n");
    svg
}

fn y(top: f64, most: f64, percent: f64) -> f64 {
    top + 0.5 * HIGH * (1.0 - (percent / most).clamp(-1.0, 1.0))
}

/// The axis under a frame: so many things from 0 on, and what they are.
fn along(svg: &mut String, top: f64, count: usize, what: &str) {
    let under = top + HIGH + 16.0;
    for (k, x) in [(0, 0.5), (count.saturating_sub(1), count as f64 - 0.5)] {
        let _infallible = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{under}\" text-anchor=\"middle\">{k}</text>",
            LEFT + WIDE * x / count.max(1) as f64
        );
    }
    let _infallible = writeln!(
        svg,
        "<text x=\"{:.1}\" y=\"{under}\" text-anchor=\"middle\">{what}</text>",
        LEFT + 0.5 * WIDE
    );
}

fn frame(svg: &mut String, top: f64, most: f64) {
    let _infallible = writeln!(
        svg,
        "<rect x=\"{LEFT}\" y=\"{top}\" width=\"{WIDE}\" height=\"{HIGH}\" fill=\"none\" stroke=\"{GREY}\"/>"
    );
    for percent in [-most, 0.0, most] {
        let _infallible = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{percent:.2} %</text>",
            LEFT - 6.0,
            y(top, most, percent) + 4.0
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_slot_has_its_bar() {
        let train = Train {
            logs: vec![0.01, -0.01, 0.02],
            lost: 0,
            surplus: 0,
        };
        let offsets = Offsets {
            shares: vec![0.01, -0.02, 0.01],
            half_width: 0.001,
            unevenness: 0.017,
        };
        let svg = draw(std::slice::from_ref(&train), Some((3, &offsets)));
        assert_eq!(svg.matches("class=\"slot\"").count(), 3);
        assert!(draw(&[train], None).contains("no number of slots"));
    }
}
