//! Images on the wire: a head, and behind it the plants, read one at a time.
//!
//! Together they are the postcard form of `{head.., plants: Vec<Plant>}`, so a host can use
//! any postcard library, while the board needs no second buffer. Places are whole mm: half
//! of one is 0.3 mm RMS, far below what a camera sees.

use super::message::{Refusal, ToBoard};
use crate::aiming::{MAX_PLANTS_PER_IMAGE, Plant, Stretch};
use crate::units::{Length, Micros, Speed};
use heapless::Vec;
use serde::{Deserialize, Serialize};

/// When an image was captured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Captured {
    /// At a board instant that the sender worked out by clock exchange.
    At {
        /// Board's µs.
        board_us: u64,
        /// The sender's own bound of that stamp's error, µs.
        error_us: u16,
    },
    /// With the strobe pulse of this frame, which the board stamped.
    Frame(u32),
}

/// How plants are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum PlantKind {
    /// Place and size: [`PlainPlant`].
    #[default]
    Plain,
    /// With id and row offset: [`SeenPlant`].
    Full,
}

/// An image without its plants.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ImageHead {
    /// Index of the detector in the machine description.
    pub detector: u8,
    /// The detector's own count of images, so that a missing one is noticed.
    pub number: u16,
    /// When it was captured.
    pub captured: Captured,
    /// Near end of the ground that it covers, mm forward of the mount.
    pub from_mm: i16,
    /// Far end.
    pub to_mm: i16,
    /// How the plants are written.
    pub kind: PlantKind,
    /// How many follow; up to 64 this is also how postcard writes a list's length.
    pub plants: u8,
}

/// A plant: place and size in mm.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PlainPlant {
    /// Centre, forward of the mount.
    pub x_mm: i16,
    /// Centre, right of the mount.
    pub y_mm: i16,
    /// Size along travel.
    pub length_mm: u16,
    /// Size across.
    pub width_mm: u16,
}

/// A plant with all that may be known of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SeenPlant {
    /// Place and size.
    pub plain: PlainPlant,
    /// The same plant has the same id in the next image.
    pub id: Option<u16>,
    /// Its row was captured so many µs after the image's stamp (rolling rows).
    pub row_us: i32,
}

impl SeenPlant {
    /// In the core's lengths and at the image's stamp: while its row waited, the machine
    /// drove on, so the plant was farther ahead. Half a change of speed in the image's age
    /// times the row offset is left out: under 1 mm at 1 m/s², 100 ms and 20 ms.
    #[must_use]
    pub fn plant(&self, speed: Speed) -> Plant {
        let um = i64::from(speed.to_mm_s())
            .saturating_mul(i64::from(self.row_us))
            .checked_div(1000)
            .unwrap_or_default();
        let drove = Length::from_um(crate::units::saturate_i32(um));
        let mm = |value: u16| Length::from_mm(i32::from(value));
        Plant {
            x: Length::from_mm(i32::from(self.plain.x_mm)).plus(drove),
            y: Length::from_mm(i32::from(self.plain.y_mm)),
            length: mm(self.plain.length_mm),
            width: mm(self.plain.width_mm),
        }
    }
}

impl ImageHead {
    /// The stretch seen, in the core's lengths.
    #[must_use]
    pub fn seen(&self) -> Stretch {
        Stretch {
            from: Length::from_mm(i32::from(self.from_mm)),
            to: Length::from_mm(i32::from(self.to_mm)),
        }
    }

    /// The capture instant by the sender's own stamp. A stamp beyond `tolerance_us` is
    /// refused: 1 ms is 5 mm on the ground at 5 m/s. `None` where a frame number is given.
    ///
    /// # Errors
    /// [`Refusal::StampUncertain`].
    pub fn stamp(&self, tolerance_us: u16) -> Result<Option<Micros>, Refusal> {
        match self.captured {
            Captured::At { error_us, .. } if error_us > tolerance_us => {
                Err(Refusal::StampUncertain)
            }
            Captured::At { board_us, .. } => Ok(Some(Micros(board_us))),
            Captured::Frame(_) => Ok(None),
        }
    }

    /// Reads the plants that stand behind the head. Work goes with their number.
    ///
    /// # Errors
    /// [`Refusal::TooManyPlants`] beyond [`MAX_PLANTS_PER_IMAGE`]; [`Refusal::Unreadable`]
    /// when bytes are missing or left over. Nothing is read in part.
    pub fn plants(&self, rest: &[u8]) -> Result<Vec<SeenPlant, MAX_PLANTS_PER_IMAGE>, Refusal> {
        let mut plants = Vec::new();
        let mut rest = rest;
        for _ in 0..self.plants {
            let (plant, behind) = match self.kind {
                PlantKind::Full => postcard::take_from_bytes(rest),
                PlantKind::Plain => postcard::take_from_bytes(rest).map(|(plain, behind)| {
                    let plant = SeenPlant {
                        plain,
                        ..SeenPlant::default()
                    };
                    (plant, behind)
                }),
            }
            .map_err(|_| Refusal::Unreadable)?;
            plants.push(plant).map_err(|_| Refusal::TooManyPlants)?;
            rest = behind;
        }
        if rest.is_empty() {
            Ok(plants)
        } else {
            Err(Refusal::Unreadable)
        }
    }
}

/// Writes an image and its plants into `out` as a frame's body; `head.plants` is set from
/// the list. `None` when it does not fit, or there are too many plants.
#[must_use]
pub fn write<'o>(head: &ImageHead, plants: &[SeenPlant], out: &'o mut [u8]) -> Option<&'o [u8]> {
    if plants.len() > MAX_PLANTS_PER_IMAGE {
        return None;
    }
    let head = ImageHead {
        plants: u8::try_from(plants.len()).ok()?,
        ..*head
    };
    let mut len = ToBoard::Image(head).write(out)?.len();
    for plant in plants {
        let room = out.get_mut(len..)?;
        let written = match head.kind {
            PlantKind::Plain => postcard::to_slice(&plant.plain, room),
            PlantKind::Full => postcard::to_slice(plant, room),
        };
        len = len.saturating_add(written.ok()?.len());
    }
    out.get(..len)
}
