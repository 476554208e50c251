//! The command line.

use clap::{Parser, Subcommand};

use crate::bench::{self, BenchArgs};
use crate::buffers;
use crate::calibrate::{self, CalibrateArgs};
use crate::check;
use crate::compare;
use crate::dose;
use crate::error::{Error, Result};
use crate::generate;
use crate::lab::command::{self, LabArgs};
use crate::output::{print, say};
use crate::report;
use crate::run::{self, ReplayWish};
use crate::send::{self, SendArgs};
use crate::study;
use crate::throw;
use crate::watch::{self, WatchArgs};

/// Replays recordings of a spot-spraying boom through the controller core and judges on the
/// ground where the spray landed.
#[derive(Debug, Parser)]
#[command(
    name = "host-sim",
    version,
    after_help = "Exit status: 0 the tolerances hold, 1 one is broken, 2 bad input or usage."
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub verb: Verb,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Verb {
    /// Drive a scenario and write recording, truth and machine file
    Generate {
        /// The scenario file
        #[arg(value_name = "SCENARIO.toml")]
        scenario: String,
        /// Folder for recording.jsonl, truth.json and machine.toml; made if need be
        #[arg(long, value_name = "DIR")]
        out: String,
    },
    /// Replay a recording through the controller core and judge it
    Replay {
        /// The recording; `-` is standard input
        #[arg(value_name = "RECORDING")]
        recording: String,
        /// The machine file
        #[arg(long, value_name = "MACHINE.toml")]
        machine: String,
        /// The truth of a simulated drive; without it the recording is judged in hindsight
        #[arg(long, value_name = "TRUTH.json")]
        truth: Option<String>,
        /// Write the valve commands as CSV; `-` is standard output
        #[arg(long, value_name = "OUT.csv")]
        commands: Option<String>,
        /// Write pulses, images and valves as waveforms; `-` is standard output
        #[arg(long, value_name = "OUT.vcd")]
        vcd: Option<String>,
        /// Judge this command list instead of the core's
        #[arg(long, value_name = "IN.csv")]
        judge_commands: Option<String>,
        /// Print the result as one JSON object
        #[arg(long)]
        json: bool,
    },
    /// Check a machine file before driving: speeds, stops, lanes, patches, memory
    Check {
        /// The machine file
        #[arg(value_name = "MACHINE.toml")]
        machine: String,
        /// Images a second of the detectors, Hz
        #[arg(long, value_name = "F", allow_negative_numbers = true)]
        frame_rate_hz: Option<f64>,
        /// From an image's capture to its arrival, ms; without it the oldest allowed
        #[arg(long, value_name = "A", allow_negative_numbers = true)]
        detection_age_ms: Option<f64>,
        /// Print the result as one JSON object
        #[arg(long)]
        json: bool,
    },
    /// Replay a recording with two machine files and show the differences
    Compare {
        /// The recording; `-` is standard input
        #[arg(value_name = "RECORDING")]
        recording: String,
        /// A machine file; give this option twice, first A, then B
        #[arg(long, value_name = "MACHINE.toml", required = true)]
        machine: Vec<String>,
        /// The truth of a simulated drive; without it the recording is judged in hindsight
        #[arg(long, value_name = "TRUTH.json")]
        truth: Option<String>,
        /// Print the result as one JSON object
        #[arg(long)]
        json: bool,
    },
    /// Talk to a board: identify, upload, replay, try valves, counters, clock
    Bench(BenchArgs),
    /// Send a recording's images to a board, as a camera does
    Send(SendArgs),
    /// Watch a live board: speed, state, sections, faults, link
    Watch(WatchArgs),
    /// Measure a machine's figures: valves, wheel, nozzles, track, detector, field
    Calibrate(CalibrateArgs),
    /// Work out how far forward the spray flies, and what wind makes of it
    Throw {
        /// What to reckon with
        #[command(flatten)]
        wish: Box<throw::Wish>,
        /// Print the result as one JSON object
        #[arg(long)]
        json: bool,
    },
    /// Lay a replayed drive's spray down on a grid: litres, L/ha, over-dose, each plant's least
    Dose {
        /// What to lay down
        #[command(flatten)]
        wish: dose::Wish,
        /// Print the result as one JSON object
        #[arg(long)]
        json: bool,
    },
    /// Work out lead and trail for a wanted share of hits, and drive to confirm them
    Buffers {
        /// What to reckon with
        #[command(flatten)]
        wish: Box<buffers::Wish>,
        /// Print the result as one JSON object
        #[arg(long)]
        json: bool,
    },
    /// Drive many cells of varied keys with many seeds, in parallel; goes on where it was stopped
    Study {
        /// What to do
        #[command(flatten)]
        wish: study::Wish,
    },
    /// Make one HTML page of a drive's folder or a study's: pictures, tables, files, no network
    Report {
        /// A folder with recording.jsonl, machine.toml and truth.json if there is one, or of `study`
        #[arg(value_name = "FOLDER")]
        folder: String,
        /// The page; `-` is standard output
        #[arg(long, value_name = "FILE.html")]
        out: String,
    },
    /// Serve the lab on this computer: drag a value and see what becomes of a plant
    Lab(LabArgs),
    /// Drive and judge a built-in scenario and draw its ground strip
    Demo {
        /// Folder for the files and the picture strip.svg; made if need be
        #[arg(long, value_name = "DIR", default_value = "demo-out")]
        out: String,
        /// Print the result as one JSON object
        #[arg(long)]
        json: bool,
    },
}

/// Runs a command line; true when every tolerance holds.
pub fn run(cli: Cli) -> Result<bool> {
    match cli.verb {
        Verb::Generate { scenario, out } => {
            for path in generate::into_folder(&scenario, &out)? {
                say(&format!("{}\n", path.display()))?;
            }
            Ok(true)
        }
        Verb::Replay {
            recording,
            machine,
            truth,
            commands,
            vcd,
            judge_commands,
            json,
        } => {
            let to_stdout = [&commands, &vcd]
                .iter()
                .filter(|p| p.as_deref() == Some("-"))
                .count();
            if to_stdout + usize::from(json) > 1 {
                return Err(Error::Usage(
                    "two outputs are to go to standard output\n  help: give a file name to all but one of --commands, --vcd and --json".into(),
                ));
            }
            let wish = ReplayWish {
                recording,
                machine,
                truth,
                commands,
                vcd,
                judge_commands,
            };
            let summary = run::replay_files(&wish)?;
            if to_stdout > 0 {
                // Standard output carries the file; the table goes where messages go.
                eprint!("{}", summary.table());
            } else {
                print(&summary, || summary.table(), json)?;
            }
            Ok(summary.holds())
        }
        Verb::Check {
            machine,
            frame_rate_hz,
            detection_age_ms,
            json,
        } => {
            let wish = check::Wish {
                frame_rate_hz,
                detection_age_ms,
            };
            let result = check::check_file(&machine, &wish)?;
            print(&result, || result.table(), json)?;
            Ok(result.holds())
        }
        Verb::Compare {
            recording,
            machine,
            truth,
            json,
        } => {
            let machines = <[String; 2]>::try_from(machine).map_err(|given| {
                Error::Usage(format!(
                    "compare needs two machine files, but got {}\n  help: give --machine twice",
                    given.len()
                ))
            })?;
            let wish = compare::Wish {
                recording,
                machines,
                truth,
            };
            let result = compare::compare_files(&wish)?;
            print(&result, || result.table(), json)?;
            Ok(result.holds())
        }
        Verb::Bench(args) => bench::run(&args),
        Verb::Send(args) => send::run(&args),
        Verb::Watch(args) => watch::run(&args),
        Verb::Calibrate(args) => calibrate::run(&args),
        Verb::Throw { wish, json } => {
            let result = throw::throw(&wish)?;
            print(&result, || result.table(), json)?;
            Ok(true)
        }
        Verb::Dose { wish, json } => {
            let result = dose::dose(&wish)?;
            print(&result, || result.table(), json)?;
            Ok(true)
        }
        Verb::Buffers { wish, json } => {
            let result = buffers::buffers(&wish)?;
            print(&result, || result.table(), json)?;
            Ok(true)
        }
        Verb::Study { wish } => {
            say(&study::study(&wish)?)?;
            Ok(true)
        }
        Verb::Report { folder, out } => {
            report::report(&folder, &out)?;
            Ok(true)
        }
        Verb::Lab(args) => command::run(&args, say).map(|()| true),
        Verb::Demo { out, json } => run::show_demo(&out, json),
    }
}
