//! Where the machine is on the ground, by wheel and heading: dead reckoning.
//!
//! The axle's middle goes where the heading points, so each input of the heading moves it by the
//! wheel's way since the last one, along the mean of both directions. What is left out is the
//! chord of one step, `dθ²/24` of its way. The direction is kept as a vector of length one, 2⁻³⁰,
//! turned by a series up to the fifth power and brought to its length again at each step.
//!
//! Errors add up with time, so only places of the last seconds are asked for.

use super::Heading;
use crate::units::wrap_i32;

/// One, 2⁻³⁰.
const ONE: i64 = 1 << 30;
/// A step that turns by more than this is not followed, 2⁻³² rad: 0.6 rad. The series is right to
/// 10⁻⁵ there.
const MOST_TURN: i64 = 2_576_980_378;

/// A direction ahead: cosine and sine of the heading, 2⁻³⁰.
#[derive(Clone, Copy, Debug)]
struct Direction {
    cos: i32,
    sin: i32,
}

/// A pose on the ground, counts; x along the first heading, y to the right of it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pose {
    x: i32,
    y: i32,
    ahead: Direction,
}

/// A place on the ground, counts, wrapping.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Spot {
    x: i32,
    y: i32,
}

/// What is reckoned of the axle's middle.
#[derive(Clone, Debug)]
pub(super) struct Course {
    /// Fine counts.
    x: i64,
    y: i64,
    ahead: Direction,
    heading: Heading,
    /// The wheel's place: counts, and fine counts beyond.
    base: i32,
    fine: i64,
    /// The counted wheel, right of the axle's middle, counts.
    wheel: i32,
    known: bool,
}

impl Course {
    /// Not set up yet: all zero, so that it is cleared where it lies.
    pub const fn new() -> Self {
        Self {
            x: 0,
            y: 0,
            ahead: Direction { cos: 0, sin: 0 },
            heading: Heading::START,
            base: 0,
            fine: 0,
            wheel: 0,
            known: false,
        }
    }

    /// The counted wheel is so far right of the middle, counts.
    pub fn set_up(&mut self, wheel: i32) {
        self.ahead.cos = 1 << 30;
        self.wheel = wheel;
    }

    /// The wheel is `fine` beyond `base` with this heading. False: where the machine was before
    /// is not known, or it turned too far to be followed; what was asked before means nothing.
    pub fn go(&mut self, base: i32, fine: i64, heading: Heading) -> bool {
        let turn = heading.0.wrapping_sub(self.heading.0);
        let way = self.way_to(base, fine, turn);
        let followed = self.known && turn.saturating_abs() <= MOST_TURN;
        if followed {
            let half = turn >> 1;
            let middle = self.ahead.turned(half);
            self.x = self.x.wrapping_add(part(way, middle.cos));
            self.y = self.y.wrapping_sub(part(way, middle.sin));
            self.ahead = middle.turned(turn.wrapping_sub(half)).evened();
        }
        (self.base, self.fine, self.heading, self.known) = (base, fine, heading, true);
        followed
    }

    /// Fine counts from the axle's middle to where it is with the wheel there.
    fn way_to(&self, base: i32, fine: i64, turn: i64) -> i64 {
        let way = (i64::from(base.wrapping_sub(self.base)) << 8)
            .wrapping_add(fine)
            .wrapping_sub(self.fine);
        let lead = turn.wrapping_mul(i64::from(self.wheel)) >> 24;
        way.wrapping_sub(lead)
    }

    /// The pose now.
    pub fn here(&self) -> Pose {
        Pose {
            x: wrap_i32(self.x >> 8),
            y: wrap_i32(self.y >> 8),
            ahead: self.ahead,
        }
    }

    /// The pose when the wheel was at `place` with a heading. `None`: not known, or turned too
    /// far since.
    pub fn at(&self, place: i32, heading: Heading) -> Option<Pose> {
        let turn = heading.0.wrapping_sub(self.heading.0);
        if !self.known || turn.saturating_abs() > MOST_TURN {
            return None;
        }
        let way = self.way_to(place, 0, turn);
        let half = turn >> 1;
        let middle = self.ahead.turned(half);
        // The chord is shorter than the way on the arc by a 24th of the angle's square.
        let square = (turn >> 16).wrapping_mul(turn >> 16) >> 16;
        let way = way.wrapping_sub((way.wrapping_mul(square >> 2) >> 14).checked_div(24)?);
        Some(Pose {
            x: wrap_i32(self.x.wrapping_add(part(way, middle.cos)) >> 8),
            y: wrap_i32(self.y.wrapping_sub(part(way, middle.sin)) >> 8),
            ahead: middle.turned(turn.wrapping_sub(half)),
        })
    }
}

impl Pose {
    /// The spot that lies `forward` and `right` of here.
    pub fn spot(&self, forward: i32, right: i32) -> Spot {
        let (forward, right) = (i64::from(forward), i64::from(right));
        let Direction { cos, sin } = self.ahead;
        let x = part(forward, cos).wrapping_add(part(right, sin));
        let y = part(right, cos).wrapping_sub(part(forward, sin));
        Spot {
            x: self.x.wrapping_add(wrap_i32(x)),
            y: self.y.wrapping_add(wrap_i32(y)),
        }
    }

    /// How far forward and right of here a spot lies.
    pub fn seen(&self, spot: Spot) -> (i32, i32) {
        let x = i64::from(spot.x.wrapping_sub(self.x));
        let y = i64::from(spot.y.wrapping_sub(self.y));
        let Direction { cos, sin } = self.ahead;
        let forward = part(x, cos).wrapping_sub(part(y, sin));
        let right = part(x, sin).wrapping_add(part(y, cos));
        (wrap_i32(forward), wrap_i32(right))
    }
}

impl Direction {
    /// Turned to the left by an angle of at most [`MOST_TURN`], 2⁻³² rad.
    fn turned(self, by: i64) -> Self {
        // 2⁻³⁰. Below one, so that no product comes near 2⁶³.
        let a = by.wrapping_add(2) >> 2;
        let square = a.wrapping_mul(a) >> 30;
        // a − a³/6 + a⁵/120 and 1 − a²/2 + a⁴/24: 1/6, 1/120 and 1/24 in 2⁻³⁰.
        let fifth = square.wrapping_mul(8_947_849) >> 30;
        let third = square.wrapping_mul(178_956_971_i64.wrapping_sub(fifth)) >> 30;
        let sin = a.wrapping_mul(ONE.wrapping_sub(third)) >> 30;
        let fourth = square.wrapping_mul(44_739_243) >> 30;
        let second = square.wrapping_mul((ONE >> 1).wrapping_sub(fourth)) >> 30;
        let cos = ONE.wrapping_sub(second);
        let (c, s) = (i64::from(self.cos), i64::from(self.sin));
        Self {
            cos: wrap_i32(c.wrapping_mul(cos).wrapping_sub(s.wrapping_mul(sin)) >> 30),
            sin: wrap_i32(s.wrapping_mul(cos).wrapping_add(c.wrapping_mul(sin)) >> 30),
        }
    }

    /// Of length one again, when it is nearly so.
    fn evened(self) -> Self {
        let (c, s) = (i64::from(self.cos), i64::from(self.sin));
        let square = c.wrapping_mul(c).wrapping_add(s.wrapping_mul(s)) >> 30;
        let long = square.wrapping_sub(ONE);
        let even = |n: i64| wrap_i32(n.wrapping_sub(n.wrapping_mul(long) >> 31));
        Self {
            cos: even(c),
            sin: even(s),
        }
    }
}

/// A length times a cosine, nearest. Lengths are below 2³³.
fn part(length: i64, cosine: i32) -> i64 {
    length
        .wrapping_mul(i64::from(cosine))
        .wrapping_add(ONE >> 1)
        >> 30
}

#[cfg(test)]
mod tests {
    use super::*;

    const RADIAN: i64 = 1 << 32;

    /// On a circle of 10 m to the left, in steps of 20 mm of the wheel 1 m to the right: after a
    /// quarter turn the axle is 10 m ahead and 10 m to the left, and looks to the left.
    #[test]
    fn a_quarter_circle_ends_where_geometry_says() {
        let mut course = Course::new();
        course.set_up(16_000);
        course.go(0, 0, Heading(0));
        let quarter = RADIAN * 11 / 7; // π/2 and 0.0006 rad
        let steps = 864;
        for k in 1..=steps {
            let heading = Heading(quarter * k / steps);
            // The wheel goes round at 11 m.
            let way = (11_i64 * 16_000 * 256 * 11 / 7) * k / steps;
            assert!(course.go(wrap_i32(way >> 8), way & 0xFF, heading));
        }
        let end = course.here();
        // sin and cos of 11/7 rad: 0.99999980, −0.00063224.
        let (x, y) = (160_000, -160_101);
        assert!((end.x - x).abs() < 8, "{end:?}");
        assert!((end.y - y).abs() < 8, "{end:?}");
        // 3 m ahead of it is 3 m to the left on the ground.
        let spot = end.spot(48_000, 0);
        assert!((spot.x - (x - 30)).abs() < 8 && (spot.y - (y - 48_000)).abs() < 8);
        assert_eq!(end.seen(spot), (48_000, 0));
        // Half a second ago: 0.2 rad and 2.2 m of the wheel before the end.
        let before = course
            .at(
                11 * 16_000 * 11 / 7 - 11 * 3200,
                Heading(quarter - RADIAN / 5),
            )
            .expect("known");
        // 10 m·sin(11/7 − 0.2) = 9.80192 m; 10 m·(1 − cos(…)) = 8.01950 m.
        assert!((before.x - 156_831).abs() < 24, "{before:?}");
        assert!((before.y + 128_312).abs() < 24, "{before:?}");
    }

    #[test]
    fn a_turn_too_far_is_not_followed() {
        let mut course = Course::new();
        assert!(!course.go(0, 0, Heading(0)), "nothing is known before");
        assert!(course.go(100, 0, Heading(RADIAN / 2)));
        assert!(!course.go(200, 0, Heading(RADIAN * 3 / 2)));
        assert!(course.at(200, Heading(0)).is_none());
    }
}
