//! Plants under a boom that turns: when its fans pass over each, and where that is on the
//! way of every nozzle.
//!
//! A fan is a line across the boom. A nozzle is *at* a plant when the line that its spray
//! then lands on passes over the plant's centre; the edges are passed when the line
//! touches the plant's outline, an ellipse with the plant's length and width along the
//! field's axes. From these instants come the plant's place and extent on the nozzle's
//! own way, so that lead, trail and errors are metres of that way, across the fan.
//!
//! Only the first time that the boom passes a plant going forward counts: what a later
//! pass of the field sprays there again is no part of its dose.

use std::collections::HashMap;
use std::sync::Arc;

use crate::path::Pose;
use crate::travel::{Track, Travel};
use crate::{Ground, Plant, TrueNozzle};

/// The boom is followed in steps of this much of the path, in metres.
const STEP_M: f64 = 0.25;
/// Plants are kept in squares of this size, in metres.
const SQUARE_M: f64 = 2.0;
/// Beyond this from where a plant passes the boom no nozzle is sought, in metres of the path.
const FARTHEST_M: f64 = 64.0;
/// An instant is found when the line lies as close as this, in metres.
const FOUND_M: f64 = 1.0e-10;
/// Rounds in which it is found, at most.
const ROUNDS: usize = 200;

/// A plant as the boom passes it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pass {
    /// When its centre passes the boom's row of nozzles, in seconds.
    pub at_s: f64,
    /// How far to the right of the boom's middle the spray must be aimed: where the plant
    /// lies there, less what the spray drifts aside with the boom's own slide, in metres.
    pub y: f64,
    /// Extent along the boom's way, in metres.
    pub length: f64,
    /// Extent across it, in metres.
    pub width: f64,
}

/// A drive that turns, with its nozzles and plants: the [`Ground`] of the boom reference
/// point, and what [`Ground::turning`] gives.
#[derive(Clone, Debug)]
pub struct Turning {
    middle: Track,
    tracks: Vec<Track>,
    nozzles: Vec<TrueNozzle>,
    plants: Vec<Plant>,
    passes: Vec<Option<Pass>>,
}

impl Turning {
    /// Follows the boom over the plants.
    #[must_use]
    pub fn new(travel: &Arc<Travel>, nozzles: &[TrueNozzle], plants: &[Plant]) -> Self {
        let mut turning = Self {
            middle: Track::of_boom(travel, 0.0),
            tracks: nozzles
                .iter()
                .map(|n| Track::of_boom(travel, n.y))
                .collect(),
            nozzles: nozzles.to_vec(),
            plants: plants.to_vec(),
            passes: vec![None; plants.len()],
        };
        turning.follow();
        turning
    }

    /// The drive.
    #[must_use]
    pub fn travel(&self) -> &Travel {
        self.middle.travel()
    }

    /// The way of a nozzle.
    #[must_use]
    pub fn track(&self, nozzle: usize) -> Option<&Track> {
        self.tracks.get(nozzle)
    }

    /// How the boom first passes a plant; none where it never does.
    #[must_use]
    pub fn pass(&self, plant: usize) -> Option<Pass> {
        self.passes.get(plant).copied().flatten()
    }

    /// A plant as one nozzle meets it: x and length on the nozzle's own way, y and width
    /// across the boom. None where the nozzle does not pass it.
    #[must_use]
    pub fn met(&self, plant: usize, nozzle: usize) -> Option<Plant> {
        let pass = self.pass(plant)?;
        let n = self.nozzles.get(nozzle)?;
        let track = self.tracks.get(nozzle)?;
        let edge = |ahead: f64| {
            let t = self.passes_at(plant, nozzle, pass.at_s, ahead)?;
            Some(track.lands(t, n.x, n.throw_s))
        };
        let near = edge(-0.5 * pass.length)?;
        let far = edge(0.5 * pass.length)?;
        Some(Plant {
            x: 0.5 * (near + far),
            y: pass.y,
            length: far - near,
            width: pass.width,
        })
    }

    /// When what lies `ahead` metres beyond the plant's centre passes the line on which a
    /// nozzle's spray lands, close to `at_s`.
    fn passes_at(&self, plant: usize, nozzle: usize, at_s: f64, ahead: f64) -> Option<f64> {
        let (p, n) = (self.plants.get(plant)?, self.nozzles.get(nozzle)?);
        let travel = self.travel();
        let left = |t: f64| {
            let seen = travel.boom(t).seen((p.x, p.y)).0;
            seen + ahead - n.x - travel.throw(t, (n.x, n.y), n.throw_s).0
        };
        let motion = travel.motion();
        let s = motion.position(at_s);
        let at = |s: f64| {
            if s <= 0.0 {
                // Before the start its speed holds.
                s / motion.speed(0.0).max(0.1)
            } else {
                let (end, v) = (motion.end(), motion.speed(motion.end()).max(0.1));
                motion
                    .time_at(s)
                    .unwrap_or_else(|| end + (s - motion.position(end)) / v)
            }
        };
        let mut reach = 0.5;
        while reach <= FARTHEST_M {
            let (from, to) = (at(s - reach), at(s + reach));
            let ends = (left(from), left(to));
            if ends.0 >= 0.0 && ends.1 <= 0.0 {
                return Some(root(left, (from, ends.0), (to, ends.1)));
            }
            reach *= 2.0;
        }
        None
    }

    /// Follows the boom over the field and notes each plant that it first passes.
    fn follow(&mut self) {
        if self.nozzles.is_empty() || self.plants.is_empty() {
            return;
        }
        let lanes = self.nozzles.iter();
        let half = |n: &TrueNozzle| 0.5 * n.lane_width_m;
        // Room for what the spray drifts aside, and for plants that reach in from beside.
        let room = 2.0;
        let left = lanes
            .clone()
            .map(|n| n.y - half(n))
            .fold(f64::INFINITY, f64::min)
            - room;
        let right = lanes
            .clone()
            .map(|n| n.y + half(n))
            .fold(f64::NEG_INFINITY, f64::max)
            + room;
        let row = lanes.map(|n| n.x).sum::<f64>() / self.nozzles.len() as f64;
        let squares = Squares::new(&self.plants);

        let travel = Arc::clone(self.middle.travel());
        let motion = travel.motion();
        // A throw before the start and after the end: the first and last speeds hold there.
        let length = motion.position(motion.end());
        let steps = (length / STEP_M).ceil() as u64 + 1;
        let mut before = travel.boom(0.0);
        let mut t_before = 0.0;
        for step in 1..=steps {
            let s = (step as f64 * STEP_M).min(length);
            let t = motion.time_at(s).unwrap_or(motion.end());
            let now = travel.boom(t);
            for index in squares.between(&before, &now, row, (left, right)) {
                if self.passes[index].is_some() {
                    continue;
                }
                let place = (self.plants[index].x, self.plants[index].y);
                let (a, b) = (before.seen(place), now.seen(place));
                let (a, b) = ((a.0 - row, a.1), (b.0 - row, b.1));
                if a.0 > 0.0 && b.0 <= 0.0 {
                    let part = a.0 / (a.0 - b.0);
                    let y = a.1 + part * (b.1 - a.1);
                    if (left..=right).contains(&y) {
                        self.passes[index] =
                            self.first_pass(index, t_before + part * (t - t_before), y);
                    }
                }
            }
            (before, t_before) = (now, t);
        }
    }

    /// How a plant is passed that passes the boom close to `at_s`, some `y` to the right.
    fn first_pass(&self, index: usize, at_s: f64, y: f64) -> Option<Pass> {
        let off = |n: &TrueNozzle| (n.y - y).abs();
        let (nozzle, n) = self
            .nozzles
            .iter()
            .enumerate()
            .min_by(|a, b| off(a.1).total_cmp(&off(b.1)))?;
        let t = self.passes_at(index, nozzle, at_s, 0.0)?;
        let p = self.plants[index];
        let pose = self.travel().boom(t);
        let (sin, cos) = pose.heading.sin_cos();
        Some(Pass {
            at_s: t,
            y: pose.seen((p.x, p.y)).1 - self.travel().throw(t, (n.x, n.y), n.throw_s).1,
            length: (p.length * cos).hypot(p.width * sin),
            width: (p.length * sin).hypot(p.width * cos),
        })
    }
}

impl Ground for Turning {
    fn position(&self, t: f64) -> f64 {
        self.middle.position(t)
    }

    fn speed(&self, t: f64) -> f64 {
        self.middle.speed(t)
    }

    fn time_at(&self, x: f64) -> Option<f64> {
        self.middle.time_at(x)
    }

    fn end(&self) -> f64 {
        self.middle.end()
    }

    fn lands(&self, t: f64, mount: f64, throw_s: f64) -> f64 {
        self.middle.lands(t, mount, throw_s)
    }

    fn turning(&self) -> Option<&Turning> {
        Some(self)
    }
}

/// The root between two instants at which `f` is 0 or more and 0 or less: by the secant
/// where that helps (the Illinois rule), else by halving.
fn root(f: impl Fn(f64) -> f64, from: (f64, f64), to: (f64, f64)) -> f64 {
    let ((mut a, mut fa), (mut b, mut fb)) = (from, to);
    let mut last = 0;
    for round in 0..ROUNDS {
        if fa == 0.0 || b - a < 1e-13 {
            return a;
        }
        let middle = 0.5 * (a + b);
        let secant = a + (b - a) * fa / (fa - fb);
        // Every fourth round halves, for lines that whip makes crooked.
        let t = if round % 4 == 3 || !(a..=b).contains(&secant) {
            middle
        } else {
            secant
        };
        let ft = f(t);
        if ft.abs() < FOUND_M {
            return t;
        }
        if ft > 0.0 {
            (a, fa) = (t, ft);
            if last == 1 {
                fb *= 0.5;
            }
            last = 1;
        } else {
            (b, fb) = (t, ft);
            if last == -1 {
                fa *= 0.5;
            }
            last = -1;
        }
    }
    0.5 * (a + b)
}

/// Plants by the square of the field that they stand in.
pub(crate) struct Squares {
    plants: HashMap<(i64, i64), Vec<usize>>,
}

fn square(m: f64) -> i64 {
    (m / SQUARE_M).floor() as i64
}

impl Squares {
    pub(crate) fn new(plants: &[Plant]) -> Self {
        let mut all: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
        for (index, p) in plants.iter().enumerate() {
            all.entry((square(p.x), square(p.y)))
                .or_default()
                .push(index);
        }
        Self { plants: all }
    }

    /// The plants in squares that a row of the boom may sweep from one pose to the other,
    /// in order.
    fn between(&self, a: &Pose, b: &Pose, row: f64, across: (f64, f64)) -> Vec<usize> {
        self.around(&[(*a, (row, row)), (*b, (row, row))], across)
    }

    /// The plants in squares that ground touches which lies so far ahead (from, to) of
    /// poses, and between them, and so far to the right, in order.
    pub(crate) fn around(
        &self,
        poses: &[(Pose, (f64, f64))],
        (left, right): (f64, f64),
    ) -> Vec<usize> {
        let mut found = Vec::new();
        let mut seen: Vec<(i64, i64)> = Vec::new();
        let pieces = ((right - left) / SQUARE_M).ceil().max(1.0);
        for piece in 0..pieces as u32 {
            let y = |i: u32| left + (right - left) * f64::from(i) / pieces;
            let corners: Vec<(f64, f64)> = poses
                .iter()
                .flat_map(|(pose, (from, to))| {
                    [piece, piece + 1]
                        .into_iter()
                        .flat_map(move |i| [pose.place(*from, y(i)), pose.place(*to, y(i))])
                })
                .collect();
            let fold = |of: fn(&(f64, f64)) -> f64, pick: fn(f64, f64) -> f64| {
                square(corners.iter().map(of).reduce(pick).unwrap_or_default())
            };
            let xs = fold(|c| c.0, f64::min)..=fold(|c| c.0, f64::max);
            let ys = fold(|c| c.1, f64::min)..=fold(|c| c.1, f64::max);
            for key in xs.flat_map(|x| ys.clone().map(move |y| (x, y))) {
                if !seen.contains(&key) {
                    seen.push(key);
                    found.extend(self.plants.get(&key).into_iter().flatten().copied());
                }
            }
        }
        found.sort_unstable();
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::path::Leg;
    use crate::travel::Rig;
    use crate::{Motion, Piece, Valve};

    fn nozzle(x: f64, y: f64, throw_s: f64) -> TrueNozzle {
        TrueNozzle {
            x,
            y,
            lane_width_m: 0.5,
            throw_s,
            thickness_m: 0.0,
            valve: Valve::default(),
        }
    }

    fn plant(x: f64, y: f64) -> Plant {
        Plant {
            x,
            y,
            length: 0.1,
            width: 0.06,
        }
    }

    fn drive(legs: &[Leg], rig: Rig, v: f64, seconds: f64) -> Arc<Travel> {
        let piece = Piece {
            duration_s: seconds,
            acceleration: 0.0,
        };
        let motion = Motion::new(0.0, v, &[piece]).expect("steady");
        Arc::new(Travel::new(motion, legs, rig).expect("a drive"))
    }

    #[test]
    fn on_a_straight_leg_a_plant_is_met_where_it_stands() {
        let travel = drive(&[Leg::straight(100.0)], Rig::default(), 5.0, 20.0);
        let nozzles = [nozzle(-0.3, -0.25, 0.05), nozzle(0.2, 0.25, 0.05)];
        let plants = [plant(30.0, 0.1), plant(40.0, 9.0), plant(0.1, 0.2)];
        let turning = Turning::new(&travel, &nozzles, &plants);
        for n in 0..2 {
            let met = turning.met(0, n).expect("passed");
            assert!((met.x - 30.0).abs() < 1e-9 && (met.length - 0.1).abs() < 1e-9);
            assert!((met.y - 0.1).abs() < 1e-9 && met.width == 0.06);
        }
        assert_eq!(turning.met(1, 0), None);
    }

    #[test]
    fn on_an_arc_each_nozzle_meets_a_plant_after_its_own_share_of_the_way() {
        // Axle on a circle of 20 m to the right about (0, 20). A plant under the boom
        // after 30° lies on a ray: nozzle at y is on it after (20 − y)·π/6.
        let radius = 20.0;
        let travel = drive(&[Leg::arc(100.0, 1.0 / radius)], Rig::default(), 5.0, 20.0);
        let angle = std::f64::consts::FRAC_PI_6;
        let mut nozzles = Vec::new();
        let mut plants = Vec::new();
        for y in [-12.0, -4.0, 0.0, 7.0, 12.0] {
            nozzles.push(nozzle(0.0, y, 0.0));
            let r = radius - y;
            plants.push(Plant {
                x: r * angle.sin(),
                y: radius - r * angle.cos(),
                length: 0.08,
                width: 0.08,
            });
        }
        let turning = Turning::new(&travel, &nozzles, &plants);
        for (i, n) in nozzles.iter().enumerate() {
            let met = turning.met(i, i).expect("passed");
            assert!(
                (met.x - (radius - n.y) * angle).abs() < 1e-6,
                "{i}: {met:?}"
            );
            assert!((met.y - n.y).abs() < 1e-9);
            assert!((met.length - 0.08).abs() < 1e-6 && (met.width - 0.08).abs() < 1e-12);
            let pass = turning.pass(i).expect("passed");
            assert!((pass.at_s - radius * angle / 5.0).abs() < 1e-9);
        }
    }

    #[test]
    fn spray_of_a_sliding_boom_is_aimed_inwards() {
        // 3 m behind on 15 m to the right at 5 m/s the boom slides to the left with 1 m/s:
        // spray that flies for 0.1 s lands 0.1 m to the left of its nozzle.
        let rig = Rig {
            behind_axle_m: 3.0,
            ..Rig::default()
        };
        let travel = drive(&[Leg::arc(100.0, 1.0 / 15.0)], rig, 5.0, 10.0);
        let at = travel.boom(2.0).place(0.5, 1.0);
        let turning = Turning::new(&travel, &[nozzle(0.0, 1.0, 0.1)], &[plant(at.0, at.1)]);
        // At 2 s the spray lands 0.1·5·(1 − 1/15) = 0.4667 m ahead, the plant is 0.5 m
        // ahead: passed 0.0333/4.667 s later, when it has moved a little to the right.
        let pass = turning.pass(0).expect("passed");
        assert!(
            (pass.at_s - 2.0 - 0.033_33 / 4.6667).abs() < 1e-4,
            "{pass:?}"
        );
        let drift = travel.throw(pass.at_s, (0.0, 1.0), 0.1).1;
        assert!((drift + 0.1).abs() < 1e-12);
        let seen = travel.boom(pass.at_s).seen(at).1;
        assert!((pass.y - (seen + 0.1)).abs() < 1e-12);
    }

    #[test]
    fn only_the_first_of_two_passes_counts() {
        // Out, round to the left on 3 m, and back over the same ground.
        let legs = crate::Path::headland_turn(30.0, 3.0, 2.0, false);
        let travel = drive(&legs, Rig::default(), 2.0, 35.0);
        let nozzles: Vec<TrueNozzle> = (0..21)
            .map(|i| nozzle(0.0, 0.5 * (f64::from(i) - 10.0), 0.0))
            .collect();
        let turning = Turning::new(&travel, &nozzles, &[plant(20.0, -3.2)]);
        let pass = turning.pass(0).expect("passed");
        assert!((pass.at_s - 10.0).abs() < 1e-9 && (pass.y + 3.2).abs() < 1e-9);
    }
}
