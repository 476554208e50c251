//! The plot of `calibrate field`: hits by nozzle, speed and size, and what became of the others.

use std::fmt::Write as _;

use calibration::field::{Sheet as Count, Strip};
use calibration::share;

use crate::chart::sheet::Sheet;
use crate::chart::{Chart, Look, Point, Series};
use crate::strip::{BLUE, INK, escape};

const HIGH: f64 = 340.0;
const BAR: f64 = 30.0;

/// Draws the count; `wanted` is the share of plants that is to be hit. A whole SVG file.
pub fn draw(strips: &[Strip], count: &Count, wanted: Option<f64>) -> String {
    let percent = 100.0 * count.all.share().unwrap_or(0.0);
    let told = format!(
        "{} of {} plants hit: {percent:.1} %, 95 % interval {:.1} to {:.1} %.{}",
        count.all.hits,
        count.all.n,
        100.0 * count.interval.0,
        100.0 * count.interval.1,
        wanted.map_or(String::new(), |w| format!(" Wanted: {:.1} %.", 100.0 * w))
    );
    let mut sheet = Sheet::new("Field count", &told);
    let half = (Sheet::share(2), HIGH);
    let nozzles = (count.nozzles.iter())
        .map(|(&nozzle, &of)| (nozzle as f64, of))
        .collect::<Vec<_>>();
    let lines = Lines {
        all: percent,
        wanted,
    };
    sheet.chart(
        &hits(
            "Hits by nozzle",
            "nozzle, from 0 at the left",
            &nozzles,
            &lines,
        ),
        half,
    );
    let speeds = by(strips, |s| Some(s.speed_m_s));
    sheet.chart(
        &hits(
            "Hits by speed",
            "speed over the strip, m/s",
            &speeds,
            &lines,
        ),
        half,
    );
    let sizes = by(strips, |s| s.size_mm);
    if sizes.len() > 1 {
        sheet.chart(
            &hits("Hits by size", "size of the plants, mm", &sizes, &lines),
            half,
        );
    }
    let (drawn, words) = misses(strips, half.0);
    sheet.picture(half, &words, &drawn);
    sheet.svg()
}

/// What is drawn across each chart.
struct Lines {
    all: f64,
    wanted: Option<f64>,
}

/// Strips summed up by the same figure; those that lack it are left out.
fn by(strips: &[Strip], of: impl Fn(&Strip) -> Option<f64>) -> Vec<(f64, share::Count)> {
    let mut all: Vec<(f64, share::Count)> = Vec::new();
    for strip in strips {
        let Some(x) = of(strip) else { continue };
        let one = share::Count {
            hits: strip.hit,
            n: strip.counted,
        };
        match all.iter_mut().find(|(at, _)| *at == x) {
            Some((_, sum)) => *sum = *sum + one,
            None => all.push((x, one)),
        }
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all
}

fn hits(title: &str, x: &str, all: &[(f64, share::Count)], lines: &Lines) -> Chart {
    let points: Vec<Point> = all
        .iter()
        .filter_map(|(at, count)| {
            let (low, high) = count.interval(0.95)?;
            Some((
                *at,
                100.0 * count.share()?,
                Some((100.0 * low, 100.0 * high)),
            ))
        })
        .collect();
    let ends = match (points.first(), points.last()) {
        (Some(a), Some(b)) if a.0 < b.0 => (a.0, b.0),
        (Some(a), _) => (a.0 - 0.5, a.0 + 0.5),
        _ => (0.0, 1.0),
    };
    let across = |name: &str, look, y: f64| Series {
        name: name.into(),
        look,
        points: vec![(ends.0, y, None), (ends.1, y, None)],
    };
    let lowest = points.iter().filter_map(|p| p.2).map(|i| i.0);
    let lowest = lowest.fold(
        lines.wanted.map_or(lines.all, |w| lines.all.min(100.0 * w)),
        f64::min,
    );
    let mut series = vec![
        Series {
            name: "counted, with 95 % interval".into(),
            look: Look::Dots,
            points,
        },
        across("all plants", Look::Line, lines.all),
    ];
    if let Some(wanted) = lines.wanted {
        series.push(across("wanted", Look::Dashed, 100.0 * wanted));
    }
    Chart {
        title: title.into(),
        told: all
            .iter()
            .map(|(at, count)| format!("{at}: {} of {}", count.hits, count.n))
            .collect::<Vec<_>>()
            .join("; "),
        x: x.into(),
        y: "plants hit, %".into(),
        y_range: Some(((lowest - 5.0).max(0.0), 102.0)),
        series,
    }
}

/// Bars of what became of the plants that were not hit, and the same in words.
fn misses(strips: &[Strip], wide: f64) -> (String, String) {
    let of = |f: fn(&Strip) -> usize| strips.iter().map(f).sum::<usize>();
    let named = [
        ("dry where the machine came first", of(|s| s.start_dry)),
        ("dry where it came last", of(|s| s.stop_dry)),
        ("dyed at one side only", of(|s| s.beside)),
        ("no patch near", of(|s| s.dry)),
    ];
    let missed = of(|s| s.counted - s.hit);
    let sorted: usize = named.iter().map(|n| n.1).sum();
    let all = [&named[..], &[("not sorted", missed - sorted)]].concat();
    let most = all.iter().map(|n| n.1).max().unwrap_or(0).max(1) as f64;
    let title = format!("What became of the {missed} plants that were not hit");
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "<text x=\"0\" y=\"18\" font-size=\"14\" font-weight=\"bold\">{}</text>",
        escape(&title)
    );
    let left = 224.0;
    for (index, (what, n)) in all.iter().enumerate() {
        let y = 40.0 + BAR * index as f64;
        let long = (wide - left - 60.0) * *n as f64 / most;
        let _ = writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text><rect x=\"{left}\" y=\"{y:.1}\" width=\"{long:.1}\" height=\"{:.1}\" fill=\"{BLUE}\"/><text x=\"{:.1}\" y=\"{:.1}\">{n}</text>",
            left - 8.0,
            y + 0.5 * BAR,
            escape(what),
            BAR - 10.0,
            left + long + 8.0,
            y + 0.5 * BAR,
        );
    }
    let end = 40.0 + BAR * all.len() as f64;
    let _ = writeln!(
        out,
        "<path d=\"M{left} 32V{end:.1}\" stroke=\"{INK}\"/><text x=\"{left}\" y=\"{:.1}\">plants</text>",
        end + 16.0
    );
    let words: Vec<String> = all.iter().map(|(what, n)| format!("{what}: {n}")).collect();
    (out, format!("{title}. {}", words.join("; ")))
}
