//! One run, and the columns of its row.

use super::plan::{DoseGrid, Plan};
use crate::dose;
use crate::error::{Error, Result};
use crate::generate;
use crate::machine::Machine;
use crate::replay::replay;
use crate::scenario::Scenario;
use crate::scene::Scene;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A count.
    Whole,
    /// Any number; NaN where there is none.
    Number,
}

use Kind::{Number, Whole};

/// The columns of figures in order; the last ones only where spray is laid down.
pub const COLUMNS: [(&str, Kind); 34] = [
    ("plants", Whole),
    ("full", Whole),
    ("partial", Whole),
    ("missed", Whole),
    ("missed_not_seen", Whole),
    ("missed_late", Whole),
    ("missed_too_short", Whole),
    ("missed_beside", Whole),
    ("missed_withheld", Whole),
    ("missed_refused", Whole),
    ("missed_valve", Whole),
    ("missed_dose", Whole),
    ("starts", Whole),
    ("start_mean_mm", Number),
    ("start_rms_mm", Number),
    ("start_p99_9_mm", Number),
    ("start_max_mm", Number),
    ("stops", Whole),
    ("stop_mean_mm", Number),
    ("stop_rms_mm", Number),
    ("stop_p99_9_mm", Number),
    ("stop_max_mm", Number),
    ("edges_within", Number),
    ("saving", Number),
    ("commands", Whole),
    ("merged", Whole),
    ("late", Whole),
    ("overruns", Whole),
    ("holds", Whole),
    ("ground_m", Number),
    ("litres", Number),
    ("mean_l_ha", Number),
    ("over_percent", Number),
    ("dry_percent", Number),
];

/// Columns that come of the dose grid.
pub const OF_DOSE: usize = 4;

/// One row.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The cell.
    pub cell: u64,
    /// The seed.
    pub seed: u64,
    /// The figures, by [`COLUMNS`].
    pub figures: Vec<f64>,
}

/// The columns of a study's figures.
pub fn columns(dose: bool) -> &'static [(&'static str, Kind)] {
    if dose {
        &COLUMNS
    } else {
        &COLUMNS[..COLUMNS.len() - OF_DOSE]
    }
}

/// Where a column stands.
pub fn place(name: &str) -> usize {
    COLUMNS.iter().position(|c| c.0 == name).unwrap_or(0)
}

/// The machine and scenario of the cell that a thread was last at. Runs of a cell follow one another,
/// so both are read once and not for each.
#[derive(Debug, Default)]
pub struct Kept(Option<(u64, Machine, Scenario)>);

/// Makes run number `run` of a study.
pub fn row(plan: &Plan, kept: &mut Kept, run: u64) -> Result<Row> {
    let cell = run / plan.seeds;
    let seed = plan.first_seed + run % plan.seeds;
    if kept.0.as_ref().is_none_or(|k| k.0 != cell) {
        let (machine, scenario) = plan.cell(cell)?;
        kept.0 = Some((cell, machine, scenario));
    }
    let Some((_, machine, scenario)) = &mut kept.0 else {
        return Err(Error::Internal("a cell was just made".into()));
    };
    scenario.seed = seed;
    let figures = one(machine, scenario, plan.dose.as_ref()).map_err(|e| {
        Error::file(
            &plan.file,
            format!("cell {cell}, {}, seed {seed}: {e}", plan.told(cell)),
            "change the values of this cell; finished parts are kept",
        )
    })?;
    Ok(Row {
        cell,
        seed,
        figures,
    })
}

/// Drives, replays and judges once; the figures by [`columns`].
pub fn one(machine: &Machine, scenario: &Scenario, grid: Option<&DoseGrid>) -> Result<Vec<f64>> {
    let drive = generate::drive("scenario", scenario, machine)?;
    let run = replay("machine", machine, &drive.recording)?;
    let scene = Scene::from_truth("truth", &drive.truth, machine, &drive.recording)?;
    let report = scene.judge(&run.commands, Some(&run.images))?;
    let (t, m) = (report.targets, report.missed_by);
    let mm = |x: f64| (x * 1e7).round() / 1e4;
    let mut all: Vec<f64> = [
        t.total,
        t.full,
        t.partial,
        t.missed,
        m.not_seen,
        m.late,
        m.too_short,
        m.beside,
        m.withheld,
        m.refused,
        m.valve,
        m.dose,
    ]
    .map(|n| n as f64)
    .to_vec();
    for e in [&report.start, &report.stop] {
        all.push(e.n as f64);
        // Without an edge there is no error.
        let some = |x: f64| if e.n > 0 { mm(x) } else { f64::NAN };
        all.extend([e.mean, e.rms, e.p99_9, e.max].map(some));
    }
    all.extend([
        report.edges_within,
        report.saving,
        report.commands as f64,
        report.merged as f64,
        f64::from(run.counters.late),
        f64::from(run.counters.overruns),
        f64::from(u8::from(report.reasons.is_empty())),
        report.ground_m,
    ]);
    if let Some(grid) = grid {
        let wish = dose::Wish {
            flow_l_min: Some(grid.flow_l_min),
            cell_mm: Some(grid.cell_mm),
            step_ms: Some(grid.step_ms),
            most_mib: 1024,
            ..dose::Wish::default()
        };
        let told = (
            run.commands.as_slice(),
            run.duties.as_slice(),
            Some(run.images.as_slice()),
        );
        let laid = dose::lay(&wish, machine, &scenario.name, &scene, told)?;
        all.extend([
            laid.litres,
            laid.mean_l_ha,
            laid.over_percent,
            laid.dry_percent,
        ]);
    }
    Ok(all)
}
