//! A drive to scrub through: where the boom was, what was seen, told and sprayed, second by second.

use serde_json::{Value as Json, json};

use ground_truth::Report;

use super::drive::{Driven, plants, strips};
use super::round;
use super::values::Values;
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::recording::Recording;
use crate::replay::{Replay, replay};
use crate::run::same_detectors;
use crate::scene::Scene;

/// Most events of a recording that the lab takes.
const MOST_EVENTS: usize = 400_000;
/// Most points of the boom's way.
const POINTS: f64 = 2000.0;

/// The drive of the lab's own values.
pub fn of_values(values: &Values) -> Result<Json> {
    let d = Driven::with(values)?;
    Ok(line(
        &d.files.machine,
        &d.drive.recording,
        &d.scene,
        &d.run,
        &d.report,
    ))
}

/// A user's drive: the texts of a machine file and a recording, with the names that messages show.
pub fn of_files(machine: (&str, &str), recording: (&str, &str)) -> Result<Json> {
    let told = Machine::parse(machine.0, machine.1)?;
    let tape = Recording::read(recording.0, recording.1.as_bytes())?;
    if tape.events.len() > MOST_EVENTS {
        return Err(Error::file(
            recording.0,
            format!(
                "the recording holds {} events, and the lab takes {MOST_EVENTS}",
                tape.events.len()
            ),
            "cut out a part, or use `host-sim replay`",
        ));
    }
    same_detectors(recording.0, &tape, machine.0, &told)?;
    let scene = Scene::in_hindsight(recording.0, &told, &tape)?;
    let run = replay(machine.0, &told, &tape)?;
    let report = scene.judge(&run.commands, Some(&run.images))?;
    Ok(line(&told, &tape, &scene, &run, &report))
}

fn line(
    machine: &Machine,
    recording: &Recording,
    scene: &Scene,
    run: &Replay,
    report: &Report,
) -> Json {
    let ground = scene.ground.as_ref();
    let end = ground.end();
    let step = (end / POINTS).max(0.02);
    let count = (end / step).ceil() as u32;
    let place = |i: u32| {
        let t = (step * f64::from(i)).min(end);
        [
            round(t, 4),
            round(ground.position(t), 4),
            round(ground.speed(t), 3),
        ]
    };
    let seconds = |t_us| round(scene.seconds(t_us), 6);
    let images: Vec<Json> = recording
        .images()
        .map(|(t_us, i)| {
            json!([
                seconds(t_us),
                seconds(i.captured_us),
                i.detector,
                i.plants.len()
            ])
        })
        .collect();
    let told = scene.acted(&run.commands);
    let open: Vec<Vec<[f64; 2]>> = (0..scene.nozzles.len())
        .map(|n| flowing(scene, &told, n, end))
        .collect();
    json!({
        "name": recording.name,
        "machine": machine.name,
        "basis": match scene.basis {
            crate::scene::Basis::Truth => "truth",
            crate::scene::Basis::Hindsight => "hindsight",
        },
        "end_s": round(end, 4),
        "way": (0..=count).map(place).collect::<Vec<_>>(),
        "nozzles": scene.nozzles.iter().map(|n| [round(n.x, 4), round(n.y, 4), round(n.lane_width_m, 4)]).collect::<Vec<_>>(),
        "detectors": machine.detectors.iter().map(|d| json!({
            "x_m": d.x_m, "y_m": d.y_m, "left_m": d.view_left_m, "right_m": d.view_right_m,
            "near_m": d.view_near_m, "far_m": d.view_far_m,
        })).collect::<Vec<_>>(),
        "images": images,
        "plants": plants(scene, report),
        "sprayed": strips(report),
        "open_s": open,
        "judged_m": [round(scene.judged_m.0, 4), round(scene.judged_m.1, 4)],
        "full": report.targets.full,
        "partial": report.targets.partial,
        "missed": report.targets.missed,
        "saved_percent": round(report.saving * 100.0, 2),
    })
}

/// When a nozzle flows by half or more, s.
fn flowing(
    scene: &Scene,
    told: &[ground_truth::Command],
    nozzle: usize,
    end: f64,
) -> Vec<[f64; 2]> {
    let own: Vec<(f64, bool)> = told
        .iter()
        .filter(|c| c.nozzle == nozzle)
        .map(|c| (c.at_s, c.open))
        .collect();
    let flow = scene.nozzles[nozzle].valve.flow(&own);
    let mut spells: Vec<[f64; 2]> = Vec::new();
    for half in flow.half_flow() {
        let at = round(half.at_s, 6);
        match spells.last_mut() {
            Some(last) if !half.opening => last[1] = at,
            _ => spells.push([at, round(end, 6)]),
        }
    }
    spells
}
