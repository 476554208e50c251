//! How much room an edge needs that several nozzles make together.
//!
//! Room is how far a plant's edge lies beyond the place at which spraying was to be full: the lead
//! or trail, less what the plant is believed off. What is wrong at an edge is alike for all nozzles
//! over the plant (a time that is told wrong, the plant's own end), or each one's own (its valve). All
//! of it together tells the share of plants for which some room is enough.

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::normal::{Table, quantile};

/// Nozzles whose doses add up over a plant, at one place of it between them.
#[derive(Clone, Debug, PartialEq)]
pub struct Set {
    /// At each point across that is looked at, what each nozzle gives at full flow, as shares of
    /// the broadcast dose.
    pub doses: Vec<Vec<f64>>,
}

/// How a boom adds doses up.
#[derive(Clone, Debug, PartialEq)]
pub struct Sums {
    /// Sets, each for as many plants as any other.
    pub sets: Vec<Set>,
    /// Share of the broadcast dose that every point is to get.
    pub wanted: f64,
    /// Ground over which a nozzle's dose rises at an opening, in metres, and falls at a closing.
    pub ramps_m: (f64, f64),
}

/// Draws for each set.
const DRAWS: usize = 48;
/// Cells of a table of room.
const CELLS: usize = 1600;
/// Standard deviations that count.
const FAR: f64 = 6.0;
/// Where doses are summed, sets are drawn; a part this large of each nozzle's own spread is then
/// smooth, so that few draws do.
const SMOOTH: f64 = 0.25;

/// The share of plants for which so much room is enough, as a table.
#[derive(Clone, Debug)]
pub(super) struct Room {
    from: f64,
    step: f64,
    shares: Vec<f64>,
}

impl Room {
    /// Straight between the table's places.
    pub fn enough(&self, room: f64) -> f64 {
        let place = (room - self.from) / self.step;
        if place <= 0.0 {
            return 0.0;
        }
        let index = place as usize;
        match (self.shares.get(index), self.shares.get(index + 1)) {
            (Some(a), Some(b)) => a + (b - a) * (place - index as f64),
            _ => 1.0,
        }
    }

    fn over((from, to): (f64, f64), share: impl Fn(f64) -> f64) -> Self {
        let step = (to - from) / CELLS as f64;
        Self {
            from,
            step,
            shares: (0..=CELLS).map(|i| share(from + i as f64 * step)).collect(),
        }
    }

    /// Where all of `nozzles` are to be full: one standard deviation of what is each one's `own`, and
    /// of what is `alike`, metres.
    pub fn of_all(nozzles: u32, own: f64, alike: f64, table: &Table) -> Self {
        let reach = (FAR + 2.0) * own.hypot(alike);
        // Half of what is a nozzle's own is fine enough for what is alike.
        let half = (2.0 * FAR * alike / own).ceil().min(400.0) as i32;
        let places: Vec<(f64, f64)> = (-half..=half)
            .map(|i| {
                let sds = f64::from(i) * FAR / f64::from(half.max(1));
                (sds * alike, (-0.5 * sds * sds).exp())
            })
            .collect();
        let all: f64 = places.iter().map(|p| p.1).sum();
        Self::over((-reach, reach), |room| {
            let shares = places.iter().map(|&(a, weight)| {
                let one = table.below((room - a) / own);
                weight * one.powi(nozzles as i32)
            });
            shares.sum::<f64>() / all
        })
    }

    /// Where doses are summed over a `ramp` in metres: a nozzle that is late lacks dose by how late
    /// it is, and the others may make up for it.
    pub fn of_sums(sums: &Sums, ramp: f64, (own, alike): (f64, f64), table: &Table) -> Self {
        let mut needs = drawn(sums, ramp, own);
        let n = needs.len().max(1) as f64;
        let mean = needs.iter().sum::<f64>() / n;
        let variance = needs.iter().map(|u| (u - mean).powi(2)).sum::<f64>() / n;
        // What is alike, and a part of what is drawn, is spread evenly over the draws.
        let smooth = alike.max(SMOOTH * own);
        let drawn = variance + alike * alike - smooth * smooth;
        let closer = if variance > 0.0 {
            (drawn.max(0.0) / variance).sqrt()
        } else {
            1.0
        };
        let (mut low, mut high) = (mean, mean);
        for need in &mut needs {
            *need = mean + closer * (*need - mean);
            (low, high) = (low.min(*need), high.max(*need));
        }
        let reach = (FAR + 2.0) * smooth;
        Self::over((low - reach, high + reach), |room| {
            let enough = needs.iter().map(|need| table.below((room - need) / smooth));
            enough.sum::<f64>() / n
        })
    }
}

/// For each set and draw of what is each nozzle's own, the room that is just enough.
fn drawn(sums: &Sums, ramp: f64, own: f64) -> Vec<f64> {
    let ramp = ramp.max(1e-6);
    let mut rng = Pcg64Mcg::seed_from_u64(0x6275_6666);
    // Evenly over the distribution, in another order for each nozzle.
    let strata: Vec<f64> = (0..DRAWS)
        .map(|i| own * quantile((i as f64 + 0.5) / DRAWS as f64))
        .collect();
    let mut needs = Vec::with_capacity(sums.sets.len() * DRAWS);
    for set in &sums.sets {
        let nozzles = set.doses.iter().map(Vec::len).max().unwrap_or(0);
        let late: Vec<Vec<f64>> = (0..nozzles)
            .map(|_| {
                let mut own = strata.clone();
                for i in (1..own.len()).rev() {
                    own.swap(i, rng.random_range(0..=i));
                }
                own
            })
            .collect();
        for draw in 0..DRAWS {
            let enough = |room: f64| {
                set.doses.iter().all(|point| {
                    let given = point.iter().zip(&late).map(|(dose, late)| {
                        dose * (1.0 + (room - late[draw]) / ramp).clamp(0.0, 1.0)
                    });
                    given.sum::<f64>() >= sums.wanted
                })
            };
            let latest = late.iter().map(|l| l[draw]).fold(0.0, f64::max);
            let earliest = late.iter().map(|l| l[draw]).fold(0.0, f64::min);
            let (mut low, mut high) = (earliest - ramp, latest);
            for _ in 0..16 {
                let middle = 0.5 * (low + high);
                if enough(middle) {
                    high = middle;
                } else {
                    low = middle;
                }
            }
            needs.push(high);
        }
    }
    needs
}

#[cfg(test)]
mod tests {
    use super::super::normal::below;
    use super::*;

    const OWN: f64 = 0.010;

    #[test]
    fn nozzles_for_themselves_multiply_and_alike_they_do_not() {
        let table = Table::new();
        for sds in [-1.0, 0.5, 2.3] {
            let share = below(sds);
            let apart = Room::of_all(3, OWN, 0.0, &table).enough(sds * OWN);
            assert!((apart - share.powi(3)).abs() < 1e-4, "{apart}");
            let alike = Room::of_all(3, 0.05 * OWN, OWN, &table).enough(sds * OWN);
            // Three that differ by a twentieth: the last of them is 0.846 of that late (Tippett,
            // On the extreme individuals, Biometrika 17, 1925, the mean largest of three).
            let want = below((sds - 0.846 * 0.05) / 1.0);
            assert!((alike - want).abs() < 2e-3, "{alike} {want}");
        }
    }

    /// One nozzle that gives just what is wanted is one that may not be late at all; of two that
    /// give as much each, where either does, both would have to be.
    #[test]
    fn doses_that_are_spared_may_be_late() {
        let table = Table::new();
        let sums = |doses: &[f64]| Sums {
            // As many as a boom has places: each is drawn anew.
            sets: vec![
                Set {
                    doses: vec![doses.to_vec()],
                };
                40
            ],
            wanted: 1.0,
            ramps_m: (0.02, 0.02),
        };
        let enough = |doses: &[f64], alike: f64, sds: f64| {
            let sums = sums(doses);
            Room::of_sums(&sums, 0.02, (OWN, alike), &table).enough(sds * OWN)
        };
        for sds in [-0.5, 0.8, 2.0] {
            let alone = enough(&[1.0], 0.0, sds);
            assert!((alone - below(sds)).abs() < 0.01, "{alone}");
            // Twice the dose may lack half of it: half a ramp, one standard deviation.
            let strong = enough(&[2.0], 0.0, sds);
            assert!((strong - below(sds + 1.0)).abs() < 0.01, "{strong}");
            // What is alike adds by the squares.
            let both = enough(&[1.0], OWN, sds);
            assert!((both - below(sds / 2.0_f64.sqrt())).abs() < 0.01, "{both}");
        }
        // Two halves are both needed.
        let halves = enough(&[0.5, 0.5], 0.0, 1.0);
        assert!((halves - below(1.0).powi(2)).abs() < 0.02, "{halves}");
        // Two wholes: lateness adds up to a ramp. Both at one standard deviation's room and each
        // late by 2 more with a chance of 0.0013 may not: next to never.
        assert!(enough(&[1.0, 1.0], 0.0, 1.0) > 0.999);
    }
}
