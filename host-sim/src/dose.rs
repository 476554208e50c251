//! The verb `dose`: a replayed drive's spray on a grid of cells, in litres a hectare.
//!
//! The grid is `ground_truth::deposit`; the controller's code is only in the list of commands.
//! `formats/dose.md` is the reference.

use std::fmt::Write as _;

#[cfg(feature = "terminal")]
use clap::Args;
use ground_truth::deposit::{CELL_M, STEP_S};
use ground_truth::nozzle::rate_l_ha;
use serde::Serialize;

use crate::agronomy::{self, Agronomy, Fineness, Flows};
use crate::commands;
use crate::cycles::CycleDuty;
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::output;
use crate::recording::Recording;
use crate::replay::{ImageFate, replay};
use crate::run::same_detectors;
use crate::scene::Scene;
use crate::truth::Truth;

/// What `dose` is asked to do.
#[derive(Debug, Clone, Default, PartialEq)]
#[cfg_attr(feature = "terminal", derive(Args))]
pub struct Wish {
    /// The recording; `-` is standard input
    #[cfg_attr(feature = "terminal", arg(value_name = "RECORDING"))]
    pub recording: String,
    /// The machine file
    #[cfg_attr(feature = "terminal", arg(long, value_name = "MACHINE.toml"))]
    pub machine: String,
    /// The truth of a simulated drive; without it the ground is worked out in hindsight
    #[cfg_attr(feature = "terminal", arg(long, value_name = "TRUTH.json"))]
    pub truth: Option<String>,
    /// Lay down this command list instead of the core's
    #[cfg_attr(feature = "terminal", arg(long, value_name = "IN.csv"))]
    pub commands: Option<String>,
    /// Flow of an open nozzle, L/min (that of the machine file)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "Q", allow_negative_numbers = true)
    )]
    pub flow_l_min: Option<f64>,
    /// The rate wanted, L/ha (that of a broadcast pass at the drive's mean speed)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "R", allow_negative_numbers = true)
    )]
    pub rate_l_ha: Option<f64>,
    /// Size of a cell, mm (10)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "C", allow_negative_numbers = true)
    )]
    pub cell_mm: Option<f64>,
    /// Time step, ms (2)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "T", allow_negative_numbers = true)
    )]
    pub step_ms: Option<f64>,
    /// Memory that the grid may take, MiB
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "M", default_value_t = 256)
    )]
    pub most_mib: u64,
}

/// Everything that `dose` reports. Field names are the keys of the JSON object.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Report {
    /// Name of the recording.
    pub name: String,
    /// Ground that is reported, along travel, m.
    pub from_m: f64,
    /// Its end, m.
    pub to_m: f64,
    /// Its width: all lanes, m.
    pub width_m: f64,
    /// Cells along and across, those at the edges included.
    pub cells: (usize, usize),
    /// Size of a cell.
    pub cell_mm: f64,
    /// Time step.
    pub step_ms: f64,
    /// Flow of an open nozzle.
    pub flow_l_min: f64,
    /// The rate that shares are held against.
    pub wanted_l_ha: f64,
    /// Litres sprayed on the whole drive.
    pub sprayed_l: f64,
    /// Litres that came down on the ground reported.
    pub litres: f64,
    /// What a broadcast pass of the same ground would take, at the rate wanted.
    pub broadcast_l: f64,
    /// Mean over all of the ground reported, dry ground too.
    pub mean_l_ha: f64,
    /// Highest of a cell.
    pub most_l_ha: f64,
    /// Ground with more than 1.5 times the rate wanted, %.
    pub over_percent: f64,
    /// Ground with less than a hundredth of it, %.
    pub dry_percent: f64,
    /// Variation across travel: standard deviation of the columns' means over their mean, %;
    /// none on a drive that turns.
    pub across_cv_percent: Option<f64>,
    /// Plants that lie wholly on the ground reported.
    pub plants: usize,
    /// Of those, the plants whose worst point got the share wanted.
    pub plants_full: usize,
    /// The share of the rate that every point of a plant should get.
    pub wanted_share: f64,
    /// The least that a plant's worst point got, L/ha; none without plants.
    pub plants_least_l_ha: Option<f64>,
    /// The middle of all plants' worst points, L/ha.
    pub plants_median_l_ha: Option<f64>,
    /// The verdict in litres, on the plants that `replay` judges.
    pub field: Agronomy,
}

/// Replays and lays down.
pub fn dose(wish: &Wish) -> Result<Report> {
    let machine = Machine::parse(&wish.machine, &output::read_text(&wish.machine)?)?;
    let recording = Recording::load(&wish.recording)?;
    same_detectors(&wish.recording, &recording, &wish.machine, &machine)?;
    let scene = match &wish.truth {
        Some(path) => Scene::from_truth(path, &Truth::load(path)?, &machine, &recording)?,
        None => Scene::in_hindsight(&wish.recording, &machine, &recording)?,
    };
    let (list, duties, fates) = match &wish.commands {
        Some(path) => (commands::load(path, machine.nozzles.len())?, vec![], None),
        None => {
            let run = replay(&wish.machine, &machine, &recording)?;
            (run.commands, run.duties, Some(run.images))
        }
    };
    let told = (list.as_slice(), duties.as_slice(), fates.as_deref());
    lay(wish, &machine, &recording.name, &scene, told)
}

/// Commands, duties, and what became of each image.
type Told<'a> = (
    &'a [commands::ValveCommand],
    &'a [CycleDuty],
    Option<&'a [ImageFate]>,
);

/// Lays down what these commands spray on a scene.
pub(crate) fn lay(
    wish: &Wish,
    machine: &Machine,
    name: &str,
    scene: &Scene,
    (list, duties, fates): Told<'_>,
) -> Result<Report> {
    let flows = match wish.flow_l_min {
        Some(l_min) => Some(Flows {
            l_min: vec![l_min; machine.nozzles.len()],
            kpa: None,
        }),
        None => agronomy::flows(machine),
    };
    let Some(flows) = flows else {
        return Err(Error::file(
            &wish.machine,
            "the flow of a nozzle is not known",
            "give --flow-l-min, or add [spray] or [rate] to the machine file",
        ));
    };
    let l_min = flows.l_min.iter().sum::<f64>() / flows.l_min.len().max(1) as f64;
    let fan = agronomy::fan(machine);
    let ground = scene.ground.as_ref();
    let (from, to) = scene.judged_m;
    let mean_speed = (ground.position(ground.end()) - ground.position(0.0)) / ground.end();
    let wanted = wish
        .rate_l_ha
        .or(machine.rate.as_ref().map(|rate| rate.l_ha))
        .unwrap_or_else(|| rate_l_ha(l_min, fan.spacing_m, mean_speed));
    for (what, value) in [("--flow-l-min", l_min), ("--rate-l-ha", wanted)] {
        if !(1e-3..=1e6).contains(&value) {
            return Err(Error::Usage(format!(
                "{what} is {value}\n  help: give a number above 0"
            )));
        }
    }
    let lanes = machine.lanes();
    let fine = Fineness {
        cell_m: wish.cell_mm.map_or(CELL_M, |mm| mm * 1e-3),
        step_s: wish.step_ms.map_or(STEP_S, |ms| ms * 1e-3),
        most_bytes: wish.most_mib.saturating_mul(1 << 20),
    };
    let (cell, step_s) = (fine.cell_m, fine.step_s);
    let refused = |e: ground_truth::deposit::GridError| {
        Error::Usage(format!(
            "{e}\n  help: --cell-mm, --step-ms and --most-mib set the grid; a shorter recording needs less"
        ))
    };
    let laid = agronomy::lay(machine, scene, (list, duties), flows, &fine).map_err(refused)?;
    let no_cells = || Error::Internal("the grid has no cells".into());
    let figures = laid.figures(wanted).ok_or_else(no_cells)?;
    let mut report = scene.judge(list, fates)?;
    let field = laid
        .judge(machine, scene, wanted, &mut report)
        .ok_or_else(no_cells)?;
    let deposit = &laid.deposit;
    let share = fan.wanted_share;
    let turns = scene.ground.turning().is_some();
    let within = |(index, p): &(usize, &ground_truth::Plant)| {
        if turns {
            // Where it lies on the field says little; what is judged does.
            return report.outcomes[*index] != ground_truth::Outcome::Outside;
        }
        let (left, right) = (p.y - 0.5 * p.width, p.y + 0.5 * p.width);
        from <= p.near() && p.far() <= to && lanes.0 <= left && right <= lanes.1
    };
    let mut least: Vec<f64> = (scene.plants.iter().enumerate())
        .filter(within)
        .filter_map(|(_, p)| deposit.least(p))
        .collect();
    least.sort_by(f64::total_cmp);
    Ok(Report {
        name: name.to_owned(),
        from_m: from,
        to_m: to,
        width_m: lanes.1 - lanes.0,
        cells: deposit.counts(),
        cell_mm: 1e3 * cell,
        step_ms: 1e3 * step_s,
        flow_l_min: l_min,
        wanted_l_ha: wanted,
        sprayed_l: deposit.sprayed_litres(),
        litres: figures.litres,
        broadcast_l: field.broadcast_l,
        mean_l_ha: figures.mean_l_ha,
        most_l_ha: figures.most_l_ha,
        over_percent: 100.0 * figures.over_share,
        dry_percent: 100.0 * figures.dry_share,
        across_cv_percent: figures.across_cv.map(|cv| 100.0 * cv),
        plants: least.len(),
        plants_full: least.iter().filter(|l| **l >= share * wanted).count(),
        wanted_share: share,
        plants_least_l_ha: least.first().copied(),
        plants_median_l_ha: least.get(least.len() / 2).copied(),
        field,
    })
}

impl Report {
    /// The text that a person reads.
    pub fn table(&self) -> String {
        let mut out = String::new();
        let mut row = |what: &str, value: String| {
            // Writing to a String cannot fail, so the result says nothing.
            let _ = writeln!(out, "{what:<44}{value:>14}");
        };
        row("drive", self.name.clone());
        row(
            "ground, m",
            format!("{:.1} x {:.2}", self.to_m - self.from_m, self.width_m),
        );
        row("cells", format!("{} x {}", self.cells.0, self.cells.1));
        row(
            "flow of an open nozzle, L/min",
            format!("{:.3}", self.flow_l_min),
        );
        row("rate wanted, L/ha", format!("{:.1}", self.wanted_l_ha));
        row(
            "sprayed on the whole drive, L",
            format!("{:.3}", self.sprayed_l),
        );
        row("on this ground, L", format!("{:.3}", self.litres));
        row(
            "a broadcast pass of it, L",
            format!("{:.3}", self.broadcast_l),
        );
        row(
            "mean over this ground, L/ha",
            format!("{:.1}", self.mean_l_ha),
        );
        row("highest of a cell, L/ha", format!("{:.1}", self.most_l_ha));
        row(
            "over 1.5 times the rate, %",
            format!("{:.2}", self.over_percent),
        );
        row("dry, %", format!("{:.2}", self.dry_percent));
        if let Some(cv) = self.across_cv_percent {
            row("variation across, %", format!("{cv:.1}"));
        }
        row("plants", self.plants.to_string());
        row(
            &format!("with {:.2} of the rate everywhere", self.wanted_share),
            self.plants_full.to_string(),
        );
        if let (Some(least), Some(median)) = (self.plants_least_l_ha, self.plants_median_l_ha) {
            row(
                "least at a plant's worst point, L/ha",
                format!("{least:.1}"),
            );
            row(
                "the same, middle of all plants, L/ha",
                format!("{median:.1}"),
            );
        }
        out.push('\n');
        out.push_str(&self.field.lines());
        out
    }
}
