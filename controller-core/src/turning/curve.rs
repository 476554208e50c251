//! Where a point on the ground meets the boom when the machine keeps to its circle.
//!
//! Body axes at the capture, turn centre at lateral distance `R` to the left of the reference
//! point (a right turn is the same with left and right exchanged), boom on the line
//! `x = m`, axle at `x = b`. About the centre the point is at `ρ² = (R + y)² + (x − b)²`. The
//! boom's line passes it at that radius, so where it crosses the boom
//! `R + y' = √(ρ² − (m − b)²)`. The chord from the point to that place is seen from the centre
//! under the angle φ = 2·asin(c/2), `c = chord / ρ`, by which the machine turns until then; and
//! the wheel goes `(R + wheel)·φ`.
//!
//! Exact geometry, with square roots of whole counts (0.06 mm); of the arcsine the terms up to
//! c⁷ are kept: what is left out is below 2·10⁻⁴ of the way at 60°, where a point is given up,
//! and below 10⁻⁵ at 40°. Radii of more than 8 km count as straight: at 5 m that is 1.6 mm
//! across.

use super::Heading;

/// Beyond this radius the machine goes straight, counts: 8 km.
#[cfg(feature = "turning")]
const STRAIGHT: i64 = 8_000_000 << 4;

/// How the machine goes on from a capture.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Curve {
    /// Where the wheel was.
    captured: i32,
    heading: Heading,
    #[cfg(feature = "turning")]
    bend: Option<Bend>,
    #[cfg(feature = "turning")]
    boom_x: i32,
}

#[cfg(feature = "turning")]
#[derive(Clone, Copy, Debug)]
struct Bend {
    /// Radius of the reference point's lane with the centre on this hand, counts.
    radius: i64,
    right: bool,
    wheel: i64,
    behind: i64,
}

/// Where and when a point meets the boom.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Crossing {
    /// The wheel's place then, plus how far the boom is ahead of the reference point: a place
    /// for a nozzle at x = 0, as in straight travel.
    pub place: i32,
    /// The heading then.
    pub heading: Heading,
    /// Where on the boom, counts right of the reference point.
    pub y: i32,
    /// By how much the ground has turned under the machine, without sign, 2⁻¹⁶ rad.
    pub turned: i32,
}

impl Curve {
    /// Straight on from where the wheel was at `captured`.
    #[cfg(not(feature = "turning"))]
    pub fn straight(captured: i32) -> Self {
        Self {
            captured,
            heading: Heading,
        }
    }

    /// Straight on from where the wheel was at `captured`, by a machine without turning input.
    #[cfg(feature = "turning")]
    pub fn straight(captured: i32) -> Self {
        Self {
            captured,
            heading: Heading::default(),
            bend: None,
            boom_x: 0,
        }
    }

    /// On from a capture with this heading. `radius` is the wheel's, counts, positive to the
    /// left; `wheel` is how far right of the reference point the wheel is, `behind` how far the
    /// axle is ahead of it, `boom_x` how far the boom is.
    #[cfg(feature = "turning")]
    pub fn new(
        captured: i32,
        heading: Heading,
        radius: Option<i64>,
        wheel: i32,
        behind: i32,
        boom_x: i32,
    ) -> Self {
        let bent = radius.filter(|r| (-STRAIGHT..=STRAIGHT).contains(r));
        let bend = bent.map(|radius| {
            let right = radius < 0;
            let wheel = i64::from(if right { wheel.saturating_neg() } else { wheel });
            Bend {
                radius: radius.saturating_abs().saturating_sub(wheel),
                right,
                wheel,
                behind: i64::from(behind),
            }
        });
        Self {
            captured,
            heading,
            bend,
            boom_x,
        }
    }

    /// Where the wheel was at the capture, and the heading then.
    #[cfg(feature = "turning")]
    pub fn start(&self) -> (i32, Heading) {
        (self.captured, self.heading)
    }

    /// Where a point `x` ahead and `y` right of the reference point at the capture meets the
    /// boom. `None` when it lies beyond the turn centre, or more than 60° on.
    pub fn cross(&self, x: i32, y: i32) -> Option<Crossing> {
        #[cfg(feature = "turning")]
        if let Some(bend) = &self.bend {
            return self.cross_bent(bend, x, y);
        }
        Some(Crossing {
            place: self.captured.wrapping_add(x),
            heading: self.heading,
            y,
            turned: 0,
        })
    }

    #[cfg(feature = "turning")]
    fn cross_bent(&self, bend: &Bend, x: i32, y: i32) -> Option<Crossing> {
        use crate::units::{saturate_i32, wrap_i32};
        // Counts: radii below 2²⁸, all else below 2²² (points farther off are refused, and
        // forgotten). No square comes near 2⁶³, nor the radius times an angle below 2³³.
        let boom = i64::from(self.boom_x);
        let (x, y) = (i64::from(x), i64::from(y));
        let y = if bend.right { y.wrapping_neg() } else { y };
        let out = bend.radius.saturating_add(y);
        if out <= 0 {
            return None;
        }
        let ahead = x.wrapping_sub(bend.behind);
        let line = boom.wrapping_sub(bend.behind);
        let all = square(out).wrapping_add(square(ahead));
        let crossing = root(all.wrapping_sub(square(line)));
        let aside = crossing.wrapping_sub(out);
        let chord = root(square(x.wrapping_sub(boom)).wrapping_add(square(aside)));
        // 2⁻³².
        let c = (chord << 32).checked_div(root(all))?;
        let c = u64::try_from(c).ok().filter(|c| *c < 1 << 32)?;
        let c2 = c.wrapping_mul(c) >> 32;
        // 1/24, 3/640 and 5/7168 in 2⁻³².
        let term = 2_995_931_u64.wrapping_mul(c2) >> 32;
        let term = term.wrapping_add(20_132_659).wrapping_mul(c2) >> 32;
        let term = term.wrapping_add(178_956_971).wrapping_mul(c2) >> 32;
        let angle = i64::try_from(c.wrapping_add(c.wrapping_mul(term) >> 32)).ok()?;
        let radius = bend.radius.saturating_add(bend.wheel);
        let angle = if x < boom {
            angle.wrapping_neg()
        } else {
            angle
        };
        let way = radius.wrapping_mul(angle) >> 32;
        let turn = if bend.right {
            angle.wrapping_neg()
        } else {
            angle
        };
        let y = crossing.wrapping_sub(bend.radius);
        let y = if bend.right { y.wrapping_neg() } else { y };
        Some(Crossing {
            place: (self.captured)
                .wrapping_add(wrap_i32(way))
                .wrapping_add(self.boom_x),
            heading: Heading(self.heading.0.wrapping_add(turn)),
            y: saturate_i32(y),
            turned: saturate_i32(angle.saturating_abs() >> 16),
        })
    }
}

#[cfg(feature = "turning")]
fn square(n: i64) -> i64 {
    n.wrapping_mul(n)
}

/// The square root rounded down, of what is below 2⁶²; zero of what is negative. A step for each
/// two binary places.
#[cfg(feature = "turning")]
#[cfg_attr(target_os = "none", inline(never))]
fn root(of: i64) -> i64 {
    let mut rest = u64::try_from(of).unwrap_or_default();
    // The highest power of four that is not above it.
    let top = 63_u32.saturating_sub(rest.leading_zeros()) & !1;
    let mut bit = 1_u64.wrapping_shl(top);
    let mut found = 0_u64;
    while bit != 0 {
        let trial = found.wrapping_add(bit);
        found >>= 1;
        if rest >= trial {
            rest = rest.wrapping_sub(trial);
            found = found.wrapping_add(bit);
        }
        bit >>= 2;
    }
    i64::try_from(found).unwrap_or_default()
}

#[cfg(all(test, feature = "turning"))]
mod tests {
    use super::root;

    /// Against the definition: the largest whole number of which the square is not above.
    #[test]
    fn a_root_is_rounded_down() {
        let edges = (0..62).flat_map(|bit| {
            let n = 1_i64 << bit;
            [n.wrapping_sub(1), n, n.wrapping_add(1)]
        });
        for of in (0..5000).chain(edges) {
            let found = root(of);
            assert!(
                found * found <= of && (found + 1) * (found + 1) > of,
                "{of}"
            );
        }
        assert_eq!(root(-1), 0);
    }
}
