//! What a grid tells.

use super::grid::Deposit;
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
    /// columns over their mean.
    pub across_cv: f64,
}

impl Deposit {
    /// All that was sprayed, in litres, beside the grid too.
    #[must_use]
    pub fn sprayed_litres(&self) -> f64 {
        self.sprayed
    }

    /// Figures of the ground between `along` and `across`, held against a rate of
    /// `wanted_l_ha`. Cells count whose middle lies within; none where none does.
    #[must_use]
    pub fn figures(
        &self,
        along: (f64, f64),
        across: (f64, f64),
        wanted_l_ha: f64,
    ) -> Option<Figures> {
        let cell = self.area().cell;
        let within = |count: usize, start: f64, (low, high): (f64, f64)| -> Vec<usize> {
            let middle = |i: &usize| start + (*i as f64 + 0.5) * cell;
            (0..count)
                .filter(|i| (low..=high).contains(&middle(i)))
                .collect()
        };
        let (area, counts) = (self.area(), self.counts());
        let rows = within(counts.0, area.along.0, along);
        let columns = within(counts.1, area.across.0, across);
        if rows.is_empty() || columns.is_empty() {
            return None;
        }
        let count = (rows.len() * columns.len()) as f64;
        let (mut over, mut dry, mut most) = (0.0, 0.0, 0.0_f64);
        let mut means = Vec::with_capacity(columns.len());
        for &column in &columns {
            let mut sum = 0.0;
            for &row in &rows {
                let rate = self.l_ha(row, column);
                sum += rate;
                most = most.max(rate);
                over += f64::from(u8::from(rate > OVER * wanted_l_ha));
                dry += f64::from(u8::from(rate < DRY * wanted_l_ha));
            }
            means.push(sum / rows.len() as f64);
        }
        let mean = means.iter().sum::<f64>() / means.len() as f64;
        let spread = means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / means.len() as f64;
        Some(Figures {
            litres: mean * count * cell * cell / 10_000.0,
            mean_l_ha: mean,
            most_l_ha: most,
            over_share: over / count,
            dry_share: dry / count,
            across_cv: if mean > 0.0 {
                spread.sqrt() / mean
            } else {
                0.0
            },
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
    /// points of [`Self::least`]. None where no part does.
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
        for x in points(near, far) {
            for y in points(left, right) {
                let rate = self.at(x, y)?;
                found = Some(found.map_or((rate, rate), |(a, b)| (a.min(rate), b.max(rate))));
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
