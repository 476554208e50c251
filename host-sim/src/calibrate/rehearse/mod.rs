//! The verb `calibrate rehearse`: the whole way from guessed numbers to measured ones, on an
//! invented boom.
//!
//! A boom is described with wrong numbers, and driven. Then it is measured as its builder would
//! measure it: files are written of what the true boom gives ([`strips`]), each is handed to its
//! verb with `--write`, and the same drive is judged again. The judge and all that is measured
//! know the true boom alone; the controller and the verbs know the described one alone.

mod bench;
pub mod strips;

use std::fmt::Write as _;
use std::path::Path;

use clap::Args;
use ground_truth::Report as Judged;
use serde::Serialize;

use super::{CalibrateArgs, measured};
use crate::error::{Error, Result};
use crate::generate::{self, Drive};
use crate::machine::Machine;
use crate::output;
use crate::replay::replay;
use crate::scenario::Scenario;
use crate::scene::Scene;

/// The boom as its builder first describes it.
pub const TOLD: &str = include_str!("../../../demo/rehearsal/told.toml");
/// The boom as it is.
pub const TRUE: &str = include_str!("../../../demo/rehearsal/true.toml");
/// What it is judged by.
pub const DRIVE: &str = include_str!("../../../demo/rehearsal/drive.toml");

/// What to rehearse.
#[derive(Debug, Args)]
pub struct Wish {
    /// Folder for the machine file and the measurements; made if need be
    #[arg(long, value_name = "DIR", default_value = "rehearsal-out")]
    pub out: String,
    /// Seed of everything that a ruler, a valve or an analyser errs by
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
}

/// The whole rehearsal. Field names are the keys of the JSON object.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Rehearsal {
    /// The drive, judged after each step; the last with the true numbers.
    pub stages: Vec<Stage>,
    /// The numbers that were wrong.
    pub numbers: Vec<Number>,
    /// The machine file that was rewritten.
    pub machine: String,
}

/// The drive, judged.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Stage {
    /// What was measured before it.
    pub after: String,
    /// Plants judged.
    pub plants: usize,
    /// Plants with their full dose.
    pub full: usize,
    /// Start errors, mm: mean, RMS, 99.9 %.
    pub start_mm: [f64; 3],
    /// Stop errors, mm: mean, RMS, 99.9 %.
    pub stop_mm: [f64; 3],
}

/// A number of the machine file.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Number {
    /// Its key.
    pub key: String,
    /// As first told.
    pub told: f64,
    /// As measured.
    pub found: f64,
    /// As it is.
    pub truth: f64,
}

/// The world of a rehearsal: the true boom, and the drive over it.
pub struct World {
    /// The true boom.
    pub machine: Machine,
    drive: Drive,
    scene: Scene,
}

impl World {
    /// The world in which the boom is as `text` says.
    ///
    /// # Errors
    /// A machine that is none.
    pub fn new(text: &str) -> Result<World> {
        let machine = Machine::parse("true.toml", text)?;
        let scenario = Scenario::parse("drive.toml", DRIVE)?;
        let drive = generate::drive("drive.toml", &scenario, &machine)?;
        let scene = Scene::from_truth("truth", &drive.truth, &machine, &drive.recording)?;
        Ok(World {
            machine,
            drive,
            scene,
        })
    }

    /// The drive under a controller that is told `told`.
    ///
    /// # Errors
    /// A machine that the controller refuses.
    pub fn judge(&self, told: &Machine) -> Result<Judged> {
        let run = replay("machine.toml", told, &self.drive.recording)?;
        self.scene.judge(&run.commands, Some(&run.images))
    }
}

/// Measures the built-in boom and judges it after each step.
///
/// # Errors
/// A folder that cannot be written; what a measurement refuses.
pub fn rehearse(wish: &Wish) -> Result<Rehearsal> {
    let world = World::new(TRUE)?;
    let folder = Path::new(&wish.out);
    std::fs::create_dir_all(folder).map_err(|e| Error::write(&wish.out, e))?;
    let machine = folder.join("machine.toml");
    write(&machine, TOLD)?;
    let mut stages = vec![stage(&world, &machine, "nothing measured yet")?];
    for (name, measure) in bench::STEPS {
        let verb = measure(&world, &machine, folder, wish.seed)?;
        measured(&CalibrateArgs {
            machine: Some(shown(&machine)),
            write: true,
            json: false,
            plot: None,
            verb,
        })?;
        stages.push(stage(&world, &machine, &format!("calibrate {name}"))?);
    }
    let truth = folder.join("true.toml");
    write(&truth, TRUE)?;
    stages.push(stage(&world, &truth, "the true numbers")?);
    Ok(Rehearsal {
        stages,
        numbers: numbers(&load(&machine)?, &world.machine)?,
        machine: shown(&machine),
    })
}

fn shown(path: &Path) -> String {
    path.display().to_string()
}

fn load(path: &Path) -> Result<Machine> {
    let name = shown(path);
    Machine::parse(&name, &output::read_text(&name)?)
}

fn write(path: &Path, text: &str) -> Result<()> {
    output::to_file(path, |name, to| {
        to.write_all(text.as_bytes())
            .map_err(|e| Error::write(name, e))
    })
}

fn stage(world: &World, machine: &Path, after: &str) -> Result<Stage> {
    let judged = world.judge(&load(machine)?)?;
    let mm = |e: &ground_truth::ErrorStats| [e.mean, e.rms, e.p99_9].map(|x| x * 1e3);
    Ok(Stage {
        after: after.to_owned(),
        plants: judged.targets.total,
        full: judged.targets.full,
        start_mm: mm(&judged.start),
        stop_mm: mm(&judged.stop),
    })
}

/// The numbers that differ between the boom as first told and as it is.
fn numbers(found: &Machine, truth: &Machine) -> Result<Vec<Number>> {
    let told = Machine::parse("told.toml", TOLD)?;
    let mut out = Vec::new();
    let mut add = |key: String, of: &dyn Fn(&Machine) -> f64| {
        let number = Number {
            key,
            told: of(&told),
            found: of(found),
            truth: of(truth),
        };
        if number.told != number.truth || number.told != number.found {
            out.push(number);
        }
    };
    add("wheel.pulses_per_m".into(), &|m| {
        1.0 / m.wheel.pulse.metres()
    });
    add("detector.x_m".into(), &|m| {
        m.detectors.first().map_or(0.0, |d| d.x_m)
    });
    add("nozzles.throw_ms".into(), &|m| {
        m.nozzles.first().map_or(0.0, |n| n.throw_s * 1e3)
    });
    for k in 0..truth.nozzles.len() {
        let of = move |m: &Machine| m.nozzles.get(k).copied();
        add(format!("nozzle {k}, open_delay_ms"), &|m| {
            of(m).map_or(0.0, |n| n.open_delay_s * 1e3)
        });
        add(format!("nozzle {k}, close_delay_ms"), &|m| {
            of(m).map_or(0.0, |n| n.close_delay_s * 1e3)
        });
    }
    Ok(out)
}

impl Rehearsal {
    /// True when measuring brought every plant its full dose.
    pub fn holds(&self) -> bool {
        let measured = self.stages.iter().rev().nth(1);
        measured.is_some_and(|s| s.full == s.plants)
    }

    /// The tables for people.
    pub fn table(&self) -> String {
        let mut out = String::from(
            "the same drive, judged against the true boom (mm; positive is too late)\n",
        );
        // Writing to a String cannot fail, so the results say nothing.
        let _ = writeln!(
            out,
            "{:<24}{:>12}{:>22}{:>22}\n{:<24}{:>12}{:>22}{:>22}",
            "after", "full", "start", "stop", "", "", "mean   RMS  99.9 %", "mean   RMS  99.9 %"
        );
        for s in &self.stages {
            let errors = |e: &[f64; 3]| format!("{:.1} {:6.1} {:6.1}", e[0], e[1], e[2]);
            let _ = writeln!(
                out,
                "{:<24}{:>12}{:>22}{:>22}",
                s.after,
                format!("{} of {}", s.full, s.plants),
                errors(&s.start_mm),
                errors(&s.stop_mm)
            );
        }
        let _ = writeln!(
            out,
            "\n{:<28}{:>10}{:>10}{:>10}",
            "in machine.toml", "told", "measured", "true"
        );
        for n in &self.numbers {
            let _ = writeln!(
                out,
                "{:<28}{:>10.3}{:>10.3}{:>10.3}",
                n.key, n.told, n.found, n.truth
            );
        }
        let _ = writeln!(out, "\nwritten: {}", self.machine);
        out
    }
}
