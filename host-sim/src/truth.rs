//! The truth file: what the simulated world really was, for the judge only.
//!
//! The controller never sees it. `formats/truth.md` is the reference of the keys. Lengths are
//! metres, times seconds, and time 0 of the motion is `clock_start_us` on the recording's clock.

use std::io::Write;

use serde::{Deserialize, Serialize};

use ground_truth::motion::{Motion, Piece};
use ground_truth::plants::Plant;
use ground_truth::{Leg, Rig, RoughSpec, Sway, Travel, Whip};

use crate::error::{Error, Result};
use crate::machine::Valves;
use crate::truth_valves::{TrueSpread, TrueSupply};

/// The newest version that this program reads and writes. It writes version 1 where nothing in
/// the truth asks for more.
pub const VERSION: u64 = 2;
/// Largest truth file that is read, bytes.
const LARGEST: u64 = 1 << 30;

/// What really was.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Name of the scenario.
    pub name: String,
    /// The recording's clock when the motion starts, µs.
    pub clock_start_us: u64,
    /// Speed at the start, m/s; the ground starts at 0 m.
    pub start_speed_m_s: f64,
    /// Pieces of the motion: duration s, acceleration m/s².
    pub pieces: Vec<(f64, f64)>,
    /// Ground that is judged, m: plants outside are counted apart.
    pub judged_m: (f64, f64),
    /// Real valves where they differ from the machine file; they then hold for every nozzle.
    pub valves: Option<Valves>,
    /// Plants on the ground by place along travel.
    pub plants: Vec<Plant>,
    /// For each image of the recording, in order, the plants it reports by index.
    pub sights: Vec<Vec<usize>>,
    /// For each image, how many of its plants, the last ones, are none; empty where all are.
    pub false_alarms: Vec<usize>,
    /// Where the motion leads over the field and how the boom hangs; `None`: straight on, with
    /// the boom on the axle.
    pub path: Option<FieldPath>,
    /// How the real valves stray; `None`: they do not.
    pub spread: Option<TrueSpread>,
    /// The supply; `None`: its pressure never falls.
    pub supply: Option<TrueSupply>,
}

/// A path over the field, and the boom that follows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldPath {
    /// Legs: length m, and curvature at its start and end, 1/m, positive to the right.
    pub legs: Vec<FieldLeg>,
    /// From the fixed axle back to the boom, m.
    pub behind_axle_m: f64,
    /// How far the machine points to the right of where it goes, rad.
    pub crab_rad: f64,
    /// Usual height of the nozzles, m.
    pub height_m: f64,
    /// The boom's swing about its middle.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub whip: Option<FieldWhip>,
    /// Rough ground.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rough: Option<FieldRough>,
}

/// One leg of a path.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldLeg {
    /// Its length, m.
    pub length_m: f64,
    /// Curvature where it begins, 1/m.
    pub from_per_m: f64,
    /// Curvature where it ends, 1/m.
    pub to_per_m: f64,
}

/// A boom's whip.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldWhip {
    /// Swing to each side, m, at `arm_m` from the middle.
    pub amplitude_m: f64,
    /// Where that is, m.
    pub arm_m: f64,
    /// Swings a second.
    pub frequency_hz: f64,
    /// Phase at the start, rad.
    pub phase_rad: f64,
}

/// What rough ground does to the boom: standard deviations, and the waves it is made of.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldRough {
    /// Height, m.
    pub height_sd_m: f64,
    /// Pitch, rad.
    pub pitch_sd_rad: f64,
    /// Roll, rad.
    pub roll_sd_rad: f64,
    /// Shortest wave, m.
    pub shortest_m: f64,
    /// Longest wave, m.
    pub longest_m: f64,
    /// Its seed.
    pub seed: u64,
}

impl FieldPath {
    /// The drive over this path as fast as `motion` says, or what is wrong with it.
    pub fn travel(&self, motion: Motion) -> std::result::Result<Travel, String> {
        let legs: Vec<Leg> = self
            .legs
            .iter()
            .map(|l| Leg {
                length_m: l.length_m,
                curvature_from: l.from_per_m,
                curvature_to: l.to_per_m,
            })
            .collect();
        let whip = self.whip.map(|w| Whip {
            amplitude_m: w.amplitude_m,
            arm_m: w.arm_m,
            frequency_hz: w.frequency_hz,
            phase: w.phase_rad,
        });
        let rough = self.rough.map(|r| RoughSpec {
            height_sd_m: r.height_sd_m,
            pitch_sd: r.pitch_sd_rad,
            roll_sd: r.roll_sd_rad,
            shortest_m: r.shortest_m,
            longest_m: r.longest_m,
            seed: r.seed,
        });
        let rig = Rig {
            behind_axle_m: self.behind_axle_m,
            crab: self.crab_rad,
            height_m: self.height_m,
            sway: Sway::new(whip, rough).map_err(|e| e.to_string())?,
        };
        Travel::new(motion, &legs, rig).map_err(|e| e.to_string())
    }
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    truth_format: u64,
    name: String,
    clock_start_us: u64,
    start_speed_m_s: f64,
    motion: Vec<FilePiece>,
    judged_m: [f64; 2],
    #[serde(default, skip_serializing_if = "Option::is_none")]
    valves: Option<FileValves>,
    plants: Vec<FilePlant>,
    sights: Vec<Vec<usize>>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    false_alarms: Vec<usize>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    path: Option<FieldPath>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    valve_spread: Option<TrueSpread>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    supply: Option<TrueSupply>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FilePiece {
    duration_s: f64,
    acceleration_m_s2: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileValves {
    open_delay_s: f64,
    open_rise_s: f64,
    close_delay_s: f64,
    close_fall_s: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FilePlant {
    x_m: f64,
    y_m: f64,
    length_m: f64,
    width_m: f64,
}

#[derive(Deserialize)]
struct AnyVersion {
    truth_format: Option<serde_json::Value>,
}

impl Truth {
    /// Reads a truth file.
    pub fn load(path: &str) -> Result<Truth> {
        let size = std::fs::metadata(path)
            .map_err(|e| Error::read(path, e))?
            .len();
        if size > LARGEST {
            return Err(Error::file(
                path,
                "the file is larger than 1 GiB",
                "give the truth.json of a scenario",
            ));
        }
        let bytes = std::fs::read(path).map_err(|e| Error::read(path, e))?;
        let text = String::from_utf8(bytes).map_err(|e| {
            Error::file(
                path,
                format!("byte {} is not text", e.utf8_error().valid_up_to() + 1),
                "give the truth.json that `host-sim generate` wrote",
            )
        })?;
        Truth::parse(path, &text)
    }

    /// Reads the text of a truth file; `file` is the name shown in messages.
    pub fn parse(file: &str, text: &str) -> Result<Truth> {
        let help =
            "give the truth.json that `host-sim generate` wrote; see host-sim/formats/truth.md";
        if text.trim().is_empty() {
            return Err(Error::file(file, "the truth file is empty", help));
        }
        let json = |e: serde_json::Error| {
            let what = e.to_string();
            let what = what
                .split(" at line ")
                .next()
                .unwrap_or_default()
                .to_owned();
            Error::line(file, e.line(), Some(e.column()), what, help)
        };
        let any: AnyVersion = serde_json::from_str(text).map_err(json)?;
        match any.truth_format {
            None => {
                return Err(Error::line(
                    file,
                    1,
                    None,
                    "the key `truth_format` is missing",
                    help,
                ));
            }
            Some(version) if !version.as_u64().is_some_and(|v| (1..=VERSION).contains(&v)) => {
                return Err(Error::line(
                    file,
                    1,
                    None,
                    format!("version {version} of the truth format is not known"),
                    "this program reads versions 1 and 2: generate the scenario again",
                ));
            }
            Some(_) => {}
        }
        let raw: File = serde_json::from_str(text).map_err(json)?;
        let wrong = |what: String| Err(Error::file(file, what, help));
        let numbers = raw.valves.iter().flat_map(|v| {
            [
                ("open_delay_s", v.open_delay_s),
                ("open_rise_s", v.open_rise_s),
                ("close_delay_s", v.close_delay_s),
                ("close_fall_s", v.close_fall_s),
            ]
        });
        for (key, value) in numbers {
            if !(0.0..=1.0).contains(&value) {
                return wrong(format!(
                    "valves: `{key}` is {value}, which is outside 0 to 1"
                ));
            }
        }
        if raw.clock_start_us > crate::recording::LATEST_US {
            return wrong(format!(
                "`clock_start_us` is {}, which is too late",
                raw.clock_start_us
            ));
        }
        if !(raw.judged_m.iter().all(|x| x.abs() <= 1e9) && raw.judged_m[0] <= raw.judged_m[1]) {
            return wrong("`judged_m` is not a stretch [from, to] of ground".into());
        }
        let sane = |p: &FilePlant| {
            p.x_m.abs() <= 1e9
                && p.y_m.abs() <= 1e3
                && (0.0..=100.0).contains(&p.length_m)
                && (0.0..=100.0).contains(&p.width_m)
        };
        if let Some(i) = raw.plants.iter().position(|p| !sane(p)) {
            return wrong(format!("plant {i} has no usable place or size"));
        }
        if let Some(i) = raw
            .sights
            .iter()
            .position(|s| s.iter().any(|&p| p >= raw.plants.len()))
        {
            return wrong(format!(
                "`sights` of image {i} names a plant that is not listed"
            ));
        }
        if !raw.false_alarms.is_empty() && raw.false_alarms.len() != raw.sights.len() {
            return wrong("`false_alarms` has not one number for each image of `sights`".into());
        }
        let newer = !raw.false_alarms.is_empty()
            || raw.path.is_some()
            || raw.valve_spread.is_some()
            || raw.supply.is_some();
        if raw.truth_format < 2 && newer {
            return wrong(
                "version 1 of the truth has no `path`, `false_alarms`, `valve_spread` or `supply`"
                    .into(),
            );
        }
        if let Some(Err(e)) = raw.valve_spread.map(|v| v.solenoids().check()) {
            return wrong(e.to_string());
        }
        if let Some(Err(e)) = raw.supply.map(|s| s.spec().check()) {
            return wrong(e.to_string());
        }
        let truth = Truth {
            false_alarms: raw.false_alarms,
            path: raw.path,
            spread: raw.valve_spread,
            supply: raw.supply,
            name: raw.name,
            clock_start_us: raw.clock_start_us,
            start_speed_m_s: raw.start_speed_m_s,
            pieces: raw
                .motion
                .iter()
                .map(|p| (p.duration_s, p.acceleration_m_s2))
                .collect(),
            judged_m: (raw.judged_m[0], raw.judged_m[1]),
            valves: raw.valves.map(|v| Valves {
                open_delay_s: v.open_delay_s,
                open_rise_s: v.open_rise_s,
                close_delay_s: v.close_delay_s,
                close_fall_s: v.close_fall_s,
            }),
            plants: raw
                .plants
                .iter()
                .map(|p| Plant {
                    x: p.x_m,
                    y: p.y_m,
                    length: p.length_m,
                    width: p.width_m,
                })
                .collect(),
            sights: raw.sights,
        };
        let motion = match truth.motion() {
            Ok(motion) => motion,
            Err(e) => return wrong(format!("the motion cannot be driven: {e}")),
        };
        match truth.path.as_ref().map(|p| p.travel(motion)) {
            Some(Err(e)) => wrong(format!("the path cannot be driven: {e}")),
            _ => Ok(truth),
        }
    }

    /// The true motion; ground 0 m at time 0.
    pub fn motion(&self) -> std::result::Result<Motion, ground_truth::motion::MotionError> {
        let pieces: Vec<Piece> = self
            .pieces
            .iter()
            .map(|&(duration_s, acceleration)| Piece {
                duration_s,
                acceleration,
            })
            .collect();
        Motion::reversing(0.0, self.start_speed_m_s, &pieces)
    }

    /// Writes the truth as JSON; `path` is the name shown in messages.
    pub fn write(&self, path: &str, mut to: impl Write) -> Result<()> {
        let file = File {
            truth_format: if self.path.is_some()
                || !self.false_alarms.is_empty()
                || self.spread.is_some()
                || self.supply.is_some()
            {
                VERSION
            } else {
                1
            },
            valve_spread: self.spread,
            supply: self.supply,
            false_alarms: self.false_alarms.clone(),
            path: self.path.clone(),
            name: self.name.clone(),
            clock_start_us: self.clock_start_us,
            start_speed_m_s: self.start_speed_m_s,
            motion: self
                .pieces
                .iter()
                .map(|&(duration_s, acceleration_m_s2)| FilePiece {
                    duration_s,
                    acceleration_m_s2,
                })
                .collect(),
            judged_m: [self.judged_m.0, self.judged_m.1],
            valves: self.valves.map(|v| FileValves {
                open_delay_s: v.open_delay_s,
                open_rise_s: v.open_rise_s,
                close_delay_s: v.close_delay_s,
                close_fall_s: v.close_fall_s,
            }),
            plants: self
                .plants
                .iter()
                .map(|p| FilePlant {
                    x_m: p.x,
                    y_m: p.y,
                    length_m: p.length,
                    width_m: p.width,
                })
                .collect(),
            sights: self.sights.clone(),
        };
        serde_json::to_writer(&mut to, &file).map_err(|e| Error::write(path, e.into()))?;
        writeln!(to)
            .and_then(|()| to.flush())
            .map_err(|e| Error::write(path, e))
    }
}
