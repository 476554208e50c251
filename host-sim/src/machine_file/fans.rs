//! The `[nozzles]` table of `machine.toml`: lanes, fans, and nozzles that are faulty.
//!
//! There are three forms. `lane_width_m` alone: each nozzle serves its lane. With
//! `reach_width_m`: one nozzle alone gives its full dose as far as it reaches, over its neighbours'
//! lanes too, so a plant gets the fewest nozzles whose reaches cover it. With `fan_angle_deg` and
//! `height_m`: the pattern on the ground follows, and a plant gets the fewest nozzles whose summed
//! patterns give it its share of the broadcast dose.

use toml::Spanned;

use super::{Raw, RawNozzles};
use crate::error::Result;
use crate::machine::Fan;
use crate::toml_read::{Number, Source};

/// Share of the broadcast dose that a plant must get if the file does not say.
const USUAL_SHARE: f64 = 0.9;
/// Widest pattern to each side that the controller takes, m.
const WIDEST_M: f64 = 10.0;

/// What the table says of the fans.
pub(super) struct Fans {
    pub lane_width_m: f64,
    pub thickness_m: f64,
    pub fan: Option<Fan>,
    /// Tangent of the twist.
    pub twist: f64,
    /// How far ahead of the nozzle the middle of its spray lands at standstill, m.
    pub ahead_m: f64,
    /// Half of the distance between a twin fan's footprints, m.
    pub twin_m: f64,
    /// Height and angles where the file tells them, for what is worked out from them.
    pub angles: Option<Angles>,
}

/// A fan's height and angles.
#[derive(Clone, Copy)]
pub(super) struct Angles {
    pub height_m: f64,
    /// Across travel; none where only reaches or lanes are told.
    pub fan_deg: Option<f64>,
    /// Of one fan along travel.
    pub thickness_deg: f64,
    pub tilt_deg: f64,
    pub twin_deg: f64,
}

/// Steepest that any edge of a fan may leave the nozzle along travel, degrees.
const STEEPEST_DEG: f64 = 75.0;

/// Half of what an angle at a height covers of the ground, m.
fn half_on_ground(angle_deg: f64, height_m: f64) -> f64 {
    height_m * (angle_deg / 2.0).to_radians().tan()
}

pub(super) fn read(source: &Source<'_>, raw: &Raw) -> Result<Fans> {
    let table = raw.nozzles.get_ref();
    let height_m = match &table.height_m {
        Some(height) => Some(source.within("height_m", height, 0.05, 3.0)?),
        None => None,
    };
    let lane_width_m = match (&table.lane_width_m, &table.fan_angle_deg, &raw.boom) {
        (Some(width), _, _) => source.within("lane_width_m", width, 0.01, 10.0)?,
        (None, Some(_), Some(boom)) => {
            source.within("spacing_m", &boom.get_ref().spacing_m, 0.01, 10.0)?
        }
        (None, Some(_), None) => {
            return Err(source.at(
                raw.nozzles.span(),
                "`lane_width_m` is missing: with single [[nozzle]] tables the broadcast dose follows from it",
                "give lane_width_m as the usual distance between nozzles",
            ));
        }
        (None, None, _) => {
            return Err(source.at(
                raw.nozzles.span(),
                "neither `lane_width_m` nor `fan_angle_deg` is given",
                "give lane_width_m, or fan_angle_deg with height_m",
            ));
        }
    };
    let twist_deg = source.within_or("twist_deg", &table.twist_deg, -45.0, 45.0, 0.0)?;
    let one_m = thickness(source, &raw.nozzles, height_m)?;
    let lean = lean(source, table, height_m, one_m)?;
    Ok(Fans {
        lane_width_m,
        thickness_m: lean.thickness_m,
        fan: fan(source, table, height_m, lane_width_m, lean.slant)?,
        twist: twist_deg.to_radians().tan(),
        ahead_m: lean.ahead_m,
        twin_m: lean.twin_m,
        angles: lean.angles,
    })
}

/// What tilt and twin fans make of a fan's footprint.
struct Lean {
    /// Whole thickness on the ground, that of both twins and what lies between.
    thickness_m: f64,
    ahead_m: f64,
    twin_m: f64,
    /// By how much farther the spray flies than straight down.
    slant: f64,
    angles: Option<Angles>,
}

/// Plane geometry: each fan leaves the nozzle at the tilt, plus or minus half of what twins stand
/// apart, and its edges half a thickness to each side of that.
fn lean(source: &Source<'_>, raw: &RawNozzles, height_m: Option<f64>, one_m: f64) -> Result<Lean> {
    let leaning = [("tilt_deg", &raw.tilt_deg), ("twin_deg", &raw.twin_deg)];
    let Some(height) = height_m else {
        for (key, number) in leaning {
            if let Some(number) = number {
                return Err(needs_height(source, key, number));
            }
        }
        return Ok(Lean {
            thickness_m: one_m,
            ahead_m: 0.0,
            twin_m: 0.0,
            slant: 1.0,
            angles: None,
        });
    };
    let tilt_deg = source.within_or("tilt_deg", &raw.tilt_deg, -60.0, 60.0, 0.0)?;
    let twin_deg = source.within_or("twin_deg", &raw.twin_deg, 0.0, 90.0, 0.0)?;
    let thickness_deg = match &raw.thickness_deg {
        Some(angle) => *angle.get_ref(),
        None => 2.0 * (0.5 * one_m / height).atan().to_degrees(),
    };
    let steepest = tilt_deg.abs() + 0.5 * (twin_deg + thickness_deg);
    if steepest > STEEPEST_DEG {
        let number = raw.twin_deg.as_ref().or(raw.tilt_deg.as_ref());
        return Err(source.at(
            number.map_or(0..0, Spanned::span),
            format!("an edge of the fan would leave the nozzle at {steepest:.1} degrees from straight down"),
            format!("tilt, half the twin angle and half the thickness are {STEEPEST_DEG} degrees together at most"),
        ));
    }
    let lands = |deg: f64| height * deg.to_radians().tan();
    let (front, back) = (tilt_deg + 0.5 * twin_deg, tilt_deg - 0.5 * twin_deg);
    let half = 0.5 * thickness_deg;
    let slant = |deg: f64| 1.0 / deg.to_radians().cos();
    let (first, last) = (lands(front + half), lands(back - half));
    let plain = tilt_deg == 0.0 && twin_deg == 0.0;
    Ok(Lean {
        thickness_m: if plain { one_m } else { first - last },
        ahead_m: if plain { 0.0 } else { 0.5 * (first + last) },
        twin_m: 0.5 * (lands(front) - lands(back)),
        slant: 0.5 * (slant(front) + slant(back)),
        angles: Some(Angles {
            height_m: height,
            fan_deg: raw.fan_angle_deg.as_ref().map(|a| *a.get_ref()),
            thickness_deg,
            tilt_deg,
            twin_deg,
        }),
    })
}

fn thickness(
    source: &Source<'_>,
    table: &Spanned<RawNozzles>,
    height_m: Option<f64>,
) -> Result<f64> {
    let raw = table.get_ref();
    match (&raw.fan_thickness_m, &raw.thickness_deg, height_m) {
        (Some(thickness), None, _) => source.within("fan_thickness_m", thickness, 0.0, 1.0),
        (None, Some(angle), Some(height)) => {
            let angle = source.within("thickness_deg", angle, 0.0, 60.0)?;
            Ok(2.0 * half_on_ground(angle, height))
        }
        (None, Some(angle), None) => Err(needs_height(source, "thickness_deg", angle)),
        (Some(_), Some(angle), _) => Err(source.at(
            angle.span(),
            "both `fan_thickness_m` and `thickness_deg` are given",
            "keep one: the thickness on the ground, or its angle at the nozzle",
        )),
        (None, None, _) => Err(source.at(
            table.span(),
            "the fan's thickness along travel is missing",
            "give fan_thickness_m, or thickness_deg with height_m",
        )),
    }
}

fn needs_height(source: &Source<'_>, key: &str, number: &Number) -> crate::error::Error {
    source.at(
        number.span(),
        format!("`{key}` says nothing of the ground without `height_m`"),
        "give height_m, from nozzle to target",
    )
}

fn fan(
    source: &Source<'_>,
    raw: &RawNozzles,
    height_m: Option<f64>,
    lane_width_m: f64,
    slant: f64,
) -> Result<Option<Fan>> {
    let pattern = raw.pattern.as_ref();
    let even = match pattern.map(|p| p.get_ref().as_str()) {
        None | Some("tapered") => false,
        Some("even") => true,
        Some(other) => {
            return Err(source.at(
                pattern.map_or(0..0, Spanned::span),
                format!("`pattern` is \"{other}\", which is not known"),
                "give \"tapered\" (falls evenly to nothing at both sides) or \"even\"",
            ));
        }
    };
    let Some(angle) = &raw.fan_angle_deg else {
        let stray = [
            ("wanted_share", raw.wanted_share.as_ref().map(Spanned::span)),
            ("pattern", pattern.map(Spanned::span)),
        ];
        for (key, span) in stray {
            if let Some(span) = span {
                return Err(source.at(
                    span,
                    format!("`{key}` goes with `fan_angle_deg`, which is not given"),
                    "give fan_angle_deg and height_m, or remove it",
                ));
            }
        }
        return reach(source, raw, lane_width_m);
    };
    if let Some(reach) = &raw.reach_width_m {
        return Err(source.at(
            reach.span(),
            "both `reach_width_m` and `fan_angle_deg` are given",
            "keep one: how far a nozzle alone gives its full dose, or its real fan",
        ));
    }
    let Some(height) = height_m else {
        return Err(needs_height(source, "fan_angle_deg", angle));
    };
    let angle_deg = source.within("fan_angle_deg", angle, 5.0, 160.0)?;
    let half = slant * half_on_ground(angle_deg, height);
    if !(0.001..=WIDEST_M).contains(&half) {
        return Err(source.at(
            angle.span(),
            format!("the fan would reach {half:.3} m to each side on the ground"),
            format!("a fan reaches 0.001 to {WIDEST_M} m: check fan_angle_deg and height_m"),
        ));
    }
    Ok(Some(Fan {
        half_width_m: half,
        flat_half_m: if even { half } else { 0.0 },
        spacing_m: lane_width_m,
        wanted_share: source.within_or(
            "wanted_share",
            &raw.wanted_share,
            0.05,
            1.0,
            USUAL_SHARE,
        )?,
    }))
}

/// The simple form: one nozzle alone is enough as far as it reaches, so its own dose stands for the
/// broadcast dose. A reach that is no wider than the lane is the lane form.
fn reach(source: &Source<'_>, raw: &RawNozzles, lane_width_m: f64) -> Result<Option<Fan>> {
    let Some(width) = &raw.reach_width_m else {
        return Ok(None);
    };
    let reach_m = source.within("reach_width_m", width, 0.01, 10.0)?;
    if reach_m < lane_width_m {
        return Err(source.at(
            width.span(),
            format!("`reach_width_m` is {reach_m}, less than the lane of {lane_width_m} m"),
            "a nozzle must reach over its own lane: give at least lane_width_m",
        ));
    }
    let half = reach_m / 2.0;
    Ok((reach_m > lane_width_m).then_some(Fan {
        half_width_m: half,
        flat_half_m: half,
        spacing_m: half + half,
        wanted_share: 1.0,
    }))
}

/// The faulty nozzles in order, each once.
pub(super) fn faulty(source: &Source<'_>, raw: &Raw, nozzles: usize) -> Result<Vec<usize>> {
    let mut list = Vec::new();
    for index in &raw.nozzles.get_ref().faulty {
        let last = nozzles.saturating_sub(1) as i64;
        list.push(source.whole("faulty", index, 0, last)? as usize);
    }
    list.sort_unstable();
    list.dedup();
    Ok(list)
}
