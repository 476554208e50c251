//! `host-sim calibrate`: figures of a machine from measurements, each with its uncertainty.
//!
//! Each verb has a file and reads plain files into the crate `calibration`; [`report`] is what all
//! of them print, [`settings`] the lines for `machine.toml` and how they get into it.
//! `formats/calibrate.md` is the reference.

pub mod detector;
mod detector_plot;
pub mod field;
mod field_plot;
pub mod nozzles;
mod nozzles_plot;
pub mod rehearse;
pub mod report;
pub mod settings;
pub mod track;
mod track_plot;
pub mod valves;
mod valves_plot;
pub mod wheel;
mod wheel_plot;

use calibration::Refusal;
use clap::{Args, Subcommand};

use crate::error::{Error, Result};
use crate::output::print;
use report::Report;
use settings::MachineText;

/// What every calibration takes.
#[derive(Debug, Args)]
pub struct CalibrateArgs {
    /// The machine file that the figures are for
    #[arg(long, value_name = "MACHINE.toml", global = true)]
    pub machine: Option<String>,
    /// Put the figures into the machine file; comments stay
    #[arg(long, global = true, requires = "machine")]
    pub write: bool,
    /// Print the result as one JSON object
    #[arg(long, global = true)]
    pub json: bool,
    /// Draw the measurement into this file
    #[arg(long, value_name = "FILE.svg", global = true)]
    pub plot: Option<String>,
    /// What was measured
    #[command(subcommand)]
    pub verb: CalibrateVerb,
}

/// What was measured.
#[derive(Debug, Subcommand)]
pub enum CalibrateVerb {
    /// Opening and closing delays, from a logic analyser's captures
    Valves(valves::Wish),
    /// Pulses a metre and the wheel's slots, from pulses over a taped distance
    Wheel(wheel::Wish),
    /// Each nozzle's flow, from a catch test
    Nozzles(nozzles::Wish),
    /// Delays and offsets, from paper strips driven over at two speeds
    Track(track::Wish),
    /// A detector's place, scale and age, from a grid on the ground and strobed frames
    Detector(detector::Wish),
    /// Share of plants hit, from dyed strips and counted plants
    Field(field::Wish),
    /// All of it on an invented boom with wrong numbers: measured, rewritten, judged before and after
    Rehearse(rehearse::Wish),
}

/// Runs a calibration; true when nothing it measured is at fault.
///
/// # Errors
/// What is wrong with a file or the wish, or that a written machine file would not be whole.
pub fn run(args: &CalibrateArgs) -> Result<bool> {
    if let CalibrateVerb::Rehearse(wish) = &args.verb {
        if args.machine.is_some() || args.plot.is_some() {
            return Err(Error::Usage(
                "a rehearsal has a boom of its own and no plot\n  help: leave --machine and --plot out".into(),
            ));
        }
        let rehearsal = rehearse::rehearse(wish)?;
        print(&rehearsal, || rehearsal.table(), args.json)?;
        return Ok(rehearsal.holds());
    }
    let report = measured(args)?;
    print(&report, || report.table(), args.json)?;
    Ok(report.holds())
}

/// Measures, draws and writes what was asked for.
///
/// # Errors
/// As [`run`].
pub fn measured(args: &CalibrateArgs) -> Result<Report> {
    let machine = (args.machine.as_deref())
        .map(MachineText::load)
        .transpose()?;
    let told = machine.as_ref();
    let mut report = match &args.verb {
        CalibrateVerb::Valves(wish) => valves::measure(wish, told)?,
        CalibrateVerb::Wheel(wish) => wheel::measure(wish, told)?,
        CalibrateVerb::Nozzles(wish) => nozzles::measure(wish, told)?,
        CalibrateVerb::Track(wish) => track::measure(wish, told)?,
        CalibrateVerb::Detector(wish) => detector::measure(wish, told)?,
        CalibrateVerb::Field(wish) => field::measure(wish, told)?,
        CalibrateVerb::Rehearse(_) => {
            return Err(Error::Internal("a rehearsal is no measurement".into()));
        }
    };
    finish(&mut report, machine, args)?;
    Ok(report)
}

/// Draws and writes what was asked for.
fn finish(report: &mut Report, machine: Option<MachineText>, args: &CalibrateArgs) -> Result<()> {
    if let Some(path) = &args.plot {
        let Some(svg) = &report.svg else {
            return Err(Error::Usage(
                "this measurement has no plot\n  help: leave --plot out".into(),
            ));
        };
        crate::output::to_path(path, |name, to| {
            to.write_all(svg.as_bytes())
                .map_err(|e| Error::write(name, e))
        })?;
    }
    let Some(mut machine) = machine else {
        return Ok(());
    };
    for setting in &report.settings {
        machine.set(setting)?;
    }
    // Told even where nothing is written: a figure that the machine can't have is no result.
    machine.check()?;
    if args.write {
        report.written = Some(machine.save()?);
    }
    Ok(())
}

/// A refusal of the file `file` as the program's error.
pub(crate) fn refused(file: &str, refusal: Refusal) -> Error {
    match refusal.line {
        Some(line) => Error::line(file, line, None, refusal.what, refusal.remedy),
        None => Error::file(file, refusal.what, refusal.remedy),
    }
}

/// Opens a table.
pub(crate) fn open(file: &str) -> Result<std::fs::File> {
    std::fs::File::open(file).map_err(|e| Error::read(file, e))
}
