//! Ground that no detector saw, on the way of each nozzle.
//!
//! Two answers are given. Ground that *nobody ever saw* must be wet where unseen ground is to be
//! sprayed. Ground that *may not have been seen in time* is free: a controller may take it for
//! unseen, or not. Between the two lies what was surely seen in time.
//!
//! An image covers a rectangle of the field before the boom as it lay at the capture. Where the
//! machine turns, the lane is followed over the field, and ground counts as seen by anybody when
//! any of the lane's width there lay in an image since which the machine turned by less than half a
//! circle: nobody maps the field. It counts as surely seen when two things hold. All of the lane's
//! width that the detector looks at lay in the image. And when the boom comes by, all of the view's
//! width is over the image at once, since the interface tells of a stretch of each detector and
//! not of a shape: it counts from where the last lane in view comes to its near end to where the
//! first comes to its far end.

use super::input::{JudgeInput, TrueNozzle};
use super::orders::{Ground1d, Orders, ROOM_M, SeenGround, both, joined, without};
use crate::path::Pose;
use crate::turning::Turning;
use crate::{Ground, Travel};

/// Where the machine turns, lanes are followed in steps of this much of the path, in metres: ground
/// within a step of an edge is neither seen for sure nor unseen for sure.
const STEP_M: f64 = 0.02;
/// So far a view's side may be off, in metres: rounding.
const HAIR_M: f64 = 1e-6;

/// Ground of a lane, sorted and apart.
pub(super) struct Unseen {
    /// Nobody ever saw it.
    pub must: Ground1d,
    /// It may not have been seen in time.
    pub may: Ground1d,
}

/// Tells nozzle `index`, which is `n`, of the ground that its lane comes over.
pub(super) fn unseen(
    orders: &Orders,
    input: &JudgeInput<'_>,
    (index, n): (usize, &TrueNozzle),
) -> Unseen {
    let way = input.way(index);
    // Spray reaches this far over the edge of what was seen.
    let fast = way.speed(0.0).max(20.0);
    let lead = input.patch.whole_lead(n, fast) + ROOM_M;
    let trail = input.patch.whole_trail(n, fast) + ROOM_M;
    let (from, to) = input.stretch(index);
    let all = [(from - 10.0, to + 10.0)];
    let lane = (n.y - 0.5 * n.lane_width_m, n.y + 0.5 * n.lane_width_m);
    let followed = (input.ground.turning()).map(|turning| Followed::new(turning, way, n, lane));
    let mut ever = Vec::new();
    let mut surely = all.to_vec();
    for (detector, &view) in orders.views.iter().enumerate() {
        let looks = view.1 > lane.0 + ROOM_M && view.0 < lane.1 - ROOM_M;
        if !looks && followed.is_none() {
            continue;
        }
        let images = || (orders.seen.iter()).filter(|s| s.detector == detector);
        let reached = |s: &SeenGround| {
            let acted = s.arrived_s + orders.reaction_s + n.valve.open_delay_s;
            n.lands(way, acted) + lead
        };
        let in_time = match &followed {
            None => straight(input.ground, images(), reached, &mut ever),
            Some(followed) => followed.over(images(), view, reached, &mut ever),
        };
        if looks {
            let shrunk = joined(in_time)
                .into_iter()
                .map(|i| (i.0 + trail, i.1 - lead))
                .collect();
            surely = both(&surely, &joined(shrunk));
        }
    }
    let looked_at = |view: &(f64, f64)| view.1 > lane.0 + ROOM_M && view.0 < lane.1 - ROOM_M;
    if ever.is_empty() || !orders.views.iter().any(looked_at) {
        surely.clear();
    }
    let must = without(&all, &joined(ever));
    let must = must
        .into_iter()
        .map(|i| (i.0 + ROOM_M, i.1 - ROOM_M))
        .collect();
    Unseen {
        must: joined(must),
        may: without(&all, &surely),
    }
}

/// What images saw of straight ground: adds it to `ever`, and gives back what of it was in time.
fn straight<'s>(
    ground: &dyn Ground,
    images: impl Iterator<Item = &'s SeenGround>,
    reached: impl Fn(&SeenGround) -> f64,
    ever: &mut Ground1d,
) -> Ground1d {
    let mut in_time = Vec::new();
    for s in images {
        let here = ground.position(s.captured_s);
        let (from, to) = (here + s.from_m, here + s.to_m);
        ever.push((from, to));
        in_time.push((from.max(reached(s)), to));
    }
    in_time
}

/// A lane over the field, step by step.
struct Followed<'a> {
    travel: &'a Travel,
    /// Its borders, to the right of the boom's middle.
    lane: (f64, f64),
    rows: Vec<Row>,
}

/// The line across the lane on which spray comes down.
struct Row {
    t: f64,
    /// Along the nozzle's own way.
    x: f64,
    /// On the field: where it meets the boom's middle, and its direction to the right.
    middle: (f64, f64),
    right: (f64, f64),
    heading: f64,
}

impl Row {
    /// The place of the field `y` to the right.
    fn place(&self, y: f64) -> (f64, f64) {
        (
            self.middle.0 + y * self.right.0,
            self.middle.1 + y * self.right.1,
        )
    }
}

impl<'a> Followed<'a> {
    fn new(turning: &'a Turning, way: &dyn Ground, n: &TrueNozzle, lane: (f64, f64)) -> Self {
        let travel = turning.travel();
        let motion = travel.motion();
        let length = motion.position(motion.end());
        let steps = (length / STEP_M).ceil().max(1.0) as u64;
        let rows = (0..=steps)
            .filter_map(|step| motion.time_at((step as f64 * STEP_M).min(length)))
            .map(|t| {
                let boom = travel.boom(t);
                let throw = travel.throw(t, (n.x, n.y), n.throw_s);
                Row {
                    t,
                    x: n.lands(way, t),
                    middle: boom.place(n.x + throw.0, throw.1),
                    right: boom.right(),
                    heading: boom.heading,
                }
            })
            .collect();
        Self { travel, lane, rows }
    }

    /// What a detector's images saw of the lane, as [`straight`] gives it.
    fn over<'s>(
        &self,
        images: impl Iterator<Item = &'s SeenGround>,
        view: (f64, f64),
        reached: impl Fn(&SeenGround) -> f64,
        ever: &mut Ground1d,
    ) -> Ground1d {
        let mut any = vec![false; self.rows.len()];
        let mut sure = vec![false; self.rows.len()];
        let part = (self.lane.0.max(view.0), self.lane.1.min(view.1));
        for s in images {
            let eye = Eye::new(&self.travel.boom(s.captured_s), s, view);
            let reached = reached(s);
            let first = self.rows.partition_point(|r| r.t <= s.captured_s);
            for (k, row) in self.rows.iter().enumerate().skip(first) {
                let turned = (row.heading - eye.heading).abs();
                let place = |y: f64| eye.sees(row.place(y));
                let lane = (place(self.lane.0), place(self.lane.1));
                if turned >= std::f64::consts::PI
                    || (turned < 1.0 && lane.0.0.min(lane.1.0) > s.to_m)
                {
                    break;
                }
                if !eye.touches(lane.0, lane.1) {
                    continue;
                }
                any[k] = true;
                let along = |p: (f64, f64)| (s.from_m..=s.to_m).contains(&p.0);
                let whole = |p: (f64, f64)| eye.holds(p);
                sure[k] = sure[k]
                    || row.x >= reached
                        && turned < 1.0
                        && along(place(view.0))
                        && along(place(view.1))
                        && whole(place(part.0))
                        && whole(place(part.1));
            }
        }
        let x = |k: usize| self.rows[k.min(self.rows.len() - 1)].x;
        let mut in_time = Vec::new();
        for k in 0..self.rows.len() {
            if any[k] {
                let (a, b) = (x(k.saturating_sub(1)), x(k + 1));
                ever.push((a.min(b), a.max(b)));
            }
            if sure[k] && sure.get(k + 1) == Some(&true) {
                in_time.push((x(k).min(x(k + 1)), x(k).max(x(k + 1))));
            }
        }
        in_time
    }
}

/// The rectangle that one image covers, before the boom as it lay at the capture.
struct Eye {
    at: (f64, f64),
    heading: f64,
    /// Direction ahead.
    ahead: (f64, f64),
    along: (f64, f64),
    across: (f64, f64),
}

impl Eye {
    fn new(boom: &Pose, seen: &SeenGround, view: (f64, f64)) -> Self {
        Self {
            at: (boom.x, boom.y),
            heading: boom.heading,
            ahead: boom.ahead(),
            along: (seen.from_m, seen.to_m),
            across: (view.0 - HAIR_M, view.1 + HAIR_M),
        }
    }

    /// How far ahead and to the right of the boom a place of the field lay.
    fn sees(&self, place: (f64, f64)) -> (f64, f64) {
        let (x, y) = (place.0 - self.at.0, place.1 - self.at.1);
        let (c, s) = self.ahead;
        (x * c + y * s, y * c - x * s)
    }

    fn holds(&self, p: (f64, f64)) -> bool {
        (self.along.0..=self.along.1).contains(&p.0)
            && (self.across.0..=self.across.1).contains(&p.1)
    }

    /// Whether the straight line between two places has any part in the image.
    fn touches(&self, a: (f64, f64), b: (f64, f64)) -> bool {
        let (mut from, mut to) = (0.0_f64, 1.0_f64);
        for (p, way, side) in [(a.0, b.0 - a.0, self.along), (a.1, b.1 - a.1, self.across)] {
            if way.abs() < 1e-12 {
                if !(side.0..=side.1).contains(&p) {
                    return false;
                }
                continue;
            }
            let (s, t) = ((side.0 - p) / way, (side.1 - p) / way);
            from = from.max(s.min(t));
            to = to.min(s.max(t));
        }
        from <= to
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_across_a_view_is_told_from_one_beside_it() {
        // 1 to 3 m ahead and 2 m to either side of a boom at (5, 1) that points along y.
        let boom = Pose {
            x: 5.0,
            y: 1.0,
            heading: std::f64::consts::FRAC_PI_2,
        };
        let seen = SeenGround {
            arrived_s: 0.0,
            captured_s: 0.0,
            detector: 0,
            from_m: 1.0,
            to_m: 3.0,
        };
        let eye = Eye::new(&boom, &seen, (-2.0, 2.0));
        // Right of it is towards smaller x.
        let at = eye.sees((4.0, 3.5));
        assert!((at.0 - 2.5).abs() < 1e-12 && (at.1 - 1.0).abs() < 1e-12);
        assert!(
            eye.holds(at) && !eye.holds(eye.sees((4.0, 4.5))) && !eye.holds(eye.sees((2.5, 3.0)))
        );
        let line = |a, b| eye.touches(eye.sees(a), eye.sees(b));
        assert!(line((5.0, 3.0), (5.5, 3.0)));
        // Both ends beside it, the middle in it; and a corner that is just missed.
        assert!(line((0.0, 3.0), (10.0, 3.0)));
        assert!(line((2.0, 2.5), (3.8, 4.2)) && !line((2.0, 3.5), (3.0, 4.6)));
        assert!(!line((2.0, 3.0), (2.9, 3.0)) && !line((5.0, 4.1), (5.5, 4.1)));
    }
}
