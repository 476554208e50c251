//! What a scenario tells beside a straight drive on even ground with one wheel: a path with turns,
//! how the boom hangs and sways, more sensors, cameras, and what becomes of images.
//!
//! `formats/scenario.md` is the reference of the keys. Angles on file are degrees, positive to the
//! right; in memory radians and SI units.

use serde::Deserialize;
use toml::Spanned;

use ground_truth::{Camera, ImageFaults, Leg, Path, Pose};

use crate::error::Result;
use crate::toml_read::{Number, Source};
use crate::truth::{FieldLeg, FieldPath, FieldRough, FieldWhip};
use crate::truth_valves::{TrueSpread, TrueSupply};

/// All of it; by default nothing but a straight drive.
#[derive(Debug, Clone, Default)]
pub struct World {
    /// Path and boom; `None`: straight on, with the boom on the axle. The seed of rough ground is
    /// set when it is driven.
    pub path: Option<FieldPath>,
    /// How far to the right of the middle the wheels sit, m, and the true ground per pulse of the
    /// second one over the machine file's; with `path` only.
    pub wheel_y_m: f64,
    /// The same of a second wheel.
    pub second_wheel: Option<(f64, f64)>,
    /// Slip of the wheels: one standard deviation as a share.
    pub slip: f64,
    /// By which share the rolling radius changes over the drive.
    pub radius_change: f64,
    /// A yaw-rate sensor: readings a second, noise and bias in rad/s.
    pub yaw: Option<(f64, f64, f64)>,
    /// What the cameras do beside the detectors' views and delays.
    pub camera: Camera,
    /// What becomes of images; its seed is set when it is driven.
    pub image_faults: ImageFaults,
    /// How valves stray; its seed is set when it is driven.
    pub spread: Option<TrueSpread>,
    /// Pump and lines.
    pub supply: Option<TrueSupply>,
    /// A pressure sensor at the nozzles, which reads what the supply gives.
    pub pressure: Option<PressureSensor>,
}

/// A pressure sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PressureSensor {
    /// Readings a second.
    pub rate_hz: f64,
    /// One standard deviation of a reading, kPa.
    pub noise_kpa: f64,
    /// By how much all of them are too high, kPa.
    pub offset_kpa: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawLeg {
    length_m: Option<Number>,
    turn_deg: Option<Number>,
    radius_m: Option<Number>,
    to_radius_m: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawBoom {
    behind_axle_m: Option<Number>,
    crab_deg: Option<Number>,
    height_m: Option<Number>,
    whip_m: Option<Number>,
    whip_arm_m: Option<Number>,
    whip_hz: Option<Number>,
    height_sd_m: Option<Number>,
    pitch_sd_deg: Option<Number>,
    roll_sd_deg: Option<Number>,
    shortest_wave_m: Option<Number>,
    longest_wave_m: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawSecondWheel {
    y_m: Number,
    scale: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawYaw {
    rate_hz: Option<Number>,
    noise_deg_s: Option<Number>,
    bias_deg_s: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawCamera {
    height_m: Option<Number>,
    plant_height_share: Option<Number>,
    exposure_ms: Option<Number>,
    rolling_ms: Option<Number>,
    size_half_m: Option<Number>,
    size_spread_m: Option<Number>,
    false_per_image: Option<Number>,
    false_size_m: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawImages {
    dropped_percent: Option<Number>,
    late_percent: Option<Number>,
    late_ms: Option<Number>,
    doubled_percent: Option<Number>,
    clock_offset_ms: Option<Number>,
    clock_drift_ppm: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawSpread {
    spread_ms: Option<Number>,
    jitter_ms: Option<Number>,
    first_shot_ms: Option<Number>,
    rest_s: Option<Number>,
    voltage_percent: Option<Number>,
    pressure_percent: Option<Number>,
    by_voltage: Option<Number>,
    by_pressure: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawSupply {
    nominal_kpa: Number,
    nozzle_l_min: Number,
    pump_kpa: Number,
    pump_drop_kpa: Option<Number>,
    relief_kpa: Option<Number>,
    line_drop_kpa: Option<Number>,
    lag_ms: Option<Number>,
    full_percent: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawPressure {
    rate_hz: Option<Number>,
    noise_kpa: Option<Number>,
    offset_kpa: Option<Number>,
}

/// The tables of a scenario file that this module reads.
pub(crate) struct Raw<'a> {
    pub legs: &'a [Spanned<RawLeg>],
    pub boom: Option<&'a RawBoom>,
    pub wheel_y_m: &'a Option<Number>,
    pub slip_percent: &'a Option<Number>,
    pub radius_change_percent: &'a Option<Number>,
    pub second_wheel: Option<&'a Spanned<RawSecondWheel>>,
    pub yaw: Option<&'a Spanned<RawYaw>>,
    pub camera: Option<&'a Spanned<RawCamera>>,
    pub images: Option<&'a RawImages>,
    pub spread: Option<&'a RawSpread>,
    pub supply: Option<&'a RawSupply>,
    pub pressure: Option<&'a Spanned<RawPressure>>,
}

impl World {
    /// Checks the tables.
    pub(crate) fn check(source: &Source<'_>, raw: &Raw<'_>) -> Result<World> {
        let planar = !raw.legs.is_empty() || raw.boom.is_some() || raw.camera.is_some();
        let mut path = None;
        if planar {
            path = Some(boom(source, raw.boom, legs(source, raw.legs)?)?);
        }
        let turning = |span, what: &str| {
            source.at(
                span,
                format!("{what} needs a drive over a path"),
                "add [[motion.leg]]; one straight leg will do",
            )
        };
        let wheel_y_m = source.within_or("y_m", raw.wheel_y_m, -50.0, 50.0, 0.0)?;
        if let (Some(y), None) = (raw.wheel_y_m, &path) {
            return Err(turning(y.span(), "a wheel beside the middle"));
        }
        if let (Some(second), None) = (raw.second_wheel, &path) {
            return Err(turning(second.span(), "a second wheel"));
        }
        if let (Some(yaw), None) = (raw.yaw, &path) {
            return Err(turning(yaw.span(), "a yaw-rate sensor"));
        }
        if let (Some(sensor), None) = (raw.pressure, raw.supply) {
            return Err(source.at(
                sensor.span(),
                "a pressure sensor has no supply to read",
                "add [supply], or leave [pressure_sensor] out",
            ));
        }
        let percent = |key, number: &Option<Number>, most: f64| {
            Ok(source.within_or(key, number, -most, most, 0.0)? / 100.0)
        };
        Ok(World {
            wheel_y_m,
            second_wheel: raw
                .second_wheel
                .map(|w| {
                    let w = w.get_ref();
                    Ok((
                        source.within("y_m", &w.y_m, -50.0, 50.0)?,
                        source.within_or("scale", &w.scale, 0.5, 2.0, 1.0)?,
                    ))
                })
                .transpose()?,
            slip: source.within_or("slip_percent", raw.slip_percent, 0.0, 20.0, 0.0)? / 100.0,
            radius_change: percent("radius_change_percent", raw.radius_change_percent, 20.0)?,
            yaw: raw.yaw.map(|y| yaw(source, y.get_ref())).transpose()?,
            camera: raw
                .camera
                .map_or_else(|| Ok(Camera::default()), |c| camera(source, c))?,
            image_faults: raw
                .images
                .map_or_else(|| Ok(ImageFaults::default()), |i| images(source, i))?,
            spread: raw.spread.map(|s| spread(source, s)).transpose()?,
            supply: raw.supply.map(|s| supply(source, s)).transpose()?,
            pressure: (raw.pressure)
                .map(|p| pressure(source, p.get_ref()))
                .transpose()?,
            path,
        })
    }
}

/// The legs in order; one straight leg where none is given.
fn legs(source: &Source<'_>, raw: &[Spanned<RawLeg>]) -> Result<Vec<FieldLeg>> {
    let mut legs: Vec<FieldLeg> = Vec::new();
    for (index, spanned) in raw.iter().enumerate() {
        let leg = spanned.get_ref();
        let curvature = |key, number: &Number| {
            let radius = source.within(key, number, -1.0e6, 1.0e6)?;
            if radius != 0.0 && radius.abs() < 1.0 {
                return Err(source.at(
                    number.span(),
                    format!("`{key}` is {radius} m, which no machine turns on"),
                    "give 1 m or more, negative to the left, or 0 for straight on",
                ));
            }
            Ok(if radius == 0.0 { 0.0 } else { 1.0 / radius })
        };
        let before = legs.last().map_or(0.0, |l| l.to_per_m);
        let (from_per_m, to_per_m) = match (&leg.radius_m, &leg.to_radius_m) {
            (Some(_), Some(to)) => {
                return Err(source.at(
                    to.span(),
                    "a leg has both radius_m and to_radius_m",
                    "keep radius_m for an arc, or to_radius_m for a leg that eases into one",
                ));
            }
            (Some(radius), None) => {
                let k = curvature("radius_m", radius)?;
                (k, k)
            }
            (None, Some(to)) => (before, curvature("to_radius_m", to)?),
            (None, None) => (0.0, 0.0),
        };
        let mean = 0.5 * (from_per_m + to_per_m);
        let length_m = match (&leg.length_m, &leg.turn_deg) {
            (Some(length), None) => source.within("length_m", length, 0.01, 1.0e6)?,
            (None, Some(turn)) => {
                let turn = source
                    .within("turn_deg", turn, 0.01, 36_000.0)?
                    .to_radians();
                if mean == 0.0 {
                    return Err(source.at(
                        spanned.span(),
                        "a straight leg turns by no angle",
                        "give its length_m",
                    ));
                }
                turn / mean.abs()
            }
            _ => {
                return Err(source.at(
                    spanned.span(),
                    "a leg needs one of length_m and turn_deg",
                    "give length_m in metres, or turn_deg for an arc",
                ));
            }
        };
        legs.push(FieldLeg {
            length_m,
            from_per_m,
            to_per_m,
        });
        let all: Vec<Leg> = legs
            .iter()
            .map(|l| Leg {
                length_m: l.length_m,
                curvature_from: l.from_per_m,
                curvature_to: l.to_per_m,
            })
            .collect();
        // One by one, so that the message stands at the leg: a jump above all.
        if let Err(e) = Path::new(Pose::default(), &all[index.saturating_sub(1)..]) {
            return Err(source.at(
                spanned.span(),
                e.to_string().replacen("at leg 1", "at this leg", 1),
                "ease into an arc and out of it with a leg that has to_radius_m",
            ));
        }
    }
    if legs.is_empty() {
        legs.push(FieldLeg {
            length_m: 1.0,
            from_per_m: 0.0,
            to_per_m: 0.0,
        });
    }
    Ok(legs)
}

fn boom(source: &Source<'_>, raw: Option<&RawBoom>, legs: Vec<FieldLeg>) -> Result<FieldPath> {
    let mut path = FieldPath {
        legs,
        behind_axle_m: 0.0,
        crab_rad: 0.0,
        height_m: 0.5,
        whip: None,
        rough: None,
    };
    let Some(raw) = raw else {
        return Ok(path);
    };
    let number =
        |key, n: &Option<Number>, low, high, default| source.within_or(key, n, low, high, default);
    path.behind_axle_m = number("behind_axle_m", &raw.behind_axle_m, -50.0, 50.0, 0.0)?;
    path.crab_rad = number("crab_deg", &raw.crab_deg, -25.0, 25.0, 0.0)?.to_radians();
    path.height_m = number("height_m", &raw.height_m, 0.05, 10.0, 0.5)?;
    let amplitude_m = number("whip_m", &raw.whip_m, 0.0, 1.0, 0.0)?;
    let whip = FieldWhip {
        amplitude_m,
        arm_m: number("whip_arm_m", &raw.whip_arm_m, 0.1, 100.0, 12.0)?,
        frequency_hz: number("whip_hz", &raw.whip_hz, 0.01, 50.0, 0.7)?,
        phase_rad: 0.0,
    };
    path.whip = (amplitude_m > 0.0).then_some(whip);
    let rough = FieldRough {
        height_sd_m: number("height_sd_m", &raw.height_sd_m, 0.0, 1.0, 0.0)?,
        pitch_sd_rad: number("pitch_sd_deg", &raw.pitch_sd_deg, 0.0, 10.0, 0.0)?.to_radians(),
        roll_sd_rad: number("roll_sd_deg", &raw.roll_sd_deg, 0.0, 10.0, 0.0)?.to_radians(),
        shortest_m: number("shortest_wave_m", &raw.shortest_wave_m, 0.1, 1000.0, 1.5)?,
        longest_m: number("longest_wave_m", &raw.longest_wave_m, 0.2, 10_000.0, 30.0)?,
        seed: 0,
    };
    if let (Some(longest), true) = (
        &raw.longest_wave_m,
        rough.longest_m <= 1.01 * rough.shortest_m,
    ) {
        return Err(source.at(
            longest.span(),
            "the longest wave is no longer than the shortest",
            "give longest_wave_m above shortest_wave_m",
        ));
    }
    let moved = rough.height_sd_m + rough.pitch_sd_rad + rough.roll_sd_rad > 0.0;
    path.rough = moved.then_some(rough);
    Ok(path)
}

fn yaw(source: &Source<'_>, raw: &RawYaw) -> Result<(f64, f64, f64)> {
    Ok((
        source.within_or("rate_hz", &raw.rate_hz, 0.1, 1000.0, 50.0)?,
        source
            .within_or("noise_deg_s", &raw.noise_deg_s, 0.0, 50.0, 0.0)?
            .to_radians(),
        source
            .within_or("bias_deg_s", &raw.bias_deg_s, -50.0, 50.0, 0.0)?
            .to_radians(),
    ))
}

fn pressure(source: &Source<'_>, raw: &RawPressure) -> Result<PressureSensor> {
    Ok(PressureSensor {
        rate_hz: source.within_or("rate_hz", &raw.rate_hz, 0.1, 100.0, 10.0)?,
        noise_kpa: source.within_or("noise_kpa", &raw.noise_kpa, 0.0, 500.0, 0.0)?,
        offset_kpa: source.within_or("offset_kpa", &raw.offset_kpa, -500.0, 500.0, 0.0)?,
    })
}

fn camera(source: &Source<'_>, spanned: &Spanned<RawCamera>) -> Result<Camera> {
    let raw = spanned.get_ref();
    let number =
        |key, n: &Option<Number>, low, high, default| source.within_or(key, n, low, high, default);
    let camera = Camera {
        height_m: number("height_m", &raw.height_m, 0.1, 20.0, 1.0)?,
        plant_height: number("plant_height_share", &raw.plant_height_share, 0.0, 2.0, 0.0)?,
        exposure_s: number("exposure_ms", &raw.exposure_ms, 0.0, 100.0, 0.0)? * 1e-3,
        rolling_s: number("rolling_ms", &raw.rolling_ms, 0.0, 200.0, 0.0)? * 1e-3,
        size_half_m: number("size_half_m", &raw.size_half_m, 0.0, 1.0, 0.0)?,
        size_spread_m: number("size_spread_m", &raw.size_spread_m, 0.0, 1.0, 0.0)?,
        false_per_image: number("false_per_image", &raw.false_per_image, 0.0, 1000.0, 0.0)?,
        false_size_m: number("false_size_m", &raw.false_size_m, 0.0, 1.0, 0.03)?,
    };
    camera
        .check()
        .map_err(|e| source.at(spanned.span(), e.to_string(), "change that key of [camera]"))?;
    Ok(camera)
}

fn images(source: &Source<'_>, raw: &RawImages) -> Result<ImageFaults> {
    let share = |key, n: &Option<Number>| Ok(source.within_or(key, n, 0.0, 100.0, 0.0)? / 100.0);
    let scaled = |key, n: &Option<Number>, low, high, unit: f64| {
        Ok(source.within_or(key, n, low, high, 0.0)? * unit)
    };
    Ok(ImageFaults {
        dropped: share("dropped_percent", &raw.dropped_percent)?,
        late: share("late_percent", &raw.late_percent)?,
        late_s: scaled("late_ms", &raw.late_ms, 0.0, 60_000.0, 1e-3)?,
        doubled: share("doubled_percent", &raw.doubled_percent)?,
        clock_offset_s: scaled(
            "clock_offset_ms",
            &raw.clock_offset_ms,
            -1000.0,
            1000.0,
            1e-3,
        )?,
        clock_drift: scaled(
            "clock_drift_ppm",
            &raw.clock_drift_ppm,
            -10_000.0,
            10_000.0,
            1e-6,
        )?,
        seed: 0,
    })
}

fn spread(source: &Source<'_>, raw: &RawSpread) -> Result<TrueSpread> {
    let number =
        |key, n: &Option<Number>, low, high, default| source.within_or(key, n, low, high, default);
    Ok(TrueSpread {
        spread_s: number("spread_ms", &raw.spread_ms, 0.0, 50.0, 0.0)? * 1e-3,
        jitter_s: number("jitter_ms", &raw.jitter_ms, 0.0, 50.0, 0.0)? * 1e-3,
        first_shot_s: number("first_shot_ms", &raw.first_shot_ms, 0.0, 200.0, 0.0)? * 1e-3,
        rest_s: number("rest_s", &raw.rest_s, 0.0, 1.0e6, 10.0)?,
        volts: number("voltage_percent", &raw.voltage_percent, 50.0, 150.0, 100.0)? / 100.0,
        pressure: number(
            "pressure_percent",
            &raw.pressure_percent,
            10.0,
            300.0,
            100.0,
        )? / 100.0,
        by_volts: number("by_voltage", &raw.by_voltage, 0.0, 3.0, 0.0)?,
        by_pressure: number("by_pressure", &raw.by_pressure, 0.0, 3.0, 0.0)?,
        seed: 0,
    })
}

fn supply(source: &Source<'_>, raw: &RawSupply) -> Result<TrueSupply> {
    let number =
        |key, n: &Option<Number>, low, high, default| source.within_or(key, n, low, high, default);
    let pump_kpa = source.within("pump_kpa", &raw.pump_kpa, 10.0, 2000.0)?;
    Ok(TrueSupply {
        nominal_kpa: source.within("nominal_kpa", &raw.nominal_kpa, 10.0, 2000.0)?,
        nozzle_l_min: source.within("nozzle_l_min", &raw.nozzle_l_min, 0.001, 100.0)?,
        pump_kpa,
        pump_drop: number("pump_drop_kpa", &raw.pump_drop_kpa, 0.0, 10.0, 0.0)?,
        relief_kpa: number("relief_kpa", &raw.relief_kpa, 10.0, 2000.0, pump_kpa)?,
        line_drop: number("line_drop_kpa", &raw.line_drop_kpa, 0.0, 100.0, 0.0)?,
        lag_s: number("lag_ms", &raw.lag_ms, 0.0, 10_000.0, 0.0)? * 1e-3,
        full_share: number("full_percent", &raw.full_percent, 1.0, 100.0, 95.0)? / 100.0,
    })
}
