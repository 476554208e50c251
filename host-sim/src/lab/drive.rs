//! One drive with a set of values: generated, replayed through the core, and judged.

use serde::Serialize;
use serde_json::{Value as Json, json};

use ground_truth::nozzle::rate_l_ha;
use ground_truth::{EdgeKind, ErrorStats, Outcome, Report, WhyMissed};

use super::round;
use super::texts::Files;
use super::values::Values;
use super::{spread, way};
use crate::baseline;
use crate::commands::ValveCommand;
use crate::error::Result;
use crate::generate::{self, Drive};
use crate::replay::{Replay, replay};
use crate::scene::Scene;

/// A drive and both its controllers.
pub struct Driven {
    /// The files that it came from.
    pub files: Files,
    /// Recording and truth.
    pub drive: Drive,
    /// What it is judged against.
    pub scene: Scene,
    /// What the core did.
    pub run: Replay,
    /// How that was judged.
    pub report: Report,
    /// The fixed delay's commands.
    pub fixed: Vec<ValveCommand>,
    /// How those were judged.
    pub fixed_report: Report,
}

impl Driven {
    /// Drives.
    pub fn with(values: &Values) -> Result<Driven> {
        let files = Files::of(values)?;
        let drive = generate::drive("scenario.toml", &files.scenario, &files.machine)?;
        let scene =
            Scene::from_truth("truth.json", &drive.truth, &files.machine, &drive.recording)?;
        let run = replay("machine.toml", &files.machine, &drive.recording)?;
        let report = scene.judge(&run.commands, Some(&run.images))?;
        let fixed = baseline::fixed_delay(&files.machine, &drive.recording);
        let fixed_report = scene.judge(&fixed, None)?;
        Ok(Driven {
            files,
            drive,
            scene,
            run,
            report,
            fixed,
            fixed_report,
        })
    }
}

/// How a controller fared, for a table.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Fared {
    full: usize,
    partial: usize,
    missed: usize,
    start_mean_mm: f64,
    start_rms_mm: f64,
    start_max_mm: f64,
    stop_mean_mm: f64,
    stop_rms_mm: f64,
    stop_max_mm: f64,
    saved_percent: f64,
}

fn fared(report: &Report) -> Fared {
    let mm = |m: f64| round(m * 1e3, 2);
    let (start, stop): (ErrorStats, ErrorStats) = (report.start, report.stop);
    Fared {
        full: report.targets.full,
        partial: report.targets.partial,
        missed: report.targets.missed,
        start_mean_mm: mm(start.mean),
        start_rms_mm: mm(start.rms),
        start_max_mm: mm(start.max),
        stop_mean_mm: mm(stop.mean),
        stop_rms_mm: mm(stop.rms),
        stop_max_mm: mm(stop.max),
        saved_percent: round(report.saving * 100.0, 2),
    }
}

/// The word of an outcome, as the page shows it.
pub(super) fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Full => "full",
        Outcome::Partial => "partial",
        Outcome::Outside => "outside",
        Outcome::Missed(why) => match why {
            WhyMissed::NotSeen => "missed: no image showed all of it",
            WhyMissed::Late => "missed: spray began behind it",
            WhyMissed::TooShort => "missed: spray ended before it",
            WhyMissed::Beside => "missed: sprayed beside it",
            WhyMissed::Withheld => "missed: no command was given",
            WhyMissed::Refused => "missed: its message was refused",
            WhyMissed::Valve => "missed: the valve stayed shut",
            WhyMissed::Dose => "missed: less than half the dose",
        },
    }
}

/// Everything that the page draws of one drive, but for the curve over buffers.
pub fn answer(values: &Values) -> Result<Json> {
    let d = Driven::with(values)?;
    let spray = d.files.machine.spray.as_ref();
    let l_min = spray.map_or(0.0, |s| s.l_min);
    let spacing = d.files.machine.fan.map_or(0.5, |f| f.spacing_m);
    let shown = way::chosen(&d, values);
    let way = match shown {
        Some(plant) => way::of(&d, values, plant)?,
        None => Json::Null,
    };
    let (from, to) = d.scene.judged_m;
    Ok(json!({
        "values": values,
        "figures": {
            "plants": d.report.targets.total,
            "core": fared(&d.report),
            "fixed": fared(&d.fixed_report),
            "why_not": why_not(&d),
            "beyond_reach": d.report.beyond_reach,
            "late": d.run.counters.late,
            "throw_ms": round(d.files.throw_s * 1e3, 3),
            "throw_mm": round(d.files.throw_s * values.speed_m_s * 1e3, 1),
            "flow_l_min": round(l_min, 3),
            "rate_l_ha": round(rate_l_ha(l_min, spacing, values.speed_m_s), 1),
            "fan_mm": round(d.files.machine.fan.map_or(0.0, |f| 2.0 * f.half_width_m) * 1e3, 0),
            "thickness_mm": round(d.files.machine.fan_thickness_m * 1e3, 0),
        },
        "way": way,
        "strip": {
            "from_m": round(from, 4),
            "to_m": round(to, 4),
            "nozzles": d.scene.nozzles.iter().map(|n| [round(n.y, 4), round(n.lane_width_m, 4)]).collect::<Vec<_>>(),
            "plants": plants(&d.scene, &d.report),
            "sprayed": strips(&d.report),
            "fixed": strips(&d.fixed_report),
        },
        "errors": spread::answer(&d.report, &d.fixed_report),
    }))
}

/// Of each plant: centre along and across, size along and across (m), outcome.
pub(super) fn plants(scene: &Scene, report: &Report) -> Vec<Json> {
    let each = scene.plants.iter().zip(&report.outcomes);
    each.map(|(p, o)| {
        json!([
            round(p.x, 4),
            round(p.y, 4),
            round(p.length, 4),
            round(p.width, 4),
            outcome(*o)
        ])
    })
    .collect()
}

/// Of each nozzle, the sprayed stretches, m.
pub(super) fn strips(report: &Report) -> Vec<Vec<[f64; 2]>> {
    let nozzle = |s: &Vec<(f64, f64)>| s.iter().map(|s| [round(s.0, 4), round(s.1, 4)]).collect();
    report.strips.iter().map(nozzle).collect()
}

/// Why plants are not full, each reason with how many: a sentence for each that there is.
fn why_not(d: &Driven) -> Vec<Json> {
    let mut counts: Vec<(&'static str, usize)> = Vec::new();
    for o in &d.report.outcomes {
        let word = match *o {
            Outcome::Full | Outcome::Outside => continue,
            o => outcome(o),
        };
        match counts.iter_mut().find(|c| c.0 == word) {
            Some(c) => c.1 += 1,
            None => counts.push((word, 1)),
        }
    }
    counts.sort_unstable();
    counts.into_iter().map(|(w, n)| json!([w, n])).collect()
}

/// Errors of one kind of edge, m.
pub(super) fn errors(report: &Report, kind: EdgeKind) -> impl Iterator<Item = f64> + '_ {
    report
        .edges
        .iter()
        .filter(move |e| e.kind == kind)
        .map(|e| e.error())
}
