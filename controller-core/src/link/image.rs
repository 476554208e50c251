//! Images on the wire: a head, and behind it the plants, read one at a time.
//!
//! Together they are the postcard form of `{head.., plants: Vec<Plant>}`, so a host can use
//! any postcard library, while the board needs no second buffer. Places are whole mm: half
//! of one is 0.3 mm RMS, far below what a camera sees.

use super::codec::{Reader, Wire, Writer, wire_fields, wire_numbers};
use super::message::{Refusal, ToBoard};
use crate::aiming::{MAX_PLANTS_PER_IMAGE, Plant, Stretch};
use crate::units::{Length, Micros, Speed};
use heapless::Vec;

/// When an image was captured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
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
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum PlantKind {
    /// Place and size: [`PlainPlant`].
    #[default]
    Plain,
    /// With id and row offset: [`SeenPlant`].
    Full,
}

/// An image without its plants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
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
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
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
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
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
            id: self.id,
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
        self.each_plant(rest, |plant| {
            plants.push(plant).map_err(|_| Refusal::TooManyPlants)
        })?;
        Ok(plants)
    }

    /// Hands out the plants that stand behind the head, one after the other, for a board
    /// without room for the list as it came. Work goes with their number.
    ///
    /// # Errors
    /// What `take` has, with which it ends; [`Refusal::Unreadable`] when bytes are missing or
    /// left over, which shows only after the last: drop what was taken.
    pub fn each_plant(
        &self,
        rest: &[u8],
        mut take: impl FnMut(SeenPlant) -> Result<(), Refusal>,
    ) -> Result<(), Refusal> {
        let mut from = Reader::new(rest);
        for _ in 0..self.plants {
            take(match self.kind {
                PlantKind::Full => SeenPlant::take(&mut from),
                PlantKind::Plain => SeenPlant {
                    plain: PlainPlant::take(&mut from),
                    ..SeenPlant::default()
                },
            })?;
        }
        match from.rest() {
            Some([]) => Ok(()),
            _ => Err(Refusal::Unreadable),
        }
    }
}

impl Wire for Captured {
    fn put(&self, to: &mut Writer<'_>) {
        match self {
            Self::At { board_us, error_us } => {
                to.byte(0);
                board_us.put(to);
                error_us.put(to);
            }
            Self::Frame(frame) => {
                to.byte(1);
                frame.put(to);
            }
        }
    }

    fn take(from: &mut Reader<'_>) -> Self {
        match from.varint(32) {
            0 => Self::At {
                board_us: Wire::take(from),
                error_us: Wire::take(from),
            },
            1 => Self::Frame(Wire::take(from)),
            _ => {
                from.refuse();
                Self::Frame(0)
            }
        }
    }
}

// The order below is the wire format.
wire_fields! {
    ImageHead { detector, number, captured, from_mm, to_mm, kind, plants }
    PlainPlant { x_mm, y_mm, length_mm, width_mm }
    SeenPlant { plain, id, row_us }
}

wire_numbers! {
    PlantKind { Plain = 0, Full = 1 }
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
    let mut to = Writer::new(out);
    ToBoard::Image(head).put(&mut to);
    for plant in plants {
        match head.kind {
            PlantKind::Plain => plant.plain.put(&mut to),
            PlantKind::Full => plant.put(&mut to),
        }
    }
    to.finish()
}
