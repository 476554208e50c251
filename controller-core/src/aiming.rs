//! From an image to ground: which nozzles a plant needs, and which stretch.
//!
//! The simple form for an even fan: a nozzle serves its lane, and a plant needs
//! every nozzle whose lane its width plus margin overlaps. Along travel the patch
//! is `[near − lead, far + trail]`, wider at both ends by half the fan's
//! thickness; margins in time are the sequencer's.
//!
//! **Bound:** at most [`MAX_PLANTS_PER_IMAGE`] plants a message; more are refused
//! as a whole, with a reason, before anything is planned.

use crate::boom::{DetectorConfig, NozzleConfig, PatchConfig};
use crate::ground_plan::Interval;
use crate::units::{Length, Micros};

/// Most plants in one image message.
pub const MAX_PLANTS_PER_IMAGE: usize = 64;
/// Farthest place in an image, from the detector's mount.
const FAR: Length = Length::from_mm(50_000);

/// Places, sizes, margins and lane edges are each rounded to 1/16 mm; a plant that
/// overlaps a lane by less than their sum of roundings still gets its nozzle.
const ROUNDING: i32 = 3;

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
    /// Plants that joined or grew a patch already planned.
    pub grown: u16,
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

/// Patch of one plant in places of the boom reference point, for a nozzle at
/// x = 0: what it takes from `captured` (where the reference point was).
pub(crate) fn patch_of(
    plant: &Plant,
    captured: i32,
    detector: &DetectorConfig,
    patch: &PatchConfig,
) -> Interval {
    let near = captured
        .wrapping_add(detector.x.bits())
        .wrapping_add(plant.x.bits())
        .wrapping_sub(plant.length.bits() >> 1);
    let far = near.wrapping_add(plant.length.bits());
    let extra = patch.edge_extra.bits();
    Interval {
        start: near.wrapping_sub(patch.lead.bits()).wrapping_sub(extra),
        end: far.wrapping_add(patch.trail.bits()).wrapping_add(extra),
    }
}

/// The nozzles a plant needs: first index and one past the last.
pub(crate) fn lanes_of(
    plant: &Plant,
    nozzles: &[NozzleConfig],
    detector: &DetectorConfig,
    patch: &PatchConfig,
) -> (usize, usize) {
    let y = detector.y.bits().saturating_add(plant.y.bits());
    let half = (plant.width.bits() >> 1)
        .saturating_add(patch.lateral_margin.bits())
        .saturating_add(ROUNDING);
    let left = y.saturating_sub(half);
    let right = y.saturating_add(half);
    let first = nozzles.partition_point(|n| n.right() <= left);
    let end = nozzles.partition_point(|n| n.left() < right);
    (first, end)
}
