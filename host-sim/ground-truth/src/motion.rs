//! Exact travel from pieces of constant acceleration.
//!
//! Within a piece `x = x0 + v0·t + a·t²/2` holds exactly, and the time of a
//! place is the root of it, so that no step width enters anywhere. Time starts
//! at 0. Before it the first speed holds, after the last piece the last speed.
//!
//! A [reversing](Motion::reversing) motion may go back; its pieces are cut where it
//! turns, so that each goes one way only.

mod error;
mod marks;

pub use error::MotionError;

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
        Self::of_pieces(x0, v0, pieces, false)
    }

    /// The same, and the pieces may go back: a speed below 0 is towards smaller x.
    ///
    /// # Errors
    /// As [`Motion::new`], but for the reverse; speeds lie within ±200 m/s.
    pub fn reversing(x0: f64, v0: f64, pieces: &[Piece]) -> Result<Self, MotionError> {
        Self::of_pieces(x0, v0, pieces, true)
    }

    /// One after the other; where they may go back, cut where they turn.
    fn of_pieces(x0: f64, v0: f64, pieces: &[Piece], back: bool) -> Result<Self, MotionError> {
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
            if !back {
                let speed = node.v + acceleration * duration_s;
                node = push(&mut nodes, node, index, duration_s, acceleration, speed)?;
                continue;
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
mod tests;
