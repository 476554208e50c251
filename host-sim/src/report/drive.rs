//! The page of one drive.

use std::path::Path;

use ground_truth::{EdgeKind, Outcome, Report};

use super::page::Page;
use super::strip::{word, zoomable};
use crate::chart::{Chart, Look, Point, Series};
use crate::commands::ValveCommand;
use crate::error::Result;
use crate::machine::Machine;
use crate::output;
use crate::recording::Recording;
use crate::replay::replay;
use crate::run::{self, Controlled, same_detectors};
use crate::scene::Scene;
use crate::strip::{self as paper};
use crate::summary::{Stats, Summary};
use crate::truth::Truth;

/// Plants listed that did not get their full dose.
const MOST_LISTED: usize = 200;
/// Bars of a distribution.
const BARS: usize = 40;
/// Points of a pressure line.
const POINTS: usize = 800;

/// Replays a folder and makes its page.
pub fn html(folder: &Path) -> Result<String> {
    let at = |name: &str| folder.join(name).display().to_string();
    let machine_file = at("machine.toml");
    let machine_text = output::read_text(&machine_file)?;
    let machine = Machine::parse(&machine_file, &machine_text)?;
    let recording_file = at("recording.jsonl");
    let recording = Recording::load(&recording_file)?;
    same_detectors(&recording_file, &recording, &machine_file, &machine)?;
    let truth_file = at("truth.json");
    let scene = if folder.join("truth.json").is_file() {
        Scene::from_truth(
            &truth_file,
            &Truth::load(&truth_file)?,
            &machine,
            &recording,
        )?
    } else {
        Scene::in_hindsight(&recording_file, &machine, &recording)?
    };
    let run = replay(&machine_file, &machine, &recording)?;
    let (report, summary) = run::judge(&machine, &recording, &scene, &Controlled::Core(&run))?;

    let mut page = Page::new(&format!("Drive: {}", summary.name));
    head(&mut page, &machine, &summary);
    page.section("ground", "Ground strip");
    let told = format!(
        "Ground from {:.1} m to {:.1} m, travel to the right, left nozzle on top: {} plants with their full dose, {} in part, {} missed",
        scene.judged_m.0,
        scene.judged_m.1,
        summary.targets.full,
        summary.targets.partial,
        summary.targets.missed
    );
    page.raw(&zoomable(&scene, &report, &told));
    let (rows, shown_m) = paper::rows(&scene, &report, machine.tolerance.edge_m);
    let all_m = scene.judged_m.1 - scene.judged_m.0;
    page.raw(&format!(
        "<div class=\"paper\"><p>Travel to the right, left nozzle on top{}. Boxes: sprayed (half flow). Plants: dots got their full dose, diamonds a part of it, crosses were missed, rings are not judged. Under the ground the errors, up is too late: dots where spraying began, squares where it ended; grey is the tolerance of {:.0} mm.</p>{}</div>",
        if shown_m < all_m { format!("; the first {shown_m:.0} m of {all_m:.0} m") } else { String::new() },
        1e3 * machine.tolerance.edge_m,
        rows.concat()
    ));
    page.section("errors", "Placement errors");
    errors(&mut page, &report, &summary);
    page.section("nozzles", "Cycles of each nozzle");
    nozzles(&mut page, &scene, &report, &run.commands);
    page.section("pressure", "Pressure");
    pressure(&mut page, &scene, &run.commands);
    page.section("faults", "Faults and plants not full");
    faults(&mut page, &scene, &report, &summary);
    page.section("simple", "Beside two simple controllers");
    simple(&mut page, &summary);
    page.section("files", "Files");
    page.file("machine.toml", &machine_text);
    let mut digests = Vec::new();
    for name in ["recording.jsonl", "truth.json"] {
        if let Ok(bytes) = std::fs::read(folder.join(name)) {
            digests.push(vec![name.to_owned(), super::page::digest(&bytes)]);
        }
    }
    page.table("SHA-256 of the other files", &["file", "digest"], &digests);
    Ok(page.finish())
}

fn head(page: &mut Page, machine: &Machine, s: &Summary) {
    let card = |what: &str, value: String, broken: bool| {
        let class = if broken { "card broken" } else { "card" };
        format!(
            "<div class=\"{class}\"><b>{}</b>{}</div>",
            paper::escape(&value),
            paper::escape(what)
        )
    };
    let t = s.targets;
    let mut cards = String::from("<div class=\"cards\">");
    for (what, value, broken) in [
        ("verdict", s.verdict.to_owned(), !s.holds()),
        (
            "plants with their full dose",
            format!("{} of {}", t.full, t.total),
            t.full < t.total,
        ),
        ("sprayed in part", t.partial.to_string(), t.partial > 0),
        ("missed", t.missed.to_string(), t.missed > 0),
        (
            "saved against spraying all",
            format!("{:.1} %", 100.0 * s.saving_vs_broadcast),
            false,
        ),
        (
            "start errors, RMS",
            format!("{:.1} mm", s.start_error_mm.rms),
            false,
        ),
        (
            "stop errors, RMS",
            format!("{:.1} mm", s.stop_error_mm.rms),
            false,
        ),
        ("judged ground", format!("{:.1} m", s.ground_m), false),
    ] {
        cards.push_str(&card(what, value, broken));
    }
    cards.push_str("</div>");
    page.raw(&cards);
    page.text(&format!(
        "Machine: {}, {} nozzles, {}. {}",
        machine.name,
        machine.nozzles.len(),
        match machine.detectors.len() {
            1 => "1 detector".to_owned(),
            n => format!("{n} detectors"),
        },
        match s.basis {
            "truth" => "Judged against the true ground and the true plants.",
            _ => "Judged in hindsight from the recording alone: plants that no detector saw are not counted.",
        }
    ));
    for reason in &s.reasons {
        page.text(&format!("Broken: {reason}"));
    }
}

/// Errors of one kind, mm, counted in even bars between two ends.
fn counted(errors: &[f64], low: f64, wide: f64) -> Vec<Point> {
    let mut bars = vec![0.0; BARS];
    for e in errors {
        let at = ((e - low) / wide).floor().clamp(0.0, BARS as f64 - 1.0);
        bars[at as usize] += 1.0;
    }
    bars.iter()
        .enumerate()
        .map(|(i, n)| (low + (i as f64 + 0.5) * wide, *n, None))
        .collect()
}

fn errors(page: &mut Page, report: &Report, s: &Summary) {
    let of = |kind: EdgeKind| -> Vec<f64> {
        let edges = report.edges.iter().filter(|e| e.kind == kind);
        edges.map(|e| 1e3 * e.error()).collect()
    };
    let (starts, stops) = (of(EdgeKind::Start), of(EdgeKind::Stop));
    if starts.is_empty() && stops.is_empty() {
        page.text("No edge was scored.");
    } else {
        let most = s.start_error_mm.p99_9.max(s.stop_error_mm.p99_9).max(0.1);
        let wide = 2.0 * most / BARS as f64;
        let mut pair = String::from("<div class=\"pair\">");
        for (what, all, stats) in [
            ("began", &starts, &s.start_error_mm),
            ("ended", &stops, &s.stop_error_mm),
        ] {
            let chart = Chart {
                title: format!("Where spraying {what}"),
                told: format!(
                    "{} edges, mean {:+.2} mm, root mean square {:.2} mm, largest {:.2} mm; positive is too late",
                    stats.n, stats.mean, stats.rms, stats.max
                ),
                x: "error, mm; right is too late".into(),
                y: "edges".into(),
                y_range: None,
                series: vec![Series {
                    name: what.into(),
                    look: Look::Bars,
                    points: counted(all, -most, wide),
                }],
            };
            pair.push_str(&format!("<figure>{}</figure>", chart.svg(480.0, 280.0)));
        }
        pair.push_str("</div>");
        page.raw(&pair);
        page.text("The outermost bars hold all that lies beyond.");
    }
    let row = |what: &str, e: &Stats| {
        vec![
            what.to_owned(),
            e.n.to_string(),
            format!("{:+.2}", e.mean),
            format!("{:.2}", e.rms),
            format!("{:.2}", e.p99_9),
            format!("{:.2}", e.max),
        ]
    };
    page.table(
        "Errors of edges, mm; positive is too late",
        &["", "edges", "mean", "RMS", "99.9 %", "largest"],
        &[
            row("starts", &s.start_error_mm),
            row("stops", &s.stop_error_mm),
        ],
    );
    page.text(&format!(
        "{:.3} % of all edges lie within the tolerance.",
        100.0 * s.edges_within
    ));
}

fn nozzles(page: &mut Page, scene: &Scene, report: &Report, commands: &[ValveCommand]) {
    let count = scene.nozzles.len();
    let mut opened: Vec<Option<u64>> = vec![None; count];
    let mut times: Vec<Vec<f64>> = vec![Vec::new(); count];
    let mut sorted: Vec<&ValveCommand> = commands.iter().collect();
    sorted.sort_by_key(|c| c.t_us);
    for c in sorted {
        let n = usize::from(c.nozzle);
        let (Some(since), Some(all)) = (opened.get_mut(n), times.get_mut(n)) else {
            continue;
        };
        match (c.open, *since) {
            (true, None) => *since = Some(c.t_us),
            (false, Some(from)) => {
                all.push((c.t_us.saturating_sub(from)) as f64 * 1e-3);
                *since = None;
            }
            _ => {}
        }
    }
    let (from, to) = scene.judged_m;
    let wet = |n: usize| -> f64 {
        let all = report.strips.get(n).map_or(&[][..], |s| s);
        all.iter()
            .map(|s| (s.1.min(to) - s.0.max(from)).max(0.0))
            .sum()
    };
    let openings: Vec<Point> = times
        .iter()
        .enumerate()
        .map(|(n, all)| (n as f64, all.len() as f64, None))
        .collect();
    let total: usize = times.iter().map(Vec::len).sum();
    let chart = Chart {
        title: "Openings of each nozzle".into(),
        told: format!("{total} openings in all; the table below has them"),
        x: "nozzle, from 0 at the left".into(),
        y: "openings".into(),
        y_range: None,
        series: vec![Series {
            name: "openings".into(),
            look: Look::Bars,
            points: openings,
        }],
    };
    page.chart(
        &chart,
        "Opened and closed again, from the first command to the last.",
    );
    let rows: Vec<Vec<String>> = times
        .iter()
        .enumerate()
        .map(|(n, all)| {
            let sum: f64 = all.iter().sum();
            let ms = |x: Option<f64>| x.map_or("-".into(), |x| format!("{x:.1}"));
            vec![
                n.to_string(),
                all.len().to_string(),
                format!("{:.2}", sum * 1e-3),
                ms(all.iter().copied().reduce(f64::min)),
                ms(all.iter().copied().reduce(f64::max)),
                format!("{:.2}", wet(n)),
                format!("{:.2}", 100.0 * wet(n) / (to - from).max(1e-9)),
            ]
        })
        .collect();
    page.table(
        "Cycles",
        &[
            "nozzle",
            "openings",
            "open, s",
            "shortest, ms",
            "longest, ms",
            "sprayed, m",
            "of the judged ground, %",
        ],
        &rows,
    );
}

fn pressure(page: &mut Page, scene: &Scene, commands: &[ValveCommand]) {
    let Some(supplied) = scene.supplied(&scene.acted(commands)) else {
        page.text("This drive has no supply: pressure stays as it is meant. A scenario with [supply] has one.");
        return;
    };
    let end = scene.ground.end();
    let line: Vec<Point> = (0..=POINTS)
        .map(|i| {
            let t = end * i as f64 / POINTS as f64;
            (t, supplied.kpa(t), None)
        })
        .collect();
    let chart = Chart {
        title: "Pressure at the nozzles".into(),
        told: format!(
            "lowest {:.1} kPa, {:.1} kPa at rest",
            supplied.lowest_kpa(),
            supplied.spec().settled_kpa(0.0)
        ),
        x: "time, s".into(),
        y: "pressure, kPa".into(),
        y_range: None,
        series: vec![Series {
            name: "pressure".into(),
            look: Look::Line,
            points: line,
        }],
    };
    page.chart(
        &chart,
        &format!(
            "Lowest {:.1} kPa; at rest {:.1} kPa; {:.3} L in all; most nozzles open at once: {:.1}.",
            supplied.lowest_kpa(),
            supplied.spec().settled_kpa(0.0),
            supplied.litres(),
            supplied.most_open()
        ),
    );
}

fn faults(page: &mut Page, scene: &Scene, report: &Report, s: &Summary) {
    let m = s.missed_by;
    let some = |n: Option<u64>| n.map_or("-".into(), |n| n.to_string());
    let mut rows: Vec<Vec<String>> = [
        ("missed: not seen", m.not_seen),
        ("missed: late", m.late),
        ("missed: too short", m.too_short),
        ("missed: beside", m.beside),
        ("missed: withheld", m.withheld),
        ("missed: refused", m.refused),
        ("missed: valve", m.valve),
        ("missed: dose", m.dose),
    ]
    .into_iter()
    .map(|(what, n)| vec![what.to_owned(), n.to_string()])
    .collect();
    rows.push(vec![
        "openings too late for the whole patch".into(),
        s.late.to_string(),
    ]);
    rows.push(vec!["inputs refused".into(), some(s.rejected)]);
    rows.push(vec!["decisions too late".into(), some(s.overruns)]);
    rows.push(vec!["lost pulses put back".into(), some(s.pulses_bridged)]);
    rows.push(vec![
        "faults in the list of commands".into(),
        report.problems.len().to_string(),
    ]);
    if let Some(unseen) = s.unseen_m2 {
        rows.push(vec![
            "ground that no image covered, m²".into(),
            format!("{unseen:.2}"),
        ]);
    }
    page.table("Counted", &["what", "how many"], &rows);
    for problem in report.problems.iter().take(20) {
        page.text(&problem.to_string());
    }
    let wrong: Vec<(usize, Outcome)> = report
        .outcomes
        .iter()
        .copied()
        .enumerate()
        .filter(|(_, o)| matches!(o, Outcome::Partial | Outcome::Missed(_)))
        .collect();
    if wrong.is_empty() {
        page.text("Every judged plant got its full dose.");
        return;
    }
    let mut rows = String::new();
    for &(index, outcome) in wrong.iter().take(MOST_LISTED) {
        let Some(p) = scene.plants.get(index) else {
            continue;
        };
        rows.push_str(&format!(
            "<tr><th scope=\"row\"><a href=\"#ground\" data-x=\"{0:.3}\">{0:.3}</a></th><td>{1:+.3}</td><td>{2:.0} x {3:.0}</td><td>{4}</td></tr>\n",
            p.x,
            p.y,
            1e3 * p.length,
            1e3 * p.width,
            paper::escape(&word(outcome))
        ));
    }
    page.raw(&format!(
        "<div class=\"wide\"><table><caption>Plants not full, the first {} of {}</caption><thead><tr><th scope=\"col\">along, m</th><th scope=\"col\">aside, m</th><th scope=\"col\">size, mm</th><th scope=\"col\">what became of it</th></tr></thead><tbody>{rows}</tbody></table></div>",
        wrong.len().min(MOST_LISTED),
        wrong.len()
    ));
}

fn simple(page: &mut Page, s: &Summary) {
    let b = &s.baselines;
    let row = |what: &str, of: fn(&crate::summary::Baseline) -> String, own: String| {
        vec![
            what.to_owned(),
            own,
            of(&b.fixed_delay),
            of(&b.whole_pulses),
        ]
    };
    page.table(
        "The same recording",
        &["", "controller", "fixed delay", "whole pulses"],
        &[
            row(
                "full dose",
                |b| b.targets.full.to_string(),
                s.targets.full.to_string(),
            ),
            row(
                "in part",
                |b| b.targets.partial.to_string(),
                s.targets.partial.to_string(),
            ),
            row(
                "missed",
                |b| b.targets.missed.to_string(),
                s.targets.missed.to_string(),
            ),
            row(
                "start RMS, mm",
                |b| format!("{:.1}", b.start_error_mm.rms),
                format!("{:.1}", s.start_error_mm.rms),
            ),
            row(
                "stop RMS, mm",
                |b| format!("{:.1}", b.stop_error_mm.rms),
                format!("{:.1}", s.stop_error_mm.rms),
            ),
            row(
                "sprayed, %",
                |b| format!("{:.2}", 100.0 * b.sprayed_fraction),
                format!("{:.2}", 100.0 * s.sprayed_fraction),
            ),
        ],
    );
}
