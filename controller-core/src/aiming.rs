//! From an image to ground: which nozzles a plant needs, and which stretch.
//!
//! Across travel there are two forms. Without a fan in the machine description a
//! nozzle serves its lane, and a plant needs every nozzle whose lane its width plus
//! margin overlaps. With one ([`crate::fan`]) a plant needs the fewest nozzles whose
//! summed pattern gives it its dose. A faulty nozzle is left out of both; only the second
//! can put others in its place. Ground beyond the outermost lanes belongs to nobody: a
//! plant that reaches over is clipped there and counted.
//!
//! Along travel the patch is `[near − lead, far + trail]`, wider at both ends by half
//! the fan's thickness; margins in time are the sequencer's.
//!
//! **Bound:** at most [`MAX_PLANTS_PER_IMAGE`] plants a message; more are refused
//! as a whole, with a reason, before anything is planned.

use crate::boom::{DetectorConfig, NozzleConfig, PatchConfig};
use crate::fan::{Aim, Choice, Fan, NozzleSet};
use crate::ground_plan::Interval;
use crate::turning::{Crossing, Curve, Heading};
use crate::units::{Length, Micros, saturate_i32};

/// Most plants in one image message.
pub const MAX_PLANTS_PER_IMAGE: usize = 64;
/// Farthest place in an image, from the detector's mount.
const FAR: Length = Length::from_mm(50_000);

/// Places, sizes, margins and lane edges are each rounded to 1/16 mm; a plant that
/// overlaps a lane by less than their sum of roundings still gets its nozzle.
const ROUNDING: i32 = 3;
/// The same for fans: with upright sides the pattern's own roundings count, too.
const FAN_ROUNDING: i32 = 4;

/// A stretch along travel, forward of the detector's mount.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Stretch {
    /// The end nearer to the boom.
    pub from: Length,
    /// The far end.
    pub to: Length,
}

/// A plant as seen: its centre and size, from the detector's mount at capture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Plant {
    /// Centre, forward.
    pub x: Length,
    /// Centre, to the right.
    pub y: Length,
    /// Size along travel.
    pub length: Length,
    /// Size across.
    pub width: Length,
    /// The detector's own number for this plant, if it follows plants from image to
    /// image: then the growth of its patch by repeated sights stays bounded
    /// ([`PatchConfig::repeat_growth`]). Numbers are per detector and may come round again.
    pub id: Option<u16>,
}

/// One image message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Image<'a> {
    /// Index of the detector in the machine description.
    pub detector: u8,
    /// When the image was captured, not when it arrived.
    pub captured_at: Micros,
    /// The ground that it covers, plants or none.
    pub seen: Stretch,
    /// The plants in it.
    pub plants: &'a [Plant],
}

/// What became of an accepted image.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ImageReport {
    /// Plants planned for at least one nozzle.
    pub accepted: u16,
    /// Plants beside every lane: refused.
    pub outside: u16,
    /// Plants already behind every nozzle that they need: refused.
    pub late: u16,
    /// Plants in reach of faulty nozzles only: refused.
    pub unserved: u16,
    /// Plants that joined or grew a patch already planned.
    pub grown: u16,
    /// Plants with a point to which not even all healthy nozzles bring the wanted share
    /// of the dose, or in lanes of which one is faulty. They get what there is.
    pub underdosed: u16,
    /// Plants that reach beyond the outermost lanes; what lies on the boom's ground is
    /// sprayed.
    pub clipped: u16,
}

/// Why an image was refused as a whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ImageError {
    /// Handed over before an earlier call.
    TimeBackwards {
        /// The latest instant seen so far.
        latest: Micros,
    },
    /// Captured after it arrived: the detector's clock is off.
    CapturedInFuture,
    /// Captured longer ago than allowed or remembered.
    TooOld,
    /// No such detector in the machine description.
    UnknownDetector {
        /// As given.
        detector: u8,
    },
    /// More plants than a message may hold.
    TooManyPlants {
        /// The most.
        most: usize,
    },
    /// A size is negative, a stretch runs backwards, or a place is beyond 50 m.
    Implausible {
        /// Index of the plant; `None` when it is the seen stretch.
        plant: Option<u16>,
    },
}

impl core::fmt::Display for ImageError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TimeBackwards { latest } => {
                write!(f, "image stamped before {} µs, already seen", latest.0)
            }
            Self::CapturedInFuture => {
                f.write_str("image captured after it arrived: check the detector's clock")
            }
            Self::TooOld => f.write_str("image captured longer ago than the oldest allowed"),
            Self::UnknownDetector { detector } => write!(f, "no detector {detector}"),
            Self::TooManyPlants { most } => write!(f, "more than {most} plants in one image"),
            Self::Implausible { plant: Some(i) } => {
                write!(f, "plant {i} has a negative size or a place beyond 50 m")
            }
            Self::Implausible { plant: None } => {
                f.write_str("the seen stretch runs backwards or beyond 50 m")
            }
        }
    }
}

impl core::error::Error for ImageError {}

/// Checks sizes and places before anything is planned.
pub(crate) fn check(image: &Image<'_>) -> Result<(), ImageError> {
    if image.plants.len() > MAX_PLANTS_PER_IMAGE {
        return Err(ImageError::TooManyPlants {
            most: MAX_PLANTS_PER_IMAGE,
        });
    }
    let near = |l: Length| l <= FAR && l >= Length::default().minus(FAR);
    if !near(image.seen.from) || !near(image.seen.to) || image.seen.to < image.seen.from {
        return Err(ImageError::Implausible { plant: None });
    }
    for (index, plant) in (0_u16..).zip(image.plants) {
        let sized = |l: Length| l.bits() >= 0 && l <= FAR;
        if !near(plant.x) || !near(plant.y) || !sized(plant.length) || !sized(plant.width) {
            return Err(ImageError::Implausible { plant: Some(index) });
        }
    }
    Ok(())
}

/// What a plant takes along and across where it meets the boom.
pub(crate) struct Aimed {
    /// In places of the boom, for a nozzle at x = 0.
    pub patch: Interval,
    /// Without margin.
    pub across: Across,
    /// The heading then.
    pub heading: Heading,
    /// Its centre: the place of the boom, and counts right of the reference point.
    #[cfg(feature = "turning")]
    pub centre: (i32, i32),
}

/// Where a plant lies, in counts forward and right of the boom reference point at its capture.
pub(crate) fn place_of(plant: &Plant, detector: &DetectorConfig) -> (i32, i32) {
    (
        detector.x.bits().saturating_add(plant.x.bits()),
        detector.y.bits().saturating_add(plant.y.bits()),
    )
}

/// Where a plant meets the boom. `None`: the boom does not come by it. In a curve the plant's
/// box has turned until then, and its hull along and across is taken, a little too large.
pub(crate) fn aim(
    plant: &Plant,
    curve: &Curve,
    detector: &DetectorConfig,
    patch: &PatchConfig,
) -> Option<Aimed> {
    let (x, y) = place_of(plant, detector);
    let met = curve.cross(x, y)?;
    Some(aim_met(plant, &met, patch))
}

/// What a plant takes when it is met so.
pub(crate) fn aim_met(plant: &Plant, met: &Crossing, patch: &PatchConfig) -> Aimed {
    let (length, width) = (plant.length.bits(), plant.width.bits());
    let (length, width) = if met.turned == 0 {
        (length, width)
    } else {
        let turned =
            |side: i32| saturate_i32(i64::from(side).saturating_mul(i64::from(met.turned)) >> 16);
        (
            length.saturating_add(turned(width)),
            width.saturating_add(turned(length)),
        )
    };
    let near = met.place.wrapping_sub(length >> 1);
    let far = near.wrapping_add(length);
    let extra = patch.edge_extra.bits();
    Aimed {
        patch: Interval {
            start: near.wrapping_sub(patch.lead.bits()).wrapping_sub(extra),
            end: far.wrapping_add(patch.trail.bits()).wrapping_add(extra),
        },
        across: Across::around(met.y, width),
        heading: met.heading,
        #[cfg(feature = "turning")]
        centre: (met.place, met.y),
    }
}

/// Ground across, in counts right of the boom reference point.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Across {
    pub left: i32,
    pub right: i32,
}

impl Across {
    fn around(y: i32, width: i32) -> Self {
        let half = width >> 1;
        Self {
            left: y.saturating_sub(half),
            right: y.saturating_add(half),
        }
    }

    /// The same, so many counts farther to the right.
    #[cfg(feature = "turning")]
    pub fn right_by(self, counts: i32) -> Self {
        Self {
            left: self.left.saturating_add(counts),
            right: self.right.saturating_add(counts),
        }
    }

    /// Whether any of it lies on the boom's ground, or within `by` of it.
    #[cfg(feature = "turning")]
    pub fn is_near(self, nozzles: &[NozzleConfig], by: Length) -> bool {
        let left = nozzles.first().map_or(0, NozzleConfig::left);
        let right = nozzles.last().map_or(0, NozzleConfig::right);
        self.right > left.saturating_sub(by.bits()) && self.left < right.saturating_add(by.bits())
    }

    fn wider(self, by: i32) -> Self {
        Self {
            left: self.left.saturating_sub(by),
            right: self.right.saturating_add(by),
        }
    }
}

/// Where the boom meets one of the four corners of what a detector sees: the near end's left and
/// right, then the far end's.
pub(crate) fn corner(
    seen: Stretch,
    curve: &Curve,
    detector: &DetectorConfig,
    corner: u8,
) -> Option<Crossing> {
    let forward = if corner < 2 { seen.from } else { seen.to };
    let y = if corner & 1 == 0 {
        detector.y.minus(detector.view_left)
    } else {
        detector.y.plus(detector.view_right)
    };
    let x = detector.x.bits().saturating_add(forward.bits());
    curve.cross(x, y.bits())
}

/// The ground that every lane in a detector's view has seen, from its corners one after the other,
/// as they are told by the detector's own way: in a curve the outer lanes come to the far end
/// sooner and the inner ones to the near end later.
#[cfg(feature = "turning")]
pub(crate) fn with_corner(seen: Interval, corner: u8, place: i32) -> Interval {
    use crate::ground_plan::ahead;
    use crate::lane::later;
    let (start, end) = match corner {
        0 => (place, place),
        1 => (later(seen.start, place), seen.end),
        2 => (seen.start, place),
        _ if ahead(place, seen.end) < 0 => (seen.start, place),
        _ => (seen.start, seen.end),
    };
    Interval { start, end }
}

/// The same where the machine goes straight: left and right are come to together.
pub(crate) fn seen_straight(
    seen: Stretch,
    curve: &Curve,
    detector: &DetectorConfig,
    own: impl Fn(&Crossing) -> i32,
) -> Option<Interval> {
    let place = |end| corner(seen, curve, detector, end).map(|met| own(&met));
    Some(Interval {
        start: place(0)?,
        end: place(2)?,
    })
}

/// What a plant needs across travel.
pub(crate) struct Needed {
    /// The nozzles, known or still to be chosen.
    pub aim: Result<Aim, Choice>,
    /// It lies wholly beside the boom.
    pub outside: bool,
    /// It reaches beyond the boom's ground.
    pub clipped: bool,
}

/// The nozzles that a plant needs. `faulty` may be shorter than `nozzles`: the rest is
/// healthy. Two searches by halving; with fans the choice is only begun.
pub(crate) fn needed(
    plant: Across,
    nozzles: &[NozzleConfig],
    faulty: &[bool],
    fan: Option<&Fan>,
    margin: Length,
) -> Needed {
    let boom = Across {
        left: nozzles.first().map_or(0, NozzleConfig::left),
        right: nozzles.last().map_or(0, NozzleConfig::right),
    };
    let clipped = plant.left < boom.left.saturating_sub(ROUNDING)
        || plant.right > boom.right.saturating_add(ROUNDING);
    let (aim, outside) = match fan {
        Some(fan) => {
            let wide = plant.wider(margin.bits().saturating_add(FAN_ROUNDING));
            let left = wide.left.max(boom.left);
            let right = wide.right.min(boom.right);
            if left >= right {
                (Ok(Aim::default()), true)
            } else {
                (Err(fan.begin(nozzles, faulty, left, right)), false)
            }
        }
        None => {
            let wide = plant.wider(margin.bits().saturating_add(ROUNDING));
            let first = nozzles.partition_point(|n| n.right() <= wide.left);
            let end = nozzles
                .partition_point(|n| n.left() < wide.right)
                .max(first);
            let mut lanes = faulty.iter().skip(first).take(end.saturating_sub(first));
            let aim = Aim {
                set: NozzleSet::new(first..end, 0),
                short: lanes.any(|&f| f),
                smallest: true,
            };
            (Ok(aim), first == end)
        }
    };
    Needed {
        aim,
        outside,
        clipped: clipped && !outside,
    }
}
