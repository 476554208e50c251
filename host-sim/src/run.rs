//! Verbs of the command line: files in, results out. The command line only parses and prints.

use std::path::{Path, PathBuf};

use ground_truth::Report;

use crate::agronomy::{self, Agronomy};
use crate::baseline;
use crate::commands::{self, ValveCommand};
use crate::cycles::CycleDuty;
use crate::error::{Error, Result};
use crate::generate;
use crate::machine::Machine;
use crate::output;
use crate::recording::Recording;
use crate::replay::{Replay, replay};
use crate::scenario::Scenario;
use crate::scene::Scene;
use crate::strip;
use crate::summary::{Duties, Fans, Summary};
use crate::truth::Truth;

/// The demo's machine file.
pub const DEMO_MACHINE: &str = include_str!("../demo/machine.toml");
/// The demo's scenario file.
pub const DEMO_SCENARIO: &str = include_str!("../demo/scenario.toml");

/// Where the commands of a judgement come from.
pub enum Controlled<'a> {
    /// The core, replayed.
    Core(&'a Replay),
    /// A command list from a file.
    File {
        /// Its path.
        path: &'a str,
        /// Its commands.
        commands: &'a [ValveCommand],
    },
}

/// Judges commands and both simple controllers on the same scene.
pub fn judge(
    machine: &Machine,
    recording: &Recording,
    scene: &Scene,
    controlled: &Controlled<'_>,
) -> Result<(Report, Summary)> {
    let simple = |list: &[ValveCommand]| -> Result<Report> {
        let mut report = scene.judge(list, None)?;
        in_litres(machine, scene, (list, &[]), &mut report)?;
        Ok(report)
    };
    let fixed = simple(&baseline::fixed_delay(machine, recording))?;
    let whole = simple(&baseline::whole_pulses(machine, recording))?;
    let (controller, mut report, counters, late) = match controlled {
        Controlled::Core(run) => {
            let report = scene.judge(&run.commands, Some(&run.images))?;
            (
                "core",
                report,
                Some(&run.counters),
                run.counters.late.into(),
            )
        }
        Controlled::File { path, commands } => {
            let late = commands
                .iter()
                .filter(|c| c.open && c.short_by_m > 0.0)
                .count() as u64;
            (*path, scene.judge(commands, None)?, None, late)
        }
    };
    let told: (&[ValveCommand], &[CycleDuty]) = match controlled {
        Controlled::Core(run) => (&run.commands, &run.duties),
        Controlled::File { commands, .. } => (commands, &[]),
    };
    let field = in_litres(machine, scene, told, &mut report)?;
    let mut summary = Summary::new(
        &recording.name,
        scene.basis,
        controller,
        &report,
        counters,
        late,
        [&fixed, &whole],
    );
    // Where each nozzle serves its lane alone no set is summed.
    if let (Controlled::Core(run), Some(_)) = (controlled, machine.turning) {
        summary.turning = Some((&run.yaw).into());
    }
    summary.field = field;
    if machine.rate.is_some() {
        summary.duties = counters.map(Duties::from);
    }
    summary.fans = machine.fan.map(|_| Fans::of(&report, counters));
    Ok((report, summary))
}

/// On a machine with a rate, judges the plants anew by what came down on them.
fn in_litres(
    machine: &Machine,
    scene: &Scene,
    told: (&[ValveCommand], &[CycleDuty]),
    report: &mut Report,
) -> Result<Option<Agronomy>> {
    let Some(rate) = &machine.rate else {
        return Ok(None);
    };
    let (Some(flows), Some(fine)) = (agronomy::flows(machine), agronomy::fitting(machine, scene))
    else {
        return Ok(None);
    };
    let laid = agronomy::lay(machine, scene, told, flows, &fine)
        .map_err(|e| Error::Internal(format!("the spray cannot be laid down: {e}")))?;
    Ok(laid.judge(machine, scene, rate.l_ha, report))
}

/// What `replay` is asked to do; paths as given, `-` is standard output.
#[derive(Debug, Clone, Default)]
pub struct ReplayWish {
    /// The recording.
    pub recording: String,
    /// The machine file.
    pub machine: String,
    /// The truth file, if the drive was simulated.
    pub truth: Option<String>,
    /// Where the commands go.
    pub commands: Option<String>,
    /// Where the waveforms go.
    pub vcd: Option<String>,
    /// A command list to judge instead of the core's.
    pub judge_commands: Option<String>,
}

/// Refuses a recording with images from detectors that the machine does not have; the files are
/// the names shown in messages.
pub fn same_detectors(
    recording_file: &str,
    recording: &Recording,
    machine_file: &str,
    machine: &Machine,
) -> Result<()> {
    let most = machine.detectors.len();
    match recording
        .images()
        .find(|(_, i)| usize::from(i.detector) >= most)
    {
        None => Ok(()),
        Some((_, image)) => Err(Error::file(
            recording_file,
            format!(
                "an image is from detector {}, but the machine has {most}",
                image.detector
            ),
            format!("give the machine file of this recording instead of {machine_file}"),
        )),
    }
}

/// Replays a recording, writes what was asked for, and judges.
pub fn replay_files(wish: &ReplayWish) -> Result<Summary> {
    let machine = Machine::parse(&wish.machine, &output::read_text(&wish.machine)?)?;
    let recording = Recording::load(&wish.recording)?;
    same_detectors(&wish.recording, &recording, &wish.machine, &machine)?;
    let scene = match &wish.truth {
        Some(path) => Scene::from_truth(path, &Truth::load(path)?, &machine, &recording)?,
        None => Scene::in_hindsight(&wish.recording, &machine, &recording)?,
    };
    let (list, run) = match &wish.judge_commands {
        Some(path) => (commands::load(path, machine.nozzles.len())?, None),
        None => {
            let run = replay(&wish.machine, &machine, &recording)?;
            let mut list = run.commands.clone();
            list.sort_by_key(|c| c.t_us);
            (list, Some(run))
        }
    };
    let controlled = match (&run, &wish.judge_commands) {
        (Some(run), _) => Controlled::Core(run),
        (None, path) => Controlled::File {
            path: path.as_deref().unwrap_or_default(),
            commands: &list,
        },
    };
    let (_, summary) = judge(&machine, &recording, &scene, &controlled)?;
    if let Some(path) = &wish.commands {
        output::to_path(path, |name, to| commands::write(name, to, &list))?;
    }
    if let Some(path) = &wish.vcd {
        output::to_path(path, |name, to| {
            crate::waveform::write(name, to, &recording, &list, machine.nozzles.len())
        })?;
    }
    Ok(summary)
}

/// Drives the built-in scenario, judges it, and writes its files and the picture into `folder`.
/// Returns the result and the path of the picture.
pub fn demo(folder: &str) -> Result<(Summary, PathBuf)> {
    let machine = Machine::parse("demo/machine.toml", DEMO_MACHINE)?;
    let scenario = Scenario::parse("demo/scenario.toml", DEMO_SCENARIO)?;
    let drive = generate::drive("demo/scenario.toml", &scenario, &machine)?;
    let scene = Scene::from_truth("demo/truth.json", &drive.truth, &machine, &drive.recording)?;
    let run = replay("demo/machine.toml", &machine, &drive.recording)?;
    let (report, summary) = judge(&machine, &drive.recording, &scene, &Controlled::Core(&run))?;
    generate::write_folder(&drive, DEMO_MACHINE, folder)?;
    let picture = Path::new(folder).join("strip.svg");
    let svg = strip::draw(&scene, &report, &summary, machine.tolerance.edge_m);
    output::to_file(&picture, |name, to| {
        to.write_all(svg.as_bytes())
            .map_err(|e| Error::write(name, e))
    })?;
    Ok((summary, picture))
}

/// Runs the demo and prints what came of it; true when every tolerance holds.
pub fn show_demo(folder: &str, json: bool) -> Result<bool> {
    let (summary, picture) = demo(folder)?;
    output::print(&summary, || summary.table(), json)?;
    if !json {
        output::say(&format!("picture: {}\n", picture.display()))?;
    }
    Ok(summary.holds())
}
