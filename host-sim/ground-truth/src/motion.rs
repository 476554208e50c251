//! Exact travel from pieces of constant acceleration.
//!
//! Within a piece `x = x0 + v0·t + a·t²/2` holds exactly, and the time of a
//! place is the root of it, so that no step width enters anywhere. Time starts
//! at 0. Before it the first speed holds, after the last piece the last speed.
//!
//! A [reversing](Motion::reversing) motion may go back; its pieces are cut where it
//! turns, so that each goes one way only.

use crate::Ground;

/// The largest speed taken, in m/s.
const MAX_SPEED: f64 = 200.0;
/// The largest acceleration taken, in m/s².
const MAX_ACCELERATION: f64 = 1_000.0;
/// The longest motion taken, in seconds.
const MAX_TIME: f64 = 1.0e7;
/// The farthest start taken, in metres.
const MAX_START: f64 = 1.0e9;
/// A speed this little below zero is a rounding error of a stop, in m/s.
const ROUNDING: f64 = 1.0e-9;

/// A stretch of time with one acceleration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Piece {
    /// How long it lasts, in seconds, 0 or more.
    pub duration_s: f64,
    /// Acceleration in m/s², negative for braking.
    pub acceleration: f64,
}

/// Why a motion was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum MotionError {
    /// The start is no usable number.
    #[error("start position {0} m is no number within ±1e9; give the boom's x at time 0")]
    Start(f64),
    /// The first speed is no usable number.
    #[error("first speed {0} m/s is not within 0..200; give the speed at time 0")]
    FirstSpeed(f64),
    /// A piece lasts an unusable time.
    #[error("piece {index} lasts {duration_s} s; give a duration of 0 s or more, 1e7 s in all")]
    Duration {
        /// Which piece, from 0.
        index: usize,
        /// The refused duration in seconds.
        duration_s: f64,
    },
    /// A piece accelerates by an unusable amount.
    #[error("piece {index} accelerates by {acceleration} m/s²; keep it within ±1000")]
    Acceleration {
        /// Which piece, from 0.
        index: usize,
        /// The refused acceleration in m/s².
        acceleration: f64,
    },
    /// A piece would end in reverse.
    #[error("piece {index} ends at {speed} m/s; shorten the braking so that it ends at 0 or more")]
    NegativeSpeed {
        /// Which piece or speed point, from 0.
        index: usize,
        /// The speed it would end at, in m/s.
        speed: f64,
    },
    /// A piece ends faster than any machine goes.
    #[error("piece {index} ends at {speed} m/s; keep the speed at 200 or below")]
    TooFast {
        /// Which piece or speed point, from 0.
        index: usize,
        /// The speed it would end at, in m/s.
        speed: f64,
    },
    /// A speed point has an unusable time or one that is not after the last.
    #[error("speed point {index} is at {time_s} s; times must start at 0 or later and increase")]
    Time {
        /// Which speed point, from 0.
        index: usize,
        /// The refused time in seconds.
        time_s: f64,
    },
    /// No speed point was given.
    #[error("there is no speed point; give at least one (time, speed)")]
    Empty,
}

/// The state at the start of a piece.
#[derive(Clone, Copy, Debug)]
struct Node {
    t: f64,
    x: f64,
    v: f64,
    a: f64,
    /// The farthest place up to here.
    far: f64,
}

impl Node {
    /// When the piece passes `x`, which lies in it.
    fn reach(&self, x: f64) -> f64 {
        let dx = x - self.x;
        let root = (self.v * self.v + 2.0 * self.a * dx).max(0.0).sqrt();
        // This form of the root loses no digits when braking.
        let sum = self.v + if dx < 0.0 { -root } else { root };
        self.t + if sum == 0.0 { 0.0 } else { 2.0 * dx / sum }
    }
}

/// Travel made of pieces of constant acceleration.
#[derive(Clone, Debug)]
pub struct Motion {
    /// One node a piece and a last one without acceleration; never empty.
    nodes: Vec<Node>,
}

impl Motion {
    /// Builds the motion that starts at `x0` (m) with `v0` (m/s) at time 0.
    ///
    /// # Errors
    /// Refuses numbers that are not finite or beyond use, and pieces that end
    /// in reverse.
    pub fn new(x0: f64, v0: f64, pieces: &[Piece]) -> Result<Self, MotionError> {
        let mut node = start(x0, v0)?;
        let mut nodes = Vec::with_capacity(pieces.len() + 1);
        for (index, piece) in pieces.iter().enumerate() {
            let Piece {
                duration_s,
                acceleration,
            } = *piece;
            if !(duration_s >= 0.0 && node.t + duration_s <= MAX_TIME) {
                return Err(MotionError::Duration { index, duration_s });
            }
            let speed = node.v + acceleration * duration_s;
            node = push(&mut nodes, node, index, duration_s, acceleration, speed)?;
        }
        nodes.push(node);
        Ok(Self { nodes })
    }

    /// The same, and the pieces may go back: a speed below 0 is towards smaller x.
    ///
    /// # Errors
    /// As [`Motion::new`], but for the reverse; speeds lie within ±200 m/s.
    pub fn reversing(x0: f64, v0: f64, pieces: &[Piece]) -> Result<Self, MotionError> {
        let mut node = start(x0, v0)?;
        let mut nodes = Vec::with_capacity(pieces.len() + 1);
        for (index, piece) in pieces.iter().enumerate() {
            let Piece {
                duration_s,
                acceleration,
            } = *piece;
            if !(duration_s >= 0.0 && node.t + duration_s <= MAX_TIME) {
                return Err(MotionError::Duration { index, duration_s });
            }
            let mut left = duration_s;
            let turn = -node.v / acceleration;
            if turn > 0.0 && turn < duration_s {
                node = push_any(&mut nodes, node, index, turn, acceleration, 0.0)?;
                left -= turn;
            }
            let mut speed = node.v + acceleration * left;
            if speed.abs() < ROUNDING {
                speed = 0.0;
            }
            node = push_any(&mut nodes, node, index, left, acceleration, speed)?;
        }
        nodes.push(node);
        Ok(Self { nodes })
    }

    /// The times at which the machine sets off the other way, and whether that is
    /// forward.
    #[must_use]
    pub fn turns(&self) -> Vec<(f64, bool)> {
        let mut forward = true;
        let mut turns = Vec::new();
        for (_, _, from) in self.ways() {
            let now = from.0 > 0;
            if from.0 != 0 && now != forward {
                forward = now;
                turns.push((from.1, forward));
            }
        }
        turns
    }

    /// For each piece its ends on the ground, which way it goes (1, 0, −1), and when it
    /// begins.
    fn ways(&self) -> impl Iterator<Item = (f64, f64, (i8, f64))> + '_ {
        self.nodes.windows(2).map(|pair| {
            let (from, to) = (pair[0].x, pair[1].x);
            let way = i8::from(to > from) - i8::from(to < from);
            (from, to, (way, pair[0].t))
        })
    }

    /// Every passing of a mark, in order, and whether forward. `mark` gives the place of
    /// the `k`-th mark, increasing; the machine starts short of mark 1, and there is none
    /// before it.
    #[must_use]
    pub fn passings(&self, mark: impl Fn(u64) -> f64) -> Vec<(f64, bool)> {
        let mut passed = 0_u64;
        let mut all = Vec::new();
        for pair in self.nodes.windows(2) {
            let (n, next) = (pair[0], pair[1]);
            if next.x > n.x {
                while mark(passed + 1) <= next.x {
                    passed += 1;
                    all.push((n.reach(mark(passed)).clamp(n.t, next.t), true));
                }
            } else {
                while passed > 0 && mark(passed) > next.x {
                    all.push((n.reach(mark(passed)).clamp(n.t, next.t), false));
                    passed -= 1;
                }
            }
        }
        all
    }

    /// Builds the motion whose speed runs straight between `(time s, speed
    /// m/s)` points. A first point after time 0 means that its speed already
    /// holds from 0.
    ///
    /// # Errors
    /// Refuses an empty list, times that do not increase, and numbers beyond
    /// use.
    pub fn from_speed_points(x0: f64, points: &[(f64, f64)]) -> Result<Self, MotionError> {
        let &(_, v0) = points.first().ok_or(MotionError::Empty)?;
        let mut node = start(x0, v0)?;
        let mut nodes = Vec::with_capacity(points.len() + 2);
        for (index, &(t, v)) in points.iter().enumerate() {
            let increases = if index == 0 { t >= 0.0 } else { t > node.t };
            if !(increases && t <= MAX_TIME) {
                return Err(MotionError::Time { index, time_s: t });
            }
            let duration = t - node.t;
            if duration > 0.0 {
                let acceleration = (v - node.v) / duration;
                node = push(&mut nodes, node, index, duration, acceleration, v)?;
                // The sum of durations may round; the point's own time may not.
                node.t = t;
            }
        }
        nodes.push(node);
        Ok(Self { nodes })
    }

    /// How long the pieces last together, in seconds.
    #[must_use]
    pub fn duration(&self) -> f64 {
        self.nodes.last().map_or(0.0, |n| n.t)
    }

    /// The node of the piece that holds time `t`.
    fn node(&self, t: f64) -> Node {
        let after = self.nodes.partition_point(|n| n.t <= t);
        let mut node = self.nodes[after.saturating_sub(1)];
        if t < node.t {
            // Before the first piece its speed holds, not its acceleration.
            node.a = 0.0;
        }
        node
    }
}

/// Checks the start and makes the first node.
fn start(x0: f64, v0: f64) -> Result<Node, MotionError> {
    if !(-MAX_START..=MAX_START).contains(&x0) {
        return Err(MotionError::Start(x0));
    }
    if !(0.0..=MAX_SPEED).contains(&v0) {
        return Err(MotionError::FirstSpeed(v0));
    }
    Ok(Node {
        t: 0.0,
        x: x0,
        v: v0,
        a: 0.0,
        far: x0,
    })
}

/// Checks one piece, stores it and returns the node at its end.
fn push(
    nodes: &mut Vec<Node>,
    node: Node,
    index: usize,
    duration: f64,
    acceleration: f64,
    speed: f64,
) -> Result<Node, MotionError> {
    if !(-MAX_ACCELERATION..=MAX_ACCELERATION).contains(&acceleration) {
        return Err(MotionError::Acceleration {
            index,
            acceleration,
        });
    }
    if speed < -ROUNDING {
        return Err(MotionError::NegativeSpeed { index, speed });
    }
    push_any(nodes, node, index, duration, acceleration, speed.max(0.0))
}

/// The same, forward or back.
fn push_any(
    nodes: &mut Vec<Node>,
    node: Node,
    index: usize,
    duration: f64,
    acceleration: f64,
    speed: f64,
) -> Result<Node, MotionError> {
    if !(-MAX_ACCELERATION..=MAX_ACCELERATION).contains(&acceleration) {
        return Err(MotionError::Acceleration {
            index,
            acceleration,
        });
    }
    if speed.is_nan() || speed.abs() > MAX_SPEED {
        return Err(MotionError::TooFast { index, speed });
    }
    // The mean of both speeds: exact, and never against the way of the piece.
    let x = node.x + 0.5 * (node.v + speed) * duration;
    nodes.push(Node {
        a: acceleration,
        ..node
    });
    Ok(Node {
        t: node.t + duration,
        x,
        v: speed,
        a: 0.0,
        far: node.far.max(x),
    })
}

impl Ground for Motion {
    fn position(&self, t: f64) -> f64 {
        let n = self.node(t);
        let dt = t - n.t;
        n.x + (n.v + 0.5 * n.a * dt) * dt
    }

    fn speed(&self, t: f64) -> f64 {
        let n = self.node(t);
        let v = n.v + n.a * (t - n.t);
        // A rounding error of a stop is no way back.
        if v.abs() < ROUNDING { 0.0 } else { v }
    }

    fn time_at(&self, x: f64) -> Option<f64> {
        let first = self.nodes.first()?;
        if x.is_nan() || x < first.x {
            return None;
        }
        // The first node at or beyond x ends the piece that reaches x.
        let reached = self.nodes.partition_point(|n| n.far < x);
        let Some(before) = reached.checked_sub(1) else {
            return Some(first.t);
        };
        let n = self.nodes[before];
        let dx = x - n.x;
        match self.nodes.get(reached) {
            Some(next) => Some(n.reach(x).clamp(n.t, next.t)),
            None if n.v > 0.0 => Some(n.t + dx / n.v),
            None => None,
        }
    }

    fn end(&self) -> f64 {
        self.duration()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn near(got: f64, want: f64) {
        assert!((got - want).abs() < 1e-12, "got {got}, want {want}");
    }

    fn piece(duration_s: f64, acceleration: f64) -> Piece {
        Piece {
            duration_s,
            acceleration,
        }
    }

    #[test]
    fn one_metre_per_second_squared_by_hand() {
        // 2 m/s for 1 s: 2 m. +1 m/s² for 2 s: 2·2 + 2 = 6 m, then 4 m/s.
        // -1 m/s² for 4 s: 4·4 - 8 = 8 m, then standing at 16 m.
        let m = Motion::new(
            0.0,
            2.0,
            &[piece(1.0, 0.0), piece(2.0, 1.0), piece(4.0, -1.0)],
        )
        .expect("a plain motion");
        near(m.position(1.0), 2.0);
        near(m.position(2.0), 4.5);
        near(m.speed(2.0), 3.0);
        near(m.position(3.0), 8.0);
        near(m.speed(5.0), 2.0);
        near(m.position(5.0), 14.0);
        near(m.position(7.0), 16.0);
        near(m.speed(7.0), 0.0);
        near(m.position(100.0), 16.0);
        near(m.duration(), 7.0);
        near(m.end(), 7.0);
        near(m.time_at(4.5).expect("passed"), 2.0);
        near(m.time_at(14.0).expect("passed"), 5.0);
        near(m.time_at(16.0).expect("reached"), 7.0);
        assert_eq!(m.time_at(16.1), None);
        assert_eq!(m.time_at(-0.1), None);
        assert_eq!(m.time_at(f64::NAN), None);
        near(m.time_at(0.0).expect("the start"), 0.0);
    }

    #[test]
    fn the_first_and_last_speeds_hold_outside() {
        let m = Motion::new(10.0, 3.0, &[piece(2.0, 1.0)]).expect("a plain motion");
        near(m.position(-1.0), 7.0);
        near(m.speed(-1.0), 3.0);
        near(m.position(4.0), 18.0 + 10.0);
        near(m.speed(4.0), 5.0);
        near(m.time_at(28.0).expect("extrapolated"), 4.0);
    }

    #[test]
    fn a_place_of_rest_is_reached_when_the_machine_arrives() {
        let m = Motion::from_speed_points(0.0, &[(0.0, 2.0), (2.0, 0.0), (9.0, 0.0), (10.0, 1.0)])
            .expect("stop and go");
        near(m.time_at(2.0).expect("arrival"), 2.0);
        near(m.time_at(2.125).expect("after the rest"), 9.5);
        near(m.position(5.0), 2.0);
        near(m.position(10.0), 2.5);
    }

    #[test]
    fn the_urban_cycle_has_its_published_length() {
        // UN Regulation No. 83, 2012, Annex 4a, Table 1. Straight lines between the
        // points integrate to 1014.583 m, beside the regulation's rounded
        // "theoretical distance" of 1013 m.
        let points = crate::cycle::urban_cycle(1.0);
        let m = Motion::from_speed_points(0.0, &points).expect("the cycle");
        assert!(
            (m.position(195.0) - 1014.583).abs() < 0.001,
            "{}",
            m.position(195.0)
        );
        for i in 0..2000_u32 {
            let x = f64::from(i) * 0.5;
            let t = m.time_at(x).expect("within the cycle");
            assert!((m.position(t) - x).abs() < 1e-9, "at {x} m");
        }
    }

    #[test]
    fn going_back_by_hand() {
        // 2 m/s, −1 m/s² for 4 s: 2 m on after 2 s, and back at 0 with −2 m/s. Then 1 s
        // more of that to −2 m, +2 m/s² for 3 s: standing after 1 s at −3 m, and 4 m on
        // with 4 m/s at the end.
        let pieces = [piece(4.0, -1.0), piece(1.0, 0.0), piece(3.0, 2.0)];
        let m = Motion::reversing(0.0, 2.0, &pieces).expect("a way back");
        near(m.position(2.0), 2.0);
        near(m.speed(2.0), 0.0);
        near(m.position(3.0), 1.5);
        near(m.speed(4.0), -2.0);
        near(m.position(5.0), -2.0);
        near(m.position(6.0), -3.0);
        near(m.position(8.0), 1.0);
        near(m.speed(8.0), 4.0);
        near(m.time_at(1.5).expect("on the way out"), 1.0);
        // Past the farthest place: 1 m beyond the end at 4 m/s.
        near(m.time_at(3.0).expect("at last"), 8.5);
        assert_eq!(m.turns(), [(2.0, false), (6.0, true)]);
        // Marks 0.5 m apart: out over 3 and back over them, on again over 2.
        let passed = m.passings(|k| 0.5 * k as f64 - 0.1);
        let ways: Vec<bool> = passed.iter().map(|p| p.1).collect();
        let mut wanted = vec![true; 4];
        wanted.extend([false; 4]);
        wanted.extend([true; 2]);
        assert_eq!(ways, wanted);
        for (i, mark) in [0.4, 0.9, 1.4, 1.9, 1.9, 1.4, 0.9, 0.4, 0.4, 0.9]
            .into_iter()
            .enumerate()
        {
            assert!((m.position(passed[i].0) - mark).abs() < 1e-12, "{i}");
        }
        let forward = Motion::reversing(0.0, 2.0, &pieces[1..2]).expect("plain");
        assert!(forward.turns().is_empty());
        assert!(Motion::reversing(0.0, 2.0, &[piece(300.0, -1.0)]).is_err());
    }

    #[test]
    fn bad_motions_are_refused_with_the_reason() {
        let new = |x, v, p: &[Piece]| Motion::new(x, v, p).expect_err("refused");
        assert!(matches!(new(f64::NAN, 1.0, &[]), MotionError::Start(_)));
        assert!(matches!(new(1e10, 1.0, &[]), MotionError::Start(_)));
        assert!(matches!(new(0.0, -1.0, &[]), MotionError::FirstSpeed(_)));
        assert!(matches!(
            new(0.0, f64::NAN, &[]),
            MotionError::FirstSpeed(_)
        ));
        assert_eq!(
            new(0.0, 1.0, &[piece(2.0, -1.0)]),
            MotionError::NegativeSpeed {
                index: 0,
                speed: -1.0
            }
        );
        assert!(matches!(
            new(0.0, 1.0, &[piece(-1.0, 0.0)]),
            MotionError::Duration { .. }
        ));
        assert!(matches!(
            new(0.0, 1.0, &[piece(f64::NAN, 0.0)]),
            MotionError::Duration { .. }
        ));
        assert!(matches!(
            new(0.0, 1.0, &[piece(1.0, f64::NAN)]),
            MotionError::Acceleration { index: 0, .. }
        ));
        assert!(matches!(
            new(0.0, 1.0, &[piece(300.0, 1.0)]),
            MotionError::TooFast { .. }
        ));
        let points = |p: &[(f64, f64)]| Motion::from_speed_points(0.0, p).expect_err("refused");
        assert_eq!(points(&[]), MotionError::Empty);
        assert!(matches!(
            points(&[(0.0, 1.0), (0.0, 2.0)]),
            MotionError::Time { index: 1, .. }
        ));
        assert!(matches!(
            points(&[(0.0, 1.0), (1.0, -2.0)]),
            MotionError::NegativeSpeed { .. }
        ));
        assert!(matches!(
            points(&[(-1.0, 1.0)]),
            MotionError::Time { index: 0, .. }
        ));
        assert!(matches!(
            points(&[(0.0, 1.0), (1.0, f64::NAN)]),
            MotionError::Acceleration { index: 1, .. }
        ));
    }
}
