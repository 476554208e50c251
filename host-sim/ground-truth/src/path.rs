//! Where a drive leads over the field: legs whose curvature is constant or changes
//! evenly with the distance.
//!
//! Field axes: x forward at the start, y to the right of it. A heading is the angle from
//! x towards y, so that it grows in a turn to the right; so does a curvature. On a leg
//! of constant curvature the place is that of a circle; where the curvature changes, the
//! leg is a clothoid, whose place is the integral of its direction, taken by Gauss's rule
//! over pieces so short that the rule is exact to the last digits of a double.
//!
//! No machine turns its steering in no time, so a leg sets in with the curvature that the
//! one before it ended with; anything else is a jump and is refused.

use std::f64::consts::PI;

/// The longest path taken, in metres.
const LONGEST_M: f64 = 1.0e7;
/// The sharpest curvature taken, in 1/m: a radius of 1 m.
const SHARPEST: f64 = 1.0;
/// Curvatures closer than this are the same, in 1/m: half a millimetre aside over 1 km.
const SAME: f64 = 1.0e-9;
/// A clothoid is cut into pieces that turn by no more than this, in radians.
const PIECE_RAD: f64 = 0.25;

/// A stretch of the path.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Leg {
    /// Its length in metres, above 0.
    pub length_m: f64,
    /// Curvature where it begins, in 1/m: one over the radius, positive to the right.
    pub curvature_from: f64,
    /// Curvature where it ends; between the two it changes evenly.
    pub curvature_to: f64,
}

impl Leg {
    /// Straight on for `length_m`.
    #[must_use]
    pub fn straight(length_m: f64) -> Self {
        Self::arc(length_m, 0.0)
    }

    /// An arc of one curvature (1/m, positive to the right).
    #[must_use]
    pub fn arc(length_m: f64, curvature: f64) -> Self {
        Self {
            length_m,
            curvature_from: curvature,
            curvature_to: curvature,
        }
    }
}

/// Why a path was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PathError {
    /// A leg has an unusable length.
    #[error("leg {index} is {length_m} m long; give more than 0 m, 1e7 m in all")]
    Length {
        /// Which leg, from 0.
        index: usize,
        /// The refused length in metres.
        length_m: f64,
    },
    /// A leg turns more sharply than any machine.
    #[error("leg {index} has a curvature of {curvature} 1/m; keep radii at 1 m or more")]
    Sharp {
        /// Which leg, from 0.
        index: usize,
        /// The refused curvature in 1/m.
        curvature: f64,
    },
    /// A leg does not go on as the one before it ended.
    #[error(
        "the path jumps at leg {index}: it begins {} where the leg before it ended {}; put a leg \
         between that eases from one to the other", told(*.from), told(*.before)
    )]
    Jump {
        /// Which leg, from 0.
        index: usize,
        /// Curvature at the end of the leg before, in 1/m.
        before: f64,
        /// Curvature where this one begins, in 1/m.
        from: f64,
    },
    /// There is no leg.
    #[error("the path has no leg; give at least one")]
    Empty,
}

/// A curvature in words.
fn told(curvature: f64) -> String {
    if curvature.abs() < SAME {
        return "straight".to_owned();
    }
    let side = if curvature > 0.0 { "right" } else { "left" };
    format!(
        "with a radius of {:.3} m to the {side}",
        1.0 / curvature.abs()
    )
}

/// Place and direction in field axes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pose {
    /// Along the field's x axis, in metres.
    pub x: f64,
    /// To the right of it, in metres.
    pub y: f64,
    /// Direction, in radians from x towards y.
    pub heading: f64,
}

impl Pose {
    /// The direction ahead, of length one.
    #[must_use]
    pub fn ahead(&self) -> (f64, f64) {
        (self.heading.cos(), self.heading.sin())
    }

    /// The direction to the right, of length one.
    #[must_use]
    pub fn right(&self) -> (f64, f64) {
        (-self.heading.sin(), self.heading.cos())
    }

    /// The place in field axes of what lies `ahead` and to the `right` of here, in metres.
    #[must_use]
    pub fn place(&self, ahead: f64, right: f64) -> (f64, f64) {
        let (sin, cos) = self.heading.sin_cos();
        (
            self.x + ahead * cos - right * sin,
            self.y + ahead * sin + right * cos,
        )
    }

    /// The other way round: how far ahead and to the right a place of the field lies.
    #[must_use]
    pub fn seen(&self, (x, y): (f64, f64)) -> (f64, f64) {
        let (sin, cos) = self.heading.sin_cos();
        let (dx, dy) = (x - self.x, y - self.y);
        (dx * cos + dy * sin, dy * cos - dx * sin)
    }
}

/// Where a piece begins, and how its curvature goes on.
#[derive(Clone, Copy, Debug)]
struct Node {
    s: f64,
    pose: Pose,
    curvature: f64,
    /// Change of curvature in 1/m².
    change: f64,
}

impl Node {
    fn heading(&self, s: f64) -> f64 {
        let d = s - self.s;
        self.pose.heading + (self.curvature + 0.5 * self.change * d) * d
    }

    fn pose(&self, s: f64) -> Pose {
        let d = s - self.s;
        let heading = self.heading(s);
        let (x, y) = if self.change == 0.0 {
            chord(self.pose.heading, self.curvature, d)
        } else {
            let half = 0.5 * d;
            GAUSS.iter().fold((0.0, 0.0), |(x, y), &(at, weight)| {
                let one = |at: f64| self.heading(self.s + half * (1.0 + at)).sin_cos();
                let ((s0, c0), (s1, c1)) = (one(at), one(-at));
                (x + half * weight * (c0 + c1), y + half * weight * (s0 + s1))
            })
        };
        Pose {
            x: self.pose.x + x,
            y: self.pose.y + y,
            heading,
        }
    }
}

/// Nodes above 0 and weights of Gauss's rule of ten points on −1..1.
///
/// Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, Table 25.4.
const GAUSS: [(f64, f64); 5] = [
    (0.148_874_338_981_631_2, 0.295_524_224_714_752_87),
    (0.433_395_394_129_247_2, 0.269_266_719_309_996_36),
    (0.679_409_568_299_024_4, 0.219_086_362_515_982_04),
    (0.865_063_366_688_984_5, 0.149_451_349_150_580_6),
    (0.973_906_528_517_171_7, 0.066_671_344_308_688_14),
];

/// From one end of an arc to the other.
fn chord(heading: f64, curvature: f64, d: f64) -> (f64, f64) {
    let half = 0.5 * curvature * d;
    // sin(half) / half keeps its digits on all but straight legs too.
    let length = if half == 0.0 {
        d
    } else {
        d * half.sin() / half
    };
    let (sin, cos) = (heading + half).sin_cos();
    (length * cos, length * sin)
}

/// A path over the field.
#[derive(Clone, Debug)]
pub struct Path {
    /// Never empty; the last one holds on beyond the end.
    nodes: Vec<Node>,
    length: f64,
}

impl Path {
    /// The path that starts at `start` and goes leg by leg.
    ///
    /// # Errors
    /// Refuses legs of no length or beyond use, and a jump of the curvature.
    pub fn new(start: Pose, legs: &[Leg]) -> Result<Self, PathError> {
        let mut nodes: Vec<Node> = Vec::new();
        let mut at = (0.0, start);
        let mut before = None;
        for (index, leg) in legs.iter().enumerate() {
            let length_m = leg.length_m;
            if !(length_m > 0.0 && at.0 + length_m <= LONGEST_M) {
                return Err(PathError::Length { index, length_m });
            }
            for curvature in [leg.curvature_from, leg.curvature_to] {
                if !(-SHARPEST..=SHARPEST).contains(&curvature) {
                    return Err(PathError::Sharp { index, curvature });
                }
            }
            let from = leg.curvature_from;
            if let Some(before) = before.filter(|b: &f64| (from - b).abs() > SAME) {
                return Err(PathError::Jump {
                    index,
                    before,
                    from,
                });
            }
            before = Some(leg.curvature_to);
            let change = (leg.curvature_to - from) / length_m;
            let most = from.abs().max(leg.curvature_to.abs());
            let pieces = if change == 0.0 {
                1
            } else {
                1 + (most * length_m / PIECE_RAD) as u32
            };
            for piece in 0..pieces {
                let node = Node {
                    s: at.0,
                    pose: at.1,
                    curvature: from + change * length_m * f64::from(piece) / f64::from(pieces),
                    change,
                };
                let end = node.s + length_m / f64::from(pieces);
                at = (end, node.pose(end));
                nodes.push(node);
            }
        }
        let curvature = before.ok_or(PathError::Empty)?;
        nodes.push(Node {
            s: at.0,
            pose: at.1,
            curvature,
            change: 0.0,
        });
        Ok(Self {
            nodes,
            length: at.0,
        })
    }

    /// The legs of a headland turn: half a circle of `radius_m`, eased in and out over
    /// `ease_m` each, between two passes of `pass_m`. `right` is the side that it turns to.
    #[must_use]
    pub fn headland_turn(pass_m: f64, radius_m: f64, ease_m: f64, right: bool) -> Vec<Leg> {
        let curvature = if right {
            1.0 / radius_m
        } else {
            -1.0 / radius_m
        };
        let ease = |from: f64, to: f64| Leg {
            length_m: ease_m,
            curvature_from: from,
            curvature_to: to,
        };
        // Each ease turns by half of what its length would at the full curvature.
        vec![
            Leg::straight(pass_m),
            ease(0.0, curvature),
            Leg::arc(PI * radius_m - ease_m, curvature),
            ease(curvature, 0.0),
            Leg::straight(pass_m),
        ]
    }

    /// Its length in metres.
    #[must_use]
    pub fn length(&self) -> f64 {
        self.length
    }

    /// The piece that holds `s`; the first one before the start.
    fn node(&self, s: f64) -> &Node {
        let after = self.nodes.partition_point(|n| n.s <= s);
        &self.nodes[after.saturating_sub(1)]
    }

    /// Place and direction after `s` metres. Beyond its ends the path goes on with the
    /// curvature that it has there.
    #[must_use]
    pub fn pose(&self, s: f64) -> Pose {
        let n = self.node(s);
        if s < n.s {
            // Before the start only the curvature holds, not its change.
            let first = Node { change: 0.0, ..*n };
            return first.pose(s);
        }
        n.pose(s)
    }

    /// Direction after `s` metres, in radians; it counts whole turns.
    #[must_use]
    pub fn heading(&self, s: f64) -> f64 {
        let n = self.node(s);
        if s < n.s {
            return n.pose.heading + n.curvature * (s - n.s);
        }
        n.heading(s)
    }

    /// Curvature after `s` metres, in 1/m, positive to the right.
    #[must_use]
    pub fn curvature(&self, s: f64) -> f64 {
        let n = self.node(s);
        n.curvature + n.change * (s - n.s).max(0.0)
    }

    /// How fast the curvature changes after `s` metres, in 1/m².
    pub(crate) fn change(&self, s: f64) -> f64 {
        self.node(s).change
    }

    /// The distances at which a piece begins, in order.
    pub(crate) fn joints(&self) -> impl Iterator<Item = f64> + '_ {
        self.nodes.iter().map(|n| n.s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quarter_circle_ends_where_geometry_says() {
        let legs = [Leg::straight(10.0), Leg::straight(5.0)];
        let path = Path::new(Pose::default(), &legs).expect("a path");
        assert_eq!(
            path.pose(12.0),
            Pose {
                x: 12.0,
                y: 0.0,
                heading: 0.0
            }
        );
        // Right by 90° on 20 m: 20 m ahead and 20 m to the right; then on along the arc.
        let legs = [Leg::arc(10.0 * PI, 1.0 / 20.0)];
        let path = Path::new(Pose::default(), &legs).expect("a path");
        let end = path.pose(path.length());
        assert!((end.x - 20.0).abs() < 1e-12 && (end.y - 20.0).abs() < 1e-12);
        assert!((end.heading - 0.5 * PI).abs() < 1e-15);
        let half = path.pose(2.0 * path.length());
        assert!(half.x.abs() < 1e-12 && (half.y - 40.0).abs() < 1e-12);
    }

    #[test]
    fn a_clothoid_has_its_tabled_end() {
        // With curvature π·s the clothoid is that of the Fresnel integrals: at s = 1
        // C = 0.779 893 4 and S = 0.438 259 1 (Abramowitz and Stegun 1964, Table 7.7).
        // Ten times as long, its curvature stays below 1/m: π/100 · s, to π/10.
        let leg = Leg {
            length_m: 10.0,
            curvature_from: 0.0,
            curvature_to: PI / 10.0,
        };
        let path = Path::new(Pose::default(), &[leg]).expect("a path");
        let end = path.pose(10.0);
        assert!((end.x - 7.798_934).abs() < 1e-6, "{end:?}");
        assert!((end.y - 4.382_591).abs() < 1e-6, "{end:?}");
        assert!((end.heading - 0.5 * PI).abs() < 1e-12);
    }

    #[test]
    fn a_headland_turn_comes_back_the_other_way() {
        for right in [true, false] {
            let legs = Path::headland_turn(50.0, 12.0, 6.0, right);
            let path = Path::new(Pose::default(), &legs).expect("a path");
            let end = path.pose(path.length());
            let way = if right { PI } else { -PI };
            assert!((end.heading - way).abs() < 1e-12);
            // A little wider than twice the radius, for the easing.
            assert!((24.0..26.0).contains(&(end.y * way / PI)), "{end:?}");
        }
    }

    #[test]
    fn seen_undoes_place() {
        let pose = Pose {
            x: 3.0,
            y: -2.0,
            heading: 2.3,
        };
        let (ahead, right) = pose.seen(pose.place(1.5, -4.0));
        assert!((ahead - 1.5).abs() < 1e-14 && (right + 4.0).abs() < 1e-14);
        let (a, r) = (pose.ahead(), pose.right());
        let by_hand = (3.0 + 1.5 * a.0 - 4.0 * r.0, -2.0 + 1.5 * a.1 - 4.0 * r.1);
        let place = pose.place(1.5, -4.0);
        assert!((place.0 - by_hand.0).abs() < 1e-14 && (place.1 - by_hand.1).abs() < 1e-14);
    }

    #[test]
    fn jumps_and_bad_legs_are_refused() {
        let new = |legs: &[Leg]| Path::new(Pose::default(), legs).expect_err("refused");
        let jump = new(&[Leg::straight(5.0), Leg::arc(5.0, -0.05)]);
        assert_eq!(
            jump.to_string(),
            "the path jumps at leg 1: it begins with a radius of 20.000 m to the left where the \
             leg before it ended straight; put a leg between that eases from one to the other"
        );
        assert_eq!(new(&[]), PathError::Empty);
        for bad in [0.0, -1.0, f64::NAN, 1e8] {
            assert!(matches!(
                new(&[Leg::straight(bad)]),
                PathError::Length { .. }
            ));
        }
        for bad in [2.0, f64::NAN] {
            assert!(matches!(
                new(&[Leg::arc(1.0, bad)]),
                PathError::Sharp { .. }
            ));
        }
    }
}
