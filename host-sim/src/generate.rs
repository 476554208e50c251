//! From a scenario to a recording: drives the simulated world and writes down what the
//! controller would be told, and apart from it what really was.
//!
//! Equal scenario and machine give equal bytes: everything random comes from the scenario's seed.

use std::path::{Path, PathBuf};

use ground_truth::motion::MotionError;
use ground_truth::plants::{Plant, PlantField};
use ground_truth::wheel::{Wheel, WheelSpec};
use ground_truth::{DetectorSpec, Frame, Ground, Motion, frames};

use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::output;
use crate::recording::{Direction, Event, Image, Input, Recording, SeenPlant};
use crate::scenario::{Plants, Scenario};
use crate::truth::Truth;

/// A simulated drive: what the controller is told, and what really was.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// What the controller is told.
    pub recording: Recording,
    /// What really was.
    pub truth: Truth,
}

/// Drives the scenario with the machine; `file` is the scenario's name in messages.
pub fn drive(file: &str, scenario: &Scenario, machine: &Machine) -> Result<Drive> {
    let refuse = |what: String| Error::file(file, what, "change the key that the message names");
    let motion = if machine.wheel.direction_input {
        Motion::reversing(0.0, scenario.start_speed_m_s, &scenario.pieces)
    } else {
        Motion::new(0.0, scenario.start_speed_m_s, &scenario.pieces)
    }
    .map_err(|e| match e {
        MotionError::NegativeSpeed { .. } => refuse(format!(
            "{e}, or give the machine a wheel with direction_input"
        )),
        e => refuse(e.to_string()),
    })?;
    let until = motion.duration();
    if let Some((t, _)) = motion
        .turns()
        .into_iter()
        .find(|&(t, forward)| forward && motion.position(t) < 0.0)
    {
        return Err(refuse(format!(
            "the machine backs {:.2} m behind its start, where nothing is known",
            -motion.position(t)
        )));
    }
    let judged_m = judged_stretch(machine, &motion);
    if judged_m.1 <= judged_m.0 {
        return Err(Error::file(
            file,
            format!(
                "the drive covers {:.2} m, which is too short to judge anything",
                motion.position(until)
            ),
            format!(
                "drive at least {:.2} m: make the pieces longer or faster",
                judged_m.0 + motion.position(until) - judged_m.1
            ),
        ));
    }
    let plants =
        grow(scenario, machine, motion.position(until), seed(scenario, 1)).map_err(refuse)?;
    let (recording, sights) = record(scenario, machine, &motion, &plants, until).map_err(refuse)?;
    let truth = Truth {
        name: scenario.name.clone(),
        clock_start_us: scenario.clock_start_us,
        start_speed_m_s: scenario.start_speed_m_s,
        pieces: scenario
            .pieces
            .iter()
            .map(|p| (p.duration_s, p.acceleration))
            .collect(),
        judged_m,
        valves: scenario.valves,
        plants,
        sights,
    };
    Ok(Drive { recording, truth })
}

/// The ground on which a plant can be seen as it comes into view, and be passed by the whole boom
/// before the drive ends, m.
pub fn judged_stretch(machine: &Machine, ground: &dyn Ground) -> (f64, f64) {
    let first_sight = machine
        .detectors
        .iter()
        .map(|d| d.x_m + d.view_far_m)
        .fold(f64::NEG_INFINITY, f64::max);
    let front = machine
        .nozzles
        .iter()
        .map(|n| n.x_m)
        .fold(f64::NEG_INFINITY, f64::max);
    let rear = machine
        .nozzles
        .iter()
        .map(|n| n.x_m)
        .fold(f64::INFINITY, f64::min);
    // A patch must end, its valve be closed and the last spray have landed, with room to spare.
    let v = ground.speed(ground.end());
    let room = 0.5
        + machine.patch.trail_m
        + 2.0 * machine.half_fan_m()
        + v * (machine.patch.trail_s + 0.5);
    let start = ground.position(0.0)
        + first_sight.max(front + machine.patch.lead_m + 2.0 * machine.half_fan_m());
    (start, ground.position(ground.end()) + rear - room)
}

/// Reads a scenario and its machine file and writes a folder with `recording.jsonl`, `truth.json`
/// and `machine.toml`. Returns the paths written.
pub fn into_folder(scenario_path: &str, folder: &str) -> Result<Vec<PathBuf>> {
    let text = output::read_text(scenario_path)?;
    let scenario = Scenario::parse(scenario_path, &text)?;
    let machine_path = Path::new(scenario_path)
        .parent()
        .unwrap_or(Path::new(""))
        .join(&scenario.machine);
    let machine_path = machine_path.display().to_string();
    let machine_text = output::read_text(&machine_path)?;
    let machine = Machine::parse(&machine_path, &machine_text)?;
    let drive = drive(scenario_path, &scenario, &machine)?;
    write_folder(&drive, &machine_text, folder)
}

/// Writes a drive and its machine file into a folder, which is made if need be.
pub fn write_folder(drive: &Drive, machine_text: &str, folder: &str) -> Result<Vec<PathBuf>> {
    std::fs::create_dir_all(folder).map_err(|e| Error::write(folder, e))?;
    let path = |name: &str| Path::new(folder).join(name);
    let paths = vec![
        path("recording.jsonl"),
        path("truth.json"),
        path("machine.toml"),
    ];
    output::to_file(&paths[0], |name, to| drive.recording.write(name, to))?;
    output::to_file(&paths[1], |name, to| drive.truth.write(name, to))?;
    output::to_file(&paths[2], |name, to| {
        to.write_all(machine_text.as_bytes())
            .map_err(|e| Error::write(name, e))
    })?;
    Ok(paths)
}

/// A seed of its own for each random part, so that one part does not shift another.
fn seed(scenario: &Scenario, part: u64) -> u64 {
    // The finalizer of SplitMix64 (Steele, Lea, Flood: Fast splittable pseudorandom number
    // generators, OOPSLA 2014).
    let mut z = scenario
        .seed
        .wrapping_add(part.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

fn grow(
    scenario: &Scenario,
    machine: &Machine,
    ground_m: f64,
    seed: u64,
) -> std::result::Result<Vec<Plant>, String> {
    let field = match &scenario.plants {
        Plants::Field(field) => field,
        Plants::Listed(list) => {
            let mut plants: Vec<Plant> = list
                .iter()
                .map(|p| Plant {
                    x: p.x_m,
                    y: p.y_m,
                    length: p.length_m,
                    width: p.width_m,
                })
                .collect();
            plants.sort_by(|a, b| a.x.total_cmp(&b.x));
            return Ok(plants);
        }
    };
    let (left_y, right_y) = machine.lanes();
    let from_x = field.from_m.unwrap_or(0.0);
    let to_x = field.to_m.unwrap_or(ground_m);
    if to_x <= from_x {
        return Err(format!(
            "the field from {from_x} m to {to_x} m holds no ground"
        ));
    }
    let field = PlantField {
        density_per_m2: field.density_per_m2,
        from_x,
        to_x,
        left_y,
        right_y,
        length_mean: field.size_mean_m,
        length_sd: field.size_sd_m,
        length_min: field.size_min_m,
        length_max: field.size_max_m,
        width_mean: field.size_mean_m,
        width_sd: field.size_sd_m,
        width_min: field.size_min_m,
        width_max: field.size_max_m,
        seed,
    };
    field.check().map_err(|e| e.to_string())?;
    Ok(ground_truth::plants::generate(field))
}

type Sights = Vec<Vec<usize>>;

fn record(
    scenario: &Scenario,
    machine: &Machine,
    motion: &Motion,
    plants: &[Plant],
    until: f64,
) -> std::result::Result<(Recording, Sights), String> {
    let stamp = |t: f64| scenario.clock_start_us + (t * 1e6).round() as u64;
    let wheel = Wheel::new(WheelSpec {
        pulse_length_m: machine.wheel.pulse.metres(),
        slots: scenario.wheel.slots,
        unevenness: scenario.wheel.unevenness,
        stamp_jitter_s: scenario.wheel.stamp_jitter_s,
        seed: seed(scenario, 2),
    })
    .and_then(|w| w.with_scale(scenario.wheel.scale))
    .map_err(|e| e.to_string())?;
    let mut events: Vec<(Event, Vec<usize>)> = pulses(&wheel, motion, until)
        .into_iter()
        .map(|(t, input)| {
            (
                Event {
                    t_us: stamp(t),
                    input,
                },
                Vec::new(),
            )
        })
        .collect();
    for (index, d) in machine.detectors.iter().enumerate() {
        let spec = DetectorSpec {
            x_m: d.x_m,
            y_m: d.y_m,
            view_left_m: d.view_left_m,
            view_right_m: d.view_right_m,
            view_near_m: d.view_near_m,
            view_far_m: d.view_far_m,
            frame_rate_hz: scenario.detector.frame_rate_hz,
            delay_mean_s: scenario.detector.delay_mean_s,
            delay_sd_s: scenario.detector.delay_sd_s,
            once: scenario.detector.once,
            seed: seed(scenario, 3 + index as u64),
        };
        spec.check().map_err(|e| e.to_string())?;
        let arrived = frames(&spec, motion, plants, until)
            .into_iter()
            .filter(|f| f.arrives_s <= until);
        events.extend(arrived.map(|f| image(index as u8, f, scenario.detector.ids, stamp)));
    }
    for (t, order) in scenario.orders.iter().flat_map(|o| o.given(motion)) {
        let event = Event {
            t_us: stamp(t),
            input: Input::Order(order),
        };
        events.push((event, Vec::new()));
    }
    // Stable: at equal stamps pulses come first, then images by detector and sequence, then orders.
    events.sort_by_key(|(event, _)| event.t_us);
    let sights = events
        .iter()
        .filter(|(event, _)| matches!(event.input, Input::Image(_)))
        .map(|(_, plants)| plants.clone())
        .collect();
    let events = events.into_iter().map(|(event, _)| event).collect();
    Ok((
        Recording {
            name: scenario.name.clone(),
            events,
        },
        sights,
    ))
}

/// Pulses, and turns where there are any. A sensor that tells the direction tells it
/// with the first pulse of the new one, or before: here when the machine sets off.
fn pulses(wheel: &Wheel, motion: &Motion, until: f64) -> Vec<(f64, Input)> {
    let turns = motion.turns();
    if turns.is_empty() {
        let stamps = wheel.pulses(motion, until).into_iter();
        return stamps.map(|t| (t, Input::Pulse)).collect();
    }
    let mut all: Vec<(f64, Input)> = turns
        .into_iter()
        .map(|(t, forward)| {
            let to = if forward {
                Direction::Forward
            } else {
                Direction::Reverse
            };
            (t, Input::Direction(to))
        })
        .collect();
    let passings = wheel.passings(motion, until).into_iter();
    all.extend(passings.map(|(t, _)| (t, Input::Pulse)));
    // Stable: a turn stands before a pulse of the same instant.
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all
}

fn image(detector: u8, frame: Frame, ids: bool, stamp: impl Fn(f64) -> u64) -> (Event, Vec<usize>) {
    // To the micrometre, as on file: a recording in memory equals the one read back.
    let um = |m: f64| (m * 1e6).round() / 1e3 * 1e-3;
    let plants = frame
        .plants
        .iter()
        .map(|s| SeenPlant {
            x_m: um(s.x),
            y_m: um(s.y),
            length_m: um(s.length),
            width_m: um(s.width),
            id: ids.then_some(s.plant as u16),
        })
        .collect();
    let image = Image {
        detector,
        captured_us: stamp(frame.captured_s),
        seen: (um(frame.seen.0), um(frame.seen.1)),
        plants,
    };
    let event = Event {
        t_us: stamp(frame.arrives_s),
        input: Input::Image(image),
    };
    (event, frame.plants.iter().map(|s| s.plant).collect())
}
