//! From a scenario to a recording: drives the simulated world and writes down what the
//! controller would be told, and apart from it what really was.
//!
//! Equal scenario and machine give equal bytes: everything random comes from the scenario's seed.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use ground_truth::motion::MotionError;
use ground_truth::plants::{Plant, PlantField};
use ground_truth::slip::{self, SlipSpec};
use ground_truth::wheel::{Wheel, WheelSpec};
use ground_truth::yaw::{self, YawSpec};
use ground_truth::{
    DetectorSpec, Frame, Ground, ImageFaults, Motion, Track, Travel, frames, frames_over,
};

use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::output;
use crate::recording::{Direction, Event, Image, Input, Recording, SeenPlant};
use crate::scenario::{Plants, Scenario};
use crate::sensed_pressure;
use crate::truth::{FieldPath, Truth};
use crate::truth_valves::TrueSpread;

/// A simulated drive: what the controller is told, and what really was.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// What the controller is told.
    pub recording: Recording,
    /// What really was.
    pub truth: Truth,
}

/// What a drive rests on before anything random is drawn.
struct Basis {
    motion: Motion,
    path: Option<FieldPath>,
    travel: Option<Arc<Travel>>,
    judged_m: (f64, f64),
}

/// Whether a scenario can be driven with a machine, told without driving it: all that
/// [`drive`] refuses but fields that hold no ground.
pub fn check(file: &str, scenario: &Scenario, machine: &Machine) -> Result<()> {
    basis(file, scenario, machine).map(drop)
}

fn basis(file: &str, scenario: &Scenario, machine: &Machine) -> Result<Basis> {
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
    let path = field_path(scenario);
    let travel = match &path {
        None => None,
        Some(path) => Some(Arc::new(path.travel(motion.clone()).map_err(refuse)?)),
    };
    let judged_m = match &travel {
        None => judged_stretch(machine, &motion),
        Some(travel) => judged_stretch(machine, &Track::of_boom(travel, 0.0)),
    };
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
    Ok(Basis {
        motion,
        path,
        travel,
        judged_m,
    })
}

/// Drives the scenario with the machine; `file` is the scenario's name in messages.
pub fn drive(file: &str, scenario: &Scenario, machine: &Machine) -> Result<Drive> {
    let refuse = |what: String| Error::file(file, what, "change the key that the message names");
    let Basis {
        motion,
        path,
        travel,
        judged_m,
    } = basis(file, scenario, machine)?;
    let until = motion.duration();
    let swept = match &travel {
        None => {
            let (left, right) = machine.lanes();
            ((0.0, motion.position(until)), (left, right))
        }
        Some(travel) => swept(machine, travel),
    };
    let plants = grow(scenario, swept, seed(scenario, 1)).map_err(refuse)?;
    let drive = Driven {
        scenario,
        machine,
        motion: &motion,
        travel: travel.as_ref(),
        until,
    };
    let (mut recording, sights, false_alarms) = record(&drive, &plants).map_err(refuse)?;
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
        false_alarms,
        path,
        spread: scenario.world.spread.map(|s| TrueSpread {
            seed: seed(scenario, VALVES),
            ..s
        }),
        supply: scenario.world.supply,
    };
    if let Some(sensor) = &scenario.world.pressure {
        let seed = seed(scenario, PRESSURE);
        sensed_pressure::tell(file, &mut recording, &truth, machine, sensor, seed)?;
    }
    Ok(Drive { recording, truth })
}

/// The scenario's path with the seed of its rough ground.
fn field_path(scenario: &Scenario) -> Option<FieldPath> {
    let mut path = scenario.world.path.clone()?;
    if let Some(rough) = &mut path.rough {
        rough.seed = seed(scenario, ROUGH);
    }
    Some(path)
}

/// Streams of random numbers beyond those of the wheel and the detectors, of which there are at
/// most 256.
const ROUGH: u64 = 1000;
const SLIP: u64 = 1001;
const SECOND_WHEEL: u64 = 1002;
const YAW: u64 = 1003;
const VALVES: u64 = 1004;
const PRESSURE: u64 = 1005;
const IMAGES: u64 = 1100;

/// The rectangle of the field that the boom sweeps: along x and along y, m.
fn swept(machine: &Machine, travel: &Travel) -> ((f64, f64), (f64, f64)) {
    let motion = travel.motion();
    let (left, right) = machine.lanes();
    let length = motion.position(motion.end());
    let steps = (length / 0.5).ceil().max(1.0) as u64;
    let mut x = (f64::INFINITY, f64::NEG_INFINITY);
    let mut y = x;
    for step in 0..=steps {
        let s = length * step as f64 / steps as f64;
        let boom = travel.boom(motion.time_at(s).unwrap_or(motion.end()));
        for end in [left, right] {
            let place = boom.place(0.0, end);
            x = (x.0.min(place.0), x.1.max(place.0));
            y = (y.0.min(place.1), y.1.max(place.1));
        }
    }
    (x, y)
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

type Span = (f64, f64);

fn grow(
    scenario: &Scenario,
    (along, across): (Span, Span),
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
    let (left_y, right_y) = (
        field.left_m.unwrap_or(across.0),
        field.right_m.unwrap_or(across.1),
    );
    let from_x = field.from_m.unwrap_or(along.0);
    let to_x = field.to_m.unwrap_or(along.1);
    if to_x <= from_x {
        return Err(format!(
            "the field from {from_x} m to {to_x} m holds no ground"
        ));
    }
    let clusters = field.clusters;
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
    match clusters {
        Some(clusters) => {
            ground_truth::clusters::clustered(field, clusters).map_err(|e| e.to_string())
        }
        None => Ok(ground_truth::plants::generate(field)),
    }
}

/// The drive of which a recording is made.
struct Driven<'a> {
    scenario: &'a Scenario,
    machine: &'a Machine,
    motion: &'a Motion,
    travel: Option<&'a Arc<Travel>>,
    until: f64,
}

/// For each image, the plants that it reports.
type Sights = Vec<Vec<usize>>;

/// An event, and for an image the plants that it reports and how many false alarms follow them.
type Told = (Event, Vec<usize>, usize);

impl Driven<'_> {
    fn stamp(&self, t: f64) -> u64 {
        // A detector's clock may be behind the controller's, even at its start.
        (self.scenario.clock_start_us + (t * 1e6).round().max(0.0) as u64)
            .saturating_sub((-t * 1e6).round().max(0.0) as u64)
    }

    fn event(&self, t: f64, input: Input) -> Told {
        let t_us = self.stamp(t);
        (Event { t_us, input }, Vec::new(), 0)
    }

    fn wheel(&self, seed_part: u64, scale: f64) -> std::result::Result<Wheel, String> {
        let truth = &self.scenario.wheel;
        Wheel::new(WheelSpec {
            pulse_length_m: self.machine.wheel.pulse.metres(),
            slots: truth.slots,
            unevenness: truth.unevenness,
            stamp_jitter_s: truth.stamp_jitter_s,
            seed: seed(self.scenario, seed_part),
        })
        .and_then(|w| w.with_scale(scale))
        .map_err(|e| e.to_string())
    }

    /// How a wheel's rim travels over `ground`; none where it does not slip or change.
    fn rim(&self, ground: &dyn Ground, part: u64) -> std::result::Result<Option<Motion>, String> {
        let world = &self.scenario.world;
        let mut rim = None;
        if world.radius_change != 0.0 {
            rim = Some(slip::rolling(ground, world.radius_change).map_err(|e| e.to_string())?);
        }
        if world.slip > 0.0 {
            let spec = SlipSpec {
                share: world.slip,
                step_s: 0.05,
                seed: seed(self.scenario, SLIP + 1000 * part),
            };
            let over = rim.as_ref().map_or(ground, |r| r as &dyn Ground);
            rim = Some(slip::rim(over, spec).map_err(|e| e.to_string())?);
        }
        Ok(rim)
    }

    /// Pulses of all wheels, and turns of a machine that goes back.
    fn pulses(&self) -> std::result::Result<Vec<Told>, String> {
        let world = &self.scenario.world;
        let first = self.wheel(2, self.scenario.wheel.scale)?;
        let tell = |t: f64, input| self.event(t, input);
        let Some(travel) = self.travel else {
            let slipped = self.rim(self.motion, 0)?;
            if slipped.is_some() && !self.motion.turns().is_empty() {
                return Err(
                    "a machine that goes back can't slip or change its rolling radius".into(),
                );
            }
            let motion = slipped.as_ref().unwrap_or(self.motion);
            let all = pulses(&first, motion, self.until).into_iter();
            return Ok(all.map(|(t, input)| tell(t, input)).collect());
        };
        let mut wheels = vec![(world.wheel_y_m, first)];
        if let Some((y, scale)) = world.second_wheel {
            wheels.push((y, self.wheel(SECOND_WHEEL, scale)?));
        }
        let mut all = Vec::new();
        for (index, (y, wheel)) in wheels.iter().enumerate() {
            let track = Track::of_wheel(travel, *y);
            let rim = self.rim(&track, index as u64)?;
            let ground = rim.as_ref().map_or(&track as &dyn Ground, |r| r);
            let input = match index {
                0 => Input::Pulse,
                other => Input::WheelPulse(other as u8),
            };
            let stamps = wheel.pulses(ground, self.until).into_iter();
            all.extend(stamps.map(|t| tell(t, input.clone())));
        }
        if let Some((rate_hz, noise, bias)) = world.yaw {
            let spec = YawSpec {
                rate_hz,
                noise,
                bias,
                seed: seed(self.scenario, YAW),
            };
            let readings = yaw::readings(&spec, travel, self.until).map_err(|e| e.to_string())?;
            all.extend(readings.into_iter().map(|(t, rate)| {
                let mdeg_s = (rate.to_degrees() * 1e3).round() as i32;
                tell(t, Input::Yaw(mdeg_s))
            }));
        }
        Ok(all)
    }

    /// What one detector sends that arrives before the end.
    fn frames(&self, index: usize, plants: &[Plant]) -> std::result::Result<Vec<Frame>, String> {
        let (d, truth) = (&self.machine.detectors[index], &self.scenario.detector);
        let spec = DetectorSpec {
            x_m: d.x_m,
            y_m: d.y_m,
            view_left_m: d.view_left_m,
            view_right_m: d.view_right_m,
            view_near_m: d.view_near_m,
            view_far_m: d.view_far_m,
            frame_rate_hz: truth.frame_rate_hz,
            delay_mean_s: truth.delay_mean_s,
            delay_sd_s: truth.delay_sd_s,
            once: truth.once,
            seed: seed(self.scenario, 3 + index as u64),
        };
        spec.check().map_err(|e| e.to_string())?;
        let all = match self.travel {
            None => frames(&spec, self.motion, plants, self.until),
            Some(travel) => frames_over(
                &spec,
                &self.scenario.world.camera,
                travel,
                plants,
                self.until,
            ),
        };
        let faults = ImageFaults {
            seed: seed(self.scenario, IMAGES + index as u64),
            ..self.scenario.world.image_faults
        };
        let mut all = faults.apply(all);
        all.retain(|f| f.arrives_s <= self.until);
        Ok(all)
    }
}

fn record(
    drive: &Driven<'_>,
    plants: &[Plant],
) -> std::result::Result<(Recording, Sights, Vec<usize>), String> {
    let (scenario, machine, motion) = (drive.scenario, drive.machine, drive.motion);
    let mut events = drive.pulses()?;
    for index in 0..machine.detectors.len() {
        let arrived = drive.frames(index, plants)?.into_iter();
        events.extend(
            arrived.map(|f| image(index as u8, f, scenario.detector.ids, |t| drive.stamp(t))),
        );
    }
    for (t, order) in scenario.orders.iter().flat_map(|o| o.given(motion)) {
        events.push(drive.event(t, Input::Order(order)));
    }
    // Stable: at equal stamps pulses come first, then images by detector and sequence, then orders.
    events.sort_by_key(|(event, _, _)| event.t_us);
    let images = || {
        events
            .iter()
            .filter(|(event, _, _)| matches!(event.input, Input::Image(_)))
    };
    let sights = images().map(|(_, plants, _)| plants.clone()).collect();
    let mut false_alarms: Vec<usize> = images().map(|(_, _, count)| *count).collect();
    if false_alarms.iter().all(|&count| count == 0) {
        false_alarms.clear();
    }
    let events = events.into_iter().map(|(event, _, _)| event).collect();
    let recording = Recording {
        name: scenario.name.clone(),
        events,
    };
    Ok((recording, sights, false_alarms))
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

fn image(detector: u8, frame: Frame, ids: bool, stamp: impl Fn(f64) -> u64) -> Told {
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
        // A false alarm is no plant of which the detector keeps track.
        .chain(frame.ghosts.iter().map(|g| SeenPlant {
            x_m: um(g.x),
            y_m: um(g.y),
            length_m: um(g.length),
            width_m: um(g.width),
            id: None,
        }))
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
    let plants = frame.plants.iter().map(|s| s.plant).collect();
    (event, plants, frame.ghosts.len())
}
