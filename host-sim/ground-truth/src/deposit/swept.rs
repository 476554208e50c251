//! The ground that a boom sweeps on a drive that turns, by cells: what a field's mean, its
//! over-dosed share and its dry share are shares of. Ground swept twice counts once.

use std::ops::Range;

use super::grid::{Area, Deposit, GridError, TILE};
use crate::{Ground, Turning};

/// The boom is followed in steps of this much of its middle's way, in metres: on a circle of
/// 10 m what is cut off between two steps is below 1 mm wide.
const STEP_M: f64 = 0.25;
/// The grid reaches so far beyond the swept ground, in metres: plants may stand over.
const ROOM_M: f64 = 1.0;

/// Cells by tile, a bit each.
#[derive(Clone, Debug)]
pub(super) struct Swept {
    tiles_across: usize,
    tiles: Vec<Option<Box<[u32; TILE]>>>,
}

/// The boom's ends at one instant, in field axes.
type Line = [(f64, f64); 2];

impl Deposit {
    /// Dry ground in field axes around all that a boom sweeps which reaches from `across.0` to
    /// `across.1` metres to the right of its reference point, while that goes from `stretch.0`
    /// to `stretch.1` metres along its way. [`Self::figures`] counts the ground swept, and
    /// plants are the ellipses of [`mod@crate::turning`].
    ///
    /// # Errors
    ///
    /// As [`Area::check_wet`] for the ground that the whole drive sweeps.
    pub fn under(
        turning: &Turning,
        across: (f64, f64),
        stretch: (f64, f64),
        cell: f64,
        most_bytes: u64,
    ) -> Result<Self, GridError> {
        let lines = lines(turning, across, stretch);
        let ends = |of: fn(&(f64, f64)) -> f64| {
            let all = lines.iter().flatten().map(of);
            let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
                (a.min(v), b.max(v))
            });
            (low - ROOM_M, high + ROOM_M)
        };
        let area = Area {
            along: ends(|p| p.0),
            across: ends(|p| p.1),
            cell,
            most_bytes,
        };
        let length = turning.position(turning.end());
        let counts = area.check_wet((length + ROOM_M) * (across.1 - across.0 + ROOM_M))?;
        let mut deposit = Self::of(area, counts);
        let mut swept = Swept::none(counts);
        for pair in lines.windows(2) {
            let ([a, b], [c, d]) = (pair[0], pair[1]);
            swept.triangle(&area, counts, [a, b, c]);
            swept.triangle(&area, counts, [b, c, d]);
        }
        deposit.swept = Some(swept);
        Ok(deposit)
    }
}

/// The boom from step to step.
fn lines(turning: &Turning, (left, right): (f64, f64), (from, to): (f64, f64)) -> Vec<Line> {
    let steps = ((to - from) / STEP_M).ceil().max(1.0) as u64;
    (0..=steps)
        .map(|i| {
            let x = from + (to - from) * i as f64 / steps as f64;
            let t = turning.time_at(x).unwrap_or(turning.end());
            let boom = turning.travel().boom(t);
            [boom.place(0.0, left), boom.place(0.0, right)]
        })
        .collect()
}

impl Swept {
    fn none(counts: (usize, usize)) -> Self {
        let tiles = (counts.0.div_ceil(TILE), counts.1.div_ceil(TILE));
        Self {
            tiles_across: tiles.1,
            tiles: vec![None; tiles.0 * tiles.1],
        }
    }

    /// The rows of bits of the tile in which a cell lies; none where nothing was swept.
    pub(super) fn around(&self, row: usize, column: usize) -> Option<&[u32; TILE]> {
        let place = (row / TILE) * self.tiles_across + column / TILE;
        self.tiles.get(place)?.as_deref()
    }

    /// Takes the cells whose middles lie within three corners.
    fn triangle(&mut self, area: &Area, counts: (usize, usize), corners: [(f64, f64); 3]) {
        let middles = |(low, high): (f64, f64), start: f64, count: usize| -> Range<usize> {
            let at = |x: f64| ((x - start) / area.cell - 0.5).ceil().max(0.0) as usize;
            at(low).min(count)..at(high).min(count)
        };
        let near = corners.iter().map(|c| c.0).fold(f64::INFINITY, f64::min);
        let far = corners
            .iter()
            .map(|c| c.0)
            .fold(f64::NEG_INFINITY, f64::max);
        for row in middles((near, far), area.along.0, counts.0) {
            let x = area.along.0 + (row as f64 + 0.5) * area.cell;
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            for (a, b) in [(0, 1), (1, 2), (2, 0)].map(|(i, j)| (corners[i], corners[j])) {
                if (a.0 <= x) != (b.0 <= x) {
                    let y = a.1 + (b.1 - a.1) * (x - a.0) / (b.0 - a.0);
                    (low, high) = (low.min(y), high.max(y));
                }
            }
            if low < high {
                self.take(row, middles((low, high), area.across.0, counts.1));
            }
        }
    }

    /// Takes cells of a row.
    fn take(&mut self, row: usize, columns: Range<usize>) {
        let mut column = columns.start;
        while column < columns.end {
            let first = column % TILE;
            let count = (TILE - first).min(columns.end - column);
            let place = (row / TILE) * self.tiles_across + column / TILE;
            let tile = self.tiles[place].get_or_insert_with(|| Box::new([0; TILE]));
            let bits = (u64::from(u32::MAX) >> (TILE - count)) << first;
            tile[row % TILE] |= bits as u32;
            column += count;
        }
    }
}
