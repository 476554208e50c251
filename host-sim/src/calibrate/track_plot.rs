//! The plot of `calibrate track`: where edges lay over speed with their line, and what each nozzle's
//! line comes to.

use calibration::Estimate;
use calibration::track::{Edge, EdgeFit, NozzleFit};

use crate::chart::sheet::Sheet;
use crate::chart::{Chart, Look, Point, Series};

/// Edges of one kind and what they tell.
pub struct Edges<'a> {
    /// Such as `start`.
    pub kind: &'static str,
    /// Each edge.
    pub edges: &'a [Edge],
    /// Their line.
    pub fit: &'a EdgeFit,
}

/// Draws the measurement; the result is a whole SVG file.
pub fn draw(both: [Edges<'_>; 2]) -> String {
    let told: Vec<String> = both
        .iter()
        .map(|e| {
            format!(
                "{}: {} at any speed and {} with speed",
                e.kind, e.fit.offset, e.fit.delay
            )
        })
        .collect();
    let mut sheet = Sheet::new(
        "Track test: how far edges lie off, over speed",
        &format!("{}. Positive is too far on or too late.", told.join("; ")),
    );
    // One scale for both, so that they can be compared; what is left out may lie beyond it, and is
    // then drawn on the border.
    let all = both.iter().flat_map(|e| {
        let kept = e.edges.iter();
        kept.filter(|edge| !e.fit.left_out.contains(&edge.line))
    });
    let (low, high) = all
        .map(|edge| 1e3 * edge.error_m)
        .fold((0.0_f64, 0.0_f64), |(l, h), x| (l.min(x), h.max(x)));
    let room = 0.06 * (high - low).max(1.0);
    for e in &both {
        let chart = over_speed(e, (low - room, high + room));
        sheet.chart(&chart, (Sheet::share(2), 380.0));
    }
    if both.iter().any(|e| e.fit.nozzles.len() > 1) {
        for (title, unit, of) in [
            (
                "Each nozzle, at any speed",
                "mm",
                (|n| n.offset) as fn(&NozzleFit) -> Estimate,
            ),
            ("Each nozzle, with speed: its delay", "ms", |n| n.delay),
        ] {
            sheet.chart(&each(title, unit, &both, of), (Sheet::share(2), 300.0));
        }
    }
    sheet.svg()
}

fn over_speed(e: &Edges<'_>, y: (f64, f64)) -> Chart {
    let left = |edge: &&Edge| e.fit.left_out.contains(&edge.line);
    let at = |edge: &Edge| -> Point { (edge.speed_m_s, 1e3 * edge.error_m, None) };
    let speeds = e.edges.iter().map(|edge| edge.speed_m_s);
    let fastest = speeds.fold(0.0, f64::max);
    let line = |v: f64| (v, e.fit.offset.value + e.fit.delay.value * v, None);
    let differs = |edge: &&Edge| {
        let mut nozzles = e.fit.nozzles.iter();
        nozzles.any(|n| n.differs && n.nozzle == edge.nozzle)
    };
    let mut series = vec![
        Series {
            name: format!("{} edges", e.kind),
            look: Look::Dots,
            points: (e.edges.iter())
                .filter(|x| !left(x) && !differs(x))
                .map(at)
                .collect(),
        },
        Series {
            name: "the line: offset, and delay times speed".into(),
            look: Look::Line,
            points: vec![line(0.0), line(fastest)],
        },
        Series {
            name: "as told".into(),
            look: Look::Dashed,
            points: vec![(0.0, 0.0, None), (fastest, 0.0, None)],
        },
        Series {
            name: "left out: off beyond chance".into(),
            look: Look::Crosses,
            points: e.edges.iter().filter(left).map(at).collect(),
        },
        Series {
            name: "nozzles that differ".into(),
            look: Look::Boxes,
            points: (e.edges.iter())
                .filter(|x| !left(x) && differs(x))
                .map(at)
                .collect(),
        },
    ];
    series.retain(|s| !s.points.is_empty());
    Chart {
        title: format!(
            "Where patches {}",
            if e.kind == "start" { "start" } else { "stop" }
        ),
        told: format!(
            "{} edges, scatter {:.1} mm, {} left out",
            e.edges.len(),
            e.fit.scatter_mm,
            e.fit.left_out.len()
        ),
        x: "speed, m/s".into(),
        y: "off, mm; up is too late".into(),
        y_range: Some(y),
        series,
    }
}

fn each(title: &str, unit: &str, both: &[Edges<'_>; 2], of: fn(&NozzleFit) -> Estimate) -> Chart {
    let looks = [(Look::Dots, -0.1), (Look::Boxes, 0.1)];
    let series = both.iter().zip(looks).map(|(e, (look, aside))| Series {
        name: e.kind.into(),
        look,
        points: (e.fit.nozzles.iter())
            .map(|n| {
                let x = of(n);
                let ends = (x.value - x.half_width, x.value + x.half_width);
                (n.nozzle as f64 + aside, x.value, Some(ends))
            })
            .collect(),
    });
    Chart {
        title: title.into(),
        told: both
            .iter()
            .flat_map(|e| e.fit.nozzles.iter().map(|n| (e.kind, n)))
            .map(|(kind, n)| format!("nozzle {}, {kind}: {}", n.nozzle, of(n)))
            .collect::<Vec<_>>()
            .join("; "),
        x: "nozzle, from 0 at the left".into(),
        y: format!("{unit}; bar: 95 % interval"),
        y_range: None,
        series: series.filter(|s| !s.points.is_empty()).collect(),
    }
}
