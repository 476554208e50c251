//! The plot of `calibrate nozzles`: what each nozzle gives, between the limits of ten percent.

use calibration::catch::{Boom, Flow, TOLERANCE, Verdict};

use crate::chart::sheet::Sheet;
use crate::chart::{Chart, Look, Point, Series};

/// Draws the measurement; the result is a whole SVG file.
pub fn draw(boom: &Boom, size: Option<&str>) -> String {
    let mean = boom.mean.value;
    let ends = match (boom.nozzles.first(), boom.nozzles.last()) {
        (Some(a), Some(b)) => (a.nozzle as f64 - 0.4, b.nozzle as f64 + 0.4),
        _ => (0.0, 1.0),
    };
    let across = |name: String, look, l_min: f64| Series {
        name,
        look,
        points: vec![(ends.0, l_min, None), (ends.1, l_min, None)],
    };
    let of = |name: &str, look, wanted: fn(Verdict) -> bool| Series {
        name: name.into(),
        look,
        points: (boom.nozzles.iter().filter(|n| wanted(n.verdict)))
            .map(point)
            .collect(),
    };
    let mut series = vec![
        of("passes", Look::Dots, |v| v == Verdict::Good),
        of("to be replaced: too much", Look::Crosses, |v| {
            v == Verdict::Replace
        }),
        of("to be cleaned: too little", Look::Boxes, |v| {
            matches!(v, Verdict::Clean | Verdict::Dry)
        }),
    ];
    let mut of_three = |name: &str, l_min: f64| {
        let name = format!("{name}, {l_min:.3} L/min; dashed: 10 % off");
        series.push(across(name.clone(), Look::Line, l_min));
        for share in [1.0 - TOLERANCE, 1.0 + TOLERANCE] {
            series.push(across(name.clone(), Look::Dashed, l_min * share));
        }
    };
    of_three("mean", mean);
    if let (Some(new), Some(size)) = (boom.nominal_l_min, size) {
        of_three(&format!("new nozzle of size {size}"), new);
    }
    series.retain(|s| !s.points.is_empty());
    let wrong = boom.nozzles.iter().filter(|n| n.verdict != Verdict::Good);
    let chart = Chart {
        title: match boom.pressure_kpa {
            Some(kpa) => format!("Flow of each nozzle at {kpa:.0} kPa"),
            None => "Flow of each nozzle".into(),
        },
        told: boom
            .nozzles
            .iter()
            .map(|n| format!("nozzle {}: {:.3} L/min", n.nozzle, n.flow.value))
            .collect::<Vec<_>>()
            .join("; "),
        x: "nozzle, from 0 at the left".into(),
        y: "flow, L/min; bar: 95 % interval".into(),
        y_range: None,
        series,
    };
    let told = format!(
        "{} nozzles give {mean:.3} L/min on average and vary by {:.1} %; {} of them lie more than 10 % off.",
        boom.nozzles.len(),
        100.0 * boom.variation,
        wrong.count()
    );
    let mut sheet = Sheet::new("Catch test", &told);
    sheet.chart(&chart, (Sheet::share(1), 420.0));
    sheet.svg()
}

fn point(nozzle: &Flow) -> Point {
    let (value, half) = (nozzle.flow.value, nozzle.flow.half_width);
    let interval = half.is_finite().then_some((value - half, value + half));
    (nozzle.nozzle as f64, value, interval)
}
