//! The scenario file: what the simulated machine drives over, and how.
//!
//! `formats/scenario.md` is the reference of the keys. The checked [`Scenario`] is in SI units.

use serde::Deserialize;
use toml::Spanned;

use ground_truth::clusters::Clusters;
use ground_truth::motion::Piece;

use crate::error::Result;
use crate::machine::Valves;
use crate::machine_file::RawValves;
use crate::profile;
use crate::scenario_world::{self, World};
use crate::scripted::{self, RawOrder, ScriptedOrder};
use crate::toml_read::{Number, Source};

/// A checked scenario, in SI units.
#[derive(Debug, Clone)]
pub struct Scenario {
    /// What the user calls it.
    pub name: String,
    /// Seed of everything random.
    pub seed: u64,
    /// Path of the machine file, relative to the scenario file.
    pub machine: String,
    /// Reading of the controller's clock when the drive begins, µs.
    pub clock_start_us: u64,
    /// Speed at the start, m/s.
    pub start_speed_m_s: f64,
    /// Constant-acceleration pieces of the drive.
    pub pieces: Vec<Piece>,
    /// Where plants stand.
    pub plants: Plants,
    /// The real wheel.
    pub wheel: WheelTruth,
    /// The real detectors, all alike.
    pub detector: DetectorTruth,
    /// The real valves, where they differ from the machine file.
    pub valves: Option<Valves>,
    /// What the operator orders on the way.
    pub orders: Vec<ScriptedOrder>,
    /// Turns, sway, more sensors, cameras, and what becomes of images.
    pub world: World,
}

/// Plants, strewn or listed.
#[derive(Debug, Clone)]
pub enum Plants {
    /// Strewn at random over a stretch; across, over the lanes of the boom.
    Field(Field),
    /// Listed one by one.
    Listed(Vec<ListedPlant>),
}

/// Plants strewn at random.
#[derive(Debug, Clone, Copy)]
pub struct Field {
    /// Plants per m².
    pub density_per_m2: f64,
    /// In patches, as weeds stand; `None`: evenly.
    pub clusters: Option<Clusters>,
    /// Start of the stretch, m of ground; `None`: where the detectors first see.
    pub from_m: Option<f64>,
    /// End of the stretch, m of ground; `None`: the last that the boom passes whole.
    pub to_m: Option<f64>,
    /// Sides of the field, m to the right of where the middle starts; `None`: the lanes of the
    /// boom, or all that it sweeps where it turns.
    pub left_m: Option<f64>,
    /// The same on the right.
    pub right_m: Option<f64>,
    /// Mean plant size, m; along and across are drawn apart.
    pub size_mean_m: f64,
    /// Standard deviation of the size, m.
    pub size_sd_m: f64,
    /// Smallest size, m.
    pub size_min_m: f64,
    /// Largest size, m.
    pub size_max_m: f64,
}

/// One listed plant: centre on the ground and size, m.
#[derive(Debug, Clone, Copy)]
pub struct ListedPlant {
    /// Along travel from where the boom reference point starts.
    pub x_m: f64,
    /// To the right of the boom reference point.
    pub y_m: f64,
    /// Along travel.
    pub length_m: f64,
    /// Across travel.
    pub width_m: f64,
}

/// How the real wheel differs from an ideal one.
#[derive(Debug, Clone, Copy)]
pub struct WheelTruth {
    /// Slots of one turn; the unevenness repeats with them.
    pub slots: u32,
    /// One standard deviation of a slot's place, as a fraction of a pulse.
    pub unevenness: f64,
    /// Jitter of the time stamp, s.
    pub stamp_jitter_s: f64,
    /// True ground per pulse over the machine file's.
    pub scale: f64,
}

/// How the real detectors behave.
#[derive(Debug, Clone, Copy)]
pub struct DetectorTruth {
    /// Images per second.
    pub frame_rate_hz: f64,
    /// Mean delay from capture to arrival, s.
    pub delay_mean_s: f64,
    /// Standard deviation of that delay, s.
    pub delay_sd_s: f64,
    /// Each plant is reported in one image only.
    pub once: bool,
    /// Each plant is reported with an id, the same in every image.
    pub ids: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    #[serde(rename = "scenario_format")]
    _scenario_format: i64,
    name: String,
    seed: Spanned<i64>,
    machine: String,
    clock_start_us: Option<Spanned<i64>>,
    motion: Spanned<RawMotion>,
    field: Option<Spanned<RawField>>,
    #[serde(default)]
    plant: Vec<RawPlant>,
    wheel: RawWheel,
    detector: RawDetector,
    valves: Option<RawValves>,
    #[serde(default)]
    order: Vec<Spanned<RawOrder>>,
    boom: Option<scenario_world::RawBoom>,
    second_wheel: Option<Spanned<scenario_world::RawSecondWheel>>,
    yaw_sensor: Option<Spanned<scenario_world::RawYaw>>,
    camera: Option<Spanned<scenario_world::RawCamera>>,
    images: Option<scenario_world::RawImages>,
    valve_spread: Option<scenario_world::RawSpread>,
    supply: Option<scenario_world::RawSupply>,
    pressure_sensor: Option<Spanned<scenario_world::RawPressure>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawMotion {
    profile: Option<Spanned<String>>,
    start_speed_m_s: Option<Number>,
    #[serde(default)]
    reverse: bool,
    #[serde(default)]
    piece: Vec<RawPiece>,
    #[serde(default)]
    leg: Vec<Spanned<scenario_world::RawLeg>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPiece {
    duration_s: Number,
    acceleration_m_s2: Number,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawField {
    density_per_m2: Number,
    cluster_square_m: Option<Number>,
    cluster_shape: Option<Number>,
    from_m: Option<Number>,
    to_m: Option<Number>,
    left_m: Option<Number>,
    right_m: Option<Number>,
    size_mean_m: Number,
    size_sd_m: Number,
    size_min_m: Number,
    size_max_m: Number,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPlant {
    x_m: Number,
    y_m: Number,
    length_m: Number,
    width_m: Number,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawWheel {
    slots: Spanned<i64>,
    unevenness_percent: Number,
    stamp_jitter_us: Number,
    scale: Option<Number>,
    y_m: Option<Number>,
    slip_percent: Option<Number>,
    radius_change_percent: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDetector {
    frame_rate_hz: Number,
    delay_mean_ms: Number,
    delay_sd_ms: Number,
    once: Option<bool>,
    ids: Option<bool>,
}

/// Longest drive of one scenario, s: a long working day.
const LONGEST_S: f64 = 86_400.0;
/// Longest ground of one scenario, m.
const FARTHEST_M: f64 = 1_000_000.0;

impl Scenario {
    /// Reads and checks the text of a scenario file; `file` is the name shown in messages.
    pub fn parse(file: &str, text: &str) -> Result<Scenario> {
        let source = Source { file, text };
        let raw: Raw = source.parse("scenario")?;
        let (start_speed_m_s, pieces) = motion(&source, &raw.motion)?;
        let world = World::check(
            &source,
            &scenario_world::Raw {
                legs: &raw.motion.get_ref().leg,
                boom: raw.boom.as_ref(),
                wheel_y_m: &raw.wheel.y_m,
                slip_percent: &raw.wheel.slip_percent,
                radius_change_percent: &raw.wheel.radius_change_percent,
                second_wheel: raw.second_wheel.as_ref(),
                yaw: raw.yaw_sensor.as_ref(),
                camera: raw.camera.as_ref(),
                images: raw.images.as_ref(),
                spread: raw.valve_spread.as_ref(),
                supply: raw.supply.as_ref(),
                pressure: raw.pressure_sensor.as_ref(),
            },
        )?;
        Ok(Scenario {
            world,
            seed: source.whole("seed", &raw.seed, 0u64, i64::MAX as u64)?,
            clock_start_us: raw.clock_start_us.as_ref().map_or(Ok(0), |n| {
                source.whole("clock_start_us", n, 0u64, crate::recording::LATEST_US / 2)
            })?,
            start_speed_m_s,
            pieces,
            plants: plants(&source, &raw)?,
            wheel: WheelTruth {
                slots: source.whole("slots", &raw.wheel.slots, 1u32, 10_000)?,
                unevenness: source.within(
                    "unevenness_percent",
                    &raw.wheel.unevenness_percent,
                    0.0,
                    20.0,
                )? / 100.0,
                stamp_jitter_s: source.within(
                    "stamp_jitter_us",
                    &raw.wheel.stamp_jitter_us,
                    0.0,
                    10_000.0,
                )? * 1e-6,
                scale: source.within_or("scale", &raw.wheel.scale, 0.5, 2.0, 1.0)?,
            },
            detector: DetectorTruth {
                frame_rate_hz: source.within(
                    "frame_rate_hz",
                    &raw.detector.frame_rate_hz,
                    0.1,
                    1000.0,
                )?,
                delay_mean_s: source.within(
                    "delay_mean_ms",
                    &raw.detector.delay_mean_ms,
                    0.0,
                    10_000.0,
                )? * 1e-3,
                delay_sd_s: source.within(
                    "delay_sd_ms",
                    &raw.detector.delay_sd_ms,
                    0.0,
                    10_000.0,
                )? * 1e-3,
                once: raw.detector.once.unwrap_or(true),
                ids: raw.detector.ids.unwrap_or(false),
            },
            orders: raw
                .order
                .iter()
                .map(|order| scripted::order(&source, order))
                .collect::<Result<_>>()?,
            valves: raw.valves.as_ref().map(|v| v.check(&source)).transpose()?,
            name: raw.name,
            machine: raw.machine,
        })
    }
}

fn motion(source: &Source<'_>, raw: &Spanned<RawMotion>) -> Result<(f64, Vec<Piece>)> {
    let motion = raw.get_ref();
    if let Some(name) = &motion.profile {
        if !motion.piece.is_empty() || motion.start_speed_m_s.is_some() {
            return Err(source.at(
                name.span(),
                "a named profile and own pieces are both given",
                "keep `profile`, or start_speed_m_s with [[motion.piece]]",
            ));
        }
        let pieces = profile::named(name.get_ref()).ok_or_else(|| {
            source.at(
                name.span(),
                format!("the speed profile `{}` is not known", name.get_ref()),
                format!("known profiles: {}", profile::NAMES.join(", ")),
            )
        })?;
        return Ok((0.0, pieces));
    }
    let start = source.within_or("start_speed_m_s", &motion.start_speed_m_s, 0.0, 50.0, 0.0)?;
    let mut speed = start;
    let slowest = if motion.reverse { -50.0 } else { 0.0 };
    let mut total = 0.0;
    let mut pieces = Vec::with_capacity(motion.piece.len());
    for piece in &motion.piece {
        let duration_s = source.within("duration_s", &piece.duration_s, 0.001, LONGEST_S)?;
        let acceleration =
            source.within("acceleration_m_s2", &piece.acceleration_m_s2, -50.0, 50.0)?;
        speed += duration_s * acceleration;
        total += duration_s;
        if !(slowest - 1e-9..=50.0 + 1e-9).contains(&speed) {
            return Err(source.at(
                piece.acceleration_m_s2.span(),
                format!("this piece ends at {speed:.3} m/s, which is outside {slowest} to 50"),
                "shorten the piece or change its acceleration; `reverse = true` allows going back",
            ));
        }
        if total > LONGEST_S {
            return Err(source.at(
                piece.duration_s.span(),
                format!("the drive lasts longer than {LONGEST_S} s"),
                "shorten the pieces",
            ));
        }
        pieces.push(Piece {
            duration_s,
            acceleration,
        });
    }
    if pieces.is_empty() {
        return Err(source.at(
            raw.span(),
            "the drive has no pieces",
            "name a `profile`, or add [[motion.piece]] with duration_s and acceleration_m_s2",
        ));
    }
    Ok((start, pieces))
}

fn plants(source: &Source<'_>, raw: &Raw) -> Result<Plants> {
    match (&raw.field, raw.plant.is_empty()) {
        (Some(field), true) => {
            let span = field.span();
            let f = field.get_ref();
            let ground = |key, number: &Option<Number>| {
                number
                    .as_ref()
                    .map(|n| source.within(key, n, 0.0, FARTHEST_M))
                    .transpose()
            };
            let side = |key, number: &Option<Number>| {
                number
                    .as_ref()
                    .map(|n| source.within(key, n, -FARTHEST_M, FARTHEST_M))
                    .transpose()
            };
            let ground = |key, number: &Option<Number>| {
                if raw.motion.get_ref().leg.is_empty() {
                    ground(key, number)
                } else {
                    side(key, number)
                }
            };
            let clusters = match (&f.cluster_square_m, &f.cluster_shape) {
                (None, None) => None,
                (Some(square), Some(shape)) => Some(Clusters {
                    square_m: source.within("cluster_square_m", square, 0.05, 1000.0)?,
                    k: source.within("cluster_shape", shape, 0.01, 1000.0)?,
                }),
                (one, other) => {
                    return Err(source.at(
                        (one.as_ref().or(other.as_ref())).map_or(0..0, Spanned::span),
                        "cluster_square_m and cluster_shape go together",
                        "give both, or none for plants that are strewn evenly",
                    ));
                }
            };
            let field = Field {
                clusters,
                left_m: side("left_m", &f.left_m)?,
                right_m: side("right_m", &f.right_m)?,
                density_per_m2: source.within("density_per_m2", &f.density_per_m2, 0.0, 1000.0)?,
                from_m: ground("from_m", &f.from_m)?,
                to_m: ground("to_m", &f.to_m)?,
                size_mean_m: source.within("size_mean_m", &f.size_mean_m, 0.001, 5.0)?,
                size_sd_m: source.within("size_sd_m", &f.size_sd_m, 0.0, 5.0)?,
                size_min_m: source.within("size_min_m", &f.size_min_m, 0.001, 5.0)?,
                size_max_m: source.within("size_max_m", &f.size_max_m, 0.001, 5.0)?,
            };
            if field.size_min_m > field.size_mean_m || field.size_mean_m > field.size_max_m {
                return Err(source.at(
                    span.clone(),
                    "the sizes are not in order",
                    "give size_min_m <= size_mean_m <= size_max_m",
                ));
            }
            if let (Some(from), Some(to)) = (field.from_m, field.to_m)
                && to <= from
            {
                return Err(source.at(
                    span.clone(),
                    "the field ends before it starts",
                    "give to_m > from_m",
                ));
            }
            if let (Some(left), Some(right)) = (field.left_m, field.right_m)
                && right <= left
            {
                return Err(source.at(
                    span,
                    "the field's left side lies to the right of its right side",
                    "give right_m > left_m",
                ));
            }
            Ok(Plants::Field(field))
        }
        (Some(field), false) => Err(source.at(
            field.span(),
            "both [field] and [[plant]] are given",
            "keep [field] for plants at random, or list every [[plant]]",
        )),
        (None, true) => Err(source.at(
            0..0,
            "the scenario has no plants",
            "add [field], or [[plant]] with x_m, y_m, length_m and width_m",
        )),
        (None, false) => raw
            .plant
            .iter()
            .map(|p| {
                // Over a path a plant may stand anywhere.
                let (back, aside) = if raw.motion.get_ref().leg.is_empty() {
                    (0.0, 100.0)
                } else {
                    (-FARTHEST_M, FARTHEST_M)
                };
                Ok(ListedPlant {
                    x_m: source.within("x_m", &p.x_m, back, FARTHEST_M)?,
                    y_m: source.within("y_m", &p.y_m, -aside, aside)?,
                    length_m: source.within("length_m", &p.length_m, 0.001, 5.0)?,
                    width_m: source.within("width_m", &p.width_m, 0.001, 5.0)?,
                })
            })
            .collect::<Result<Vec<_>>>()
            .map(Plants::Listed),
    }
}
