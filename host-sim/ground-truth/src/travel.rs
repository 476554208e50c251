//! Where a machine that turns is at every instant, and with it every point of its boom.
//!
//! The middle of the fixed axle follows the path; there the machine can't slide but by
//! its crab, a steady angle between where it points and where it goes. The boom sits
//! behind the axle (or ahead, with a negative number), so in a turn it slides sideways:
//! outwards behind, inwards ahead. Rigid body, so at curvature κ a point `y` to the
//! right of the middle goes forward at `v·(cos crab − κ·y)`.
//!
//! Field axes are those of [`crate::path`]: the boom reference point starts at the
//! origin, and x is the path's direction there. A point of the boom is told by how far
//! ahead and to the right of its reference point it sits.

use std::f64::consts::FRAC_PI_4;
use std::sync::Arc;

use crate::path::{Leg, Path, PathError, Pose};
use crate::sway::{Attitude, Sway};
use crate::{Ground, Motion};

/// How the boom hangs on its machine.
#[derive(Clone, Debug)]
pub struct Rig {
    /// From the fixed axle back to the boom reference point, in metres, within ±50.
    pub behind_axle_m: f64,
    /// How far the machine points to the right of where it goes, in radians, within ±0.5.
    pub crab: f64,
    /// Usual height of the nozzles above the ground, in metres, above 0, at most 10.
    pub height_m: f64,
    /// What the boom does beside.
    pub sway: Sway,
}

impl Default for Rig {
    /// A rigid boom on the axle, half a metre above even ground.
    fn default() -> Self {
        Self {
            behind_axle_m: 0.0,
            crab: 0.0,
            height_m: 0.5,
            sway: Sway::default(),
        }
    }
}

/// Why a drive over the field was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum TravelError {
    /// The path is unusable.
    #[error(transparent)]
    Path(#[from] PathError),
    /// A number of the rig is unusable.
    #[error("{what} is {value}; give {wanted}")]
    Rig {
        /// Which number.
        what: &'static str,
        /// The refused value.
        value: f64,
        /// What would be right.
        wanted: &'static str,
    },
    /// The machine goes back.
    #[error("the machine goes back at {0} s; over a path it only goes on, so leave out reverse")]
    Back(f64),
}

/// A drive over the field.
#[derive(Clone, Debug)]
pub struct Travel {
    motion: Motion,
    path: Path,
    rig: Rig,
}

impl Travel {
    /// The drive that follows `legs` as fast as `motion` says, which counts the distance
    /// of the axle's middle and starts at 0 m. Beyond its legs the last curvature holds.
    ///
    /// # Errors
    /// Refuses a motion that goes back, a path that [`Path::new`] refuses, and a rig out
    /// of its range.
    pub fn new(motion: Motion, legs: &[Leg], rig: Rig) -> Result<Self, TravelError> {
        for (what, value, least, most, wanted) in [
            (
                "behind_axle_m",
                rig.behind_axle_m,
                -50.0,
                50.0,
                "metres within ±50",
            ),
            (
                "crab",
                rig.crab,
                -0.5,
                0.5,
                "radians within ±0.5, some 28 degrees",
            ),
            ("height_m", rig.height_m, 0.01, 10.0, "0.01 to 10 m"),
        ] {
            if !(least..=most).contains(&value) {
                return Err(TravelError::Rig {
                    what,
                    value,
                    wanted,
                });
            }
        }
        if let Some(&(at, _)) = motion.turns().first() {
            return Err(TravelError::Back(at));
        }
        let (sin, cos) = rig.crab.sin_cos();
        let start = Pose {
            x: rig.behind_axle_m * cos,
            y: rig.behind_axle_m * sin,
            heading: 0.0,
        };
        let path = Path::new(start, legs)?;
        Ok(Self { motion, path, rig })
    }

    /// The motion along the path.
    #[must_use]
    pub fn motion(&self) -> &Motion {
        &self.motion
    }

    /// The path of the axle's middle.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// How the boom hangs.
    #[must_use]
    pub fn rig(&self) -> &Rig {
        &self.rig
    }

    /// Place of the boom reference point and direction of the boom at time `t` (s).
    #[must_use]
    pub fn boom(&self, t: f64) -> Pose {
        let axle = self.path.pose(self.motion.position(t));
        let body = Pose {
            heading: axle.heading + self.rig.crab,
            ..axle
        };
        let (x, y) = body.place(-self.rig.behind_axle_m, 0.0);
        Pose {
            x,
            y,
            heading: body.heading + self.rig.sway.whip(t).0,
        }
    }

    /// Turning of the machine at time `t` (s), in radians a second, positive to the right.
    #[must_use]
    pub fn yaw_rate(&self, t: f64) -> f64 {
        let s = self.motion.position(t);
        self.path.curvature(s) * self.motion.speed(t)
    }

    /// Speed over the ground of a point of the boom at time `t` (s), ahead and to the
    /// right as the boom then lies, in m/s.
    #[must_use]
    pub fn velocity(&self, t: f64, (ahead, right): (f64, f64)) -> (f64, f64) {
        let v = self.motion.speed(t);
        let yaw = self.yaw_rate(t);
        let (whip, whips) = self.rig.sway.whip(t);
        let turning = yaw + whips;
        let (sin, cos) = (self.rig.crab + whip).sin_cos();
        let slide = self.rig.behind_axle_m * yaw;
        (
            v * cos - slide * whip.sin() - turning * right,
            -v * sin - slide * whip.cos() + turning * ahead,
        )
    }

    /// How the boom lies at time `t` (s).
    #[must_use]
    pub fn attitude(&self, t: f64) -> Attitude {
        self.rig.sway.attitude(self.motion.position(t))
    }

    /// How far the spray of a nozzle lands from straight below its mount at time `t` (s),
    /// ahead and to the right in metres, if it lands `throw_s` seconds of its own travel
    /// on: it takes the nozzle's speed along, higher up it flies for longer, and a boom
    /// that pitches or rolls points it elsewhere.
    #[must_use]
    pub fn throw(&self, t: f64, mount: (f64, f64), throw_s: f64) -> (f64, f64) {
        let (ahead, right) = self.velocity(t, mount);
        let a = self.attitude(t);
        let up = (self.rig.height_m + a.height - mount.1 * a.roll.sin()).max(0.0);
        let flight = throw_s * (up / self.rig.height_m);
        (
            flight * ahead + up * a.pitch.clamp(-FRAC_PI_4, FRAC_PI_4).tan(),
            flight * right - up * a.roll.clamp(-FRAC_PI_4, FRAC_PI_4).tan(),
        )
    }
}

/// A piece of the way of one point: distance `u + ahead·d + change·d²/2` after `d` metres
/// of the path.
#[derive(Clone, Copy, Debug)]
struct Node {
    s: f64,
    u: f64,
    ahead: f64,
    change: f64,
    /// The farthest up to here.
    far: f64,
}

impl Node {
    fn at(&self, d: f64) -> f64 {
        self.u + (self.ahead + 0.5 * self.change * d) * d
    }

    /// The farthest within the first `d` metres of the path.
    fn farthest(&self, d: f64) -> f64 {
        let top = -self.ahead / self.change;
        let inside = if top > 0.0 && top < d {
            self.at(top)
        } else {
            self.u
        };
        self.far.max(inside).max(self.at(d))
    }

    /// The first `d` at which `u` is reached, which is farther than here.
    fn reach(&self, u: f64) -> Option<f64> {
        let du = u - self.u;
        let square = self.ahead * self.ahead + 2.0 * self.change * du;
        let sum = self.ahead + square.max(0.0).sqrt();
        (sum > 0.0).then(|| 2.0 * du / sum)
    }
}

/// The way of one point of a machine that turns: how far it has come forward, counted
/// from 0 at time 0.
///
/// Forward is where the boom points, so sliding sideways counts for nothing and running
/// back, as the inner end of a boom may in a tight turn, counts down. What whip does to
/// a crab is left out: under 0.1 mm over a metre without crab, under 1 mm with 5° of it.
#[derive(Clone, Debug)]
pub struct Track {
    travel: Arc<Travel>,
    right: f64,
    /// Whether it sits on the boom and whips with it.
    on_boom: bool,
    nodes: Vec<Node>,
}

impl Track {
    /// The way of a point of the boom, `right` metres from its middle.
    #[must_use]
    pub fn of_boom(travel: &Arc<Travel>, right: f64) -> Self {
        Self::new(travel, right, true)
    }

    /// The way of a wheel on the axle, `right` metres from its middle.
    #[must_use]
    pub fn of_wheel(travel: &Arc<Travel>, right: f64) -> Self {
        Self::new(travel, right, false)
    }

    fn new(travel: &Arc<Travel>, right: f64, on_boom: bool) -> Self {
        let path = &travel.path;
        let mut nodes: Vec<Node> = Vec::new();
        let even = travel.rig.crab.cos();
        for s in path.joints() {
            let (u, far) = nodes
                .last()
                .map_or((0.0, 0.0), |n: &Node| (n.at(s - n.s), n.farthest(s - n.s)));
            nodes.push(Node {
                s,
                u,
                ahead: even - right * path.curvature(s),
                change: -right * path.change(s),
                far,
            });
        }
        Self {
            travel: Arc::clone(travel),
            right,
            on_boom,
            nodes,
        }
    }

    /// The drive that this is part of.
    #[must_use]
    pub fn travel(&self) -> &Arc<Travel> {
        &self.travel
    }

    fn node(&self, s: f64) -> &Node {
        let after = self.nodes.partition_point(|n| n.s <= s);
        &self.nodes[after.saturating_sub(1)]
    }

    /// What whip adds at time `t` (s): metres forward, and m/s.
    fn whip(&self, t: f64) -> (f64, f64) {
        if !self.on_boom {
            return (0.0, 0.0);
        }
        let sway = &self.travel.rig.sway;
        let ((now, speed), (first, _)) = (sway.whip(t), sway.whip(0.0));
        (-self.right * (now - first), -self.right * speed)
    }
}

impl Ground for Track {
    fn position(&self, t: f64) -> f64 {
        let s = self.travel.motion.position(t);
        let n = self.node(s);
        n.at(s - n.s) + self.whip(t).0
    }

    fn speed(&self, t: f64) -> f64 {
        let motion = &self.travel.motion;
        let s = motion.position(t);
        let n = self.node(s);
        (n.ahead + n.change * (s - n.s).max(0.0)) * motion.speed(t) + self.whip(t).1
    }

    /// The first time; on a boom that whips, one close to it.
    fn time_at(&self, x: f64) -> Option<f64> {
        if x.is_nan() || x < 0.0 {
            return None;
        }
        let reached = self.nodes.partition_point(|n| n.far < x);
        let s = match reached.checked_sub(1) {
            None => 0.0,
            Some(before) => {
                let n = &self.nodes[before];
                n.s + n.reach(x)?
            }
        };
        let mut t = self.travel.motion.time_at(s)?;
        if self.on_boom {
            for _ in 0..20 {
                let (left, v) = (x - self.position(t), self.speed(t));
                if left.abs() < 1e-9 || v <= 0.0 {
                    break;
                }
                t = (t + left / v).max(0.0);
            }
        }
        Some(t)
    }

    fn end(&self) -> f64 {
        self.travel.motion.end()
    }

    fn lands(&self, t: f64, mount: f64, throw_s: f64) -> f64 {
        let shift = self.travel.throw(t, (mount, self.right), throw_s).0;
        self.position(t) + mount + shift
    }
}

#[cfg(test)]
mod tests;
