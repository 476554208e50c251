//! How far aside of the true plant the controller was, told from the nozzles it opened.
//!
//! A command has no place across; but if a controller takes a plant's side to be `e` too
//! far to the right, it opens a wrong nozzle there as often as a border of two lanes lies
//! between: in a share `e/w` of all cases, lanes being `w` wide (Buffon's needle, across).
//! For a wrong side let `d` be the way from the true side to the nearest border of the
//! lane that was wrongly the outermost. Over sides that lie anywhere in their lanes alike
//! `d` is spread evenly over `e − w` to `e`, as far as above 0. So the mean over all sides
//! of `w·(⌊d/w⌋ + 1)` is `e`, and that of `2w·Σ(d − j·w)`, `j` from 0 to `⌊d/w⌋`, is `e²`,
//! with 0 for the sides that are right: both without bias, whatever the spread of `e`.
//!
//! Only plants that stand alone count, for a neighbour's nozzles can't be told apart, and
//! only sides that do not lie in the outermost lanes.

use super::input::JudgeInput;
use super::report::Outcome;
use super::spray::{Sprayed, overlapping};
use crate::Plant;

/// A plant stands alone if no other lies this near beside its own margins, in metres.
const ALONE_M: f64 = 1.0;
/// A side this close to a lane's border may count to either lane, in metres.
const GRAZE: f64 = 0.5e-3;

/// One side of a plant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Side {
    /// Which plant.
    pub plant: usize,
    /// The nozzle whose lane the side truly lies in.
    pub nozzle: usize,
    /// From the side to the nearest border of the lane that was the outermost opened, in
    /// metres, positive to the right; 0 where that is the side's own.
    pub off_m: f64,
    /// Width of the lanes there, in metres.
    pub lane_m: f64,
}

/// What sides add up to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Across {
    /// How many sides were looked at.
    pub sides: usize,
    /// At how many of them a wrong nozzle was the outermost.
    pub wrong: usize,
    /// The error's mean, in metres, positive to the right.
    pub mean: f64,
    /// The root of its mean square, in metres.
    pub rms: f64,
}

impl Across {
    /// Sums up sides.
    #[must_use]
    pub fn of(sides: &[Side]) -> Self {
        let mut sum = (0, 0.0, 0.0);
        for side in sides.iter().filter(|s| s.off_m != 0.0) {
            let (w, d) = (side.lane_m, side.off_m.abs());
            let lanes = (d / w).floor();
            sum.0 += 1;
            sum.1 += side.off_m.signum() * w * (lanes + 1.0);
            sum.2 += 2.0 * w * (lanes + 1.0) * (d - 0.5 * lanes * w);
        }
        let n = sides.len().max(1) as f64;
        Self {
            sides: sides.len(),
            wrong: sum.0,
            mean: sum.1 / n,
            rms: (sum.2 / n).sqrt(),
        }
    }
}

/// The sides of all plants that can be told; only asked where the machine turns.
pub(super) fn sides(
    input: &JudgeInput<'_>,
    outcomes: &[Outcome],
    needs: &[Vec<usize>],
    sprayed: &[Sprayed],
) -> Vec<Side> {
    // Where fans are summed the outermost nozzle of a set tells nothing of a lane.
    if input.ground.turning().is_none() || input.fan.is_some() {
        return Vec::new();
    }
    let mut order: Vec<usize> = (0..input.nozzles.len()).collect();
    order.sort_by(|&a, &b| input.nozzles[a].y.total_cmp(&input.nozzles[b].y));
    let alone = alone(input);
    let mut sides = Vec::new();
    for (plant, outcome) in outcomes.iter().enumerate() {
        if matches!(outcome, Outcome::Outside) || !alone[plant] || needs[plant].is_empty() {
            continue;
        }
        let Some(p) = input.abreast(plant) else {
            continue;
        };
        let opened: Vec<usize> = order
            .iter()
            .copied()
            .enumerate()
            .filter(|&(_, n)| {
                // Nozzles farther off than this sprayed for something else.
                (input.nozzles[n].y - p.y).abs() < 0.5 * p.width + ALONE_M + p.length
                    && input.met(plant, n).is_some_and(|met| {
                        overlapping(&sprayed[n].strips, met.near(), met.far()).is_some()
                    })
            })
            .map(|(place, _)| place)
            .collect();
        let (Some(&first), Some(&last)) = (opened.first(), opened.last()) else {
            continue;
        };
        let half = 0.5 * p.width + input.patch.lateral_margin_m;
        for (y, outermost) in [(p.y - half, first), (p.y + half, last)] {
            sides.extend(side(input, &order, plant, y, outermost));
        }
    }
    sides
}

/// One side at `y`, and the place in `order` of the outermost nozzle opened there.
fn side(
    input: &JudgeInput<'_>,
    order: &[usize],
    plant: usize,
    y: f64,
    outermost: usize,
) -> Option<Side> {
    let lane = |place: usize| {
        let n = &input.nozzles[order[place]];
        (n.y - 0.5 * n.lane_width_m, n.y + 0.5 * n.lane_width_m)
    };
    let own = (0..order.len()).find(|&i| lane(i).0 <= y && y < lane(i).1)?;
    if own == 0 || own + 1 == order.len() {
        return None;
    }
    let (left, right) = lane(outermost);
    let off_m = if y < left - GRAZE {
        left - y
    } else if y > right + GRAZE {
        right - y
    } else {
        0.0
    };
    Some(Side {
        plant,
        nozzle: order[own],
        off_m,
        lane_m: input.nozzles[order[own]].lane_width_m,
    })
}

/// For each plant, whether it stands alone.
fn alone(input: &JudgeInput<'_>) -> Vec<bool> {
    let size = |p: &Plant| 0.5 * (p.length + p.width);
    let patch = &input.patch;
    let room = ALONE_M + 2.0 * patch.lateral_margin_m + patch.lead_m + patch.trail_m;
    let largest = input.plants.iter().map(size).fold(0.0, f64::max);
    let mut order: Vec<usize> = (0..input.plants.len()).collect();
    order.sort_by(|&a, &b| input.plants[a].x.total_cmp(&input.plants[b].x));
    let mut alone = vec![true; input.plants.len()];
    for (i, &a) in order.iter().enumerate() {
        let p = &input.plants[a];
        for &b in &order[i + 1..] {
            let q = &input.plants[b];
            if q.x - p.x > size(p) + largest + room {
                break;
            }
            if (q.x - p.x).hypot(q.y - p.y) < size(p) + size(q) + room {
                alone[a] = false;
                alone[b] = false;
            }
        }
    }
    alone
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lanes_tell_an_error_to_the_millimetre() {
        // A side at every 0.1 mm of a lane of 0.25 m, believed `e` too far to the right.
        for e in [0.02_f64, -0.1, 0.25, 0.6] {
            let w = 0.25;
            let sides: Vec<Side> = (0..2500)
                .map(|i| {
                    let y = 1e-4 * (f64::from(i) + 0.5);
                    let lane = ((y + e) / w).floor();
                    let off_m = if lane > 0.0 {
                        lane * w - y
                    } else if lane < 0.0 {
                        (lane + 1.0) * w - y
                    } else {
                        0.0
                    };
                    Side {
                        plant: 0,
                        nozzle: 0,
                        off_m,
                        lane_m: w,
                    }
                })
                .collect();
            let across = Across::of(&sides);
            assert!((across.mean - e).abs() < 1e-4, "{e}: {across:?}");
            assert!((across.rms - e.abs()).abs() < 2e-4, "{e}: {across:?}");
        }
        assert_eq!(Across::of(&[]), Across::default());
    }
}
