//! The grid itself: square tiles of cells, made where something comes down. Spot spraying leaves
//! most of the ground dry, and dry ground costs neither memory nor time.

use std::ops::Range;

use super::swept::Swept;

/// Memory that a grid may take unless told otherwise, in bytes.
pub const MOST_BYTES: u64 = 256 << 20;
/// Bytes of one cell.
const CELL_BYTES: u64 = size_of::<f64>() as u64;
/// Cells along a tile's side.
pub(super) const TILE: usize = 32;

/// The ground that a grid covers and how finely. Axes as everywhere: forward, right.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    /// Begin and end along travel, in metres.
    pub along: (f64, f64),
    /// Left and right end across travel, in metres.
    pub across: (f64, f64),
    /// Length and width of a cell, in metres. The last cells are as large as the others,
    /// and may stand over.
    pub cell: f64,
    /// Memory that the grid may take when all of its ground gets wet, in bytes.
    pub most_bytes: u64,
}

/// Why there is no grid.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum GridError {
    /// A number is not finite or out of its range.
    #[error("{what} is {value}; give {wanted}")]
    Number {
        /// Which number.
        what: &'static str,
        /// The refused value.
        value: f64,
        /// What would be right.
        wanted: &'static str,
    },
    /// The grid would be too large.
    #[error(
        "a grid of {along} by {across} cells of {cell_mm} mm takes {mib} MiB, and {most_mib} MiB \
         are allowed; take cells of {fits_mm} mm or more, or less ground"
    )]
    TooLarge {
        /// Cells along travel.
        along: u64,
        /// Cells across travel.
        across: u64,
        /// Size of a cell, in mm.
        cell_mm: f64,
        /// Memory, in MiB.
        mib: u64,
        /// Memory allowed, in MiB.
        most_mib: u64,
        /// Cells that would fit, in mm.
        fits_mm: u64,
    },
}

/// Litres a hectare by cell.
#[derive(Clone, Debug)]
pub struct Deposit {
    area: Area,
    /// Cells along and across travel.
    counts: (usize, usize),
    /// Tiles across travel.
    tiles_across: usize,
    /// Litres by cell, a row across after the other; a row of tiles after the other. None
    /// where nothing came down.
    tiles: Vec<Option<Box<[f64]>>>,
    /// All that came down, in litres, beside the grid too.
    pub(super) sprayed: f64,
    /// The ground that counts; none: all of it.
    pub(super) swept: Option<Swept>,
}

impl Area {
    /// Refuses what is no ground, and grids that take too much memory.
    ///
    /// # Errors
    ///
    /// As [`GridError`] tells.
    pub fn check(&self) -> Result<(usize, usize), GridError> {
        self.check_wet((self.along.1 - self.along.0) * (self.across.1 - self.across.0))
    }

    /// The same for ground of which at most `wet_m2` square metres get wet: what a boom sweeps
    /// over a path is a part of the rectangle around it.
    ///
    /// # Errors
    ///
    /// As [`GridError`] tells.
    pub fn check_wet(&self, wet_m2: f64) -> Result<(usize, usize), GridError> {
        let number = |what, value: f64, (low, high): (f64, f64), wanted| {
            if (low..=high).contains(&value) {
                Ok(())
            } else {
                Err(GridError::Number {
                    what,
                    value,
                    wanted,
                })
            }
        };
        number("a cell in m", self.cell, (1e-4, 10.0), "0.1 mm to 10 m")?;
        let (length, width) = (self.along.1 - self.along.0, self.across.1 - self.across.0);
        let most = (1e-4, 1e7);
        number("the ground's length in m", length, most, "more than 0")?;
        number("the ground's width in m", width, most, "more than 0")?;
        // A hair keeps a length of exactly n cells at n.
        let cells = |length: f64| (length / self.cell - 1e-9).ceil().max(1.0) as u64;
        let (along, across) = (cells(length), cells(width));
        let wet = (wet_m2 / self.cell.powi(2)).ceil() as u64;
        let bytes = along
            .saturating_mul(across)
            .min(wet)
            .saturating_mul(CELL_BYTES);
        if bytes > self.most_bytes {
            let fits = wet_m2.min(length * width) * CELL_BYTES as f64 / self.most_bytes as f64;
            return Err(GridError::TooLarge {
                along,
                across,
                cell_mm: (self.cell * 1e6).round() / 1e3,
                mib: bytes.div_ceil(1 << 20),
                most_mib: self.most_bytes >> 20,
                fits_mm: (fits.sqrt() * 1000.0).ceil() as u64 + 1,
            });
        }
        Ok((along as usize, across as usize))
    }
}

impl Deposit {
    /// Dry ground.
    ///
    /// # Errors
    ///
    /// As [`Area::check`].
    pub fn new(area: Area) -> Result<Self, GridError> {
        let counts = area.check()?;
        Ok(Self::of(area, counts))
    }

    pub(super) fn of(area: Area, counts: (usize, usize)) -> Self {
        let tiles = (counts.0.div_ceil(TILE), counts.1.div_ceil(TILE));
        Self {
            area,
            counts,
            tiles_across: tiles.1,
            tiles: vec![None; tiles.0 * tiles.1],
            sprayed: 0.0,
            swept: None,
        }
    }

    /// The ground.
    #[must_use]
    pub fn area(&self) -> &Area {
        &self.area
    }

    /// Cells along and across travel.
    #[must_use]
    pub fn counts(&self) -> (usize, usize) {
        self.counts
    }

    /// Where column `across` begins and ends across travel, in metres.
    pub(super) fn column(&self, across: usize) -> (f64, f64) {
        let left = self.area.across.0 + across as f64 * self.area.cell;
        (left, left + self.area.cell)
    }

    /// The columns that lie between `left` and `right`, in part at least.
    pub(super) fn columns(&self, left: f64, right: f64) -> Range<usize> {
        touched(
            (self.area.across.0, self.area.cell),
            self.counts.1,
            (left, right),
        )
    }

    /// The rows that lie between `near` and `far`, in part at least.
    pub(super) fn rows(&self, near: f64, far: f64) -> Range<usize> {
        touched(
            (self.area.along.0, self.area.cell),
            self.counts.0,
            (near, far),
        )
    }

    fn tile(&mut self, row: usize, column: usize) -> &mut [f64] {
        let place = (row / TILE) * self.tiles_across + column / TILE;
        self.tiles[place].get_or_insert_with(|| vec![0.0; TILE * TILE].into_boxed_slice())
    }

    /// Adds litres to one cell, which lies on the grid.
    pub(super) fn add(&mut self, row: usize, column: usize, litres: f64) {
        self.tile(row, column)[(row % TILE) * TILE + column % TILE] += litres;
    }

    /// Adds `litres` to a row from column `first` on, shared out by `parts`. All of them lie on
    /// the grid.
    pub(super) fn add_row(&mut self, row: usize, first: usize, parts: &[f64], litres: f64) {
        let (mut column, mut parts) = (first, parts);
        while !parts.is_empty() {
            let count = (TILE - column % TILE).min(parts.len());
            let (own, rest) = parts.split_at(count);
            let begin = (row % TILE) * TILE + column % TILE;
            let cells = &mut self.tile(row, column)[begin..begin + count];
            for (cell, part) in cells.iter_mut().zip(own) {
                *cell += part * litres;
            }
            (column, parts) = (column + count, rest);
        }
    }

    /// The litres of the tile in which a cell lies; none where it is dry.
    pub(super) fn litres_around(&self, row: usize, column: usize) -> Option<&[f64]> {
        let place = (row / TILE) * self.tiles_across + column / TILE;
        self.tiles.get(place)?.as_deref()
    }

    /// Litres a hectare of a litre in a cell.
    pub(super) fn l_ha_per_litre(&self) -> f64 {
        10_000.0 / self.area.cell.powi(2)
    }

    /// Litres a hectare in a cell; 0 beside the grid.
    #[must_use]
    pub fn l_ha(&self, row: usize, column: usize) -> f64 {
        if column >= self.counts.1 || row >= self.counts.0 {
            return 0.0;
        }
        self.litres_around(row, column).map_or(0.0, |tile| {
            tile[(row % TILE) * TILE + column % TILE] * self.l_ha_per_litre()
        })
    }
}

/// Of `count` cells from `start` on those that lie between `from` and `to`, in part at least.
fn touched((start, cell): (f64, f64), count: usize, (from, to): (f64, f64)) -> Range<usize> {
    let at = |x: f64| ((x - start) / cell).max(0.0);
    let first = (at(from) as usize).min(count);
    let end = (at(to).ceil() as usize).min(count);
    first..end.max(first)
}
