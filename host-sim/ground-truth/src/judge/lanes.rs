//! Which nozzles a plant needs.

use super::input::{JudgeInput, TrueNozzle};
use crate::Plant;

/// Lanes that only touch a plant's margin, to within this many metres, don't
/// serve it.
const TOUCH: f64 = 1e-6;
/// A lane that lies beside a plant's margin by less than this many metres may
/// serve it or not: a controller that works in sixteenths of a millimetre can't
/// tell, and does well to spray.
const GRAZE: f64 = 0.5e-3;

/// The lanes of all nozzles, ready to be asked.
pub(super) struct Lanes {
    /// (left border, right border, nozzle), sorted by the left border.
    lanes: Vec<(f64, f64, usize)>,
    /// The rightmost border of this lane and all before it.
    reach: Vec<f64>,
    margin: f64,
}

impl Lanes {
    pub(super) fn new(input: &JudgeInput<'_>) -> Self {
        let border = |n: &TrueNozzle| (n.y - 0.5 * n.lane_width_m, n.y + 0.5 * n.lane_width_m);
        let mut lanes: Vec<(f64, f64, usize)> = input
            .nozzles
            .iter()
            .enumerate()
            .map(|(i, n)| {
                let (left, right) = border(n);
                (left, right, i)
            })
            .collect();
        lanes.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut most = f64::NEG_INFINITY;
        let reach = lanes
            .iter()
            .map(|l| {
                most = most.max(l.1);
                most
            })
            .collect();
        Self {
            lanes,
            reach,
            margin: input.patch.lateral_margin_m,
        }
    }

    /// The nozzles whose lane overlaps the plant with its margin, in order.
    pub(super) fn needed(&self, plant: &Plant) -> Vec<usize> {
        let half = 0.5 * plant.width + self.margin;
        // A plant without width still lies in the lane around it.
        self.within(plant.y, half - TOUCH.min(half))
    }

    /// The nozzles that may serve the plant but need not.
    pub(super) fn grazed(&self, plant: &Plant, needed: &[usize]) -> Vec<usize> {
        let half = 0.5 * plant.width + self.margin;
        let mut grazed = self.within(plant.y, half + GRAZE);
        grazed.retain(|n| !needed.contains(n));
        grazed
    }

    /// The nozzles whose lane comes within `half` of `y`.
    fn within(&self, y: f64, half: f64) -> Vec<usize> {
        let (left, right) = (y - half, y + half);
        let mut i = self.lanes.partition_point(|l| l.0 <= right);
        let mut found = Vec::new();
        while i > 0 && self.reach[i - 1] >= left {
            i -= 1;
            if self.lanes[i].1 >= left {
                found.push(self.lanes[i].2);
            }
        }
        found.sort_unstable();
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Motion, Patch, Tolerance, Valve};

    #[test]
    fn a_plant_needs_every_lane_that_it_or_its_margin_overlaps() {
        // Lanes of 0.5 m from -1 to 1, given out of order, and a wide one.
        let nozzle = |y: f64, lane_width_m: f64| TrueNozzle {
            x: 0.0,
            y,
            lane_width_m,
            throw_s: 0.0,
            thickness_m: 0.0,
            valve: Valve::default(),
        };
        let nozzles = [
            nozzle(0.75, 0.5),
            nozzle(-0.75, 0.5),
            nozzle(0.25, 0.5),
            nozzle(-0.25, 0.5),
            nozzle(-0.4, 1.0),
        ];
        let ground = Motion::new(0.0, 1.0, &[]).expect("steady");
        let input = JudgeInput {
            ground: &ground,
            nozzles: &nozzles,
            patch: Patch {
                lateral_margin_m: 0.1,
                ..Patch::default()
            },
            plants: &[],
            seen: &[],
            refused: &[],
            commands: &[],
            from_x: 0.0,
            to_x: 1.0,
            tolerance: Tolerance::default(),
            fan: None,
            faulty: &[],
            orders: None,
        };
        let lanes = Lanes::new(&input);
        let needed = |y, width| {
            lanes.needed(&Plant {
                x: 0.0,
                y,
                length: 0.1,
                width,
            })
        };
        assert_eq!(needed(0.75, 0.1), [0]);
        assert_eq!(needed(0.45, 0.1), [0, 2]);
        // 0.4 - 0.05 - 0.1 = 0.25 and + 0.15 = 0.55: into the outer lane.
        assert_eq!(needed(0.4, 0.1), [0, 2]);
        // Touches 0.5 exactly: not needed.
        assert_eq!(needed(0.35, 0.1), [2]);
        // But it may be served from there, and from no farther than half a millimetre.
        let grazed = |y| {
            let plant = Plant {
                x: 0.0,
                y,
                length: 0.1,
                width: 0.1,
            };
            lanes.grazed(&plant, &lanes.needed(&plant))
        };
        assert_eq!(grazed(0.35), [0]);
        assert_eq!(grazed(0.3496), [0]);
        assert!(grazed(0.3494).is_empty());
        assert_eq!(needed(-0.75, 0.1), [1, 4]);
        assert_eq!(needed(0.0, 3.0), [0, 1, 2, 3, 4]);
        assert_eq!(needed(1.05, 0.02), [0]);
        assert!(needed(1.2, 0.1).is_empty() && needed(-1.3, 0.1).is_empty());
    }
}
