//! The error budget: a small file, every key of which may be left out.
//!
//! `formats/buffers.md` is the reference of the keys.

use serde::{Deserialize, Serialize};

use crate::error::Result;
use crate::toml_read::{Number, Source};

/// Errors of a machine, each one standard deviation unless it says otherwise, in the unit of its
/// key: as given, or what is taken where it was left out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub struct Errors {
    /// How far the delays told are from those of the valves, opening and closing apart.
    pub valve_delay_ms: f64,
    /// How far one valve is from the others, opening and closing alike.
    pub valve_spread_ms: f64,
    /// How far one movement is from the next.
    pub valve_jitter_ms: f64,
    /// How far the throw told is from the real one.
    pub throw_ms: f64,
    /// The same of the fan's thickness.
    pub fan_thickness_mm: f64,
    /// How far one fan's thickness is from the others'.
    pub fan_spread_mm: f64,
    /// How far the capture times of a drive are off.
    pub capture_time_ms: f64,
    /// How far one capture time is from the others.
    pub capture_jitter_ms: f64,
    /// How far off along travel the mount of the camera was measured.
    pub camera_place_mm: f64,
    /// How far off its pitch was measured.
    pub camera_pitch_deg: f64,
    /// How far the middle of a plant is told off along travel.
    pub detection_place_mm: f64,
    /// How far each end of a plant is told off by itself.
    pub detection_edge_mm: f64,
    /// How far the pulse length told is off.
    pub wheel_scale_percent: f64,
    /// Slip that comes and goes.
    pub wheel_slip_percent: f64,
    /// How far marks of the wheel sit off their even places, of a pulse.
    pub wheel_unevenness_percent: f64,
    /// The machine speeds up and slows down by so much in turn.
    pub acceleration_m_s2: f64,
    /// How far the ends of the boom swing to each side along travel.
    pub boom_whip_mm: f64,
    /// How far the height varies on rough ground.
    pub boom_height_mm: f64,
    /// How far the pitch does.
    pub boom_pitch_deg: f64,
    /// The machine turns to and fro on circles of this radius, m; 0: it goes straight.
    pub turn_radius_m: f64,
    /// Of a reading of the yaw-rate sensor, where it turns.
    pub yaw_noise_deg_s: f64,
    /// What is left of that sensor's offset.
    pub yaw_offset_deg_s: f64,
    /// Height of the cameras, m.
    pub camera_height_m: f64,
}

/// Plants of the field that is reckoned with.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Field {
    /// Plants on the ground, 1/m².
    pub density_per_m2: f64,
    /// Their size.
    pub size_mean_m: f64,
    /// One standard deviation.
    pub size_sd_m: f64,
    /// The smallest.
    pub size_min_m: f64,
    /// The largest.
    pub size_max_m: f64,
    /// Shape of the densities of patches; none where plants stand at random.
    pub patchiness_k: Option<f64>,
    /// Side of the squares that are of one density, where there are patches.
    pub patchiness_square_m: f64,
}

/// What a file says; what it leaves out is filled in.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Budget {
    /// The errors.
    pub errors: Errors,
    /// Whether the file tells of the wheel's unevenness.
    pub tells_unevenness: bool,
    /// The field, if the file tells of one.
    pub field: Option<Field>,
    /// The slowest and fastest speed, if the file tells, m/s.
    pub speeds: Option<(f64, f64)>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    #[serde(rename = "buffers_format")]
    _format: i64,
    speeds: Option<RawSpeeds>,
    field: Option<RawField>,
    #[serde(default)]
    errors: RawErrors,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSpeeds {
    slow_m_s: Number,
    fast_m_s: Number,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawField {
    density_per_m2: Option<Number>,
    size_mean_m: Option<Number>,
    size_sd_m: Option<Number>,
    size_min_m: Option<Number>,
    size_max_m: Option<Number>,
    patchiness_k: Option<Number>,
    patchiness_square_m: Option<Number>,
}

/// Every key of the errors once: its name, its range and what stands for it where it is left out.
macro_rules! errors {
    ($($key:ident: $low:literal, $high:literal, $usual:literal;)*) => {
        #[derive(Default, Deserialize)]
        #[serde(deny_unknown_fields)]
        struct RawErrors {
            $($key: Option<Number>,)*
        }

        impl Default for Errors {
            fn default() -> Self {
                Self { $($key: $usual,)* }
            }
        }

        impl RawErrors {
            fn check(&self, source: &Source<'_>) -> Result<Errors> {
                Ok(Errors {
                    $($key: source.within_or(stringify!($key), &self.$key, $low, $high, $usual)?,)*
                })
            }
        }

        impl Errors {
            /// Every key with its value, in the order of the format page.
            pub fn list(&self) -> Vec<(&'static str, f64)> {
                vec![$((stringify!($key), self.$key),)*]
            }

            /// The number of a key, to change it.
            pub fn get_mut(&mut self, key: &str) -> Option<&mut f64> {
                match key {
                    $(stringify!($key) => Some(&mut self.$key),)*
                    _ => None,
                }
            }
        }
    };
}

errors! {
    valve_delay_ms: 0.0, 50.0, 1.0;
    valve_spread_ms: 0.0, 50.0, 1.0;
    valve_jitter_ms: 0.0, 50.0, 0.5;
    throw_ms: 0.0, 50.0, 2.0;
    fan_thickness_mm: 0.0, 200.0, 5.0;
    fan_spread_mm: 0.0, 200.0, 3.0;
    capture_time_ms: 0.0, 200.0, 2.0;
    capture_jitter_ms: 0.0, 50.0, 1.0;
    camera_place_mm: 0.0, 500.0, 5.0;
    camera_pitch_deg: 0.0, 5.0, 0.2;
    detection_place_mm: 0.0, 500.0, 5.0;
    detection_edge_mm: 0.0, 500.0, 4.0;
    wheel_scale_percent: 0.0, 10.0, 0.3;
    wheel_slip_percent: 0.0, 20.0, 0.5;
    wheel_unevenness_percent: 0.0, 20.0, 1.0;
    acceleration_m_s2: 0.0, 5.0, 0.3;
    boom_whip_mm: 0.0, 1000.0, 10.0;
    boom_height_mm: 0.0, 500.0, 10.0;
    boom_pitch_deg: 0.0, 5.0, 0.2;
    turn_radius_m: 0.0, 1000.0, 0.0;
    yaw_noise_deg_s: 0.0, 10.0, 0.2;
    yaw_offset_deg_s: 0.0, 5.0, 0.02;
    camera_height_m: 0.1, 20.0, 1.0;
}

impl Default for Field {
    fn default() -> Self {
        Self {
            density_per_m2: 0.2,
            size_mean_m: 0.06,
            size_sd_m: 0.02,
            size_min_m: 0.03,
            size_max_m: 0.1,
            patchiness_k: None,
            patchiness_square_m: 5.0,
        }
    }
}

impl Budget {
    /// Reads and checks the text of a budget file; `file` is the name shown in messages.
    pub fn parse(file: &str, text: &str) -> Result<Budget> {
        let source = Source { file, text };
        let raw: Raw = source.parse("buffers")?;
        let speeds = match &raw.speeds {
            None => None,
            Some(s) => {
                let slow = source.within("slow_m_s", &s.slow_m_s, 0.1, 50.0)?;
                let fast = source.within("fast_m_s", &s.fast_m_s, 0.1, 50.0)?;
                if fast <= slow {
                    return Err(source.at(
                        s.fast_m_s.span(),
                        "the fast speed is no faster than the slow one",
                        "give fast_m_s above slow_m_s",
                    ));
                }
                Some((slow, fast))
            }
        };
        let mut field = None;
        if let Some(f) = &raw.field {
            let usual = Field::default();
            let size = |key, number, usual| source.within_or(key, number, 0.001, 5.0, usual);
            let k = f.patchiness_k.as_ref();
            let k = k.map(|n| source.within("patchiness_k", n, 0.01, 1000.0));
            let new = Field {
                density_per_m2: source.within_or(
                    "density_per_m2",
                    &f.density_per_m2,
                    0.001,
                    1000.0,
                    usual.density_per_m2,
                )?,
                size_mean_m: size("size_mean_m", &f.size_mean_m, usual.size_mean_m)?,
                size_sd_m: source.within_or(
                    "size_sd_m",
                    &f.size_sd_m,
                    0.0,
                    5.0,
                    usual.size_sd_m,
                )?,
                size_min_m: size("size_min_m", &f.size_min_m, usual.size_min_m)?,
                size_max_m: size("size_max_m", &f.size_max_m, usual.size_max_m)?,
                patchiness_k: k.transpose()?,
                patchiness_square_m: source.within_or(
                    "patchiness_square_m",
                    &f.patchiness_square_m,
                    0.5,
                    1000.0,
                    usual.patchiness_square_m,
                )?,
            };
            if new.size_min_m > new.size_mean_m || new.size_mean_m > new.size_max_m {
                let wrong = [&f.size_mean_m, &f.size_min_m, &f.size_max_m];
                let span = wrong.into_iter().flatten().map(|n| n.span()).next();
                return Err(source.at(
                    span.unwrap_or(0..0),
                    "the sizes are not in order",
                    "give size_min_m <= size_mean_m <= size_max_m",
                ));
            }
            field = Some(new);
        }
        Ok(Budget {
            errors: raw.errors.check(&source)?,
            tells_unevenness: raw.errors.wheel_unevenness_percent.is_some(),
            field,
            speeds,
        })
    }
}
