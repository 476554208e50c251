//! What a grid tells.

use std::f64::consts::TAU;

use super::grid::{Deposit, TILE};
use crate::Plant;

/// Ground that got more than this share of the mean rate of a broadcast pass is over-dosed.
const OVER: f64 = 1.5;
/// Ground that got less than this share of it stayed dry.
const DRY: f64 = 0.01;

/// Figures of a stretch of ground. Rates in L/ha.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figures {
    /// Litres that came down on the stretch.
    pub litres: f64,
    /// Mean over the stretch.
    pub mean_l_ha: f64,
    /// Highest of a cell.
    pub most_l_ha: f64,
    /// Share of the ground with more than 1.5 times the rate wanted.
    pub over_share: f64,
    /// Share of the ground with less than a hundredth of it.
    pub dry_share: f64,
    /// Coefficient of variation across travel: standard deviation of the means of all
    /// columns over their mean. None where the machine turns: no column lies along travel.
    pub across_cv: Option<f64>,
    /// The ground that all this holds for, in square metres.
    pub ground_m2: f64,
}

impl Deposit {
    /// All that was sprayed, in litres, beside the grid too.
    #[must_use]
    pub fn sprayed_litres(&self) -> f64 {
        self.sprayed
    }

    /// Figures of the ground between `along` and `across`, held against a rate of
    /// `wanted_l_ha`. Cells count whose middle lies within, and where the machine turns, which
    /// the boom swept; none where none does.
    #[must_use]
    pub fn figures(
        &self,
        along: (f64, f64),
        across: (f64, f64),
        wanted_l_ha: f64,
    ) -> Option<Figures> {
        let cell = self.area().cell;
        let within = |count: usize, start: f64, (low, high): (f64, f64)| {
            let inside = |i: &usize| (low..=high).contains(&(start + (*i as f64 + 0.5) * cell));
            let first = (0..count).find(inside)?;
            Some(first..(first..count).find(|i| !inside(i)).unwrap_or(count))
        };
        let (area, counts) = (self.area(), self.counts());
        let rows = within(counts.0, area.along.0, along)?;
        let columns = within(counts.1, area.across.0, across)?;
        let mut sums = vec![0.0; columns.len()];
        let (mut wet, mut over, mut damp, mut most) = (0_u64, 0_u64, 0_u64, 0.0_f64);
        let per_litre = self.l_ha_per_litre();
        let mut count = (rows.len() * columns.len()) as u64;
        if self.swept.is_some() {
            count = 0;
        }
        for row in (rows.start / TILE * TILE..rows.end).step_by(TILE) {
            for column in (columns.start / TILE * TILE..columns.end).step_by(TILE) {
                let swept = self.swept.as_ref().map(|s| s.around(row, column));
                let litres = self.litres_around(row, column);
                // Dry ground off the drive says nothing; on straight ground it is counted above.
                if matches!(swept, Some(None)) || (swept.is_none() && litres.is_none()) {
                    continue;
                }
                let own = column.max(columns.start)..(column + TILE).min(columns.end);
                let own_rows = row.max(rows.start)..(row + TILE).min(rows.end);
                // What cells of a row add.
                let mut take = |sums: &mut [f64], cells: &[f64]| {
                    wet += cells.len() as u64;
                    for (sum, litres) in sums.iter_mut().zip(cells) {
                        let rate = litres * per_litre;
                        *sum += rate;
                        most = most.max(rate);
                        over += u64::from(rate > OVER * wanted_l_ha);
                        damp += u64::from(rate < DRY * wanted_l_ha);
                    }
                };
                for r in own_rows {
                    let cells = litres.map(|l| &l[(r - row) * TILE..][..TILE]);
                    let Some(bits) = swept.flatten().map(|bits| bits[r - row]) else {
                        if let Some(cells) = cells {
                            let sums = &mut sums[own.start - columns.start..];
                            take(sums, &cells[own.start - column..own.end - column]);
                        }
                        continue;
                    };
                    for c in own.clone().filter(|c| bits >> (c - column) & 1 == 1) {
                        count += 1;
                        if let Some(cells) = cells {
                            let place = c - column;
                            take(&mut sums[c - columns.start..], &cells[place..=place]);
                        }
                    }
                }
            }
        }
        if count == 0 {
            return None;
        }
        // Ground without a tile got nothing at all.
        let nothing = count - wet;
        let dry = damp + if wanted_l_ha > 0.0 { nothing } else { 0 };
        let count = count as f64;
        let mean = sums.iter().sum::<f64>() / count;
        let each = |sum: &f64| (sum / rows.len() as f64 - mean).powi(2);
        let spread = sums.iter().map(each).sum::<f64>() / sums.len() as f64;
        let ground_m2 = count * cell * cell;
        Some(Figures {
            litres: mean * ground_m2 / 10_000.0,
            mean_l_ha: mean,
            most_l_ha: most,
            over_share: over as f64 / count,
            dry_share: dry as f64 / count,
            across_cv: match &self.swept {
                Some(_) => None,
                None if mean > 0.0 => Some(spread.sqrt() / mean),
                None => Some(0.0),
            },
            ground_m2,
        })
    }

    /// The least rate within a plant, in L/ha: at points at most a cell apart, its edges
    /// among them, straight between the middles of cells. None where it lies off the grid.
    #[must_use]
    pub fn least(&self, plant: &Plant) -> Option<f64> {
        let (left, right) = (plant.y - 0.5 * plant.width, plant.y + 0.5 * plant.width);
        let (near, far) = (plant.near(), plant.far());
        let on_grid = self.at(near, left).is_some() && self.at(far, right).is_some();
        on_grid.then(|| self.extremes(plant)).flatten().map(|d| d.0)
    }

    /// The least and the most within the part of a plant that lies on the grid, in L/ha, at the
    /// points of [`Self::least`]; where the machine turns, at those within the plant's ellipse and on its
    /// outline.
    /// None where no part does.
    #[must_use]
    pub fn extremes(&self, plant: &Plant) -> Option<(f64, f64)> {
        let area = self.area();
        let (near, far) = (
            plant.near().max(area.along.0),
            plant.far().min(area.along.1),
        );
        let left = (plant.y - 0.5 * plant.width).max(area.across.0);
        let right = (plant.y + 0.5 * plant.width).min(area.across.1);
        let points = |low: f64, high: f64| {
            let count = ((high - low) / area.cell).ceil().max(1.0) as u32;
            (0..=count).map(move |i| low + (high - low) * f64::from(i) / f64::from(count))
        };
        if near > far || left > right {
            return None;
        }
        let mut found: Option<(f64, f64)> = None;
        let mut look = |x: f64, y: f64| {
            if let Some(rate) = self.at(x, y) {
                found = Some(found.map_or((rate, rate), |(a, b)| (a.min(rate), b.max(rate))));
            }
        };
        // Where the machine turns: the distance from the middle as a share of the outline's.
        let half = |size: f64| 0.5 * size.max(f64::MIN_POSITIVE);
        let (half_length, half_width) = (half(plant.length), half(plant.width));
        let round = self.swept.is_some();
        let share =
            |x: f64, y: f64| ((x - plant.x) / half_length).hypot((y - plant.y) / half_width);
        for x in points(near, far) {
            for y in points(left, right) {
                if !round || share(x, y) <= 1.0 {
                    look(x, y);
                }
            }
        }
        if round {
            let outline = TAU * half_length.max(half_width);
            let count = (outline / area.cell).ceil().max(8.0);
            for i in 0..count as u32 {
                let (sin, cos) = (TAU * f64::from(i) / count).sin_cos();
                look(plant.x + half_length * cos, plant.y + half_width * sin);
            }
        }
        found
    }

    /// The rate at a place, in L/ha: straight between the middles of cells. None off the
    /// grid.
    #[must_use]
    pub fn at(&self, x: f64, y: f64) -> Option<f64> {
        let (area, counts) = (self.area(), self.counts());
        let place = |at: f64, start: f64, count: usize| {
            let place = (at - start) / area.cell;
            (0.0..=count as f64).contains(&place).then(|| {
                let place = (place - 0.5).clamp(0.0, (count - 1) as f64);
                let i = (place as usize).min(count.saturating_sub(2));
                (i, (i + 1).min(count - 1), place - i as f64)
            })
        };
        let (r0, r1, dr) = place(x, area.along.0, counts.0)?;
        let (c0, c1, dc) = place(y, area.across.0, counts.1)?;
        let row = |r: usize| self.l_ha(r, c0) * (1.0 - dc) + self.l_ha(r, c1) * dc;
        Some(row(r0) * (1.0 - dr) + row(r1) * dr)
    }
}
