//! The grid itself.

/// Memory that a grid may take unless told otherwise, in bytes.
pub const MOST_BYTES: u64 = 256 << 20;
/// Bytes of one cell.
const CELL_BYTES: u64 = size_of::<f64>() as u64;

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
    /// Memory that the grid may take, in bytes.
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
#[derive(Clone, Debug, PartialEq)]
pub struct Deposit {
    area: Area,
    /// Cells along and across travel.
    counts: (usize, usize),
    /// Litres by cell, a row across after the other.
    litres: Vec<f64>,
    /// All that came down, in litres, beside the grid too.
    pub(super) sprayed: f64,
}

impl Area {
    /// Refuses what is no ground, and grids that take too much memory.
    ///
    /// # Errors
    ///
    /// As [`GridError`] tells.
    pub fn check(&self) -> Result<(usize, usize), GridError> {
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
        let bytes = along.saturating_mul(across).saturating_mul(CELL_BYTES);
        if bytes > self.most_bytes {
            let fits = length * width * CELL_BYTES as f64 / self.most_bytes as f64;
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
        Ok(Self {
            area,
            counts,
            litres: vec![0.0; counts.0 * counts.1],
            sprayed: 0.0,
        })
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
    pub(super) fn columns(&self, left: f64, right: f64) -> std::ops::Range<usize> {
        let at = |y: f64| ((y - self.area.across.0) / self.area.cell).max(0.0);
        let first = (at(left) as usize).min(self.counts.1);
        let end = (at(right).ceil() as usize).min(self.counts.1);
        first..end.max(first)
    }

    pub(super) fn add(&mut self, row: usize, column: usize, litres: f64) {
        self.litres[row * self.counts.1 + column] += litres;
    }

    /// Litres a hectare in a cell; 0 beside the grid.
    #[must_use]
    pub fn l_ha(&self, row: usize, column: usize) -> f64 {
        if column >= self.counts.1 {
            return 0.0;
        }
        let litres = self.litres.get(row * self.counts.1 + column);
        litres.map_or(0.0, |l| l * 10_000.0 / self.area.cell.powi(2))
    }
}
